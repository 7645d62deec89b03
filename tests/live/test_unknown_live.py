"""From an empty folder to an alarm at a hang, with the three commands that the documentation shows."""

from __future__ import annotations

import contextlib
import json
import re
import shlex
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from peers.firmware import build_rom
from peers.qemu import EmulatedPc
from peers.relay import PacedRelay
from support.daemon import BENCHD, benchd, wait_for

from benchd.capture import read_capture
from benchd.vocabulary.records import Chunk

PAGE = Path(__file__).parents[2] / "firmware-notes/unknown-bios.md"
pytestmark = pytest.mark.peer("qemu", "nasm")


def shown_commands() -> list[list[str]]:
    """The three commands of the page's first block, as words; what Ctrl-C ends and comments left out."""
    block = re.search(r"^```sh\n(.*?)^```", PAGE.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE)
    assert block is not None
    return [shlex.split(line, comments=True)[1:] for line in block[1].splitlines() if line.startswith("benchd ")]


class Run:
    """A command that runs until it is stopped, in a folder; `log` is what it said."""

    def __init__(self, folder: Path, words: list[str]) -> None:
        self.folder, self.path = folder, folder / f"log-{len(list(folder.glob('log-*')))}"
        with self.path.open("wb") as out:
            self.process = subprocess.Popen([*BENCHD, *words], cwd=folder, stdout=out, stderr=out)

    @property
    def log(self) -> str:
        assert self.process.poll() is None or self.process.returncode == 0, self.path.read_text()
        return self.path.read_text()

    def stop(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        assert self.process.wait(30) == 0, self.path.read_text()


@contextlib.contextmanager
def running(folder: Path, words: list[str]) -> Iterator[Run]:
    run = Run(folder, words)
    try:
        wait_for(lambda: "console: open" in run.log, 60)
        yield run
        run.stop()
    finally:
        if run.process.poll() is None:
            run.process.kill()
            run.process.wait()


def boots(folder: Path) -> list[dict[str, Any]]:
    return json.loads(benchd("boots", "--json", cwd=folder))  # type: ignore[no-any-return]


def said(folder: Path) -> bytes:
    found = list(folder.rglob("*.pcapng"))
    return b"".join(r.data for r in read_capture(found[0]).records() if isinstance(r, Chunk)) if found else b""


@pytest.mark.slow
def test_three_commands_from_an_empty_folder_to_an_alarm(tmp_path: Path) -> None:
    """SeaBIOS, which nobody here wrote, recorded over four starts; then an adapter's ROM does not return: an alarm."""
    record, draft, watch = shown_commands()
    port = tmp_path / "port"  # the name that the page's commands use for the cable
    record = [re.sub(r"/dev/\S*?(?=@|$)", str(port), word) for word in record]
    folder = tmp_path / "bench"
    folder.mkdir()
    settings = folder / "bench.toml"
    with EmulatedPc.seabios() as pc, PacedRelay(pc.console_port, baud=115200, link=port):
        with running(folder, record) as run:
            pc.go()
            for n in range(1, 5):
                wait_for(lambda n=n: said(folder).count(b"No bootable device") >= n, 60, 0.2)  # type: ignore[misc]
                time.sleep(0.7)  # a start that comes again is told by the pause before it
                if n < 4:
                    pc.reset()
        assert run.log.count("a boot begins") == 4 and run.log.count("boot recorded: 0 codes, ") >= 3
        assert {boot["outcome"] for boot in boots(folder)} <= {"recorded", "cut-short"}
        text = settings.read_text()
        assert 'rules = "record"' in text
    words = [str(path.relative_to(folder)) for word in draft for path in sorted(folder.glob(word))]
    told = benchd(*[word for word in draft if "*" not in word], *words, cwd=folder)
    assert "4 of 4 boots run through it without a finding" in told
    settings.write_text('[http]\nlisten = "127.0.0.1:0"\n' + text)  # the usual port may be taken where tests run
    with EmulatedPc.seabios([build_rom(ROM_HANG=1)]) as pc, PacedRelay(pc.console_port, baud=115200, link=port):
        with running(folder, watch) as run:
            pc.go()
            wait_for(lambda: "STALL: " in run.log, 90, 0.2)
        (stalled,) = [boot for boot in boots(folder) if boot["outcome"] == "stalled"]
        assert stalled["last_stage"].startswith("seabios-version") and stalled["table"] == "old-pc"
        assert "firmware" not in run.path.read_text().lower()


def test_a_second_machine_is_not_written_over(tmp_path: Path) -> None:
    """With a settings file there already nothing is changed, and it is said what to do; a wrong port leaves no file."""
    (tmp_path / "bench.toml").write_text("# mine\n")
    done = subprocess.run([*BENCHD, "run", "--console", "/dev/x"], cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 2 and "bench.toml exists: change the links there" in done.stderr
    assert (tmp_path / "bench.toml").read_text() == "# mine\n"
    (tmp_path / "bench.toml").unlink()
    done = subprocess.run(
        [*BENCHD, "run", "--post", "gopher://x:1", "--machine", "a"], cwd=tmp_path, capture_output=True, text=True
    )
    assert done.returncode == 2 and "no known scheme" in done.stderr and not (tmp_path / "bench.toml").exists()
