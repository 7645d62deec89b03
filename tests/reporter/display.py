"""A display adapter with four planes and registers that can be read: as much of it as a test of its memory touches."""

from __future__ import annotations


class Planes:
    """Four planes of 64 KiB behind sequencer (3C4h) and graphics controller (3CEh). `bad` damages what is kept.

    `bad`: {plane: {offset: bits that cannot become 1}}.
    """

    def __init__(self, bad: dict[int, dict[int, int]] | None = None) -> None:
        self.planes = [bytearray((7 * n + 31 * plane) & 0xFF for n in range(0x10000)) for plane in range(4)]
        self.text = bytes(0x10000)
        self.bad = bad or {}
        self.index = {0x3C4: 3, 0x3CE: 6}
        self.registers = {
            0x3C4: {0: 3, 1: 0, 2: 0x03, 3: 0, 4: 0x02},
            0x3CE: {0: 0, 1: 0, 2: 0, 3: 0, 4: 0, 5: 0x10, 6: 0x0E, 7: 0, 8: 0xFF},
        }

    def state(self) -> tuple[object, ...]:
        return (
            dict(self.index),
            {port: dict(regs) for port, regs in self.registers.items()},
            [bytes(p) for p in self.planes],
        )

    def out(self, port: int, value: int) -> None:
        if port in self.index:
            self.index[port] = value
        elif port - 1 in self.index:
            mask = 0x0F if (port - 1, self.index[port - 1]) == (0x3C4, 2) else 0xFF
            self.registers[port - 1][self.index[port - 1]] = value & mask

    def into(self, port: int) -> int:
        if port in self.index:
            return self.index[port]
        return self.registers[port - 1].get(self.index[port - 1], 0xFF) if port - 1 in self.index else 0xFF

    def flawed(self) -> set[int]:
        """Offsets of bad cells in any plane."""
        return {at for cells in self.bad.values() for at in cells}

    def shown(self) -> int | None:
        """The plane that is read and written at A0000; None while the adapter is in another mode."""
        graphics, sequencer = self.registers[0x3CE], self.registers[0x3C4]
        planar = (graphics[6], graphics[5], graphics[3], graphics[1], graphics[8], sequencer[4]) == (
            5,
            0,
            0,
            0,
            0xFF,
            6,
        )
        return graphics[4] if planar and sequencer[2] == 1 << graphics[4] else None
