"""A bench for weeks and months in fast motion, with restarts, stalls and a trial: what it keeps stays bounded."""

from __future__ import annotations

import asyncio
import gc
import json
import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from live.by_capture import GOOD
from support.daemon import benchd
from support.pipelines import ANCHOR
from support.story import TABLE
from support.virtual import VirtualBench, machine_toml

from benchd.capture.packed import plain_name
from benchd.daemon import Daemon
from benchd.sinks.mqtt.outbox import BATCH, CODES_KEPT
from benchd.store import Store, StoredStudy
from benchd.upkeep.retention import DAY_S
from benchd.vocabulary.models import Boot
from benchd.vocabulary.times import NS

KEEP_DAYS, RESTART_DAYS, TRIAL_DAY = 6, 3, 2
PAGE = os.sysconf("SC_PAGE_SIZE")
NOBODY = "mqtt://127.0.0.1:1"
"""A broker that is away all the time: port 1 belongs to a service that nobody runs (tcpmux, RFC 1078)."""
AT = "2026-03-01T20:00:00+01:00"
STUDY = {
    "question": "why?", "machine": "pc", "goal": {"kind": "stage-reached", "target": "hand-over"},
    "factor": [{"name": "base", "levels": ["C8", "D0"]}],
}  # fmt: skip


class Years:
    """Counts what a bench has after each restart: captures on disk, other files, metrics series, objects, memory."""

    def __init__(self, bench: VirtualBench) -> None:
        self.bench, self.day = bench, 0
        self.objects: list[int] = []
        self.resident: list[int] = []
        self.handles: list[int] = []
        self.series: list[int] = []
        self.captures: list[int] = []

    def aged(self) -> None:
        """Let files be as old as the bench's clock says: the disk's own clock stands still meanwhile."""
        now_s = (ANCHOR.wall_ns - ANCHOR.mono_ns + self.bench.clock.now_ns) / 1e9
        for path in (self.bench.folder / "data/captures/pc").glob("*.pcapng"):
            if path.stat().st_ctime == path.stat().st_mtime or path.stat().st_mtime > now_s + DAY_S:
                os.utime(path, (now_s, now_s))

    def live(self, days: int, boots: int) -> None:
        """So many days, a restart every few of them."""
        end = self.day + days
        while self.day < end:
            self.bench.run(lambda daemon: self._some_days(daemon, min(RESTART_DAYS, end - self.day), boots))
            self.aged()
            gc.collect()
            self.objects.append(len(gc.get_objects()))
            self.resident.append(int(Path("/proc/self/statm").read_text().split()[1]) * PAGE)
            self.handles.append(len(os.listdir("/proc/self/fd")))
            self.captures.append(len(self.files()))

    async def _some_days(self, daemon: Daemon, days: int, boots: int) -> None:
        for _ in range(days):
            self.day += 1
            if self.day == TRIAL_DAY:
                daemon.store.start_trial(study="card", machine="pc", setup={"base": "C8"}, changed={}, started=AT)
            for number in range(boots):
                await self.bench.play("post", GOOD if number else GOOD[:3])
                await asyncio.sleep(1.0 if number else 8.0)
            if self.day == TRIAL_DAY:
                daemon.store.end_trial("T1", AT)
            await asyncio.sleep(1)
            self.bench.clock.now_ns += round((DAY_S - 60) * NS)
            await asyncio.sleep(11)
        self.series.append(len(daemon.metrics.render(None)[0].splitlines()))

    def files(self) -> list[Path]:
        folder = self.bench.folder / "data/captures/pc"
        return sorted(path for path in folder.iterdir() if path.suffix in (".pcapng", ".gz"))

    def boots(self) -> list[Boot]:
        with Store.open(str(self.bench.folder / "data/benchd.db")) as store:
            return store.boots(newest_first=False)


