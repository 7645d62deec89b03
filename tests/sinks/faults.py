"""A layer of faults under the outbox's file and under the broker's connection: the n-th write goes wrong.

The n-th write fails, takes long, or is cut short; writes are counted over the whole run, so that a test can let each
one of a scenario go wrong in turn. Afterwards the disk or the network is as good as before.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import sqlite3
import time
from collections.abc import AsyncIterator, Iterable
from dataclasses import dataclass
from typing import Any

import pytest

WRITES = ("INSERT", "UPDATE", "DELETE", "COMMIT", "CREATE")


@dataclass
class Fault:
    """Write number `at` (from 0) goes wrong in the way of `mode`: fail, short or slow. `seen` counts the writes."""

    at: int = -1
    mode: str = "fail"
    times: int = 1
    seen: int = 0

    def due(self) -> str:
        self.seen += 1
        return self.mode if 0 <= self.at < self.seen <= self.at + self.times else ""


SLOW_S = 0.1


def under_sqlite(fault: Fault, module: Any, patch: pytest.MonkeyPatch) -> None:
    """Put the fault under every connection that `module` opens from now on."""

    class Disk(sqlite3.Connection):
        def execute(self, sql: str, *more: Any) -> sqlite3.Cursor:
            self._write(sql)
            return super().execute(sql, *more)

        def executemany(self, sql: str, rows: Iterable[Any]) -> sqlite3.Cursor:
            rows = list(rows)
            self._write(sql, rows)
            return super().executemany(sql, rows)

        def _write(self, sql: str, rows: list[Any] | None = None) -> None:
            mode = fault.due() if sql.lstrip().startswith(WRITES) else ""
            if mode == "slow":
                time.sleep(SLOW_S)
            elif mode:
                if mode == "short" and rows:
                    super().executemany(sql, rows[: len(rows) // 2])
                raise sqlite3.OperationalError("disk I/O error")

    connect = sqlite3.connect

    class Module:
        def __getattr__(self, name: str) -> Any:
            return getattr(sqlite3, name)

        @staticmethod
        def connect(*args: Any, **more: Any) -> sqlite3.Connection:
            return connect(*args, **more, factory=Disk)

    patch.setattr(module, "sqlite3", Module())


def under_files(fault: Fault, module: Any, patch: pytest.MonkeyPatch) -> None:
    """Put the fault under the steps by which `module` puts a file in place: each fsync and replace is a write."""

    class Os:
        def __getattr__(self, name: str) -> Any:
            real = getattr(os, name)
            if name not in ("fsync", "replace"):
                return real

            def write(*args: Any) -> Any:
                if fault.due():
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                return real(*args)

            return write

    patch.setattr(module, "os", Os())


class Relay:
    """A TCP relay in front of a broker; each chunk, of either direction, is a write that the fault may hit."""

    def __init__(self, port: int, fault: Fault) -> None:
        self.broker, self.fault, self.port = port, fault, 0
        self.connections = 0
        self._writers: list[asyncio.StreamWriter] = []

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[Relay]:
        server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        try:
            yield self
        finally:
            server.close()
            for writer in self._writers:
                writer.close()
            await asyncio.sleep(0.01)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        there_reader, there_writer = await asyncio.open_connection("127.0.0.1", self.broker)
        self._writers += [writer, there_writer]
        ways = [
            asyncio.create_task(self._pass(reader, there_writer)),
            asyncio.create_task(self._pass(there_reader, writer)),
        ]
        await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        for way in ways:
            way.cancel()
        for end in (writer, there_writer):
            end.close()

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(65_536):
                mode = self.fault.due()
                if mode == "slow":
                    await asyncio.sleep(SLOW_S)
                elif mode:
                    writer.write(data[: len(data) // 2] if mode == "short" else b"")
                    await writer.drain()
                    return
                writer.write(data)
                await writer.drain()
