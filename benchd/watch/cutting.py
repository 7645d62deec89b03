"""One boot cut out of the captures of its run, so that it is judged alone as it was there, with names taken off.

What a boot needs of the time before it cannot be told in advance (a half console line, a loop, a card's clock). So a
short beginning is tried first, and a longer one where the record that follows from it differs; the end likewise.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from benchd.capture import Capture, CaptureWriter, read_capture
from benchd.capture.keeper import force_key, restamped
from benchd.errors import UsageError
from benchd.rules import Matcher, load_text
from benchd.vocabulary.events import BootOver, BootStarted
from benchd.vocabulary.measured import SetupDiffers
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation, ClockMark, LinkInfo, LinkState, Record
from benchd.vocabulary.times import NS, Anchor
from benchd.watch.pipeline import Pipeline
from benchd.watch.rebuild import as_ended
from benchd.watch.replay import judged_by, last_records, news, readable
from benchd.watch.trace import TraceReader

LEADS_NS = tuple(round(seconds * NS) for seconds in (0.15, 3.5, 31.0, 70.0, 600.0))
"""How much before a boot is tried: what links hold back, a start mark after a first sign, marks apart, silence."""
FURTHER = 4
"""Boots after it that may be needed: whether it was a pass of a loop is known when the next ones have begun."""
MOST_BEFORE, MOST_AFTER = 100_000, 200_000
"""Records."""
SLACK_S = 0.02
"""By so much times may differ where nothing gives the same: a card's clock is known better after an evening."""


@dataclass(frozen=True, slots=True)
class Names:
    """What stands for names that are taken off: of the machine, of each link. `trials`: their ids are kept."""

    machine: str
    links: Mapping[str, str]
    trials: bool = False

    @classmethod
    def plain(cls, machine: str, links: tuple[LinkInfo, ...], trials: bool = False) -> Names:
        """Links are called by their kind: post, console, post2."""
        names: dict[str, str] = {}
        for link in links:
            n = 1 + sum(other.kind == link.kind for other in links[: len(names)])
            names[link.name] = link.kind if n == 1 else f"{link.kind}{n}"
        return cls(machine, names, trials)

    def of_link(self, link: LinkInfo) -> LinkInfo:
        return replace(link, name=self.links[link.name], port="")

    def of_boot(self, boot_id: str, machine: str) -> str:
        """Return the id of a boot of `machine` under the other name."""
        return self.machine + boot_id[len(machine) :] if boot_id.startswith(f"{machine}-") else boot_id

    def of(self, record: Record, machine: str) -> Record:
        """Return a record without names: the reasons of link states name ports and programs."""
        if isinstance(record, LinkState):
            record = replace(record, reason="open" if record.up else "away")
        if isinstance(record, Annotation):
            return replace(record, value=self._of_note(record, machine))
        link = getattr(record, "link", None)
        return record if link is None else replace(record, link=self.links.get(link, link))  # type: ignore[call-arg,arg-type]

    def _of_note(self, note: Annotation, machine: str) -> str:
        if note.key == "trial":
            return note.value if self.trials else ""
        if note.key == "model":
            return ""
        if note.key == "end":
            return "stopped"
        return self._differs(note.value, machine) if note.key == "differs" else note.value

    def _differs(self, value: str, machine: str) -> str:
        try:
            found = SetupDiffers.from_label(value)
        except ValueError:
            return value
        return found.model_copy(update={"boot": self.of_boot(found.boot, machine)}).label


@dataclass(frozen=True, slots=True)
class Cut:
    """A boot's own records, without names; `boot` is what follows from them.

    `others` are the ids here of further boots in it that it could not be judged without; `off_s` by how much a time
    differs from that in the whole run.
    """

    boot: Boot
    records: list[Record]
    links: tuple[LinkInfo, ...]
    anchor: Anchor
    table: str
    text: str
    others: tuple[str, ...]
    off_s: float

    def write(self, path: Path, notes: list[Annotation]) -> None:
        """Write the capture; `notes` go in after the table. Raises UsageError and ExternalError as the writer does."""
        run = self.anchor.wall(self.records[0].t_ns)
        with CaptureWriter(
            path, machine=self.boot.machine, table=self.table, links=self.links, wall_ns=self.anchor.wall_ns,
            mono_ns=self.anchor.mono_ns, run=round(run.timestamp() * 1000), file=1,
        ) as out:  # fmt: skip
            t_ns = self.records[0].t_ns
            out.write(Annotation(t_ns, "table", self.text))
            out.write(Annotation(t_ns, "again", "0"))
            for note in notes:
                out.write(replace(note, t_ns=t_ns))
            for record in self.records:
                out.write(record)


