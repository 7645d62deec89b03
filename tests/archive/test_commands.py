"""The reading commands on an archive say what they say on each bench, but for the names; models are seen over all."""

from __future__ import annotations

import json
import math
import random
import re
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from archive.telling import Bench, as_read, summed
from archive.test_apply import take
from typer.testing import CliRunner
from web.rig import MACHINE, STUDY, stored_boot

from benchd.archive.database import ArchiveDatabase, ArchiveStore
from benchd.cli.main import build
from benchd.errors import BenchError
from benchd.store import Store
from benchd.studies.modelview import model_view


def said(*words: str, code: int = 0) -> str:
    done = CliRunner().invoke(build(), list(words))
    if isinstance(done.exception, BenchError):
        assert done.exception.exit_code == code, done.exception
        return str(done.exception)
    assert done.exit_code == code, (done.output, done.exception)
    return str(done.output)


def told(*words: str) -> Any:
    return json.loads(said(*words, "--json"))


def unplaced(value: Any, bench: str) -> Any:
    """JSON of the archive with the names and numbers that the bench has: the first that was heard of, share 1."""
    text = json.dumps(value).replace(f"@{bench}", "")
    return json.loads(re.sub(r"\b1(\d{9})\b", lambda found: str(int(found[1])), text))


@pytest.fixture
def archive(tmp_path: Path, benches: list[Bench]) -> str:
    place = str(tmp_path / "archive.db")
    database = ArchiveDatabase(place, create=True, read_only=False)
    for bench in benches:
        take(database, bench.everything())
    database.close()
    return place


def test_reading_commands_say_the_same_as_on_the_bench(archive: str, benches: list[Bench], tmp_path: Path) -> None:
    """boots, show, compare, why, next, trial and study commands, held against the bench's own answers."""
    bench = benches[0]
    (tmp_path / "bench.toml").write_text(f'[bench]\nname = "{bench.name}"\ndata = "{bench.name}"\n')
    own = ("--config", str(tmp_path / "bench.toml"))
    there = ("--archive", archive)
    boots = told("boots", "--limit", "1000", *there)
    assert len(boots) == sum(len(summed([one])["boots"]) for one in benches)
    assert unplaced([one for one in boots if one["id"].endswith(f"@{bench.name}")], bench.name) == told(
        "boots", "--limit", "1000", *own
    )
    assert {one["machine"] for one in told("boots", "--machine", f"xt@{bench.name}", *there)} == {f"xt@{bench.name}"}
    boot = next(one["id"] for one in boots if one["machine"] == f"xt@{bench.name}" and one["outcome"] == "finished")
    assert unplaced(told("show", boot, *there), bench.name) == told("show", boot.rpartition("@")[0], *own)
    for words, mine in (
        (
            ("compare", f"T1@{bench.name}", f"T3@{bench.name}", "--stages-only"),
            ("compare", "T1", "T3", "--stages-only"),
        ),
        (("why", f"{STUDY}@{bench.name}"), ("why", STUDY)),
        (("next", f"{STUDY}@{bench.name}"), ("next", STUDY)),
        (("trial", "show", f"T2@{bench.name}"), ("trial", "show", "T2")),
        (("trial", "list", "--study", f"{STUDY}@{bench.name}"), ("trial", "list", "--study", STUDY)),
        (("study", "show", f"{STUDY}@{bench.name}"), ("study", "show", STUDY)),
    ):
        assert unplaced(told(*words, *there), bench.name) == told(*mine, *own), words
    assert {one["name"] for one in told("study", "list", *there)} == {f"{STUDY}@{one.name}" for one in benches}
    rows = said("study", "export", f"{STUDY}@{bench.name}", *there).splitlines()
    assert unplaced(rows, bench.name) == said("study", "export", STUDY, *own).splitlines()
    assert as_read(Store.open(tmp_path / bench.name / "benchd.db")) == as_read(bench.store)  # type: ignore[arg-type]


