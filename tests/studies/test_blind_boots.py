"""A blind instrument is no failure: what could not be seen is said wherever boots are told of, and weighs nothing."""

from __future__ import annotations

import pytest
from studies.conftest import Commands
from studies.simulated import VirtualBench

from benchd.demo import at286
from benchd.demo.story import document
from benchd.studies.loaded import save
from benchd.vocabulary.models import Blind

NOW = "2026-03-01T20:00:00+01:00"
REASON = "not counted: the console was out from 3.1 to 5.0 s"
OUT = Blind(link="console", t=3.1, until=5.0, why="down")


@pytest.fixture
def evening(benchd: Commands, virtual: VirtualBench) -> str:
    """One trial of the demo's machine in its failing setup: a boot well watched, one with the console out."""
    save(virtual.store, "s", document(), NOW)
    benchd("trial", "start", "--end-running", "--study", "s", "--machine", "at286")
    virtual.boot(at286.START, "skipped")
    seen = virtual.boot(at286.START, "skipped")
    virtual.store.save_boot(seen.model_copy(update={"blind": [OUT]}), capture=str(virtual.keeper.path))
    return seen.id


def test_it_is_told_with_its_reason_and_weighs_nothing(benchd: Commands, evening: str) -> None:
    shown = benchd("trial", "show", "T1")
    assert REASON in shown and "1 fail, 1 not counted" in shown
    (view,) = benchd.json("trial", "list", "--study", "s")
    assert (view["ok"], view["fail"], view["not_counted"]) == (0, 1, 1)
    assert {"boot": evening, "ok": None, "why": REASON, "source": "boot"} in view["boots"]
    why = benchd.json("why", "s")
    assert (why["boots"], why["failures"]) == (1, 1)
    assert f"Boot {evening} of T1 is {REASON}." in why["remarks"]
    benchd("report", "s", "--out", str(benchd.folder))
    page, text = ((benchd.folder / f"s.{suffix}").read_text() for suffix in ("html", "md"))
    assert "the console was out from 3.1" in page and "the console was out from 3.1" in text


def test_a_goal_seen_by_codes_alone_does_not_need_the_console(benchd: Commands, virtual: VirtualBench) -> None:
    """The table that judged the boot, as its capture carries it, tells by which links a stage is seen."""
    codes_only = document().model_copy(update={"goal": document().goal.model_copy(update={"target": "memory"})})
    save(virtual.store, "s", codes_only, NOW)
    benchd("trial", "start", "--end-running", "--study", "s", "--machine", "at286")
    for link in ("console", "post"):
        seen = virtual.boot(at286.START, "skipped")
        blind = OUT.model_copy(update={"link": link})
        virtual.store.save_boot(seen.model_copy(update={"blind": [blind]}), capture=str(virtual.keeper.path))
    (view,) = benchd.json("trial", "list", "--study", "s")
    assert [verdict["ok"] for verdict in view["boots"]] == [True, None]


def test_a_comparison_does_not_blame_a_stage_on_a_blind_boot(benchd: Commands, virtual: VirtualBench) -> None:
    """A boot in which a stage could not be seen does not count as one without it."""
    good = virtual.boot(at286.START, "ready")
    for number in range(4):
        unseen = good.model_copy(
            update={"id": f"b{number}", "stages": [s for s in good.stages if s.name != "memory"], "blind": [OUT]}
        )
        virtual.store.save_boot(unseen)
    found = benchd.json("compare", good.id, "b0", "--stages-only")
    assert found["reached"] == [] and any("not well watched" in note for note in found["notes"])
