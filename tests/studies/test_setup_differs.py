"""A setup that the machine contradicts is found at once, told everywhere, and weighed as what it really was."""

from __future__ import annotations

import asyncio
import csv
import io
from pathlib import Path
from random import Random

import pytest
from live.test_virtual import Spy
from studies.conftest import Commands
from support.pipelines import ANCHOR
from support.reports import World, as_sent, option_rom
from support.story import TABLE
from support.virtual import VirtualBench

from benchd.daemon import Daemon
from benchd.decode.report import ReportReader
from benchd.rom.recognise import name_images
from benchd.sinks.alerts.policy import AlertPolicy
from benchd.sinks.alerts.settings import AlertSettings
from benchd.sinks.alerts.text import message
from benchd.store import Store
from benchd.studies.csvfile import export_table
from benchd.studies.document import read_part
from benchd.studies.loaded import gather, open_study, save
from benchd.studies.measuring import known_images, setup_differs
from benchd.studies.service import images_of, plan_trial, resolve_images, start
from benchd.studies.weighing import next_trials, why
from benchd.vocabulary.events import FindingRaised
from benchd.vocabulary.measured import Measured
from benchd.vocabulary.models import Boot, Stage
from benchd.watch.replay import Replay

RNG = Random(5)
EARLY, LATE, OTHER = option_rom(RNG, 0x2000), option_rom(RNG, 0x2000), option_rom(RNG, 0x2000)
NOW = "2026-03-01T20:00:00+01:00"
MAP = """
[[window]]
name = "adapter"
base = "D0000"
size = "8K"
image = "early.bin"
[[window]]
name = "network"
base = "D8000"
size = "16K"
kind = "ram"
"""
STUDY = """
question = "Why does the adapter not boot?"
machine = "at286"
map = "m.toml"
[goal]
kind = "stage-reached"
target = "storage-rom"
[[factor]]
name = "rom-base"
kind = "rom-base"
levels = ["D000", "C800", "D800"]
window = "adapter"
[[factor]]
name = "rom-image"
kind = "rom-image"
levels = ["early", "late"]
window = "adapter"
images = { early = "early.bin", late = "late.bin" }
[[factor]]
name = "network-card"
levels = ["on", "off"]
[factor.places]
on = { network = "D8000" }
off = { network = "off" }
"""
SETUP = {"rom-base": "D000", "rom-image": "early", "network-card": "on"}


def machine(at: int, image: bytes, ram: bool = True) -> World:
    world = World()
    world.put(at, image)
    if ram:
        for block in range(0xD8000, 0xDC000, 0x800):
            if world.blocks[block] is None:
                world.blocks[block] = RNG.randbytes(0x800)
    return world


def read(world: World, lost: int = -1) -> Measured:
    reader = ReportReader()
    for number, line in enumerate(world.report()):
        if number != lost:
            reader.take(line)
    assert reader.measured is not None
    return reader.measured


class Bench:
    def __init__(self, folder: Path, store: Store) -> None:
        self.store = store
        for name, data in (("early.bin", EARLY), ("late.bin", LATE)):
            (folder / name).write_bytes(data)
        (folder / "m.toml").write_text(MAP)
        save(store, "s", resolve_images(store, read_part(STUDY, "s.toml"), folder), NOW)
        self._boots = 0

    def trial(self, **changes: str) -> str:
        known = open_study(self.store, "s")
        setup = {key.replace("_", "-"): level for key, level in changes.items()}
        known, plan = plan_trial(self.store, known, setup, machine="at286")
        return start(self.store, known, plan, NOW, machine="at286").trial.id

    def boot(self, trial: str, measured: Measured | None, good: bool = False) -> None:
        self._boots += 1
        stages = [Stage(name="memory", t=1.0, u=0.1), *([Stage(name="storage-rom", t=2.0, u=0.1)] if good else [])]
        self.store.save_boot(
            Boot(
                id=f"b{self._boots}", machine="at286", trial=trial, started=f"2026-03-01T20:{self._boots:02d}:00+01:00",
                ended="2026-03-01T21:00:00+01:00", outcome="finished", stages=stages, last_stage=stages[-1].name,
                measured=measured,
            )
        )  # fmt: skip

    def told(self, measured: Measured, setup: dict[str, str]) -> list[tuple[str, str | None, str]]:
        known = open_study(self.store, "s")
        boot = Boot(id="x", machine="at286", started=NOW, outcome="finished", measured=measured)
        found = setup_differs(known.document, setup, images_of(self.store, known.document), boot)
        return [(one.factor, one.level, one.means) for one in found]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path, Store.open(str(tmp_path / "x.db")))