def year(bench: VirtualBench, days: int, boots: int, room: Path) -> None:
    (bench.folder / "t.toml").write_text(TABLE)
    with Store.open(str(bench.folder / "data/benchd.db")) as store:
        store.save_study(StoredStudy(name="card", document=STUDY, created=AT, edited=AT))
    lived = Years(bench)
    lived.live(days, boots)
    kept = lived.boots()
    assert len(kept) == days * boots, "every boot's record stays"
    assert {"finished", "stalled"} <= {boot.outcome for boot in kept}
    # The runs of the last days, the one that is younger than a restart, and the one of the trial.
    most = KEEP_DAYS // RESTART_DAYS + 4
    assert max(lived.captures) <= most and lived.captures[-1] < len(lived.captures), lived.captures
    names = {path.name for path in (bench.folder / "data/captures/pc").iterdir()}
    indexes = {name for name in names if name.endswith(".index")}
    assert {name.removesuffix(".index") for name in indexes} <= {plain_name(path).name for path in lived.files()}
    assert len(names) <= 2 * most + 2, names
    assert sorted(path.name for path in (bench.folder / "data").iterdir() if path.is_file()) == [
        "benchd.db",
        "benchd.lock",
        "outbox.db",
    ]
    assert len(set(lived.series[2:])) <= 2, "as many series at the end as in the beginning"
    assert grown(lived.objects) < 0.05 * max(lived.objects) + 2000, lived.objects
    assert grown(lived.resident) < 16 * 2**20, lived.resident
    assert grown(lived.handles) <= 0, lived.handles
    waiting(bench.folder / "data/outbox.db", kept)
    with Store.open(str(bench.folder / "data/benchd.db")) as store:
        there = [boot for boot in kept if boot.trial == "T1"]
        assert there and all(Path(plain_name(Path(str(store.capture_of(boot.id))))).exists() or
                             Path(f"{store.capture_of(boot.id)}.gz").exists() for boot in there)  # fmt: skip
    before = (
        benchd("boots", "--json", "--limit", "100000", cwd=bench.folder),
        benchd("why", "card", code=None, cwd=bench.folder),
    )
    benchd("backup", str(room / "b.tar"), cwd=bench.folder)
    benchd("restore", str(room / "b.tar"), "--to", str(room / "again"), cwd=room)
    again = room / "again"
    assert (
        benchd("boots", "--json", "--limit", "100000", cwd=again),
        benchd("why", "card", code=None, cwd=again),
    ) == before
    assert "trial" in before[1] and before[0].count('"id"') == len(kept)


def grown(figures: list[int]) -> int:
    """How much more the second half reached than the first."""
    half = len(figures) // 2
    return max(figures[half:]) - max(figures[:half])


def waiting(path: Path, boots: list[Boot]) -> None:
    """What a broker that never came would still get: codes thinned and counted, of everything else nothing left out."""
    with closing(sqlite3.connect(path)) as db:
        kinds = dict(db.execute("SELECT kind, count(*) FROM waiting GROUP BY kind"))
        codes = db.execute("SELECT sum(1 + thinned) FROM waiting WHERE kind = 'code'").fetchone()[0]
        boot_events = [
            json.loads(body) for (body,) in db.execute("SELECT body FROM waiting WHERE kind = 'boot' ORDER BY seq")
        ]
        size = db.execute("SELECT sum(length(body) + length(topic)) FROM waiting").fetchone()[0]
    last = {event["boot"]: event["record"]["outcome"] for event in boot_events}
    assert codes == sum(boot.codes for boot in boots) and kinds.pop("code") <= CODES_KEPT + BATCH, kinds
    assert kinds["stage"] == sum(len(boot.stages) for boot in boots)
    assert last == {boot.id: boot.outcome for boot in boots}, "the last that is told of a boot is how it went"
    assert size < 6_000 * len(boots) + CODES_KEPT * 500, (size, kinds)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> VirtualBench:
    (tmp_path / "bench/data").mkdir(parents=True)
    keeping = f"[bench]\nkeep_days = {KEEP_DAYS}\nreserve_gb = 0\npack_days = 3\n"
    toml = f"[mqtt]\nurl = '{NOBODY}'\n{keeping}{machine_toml('pc')}"
    return VirtualBench(tmp_path / "bench", toml, monkeypatch)


@pytest.mark.slow
def test_three_weeks(bench: VirtualBench, tmp_path: Path) -> None:
    """Twenty-one days of two boots each, one of them a stall."""
    year(bench, 21, 2, tmp_path)


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_a_year(bench: VirtualBench, tmp_path: Path) -> None:
    """Three hundred and sixty-five days of ten boots each."""
    year(bench, 365, 10, tmp_path)
