"""Ports are listed with what /dev, /sys and /proc say, on a tree of our own and on a real pty."""

from __future__ import annotations

import json
import os
import stat
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from benchd.cli import ports as command
from benchd.links.holders import holders
from benchd.links.ports import (
    PortFacts,
    caution_about,
    find_ports,
    look_at,
    permission_advice,
    ports_json,
    ports_text,
)


@pytest.fixture
def pty() -> Any:
    """A pty; yields its path."""
    master, slave = os.openpty()
    path = os.ttyname(slave)
    os.close(slave)
    yield path
    os.close(master)


def test_holders_on_a_tree(tmp_path: Path) -> None:
    """A process whose descriptor leads to the device is named; others, and unreadable ones, are not."""
    device = tmp_path / "tty"
    device.touch()
    for pid, name, target in ((11, "term", device), (12, "other", tmp_path), (2, "first", device)):
        fd = tmp_path / "proc" / str(pid) / "fd"
        fd.mkdir(parents=True)
        (fd / "5").symlink_to(target)
        (fd.parent / "comm").write_text(name + "\n")
    (tmp_path / "proc" / "13").mkdir()
    (tmp_path / "proc" / "self").mkdir()
    assert holders(str(device), tmp_path / "proc") == ("first (process 2)", "term (process 11)")
    assert holders(str(device), tmp_path / "nowhere") == ()


def test_a_real_holder_is_seen(pty: str) -> None:
    """Another process that has a pty open is found in the kernel's own /proc; this process is not counted."""
    with subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys; open(sys.argv[1]); f = open(sys.argv[1]); print(flush=True); input()",
            pty,
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        facts = look_at(pty)
        assert any(f"(process {other.pid})" in user for user in facts.users)
        assert not facts.usable
        assert "close that program first" in facts.advice
        other.communicate(b"\n")
    free = look_at(pty)
    assert free.users == ()
    assert free.usable
    assert free.kind == "pty"
    assert free.mode == f"{stat.S_IMODE(os.stat(pty).st_mode):o}"


def test_sys_facts(tmp_path: Path, pty: str) -> None:
    """Driver and latency timer come from /sys by the device's name."""
    name = os.path.basename(pty)
    driver = tmp_path / "bus/drivers/bench_serial"
    driver.mkdir(parents=True)
    device = tmp_path / "class/tty" / name / "device"
    device.mkdir(parents=True)
    (device / "driver").symlink_to(driver)
    timer = tmp_path / "bus/usb-serial/devices" / name
    timer.mkdir(parents=True)
    (timer / "latency_timer").write_text("16\n")
    facts = look_at(pty, sys=tmp_path)
    assert facts.driver == "bench_serial"
    assert facts.latency_timer_ms == 16


def test_missing_port_and_missing_rights() -> None:
    """What to do is said: join the group where the group may; ask where it may not."""
    assert "not there" in look_at("/dev/nowhere/ttyUSB0").advice
    advice = permission_advice("/dev/ttyUSB0", "dialout", 0o20660, False)
    assert "usermod -aG dialout" in advice
    assert "ask whoever runs this machine" in permission_advice("/dev/ttyUSB0", "root", 0o20660, False)
    assert "ask whoever runs this machine" in permission_advice("/dev/ttyUSB0", "dialout", 0o20600, False)
    assert permission_advice("/dev/ttyUSB0", "dialout", 0o20600, True) == ""


def listed(device: str, **more: Any) -> Any:
    """An entry as pyserial's list_ports gives it."""
    fields = {"device": device, "description": "n/a", "vid": None, "pid": None, "serial_number": None}
    return SimpleNamespace(**(fields | more))


def test_find_and_format(pty: str) -> None:
    """USB numbers as four hex digits each, steady order, one block a port."""
    found = find_ports([listed("/dev/zz"), listed(pty, vid=0x1209, pid=0x1, serial_number="B7", description="Bench")])
    assert [facts.device for facts in found] == sorted((pty, "/dev/zz"))
    facts = next(f for f in found if f.device == pty)
    assert (facts.usb, facts.serial_number, facts.description) == ("1209:0001", "B7", "Bench")
    text = ports_text(found)
    assert f"{pty}  pty  Bench" in text
    assert "USB: 1209:0001 B7" in text
    assert "to do: not there" in text
    assert json.loads(json.dumps(ports_json(found)))[0]["usable"] in (True, False)


