"""Codes and lines of a boot, read again from its capture. Slow, so used off the event loop; kept for a while."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterable
from pathlib import Path

from benchd.errors import BenchError
from benchd.vocabulary.events import BootOver, BootStarted, CodeSeen, Event, LineSeen
from benchd.watch.replay import Replay
from benchd.web.responses import BootRecord, RecordCode, RecordLine

MOST = 8_000
"""Codes, and as many lines, kept of one boot."""
KEPT = 64
"""Boots kept in memory."""
TEXT_MOST = 4_000


class Records:
    """Reads boots from captures, one at a time, and keeps the last ones. Threads may share it."""

    def __init__(self, base: Path) -> None:
        self._base = base
        self._kept: OrderedDict[str, BootRecord] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, boot: str, capture: Path | None, over: bool) -> BootRecord:
        """Return the record of a boot. `over` says that it will not change any more and may be kept."""
        with self._lock:
            if (known := self._kept.get(boot)) is not None:
                self._kept.move_to_end(boot)
                return known
            if capture is None or not capture.is_file():
                return BootRecord(boot=boot, problem="its capture is not there any more")
            try:
                replay = Replay([capture], base=self._base)
                found = _gather(replay.events(), boot)
            except BenchError as error:
                return BootRecord(boot=boot, problem=str(error))
            record = found.pop(boot, None)
            if record is None:
                problem = "; ".join(replay.problems) or f"{capture.name} does not hold this boot"
                return BootRecord(boot=boot, problem=problem)
            if over:
                self._keep(record)
            for other in found.values():
                self._keep(other)
            return record

    def _keep(self, record: BootRecord) -> None:
        self._kept[record.boot] = record
        self._kept.move_to_end(record.boot)
        while len(self._kept) > KEPT:
            self._kept.popitem(last=False)


class _Gathered:
    def __init__(self) -> None:
        self.codes: list[RecordCode] = []
        self.lines: dict[tuple[str, int], RecordLine] = {}
        self.left_out = 0
        self.over = False

    def take(self, event: CodeSeen | LineSeen) -> None:
        t, u = event.t or 0.0, event.u_ns / 1e9
        if isinstance(event, CodeSeen):
            if len(self.codes) < MOST:
                self.codes.append(
                    RecordCode(t=t, u=u, link=event.link, code=event.code, port=event.port, known=event.known)
                )
            else:
                self.left_out += 1
            return
        key = (event.link, event.line)
        first = self.lines.get(key)
        if first is None and len(self.lines) >= MOST:
            self.left_out += 1
            return
        self.lines[key] = RecordLine(
            t=first.t if first else t,
            u=first.u if first else u,
            link=event.link,
            line=event.line,
            text=event.text[:TEXT_MOST],
            partial=event.partial,
        )


def _gather(events: Iterable[Event], wanted: str) -> dict[str, BootRecord]:
    """Return `wanted` and the boots before it that were over; reading stops once `wanted` is over for good."""
    found: dict[str, _Gathered] = {}
    for event in events:
        if isinstance(event, CodeSeen | LineSeen) and event.boot is not None:
            found.setdefault(event.boot, _Gathered()).take(event)
        elif isinstance(event, BootStarted):
            if event.boot.id != wanted and wanted in found:
                break
            found.setdefault(event.boot.id, _Gathered())
        elif isinstance(event, BootOver) and event.boot.id in found:
            found[event.boot.id].over = True
        while len(found) > KEPT:
            found.pop(next(name for name in found if name != wanted))
    return {
        name: BootRecord(boot=name, codes=one.codes, lines=list(one.lines.values()), left_out=one.left_out)
        for name, one in found.items()
        if name == wanted or one.over
    }
