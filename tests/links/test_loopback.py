"""The check with a loop-back plug: on ptys whose far end sends back what comes, faithfully or not."""

from __future__ import annotations

import contextlib
import os
import select
import threading
import tty
from collections.abc import Callable, Iterator

import pytest
import typer
from typer.testing import CliRunner

from benchd.cli import ports as command
from benchd.errors import ExternalError, UsageError
from benchd.links.loopback import EVERYTHING, loopback_text, run_loopback

Change = Callable[[bytes], bytes]


@contextlib.contextmanager
def plugged(change: Change) -> Iterator[tuple[str, list[bytes]]]:
    """A pty whose far end sends `change` of what comes back; yields its path and what came."""
    master, slave = os.openpty()
    tty.setraw(slave)
    came: list[bytes] = []
    stop = threading.Event()

    def run() -> None:
        while not stop.is_set():
            if select.select([master], [], [], 0.02)[0]:
                came.append(os.read(master, 4096))
                os.write(master, change(came[-1]))

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield os.ttyname(slave), came
    finally:
        stop.set()
        thread.join()
        os.close(master)
        os.close(slave)


def test_a_good_plug() -> None:
    """All values come back at each speed; a pty has neither a line speed nor lines, and no claim is made of them."""
    with plugged(lambda data: data) as (path, _):
        report = run_loopback(path, (9600, 115200), long_s=0.2)
    assert report.fine
    assert [(one.values, one.received == one.sent) for one in report.speeds] == [(256, True)] * 2
    assert report.speeds[0].delay_ms is not None and 0 < report.speeds[0].delay_ms + 1.05 < 1000
    assert report.speeds[0].speed_error is None
    assert report.lines is None
    text = loopback_text(report)
    assert "9600 bit/s, 8N1: fine" in text and "256 of 256 values" in text


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda data: b"", "nothing came back"),
        (lambda data: data.replace(b"\x80", b""), "came back"),
        (lambda data: bytes(value & 0x7F for value in data), "not as they were sent"),
    ],
    ids=["no plug", "a byte lost", "seven bits"],
)
def test_what_is_wrong_is_found(change: Change, said: str) -> None:
    """No answer, a lost byte, a lost bit."""
    with plugged(change) as (path, _):
        report = run_loopback(path, (9600,), long_s=0.1)
    assert not report.fine
    assert said in report.speeds[0].trouble
    assert said in loopback_text(report)


def app() -> typer.Typer:
    application = typer.Typer()
    application.callback()(lambda: None)
    command.register(application)
    return application


@pytest.mark.parametrize("answer", ["", "n\n"])
def test_nothing_is_sent_before_a_person_said_so(answer: str) -> None:
    """Without a yes not one byte leaves: a machine may be at the other end."""
    with plugged(lambda data: data) as (path, came):
        result = CliRunner().invoke(app(), ["ports", "--loopback", path], input=answer)
        assert isinstance(result.exception, UsageError)
        assert "nothing was sent" in str(result.exception)
        assert came == []


def test_the_command(monkeypatch: pytest.MonkeyPatch) -> None:
    """With a yes it reports; exit code 1 when the port fails."""
    monkeypatch.setattr("benchd.links.loopback.SPEEDS", (115200,))
    monkeypatch.setattr("benchd.links.loopback.run_loopback.__defaults__", ((115200,), 0.1))
    with plugged(lambda data: data) as (path, came):
        result = CliRunner().invoke(app(), ["ports", "--loopback", path], input="y\n")
        assert result.exit_code == 0, result.output
        assert "115200 bit/s, 8N1: fine" in result.output
        assert EVERYTHING in b"".join(came)
    with plugged(lambda data: b"") as (path, _):
        assert CliRunner().invoke(app(), ["ports", "--loopback", path, "--yes"]).exit_code == 1


def test_a_port_that_is_not_there() -> None:
    """The error says what to do."""
    with pytest.raises(ExternalError, match="no such port"):
        run_loopback("/dev/nowhere/ttyUSB0")
