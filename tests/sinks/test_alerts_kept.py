"""Alerts across a stop or a kill: what was told and not delivered comes at the next start, in order, with its age."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import textwrap
import time
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from live.trouble_rig import machine_toml, put_table
from sinks.broker_peer import until
from sinks.faults import Fault, under_files
from sinks.story import Teller
from sinks.test_alerts import program, quick
from support.daemon import DaemonProcess, wait_for

from benchd.clock import wall_of
from benchd.demo.line import PtyLine
from benchd.sinks.alerts import kept as kept_module
from benchd.sinks.alerts.channels import WAITING, Channel, DeliveryFailed
from benchd.sinks.alerts.message import AlertMessage
from benchd.sinks.alerts.settings import AlertSettings
from benchd.sinks.alerts.sink import AlertSink


class Ear(Channel):
    """Takes what is delivered, or never answers while it is `deaf`."""

    def __init__(self, name: str = "ear", deaf: bool = False) -> None:
        super().__init__(name, tries=2, backoff=quick())
        self.told: list[AlertMessage] = []
        self.deaf = deaf

    async def deliver(self, message: AlertMessage) -> None:
        if self.deaf:
            await asyncio.sleep(600)
        self.told.append(message)


async def run(path: Path, ear: Ear, events: list[Any], ago_s: float = 0.0) -> AlertSink:
    """Run a sink on `events`, which were `ago_s` before now, and stop it; what is deaf is not waited for."""
    settings = AlertSettings(flaps=100)

    def wall(t_ns: int) -> datetime:
        return wall_of(t_ns) - timedelta(seconds=ago_s)

    sink = AlertSink(settings, "bench1", path, channels=[ear], wall=wall, grace_s=0.1 if ear.deaf else 30)
    task = asyncio.create_task(sink.run())
    for event in events:
        sink.offer(event)
    await asyncio.sleep(0)
    await sink.close()
    await task
    return sink


def raised(count: int) -> list[Any]:
    t = Teller(ns=time.monotonic_ns())
    return [t.raised(n * 0.001, rule=f"r{n}") for n in range(count)]


def test_stop_in_a_delivery(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Stopped while a delivery hangs: told how many are left; the next start delivers all, in order, once, with age."""
    path, ear = tmp_path / "alerts.json", Ear()
    asyncio.run(run(path, Ear(deaf=True), raised(3), ago_s=180))
    assert "3 alerts were not delivered before the end; the next start does" in caplog.text
    asyncio.run(run(path, ear, raised(4)[3:]))
    assert [m.rule for m in ear.told] == ["r0", "r1", "r2", "r3"]
    assert len({m.id for m in ear.told}) == 4
    first, last = ear.told[0], ear.told[-1]
    assert first.title == "at286 stopped in stage rom-scan (3 min ago)" and "This was 3 min ago" in first.text
    assert first.late_s is not None and 180 <= first.late_s < 190
    assert last.late_s is None and "ago" not in last.title + last.text
    again = Ear()
    asyncio.run(run(path, again, []))
    assert not again.told


def test_what_is_given_up_is_not_kept(tmp_path: Path) -> None:
    """A message that failed as often as is set is done with: the next start does not begin anew."""

    class Broken(Ear):
        async def deliver(self, message: AlertMessage) -> None:
            raise DeliveryFailed("no")

    path, ear = tmp_path / "alerts.json", Ear()
    sink = asyncio.run(run(path, Broken(), raised(1)))
    assert sink.status()["channels"]["ear"]["given-up"] == 1
    asyncio.run(run(path, ear, []))
    assert not ear.told


CHILD = """
    import asyncio, sys, time
    sys.path.insert(0, {tests!r})
    from pathlib import Path
    from sinks.story import Teller
    from benchd.sinks.alerts.channels import CommandChannel
    from benchd.sinks.alerts.settings import AlertSettings
    from benchd.sinks.alerts.sink import AlertSink

    async def go():
        channel = CommandChannel({argv!r}, timeout_s=600)
        sink = AlertSink(AlertSettings(), "bench1", Path({path!r}), channels=[channel])
        task = asyncio.create_task(sink.run())
        t = Teller(ns=time.monotonic_ns())
        for n in range(5):
            sink.offer(t.raised(n * 0.001, rule=f"r{{n}}"))
        await asyncio.sleep(600)

    asyncio.run(go())
"""


def test_kill(tmp_path: Path) -> None:
    """kill -9 while the command works on the third of five: the third comes again, same id, then the rest, in order."""
    out, path = tmp_path / "out", tmp_path / "alerts.json"
    body = f"open({str(out)!r}, 'a').write(m['id'] + ' ' + m['rule'] + '\\n'); m['rule'] == 'r2' and time.sleep(60)"
    argv = program(tmp_path, "tell.py", body)
    script = textwrap.dedent(CHILD).format(tests=str(Path(__file__).parents[1]), argv=argv, path=str(path))
    child = subprocess.Popen([sys.executable, "-c", script])
    wait_for(lambda: out.exists() and len(out.read_text().splitlines()) == 3)
    wait_for(lambda: len(json.loads(path.read_text())["waiting"]) == 3)
    os.kill(child.pid, signal.SIGKILL)
    child.wait()
    ear = Ear("command")
    asyncio.run(run(path, ear, []))
    before = [line.split() for line in out.read_text().splitlines()]
    assert [m.rule for m in ear.told] == ["r2", "r3", "r4"] and ear.told[0].id == before[2][0]


