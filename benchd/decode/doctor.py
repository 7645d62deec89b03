"""What is wrong with a machine's links, by what comes over them: a wrong speed, links that are swapped. Pure.

doctor = Doctor(links)
found = doctor.feed(record)     # Misfit observations, of each window of bytes that reads badly

Each link is judged by windows of WINDOW bytes, so the cost is constant and the state bounded. A console that reads
badly was read at a wrong speed; which one would read well is told by `misread`. A raw post link carries any byte:
there only framing errors speak. Text on a raw post link is a console's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from benchd.decode.misread import HEX, TEXT, sent_at
from benchd.decode.score import HEX as HEX_SCORE
from benchd.decode.score import TEXT as TEXT_SCORE
from benchd.decode.score import reads_well
from benchd.vocabulary.observations import Misfit
from benchd.vocabulary.records import Chunk, LineFault, LinkInfo, LinkState, Record
from benchd.vocabulary.times import byte_time_ns

WINDOW = 128
BADLY = TEXT_SCORE.limits.garbage
"""Share of characters that read well, below which a window is garbage: as where the hunt gives up a speed."""
WELL = 0.85
SILENT_CONSOLE = 2
"""So many windows of text on a post link, and nothing at all on the console: swapped, though that says nothing."""
FEW = 8
"""Bytes on a console that are enough to see that they are no text, once text came on the post link."""
FAULTY = 0.3
FAULTS_LEAST = 16
VARIETY = 12

NOTHING: tuple[Misfit, ...] = ()
HUNT = 'or set speed = "hunt" for this link'
SWAP = "exchange the two ports in the settings, or the two plugs"


@dataclass(slots=True)
class Heard:
    """One link: its speed, the window that is being filled, how often each byte value came in bad windows in a row."""

    info: LinkInfo
    speed: int
    window: bytearray = field(default_factory=bytearray)
    counts: dict[int, int] = field(default_factory=dict)
    bytes: int = 0
    faults: int = 0
    texts: int = 0

    @property
    def unreadable(self) -> bool:
        """Whether the last bytes are no text."""
        return len(self.window) >= FEW and TEXT_SCORE.judge(bytes(self.window), 0).share < BADLY

    def forget(self) -> None:
        self.window.clear()
        self.counts = {}
        self.bytes = self.faults = self.texts = 0


class Doctor:
    """Judges the links of one machine by their records."""

    def __init__(self, links: Sequence[LinkInfo]) -> None:
        self._links = {info.name: Heard(info, info.speed) for info in links}

    def feed(self, record: Record) -> Sequence[Misfit]:
        """Take in a record; return what is wrong by it."""
        heard = self._links.get(getattr(record, "link", ""))
        if heard is None:
            return NOTHING
        if isinstance(record, Chunk):
            window, data = heard.window, record.data
            if len(window) + len(data) < WINDOW:
                window += data
                heard.bytes += len(data)
                return NOTHING
            return NOTHING if _goes_on_well(heard, data) else self._chunk(heard, record)
        match record:
            case LineFault(fault="framing" | "parity" | "break"):
                heard.faults += record.count
            case LinkState(up=True, speed=int(speed)) if speed != heard.speed:
                heard.speed = speed
                heard.forget()
            case LinkState(up=False):
                heard.forget()
        return NOTHING

    def reads_well(self, chunks: Sequence[Chunk]) -> bool:
        """Take in chunks of one link where nothing can be wrong by any of them; say whether that was so."""
        heard, data = self._links[chunks[0].link], b"".join([chunk.data for chunk in chunks])
        if len(heard.window) + len(data) < WINDOW:
            heard.window += data
            heard.bytes += len(data)
            return True
        return _goes_on_well(heard, data)

    def _chunk(self, heard: Heard, record: Chunk) -> list[Misfit]:
        info = heard.info
        byte_ns = byte_time_ns(heard.speed, info.data_bits, info.parity, info.stop_bits) if info.paced else 0
        out: list[Misfit] = []
        rest = record.data
        while rest:
            piece, rest = rest[: WINDOW - len(heard.window)], rest[WINDOW - len(heard.window) :]
            heard.window += piece
            heard.bytes += len(piece)
            if len(heard.window) == WINDOW:
                out += self._judge(heard, record.t_ns - len(rest) * byte_ns)
                heard.window.clear()
                heard.faults = 0
        return out

    def _judge(self, heard: Heard, t_ns: int) -> list[Misfit]:
        if heard.info.kind == "post" and heard.info.framing == "raw":
            return self._judge_raw(heard, t_ns)
        if heard.info.kind == "post" and heard.info.framing != "hex":
            return []
        scoring, sample = (TEXT_SCORE, TEXT) if heard.info.kind == "console" else (HEX_SCORE, HEX)
        share = scoring.judge(bytes(heard.window), min(heard.faults, WINDOW)).share
        if share >= BADLY:
            heard.counts = {}
            return []
        for value in heard.window:
            heard.counts[value] = heard.counts.get(value, 0) + 1
        if any(other.texts for other in self._links.values()):
            return [self._swapped(heard, t_ns)]
        better = sent_at([heard.counts.get(value, 0) for value in range(256)], heard.speed, sample)
        said = f"{share:.0%} of the last {WINDOW} characters read well at {heard.speed} bit/s"
        if better is not None:
            advice = [f"set speed = {better} for this link: what came looks like {better} bit/s", HUNT]
            said += f"; {better} bit/s would read well"
        else:
            faster = f"set a faster speed than {heard.speed}: no slower one explains what came"
            advice = [faster, HUNT, "check the ground of the cable, and its length"]
        return [_misfit(heard, t_ns, "wrong-speed", said, advice)]

    def _judge_raw(self, heard: Heard, t_ns: int) -> list[Misfit]:
        tally = TEXT_SCORE.judge(bytes(heard.window), 0)
        if tally.share >= WELL and tally.distinct >= VARIETY and _in_lines(heard.window):
            heard.texts += 1
            consoles = [other for other in self._links.values() if other.info.kind == "console"]
            silent = all(not other.bytes for other in consoles) and heard.texts >= SILENT_CONSOLE
            if silent or any(other.unreadable for other in consoles):
                return [self._swapped(heard, t_ns)]
            return []
        heard.texts = 0
        if heard.faults >= FAULTS_LEAST and heard.faults >= FAULTY * WINDOW:
            said = f"{heard.faults} framing errors in the last {WINDOW} characters at {heard.speed} bit/s"
            return [_misfit(heard, t_ns, "wrong-speed", said, ["set the speed that the card uses", HUNT])]
        return []

    def _swapped(self, heard: Heard, t_ns: int) -> Misfit:
        consoles = any(other.info.kind == "console" for other in self._links.values())
        if heard.info.kind == "console":
            said = "text comes on the post link, and what comes on the console is none"
        elif consoles:
            said = "readable text comes on the post link, and none on the console"
        else:
            said = "readable text comes on the post link: it is a console"
        return _misfit(heard, t_ns, "swapped-links", said, [SWAP if consoles else 'set kind = "console" for this link'])


def _goes_on_well(heard: Heard, data: bytes) -> bool:
    """Take bytes in that fill windows of a console, where these read well; say whether that was so."""
    if heard.faults or heard.info.kind != "console" or not reads_well(both := heard.window + data):
        return False
    heard.bytes += len(data)
    heard.window = both[len(both) - len(both) % WINDOW :]
    if heard.counts:
        heard.counts = {}
    return True


def _in_lines(window: bytearray) -> bool:
    """Whether it has ends of lines, and is no loop of codes that happen to be printable."""
    loops = any(window[at:] == window[:-at] for at in range(1, 3 * len(window) // 4))
    return not loops and (b"\r" in window or b"\n" in window)


def _misfit(heard: Heard, t_ns: int, what: str, said: str, advice: Sequence[str]) -> Misfit:
    return Misfit(heard.info.name, t_ns, heard.info.latency_ns, what, said, tuple(advice))  # type: ignore[arg-type]
