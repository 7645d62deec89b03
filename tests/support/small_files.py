"""`benchd` whose capture files end at 20 kB, so that a test of seconds sees many of them begin."""

from __future__ import annotations

import sys

from benchd.cli.main import main
from benchd.watch import watcher

begin = watcher.MachineWatcher.__init__


def begin_small(self: watcher.MachineWatcher, *parts: object, **named: object) -> None:
    begin(self, *parts, **{**named, "limit_bytes": 20_000})  # type: ignore[arg-type]


watcher.MachineWatcher.__init__ = begin_small  # type: ignore[method-assign]

if __name__ == "__main__":
    sys.exit(main())
