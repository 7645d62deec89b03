"""The shipped firmware in an emulator, as `benchd card check` hears it: what is said of it is what was done to it."""

from __future__ import annotations

import pytest
from card.rig import BYTE_NS, MS, QUEUE, SECOND, Card

from benchd.cli.card import card_text
from benchd.decode.cardcheck import CardCheck
from benchd.vocabulary.records import Chunk, LinkInfo

pytestmark = pytest.mark.peer("node", "npm")

INFO = LinkInfo("card", "post", "bench", "/dev/ttyUSB0", 115200, latency_ns=0)


class Ear:
    """Feeds a check with what leaves the emulated card, byte by byte, each when its stop bit ended."""

    def __init__(self, card: Card) -> None:
        self._card, self.check = card, CardCheck(INFO)

    def hear(self, halves: int) -> None:
        """Listen for so many half seconds, in which the card has little to do."""
        for _ in range(halves):
            self._card.ask("jump", 496 * MS)
            self._card.run(4 * MS)  # so long that no frame waits for its line while time jumps
            self._take()

    def drain(self) -> None:
        """Listen, by a line that takes no time, until nothing more comes."""
        self._card.line(0)
        while True:
            self._card.run(MS)
            if not self._take():
                return

    def _take(self) -> bytes:
        line = self._card.take()
        for t_ns, byte in zip(line.times, line.data, strict=True):
            self.check.feed(Chunk("card", SECOND + round(t_ns), bytes((byte,))))
        return line.data


def test_a_card_from_its_start_to_power_off(emulator: Card) -> None:
    emulator.fresh(jumper0=0)
    emulator.line(BYTE_NS)
    ear = Ear(emulator)
    ear.hear(2)
    emulator.write([(0x80, 1), (0x84, 2), (0x80, 3), (0x300, 9)])
    ear.hear(32)
    report = ear.check.report(17, 115200)
    assert report.fine and (report.firmware, report.ports_watched) == ("1.0", [0x80, 0x84, 0x90])
    assert (report.power, report.tick_ns, report.starts, report.resets) == (True, 1000, 1, 0)
    assert (report.codes, report.ports_seen) == (3, {"80": 2, "84": 1})
    assert report.skew_ppm is not None and report.skew_u_ppm is not None
    assert abs(report.skew_ppm) <= report.skew_u_ppm + 1
    emulator.ask("set", {"power": 0})
    ear.hear(2)
    assert ear.check.report(18, 115200).power is False
    assert "  bus power: gone" in card_text(ear.check.report(18, 115200))


def test_what_a_flood_loses_is_said(card: Card) -> None:
    """Joined late: power has not changed since, and is not told; the loss is counted to the last write."""
    card.line(None)
    card.write([(0x80, 1)] * (QUEUE + 500))
    ear = Ear(card)
    ear.drain()
    card.line(BYTE_NS)
    ear.hear(24)
    report = ear.check.report(12, 115200)
    assert report.codes + report.lost_by_card == QUEUE + 500 and report.lost_by_card > 0
    assert not report.fine and report.lost_on_the_way == 0 and report.refused == {}
    assert report.firmware == "1.0" and report.power is None
    assert any("bus power: not told in this time" in line for line in card_text(report))