def test_a_machine_as_declared_contradicts_nothing(bench: Bench) -> None:
    assert bench.told(read(machine(0xD0000, EARLY)), SETUP) == []
    assert bench.told(read(machine(0xD0000, LATE)), SETUP | {"rom-image": "late"}) == []
    assert bench.told(read(machine(0xD0000, EARLY, ram=False)), SETUP | {"network-card": "off"}) == []


def test_another_base(bench: Bench) -> None:
    assert bench.told(read(machine(0xC8000, EARLY)), SETUP) == [
        ("rom-base", "C800", "You said rom-base D000; adapter answers at C8000.")
    ]
    assert bench.told(read(machine(0xCC000, EARLY)), SETUP) == [
        ("rom-base", None, "You said rom-base D000; adapter answers at CC000.")
    ]
    assert bench.told(read(World(blocks=machine(0xD8000, b"").blocks)), SETUP) == [
        ("rom-base", None, "You said rom-base D000; nobody answers at D0000-D1FFF.")
    ]


def test_another_image_and_another_base_at_once(bench: Bench) -> None:
    assert bench.told(read(machine(0xC8000, LATE)), SETUP) == [
        ("rom-base", "C800", "You said rom-base D000; adapter answers at C8000."),
        ("rom-image", "late", "You said rom-image early; late is what is read at C8000."),
    ]


def test_a_window_that_is_there_and_one_that_is_not(bench: Bench) -> None:
    assert bench.told(read(machine(0xD0000, EARLY, ram=False)), SETUP) == [
        ("network-card", "off", "You said network-card on; nobody answers at D8000-DBFFF.")
    ]
    assert bench.told(read(machine(0xD0000, EARLY)), SETUP | {"network-card": "off"}) == [
        ("network-card", "on", "You said network-card off; network answers at D8000.")
    ]


def test_what_is_not_sure_contradicts_nothing(bench: Bench) -> None:
    """Bytes nobody knows, FFh where memory may hold it, lines that were lost."""
    assert bench.told(read(machine(0xD0000, OTHER)), SETUP) == []
    world = machine(0xD0000, EARLY, ram=False)
    world.blocks |= dict.fromkeys(range(0xD8000, 0xDC000, 0x800), b"\xff" * 0x800)
    assert bench.told(read(world), SETUP) == []
    world = machine(0xD0000, OTHER, ram=False)
    lines = world.report()
    lost = next(n for n, line in enumerate(lines) if "floating" in line and line.startswith("~") and "D2000" in line)
    assert bench.told(read(world, lost), SETUP) == []


def test_it_is_weighed_as_what_it_was_and_why_says_so(bench: Bench) -> None:
    """Declared D000 twice; the machine stood at C800 once, where it works: the jumper is the cause."""
    for good, declared, real in ((False, "D000", 0xD0000), (True, "D000", 0xC8000), (True, "C800", 0xC8000)):
        trial = bench.trial(rom_base=declared, rom_image="early", network_card="on")
        bench.boot(trial, read(machine(real, EARLY)), good)
        bench.boot(trial, None, good)
    views = gather(bench.store, open_study(bench.store, "s"))
    assert [view.setup["rom-base"] for view in views] == ["D000", "D000", "C800"], "what was declared stays"
    assert [view.counts().setup["rom-base"] for view in views] == ["D000", "C800", "C800"]
    found = why(bench.store, "s")
    assert (
        "T2: You said rom-base D000; adapter answers at C8000 (measured, boot b3): it is weighed as rom-base C800."
        in (found.remarks)
    )
    assert "rom-base is D000" in str(found.causes[0])
    assert next_trials(bench.store, "s").current["rom-base"] == "C800"


def test_a_setup_that_is_no_level_is_not_weighed(bench: Bench) -> None:
    trial = bench.trial()
    bench.boot(trial, read(machine(0xCC000, EARLY)))
    (view,) = gather(bench.store, open_study(bench.store, "s"))
    assert (view.counted, view.counts().boots) == (1, 0)
    assert "it is not weighed" in why(bench.store, "s").remarks[0]
    assert view.to_json()["differs"][0]["factor"] == "rom-base"


