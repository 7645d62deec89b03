"""Captures that go on in new files between boots: replayed together or one by one they give the boots told live.

A real `MachineWatcher` with real files on a virtual clock; nothing but its ports is left out.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.pipelines import ANCHOR, MS, HandClock, Source, boots_of
from support.story import TABLE

from benchd.boots.limits import Limit
from benchd.capture import read_capture
from benchd.rules import load_text
from benchd.settings import LinkPart, MachinePart
from benchd.vocabulary.events import Event
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation, Chunk, LinkState, ModemLines, Record
from benchd.watch.replay import Replay, run_files
from benchd.watch.watcher import MachineWatcher

PART = MachinePart(
    name="at286",
    rules="story",
    link=[LinkPart(kind="post", port="/dev/ttyS98"), LinkPart(kind="console", port="/dev/ttyS99")],
)
GOOD = ((0, 0x01), (100, 0x05), (500, 0x20), (4000, 0x40), (5000, 0xAA))
HANGS = ((0, 0x01), (100, 0x05), (500, 0x20))


class Bench:
    """A `MachineWatcher` whose time is told by hand; `ms` is the present."""

    def __init__(self, folder: Path, table: str = TABLE, part: MachinePart = PART) -> None:
        self.clock = HandClock(1000 * MS)
        rules = load_text(table, "t")
        self.run = MachineWatcher(part, rules, table, folder, ANCHOR, clock=self.clock, reader=Source)
        self.links = self.run.links
        self.events: list[Event] = []
        self.files = 1
        self.folder = folder
        self.tick()

    @property
    def ms(self) -> int:
        return self.clock.now_ns // MS

    def tick(self) -> None:
        self.events += self.run.tick() + self.run.catch_up()

    def go(self, ms: int) -> None:
        """Let time pass in ticks of 50 ms, and begin a new file whenever that is allowed."""
        until = self.ms + ms
        while self.ms < until:
            self.clock.now_ns = min(self.ms + 50, until) * MS
            self.tick()
            self.files += self.run.rotate_if_due()
            self.run.catch_up()

    def take(self, *records: Record) -> None:
        self.events += self.run.take(*records)

    def note(self, key: str, value: str) -> None:
        self.run.note(key, value)
        self.events += self.run.catch_up()

    def learn(self, limits: dict[str, Limit]) -> None:
        self.run.learn(limits)
        self.events += self.run.catch_up()

    def modem(self, on: bool) -> None:
        self.take(ModemLines("console", self.ms * MS, True, on, False, on))

    def boot(self, codes: tuple[tuple[int, int], ...], line: str = "storage rom ready\r\n") -> None:
        at = 0
        for t_ms, code in codes:
            self.go(t_ms - at)
            at = t_ms
            self.take(Chunk("post", self.ms * MS, bytes([code])))
            if code == 0x40:
                self.take(Chunk("console", self.ms * MS + 333, line.encode()))

    def live(self, life: list[tuple[str, int]]) -> list[Boot]:
        """Do what a `LIFE` says, from power on, in files as short as can be; return the boots that were told."""
        self.run.limit_bytes = 1
        self.modem(True)
        for what, then_ms in life:
            if what in ("good", "hangs"):
                self.boot(GOOD if what == "good" else HANGS)
            elif what in ("off", "on"):
                self.modem(what == "on")
            self.go(then_ms)
        return self.finish()

    def finish(self) -> list[Boot]:
        self.events += self.run.finish()
        return boots_of(self.events)

    @property
    def captures(self) -> list[Path]:
        return sorted(self.folder.rglob("*.pcapng"))

    def together(self) -> list[Boot]:
        replay = Replay(self.captures)
        boots = replay.boots()
        assert replay.problems == []
        return boots

    def one_by_one(self) -> list[Boot]:
        boots: dict[str, Boot] = {}
        for path in run_files(self.captures):
            for boot in Replay([path]).boots():
                assert boot.id not in boots, f"{boot.id} is in two files"
                boots[boot.id] = boot
        return sorted(boots.values(), key=lambda boot: (boot.started, boot.id))


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """Every file may be ended as soon as it is begun, but never within a boot."""
    bench = Bench(tmp_path)
    bench.run.limit_bytes = 1
    return bench


def test_boots_in_files_of_their_own(bench: Bench) -> None:
    """Three boots, each in its file: the same records from all files together and from each alone."""
    for _ in range(3):
        bench.boot(GOOD)
        bench.go(2000)
    live = bench.finish()
    assert [boot.outcome for boot in live] == ["finished"] * 3
    assert bench.files >= 3 and len(bench.captures) >= 3
    assert bench.together() == live == bench.one_by_one()


def test_labels_and_learned_limits_hold_in_every_later_file(bench: Bench) -> None:
    """A limit learned and a trial begun in the first file judge the boot in the second, and say the same."""
    bench.learn({"memory": Limit(2.5, "learned-normal", 7)})
    bench.note("trial", "T1")
    bench.boot(GOOD)
    bench.go(2000)
    bench.boot(HANGS)
    bench.go(12_000)
    bench.learn({"memory": Limit(2.5, "learned-normal", 7)})  # nothing new
    live = bench.finish()
    assert bench.files >= 2
    assert [(b.outcome, b.trial) for b in live] == [("finished", "T1"), ("stalled", "T1")]
    assert [(f.kind, f.limit_s, f.limit_kind) for f in live[1].findings] == [("stall", 4.5, "learned-normal")]
    assert bench.together() == live == bench.one_by_one()
    notes = [r for path in bench.captures for r in read_capture(path).records() if isinstance(r, Annotation)]
    assert sum(note.key == "limit" for note in notes) == len(bench.captures)


def test_power_is_known_in_a_file_begun_while_it_was_off(bench: Bench) -> None:
    """Off, a new file, on: the boot starts with power-on there as well, and no sign of life after off is missed."""
    bench.modem(True)
    bench.boot(GOOD)
    bench.go(2000)
    bench.modem(False)
    bench.run.limit_bytes = 1 << 30
    bench.go(1000)
    bench.run.limit_bytes = 1
    bench.go(1000)
    bench.modem(True)
    bench.go(300)
    bench.boot(GOOD)
    bench.go(2000)
    bench.modem(False)
    bench.go(2000)
    bench.take(Chunk("post", bench.ms * MS, b"\x05"))  # life after off, and the start code was lost
    bench.go(1000)
    live = bench.finish()
    assert [b.start_reason for b in live] == ["code 01", "power-on", "first sign of life after power-off"]
    assert [b.off_s for b in live] == [None, pytest.approx(2.0, abs=0.3), pytest.approx(2.0, abs=0.3)]
    assert bench.together() == live == bench.one_by_one()


def test_a_boot_under_way_is_never_cut(bench: Bench) -> None:
    """Neither while it runs nor while it stands still: a boot is in one file."""
    bench.boot(HANGS)
    before = bench.files
    bench.go(60_000)
    assert bench.files == before
    bench.boot(GOOD)
    bench.go(2000)
    assert bench.files > before
    live = bench.finish()
    assert [b.outcome for b in live] == ["stalled", "finished"]
    assert bench.together() == live == bench.one_by_one()


def test_a_changed_table_begins_a_file_and_judges_there_only(bench: Bench) -> None:
    """A reload waits for the end of the boot; the boots before keep the verdict of the table before."""
    bench.run.limit_bytes = 1 << 30
    stricter = TABLE.replace('quiet = "30s"', 'quiet = "20s"').replace('name = "storage-rom"', 'name = "disk-rom"')
    bench.boot(GOOD[:3])
    bench.run.reload(load_text(stricter, "t"), stricter)
    bench.go(200)
    assert bench.files == 1
    bench.boot(tuple((t - 700, c) for t, c in GOOD[3:]))
    bench.go(2000)
    assert bench.files == 2
    bench.boot(GOOD)
    bench.go(2000)
    live = bench.finish()
    assert [stage.name for boot in live for stage in boot.stages if stage.name.endswith("rom")] == [
        "storage-rom", "disk-rom"
    ]  # fmt: skip
    assert bench.together() == live == bench.one_by_one()


def test_a_link_that_is_down_stays_down_in_the_next_file(bench: Bench) -> None:
    """Silence is not judged while a link is away: also not by who reads the second file only."""
    bench.take(LinkState("post", bench.ms * MS, True, "open"), LinkState("console", bench.ms * MS, True, "open"))
    bench.boot(GOOD)
    bench.go(1000)
    bench.take(LinkState("console", bench.ms * MS, False, "unplugged"))
    bench.go(1000)
    assert bench.files >= 2
    bench.boot(HANGS)
    bench.go(60_000)
    live = bench.finish()
    assert live[0].outcome == "finished" and not live[1].findings
    assert bench.together() == live == bench.one_by_one()


LIFE = st.lists(
    st.one_of(
        st.tuples(st.just("good"), st.integers(0, 3000)),
        st.tuples(st.just("hangs"), st.integers(0, 20_000)),
        st.tuples(st.just("off"), st.integers(100, 6000)),
        st.tuples(st.just("on"), st.integers(100, 3000)),
        st.tuples(st.sampled_from(["trial", "limit"]), st.integers(0, 200)),
    ),
    max_size=8,
)


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(life=LIFE)
def test_any_life_of_a_machine(life: list[tuple[str, int]], tmp_path_factory: pytest.TempPathFactory) -> None:
    """Boots, power, trials and limits in any order: live, together and one by one agree."""
    bench = Bench(tmp_path_factory.mktemp("life"))
    bench.run.limit_bytes = 1
    bench.modem(True)
    for number, (what, then_ms) in enumerate(life):
        match what:
            case "good" | "hangs":
                bench.boot(GOOD if what == "good" else HANGS)
            case "off" | "on":
                bench.modem(what == "on")
            case "trial":
                bench.note("trial", f"T{number}")
            case _:
                bench.learn({"memory": Limit(3.0 + number, "distribution-free", 5 + number)})
        bench.go(then_ms)
    live = bench.finish()
    assert bench.together() == live
    assert bench.one_by_one() == live


@settings(deadline=None, max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    life=LIFE,
    chatter=st.lists(st.tuples(st.integers(0, 400), st.sampled_from(["x", "half a line ", "storage rom ready\r\n"]))),
    most=st.integers(0, 60),
)
def test_a_file_that_grew_too_large_ends_in_mid_boot(
    life: list[tuple[str, int]], chatter: list[tuple[int, str]], most: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Wherever a file is broken off, all files together give what was told live, and each holds what is in force.

    The smallest files have one record each, and many of them begin at one instant, or before the file before them.
    """
    bench = Bench(tmp_path_factory.mktemp("life"))
    bench.modem(True)
    bench.note("trial", "T1")
    bench.run.keeping.most_bytes = bench.run.keeper.size + 100 * most
    pieces = iter(chatter)
    for number, (what, then_ms) in enumerate(life):
        match what:
            case "good" | "hangs":
                bench.boot(GOOD if what == "good" else HANGS)
            case "off" | "on":
                bench.modem(what == "on")
            case _:
                bench.note("trial", f"T{number}")
        for pause_ms, text in [next(pieces, (0, "")) for _ in range(3)]:
            bench.go(pause_ms)
            bench.take(Chunk("console", bench.ms * MS + 77, text.encode()))
        bench.go(then_ms)
    live = bench.finish()
    assert bench.together() == live
    for path in bench.captures[1:]:
        noted = {r.key for r in read_capture(path).records() if isinstance(r, Annotation)}
        assert {"table", "trial"} <= noted


