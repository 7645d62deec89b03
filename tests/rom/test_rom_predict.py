"""Contention, predictions as stored values, predictions held against boots, jumper moves.

The AND of two devices is common practice, no source; the checks here compose the bytes by themselves.
"""

from __future__ import annotations

import json
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.option_roms import GOLDEN, option_rom

from benchd.errors import UsageError
from benchd.rom.agree import compare, explain
from benchd.rom.contention import and_bits, compose
from benchd.rom.layout import Layout, Window
from benchd.rom.moves import Placed, ways_out
from benchd.rom.predict import ScanPrediction, predict
from benchd.rom.scanrules import PRESETS, ScanRules, Sweep

RULES = ScanRules("bench", (Sweep(0xC8000, 0xDFFFF),))
BOARD = option_rom(16, 0xA1)
CARD = option_rom(16, 0xB2)


def clash_of(pad: int) -> ScanPrediction:
    """A board ROM at C8000 and a card whose image sits behind 16 KiB of `pad` in a 32 KiB window there."""
    return predict(
        Layout(
            (
                Window("board", 0xC8000, 0x2000, image=BOARD),
                Window("card", 0xC8000, 0x8000, image=bytes([pad]) * 0x4000 + CARD),
            ),
            RULES,
        )
    )


def test_an_ff_pad_helps() -> None:
    """Trade fact (common practice, no source): FFh leaves the other ROM readable; both run."""
    prediction = clash_of(0xFF)
    assert prediction.collides
    assert [slot.at for slot in prediction.slots if slot.runs] == [0xC8000, 0xCC000]
    board = next(c for c in prediction.clashes if c.window == "board")
    assert (board.changed, board.header_survives, board.checksum_survives) == (0, True, True)


def test_a_00_pad_does_not() -> None:
    """00h pulls every line low: the board ROM's header is gone, the card's own, behind it, is found."""
    prediction = clash_of(0x00)
    assert [slot.at for slot in prediction.slots if slot.runs] == [0xCC000]
    board = next(c for c in prediction.clashes if c.window == "board")
    assert (board.header_survives, board.checksum_survives) == (False, False)
    assert board.changed == sum(1 for byte in BOARD if byte)
    assert "card shows only 00h" in board.note
    rom = next(r for r in prediction.roms if r.window == "board")
    assert rom.runs is False and "00 00 instead of 55 AA" in rom.why


def test_two_roms_at_one_place_keep_the_header_and_lose_the_sum() -> None:
    """55h AAh AND 55h AAh is 55h AAh: the scan finds a header and sums rubbish."""
    pair = (Window("a", 0xC8000, 0x2000, image=BOARD), Window("b", 0xC8000, 0x2000, image=CARD))
    layout = Layout(pair, RULES)
    prediction = predict(layout)
    total = sum(x & y for x, y in zip(BOARD, CARD, strict=True)) % 256
    slot = prediction.slots[0]
    assert slot.found and slot.checksum_ok is (total == 0) and f"{total:02X}h" in slot.note
    assert slot.party == "a + b"


@settings(deadline=None, max_examples=200)
@given(*(st.tuples(st.integers(0, 255), st.integers(0, 255)) for _ in range(2)))
def test_known_bits_of_an_and(one: tuple[int, int], two: tuple[int, int]) -> None:
    """A bit is known exactly if every way to fill the unknown ones gives the same AND (all ways tried)."""
    value, known = and_bits((one[0] & one[1], one[1]), (two[0] & two[1], two[1]))
    for bit in range(8):
        mask = 1 << bit
        left = [one[0] & mask] if one[1] & mask else [0, mask]
        right = [two[0] & mask] if two[1] & mask else [0, mask]
        results = {a & b for a in left for b in right}
        assert bool(known & mask) == (len(results) == 1)
        if len(results) == 1:
            assert value & mask == results.pop()


def test_composed_memory_is_the_and_of_the_windows() -> None:
    rng = random.Random(5)
    windows = tuple(
        Window(f"w{n}", rng.randrange(0xC0000, 0xE0000, 0x100), 0x3000, image=rng.randbytes(0x2F00)) for n in range(20)
    )
    memory = compose(Layout(windows, RULES))
    plain = bytearray(b"\xff" * 0x30000)
    for window in windows:
        assert window.base is not None and window.image is not None
        for n, byte in enumerate(window.image):
            plain[window.base - 0xC0000 + n] &= byte
    assert memory.value[0xC0000:0xF0000] == plain
    assert memory.known[0xC0000:0xF0000] == b"\xff" * 0x30000


