"""Boot stories for tests: a rule table, a list of `(seconds, what)` and the events that come of it.

`what` is a code ("7E", "80:7E" with its port, "7A20" wide), a console line (`"> text"`), or one of
RESET, ON, OFF, DOWN, UP, an Annotation or any Observation.
"""

from __future__ import annotations

from collections.abc import Sequence

from benchd.boots import BootTracker
from benchd.rules import Matcher, load_text
from benchd.vocabulary.events import BootChanged, BootOver, BootSettled, BootStarted, Event
from benchd.vocabulary.models import Boot
from benchd.vocabulary.observations import Code, LinkChange, Observation, Power, Reset, Text
from benchd.vocabulary.records import LinkInfo
from benchd.vocabulary.times import NS, Anchor

POST = LinkInfo("post", "post", "raw")
CONSOLE = LinkInfo("console", "console", "text")
ANCHOR = Anchor(1_750_000_000 * NS, 0)
TABLE = """
[table]
name = "story"
source = "invented for tests"
[boot]
starts = [{ code = "01" }]
quiet = "30s"
[[stage]]
name = "early"
enter = [{ code = "05" }]
[[stage]]
name = "memory"
enter = [{ code = "20-24" }, { text = "Testing memory" }]
limit = "9s"
[[stage]]
name = "rom-scan"
enter = [{ code = "40" }]
optional = true
[[stage]]
name = "hand-over"
enter = [{ code = "AA" }, { text = "Starting" }]
final = true
[[stage]]
name = "storage-rom"
enter = [{ text = "storage rom ready" }]
expected = true
[[stall]]
name = "rom-never-returns"
after = { code = "40" }
quiet = "5s"
means = "The option ROM was called and did not come back."
try = ["take the card out", "another image"]
caution = "Power off and unplug first."
"""


class Story:
    """A tracker that is fed by hand and remembers its events."""

    def __init__(self, table: str = TABLE, links: Sequence[LinkInfo] = (POST, CONSOLE)) -> None:
        self.tracker = BootTracker("at286", Matcher(load_text(table, "story.toml")), links, ANCHOR)
        self.events: list[Event] = []
        self.line = 0

    def observation(self, t: float, what: str | Observation) -> Observation:
        if not isinstance(what, str):
            return what
        t_ns = round(t * NS)
        if what.startswith("> "):
            self.line += 1
            return Text("console", t_ns, 1000, t_ns, self.line, what[2:])
        match what:
            case "RESET":
                return Reset("post", t_ns, 1000)
            case "ON" | "OFF":
                return Power("console", t_ns, 1000, what == "ON")
            case "DOWN" | "UP":
                return LinkChange("post", t_ns, 1000, what == "UP", "test")
        port, _, digits = what.rpartition(":")
        return Code("post", t_ns, 1000, int(digits, 16), int(port, 16) if port else None, len(digits) == 4)

    def tell(self, *steps: tuple[float, str | Observation], until: float | None = None) -> Story:
        for t, what in steps:
            self.events += self.tracker.feed(self.observation(t, what))
        if until is not None:
            self.events += self.tracker.advance(round(until * NS))
        return self

    @property
    def boots(self) -> list[Boot]:
        """Every boot as last told of, in order of start."""
        latest: dict[str, Boot] = {}
        for event in self.events:
            if isinstance(event, BootStarted | BootChanged | BootSettled | BootOver):
                latest[event.boot.id] = event.boot
        return list(latest.values())

    @property
    def outcomes(self) -> list[str]:
        return [boot.outcome for boot in self.boots]

    def of(self, kind: type) -> list[Event]:
        return [event for event in self.events if isinstance(event, kind)]


def findings(boot: Boot) -> list[tuple[str, str]]:
    """Return (kind, rule) of each finding."""
    return [(f.kind, f.rule) for f in boot.findings]
