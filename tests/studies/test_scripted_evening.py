"""An evening as a newcomer types it, from an empty folder to a boot on another bench, with two mistakes put right.

The commands are the real ones; the machine is simulated, and its bytes are judged on a virtual clock, so `benchd run`
itself is only counted. What is typed is counted too: the test holds it to what was reached.
"""

from __future__ import annotations

import json
import shlex
from pathlib import Path
from typing import Any

import pytest
from studies.simulated import VirtualBench
from typer.testing import CliRunner

from benchd.cli.main import build
from benchd.demo import at286
from benchd.store import Store
from benchd.tomlfile import parse

COMMANDS_MOST, KEYS_MOST = 23, 1400
"""Measured: 23 commands and 1,371 keys, of which 362 are the study's document. More is a step back."""
LINKS = """[[machine.link]]
kind = "post"
port = "/dev/serial/by-id/usb-CARD-if00-port0"
framing = "raw"
[[machine.link]]
kind = "console"
port = "/dev/serial/by-id/usb-CABLE-if00-port0"
"""
STUDY = """question = "Why does the new storage adapter not come up?"
machine = "at286"
[goal]
kind = "stage-reached"
target = "{target}"
[[factor]]
name = "rom-base"
kind = "jumper"
levels = ["D000", "C800", "D800"]
minutes = 4
[[factor]]
name = "network-card"
kind = "card"
levels = ["window-on", "none", "window-off"]
minutes = 5
"""
FIRST_TRIAL = "benchd trial start --study storage"
TRIALS = (
    "rom-base=C800",
    "rom-base=D800",
    "rom-base=D000",
    "network-card=none",
    "network-card=window-off",
    "network-card=window-on",
    "rom-base=C800",
)
"""What changes after the first trial: eight in all."""


class Evening:
    """What is typed, in a folder: each line is run, and counted with its Enter."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder, self._patch = folder, monkeypatch
        self.typed: list[str] = []

    def go(self, line: str, **files: str) -> str:
        """Type a command; `files` are typed into an editor before it."""
        self._patch.chdir(self.folder)
        self.typed.append(line)
        self.typed += files.values()
        done = CliRunner().invoke(build(), shlex.split(line)[1:])
        assert done.exit_code == 0, (line, done.output, done.exception)
        return done.stdout

    def only_count(self, line: str) -> None:
        """A command that runs beside: the virtual bench stands in for it."""
        self.typed.append(line)

    def look(self, *words: str) -> Any:
        """Ask for what a person reads on the screen; nothing is typed."""
        self._patch.chdir(self.folder)
        done = CliRunner().invoke(build(), [*words, "--json"])
        assert done.exit_code == 0, done.output
        return json.loads(done.stdout)

    @property
    def keys(self) -> int:
        return sum(len(line) + 1 for line in self.typed)


def set_up(evening: Evening, machine: str) -> None:
    """Write the settings. CALL SITE of `benchd setup`: until it is here, the file is made by hand."""
    rules = "rules/mine.toml" if (evening.folder / "rules/mine.toml").exists() else "record"
    text = f'[[machine]]\nname = "{machine}"\nrules = "{rules}"\n{LINKS}'
    (evening.folder / "bench.toml").write_text(text)
    evening.only_count(f"benchd setup --machine {machine}")


def boots_on(evening: Evening, rules: str, now_ns: int, seed: int) -> VirtualBench:
    data = evening.folder / "data"
    store = Store.open(str(data / "benchd.db"), create=True, data=data)
    base = evening.folder
    return VirtualBench(store, data / "captures", seed=seed, rules=rules, base=base, now_ns=now_ns)


def test_an_evening_from_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Set-up, record, draft, study, eight trials with two mistakes put right, export, import elsewhere."""
    here = Evening(tmp_path / "here", monkeypatch)
    (here.folder / "data").mkdir(parents=True)
    set_up(here, "at286")

    # Record, with the machine in a state that works, and draft a table.
    here.only_count("benchd run")
    bench = boots_on(here, "record", 10**9, 1)
    good = {**at286.START, "rom-base": "C800"}
    for _ in range(4):
        bench.boot(good, "ready")
    bench.close()
    captures = " ".join(str(path.relative_to(here.folder)) for path in here.folder.glob("data/captures/at286/*.pcapng"))
    (here.folder / "rules").mkdir()
    here.go(f"benchd rules draft --name mine --out rules/mine.toml {captures}")
    drafted = parse((here.folder / "rules/mine.toml").read_text(), "mine.toml")
    target = next(stage["name"] for stage in drafted["stage"] if {"code": "45"} in stage["enter"])
    set_up(here, "at286")

    # The study; the first trial, as it stands.
    study = STUDY.format(target=target)
    (here.folder / "s.toml").write_text(study)
    here.go("benchd study new storage --from s.toml", study=study)
    here.only_count("benchd run")
    bench = boots_on(here, "rules/mine.toml", bench.now_ns + 60 * 10**9, 2)
    setup = dict(at286.START)
    here.go(FIRST_TRIAL)
    bench.boot(setup)
    for number, change in enumerate(TRIALS, 2):
        if number == 4:  # the first mistake: a jumper named that was not moved, and the machine booted with it
            here.go(f"{FIRST_TRIAL} rom-base=C800 --end-running")
            wrong = here.look("trial", "list")[-1]["id"]
            setup |= {"rom-base": "D000"}
            misfiled = bench.boot(setup)
        here.go(f"{FIRST_TRIAL} {change} --end-running")
        if number == 4:
            right = here.look("trial", "list")[-1]["id"]
            here.go(f"benchd boots move {misfiled.id} {right}")
            here.go(f"benchd trial delete {wrong}")
            continue
        factor, _, level = change.partition("=")
        setup |= {factor: level}
        bench.boot(setup)

    # The second mistake: a result entered for what nobody saw.
    here.go("benchd trial result --new beep pass")
    (entered,) = bench.store.results()
    here.go(f"benchd trial result --take-back {entered.id}")
    trials = here.look("trial", "list")
    assert len(trials) == 8 and bench.store.results() == []
    assert [len(trial["boots"]) for trial in trials] == [1] * 8
    failed = [trial["setup"] for trial in trials if trial["fail"]]
    assert failed and all(one["rom-base"] == "D000" and one["network-card"] == "window-on" for one in failed)
    assert "network-card is window-on" in here.go("benchd why storage")

    # Sent to a friend, who takes it in.
    here.go("benchd boots export last --out last.pcapng --labels")
    there = Evening(tmp_path / "there", monkeypatch)
    (there.folder / "data").mkdir(parents=True)
    set_up(there, "other")
    (there.folder / "last.pcapng").write_bytes((here.folder / "last.pcapng").read_bytes())
    there.go("benchd boots import last.pcapng")
    (arrived,), sent = there.look("boots"), here.look("boots")[-1]
    assert arrived["imported"] and arrived["stages"] == sent["stages"] and arrived["outcome"] == sent["outcome"]
    commands = [line for line in (*here.typed, *there.typed) if line.startswith("benchd ")]
    assert len(commands) <= COMMANDS_MOST, commands
    assert here.keys + there.keys <= KEYS_MOST
    bench.close()
