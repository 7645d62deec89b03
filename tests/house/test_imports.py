"""What is imported when: counted, since it is what start-up and memory cost."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from benchd.leftout import LEFT_OUT
from benchd.web.server import LateApp

ROOT = Path(__file__).parents[2]
SMALL = ROOT / "config" / "small-board.txt"


def modules_after(code: str, **environ: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport json, sys\nprint(json.dumps(sorted(sys.modules)))"],
        capture_output=True, text=True, check=True, env=os.environ | environ,
    )  # fmt: skip
    return set(json.loads(done.stdout.splitlines()[-1]))


def test_a_bench_that_nobody_looks_at_imports_neither_page_nor_broker_nor_statistics() -> None:
    modules = modules_after("import benchd.daemon, benchd.cli.run")
    assert not modules & {"fastapi", "starlette", "paho.mqtt.client", "aiomqtt", "alembic", *LEFT_OUT}
    assert not modules & {
        "sqlalchemy.dialects.postgresql",
        "benchd.web.app",
        "benchd.studies",
        "benchd.rom.layout",
        "benchd.apart",
    }


def test_a_page_that_compares_nothing_imports_no_statistics() -> None:
    assert not modules_after("import benchd.web.app") & LEFT_OUT.keys()


def test_boots_compared_over_http_are_compared_elsewhere(tmp_path: Path) -> None:
    """So the daemon keeps its size; the answer is that of a comparison here."""
    code = f"""
from web import rig
from benchd.apart import Apart
from benchd.store import Store
from benchd.studies.comparing import compare_groups, find_groups
import sys
with Store.open({str(tmp_path / "b.db")!r}) as store:
    rig.save_many(store, 2)
    two = find_groups(store, [boot.id for boot in store.boots()])
    apart = Apart()
    told = apart(compare_groups, store, two)
    assert not {{"numpy", "scipy"}} & set(sys.modules)
    apart.close()
    assert told == compare_groups(store, two) and told.stages
"""
    assert "scipy.stats" in modules_after(code, PYTHONPATH=str(ROOT / "tests"))


HEAVY = {"benchd.decode", "benchd.rules", "benchd.boots", "benchd.watch", "benchd.sinks", "benchd.settings", "alembic"}
"""What judges, and what needs it: listing boots takes twice as long with them."""


@pytest.mark.parametrize("words", [["boots"], ["show", "last"], ["boots", "--json"]])
def test_reading_boots_imports_none_of_what_judges_them(words: list[str], tmp_path: Path) -> None:
    from web import rig

    from benchd.store import Store

    with Store.open(str(tmp_path / "data" / "benchd.db")) as store:
        rig.save_many(store, 3)
    (tmp_path / "bench.toml").write_text('[[machine]]\nname = "at286"\nrules = "record"\n')
    code = f"""
import os, sys
os.chdir({str(tmp_path)!r})
sys.argv = ["benchd", *{words!r}]
from benchd.cli.start import main
try:
    main()
except SystemExit:
    pass
"""
    modules = modules_after(code)
    assert "benchd.store.boots" in modules
    assert not modules & (HEAVY | LEFT_OUT.keys() | {"benchd.vocabulary.events"})


def test_why_imports_none_of_what_judges_boots() -> None:
    modules = modules_after("import benchd.studies.weighing, benchd.cli.weigh")
    assert not modules & {"benchd.boots", "benchd.decode", "benchd.watch.replay", "benchd.sinks", "scipy.stats"}


@pytest.mark.parametrize("words", [("run",), ("archive", "run")], ids=" ".join)
def test_what_stays_looks_for_garbage_as_usual(tmp_path: Path, words: tuple[str, ...]) -> None:
    """In what comes after its start; and what it starts inherits nothing of how it was started."""
    (tmp_path / "bench.toml").write_text("")
    (tmp_path / "archive.toml").write_text(
        '[archive]\nstore = "a.db"\n[mqtt]\nurl = "mqtt://127.0.0.1:9"\n[http]\nlisten = "127.0.0.1:0"\n'
    )
    code = f"""
import asyncio, gc, os, sys
usual = gc.get_threshold()
os.chdir({str(tmp_path)!r})
os.environ.pop("PYDANTIC_DISABLE_PLUGINS", None)
told = []
def note(coroutine):
    coroutine.close()
    told.append((gc.get_threshold() == usual, gc.get_freeze_count() > 10_000, "PYDANTIC_DISABLE_PLUGINS" in os.environ))
