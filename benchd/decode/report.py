"""A report out of the lines of text that a machine sends, as they come; what is damaged or missing is named.

reader = ReportReader()
reader.take(text)        # a whole line of text; BIOS text between is no matter
reader.measured          # the report so far, None before its first line

Rules. A line belongs to the report if it is believed by itself (`reportline.py`) and fits what came before:
1. Numbers go up. What lies between two lines that are believed is damaged or lost, and named by its number.
2. The words come in the order of the format; blocks, display ranges and headers by ascending address, each once.
3. A block that is the same as an earlier one has its CRC and sum; a header stands where something answers.
4. The last line's count is its own number.
5. A first line begins another report. Where it was lost, two lines do that fit each other and not the open one.
A line that is believed by itself and does not fit is one of the damaged lines.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby

from benchd.decode.reportline import BEGUN, ORDER, Begin, Body, End, ReportLine, lines_in
from benchd.vocabulary.measured import (
    BLOCK,
    END,
    FIRST,
    REPORT_NS,
    Block,
    Display,
    MachineFacts,
    Measured,
    MemoryTest,
    Ports,
    RomHeader,
    Vector,
)

MOST_LINES = 0x3FF
"""A higher number is no line's: 128 blocks, their headers and 256 vectors are about half of it."""
BACKWARDS = 0x80
"""A number that is more than this ahead (mod 256) is one that was passed."""


class _Open:
    """A report while its lines come."""

    def __init__(self) -> None:
        self.next = 0
        self.missing: list[int] = []
        self.begin: Begin | None = None
        self.ended = False
        self.strange = 0
        """Places that began like a line and were none."""
        self.blocks: dict[int, Block] = {}
        self.display: list[Display] = []
        self.roms: list[RomHeader] = []
        self.vectors: dict[str, Vector] = {}
        self.facts: MachineFacts | None = None
        self.ports: Ports | None = None
        self.tests: list[MemoryTest] = []
        self.last = ""
        """The text of the line that was taken last."""
        self._place = -1

    def fits(self, line: ReportLine) -> bool:
        """Whether a line may come now."""
        ahead = (line.number - self.next) % 256
        passed = ahead >= BACKWARDS and bool(self.last)
        number = self.next + ahead
        if self.ended or passed or number > MOST_LINES or ORDER[line.word] < self._place:
            return False
        return self._agrees(line.body, number)

    def _agrees(self, body: Body, number: int) -> bool:
        match body:
            case Begin():
                return number == 0
            case End():
                return body.lines % 256 == number % 256 and number <= body.lines <= MOST_LINES
            case Display():
                return not self.display or body.range > self.display[-1].range
            case RomHeader():
                block = self.blocks.get(int(body.at, 16))
                holds = block is None or block.class_ in ("content", "changing")
                return holds and (not self.roms or body.at > self.roms[-1].at)
            case Vector():
                return body.number not in self.vectors
            case MachineFacts():
                return self.facts is None
            case Ports():
                return self.ports is None
            case MemoryTest():
                return all(body.name != test.name for test in self.tests)
        return self._blocks_agree(body)

    def _blocks_agree(self, blocks: Sequence[Block]) -> bool:
        if self.blocks and blocks[0].address <= next(reversed(self.blocks)):  # they only ever go up
            return False
        one = blocks[0]
        first = self.blocks.get(int(one.mirror_of, 16)) if one.mirror_of is not None else None
        return first is None or (first.crc, first.sum) == (one.crc, one.sum)

    def take(self, line: ReportLine) -> None:
        """Take in a line that fits."""
        number = self.next + (line.number - self.next) % 256
        if isinstance(line.body, End):
            number = line.body.lines
        self.missing += range(self.next, number)
        self.next, self.last = number + 1, line.text
        self._place = ORDER[line.word]
        match line.body:
            case Begin():
                self.begin = line.body
            case End():
                self.ended = True
            case Display():
                self.display.append(line.body)
            case RomHeader():
                self.roms.append(line.body)
            case Vector():
                self.vectors[line.body.number] = line.body
            case MachineFacts():
                self.facts = line.body
            case Ports():
                self.ports = line.body
            case MemoryTest():
                self.tests.append(line.body)
            case blocks:
                self.blocks |= {block.address: block for block in blocks}

    def measured(self) -> Measured:
        """The report as it is now."""
        notes = self._notes()
        out = Measured(
            complete=False,
            damaged_lines=list(self.missing),
            program=None if self.begin is None else self.begin.program,
            blocks=list(self.blocks.values()),
            display=list(self.display),
            roms=list(self.roms),
            vectors=list(self.vectors.values()),
            machine=self.facts,
            ports=self.ports,
            tests=list(self.tests),
        )
        if self.ended:
            notes += self._untold(out)
        complete, more = not notes, self.strange - len(self.missing)
        if self.ended and more > 0:
            notes.append(f"{_counted(more, 'more place')} began like a line of the report and was none")
        return out.model_copy(update={"complete": complete, "notes": notes})

    def _notes(self) -> list[str]:
        out = []
        if self.begin is None:
            out.append("the first line is missing: how the report was made is not known")
        if self.missing:
            out.append(f"damaged or lost: {_counted(len(self.missing), 'line')} ({_numbers(self.missing)})")
        if not self.ended:
            out.append(f"the last line is missing: what was to come from line {self.next} on is not known")
        return out

    def _untold(self, told: Measured) -> list[str]:
        """What of the first megabyte a report that has its last line does not tell."""
        spans = [f"{first:05X}-{end - 1:05X}" for first, end in told.untold()]
        out = [f"unknown: {', '.join(spans)}"] if spans else []
        wanted = self.begin.blocks if self.begin is not None else (END - FIRST) // BLOCK
        if wanted != (END - FIRST) // BLOCK:
            out.append(f"the first line speaks of {wanted} blocks, not of {(END - FIRST) // BLOCK}")
        return out


