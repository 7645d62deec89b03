"""`benchd compare` of boots whose machines reported themselves; report lines are no text to compare or draft from."""

from __future__ import annotations

from pathlib import Path
from random import Random

from live.by_capture import write
from studies.conftest import Commands
from support.delivery import cut
from support.reports import World, as_sent, option_rom
from support.story import TABLE

from benchd.decode.report import ReportReader
from benchd.studies.comparing import read_events
from benchd.vocabulary.events import LineSeen
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import LinkInfo
from benchd.watch.replay import Replay
from benchd.watch.trace import all_boots

NS = 1_000_000_000
CONSOLE = LinkInfo("console", "console", "text", speed=9600)


def boot(number: int, world: World | None) -> Boot:
    reader = ReportReader()
    for line in world.report() if world is not None else ():
        reader.take(line)
    return Boot(
        id=f"pc-{number}", machine="at286", started=f"2026-03-01T20:0{number}:00+01:00", outcome="finished",
        ended=f"2026-03-01T20:0{number}:50+01:00", measured=reader.measured,
    )  # fmt: skip


def test_what_two_machines_read_otherwise_is_told(benchd: Commands) -> None:
    one, two = World(), World()
    one.put(0xD0000, option_rom(Random(1), 0x2000))
    two.put(0xC8000, option_rom(Random(1), 0x2000))
    two.vectors = one.vectors | {0x13: 0xC8123}
    with benchd.store() as store:
        for number, world in enumerate((one, two, None)):
            store.save_boot(boot(number, world))
    said = benchd("compare", "pc-0", "pc-1", "--stages-only")
    assert "as the machine itself read:\n  the ROM at D0000 is at C8000 now" in said
    assert "  vector 13h: FEC59, then C8123" in said
    told = benchd.json("compare", "pc-0", "pc-1", "pc-2", "--stages-only")
    assert told["measured"][0] == {"what": "moved", "where": "D0000", "a": "D0000", "b": "C8000"}
    assert told["others"][0]["measured"] == [], "no report, no change"


def test_report_lines_are_no_text_to_compare(tmp_path: Path) -> None:
    """They differ in every boot; what the BIOS says between them is compared."""
    data = b"Testing memory\r\n" + as_sent(World().report()) + b"storage rom ready\r\nStarting\r\n"
    capture = write(tmp_path / "a.pcapng", cut(CONSOLE, data, range(99, 9999, 99)), text=TABLE, links=(CONSOLE,))
    ((found, seen),) = all_boots(Replay([capture]), 10_000)
    said = ["Testing memory", "storage rom ready", "Starting"]
    assert [event.text for event in seen if isinstance(event, LineSeen)] == said
    events, problems = read_events({capture: [found.id]})
    assert [event.value for event in events[found.id]] == said and not problems
