"""The card's plans: one netlist, held against the slot's contacts, the table of pins, and the drawing made of it."""

from __future__ import annotations

import copy
import math
import re
from collections.abc import Callable
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from card.figures import budget, budget_table, figures, levels, values
from card.plans import NOTES, Plan, faults, load, parts_table, pins_table, placed
from card.schematic import draw

PLAN = load()


def spoilt(change: Callable[[Plan], object]) -> list[str]:
    """The faults of the plan after `change`."""
    plan = Plan(copy.deepcopy(PLAN.netlist), dict(PLAN.contacts), dict(PLAN.gpio))
    change(plan)
    return faults(plan)


def test_the_plan_has_no_fault() -> None:
    assert faults(PLAN) == []
    assert len(PLAN.contacts) == 62 and len(PLAN.nets) > 60


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda p: p.nets["SD0"].remove("U1.2"), "net SD0 joins nothing"),
        (lambda p: p.nets["SD0"].append("U1.21"), "there is no pin U1.21"),
        (lambda p: p.nets["SD0"].append("U9.1"), "there is no pin U9.1"),
        (lambda p: p.nets["SD0"].append("J1.A8"), "pin J1.A8 is in net SD1 and in net SD0"),
        (
            lambda p: p.nets.update({"SD0": ["J1.B9", "U1.2"]}),
            "contact B9 of the slot is +12V, and the net there is SD0",
        ),
        (lambda p: p.nets["GND"].remove("J1.B10"), "contact B10 (GND) of the slot is open"),
        (lambda p: p.gpio.update(d0=1, d1=0), "line d0: net SD0_IN does not lead to GPIO 1 alone"),
        (lambda p: p.gpio.update(d8=27), "line d8 is in one of pins.toml and netlist.toml only"),
        (lambda p: p.gpio.update(a0=9), "two lines share a GPIO"),
        (lambda p: p.lines["aen"].update(bus="IOW#"), "line aen: net AEN_IN comes from AEN, not from IOW#"),
        (lambda p: p.nets["3V3"].remove("U2.1"), "U2 pin 1 (DIR) lies at nothing, not at 3V3"),
        (lambda p: p.nets["GND"].remove("U3.9"), "U3.9 is an input that floats"),
        (lambda p: p.nets["SD3_3V"].append("A1.GP27"), "the output U1.15 does not go through a resistor alone"),
        (lambda p: p.nets["+5V"].append("A1.VSYS"), "net +5V joins the slot to the microcontroller directly"),
        (lambda p: p.nets["3V3"].remove("C2.1"), "a buffer has no capacitor"),
        (lambda p: p.nets["VSYS"].remove("D1.K"), "part D1 lies between +5V_CARD and nothing"),
    ],
)
def test_each_fault_is_found(change: Callable[[Plan], object], said: str) -> None:
    assert any(said in fault for fault in spoilt(change)), spoilt(change)


def test_the_firmware_has_the_same_pins() -> None:
    header = (NOTES / "firmware/pins.h").read_text(encoding="utf-8")
    assert faults(PLAN, header) == []
    swapped = header.replace("PIN_AEN 18", "PIN_AEN 19").replace("PIN_IOW 19", "PIN_IOW 18")
    assert [fault.partition(" is ")[0] for fault in faults(PLAN, swapped)] == ["line aen", "line iow"]
    assert len(faults(PLAN, header.replace("PIN_A0 8", "PIN_A0 9"))) == 10
    assert faults(PLAN, header.replace("#define PIN_UART_TX 28", "")) == [
        "line uart_tx is GPIO 28 in pins.toml and None in the firmware"
    ]


def test_the_slot_is_that_of_the_standard_books() -> None:
    """Counted through: data falls from A2 to A9, the address from A12 to A31; three grounds, two 5 V."""
    assert [PLAN.contacts[f"A{n}"] for n in range(2, 10)] == [f"SD{7 - n}" for n in range(8)]
    assert [PLAN.contacts[f"A{n}"] for n in range(12, 32)] == [f"SA{19 - n}" for n in range(20)]
    assert {n for n, name in PLAN.contacts.items() if name == "GND"} == {"B1", "B10", "B31"}
    assert {n for n, name in PLAN.contacts.items() if name == "+5V"} == {"B3", "B29"}
    assert {PLAN.contacts[n] for n in ("B5", "B7", "B9")} == {"-5V", "-12V", "+12V"}
    open_ones = {name for n, name in PLAN.contacts.items() if not PLAN.net_of(f"J1.{n}")}
    assert {
        "+12V",
        "-12V",
        "-5V",
        "IOR#",
        "IO_CH_RDY",
    } <= open_ones  # nothing that could harm, and nothing it could pull