def test_the_self_built_card_on_usb(pty: str) -> None:
    """It is named by its product string, and its settings are those of the card's own page, which has the same name."""
    page = (Path(__file__).parents[2] / "firmware-notes/card/README.md").read_text()
    (settings,) = [part for part in page.split("\n\n") if part.startswith("    [[machine.link]]")]
    (name,) = [line for line in settings.splitlines() if "port = " in line]
    product = "POST-code card, bench frames"
    assert product in page
    text = ports_text(find_ports([listed(pty, vid=0x1209, pid=0x1, description=product)]))
    assert f"{pty}  pty  {product}" in text
    assert settings.replace(name, f'    port = "{pty}"') in text
    assert "4000000" not in ports_text(find_ports([listed(pty, vid=0x1209, pid=0x1, description="Bench")]))


def test_no_port_at_all() -> None:
    """Nothing found: said, with how to go on."""
    assert "No serial port found" in ports_text(())
    assert "socket://HOST:PORT" in ports_text(())


def app() -> typer.Typer:
    application = typer.Typer()
    application.callback()(lambda: None)
    command.register(application)
    return application


def test_the_command_cleans_what_devices_say(monkeypatch: pytest.MonkeyPatch) -> None:
    """A USB product string may hold terminal escapes; none gets to the terminal. Exit code 0."""
    evil = PortFacts("/dev/ttyUSB0", "usb", description="nice\x1b]0;x\x07\u202eadapter", usb="1209:0001")
    monkeypatch.setattr("benchd.cli.ports.find_ports", lambda: (evil, replace(evil, device="/dev/ttyUSB1")))
    result = CliRunner().invoke(app(), ["ports"])
    assert result.exit_code == 0
    assert "\x1b" not in result.output
    assert "\\x1b" in result.output
    assert "\u202e" not in result.output
    as_json = CliRunner().invoke(app(), ["ports", "--json"])
    assert [port["device"] for port in json.loads(as_json.output)] == ["/dev/ttyUSB0", "/dev/ttyUSB1"]


def test_the_command_on_this_machine() -> None:
    """Whatever this machine has, the list is JSON and every port has a kind."""
    result = CliRunner().invoke(app(), ["ports", "--json"])
    assert result.exit_code == 0
    assert all(port["kind"] for port in json.loads(result.output))


def test_this_process_is_no_holder_of_its_own_port(pty: str) -> None:
    """A daemon that asks who has its port does not name itself."""
    fd = os.open(pty, os.O_RDWR | os.O_NOCTTY)
    try:
        assert holders(pty) == ()
    finally:
        os.close(fd)


def test_a_steady_name_is_offered() -> None:
    """The numbered name earns a warning with the steady one beside it; without a serial number the place counts."""
    by_id, by_path = "/dev/serial/by-id/usb-bench-if00", "/dev/serial/by-path/pci-0-usb-1"
    facts = PortFacts("/dev/ttyUSB0", "usb", names=(by_id, by_path), caution="no")
    assert f'in bench.toml: port = "{by_id}"' in ports_text((facts,))
    assert f"also known as: {by_path}" in ports_text((facts,))
    assert 'port = "/dev/ttyS0"' in ports_text((PortFacts("/dev/ttyS0", "uart"),))
    with_number = caution_about("/dev/ttyUSB0", (by_id, by_path), "B7")
    assert with_number == "/dev/ttyUSB0 may be another adapter after replugging: write the steady name"
    assert caution_about("/dev/ttyUSB0", (by_id, by_path), "").endswith(f"take the place: {by_path}")
    assert "udev makes them" in caution_about("/dev/ttyUSB0", (), "B7")
    assert caution_about("/dev/ttyS0", (), "") == caution_about(by_id, (), "") == ""
