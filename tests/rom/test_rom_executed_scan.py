"""The predicted scan equals the executed scan.

Our own scan loop (scan_loop.asm, assembled by nasm) runs in unicorn, a CPU emulator nobody here wrote, over
memory that the test composes by itself. What it looks at, finds and calls, and what the called ROMs write to
port 80h, must be what `predict` says, slot for slot.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from support.option_roms import option_rom
from support.scan_rig import Rig, assemble, assert_same, composed, foretold, random_layout

from benchd.rom.layout import Layout, Window
from benchd.rom.predict import predict
from benchd.rom.scanrules import PRESETS, ScanRules, Sweep

LAYOUTS = 300
SEED = 20240717


def loop_for(rules: ScanRules, work: Path) -> tuple[bytes, int]:
    """Return (the loop with the settings and sweeps of `rules`, offset of its byte `skip`)."""
    settings = {
        "UNITS": rules.step // 512,
        "CHECK": int(rules.checksum),
        "ZERO64": int(rules.zero_length == "64K"),
        "SUM16": int(rules.sum_bits == 16),
        "ADVANCE16": int(rules.advance_bits == 16),
        "ROUND": int(rules.rounding == "step"),
        "ROUND8": int(rules.round_bits == 8),
        "GOODSTEP": int(rules.after_good == "step"),
        "BADSTEP": int(rules.after_bad == "step"),
        "BADBOTH": int(rules.after_bad == "length-and-step"),
        "WRAPS": int(rules.wraps),
    }
    defines = [f"{name}={value}" for name, value in settings.items()]
    loop = assemble(Path(__file__).with_name("scan_loop.asm"), work, defines)
    table = b""
    for sweep in rules.passes:
        for number in (sweep.first >> 4, sweep.last >> 4, int(sweep.block), int(sweep.first_only)):
            table += number.to_bytes(2, "little")
    return loop + table + bytes(2), len(loop) - 1


def random_rules(rng: random.Random) -> ScanRules:
    """A published scanner, or one with ranges and habits of its own: every key of a map file's [scan] is drawn."""
    if rng.random() < 0.4:
        return rng.choice([rules for rules in PRESETS.values() if rules.passes])
    step = rng.choice([0x200, 0x800, 0x800, 0x800, 0x1000, 0x2000])
    first = rng.choice([0xC0000, 0xC8000, 0xC8000, 0xD0000, 0xC0800])
    last = rng.choice([0xDFFFF, 0xDFFFF, 0xE0000, 0xEFFFF, 0xDF800, 0xD7FFF])
    passes: tuple[Sweep, ...] = (Sweep(first, last, step),)
    if last < 0xE0000 and rng.random() < 0.4:
        passes += (rng.choice([Sweep(0xE0000, 0xE0000, 0x10000, block=True), Sweep(0xE0000, 0xE0000, step)]),)
    if first == 0xC0000 and rng.random() < 0.3:
        passes = (Sweep(0xC0000, 0xC7FFF, step, first_only=True), Sweep(0xC8000, last, step), *passes[1:])
    return ScanRules(
        "random",
        passes,
        checksum=rng.random() < 0.8,
        after_good=rng.choice(["length", "length", "step"]),
        after_bad=rng.choice(["step", "length", "length-and-step"]),
        rounding=rng.choice(["step", "none"]),
        zero_length=rng.choice(["reject", "64K"]),
        sum_bits=rng.choice([32, 16]),
        advance_bits=rng.choice([32, 32, 16]),
        round_bits=rng.choice([32, 8]),
        wraps=rng.random() < 0.3,
    )


@pytest.mark.peer("nasm")
def test_predicted_scan_is_the_executed_scan(tmp_path: Path) -> None:
    """Seeded random layouts under random rules: no disagreement in what is looked at, found, called, announced."""
    rng = random.Random(SEED)
    rig, rules = Rig(), [random_rules(rng) for _ in range(60)]
    compared = ran = endless = overlapped = bad = 0
    while compared < LAYOUTS:
        layout = random_layout(rng, rng.choice(rules))
        told = foretold(layout)
        if told is None:
            continue
        memory = composed(layout)
        run = rig.execute(*loop_for(layout.rules, tmp_path), memory)
        assert_same(layout, told, run, memory, f"seed {SEED}, layout {compared}")
        compared += 1
        ran += len(run.called)
        endless += run.endless
        overlapped += told.collides
        bad += any(slot.checksum_ok is False for slot in told.slots)
    # The draw must not have been a draw of easy ones.
    drawn = {"ran": ran, "endless": endless, "overlapped": overlapped, "bad": bad}
    assert ran > LAYOUTS // 2 and endless > 3 and overlapped > LAYOUTS // 3 and bad > LAYOUTS // 4, drawn


@pytest.mark.peer("nasm")
def test_the_comparison_can_fail(tmp_path: Path) -> None:
    """A scan loop that does not check sums disagrees with a prediction that does."""
    image = option_rom(16)
    layout = Layout((Window("w", 0xC8000, 0x2000, image=image[:-1] + b"\x00"),), PRESETS["pnp-1.0a"])
    run = Rig().execute(*loop_for(PRESETS["checksum-off"], tmp_path), composed(layout))
    assert run.called == [0xC8000]
    assert [slot.at for slot in predict(layout).slots if slot.runs] == []
