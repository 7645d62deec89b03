"""Every read command in a real process: exit 0, 1 or 2 as its help says, and JSON that fits the published forms."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from live.by_capture import GOOD, NS, codes, write
from support import started
from support.daemon import BENCHD, benchd, free_port
from support.story import TABLE

from benchd.store import Store
from benchd.vocabulary.records import Annotation
from benchd.watch.replay import Replay

ROOT = Path(__file__).resolve().parents[2]
ENV = {key: value for key, value in os.environ.items() if key != "BENCHD_CONFIG"}


class Case:
    """A folder with settings, a store of two boots (good, stalled) and their capture."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "story.toml").write_text(TABLE)
        link = '[[machine.link]]\nkind = "post"\nport = "/dev/none"\n'
        listen = f'[http]\nlisten = "127.0.0.1:{free_port()}"\n'
        (folder / "bench.toml").write_text(f'{listen}[[machine]]\nname = "pc"\nrules = "story.toml"\n{link}')
        silence = Annotation(200 * NS, "end", "stopped")
        self.capture = write(folder / "a.pcapng", [*codes(1), *codes(100, GOOD[:4]), silence], text=TABLE)
        self.damaged = folder / "cut.pcapng"
        self.damaged.write_bytes(self.capture.read_bytes()[:-9])
        (folder / "data").mkdir()
        store = Store.open(str(folder / "data/benchd.db"))
        self.boots = Replay([self.capture]).boots()
        for boot in self.boots:
            store.save_boot(boot, capture=str(self.capture))
        store.close()

    def run(self, *words: str, stdin: str | None = None) -> subprocess.CompletedProcess[str]:
        return started.run(words, cwd=self.folder, env=ENV, stdin=stdin)


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Case]:
    yield Case(tmp_path_factory.mktemp("commands"))


def fits(form: str, value: Any, many: bool = False) -> None:
    schema = json.loads(benchd("schema", form))
    Draft202012Validator.check_schema(schema)
    for one in value if many else [value]:
        Draft202012Validator(schema).validate(one)


def test_the_story_has_a_good_and_a_stalled_boot(case: Case) -> None:
    assert [boot.outcome for boot in case.boots] == ["finished", "stalled"]


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        ("boots", 0, "STALLED"),
        ("boots --outcome looped", 0, "No boot matches"),
        ("boots --outcome nonsense", 2, "looped"),
        ("boots --limit 0", 2, "--limit"),
        ("boots --machine nobody", 2, "the settings and the store have"),
        ("boots --outcome STALLED", 0, "STALLED"),
        ("boots --config none.toml", 2, "no such settings file"),
        ("boots --nonsense", 2, "No such option"),
        ("show last", 1, "rom-never-returns"),
        ("show last --trace", 1, "40"),
        ("show pc-2025", 2, "could be boot"),
        ("show nobody", 2, "there is no boot"),
        ("show", 2, "Missing argument"),
        ("replay a.pcapng", 0, "STALLED"),
        ("replay cut.pcapng", 1, "offset"),
        ("replay none.pcapng", 2, "there is no such file"),
        ("replay bench.toml", 2, "is read by `benchd replay --text bench.toml`"),
        ("replay --text a.pcapng", 2, "is a capture, not text: leave out --text"),
        ("replay a.pcapng --rules none", 2, "no rule table 'none'"),
        ("replay a.pcapng --rules story.toml", 0, "STALLED"),
        ("replay", 2, "Missing argument"),
        ("replay --text story.toml", 0, "the order is sure"),
        ("replay --text story.toml --times epoch", 2, "story.toml:1: no line begins with a stamp"),
        ("boots --csv", 0, "hand-over_s"),
        ("boots export nobody --out b.pcapng", 2, "there is no boot"),
        ("boots export last", 2, "give one of --out"),
        ("boots import none.pcapng", 2, "there is no such file"),
        ("boots import a.pcapng", 2, "--same-machine"),
        ("ports", 0, ""),
        ("setup", 2, "bench.toml exists and is never written over"),
        ("setup --out new.toml", 2, "say what is on which port"),
        ("setup --out new.toml --console none", 1, "is not there, so nothing was written"),
        ("setup --out new.toml --console none --listen 0", 0, "new.toml written"),
        ("live --once", 1, "benchd is not running at"),
        ("live", 1, "no terminal to draw in: what stands at the end is written; --once writes it now"),
        ("live --machine nobody", 2, "no machine is called"),
        ("schema", 0, "boot"),
        ("schema boot", 0, "properties"),
        ("schema nonsense", 2, "no published form"),
        ("rules list", 0, "at-p0410"),
        ("rules find award 386 1990", 0, "at-p0411"),
        ("rules find nobody", 1, "No table fits"),
        ("rules about award", 0, "at-p0412"),
        ("rules about nobody", 2, "no table is called"),
        ("rules show at-p0410", 0, "at-p0410"),
        ("rules show nonsense", 2, "no rule table"),
        ("rules check story.toml", 0, "story"),
        ("rules check bench.toml", 1, "bench.toml"),
        ("rules check nonsense", 2, "no rule table"),
        ("rules fit none.pcapng", 2, "there is no such file"),
        ("rules fit a.pcapng", 1, "No table explains this record"),
        ("replay a.pcapng --speed fast", 2, "'--speed': give a whole number"),
        ("rules draft none.pcapng", 2, "there is no such file"),
        ("boots judge", 2, "give either --rules TABLE or --as-recorded"),
        ("boots judge --rules none", 2, "no rule table 'none'"),
        ("study list", 0, ""),
        ("study show nonsense", 2, "no study"),
        ("trial list", 0, ""),
        ("trial show nonsense", 2, "no trial"),
        ("trial current", 0, ""),
        ("why nonsense", 2, "no study"),
        ("next nonsense", 2, "no study"),
        ("report nonsense", 2, "no study"),
        ("compare nonsense other", 2, "nonsense"),
        ("map none.toml", 1, "none.toml"),
        ("map bench.toml", 2, "bench.toml"),
        ("map none.toml --measured last", 1, "none.toml"),
        ("rom inspect none.bin", 1, "none.bin"),
        ("reporter build --as com --out r.com", 0, "r.com: 4,096 bytes"),
        ("reporter build --as com --out none/r.com", 1, "none/r.com: cannot write it"),
        ("reporter build --as tape --out r.com", 2, "is not one of rom, floppy, com"),
        ("reporter read none.txt", 1, "none.txt"),
        ("reporter read story.toml", 1, "holds no report"),
        ("reporter read", 2, "Missing argument"),
        ("card check none --seconds 1", 1, "no such port"),
        ("card check", 2, "Missing argument"),
        ("card image --out none/card.uf2", 1, "none/card.uf2: cannot write it"),
        ("card image --out card.hex", 2, "ends neither in .uf2 nor in .bin"),
        ("nonsense", 2, "No such command"),
        ("--help", 0, "Commands"),
    ],
)
def test_exit_codes(case: Case, words: str, code: int, says: str) -> None:
    """What it says comes with the code that its help promises, and never as a traceback."""
    done = case.run(*words.split())
    assert done.returncode == code, done.stdout + done.stderr
    assert says in (done.stdout + done.stderr), done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    if code == 2:
        assert done.stdout == ""


