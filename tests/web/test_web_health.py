"""`/api/health` tells what each port's reader is doing, and why: up, gone, absent, and who else has the port."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any, get_args

from links.port_rig import Pty
from support.daemon import DaemonProcess, link_toml, wait_for
from support.pipelines import Source, part_of

from benchd.links.trouble import State
from benchd.rules import load_text
from benchd.vocabulary.records import LinkInfo
from benchd.vocabulary.times import Anchor
from benchd.watch.watcher import TOLD_OF_LINKS, MachineWatcher

TABLE = '[table]\nname = "t"\nsource = "own"\n[[stage]]\nname = "a"\nenter = [{ code = "FE" }]\nfinal = true\n'
HOLD = "import os, sys; os.open(sys.argv[1], os.O_RDONLY | os.O_NOCTTY); print('open', flush=True); sys.stdin.read()"


def test_each_link_tells_its_state_reason_users_and_openings(tmp_path: Path) -> None:
    (tmp_path / "t.toml").write_text(TABLE)
    pty, none = Pty(tmp_path / "post"), tmp_path / "none-there"
    machines = '[[machine]]\nname = "pc"\nrules = "t.toml"\n' + link_toml("post", str(pty.link), framing="raw")
    machines += link_toml("console", str(none), name="text", speed=1200)
    with DaemonProcess(tmp_path, machines) as daemon:

        def in_state(state: str, name: str = "post") -> Any:
            def link() -> Any:
                told = daemon.api("/api/health")["links"]["pc"][name]
                return told if told["state"] == state else None

            return wait_for(link)

        up = in_state("up")
        assert set(up) == {"port", "state", "reason", "speed", "users", "opened", "failed", "latency_s"}
        assert (up["port"], up["speed"], up["users"], up["opened"]) == (str(pty.link), 9600, [], 1)
        assert up["reason"].startswith("open at 9600 bit/s, 8N1") and 0 <= up["latency_s"] < 1

        absent = in_state("absent", "text")
        assert str(none) in absent["reason"] and absent["opened"] == 0 and absent["failed"] >= 1
        assert absent["latency_s"] is None

        pty.unplug()
        gone = in_state("gone")
        assert gone["opened"] == 1 and gone["latency_s"] is None
        pty.plug()
        again = in_state("up")
        assert again["opened"] == 2
    pty.unplug()


def test_a_program_that_had_the_port_first_is_named(tmp_path: Path) -> None:
    (tmp_path / "t.toml").write_text(TABLE)
    pty = Pty(tmp_path / "post")
    machines = '[[machine]]\nname = "pc"\nrules = "t.toml"\n' + link_toml("post", str(pty.link), framing="raw")
    command = [sys.executable, "-c", HOLD, os.path.realpath(pty.link)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None and other.stdin is not None
        assert other.stdout.readline() == b"open\n"
        with DaemonProcess(tmp_path, machines) as daemon:
            users = wait_for(lambda: daemon.api("/api/health")["links"]["pc"]["post"]["users"])
            assert len(users) == 1 and f"(process {other.pid})" in users[0]
            other.stdin.close()
            wait_for(lambda: daemon.api("/api/health")["links"]["pc"]["post"]["users"] == [])
    pty.unplug()


def test_a_reader_that_cannot_tell_is_left_out(tmp_path: Path) -> None:
    links = (LinkInfo("post", "post", "raw"),)
    run = MachineWatcher(part_of(links), load_text(TABLE, "t.toml"), TABLE, tmp_path, Anchor(0, 0), reader=Source)
    try:
        assert run.link_health() == {}
    finally:
        run.finish()


def test_the_contract_names_the_states_and_keys() -> None:
    page = (Path(__file__).resolve().parents[2] / "firmware-notes/contract.md").read_text(encoding="utf-8")
    (line,) = [line for line in page.split("\n") if line.startswith("`GET /api/health` has")]
    told = re.findall("`([a-z_]+)`", line)
    assert set(get_args(State)) | set(TOLD_OF_LINKS) | {"latency_s"} <= set(told)
