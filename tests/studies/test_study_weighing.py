"""`why` and `next` from the store: the worked example, the JSON contract against its schema, plain words first."""

from __future__ import annotations

import re
from typing import Any

import jsonschema
import pytest
from pydantic import TypeAdapter
from studies.conftest import Commands

from benchd.studies.responses import FORMS, ProposalForm

HEAD = "rom-base,rom-image,network-card,result\n"
# A worked example of our own: it fails where D000 meets `in`, whatever the image.
WORKED = (
    HEAD
    + """\
D000,early,in,fail
D000,late,in,fail
C800,late,in,ok
C800,late,in,ok
D000,late,out,ok
D000,late,out,ok
D000,early,in,fail
C800,early,out,ok
D000,early,out,ok
C800,early,in,ok
D000,late,in,fail
D000,late,out,ok
D000,early,in,fail
C800,early,in,ok
"""
)


def schema_of(name: str) -> dict[str, Any]:
    return FORMS[name].model_json_schema(mode="serialization", by_alias=True)


@pytest.fixture
def worked(benchd: Commands) -> Commands:
    benchd("study", "import", benchd.file("w.csv", WORKED), "--name", "w")
    return benchd


def test_the_worked_example(worked: Commands) -> None:
    """The conflict leads with over 90 %, in falling order, and the group is named by the contract's keys."""
    found = worked.json("why", "w")
    lead = found["causes"][0]
    assert {(c["factor"], c["relation"], c["level"]) for c in lead["conditions"]} == {
        ("rom-base", "is", "D000"),
        ("network-card", "is", "in"),
    }
    assert lead["class"] == "conflict of parts" and lead["probability"] > 0.9
    values = [cause["probability"] for cause in found["causes"]]
    assert values == sorted(values, reverse=True) and 0.99 < sum(g["probability"] for g in found["groups"]) <= 1.0001
    assert found["boots"] == 14 and found["failures"] == 5 and found["separated"] is True
    assert "a conflict of two parts. It fails when " in found["verdict"] and "D000" in found["verdict"]
    assert {"conditions", "probability", "class", "group"} <= lead.keys()


def test_json_is_as_published(worked: Commands) -> None:
    """What is printed agrees with `benchd schema` (judged by the jsonschema library)."""
    jsonschema.validate(worked.json("why", "w"), schema_of("why"))
    ranked = worked.json("next", "w")
    jsonschema.validate(ranked, TypeAdapter(list[ProposalForm]).json_schema(by_alias=True))
    assert {"setup", "changes", "minutes", "gain_bits", "caution"} <= ranked[0].keys()
    assert set(ranked[0]["setup"]) == {"rom-base", "rom-image", "network-card"}
    for trial in worked.json("trial", "list"):
        jsonschema.validate(trial, schema_of("trial"))


REST = "card,boot-device,reseated,result\n"
FAILS, WORKS = "grey,disk,,fail\n" * 3, "green,disk,,ok\n" * 2


def test_a_bad_contact_is_told_and_no_part_is_to_be_ordered(benchd: Commands) -> None:
    """Swapped cards seem to tell, until the same card, only taken out and put back, fails too."""
    benchd("study", "import", benchd.file("a.csv", REST + FAILS + WORKS), "--name", "a")
    before = benchd.json("why", "a")
    assert before["causes"][0]["class"] == "bad card" and before["settled"] is before["confirmed"] is False
    assert [one["kind"] for one in before["doubts"]] == ["contact"] and before["ordering"]["premature"] is True
    assert "power off and unplug, take the cards and cables out" in " ".join(benchd("why", "a").split())
    reseat = next(one for one in benchd.json("next", "a") if one["reseat"])
    assert "unplug" in reseat["caution"] and reseat["changes"] == [] and "reseat" in benchd("next", "a")
    more = "green,disk,yes,fail\ngreen,disk,,fail\ngrey,disk,,ok\ngrey,disk,,ok\ngrey,disk,yes,ok\ngrey,disk,yes,fail\n"
    benchd("study", "import", benchd.file("b.csv", REST + FAILS + WORKS + more), "--name", "b")
    after = benchd.json("why", "b")
    assert after["order"]["kind"] == "contact" and after["order"]["probability"] > 0.9
    assert after["settled"] is False and after["ordering"]["premature"] is True
    assert after["causes"][0]["special"] == "contact" and after["causes"][0]["conditions"] == []
    out = " ".join(benchd("why", "b").split())
    assert "No setting is the cause, as far as the results tell." in out and "A contact is good or bad anew" in out


