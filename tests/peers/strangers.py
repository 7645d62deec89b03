"""Firmware that nobody here wrote, each on its serial console, and how each is made to hang.

From Debian's packages: SeaBIOS (seabios), iPXE (ipxe-qemu), Memtest86+ (memtest86+) and U-Boot (u-boot-qemu).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from .firmware import build_rom
from .qemu import EmulatedPc
from .relay import PortReader

MEMTEST = "/boot/memtest86+ia32.bin"
UBOOT = "/usr/lib/u-boot/qemu-x86/u-boot.rom"
IPXE = "/usr/lib/ipxe/qemu/pxe-e1000.rom"
Said = list[tuple[float, bytes]]
"""What came, each piece with its time in seconds since the machine was let go."""


@dataclass(frozen=True)
class Stranger:
    """`make(hang)` gives the machine; with `hang` an option ROM does not return, where the firmware calls such.

    `stop_at`: else the machine is frozen when it has said this. A good boot ends after `last` with `quiet_s` of
    silence, or after `more_s`, where the firmware is never silent.
    """

    make: Callable[[bool], EmulatedPc]
    last: bytes
    stop_at: bytes | None = None
    quiet_s: float = 1.0
    more_s: float = 0.0

    def boots(self, count: int) -> list[Said]:
        """Record good boots: power-on, then the reset button, each until `last` and then silence."""
        with self.make(False) as pc:
            port = PortReader(pc.console_port)
            pc.go()
            out = [listen(port, self.last, self.quiet_s, self.more_s)]
            for _ in range(count - 1):
                pc.reset()
                out.append(listen(port, self.last, self.quiet_s, self.more_s))
            port.close()
        return out

    def hang(self) -> Said:
        """Record a boot that hangs: all that came until three seconds of silence."""
        with self.make(self.stop_at is None) as pc:
            port = PortReader(pc.console_port)
            pc.go()
            said = listen(port, self.stop_at or b"SeaBIOS (", 0.0 if self.stop_at else 3.0)
            if self.stop_at is not None:
                pc.stop()
                said += listen(port, b"", 0.3)
            port.close()
        return said


def listen(port: PortReader, last: bytes, quiet_s: float, more_s: float = 0.0, limit_s: float = 90.0) -> Said:
    """Take what comes until `last` was among it, and then until `quiet_s` without anything, or for `more_s`."""
    began = latest = time.monotonic()
    seen_s = 0.0
    said: Said = []
    while (now := time.monotonic()) - began < limit_s:
        got = port.read(0.05)
        assert got is not None, "the emulator has ended"
        if got:
            latest = time.monotonic()
            said.append((latest - began, got))
        if not seen_s and last in b"".join(data for _, data in said):
            seen_s = now
        if seen_s and (now - seen_s >= more_s if more_s else not got and now - latest >= quiet_s):
            return said
    raise AssertionError(f"{last!r} did not come in {limit_s:g} s; {b''.join(data for _, data in said)[-300:]!r}")


def _seabios(hang: bool, *extra: str, machine: str = "pc") -> EmulatedPc:
    return EmulatedPc.seabios([build_rom(ROM_HANG=1)] if hang else [], machine=machine, extra=extra)


def _uboot(hang: bool) -> EmulatedPc:
    return EmulatedPc(None, post_ports=(), machine="pc", extra=["-cpu", "qemu32", "-m", "64", "-bios", UBOOT])


STRANGERS = {
    "seabios": Stranger(lambda hang: _seabios(hang, machine="isapc"), b"No bootable device"),
    "memtest": Stranger(
        lambda hang: _seabios(hang, "-cpu", "qemu32", "-kernel", MEMTEST, "-append", "console=ttyS0,115200"),
        b"Address test",
        more_s=1.5,
    ),
    "ipxe": Stranger(lambda hang: _seabios(hang, "-device", f"e1000,romfile={IPXE}"), b"starting execution"),
    "uboot": Stranger(_uboot, b"=> ", stop_at=b"stop autoboot"),
}
