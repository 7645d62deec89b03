"""A bench of one's own for each test: settings, an empty store, and commands run in this process."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main
from studies.evening import AT, STUDY, boot
from studies.simulated import VirtualBench

from benchd.cli.main import build
from benchd.errors import BenchError
from benchd.store import Result, Store

COMMAND = typer.main.get_command(build())


class Commands:
    """Runs `benchd WORDS` with the settings of a folder; `out` and `err` are what the last one printed."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self.config = folder / "bench.toml"
        self.config.write_text(
            '[bench]\nname = "b"\n[[machine]]\nname = "at286"\nrules = "demo-at286"\n'
            '[[machine.link]]\nkind = "post"\nport = "/dev/null"\n'
        )
        self._capsys = capsys
        self.out = self.err = ""

    def __call__(self, *words: str, code: int = 0) -> str:
        self._capsys.readouterr()
        found = 0
        message = ""
        try:
            found = COMMAND.main([*words, "--config", str(self.config)], standalone_mode=False) or 0
        except BenchError as error:
            found, message = error.exit_code, str(error)
        except SystemExit as end:
            found = int(end.code or 0)
        self.out, self.err = self._capsys.readouterr()
        self.err += message
        assert found == code, f"exit {found}\n{self.out}\n{self.err}"
        return self.out

    def json(self, *words: str) -> Any:
        return json.loads(self(*words, "--json"))

    def file(self, name: str, text: str) -> str:
        path = self.folder / name
        path.write_text(text)
        return str(path)

    def store(self) -> Store:
        (self.folder / "data").mkdir(exist_ok=True)
        return Store.open(self.folder / "data/benchd.db")


@pytest.fixture
def benchd(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Commands:
    return Commands(tmp_path, capsys)


@pytest.fixture
def virtual(benchd: Commands) -> Iterator[VirtualBench]:
    """The simulated machine on the bench of `benchd`, without waiting."""
    with benchd.store() as store:
        bench = VirtualBench(store, benchd.folder / "data/captures", seed=3)
        yield bench
        bench.close()


@pytest.fixture
def evening(benchd: Commands) -> Commands:
    """T1 with three boots, one of them bad; T2 with one; T3 without; a result for a boot, one for a trial."""
    benchd("study", "new", "s", "--from", benchd.file("s.toml", STUDY))
    benchd("trial", "start", "--study", "s")
    benchd("trial", "start", "--end-running", "rom-base=D000")
    benchd("trial", "start", "--end-running", "network-card=in")
    with benchd.store() as store:
        for n, (trial, ok) in enumerate((("T1", True), ("T1", True), ("T1", False), ("T2", False))):
            store.save_boot(boot(f"b{n + 1}", trial, ok=ok, minute=n))
        store.add_result(Result(trial="T1", boot="b1", check="video", passed=True, entered=AT))
        store.add_result(Result(trial="T3", check="goal", passed=False, entered=AT))
    return benchd
