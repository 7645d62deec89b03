"""`benchd card` as a process: cards of several kinds on a pty, and the firmware that is written."""

from __future__ import annotations

import contextlib
import json
import os
import random
import select
import signal
import sys
import tempfile
import threading
import tomllib
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Literal

import pytest
from card.plans import NOTES
from jsonschema import Draft202012Validator
from links.port_rig import DEADLINE_S, Pty, until
from support import started
from support.card_frames import encode_frame

from benchd.card.image import image_dir
from benchd.card.listening import listen
from benchd.cli.card import card_text
from benchd.cli.main import main
from benchd.cli.schema import published
from benchd.decode.benchframe import CardWrite, Frame, Kind, Note, NoteKind
from benchd.decode.cardcheck import CardReport
from benchd.decode.misread import misread
from benchd.links.settings import PortSettings

PAUSE_S = 0.01
PIECES = 40


def new_card(n: int) -> bytes:
    """A card that tells of itself, of power, and of a code now and then; entry numbers go on."""
    notes = (Note(NoteKind.CARD, bytes((2, 1, 0x80, 0, 0x90, 0))), Note(NoteKind.POWER, b"\1"))
    entry = CardWrite(None, note=notes[n % 2]) if n % 4 < 2 else CardWrite(n & 0xFF, port=0x80)
    return encode_frame(Frame(n & 0xFFFF, n * 20_000, (entry,)))


def old_card(n: int) -> bytes:
    """A card from before there were notes."""
    return encode_frame(Frame(0, n * 20, kind=Kind.ALIVE, tick_ns=1_000_000))


def losing_card(n: int) -> bytes:
    return encode_frame(Frame(n & 0xFFFF, n * 20_000, (CardWrite(1, lost=3),)))


def noise(n: int) -> bytes:
    return random.Random(n).randbytes(40)


def raw_card(n: int) -> bytes:
    return bytes((n & 0xFF,))


def wrong_speed(n: int) -> bytes:
    return misread(old_card(n) * 3, 19200, 115200)


def silent(_n: int) -> bytes:
    return b""


class Card:
    """A card on a pty at `folder`/port: sends piece after piece until it is unplugged."""

    def __init__(self, make: Callable[[int], bytes], folder: Path) -> None:
        self.pty, self.sent, self._stop, self._make = Pty(folder / "port"), 0, threading.Event(), make
        os.set_blocking(self.pty.master, False)
        self._thread = threading.Thread(target=self._send)

    def __enter__(self) -> Card:
        self._thread.start()
        return self

    def _send(self) -> None:
        while not self._stop.wait(PAUSE_S):
            with contextlib.suppress(BlockingIOError):  # nobody reads yet
                os.write(self.pty.master, self._make(self.sent))
            self.sent += 1

    def unplug(self) -> None:
        self._stop.set()
        self._thread.join()
        self.pty.unplug()

    def __exit__(self, *_: object) -> None:
        self.unplug()


class Listening:
    """`benchd card check` on the port in `folder`, for longer than any test."""

    def __init__(self, folder: Path, *more: str) -> None:
        self._out, self._err = tempfile.TemporaryFile(), tempfile.TemporaryFile()  # noqa: SIM115 - `end` reads them
        words = ["card", "check", str(folder / "port"), "--seconds", "3000", *more]
        self.process = started.start(words, None, self._out, self._err)
        pty = os.readlink(folder / "port")
        until(lambda: pty in open_files(self.process.pid), "the port is open")

    def end(self) -> tuple[int, str, str]:
        """Wait for the end; return exit code, output and error output."""
        code = self.process.wait(DEADLINE_S)
        texts = []
        for file in (self._out, self._err):
            with file:
                file.seek(0)
                texts.append(file.read().decode())
        return code, *texts


def open_files(process: int | str) -> set[str]:
    """Return what a process has open, by name."""
    found = set()
    with contextlib.suppress(OSError):
        for fd in os.listdir(f"/proc/{process}/fd"):
            with contextlib.suppress(OSError):
                found.add(os.readlink(f"/proc/{process}/fd/{fd}"))
    return found


def heard(make: Callable[[int], bytes], folder: Path, speed: int | Literal["hunt"] = 115200) -> CardReport:
    """What is heard of a card in the time of PIECES pieces after the port was opened."""
    with Card(make, folder) as card:
        pty, enough, written = os.readlink(folder / "port"), 0, False

        def clock() -> float:
            nonlocal enough, written
            if not enough:
                enough = card.sent + PIECES if pty in open_files("self") else 0
                return 0.0
            written |= bool(select.select([card.pty.master], [], [], 0)[0])
            return 9.0 if card.sent >= enough else 0.0

        report = listen(PortSettings(str(folder / "port"), speed), 9.0, clock)
        assert not written, "something was sent to the card"
        return report


def test_a_card_that_tells_of_itself(tmp_path: Path) -> None:
    report = heard(new_card, tmp_path)
    text = "\n".join(card_text(report))
    assert report.fine, text
    assert "a card that sends bench frames, heard for 9.0 s at 115200 bit/s\n" in text and "firmware: 1.2\n" in text
    assert "ports watched: 80h, 90h\n" in text and "bus power: there\n" in text
    assert "tick: the card does not tell\n" in text and "codes by port: 80h " in text
    assert text.count(": nothing") == 4


