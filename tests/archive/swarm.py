"""Many light benches in one process: real stores, and the bench's real outbox and session code; boots are made.

    python swarm.py FOLDER BROKER_PORT FIRST LAST BOOTS

Killed and started again it goes on where its stores end. When all that a bench has was told and taken, it says so in
the file `drained`; it answers asks until it is ended.
"""

from __future__ import annotations

import asyncio
import random
import signal
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from web.rig import stored_boot

from benchd.clock import Backoff
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.sinks.mqtt.sink import MqttSink
from benchd.store import Hand, Result, Store, StoredStudy
from benchd.vocabulary.events import BootOver, BootStarted, CodeSeen, Event, StageEntered
from benchd.vocabulary.models import Boot

START = datetime(2026, 3, 1, tzinfo=UTC)
FATES = ("ready", "ready", "ready", "skipped", "stuck")
STEADY_S = 3.0
MACHINES = ("at286", "xt")


def boot_of(bench: int, n: int, trial: str | None) -> Boot:
    """Boot `n` of a bench: always the same."""
    rng = random.Random(f"{bench} {n}")
    machine = MACHINES[n % len(MACHINES)]
    boot = stored_boot(n, rng.choice(FATES), START + timedelta(minutes=3 * n), machine=machine, trial=trial, seed=bench)
    return boot.model_copy(update={"model": f"m{bench % 3}", "id": f"{machine}-{n:06d}"})


def events_of(boot: Boot) -> Iterator[Event]:
    """What the daemon tells of a boot, but for most of its codes and stages."""
    now, machine = time.monotonic_ns(), boot.machine
    early = boot.model_copy(
        update={"outcome": "running", "ended": None, "stages": [], "findings": [], "duration_s": 0.0}
    )
    yield BootStarted(machine, now, early)
    for n, stage in enumerate(boot.stages[:3]):
        yield CodeSeen(machine, now, 1000, "post", boot.id, stage.t, f"{n:02X}", 0x80, True)
        yield StageEntered(machine, now, boot.id, stage.name, n, stage.t, stage.u, None, None)
    yield BootOver(machine, now, boot)


class LightBench:
    """One bench: a store, a sink, and somebody who uses it."""

    def __init__(self, folder: Path, port: int, number: int, boots: int) -> None:
        self.number, self.boots = number, boots
        self.folder = folder / f"bench{number:03d}"
        self.folder.mkdir(parents=True, exist_ok=True)
        self.store = Store.open(self.folder / "benchd.db")
        settings = MqttSettings.model_validate(
            {"url": f"mqtt://127.0.0.1:{port}", "archive": True, "timeout": 5.0, "retry_cap": 2.0}
        )
        self.sink = MqttSink(
            settings, self.folder.name, self.folder / "outbox.db", machines=MACHINES, store=self.store,
            backoff=Backoff(first_s=0.1, cap_s=1.0),
        )  # fmt: skip

    async def live(self) -> None:
        run = asyncio.create_task(self.sink.run())
        try:
            # As a recovery would: the boot that was told of last may not be in the store.
            for n in range(len(self.store.boots()) + self.gone(), self.boots):
                trial = await asyncio.to_thread(self.people, n)
                boot = boot_of(self.number, n, trial)
                for event in events_of(boot):
                    self.sink.offer(event)
                await asyncio.to_thread(self.store.save_boot, boot)
                while self.sink.status()["outbox"] > 400:
                    await asyncio.sleep(0.05)
            await self.drained()
            (self.folder / "drained").touch()
            await asyncio.Event().wait()
        finally:
            await self.sink.close()
            await asyncio.wait([run], timeout=10)
            self.store.close()

    def gone(self) -> int:
        """How many boots were taken out again: those stand for no other."""
        marks = self.folder / "gone"
        return len(marks.read_text().split()) if marks.exists() else 0

    async def drained(self) -> None:
        """Wait until nothing waits to be told, for a while."""
        quiet = 0.0
        while quiet < STEADY_S:
            await asyncio.sleep(0.2)
            now = self.sink.status()
            idle = not (now["outbox"] or now["queued"] or now["feed_left"]) and now["state"] == "online"
            quiet = quiet + 0.2 if idle else 0.0

    def people(self, n: int) -> str | None:
        """What people do before boot `n`; a kill in between leaves half of it, as it would."""
        rng, store, at = (
            random.Random(f"people {self.number} {n}"),
            self.store,
            (START + timedelta(minutes=3 * n)).isoformat(),
        )
        hand = Hand(at, "page")
        if n % 50 == 0:
            store.save_study(StoredStudy(name=f"study {n // 200}", document={"n": n}, created=at, edited=at), hand)
            machine = MACHINES[n % len(MACHINES)]
            store.start_trial(
                study=f"study {n // 200}", machine=machine, setup={"slot": str(n)}, changed={}, started=at, hand=hand
            )
        trials = store.trials()
        if n % 7 == 3 and trials:
            boot = f"{MACHINES[(n - 1) % len(MACHINES)]}-{n - 1:06d}"
            store.add_result(
                Result(check="picture", passed=rng.random() < 0.5, trial=trials[-1].id, boot=boot, entered=at), hand
            )
        earlier = store.boots(limit=3)
        if n % 11 == 5 and earlier:
            store.note_boot(earlier[-1].id, f"note at {n}", hand)
            store.leave_out(earlier[0].id, "the plug was half out", hand)
        if n % 23 == 7 and earlier and trials:
            store.move_boot(earlier[-1].id, trials[0].id, hand)
        if n % 31 == 9 and earlier:  # judged again by another table
            told = store.told_boot(earlier[-1].id)
            if told is not None:
                store.save_boot(told.model_copy(update={"table": "other", "last_code": "41"}))
        if n % 37 == 11 and earlier:
            with (self.folder / "gone").open("a") as file:
                file.write(f"{earlier[-1].id}\n")
            store.replace_boots({earlier[-1].id: None})
        return trials[-1].id if trials else None


async def main(folder: Path, port: int, first: int, last: int, boots: int) -> None:
    ending = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, ending.set)
    lives = [asyncio.create_task(LightBench(folder, port, n, boots).live()) for n in range(first, last + 1)]
    done = asyncio.create_task(ending.wait())
    await asyncio.wait([done, *lives], return_when=asyncio.FIRST_COMPLETED)
    failed = [one for one in lives if one.done()]
    for one in lives:
        one.cancel()
    await asyncio.wait(lives)
    for one in failed:
        one.result()


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), *(int(word) for word in sys.argv[2:6])))