def test_a_card_that_fails_again_and_works_again_is_settled(benchd: Commands) -> None:
    """Reseated without effect, failing and cured twice: settled, and said with the trials that showed it."""
    rows = FAILS + WORKS + FAILS + WORKS + "green,disk,yes,ok\n" + "grey,disk,yes,fail\ngrey,rom,,fail\ngreen,rom,,ok\n"
    rows += "grey,disk,yes,fail\ngreen,disk,yes,ok\ngrey,rom,,fail\ngreen,rom,,ok\n"
    benchd("study", "import", benchd.file("s.csv", REST + rows), "--name", "s")
    found = benchd.json("why", "s")
    assert found["settled"] is found["confirmed"] is found["fit"]["ok"] is True
    assert found["conclusion"].startswith("The cause is settled: it fails when card is grey. It failed (T1), worked")
    assert found["unlisted"] < 0.05 and benchd("why", "s").splitlines()[1].startswith("The cause is settled: ")
    assert "What to try next" not in benchd.out


def test_two_jumpers_at_one_base_are_said_to_be_equal(benchd: Commands) -> None:
    """The commonest conflict of the bus: neither base is bad, only that both cards have it."""
    pairs = [("C800", "C800"), ("D000", "C800"), ("D000", "D000"), ("C800", "D000"), ("D800", "D800"), ("D800", "C800")]
    rows = [f"{a},{b},{'fail' if a == b else 'ok'}\n" for a, b in (*pairs, ("D000", "D800"), *pairs, ("C800", "D800"))]
    table = "storage-base,network-base,result\n" + "".join(rows)
    benchd("study", "import", benchd.file("e.csv", table), "--name", "e")
    (condition,) = benchd.json("why", "e")["causes"][0]["conditions"]
    assert (condition["relation"], condition["other"]) == ("equals", "network-base") and condition["level"] == ""
    assert "storage-base equals network-base" in benchd("why", "e").splitlines()[0]


def test_the_verdict_comes_first_and_a_rival_keeps_parts_from_being_ordered(benchd: Commands) -> None:
    """Two failures of one setup separate nothing: the first line says so, and ordering is premature."""
    table = "storage-card,rom-base,result\nfirst,D000,fail\nfirst,D000,fail\nsecond,C800,ok\n"
    benchd("study", "import", benchd.file("c.csv", table), "--name", "c")
    out = benchd("why", "c")
    assert out.splitlines()[0].startswith("The trials so far cannot separate")
    assert "Don't order a storage-card yet, that is premature: " in out and "The trials cannot separate these" in out
    assert "benchd next c" in out
    assert benchd.json("why", "c")["ordering"]["premature"] is True


def test_next_says_what_to_do_step_by_step(benchd: Commands) -> None:
    """Steps, the command to start the trial, what either result would tell, the caution where hardware moves."""
    table = "rom-base,boot-device,result\nD000,floppy,fail\n"
    toml = '[[factor]]\nname = "rom-base"\nlevels = ["C800"]\n[[factor]]\nname = "boot-device"\nlevels = ["adapter"]\n'
    benchd.file("c.toml", toml)
    benchd("study", "import", benchd.file("c.csv", table), "--name", "c")
    out = benchd("next", "c")
    assert out.startswith("Go on until one explanation holds 95 %")
    assert "1. " in out and "Boot once; benchd records it." in out and "benchd trial start --study c " in out
    told = " ".join(out.split())
    for result in ("works", "fails"):
        assert re.search(rf"If it {result} \(\d+ %\), the likeliest cause is then: (?!it fails)[^%]*\.", told), told
    for one in benchd.json("next", "c"):
        moves = one["reseat"] or any(change["hardware"] for change in one["changes"])
        assert (one["caution"] is not None) == moves
        assert one["minutes"] >= sum(change["minutes"] for change in one["changes"])


def test_next_leaves_excluded_setups_out(benchd: Commands) -> None:
    """Cost and exclusion from the document reach the ranking."""
    table = "rom-base,network-card,result\nD000,in,fail\nC800,out,ok\n"
    benchd.file(
        "c.toml", '[cost]\nnetwork-card = 55\n[[exclude]]\nrom-base = "D000"\nnetwork-card = "out"\nreason = "r"\n'
    )
    benchd("study", "import", benchd.file("c.csv", table), "--name", "c")
    ranked = benchd.json("next", "c", "--limit", "10")
    assert {"rom-base": "D000", "network-card": "out"} not in [one["setup"] for one in ranked]
    minutes = {c["factor"]: c["minutes"] for one in ranked for c in one["changes"]}
    assert minutes["network-card"] == 55


