"""When to tell people. Pure: events and the time come in, notices come out.

What is told is up to the kinds in the settings; the `alert` of a finding is only what they are by default.

For each thing that can stand (machine, kind, rule; see live_state.py):

| state    | what happens                              | told       | next     |
| -------- | ----------------------------------------- | ---------- | -------- |
| quiet    | it begins to stand                        | raised     | standing |
| quiet    | it begins, and its kind has a delay       | -          | delayed  |
| delayed  | the delay is over                         | raised     | standing |
| delayed  | it ends                                   | -          | quiet    |
| standing | it ends                                   | recovered  | quiet    |
| quiet    | it begins, for the (flaps+1)th time within the window | unsteady | unsteady |
| unsteady | it begins or ends                         | -          | unsteady |
| unsteady | nothing changed for a whole window        | steady     | standing or quiet |

Raised again while it stands, nothing is told. Only links have a delay (a quick replug).

What a person silenced (AlarmSilenced) goes through the same states and is not told: neither that it is over, nor that
it comes and goes. Where it still stands when its time is up, it is raised once more. The silence ends with what stands:
the same alarm in the next boot is another one, and told.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from benchd.live_state import Key, LiveState, Standing, StandingChange
from benchd.vocabulary.events import AlarmSilenced, BootStarted, Event, FindingRaised, StageEntered

NS = 1_000_000_000

MAX_KEYS = 5_000
"""Things remembered; the longest quiet one is forgotten first. Rules times machines stay far below."""


@dataclass(frozen=True, slots=True)
class Notice:
    """Something to tell. `in_stage_s`: how long the stage had lasted when it was raised; `again`: it was silenced."""

    state: Literal["raised", "recovered", "unsteady", "steady"]
    standing: Standing
    t_ns: int
    why: str
    in_stage_s: float | None = None
    stood_s: float | None = None
    still: bool = False
    count: int = 0
    again: bool = False


@dataclass(slots=True)
class Track:
    """One thing's place in the table."""

    state: Literal["quiet", "delayed", "standing", "unsteady"] = "quiet"
    begun: deque[int] = field(default_factory=deque)
    changed_ns: int = 0
    still: StandingChange | None = None
    last: StandingChange | None = None
    silent_ns: int | None = None


class AlertPolicy:
    """Decides what is told. All times in ns of the monotonic clock."""

    def __init__(self, kinds: Iterable[str], *, link_delay_s: float, flaps: int, window_s: float) -> None:
        self._kinds = frozenset(kinds)
        self._delay_ns = int(link_delay_s * NS)
        self._flaps = flaps
        self._window_ns = int(window_s * NS)
        self._live = LiveState()
        self._tracks: dict[Key, Track] = {}
        self._stage_t: dict[str, tuple[str, float]] = {}

    def feed(self, event: Event) -> list[Notice]:
        """Take an event; return what to tell now."""
        if isinstance(event, BootStarted):
            self._stage_t.pop(event.machine, None)
        elif isinstance(event, StageEntered):
            self._stage_t[event.machine] = (event.stage, event.t)
        if isinstance(event, AlarmSilenced):
            self._silence((event.machine, event.kind, event.rule), event)
        out = []
        for change in self._live.feed(event):
            standing = change.standing
            if standing.key[1] in self._kinds:
                out += self._change(change)
        # What stood before a restart of ours was told then; that it is over will be told.
        return [] if isinstance(event, FindingRaised) and event.recovered else out

    def tick(self, now_ns: int) -> list[Notice]:
        """Return what time alone makes due: delays that are over, unsteady things that became steady."""
        out = []
        for track in self._tracks.values():
            if track.last is not None:
                out += self._due_now(track, track.last, now_ns)
        return out

    def _due_now(self, track: Track, change: StandingChange, now_ns: int) -> list[Notice]:
        if track.silent_ns is not None and now_ns < track.silent_ns:
            return []
        if track.state == "standing" and track.silent_ns is not None:
            track.silent_ns = None
            standing = change.standing
            return [Notice("raised", standing, now_ns, change.why, self._in_stage(standing), again=True)]
        track.silent_ns = None
        if now_ns < self._due(track):
            return []
        if track.state == "delayed":
            track.state = "standing"
            return [self._raised(track, change, now_ns)]
        if track.state == "unsteady":
            track.state = "standing" if track.still else "quiet"
            track.begun.clear()
            return [Notice("steady", change.standing, now_ns, change.why, still=bool(track.still))]
        return []

    def _silence(self, key: Key, event: AlarmSilenced) -> None:
        track = self._tracks.get(key)
        if track is not None and track.still is not None:
            track.silent_ns = event.until_ns if event.until_ns > event.t_ns else None

    def next_ns(self) -> int | None:
        """Return when `tick` is due next, or None."""
        due = [
            max(self._due(t) if t.state in ("delayed", "unsteady") else 0, t.silent_ns or 0)
            for t in self._tracks.values()
            if t.state in ("delayed", "unsteady") or t.silent_ns is not None
        ]
        return min(due, default=None)

    def _due(self, track: Track) -> int:
        return track.changed_ns + (self._delay_ns if track.state == "delayed" else self._window_ns)

    def _change(self, change: StandingChange) -> list[Notice]:
        key = change.standing.key
        track = self._tracks.pop(key, None) or Track()
        self._tracks[key] = track
        self._forget()
        track.changed_ns, track.last = change.t_ns, change
        track.still = change if change.began else None
        track.silent_ns = None
        if track.state == "unsteady":
            return []
        if change.began:
            if key[1] == "link" and self._delay_ns:
                track.state = "delayed"
                return []
            track.state = "standing"
            return [self._raised(track, change, change.t_ns)]
        was, track.state = track.state, "quiet"
        if was != "standing" or change.silent:
            return []
        return [Notice("recovered", change.standing, change.t_ns, change.why, stood_s=change.stood_s)]

    def _raised(self, track: Track, change: StandingChange, now_ns: int) -> Notice:
        track.begun.append(now_ns)
        while track.begun[0] < now_ns - self._window_ns:
            track.begun.popleft()
        standing = change.standing
        if len(track.begun) > self._flaps:
            track.state = "unsteady"
            return Notice("unsteady", standing, now_ns, change.why, count=len(track.begun))
        return Notice("raised", standing, now_ns, change.why, self._in_stage(standing))

    def _in_stage(self, standing: Standing) -> float | None:
        stage, t = self._stage_t.get(standing.key[0], ("", 0.0))
        finding = standing.finding
        if finding is None or finding.stage != stage or finding.t < t:
            return None
        return finding.t - t

    def _forget(self) -> None:
        if len(self._tracks) > MAX_KEYS:
            quiet = next((k for k, t in self._tracks.items() if t.state == "quiet"), None)
            del self._tracks[quiet if quiet is not None else next(iter(self._tracks))]
