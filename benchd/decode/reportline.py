"""Lines of a reporter program: which text is one, and what it says.

A line is `~NN BODY CCCC`: its number, words parted by single spaces, and CRC-16/CCITT-FALSE (poly 1021h, init FFFFh,
check value of "123456789" 29B1h) of every character before the four digits. Format: firmware-notes/reporter.md.
A line is believed only if its CRC fits, its body has one of the forms below, and the body does not contradict itself.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeAlias

from benchd.vocabulary.measured import (
    BLOCK,
    END,
    FIRST,
    Block,
    Display,
    MachineFacts,
    MemoryTest,
    Ports,
    Program,
    RomHeader,
    Vector,
)

FORMAT = 1
LONGEST = 78
BEGUN = re.compile(r"~[0-9A-F]{2} [a-z]")
_FIRST = re.compile(r"~00 begin ([0-9]{1,3}) ")
_MARK = re.compile("~")
_LINE = re.compile(r"~([0-9A-F]{2}) ([ -~]+) ([0-9A-F]{4})")
_AT, _RANGE = "([0-9A-F]{5})", "([0-9A-F]{5})(?:-([0-9A-F]{5}))?"
SPLITS_MOST = 9
"""A line may itself hold a `~` (in the eight characters of the BIOS date): so many places are tried for its end."""


@dataclass(frozen=True, slots=True)
class Begin:
    """The first line. `blocks` is how many blocks of 2 KiB the report will tell of."""

    program: Program
    blocks: int


@dataclass(frozen=True, slots=True)
class End:
    """The last line: how many lines came before it."""

    lines: int


Body: TypeAlias = Begin | tuple[Block, ...] | Display | RomHeader | Vector | MachineFacts | Ports | MemoryTest | End
"""What a line says; a map line says one or more blocks of one class."""


@dataclass(frozen=True, slots=True)
class ReportLine:
    """A line that is whole: its number (mod 256), which word it begins with, and what it says."""

    number: int
    word: str
    body: Body
    text: str


def crc_of(data: bytes) -> str:
    """Return the CRC-16/CCITT-FALSE of some bytes, as four upper-case digits."""
    return f"{crc_hqx(data, 0xFFFF):04X}"


def parse_line(text: str) -> ReportLine | None:
    """Return what a text says that is one whole report line, None where it is none that can be believed."""
    found = _LINE.fullmatch(text)
    if found is None or len(text) > LONGEST or crc_of(text[:-4].encode("ascii")) != found[3]:
        return None
    word = found[2].partition(" ")[0]
    for form, made in FORMS.get(word, ()):
        if (said := form.fullmatch(found[2])) is not None:
            body = made(said)
            return ReportLine(int(found[1], 16), word, body, text) if body is not None else None
    return None


def other_format(text: str) -> int | None:
    """Return the format that a whole first line names, where that is another one than this program reads."""
    for found in _FIRST.finditer(text):
        line = _LINE.match(text[found.start() : found.start() + 4 * LONGEST].splitlines()[0])
        if line is not None and crc_of(line[0][:-4].encode("ascii")) == line[3] and int(found[1]) != FORMAT:
            return int(found[1])
    return None


def lines_in(text: str) -> Iterator[ReportLine | None]:
    """Yield the report lines of a line of text, None for each place where one begins that is not whole.

    Where a line's end was lost the next one follows on the same line of text.
    """
    starts = [found.start() for found in _MARK.finditer(text)]
    ends = [*starts[1:], len(text)]
    number = 0
    while number < len(starts):
        tries = SPLITS_MOST if BEGUN.match(text, starts[number]) else 0  # most marks begin no line: noise, and no more
        for end in range(number, min(number + tries, len(ends))):
            if (line := parse_line(text[starts[number] : ends[end]].rstrip(" "))) is not None:
                yield line
                number = end
                break
        else:
            yield None
        number += 1


# ---------------------------------------------------------------- the forms of a body


def _begin(said: re.Match[str]) -> Body | None:
    if int(said[1]) != FORMAT:
        return None
    program = Program(wrapper=said[2], at=said[3], uart=said[4], speed=int(said[5]), run=said[7])  # type: ignore[arg-type]
    return Begin(program, int(said[6], 16))


def _span(first: str, last: str | None, low: int = FIRST, end: int = END) -> tuple[int, int] | None:
    """[first, end) of a range, None where it is not of whole blocks within the limits."""
    start = int(first, 16)
    stop = start + BLOCK if last is None else int(last, 16) + 1
    whole = start % BLOCK == 0 and stop % BLOCK == 0
    return (start, stop) if whole and low <= start < stop <= end else None


def _content(said: re.Match[str]) -> Body | None:
    span = _span(said[1], None)
    same = said[4]
    if span is None or (same is not None and (_span(same, None) is None or same >= said[1])):
        return None
    return (Block(at=said[1], class_="content", crc=said[2], sum=said[3], mirror_of=same),)


def _still(said: re.Match[str]) -> Body | None:
    """A range that floats, or holds one value only."""
    span = _span(said[1], said[2])
    if span is None or said[4] == "FF":
        return None
    kind, value = said[3].partition(" ")[0], said[4]
    known: dict[str, str] = {}
    if kind != "floating":
        data = bytes([0xFF if kind == "ff" else int(value, 16)]) * BLOCK
        known = {"crc": crc_of(data), "sum": f"{sum(data) % 256:02X}", "value": f"{data[0]:02X}"}
    return tuple(Block(at=f"{at:05X}", class_=kind, **known) for at in range(*span, BLOCK))  # type: ignore[arg-type]


def _changing(said: re.Match[str]) -> Body | None:
    span, first, count = _span(said[1], None), int(said[2], 16), int(said[3], 16)
    if span is None or not span[0] <= first < span[1] or not 1 <= count <= span[1] - first:
        return None
    return (Block(at=said[1], class_="changing", first=said[2], count=count),)


def _display(said: re.Match[str]) -> Body | None:
    span = _span(said[1], said[2], 0xA0000, FIRST)
    return None if span is None else Display(range=f"{span[0]:05X}-{span[1] - 1:05X}", class_=said[3])  # type: ignore[arg-type]


def _rom(said: re.Match[str]) -> Body | None:
    length = int(said[2], 16)
    if _span(said[1], None) is None or length % 512 or length > 255 * 512:
        return None
    pnp, pcir = (None if offset == "0000" else offset for offset in (said[5], said[6]))
    return RomHeader(
        at=said[1], length_bytes=length, sum_ok=said[3] == "00" and length > 0, entry=said[4], pnp=pnp, pcir=pcir
    )


def _vector(said: re.Match[str]) -> Body | None:
    return Vector(number=said[1], to=said[2])


def _bios(said: re.Match[str]) -> Body | None:
    memory, equipment, video, model, date = said.groups()
    return MachineFacts(model_byte=model, date=date, memory_k=int(memory, 16), equipment=equipment, video_mode=video)


def _ports(said: re.Match[str]) -> Body | None:
    com, lpt = said.groups()[:4], said.groups()[4:]
    return Ports(com=[one for one in com if one != "0000"], lpt=[one for one in lpt if one != "0000"])


def _test(said: re.Match[str]) -> Body | None:
    name, first, last, errors, where, bits = said.groups()
    good = errors == "0000"
    if int(first, 16) > int(last, 16) or good != (where == "-----") or good != (bits == "00"):
        return None
    if not good and not first <= where <= last:
        return None
    return MemoryTest(
        name=name, range=f"{first}-{last}", errors=int(errors, 16), first=None if good else where, bits=bits
    )


def _end(said: re.Match[str]) -> Body | None:
    return End(int(said[1], 16))


Form: TypeAlias = tuple[re.Pattern[str], Callable[[re.Match[str]], Body | None]]


def _form(pattern: str, made: Callable[[re.Match[str]], Body | None]) -> Form:
    return re.compile(pattern), made


FORMS: dict[str, tuple[Form, ...]] = {
    "begin": (
        _form(
            rf"begin ([0-9]{{1,3}}) as (rom|floppy|com) at {_AT} uart ([0-9A-F]{{1,4}}) speed ([0-9]{{2,6}}) "
            r"blocks ([0-9A-F]{1,4}) run ([0-9A-F]{4})",
            _begin,
        ),
    ),
    "map": (
        _form(rf"map {_AT} content crc ([0-9A-F]{{4}}) sum ([0-9A-F]{{2}})(?: same {_AT})?", _content),
        _form(rf"map {_RANGE} (floating|ff|constant ([0-9A-F]{{2}}))", _still),
        _form(rf"map {_AT} changing first {_AT} count ([0-9A-F]{{4}})", _changing),
    ),
    "display": (_form(rf"display {_RANGE} (answers|floating|ff)", _display),),
    "rom": (
        _form(
            rf"rom {_AT} length ([0-9A-F]{{1,5}}) sum ([0-9A-F]{{2}}) entry ([0-9A-F]{{6}}) "
            r"pnp ([0-9A-F]{4}) pcir ([0-9A-F]{4})",
            _rom,
        ),
    ),
    "vector": (_form(rf"vector ([0-9A-F]{{2}}) {_AT}", _vector),),
    "bios": (
        _form(
            r"bios memory ([0-9A-F]{4}) equipment ([0-9A-F]{4}) video ([0-9A-F]{2}) model ([0-9A-F]{2}) "
            r"date ([!-~]{8})",
            _bios,
        ),
    ),
    "ports": (_form("ports com" + " ([0-9A-F]{4})" * 4 + " lpt" + " ([0-9A-F]{4})" * 3, _ports),),
    "test": (
        _form(
            rf"test (window|display(?:-[0-3])?) {_AT}-{_AT} errors ([0-9A-F]{{4}}) first ({_AT[1:-1]}|-----) "
            r"bits ([0-9A-F]{2})",
            _test,
        ),
    ),
    "end": (_form(r"end lines ([0-9A-F]{1,4})", _end),),
}
"""By its first word, the forms that a body may have. The words stand in the order in which their lines come."""
ORDER = {word: place for place, word in enumerate(FORMS)}
