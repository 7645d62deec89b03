"""Reckons the card's current budget and timing budget from the figures in firmware-notes/card/figures.toml."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

FIGURES = Path(__file__).resolve().parents[2] / "firmware-notes/card/figures.toml"


def figures() -> dict[str, Any]:
    return tomllib.loads(FIGURES.read_text(encoding="utf-8"))


def values(table: dict[str, Any]) -> dict[str, float]:
    """The bare values of a table of figures."""
    return {name: float(figure["v"]) for name, figure in table.items() if isinstance(figure, dict)}


def markdown(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    titles = list(head)
    lines = [titles, ["---"] * len(titles), *map(list, rows)]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


# ---- levels and current


@dataclass
class Levels:
    """What the power divider gives, V, and what a GPIO that drives against a buffer carries, A; worst cases.

    Between `unsure_from` and `unsure_to`, V on the bus, the pin may read either.
    """

    sense_most: float
    sense_least: float
    sense_off: float
    contention: float
    unsure_from: float
    unsure_to: float


def levels() -> Levels:
    f = values(figures()["level"])
    up, down, off = f["divider_upper"], f["divider_lower"], f["tolerance"]

    def divided(bus: float, upper: float, lower: float) -> float:
        return bus * lower / (upper + lower)

    pulled = 1 / (1 / (down * (1 - off)) + 1 / f["pull_down_least"])
    drain = 1 / (1 / (f["drain"] * (1 + off)) + 1 / ((up + down) * (1 + off)))
    return Levels(
        sense_most=divided(f["bus_high_most"], up * (1 - off), down * (1 + off)),
        sense_least=divided(f["bus_low_least"], up * (1 + off), pulled),
        sense_off=divided(f["leak"] * drain, up * (1 - off), down * (1 + off)),
        contention=f["io_supply"] / (f["series"] * (1 - off)),
        unsure_from=f["pin_low_most"] / divided(1, up * (1 - off), down * (1 + off)),
        unsure_to=f["pin_high_least"] / divided(1, up * (1 + off), pulled),
    )


def budget() -> dict[str, float]:
    """The most that each rail carries, mA: 3V3 outside the board, and the slot's +5 V in all."""
    rows = figures()["current"]
    return {
        "3V3": sum(row["most"] for row in rows if row["rail"] == "3V3"),
        "+5V": sum(row["most"] for row in rows),
    }


def budget_table() -> str:
    rows = figures()["current"]
    lines = [[row["what"], f"{row['usual']:g}", f"{row['most']:g}", row["rail"], row["source"]] for row in rows]
    usual = sum(row["usual"] for row in rows)
    total = ["**all, from the slot**", f"{usual:.1f}", f"{budget()['+5V']:.1f}", "+5V", "arithmetic"]
    return markdown(["what", "usual, mA", "most, mA", "from", "source"], [*lines, total])


# ---- timing


@dataclass
class Cycle:
    """An I/O write in the slot, ns, each the worst that may come.

    `width`: the strobe's least length, `pause`: the least time to the next one. `address`: valid before the strobe
    begins. `data`: valid before it ends. `data_hold`, `address_hold`: valid after it ended.
    """

    name: str
    period: float
    width: float
    pause: float
    address: float
    data: float
    data_hold: float
    address_hold: float


def cycles() -> list[Cycle]:
    """The cycles of all machines in figures.toml."""
    f = figures()
    xt, at = values(f["machine8088"]), values(f["machineAT"])
    return [_8088(row, xt) if row["kind"] == "8088" else _at(row, at) for row in f["machine"]]