def test_the_drawing_is_made_of_the_netlist() -> None:
    """Byte for byte; and every part, every GPIO and every contact in use is told in it."""
    drawn = draw(PLAN)
    assert (NOTES / "schematic.svg").read_text(encoding="utf-8") == drawn
    texts = [node.text or "" for node in ElementTree.fromstring(drawn).iter("{http://www.w3.org/2000/svg}text")]
    words = {word for text in texts for word in re.split(r"[ ,]+", text)}
    assert PLAN.parts.keys() - {"J1", "A1", "J2"} <= words and PLAN.nets.keys() <= words
    for net, pins in PLAN.nets.items():
        for pin in pins:
            part, _, number = pin.partition(".")
            assert part not in ("J1", "A1", "J2") or {number, pin} & words, f"{net}: {pin} is not drawn"


def test_what_is_drawn_between_wrong_nets_is_refused() -> None:
    plan = Plan(copy.deepcopy(PLAN.netlist), PLAN.contacts, PLAN.gpio)
    plan.netlist["sheet"]["chains"][0] = ["+5V", "F1", "VSYS"]
    with pytest.raises(ValueError, match="F1 lies between"):
        draw(plan)


def test_no_texts_of_the_drawing_overlap() -> None:
    """Texts of one height on the sheet keep apart, reckoned at 7.2 pixels a character of 12 pixels."""
    rows: dict[float, list[tuple[float, float, str]]] = {}
    for node in ElementTree.fromstring(draw(PLAN)).iter("{http://www.w3.org/2000/svg}text"):
        text, x = node.text or "", float(node.attrib["x"])
        wide = len(text) * 0.6 * float(node.attrib.get("font-size", 12))
        left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[node.attrib.get("text-anchor", "start")]
        rows.setdefault(float(node.attrib["y"]), []).append((left, left + wide, text))
    assert len(rows) > 40
    for row in rows.values():
        row.sort()
        for (_, end, text), (begin, _, after) in pairwise(row):
            assert begin >= end, f"{text!r} runs into {after!r}"


def test_the_tables_are_those_of_the_page() -> None:
    page = (NOTES / "plans.md").read_text(encoding="utf-8")
    assert placed(page, {"parts": parts_table(PLAN), "pins": pins_table(PLAN), "current": budget_table()}) == page
    assert "| A9 | SD0 | U1 2, 18 | RN1 1, 16 | 0 | `d0` |" in page
    assert "| B13 | IOW# | U3 5, 15 | RN3 4, 13 | 19 | `iow` |" in page
    with pytest.raises(ValueError, match="the marks of table parts"):
        placed("nothing", {"parts": "x"})


def test_levels_hold_in_the_worst_case() -> None:
    """The divider never passes what a pin takes, tells power and its absence, and a pin that drives is not harmed."""
    f, worst = values(figures()["level"]), levels()
    assert worst.sense_most <= f["io_supply"] + f["pin_over_supply"]
    assert worst.sense_least >= f["pin_high_least"]
    assert worst.sense_off <= f["pin_low_most"]
    assert worst.contention <= f["pin_current_most"]
    assert f["bus_high_least"] >= f["buffer_high_least"] and f["bus_low_most"] <= f["buffer_low_most"]
    assert (round(worst.sense_most, 2), round(worst.sense_least, 2), round(worst.sense_off, 2)) == (3.27, 2.31, 0.63)
    unsure = f"{math.floor(worst.unsure_from * 10) / 10} and {math.ceil(worst.unsure_to * 10) / 10} V"
    page = (NOTES / "plans.md").read_text(encoding="utf-8")
    assert f"Between {unsure} on the bus" in page and f"at most {worst.contention * 1000:.1f} mA" in page
    for told in (worst.sense_most, worst.sense_least, worst.sense_off):
        assert f"{told:.2f} V" in page


def test_the_resistors_are_those_of_the_netlist() -> None:
    f = values(figures()["level"])
    ohms = {"R1": f["divider_upper"], "R2": f["divider_lower"], "R3": f["drain"]}
    for part, ohm in ohms.items():
        number = float(PLAN.parts[part]["value"].split()[0]) * 1000
        assert "kohm" in PLAN.parts[part]["value"] and number == ohm
    assert {PLAN.parts[n]["value"] for n in PLAN.of_kind("network")} == {f"8 x {f['series']:g} ohm, DIP-16"}


def test_the_supplies_carry_the_card() -> None:
    """Half of what each can give is the most that is drawn; and every figure says where it comes from."""
    f, most = figures(), budget()
    supply = values(f["supply"])
    assert (
        most["3V3"] <= supply["rail_3v3_ma"] / 2 and most["+5V"] <= min(supply["fuse_hold_ma"], supply["diode_ma"]) / 2
    )
    for table in (f["level"], f["supply"], f["machine8088"], f["machineAT"], f["card"], *f["machine"]):
        for name, figure in table.items():
            if isinstance(figure, dict):
                assert re.match(r"(read|memory|ours|arithmetic)", figure["source"]), name
    assert all(row["source"] and row["usual"] <= row["most"] for row in f["current"])
    assert {row["rail"] for row in f["current"]} <= {"3V3", "VSYS", "+5V"}
