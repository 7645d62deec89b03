"""Two reports beside each other: what changed in the first megabyte, in vectors, in what the BIOS left, in tests."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from benchd.rom.forms import RomForm
from benchd.rom.numbers import SLOT
from benchd.rom.recognise import marked
from benchd.vocabulary.measured import END, FIRST, Block, Measured, MemoryTest

What = Literal["memory", "moved", "vector", "machine", "display", "test"]
ANSWERS = {"floating": "nobody answers", "ff": "FFh", "changing": "changes between two passes"}
FACTS = (
    ("memory_k", "memory (KiB)"),
    ("equipment", "equipment word"),
    ("video_mode", "video mode"),
    ("model_byte", "model byte"),
    ("date", "BIOS date"),
)


@dataclass(frozen=True, slots=True)
class MeasuredChange(RomForm):
    """One thing that two reports tell otherwise: where, and as each tells it."""

    what: What
    where: str
    a: str
    b: str

    def words(self) -> str:
        if self.what == "moved":
            return f"the ROM at {self.a} is at {self.b} now"
        return f"{self.where}: {self.a}, then {self.b}"


def changed(a: Measured, b: Measured) -> tuple[MeasuredChange, ...]:
    """Return what the report `b` tells otherwise than `a`. What one of them does not tell is no change."""
    return (*_moved(a, b), *_memory(a, b), *_display(a, b), *_vectors(a, b), *_machine(a, b), *_tests(a, b))


def _memory(a: Measured, b: Measured) -> Iterator[MeasuredChange]:
    left, right = a.by_address(), b.by_address()
    told = [at for at in range(FIRST, END, SLOT) if at in left and at in right]
    keyed = [(at, _pair(left[at], right[at])) for at in told]
    run, end = 0, -1
    rows = []
    for at, pair in keyed:
        run += at != end
        end = at + SLOT
        rows.append((at, pair, run))
    for (pair, _), group in groupby(rows, key=lambda row: row[1:]):
        if pair is not None:
            own = [at for at, _, _ in group]
            yield MeasuredChange("memory", f"{own[0]:05X}-{own[-1] + SLOT - 1:05X}", *pair)


def _pair(a: Block, b: Block) -> tuple[str, str] | None:
    """A block as each report has it, None where it is the same."""
    if a.class_ == b.class_ and marked(a) == marked(b) and a.value == b.value:
        return None
    both = a.class_ == b.class_ == "content"
    return ("one content", "another content") if both else (_words(a), _words(b))


def _words(block: Block) -> str:
    return (
        f"{block.value}h throughout" if block.class_ == "constant" else ANSWERS.get(block.class_, "something answers")
    )


def _moved(a: Measured, b: Measured) -> Iterator[MeasuredChange]:
    """ROMs whose first block is read at one other place only."""
    left, right = _heads(a), _heads(b)
    for mark, before in left.items():
        after = right.get(mark, [])
        gone, new = sorted(set(before) - set(after)), sorted(set(after) - set(before))
        if len(gone) == len(new) == 1:
            yield MeasuredChange("moved", gone[0], gone[0], new[0])


def _heads(measured: Measured) -> dict[tuple[str, str], list[str]]:
    blocks = measured.by_address()
    out: dict[tuple[str, str], list[str]] = {}
    for header in measured.roms:
        block = blocks.get(int(header.at, 16))
        if block is not None and (mark := marked(block)) is not None:
            out.setdefault(mark, []).append(header.at)
    return out


def _display(a: Measured, b: Measured) -> Iterator[MeasuredChange]:
    if not a.display or not b.display:
        return
    left, right = ({one.range: one.class_ for one in side.display} for side in (a, b))
    if left != right:
        words = [", ".join(f"{span} {kind}" for span, kind in side.items()) for side in (left, right)]
        yield MeasuredChange("display", "display memory", *words)


def _vectors(a: Measured, b: Measured) -> Iterator[MeasuredChange]:
    left, right = ({one.number: one.to for one in side.vectors} for side in (a, b))
    whole = a.complete and b.complete
    for number in sorted(left.keys() | right.keys()):
        before, after = left.get(number), right.get(number)
        if before != after and (whole or None not in (before, after)):
            yield MeasuredChange("vector", f"vector {number}h", before or "in no ROM", after or "in no ROM")


def _machine(a: Measured, b: Measured) -> Iterator[MeasuredChange]:
    if a.machine is not None and b.machine is not None:
        for key, name in FACTS:
            before, after = str(getattr(a.machine, key)), str(getattr(b.machine, key))
            if before != after:
                yield MeasuredChange("machine", name, before, after)
    if a.ports is not None and b.ports is not None and a.ports != b.ports:
        words = [f"COM {' '.join(one.com) or 'none'}, LPT {' '.join(one.lpt) or 'none'}" for one in (a.ports, b.ports)]
        yield MeasuredChange("machine", "ports", *words)


def _tests(a: Measured, b: Measured) -> Iterator[MeasuredChange]:
    left, right = ({(one.name, one.range): one for one in side.tests} for side in (a, b))
    for key in left.keys() & right.keys():
        before, after = _result(left[key]), _result(right[key])
        if before != after:
            yield MeasuredChange("test", f"test {key[0]}, {key[1]}", before, after)


def _result(test: MemoryTest) -> str:
    return "passed" if test.passed else f"{test.errors} bytes differ from {test.first} on, bits {test.bits}"
