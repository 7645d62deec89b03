"""Draws the card's schematic from its netlist: left the slot, then buffers, resistors and the microcontroller."""

from __future__ import annotations

from collections.abc import Sequence

from card.plans import Plan

from benchd.drawing.svg import Drawing

INK, SOFT, WIRE, PAPER, FILL = "#16211b", "#4d5b52", "#0b5d45", "#fdfdf8", "#f1efe0"
WIDTH = 1200
TOP, ROW, GAP = 112, 22, 46
SLOT, BUFFER, NETWORK, BOARD = (40, 150), (360, 500), (680, 740), (980, 1110)
"""Left and right edges of the columns."""
OUTER = ("J1", "A1", "J2")
HIDDEN = ("GND", "3V3")
"""Nets at so many places that where they come from is told once, at the end."""
CHAIN, STEP = 64, 168
CHAINS_LEFT = (90, 640)


def draw(plan: Plan) -> str:
    """Return the schematic as an SVG document."""
    picture = Drawing(WIDTH, "Schematic of the POST-code card", INK)
    picture.rect(0, 0, WIDTH, _height(plan), fill=PAPER)
    picture.text(40, 38, "POST-code card for an 8-bit ISA slot", font_size=22, font_weight="bold")
    picture.text(
        40, 60, "Drawn from netlist.toml by tests/card/plans.py. Not built yet: measure before you plug.", fill=SOFT
    )
    for (left, right), title in (
        (SLOT, "J1: slot"), (BUFFER, "bus side, 5 V | 3.3 V side"), (NETWORK, "resistors"), (BOARD, "A1: board"),
    ):  # fmt: skip
        picture.text((left + right) / 2, 90, title, text_anchor="middle", font_weight="bold")
    y = float(TOP)
    for number, buffer in enumerate(plan.of_kind("buffer")):
        y = _block(picture, plan, buffer, plan.of_kind("network")[number], y) + GAP
    _chains(picture, plan, y)
    return picture.svg(_height(plan), document=True)