def _8088(row: dict[str, Any], f: dict[str, float]) -> Cycle:
    t = 1000 / row["mhz"]
    own = values(row)
    begins_least, ends_least = f["command_active_least"], (2 + f["waits"]) * t + f["command_inactive_least"]
    ends_most = (2 + f["waits"]) * t + f["command_inactive_most"]
    return Cycle(
        row["name"],
        t,
        width=ends_least - f["command_active_most"],
        pause=2 * t + begins_least - f["command_inactive_most"],
        address=begins_least - (own["address"] + f["latch"] - t),
        data=ends_least - (own["data"] + f["transceiver"]),
        data_hold=(2 + f["waits"]) * t + own["low"] + f["data_hold_after_high"] - ends_most,
        address_hold=(3 + f["waits"]) * t - ends_most,
    )


def _at(row: dict[str, Any], f: dict[str, float]) -> Cycle:
    t = 1000 / row["mhz"]
    periods = f["width_periods_0ws"] if row["kind"] == "AT0" else f["width_periods"]
    width = periods * t - f["width_less"]
    return Cycle(
        row["name"],
        t,
        width=width,
        pause=f["pause_periods"] * t - f["width_less"],
        address=f["address_periods"] * t - f["address_less"],
        data=width - f["data_late_periods"] * t,
        data_hold=f["data_hold"],
        address_hold=f["address_hold"],
    )


@dataclass
class Card:
    """What the card needs, ns, at the slot's contacts.

    `skew`: how far two lines may part on their way to the pins. `shortest`: the shortest strobe that is always seen,
    `glitch`: the longest that never is. `pause`: what must lie between two shortest strobes. `before`, `after`: data
    and address must be valid from this long before the strobe ends to this long after it (negative: may change before).
    """

    cycle: float
    skew: float
    shortest: float
    glitch: float
    pause: float
    before: float
    after: float


def card() -> Card:
    f = values(figures()["card"])
    series = values(figures()["level"])["series"]
    cycle = 1000 / f["clock_mhz"]
    wire = math.log(2) * series * f["pin_farad"] * 1e9
    skew = f["buffer_most"] - f["buffer_least"] + wire
    return Card(
        cycle,
        skew,
        shortest=f["shortest_cycles"] * cycle + skew,
        glitch=f["glitch_cycles"] * cycle - skew,
        pause=f["pause_cycles"] * cycle + skew,
        before=f["sample_before_cycles"] * cycle + skew,
        after=f["sample_after_cycles"] * cycle + skew,
    )


def timing_tables() -> dict[str, str]:
    """The tables of timing.md by their marks, ns."""
    own, all_cycles = card(), cycles()
    slot = [
        (c.period, c.width, c.pause, c.address, c.data, c.data_hold, c.address_hold) for c in all_cycles
    ]  # fmt: skip
    needs = [
        ("one cycle of its clock", own.cycle),
        ("how far two lines may part on the way to the pins", own.skew),
        ("a strobe at least so long is always seen", own.shortest),
        ("a strobe at most so long is never seen", own.glitch),
        ("between two strobes at least", own.pause),
        ("data, address and AEN valid before the strobe ends", own.before),
        ("data, address and AEN valid after it ended", own.after),
    ]
    return {
        "slot": markdown(
            ["machine", "bus clock", "strobe", "pause", "address before", "data before the end", "data after",
             "address after"],
            [[c.name, *(f"{v:.0f}" for v in row)] for c, row in zip(all_cycles, slot, strict=True)],
        ),
        "needs": markdown(["what the card needs", "ns"], [[what, f"{v:.1f}"] for what, v in needs]),
        "margins": markdown(
            ["machine", *MARGINS], [[c.name, *(f"{v:+.0f}" for v in margins(c, own).values())] for c in all_cycles]
        ),
    }  # fmt: skip


MARGINS = ("strobe", "pause", "data before the end", "data after", "address before the end", "address after")


def margins(c: Cycle, own: Card) -> dict[str, float]:
    """What a cycle has beyond what the card needs, ns, by MARGINS."""
    left = (
        c.width - own.shortest,
        c.pause - own.pause,
        c.data - own.before,
        c.data_hold - own.after,
        c.address + c.width - own.before,
        c.address_hold - own.after,
    )
    return dict(zip(MARGINS, left, strict=True))