def test_exported_rows_are_what_is_weighed(bench: Bench) -> None:
    """Declared D000 thrice: as said, at C800, at a base that no level is."""
    for good, real in ((False, 0xD0000), (True, 0xC8000), (True, 0xCC000)):
        trial = bench.trial(rom_base="D000", rom_image="early", network_card="on")
        bench.boot(trial, read(machine(real, EARLY)), good)
    known = open_study(bench.store, "s")
    views = gather(bench.store, known)
    rows = list(csv.DictReader(io.StringIO(export_table(known, views))))
    assert [(row["rom-base"], row["result"]) for row in rows] == [("D000", "fail"), ("C800", "ok"), ("D000", "")]
    weighed = [view.counts() for view in views]
    assert [row["rom-base"] for row in rows] == [one.setup["rom-base"] for one in weighed]
    assert [bool(row["result"]) for row in rows] == [one.boots > 0 for one in weighed]


def test_two_levels_with_one_file_name_are_both_known(tmp_path: Path) -> None:
    """Two versions of an image in two folders, under one file name."""
    for folder, data in (("old", EARLY), ("new", LATE)):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "a.bin").write_bytes(data)
    (tmp_path / "early.bin").write_bytes(EARLY)
    (tmp_path / "m.toml").write_text(MAP)
    text = STUDY.replace('"early.bin"', '"old/a.bin"').replace('"late.bin"', '"new/a.bin"')
    with Store.open(str(tmp_path / "x.db")) as store:
        known = save(store, "s", resolve_images(store, read_part(text, "s.toml"), tmp_path), NOW)
        images = known_images(store, known.document)
    assert sorted(images.values()) == sorted([EARLY, LATE]) and "a.bin" in images
    assert [one.image for one in name_images(read(machine(0xD0000, LATE)), images).roms if one.at == "D0000"] == [
        next(name for name, image in images.items() if image == LATE)
    ]


def test_trial_show_tells_it(benchd: Commands) -> None:
    bench = Bench(benchd.folder, benchd.store())
    bench.boot(bench.trial(), read(machine(0xC8000, EARLY)))
    bench.store.close()
    said = benchd("trial", "show", "T1")
    assert "NOT AS SAID: You said rom-base D000; adapter answers at C8000." in said.replace("\n", " ")
    assert benchd.json("trial", "show", "T1")["differs"][0]["level"] == "C800"


def test_it_is_found_while_the_machine_runs_and_a_replay_finds_it_without_the_study(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The report's last line, then the finding: on the boot, to whom alerts go, in the store, and in the capture."""
    (tmp_path / "story.toml").write_text(TABLE)
    toml = '[[machine]]\nname = "at286"\nrules = "story.toml"\n[[machine.link]]\nkind = "console"\nport = "console"\n'
    virtual = VirtualBench(tmp_path, toml, monkeypatch)
    (tmp_path / "data").mkdir()
    with Store.open(str(tmp_path / "data/benchd.db")) as store:
        bench = Bench(tmp_path, store)
        assert bench.trial() == "T1"
    spy = Spy()

    async def story(daemon: Daemon) -> None:
        daemon.sinks.append(spy)
        await asyncio.sleep(2)
        virtual.send("console", b"Testing memory\r\n")
        for line in machine(0xC8000, EARLY).report():
            await asyncio.sleep(0.05)
            virtual.send("console", as_sent([line])[2:])
        await asyncio.sleep(5)

    virtual.run(story)
    (raised,) = spy.of(FindingRaised)
    assert raised.alert and raised.finding.kind == "setup-differs" and raised.finding.rule == "rom-base"
    settings = AlertSettings(command=["true"])
    (notice,) = AlertPolicy(settings.kinds, link_delay_s=5, flaps=3, window_s=600).feed(raised)
    text = message(notice, "b", ANCHOR.wall, "1")
    assert text.title.startswith("at286 is not set up as was said")
    assert "Means: You said rom-base D000; adapter answers at C8000." in text.text
    with Store.open(str(tmp_path / "data/benchd.db"), create=False) as store:
        (boot,) = store.boots()
        assert boot.measured is not None and boot.measured.complete and raised.finding in boot.findings
    (capture,) = (tmp_path / "data/captures").rglob("*.pcapng")
    (again,) = Replay([capture]).boots()
    assert again.findings == boot.findings and again.measured == boot.measured