def test_memory_and_registers_make_a_sum_untellable() -> None:
    """Interrupt list MEMORY.LST: registers may fill the last 1 KiB of 8 KiB, ROM the 7 KiB below."""
    seven = option_rom(14)
    fine = Layout((Window("card", 0xC8000, 0x2000, image=seven, registers=((0x1C00, 0x400),)),), RULES)
    assert predict(fine).roms[0].runs is True
    eight = Layout((Window("card", 0xC8000, 0x2000, image=BOARD, registers=((0x1C00, 0x400),)),), RULES)
    rom = predict(eight).roms[0]
    assert rom.runs is None and "unknown" in rom.why
    covered = Layout((Window("rom", 0xC8000, 0x2000, image=BOARD), Window("ram", 0xC8000, 0x800, kind="ram")), RULES)
    assert predict(covered).roms[0].runs is None
    same = Layout(
        (
            Window("rom", 0xC8000, 0x2000, image=BOARD, card="x"),
            Window("ram", 0xC9000, 0x400, kind="ram", card="x"),
        ),
        RULES,
    )
    assert predict(same).overlaps == () and predict(same).roms[0].runs is None


def test_a_rom_without_image_is_assumed_and_said_so() -> None:
    prediction = predict(Layout((Window("card", 0xC8000, 0x2000),), RULES))
    assert prediction.slots[0].runs and "no image given" in prediction.slots[0].note
    assert any("no image given" in text for text in prediction.findings)
    two = predict(Layout((Window("a", 0xC8000, 0x2000), Window("b", 0xC9000, 0x2000)), RULES))
    assert two.slots[0].runs is None


def test_mirrors_run_again() -> None:
    """A chip repeated through its window, and a window at a second address, show the header again."""
    prediction = predict(Layout((Window("card", 0xC8000, 0x4000, image=BOARD, pad=None),), RULES))
    assert [s.at for s in prediction.slots if s.runs] == [0xC8000, 0xCA000]
    assert any("runs 2 times" in text for text in prediction.findings)
    prediction = predict(Layout((Window("card", 0xC8000, 0x2000, image=BOARD, mirrors=(0x10000,)),), RULES))
    assert [s.at for s in prediction.slots if s.runs] == [0xC8000, 0xD8000]


def test_a_rom_inside_another_s_length_is_stepped_over_and_told() -> None:
    """64 KiB declared, 8 KiB shown, the rest floating: a card behind it is never looked at."""
    long = option_rom(0x80, 0xA1, 0.05)[:0x2000]
    long = long[:-1] + bytes([(long[-1] - sum(long)) & 0xFF])  # 56 KiB of FFh add 00h
    layout = Layout((Window("long", 0xC8000, 0x2000, image=long),), RULES)
    assert predict(layout).slots[0].runs
    quiet = b"\xff" * 0x800 + option_rom(4, 0xB2, 0)
    quiet_sum = sum(quiet) % 256
    layout = Layout(
        (
            Window("long", 0xC8000, 0x2000, image=long[:-1] + bytes([(long[-1] - quiet_sum) & 0xFF])),
            Window("card", 0xD0000, 0x1000, image=quiet),
        ),
        RULES,
    )
    prediction = predict(layout)
    card = next(r for r in prediction.roms if r.window == "card")
    assert card.at == 0xD0800 and card.runs is False and "C8000: stepped over" in card.why


def test_a_prediction_survives_storing() -> None:
    """JSON and back gives the same value; every address in it is upper-case hex without a mark."""
    for prediction in (clash_of(0), clash_of(255), predict(Layout((Window("w", None, 0x800),), RULES))):
        stored = json.loads(json.dumps(prediction.to_json()))
        assert ScanPrediction.from_json(stored) == prediction
        for slot in stored["scan"]:
            assert slot["at"] == f"{int(slot['at'], 16):05X}"


SIGNED = (
    Window("board", 0xC8000, 0x2000, image=BOARD, stage="board-rom"),
    Window("card", 0xCC000, 0x2000, image=CARD, codes=(0xB2,), text="CARD READY"),
    Window("plain", 0xD0000, 0x800, image=GOLDEN),
    Window("late", 0xE0000, 0x800, image=GOLDEN, codes=(0xEE,)),
)


def test_predicted_against_seen() -> None:
    prediction = predict(Layout(SIGNED, RULES))
    said = explain(prediction, seen_codes=[0xEE], seen_lines=["garbage"], seen_stages=["board-rom"])
    assert said[0] == "board: the scan should run it at C800h; stage `board-rom` was reached: as predicted."
    assert said[1] == "card: the scan should run it at CC00h; no sign of it: not scanned, or it left early."
    assert "names no sign" in said[2]
    assert "should not run it" in said[3] and "but code EEh was seen" in said[3]
    agreement = compare(prediction, [0xEE], [], ["board-rom"])
    assert [one.agrees for one in agreement] == [True, False, None, False]
    said = explain(prediction, seen_lines=["\x1b[0mCARD READY v1"])
    assert '"CARD READY" was printed: as predicted' in said[1]
    assert said[3].endswith("no sign of it: as predicted.")


