"""A prediction held against a boot: which ROMs should have run, and what the boot showed of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from benchd.rom.forms import RomForm
from benchd.rom.numbers import hex_address
from benchd.rom.predict import Outcome, ScanPrediction


@dataclass(frozen=True, slots=True)
class Agreement(RomForm):
    """One ROM window held against a boot. `agrees` is None where there is nothing to compare."""

    window: str
    predicted: bool | None
    seen: bool | None
    agrees: bool | None
    text: str


def compare(
    prediction: ScanPrediction,
    seen_codes: Iterable[int] = (),
    seen_lines: Iterable[str] = (),
    seen_stages: Iterable[str] = (),
) -> tuple[Agreement, ...]:
    """Hold the prediction against what a boot showed: POST codes, console lines, stages reached.

    A window whose ROM has several headers counts as run if any of them should run.
    """
    codes, lines, stages = set(seen_codes), list(seen_lines), set(seen_stages)
    out = []
    for name in dict.fromkeys(rom.window for rom in prediction.roms):
        roms = [rom for rom in prediction.roms if rom.window == name]
        best = next((rom for rom in roms if rom.runs), None)
        best = best or next((rom for rom in roms if rom.runs is None), roms[0])
        sign, seen = _sign(best, codes, lines, stages)
        out.append(_agreement(best, sign, seen))
    return tuple(out)


def _sign(rom: Outcome, codes: set[int], lines: list[str], stages: set[str]) -> tuple[str, bool | None]:
    signs = rom.signs
    if signs.stage in stages:
        return f"stage `{signs.stage}` was reached", True
    hit = next((code for code in signs.codes if code in codes), None)
    if hit is not None:
        return f"code {hit:02X}h was seen", True
    if signs.text and any(signs.text in line for line in lines):
        return f'"{signs.text}" was printed', True
    if signs.stage is None and not signs.codes and not signs.text:
        return "the map names no sign of it (codes, stage or text)", None
    return "no sign of it", False


def _place(at: int | None) -> str:
    if at is None:
        return "nowhere"
    return f"{at >> 4:04X}h" if at % 16 == 0 else hex_address(at)


def _agreement(rom: Outcome, sign: str, seen: bool | None) -> Agreement:
    should = f"{rom.window}: the scan should run it at {_place(rom.at)}"
    should_not = f"{rom.window}: the scan should not run it ({rom.why})"
    agrees = None if seen is None or rom.runs is None else seen == rom.runs
    if rom.runs is None:
        text = f"{rom.window}: whether the scan runs it could not be told ({rom.why}); {sign}."
    elif seen is None:
        text = f"{should if rom.runs else should_not}; {sign}, so the boot cannot say."
    elif rom.runs and seen:
        text = f"{should}; {sign}: as predicted."
    elif rom.runs:
        text = f"{should}; {sign}: not scanned, or it left early."
    elif seen:
        text = (
            f"{should_not}, but {sign}: the machine scans otherwise, the map is not the setup, or something "
            "else gave the sign."
        )
    else:
        text = f"{should_not}; {sign}: as predicted."
    return Agreement(rom.window, rom.runs, seen, agrees, text)


def explain(
    prediction: ScanPrediction,
    seen_codes: Iterable[int] = (),
    seen_lines: Iterable[str] = (),
    seen_stages: Iterable[str] = (),
) -> list[str]:
    """Return plain sentences, predicted against seen, one for each ROM window, then the order of stages."""
    stages = list(seen_stages)
    out = [one.text for one in compare(prediction, seen_codes, seen_lines, stages)]
    signed = [(rom.order, rom.signs.stage) for rom in prediction.roms if rom.order]
    ranked = sorted((order, stage) for order, stage in signed if stage in stages)
    wanted = list(dict.fromkeys(stage for _, stage in ranked))
    met = [stage for stage in dict.fromkeys(stages) if stage in wanted]
    if met != wanted:
        order = ", ".join(map(str, wanted))
        out.append(f"The scan should run them in the order {order}; seen: {', '.join(map(str, met))}.")
    return out