class ReportReader:
    """Reads one link's text. `count` is how many reports began so far."""

    def __init__(self) -> None:
        self.count = 0
        self._open: _Open | None = None
        self._odd: ReportLine | None = None
        self._cut_off = False
        self._grown_ns: int | None = None

    @property
    def inside(self) -> bool:
        """Whether a report has begun and not ended."""
        return self._open is not None and not self._open.ended and not self._cut_off

    @property
    def idle(self) -> bool:
        """Whether a line without a "~" is no matter here."""
        return self._grown_ns is None and not self.inside

    @property
    def measured(self) -> Measured | None:
        """The report that began last, as it is now."""
        return None if self._open is None else self._open.measured()

    @property
    def teller(self) -> Callable[[], Measured] | None:
        """What tells the report that began last, as it is when asked: making it at each line would cost its square."""
        return None if self._open is None else self._open.measured

    def cut_off(self) -> None:
        """What comes from here on is no more of the open report."""
        self._cut_off, self._odd = self._open is not None, None

    def wait(self, t_ns: int) -> None:
        """Text began at `t_ns`: a report whose last line is long past was cut off."""
        if self._grown_ns is not None and t_ns - self._grown_ns > REPORT_NS:
            self.cut_off()

    def begins_at(self, text: str) -> int | None:
        """Where in a text, whole or not yet, lines of a report begin; None where there are none."""
        if "~" not in text:
            return None
        at = text.find("~") if self.inside else -1
        if at < 0:
            found = BEGUN.search(text)
            at = found.start() if found else -1
        return None if at < 0 else at

    def take(self, text: str, t_ns: int | None = None) -> bool:
        """Take in a whole line of text that ended at `t_ns`; return whether the report has grown by it."""
        if "~" not in text:
            return False
        grown = False
        for line in lines_in(text):
            grown |= line is not None and self._take(line)
            if line is None and self._open is not None:
                self._open.strange += 1
        if grown:
            self._grown_ns = t_ns
        return grown

    def _take(self, line: ReportLine) -> bool:
        current = self._open
        if isinstance(line.body, Begin):
            if current is not None and current.last == line.text and self.inside:
                return False  # the same line twice
            self._anew(line)
            return True
        if current is None or self._cut_off:
            self._anew(line)
            return True
        if line.text == current.last:
            return False
        if current.fits(line):
            self._odd = None
            current.take(line)
            return True
        return self._apart(line, current)

    def _apart(self, line: ReportLine, current: _Open) -> bool:
        """A line that does not fit: damaged, or the second one of a report whose first line was lost."""
        odd, self._odd = self._odd, line
        other = _Open()
        if odd is not None and other.fits(odd):
            other.take(odd)
            if other.fits(line):
                self._anew(odd)
                assert self._open is not None
                self._open.take(line)
                return True
        current.strange += 1
        return False

    def _anew(self, line: ReportLine) -> None:
        self._open, self._odd, self._cut_off = _Open(), None, False
        self.count += 1
        if self._open.fits(line):
            self._open.take(line)
        else:
            self._open, self.count = None, self.count - 1


def _numbers(lines: Sequence[int]) -> str:
    """Numbers of lines as they stand in the report (hex), neighbours joined."""
    out = []
    for _, group in groupby(enumerate(lines), key=lambda one: one[1] - one[0]):
        run = [number for _, number in group]
        out.append(f"{run[0]:02X}" if len(run) == 1 else f"{run[0]:02X}-{run[-1]:02X}")
    return ", ".join(out)


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"
