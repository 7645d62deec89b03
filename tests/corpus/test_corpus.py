"""The corpus: every capture gives what lies beside it, and no table speaks over another family's captures.

The captures come from programs that judge nothing: an emulator with its SeaBIOS, a BIOS of our own, a simulated
machine; what each must give is in its JSON, made by `corpus.py rebuild` and read by a person before it is kept.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from corpus import corpus

NAMES = corpus.names()


@pytest.mark.parametrize("name", NAMES)
def test_capture_gives_what_lies_beside_it(name: str) -> None:
    """Boots field for field, every byte accounted for; sidecar complete; small enough to keep."""
    assert list(corpus.problems_of(name)) == []


def test_no_table_speaks_over_another_familys_captures() -> None:
    """Every shipped table over every other family's capture: silent, but for the list with reasons; none idle."""
    assert list(corpus.foreign_problems()) == []


def test_texts_do_not_collide_even_in_endless_silence() -> None:
    """An hour of silence after each foreign capture: a stall point known by text is never believed."""
    assert list(corpus.after_silence_problems()) == []


def test_the_corpus_holds_what_it_should() -> None:
    """Each outcome and each trouble that this corpus is kept for is in it, under the name that promises it."""
    said = {name: json.loads((corpus.CAPTURES / f"{name}.json").read_text()) for name in NAMES}
    outcomes = {name: {boot["outcome"] for boot in one["boots"]} for name, one in said.items()}
    kinds = {name: {f["kind"] for boot in one["boots"] for f in boot["findings"]} for name, one in said.items()}
    assert outcomes["test-good"] == {"finished"} and not kinds["test-good"]
    assert outcomes["test-hang"] == outcomes["test-rom-never-returns"] == outcomes["demo-stuck"] == {"stalled"}
    assert outcomes["test-loop"] == {"looped"} and kinds["test-loop"] == {"loop"}
    assert kinds["test-skipped"] == {"skipped", "fault"}
    assert outcomes["seabios-no-device"] == {"stalled"} and outcomes["seabios-option-rom"] == {"finished"}
    assert outcomes["test-300-baud"] == {"finished"} and not kinds["test-300-baud"]
    assert not kinds["test-noise"] & {"stall", "loop", "fault"}
    assert said["demo-wrong-framing"]["bytes"]["post"]["decoded"] == 0
    assert 8 <= len(NAMES) <= corpus.MAX_FILES


def copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "captures"
    shutil.copytree(corpus.CAPTURES, folder)
    monkeypatch.setattr(corpus, "CAPTURES", folder)
    return folder


@pytest.mark.parametrize("ending", ["json", "toml", "pcapng"])
def test_anything_missing_is_an_error(ending: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A capture without expectation, or an expectation without capture, never passes in silence."""
    folder = copied(tmp_path, monkeypatch)
    (folder / f"test-good.{ending}").unlink()
    (problem,) = corpus.check([])
    assert f"test-good.{ending} is missing" in problem


def test_a_difference_is_named_by_its_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was expected, what came, and where."""
    folder = copied(tmp_path, monkeypatch)
    path = folder / "test-hang.json"
    path.write_text(path.read_text().replace('"memory-stands"', '"something-else"'))
    (problem, *_) = corpus.problems_of("test-hang")
    assert "boots[0].findings[0].rule: expected 'something-else', got 'memory-stands'" in problem


def test_a_false_positive_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the list of allowed ones the collisions of POST codes are problems, each by table and rule."""
    monkeypatch.setattr(corpus, "allowed", dict)
    told = list(corpus.foreign_problems(["test-hang"]))
    assert "test-hang: false positive of at-p0413: fault timer-failed" in told


def test_an_allowance_that_nothing_needs_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """The list cannot outlive its reasons."""
    idle = corpus.False_("dos-text", "test-good", "stall", "no-system-disk")
    known = corpus.allowed()
    monkeypatch.setattr(corpus, "allowed", lambda: {**known, idle: "none"})
    assert list(corpus.foreign_problems()) == [
        "allowed.toml: nothing needs dos-text over test-good: stall no-system-disk: take it out"
    ]