def test_damaged_file(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A file cut off anywhere, or of a newer program, is told and set aside as it was; alerts go on."""
    path = tmp_path / "alerts.json"
    asyncio.run(run(path, Ear(deaf=True), raised(2)))
    whole = path.read_bytes()
    for damaged in (
        whole[:1],
        whole[: len(whole) // 2],
        whole[:-1],
        b"",
        whole.replace(b'"version":1', b'"version":2', 1),
    ):
        caplog.clear()
        path.write_bytes(damaged)
        ear = Ear()
        asyncio.run(run(path, ear, raised(1)))
        assert [m.rule for m in ear.told] == ["r0"]
        (aside,) = tmp_path.glob("alerts.json.damaged-*")
        assert aside.read_bytes() == damaged and aside.name in caplog.text
        aside.unlink()


def test_bounds_are_told(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """At most WAITING are kept, the newest; what is older than a day is not delivered; both are told and counted."""
    path, ear = tmp_path / "alerts.json", Ear()
    sink = asyncio.run(run(path, Ear(deaf=True), raised(WAITING + 5)))
    assert sink.status()["channels"]["ear"]["dropped"] == 5 and f"more than {WAITING} wait" in caplog.text
    asyncio.run(run(path, ear, []))
    assert [m.rule for m in ear.told] == [f"r{n}" for n in range(5, WAITING + 5)]
    asyncio.run(run(path, Ear(deaf=True), raised(1), ago_s=25 * 3600))
    sink = asyncio.run(run(path, ear := Ear(), []))
    assert not ear.told and sink.status()["channels"]["ear"]["dropped"] == 1
    assert "is not told: it was 25 h ago, at most 24 h" in caplog.text
    asyncio.run(run(path, Ear("gone", deaf=True), raised(1)))
    asyncio.run(run(path, ear := Ear(), []))
    assert not ear.told and "gone is not set any more" in caplog.text


def test_disk_that_refuses(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """While the file cannot be written: told once, alerts are delivered all the same; then it is caught up."""
    path = tmp_path / "folder" / "alerts.json"

    async def go() -> None:
        ear = Ear()
        sink = AlertSink(AlertSettings(flaps=100), "bench1", path, channels=[ear], grace_s=0.1)
        task = asyncio.create_task(sink.run())
        sink.offer(raised(1)[0])
        await until(lambda: ear.told and "cannot keep alerts" in sink.status()["reason"], "told")
        await asyncio.sleep(0.5)  # some tries
        ear.deaf = True
        for event in raised(3)[1:]:
            sink.offer(event)
        await until(lambda: len(ear) == 2, "waiting")
        path.parent.mkdir()
        await until(lambda: sink.status()["reason"] == "", "well again")
        assert len(json.loads(path.read_text())["waiting"]) == 2
        await sink.close()
        await task

    asyncio.run(go())
    assert caplog.text.count("cannot keep alerts") == 1


def test_each_write_of_the_file_fails_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Whichever step of writing the file fails while alerts wait and go: told at most once, none lost, none twice."""
    for at in range(12):
        caplog.clear()
        path, fault, ear = tmp_path / f"{at}.json", Fault(at), Ear()
        under_files(fault, kept_module, monkeypatch)
        asyncio.run(run(path, Ear(deaf=True), raised(2)))
        asyncio.run(run(path, ear, raised(3)[2:]))
        asyncio.run(run(path, again := Ear(), []))
        assert [m.rule for m in ear.told] == ["r0", "r1", "r2"] and not again.told, f"write {at}"
        assert caplog.text.count("the disk is full") <= 1, f"write {at}"
    assert fault.seen <= at, "some writes were not tried"


def test_daemon_killed_before_it_could_tell(tmp_path: Path) -> None:
    """The whole daemon: a stall's alert hangs in its command, kill -9, start again: it is delivered, once."""
    put_table(tmp_path)
    out = tmp_path / "out"
    hang = program(tmp_path, "hang.py", "time.sleep(60)")
    tell = program(tmp_path, "tell.py", f"open({str(out)!r}, 'a').write(m['id'] + ' ' + m['rule'] + '\\n')")
    with PtyLine() as card:

        def daemon(command: list[str]) -> DaemonProcess:
            alert = f'[alert]\ncommand = {json.dumps(command)}\nkinds = ["stall"]'
            return DaemonProcess(tmp_path, machine_toml(card.path), alert)

        with daemon(hang) as first:
            wait_for(first.links_up)
            assert card.send(bytes.fromhex("0140")) == 2
            wait_for((tmp_path / "data/alerts.json").exists)
            first.end(signal.SIGKILL)
        with daemon(tell):
            wait_for(out.exists)
            wait_for(lambda: not json.loads((tmp_path / "data/alerts.json").read_text())["waiting"])
    assert len(out.read_text().splitlines()) == 1 and "rom-stands" in out.read_text()