def test_checks_are_weighed_and_compared(benchd: Commands) -> None:
    """A check that fails everywhere, the known-good setup too, is called misleading; --check weighs one check."""
    benchd("study", "new", "s", "--from", benchd.file("s.toml", """
[goal]
kind = "check-passed"
target = "video-memory"
[[factor]]
name = "video-card"
kind = "card"
levels = ["known", "doubtful"]
[[factor]]
name = "machine"
levels = ["at286", "xt"]
[reference]
video-card = "known"
machine = "at286"
"""))  # fmt: skip
    for setup in (["video-card=known"], ["video-card=doubtful"], ["machine=xt"]):
        benchd("trial", "start", "--end-running", "--study", "s", "--machine", "bench", "--anyway", *setup)
        benchd("trial", "result", "--new", "palette", "fail")
        benchd("trial", "result", "--new", "video-memory", "fail" if "known" not in setup[0] else "pass")
    out = " ".join(benchd("why", "s").split())
    assert "Check palette fails everywhere, in the known-good setup too" in out and "the test may mislead" in out
    found = benchd.json("why", "s")
    assert {c["check"]: c["pattern"] for c in found["checks"]} == {
        "palette": "fails everywhere",
        "video-memory": "fails with the card in any machine",
    }
    jsonschema.validate(found, schema_of("why"))
    assert found["failures"] == 2
    palette = benchd.json("why", "s", "--check", "palette")
    assert palette["failures"] == 3
    benchd("why", "s", "--check", "sound", code=2)
    assert "no trial has a check 'sound'; there are palette, video-memory" in benchd.err


def test_nothing_tried_and_nothing_failed(benchd: Commands) -> None:
    """A study without trials, and one without failures, are answered plainly."""
    benchd("study", "new", "s", "--from", benchd.file("s.toml", '[[factor]]\nname = "slot"\nlevels = [3, 5]\n'))
    assert benchd("why", "s").startswith("No boots yet: nothing to weigh.")
    assert benchd("next", "s").startswith("Go on") and "Boot it as it stands." in benchd.out
    benchd("study", "import", benchd.file("c.csv", "slot,result\n3,ok\n5,ok\n"), "--name", "ok")
    assert benchd("why", "ok").startswith("None of 2 boots failed")


def test_unknown_studies_and_an_empty_bench(benchd: Commands) -> None:
    """Exit code 2, with what there is; before any study the store itself is missing."""
    benchd("why", "nowhere", code=2)
    assert "nothing is stored yet" in benchd.err
    benchd("study", "import", benchd.file("c.csv", "slot,result\n3,ok\n"), "--name", "c")
    for words in (["why", "x"], ["next", "x"], ["report", "x"], ["study", "show", "x"], ["study", "export", "x"]):
        benchd(*words, code=2)
        assert "there is no study 'x'; there are c" in benchd.err


def test_hostile_names_reach_no_terminal(benchd: Commands) -> None:
    """Escapes, bidi and line ends in factors, levels and names are shown, never sent."""
    table = 'a\x1b[2J,result\n"x\u202ey",ok\n"z\nw",fail\n'
    benchd("study", "import", benchd.file("h.csv", table), "--name", "n\x07")
    for words in (
        ["study", "list"],
        ["study", "show", "n\x07"],
        ["why", "n\x07"],
        ["next", "n\x07"],
        ["trial", "list"],
    ):
        out = benchd(*words)
        assert not set("\x1b\x07\u202e") & set(out), words
        assert "\\x1b[2J" in out or words[1] == "list"


def test_no_settings_file_is_needed_for_a_table(
    tmp_path: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Weighing a table in a folder without settings puts the study into data/benchd.db there, and says so."""
    from studies.conftest import COMMAND

    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BENCHD_CONFIG", raising=False)
    (tmp_path / "w.csv").write_text(WORKED)
    COMMAND.main(["study", "import", "w.csv", "--name", "w", "--goal-column", "result"], standalone_mode=False)
    assert "data/benchd.db" in capsys.readouterr().err and (tmp_path / "data/benchd.db").is_file()
    COMMAND.main(["why", "w"], standalone_mode=False)
    assert "a conflict of two parts" in capsys.readouterr().out
