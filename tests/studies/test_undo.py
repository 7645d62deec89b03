"""Nothing that a person enters is wrong for good: moved, left out, taken back, deleted, and all of it undone."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import pytest
from studies.conftest import Commands
from studies.evening import AT, ME, STUDY, boot

from benchd.errors import UsageError
from benchd.store import Result, Store, Trial
from benchd.studies.loaded import gather, open_study
from benchd.studies.report import report_values
from benchd.studies.undo import forgotten, log_words
from benchd.studies.weighing import counted_trials, why
from benchd.vocabulary.models import Boot


def weighed(store: Store) -> object:
    known = open_study(store, "s")
    return counted_trials(gather(store, known))


def verdicts(benchd: Commands, trial: str) -> list[tuple[str | None, bool | None]]:
    return [(one["boot"], one["ok"]) for one in benchd.json("trial", "show", trial)["boots"]]


def test_a_boot_is_moved_with_what_was_entered_for_it(evening: Commands) -> None:
    """It counts for the other trial, its result too; moved back all is as before, and the log says both."""
    assert "belongs to trial T2 (before: T1)" in evening("boots", "move", "b1", "T2")
    assert verdicts(evening, "T1") == [("b2", True), ("b3", False)]
    assert verdicts(evening, "T2") == [("b1", True), ("b4", False)]
    assert "video" in evening.json("trial", "show", "T2")["checks"]
    assert "video" not in evening.json("trial", "show", "T1")["checks"]
    assert [one["id"] for one in evening.json("boots", "--trial", "T2")] == ["b1", "b4"]
    evening("boots", "move", "b1", "T1")
    assert [name for name, _ in verdicts(evening, "T1")] == ["b1", "b2", "b3"]
    log = evening("trial", "log", "--trial", "T2")
    assert "boot b1 moved: trial T1 -> T2" in log and "boot b1 moved: trial T2 -> T1" in log and "command line" in log


def test_a_boot_goes_nowhere_that_it_does_not_belong(evening: Commands) -> None:
    """Trials of other machines and of files, unknown ones: refused, nothing is changed."""
    evening("study", "import", evening.file("t.csv", "rom,result\na,ok\n"), "--name", "table")
    with evening.store() as store:
        store.save_boot(boot("x1", None, machine="xt88", minute=9))
    evening("boots", "move", "b1", "T4", code=2)
    assert "came from a file" in evening.err
    evening("boots", "move", "x1", "T1", code=2)
    assert "boot x1 is of machine 'xt88', trial T1 of 'at286'" in evening.err
    evening("boots", "move", "b1", "T77", code=2)
    assert "there is no trial 'T77'" in evening.err
    assert "belongs to no trial (before: T1)" in evening("boots", "move", "b1", "none")
    assert "results outside any trial" in evening("trial", "log")


def test_passes_of_a_loop_go_together(evening: Commands) -> None:
    """The passes of one loop are no boots of their own: none stays behind, so that its trial can be deleted."""
    with evening.store() as store:
        store.save_boot(boot("loop", "T3", minute=20))
        store.save_boot(boot("pass", "T3", minute=19).model_copy(update={"passes_of": "loop"}))
        store.move_boot("pass", "T1", ME)
        assert store.boot("loop").trial == store.boot("pass").trial == "T1"
        store.delete_trial("T3", ME)


def test_a_boot_that_is_left_out_counts_nowhere_and_that_is_said(evening: Commands) -> None:
    """Reason everywhere: trial, why, compare, report, CSV, document, list; counted again all is as before."""
    with evening.store() as store:
        before = weighed(store)
    evening("boots", "leave-out", "b3", "mains  failed")
    assert verdicts(evening, "T1") == [("b1", True), ("b2", True), ("b3", None)]
    assert evening.json("trial", "show", "T1")["checks"]["storage-drive"] == {"passed": 2, "done": 2}
    assert "LEFT OUT, it counts nowhere: mains failed" in evening("show", "b3")
    assert "left out" in evening("boots").splitlines()[3]
    assert "Boot b3 of T1 is not counted: left out: mains failed." in " ".join(evening("why", "s").split())
    assert "T1: boot b3 is left out (mains failed), not compared" in evening("compare", "T1", "T2", "--stages-only")
    with evening.store() as store:
        assert report_values(store, "s", AT)["left_out"] == ["T1, boot b3: mains failed"]
        assert why(store, "s").boots == 4
    assert "C800,out,mains failed,fail" in evening("study", "export", "s")
    assert "# left out: boot b3 of T1: mains failed" in evening("study", "export", "s", "--toml")
    evening("boots", "count", "b3")
    with evening.store() as store:
        assert weighed(store) == before
    assert "counts again (was left out: mains failed)" in evening("trial", "log", "--boot", "b3")
    evening("boots", "leave-out", "b3", "  ", code=2)
    assert "say why the boot is left out" in evening.err


def test_left_out_marks_come_through_a_table(evening: Commands) -> None:
    """Exported and imported again: the mark is there, what counts is the same, and it can be put back."""
    evening("boots", "leave-out", "b3", "mains failed")
    text = evening("study", "export", "s")
    evening("study", "import", evening.file("t.csv", text), "--name", "again")
    assert evening("study", "export", "again") == text
    (first, *_) = evening.json("study", "export", "again")["trials"]
    assert (first["ok"], first["fail"], first["not_counted"]) == (2, 0, 1)
    number = next(one["id"] for one in first["results"] if one.get("left_out"))
    evening("trial", "result", "--put-back", str(number))
    assert evening.json("trial", "show", first["id"])["fail"] == 1


def test_all_boots_left_out_are_nothing_to_compare(evening: Commands) -> None:
    evening("boots", "leave-out", "b4", "no")
    evening("compare", "T1", "T2", "--stages-only", code=2)
    assert "all boots of trial T2 are left out" in evening.err
    assert "it was named, so it is compared" in evening("compare", "b1", "b4", "--stages-only")


def test_results_are_taken_back_by_their_numbers_which_are_not_used_twice(evening: Commands) -> None:
    """Each listing prints the number; taken back twice, or put back without, is refused; a new one gets a new one."""
    assert "2" in evening("trial", "show", "T3").split("number")[1]
    assert "video" in evening("show", "b1").split("entered for it:")[1]
    assert "Result 2 (goal FAILED" in evening("trial", "result", "--take-back", "2")
    assert verdicts(evening, "T3") == []
    evening("trial", "result", "--take-back", "2", code=2)
    assert "taken back already" in evening.err
    assert evening.json("trial", "result", "goal", "pass", "--trial", "T3")[0]["id"] == 3
    evening("trial", "result", "--take-back", "3")
    assert evening.json("trial", "result", "goal", "pass", "--trial", "T3")[0]["id"] == 4
    evening("trial", "result", "--put-back", "2")
    assert sorted(ok for _, ok in verdicts(evening, "T3")) == [False, True]
    evening("trial", "result", "--put-back", "2", code=2)
    assert "was not taken back" in evening.err
    log = evening("trial", "log", "--trial", "T3")
    assert "result 2 of trial T3 taken back: goal failed" in log and "result 4 entered for trial T3: goal passed" in log


def test_trials_are_named_deleted_and_brought_back(evening: Commands) -> None:
    """One with boots is not deleted; a deleted one is out of all lists, its number not given again, and comes back."""
    evening("trial", "rename", "T3", "card in,  by mistake")
    assert "T3 (card in, by mistake)" in evening("trial", "list")
    evening("trial", "delete", "T1", code=2)
    assert "trial T1 has boots (b1, b2, b3): move them first" in evening.err
    with evening.store() as store:
        before = weighed(store)
    assert "with 1 result" in evening("trial", "delete", "T3")
    assert "T3" not in evening("trial", "list") and "T3" not in evening("study", "show", "s")
    assert evening("trial", "current") == "No trial is running.\n"
    evening("trial", "show", "T3", code=2)
    assert "`benchd trial restore T3` brings it back" in evening.err
    assert evening.json("trial", "start", "--study", "s")["trial"]["id"] == "T4"
    evening("trial", "delete", "T4")
    evening("trial", "restore", "T3")
    with evening.store() as store:
        assert weighed(store) == before and store.trial("T3").name == "card in, by mistake"
    evening("trial", "restore", "T3", code=2)
    assert "it was not deleted" in evening.err


def test_a_trial_ended_by_mistake_runs_again(evening: Commands) -> None:
    """Boots between its end and its resuming are told and stay; later ones are its own; the log has both."""
    with evening.store() as store:
        store.end_trial("T3", "2026-03-01T20:30:00+01:00", ME)
        store.save_boot(boot("c1", None, minute=40))
        store.save_boot(boot("c2", "T1", minute=41))
        store.save_boot(boot("c0", None, minute=20))
    told = evening("trial", "resume", "t3")
    assert "Trial T3 of study s runs again on at286." in told and "2 boots began since it had ended, and stay:" in told
    assert "in no trial: benchd boots move c1 T3" in told and "in trial T1: benchd boots move c2 T3" in told
    assert "c0" not in told
    assert "trial T3" in evening("trial", "current")
    with evening.store() as store:
        assert store.current_trial("at286").id == "T3"  # type: ignore[union-attr]
        assert store.boot("c1").trial is None and store.boot("c2").trial == "T1"
    assert "trial T3 resumed (had ended 2026-03-01T20:30:00+01:00)" in evening("trial", "log", "--trial", "last")
    evening("trial", "resume", "T3", code=2)
    assert "did not end: it runs on at286" in evening.err
    evening("trial", "resume", "T1", code=2)
    assert "trial T3 runs on at286: end it first with `benchd trial end T3`" in evening.err
    evening("trial", "resume", "T9", code=2)
    assert "there is no trial 'T9'" in evening.err


def test_a_start_without_a_change_names_its_setup(benchd: Commands) -> None:
    """What "the first levels" are is said; a running trial is counted in words that agree."""
    benchd("study", "new", "s", "--from", benchd.file("s.toml", STUDY))
    assert "the same setup as the first levels: rom-base=C800, network-card=out" in benchd("trial", "start")
    with benchd.store() as store:
        store.save_boot(boot("d1", "T1"))
    benchd("trial", "start", "rom-base=D000", code=2)
    assert "(1 boot)" in benchd.err


def test_the_newest_is_last_and_small_letters_do(evening: Commands) -> None:
    """Wherever a trial is named."""
    assert evening.json("trial", "show", "last")["id"] == "T3" == evening.json("trial", "show", "t3")["id"]
    assert "T3 is called late" in evening("trial", "rename", "last", "late")
    assert "Noted on trial T2" in evening("trial", "note", "wet", "--trial", "t2")
    assert "belongs to trial T2" in evening("boots", "move", "b1", "t2")
    assert "belongs to trial T3" in evening("boots", "move", "last", "last")
    assert evening.json("trial", "result", "goal", "pass", "--trial", "t2")[0]["trial"] == "T2"
    assert "`benchd trial restore T2`" not in evening("trial", "end", "last")


def test_a_study_is_deleted_once_it_is_written_out(evening: Commands, tmp_path: Path) -> None:
    """Without a word nothing is; the file has all of it; the name is free; deleted again and restored it is whole."""
    with evening.store() as store:
        before = weighed(store)
    evening("study", "delete", "s", code=2)
    assert "3 trials with 4 boots and 2 results by hand: --yes deletes it" in evening.err
    out = tmp_path / "s.json"
    evening("study", "delete", "s", "--yes", "--out", str(out))
    kept = json.loads(out.read_text())
    assert [one["id"] for one in kept["trials"]] == ["T1", "T2", "T3"] and len(kept["results"]) == 2
    assert "No studies yet" in evening("study", "list") and evening.json("trial", "list") == []
    assert evening.json("boots")[0].get("trial") is None
    assert "results outside any trial" in evening("study", "list")
    evening("study", "show", "s", code=2)
    assert "`benchd study restore s` brings it back" in evening.err
    evening("study", "new", "s", "--from", evening.file("s.toml", STUDY))
    evening("study", "restore", "s", code=2)
    assert "there is a study 's' again" in evening.err
    evening("study", "delete", "s", "--yes", "--out", str(out), code=2)
    assert "s.json exists" in evening.err
    evening("study", "delete", "s", "--yes", "--out", str(tmp_path / "t.json"))
    evening("study", "restore", "s")
    evening("study", "delete", "s", "--yes", "--out", str(tmp_path / "u.json"))
    with evening.store() as store:
        assert [(one.name, one.trials) for one in store.deleted_studies()] == [("s", 0), ("s", 3)]
        aside = store.log(study="s")[0]
        assert aside.kind == "study-made"
    with evening.store() as store:  # the older one comes back once the newer is taken away for good
        import sqlalchemy as sa

        from benchd.store import schema

        with store._database.write() as connection:
            newest = sa.select(schema.study.c.name).order_by(schema.study.c.name.desc()).limit(1).scalar_subquery()
            connection.execute(sa.delete(schema.study).where(schema.study.c.name == newest))
        store.restore_study("s", ME)
        assert weighed(store) == before


def test_notes_and_labels(evening: Commands) -> None:
    """They replace those before, are shown, and what is no label is refused."""
    evening("boots", "note", "b1", "fan\nloud")
    evening("boots", "label", "b1", "cold", "first  run", "cold")
    shown = evening("show", "b1")
    assert "note: fan" in shown and "note: loud" in shown and "labels: cold, first run" in shown
    assert evening.json("boots")[0]["labels"] == ["cold", "first run"]
    evening("boots", "label", "b1", "a,b", code=2)
    evening("boots", "label", "b1")
    evening("boots", "note", "b1", "")
    assert "note" not in evening.json("show", "b1") and "labels" not in evening.json("show", "b1")
    assert "boot b1, labels: cold, first run -> none" in evening("trial", "log", "--boot", "b1")


def test_lists_stand_in_the_order_that_they_claim(evening: Commands) -> None:
    """Trials of two studies by turns, oldest first; boots that do not match are not 'none stored'."""
    evening("study", "new", "z", "--from", evening.file("z.toml", STUDY))
    for name in ("z", "s", "z"):
        evening("trial", "start", "--end-running", "--study", name)
    assert [one["id"] for one in evening.json("trial", "list")] == [f"T{n}" for n in range(1, 7)]
    assert evening("boots", "--outcome", "looped") == "No boot matches.\n"


@pytest.mark.parametrize(
    ("began", "now", "told"),
    [
        ("2026-03-01T21:00:00+01:00", "2026-03-02T09:00:00+01:00", "runs since yesterday, 2026-03-01 21:00"),
        ("2026-02-27T21:00:00+01:00", "2026-03-02T09:00:00+01:00", "runs since 3 days ago"),
        ("2026-03-01T23:30:00+01:00", "2026-03-02T00:30:00+01:00", None),
        ("2026-03-01T01:00:00+01:00", "2026-03-01T23:00:00+01:00", None),
    ],
)
def test_a_trial_of_yesterday_is_told(began: str, now: str, told: str | None) -> None:
    """Of an earlier day and six hours old; an evening past midnight is none, nor is a long day."""
    trial = Trial(id="T1", study="s", machine="m", started=began)
    said = forgotten(trial, datetime.fromisoformat(now))
    assert said is None if told is None else told in str(said) and "`benchd trial end T1` ends it" in str(said)
    assert forgotten(trial.model_copy(update={"ended": began}), datetime.fromisoformat(now)) is None


def test_every_kind_of_change_has_words(evening: Commands) -> None:
    """No entry shows a name of the code where a sentence should stand."""
    evening("trial", "note", "hm")
    evening("trial", "end")
    evening("study", "edit", "s", "--from", evening.file("n.toml", 'question = "really?"\n'))
    with evening.store() as store:
        said = [log_words(one) for one in store.log(study="s")]
    assert "study s made" in said and "study s edited" in said and "trial T3 ended" in said
    assert "trial T3 noted: hm" in said and any(text.startswith("trial T1 started: rom-base=C800") for text in said)


# ------------------------------------------------------------ any sequence of actions, undone, is as if it never was

Undo = Callable[[], object]


def act(store: Store, random: Random) -> Undo | None:
    """Do one thing that a person may do; return what undoes it, None where it cannot be done now."""
    name = random.choice(["b1", "b2", "b3", "b4", "b5"])
    trial = random.choice(["T1", "T2", "T3", "T4"])
    number = random.randint(1, 4)
    what = random.randrange(7)
    if not store.studies():
        store.restore_study("s", ME)
        return lambda: store.delete_study("s", ME)
    try:
        if what == 0:
            was = store.boot(name).trial
            store.move_boot(name, random.choice([trial, None]), ME)
            return lambda: store.move_boot(name, was, ME)
        if what == 1:
            reason = store.boot(name).left_out
            store.leave_out(name, f"r{number}", ME)
            return lambda: store.leave_out(name, reason, ME) if reason else store.count_boot(name, ME)
        if what == 2:
            store.take_back(number, ME)
            return lambda: store.put_back(number, ME)
        if what == 3:
            store.delete_trial(trial, ME)
            return lambda: store.restore_trial(trial, ME)
        if what == 4:
            store.delete_study("s", ME)
            return lambda: store.restore_study("s", ME)
        if what == 5:
            called = store.trial(trial).name
            store.name_trial(trial, "x", ME)
            return lambda: store.name_trial(trial, called, ME)
        added = store.add_result(Result(trial=trial, boot=name, check="goal", passed=bool(number % 2), entered=AT), ME)
        return lambda: store.take_back(int(added.id or 0), ME)
    except UsageError:
        return None


def rebuilt(store: Store, boots: list[Boot]) -> None:
    """What a rebuild, a recovery or a running daemon does: boots as the captures tell them."""
    for one in boots:
        store.save_boot(one)


@pytest.mark.parametrize("seed", [0, 1, *(pytest.param(n, marks=pytest.mark.long) for n in range(2, 30))])
def test_any_actions_undone_leave_what_is_weighed_as_it_was(evening: Commands, seed: int) -> None:
    """Random actions with rebuilds in between, undone in reverse; also each state stands through a rebuild."""
    random = Random(seed)
    told = [boot(f"b{n + 1}", t, ok=n % 2 == 0, minute=n) for n, t in enumerate(("T1", "T1", "T2", "T2", None))]
    with evening.store() as store:
        evening("trial", "start", "--end-running", "--study", "s")
        rebuilt(store, told)
        store.add_results([Result(trial="T1", boot="b2", check="goal", passed=False, entered=AT)] * 2)
        before = weighed(store)
        undos: list[Undo] = []
        different = 0
        for _ in range(14):
            undo = act(store, random)
            if undo is None:
                continue
            undos.append(undo)
            if store.studies():
                now = weighed(store)
                different += now != before
                rebuilt(store, told)
                assert weighed(store) == now, "a rebuild must not undo what a person did"
        assert different and len(undos) > 5
        for undo in reversed(undos):
            undo()
        assert weighed(store) == before
        numbers = [one.number for one in store.log()]
        assert numbers == sorted(set(numbers)) and len(numbers) >= 2 * len(undos)


def test_times_of_the_log_have_a_zone(evening: Commands) -> None:
    with evening.store() as store:
        assert all(datetime.fromisoformat(one.at).tzinfo is not None for one in store.log())
        assert all(datetime.fromisoformat(one.at) < datetime.now(UTC) + timedelta(1) for one in store.log())


def test_the_log_names_the_trial_that_a_boot_left_although_it_is_deleted(evening: Commands, tmp_path: Path) -> None:
    """Moved while its study was deleted: the log has where it was, so that it can be put back after all."""
    evening("study", "delete", "s", "--yes", "--out", str(tmp_path / "s.json"))
    evening("study", "new", "t", "--from", evening.file("t.toml", STUDY))
    evening("trial", "start", "--study", "t")
    evening("boots", "move", "b1", "T4")
    assert "boot b1 moved: trial T1 -> T4" in evening("trial", "log", "--boot", "b1")
    evening("study", "restore", "s")
    evening("boots", "move", "b1", "T1")
    assert [name for name, _ in verdicts(evening, "T1")] == ["b1", "b2", "b3"]


def test_the_readme_puts_things_right(benchd: Commands, monkeypatch: pytest.MonkeyPatch) -> None:
    """What its section shows is typed as it stands, on an evening with these trials: each line does its work."""
    text = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    monkeypatch.chdir(benchd.folder)  # where a deleted study is written to
    section = re.search(r"^### Putting things right\n(.*?)^More in", text, re.M | re.S)
    assert section
    lines = [shlex.split(line, comments=True)[1:] for line in re.findall(r"^ {4}(benchd .*)$", section[1], re.M)]
    assert len(lines) == 10
    benchd("study", "new", "storage-rom", "--from", benchd.file("s.toml", STUDY))
    for change in ((), ("rom-base=D000",), ("network-card=in",), ("rom-base=C800",)):
        benchd("trial", "start", "--study", "storage-rom", "--end-running", *change)
    with benchd.store() as store:
        store.save_boot(boot("b1", "T2"))
    for words in lines:
        if words[:2] == ["trial", "result"] and "--new" in words:
            benchd(*words, "--boot", "b1")
            number = re.search(r"result (\d+)", benchd("trial", "log", "--study", "storage-rom"))
            assert number, benchd.out
        else:
            asked = ("--yes",) if words[:2] == ["study", "delete"] else ()  # no terminal is there to be asked
            benchd(*[number[1] if word == "7" else word for word in words], *asked)
        if words[:2] == ["boots", "leave-out"]:
            assert "left out" in benchd("trial", "show", "T3")
    for words in (("study", "restore", "storage-rom"), ("trial", "restore", "T4")):
        benchd(*words)
    assert verdicts(benchd, "T3") == [("b1", True)]
    assert benchd.json("trial", "show", "T3")["name"] == "late image"
    assert "fan stood still" in benchd("show", "b1")
