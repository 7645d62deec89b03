"""What a machine's own processor reads of its first megabyte, as a reporter program tells it: the published form.

Addresses are physical, upper-case hexadecimal, five digits. What a report does not tell is missing here too, and
`notes` name it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from benchd.vocabulary.quick import no_items
from benchd.vocabulary.times import NS

BLOCK = 0x800
"""Bytes of a block: 2 KiB."""
FIRST, END = 0xC0000, 0x100000
"""The addresses that a report tells block by block, the last one excluded."""

REPORT_NS = 10 * NS
"""A report without a further line for so long is told as far as it came (78 characters at 300 bit/s take 2.6 s)."""

BlockClass = Literal["floating", "ff", "constant", "content", "changing"]
Presence = Literal["answers", "floating", "ff"]


class Part(BaseModel):
    model_config = ConfigDict(
        defer_build=True, extra="forbid", frozen=True, populate_by_name=True, serialize_by_alias=True
    )


class Block(Part):
    """One block. `crc` (CRC-16/CCITT-FALSE) and `sum` (mod 256) are of its bytes, where those stand still.

    `value` is the byte of a constant one; `first` and `count` say where one changes between two passes.
    """

    at: str
    size: int = BLOCK
    class_: BlockClass = Field(alias="class")
    crc: str | None = None
    sum: str | None = None
    mirror_of: str | None = Field(None, description="the first block that holds the same bytes")
    value: str | None = None
    first: str | None = None
    count: int | None = None

    @property
    def address(self) -> int:
        return int(self.at, 16)


class RomHeader(Part):
    """An option-ROM header that stands at a 2 KiB step. `image` names the file whose bytes these are, if known."""

    at: str
    length_bytes: int
    sum_ok: bool
    image: str | None = None
    entry: str = Field(description="three bytes at offset 3")
    pnp: str | None = Field(None, description="where its $PnP structure stands, as an offset")
    pcir: str | None = Field(None, description="where its PCIR structure stands, as an offset")


class Vector(Part):
    """An interrupt vector: `number` in two digits, and the address it points to."""

    number: str
    to: str


class MachineFacts(Part):
    """What the BIOS says of the machine: model byte (FFFFEh), date (FFFF5h), equipment word, video mode."""

    model_byte: str
    date: str
    memory_k: int
    equipment: str
    video_mode: str


class Ports(Part):
    """I/O bases that the BIOS found, in its order; those it did not find are left out."""

    com: list[str]
    lpt: list[str]


class MemoryTest(Part):
    """A test that was asked for when the program was built. `errors`: bytes that differed, 65,535 for that or more."""

    name: str
    range: str
    errors: int
    first: str | None
    bits: str

    @property
    def passed(self) -> bool:
        return self.errors == 0


class Display(Part):
    """Whether anybody answers in a stretch of A0000-BFFFF."""

    range: str
    class_: Presence = Field(alias="class")


class Program(Part):
    """How the report was made: the wrapper, where its code runs, its line, the tick counter at its start."""

    wrapper: Literal["rom", "floppy", "com"]
    at: str
    uart: str
    speed: int
    run: str


class Measured(Part):
    """A machine's report: what `benchd reporter read --json` prints, and `measured` of a boot.

    `damaged_lines` are the numbers of lines that came damaged or not at all, counted from 0. `complete`: the first
    line, the last one and every one between came whole. `notes` name what is missing.
    """

    complete: bool
    damaged_lines: list[int] = Field(default_factory=no_items)
    notes: list[str] = Field(default_factory=no_items)
    program: Program | None = None
    blocks: list[Block] = Field(default_factory=no_items)
    display: list[Display] = Field(default_factory=no_items)
    roms: list[RomHeader] = Field(default_factory=no_items)
    vectors: list[Vector] = Field(default_factory=no_items)
    machine: MachineFacts | None = None
    ports: Ports | None = None
    tests: list[MemoryTest] = Field(default_factory=no_items)

    def by_address(self) -> dict[int, Block]:
        """The blocks by their first address."""
        return {block.address: block for block in self.blocks}

    def untold(self) -> list[tuple[int, int]]:
        """Stretches [first, end) of C0000-FFFFF that no line tells of."""
        told = {block.address for block in self.blocks}
        return list(joined(at for at in range(FIRST, END, BLOCK) if at not in told))


def joined(starts: Iterator[int] | range) -> Iterator[tuple[int, int]]:
    """Yield [first, end) of neighbouring blocks, given their first addresses in ascending order."""
    first = end = -1
    for at in starts:
        if at != end:
            if first >= 0:
                yield first, end
            first = at
        end = at + BLOCK
    if first >= 0:
        yield first, end


def check_name(test: str) -> str:
    """The name of the check that a test of the report becomes."""
    return f"test-{test}"


class SetupDiffers(Part):
    """What a boot's report says of its trial's setup that contradicts what was declared of a factor.

    `level` is the factor's level by what the machine reads, None where the study has none such.
    """

    boot: str
    factor: str
    declared: str
    level: str | None
    means: str
    detail: str

    @property
    def label(self) -> str:
        """As the value of an annotation in a capture."""
        return self.model_dump_json()

    @classmethod
    def from_label(cls, text: str) -> SetupDiffers:
        """Read `label` back. Raises ValueError for anything else."""
        return cls.model_validate_json(text)
