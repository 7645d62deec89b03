"""What a bench tells an archive, made from a bench's real store: events in the published forms, numbered as an outbox
does. And the sum of stores, to hold an archive against."""

from __future__ import annotations

import json
import random
import secrets
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from web.rig import MACHINE, save_many, save_story, save_study

from benchd.archive.intake import Message
from benchd.sinks.mqtt.payloads import AnswerEvent, BenchStatus, BootEvent, CodeEvent, EntryEvent
from benchd.sinks.mqtt.topics import Topics
from benchd.store import Hand, Result, Store, StoredImage, schema
from benchd.store.schema import VERSIONS
from benchd.vocabulary.models import Boot

AT = "2026-03-01T20:00:00.000+00:00"
ENTRIES = ("study", "trial", "result", "boot_mark", "image", "prediction", "change")
PREFIX = "benchd"


def new_outbox(ms: int) -> str:
    return f"{ms:012x}{secrets.token_hex(4)}"


class Bench:
    """One bench that tells; `outbox` as it is named there."""

    def __init__(self, name: str, store: Store | None = None, ms: int = 1_772_391_600_000) -> None:
        self.name, self.store = name, store
        self.topics = Topics(PREFIX, name)
        self.outbox, self.seq = new_outbox(ms), 0

    def numbered(self) -> dict[str, Any]:
        self.seq += 1
        return {"bench": self.name, "at": AT, "id": f"{self.outbox}-{self.seq}", "seq": self.seq}

    def boot(self, boot: Boot | None, state: str = "ended", *, machine: str = "", boot_id: str = "") -> Message:
        machine = boot.machine if boot else machine
        event = BootEvent.model_validate(
            self.numbered() | {"machine": machine, "boot": boot.id if boot else boot_id, "state": state, "record": boot}
        )
        return self.topics.of(machine, "boot"), event.model_dump_json().encode()

    def code(self, machine: str, boot: str) -> Message:
        event = CodeEvent(**self.numbered(), machine=machine, boot=boot, link="post", code="40", known=True, t=1, u=0)
        return self.topics.of(machine, "code"), event.model_dump_json().encode()

    def entry(self, table: str, row: Mapping[str, Any] | None, key: Any = None) -> Message:
        (column,) = schema.metadata.tables[table].primary_key.columns
        key = row[column.name] if row is not None else key
        event = EntryEvent.model_validate(
            self.numbered()
            | {
                "schema": VERSIONS[-1],
                "table": table,
                "key": json.dumps(key),
                "row": None if row is None else dict(row),
            }
        )
        return f"{self.topics.root}/entry", event.model_dump_json(by_alias=True).encode()

    def answer(self, ask: str, **more: Any) -> Message:
        event = AnswerEvent.model_validate(self.numbered() | {"ask": ask, "boots": 0, "entries": 0, "words": ""} | more)
        return f"{self.topics.root}/answer", event.model_dump_json().encode()

    def status(self, online: bool = True, archive: bool = True) -> Message:
        told = BenchStatus(
            bench=self.name, at=AT, online=online, reason="running", outbox=self.outbox, seq=self.seq, made=AT,
            archive=archive,
        )  # fmt: skip
        return self.topics.status, told.model_dump_json().encode()

    def rows(self) -> list[tuple[str, dict[str, Any]]]:
        """What people entered here, row by row."""
        assert self.store is not None
        out = []
        for name in ENTRIES:
            with self.store._database.read() as connection:
                out += [
                    (name, dict(row)) for row in connection.execute(sa.select(schema.metadata.tables[name])).mappings()
                ]
        return out

    def told_boots(self) -> list[Boot]:
        """Its boots without what people decided about them."""
        assert self.store is not None
        found = [self.store.told_boot(boot.id) for boot in self.store.boots()]
        return [boot for boot in found if boot is not None]

    def everything(self) -> list[Message]:
        """All that it has, each boot from its start to its end as it would have been told."""
        out = []
        for boot in self.told_boots():
            early = boot.model_copy(
                update={"outcome": "running", "ended": None, "stages": boot.stages[:1], "findings": []}
            )
            out.append(self.boot(early, "started"))
            out.append(self.code(boot.machine, boot.id))
            out.append(self.boot(boot, "ended"))
        out += [self.entry(table, row) for table, row in self.rows()]
        return out


def summed(benches: Iterable[Bench]) -> dict[str, list[dict[str, Any]]]:
    """What an archive of these benches must have, in the forms in which people read it, by the names of the archive."""
    out: dict[str, list[dict[str, Any]]] = {"boots": [], "studies": [], "trials": [], "results": []}
    for bench in benches:
        assert bench.store is not None
        own = as_read(bench.store)
        for kind, rows in own.items():
            out[kind] += [placed(kind, row, bench.name) for row in rows]
    return {kind: in_order(rows) for kind, rows in out.items()}


def as_read(store: Store) -> dict[str, list[dict[str, Any]]]:
    """All that people read in a store. Numbers of results are left out: the archive has its own."""

    def plain(models: Iterable[Any], *but: str) -> list[dict[str, Any]]:
        return in_order([one.model_dump(mode="json", by_alias=True, exclude=set(but)) for one in models])

    return {
        "boots": plain(store.boots()),
        "studies": plain(store.studies()),
        "trials": plain(store.trials()),
        "results": plain([*store.results(), *store.results(taken_back=True)], "id"),
    }


def in_order(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return sorted(rows, key=lambda row: json.dumps(row, sort_keys=True))


_IDS = {"boots": ("id", "machine", "trial", "passes_of"), "studies": ("name",), "trials": ("id", "study", "machine"),
        "results": ("trial", "boot")}  # fmt: skip


def placed(kind: str, row: dict[str, Any], bench: str) -> dict[str, Any]:
    return row | {name: f"{row[name]}@{bench}" for name in _IDS[kind] if row.get(name) is not None}


HAND = Hand("2026-03-01T22:00:00+00:00", "page")


def bench_of(folder: Path, name: str, seed: int) -> Bench:
    """A bench with an evening of trials and what people did afterwards."""
    folder.mkdir()
    store = Store.open(folder / "benchd.db")
    save_study(store, folder)
    save_story(store)
    save_many(store, 12, machine="xt")
    for boot in store.boots(machine="xt"):
        store.save_boot(boot.model_copy(update={"model": "m8088"}))
    rng = random.Random(seed)
    boots = [boot.id for boot in store.boots(machine=MACHINE)]
    store.leave_out(rng.choice(boots), "the plug was half out", HAND)
    store.note_boot(rng.choice(boots), f"seen by {name}", HAND)
    store.label_boot(rng.choice(boots), ["loud", name], HAND)
    store.move_boot(rng.choice(boots), "T2", HAND)
    store.add_result(Result(check="picture", passed=False, boot=boots[0], trial="T1", entered=HAND.at), HAND)
    wrong = store.add_result(Result(check="picture", passed=True, trial="T1", entered=HAND.at), HAND)
    store.take_back(int(wrong.id or 0), HAND)
    store.name_trial("T2", f"second of {name}", HAND)
    store.add_image(StoredImage(sha256=f"{seed:064x}", name="late.bin", size=8192))
    store.add_prediction("T1", {"runs": [1, 2.5, None]}, HAND.at)
    return Bench(name, store)
