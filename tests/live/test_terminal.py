"""What becomes of `benchd run` when its terminal is closed, on a real pty: it ends in order, and only then."""

from __future__ import annotations

import fcntl
import os
import select
import signal
import subprocess
import termios
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.daemon import BENCHD, DaemonProcess, link_toml
from support.story import TABLE

from benchd.capture import read_capture
from benchd.demo.line import PtyLine
from benchd.vocabulary.records import Annotation


class InTerminal(DaemonProcess):
    """A daemon whose controlling terminal is a pty of ours, with the daemon as the session's leader."""

    def start(self) -> InTerminal:
        self.master, slave = os.openpty()
        self.process = subprocess.Popen(
            [*self.prefix, *BENCHD, "run", "--config", str(self.config)],
            stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )  # fmt: skip
        os.close(slave)
        self.until("metrics and page at")
        return self

    def until(self, words: str, seconds: float = 30.0) -> str:
        """Read what it prints until `words` are there."""
        text, end = "", time.monotonic() + seconds
        while words not in text:
            assert select.select([self.master], [], [], max(0.0, end - time.monotonic()))[0], text
            text += os.read(self.master, 4096).decode("utf-8", "replace")
        return text

    def hang_up(self) -> None:
        os.close(self.master)
        self.master = -1


@pytest.fixture
def line() -> Iterator[PtyLine]:
    with PtyLine() as line:
        yield line


def settings(line: PtyLine) -> str:
    return '[[machine]]\nname = "pc"\nrules = "demo-at286"\n' + link_toml("post", line.path)


def ended(folder: Path) -> list[str]:
    """The reasons of the `end` notes in the captures."""
    files = sorted((folder / "data/captures").rglob("*.pcapng"))
    records = [record for file in files for record in read_capture(file).records()]
    return [one.value for one in records if isinstance(one, Annotation) and one.key == "end"]


def test_closing_the_terminal_ends_it_in_order(tmp_path: Path, line: PtyLine) -> None:
    """The kernel's hang-up (SIGHUP, terminal gone): like Ctrl-C, with what came before it kept and judged."""
    with InTerminal(tmp_path, settings(line)) as daemon:
        line.send(b"\x01\x04")
        time.sleep(0.5)
        daemon.hang_up()
        assert daemon.process is not None and daemon.process.wait(15) == 0
    assert ended(tmp_path) == ["stopped"]


def test_a_hang_up_with_the_terminal_still_there_reads_the_tables_again(tmp_path: Path, line: PtyLine) -> None:
    """`kill -HUP` by hand: it goes on."""
    (tmp_path / "mine.toml").write_text(TABLE)
    with InTerminal(tmp_path, settings(line).replace("demo-at286", "mine.toml")) as daemon:
        assert daemon.process is not None
        (tmp_path / "mine.toml").write_text("[table]\nnonsense = 1\n")
        daemon.process.send_signal(signal.SIGHUP)
        daemon.until("not reloaded, the old ones stay")
        assert daemon.process.poll() is None and "nonsense" in daemon.api("/api/health")["rules_problem"]
        daemon.process.send_signal(signal.SIGINT)
        daemon.until("stopped; captures are in")
        assert daemon.process.wait(15) == 0
        daemon.hang_up()


def test_with_hang_ups_ignored_it_outlives_the_terminal(tmp_path: Path, line: PtyLine) -> None:
    """nohup(1): whoever asked for that gets it."""
    daemon = InTerminal(tmp_path, settings(line), prefix=("sh", "-c", "trap '' HUP; exec \"$@\"", "sh"))
    with daemon:
        daemon.hang_up()
        time.sleep(1.0)
        assert daemon.process is not None and daemon.process.poll() is None
        assert "sinks" in daemon.api("/api/health")
        assert daemon.end() == 0
