"""The demo's story: the first conclusion is wrong, `next` puts it right, no part is bought."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import pytest
from studies.simulated import VirtualBench

from benchd.cli.demo import SEED
from benchd.demo import at286
from benchd.demo.story import STUDY, TRIALS_MOST, play_story
from benchd.store import Store
from benchd.studies.weighing import why
from benchd.vocabulary.models import Boot

ROOT = Path(__file__).resolve().parents[2]


def played(folder: Path, seed: int, number: int = 0) -> tuple[list[str], str, Store]:
    store = Store.open(folder / "b.db")
    bench = VirtualBench(store, folder / "captures", seed=seed)
    bench.number = number
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


def test_the_documents_tell_what_the_demo_plays(tmp_path: Path) -> None:
    """README and the notes quote lines of one and the same evening; only how fast the machine is differs."""
    lines, _, store = played(tmp_path, SEED, number=1)  # the demo shows one boot before
    store.close()
    told = {_without_seconds(line) for line in lines}
    for file, begins, ends in (
        ("README.md", "## An evening of trials", "What no setting explains"),
        ("firmware-notes/studies.md", "## A story", "The network card opens"),
    ):
        text = (ROOT / file).read_text(encoding="utf-8")
        story = text[text.index(begins) :].partition(ends)[0]
        quoted = [line for line in re.findall(r"^ {4,}(.*)$", story, re.M) if not line.startswith("$")]
        assert len(quoted) > 20
        for line in quoted:
            start, cut, _ = _without_seconds(line).partition(" [...]")
            assert any(one == start or (cut and one.startswith(start)) for one in told), f"{file}: {line}"


def _without_seconds(line: str) -> str:
    return re.sub(r" at [\d.]+ s$", "", line.strip())


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