def test_a_console_that_never_rests_does_not_keep_its_file_from_ending(bench: Bench) -> None:
    """At twice the size a file is ended, although the decoder holds half a line at every moment."""
    bench.run.limit_bytes = 20_000
    bench.run.keeping.most_bytes = 40_000
    for _ in range(2000):
        bench.clock.now_ns += 20 * MS
        bench.take(Chunk("console", bench.clock.now_ns, b"no end to this line, " * 3))
        bench.tick()
        bench.run.rotate_if_due()
    live = bench.finish()
    assert len(bench.captures) >= 4 and max(path.stat().st_size for path in bench.captures) < 41_000
    assert bench.together() == live


def test_boots_carry_the_model_of_their_machine(tmp_path: Path) -> None:
    """As the settings name it: live, in each file that goes on, and in a replay of all or of one."""
    bench = Bench(tmp_path, part=PART.model_copy(update={"model": "at-clone-12"}))
    boots = bench.live([("good", 6000), ("off", 3000), ("on", 500), ("good", 6000)])
    assert len(boots) >= 2 and {boot.model for boot in boots} == {"at-clone-12"}
    assert bench.together() == boots
    assert len(bench.captures) > 1
    for path in bench.captures:
        assert {boot.model for boot in Replay([path]).boots()} <= {"at-clone-12"}
