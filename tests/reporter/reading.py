"""A second reading of a report's lines, by the format alone (firmware-notes/reporter.md) and crccheck's CRC."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from crccheck.crc import Crc16Ibm3740

LINE = re.compile(r"~([0-9A-F]{2}) (.*) ([0-9A-F]{4})")
NUMBER = "[0-9A-F]"
FORMS = {
    "begin": r"begin 1 as (rom|floppy|com) at X{5} uart X{3} speed [1-9][0-9]{2,5} blocks 80 run X{4}",
    "map": r"map X{5}(-X{5})? (floating|ff|constant X{2}|changing first X{5} count X{4}|"
    r"content crc X{4} sum X{2}( same X{5})?)",
    "display": r"display X{5}(-X{5})? (answers|floating|ff)",
    "rom": r"rom X{5} length X{4,5} sum X{2} entry X{6} pnp X{4} pcir X{4}",
    "vector": r"vector X{2} X{5}",
    "bios": r"bios memory X{4} equipment X{4} video X{2} model X{2} date [!-~]{8}",
    "ports": r"ports com X{4} X{4} X{4} X{4} lpt X{4} X{4} X{4}",
    "test": r"test (window|display|display-[0-3]) X{5}-X{5} errors X{4} first (X{5}|-----) bits X{2}",
    "end": r"end lines X{2,4}",
}  # fmt: skip
ORDER = list(FORMS)


@dataclass
class Told:
    """A whole report: its bodies in order, and the map as {block: body without its range}."""

    bodies: list[str]
    blocks: dict[int, str] = field(default_factory=dict)
    display: dict[int, str] = field(default_factory=dict)

    def of(self, word: str) -> list[str]:
        return [body for body in self.bodies if body.split()[0] == word]


def crc(data: bytes) -> int:
    """CRC-16/CCITT-FALSE, which crccheck calls by its other name."""
    return int(Crc16Ibm3740.calc(data))


def matches(body: str) -> bool:
    """Say whether a body has the form that its first word asks for."""
    form = FORMS.get(body.split()[0], "(?!)")
    return re.fullmatch(form.replace("X{", NUMBER + "{"), body) is not None


def read(text: bytes) -> Told:
    """Read one report; asserts that every line is whole, in order, and of a known form."""
    assert text.startswith(b"\r\n~") and text.endswith(b"\r\n")
    bodies = []
    for number, line in enumerate(text[2:-2].split(b"\r\n")):
        assert len(line) <= 78, line
        found = LINE.fullmatch(line.decode("ascii"))
        assert found is not None, line
        assert int(found[1], 16) == number % 256, line
        assert int(found[3], 16) == crc(line[:-4]), line
        assert matches(found[2]), line
        bodies.append(found[2])
    places = [ORDER.index(body.split()[0]) for body in bodies]
    assert places == sorted(places)
    assert bodies[0].startswith("begin") and bodies[-1].split()[2] == f"{len(bodies) - 1:02X}"
    told = Told(bodies)
    told.blocks, told.display = _spread(told.of("map")), _spread(told.of("display"))
    assert list(told.blocks) == list(range(0xC0000, 0x100000, 0x800))
    assert list(told.display) == list(range(0xA0000, 0xC0000, 0x800))
    return told


def _spread(bodies: list[str]) -> dict[int, str]:
    out: dict[int, str] = {}
    for body in bodies:
        _, place, rest = body.split(" ", 2)
        first, _, last = place.partition("-")
        end = int(last, 16) + 1 if last else int(first, 16) + 0x800
        for at in range(int(first, 16), end, 0x800):
            assert at not in out
            out[at] = rest
    return out
