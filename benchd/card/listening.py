"""Listens to the card on a port for a while, and says what it told."""

from __future__ import annotations

import contextlib
import queue
import time
from collections.abc import Callable

from benchd.decode.cardcheck import CardCheck, CardReport
from benchd.decode.framings import framing_of
from benchd.errors import ExternalError
from benchd.links.lines import port_timing
from benchd.links.reader import LinkReader
from benchd.links.settings import HUNT, PortSettings
from benchd.vocabulary.records import ClockMark, LinkInfo, LinkState, Record

STOP_S = 5.0
LOOK_S = 0.2
"""The clock is looked at this often while nothing comes."""


def listen(settings: PortSettings, seconds: float, clock: Callable[[], float] = time.monotonic) -> CardReport:
    """Listen for `seconds` of `clock`, or until Ctrl-C. Nothing is sent.

    Raises ExternalError when the port cannot be opened, or goes away meanwhile.
    """
    speed = None if settings.speed == HUNT else int(settings.speed)
    timing = port_timing(settings.port, speed or 9600, settings.data_bits, settings.parity, settings.stop_bits)
    info = LinkInfo(
        "card", "post", "bench", settings.port, speed or 9600, latency_ns=timing.latency_ns, paced=timing.paced
    )
    check = CardCheck(info)
    records: queue.SimpleQueue[Record] = queue.SimpleQueue()
    reader = LinkReader(info, settings, records.put, scoring=framing_of(info).hunt)
    began = clock()
    reader.start()
    try:
        with contextlib.suppress(KeyboardInterrupt):
            while (left := began + seconds - clock()) > 0:
                with contextlib.suppress(queue.Empty):
                    _take(check, records.get(timeout=min(left, LOOK_S)))
        passed = min(clock() - began, seconds)
        status = reader.status()
    finally:
        reader.stop(STOP_S)
    check.feed(ClockMark(time.monotonic_ns()))
    return check.report(passed, status.speed, status.left_out)


def _take(check: CardCheck, record: Record) -> None:
    if isinstance(record, LinkState) and not record.up:
        raise ExternalError(record.reason)
    check.feed(record)
