"""`compare` on boots of the simulated machine: captures give codes and lines, the store times and rates."""

from __future__ import annotations

import statistics

import jsonschema
import pytest
from studies.conftest import Commands
from studies.simulated import VirtualBench

from benchd.cli import studytext
from benchd.demo import at286
from benchd.demo.story import document
from benchd.store import Store
from benchd.studies.comparing import boot_log, compare_groups, find_groups
from benchd.studies.loaded import save
from benchd.studies.responses import FORMS

NOW = "2026-03-01T20:00:00+01:00"


@pytest.fixture
def trials(benchd: Commands, virtual: VirtualBench) -> Commands:
    """T1: the conflict, three boots, one of them stuck. T2: the window shut, four boots that work."""
    save(virtual.store, "s", document(), NOW)
    benchd("trial", "start", "--end-running", "--study", "s", "--machine", "at286")
    for fate in ("skipped", "stuck", "skipped"):
        virtual.boot(at286.START, fate)  # type: ignore[arg-type]
    benchd("trial", "start", "--end-running", "network-card=window-off")
    for _ in range(4):
        virtual.boot({**at286.START, "network-card": "window-off"}, "ready")
    return benchd


def test_two_trials(trials: Commands) -> None:
    """Where they part is the storage ROM's own code; the stage only one reaches leads the sentence."""
    found = trials.json("compare", "T1", "T2")
    jsonschema.validate(found, FORMS["compare"].model_json_schema(mode="serialization", by_alias=True))
    assert found["sentence"].startswith("Stage storage-rom is reached in 4 of 4 boots of T2, in 0 of 3 of T1")
    assert found["first_divergence"]["b"][0]["text"] == "code 45"
    assert found["finish"]["a"]["k"] == 2 and found["finish"]["a"]["n"] == 3 and found["finish"]["b"]["k"] == 4
    assert [c["factor"] for c in found["changes"]] == ["network-card"]
    names = [stage["name"] for stage in found["stages"]]
    assert names.index("rom-scan") < names.index("storage-rom") < names.index("hand-over")
    assert {one["text"] for one in found["only_one_has"] if one["side"] == "b"} >= {"code 45"}
    assert {c["check"] for c in found["checks"]} == {"storage-drive"}


def test_stage_figures_agree_with_the_stored_boots(trials: Commands) -> None:
    """Medians and the shift equal those computed from the boots' own records with Python's statistics."""
    found = trials.json("compare", "T1", "T2")
    with trials.store() as store:
        sides = [store.boots(trial=name, newest_first=False) for name in ("T1", "T2")]
    took = []
    for boots in sides:
        took.append([])
        for boot in boots:
            times = {s.name: s.t for s in boot.stages}
            if "setup" in times:
                took[-1].append(times["setup"] - times["drives"])
    stage = next(one for one in found["stages"] if one["name"] == "drives")
    assert stage["a"] == {"n": 3, "median_s": pytest.approx(statistics.median(took[0]), abs=1e-6), "ended_here": 0}
    shifts = [b - a for a in took[0] for b in took[1]]
    assert stage["shift_s"] == pytest.approx(statistics.median(shifts), abs=1e-6)  # Hodges and Lehmann 1963


def test_a_stalled_boot_is_censored_not_dropped(trials: Commands) -> None:
    """The stuck boot counts as one that did not finish, ended in the ROM scan, watched until it was over."""
    stage = next(one for one in trials.json("compare", "T1", "T2")["stages"] if one["name"] == "rom-scan")
    assert stage["a"]["ended_here"] == 1
    with trials.store() as store:
        stuck = next(boot for boot in store.boots(trial="T1") if boot.outcome == "stalled")
    log = boot_log(stuck)
    assert log.stages[-1].took_s is None and log.end_s > stuck.duration_s