def test_the_good_boot_shows_with_0(case: Case) -> None:
    """The boot asked for went well; a beginning of its id is enough."""
    done = case.run("show", case.boots[0].id[:-2])
    assert done.returncode == 0 and "hand-over" in done.stdout
    fits("boot", json.loads(case.run("show", case.boots[0].id, "--json").stdout))


def test_boots_as_json(case: Case) -> None:
    """List, one, and replay give the same objects, and they fit the published form."""
    listed = json.loads(case.run("boots", "--json").stdout)
    fits("boot", listed, many=True)
    assert json.loads(case.run("replay", "--json", "a.pcapng").stdout) == listed
    shown = case.run("show", "last", "--json")
    assert json.loads(shown.stdout) == listed[-1] and shown.returncode == 1
    assert json.loads(case.run("boots", "--json", "--outcome", "looped").stdout) == []
    stall = listed[-1]["findings"][0]
    assert {"kind", "rule", "stage", "code", "t", "limit_s", "limit_kind"} <= stall.keys()


def test_ports_as_json() -> None:
    """Ports of an invented machine, as the command prints them, fit the published form; so do the real ones."""
    from benchd.links.ports import PortFacts, ports_json

    fits("port", ports_json([PortFacts("/dev/ttyUSB0", "usb")]), many=True)
    fits("port", json.loads(benchd("ports", "--json")), many=True)


def test_compare_as_json(case: Case) -> None:
    """Two boots side by side, in the published form."""
    done = case.run("compare", *(boot.id for boot in case.boots), "--json")
    assert done.returncode == 0, done.stderr
    fits("compare", json.loads(done.stdout))


@pytest.mark.parametrize(
    "words",
    ["ports", "schema", "rules list", "rules show at-p0410", "rules check story.toml", "study list", "trial list",
     "trial current"],
)  # fmt: skip
def test_the_others_print_json(case: Case, words: str) -> None:
    """JSON on standard output and nothing else."""
    done = case.run(*words.split(), "--json")
    assert done.returncode == 0, done.stderr
    json.loads(done.stdout)


def test_every_published_form_is_a_schema() -> None:
    """Valid JSON Schema 2020-12, each."""
    for name in json.loads(benchd("schema", "--json")):
        Draft202012Validator.check_schema(json.loads(benchd("schema", name)))


def test_no_settings_at_all(tmp_path: Path) -> None:
    """Without settings the message says where they are looked for; $BENCHD_CONFIG is one place."""
    done = subprocess.run([*BENCHD, "boots"], capture_output=True, text=True, cwd=tmp_path, env=ENV, check=False)
    assert done.returncode == 2 and "--config FILE" in done.stderr and "config/bench.toml" in done.stderr
    env = ENV | {"BENCHD_CONFIG": str(ROOT / "config/bench.toml")}
    done = subprocess.run([*BENCHD, "boots"], capture_output=True, text=True, cwd=tmp_path, env=env, check=False)
    assert done.returncode == 2 and "nothing is stored yet" in done.stderr


def test_a_reader_that_leaves() -> None:
    """`benchd boots | head -1` ends quietly."""
    done = subprocess.run(
        f"{' '.join(BENCHD)} schema boot | head -1", shell=True, capture_output=True, text=True, check=False
    )
    assert done.stdout == "{\n" and "Traceback" not in done.stderr
