"""The table of framings: all that a framing needs to be set, decoded, hunted for and described stands in its row.

Settings, the speed hunt and the notes draw from here; a framing is added by adding a row.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from benchd.decode import score
from benchd.decode.benchlink import BenchFrames
from benchd.decode.console import Console
from benchd.decode.link import Framing, Outlet
from benchd.decode.pattern import Pattern
from benchd.decode.plain import HexText, Raw
from benchd.errors import UsageError
from benchd.vocabulary.hunting import HuntScoring
from benchd.vocabulary.records import LinkInfo

OWN_SETTINGS = ("pattern", "tick")
"""Settings of a link that only some framings take."""


@dataclass(frozen=True, slots=True)
class FramingKind:
    """One framing of `link` links. Its first row of a link is what a link without `framing` has.

    `make` raises UsageError for settings that do not fit. `hunt` scores its bytes for the speed hunt. `takes`
    names those of OWN_SETTINGS that it understands, `needs` those that it cannot do without. The rest are its
    words in firmware-notes/card-framings.md, `refuses` the reasons of its own by which it refuses bytes; any link
    has also break-nul, link-down and speed-change.
    """

    name: str
    link: Literal["post", "console"]
    make: Callable[[Outlet], Framing]
    hunt: HuntScoring
    sends: str
    tells_port: str = "no"
    tells_losses: str = "no"
    tells_time: str = "arrival"
    takes: frozenset[str] = field(default_factory=frozenset)
    needs: frozenset[str] = field(default_factory=frozenset)
    refuses: tuple[str, ...] = ()


FRAMINGS: list[FramingKind] = [
    FramingKind("raw", "post", Raw, score.ANY_BYTE, "one byte a code"),
    FramingKind(
        "hex",
        "post",
        HexText,
        score.HEX,
        "text, two or four hex digits a code",
        tells_port="if sent",
        refuses=("not-hex", "half-code", "bad-port", "too-long", "nul"),
    ),
    FramingKind(
        "pattern",
        "post",
        Pattern,
        score.TEXT,
        "lines of text of any kind",
        tells_port="if sent",
        tells_time="arrival, or ticks if sent",
        takes=frozenset(("pattern", "tick")),
        needs=frozenset(("pattern",)),
        refuses=("no-match", "bad-value", "line-too-long"),
    ),
    FramingKind(
        "bench",
        "post",
        BenchFrames,
        score.FRAMES,
        "frames as below",
        tells_port="yes",
        tells_losses="yes",
        tells_time="the card's ticks",
        takes=frozenset(("tick",)),
        refuses=(
            "not-cobs",
            "too-short",
            "bad-crc",
            "unknown-version",
            "unknown-kind",
            "bad-layout",
            "too-long",
            "half-frame",
            "repeated",
        ),
    ),
    FramingKind(
        "text",
        "console",
        Console,
        score.TEXT,
        "text and terminal controls",
        refuses=("bad-escape", "control", "nul", "undecodable"),
    ),
]


def framings_of(link: str) -> list[FramingKind]:
    """Return the framings of "post" or "console" links."""
    return [row for row in FRAMINGS if row.link == link]


def framing_of(info: LinkInfo) -> FramingKind:
    """Return the row of a link's framing. Raises UsageError naming those there are."""
    rows = framings_of(info.kind)
    for row in rows:
        if row.name == info.framing:
            return row
    known = ", ".join(row.name for row in rows)
    what = f'framing "{info.framing}" is unknown for a {info.kind} link'
    raise UsageError(f"link {info.name}: {what}: use {known}")
