"""What the page and the interface need of a bench: a part of the daemon, so that they need not know it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from benchd.boots.limits import Limit
from benchd.runner import MachineRun
from benchd.settings import LoadedSettings
from benchd.sinks.base import Sink
from benchd.sinks.metrics import Metrics
from benchd.sinks.now import NowSink
from benchd.store import Store


class ServedBench(Protocol):
    """A bench that is served. `learned` are the limits in force by machine and stage."""

    @property
    def loaded(self) -> LoadedSettings: ...

    @property
    def store(self) -> Store: ...

    @property
    def now(self) -> NowSink: ...

    @property
    def metrics(self) -> Metrics: ...

    @property
    def runs(self) -> Mapping[str, MachineRun]: ...

    @property
    def sinks(self) -> Sequence[Sink]: ...

    @property
    def learned(self) -> Mapping[str, Mapping[str, Limit]]: ...

    @property
    def reload_problem(self) -> str | None: ...
