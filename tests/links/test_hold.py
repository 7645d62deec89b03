"""While the speed is unknown, characters wait or are left out and counted; order is kept."""

from __future__ import annotations

from benchd.links.hold import HELD_NS, HELD_RECORDS, Hold
from benchd.vocabulary.records import Chunk, LineFault, LinkState, ModemLines, Record

MS = 1_000_000


def lines(t: int) -> ModemLines:
    return ModemLines("c", t, True, True, False, True)


def test_passing_on() -> None:
    """Not holding: everything passes at once."""
    out: list[Record] = []
    hold = Hold(out.append)
    hold.deliver(Chunk("c", 1, b"a"))
    assert out == [Chunk("c", 1, b"a")]
    assert hold.last_ns == 1


def test_holding_and_release() -> None:
    """The state that ends the hold comes first, stamped as the first held record; order of time is kept."""
    out: list[Record] = []
    hold = Hold(out.append)
    hold.holding = True
    hold.deliver(lines(1))
    assert out == [lines(1)]
    held: list = [Chunk("c", 2 * MS, b"ab"), lines(3 * MS), Chunk("c", 4 * MS, b"cd")]
    for record in held:
        hold.deliver(record)
    assert out == [lines(1)]
    hold.release(LinkState("c", 9 * MS, True, "found", 9600))
    assert out[1:] == [LinkState("c", 2 * MS, True, "found", 9600), *held]
    assert [r.t_ns for r in out] == sorted(r.t_ns for r in out)
    assert hold.left_out == 0
    assert not hold.holding


def test_dropping() -> None:
    """Characters and their faults are left out and counted, modem lines pass."""
    out: list[Record] = []
    hold = Hold(out.append)
    hold.holding = True
    for record in (Chunk("c", 1, b"abc"), LineFault("c", 2, "framing"), lines(3), Chunk("c", 4, b"d")):
        hold.deliver(record)  # type: ignore[arg-type]
    hold.drop()
    assert out == [lines(3)]
    assert hold.left_out == 4
    hold.release(LinkState("c", 9, True, "found", 9600))
    assert out[-1] == LinkState("c", 9, True, "found", 9600)


def test_nothing_is_held_for_long() -> None:
    """Only what is too old goes; the rest waits on."""
    out: list[Record] = []
    hold = Hold(out.append)
    hold.holding = True
    hold.deliver(Chunk("c", 0, b"old"))
    hold.deliver(Chunk("c", HELD_NS, b"new"))
    hold.expire(HELD_NS)
    assert hold.left_out == 0
    hold.expire(HELD_NS + 1)
    assert hold.left_out == 3
    hold.release(LinkState("c", HELD_NS + 2, True, "found", 9600))
    assert out[-1] == Chunk("c", HELD_NS, b"new")


def test_holding_is_bounded() -> None:
    """However much comes at one instant, no more than the limit is kept."""
    hold = Hold(lambda record: None)
    hold.holding = True
    for _ in range(HELD_RECORDS + 10):
        hold.deliver(Chunk("c", 1, b"x"))
    assert hold.left_out == HELD_RECORDS + 1
