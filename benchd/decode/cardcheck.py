"""What a card tells of itself while one listens to it: who it is, what it lost, how its clock runs. Pure.

The frames are decoded as on any link; beside that each one is looked at here. A card of any make that sends bench
frames can be checked; what it does not tell stays None or empty.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from benchd.decode import score
from benchd.decode.benchframe import CardWrite, Frame, Kind
from benchd.decode.benchlink import BenchFrames
from benchd.decode.cardclock import CardClock
from benchd.decode.framings import framing_of
from benchd.decode.link import LinkDecoder, Outlet
from benchd.vocabulary.observations import Decoded, Lost
from benchd.vocabulary.records import Chunk, LineFault, LinkInfo, Record

LEAST_SECONDS = 12
"""Seconds with a frame in them that the clock's rate is reckoned from at least: four for each third."""
SLACK_SHARE = 0.9
"""How late the fastest frame of a third may be: as late as this share of all seconds' fastest frames are.

Measured on 400 seeds each of uniform, exponential and two-valued delays over 12 to 60 s: the true rate lies within the
half-width for 97 % or more.
"""
MOST_SECONDS = 7200
"""Seconds kept: more than anybody listens. A counter that leaps about begins anew there."""
KEPT = 2048
"""Bytes kept to judge what was sent, where it is no frame."""
CUT = ("not-cobs", "too-short", "bad-crc")
"""How a frame is refused whose beginning was sent before one listened."""
SECOND_NS = 1_000_000_000


class Drift:
    """How much faster a card's clock runs than the arrivals' one, by the fastest frame of each second.

    Delays only make frames late, and never all of a third of the time: the line from the fastest frame of the first
    third to that of the last one has the card's rate, and is wrong at most by how late those two were.
    """

    def __init__(self) -> None:
        self._fastest: dict[int, tuple[int, int]] = {}

    def forget(self) -> None:
        self._fastest.clear()

    def add(self, card_ns: int, arrival_ns: int) -> None:
        """Take a frame whose newest entry the card dates `card_ns`, by the nominal length of its tick."""
        if len(self._fastest) >= MOST_SECONDS:
            self.forget()
        second = card_ns // SECOND_NS
        late = arrival_ns - card_ns
        if second not in self._fastest or late < self._fastest[second][1]:
            self._fastest[second] = (arrival_ns, late)

    def rate(self) -> tuple[float, float] | None:
        """Return (by what part the card is fast, half-width), or None while too little came."""
        points = [self._fastest[second] for second in sorted(self._fastest)]
        if len(points) < LEAST_SECONDS:
            return None
        third = len(points) // 3
        first, last = (min(part, key=lambda point: point[1]) for part in (points[:third], points[-third:]))
        passed = last[0] - first[0]
        if passed <= 0:  # the card's counter leaps
            return None
        slope = (last[1] - first[1]) / passed
        beyond = sorted(late - first[1] - slope * (at - first[0]) for at, late in points)
        slack = beyond[int(SLACK_SHARE * (len(beyond) - 1))] - beyond[0]
        return -slope, max(slack, 0.0) / passed


@dataclass(slots=True)
class CardReport:
    """What was heard of a card. `trouble` says why it is taken for none, "" where it is one.

    Counts: `frames` sound ones, `codes` in them, `alive` frames without news, `starts` of the card, `resets` of the
    bus, `lost_by_card` writes that it had no room for, `lost_on_the_way` entries that never came. `refused` is pieces
    by reason; `cut` says that one more was refused because listening began in the middle of it. `faults` is what the
    port told of bad characters. `ports_seen` is codes by I/O port (hexadecimal, "" where none was told).
    What the card did not tell: `firmware` "", `ports_watched` [], the others null. `skew_ppm` is by how much its clock
    is fast against this computer's, `skew_u_ppm` the half-width.
    """

    port: str
    seconds: float
    speed: int | None
    bytes: int = 0
    frames: int = 0
    codes: int = 0
    alive: int = 0
    starts: int = 0
    resets: int = 0
    firmware: str = ""
    ports_watched: list[int] = field(default_factory=list)
    ports_seen: dict[str, int] = field(default_factory=dict)
    tick_ns: int | None = None
    skew_ppm: float | None = None
    skew_u_ppm: float | None = None
    lost_by_card: int = 0
    lost_on_the_way: int = 0
    refused: dict[str, int] = field(default_factory=dict)
    cut: bool = False
    faults: dict[str, int] = field(default_factory=dict)
    power: bool | None = None
    trouble: str = ""

    @property
    def fine(self) -> bool:
        """A card was heard, and nothing of what it sent was lost or refused."""
        return not (self.trouble or self.lost_by_card or self.lost_on_the_way or self.refused or self.faults)


