"""Models of machines on all benches, as the archive has them: asked for beside a page, which never waits for it.

One thread reads, one model after the other; an archive that is away, or does not answer, costs nothing else anything.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from typing import TYPE_CHECKING

from benchd.errors import BenchError, UsageError
from benchd.store import Store
from benchd.studies.modelview import ModelView, model_view
from benchd.web.responses import SharedModel
from benchd.worker import Worker

if TYPE_CHECKING:
    from benchd.web.bench import ServedBench

WAIT_S = 5.0
"""Who asks is told after so long that there is no answer yet; the reading goes on for who asks next."""
KEEP_S = 60.0
"""What was read is good for so long."""
AGAIN_S = 10.0
"""What could not be read is tried again after so long."""
MODELS_MOST = 32
"""Models that are remembered; and that may be waited for at once."""


class SharedModels:
    """Reads the archive that a bench's settings name; `own`: what is served is the archive itself."""

    def __init__(self, daemon: ServedBench, own: bool) -> None:
        self._daemon, self._own = daemon, own
        self._worker = Worker("archive-models")
        self._known: OrderedDict[str, tuple[float, SharedModel]] = OrderedDict()
        self._reading: dict[str, asyncio.Task[SharedModel]] = {}

    async def of(self, name: str) -> SharedModel:
        """What the archive tells of a model; nothing at all where the settings name no archive."""
        if not self._own and self._daemon.loaded.settings.archive is None:
            return SharedModel()
        until, known = self._known.get(name, (0.0, SharedModel()))
        if asyncio.get_running_loop().time() < until:
            return known
        if name not in self._reading:
            if len(self._reading) >= MODELS_MOST:
                return SharedModel(problem="too many models are asked for at once: ask again")
            self._reading[name] = asyncio.create_task(self._kept(name))
        done, _ = await asyncio.wait([self._reading[name]], timeout=WAIT_S)
        if done:
            return done.pop().result()
        return SharedModel(problem=f"the archive has not answered within {WAIT_S:g} s: look again in a while")

    async def _kept(self, name: str) -> SharedModel:
        try:
            found = await self._worker.run(self._read, name)
            keep_s = AGAIN_S if found.problem else KEEP_S
            self._known[name] = (asyncio.get_running_loop().time() + keep_s, found)
            self._known.move_to_end(name)
            while len(self._known) > MODELS_MOST:
                self._known.popitem(last=False)
            return found
        finally:
            del self._reading[name]

    def _read(self, name: str) -> SharedModel:
        try:
            return SharedModel(view=self._view(name))
        except BenchError as error:
            return SharedModel(problem=str(error))

    def _view(self, name: str) -> ModelView:
        if self._own:
            return model_view(self._daemon.store, name, archive=True)
        with Store.open(self._daemon.loaded.archive_url, create=False, read_only=True) as archive:
            try:
                return model_view(archive, name, archive=True)
            except UsageError:
                raise UsageError(f"the archive has no boot of a model '{name}' yet") from None
