"""An archive as a process of its own, and a bench's voice at a real broker."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterable
from pathlib import Path
from typing import Any

import aiomqtt
import httpx

from benchd.archive.intake import Message


class ArchiveProcess:
    """`benchd archive run` with its settings in a folder of its own."""

    def __init__(self, folder: Path, broker_port: int, store: str, name: str = "one", share: str = "club") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.config = folder / "archive.toml"
        from web.rig import free_port

        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.config.write_text(
            f'[archive]\nstore = "{store}"\nname = "{name}"\nshare = "{share}"\n[mqtt]\nurl = "mqtt://127.0.0.1:{broker_port}"\n'
            f'retry_cap = 1\ntimeout = 5\n[http]\nlisten = "127.0.0.1:{self.port}"\n'
        )
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "benchd", "archive", "run", "--config", str(self.config)],
                stdout=log, stderr=log, cwd=self.folder,
            )  # fmt: skip

    def log(self) -> str:
        return (self.folder / "log").read_text()

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)
        self.process = None

    def stop(self) -> int | None:
        """End it in good order; return its exit code."""
        if self.process is None:
            return None
        with contextlib.suppress(OSError):
            os.kill(self.process.pid, signal.SIGCONT)
        self.process.terminate()
        code = self.process.wait(20)
        self.process = None
        return code

    def get(self, path: str) -> Any:
        with httpx.Client(trust_env=False, timeout=30) as client:
            return client.get(self.url + path).raise_for_status().json()

    def online(self) -> bool:
        """Whether broker and database answer it. Fails where the process ended."""
        assert self.process is not None and self.process.poll() is None, self.log()
        try:
            return bool(self.get("/api/health")["sinks"][0]["state"] == "online")
        except httpx.HTTPError:
            return False


def wait(condition: Callable[[], Any], what: str, seconds: float = 90) -> Any:
    """Wait for a condition, and return what it gives; fail saying what it was."""
    end = time.monotonic() + seconds
    while not (found := condition()):
        assert time.monotonic() < end, f"not within {seconds} s: {what}"
        time.sleep(0.05)
    return found


@contextlib.asynccontextmanager
async def voice(port: int) -> AsyncIterator[Callable[[Iterable[Message]], Any]]:
    """What sends messages as a bench does, at QoS 1; topics that end in status, state or alert are retained."""
    async with aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5) as client:

        async def send(messages: Iterable[Message]) -> None:
            for topic, payload in messages:
                kept = topic.rsplit("/", 1)[1] in ("status", "state", "alert")
                await client.publish(topic, payload, qos=1, retain=kept)

        yield send


def say(port: int, messages: Iterable[Message]) -> None:
    """Send messages, and return when the broker has them."""

    async def run() -> None:
        async with voice(port) as send:
            await send(messages)

    asyncio.run(run())
