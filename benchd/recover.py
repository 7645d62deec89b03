"""After a kill: boots that were under way are rebuilt from their capture and closed.

The capture holds every byte that came; the store may lack the last changes. A capture whose last record says
that the run ended needs nothing.
"""

from __future__ import annotations

import logging
from pathlib import Path

from benchd.boots.state import Anchor
from benchd.capture import read_capture
from benchd.capture.keeper import folder_name
from benchd.errors import BenchError
from benchd.events import BootChanged, BootEnded, BootStarted
from benchd.models import Boot
from benchd.records import Note
from benchd.rules import Matcher
from benchd.runner import MachineRun
from benchd.store import Store
from benchd.street import Street

log = logging.getLogger(__name__)

REASON = "the daemon ended while this boot was under way"


def recover(store: Store, run: MachineRun, captures: Path) -> None:
    """Bring the store up to date with the newest capture of a machine, then close boots still running."""
    files = sorted((captures / folder_name(run.name)).glob("*.pcapng"), key=lambda p: p.stat().st_mtime)
    if files:
        try:
            for boot in boots_of(files[-1], run):
                store.save_boot(boot, capture=str(files[-1]))
        except BenchError as error:
            log.error("%s: the last capture could not be read again: %s", run.name, error)
    for boot_id in store.close_running(run.name, REASON):
        log.warning("%s: boot %s was under way when the daemon ended; marked cut-short", run.name, boot_id)


def boots_of(path: Path, run: MachineRun) -> list[Boot]:
    """Return the boots of a capture that was not ended, judged by the machine's present table."""
    capture = read_capture(path)
    street = Street(run.name, capture.links, Matcher(run.table), Anchor(capture.wall_ns, capture.mono_ns))
    boots: dict[str, Boot] = {}
    last = None
    for record in capture.records():
        last = record
        for event in street.feed(record):
            if isinstance(event, BootStarted | BootChanged | BootEnded):
                boots[event.boot.id] = event.boot
    if isinstance(last, Note) and last.key == "end":
        return []
    for event in street.drain():
        if isinstance(event, BootStarted | BootChanged | BootEnded):
            boots[event.boot.id] = event.boot
    if capture.problem:
        log.warning("%s: %s", path, capture.problem)
    return list(boots.values())