@dataclass(slots=True)
class _Around:
    """The records around a boot, what is in force before the first, where the boot begins and may end."""

    records: list[Record]
    in_force: dict[tuple[str, ...], Record]
    start_ns: int
    begun: int
    ends: list[int]

    def force_at(self, index: int) -> list[Record]:
        now = dict(self.in_force)
        for record in self.records[:index]:
            if (key := force_key(record)) is not None:
                now[key] = record
        return list(now.values())


class Cutter:
    """Cuts boots out of captures; tables that these only name are looked for from `base`."""

    def __init__(self, base: Path = Path()) -> None:
        self._base = base
        self._reader = TraceReader(base)

    def cut(self, boot: Boot, path: Path, name: str, *, trials: bool = False) -> Cut:
        """Cut out a boot of the store, which began in the capture at `path`; `name` is what its machine is called.

        Raises UsageError where the captures do not give that boot (any more), ExternalError where they can't be read.
        """
        if boot.outcome == "running":
            raise UsageError(f"boot {boot.id} still runs; export it when it is over")
        capture = read_capture(path)
        text, file = judged_by(capture, self._base)
        names = Names.plain(name, capture.links, trials)
        around = self._around(boot, capture)
        trial = _Trial(boot, names, capture, Matcher(load_text(text, file)))
        starts = [_first_since(around, around.start_ns - lead) for lead in LEADS_NS]
        for end, start in itertools.product(dict.fromkeys(around.ends), dict.fromkeys([*starts, 0])):
            cuts = (trial.judge(records, text) for records in _candidates(boot, around, start, end))
            found = [cut for cut in cuts if cut is not None]
            if found:
                return min(found, key=lambda cut: (cut.off_s, len(cut.others)))
        raise UsageError(
            f"boot {boot.id}: its capture does not give the stored record any more; judge it anew first: "
            f"`benchd boots judge --as-recorded --from {path}`"
        )

    def _around(self, boot: Boot, capture: Capture) -> _Around:
        after: list[Record] = []
        ends: list[int] = []
        begun = start_ns = -1
        first: int | None = None
        over = False
        for where, placed, events in self._reader.steps(boot.id, capture.path):
            for event in (event for event in events if isinstance(event, BootStarted | BootOver)):
                own = event.boot.id == boot.id
                if isinstance(event, BootOver):
                    over |= own
                elif own:
                    begun, start_ns = len(after), event.t_ns
                elif begun >= 0:
                    ends.append(len(after))
            if placed is None or _enough(over, ends, after):
                break
            if first is None and not after and where == capture.path:
                first = placed[0]
            after.append(placed[1])
        if begun < 0:
            raise self._missing(boot, capture)
        ends.append(len(after))
        before, in_force = self._before(capture, first)
        shift = len(before)
        return _Around([*before, *after], in_force, start_ns, begun + shift, [end + shift for end in ends])

    def _missing(self, boot: Boot, capture: Capture) -> UsageError:
        why = "; ".join(self._reader.problems) or "it holds other boots"
        return UsageError(f"{capture.path} does not hold boot {boot.id}: {why}")

    def _before(self, capture: Capture, offset: int | None) -> tuple[list[Record], dict[tuple[str, ...], Record]]:
        """Return the records before an offset, as many as are kept, and what was in force before the first of them."""
        kept: deque[Record] = deque()
        in_force: dict[tuple[str, ...], Record] = {}
        for record in self._earlier(capture, offset):
            kept.append(record)
            if len(kept) > MOST_BEFORE and (key := force_key(gone := kept.popleft())) is not None:
                in_force[key] = gone
        return list(kept), in_force

    def _earlier(self, capture: Capture, offset: int | None) -> Iterator[Record]:
        chain = [capture]
        while (before := self._reader.file_before(chain[0])) is not None:
            chain.insert(0, before)
        for number, file in enumerate(chain):
            for at, record in readable(file, news(file) if number else file.placed(), []):
                if file is capture and offset is not None and at >= offset:
                    return
                yield record


def _enough(over: bool, ends: list[int], after: list[Record]) -> bool:
    """Whether no more records need to be looked at: the boot is over, and some have begun behind it."""
    return (over and len(ends) >= FURTHER) or len(after) >= MOST_AFTER


def _candidates(boot: Boot, around: _Around, start: int, end: int) -> Iterator[list[Record]]:
    """Yield the records from `start` to `end`, with each of what may have been before, and how they may end."""
    body = around.records[start:end]
    t_ns = body[0].t_ns if body else around.start_ns
    force = [restamped(record, t_ns) for record in around.force_at(start)]
    for phase, closing in itertools.product(_phases(boot, around.start_ns), _closings(boot, around, end)):
        note = [Annotation(t_ns, "phase", phase)] if phase else []
        yield [*force, *note, *map(_unfiled, body), *closing]


