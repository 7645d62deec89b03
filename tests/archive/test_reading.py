"""Whoever may write to the broker may send anything: it is refused by a named reason, and nothing else happens."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from archive.telling import AT, Bench
from hypothesis import given, settings
from hypothesis import strategies as st
from web.rig import stored_boot

from benchd.archive.names import FROM_FILES, apart, number_there, there
from benchd.archive.reading import Heard, Refusal, read
from benchd.archive.rows import Row, placed
from benchd.archive.settings import load_archive
from benchd.studies.loaded import IMPORTED

LEAVES = ("status", "entry", "answer", "machine/at286/boot", "machine/at286/code", "machine/at286/state", "x/y/z")
BOOT = stored_boot(1, "stuck", datetime(2026, 3, 1, tzinfo=UTC))
LATE = BOOT.model_dump(mode="json") | {"started": "late"}


@settings(deadline=None, max_examples=60)
@given(st.sampled_from(LEAVES), st.binary(max_size=300) | st.text(max_size=200).map(str.encode))
def test_bytes_of_any_kind_end_in_a_named_refusal(leaf: str, payload: bytes) -> None:
    """No exception leaves, whatever comes."""
    told = read("benchd", f"benchd/corner/{leaf}", payload)
    assert told is None or (isinstance(told, Refusal) and told.reason and told.words)


Json: Any = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=10), inner, max_size=4),
    max_leaves=12,
)


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_a_field_of_any_kind_is_refused_or_taken(data: st.DataObject) -> None:
    """A good message with one field put to something else: refused by name, or an event that its own number has."""
    bench = Bench("corner")
    row = {"id": "T1", "number": 1, "study": "s", "machine": "m", "setup": {}, "changed": {}, "started": AT, "note": ""}
    topic, payload = data.draw(st.sampled_from([bench.boot(BOOT), bench.entry("trial", row), bench.answer("a1")]))
    whole = json.loads(payload)
    inside = whole
    while True:
        key = data.draw(st.sampled_from(sorted(inside)))
        if not (isinstance(inside[key], dict) and inside[key] and data.draw(st.booleans())):
            break
        inside = inside[key]
    inside[key] = data.draw(Json)
    told = read("benchd", topic, json.dumps(whole).encode())
    assert isinstance(told, Refusal | Heard)
    if isinstance(told, Heard) and isinstance(told.what, Row):
        placed(told.what, "corner", 3)


@pytest.mark.parametrize(
    ("topic", "change", "reason"),
    [
        ("benchd/a%40b/machine/at286/boot", {}, "wrong-name"),
        ("benchd/attic/machine/at286/boot", {}, "wrong-bench"),
        ("benchd/corner/machine/other/boot", {}, "wrong-machine"),
        ("benchd/corner/machine/at286/other", {}, "wrong-topic"),
        ("benchd/corner/machine/at286/boot", {"id": "x-1"}, "wrong-id"),
        ("benchd/corner/machine/at286/boot", {"seq": 2}, "wrong-id"),
        ("benchd/corner/machine/at286/boot", {"at": "yesterday"}, "wrong-time"),
        ("benchd/corner/machine/at286/boot", {"state": "removed"}, "wrong-form"),
        (
            "benchd/corner/machine/at286/boot",
            {"record": LATE},
            "wrong-time",
        ),
        ("benchd/corner/machine/at286/boot", {"note": "x" * (1 << 20)}, "too-large"),
    ],
)
def test_each_lie_has_its_name(topic: str, change: dict[str, Any], reason: str) -> None:
    _, payload = Bench("corner").boot(BOOT)
    told = read("benchd", topic, json.dumps(json.loads(payload) | change).encode())
    assert isinstance(told, Refusal)
    assert told.reason == reason, told.words


def test_names_and_numbers_go_there_and_back() -> None:
    """A name may hold @ itself, a bench's may not; numbers of two benches never meet."""
    assert apart(there("a@b", "corner")) == ("a@b", "corner")
    assert number_there(999_999_999, 1) < number_there(0, 2)
    with pytest.raises(ValueError, match="is not in"):
        number_there(1_000_000_000, 1)
    assert FROM_FILES == IMPORTED


def test_the_example_of_settings_reads() -> None:
    loaded = load_archive(Path(__file__).resolve().parents[2] / "config/archive.toml")
    assert loaded.settings.archive.share == "benchd-archive"
    assert loaded.store.startswith("postgresql://")
