"""What the page's own requests answer with, beyond the models that the command line shares."""

from __future__ import annotations

from pydantic import Field

from benchd.rom.agree import Agreement
from benchd.rom.layout import Kind
from benchd.rom.moves import MapReport
from benchd.store.study_models import Result
from benchd.studies.modelview import ModelView
from benchd.studies.responses import CompareForm
from benchd.vocabulary.models import Boot, LimitKind, Model, Outcome


class Usual(Model):
    """How long a stage lasted in earlier good boots (seconds), and its limit. Figures are None without any."""

    stage: str
    n: int
    low: float | None = None
    quarter: float | None = None
    median: float | None = None
    three_quarters: float | None = None
    high: float | None = None
    limit_s: float | None = None
    limit_kind: LimitKind | None = None


class MachineTable(Model):
    """What a machine's boots are judged by: the ladder, usual times, and code meanings by two hex digits."""

    table: str
    ladder: list[str]
    usual: list[Usual]
    meanings: dict[str, str]
    model: str | None = Field(None, description="what kind of machine it is, where its settings say so")


class SharedModel(Model):
    """A model of machine on all benches, as the archive has it."""

    view: ModelView | None = Field(None, description="null: there is no archive, or `problem` says why")
    problem: str = ""


class RecordCode(Model):
    """A code of a boot: `t` seconds from its start, give or take `u`."""

    t: float
    u: float
    link: str
    code: str
    port: int | None = None
    known: bool = True


class RecordLine(Model):
    """A console line of a boot as it stood at the end; `text` is as received: show it as text only."""

    t: float
    u: float
    link: str
    line: int
    text: str
    partial: bool = False


class BootRecord(Model):
    """Codes and lines of one boot, read again from its capture. `left_out` counts those beyond the bound."""

    boot: str
    codes: list[RecordCode] = Field(default_factory=list)
    lines: list[RecordLine] = Field(default_factory=list)
    left_out: int = 0
    problem: str | None = None


class BootPage(Model):
    """One boot with what the page shows around it. `capture` is its file's name, None where it is `gone`: how."""

    boot: Boot
    ladder: list[str]
    usual: list[Usual]
    meanings: dict[str, str]
    capture: str | None
    gone: str | None = None
    closed_reason: str | None
    before: str | None
    after: str | None
    results: list[Result] = Field(default_factory=list, description="entered for it, with their numbers")
    taken_back: list[Result] = Field(default_factory=list)
    outside: bool = Field(False, description="results were entered for it, and it belongs to no trial")


class GroupStage(Model):
    """A stage in one group: reached by `k` of `n` boots; `took` the complete times, at most 400."""

    name: str
    k: int
    n: int
    median_at: float | None
    took: list[float]


class ComparedGroup(Model):
    """One side of a comparison: the boots behind its name, and each stage's share and times (seconds)."""

    name: str
    trial: str | None
    boots: list[str]
    outcomes: dict[str, int]
    ladder: list[GroupStage]


class ComparePage(Model):
    """A comparison as `benchd compare --json` gives it (None with one group only), and what is drawn."""

    groups: list[ComparedGroup]
    stages: list[str]
    comparison: CompareForm | None


class MapWindow(Model):
    """A window of the map: addresses as numbers; `positions` its jumpers allow (None: off)."""

    name: str
    kind: Kind
    base: int | None
    size: int
    card: str | None
    image: str | None
    places: list[int]
    positions: list[int | None]


class MapPage(Model):
    """The first megabyte of one machine's setup. `map` as `benchd map --json` gives it, with windows `moved`."""

    machine: str
    file: str
    windows: list[MapWindow]
    moved: dict[str, int | None]
    map: MapReport
    notes: list[str]
    boot: str | None
    agreement: list[Agreement]


class MachineCard(Model):
    """A machine as the settings have it."""

    name: str
    table: str
    map: bool


class WallAlert(Model):
    """One thing that stands on a machine of some bench."""

    kind: str
    rule: str
    since: str
    stage: str | None = None
    code: str | None = None
    means: str | None = None


class WallMachine(Model):
    """A machine on one of many benches, as its bench told last. Ids are those of the archive."""

    bench: str
    machine: str
    name: str = Field(description="as the archive calls it: MACHINE@BENCH")
    online: bool | None = Field(None, description="whether its bench is there; null: it never said")
    reason: str = ""
    at: str = Field(description="when this was told")
    boot: str | None = None
    trial: str | None = None
    outcome: Outcome | None = None
    stage: str | None = None
    code: str | None = None
    stuck: bool = False
    links_down: list[str] = Field(default_factory=list)
    alerts: list[WallAlert] = Field(default_factory=list)


class PageStart(Model):
    """What every page needs first."""

    bench: str
    version: str
    machines: list[MachineCard]
    archive: bool = Field(False, description="this is an archive of several benches: nothing is changed here")
    guarded: bool = Field(description="a token is demanded here")
