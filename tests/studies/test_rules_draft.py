"""`rules draft`: captures of good boots become a table that checks, and that tells the same boots apart again."""

from __future__ import annotations

import json
import re
import statistics
import tomllib
from pathlib import Path

import pytest
from live.by_capture import NS, codes, write
from studies.simulated import VirtualBench
from support.reports import World, as_sent

from benchd.demo import at286
from benchd.errors import BenchError
from benchd.rules.table import check_text
from benchd.store import Store
from benchd.studies.drafting import draft_table, read_record
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation
from benchd.watch.replay import Replay

from studies.conftest import COMMAND  # isort: skip


@pytest.fixture
def captured(tmp_path: Path) -> tuple[str, list[Boot]]:
    """Six good boots and one that skipped and one that hung, in one capture."""
    with Store.open(tmp_path / "b.db") as store:
        bench = VirtualBench(store, tmp_path / "captures")
        setup = {**at286.START, "network-card": "none"}
        good = [bench.boot(setup, "ready") for _ in range(6)]
        bench.boot(setup, "stuck")
        bench.close()
    return str(next((tmp_path / "captures").rglob("*.pcapng"))), good


def draft(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    capsys.readouterr()
    COMMAND.main(["rules", "draft", *words], standalone_mode=False)
    return capsys.readouterr().out


def test_a_draft_checks_and_has_the_scripts_codes(
    captured: tuple[str, list[Boot]], capsys: pytest.CaptureFixture[str]
) -> None:
    """The ladder is the order of codes in the machine's script, and its lines; boots that hung are left out."""
    from benchd.demo.steps import Post

    path, _ = captured
    text = draft(capsys, path, "--name", "mine")
    table, _ = check_text(text, "mine.toml")
    codes = [str(when.code) for stage in table.stage for when in stage.enter if when.code is not None]
    script = at286.boot_script({**at286.START, "network-card": "none"}, "ready")
    assert codes == [f"{step.code:02X}" for step in script if isinstance(step, Post)]
    assert table.name == "mine" and table.stage[-1].final and [str(w.code) for w in table.boot.starts] == ["01"]
    assert "1 boot that did not get as far as most left out" in text
    assert "storage-rom-ready-drive" in [stage.name for stage in table.stage]


def test_long_steps_are_proposed_as_stall_points(
    captured: tuple[str, list[Boot]], capsys: pytest.CaptureFixture[str]
) -> None:
    """As comments; with the marks taken off the table checks, and silence there is that stall point."""
    path, _ = captured
    text = draft(capsys, path)
    assert not check_text(text, "x")[0].stall and "# [[stall]]" in text
    filled = re.sub(r"^# (\[\[stall\]\]|name|in|quiet|means|try|caution)", r"\1", text, flags=re.MULTILINE)
    table, lints = check_text(filled, "x")
    assert len(table.stall) >= 3 and not lints
    slowest = max(table.stage, key=lambda stage: stage.usual or 0)
    assert slowest.name in [stall.in_ for stall in table.stall]


def test_usual_times_are_those_of_the_boots(
    captured: tuple[str, list[Boot]], capsys: pytest.CaptureFixture[str]
) -> None:
    """`usual` of a rung is the median over boots, to the digits printed; limits are generous."""
    path, good = captured
    data = tomllib.loads(draft(capsys, path, "--no-lines"))
    stage = next(s for s in data["stage"] if s["enter"][0]["code"] == "2C")
    took = []
    for boot in good:
        times = {s.name: s.t for s in boot.stages}
        took.append(times["setup"] - times["drives"])
    assert float(stage["usual"].removesuffix("s")) == pytest.approx(statistics.median(took), rel=0.02)
    assert float(stage["limit"].removesuffix("s")) >= 3 * max(took) * 0.99


def test_the_drafted_table_judges_the_same_boots(
    captured: tuple[str, list[Boot]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Replayed with the draft, the good boots finish and the hung one does not."""
    path, good = captured
    out = tmp_path / "mine.toml"
    draft(capsys, path, "--name", "mine", "--out", str(out))
    boots = Replay([Path(path)], str(out)).boots()
    assert [boot.outcome for boot in boots[:6]] == ["finished"] * 6 and boots[6].outcome != "finished"
    assert [boot.started for boot in boots[:6]] == [boot.started for boot in good]
    with pytest.raises(BenchError, match="exists"):
        draft(capsys, path, "--out", str(out))


def test_lines_can_be_stages(captured: tuple[str, list[Boot]], capsys: pytest.CaptureFixture[str]) -> None:
    """Console lines stand on the ladder as patterns, not anchored, with any numbers; --no-lines leaves them out."""
    path, _ = captured
    assert "text =" not in draft(capsys, path, "--no-lines")
    found = json.loads(draft(capsys, path, "--json"))
    check_text(found["toml"], "x")
    values = [stage["value"] for stage in found["stages"] if stage["kind"] == "line"]
    assert "Storage rom ready, # drive" in values and found["boots"] == 6
    data = tomllib.loads(found["toml"])
    texts = [when["text"] for stage in data["stage"] for when in stage["enter"] if "text" in when]
    assert any(text.startswith("Storage\\s+rom\\s+ready,\\s+[0-9]+") for text in texts)
    assert found["notes"][-1] == "6 of 6 boots run through it without a finding"


def test_too_few_boots_and_no_capture(tmp_path: Path) -> None:
    """One boot is no consensus; a missing file is named."""
    with Store.open(tmp_path / "b.db") as store:
        bench = VirtualBench(store, tmp_path / "captures")
        bench.boot(at286.START, "ready")
        bench.close()
    path = str(next((tmp_path / "captures").rglob("*.pcapng")))
    with pytest.raises(BenchError, match="a draft needs from 2"):
        COMMAND.main(["rules", "draft", path], standalone_mode=False)
    with pytest.raises(BenchError, match="nowhere"):
        COMMAND.main(["rules", "draft", "nowhere.pcapng"], standalone_mode=False)


def test_boots_that_follow_each_other_within_a_second_are_not_taken_for_one(tmp_path: Path) -> None:
    """A machine that is soon up and reset at once: each boot of the draft is held against its own judgement."""
    quick = ((0.0, 0x01), (0.02, 0x05), (0.05, 0x20), (0.08, 0x40))
    starts = (10.0, 10.9, 11.7, 12.6)
    silence = Annotation(60 * NS, "end", "stopped")
    capture = write(tmp_path / "a.pcapng", [*(record for start in starts for record in codes(start, quick)), silence])
    drafted = draft_table(read_record([capture]), [capture], "quick")
    assert (drafted.boots, drafted.through) == (4, 4)


def test_lines_of_a_report_are_no_stages(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Four good boots with a report at the end: the same draft, and the same record, as without it."""
    drafts, records = [], []
    for name, sent in (("plain", b""), ("told", as_sent(World().report()))):
        with Store.open(tmp_path / f"{name}.db") as store:
            bench = VirtualBench(store, tmp_path / name)
            for _ in range(4):
                bench.boot({**at286.START, "network-card": "none"}, "ready", at_end=sent)
            bench.close()
        path = next((tmp_path / name).rglob("*.pcapng"))
        records.append([[event.token() for event in boot.events] for boot in read_record([path]).boots])
        text = draft(capsys, str(path), "--name", "mine")
        drafts.append([stage.name for stage in check_text(text, "mine.toml")[0].stage])
        drafted = draft_table(read_record([path]), [path], "mine")
        assert (drafted.through, drafted.boots) == (4, 4), name
    assert drafts[0] == drafts[1] and records[0] == records[1]
