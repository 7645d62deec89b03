"""The card's plans: reads the netlist, says what is wrong with it, makes the tables and the schematic of it.

python3 tests/card/plans.py check     # what is wrong, if anything
python3 tests/card/plans.py write     # the schematic, and the tables in plans.md
"""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

NOTES = Path(__file__).resolve().parents[2] / "firmware-notes/card"
TWO_ENDED = ("resistor", "capacitor", "diode", "fuse", "jumper")
CARRIED = {"DIR": "3V3", "OE#": "GND", "VCC": "3V3", "GND": "GND"}
"""What the pins of a buffer that carry no signal must lie at: A to B, always on, from 3.3 V."""


@dataclass
class Plan:
    """The netlist, the contacts of the slot and the table of pins, as their TOML files have them."""

    netlist: dict[str, Any]
    contacts: dict[str, str]
    gpio: dict[str, int]

    @property
    def parts(self) -> dict[str, dict[str, str]]:
        return self.netlist["part"]

    @property
    def nets(self) -> dict[str, list[str]]:
        return self.netlist["net"]

    @property
    def lines(self) -> dict[str, dict[str, str]]:
        return self.netlist["line"]

    def kind(self, part: str) -> Mapping[str, Any]:
        return self.netlist["kind"][self.parts[part]["kind"]]

    def of_kind(self, name: str) -> list[str]:
        return [part for part, facts in self.parts.items() if facts["kind"] == name]

    def pins(self, part: str) -> list[str]:
        """The pins that `part` has."""
        if self.parts[part]["kind"] == "edge":
            return list(self.contacts)
        kind = self.kind(part)
        return [*kind.get("pins", ()), *kind.get("a", ()), *kind.get("b", ()), *kind.get("named", ())]

    def net_of(self, pin: str) -> str:
        """The net at a pin such as "U1.2", or "" where nothing is joined to it."""
        return next((name for name, pins in self.nets.items() if pin in pins), "")

    def pairs(self, part: str) -> list[tuple[str, str]]:
        """The pins of a buffer or a network that lead through it, from row A to row B."""
        kind = self.kind(part)
        return [(f"{part}.{a}", f"{part}.{b}") for a, b in zip(kind["a"], kind["b"], strict=True)]

    def back(self, net: str) -> list[str]:
        """The nets from a GPIO's net back through resistor network and buffer, the last one first."""
        seen = [net]
        for kind in ("network", "buffer"):
            for part in self.of_kind(kind):
                for a, b in self.pairs(part):
                    if self.net_of(b) == seen[-1]:
                        seen.append(self.net_of(a))
        return seen


def load(notes: Path = NOTES) -> Plan:
    """Read the three files in `notes`."""
    netlist = tomllib.loads((notes / "netlist.toml").read_text(encoding="utf-8"))
    contacts = tomllib.loads((notes / "bus.toml").read_text(encoding="utf-8"))["contacts"]
    return Plan(netlist, contacts, tomllib.loads((notes / "pins.toml").read_text(encoding="utf-8"))["pins"])


def faults(plan: Plan, header: str = "") -> list[str]:
    """Everything that is wrong with the plan, or with the firmware's `header` where it is given, a sentence each."""
    found = [*_wiring(plan), *_slot(plan), *_lines(plan), *_buffers(plan), *_levels(plan)]
    return [*found, *_header(plan, header)] if header else found


def _header(plan: Plan, header: str) -> Iterator[str]:
    """A row of data or address lines has one name in C, that of its first: the others follow in order."""
    named = {name.lower(): int(number) for name, number in re.findall(r"#define PIN_(\w+) (\d+)", header)}
    told = dict(named)
    for row, count in (("d", 8), ("a", 10)):
        told |= {f"{row}{n}": named[f"{row}0"] + n for n in range(count) if f"{row}0" in named}
    for name in sorted(plan.gpio.keys() | told.keys()):
        if plan.gpio.get(name) != told.get(name):
            yield f"line {name} is GPIO {plan.gpio.get(name)} in pins.toml and {told.get(name)} in the firmware"


def _wiring(plan: Plan) -> Iterator[str]:
    seen: dict[str, str] = {}
    for name, pins in plan.nets.items():
        if len(pins) < 2:
            yield f"net {name} joins nothing"
        for pin in pins:
            part, _, number = pin.partition(".")
            if part not in plan.parts or number not in plan.pins(part):
                yield f"net {name}: there is no pin {pin}"
            if pin in seen:
                yield f"pin {pin} is in net {name} and in net {seen[pin]}"
            seen[pin] = name
    for part, facts in plan.parts.items():
        if facts["kind"] in TWO_ENDED:
            ends = [plan.net_of(f"{part}.{pin}") for pin in plan.pins(part)]
            if "" in ends or ends[0] == ends[1]:
                yield f"part {part} lies between {ends[0] or 'nothing'} and {ends[1] or 'nothing'}"


def _slot(plan: Plan) -> Iterator[str]:
    for contact, name in plan.contacts.items():
        net = plan.net_of(f"J1.{contact}")
        if net and net != name:
            yield f"contact {contact} of the slot is {name}, and the net there is {net}"
        if name in ("GND", "+5V") and not net:
            yield f"contact {contact} ({name}) of the slot is open"


