"""A real bench that tells an archive what it has and learns from it what others have: told, judged, killed, started."""

from __future__ import annotations

import json
import signal
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from archive.archive_peer import ArchiveProcess, say, wait
from archive.telling import Bench, as_read, summed
from live.trouble_rig import GOOD, STAGES, machine_toml, put_table, reached, stored
from sinks.broker_peer import Mosquitto
from support.daemon import DaemonProcess, wait_for

from benchd.archive.database import ArchiveStore
from benchd.demo.line import PtyLine
from benchd.store import Hand, Store
from benchd.vocabulary.models import Boot, Stage

pytestmark = pytest.mark.peer("mosquitto")
MODEL = "clone-286"
START = datetime(2026, 3, 1, tzinfo=UTC)


def other_boot(n: int) -> Boot:
    """A good boot of a machine of the same model elsewhere: each stage takes some tenths of a second."""
    stages = [Stage(name=name, t=place * (0.3 + n / 100), u=0.001) for place, name in enumerate(STAGES)]
    started = START + timedelta(minutes=5 * n)
    return Boot(
        id=f"pc-{n:03d}", machine="pc", table="by-hand", model=MODEL, started=started.isoformat(),
        ended=(started + timedelta(seconds=2)).isoformat(), outcome="finished", stages=stages, codes=4,
        last_stage=STAGES[-1], last_code="60", duration_s=2.0,
    )  # fmt: skip


def play(card: PtyLine, codes: bytes) -> None:
    for code in codes:
        assert card.send(bytes([code])) == 1
        time.sleep(0.01)


def limit(daemon: DaemonProcess) -> float:
    """The limit of the stage `memory` that the page is told; what the table says is a minute."""
    return float(daemon.api("/api/machines")[0]["limits"].get("memory", 60.0))


def findings(boot: dict[str, Any]) -> list[tuple[str, str, str]]:
    return [(one["kind"], one["stage"], one["detail"]) for one in boot["findings"]]


def test_limits_come_from_another_bench_and_boots_go_there(
    tmp_path: Path, broker: Mosquitto, archive: ArchiveProcess
) -> None:
    """The bench has no boot of its own: a stage is judged by what the archive has of the model from another bench. Its
    boots, and what a person wrote, are in the archive: after a kill too, with limits that are read anew."""
    attic = Bench("attic")
    place = tmp_path / "archive.db"
    wait(archive.online, "the archive is online")
    say(broker.port, [*(attic.boot(other_boot(n)) for n in range(6)), attic.status()])

    def there() -> list[dict[str, Any]]:
        with ArchiveStore.at(place) as store:
            return [one.model_dump() for one in store.boots()]

    wait(lambda: len(there()) == 6, "the boots of the other bench are there")
    put_table(tmp_path)
    extra = f'[mqtt]\nurl = "mqtt://127.0.0.1:{broker.port}"\narchive = true\nretry_cap = "1s"\n'
    extra += f"[archive]\nstore = {json.dumps(str(place))}\n"
    with PtyLine() as card:
        shares = f'model = "{MODEL}"\nshare_limits = true\n[[machine.link]]'
        machine = machine_toml(card.path).replace("[[machine.link]]", shares, 1)
        daemon = DaemonProcess(tmp_path, machine, extra)
        try:
            daemon.start()
            words = "learned from 6 boots of this model on 1 bench"
            wait_for(lambda: words in daemon.log.read_text())
            wait_for(lambda: limit(daemon) < 5)
            wait_for(daemon.links_up)
            play(card, b"\x01\x20")
            wait_for(lambda: reached(daemon, "memory"))
            wait_for(lambda: daemon.api("/api/machines")[0]["standing"])
            play(card, b"\x40\x60")
            (first,) = stored(daemon, 1, "finished")
            assert ("stall", "memory", f"limit {words}") in findings(first)
            assert first["model"] == MODEL

            wait(lambda: any(one["id"] == f"{first['id']}@bench1" for one in there()), "the archive has it")
            daemon.end(signal.SIGKILL)
            daemon.start()
            wait_for(lambda: daemon.log.read_text().count("limits of ") == 2)
            wait_for(lambda: limit(daemon) < 5)
            wait_for(daemon.links_up)
            play(card, GOOD)
            second = stored(daemon, 2, "finished")[0]
            with Store.open(tmp_path / "data/benchd.db", create=False) as own:
                own.note_boot(second["id"], "the new card is in", Hand(START.isoformat(), "command"))
            wait(lambda: any(one.get("note") for one in there()), "the note is in the archive")
            assert daemon.end() == 0
        finally:
            daemon.__exit__()
    with ArchiveStore.at(place) as store, Store.open(tmp_path / "data/benchd.db", read_only=True) as own:
        wanted = summed([Bench("bench1", own)])["boots"]
        assert len(wanted) == 2
        wait(lambda: [one for one in as_read(store)["boots"] if one["id"].endswith("@bench1")] == wanted, "both there")
        learned = store.good_boots_of_model(MODEL, "by-hand")
        assert sum(one.id.endswith("@attic") for one in learned) == 6
        assert all("memory" not in dict(one.lasted) for one in learned if one.id == f"{first['id']}@bench1")
