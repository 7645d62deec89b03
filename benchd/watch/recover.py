"""After a kill: boots that were under way are rebuilt from their captures and closed.

The captures hold every byte that came; the store may lack the last changes. A run whose last record says that
it ended needs nothing.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path

from benchd.capture import read_capture
from benchd.capture.keeper import folder_name
from benchd.errors import BenchError, UsageError
from benchd.store import Store
from benchd.vocabulary.events import BOOT_EVENTS
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation
from benchd.watch.replay import Replay, run_files
from benchd.watch.watcher import MachineWatcher

log = logging.getLogger(__name__)

REASON = "the daemon ended while this boot was under way"


def recover(store: Store, run: MachineWatcher, captures: Path) -> None:
    """Bring the store up to date with the last run of a machine, then close boots still running.

    Boots that the store has as ended stay as they are there.
    """
    try:
        files = run_files(_readable((captures / folder_name(run.name)).glob("*.pcapng")))
        if files and not ended(files[-1]):
            for boot, capture in boots_of(files, run.base):
                if _open_in(store, boot.id):
                    store.save_boot(boot, capture=str(capture))
    except BenchError as error:
        log.error("%s: the last captures could not be read again: %s", run.name, error)
    for boot_id in store.close_running(run.name, REASON):
        log.warning("%s: boot %s was under way when the daemon ended; marked cut-short", run.name, boot_id)


def _readable(paths: Iterator[Path]) -> Iterator[Path]:
    for path in paths:
        try:
            read_capture(path)
        except BenchError as error:
            log.warning("%s", error)
        else:
            yield path


def _open_in(store: Store, boot_id: str) -> bool:
    try:
        known = store.boot(boot_id)
    except UsageError:
        return True
    return known.ended is None


def ended(path: Path) -> bool:
    """Whether a capture's last record says that its run ended on request."""
    last = None
    for last in read_capture(path).records():  # noqa: B007
        pass
    return isinstance(last, Annotation) and last.key == "end"


def boots_of(files: list[Path], base: Path) -> list[tuple[Boot, Path]]:
    """Return the boots of one run's captures, with the file each began in, judged by the tables in force then."""
    replay = Replay(files, base=base)
    boots: dict[str, Boot] = {}
    began: dict[str, Path] = {}
    for event in replay.events():
        if isinstance(event, BOOT_EVENTS):
            began.setdefault(event.boot.id, replay.reading or files[0])
            boots[event.boot.id] = event.boot
    for problem in replay.problems:
        log.warning("%s", problem)
    return [(boot, began[boot_id]) for boot_id, boot in boots.items()]
