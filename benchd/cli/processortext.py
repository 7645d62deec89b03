"""Which processor an option ROM's code needs, in words."""

from __future__ import annotations

from collections.abc import Iterator

from benchd.errors import UsageError
from benchd.inference.wording import counted
from benchd.rom.processors import LEVELS, Needing, ProcessorNeeds

SHOWN = 12
KNOWN = {"8086": "8088", "80186": "186", "80286": "286", "80386": "386", "80486": "486", "V20": "186", "V30": "186"}
"""Other words for a level."""


def level_of(cpu: str | None) -> str:
    """Return the level that a person names; 8088 where none is. Raises UsageError."""
    level = KNOWN.get((cpu or "8088").upper(), cpu or "8088")
    if level not in LEVELS[:-1]:
        raise UsageError(f"--cpu {cpu}: give one of {', '.join(LEVELS[:-1])}")
    return level


def _a(level: str) -> str:
    if level == "newer":
        return "a processor newer than a 486"
    return f"an {level}" if level.startswith("8") else f"a {level}"


def instruction_line(one: Needing) -> str:
    """Return one instruction: where, its bytes, its text, what it needs."""
    return f"offset {one.offset:04X}: {one.raw.hex(' ')} {one.text}: needs {_a(one.needs)}"


def processor_lines(found: ProcessorNeeds, level: str) -> Iterator[str]:
    """Yield what the code needs beyond a processor of `level`, and how much of the image that was read from."""
    share = 100 * found.reached_bytes / found.code_bytes if found.code_bytes else 0.0
    beyond = found.beyond(level)
    lacks = f", {counted(len(beyond), 'instruction')} that {_a(level)} lacks" if beyond else ""
    yield f"processor: the code that is reached runs on {_a(found.needs)}{lacks}"
    yield f"  reached: {found.reached_bytes:,} of {found.code_bytes:,} bytes without padding ({share:.0f} %)"
    yield from _listed(beyond)
    if found.computed:
        first = found.computed[0]
        what = f"{len(found.computed):,} jumps or calls" if len(found.computed) > 1 else "1 jump or call"
        yield f"  not followed: {what} through a register or memory (first: offset {first.offset:04X}: {first.text})"
    if found.broken:
        places = ", ".join(f"{at:04X}" for at in found.broken[:SHOWN])
        yield f"  code leads to bytes that are no instruction, at {places}"
    if found.for_coprocessor:
        what, first = counted(len(found.for_coprocessor), "coprocessor instruction"), found.for_coprocessor[0]
        yield f"  {what}, for {_coprocessor(found.coprocessor or '8087')} (first: offset {first.offset:04X})"
    perhaps = [one for one in found.perhaps if LEVELS.index(one.needs) > LEVELS.index(level)]
    if perhaps:
        yield f"  {len(perhaps):,} more, to which nothing was seen to lead: perhaps data (--json lists them)"


def _coprocessor(name: str) -> str:
    return "one newer than a 387" if name == "newer" else _a(name)


def _listed(found: tuple[Needing, ...]) -> Iterator[str]:
    for one in found[:SHOWN]:
        yield f"  {instruction_line(one)}"
    if len(found) > SHOWN:
        yield f"  and {len(found) - SHOWN:,} more (--json lists them)"
