"""Ways to deliver an alert: a command, or notification URLs. Each has its own queue and waits for no other.

A delivery that fails is tried again with growing waits, then given up and counted. Messages of one channel keep
their order. Nothing a channel says of itself holds arguments, URLs or other secrets.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import signal
import time
from collections import Counter, deque
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from benchd.clock import Backoff
from benchd.errors import system_words
from benchd.harmless import clean
from benchd.sinks.alerts.message import AlertMessage
from benchd.sinks.alerts.text import late

log = logging.getLogger(__name__)

WAITING = 200
"""Messages waiting in a channel; beyond that the oldest is dropped and counted."""

LATE_S = 10.0
"""A message older than this says how old it is."""

OUTPUT = 65_536
"""Bytes of a command's output kept; the rest is read and thrown away."""


class DeliveryFailed(Exception):
    """A delivery did not work; the text says why, without secrets. `for_good`: trying again is no use."""

    def __init__(self, reason: str, *, for_good: bool = False) -> None:
        super().__init__(reason)
        self.for_good = for_good


class Channel:
    """Queue, tries and counters; subclasses deliver. `results` counts ok, failed, given-up, dropped and silenced."""

    def __init__(self, name: str, *, tries: int, backoff: Backoff) -> None:
        self.name = name
        self.results: Counter[str] = Counter({"ok": 0, "failed": 0, "given-up": 0, "dropped": 0})
        self.reason = ""
        self.changed: Callable[[], None] = lambda: None
        """Called when the queue is another one."""
        self._tries = tries
        self._backoff = backoff
        self._waiting: deque[AlertMessage] = deque()
        self._overflowed = False
        self._wake = asyncio.Event()
        self._idle = asyncio.Event()
        self._idle.set()

    def __len__(self) -> int:
        return len(self._waiting)

    def waiting(self) -> list[AlertMessage]:
        """Return what is to be delivered, oldest first; the first may be under way."""
        return list(self._waiting)

    def put(self, message: AlertMessage) -> None:
        """Queue a message; never blocks."""
        if len(self._waiting) >= WAITING:
            self._waiting.popleft()
            self.results["dropped"] += 1
            if not self._overflowed:
                log.error("alerts: %s: more than %d wait: the oldest are dropped and counted", self.name, WAITING)
            self._overflowed = True
        self._waiting.append(message)
        self.changed()
        self._idle.clear()
        self._wake.set()

    def withdraw(self, machine: str, kind: str, rule: str) -> None:
        """Deliver nothing more of one alarm that a person silenced; what is under way is not tried again."""
        left = [m for m in self._waiting if (m.machine, m.kind, m.rule) != (machine, kind, rule)]
        if len(left) < len(self._waiting):
            self.results["silenced"] += len(self._waiting) - len(left)
            self._waiting = deque(left)
            self.changed()

    async def deliver(self, message: AlertMessage) -> None:
        """Deliver once. Raises DeliveryFailed."""
        raise NotImplementedError

    async def drained(self) -> None:
        """Wait until nothing is left to deliver."""
        await self._idle.wait()

    async def work(self) -> None:
        """Deliver for ever, one message at a time."""
        while True:
            if not self._waiting:
                self._idle.set()
                self._overflowed = False
                self._wake.clear()
                await self._wake.wait()
                continue
            await self._see_through(self._waiting[0])

    async def _once(self, message: AlertMessage) -> None:
        try:
            age_s = time.time() - datetime.fromisoformat(message.at).timestamp()
            await self.deliver(late(message, age_s) if age_s >= LATE_S else message)
        except DeliveryFailed:
            raise
        except Exception as error:  # a library's fault must not end the channel; its text may hold a URL
            raise DeliveryFailed(f"failed unexpectedly ({type(error).__name__})") from None

    async def _see_through(self, message: AlertMessage) -> None:
        self._backoff.reset()
        for left in reversed(range(self._tries)):
            try:
                await self._once(message)
            except DeliveryFailed as error:
                self.results["failed"] += 1
                reason = f"{self.name}: {error}"
                if reason != self.reason:
                    log.warning("alerts: %s", reason)
                self.reason = reason
                if error.for_good or not left:
                    self.results["given-up"] += 1
                    log.error("alerts: %s: alert %s is given up", self.name, message.id)
                    break
                await asyncio.sleep(self._backoff.next_s())
                if message not in self._waiting:  # silenced meanwhile
                    break
            else:
                self.results["ok"] += 1
                self.reason = ""
                break
        if self._waiting and self._waiting[0] is message:
            self._waiting.popleft()
            self.changed()


