"""A port is opened for one program alone, quietly, and what came of its settings is asked."""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import struct
import subprocess
import sys
import termios
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from links.port_rig import Box, Pty, reading

from benchd.links import terminal
from benchd.links.terminal import LineFormat, UnfitFormat, compare, in_force, open_quietly, set_format, set_speed

OTHER_USER = 65534
"""Nobody: root may open what is held exclusively (ioctl_tty(2), TIOCEXCL)."""


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[Pty]:
    port = Pty(tmp_path / "post")
    yield port
    port.unplug()


@contextlib.contextmanager
def another_program(path: str, **more: Any) -> Iterator[subprocess.Popen[bytes]]:
    """Another program opens `path`, without any lock, and holds it; it says the error if it may not."""
    program = (
        "import os, sys\n"
        "try:\n"
        "    os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)\n"
        "    print('held', flush=True)\n"
        "except OSError as error:\n"
        "    print(error.strerror, flush=True)\n"
        "sys.stdin.readline()\n"
    )
    command = ["/usr/bin/env", "python3", "-c", program, path] if more else [sys.executable, "-c", program, path]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, **more) as other:
        yield other
        with contextlib.suppress(BrokenPipeError):
            other.communicate(b"\n")


def test_another_user_cannot_take_bytes(pty: Pty) -> None:
    """The lock that pyserial takes is advice: only exclusive use keeps a plain open() of another program out."""
    box = Box()
    with reading(str(pty.link), box):
        box.wait_state(True)
        os.chmod(pty.link, 0o666)
        user = {"user": OTHER_USER, "group": OTHER_USER, "extra_groups": []} if os.geteuid() == 0 else {"env": {}}
        with another_program(os.path.realpath(pty.link), cwd="/", **user) as other:
            assert other.stdout is not None
            assert other.stdout.readline() == b"Device or resource busy\n"


def test_a_program_that_was_there_first_is_named(pty: Pty) -> None:
    """It has the port open without a lock and goes on taking bytes: the link is up, and its state names the program."""
    box = Box()
    with another_program(os.path.realpath(pty.link)) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"held\n"
        with reading(str(pty.link), box) as reader:
            up = box.wait_state(True, 2)
            assert f"(process {other.pid}), which takes bytes away: close that program" in up.reason
            assert f"(process {other.pid})" in reader.status().users[0]
            assert other.stdin is not None
            other.stdin.write(b"\n")
            other.stdin.flush()
            assert "no other program has it open any more" in box.wait_state(True, 3).reason
            assert reader.status().users == ()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root gets past exclusive use")
def test_root_that_comes_later_is_named(pty: Pty) -> None:
    """Exclusive use does not stop root: the kernel tells of the open, and the state says who it was."""
    box = Box()
    with reading(str(pty.link), box):
        box.wait_state(True)
        with another_program(os.path.realpath(pty.link)) as other:
            assert other.stdout is not None
            assert other.stdout.readline() == b"held\n"
            assert f"(process {other.pid})" in box.wait_state(True, 2).reason


def test_two_links_of_the_same_settings(pty: Pty, tmp_path: Path) -> None:
    """Two names of one port: the second link says which link has it, and gets it when that is gone."""
    (tmp_path / "steady").symlink_to(os.path.realpath(pty.link))
    first, second = Box(), Box()
    with reading(str(tmp_path / "steady"), second) as late:
        second.wait_state(True)
        with reading(str(pty.link), first):
            down = first.wait_state(False)
            assert f'in use by the link console (port = "{tmp_path / "steady"}") of these settings' in down.reason
            assert late.stop()
            first.wait_state(True)


def test_no_byte_goes_back_in_500_openings(pty: Pty) -> None:
    """With echo off, which is how a port's maker or an earlier opening leaves it, opening sends nothing, ever."""
    for _ in range(500):
        port = open_quietly(str(pty.link))
        set_format(port.fd, LineFormat(115200))
        os.write(pty.master, b"boot")
        assert os.read(port.fd, 16) == b"boot"
        assert not select.select([pty.master], [], [], 0)[0]
        port.close()
        with pytest.raises(OSError, match="Input/output"):
            os.read(pty.master, 16)  # closed at the other end, and nothing was waiting


def test_echo_that_the_port_was_left_with_is_ended() -> None:
    """A fresh pty echoes by its maker's setting before anybody opens it; from opening on it does not."""
    master, slave = os.openpty()
    try:
        os.write(master, b"a")
        assert os.read(master, 9) == b"a", "the kernel echoed, nobody having read"
        port = open_quietly(os.ttyname(slave))
        os.write(master, b"b")
        assert os.read(port.fd, 9) == b"b"
        assert not select.select([master], [], [], 0.1)[0]
        assert termios.tcgetattr(slave)[3] & (termios.ECHO | termios.ICANON | termios.ISIG) == 0
        port.close()
    finally:
        os.close(master)
        os.close(slave)


