"""Reading the rule tables of running machines again."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from pathlib import Path

from benchd.errors import BenchError
from benchd.rules.files import load_table_text
from benchd.watch.watcher import MachineWatcher

log = logging.getLogger(__name__)


def reload_tables(runs: Iterable[MachineWatcher], base: Path) -> str | None:
    """Use the tables as they are now from each next boot on; return what is wrong with those that were not taken."""
    problems = []
    for run in runs:
        try:
            table, text = load_table_text(run.part.rules, base)
        except BenchError as error:
            problems.append(str(error))
            log.error("rules of %s not reloaded, the old ones stay: %s", run.name, error)
            continue
        if table != run.table:
            run.reload(table, text)
            log.info("rules of %s read again; in force from the next boot on", run.name)
    return "\n".join(problems) or None
