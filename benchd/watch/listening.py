"""Listening to a machine's links for some seconds, without keeping anything: what comes, and what is wrong with it."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from queue import Empty, SimpleQueue

from benchd.decode.doctor import Doctor
from benchd.decode.heard import bytes_of, framing_of_codes, is_enough
from benchd.links.reader import LinkReader
from benchd.links.trouble import State
from benchd.settings import MachinePart, link_infos
from benchd.vocabulary.observations import Misfit
from benchd.vocabulary.records import Chunk, LinkInfo, LinkState, Record
from benchd.watch.watcher import MakeReader, port_reader

MOST_BYTES = 64 << 10
"""Bytes kept of each link: far more than what shows what it says."""
LOOK_S = 0.2


@dataclass(slots=True)
class Heard:
    """One link: its first records, its last state (None: not even tried), and the first thing that is wrong with it."""

    info: LinkInfo
    records: list[Record] = field(default_factory=list)
    state: LinkState | None = None
    wrong: Misfit | None = None
    received: int = 0
    left_out: int = 0
    """Bytes that read well at no speed, where that was hunted for."""
    port_state: State = "new"

    @property
    def down(self) -> bool:
        """Whether the port could not be opened, or was lost."""
        return self.state is not None and not self.state.up

    @property
    def silent(self) -> bool:
        """Whether the port is open and nothing at all came."""
        return not self.down and not self.received and not self.left_out

    @property
    def absent(self) -> bool:
        """Whether there is no such port."""
        return self.port_state == "absent"

    @property
    def proven(self) -> bool:
        """Whether a raw post link's bytes are another framing's: text, but a card's."""
        return self.info.kind == "post" and framing_of_codes(bytes_of(self.records)) is not None

    @property
    def swapped(self) -> bool:
        """Whether what comes belongs on a link of the other kind."""
        return self.wrong is not None and self.wrong.what == "swapped-links"

    def take(self, record: Record) -> None:
        if isinstance(record, LinkState):
            self.state = record
        elif isinstance(record, Chunk):
            self.received += len(record.data)
        if self.received <= MOST_BYTES:
            self.records.append(record)

    @property
    def done(self) -> bool:
        return self.down or is_enough(self.info, self.records)


def listen(part: MachinePart, seconds: float, *, reader: MakeReader = port_reader) -> list[Heard]:
    """Read the links of `part` for `seconds`, or until each has said enough or is down; in the settings' order."""
    came: SimpleQueue[Record] = SimpleQueue()
    heard = {info.name: Heard(info) for info in link_infos(part)}
    doctor = Doctor([one.info for one in heard.values()])
    readers = [reader(one.info, link, came.put) for one, link in zip(heard.values(), part.link, strict=True)]
    until = time.monotonic() + seconds
    try:
        for one in readers:
            one.start()
        while (left := until - time.monotonic()) > 0 and not _settled(heard.values()):
            with contextlib.suppress(Empty):
                _take(heard, doctor, came.get(timeout=min(left, LOOK_S)))
            while not came.empty():
                _take(heard, doctor, came.get())
        for one in readers:
            if isinstance(one, LinkReader):
                told = one.status()
                heard[told.link].left_out = told.bytes_read - heard[told.link].received
                heard[told.link].port_state = told.state
    finally:
        for one in readers:
            one.stop()
    return list(heard.values())


def _settled(heard: Iterable[Heard]) -> bool:
    return all(one.done for one in heard) or any(one.swapped for one in heard)


def _take(heard: dict[str, Heard], doctor: Doctor, record: Record) -> None:
    if (link := getattr(record, "link", None)) in heard:
        heard[link].take(record)
    for misfit in doctor.feed(record):
        if (of := heard[misfit.link]).wrong is None and not of.proven:
            of.wrong = misfit