def test_order_of_stages_is_compared() -> None:
    layout = Layout(
        (
            Window("a", 0xC8000, 0x2000, image=BOARD, stage="first"),
            Window("b", 0xCC000, 0x2000, image=CARD, stage="second"),
        ),
        RULES,
    )
    prediction = predict(layout)
    assert len(explain(prediction, seen_stages=["first", "x", "second"])) == 2
    said = explain(prediction, seen_stages=["second", "first"])
    assert "in the order first, second; seen: second, first" in said[2]


def test_the_system_bios_is_no_rom_that_does_not_run() -> None:
    """FFFF0h is where the processor starts (Intel 8086 data sheet); what a scan looks at below F0000 counts."""
    card, bios = Window("card", 0xC8000, 0x2000, image=BOARD), Window("BIOS", 0xF0000, 0x10000)
    told = predict(Layout((card, bios), RULES))
    assert told.sound and [rom.window for rom in told.roms] == ["card"]
    outside = predict(Layout((card.moved(0xE8000), bios), RULES))
    assert not outside.sound and "outside what the scan looks at" in outside.roms[0].why
    to_the_top = ScanRules("bench", (Sweep(0xC8000, 0xFFFFF),))
    assert [rom.window for rom in predict(Layout((card, bios), to_the_top)).roms] == ["card"]
    larger = Window("BIOS", 0xE0000, 0x20000)
    assert [rom.window for rom in predict(Layout((card, larger), to_the_top)).roms] == ["card", "BIOS"]
    board = Window("board", 0xC8000, 0x2000, image=BOARD)
    jumpered = Window("other", 0xC8000, 0x2000, image=CARD, positions=(0xC8000, 0xCC000))
    assert ways_out(Layout((board, jumpered, bios), RULES))[0].solves


def test_the_jumper_move_that_solves_it() -> None:
    """Card and board ROM at C8000; of the card's positions only CC000 is free and scanned."""
    layout = Layout(
        (
            Window("board", 0xC8000, 0x2000, image=BOARD),
            Window("card", 0xC8000, 0x2000, image=CARD, positions=(0xC8000, 0xC9000, 0xCC000, 0xE0000, None)),
        ),
        RULES,
    )
    ways = ways_out(layout)
    assert ways[0].moves == (Placed("card", 0xCC000),) and ways[0].solves
    assert not any(way.solves for way in ways[1:])
    assert ways_out(Layout((layout.windows[0],), RULES)) == ()


def test_two_moves_where_one_is_not_enough() -> None:
    layout = Layout(
        (
            Window("board", 0xC8000, 0x2000, image=BOARD),
            Window("a", 0xC8000, 0x2000, image=CARD, positions=(0xC8000, 0xCC000)),
            Window("b", 0xC8000, 0x2000, image=option_rom(16, 0xC3), positions=(0xC8000, 0xD0000)),
        ),
        RULES,
    )
    best = ways_out(layout)[0]
    assert best.solves and best.moves == (Placed("a", 0xCC000), Placed("b", 0xD0000))


@pytest.mark.parametrize("seed", range(3))
def test_sixty_four_windows(seed: int) -> None:
    """A crowded setup is predicted whole; the time is measured by `benchd map`, not here."""
    rng = random.Random(seed)
    windows = tuple(
        Window(
            f"w{n}", rng.randrange(0xC0000, 0xE8000, 0x800), 0x2000, image=option_rom(16, n + 1),
            positions=tuple(rng.randrange(0xC0000, 0xE8000, 0x800) for _ in range(8)),
        )
        for n in range(64)
    )  # fmt: skip
    layout = Layout(windows, PRESETS["pnp-1.0a"])
    prediction = predict(layout)
    assert len({rom.window for rom in prediction.roms}) == 64
    for way in ways_out(layout):
        assert len(way.moves) in (1, 2)


def test_a_layout_changed_as_a_trial_changes_it() -> None:
    card, board = Window("card", 0xC8000, 0x8000, image=CARD), Window("board", 0xC8000, 0x2000, image=BOARD)
    layout = Layout((card, board), RULES)
    padded = layout.changed("card", image=b"\xff" * 0x4000 + CARD)
    assert [s.at for s in predict(padded).slots if s.runs] == [0xC8000, 0xCC000]
    assert [s.at for s in predict(layout.changed("card", base=None)).slots if s.runs] == [0xC8000]
    with pytest.raises(UsageError, match="it has: card, board"):
        layout.changed("net", base=0xD0000)


def test_a_window_that_starts_off_the_slots() -> None:
    """Window at C8400 with 1 KiB of padding: its header lies at C8800, on a slot, and runs."""
    window = Window("card", 0xC8400, 0x2800, image=b"\xff" * 0x400 + BOARD)
    prediction = predict(Layout((window,), RULES))
    assert [s.at for s in prediction.slots if s.runs] == [0xC8800]
    assert [(r.at, r.runs, r.order) for r in prediction.roms] == [(0xC8800, True, 1)]
