"""How a BIOS looks for option ROMs, as data: ranges, step, and what follows a good or a bad ROM.

Published scanners differ; `PRESETS` has one entry for each variant that could be read, with its source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from benchd.rom.forms import Count, From, RomForm, To
from benchd.rom.numbers import SLOT

Follow = Literal["length", "step"]
ZeroLength = Literal["reject", "64K"]
BLOCK_BYTES = 0x10000
E0000 = 0xE0000


@dataclass(frozen=True, slots=True)
class Sweep(RomForm):
    """One sweep: slots from `first` while they lie at or before `last`, `step` bytes apart.

    With `block` there is one slot, the length byte is not used and 64 KiB are summed.
    """

    first: From
    last: To
    step: Count = SLOT
    block: bool = False

    @property
    def end(self) -> int:
        """The address after the last slot."""
        if self.block:
            return self.first + BLOCK_BYTES
        return self.first + ((self.last - self.first) // self.step + 1) * self.step

    def slots(self) -> Iterator[int]:
        """Every slot start, as if no ROM were found."""
        return iter(range(self.first, self.last + 1, self.stride))

    @property
    def stride(self) -> int:
        """How far the scan goes on where it finds nothing."""
        return BLOCK_BYTES if self.block else self.step


@dataclass(frozen=True, slots=True)
class ScanRules(RomForm):
    """A scanner. Defaults are those of the Plug and Play BIOS Specification 1.0A (2.3, 2.5 step 5).

    `after_good`, `after_bad`: go on behind the declared length (rounded up to the step) or one step on.
    `zero_length`: length byte 00h is refused, or means 64 KiB. `sum_bits` 16: the byte count is kept in
    16 bits, so 80h and more blocks wrap. `round_bits` 8: the block count is rounded up to a multiple of
    four in 8 bits, so FDh-FFh become 00h and the scan stays where it is.
    """

    name: str
    passes: tuple[Sweep, ...]
    checksum: bool = True
    after_good: Follow = "length"
    after_bad: Follow = "step"
    zero_length: ZeroLength = "reject"
    sum_bits: int = 32
    round_bits: int = 32
    source: str = ""
    remark: str = ""

    @property
    def step(self) -> int:
        """The step of the first sweep (2 KiB if there is none)."""
        return next((sweep.step for sweep in self.passes if not sweep.block), SLOT)

    def domain(self) -> list[tuple[int, int]]:
        """Return the scanned addresses as merged [first, end) stretches."""
        out: list[tuple[int, int]] = []
        for low, high in sorted((sweep.first, sweep.end) for sweep in self.passes):
            if out and low <= out[-1][1]:
                out[-1] = (out[-1][0], max(high, out[-1][1]))
            else:
                out.append((low, high))
        return out


ROM_SCAN_PAGE = 'DOS-era programmer\'s reference, "ROM-Scan" page'

PRESETS: dict[str, ScanRules] = {
    rules.name: rules
    for rules in (
        ScanRules(
            "pnp-1.0a",
            (Sweep(0xC0000, 0xEFFFF),),
            source="Plug and Play BIOS Specification 1.0A, sec. 2.3 and 2.5 step 5",
        ),
        ScanRules(
            "to-dffff",
            (Sweep(0xC0000, 0xDFFFF),),
            source=ROM_SCAN_PAGE,
            remark="the older range, C000:0 up to E000:0",
        ),
        ScanRules(
            "e0000-as-block",
            (Sweep(0xC0000, 0xDFFFF), Sweep(E0000, E0000, BLOCK_BYTES, block=True)),
            source=ROM_SCAN_PAGE,
            remark="E000:0 is one block of 64 KiB whose length byte is not used",
        ),
        ScanRules(
            "no-scan",
            (),
            source=ROM_SCAN_PAGE,
            remark="the very oldest BIOS looks for no option ROM: no image will run",
        ),
        ScanRules(
            "p1017",
            (Sweep(0xC8000, 0xDFFFF), Sweep(E0000, E0000)),
            source="Ralf Brown's Interrupt List release 61, PORTS.A table P1017, codes 29h and 2Ch",
            remark="video ROM apart; whether E0000 is a slot or a 64 KiB block is not told, taken as a slot",
        ),
        ScanRules(
            "bochs",
            (Sweep(0xC0000, 0xC7800), Sweep(0xC8000, 0xE0000)),
            zero_length="64K",
            sum_bits=16,
            round_bits=8,
            source="Bochs bios/rombios.c at 00981cd7a626, rom_scan and rom_checksum",
            remark="E0000 is the last slot; sums and rounding in short registers, as its code has them",
        ),
        ScanRules(
            "checksum-off",
            (Sweep(0xC0000, 0xEFFFF),),
            checksum=False,
            source="SeaBIOS docs/Runtime_config.md, etc/optionroms-checksum set to 0 (default 1)",
            remark="a ROM with a bad sum runs all the same",
        ),
        ScanRules(
            "seabios",
            (),
            source="SeaBIOS src/optionroms.c at 41514a7a974f",
            remark="it clears C0000 on and places ROMs itself; it does not sweep for ISA cards",
        ),
    )
}
