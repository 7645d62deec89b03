"""How far the store has what a machine's captures hold, remembered beside them: `stored.json` in their folder.

One entry a run of the daemon, in order of the runs: a number that only grows, because wall clocks do not. A run that
is not done is compared with the store at the next start, from its `place` on. Losing this file costs work, no data.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchd.capture.layout import event_from_payload, event_payload
from benchd.vocabulary.records import Record
from benchd.vocabulary.times import Anchor

FILE = "stored.json"


@dataclass(frozen=True, slots=True)
class Place:
    """A point between boots: a file, an offset in it, and what was in force there; `phase` as in the note so called."""

    file: str
    offset: int
    phase: str
    in_force: tuple[Record, ...]

    def to_json(self) -> dict[str, Any]:
        in_force = [[record.t_ns, event_payload(record).decode()] for record in self.in_force]
        return {"file": self.file, "offset": self.offset, "phase": self.phase, "in_force": in_force}

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> Place:
        """Raises ValueError, KeyError or TypeError for what is none."""
        in_force = tuple(event_from_payload(payload.encode(), int(t_ns)) for t_ns, payload in value["in_force"])
        return cls(str(value["file"]), int(value["offset"]), str(value["phase"]), in_force)


@dataclass(slots=True)
class RunEntry:
    """One run: its `number`, whether the store has it whole (`done`), else from where it may not (None: its start).

    `told` are boots whose end was told at a start, because the run itself had not.
    """

    number: int
    done: bool = False
    place: Place | None = None
    told: list[str] = field(default_factory=list)


def run_key(anchor: Anchor) -> str:
    return f"{anchor.wall_ns}.{anchor.mono_ns}"


class Progress:
    """The entries of one machine, by run. `known` is False where there was no file, or none that can be read."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE
        self.entries: dict[str, RunEntry] = {}
        self.known = False
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
            found = {
                key: RunEntry(
                    int(one["number"]),
                    bool(one["done"]),
                    Place.from_json(one["place"]) if one["place"] else None,
                    [str(boot) for boot in one.get("told", ())],
                )
                for key, one in json.loads(self.path.read_text()).items()
            }
            self.entries, self.known = found, True

    def begin(self, key: str) -> None:
        """Enter a new run behind all others."""
        self.entries[key] = RunEntry(1 + max((entry.number for entry in self.entries.values()), default=0))

    def to_json(self) -> str:
        return json.dumps(
            {
                key: {
                    "number": e.number,
                    "done": e.done,
                    "place": e.place.to_json() if e.place else None,
                    "told": e.told,
                }
                for key, e in self.entries.items()
            }
        )

    def write(self, text: str) -> None:
        """Put `to_json()` on disk, all or nothing. Raises OSError."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        part = self.path.with_suffix(".part")
        with open(part, "w", encoding="ascii") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, self.path)