class _Heard(BenchFrames):
    """The framing, with an ear for whole frames."""

    def __init__(self, outlet: Outlet, check: CardCheck) -> None:
        super().__init__(outlet)
        self._check = check

    def _judge(self, frame: Frame) -> None:
        self._check.frame(frame, self._t_ns)
        super()._judge(frame)


class CardCheck:
    """Listens to one card's link: feed it the link's records in order, ask for the report whenever you like."""

    def __init__(self, info: LinkInfo) -> None:
        outlet = Outlet(info)
        self._decoder = LinkDecoder(info, _Heard(outlet, self), outlet)
        self._report = CardReport(info.port, 0.0, info.speed)
        self._clock = CardClock()
        self._drift = Drift()
        self._seen: Counter[str] = Counter()
        self._refused: Counter[str] = Counter()
        self._faults: Counter[str] = Counter()
        self._sample = bytearray()
        self._reasons = framing_of(info).refuses

    def feed(self, record: Record) -> None:
        """Take one record of the link."""
        if isinstance(record, Chunk):
            self._report.bytes += len(record.data)
            self._sample += record.data[: KEPT - len(self._sample)]
        elif isinstance(record, LineFault):
            self._faults[record.fault] += record.count
        before = self._report.frames
        for seen in self._decoder.feed(record):
            self._count(seen, before)

    def _count(self, seen: Decoded, frames_before: int) -> None:
        report = self._report
        if not isinstance(seen, Lost):
            return
        if seen.reason == "sequence-gap":
            report.lost_on_the_way += seen.count
        elif seen.reason == "card-overrun":
            report.lost_by_card += seen.count
        elif not frames_before and not report.cut and not self._refused and seen.reason in CUT:
            report.cut = True
        elif seen.reason in self._reasons:
            self._refused[seen.reason] += 1

    def frame(self, frame: Frame, t_ns: int) -> None:
        """Take a sound frame whose first byte arrived at `t_ns`."""
        report, clock = self._report, self._clock
        report.frames += 1
        report.alive += frame.kind is Kind.ALIVE
        if frame.tick_ns:
            report.tick_ns = frame.tick_ns
            clock.tick_ns = clock.tick_ns or frame.tick_ns
        if frame.kind is Kind.STARTED:
            clock.forget()
        ticks, restarted = clock.unwrap(frame.ticks, t_ns)
        if restarted or frame.kind is Kind.STARTED:
            report.starts += 1
            self._drift.forget()
        ticks += sum(entry.delta for entry in frame.entries)
        if clock.tick_ns is not None:
            self._drift.add(round(ticks * clock.tick_ns), t_ns)
        port: int | None = None
        for entry in frame.entries:
            port = port if entry.port is None else entry.port
            self._entry(entry, port)

    def _entry(self, entry: CardWrite, port: int | None) -> None:
        report, note = self._report, entry.note
        report.resets += entry.reset
        if entry.code is not None:
            report.codes += 1
            self._seen["" if port is None else f"{port:02X}"] += 1
        if note is not None and (card := note.card) is not None:
            report.firmware = ".".join(map(str, card.version))
            report.ports_watched = list(card.ports)
        if note is not None and note.power is not None:
            report.power = note.power

    def report(self, seconds: float, speed: int | None, left_out: int = 0) -> CardReport:
        """Return what was heard in `seconds`; `left_out` bytes were read while the speed was sought."""
        report = self._report
        report.seconds, report.speed = round(seconds, 3), speed
        report.refused, report.ports_seen = dict(self._refused), dict(sorted(self._seen.items()))
        report.faults = dict(self._faults)
        if (rate := self._drift.rate()) is not None:
            report.skew_ppm, report.skew_u_ppm = round(rate[0] * 1e6, 1), round(rate[1] * 1e6, 1)
        if not report.frames:
            report.trouble = self._trouble(left_out)
        return report

    def _trouble(self, left_out: int) -> str:
        report = self._report
        sample = bytes(self._sample)
        if not report.bytes and left_out:
            return f"{left_out} bytes came, and no speed was found at which they are frames: is it a card of this kind?"
        if not report.bytes:
            return (
                f"nothing came in {report.seconds:.0f} s. Is the card powered, its line joined to RXD of this adapter, "
                "and ground to ground? A card that sends bench frames sends one each second, whatever the machine does"
            )
        begun = f"{report.bytes} bytes came, and no sound frame among them"
        if 10 * sum(report.faults.values()) > report.bytes:
            return f"{begun}; the port tells of bad characters: it is another speed, try --speed hunt"
        limits, tally = score.HEX.limits, score.HEX.judge(sample, 0)
        if tally.seen >= limits.few and tally.share >= limits.lock:
            return f'{begun}; they read as hexadecimal text: a card for framing = "hex"'
        return (
            f'{begun}: a card that sends one byte a code (framing = "raw"), or another speed; --speed hunt finds the '
            "speed of a card that sends frames"
        )
