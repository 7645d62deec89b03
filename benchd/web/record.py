"""Codes and lines of a boot, read again from its capture: in two threads of their own, bounded, ended when in the way.

Nothing that keeps data waits for these: they share neither the event loop nor its threads.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections import OrderedDict
from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

from fastapi import HTTPException, Request

from benchd.capture import letgo
from benchd.capture.packed import file_of
from benchd.errors import BenchError
from benchd.vocabulary.events import CodeSeen, Event, LineSeen
from benchd.watch.trace import TraceReader
from benchd.web.responses import BootRecord, RecordCode, RecordLine

MOST = 8_000
"""Codes, and as many lines, kept of one boot."""
KEPT = 64
"""Boots kept in memory."""
TEXT_MOST = 4_000
AT_ONCE = 2
WAITING = 8
"""Boots that may be read or wait to be; one that is asked for twice is read once."""
LOOK_S = 0.25
"""How often it is looked whether the one who asked is still there."""
REST_S = 0.0002
"""A rest for the other threads now and then: one that only computes would take every turn that it gets."""


class _Ended(Exception):
    pass


class Reading:
    """A boot that is being read. `asked` is how many wait for it; nobody: it is ended."""

    def __init__(self) -> None:
        self.future: Future[BootRecord] = Future()
        self.asked = 1


def done(record: BootRecord) -> Reading:
    """What is known without reading."""
    reading = Reading()
    reading.future.set_result(record)
    return reading


class Records:
    """Reads boots from captures and keeps the last ones. Threads may share it.

    Rule tables that captures only name are looked for from `base`.
    """

    def __init__(self, base: Path) -> None:
        self._base = base
        self._kept: OrderedDict[str, BootRecord] = OrderedDict()
        self._readings: dict[str, Reading] = {}
        self._lock = threading.Lock()
        self._closed = False
        self._pool = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="old-boots")

    def of(self, boot: str, capture: Path | None, over: bool) -> BootRecord:
        """Return the record of a boot, waiting for it. `over` says that it will not change any more and may be kept.

        Raises HTTPException 503 where too many others wait.
        """
        return self.ask(boot, capture, over).future.result()

    def ask(self, boot: str, capture: Path | None, over: bool) -> Reading:
        """Have a boot read; raises as `of`. Who does not wait for it any more calls `leave`."""
        with self._lock:
            if (kept := self._kept.get(boot)) is not None:
                self._kept.move_to_end(boot)
            elif capture is None or file_of(capture) is None:
                kept = BootRecord(boot=boot, problem=gone_words(capture))
            if kept is not None:
                return done(kept)
            assert capture is not None
            if (known := self._readings.get(boot)) is not None and known.asked > 0:
                known.asked += 1
                return known
            if self._closed or len(self._readings) >= WAITING:
                raise HTTPException(503, f"{len(self._readings)} boots are being read already: ask again in a moment")
            reading = self._readings[boot] = Reading()
            self._pool.submit(self._read, boot, capture, over, reading)
            return reading

    def leave(self, reading: Reading) -> None:
        """Nobody waits here any more."""
        with self._lock:
            reading.asked -= 1

    def close(self) -> None:
        """End every reading; those that wait are told."""
        self._closed = True
        self._pool.shutdown(wait=False)

    async def while_asked(self, reading: Reading, request: Request) -> BootRecord:
        """Return what is read, unless the one who asked has gone."""
        waiting = asyncio.wrap_future(reading.future)
        while not (await asyncio.wait([waiting], timeout=LOOK_S))[0]:
            if await request.is_disconnected():
                self.leave(reading)
                raise HTTPException(503, "nobody waits for this any more")
        return waiting.result()

    def _read(self, boot: str, capture: Path, over: bool, reading: Reading) -> None:
        def pause() -> None:
            if self._closed or reading.asked < 1:
                raise _Ended
            time.sleep(REST_S)

        record, whole = BootRecord(boot=boot, problem="benchd is ending"), False
        try:
            pause()
            reader = TraceReader(self._base, pause)
            record, whole = gather(boot, reader.events(boot, capture)), True
        except BenchError as error:
            record = BootRecord(boot=boot, problem=str(error))
        except _Ended:
            pass
        except Exception as error:
            reading.future.set_exception(error)
        with self._lock:
            if self._readings.get(boot) is reading:
                del self._readings[boot]
            if over and whole:
                self._kept[boot] = record
                while len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
        if not reading.future.done():
            reading.future.set_result(record)


def gone_words(capture: Path | None) -> str:
    """Say what became of a capture that is not there."""
    gone = None if capture is None else letgo.in_words(capture)
    return f"its capture {gone or 'is not there any more'}"


def gather(boot: str, events: Iterable[Event]) -> BootRecord:
    """Return the codes of a boot, and its lines as they stood at the end."""
    codes: list[RecordCode] = []
    lines: dict[tuple[str, int], RecordLine] = {}
    left_out = 0
    for event in events:
        if not isinstance(event, CodeSeen | LineSeen):
            continue
        t, u = event.t or 0.0, event.u_ns / 1e9
        if isinstance(event, CodeSeen):
            if len(codes) < MOST:
                codes.append(RecordCode(t=t, u=u, link=event.link, code=event.code, port=event.port, known=event.known))
            else:
                left_out += 1
            continue
        key = (event.link, event.line)
        first = lines.get(key)
        if first is None and len(lines) >= MOST:
            left_out += 1
            continue
        lines[key] = RecordLine(
            t=first.t if first else t,
            u=first.u if first else u,
            link=event.link,
            line=event.line,
            text=event.text[:TEXT_MOST],
            partial=event.partial,
        )
    return BootRecord(boot=boot, codes=codes, lines=list(lines.values()), left_out=left_out)
