"""What is let go, in which order, and what never is: as a rule, and on a bench's disk."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from live.by_capture import GOOD, NS, WALL_NS, codes, write
from support import started
from support.daemon import benchd
from support.story import TABLE

from benchd.capture import captures_in, letgo, read_capture
from benchd.capture.packed import file_of
from benchd.errors import UsageError
from benchd.settings import load_settings
from benchd.store import Hand, Result, Store, StoredStudy
from benchd.studies.comparing import events_of
from benchd.upkeep.retention import DAY_S, GB, Keeping, Unit, to_let_go
from benchd.upkeep.space import space_of
from benchd.upkeep.tidying import Tidier
from benchd.vocabulary.records import Annotation
from benchd.vocabulary.times import Anchor
from benchd.watch.progress import Progress, run_key
from benchd.watch.rebuild import captures_under, rebuild
from benchd.watch.replay import Replay

ENDINGS = (".pcapng", ".gz")
HAND = Hand("2026-03-01T20:00:00+01:00")
TODAY_S = WALL_NS / NS + 400 * DAY_S


class Today:
    """A clock that stands."""

    def __init__(self, now_s: float = TODAY_S) -> None:
        self.now_s = now_s

    def time_ns(self) -> int:
        return round(self.now_s * 1e9)

    def monotonic_ns(self) -> int:
        return 0


units = st.lists(
    st.builds(
        lambda n, size, days, held: Unit((Path(f"{n}.pcapng"),), size, days * DAY_S, 1, held),
        st.integers(0, 99), st.integers(0, 3 * GB), st.floats(0, 100), st.sampled_from(["", "", "held"]),
    ),
    max_size=12, unique_by=lambda unit: unit.captures,
)  # fmt: skip
keepings = st.builds(
    Keeping, st.none() | st.floats(1, 90), st.none() | st.floats(0.1, 20), st.integers(0, 5).map(lambda n: n * GB)
)


@given(units, keepings, st.integers(0, 6 * GB))
def test_as_little_as_the_settings_want_oldest_first_and_nothing_held(
    found: list[Unit], keeping: Keeping, free: int
) -> None:
    """After it every setting holds or nothing may go any more; one capture fewer would not have done."""
    stored, now_s = sum(unit.size for unit in found), 100 * DAY_S
    gone = [unit for unit, _ in to_let_go(found, keeping, now_s, stored, free)]

    def fits(without: Iterable[Unit]) -> bool:
        out = list(without)
        left = [unit for unit in found if unit not in out and not unit.held]
        days = keeping.keep_days is None or all(now_s - unit.written_s <= keeping.keep_days * DAY_S for unit in left)
        freed = sum(unit.size for unit in out)
        gb = keeping.keep_gb is None or stored - freed <= keeping.keep_gb * GB or not left
        old = [unit for unit in left if now_s - unit.written_s > DAY_S]
        return days and gb and (free + freed >= keeping.reserve or not old)

    assert not any(unit.held for unit in gone)
    if not keeping.lets_go:
        assert gone == []
        return
    ages = [unit.written_s for unit in gone]
    assert ages == sorted(ages)
    assert all(unit.written_s >= max(ages, default=0) for unit in found if unit not in gone and not unit.held)
    assert fits(gone) and (not gone or not fits(gone[:-1]))


class Shelf:
    """A bench with one capture a run, each of two boots, `days` old, all in the store and done."""

    def __init__(self, folder: Path, days: Iterable[float], extra: str = "") -> None:
        self.folder = folder
        folder.mkdir(exist_ok=True)
        (folder / "story.toml").write_text(TABLE)
        (folder / "bench.toml").write_text(
            f'[bench]\nreserve_gb = 0\n{extra}[[machine]]\nname = "pc"\nrules = "story.toml"\n'
            '[[machine.link]]\nkind = "post"\nport = "/dev/none"\n'
        )
        self.captures: list[Path] = []
        self.boots: list[list[str]] = []
        captures = folder / "data/captures/pc"
        captures.mkdir(parents=True)
        progress = Progress(captures)
        with self.store() as store:
            for run, old in enumerate(days, 1):
                records = [
                    *codes(run * 1000),
                    *codes(run * 1000 + 100),
                    Annotation((run * 1000 + 200) * NS, "end", "s"),
                ]
                path = write(captures / f"{run:03}.pcapng", records, run=run, number=run, text=TABLE)
                os.utime(path, (TODAY_S - old * DAY_S,) * 2)
                self.captures.append(path)
                self.boots.append([])
                for boot in Replay([path]).boots():
                    store.save_boot(boot, capture=str(path))
                    self.boots[-1].append(boot.id)
                capture = read_capture(path)
                key = run_key(Anchor(capture.wall_ns, capture.mono_ns))
                progress.begin(key)
                progress.entries[key].done = True
        progress.write(progress.to_json())

    def store(self) -> Store:
        return Store.open(self.folder / "data/benchd.db")

    def tidy(self, now_s: float = TODAY_S) -> list[str]:
        """Work as the settings say; return which captures are left, those compressed with their ending."""
        with self.store() as store:
            done = Tidier(load_settings(self.folder / "bench.toml"), store, clock=Today(now_s)).turn()
        assert done.problems == []
        return sorted(
            path.name for path in (self.folder / "data/captures/pc").glob("*.pcapng*") if ".index" not in path.name
        )


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path / "bench", [300, 200, 100, 50, 8, 1], "keep_days = 90\n")


def test_old_ones_are_compressed_and_older_ones_go(shelf: Shelf) -> None:
    """As the settings say, once: a second turn finds nothing to do."""
    left = ["004.pcapng.gz", "005.pcapng.gz", "006.pcapng"]
    assert shelf.tidy() == left == shelf.tidy()
    assert sum(1 for _ in (shelf.captures[0].parent / letgo.FILE).read_bytes().splitlines()) == 3
    assert shelf.tidy(TODAY_S + 45 * DAY_S) == ["005.pcapng.gz", "006.pcapng.gz"]


def test_nothing_goes_unless_it_is_said_so(tmp_path: Path) -> None:
    """By default captures stay for ever, however little the disk has: compressed, or as they are where that is off."""
    names = [f"{n:03}.pcapng" for n in (1, 2)]
    assert Shelf(tmp_path / "a", [3000, 2000]).tidy() == [f"{name}.gz" for name in names]
    assert Shelf(tmp_path / "b", [3000, 2000], "pack_days = 0\n").tidy() == names


def test_by_size_only_as_many_as_needed(tmp_path: Path) -> None:
    """Captures of any age go, oldest first, until all together fit."""
    shelf = Shelf(tmp_path / "a", [5, 4, 3, 2, 0.5])
    size = shelf.captures[0].stat().st_size
    text = (tmp_path / "a/bench.toml").read_text()
    (tmp_path / "a/bench.toml").write_text(
        text.replace("reserve_gb = 0", f"reserve_gb = 0\nkeep_gb = {size * 2.5 / 1e9}")
    )
    assert shelf.tidy() == ["004.pcapng", "005.pcapng"]


def test_for_the_reserve_all_but_the_last_day(tmp_path: Path) -> None:
    """A disk with less free than its reserve takes captures early, where letting go is wanted at all."""
    settings = "reserve_gb = 1000000\npack_days = 0\n"
    shelf = Shelf(tmp_path / "a", [5, 4, 0.5])
    file = tmp_path / "a/bench.toml"
    file.write_text(file.read_text().replace("reserve_gb = 0\n", settings))
    assert len(shelf.tidy()) == 3
    file.write_text(file.read_text().replace(settings, f"{settings}keep_days = 900\n"))
    assert shelf.tidy() == ["003.pcapng"]


def test_what_people_hold_on_to_stays(tmp_path: Path) -> None:
    """One boot of two in a trial (told or moved), noted, labelled, left out, with a result: the capture stays."""
    shelf = Shelf(tmp_path / "bench", [300] * 9, "keep_days = 90\n")
    one = [boots[1] for boots in shelf.boots]
    with shelf.store() as store:
        store.save_study(StoredStudy(name="card", document={"question": "?"}, created=HAND.at, edited=HAND.at))
        store.start_trial(study="card", machine="pc", setup={}, changed={}, started=HAND.at)
        store.move_boot(one[0], "T1", HAND)
        store.move_boot(one[1], "T1", HAND)
        store.move_boot(one[1], None, HAND)
        store.note_boot(one[2], "look at this", HAND)
        store.label_boot(one[3], ["odd"], HAND)
        store.leave_out(one[4], "mains failed", HAND)
        store.add_result(Result(boot=one[5], check="c", passed=True, entered=HAND.at))
        store.note_boot(one[6], "first this", HAND)
        store.note_boot(one[6], "", HAND)
        told = store.told_boot(one[7])
        assert told is not None
        store.save_boot(told.model_copy(update={"trial": "T1"}))
    assert shelf.tidy() == [f"{n:03}.pcapng.gz" for n in (1, 3, 4, 5, 6, 8)], "three are in no trial, and say nothing"
    assert file_of(shelf.captures[8]) is None and letgo.let_go(shelf.captures[8]) is not None


def test_a_boot_says_that_its_capture_was_let_go(shelf: Shelf) -> None:
    """The record stays with its verdict; whatever would show codes or lines says on which day they went."""
    gone = shelf.boots[0][0]
    with shelf.store() as store:
        before = store.boots()
    shelf.tidy()
    folder, file = shelf.folder, shelf.captures[0]
    at = letgo.let_go(file)
    assert at is not None and at[1] == "bench.keep_days"
    says = f"was let go on {at[0][:10]} (bench.keep_days)"
    assert f"its capture {says}" in benchd("show", gone, cwd=folder)
    for words in (
        ("show", gone, "--trace"), ("boots", "export", gone, "--out", str(folder / "x.pcapng")), ("replay", str(file)),
    ):  # fmt: skip
        done = started.run(words, cwd=folder)
        assert done.returncode == 2 and says in done.stderr, words
    with pytest.raises(UsageError, match="was let go on"):
        read_capture(file)
    with shelf.store() as store:
        done = rebuild(store, captures_under(folder / "data"), folder, everything=True)
        assert done.problems == [] and store.boots() == before
    benchd("boots", "judge", "--rules", "story.toml", cwd=folder)
    with shelf.store() as store:
        assert store.boots() == before, "those whose captures are gone too"
        _, problems = events_of(store, [store.boot(gone)])
    assert problems == [
        "1 captures are not there any more (1 were let go to make room): stages are compared instead of codes and lines"
    ]


def test_what_the_store_may_lack_stays(shelf: Shelf) -> None:
    """A run not known to be in the store whole, one that cannot be read, one whose boot runs: none is let go."""
    folder = shelf.captures[0].parent
    progress = Progress(folder)
    first = next(iter(progress.entries))
    progress.entries[first].done = False
    progress.write(progress.to_json())
    shelf.captures[1].write_bytes(b"\x0a\x0d\x0d\x0a and no more")
    os.utime(shelf.captures[1], (TODAY_S - 200 * DAY_S,) * 2)
    with shelf.store() as store:
        told = store.told_boot(shelf.boots[2][1])
        assert told is not None
        store.save_boot(told.model_copy(update={"outcome": "running", "ended": None}))
    assert len(shelf.tidy()) == 6


def test_a_clock_that_was_wrong_lets_nothing_go(tmp_path: Path) -> None:
    """Written in 1970 by a board without a battery, after younger ones; or in a future that has not come: they stay."""
    shelf = Shelf(tmp_path / "bench", [300, 20, 10, 5], "keep_days = 90\n")
    os.utime(shelf.captures[2], (1000.0, 1000.0))
    os.utime(shelf.captures[3], (TODAY_S + 900 * DAY_S,) * 2)
    assert shelf.tidy() == ["002.pcapng.gz", "003.pcapng.gz", "004.pcapng"]
    assert shelf.tidy(TODAY_S + 80 * DAY_S) == ["004.pcapng"], "the third counts as old as the second"


def test_files_of_one_boot_go_together(tmp_path: Path) -> None:
    """A file that begins in the midst of a boot is nothing without the one before it: both go, or both stay."""
    shelf = Shelf(tmp_path / "bench", [], "keep_days = 90\n")
    folder = shelf.folder / "data/captures/pc"
    first = write(folder / "a.pcapng", codes(10, GOOD[:3]), run=1, number=1, text=TABLE)
    later = [Annotation(14 * NS, "table", TABLE), Annotation(14 * NS, "again", "0"), *codes(11, GOOD[3:]), *codes(50)]
    second = write(folder / "b.pcapng", later, run=1, number=1)
    progress = Progress(folder)
    progress.begin(run_key(Anchor(WALL_NS + 1000 * NS, 1000 * NS)))
    next(iter(progress.entries.values())).done = True
    progress.write(progress.to_json())
    for path, old in ((first, 300), (second, 80)):
        os.utime(path, (TODAY_S - old * DAY_S,) * 2)
    assert shelf.tidy() == ["a.pcapng.gz", "b.pcapng.gz"], "the second is young enough, and needs the first"
    assert shelf.tidy(TODAY_S + 20 * DAY_S) == [] == captures_in(folder)


def test_a_kill_between_the_word_and_the_deed(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    """A capture that was written down as gone and is there still counts as there; the next turn lets it go."""

    def cut(capture: Path) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("benchd.upkeep.tidying.take_away", cut)
        with pytest.raises(KeyboardInterrupt):
            shelf.tidy()
    assert letgo.let_go(shelf.captures[0]) is not None and list(read_capture(shelf.captures[0]).records())
    assert "capture: " in benchd("show", shelf.boots[0][0], cwd=shelf.folder)
    with (shelf.captures[0].parent / letgo.FILE).open("ab") as file:
        file.write(b'{"capture": "half')
    assert shelf.tidy() == ["004.pcapng.gz", "005.pcapng.gz", "006.pcapng"]
    assert all(letgo.let_go(path) is not None for path in shelf.captures[:3])


def test_space_says_what_takes_room_and_what_goes_next(shelf: Shelf) -> None:
    """The figures are those of the files; the next to go are those that go next."""
    loaded = load_settings(shelf.folder / "bench.toml")
    (shelf.folder / "data/outbox.db").write_bytes(bytes(777))
    with shelf.store() as store:
        store.label_boot(shelf.boots[1][0], ["odd"], HAND)
        found = space_of(loaded, store, TODAY_S)
    parts = {part.what: (part.files, part.bytes) for part in found.parts}
    size = sum(path.stat().st_size for path in shelf.captures)
    assert parts["captures"] == (6, size) and parts["captures-compressed"] == (0, 0)
    assert parts["outbox"] == (1, 777) and parts["images"] == (1, len(TABLE)) and parts["store"][1] > 4096
    assert found.held == shelf.captures[1].stat().st_size
    assert abs(found.free - shutil.disk_usage(shelf.folder).free) < GB
    assert found.pace == pytest.approx(sum(path.stat().st_size for path in shelf.captures[4:]) / 30)
    due = [(one.captures, one.why, one.at is None) for one in found.next]
    assert due[:3] == [
        (["pc/001.pcapng"], "bench.keep_days", True), (["pc/003.pcapng"], "bench.keep_days", True),
        (["pc/004.pcapng"], "bench.keep_days", False),
    ]  # fmt: skip
    shelf.tidy()
    with shelf.store() as store:
        after = space_of(loaded, store, TODAY_S)
    assert {part.what: part.files for part in after.parts}["captures-compressed"] == 3


def test_the_command(shelf: Shelf) -> None:
    """In words and as JSON; `--now` does what is due unless a benchd runs there; a full disk is a failure."""
    told = benchd("space", cwd=shelf.folder)
    assert "captures" in told and "let go, oldest first, by bench.keep_days = 90" in told and "pc/001.pcapng" in told
    told = benchd("space", "--now", cwd=shelf.folder)  # by the real clock, all are old
    assert "6 captures let go" in told
    assert json.loads(benchd("space", "--json", cwd=shelf.folder))["next"] == []
    file = shelf.folder / "bench.toml"
    file.write_text(file.read_text().replace("reserve_gb = 0", "reserve_gb = 1000000"))
    assert "LESS than the reserve" in benchd("space", code=1, cwd=shelf.folder)