def _height(plan: Plan) -> float:
    blocks = len(plan.of_kind("buffer")) * (11.2 * ROW + GAP)
    return TOP + blocks + 66 + CHAIN * ((len(plan.netlist["sheet"]["chains"]) + 1) // 2)


def _box(picture: Drawing, column: tuple[float, float], top: float, bottom: float) -> None:
    picture.rect(column[0], top, column[1] - column[0], bottom - top, fill=FILL, stroke=INK, stroke_width=1.4)


def _wire(picture: Drawing, x1: float, x2: float, y: float) -> None:
    picture.line(x1, y, x2, y, stroke=WIRE, stroke_width=1.4)


def _block(picture: Drawing, plan: Plan, buffer: str, network: str, top: float) -> float:
    """Draw one buffer with all that it joins; return where it ends."""
    pairs = plan.pairs(buffer)
    bottom = top + (len(pairs) + 3.2) * ROW
    used = [pair for pair in pairs if plan.net_of(pair[1])]
    _box(picture, BUFFER, top, bottom)
    for column in (SLOT, BOARD):
        _box(picture, column, top, top + (len(used) + 0.6) * ROW)
    picture.text(sum(BUFFER) / 2, top + 16, buffer, text_anchor="middle", font_weight="bold")
    picture.text(NETWORK[0], top + 8, network, font_weight="bold")
    picture.text(NETWORK[0] + 34, top + 8, plan.parts[network]["value"].partition(",")[0], fill=SOFT)
    for n, (a, b) in enumerate(pairs):
        _row(picture, plan, network, a, b, top + (n + 1.2) * ROW)
    for n, (pin, name) in enumerate(plan.kind(buffer)["named"].items()):
        y = top + (len(pairs) + 1.4 + n // 2) * ROW
        left = n % 2 == 0
        x, out = (BUFFER[0], BUFFER[0] - 40) if left else (BUFFER[1], BUFFER[1] + 40)
        _pin(picture, f"{pin} {name}" if left else f"{name} {pin}", x, y, left)
        _wire(picture, x, out, y)
        net = plan.net_of(f"{buffer}.{pin}")
        picture.text(out + (-6 if left else 6), y + 4, net, text_anchor="end" if left else "start", font_weight="bold")
    return bottom


def _pin(picture: Drawing, text: str, x: float, y: float, left: bool) -> None:
    """Write a pin inside its box at the edge `x`."""
    picture.text(x + (6 if left else -6), y + 4, text, text_anchor="start" if left else "end", fill=SOFT)


def _row(picture: Drawing, plan: Plan, network: str, a: str, b: str, y: float) -> None:
    """Draw one channel: contact, buffer, resistor, GPIO; or an input that is not used, and what it lies at."""
    into, out = plan.net_of(a), plan.net_of(b)
    _pin(picture, a.partition(".")[2] + " A", BUFFER[0], y, left=True)
    _pin(picture, "B " + b.partition(".")[2], BUFFER[1], y, left=False)
    if not out:
        _wire(picture, BUFFER[0] - 40, BUFFER[0], y)
        picture.text(BUFFER[0] - 46, y + 4, into, text_anchor="end", font_weight="bold")
        picture.text(BUFFER[1] + 10, y + 4, "open", fill=SOFT)
        return
    contact = next(pin for pin in plan.nets[into] if pin.startswith("J1."))
    others = [pin.partition(".")[0] for pin in plan.nets[into] if pin not in (contact, a)]
    _pin(picture, contact.partition(".")[2], SLOT[1], y, left=False)
    _wire(picture, SLOT[1], BUFFER[0], y)
    picture.text(SLOT[1] + 10, y - 4, into)
    if others:
        picture.path(f"M{SLOT[1] + 130} {y - 3.5}a3.5 3.5 0 1 0 .1 0z", fill=WIRE)
        picture.text(SLOT[1] + 138, y - 4, ", ".join(others), fill=SOFT)
    one, two = next(pair for pair in plan.pairs(network) if plan.net_of(pair[0]) == out)
    _wire(picture, BUFFER[1], NETWORK[0], y)
    picture.text(BUFFER[1] + 10, y - 4, out)
    picture.text(NETWORK[0] - 6, y - 4, one.partition(".")[2], text_anchor="end", fill=SOFT)
    picture.rect(NETWORK[0], y - 5, NETWORK[1] - NETWORK[0], 10, fill=PAPER, stroke=INK, stroke_width=1.2)
    picture.text(NETWORK[1] + 6, y - 4, two.partition(".")[2], fill=SOFT)
    last = plan.net_of(two)
    _wire(picture, NETWORK[1], BOARD[0], y)
    picture.text(BOARD[0] - 10, y - 4, last, text_anchor="end")
    gpio = next(pin for pin in plan.nets[last] if pin.startswith("A1."))
    _pin(picture, gpio.partition(".")[2], BOARD[0], y, left=True)
    line = next(name for name, facts in plan.lines.items() if facts["net"] == last)
    picture.text(BOARD[1] - 6, y + 4, line, text_anchor="end", font_weight="bold")


def _chains(picture: Drawing, plan: Plan, top: float) -> None:
    """Draw the small parts, each between its two nets, in two columns."""
    chains = plan.netlist["sheet"]["chains"]
    picture.text(40, top, "Supply, jumpers and serial line: nets of one name are joined", font_weight="bold")
    half = (len(chains) + 1) // 2
    for n, net in enumerate(HIDDEN):
        outer = ", ".join(pin for pin in plan.nets[net] if pin.partition(".")[0] in OUTER)
        picture.text(CHAINS_LEFT[1] - 40, top + 44 + half * CHAIN - 40 + 18 * n, f"{net} also at {outer}", fill=SOFT)
    for n, chain in enumerate(chains):
        _chain(picture, plan, chain, CHAINS_LEFT[n // half], top + 44 + (n % half) * CHAIN)


def _chain(picture: Drawing, plan: Plan, chain: Sequence[str], left: float, y: float) -> None:
    for n, name in enumerate(chain):
        x = left + n // 2 * STEP
        if n % 2 == 0:
            _flag(picture, plan, name, x, y)
            continue
        ends = [plan.net_of(f"{name}.{pin}") for pin in plan.pins(name)]
        if sorted(ends) != sorted((chain[n - 1], chain[n + 1])):
            raise ValueError(f"{name} lies between {ends}, not where the sheet has it")
        _wire(picture, x, x + 60, y)
        _wire(picture, x + 96, x + STEP, y)
        _symbol(picture, plan.parts[name]["kind"], x + 60, y)
        picture.text(x + 78, y - 17, name, text_anchor="middle", font_weight="bold")
        value = plan.parts[name]["value"].partition(",")[0]
        picture.text(x + 78, y + 25, value, text_anchor="middle", fill=SOFT, font_size=11)


def _flag(picture: Drawing, plan: Plan, net: str, x: float, y: float) -> None:
    """Mark a net: its name over the wire, the pins of slot, board and header that lie at it under it."""
    picture.path(f"M{x} {y - 3.5}a3.5 3.5 0 1 0 .1 0z", fill=WIRE)
    picture.text(x, y - 9, net, text_anchor="middle", font_weight="bold")
    if net not in HIDDEN:
        outer = [pin for pin in plan.nets[net] if pin.partition(".")[0] in OUTER]
        for n, pin in enumerate(outer):
            picture.text(x, y + 17 + 13 * n, pin, text_anchor="middle", fill=SOFT, font_size=11)


def _symbol(picture: Drawing, kind: str, x: float, y: float) -> None:
    """Draw a part 36 pixels wide from `x`."""
    look = {"stroke": INK, "stroke_width": 1.4, "fill": PAPER}
    if kind in ("resistor", "fuse"):
        picture.rect(x, y - 7, 36, 14, **look)
        if kind == "fuse":
            _wire(picture, x, x + 36, y)
    elif kind == "capacitor":
        _wire(picture, x, x + 14, y)
        _wire(picture, x + 22, x + 36, y)
        for at in (x + 14, x + 22):
            picture.line(at, y - 10, at, y + 10, stroke=INK, stroke_width=2)
    elif kind == "diode":
        _wire(picture, x, x + 36, y)
        picture.path(f"M{x + 9} {y - 9}v18l16 -9z", fill=INK)
        picture.path(f"M{x + 22} {y - 6}v-3h4v18h4v-3", fill="none", stroke=INK, stroke_width=1.8)
    else:
        for at in (x + 6, x + 30):
            picture.path(f"M{at} {y - 4}a4 4 0 1 0 .1 0z", **look)
        _wire(picture, x, x + 2, y)
        _wire(picture, x + 34, x + 36, y)
        picture.path(f"M{x + 6} {y - 7}q12 -10 24 0", fill="none", stroke=INK, stroke_width=1.4)
