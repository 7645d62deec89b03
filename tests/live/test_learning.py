"""Limits learned from good boots: what is read of the store, and that nothing of it is missed."""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from benchd.errors import ExternalError
from benchd.store import Store
from benchd.store.boots import GoodBoot
from benchd.vocabulary.models import Boot, Finding, Stage
from benchd.vocabulary.times import NS
from benchd.watch import learning
from benchd.watch.learning import Learner

START = datetime(2026, 3, 1, tzinfo=UTC)


class Clock:
    now_ns = 0

    def monotonic_ns(self) -> int:
        return self.now_ns


class Bench:
    """A store, and a learner that is told of what is saved in it."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.store, self.clock = Store.open(str(folder / "benchd.db")), Clock()
        self.run: Any = SimpleNamespace(name="pc", table=SimpleNamespace(name="t"))
        self.learner = Learner(self.store, {"pc": self.run}, lambda name, limits: None, self.clock)  # type: ignore[arg-type]
        self.read: list[int] = []
        self.fails = False
        good_boots = self.store.good_boots

        def counted(machine: str, table: str, limit: int = 500, of: Collection[str] | None = None) -> list[GoodBoot]:
            if self.fails:
                raise ExternalError("locked")
            found = good_boots(machine, table, limit, of)
            self.read.append(len(found))
            return found

        monkeypatch.setattr(self.store, "good_boots", counted)

    def save(
        self, number: int, seconds: float, outcome: str = "finished", *, told: bool = True, stall: bool = False
    ) -> None:
        boot = Boot(
            id=f"b{number}", machine="pc", table="t", started=(START + timedelta(minutes=number)).isoformat(),
            outcome=outcome, stages=[Stage(name="s", t=0, u=0.01), Stage(name="end", t=seconds, u=0.01)],
            findings=[Finding(kind="stall", rule="r", stage="s", t=1)] if stall else [],
        )  # fmt: skip
        self.store.save_boot(boot)
        if told:
            self.learner.saved(boot)

    def limits(self) -> dict[str, tuple[float, int]]:
        return {name: (limit.seconds, limit.boots) for name, limit in self.learner._limits(self.run).items()}

    def afresh(self) -> dict[str, tuple[float, int]]:
        other = Learner(self.store, {"pc": self.run}, lambda name, limits: None, self.clock)  # type: ignore[arg-type]
        return {name: (limit.seconds, limit.boots) for name, limit in other._limits(self.run).items()}


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    return Bench(tmp_path, monkeypatch)


def test_what_is_known_is_not_read_again(bench: Bench) -> None:
    """One more boot costs one more boot, however many there are; the limits are those of a first look."""
    for number in range(30):
        bench.save(number, 5 + number / 100, told=False)
    assert bench.limits()["s"][1] == 30
    for number in range(30, 40):
        bench.save(number, 6 + number / 50)
        bench.limits()
    assert bench.read == [30] + [1] * 10
    assert bench.limits() == bench.afresh() and bench.limits()["s"][1] == 40


def test_a_boot_that_is_saved_otherwise_counts_as_it_is_now(bench: Bench) -> None:
    """A stall found later, another time, an outcome that changed: each as if all were read."""
    for number in range(12):
        bench.save(number, 5 + number / 100)
    before = bench.limits()
    bench.save(3, 5.5)
    bench.save(4, 5.04, stall=True)
    bench.save(5, 5.05, "looped")
    after = bench.limits()
    assert after == bench.afresh() != before and after["s"][1] == 10


def test_a_boot_left_out_is_dropped_when_all_are_read_next(bench: Bench) -> None:
    """Or sooner, where it is saved again meanwhile; a boot that is counted again comes back in the same way."""
    for number in range(12):
        bench.save(number, 5 + number / 100)
    bench.save(12, 50.0)
    assert bench.limits()["s"][1] == 13
    bench.store.leave_out("b12", "the lid was open")
    bench.clock.now_ns += learning.WHOLE_NS
    without = bench.limits()
    assert without == bench.afresh() and without["s"][1] == 12 and "b12" not in bench.learner._known["pc"].boots
    bench.store.count_boot("b12")
    bench.save(12, 50.0)
    assert bench.limits()["s"][1] == 13


def test_only_the_newest_count(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(learning, "GOOD_BOOTS", 8)
    for number in range(8):
        bench.save(number, 5 + number / 100)
    bench.limits()
    for number in (20, 21, 2):
        bench.save(number, 9.0)
    assert bench.limits()["s"][1] == 8
    assert sorted(bench.learner._known["pc"].boots) == ["b2", "b20", "b21", "b3", "b4", "b5", "b6", "b7"]


def test_another_table_an_hour_or_a_failure_reads_anew_what_is_needed(bench: Bench) -> None:
    for number in range(9):
        bench.save(number, 5 + number / 100)
    bench.limits()
    bench.save(9, 6.0)
    bench.fails = True
    with pytest.raises(ExternalError):
        bench.limits()
    bench.fails = False
    assert bench.limits() == bench.afresh(), "what was saved before the failure is read after it"
    bench.save(10, 7.0, told=False)  # by another process
    bench.clock.now_ns += learning.WHOLE_NS + NS
    assert bench.limits()["s"][1] == 11
    bench.run.table.name = "other"
    assert bench.limits() == {}
