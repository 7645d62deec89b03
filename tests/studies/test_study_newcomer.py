"""What a newcomer tripped over: counts per setup, plurals, untouched templates, texts that overprint each other."""

from __future__ import annotations

import re

import pytest
from studies.conftest import Commands

from benchd.drawing.charts import draw_times
from benchd.inference.bootlog import BootGroup, BootLog, Event, StageMark
from benchd.inference.compare import compare
from benchd.inference.study import Goal
from benchd.inference.wording import folded
from benchd.store import Result
from benchd.studies.goal import judge
from benchd.studies.loaded import gather, open_study
from benchd.studies.pictures import draw_ladders
from benchd.studies.report import report_values
from benchd.vocabulary.models import Boot, Stage

NOW = "2026-03-01T20:00:00+01:00"
DOCUMENT = """\
[goal]
kind = "check-passed"
target = "sound-test"
[[factor]]
name = "rom-base"
kind = "jumper"
levels = ["C800", "D000"]
"""


def study(benchd: Commands) -> None:
    benchd("study", "new", "s", "--from", benchd.file("s.toml", DOCUMENT))


def test_boots_are_counted_per_setup(benchd: Commands) -> None:
    """Two trials of one setup are a repeat, though each has one boot; two setups of one boot each are not."""
    study(benchd)
    benchd("trial", "start", "--end-running", "--study", "s", "--machine", "at286")
    benchd("trial", "result", "sound-test", "fail")
    assert "booted once only" in benchd("why", "s")
    benchd("trial", "start", "--end-running", "rom-base=D000")
    benchd("trial", "result", "sound-test", "pass")
    assert "booted once only" in benchd("why", "s")
    benchd("trial", "start", "--end-running", "rom-base=C800")
    benchd("trial", "result", "sound-test", "fail")
    assert "booted once only" not in benchd("why", "s")


def test_a_check_entered_while_the_boot_runs_is_counted() -> None:
    """A goal of a check takes what was entered by hand at once; another check says nothing of that goal."""
    running = Boot(id="b1", machine="m", started=NOW, outcome="running")
    entered = Result(id=1, trial="T1", boot="b1", check="sound-test", passed=False, entered=NOW)
    assert judge(Goal("check-passed", "sound-test"), running, [entered]).ok is False
    assert judge(Goal("check-passed", "video"), running, [entered]).ok is None
    assert judge(Goal("stage-reached", "rom"), running, [entered]).ok is None


def test_remarks_and_checks_of_one_report_agree(benchd: Commands) -> None:
    """Where the goal has no result but a check has, a factor that was changed is not called never changed."""
    text = DOCUMENT.replace('kind = "check-passed"\ntarget = "sound-test"', 'kind = "result-ok"')
    benchd("study", "new", "s", "--from", benchd.file("s.toml", text))
    benchd("trial", "start", "--end-running", "--study", "s", "--machine", "at286")
    benchd("trial", "result", "--new", "sound-test", "fail")
    benchd("trial", "start", "--end-running", "rom-base=D000")
    benchd("trial", "result", "sound-test", "pass")
    with benchd.store() as store:
        values = report_values(store, "s", NOW)
    assert any("sound-test" in text for text in values["checks"])
    assert not any("Never changed" in text for text in values["remarks"])


def test_one_is_not_many(benchd: Commands) -> None:
    """No `1 boots`, `1 trials`, `1 factors`."""
    study(benchd)
    said = benchd.out
    benchd("trial", "start", "--end-running", "--study", "s", "--machine", "at286")
    with benchd.store() as store:
        trial = store.trials(study="s")[0].id
        for number in (1, 2):
            boot = Boot(id=f"b{number}", machine="at286", started=NOW, outcome="cut-short", trial=trial)
            store.save_boot(boot)
    benchd("trial", "result", "sound-test", "fail", "--boot", "b1")
    said += benchd("why", "s")
    assert "1 fail in 1 trial)" in said and "1 boot is not counted" in said
    assert re.findall(r"\b1 (?:boots|trials|factors|setups|times|less likely ones)\b", said) == []


def test_an_untouched_template_makes_no_study(benchd: Commands, monkeypatch: pytest.MonkeyPatch) -> None:
    """An editor that changes nothing: no study, exit 2, and the reason."""
    monkeypatch.delenv("VISUAL", raising=False)
    monkeypatch.setenv("EDITOR", "true")
    benchd("study", "new", "n", code=2)
    assert "nothing was changed; no study made" in benchd.err
    assert benchd.json("study", "list") == []


