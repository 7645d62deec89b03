"""The practice machine: whoever has no hardware finds a port that the commands take, and a machine to set up."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest
import serial

from benchd.cli.practice import changed, intro, practise
from benchd.demo import at286
from benchd.demo.machine import SimMachine
from benchd.errors import UsageError


def test_what_is_typed_changes_the_machine() -> None:
    """Nothing, or factor=level once or more; a slip names what there is and changes nothing."""
    assert changed(at286.START, "") == at286.START
    assert changed(at286.START, "rom-base=C800  slot=5") == {**at286.START, "rom-base": "C800", "slot": "5"}
    with pytest.raises(UsageError, match="rom-base can be C800 or D000 or D800"):
        changed(at286.START, "rom-base=C900")
    with pytest.raises(UsageError, match="without blanks; factors: rom-base, rom-image"):
        changed(at286.START, "rom-base = C800")


def test_each_line_is_a_boot_on_the_ports(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The machine boots as it is set up by then: with the jumper moved its storage ROM runs (code 45)."""
    lines = iter(["", "rom-base=C999", "rom-base=C800", None])
    links = {name: tmp_path / name for name in ("post", "console")}
    with SimMachine(speed=50, links=links) as machine, serial.Serial(machine.ports["post"], timeout=0.05) as port:
        data, ended = bytearray(), threading.Event()

        def read() -> None:
            while not ended.is_set() or port.in_waiting:
                data.extend(port.read(64))

        reader = threading.Thread(target=read)
        reader.start()
        practise(tmp_path, machine, lambda seconds: next(lines), None)
        ended.set()
        reader.join()
    boots = bytes(data).split(b"\x01")[1:]
    assert len(boots) == 2 and b"\x45" not in boots[0] and b"\x45" in boots[1]
    told = capsys.readouterr().out
    assert "rom-base can be C800" in told and "2. on:  rom-base=C800" in told


def test_it_says_what_to_type(tmp_path: Path) -> None:
    """Ports, how it is switched on, and commands that name them."""
    ports = {"post": "/tmp/p", "console": "/tmp/c"}
    text = "\n".join(intro(tmp_path, ports, None))
    assert "switched on at Enter" in text and "--post /tmp/p --console /tmp/c" in text
    assert "by itself each 60 s, and at Enter" in "\n".join(intro(tmp_path, ports, 60.0))


def test_setup_takes_its_ports(tmp_path: Path) -> None:
    """The command that it prints makes a settings file; Ctrl-C ends it, and its ports are gone."""
    folder = tmp_path / "practice"
    command = [sys.executable, "-m", "benchd"]
    began = subprocess.Popen(
        [*command, "demo", "--practice", "--every", "1s", "--folder", str(folder)],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    try:
        assert began.stdout is not None
        line = next(line for line in began.stdout if line.strip().startswith("benchd setup"))
        words = re.sub("^benchd ", "", line.strip()).split()
        done = subprocess.run([*command, *words, "--listen", "6s"], cwd=tmp_path, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr
        written = (tmp_path / "bench.toml").read_text()
        assert 'rules = "demo-at286"' in written and str(folder / "tty-post") in written
    finally:
        began.send_signal(signal.SIGINT)
        assert began.wait(60) == 0
        began.stdout.close()
    assert not (folder / "tty-post").exists()
