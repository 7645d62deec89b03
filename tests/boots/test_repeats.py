"""A wait that prints dots or counts: life up to the stage's limit, from there on a stall that stands and is alerted."""

from __future__ import annotations

import pytest
from support.pipelines import MS
from support.story import Story, findings

from benchd.boots.repeats import gist
from benchd.vocabulary.events import FindingCleared, FindingRaised
from benchd.vocabulary.observations import Text

TABLE = """
[table]
name = "story"
source = "invented for tests"
[boot]
starts = [{ code = "01" }]
quiet = "30s"
[[stage]]
name = "memory"
enter = [{ code = "20" }]
limit = "100s"
[[stage]]
name = "network"
enter = [{ code = "40" }]
limit = "20s"
[[stage]]
name = "open-end"
enter = [{ code = "50" }]
[[stage]]
name = "hand-over"
enter = [{ code = "60" }]
final = true
[[stall]]
name = "memory-stands"
after = { code = "20" }
quiet = "10s"
[[stall]]
name = "rom-never-returns"
after = { code = "41" }
quiet = "15s"
"""


def growing(t: float, text: str, line: int = 7) -> tuple[float, Text]:
    """The same console line as it grows."""
    at = round(t * 1000) * MS
    return t, Text("console", at, 1000, at, line, text, partial=True)


def dots(first: int, last: int) -> list[tuple[float, Text]]:
    return [growing(t, "waiting" + "." * (t - first + 1)) for t in range(first, last + 1)]


def stalls(story: Story) -> list[tuple[float, str]]:
    return [(e.finding.t, e.finding.rule) for e in story.of(FindingRaised) if e.finding.kind in ("stall", "quiet")]  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("waiting.", "waiting....."),
        ("00064 KB OK", "16384 KB OK"),
        ("at 0009FC00", "at 000A1000"),
        ("loading |", "loading \\"),
        ("loading -", "loading /"),
        ("  10 %", "100 %"),
        ("Retry 1 of 9", "Retry 2 of 9"),
    ],
)
def test_what_only_repeats(one: str, two: str) -> None:
    assert gist(one) == gist(two)


@pytest.mark.parametrize(("one", "two"), [("drive C", "drive D"), ("waiting", "ready"), ("SCSI 1 disk", "SCSI 1 tape")])
def test_what_says_something_new(one: str, two: str) -> None:
    assert gist(one) != gist(two)


def test_dots_past_the_limit_are_silence() -> None:
    """Stage limit 20 s, entered at 1 s: slow at 22 s, standing at 21 + min(20, 30) = 41 s, while dots go on."""
    story = Story(TABLE).tell((0.0, "01"), (1.0, "40"), *dots(2, 90), until=90)
    assert stalls(story) == [(41.0, "unknown")]
    assert ("slow", "network") in findings(story.boots[0]) and story.boots[0].outcome == "stalled"
    assert story.of(FindingCleared) == []
    told = next(f for f in story.boots[0].findings if f.kind == "stall")
    assert told.detail is not None and told.detail.startswith("not silent, but nothing new for 39 s")


def test_lines_that_count_are_silence_past_the_limit() -> None:
    """The same by whole lines with another number each; a known stall point speaks by its own quiet."""
    lines = [(float(t), f"> retry {t} of 99") for t in range(3, 80)]
    story = Story(TABLE).tell((0.0, "01"), (1.0, "40"), (2.0, "41"), *lines, until=80)
    assert stalls(story) == [(36.0, "rom-never-returns")]  # 21 s, the limit's end, and 15 s more
    assert story.of(FindingCleared) == []


def test_something_new_clears_it() -> None:
    story = Story(TABLE).tell((0.0, "01"), (1.0, "40"), *dots(2, 50), until=50)
    assert story.boots[0].outcome == "stalled"
    story.tell((51.0, "> link is up"), until=52)
    (cleared,) = story.of(FindingCleared)
    assert cleared.t_ns == 51_000 * MS  # type: ignore[attr-defined]
    assert story.boots[0].outcome == "running"
    story.tell((53.0, "60"), until=60)
    assert story.outcomes == ["finished"]


def test_a_memory_count_within_its_limit_is_life() -> None:
    """The stall point waits 10 s, the counter runs 90 s: no alarm before the stage's own limit."""
    count = [(float(t), f"> {t * 64:05} KB") for t in range(2, 91)]
    story = Story(TABLE).tell((0.0, "01"), (1.0, "20"), *count, (91.0, "40"), (92.0, "60"), until=99)
    assert stalls(story) == [] and story.outcomes == ["finished"]
    stuck = Story(TABLE).tell((0.0, "01"), (1.0, "20"), *count, until=120)
    assert stalls(stuck) == [(100.0, "memory-stands")]  # nothing at all since 90 s: 10 s of silence


def test_where_no_limit_is_set_repeating_text_is_life() -> None:
    story = Story(TABLE).tell((0.0, "01"), (1.0, "50"), *dots(2, 300), until=305)
    assert stalls(story) == []


def test_a_pause_among_dots_within_the_limit_ends_with_the_next_dot() -> None:
    """30 s of silence in a stage with time left stall it; dots that go on are life again there."""
    story = Story(TABLE).tell((0.0, "01"), (1.0, "20"), growing(2, "x."), growing(30, "x.."), until=31)
    assert stalls(story) == [(12.0, "memory-stands")] and len(story.of(FindingCleared)) == 1


def test_power_that_comes_back_is_seen_though_dots_go_on() -> None:
    """DTR dropped while it stood: a dot within 2 s says that the target lives, the stall stands all the same."""
    story = Story(TABLE).tell((0.0, "01"), (1.0, "40"), *dots(2, 50), (50.5, "OFF"), *dots(51, 60), until=61)
    assert story.outcomes == ["stalled"] and story.of(FindingCleared) == []
