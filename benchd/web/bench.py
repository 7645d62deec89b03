"""What the page and the interface need of a bench: a part of the daemon, so that they need not know it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from benchd.boots.limits import Limit
from benchd.settings import LoadedSettings
from benchd.sinks.base import Sink
from benchd.sinks.metrics import Metrics
from benchd.sinks.page_feed import PageFeed
from benchd.store import Store
from benchd.watch.watcher import MachineWatcher
from benchd.web.responses import WallMachine


class ServedBench(Protocol):
    """A bench that is served. `learned` are the limits in force by machine and stage."""

    @property
    def loaded(self) -> LoadedSettings: ...

    @property
    def store(self) -> Store: ...

    @property
    def now(self) -> PageFeed: ...

    @property
    def metrics(self) -> Metrics: ...

    @property
    def runs(self) -> Mapping[str, MachineWatcher]: ...

    @property
    def sinks(self) -> Sequence[Sink]: ...

    @property
    def learned(self) -> Mapping[str, Mapping[str, Limit]]: ...

    @property
    def reload_problem(self) -> str | None: ...

    @property
    def disk(self) -> Mapping[str, object]: ...

    @property
    def behind(self) -> Mapping[str, float]: ...

    def silence(self, machine: str, kind: str, rule: str, for_s: float) -> None: ...


class ServedArchive(Protocol):
    """Many benches that are served together: nothing is changed here."""

    def machines_now(self) -> list[WallMachine]: ...

    def how_far(self) -> dict[str, Any]: ...
