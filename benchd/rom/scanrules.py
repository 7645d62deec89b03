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
FollowBad = Literal["length", "step", "length-and-step"]
Rounding = Literal["step", "none"]
ScanType = Literal["PC", "AT", "PnP", "emulator", "own"]
ZeroLength = Literal["reject", "64K"]
BLOCK_BYTES = 0x10000
E0000 = 0xE0000


@dataclass(frozen=True, slots=True)
class Sweep(RomForm):
    """One sweep: slots from `first` while they lie at or before `last`, `step` bytes apart.

    With `block` there is one slot, the length byte is not used and 64 KiB are summed. With `first_only` the
    sweep ends at the first ROM that runs.
    """

    first: From
    last: To
    step: Count = SLOT
    block: bool = False
    first_only: bool = False

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

    `after_good`, `after_bad`: go on behind the declared length, one step on, or both (a scanner that adds the
    length before it judges the sum, and a step after a wrong one). `rounding`: that length is rounded up to the
    step, or taken as it is, which shifts every later slot. `zero_length`: length byte 00h is refused, or 64 KiB
    are summed and the length is 0. `sum_bits` 16: the count of summed bytes is kept in 16 bits, so 80h and more
    blocks wrap (0 sums 64 KiB); `advance_bits` 16: so is the length that is gone on by (0 stays). `round_bits` 8:
    the block count is rounded up to a multiple of four in 8 bits, so FDh-FFh become 00h and the scan stays where
    it is. `wraps`: an address past FFFFF counts as a low one, so the scan starts over. `looks_first`: behind a
    good ROM one slot is looked at before it is compared with the end. `type` groups the scanners for people:
    PC (8088 class), AT, PnP, emulator, or a map file's own.
    """

    name: str
    passes: tuple[Sweep, ...]
    checksum: bool = True
    after_good: Follow = "length"
    after_bad: FollowBad = "step"
    rounding: Rounding = "step"
    zero_length: ZeroLength = "reject"
    sum_bits: int = 32
    advance_bits: int = 32
    round_bits: int = 32
    wraps: bool = False
    looks_first: bool = False
    type: ScanType = "own"
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
            type="PnP",
            source="Plug and Play BIOS Specification 1.0A, sec. 2.3 and 2.5 step 5",
        ),
        ScanRules(
            "to-dffff",
            (Sweep(0xC0000, 0xDFFFF),),
            type="AT",
            source=ROM_SCAN_PAGE,
            remark="the older range, C000:0 up to E000:0",
        ),
        ScanRules(
            "e0000-as-block",
            (Sweep(0xC0000, 0xDFFFF), Sweep(E0000, E0000, BLOCK_BYTES, block=True)),
            type="AT",
            source=ROM_SCAN_PAGE,
            remark="E000:0 is one block of 64 KiB whose length byte is not used",
        ),
        ScanRules(
            "no-scan",
            (),
            type="PC",
            source=ROM_SCAN_PAGE,
            remark="the very oldest BIOS looks for no option ROM: no image will run",
        ),
        ScanRules(
            "8088-first",
            (Sweep(0xC8000, 0xF3FFF),),
            after_bad="length",
            rounding="none",
            advance_bits=16,
            zero_length="64K",
            sum_bits=16,
            type="PC",
            source="IVK_BIOS 1.2A (1991), ROM_CHECK, a source that keeps the routine (read); the range C8000 to F4000 "
            "by the titles of the first machines' listing (second hand)",
            remark="the length is added before the sum is judged and is not rounded; 00h and 80h never end",
        ),
        ScanRules(
            "8088-turbo",
            (Sweep(0xC0000, 0xFDFFF),),
            after_bad="length-and-step",
            rounding="none",
            zero_length="64K",
            sum_bits=16,
            type="PC",
            source="pcxtbios at 0057a8a618ab, the search for expansion ROMs in pcxtbios.asm",
            remark="the length is added before the sum is judged and is not rounded; a wrong sum adds 2 KiB more",
        ),
        ScanRules(
            "8088-open",
            (Sweep(0xC0000, 0xC7FFF, first_only=True), Sweep(0xC8000, 0xF7FFF)),
            after_bad="length-and-step",
            wraps=True,
            looks_first=True,
            zero_length="64K",
            sum_bits=16,
            type="PC",
            source="8088_bios at 07d71627b9a9, extension_scan in src/bios.asm",
            remark="one video ROM, then the rest; the length is rounded up, a wrong sum adds 2 KiB more",
        ),
        ScanRules(
            "p1017",
            (Sweep(0xC8000, 0xDFFFF), Sweep(E0000, E0000)),
            type="AT",
            source="Ralf Brown's Interrupt List release 61, PORTS.A table P1017, codes 29h and 2Ch",
            remark="video ROM apart; whether E0000 is a slot or a 64 KiB block is not told, taken as a slot",
        ),
        ScanRules(
            "bochs",
            (Sweep(0xC0000, 0xC7800), Sweep(0xC8000, 0xE0000)),
            type="emulator",
            zero_length="64K",
            sum_bits=16,
            round_bits=8,
            source="Bochs bios/rombios.c at 00981cd7a626, rom_scan and rom_checksum",
            remark="E0000 is the last slot; sums and rounding in short registers, as its code has them",
        ),
        ScanRules(
            "checksum-off",
            (Sweep(0xC0000, 0xEFFFF),),
            type="emulator",
            checksum=False,
            source="SeaBIOS docs/Runtime_config.md, etc/optionroms-checksum set to 0 (default 1)",
            remark="a ROM with a bad sum runs all the same",
        ),
        ScanRules(
            "seabios",
            (),
            type="emulator",
            source="SeaBIOS src/optionroms.c at 41514a7a974f",
            remark="it clears C0000 on and places ROMs itself; it does not sweep for ISA cards",
        ),
    )
}
