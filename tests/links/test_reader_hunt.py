"""A reader hunting on a real pty: the far side garbles bit by bit what is read at another speed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from links.hunted import Target
from links.port_rig import Box, Pty, reading, until
from support.card_frames import encode_frame

from benchd.decode.benchframe import CardWrite, Frame

TEXT = b"Bench BIOS 1.02\r\n00128 KB OK\r00640 KB OK\r\nFixed disk 0: 40 MB\r\nstorage rom ready\r\n"


@pytest.fixture
def pty(tmp_path: Path) -> Any:
    port = Pty(tmp_path / "console")
    yield port
    port.unplug()


@pytest.mark.parametrize("rate", [1200, 9600, 57600])
def test_the_speed_of_a_console_is_found(pty: Pty, rate: int) -> None:
    """Up with no speed first; then the right one, how sure, what was left out; then the text."""
    box = Box()
    with reading(str(pty.link), box, settings={"speed": "hunt"}) as reader, Target(pty.master, TEXT, rate) as target:
        first = box.wait_state(True)
        assert first.speed is None
        assert "hunting" in first.reason
        found = box.wait_state(True, 2)
        assert found.speed == rate
        assert f"speed {rate} found" in found.reason
        assert "characters read well" in found.reason
        assert target.tried[-1] == rate
        box.wait_data(TEXT)
        status = reader.status()
        assert status.speed == rate
        assert status.confidence is not None
        assert status.confidence > 0.8
        assert status.bytes_read >= status.left_out + len(box.data())
        # Whatever was delivered is text as sent: nothing read at a wrong speed got through.
        assert set(box.data()) <= set(TEXT)
        if len(target.tried) > 1:
            assert f"{status.left_out} read before that left out" in found.reason


def test_a_change_of_speed_is_followed(pty: Pty) -> None:
    """The target goes from 9600 to 19200: told with no speed, then found anew."""
    box = Box()
    with reading(str(pty.link), box, settings={"speed": "hunt"}), Target(pty.master, TEXT, 9600) as target:
        until(lambda: any(s.speed == 9600 for s in box.states()), "9600 found")
        target.rate = 19200
        until(lambda: any(s.speed == 19200 for s in box.states()), "19200 found")
    told = [(s.speed, s.up) for s in box.states()]
    assert told == [(None, True), (9600, True), (None, True), (19200, True), (None, False)]
    assert "garbage at speed 9600" in box.states()[2].reason


def test_a_replugged_port_keeps_its_speed(pty: Pty) -> None:
    """After unplugging, the speed found before is used at once, and the first byte is passed on."""
    box = Box()
    with reading(str(pty.link), box, settings={"speed": "hunt"}):
        with Target(pty.master, TEXT, 19200):
            until(lambda: any(s.speed == 19200 for s in box.states()), "19200 found")
        pty.unplug()
        box.wait_state(False)
        pty.plug()
        until(lambda: box.states()[-1].up, "up again")
        assert box.states()[-1].speed == 19200
        assert "found before" in box.states()[-1].reason
        pty.send(b"\x01one byte")
        box.wait_data(b"\x01one byte")


def test_bench_frames_are_found_by_check_sum(pty: Pty) -> None:
    """Frames of a self-built card at 57600: three good check sums, and the sentence says so."""

    frames = b"".join(encode_frame(Frame(i, i * 100, (CardWrite(code=0x10 + i, port=0x80),))) for i in range(8))
    box = Box()
    more = {"kind": "post", "framing": "bench"}
    with reading(str(pty.link), box, settings={"speed": "hunt"}, **more), Target(pty.master, frames, 57600):
        found = box.wait_state(True, 2)
        assert found.speed == 57600
        assert "frames with a good check sum" in found.reason


def test_a_raw_link_on_a_pty_is_not_guessed(pty: Pty) -> None:
    """9600 is taken and said not to be found; every byte passes from the first on."""
    box = Box()
    with reading(str(pty.link), box, settings={"speed": "hunt"}, kind="post", framing="raw"):
        up = box.wait_state(True)
        assert up.speed == 9600
        assert "taken, not found" in up.reason
        pty.send(bytes(range(256)))
        box.wait_data(bytes(range(256)))


def test_a_taken_speed_is_never_called_found(pty: Pty) -> None:
    """After replugging, a raw link still says that its speed was taken."""
    box = Box()
    with reading(str(pty.link), box, settings={"speed": "hunt"}, kind="post", framing="raw"):
        box.wait_state(True)
        pty.unplug()
        box.wait_state(False)
        pty.plug()
        assert "taken, not found" in box.wait_state(True, 2).reason