def test_what_is_locked_is_left_alone(pty: Pty) -> None:
    """Another program's lock: refused before anything at the port is changed."""
    other = os.open(pty.link, os.O_RDWR | os.O_NOCTTY)
    try:
        fcntl.flock(other, fcntl.LOCK_EX)
        before = termios.tcgetattr(other)
        before[3] |= termios.ECHO
        termios.tcsetattr(other, termios.TCSANOW, before)
        with pytest.raises(BlockingIOError):
            open_quietly(str(pty.link), dtr=False)
        assert termios.tcgetattr(other)[3] & termios.ECHO
    finally:
        os.close(other)


@pytest.mark.parametrize("speed", [9600, 31250, 250_000])
def test_what_is_in_force_is_read_back(pty: Pty, speed: int) -> None:
    """Speeds with and without a constant; the far side of the pty is told the same by the kernel's own structure."""
    port = open_quietly(str(pty.link))
    try:
        set_format(port.fd, LineFormat(speed, 8, "N", 2))
        assert in_force(port.fd) == LineFormat(speed, 8, "N", 2)
        far = struct.unpack("4IB19s2I", fcntl.ioctl(pty.master, 0x802C542A, bytes(44)))
        assert far[-1] == speed
        set_speed(port.fd, 1200)
        assert in_force(port.fd) == LineFormat(1200, 8, "N", 2)
        # pyserial asks the same kernel: its own view of the port agrees.
        assert termios.tcgetattr(port.fd)[5] == termios.B1200
    finally:
        port.close()


@pytest.mark.parametrize(
    ("got", "part"),
    [
        (LineFormat(9600, 8), "asked for 250000 bit/s, but 9600 is in force"),
        (LineFormat(250_000, 5), "asked for 8 data bits, but 5 are in force"),
        (LineFormat(250_000, 8, "O"), "asked for parity N, but O is in force"),
    ],
)
def test_what_would_read_wrong_is_refused(got: LineFormat, part: str) -> None:
    """Speed beyond 3 %, data bits, parity: nothing would be read right."""
    with pytest.raises(UnfitFormat, match=part):
        compare(LineFormat(250_000), got)


def test_what_does_no_harm_is_told() -> None:
    """A receiver looks at one stop bit only; 56,000 from the usual crystal is 57,600, +2.86 % by the data sheet."""
    assert compare(LineFormat(9600), LineFormat(9600)) == []
    assert "2 are in force" in compare(LineFormat(9600, 8, "N", 1.5), LineFormat(9600, 8, "N", 2))[0]
    assert compare(LineFormat(56_000), LineFormat(57_600)) == [
        "asked for 56000 bit/s, 57600 is in force (+2.9 %)",
    ]


def test_a_whole_number_divides_the_crystal(pty: Pty, monkeypatch: pytest.MonkeyPatch) -> None:
    """A 16550A takes 100,000 bit/s without a word and runs at 115,200: the driver's structure gives the crystal."""
    real = fcntl.ioctl

    def ioctl(fd: int, request: int, *more: Any) -> Any:
        if request == terminal.TIOCGSERIAL:  # type 4 (16550A) and 115,200, as the guest's driver answered
            return struct.pack("iiIiiiii40x", 4, 1, 0x2F8, 3, 0x10000040, 16, 0, 115_200)
        return real(fd, request, *more)

    port = open_quietly(str(pty.link))
    try:
        set_format(port.fd, LineFormat(100_000))
        monkeypatch.setattr("benchd.links.terminal.fcntl.ioctl", ioctl)
        assert in_force(port.fd).speed == 115_200
        set_speed(port.fd, 38_400)
        assert in_force(port.fd).speed == 38_400
    finally:
        port.close()


def test_a_refused_speed_keeps_the_link_down(pty: Pty, monkeypatch: pytest.MonkeyPatch) -> None:
    """The state says what was asked for and what the hardware does; it is not called up."""
    monkeypatch.setattr("benchd.links.terminal.in_force", lambda fd: LineFormat(9600))
    box = Box()
    with reading(str(pty.link), box, settings={"speed": 250_000}) as reader:
        down = box.wait_state(False)
        assert "asked for 250000 bit/s, but 9600 is in force: this hardware cannot do it" in down.reason
        assert reader.status().state == "unfit"
        assert not any(state.up for state in box.states())


def test_the_state_says_how_late_bytes_may_be(pty: Pty) -> None:
    """Measured once the port is open, and left to the settings where a person set it."""
    for known, expected in ((False, 5_000_000), (True, None)):
        box = Box()
        with reading(str(pty.link), box, settings={"latency_known": known}):
            assert box.wait_state(True).latency_ns == expected


def test_the_maker_of_a_pty_sees_a_raw_port() -> None:
    """Everything that the line discipline could change is off: a line end stays what it was, FFh too."""
    master, slave = os.openpty()
    port = open_quietly(os.ttyname(slave))
    try:
        set_format(port.fd, LineFormat(9600))
        tty.setraw(master)
        os.write(master, bytes(range(256)))
        assert os.read(port.fd, 4096) == bytes(range(256))
    finally:
        port.close()
        os.close(master)
        os.close(slave)
