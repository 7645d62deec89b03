"""The simulated machine judged by the real pipeline on a virtual clock: boots in a store, bytes in a capture."""

from __future__ import annotations

import random
from collections.abc import Mapping
from pathlib import Path

from benchd.capture.keeper import CaptureKeeper
from benchd.demo import at286
from benchd.demo.steps import timeline
from benchd.rules import Matcher
from benchd.rules.files import load_table_text
from benchd.store import Store
from benchd.vocabulary.events import BootChanged, BootOver, BootSettled, BootStarted
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation, Chunk, ClockMark, LinkInfo, Record
from benchd.vocabulary.times import Anchor
from benchd.watch.pipeline import Pipeline

LINKS = [LinkInfo("post", "post", "raw", code_port=0x80), LinkInfo("console", "console", "text")]
WALL_NS = 1_772_391_600_000_000_000  # 2026-03-01 19:00 UTC


class VirtualBench:
    """Boots `at286` without waiting; does what the daemon does with trials, captures and the store."""

    def __init__(
        self, store: Store, folder: Path, machine: str = "at286", seed: int = 1, *, rules: str = "demo-at286",
        base: Path = Path(), now_ns: int = 1_000_000_000,
    ) -> None:  # fmt: skip
        self.store, self.machine, self.seed, self.number = store, machine, seed, 0
        table, text = load_table_text(rules, base)
        self.pipeline = Pipeline(machine, LINKS, Matcher(table), Anchor(WALL_NS, 0))
        self.keeper = CaptureKeeper(
            folder / machine, machine=machine, table=table.name, links=LINKS, wall_ns=WALL_NS, mono_ns=0
        )
        self.now_ns = now_ns
        self.trial = ""
        self.boots: dict[str, Boot] = {}
        self._feed(Annotation(self.now_ns, "table", text))

    def _feed(self, record: Record) -> None:
        self.keeper.keep(record)
        for event in self.pipeline.feed(record):
            if isinstance(event, BootStarted | BootChanged | BootSettled | BootOver):
                self.boots[event.boot.id] = event.boot

    def boot(self, setup: Mapping[str, str], fate: at286.Fate | None = None, at_end: bytes = b"") -> Boot:
        """Boot once, `at_end` comes on the console after it; save what the pipeline made of it, and return it."""
        current = self.store.current_trial(self.machine)
        trial = current.id if current else ""
        if trial != self.trial:
            self.trial = trial
            self._feed(Annotation(self.now_ns, "trial", trial))
        rng = random.Random(f"{self.seed} {self.number}")
        self.number += 1
        fate = fate or at286.fate(setup, rng)
        wires = timeline(at286.boot_script(setup, fate), rng)
        start = self.now_ns
        for sent in wires.sent:
            at = start + round(sent.t_s * 1e9)
            while self.now_ns + 500_000_000 < at:
                self.now_ns += 500_000_000
                self._feed(ClockMark(self.now_ns))
            self.now_ns = at
            self._feed(Chunk(sent.link, at, bytes([sent.byte])))
        if at_end:
            self._feed(Chunk("console", self.now_ns, at_end))
        end = start + round((wires.seconds + 3) * 1e9)
        while self.now_ns < end:
            self.now_ns += 500_000_000
            self._feed(ClockMark(self.now_ns))
        self.keeper.sync()
        found = list(self.boots.values())[-1]
        for one in list(self.boots.values())[-2:]:
            self.store.save_boot(one, capture=str(self.keeper.path))
        return found

    def close(self) -> None:
        self.keeper.close()
