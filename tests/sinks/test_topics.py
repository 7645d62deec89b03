"""Names in the topic tree: reversible, one level each, never a wildcard, never too long."""

from __future__ import annotations

import re
from urllib.parse import unquote, unquote_to_bytes

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from benchd.errors import UsageError
from benchd.sinks.mqtt.topics import MAX_LEVELS, MAX_TOPIC, Topics, check_prefix, escape

NAMES = st.text(st.characters(exclude_categories=[]), min_size=1, max_size=60)


@settings(deadline=None, max_examples=300)
@given(NAMES)
@example("+")
@example("#")
@example("a/b")
@example("\0")
@example("\udc80")
@example("%2F")
@example("$SYS")
def test_escape_is_reversible_and_harmless(name: str) -> None:
    """Any name gives one level without wildcard, slash, NUL or non-ASCII byte, and comes back exactly.

    Sources: MQTT 5.0 section 4.7 ([MQTT-4.7.0-1], [MQTT-4.7.3-1, -2]); the reverse also by urllib (RFC 3986).
    """
    level = escape(name)
    assert level and not set(level) & set("+#/\0$") and level.isascii() and level.isprintable()
    assert unquote_to_bytes(level).decode("utf-8", "surrogatepass") == name
    if not any("\ud800" <= ch <= "\udfff" for ch in name):
        assert unquote(level) == name


@settings(deadline=None, max_examples=200)
@given(NAMES, NAMES)
def test_different_names_never_share_topics(one: str, other: str) -> None:
    """A subscription made for one machine (paho's own matching) gets no other machine's messages."""
    topics = Topics("benchd", "bench")
    mine = topics.of(one, "state").rpartition("/")[0] + "/#"
    assert topic_matches_sub(mine, topics.of(one, "state"))
    assert topic_matches_sub(mine, topics.of(other, "state")) == (one == other)


def test_layout() -> None:
    """The published tree."""
    topics = Topics("home/bench", "b 1")
    assert topics.status == "home/bench/b%201/status"
    assert topics.of("at286", "stage") == "home/bench/b%201/machine/at286/stage"


@pytest.mark.parametrize(
    ("prefix", "says"),
    [
        ("", "empty level"),
        ("/a", "empty level"),
        ("a//b", "empty level"),
        ("a/", "empty level"),
        ("a/+", "'+'"),
        ("a#", "'#'"),
        ("a\0b", "'\\x00'"),
        ("$SYS/x", "brokers keep"),
        ("/".join("a" * (MAX_LEVELS + 1)), f"{MAX_LEVELS + 1} levels, at most {MAX_LEVELS}"),
    ],
)
def test_bad_prefixes(prefix: str, says: str) -> None:
    """A prefix that would break the tree is refused, saying why (MQTT 5.0 sections 4.7.1 to 4.7.3)."""
    with pytest.raises(ValueError, match=re.escape(says)):
        check_prefix(prefix)
    with pytest.raises(UsageError, match=r"mqtt\.prefix"):
        Topics(prefix, "b")


def test_length_limit() -> None:
    """65,535 bytes are allowed, one more is not ([MQTT-4.7.3-3]); the error gives both numbers."""
    root = len("p/b/machine//state")
    topics = Topics("p", "b")
    assert len(topics.of("m" * (MAX_TOPIC - root), "state")) == 65_535
    with pytest.raises(UsageError, match="65536 bytes, MQTT allows 65535"):
        topics.of("m" * (MAX_TOPIC - root + 1), "state")
    with pytest.raises(UsageError, match="empty name"):
        escape("")
