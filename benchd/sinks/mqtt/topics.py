"""The MQTT topic tree, and names made harmless in it. Pure.

    PREFIX/BENCH/status                     retained; Last Will
    PREFIX/BENCH/entry                      events, not retained: what people entered
    PREFIX/BENCH/ask                        heard: what an archive asks for
    PREFIX/BENCH/answer                     events, not retained
    PREFIX/BENCH/machine/MACHINE/state      retained
    PREFIX/BENCH/machine/MACHINE/alert      retained
    PREFIX/BENCH/machine/MACHINE/code       events, not retained: code, stage, finding, boot, link

A name becomes one topic level by percent-encoding (RFC 3986 section 2.1): every byte of its UTF-8 form other
than letters, digits and `-._~` is written `%XX`. So `+ # /`, NUL, spaces and non-ASCII letters can break
nothing, and `urllib.parse.unquote` gives the name back.
Source of the limits: MQTT 5.0 section 4.7.3 ([MQTT-4.7.3-1..3]) and 4.7.0-1.
"""

from __future__ import annotations

from urllib.parse import quote

from benchd.errors import UsageError

MAX_TOPIC = 65_535
"""Bytes of a topic name (MQTT 5.0, [MQTT-4.7.3-3])."""

MAX_LEVELS = 16
"""Levels of a prefix. Brokers limit the depth of the tree; common practice, no source."""


def escape(name: str) -> str:
    """Return `name` as one topic level. Raises UsageError where it is empty."""
    if not name:
        raise UsageError("an empty name cannot be a topic level: give the bench or machine a name")
    return quote(name.encode("utf-8", "surrogatepass"), safe="")


def check_prefix(prefix: str) -> str:
    """Return `prefix` if it can start every topic. Raises ValueError saying what is wrong."""
    levels = prefix.split("/")
    if not all(levels):
        raise ValueError("has an empty level: no slash at either end, none doubled")
    if len(levels) > MAX_LEVELS:
        raise ValueError(f"has {len(levels)} levels, at most {MAX_LEVELS} are allowed")
    if prefix.startswith("$"):
        raise ValueError("starts with $, which brokers keep for themselves")
    bad = sorted({ch for ch in prefix if ch in "+#" or not ch.isprintable() or ch == "\ufffd"})
    if bad:
        raise ValueError(f"has {', '.join(ascii(ch) for ch in bad)}, which topic names may not have")
    return prefix


class Topics:
    """The topics of one bench. Raises UsageError where a name would make one longer than MQTT allows."""

    def __init__(self, prefix: str, bench: str) -> None:
        try:
            self.root = f"{check_prefix(prefix)}/{escape(bench)}"
        except ValueError as error:
            raise UsageError(f"mqtt.prefix {prefix!a} {error}") from None
        self.status = self._checked(f"{self.root}/status")
        self.entry, self.ask, self.answer = (
            self._checked(f"{self.root}/{leaf}") for leaf in ("entry", "ask", "answer")
        )

    def of(self, machine: str, leaf: str) -> str:
        """Return the topic of a machine's state, alert or event."""
        return self._checked(f"{self.root}/machine/{escape(machine)}/{leaf}")

    def _checked(self, topic: str) -> str:
        size = len(topic.encode())
        if size > MAX_TOPIC:
            raise UsageError(f"the topic {topic[:40]}... has {size} bytes, MQTT allows {MAX_TOPIC}: shorten the names")
        return topic