def test_power_that_did_not_change_is_not_called_untold() -> None:
    report = CardReport("/dev/ttyUSB0", 30.0, 115200, frames=30, firmware="1.0")
    assert "  bus power: not told in this time; the card tells it when it starts and at each change" in card_text(
        report
    )
    report.power = False
    assert "  bus power: gone" in card_text(report)


def test_a_card_from_before_there_were_notes(tmp_path: Path) -> None:
    report = heard(old_card, tmp_path)
    text = "\n".join(card_text(report))
    assert report.fine, text
    assert "firmware: the card does not tell\n" in text and "bus power: the card does not tell\n" in text
    assert "tick: 1,000,000 ns\n" in text
    assert "its clock: not known yet: that takes frames in 12 different seconds\n" in text


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (losing_card, "lost by the card: "),
        (noise, "no sound frame among them"),
        (raw_card, 'framing = "raw"'),
        (wrong_speed, "--speed hunt"),
        (silent, "nothing came in 9 s"),
    ],
)
def test_what_is_not_fine(make: Callable[[int], bytes], said: str, tmp_path: Path) -> None:
    report = heard(make, tmp_path)
    assert not report.fine and said in "\n".join(card_text(report))


def test_the_speed_is_hunted_for(tmp_path: Path) -> None:
    """A pty has no speed, so the first that is tried proves itself by the frames."""
    report = heard(old_card, tmp_path, "hunt")
    assert report.fine and report.speed == 9600 and report.frames >= 3
    report = heard(noise, tmp_path, "hunt")
    assert " bytes came, and no speed was found" in report.trouble


def test_a_card_ends_with_0_and_its_form_is_published(tmp_path: Path) -> None:
    """As a process: listened to for PIECES pieces, then Ctrl-C."""
    with Card(new_card, tmp_path) as card:
        listening = Listening(tmp_path, "--json")
        enough = card.sent + PIECES
        until(lambda: card.sent >= enough, "pieces are sent")
        listening.process.send_signal(signal.SIGINT)
        code, out, err = listening.end()
    assert (code, err) == (0, ""), out + err
    told = json.loads(out)
    schema = published()["card"].model_json_schema(mode="serialization")
    Draft202012Validator.check_schema(schema)
    for one in (told, asdict(heard(silent, tmp_path))):
        Draft202012Validator(schema).validate(one)
    assert (told["firmware"], told["ports_watched"], told["power"]) == ("1.2", [0x80, 0x90], True)


def test_a_silent_port_ends_with_1(tmp_path: Path) -> None:
    with Card(silent, tmp_path):
        done = started.run(["card", "check", str(tmp_path / "port"), "--seconds", "0.2"])
    assert done.returncode == 1 and "nothing came in 0 s" in done.stdout and done.stderr == ""


def test_a_port_that_goes_away_ends_it_at_once(tmp_path: Path) -> None:
    with Card(new_card, tmp_path) as card:
        listening = Listening(tmp_path)
        card.unplug()
        code, out, err = listening.end()
    assert (code, out) == (1, "") and err.startswith(f"benchd: {tmp_path}/port: "), out + err


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ("check", 2, "Missing argument"),
        ("check none --seconds 1", 1, "no such port"),
        ("check none --seconds 0", 2, "--seconds: 0 is not above 0"),
        ("check none --seconds 3601", 2, "--seconds: 3601"),
        ("check none --speed fast", 2, "--speed: 'fast' is no number"),
        ("check none --speed 0", 2, "speed: 0 is not in"),
        ("image --out card.hex", 2, "ends neither in .uf2 nor in .bin"),
        ("image", 2, "Missing option"),
    ],
)
def test_wrong_use_and_missing_ports(
    words: str,
    code: int,
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "argv", ["benchd", "card", *words.split()])
    with pytest.raises(SystemExit) as ended:
        main()
    out, err = capsys.readouterr()
    assert ended.value.code == code and said in err and out == ""


def test_the_firmware_is_written_as_shipped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """In both forms, byte for byte; nothing that is there is overwritten."""
    monkeypatch.chdir(tmp_path)
    for name, shipped in (("a.uf2", "card.uf2"), ("B.BIN", "card.bin")):
        monkeypatch.setattr(sys, "argv", ["benchd", "card", "image", "--out", name])
        with pytest.raises(SystemExit) as ended:
            main()
        assert ended.value.code == 0
        assert Path(name).read_bytes() == (NOTES / shipped).read_bytes()
        said, caution = capsys.readouterr().out.splitlines()
        assert said == f"{name}: {Path(name).stat().st_size:,} bytes" and "unplug the machine before" in caution
        Path(name).write_bytes(b"mine")
        with pytest.raises(SystemExit) as ended:
            main()
        assert ended.value.code == 2 and Path(name).read_bytes() == b"mine"
        assert capsys.readouterr().err == f"benchd: {name} exists: name another output\n"


def test_the_shipped_image_is_named_in_the_table_of_pins() -> None:
    image = tomllib.loads((NOTES / "pins.toml").read_text(encoding="utf-8"))["image"]
    assert image["file"] == "card.bin" and image_dir() == NOTES
