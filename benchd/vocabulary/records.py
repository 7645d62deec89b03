"""What a capture holds and what the links deliver: raw bytes and link events with arrival times.

Records are the truth; everything after them can be derived again. Times are integer nanoseconds on the
monotonic clock of the machine that recorded them; a capture carries the wall time of one such instant, so
that wall time stays a label. `link` is the name of a link within its machine ("post", "console", "post2").
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

from benchd.vocabulary.quick import quick


@dataclass(frozen=True, slots=True)
class LinkInfo:
    """The fixed facts about one link that decoding needs; written into every capture.

    `framing` is the name of a row in `decode/framings.py`, such as "raw" for a post link, "text" for a console.
    `latency_ns` is how late the adapter may deliver a byte (USB latency timer, scheduler), half-width.
    `paced` says that bytes arrive at line speed, so that a chunk may be back-dated by byte times; false for
    sockets and ptys, whose bytes come as fast as they like.
    `code_port` is the I/O port that a card without port information listens to, if known (0x80).
    `lossy` says that the card is known to merge or drop fast codes.
    `pattern` is the regular expression (re2 syntax) of the "pattern" framing.
    `tick_s` is the length of a card tick in seconds, for framings that carry ticks, or None.
    """

    name: str
    kind: Literal["post", "console"]
    framing: str
    port: str = ""
    speed: int = 9600
    data_bits: int = 8
    parity: Literal["N", "E", "O", "M", "S"] = "N"
    stop_bits: float = 1
    latency_ns: int = 2_000_000
    paced: bool = True
    code_port: int | None = None
    lossy: bool = False
    pattern: str | None = None
    tick_s: float | None = None
    encoding: str = "cp437"


@quick
@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes from one read; `t_ns` is the arrival of the last byte."""

    link: str
    t_ns: int
    data: bytes


@dataclass(frozen=True, slots=True)
class LinkState:
    """A link came up or went down, or its speed changed; `reason` is a short sentence for people.

    `speed` is what is in force, where the port has one. `latency_ns` is how late bytes may be as the open port is set
    up, in place of what `LinkInfo` says; None leaves that as it is.
    """

    link: str
    t_ns: int
    up: bool
    reason: str
    speed: int | None = None
    latency_ns: int | None = None


@dataclass(frozen=True, slots=True)
class ModemLines:
    """The modem lines as this side sees them, at a change and once when a link opens."""

    link: str
    t_ns: int
    cts: bool
    dsr: bool
    ri: bool
    cd: bool


@dataclass(frozen=True, slots=True)
class LineFault:
    """The port driver told of a break, a framing or parity error, or an overrun."""

    link: str
    t_ns: int
    fault: Literal["break", "framing", "parity", "overrun"]
    count: int = 1


@quick
@dataclass(frozen=True, slots=True)
class ClockMark:
    """Nothing happened up to this instant; lets a replay see silences, also after a kill."""

    t_ns: int


UNREAD = "unread"


@dataclass(frozen=True, slots=True)
class Annotation:
    """A label that boots from now on are judged under, so that a replay judges the same.

    Key "trial": the trial they belong to ("" for none). Key "model": what kind of machine it is ("": not named).
    Key "limit": a learned limit, `stage=seconds:kind:boots`.
    Key "phase", when this file was begun: "over" a boot had ended, "off" and the power was seen to go off since,
    with the moment after it where that is known (`off 12000000000`, ns of the same clock as `t_ns`).
    Key "end": the run ended here.
    Key "attention": for `value` seconds from here on nobody looked (this process was stopped, or its thread starved):
    silence in that time proves nothing.
    Key "wall": the wall clock had been set and stood at `value` (ns since 1970) here; later boots are labelled by it.
    Key "differs": what a boot's report contradicts of its trial's setup, the JSON of a `SetupDiffers`.
    Key "again": the next so many records repeat what was in force when this file was begun.
    Key "table": the rule table's text, so that a capture can be judged wherever it is mailed to.
    Key "unread": of the next so many ns some records could not be read, so many bytes of the capture (`NS BYTES`).
    """

    t_ns: int
    key: str
    value: str

    @property
    def at_ns(self) -> int:
        """When it is judged, as an observation."""
        return self.t_ns


Record: TypeAlias = Chunk | LinkState | ModemLines | LineFault | ClockMark | Annotation