def test_the_reason_stands_clear_of_not_counted(benchd: Commands) -> None:
    """Beside `not counted` the reason begins where that text has ended (at most 7 px a letter of 12 px)."""
    study(benchd)
    benchd("trial", "start", "--end-running", "--study", "s", "--machine", "at286")
    with benchd.store() as store:
        known = open_study(store, "s")
        view = gather(store, known)[0]
    boot = Boot(id="b", machine="at286", started=NOW, outcome="running", stages=[Stage(name="rom", t=1.0, u=0.0)])
    verdict = judge(known.study.goal, boot)
    view = view.model_copy(update={"boots": (boot,), "verdicts": (verdict,)})
    svg = draw_ladders(known.study, [view])
    places = [float(x) for x in re.findall(r'<text[^>]* x="([0-9.]+)"[^>]*>(?:not counted|still running)<', svg)]
    assert len(places) == 2 and places[1] - places[0] >= 7 * len("not counted")


@pytest.mark.parametrize("width", [360, 940])
def test_stage_labels_of_the_chart_lie_inside(width: int) -> None:
    """A label is whole, or ends in one sign of omission; none begins left of the picture (8 px a letter)."""
    names = ("interrupt-controller", "memory", "a-stage-with-a-very-long-name-of-its-own")
    marks = tuple(StageMark(name, float(n), 1.0) for n, name in enumerate(names))
    svg = draw_times([BootGroup("a", (BootLog("b", "finished", 3.0, marks),))], dark=False, width=width)
    labels = re.findall(r'text-anchor="end"[^>]*>([^<]+)<', svg)
    assert len(labels) == 3 and "memory" in labels and "characters" not in svg
    room = min(190.0, width * 0.34)
    for label in labels:
        assert 8 * len(label) <= room, label
        assert label in names or (label.endswith("…") and any(name.startswith(label[:-1]) for name in names))
    assert width < 600 or names[0] in labels


def test_parts_that_cannot_be_ranked_are_all_named(benchd: Commands) -> None:
    """Two cards equally suspect: the sentence names both, with the weight that a new part would not touch."""
    table = "storage-card,network-card,rom-base,result\nfirst,in,D000,fail\nfirst,in,D000,fail\nsecond,out,C800,ok\n"
    benchd("study", "import", benchd.file("c.csv", table), "--name", "c")
    said = " ".join(benchd("why", "c").split())
    assert re.search(
        r"Don't order a (storage-card or a network-card|network-card or a storage-card) yet, that is premature: "
        r"\d+ % of the weight lies on causes that a new part would not cure \(order when under 10 %\)\.",
        said,
    )


def test_a_check_that_differs_is_in_the_headline(benchd: Commands) -> None:
    """One boot each: the check differs and cannot be counted on; the same result on both sides is not told."""
    study(benchd)
    for changes, video, sound in (([], "pass", "pass"), (["rom-base=D000"], "pass", "fail")):
        benchd("trial", "start", "--end-running", "--study", "s", "--machine", "at286", *changes)
        with benchd.store() as store:
            trial = store.trials(study="s")[-1].id
            store.save_boot(Boot(id=f"b-{trial}", machine="at286", started=NOW, outcome="finished", trial=trial))
        benchd("trial", "result", "--new", "sound-test", sound)
        benchd("trial", "result", "--new", "video", video)
    said = " ".join(benchd("compare", "T1", "T2").split())
    assert "; check sound-test differs, too few boots to count on it." in said and "check video" not in said


def test_a_line_is_quoted_in_the_sentence() -> None:
    """Commas of a console line are not the sentence's; codes stand as they are."""
    both = (Event("code", "40", 1.0),)
    a = BootLog("a", "finished", 3.0, (), (*both, Event("code", "48", 2.0)))
    b = BootLog("b", "finished", 3.0, (), (*both, Event("line", "Storage rom, waiting", 2.0)))
    found = compare([BootGroup("A", (a,)), BootGroup("B", (b,))])[0]
    assert 'A goes on to code 48, B goes on to the line "Storage rom, waiting"' in found.sentence


def test_a_number_and_its_percent_sign_share_a_line() -> None:
    """Wherever the line ends: none begins with `%`, none is too long, no word is lost, no name is cut at a hyphen."""
    text = "It fails when network-card is out (92 % + 5 % for the same), over 99 % at last."
    for width in range(13, 60):
        lines = folded(text, width)
        assert " ".join(lines) == text and all(len(line) <= width and line[0] != "%" for line in lines)


def test_only_what_one_buys_is_named_as_a_part(benchd: Commands) -> None:
    """A slot is as suspect as the cable, but nobody orders one."""
    table = "slot,cable,rom-base,result\n1,grey,D000,fail\n1,grey,D000,fail\n2,red,C800,ok\n"
    benchd("study", "import", benchd.file("c.csv", table), "--name", "c")
    said = " ".join(benchd("why", "c").split())
    assert "Don't order a cable yet, that is premature: " in said
