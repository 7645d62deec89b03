"""The demo's story: the first conclusion is wrong, `next` puts it right, no part is bought."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest
from studies.simulated import VirtualBench

from benchd.demo import at286
from benchd.demo.story import STUDY, TRIALS_MOST, play_story
from benchd.store import Store
from benchd.studies.weighing import why
from benchd.vocabulary.models import Boot


def played(folder: Path, seed: int) -> tuple[list[str], str, Store]:
    store = Store.open(folder / "b.db")
    bench = VirtualBench(store, folder / "captures", seed=seed)
    lines: list[str] = []
    verdict = play_story(store, "at286", bench.boot, lines.append)
    bench.close()
    return lines, verdict, store


@pytest.mark.parametrize("seed", [3, 5, 10])
def test_the_true_cause_is_found_in_few_trials(tmp_path: Path, seed: int) -> None:
    """Settled is the simulated machine's hidden cause, seen to fail and to work again; nothing was bought."""
    lines, verdict, store = played(tmp_path, seed)
    with store:
        found = why(store, STUDY)
        assert found.settled and found.confirmed
        assert {(c.factor, c.level) for c in found.causes[0].conditions} == set(at286.TRUE_CAUSE)
        trials = store.trials(study=STUDY)
        assert len(trials) <= 16 and len(store.boots()) <= 20
        assert all(trial.setup["storage-card"] == "first" for trial in trials)
        assert all(boot.trial for boot in store.boots())
    assert "a conflict of two parts. It fails when rom-base is D000 and" in verdict
    text = "\n".join(lines)
    assert "yet, that is premature: " in text and "No part was ordered." in text
    assert "The cause is settled: " in text and "and worked again" in " ".join(text.split())
    assert all(len(line) <= 96 for line in lines)


def test_the_first_conclusion_is_not_the_last(tmp_path: Path) -> None:
    """After the guesses the conflict does not lead; on the way the jumper alone does; in the end neither."""
    lines, _, store = played(tmp_path, 3)
    store.close()
    leads = [line for line in lines if "likeliest now" in line]
    assert "rom-base is D000 (" in leads[0] and "network-card" not in leads[0]
    assert "network-card is window-on" in leads[-1]


def test_an_unlucky_evening_ends_too(tmp_path: Path) -> None:
    """A machine that never fails in the same way does not keep the story going for ever, and it says so."""
    with Store.open(tmp_path / "b.db") as store:
        bench = VirtualBench(store, tmp_path / "captures")

        def boot(setup: Mapping[str, str]) -> Boot:
            return bench.boot(setup, "ready" if bench.number % 2 else "skipped")

        lines: list[str] = []
        play_story(store, "at286", boot, lines.append)
        bench.close()
        assert len(store.boots()) <= TRIALS_MOST + 2
    assert any("unlucky evening" in line for line in lines) or any("intermittent" in line for line in lines)
