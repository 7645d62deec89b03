"""The simulated machine on real ptys: what a reader gets, what nobody reads; and the tests' own floods."""

from __future__ import annotations

import itertools
import threading
import time
from pathlib import Path

import pytest
import serial
from support.flood import Flood, flood, stream

from benchd.demo import at286
from benchd.demo.line import PtyLine
from benchd.demo.machine import Operator, SimMachine
from benchd.demo.steps import Hang, Post, Say, Wait


class Reader(threading.Thread):
    """Reads a port by pyserial until closed."""

    def __init__(self, path: str) -> None:
        super().__init__(daemon=True)
        self.port = serial.Serial(path, timeout=0.05)
        self.data = bytearray()
        self.ending = threading.Event()
        self.start()

    def run(self) -> None:
        while not self.ending.is_set():
            self.data += self.port.read(1)
            self.data += self.port.read(self.port.in_waiting)

    def finish(self) -> bytes:
        time.sleep(0.1)
        self.ending.set()
        self.join()
        self.port.close()
        return bytes(self.data)


def test_boots_arrive_as_planned() -> None:
    """pyserial reads exactly the bytes of the timeline on both links, and none is lost."""
    with Operator(at286.behaviour, SimMachine(speed=40, seed=3)) as operator:
        readers = {name: Reader(path) for name, path in operator.ports.items()}
        played = [operator.boot({**at286.START, "rom-base": base}) for base in ("D000", "D000", "D800")]
        got = {name: reader.finish() for name, reader in readers.items()}
        assert [p.number for p in played] == [0, 1, 2]
        for link in ("post", "console"):
            assert got[link] == b"".join(p.wires.data(link) for p in played)
            assert operator.machine.lines[link].lost == 0


def test_times_are_kept() -> None:
    """A play takes the time of its timeline: never less, and at most 50 ms more on a busy host."""
    script = [Post(1, 0.1), Say("hello\r\n"), Wait(0.3), Post(2, 0.1)]
    with SimMachine(script) as machine:
        began = time.monotonic()
        wires = machine.play()
        assert wires.seconds <= time.monotonic() - began <= wires.seconds + 0.05


def test_same_seed_same_boots() -> None:
    """Scripts and bytes depend on seed and boot number only."""
    with (
        Operator(at286.behaviour, SimMachine(speed=8, seed=5)) as one,
        Operator(at286.behaviour, SimMachine(speed=8, seed=5)) as two,
    ):
        for number in range(30):
            script = one.script(number, at286.START)
            assert script == two.script(number, at286.START)
            assert one.machine.plan(number, script) == two.machine.plan(number, script)
        assert len({one.script(number, at286.START) for number in range(30)}) > 1


def test_nobody_reads() -> None:
    """Without a reader the machine goes on and its bytes are gone: a later reader gets the next boot only."""
    with SimMachine([Post(1), Say("first\r\n")], speed=50) as machine:
        machine.play()
        assert machine.lines["post"].lost == 1 and machine.lines["console"].lost == 7
        reader = Reader(machine.ports["console"])
        machine.play(1, [Say("second\r\n")])
        assert reader.finish() == b"second\r\n"


def test_reader_that_stalls() -> None:
    """An open port that is not read fills, then bytes are lost and counted; sending never waits."""
    with PtyLine() as line, serial.Serial(line.path):
        began = time.monotonic()
        for _ in range(100):
            line.send(b"x" * 1000)
        assert time.monotonic() - began < 1
        assert line.sent + line.lost == 100_000
        assert 0 < line.sent < 70_000


def test_stop_ends_a_hang() -> None:
    """`close` ends a play in the middle of a long hang, and the reader sees the line go."""
    operator = Operator(lambda _setup, _rng: [Post(1), Hang(60)], SimMachine(speed=10))
    playing = threading.Thread(target=operator.boot, args=({},), daemon=True)
    with serial.Serial(operator.ports["post"], timeout=5) as port:
        playing.start()
        assert port.read(1) == b"\x01"
        began = time.monotonic()
        operator.close()
        playing.join()
        assert time.monotonic() - began < 1
        with pytest.raises((serial.SerialException, OSError)):
            port.read(1)


def test_named_ports(tmp_path: Path) -> None:
    """Ports can have fixed names, which vanish with the machine."""
    names = {"post": tmp_path / "post", "console": tmp_path / "console"}
    with SimMachine(links=names) as machine:
        assert machine.ports == {key: str(path) for key, path in names.items()}
        assert names["post"].is_symlink()
    assert not names["post"].is_symlink()


def test_flood_rate_and_content() -> None:
    """A reader that keeps up gets the promised bytes at the promised rate."""
    with Flood(11_520, seed=4) as load:
        readers = {name: Reader(path) for name, path in load.ports.items()}
        load.start()
        time.sleep(1)
        result = load.finish()
        for name, reader in readers.items():
            got = reader.finish()
            whole = bytearray()
            for piece in stream(name, 4):  # type: ignore[arg-type]
                whole += piece
                if len(whole) >= len(got):
                    break
            assert got == bytes(whole[: len(got)])
            assert len(got) == result.offered[name] and result.lost[name] == 0
            assert result.offered[name] == pytest.approx(11_520 * result.seconds, rel=0.03)


def test_flood_ends_and_counts_losses() -> None:
    """Without a reader everything offered is lost; without an end it is refused."""
    with PtyLine() as line:
        result = flood({"console": line}, 50_000, seconds=0.2)
        assert result.offered == result.lost == {"console": 10_000}
        with pytest.raises(ValueError, match="never end"):
            flood({"console": line}, 1)


def test_streams_never_hang() -> None:
    """The load holds no hung boots: every boot on the post link ends with the hand-over code."""
    assert all(piece.endswith(b"\x6f") for piece in itertools.islice(stream("post", 1), 40))
