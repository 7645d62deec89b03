"""A BIOS that nobody has a table for: recorded, drafted, tried on boots it was not made from, and alarmed at a hang.

The firmware is Debian's, run in an emulator (tests/peers/strangers.py). What it said is put on a virtual clock: an
alarm needs silence of ten seconds and more. `tests/live/test_unknown_live.py` waits for one.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from peers.strangers import STRANGERS, Said
from support.pipelines import ANCHOR

from benchd.capture.keeper import CaptureKeeper
from benchd.rules import Matcher, load_text
from benchd.rules.files import read_table_text, shipped_tables
from benchd.vocabulary.events import Event, FindingRaised
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation, Chunk, ClockMark, LinkInfo, Record
from benchd.vocabulary.times import NS
from benchd.watch.pipeline import Pipeline
from benchd.watch.replay import last_records

from studies.conftest import COMMAND  # isort: skip

pytestmark = pytest.mark.peer("qemu", "nasm")
LINK = LinkInfo("console", "console", "text", speed=115_200)
OFF_S = 9.0
DAILY = ("seabios",)


def records(boots: list[Said], silence_s: float = OFF_S) -> list[Record]:
    """Boots one after another, with the machine off between them."""
    t_ns, out = NS, []
    for n, said in enumerate(boots):
        out += [Chunk("console", t_ns + round(t * NS), data) for t, data in said]
        t_ns += round((said[-1][0] + silence_s + n) * NS)
    return [*out, ClockMark(t_ns)]


def capture(folder: Path, boots: list[Said]) -> Path:
    """A capture as `rules = "record"` leaves it."""
    keeper = CaptureKeeper(
        folder / "old", machine="old", table="record", links=[LINK], wall_ns=ANCHOR.wall_ns, mono_ns=ANCHOR.mono_ns
    )
    keeper.keep(Annotation(0, "table", read_table_text(shipped_tables()["record"])))
    for record in records(boots):
        keeper.keep(record)
    keeper.close()
    return next((folder / "old").glob("*.pcapng"))


def judged(table: str, boots: list[Said], silence_s: float = OFF_S) -> tuple[list[Boot], list[Event]]:
    pipeline = Pipeline("old", [LINK], Matcher(load_text(table, "old.toml")), ANCHOR)
    events = [event for record in records(boots, silence_s) for event in pipeline.feed(record)]
    events += pipeline.drain()
    return last_records(events), events


def cases() -> list[object]:
    """Each stranger with the peer that it is; those that take a minute are slow."""
    out = []
    for name in STRANGERS:
        marks = [pytest.mark.slow] if name not in DAILY else []
        out.append(pytest.param(name, marks=[*marks, *([pytest.mark.peer(name)] if name != "seabios" else [])]))
    return out


@pytest.mark.parametrize("name", cases())
def test_from_a_record_to_an_alarm(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Three boots in one capture make a table; two others run through it without a finding; a hang is alarmed."""
    stranger = STRANGERS[name]
    boots = stranger.boots(5)
    COMMAND.main(["rules", "draft", "--name", "old", str(capture(tmp_path, boots[:3]))], standalone_mode=False)
    table = capsys.readouterr().out
    assert load_text(table, "x").name == "old" and "# 3 boots told apart in 1 capture" in table
    own, _ = judged(table, boots[:3])
    held_out, _ = judged(table, boots[3:])
    for boot in (*own, *held_out):
        assert (boot.outcome, boot.findings) == ("finished", []), boot
    assert len(own) == 3 and len(held_out) == 2
    stages = [{stage.name for stage in boot.stages} for boot in (*own, *held_out)]
    assert 2 <= len(stages[0]) <= 60 and all(found == stages[0] for found in stages)
    (hung,), events = judged(table, [stranger.hang()], 300.0)
    assert hung.outcome == "stalled" and hung.stages and len(hung.stages) < len(own[0].stages)
    alarms = [event.finding for event in events if isinstance(event, FindingRaised) and event.alert]
    assert [(f.kind, f.rule, f.stage) for f in alarms] == [("stall", "unknown", hung.last_stage)]
    assert alarms[0].limit_s is not None and 10 <= alarms[0].limit_s <= 120
