"""The recipes of DEVELOPERS.md for a command and for a page route, followed in a copy of the tree that then runs."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest
from support.copied import Copy
from web.conftest import Browser
from web.rig import free_port, wait_for

pytestmark = pytest.mark.slow

CONTRACT = ("tests/live/contract_facts.py", "tests/live/test_contract.py")

COMMAND = '''"""`benchd tally`: how many boots are stored of each machine."""

from __future__ import annotations

from collections import Counter

import typer

from benchd.cli.common import ConfigOption, JsonOption, store_of
from benchd.cli.output import clean, emit_json, tell


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(tally)


def tally(config: ConfigOption = None, json: JsonOption = False) -> None:
    """Count the stored boots of each machine.

    Exit codes: 0 fine, 1 the store failed, 2 wrong use.
    """
    with store_of(config) as store:
        found = Counter(boot.machine for boot in store.boots())
    if json:
        emit_json(found)
    else:
        tell(f"{count:>6}  {clean(name)}" for name, count in found.items())
'''
ROUTES = '''"""How many boots are stored of each machine, over HTTP."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fastapi import APIRouter

from benchd.web.responses import Tally

if TYPE_CHECKING:
    from benchd.web.bench import ServedBench


def tally_routes(daemon: ServedBench) -> APIRouter:
    """Return the route."""
    routes = APIRouter(prefix="/api")

    @routes.get("/tally")
    def tally() -> Tally:
        """Return how many boots are stored of each machine."""
        return Tally(boots={name: len(daemon.store.boots(machine=name)) for name in daemon.store.machines()})

    return routes
'''
ANSWER = '''

class Tally(Model):
    """How many boots are stored, by machine."""

    boots: dict[str, int]
'''
VIEW = """// How many boots are stored of each machine.
import { el, put, wire } from "../dom.js";
import { ask } from "../talk.js";

export async function show(main) {
  const told = await ask("/api/tally");
  put(main, el("h1", {}, "Tally"),
    el("ul", {}, Object.entries(told.boots).map(([name, count]) => el("li", {}, wire(name), `: ${count}`))));
}
"""


def contract_holds(copy: Copy) -> None:
    copy.run(
        "-m", "pytest", "-q", "-p", "no:cacheprovider", CONTRACT[1], "-k", "Commands or routes or options"
    )  # fmt: skip


@pytest.fixture
def copy(folders: Callable[[str], Path], request: pytest.FixtureRequest) -> Iterator[Copy]:
    yield Copy(folders(request.node.name), CONTRACT)


def test_a_command(copy: Copy) -> None:
    """The command is listed, runs, and the contract page is in step, with just the files that the recipe names."""
    copy.write("benchd/cli/tally.py", COMMAND)
    copy.add(
        "benchd/cli/main.py", "COMMANDS = {\n", '    "tally": ("tally", "Count the stored boots of each machine."),\n'
    )
    row = "| `benchd tally` | `--config --json` | 0 fine, 1 the store failed, 2 wrong use | Count boots. |\n"
    copy.add("firmware-notes/contract.md", "exit codes | meaning |\n| --- | --- | --- | --- |\n", row)
    assert re.search(r"tally +Count the stored boots", copy.run("-m", "benchd", "--help"))
    (copy.folder / "data").mkdir()
    (copy.folder / "bench.toml").write_text("")
    copy.run("-c", "from benchd.store import Store; Store.open('data/benchd.db').close()")
    assert json.loads(copy.run("-m", "benchd", "tally", "--json")) == {}
    contract_holds(copy)
    assert copy.touched == copy.told("A command")


@pytest.mark.peer("chromium", "chromedriver")
def test_a_page_route(copy: Copy, browser: Browser) -> None:
    """A running daemon answers on the new route, its page has the new view, and the contract page is in step."""
    copy.write("benchd/web/tally.py", ROUTES)
    answers = (copy.folder / "benchd/web/responses.py").read_text(encoding="utf-8")
    copy.write("benchd/web/responses.py", answers + ANSWER)
    copy.add(
        "benchd/web/app.py",
        "from benchd.web.studies import study_routes\n",
        "from benchd.web.tally import tally_routes\n",
    )
    copy.add("benchd/web/app.py", "        study_routes(daemon),\n", "        tally_routes(daemon),\n")
    copy.write("benchd/web/static/views/tally.js", VIEW)
    copy.add("benchd/web/static/start.js", "const VIEWS = [\n", '  [/^\\/tally$/, "tally", "/tally", "Tally"],\n')
    copy.add("benchd/web/pages.py", 'VIEWS = (\n    "/",\n', '    "/tally",\n')
    rows = "| `GET /api/tally` | Return how many boots are stored. |\n| `GET /tally` | how many boots are stored |\n"
    copy.add("firmware-notes/contract.md", "OpenAPI of the routes below /api |\n", rows)
    contract_holds(copy)
    assert copy.touched == copy.told("A page route")
    url = f"http://127.0.0.1:{(port := free_port())}"
    (copy.folder / "bench.toml").write_text(f'[http]\nlisten = "127.0.0.1:{port}"\n')
    env = os.environ | {"PYTHONPATH": str(copy.folder)}
    with (copy.folder / "log").open("wb") as log:
        daemon = subprocess.Popen(
            [sys.executable, "-m", "benchd", "run"], cwd=copy.folder, env=env, stdout=log, stderr=log
        )
    try:
        with httpx.Client(trust_env=False) as client:
            wait_for("the route", lambda: client.get(f"{url}/api/tally").json() == {"boots": {}}, 40)
            assert "/api/tally" in client.get(f"{url}/api/openapi.json").json()["paths"]
        browser.open(f"{url}/tally")
        assert browser.js("return document.querySelector('h1').textContent") == "Tally"
        assert browser.js("return document.querySelector('[aria-current=page]').textContent") == "Tally"
        assert browser.complaints() == []
    finally:
        daemon.terminate()
        daemon.wait(20)