class CommandChannel(Channel):
    """Runs a program for each message, with the message as JSON on its standard input. No shell is involved."""

    def __init__(self, argv: list[str], *, timeout_s: float, tries: int = 6, backoff: Backoff | None = None) -> None:
        super().__init__("command", tries=tries, backoff=backoff or Backoff(1.0, 60.0))
        self._argv = argv
        self._timeout_s = timeout_s
        self._shown = clean(os.path.basename(argv[0]), 60)

    async def deliver(self, message: AlertMessage) -> None:
        output = bytearray()
        # The output pipe is ours, not asyncio's: `wait` would otherwise wait for helpers in the background.
        read_end, write_end = os.pipe()
        reader = asyncio.StreamReader()
        pipe, _ = await asyncio.get_running_loop().connect_read_pipe(
            lambda: asyncio.StreamReaderProtocol(reader), os.fdopen(read_end, "rb", 0)
        )
        try:
            process = await self._start(write_end)
        except BaseException:
            pipe.close()
            raise
        finally:
            os.close(write_end)
        reading = asyncio.create_task(_read(reader, output))
        writing = asyncio.create_task(_write(process, message.model_dump_json().encode() + b"\n"))
        try:
            await asyncio.wait_for(process.wait(), self._timeout_s)
            await asyncio.wait([reading], timeout=0.5)
        except TimeoutError:
            raise DeliveryFailed(
                f"{self._shown} did not end within {self._timeout_s:g} s and was stopped{self._said(output)}"
            ) from None
        finally:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(process.pid, signal.SIGKILL)
            for task in (reading, writing):
                task.cancel()
            await asyncio.wait([reading, writing])
            pipe.close()
            await process.wait()
        if process.returncode:
            raise DeliveryFailed(f"{self._shown} ended with {process.returncode}{self._said(output)}")

    async def _start(self, output: int) -> asyncio.subprocess.Process:
        try:
            return await asyncio.create_subprocess_exec(
                *self._argv,
                stdin=asyncio.subprocess.PIPE,
                stdout=output,
                stderr=output,
                start_new_session=True,
            )
        except (OSError, ValueError) as error:
            reason = system_words(error)
            raise DeliveryFailed(f"{self._shown} cannot be run: {reason}: check alert.command") from None

    def _said(self, output: bytearray) -> str:
        """Return the last line of the output for people, with the command's own arguments masked."""
        lines = output.decode("utf-8", "replace").strip().splitlines()
        if not lines:
            return ""
        text = lines[-1]
        for word in sorted(self._argv[1:], key=len, reverse=True):
            if len(word) >= 4:
                text = text.replace(word, "***")
        return f": {clean(text, 200)}"


async def _read(reader: asyncio.StreamReader, output: bytearray) -> None:
    while data := await reader.read(8192):
        output += data[: max(0, OUTPUT - len(output))]


async def _write(process: asyncio.subprocess.Process, data: bytes) -> None:
    assert process.stdin is not None
    try:
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):  # it need not read
            process.stdin.write(data)
            await process.stdin.drain()
    finally:
        process.stdin.close()


class NotifyChannel(Channel):
    """One notification URL, by the apprise library (an extra: benchd[notify]). The URL is a secret."""

    def __init__(
        self,
        url: str,
        file: Path,
        line: int,
        *,
        timeout_s: float,
        tries: int = 6,
        backoff: Backoff | None = None,
    ) -> None:
        super().__init__(f"notify-{line}", tries=tries, backoff=backoff or Backoff(1.0, 60.0))
        self._url = url
        self._where = f"alert.notify_file {file} line {line}"
        self._timeout_s = timeout_s
        self._service: Any = None

    async def deliver(self, message: AlertMessage) -> None:
        try:
            took = await asyncio.wait_for(asyncio.to_thread(self._send, message), self._timeout_s)
        except TimeoutError:
            raise DeliveryFailed(f"{self._where}: no answer within {self._timeout_s:g} s") from None
        if not took:
            raise DeliveryFailed(f"{self._where}: the service did not take it: check URL and network")

    def _send(self, message: AlertMessage) -> bool:
        try:
            import apprise
        except ImportError:
            text = "needs the notification library: pip install 'benchd[notify]'"
            raise DeliveryFailed(f"{self._where}: {text}", for_good=True) from None
        if self._service is None:
            # These write URLs, and with them tokens, into logs.
            for name in ("apprise", "urllib3", "requests", "requests_oauthlib"):
                logging.getLogger(name).setLevel(logging.CRITICAL + 1)
            service = apprise.Apprise()
            if not service.add(self._url):
                raise DeliveryFailed(f"{self._where}: is not a notification URL", for_good=True)
            self._service = service
        kind = apprise.NotifyType.SUCCESS if message.state == "recovered" else apprise.NotifyType.WARNING
        return bool(self._service.notify(body=message.text, title=message.title, notify_type=kind))
