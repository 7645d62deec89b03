"""What a person enters: refused where it cannot be, asked for where it may be a slip, and what speaks against it."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest
from studies.conftest import Commands
from studies.evening import AT, STUDY, boot
from studies.test_undo import verdicts

from benchd.cli import studystore
from benchd.store import Result
from benchd.studies.goalnow import goal_now
from benchd.studies.loaded import open_study


@pytest.mark.parametrize(
    ("goal", "message"),
    [
        ('kind = "stage-reached"\ntarget = "storge-rom"', "has no stage 'storge-rom'; is storage-rom"),
        (
            'kind = "stage-faster"\nlimit = "5s"\ntarget = "memry"',
            "has no stage 'memry'; is memory or base-memory meant?",
        ),
        ('kind = "finding-absent"\ntarget = "stal"', "has no finding 'stal'; is stall"),
        ('kind = "check-passed"\ntarget = "storage-drve"', "has no check 'storage-drve'; is storage-drive meant?"),
    ],
)
def test_a_goal_that_no_boot_can_reach_is_refused(evening: Commands, goal: str, message: str) -> None:
    """New, edited, and beside an imported table; what the machine's table has is taken."""
    text = STUDY.replace('kind = "stage-reached"\ntarget = "storage-rom"', goal)
    evening("study", "new", "t", "--from", evening.file("t.toml", text), code=2)
    assert message in evening.err
    evening("study", "edit", "s", "--from", evening.file("t.toml", text), code=2)
    assert message in evening.err
    evening("study", "import", evening.file("i.csv", "a,result\n1,ok\n"), "--name", "i", "--with",
            evening.file("j.toml", f"[goal]\n{goal}\n"), code=2)  # fmt: skip
    assert message in evening.err
    assert [one["name"] for one in evening.json("study", "list")] == ["s"]


def test_unknown_machines_are_refused(evening: Commands) -> None:
    """In a document and at `trial start`, with the nearest; one that the store has boots of is known."""
    evening("study", "new", "t", "--from", evening.file("t.toml", STUDY.replace("at286", "at268")), code=2)
    assert "no machine is called 'at268' in the settings or the store; is at286 meant?" in evening.err
    evening("trial", "start", "--machine", "at28", code=2)
    assert "is at286 meant?" in evening.err
    evening("trial", "start", "--machine", "old", "--anyway")
    with evening.store() as store:
        store.save_boot(boot("x1", None, machine="xt88"))
    evening("trial", "start", "--machine", "xt88")


def test_unknown_checks_are_refused(evening: Commands) -> None:
    """`gaol` is refused with `goal`; a new one needs a word, once; so does one in a file, and then none is entered."""
    evening("trial", "result", "gaol", "fail", code=2)
    assert "no check is called 'gaol' so far; is goal meant?; for a new one: --new" in evening.err
    evening("trial", "result", "storage-drive", "pass")  # the table has it
    evening("trial", "result", "video", "pass")  # it was entered before
    evening("trial", "result", "dma", "pass", code=2)
    table = evening.file("r.csv", "check,result\nvideo,pass\ndma,pass\n")
    evening("trial", "result", "--csv", table, code=2)
    assert "'dma'" in evening.err
    evening("trial", "result", "--csv", table, "--new")
    evening("trial", "result", "dma", "fail")


