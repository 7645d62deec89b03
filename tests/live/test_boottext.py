"""Boots as text: digits as the uncertainty allows, every finding in words, nothing hostile."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from live.test_harmless import ANY, harmless

from benchd.cli.boots import MARK, WIDTH, boot_page, boot_table, finding_lines, seconds
from benchd.cli.output import columns
from benchd.vocabulary.models import Blind, Boot, Check, Finding, Stage


@pytest.mark.parametrize(
    ("t", "u", "text"),
    [
        (12.3456, 0.02, "12.35 s"),
        (12.3456, 0.002, "12.346 s"),
        (12.3456, 0.1, "12.3 s"),
        (12.3456, 0.099, "12.35 s"),
        (12.3456, 1.0, "12 s"),
        (12.3456, 30.0, "12 s"),
        (12.3456789, 1e-9, "12.345679 s"),
        (12.3456, 0.0, "12.346 s"),
        (0.0, 0.004, "0.000 s"),
    ],
)
def test_digits_by_uncertainty(t: float, u: float, text: str) -> None:
    """The last digit shown is that of the uncertainty's first (JCGM 100:2008, 7.2.6); unknown: milliseconds."""
    assert seconds(t, u) == text


@settings(deadline=None, max_examples=100)
@given(st.floats(0, 1e5), st.floats(1e-6, 100))
def test_rounding_stays_within_the_uncertainty(t: float, u: float) -> None:
    """What is shown is off by no more than half of the last digit, which is no more than u (down to 1 us)."""
    assert abs(float(seconds(t, u)[:-2]) - t) <= max(0.5 * min(u, 1.0), 0.5e-6) * 1.0001 + 1e-9


def boot(**more: object) -> Boot:
    base: dict[str, object] = {"id": "pc-1", "machine": "pc", "started": "2026-01-02T03:04:05+00:00"}
    return Boot.model_validate({**base, "outcome": "finished", **more})


STALL = Finding(
    kind="stall", rule="rom-stands", stage="rom-scan", code="40", t=12.0, limit_s=5.0, limit_kind="learned-normal",
    cleared_t=15.0, means="word " * 60, try_=["take it out", "long " * 50], caution="Power off."
)  # fmt: skip


def test_a_page_has_it_all(tmp_path: Path) -> None:
    """Outcome, ladder with durations, finding with its limit and kind, steps, caution, checks, capture."""
    one = boot(
        outcome="stalled",
        trial="t1",
        lost=3,
        stages=[Stage(name="early", t=0, u=0.004), Stage(name="rom-scan", t=2.5, u=0.004)],
        findings=[STALL],
        checks=[Check(name="memory", passed=False, t=1.0)],
    )
    capture = tmp_path / "a.pcapng"
    capture.touch()
    lines = list(boot_page(one, str(capture)))
    text = "\n".join(lines)
    for part in (
        "STALLED", "trial t1", "3 known lost", "2.500 s", "±4 ms", "stall: rom-stands in stage rom-scan, last code 40",
        "limit 5 s (learned from few earlier good boots)",
        "over after 3 s", "try 1. take it out", "CAUTION: Power off.",
        "FAILED", f"capture: {capture}",
    ):  # fmt: skip
        assert part in text, part
    assert all(len(line) <= WIDTH + 4 for line in lines if str(capture) not in line)
    assert "no stage was reached" in "\n".join(boot_page(boot(), None))


def test_what_was_not_seen_is_told() -> None:
    """Where a link was out or lost something: which, why and when, the first few times."""
    spans = [Blind(link="post", t=0.0, until=0.4, why="lossy"), Blind(link="console", t=3.1, why="down")]
    text = "\n".join(boot_page(boot(blind=spans), None))
    assert "not all of it was seen: post lost some of what came from 0.0 to 0.4 s" in text
    assert "not all of it was seen: console was out from 3.1 s on" in text
    assert "and 2 times more" in "\n".join(boot_page(boot(blind=[spans[0]] * 5), None))


def test_a_large_uncertainty_is_told_in_seconds() -> None:
    """A saved text stamped to the second: nobody reads ±1.53e+03 ms."""
    stages = [Stage(name="early", t=0, u=1.526), Stage(name="memory", t=9, u=0.9994)]
    text = "\n".join(boot_page(boot(stages=stages), None))
    assert "±1.6 s" in text and "±1000 ms" in text


def test_every_kind_of_limit_is_named() -> None:
    """Each kind of the contract has words of its own."""
    from typing import get_args

    from benchd.vocabulary.models import LimitKind

    told = set()
    for kind in get_args(LimitKind):
        (line,) = [x for x in finding_lines(STALL.model_copy(update={"limit_kind": kind})) if "limit" in x]
        told.add(line)
        assert "(" in line and f"({kind})" not in line
    assert len(told) == len(get_args(LimitKind))


def test_the_list_counts_findings() -> None:
    """A line a boot, in columns; several findings of one kind are counted."""
    slow = Finding(kind="slow", rule="memory", t=1.0)
    head, first, second = boot_table([boot(findings=[slow, STALL, slow]), boot(id="pc-22", outcome="link-lost")])
    assert first.endswith("slow x2, stall") and "link-lost" in second
    assert head.index("how it went") == first.index("finished") == second.index("link-lost")
    assert columns([["a", "b"], ["ccc", "d"]]) == ["a    b", "ccc  d"]


def test_the_outcome_is_shown_as_it_is_asked_for() -> None:
    """What the list prints, in any case, is what `--outcome` takes and what the models have."""
    from typing import get_args

    from benchd.vocabulary.models import Outcome

    assert {shown.lower() for shown in MARK.values()} == set(MARK) == set(get_args(Outcome))


@settings(deadline=None, max_examples=100)
@given(ANY, ANY)
def test_hostile_text(one: str, two: str) -> None:
    """Names from tables, settings and the wire come out harmless wherever they stand."""
    finding = STALL.model_copy(update={"rule": one, "means": two, "try_": [one, two], "caution": two, "detail": one})
    bad = boot(id=one or "x", trial=two, start_reason=one, table=two, last_stage=one, passes_of=two,
               stages=[Stage(name=one, t=0, u=0.01)], findings=[finding],
               checks=[Check(name=two, passed=True, t=0)])  # fmt: skip
    assert all(harmless(line) for line in [*boot_page(bad, one), *boot_table([bad])])
