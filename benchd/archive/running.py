"""One process of an archive: the broker's messages into the database, and the page over all benches."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from benchd.archive.apply import Applier
from benchd.archive.behind import Behind, behind, tidy
from benchd.archive.database import ArchiveDatabase, ArchiveStore
from benchd.archive.filling import Filling
from benchd.archive.intake import Intake
from benchd.archive.listening import Listening
from benchd.archive.metrics import ArchiveMetrics
from benchd.archive.ranges import Range
from benchd.archive.settings import LoadedArchive
from benchd.archive.wall import Wall
from benchd.errors import ExternalError, UsageError
from benchd.settings import BenchPart, HttpPart, LoadedSettings, Settings
from benchd.sinks.page_feed import PageFeed
from benchd.web.responses import WallMachine
from benchd.web.server import WebServer
from benchd.worker import Worker

log = logging.getLogger(__name__)

LOOK_S = 2.0
"""How often it is looked how far behind the archive is; less often where looking takes long."""
REST = 10
"""A look rests this many times as long as it took."""
TIDY_S = 60.0
FILL_S = 60.0
"""What has been missing for this long is asked for."""
END_S = 5.0


class Archive:
    """Works until `stop` is called. Raises UsageError for a database that holds something else than an archive."""

    runs: Mapping[str, Any] = {}  # no machine is watched here
    learned: Mapping[str, Any] = {}
    behind: Mapping[str, float] = {}
    disk: Mapping[str, object] = {}  # the database tells of its own
    reload_problem: str | None = None

    def __init__(self, loaded: LoadedArchive) -> None:
        part, http = loaded.settings.archive, loaded.settings.http
        page = Settings(bench=BenchPart(name=part.name, data="."), http=HttpPart(**http.model_dump()))
        self.loaded = LoadedSettings(page, loaded.path)
        self._database = ArchiveDatabase(loaded.store, create=True, read_only=False, lazily=True)
        self.store = ArchiveStore(ArchiveDatabase(loaded.store, create=False, read_only=True, lazily=True))
        self._open()
        self._wall = Wall()
        self.now = PageFeed()
        self.listening = Listening(
            loaded.mqtt, part, Intake(Applier(self._database, part.name), loaded.mqtt.prefix), self._wall.feed
        )
        self._filling = Filling(self._database, loaded.mqtt, part.share, log.info) if part.fill else None
        self.found: Behind | None = None
        self.metrics: Any = ArchiveMetrics(self.listening.status, lambda: self.found)
        self._stopping = asyncio.Event()
        self._looker = Worker("archive-look")
        self.server = WebServer(self, archive=self)

    def _open(self) -> None:
        """Open the database now where it can be had: one that is none of ours ends this at once."""
        try:
            self._database.open_now()
        except ExternalError as error:
            log.warning("archive: %s; trying again by itself", error)

    @property
    def sinks(self) -> Sequence[Any]:
        return (self.listening,)

    def silence(self, machine: str, kind: str, rule: str, for_s: float) -> None:
        raise UsageError("alarms are silenced at their bench")

    def machines_now(self) -> list[WallMachine]:
        """What every machine does now."""
        return self._wall.machines()

    def how_far(self) -> dict[str, Any]:
        """How far behind the archive was when it was looked at last."""
        return {} if self.found is None else self.found.model_dump(mode="json")

    async def run(self, ready: Callable[[], None] | None = None) -> None:
        """Work until stopped. Raises ExternalError where the page's address cannot be taken."""
        self.server.bind()
        try:
            listening = asyncio.create_task(self.listening.run(), name="listening")
            tasks = [
                asyncio.create_task(self._every(LOOK_S, self._look), name="look"),
                asyncio.create_task(self._every(TIDY_S, self._tidy), name="tidy"),
            ]
            serving = asyncio.create_task(self.server.serve(), name="server")
            if self._filling is not None:
                tasks.append(asyncio.create_task(self._fill(self._filling), name="fill"))
            if ready is not None:
                ready()
            await self._stopping.wait()
            self.listening.close()
            self.server.stop()
            await asyncio.wait([listening, serving], timeout=END_S)
            for task in (listening, serving, *tasks):
                task.cancel()
            await asyncio.wait([listening, serving, *tasks], timeout=END_S)
        finally:
            self._looker.close()
            self.store.close()
            self._database.close()

    def stop(self) -> None:
        """Let `run` end: what is being written is written and acknowledged."""
        self._stopping.set()

    async def _every(self, seconds: float, work: Callable[[], Any]) -> None:
        while True:
            began = time.monotonic()
            try:
                await self._looker.run(work)
            except ExternalError:
                pass  # told by the listening, which needs the database more
            except Exception:
                log.exception("archive: %s failed", getattr(work, "__name__", "a look"))
            await asyncio.sleep(max(seconds, REST * (time.monotonic() - began)))

    async def _fill(self, filling: Filling) -> None:
        """Ask for what has been missing for a while: a broker that forgot its sessions, benches that were new."""
        missing: dict[str, list[Range]] = {}
        while True:
            await asyncio.sleep(FILL_S)
            try:
                missing = await filling.by_itself(missing)
            except ExternalError as error:
                log.warning("archive: what is missing could not be asked for: %s", error)
            except Exception:
                log.exception("archive: asking for what is missing failed")

    def _look(self) -> None:
        self.found = behind(self._database)

    def _tidy(self) -> None:
        tidy(self._database)
