"""A report of what a machine reads, as lines of text."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

from benchd.rom.numbers import show_size
from benchd.vocabulary.measured import Block, Measured, MemoryTest

WORDS = {"floating": "nobody answers (floating)", "ff": "FFh", "changing": "changes between two passes"}
Kind = tuple[str, int | None]
"""What a stretch of blocks has in common: words, and for a mirror how far away the first one is."""


def measured_lines(measured: Measured) -> Iterator[str]:
    """Yield a report in words: what is missing of it first, then what the machine told."""
    made = measured.program
    how = f" ({made.wrapper} at {made.at}, {made.speed} bit/s)" if made is not None else ""
    yield f"measured by the machine itself{how}: {'whole' if measured.complete else 'NOT WHOLE'}"
    yield from (f"  {note}" for note in measured.notes)
    yield from _map(measured)
    yield from _left(measured)


def _map(measured: Measured) -> Iterator[str]:
    """Who answers where."""
    roms = {int(header.at, 16): header for header in measured.roms}
    for first, end, words in _stretches(measured.blocks, set(roms)):
        header = roms.get(first)
        if header is not None:
            words += f", ROM header for {show_size(header.length_bytes)}, sum {'right' if header.sum_ok else 'WRONG'}"
            words += f", {header.image}" if header.image is not None else ""
        yield f"  {first:05X}-{end - 1:05X}  {words}"
    yield from (f"  {one.range}  display memory: {_display(one.class_)}" for one in measured.display)


def _left(measured: Measured) -> Iterator[str]:
    """What the BIOS left, and tests."""
    if measured.vectors:
        yield "  vectors: " + ", ".join(f"{one.number}h to {one.to}" for one in measured.vectors)
    if (facts := measured.machine) is not None:
        yield (
            f"  memory {facts.memory_k} KiB, model byte {facts.model_byte}, BIOS date {facts.date}, "
            f"equipment {facts.equipment}, video mode {facts.video_mode}"
        )
    if (ports := measured.ports) is not None:
        yield f"  COM at {' '.join(ports.com) or 'none'}, LPT at {' '.join(ports.lpt) or 'none'}"
    yield from (f"  {test_words(test)}" for test in measured.tests)


def test_words(test: MemoryTest) -> str:
    """A memory test as a sentence."""
    if test.passed:
        return f"test {test.name}, {test.range}: passed"
    many = "65,535 or more" if test.errors == 0xFFFF else f"{test.errors:,}"
    return f"test {test.name}, {test.range}: FAILED, {many} bytes differ, first at {test.first}, bits {test.bits}"


def _display(kind: str) -> str:
    return {"answers": "answers", "ff": "FFh"}.get(kind, "nobody answers (floating)")


def _kind(block: Block) -> Kind:
    if block.mirror_of is not None:
        return "mirror", block.address - int(block.mirror_of, 16)
    return (f"{block.value}h throughout" if block.class_ == "constant" else WORDS.get(block.class_, block.class_)), None


def _stretches(blocks: list[Block], heads: set[int]) -> Iterator[tuple[int, int, str]]:
    """Yield (first, end, words) of neighbouring blocks that are alike; a ROM header begins a stretch."""
    run = 0
    keyed = []
    end = -1
    for block in blocks:
        run += block.address in heads or block.address != end
        end = block.address + block.size
        keyed.append(((*_kind(block), run), block))
    for (words, distance, _), group in groupby(keyed, key=lambda one: one[0]):
        own = [block for _, block in group]
        first = own[0].address
        told = f"the same as at {first - distance:05X}" if distance is not None else words
        yield first, own[-1].address + own[-1].size, told
