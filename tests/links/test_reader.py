"""A reader on real ptys: bytes and times arrive, trouble is named once, nobody waits."""

from __future__ import annotations

import errno
import fcntl
import os
import random
import subprocess
import sys
import termios
import threading
import time
from pathlib import Path
from typing import Any, ClassVar

import pytest
import serial
from links.port_rig import QUICK, Box, Pty, reading, until

from benchd.links.marks import mark_faults
from benchd.links.opening import open_port
from benchd.links.reader import LinkReader
from benchd.links.settings import PortSettings
from benchd.links.tries import Retry
from benchd.vocabulary.records import Chunk, LineFault, LinkInfo, LinkState, ModemLines


@pytest.fixture
def pty(tmp_path: Path) -> Any:
    port = Pty(tmp_path / "post")
    yield port
    port.unplug()


@pytest.fixture
def box() -> Box:
    return Box()


def test_bytes_arrive_with_their_times(pty: Pty, box: Box) -> None:
    """Every value passes unchanged; each chunk's time lies between sending and looking."""
    everything = bytes(range(256))
    with reading(str(pty.link), box) as reader:
        box.wait_state(True)
        before = time.monotonic_ns()
        pty.send(everything)
        box.wait_data(everything)
        after = time.monotonic_ns()
        assert box.data() == everything
        assert all(before <= r.t_ns <= after for r in box.records if isinstance(r, Chunk))
        status = reader.status()
    assert (status.state, status.bytes_read, status.opened) == ("up", 256, 1)
    assert status.last_byte_ns is not None
    assert not status.modem_lines
    assert [s.up for s in box.states()] == [True, False]
    assert box.states()[-1].reason.endswith("closed on request")
    assert [r.t_ns for r in box.records] == sorted(r.t_ns for r in box.records)
    assert reader.status().state == "stopped"


def test_unplug_and_replug(pty: Pty, box: Box) -> None:
    """The port vanishes and its steady name comes back on another pty: down once, up again, bytes go on."""
    with reading(str(pty.link), box) as reader:
        box.wait_state(True)
        pty.send(b"before")
        box.wait_data(b"before")
        pty.unplug()
        down = box.wait_state(False)
        assert "went away" in down.reason
        assert "plug the adapter back in" in down.reason
        until(lambda: reader.status().failed >= 5, "five vain attempts")
        assert reader.status().state == "gone"
        pty.plug()
        box.wait_state(True, 2)
        pty.send(b"after")
        box.wait_data(b"beforeafter")
    assert [s.up for s in box.states()] == [True, False, True, False]


def test_absent_port(tmp_path: Path, box: Box) -> None:
    """A port that is not there is said once, with what to do; it is opened as soon as it comes."""
    with reading(str(tmp_path / "post"), box) as reader:
        down = box.wait_state(False)
        assert "no such port" in down.reason
        assert "benchd ports" in down.reason
        until(lambda: reader.status().failed >= 5, "five vain attempts")
        assert reader.status().state == "absent"
        assert len(box.states()) == 1
        pty = Pty(tmp_path / "post")
        box.wait_state(True)
    pty.unplug()