def test_without_settings_it_is_said_what_could_not_be_checked(
    evening: Commands, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A study is made, with a sentence on its machine and one on its goal."""
    evening.config.write_text('[bench]\nname = "b"\n')
    said = " ".join(evening("study", "new", "t", "--from", evening.file("t.toml", STUDY)).split())
    assert "whether 'at286' is one could not be checked" in said
    assert "Whether the goal's stage 'storage-rom' exists could not be checked" in said


def asks(monkeypatch: pytest.MonkeyPatch, *answers: bool) -> list[str]:
    """Somebody sits there and answers; the questions."""
    heard: list[str] = []
    left = list(answers)

    def asked(question: str, default: bool = True) -> bool | None:
        heard.append(question)
        return left.pop(0)

    monkeypatch.setattr(studystore, "asked", asked)
    return heard


def test_starting_while_one_runs_asks(evening: Commands, monkeypatch: pytest.MonkeyPatch) -> None:
    """A script is refused; a person is asked; no begins nothing, yes ends the one and begins the other."""
    evening("trial", "start", code=2)
    assert "trial T3 of study s runs on at286" in evening.err and "--end-running ends it" in evening.err
    heard = asks(monkeypatch, False, True)
    for slip, told in (("slto=5", "no factor 'slto'"), ("rom-base=D00", "no level 'D00'"), ("slto=@a.bin", "'slto'")):
        evening("trial", "start", slip, code=2)
        assert told in evening.err and heard == []
    evening("trial", "start", code=2)
    assert "trial T3 goes on; nothing was begun" in evening.err
    assert evening.json("trial", "current")["at286"]["id"] == "T3"
    evening("trial", "start")
    assert evening.json("trial", "current")["at286"]["id"] == "T4"
    assert (
        len(heard) == 2 and "Trial T3 of study s runs on at286" in heard[0] and heard[0].endswith("begin the new one?")
    )


@pytest.mark.parametrize(("options", "answers", "mine"), [
    (("--take-boot",), (), True), (("--leave-boot",), (), False), ((), (), False), ((), (True,), True),
    ((), (False,), False),
])  # fmt: skip
def test_a_boot_that_began_just_before_is_asked_for(
    evening: Commands, monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...], answers: tuple[bool, ...], mine: bool
) -> None:
    """Up to 60 s before: by option, by answer, or by default left with the way to move it."""
    now = datetime.now().astimezone()
    old = boot("old", "T3", minute=30).model_copy(update={"started": (now - timedelta(seconds=200)).isoformat()})
    with evening.store() as store:
        store.save_boot(old)
    assert "began" not in evening("trial", "start", "--end-running"), "200 s before is another boot"
    with evening.store() as store:
        began = datetime.now().astimezone() - timedelta(seconds=5)
        store.save_boot(boot("new", "T3", minute=31).model_copy(update={"started": began.isoformat()}))
    heard = asks(monkeypatch, *answers) if answers else []
    said = evening("trial", "start", "--end-running", *options)
    with evening.store() as store:
        assert store.boot("new").trial == ("T5" if mine else "T3") and store.boot("old").trial == "T3"
    assert not answers or (heard[0].startswith("A boot began ") and heard[0].endswith("is it this trial's?"))
    assert ("Boot new is this trial's." in said) == mine
    assert mine or "benchd boots move new T5" in said


def test_a_result_over_an_earlier_one_says_so(evening: Commands) -> None:
    """`last` is a boot here as everywhere; the number to take back stands beside what was entered before."""
    assert "Entered for the same" not in evening("trial", "result", "goal", "pass", "--boot", "last")
    said = evening("trial", "result", "goal", "fail", "--boot", "last")
    assert "4: goal FAILED" in said and "before: 3 (goal passed" in said and "--take-back 3" in said


def test_words_that_lead_on(evening: Commands, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each refusal names what can be typed next, in that command."""
    evening("trial", "end")
    evening("trial", "end", code=2)
    assert "name one, such as T3" in evening.err and "--trial" not in evening.err
    evening("trial", "start", "rom-base", "=", "D000", code=2)
    assert "without blanks" in evening.err
    for name in ("EDITOR", "VISUAL"):
        monkeypatch.delenv(name, raising=False)
    evening("study", "new", "other", code=2)
    assert "benchd study new other --from FILE" in evening.err


def test_a_pass_of_a_boot_that_did_not_get_there_is_warned_of_and_counts(evening: Commands) -> None:
    """In words and as JSON, with the way back; what the boot did show is not warned of."""
    with evening.store() as store:
        short = boot("b9", "T3", ok=False, minute=30)
        store.save_boot(short.model_copy(update={"outcome": "cut-short", "last_stage": "memory"}))
        goal = open_study(store, "s").study.goal
    said = " ".join(evening("trial", "result", "goal", "pass", "--boot", "b9").split())
    number = said.split(":")[0]
    assert f"WARNING: The boot was cut short in memory and had not got to {goal.target}." in said
    assert f"The result counts all the same. To undo it: benchd trial result --take-back {number}" in said
    assert ("b9", True) in verdicts(evening, "T3")
    (told,) = evening.json("trial", "result", "goal", "pass", "--boot", "b9")
    assert told["warning"].startswith("The boot was cut short")
    assert "WARNING" not in evening("trial", "result", "goal", "fail", "--boot", "b9")
    assert evening.json("trial", "result", "goal", "pass", "--boot", "b1")[0]["warning"] is None


def test_what_stands_now_says_who_said_so(evening: Commands) -> None:
    """The verdict across the room is no "reached" where only a person said so."""
    with evening.store() as store:
        store.save_boot(boot("b9", "T3", ok=False, minute=30).model_copy(update={"outcome": "cut-short"}))
        store.add_result(Result(trial="T3", boot="b9", check="goal", passed=True, note="seen", entered=AT))
        now = goal_now(store, store.trial("T3"), store.boot("b9"))
        assert (now.ok, now.entered) == (True, "passed, entered by hand")
        assert now.why.startswith("seen; the boot was cut short")
        seen = goal_now(store, store.trial("T1"), store.boot("b1"))
        assert (seen.ok, seen.entered) == (True, None)