def test_text_and_more_than_two(trials: Commands) -> None:
    """Boots by the beginning of their id, `last`, and three groups against the first."""
    with trials.store() as store:
        first = store.boots(trial="T1", newest_first=False)[0].id
    out = trials("compare", "T2", first, "T1")
    lines = out.splitlines()
    assert lines[0].startswith("Stage storage-rom is reached in 4 of 4 boots of T2") and "-" * 40 in lines
    assert "network-card: window-off to window-on" in out and "First divergence:" in out
    assert len(trials.json("compare", "T2", first, "T1")["others"]) == 1
    trials("compare", "last", "T1", "--stages-only")
    assert "line stage" in trials.out


def test_a_terminal_of_80_columns(trials: Commands, monkeypatch: pytest.MonkeyPatch) -> None:
    """No line is wider, no word is cut, and boots are A and B in tables, since their ids are long."""
    monkeypatch.setattr(studytext, "room", lambda: 80)
    with trials.store() as store:
        first, second = (boot.id for boot in store.boots(trial="T1", newest_first=False)[:2])
    for words in (("compare", "T1", "T2"), ("compare", first, second), ("why", "s"), ("next", "s"), ("trial", "list")):
        out = trials(*words)
        assert [line for line in out.splitlines() if len(line) > 80] == []
        assert "characters)" not in out
        if words[1] == first:
            assert f"A is {first}, B is {second}" in " ".join(out.split()) and "B minus A" in out


def test_a_table_is_folded_where_it_is_too_wide() -> None:
    """The column with the longest cell goes on in further lines, between words; a wide enough one stays as it is."""
    rows = [["", "what", "n"], ["1", "it fails when rom-base is D000 and network-card is window-on", "12"]]
    assert studytext.table(rows, 100, width=40) == [
        "   what                            n", "1  it fails when rom-base is D000  12",
        "   and network-card is window-on",
    ]  # fmt: skip
    assert len(studytext.table(rows, 100, width=200)) == len(studytext.table(rows, 100)) == 2


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["T1"], "1 group to compare; give from 2 to 12"),
        (["T1", "T1"], "T1 is named twice"),
        (["T1", "T9"], "there is no trial 'T9'; the latest are"),
        (["T1", "T3"], "trial T3 has no boots that ended yet"),
        (["T1", "T4"], "trial T4 came from a file"),
        (["T1", "at286"], "'at286' could be boot"),
        (["T1", "zz"], "there is no boot 'zz'"),
    ],
)
def test_names_that_cannot_be_compared(trials: Commands, words: list[str], message: str) -> None:
    """Unknown, doubled, ambiguous and empty names are refused with what there is."""
    trials("trial", "start", "--end-running")
    trials("study", "import", trials.file("c.csv", "slot,result\n3,ok\n"), "--name", "c")
    trials("compare", *words, code=2)
    assert message in trials.err


def test_without_captures_stages_are_compared(trials: Commands) -> None:
    """A deleted capture costs codes and lines, not the comparison, and it is said."""
    for path in (trials.folder / "data/captures").rglob("*.pcapng"):
        path.unlink()
    found = trials.json("compare", "T1", "T2")
    assert "captures are not there any more" in found["notes"][0]
    assert found["first_divergence"]["b"][0]["text"] == "line stage storage-rom"


def test_two_trials_of_a_thousand_boots(tmp_path: object, benchd: Commands, virtual: VirtualBench) -> None:
    """The bar of issue 3, from the store with captures: 2 x 1,000 boots compared in under 2 s of own work."""
    import time

    save(virtual.store, "s", document(), NOW)
    one = virtual.boot(at286.START, "skipped")
    two = virtual.boot(at286.START, "ready")
    for number, seen in ((1, one), (2, two)):
        benchd("trial", "start", "--end-running", "--study", "s", "--machine", "at286")
        with Store.open(benchd.folder / "data/benchd.db") as store:
            for i in range(1000):
                store.save_boot(seen.model_copy(update={"id": f"{seen.id}-{i}", "trial": f"T{number}"}))
    with benchd.store() as store:
        groups = find_groups(store, ["T1", "T2"])
        begun = time.perf_counter()
        compared = compare_groups(store, groups)
        took = time.perf_counter() - begun
    assert compared.finish.a.n == 1000
    assert took < 2.0, f"{took:.2f} s"
