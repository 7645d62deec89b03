"""Pictures: well-formed by the standard library's reader, within their frame, free of what a name could smuggle in."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.drawing.charts import GROUPS_LIGHT, draw_times
from benchd.drawing.svg import log_steps, steps
from benchd.inference.bootlog import BootGroup, BootLog, StageMark

SVG = "{http://www.w3.org/2000/svg}"


def group(name: str, *took: float, stage: str = "memory") -> BootGroup:
    boots = (BootLog(str(i), "finished", t, (StageMark(stage, 0.0, t),)) for i, t in enumerate(took))
    return BootGroup(name, tuple(boots))


@settings(deadline=None, max_examples=60)
@given(st.text(min_size=1, max_size=40), st.lists(st.floats(1e-4, 1e4), min_size=1, max_size=9), st.booleans())
def test_any_name_and_any_times_give_a_picture(name: str, took: list[float], dark: bool) -> None:
    """Names are text, never elements; every mark and bar lies between the labels and the right edge."""
    width = 600
    root = ElementTree.fromstring(draw_times([group(name, *took, stage=name), group("b", 1.0)], dark=dark, width=width))
    assert {one.tag.removeprefix(SVG) for one in root.iter()} <= {"svg", "line", "text", "rect", "path", "title"}
    for rect in root.iter(f"{SVG}rect"):
        assert 0 <= float(rect.attrib["x"]) <= float(rect.attrib["x"]) + float(rect.attrib["width"]) <= width
    for path in root.iter(f"{SVG}path"):
        assert all(0 < float(x) < width for x in re.findall(r"M([0-9.]+) ", path.attrib["d"]))


@settings(deadline=None)
@given(st.floats(1e-5, 1e5), st.floats(1.0, 1e6), st.integers(100, 1800))
def test_a_logarithmic_axis_encloses_what_it_shows(low: float, times: float, pixels: int) -> None:
    """Round numbers in rising order, one below and one above, and room for their labels."""
    found = log_steps(low, low * times, pixels)
    assert found == sorted(set(found)) and found[0] < low and found[-1] > low * times
    assert all(float(f"{step:.0e}") == pytest.approx(step) for step in found)


@pytest.mark.parametrize(("longest", "last"), [(0.05, 0.0), (1.0, 1.0), (13.4, 12.0), (700.0, 600.0)])
def test_a_straight_axis_has_few_marks(longest: float, last: float) -> None:
    """At most eight steps, none beyond what is shown."""
    assert len(steps(longest)) <= 9 and steps(longest)[-1] == pytest.approx(last)


def test_groups_are_told_apart_without_colour() -> None:
    """Six groups, six shapes."""
    svg = draw_times([group(f"g{i}", 1.0, 2.0) for i in range(len(GROUPS_LIGHT))], dark=False, width=900)
    shapes = {re.sub(r"M[0-9.]+ [0-9.]+", "", d) for d in re.findall(r'<path d="([^"]+)"', svg)}
    assert len(shapes) == len(GROUPS_LIGHT)