def test_what_is_not_there_is_said(archive: str, tmp_path: Path, benches: list[Bench]) -> None:
    """An archive that is none, a machine without its bench, both places at once, codes that are on the bench."""
    assert "not both" in said("boots", "--archive", archive, "--config", "x.toml", code=2)
    assert "the archive has: at286@" in said("boots", "--archive", archive, "--machine", MACHINE, code=2)
    store = str(tmp_path / "corner/benchd.db")
    assert "the store of a bench, not an archive" in said("boots", "--archive", store, code=2)
    assert "there is no store" in said("boots", "--archive", str(tmp_path / "none.db"), code=2)
    boot = told("boots", "--archive", archive, "--limit", "1")[0]["id"]
    assert "its codes and lines are on its bench" in said("show", boot, "--trace", "--archive", archive, code=2)


def wilson(k: int, n: int) -> tuple[float, float]:
    """Wilson, 1927: J. Am. Stat. Assoc. 22, 209-212, with the normal quantile for 95 %."""
    z = 1.959963984540054
    middle, half = k + z * z / 2, z * math.sqrt(k * (n - k) / n + z * z / 4)
    return (middle - half) / (n + z * z), (middle + half) / (n + z * z)


def test_where_boots_of_a_model_stand(database: ArchiveDatabase, place: str) -> None:
    """Counts, shares and times over three benches, held against counting one by one; what says nothing is left out."""
    rng, start = random.Random(5), datetime(2026, 3, 1, tzinfo=UTC)
    boots: list[tuple[str, Any]] = []
    for n in range(240):
        bench, machine = rng.choice(("corner", "attic", "van")), rng.choice(("a", "b"))
        boot = stored_boot(n, rng.choice(("ready", "ready", "stuck")), start + timedelta(minutes=n), machine=machine)
        if boot.outcome == "stalled" and rng.random() < 0.3:
            boot = boot.model_copy(update={"last_code": "41"})
        kind = rng.choice(("kept", "kept", "kept", "other", "imported", "pass", "cut"))
        more: dict[str, Any] = {
            "kept": {"model": "m286"}, "other": {"model": "m386"}, "imported": {"model": "m286", "imported": True},
            "pass": {"model": "m286", "passes_of": "x"}, "cut": {"model": "m286", "outcome": "cut-short"},
        }[kind]  # fmt: skip
        boot = boot.model_copy(update=more)
        boots.append((bench, boot))
    voices = {name: Bench(name) for name in ("corner", "attic", "van")}
    take(database, [voices[bench].boot(boot) for bench, boot in boots])
    mine = [(b, one) for b, one in boots if one.model == "m286" and not one.imported and one.passes_of is None]
    tells = [(b, one) for b, one in mine if one.outcome in ("finished", "stalled")]
    with ArchiveStore.at(place) as store:
        found = model_view(store, "m286", archive=True)
        assert (found.boots, found.tells) == (len(mine), len(tells))
        assert found.stood == sum(one.outcome == "stalled" for _, one in tells)
        for spot in found.places:
            here = [(b, one) for b, one in tells if one.outcome == "stalled" and one.last_code == spot.code]
            assert (spot.boots, spot.stage) == (len(here), "rom-scan")
            assert spot.counts == dict(Counter(b for b, _ in here))
            assert spot.machines == len({(b, one.machine) for b, one in here})
            assert (spot.low, spot.high) == pytest.approx(wilson(len(here), len(tells)))
            newest = max(here, key=lambda pair: pair[1].started)
            assert f"{newest[1].id}@{newest[0]}" in spot.newest
        assert [spot.code for spot in found.places] == ["40", "41"]
        memory = next(one for one in found.times if one.stage == "memory")
        lasted = sorted(
            next(b.t - a.t for a, b in zip(one.stages, one.stages[1:], strict=False) if a.name == "memory")
            for _, one in mine if one.outcome == "finished"
        )  # fmt: skip
        assert (memory.n, memory.low, memory.high) == (len(lasted), pytest.approx(lasted[0]), pytest.approx(lasted[-1]))
    text = said("model", "m286", "--archive", place)
    assert f"m286: {len(mine)} boots of 6 machines: " in text
    assert "rom-scan   40" in text
    assert told("model", "--archive", place) == dict(Counter(one.model for _, one in boots))
    assert "is m286 or m386 meant?" in said("model", "m28", "--archive", place, code=2)