def _lines(plan: Plan) -> Iterator[str]:
    for name in plan.gpio.keys() ^ plan.lines.keys():
        yield f"line {name} is in one of pins.toml and netlist.toml only"
    for name in plan.gpio.keys() & plan.lines.keys():
        net, bus = plan.lines[name]["net"], plan.lines[name]["bus"]
        if [pin for pin in plan.nets.get(net, ()) if pin.startswith("A1.")] != [f"A1.GP{plan.gpio[name]}"]:
            yield f"line {name}: net {net} does not lead to GPIO {plan.gpio[name]} alone"
        if bus and name != "power" and plan.back(net)[-1] != bus:
            yield f"line {name}: net {net} comes from {plan.back(net)[-1]}, not from {bus}"
    if len(set(plan.gpio.values())) < len(plan.gpio):
        yield "two lines share a GPIO"


def _buffers(plan: Plan) -> Iterator[str]:
    for part in plan.of_kind("buffer"):
        for pin, name in plan.kind(part)["named"].items():
            if (net := plan.net_of(f"{part}.{pin}")) != CARRIED[name]:
                yield f"{part} pin {pin} ({name}) lies at {net or 'nothing'}, not at {CARRIED[name]}"
        for a, b in plan.pairs(part):
            if not plan.net_of(a):
                yield f"{a} is an input that floats"
            others = {pin.partition(".")[0] for pin in plan.nets.get(plan.net_of(b), ()) if pin != b}
            if any(plan.parts[other]["kind"] != "network" for other in others):
                yield f"the output {b} does not go through a resistor alone"
    supplied = [
        c for c in plan.of_kind("capacitor") if {plan.net_of(f"{c}.1"), plan.net_of(f"{c}.2")} == {"3V3", "GND"}
    ]
    if len(supplied) < len(plan.of_kind("buffer")):
        yield "a buffer has no capacitor"


def _levels(plan: Plan) -> Iterator[str]:
    """No contact of the slot but ground may touch the microcontroller."""
    for name, pins in plan.nets.items():
        if name != "GND" and {"J1", "A1"} <= {pin.partition(".")[0] for pin in pins}:
            yield f"net {name} joins the slot to the microcontroller directly"


def parts_table(plan: Plan) -> str:
    """The list of parts as Markdown, alike parts in one row."""
    alike: dict[tuple[str, str, str], list[str]] = {}
    for part, facts in plan.parts.items():
        alike.setdefault((plan.kind(part)["what"], facts["value"], facts["why"]), []).append(part)
    rows = [f"| {', '.join(parts)} | {what} | {value} | {why} |" for (what, value, why), parts in alike.items()]
    return "\n".join(["| parts | what | value or type | why |", "| --- | --- | --- | --- |", *rows])


def pins_table(plan: Plan) -> str:
    """Each contact of the slot that is used, and the way from there to the GPIO, as Markdown."""
    rows = [
        "| contact | signal | buffer, in and out | resistor | GPIO | line |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    lines = {
        plan.back(facts["net"])[-1]: name for name, facts in plan.lines.items() if facts["bus"] and name != "power"
    }
    for contact, name in plan.contacts.items():
        if f"J1.{contact}" not in plan.nets.get(name, ()):
            continue
        if name not in lines:
            rows.append(f"| {contact} | {name} | - | - | - | supply |")
            continue
        last, middle, first = plan.back(plan.lines[lines[name]]["net"])
        buffer = _pair(plan, "buffer", first, middle)
        rows.append(
            f"| {contact} | {name} | {buffer} | {_pair(plan, 'network', middle, last)} "
            f"| {plan.gpio[lines[name]]} | `{lines[name]}` |"
        )
    return "\n".join(rows)


def _pair(plan: Plan, kind: str, before: str, behind: str) -> str:
    """The part and the two pins between two nets: "U1 2, 18"."""
    for part in plan.of_kind(kind):
        for a, b in plan.pairs(part):
            if (plan.net_of(a), plan.net_of(b)) == (before, behind):
                return f"{part} {a.partition('.')[2]}, {b.partition('.')[2]}"
    raise ValueError(f"no {kind} between {before} and {behind}")


def placed(text: str, tables: Mapping[str, str]) -> str:
    """Return `text` with each table of `tables` between its two marks (`<!-- NAME -->`, `<!-- end NAME -->`)."""
    for name, table in tables.items():
        begin, end = f"<!-- {name} -->", f"<!-- end {name} -->"
        if text.count(begin) != 1 or text.count(end) != 1:
            raise ValueError(f"the marks of table {name} are not there once each")
        before, rest = text.split(begin)
        text = f"{before}{begin}\n{table}\n{end}{rest.split(end)[1]}"
    return text


def main(words: list[str]) -> int:
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    from card.figures import budget_table, timing_tables
    from card.schematic import draw

    plan = load()
    found = faults(plan, (NOTES / "firmware/pins.h").read_text(encoding="utf-8"))
    for fault in found:
        print(fault)
    if words == ["write"] and not found:
        (NOTES / "schematic.svg").write_text(draw(plan), encoding="utf-8")
        tables = {"parts": parts_table(plan), "pins": pins_table(plan), "current": budget_table()}
        for page, own in (("plans.md", tables), ("timing.md", timing_tables())):
            path = NOTES / page
            path.write_text(placed(path.read_text(encoding="utf-8"), own), encoding="utf-8")
    elif words != ["check"] and not found:
        print(__doc__)
        return 2
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