def _first_since(around: _Around, since_ns: int) -> int:
    found = (n for n, record in enumerate(around.records[: around.begun]) if record.t_ns >= since_ns)
    return next(found, around.begun)


def _unfiled(record: Record) -> Record:
    """Return a record; of one that a file begins with only that time had come so far."""
    if isinstance(record, Annotation) and record.key in ("table", "again", "phase", "about"):
        return Annotation(record.t_ns, "again", "0")
    return record


def _phases(boot: Boot, start_ns: int) -> list[str]:
    """Return what may have been before: an ended boot, power off (since when), nothing that is known."""
    if boot.off_s is not None:
        return [f"off {start_ns - round(boot.off_s * NS)}"]
    return ["over", "off", ""] if "power" not in boot.start_reason else ["off", "over", ""]


def _closings(boot: Boot, around: _Around, end: int) -> list[list[Record]]:
    """Return what may stand at the end: nothing; the silence up to the next record; the end that the boot had."""
    out: list[list[Record]] = [[]]
    if end < len(around.records):
        out.append([ClockMark(around.records[end].t_ns - 1)])
    if boot.ended is not None:
        lasted = datetime.fromisoformat(boot.ended) - datetime.fromisoformat(boot.started)
        out.append([Annotation(around.start_ns + lasted // timedelta(microseconds=1) * 1000, "end", "cut out here")])
    return out


class _Trial:
    """Judges records as a capture of their own, and says whether the boot follows from them."""

    def __init__(self, boot: Boot, names: Names, capture: Capture, matcher: Matcher) -> None:
        self._boot, self._names, self._matcher, self._machine = boot, names, matcher, capture.machine
        self._links = tuple(names.of_link(link) for link in capture.links)
        self._anchor = Anchor(capture.wall_ns, capture.mono_ns)
        self._wanted = _facts(boot, names)
        self._slack_s = SLACK_S if any(link.framing == "bench" for link in capture.links) else 0.0

    def judge(self, records: list[Record], text: str) -> Cut | None:
        """Return the cut if the boot follows from `records`, give or take some time; None if it does not."""
        records = [self._names.of(record, self._machine) for record in records]
        if not records:
            return None
        pipeline = Pipeline(self._names.machine, self._links, self._matcher, self._anchor)
        events = [event for record in records for event in pipeline.feed(record)]
        boots = last_records([*events, *pipeline.drain()])
        own = self._names.of_boot(self._boot.id, self._machine)
        found = next((as_ended(boot) for boot in boots if boot.id == own), None)
        if found is None or (off_s := _apart(self._wanted, _facts(found, None))) is None or off_s > self._slack_s:
            return None
        table = self._matcher.table.name
        others = tuple(self._machine + boot.id.removeprefix(self._names.machine) for boot in boots if boot.id != own)
        return Cut(found, records, self._links, self._anchor, table, text, others, off_s)


NAMES_AND_DATES = {
    "id", "machine", "trial", "started", "ended", "passes_of", "imported", "left_out", "note", "labels", "model",
}  # fmt: skip
"""What a record says besides what follows from its capture; `ended` and `passes_of` are compared otherwise."""
Facts = tuple[object, list[float]]


def _facts(boot: Boot, names: Names | None) -> Facts:
    """Return what a record says besides names and dates: its shape, and all times in it."""
    value = boot.model_dump(mode="json", exclude=NAMES_AND_DATES)
    if names is not None:
        for span in value["blind"]:
            span["link"] = names.links.get(span["link"], span["link"])
        for finding in value["findings"]:
            if finding["kind"] in ("wrong-speed", "swapped-links"):
                finding["rule"] = names.links.get(finding["rule"], finding["rule"])
    lasted = None
    if boot.ended is not None:
        lasted = (datetime.fromisoformat(boot.ended) - datetime.fromisoformat(boot.started)).total_seconds()
    times: list[float] = []
    return _shape([value, lasted, boot.passes_of is not None], times), times


def _shape(value: object, times: list[float]) -> object:
    if isinstance(value, dict):
        return {key: _shape(one, times) for key, one in value.items()}
    if isinstance(value, list):
        return [_shape(one, times) for one in value]
    if isinstance(value, float):
        times.append(value)
        return float
    return value


def _apart(one: Facts, other: Facts) -> float | None:
    """Return by how many seconds the times of two records differ at most; None where they differ otherwise."""
    if one[0] != other[0]:
        return None
    return max((abs(a - b) for a, b in zip(one[1], other[1], strict=True)), default=0.0)