asyncio.run = note
from benchd.cli import archive, run, start
def ends():
    print(told, flush=True)
    sys.exit(0)
run.leave = archive.leave = ends
sys.argv = ["benchd", *{words}]
start.main()
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stdout.splitlines() == ["[(True, True, False)]"], done.stderr


def test_a_command_looks_for_garbage_only_in_what_it_makes_itself(tmp_path: Path) -> None:
    """Neither while it is loaded, nor in what was loaded then, nor in anything at its end."""
    code = """
import gc, os, sys
from benchd.cli import start
looks = []
gc.callbacks.append(lambda phase, info: looks.append(gc.get_freeze_count() > 10_000) if phase == "start" else None)
sys.argv = ["benchd", "boots"]
try:
    start.main()
except SystemExit as ended:
    gc.collect()
    print([ended.code, gc.isenabled(), all(looks), len(gc.get_objects()) < 10_000])
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=tmp_path)
    assert done.stdout.splitlines() == ["[2, True, True, True]"], done.stderr


async def _asked(app: LateApp, times: int) -> None:
    await asyncio.gather(*(app({"type": "http"}, None, None) for _ in range(times)))


def test_the_first_requests_make_one_application(monkeypatch: pytest.MonkeyPatch) -> None:
    """However many come at once; each is answered by it."""
    made, answered = [], []

    async def answer(scope: object, receive: object, send: object) -> None:
        answered.append(scope)

    def make(*given: object) -> object:
        made.append(given)
        return answer

    monkeypatch.setattr("benchd.web.app.make_app", make)
    asyncio.run(_asked(LateApp("daemon", "connections", None), 5))  # type: ignore[arg-type]
    assert made == [("daemon", "connections", None, None)] and len(answered) == 5


def test_a_small_board_installs_all_but_what_may_be_left_out() -> None:
    """The list for it is pyproject's, without the libraries whose absence is told in words."""
    wanted = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    listed = [line for line in SMALL.read_text().splitlines() if line and not line.startswith("#")]
    assert listed == [one for one in wanted if one.split(">")[0].split("=")[0] not in LEFT_OUT]
    assert len(wanted) - len(listed) == len(LEFT_OUT)


WITHOUT = """
import sys
class Absent:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {absent!r}:
            raise ModuleNotFoundError(f"No module named {{name!r}}", name=name)
sys.meta_path.insert(0, Absent())
from benchd.cli.start import main
sys.argv = ["benchd", *sys.argv[1:]]
main()
"""


def small(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run a command where what may be left out is not there."""
    code = WITHOUT.format(absent=set(LEFT_OUT))
    return subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, cwd=folder)


def test_replay_and_boots_work_on_a_small_board_and_why_says_what_to_install(tmp_path: Path) -> None:
    captures = sorted((ROOT / "tests/corpus/captures").rglob("*.pcapng"))
    assert small(tmp_path, "replay", "--json", str(captures[0])).returncode in (0, 1)
    (tmp_path / "bench.toml").write_text("")
    done = small(tmp_path, "boots", "rebuild", "--from", str(captures[0]))
    assert done.returncode == 0, done.stderr
    listed = json.loads(small(tmp_path, "boots", "--json").stdout)
    assert listed and small(tmp_path, "show", "last").stdout.startswith(listed[-1]["id"])
    study = (ROOT / "config/examples/storage-rom.toml").read_text()
    (tmp_path / "study.toml").write_text(study)
    done = small(tmp_path, "study", "new", "s", "--from", "study.toml")
    assert done.returncode == 0, done.stderr
    for words in (("why", "s"), ("next", "s")):
        done = small(tmp_path, *words)
        assert done.returncode == 1 and "Traceback" not in done.stderr, (words, done.stderr)
        assert done.stderr.startswith("benchd: numpy is not installed here") and "pip install numpy" in done.stderr


def test_another_module_that_is_not_there_is_a_bug() -> None:
    """Only what may be left out is told as such."""
    code = WITHOUT.format(absent={"typer"})
    done = subprocess.run([sys.executable, "-c", code, "boots"], capture_output=True, text=True)
    assert done.returncode == 1 and "ModuleNotFoundError" in done.stderr