def test_port_in_use(pty: Pty, box: Box) -> None:
    """Another process holds the lock (flock, pyserial's exclusive mode): its name is told."""
    program = (
        "import serial, sys\n"
        "port = serial.Serial(sys.argv[1], exclusive=True)\n"
        "print('held', flush=True)\n"
        "sys.stdin.readline()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(pty.link)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"held\n"
        with reading(str(pty.link), box) as reader:
            down = box.wait_state(False)
            assert "in use by" in down.reason
            assert f"(process {other.pid})" in down.reason
            assert reader.status().state == "busy"
            other.communicate(b"\n")
            box.wait_state(True)


def test_the_reader_keeps_others_out(pty: Pty, box: Box) -> None:
    """While a port is read, a second exclusive opener is refused."""
    with reading(str(pty.link), box):
        box.wait_state(True)
        with pytest.raises(serial.SerialException):
            serial.Serial(str(pty.link), exclusive=True)


def test_permission_denied(pty: Pty, box: Box) -> None:
    """Simulated (tests may run as root): pyserial's error with EACCES; after rights are given, it opens."""
    allowed = threading.Event()

    def opener(url: str, **keywords: Any) -> Any:
        if not allowed.is_set():
            raise serial.SerialException(errno.EACCES, f"could not open port {url}: Permission denied")
        return serial.serial_for_url(url, **keywords)

    with reading(str(pty.link), box, opener=opener) as reader:
        down = box.wait_state(False)
        assert "no permission" in down.reason
        assert "group" in down.reason
        assert reader.status().state == "denied"
        allowed.set()
        box.wait_state(True)


def test_a_change_of_trouble_is_told(tmp_path: Path, box: Box) -> None:
    """Absent, then denied, then absent: three states, not one for each attempt."""
    story = ["absent"] * 3 + ["denied"] * 3 + ["absent"] * 3

    def opener(url: str, **keywords: Any) -> Any:
        number = errno.ENOENT if (story.pop(0) if story else "absent") == "absent" else errno.EACCES
        raise serial.SerialException(number, "no")

    with reading(str(tmp_path / "x"), box, opener=opener) as reader:
        until(lambda: reader.status().failed >= 12, "twelve attempts")
        assert ["no such port" in s.reason for s in box.states()] == [True, False, True]


def test_not_a_serial_port(tmp_path: Path, box: Box) -> None:
    """An ordinary file is no port."""
    plain = tmp_path / "file"
    plain.write_text("x")
    with reading(str(plain), box) as reader:
        assert "not a serial port" in box.wait_state(False).reason
        assert reader.status().state == "unfit"


def test_line_settings_that_a_pty_cannot_take(pty: Pty, box: Box) -> None:
    """Seven bits with parity on a pty (refused by the terminal driver): read at 8N1, and said so."""
    with reading(str(pty.link), box, settings={"data_bits": 7, "parity": "E"}):
        up = box.wait_state(True)
        assert "8 data bits without parity only, not 7E" in up.reason
        pty.send(b"fine")
        box.wait_data(b"fine")


def test_the_speed_reaches_the_port(pty: Pty, box: Box) -> None:
    """What the far side of the pty sees is the speed that was set."""
    with reading(str(pty.link), box, settings={"speed": 2400}):
        assert box.wait_state(True).speed == 2400
        assert termios.tcgetattr(pty.master)[5] == termios.B2400


def test_a_stuck_consumer_does_not_stop_the_reading(pty: Pty) -> None:
    """Nobody takes from the queue: 200,000 bytes, ten times what a pty holds, are read all the same."""
    box = Box()
    with reading(str(pty.link), box) as reader:
        until(lambda: reader.status().state == "up", "up")
        pty.send(b"0123456789" * 20_000)
        until(lambda: reader.status().bytes_read == 200_000, "all bytes read")
        assert box.records == []
    assert box.data() == b"0123456789" * 20_000


class Shaky:
    """A pyserial port that cuts reads, delays them and fails by a seeded plan; it has no descriptor."""

    def __init__(self, port: Any, rng: random.Random, fails: list[type[Exception]]) -> None:
        self._port, self._rng, self._fails = port, rng, fails
        self._broken: type[Exception] | None = None

    def __getattr__(self, name: str) -> Any:
        return getattr(self._port, name)

    def fileno(self) -> int:
        raise OSError("no descriptor")

    def read(self, size: int = 1) -> bytes:
        if self._broken is None and self._fails and self._rng.random() < 0.02:
            self._broken = self._fails.pop()
        if self._broken is not None:
            raise self._broken("injected fault")
        return self._port.read(min(size, self._rng.randint(1, 3)))


@pytest.mark.parametrize("seed", range(3))
def test_injected_faults_lose_nothing_that_was_read(pty: Pty, box: Box, seed: int) -> None:
    """Short reads and every kind of error that pyserial raises: the port is opened again, no byte twice."""
    rng = random.Random(seed)
    fails: list[type[Exception]] = [OSError, serial.SerialException, TypeError]

    class Keeping(serial.Serial):
        """Opening usually empties the queue of the port; kept here so that loss would be the reader's own."""

        def _reset_input_buffer(self) -> None:
            pass

    def opener(url: str, do_not_open: bool = False, **keywords: Any) -> Any:
        port = Keeping(**keywords)
        port.port = url
        port.open()
        return Shaky(port, rng, fails)

    sent = b"".join(b"%04d " % i for i in range(600))
    # The kernel drops what waits in a pty when the last one closes it: one more keeps it open.
    keep = os.open(pty.link, os.O_RDWR | os.O_NOCTTY)
    with reading(str(pty.link), box, opener=opener) as reader:
        box.wait_state(True)
        for i in range(0, len(sent), 100):
            pty.send(sent[i : i + 100])
        until(lambda: len(box.data()) >= len(sent) and not fails, f"all bytes (seed {seed})")
        assert box.data() == sent
        assert reader.status().opened == 4
    os.close(keep)
    downs = [s for s in box.states() if not s.up]
    assert len(downs) == 4


def test_stop_is_quick_and_start_may_be_left_out() -> None:
    """A reader waiting ten seconds for its next attempt stops at once; one never started stops too."""
    info = LinkInfo("post", "post", "raw", port="/dev/nowhere/post")
    idle = LinkReader(info, PortSettings("/dev/nowhere/post"), lambda record: None)
    assert idle.stop()
    slow = Retry(base_s=3600, cap_s=3600, path_cap_s=3600)
    reader = LinkReader(info, PortSettings("/dev/nowhere/post"), lambda record: None, retry=slow)
    reader.start()
    until(lambda: reader.status().failed, "first attempt")
    began = time.monotonic()
    assert reader.stop()
    assert time.monotonic() - began < 2


def test_retries_have_full_jitter_and_a_cap() -> None:
    """Waits are uniform from 0 to min(cap, base * 2^n): mean half the bound, never above it."""
    rng, retry = random.Random(1), Retry()
    for attempt, bound in ((0, 0.25), (1, 0.5), (3, 2.0), (5, 8.0), (6, 10.0), (5000, 10.0)):
        waits = [retry.wait_s(attempt, "socket://h:1", rng) for _ in range(2000)]
        assert 0 <= min(waits) < 0.02 * bound
        assert 0.98 * bound < max(waits) <= bound
        assert sum(waits) / len(waits) == pytest.approx(bound / 2, rel=0.05)
    assert max(retry.wait_s(50, "/dev/ttyUSB0", rng) for _ in range(2000)) <= 2.0


class Scripted:
    """A port with a descriptor (a pipe), modem lines and counters by script; what a UART would offer."""

    is_open = True
    in_waiting = 0

    def __init__(self) -> None:
        self.read_end, self.write_end = os.pipe()
        self.bits = 0
        self.counters = [0] * 20

    def fileno(self) -> int:
        return self.read_end

    def close(self) -> None:
        os.close(self.read_end)


@pytest.fixture
def uart(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A scripted UART: its ioctl calls are answered from the script (a pty has neither)."""
    port = Scripted()
    real = fcntl.ioctl

    def ioctl(fd: int, request: int, argument: Any = 0, *more: Any) -> Any:
        import struct

        if fd == port.read_end and request == termios.TIOCMGET:
            return struct.pack("i", port.bits)
        if fd == port.read_end and request == 0x545D:
            return struct.pack("20i", *port.counters)
        return real(fd, request, argument, *more)

    def isatty(fd: int) -> bool:
        return fd == port.read_end

    monkeypatch.setattr("benchd.links.opening.fcntl.ioctl", ioctl)
    monkeypatch.setattr("benchd.links.opening.os.isatty", isatty)
    yield port
    os.close(port.write_end)


def test_modem_lines_at_opening_and_at_changes(uart: Scripted, box: Box) -> None:
    """Linux bits (asm-generic/termios.h: CTS 020h, CAR 040h, RNG 080h, DSR 100h); one record each change."""
    uart.bits = 0x020
    with reading("/dev/scripted", box, opener=lambda url, **keywords: uart):

        def lines() -> list[tuple[bool, bool, bool, bool]]:
            return [(r.cts, r.dsr, r.ri, r.cd) for r in box.look() if isinstance(r, ModemLines)]

        until(lambda: len(lines()) == 1, "the lines at opening")
        uart.bits = 0x020 | 0x100 | 0x040
        until(lambda: len(lines()) == 2, "power on")
        os.write(uart.write_end, b"data")
        box.wait_data(b"data")
        uart.bits = 0x080
        until(lambda: len(lines()) == 3, "power off, and ring")
        assert lines() == [
            (True, False, False, False),
            (True, True, False, True),
            (False, False, True, False),
        ]


def test_modem_lines_may_be_left_unwatched(uart: Scripted, box: Box) -> None:
    """With modem_lines off none is told."""
    with reading("/dev/scripted", box, opener=lambda url, **k: uart, settings={"modem_lines": False}):
        os.write(uart.write_end, b"data")
        box.wait_data(b"data")
        assert not any(isinstance(r, ModemLines) for r in box.records)


def test_counters_tell_faults_that_data_does_not(uart: Scripted, box: Box) -> None:
    """Unmarked port: frame, overrun, parity, brk are fields 7 to 10 of serial_icounter_struct."""
    uart.counters[6:10] = [5, 6, 7, 8]
    with reading("/dev/scripted", box, opener=lambda url, **keywords: uart) as reader:

        def faults() -> dict[str, int]:
            out: dict[str, int] = {}
            for r in box.look():
                if isinstance(r, LineFault):
                    out[r.fault] = out.get(r.fault, 0) + r.count
            return out

        box.wait_state(True)
        assert faults() == {}
        uart.counters[6:10] = [6, 8, 10, 12]
        until(lambda: faults() == {"framing": 1, "overrun": 2, "parity": 3, "break": 4}, "the faults")
        assert reader.status().faults == faults()


def test_marked_faults_stand_between_the_bytes(uart: Scripted, box: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    """A break between two runs of bytes stays between them, and the first run is back-dated by the second."""
    monkeypatch.setattr("benchd.links.opening.marks.mark_faults", lambda fd: True)
    now = [10**9]
    plain = {"opener": lambda url, **keywords: uart, "paced": True, "clock": lambda: now[0]}
    with reading("/dev/scripted", box, **plain) as reader:
        box.wait_state(True)
        assert reader.status().marks
        for _ in range(3):  # more than seven byte times in all, no turn longer than what is allowed
            now[0] += 4_000_000
            time.sleep(0.03)
        os.write(uart.write_end, b"ABC\xff\x00\x00DEFGH\xff\x00\x80\xff\xff")
        box.wait_data(b"\x80\xff")
        told = [r for r in box.records if isinstance(r, Chunk | LineFault)]
        assert [r.data if isinstance(r, Chunk) else r.fault for r in told] == [
            b"ABC",
            "break",
            b"DEFGH",
            "framing",
            b"\x80\xff",
        ]
        byte = 1_041_667  # 8N1 at 9600: 10 bits
        assert told[4].t_ns - told[2].t_ns == 2 * byte
        assert told[4].t_ns - told[0].t_ns == 7 * byte
        assert reader.status().bytes_read == 10


def test_quick_is_quick() -> None:
    """The retry plan used in these tests is the same law with smaller figures."""
    assert QUICK.wait_s(99, "/dev/x", random.Random(1)) <= 0.05
    assert isinstance(LinkState("a", 0, True, ""), LinkState)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_fault_of_our_own_is_told(pty: Pty, box: Box) -> None:
    """An exception that no port raises ends the reading with a state that says so, not in silence."""

    def opener(url: str, **keywords: Any) -> Any:
        raise ZeroDivisionError("our own")

    with reading(str(pty.link), box, opener=opener) as reader:
        assert "fault of benchd (ZeroDivisionError: our own)" in box.wait_state(False).reason
        assert reader.status().state == "unfit"


class Counting(Retry):
    """A quick retry plan that keeps the attempt numbers it was asked about."""

    asked: ClassVar[list[int]] = []

    def wait_s(self, attempt: int, port: str, rng: random.Random) -> float:
        self.asked.append(attempt)
        return 0.01


def test_waits_grow_until_a_port_has_been_steady(pty: Pty, box: Box) -> None:
    """Failures count up, a port that falls at once is one of them; after a steady while they start at 0."""
    Counting.asked.clear()
    pty.unplug()
    steady = threading.Event()

    def clock() -> int:
        return time.monotonic_ns() + (3600 * 10**9 if steady.is_set() else 0)

    with reading(str(pty.link), box, retry=Counting(steady_s=60), clock=clock):
        until(lambda: len(Counting.asked) >= 3, "three failures")
        pty.plug()
        box.wait_state(True)
        pty.unplug()
        box.wait_state(False, 2)
        until(lambda: len(Counting.asked) >= 6, "more failures")
        assert Counting.asked == list(range(len(Counting.asked)))
        pty.plug()
        box.wait_state(True, 2)
        before = len(Counting.asked)
        steady.set()
        pty.unplug()
        box.wait_state(False, 3)
        until(lambda: len(Counting.asked) > before, "the wait after a steady while")
        assert Counting.asked[before] == 0


@pytest.mark.parametrize("rate", [19200, 31250])
def test_a_change_of_speed_reaches_the_port_and_keeps_the_marks(pty: Pty, rate: int) -> None:
    """Rates with a constant (termios B19200) and without (31250): set, remembered, marks kept."""
    opened = open_port(PortSettings(str(pty.link)), 9600)
    try:
        assert opened.fd is not None
        assert mark_faults(opened.fd)
        opened.set_rate(rate)
        assert opened.rate == rate
        assert termios.tcgetattr(opened.fd)[0] & termios.PARMRK
        constant = getattr(termios, f"B{rate}", None)
        if constant is not None:
            assert termios.tcgetattr(pty.master)[5] == constant
    finally:
        opened.close()
