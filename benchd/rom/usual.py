"""Where things usually lie in the first megabyte: a short list with its sources, and what of it a map does not have."""

from __future__ import annotations

from dataclasses import dataclass

from benchd.rom.forms import RomForm
from benchd.rom.layout import Stretch, Window, areas

MEMORY_LST = "Ralf Brown's Interrupt List, MEMORY.LST"


@dataclass(frozen=True, slots=True)
class Usual(Stretch, RomForm):
    """A window that many machines have at these inclusive addresses, and who says so."""

    name: str
    source: str


USUAL: tuple[Usual, ...] = (
    Usual(0xC0000, 0xC7FFF, "display adapter's ROM", f"{MEMORY_LST}, C000h: 16 to 24 KiB (EGA), 24 to 32 KiB (VGA)"),
    Usual(0xC8000, 0xCBFFF, "disk adapter's ROM", f"{MEMORY_LST}, C800h: 8 or 16 KiB"),
    Usual(0xD0000, 0xDFFFF, "page frame of expanded memory", "64 KiB, common practice, no source; else at E0000"),
    Usual(0xD8000, 0xDBFFF, "network adapter's boot ROM", "common practice, no source"),
    Usual(0xDC000, 0xDFFFF, "SCSI adapter's ROM", "common practice, no source"),
    Usual(0xE0000, 0xEFFFF, "page frame, system ROM or a second half of the BIOS", "common practice, no source"),
    Usual(0xF0000, 0xFFFFF, "system BIOS", f"{MEMORY_LST}, F000h: at first 8 KiB at FE000, and BASIC from F6000"),
)


def not_in_map(windows: tuple[Window, ...]) -> tuple[Usual, ...]:
    """Return the usual windows at whose addresses the map has nothing."""
    taken = [(area.first, area.end) for area in areas(windows)]
    return tuple(one for one in USUAL if not any(first <= one.last and one.first < end for first, end in taken))
