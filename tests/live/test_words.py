"""What is said in words, read as a person reads it: of mistakes in a settings file, of a daemon that is not there."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console
from support.daemon import free_port
from support.story import Story
from typer.testing import CliRunner

from benchd.cli import live
from benchd.cli.boots import boot_page
from benchd.cli.main import build
from benchd.errors import ExternalError
from benchd.inference.answers import Divergence
from benchd.settings import load_settings
from benchd.store import Store
from benchd.tomlfile import FileProblems

GOOD = '[[machine]]\nname = "pc"\nrules = "x"\n[[machine.link]]\nkind = "post"\nport = "/dev/ttyUSB0"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[machine]\nname = "pc"\n', ":1: machine: use double brackets: [[machine]]"),
        (
            GOOD.replace("[[machine.link]]", "[machine.link]") + '[machine.link]\nkind = "console"\n',
            ":7: [machine.link] stands here for the second time: where there may be several, use double brackets: "
            "[[machine.link]]",
        ),
        (GOOD + 'speed = "9600"\n', ":7: machine[1].link[1].speed: write the speed without quotes: speed = 9600"),
        (GOOD + 'name = "A b"\n', ":7: machine[1].link[1].name: 'A b': use small letters, digits, hyphen; no spaces"),
        (GOOD + 'lossy = "x"\n', ":7: machine[1].link[1].lossy: use true or false, without quotes"),
        (GOOD.replace('"x"', "5"), ":3: machine[1].rules: use text: put it in quotes"),
        (GOOD.replace('"post"', '"pst"'), ":5: machine[1].link[1].kind: must be 'post' or 'console'"),
        (
            GOOD + '[alert]\nlink_down_after = "0s"\n',
            ":8: alert.link_down_after: '0s' must be more than 0 and at most 24 h",
        ),
        (GOOD + '[http]\nnames = ["a b"]\n', ":8: http.names[1]: 'a b': use letters, digits, dot, hyphen; no port"),
    ],
)
def test_mistakes_in_settings(text: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(text)
    with pytest.raises(FileProblems) as caught:
        load_settings(path)
    assert str(caught.value) == f"{path}{said}"


def test_a_daemon_that_is_not_running() -> None:
    url = f"http://127.0.0.1:{free_port()}"
    with pytest.raises(ExternalError) as caught:
        live.Caller(url, None).served("bench", {"pc"})
    assert str(caught.value) == f"benchd is not running at {url} (Connection refused). Start it: `benchd run`"


class Ended:
    """A daemon that shows one picture and falls silent; `now` is the clock."""

    url = "http://here"

    def __init__(self, now: list[float]) -> None:
        self.now = now

    def served(self, bench: str, wanted: set[str]) -> set[str]:
        return wanted

    def pictures(self) -> Iterator[dict[str, Any]]:
        yield {"machine": "pc"}
        self.now[0] += 8.0
        raise ExternalError("http://here: the daemon ended the stream")


class EnoughError(Exception):
    """What ends the watching in the test."""


def test_no_news_is_said_with_its_age(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is drawn stands under how long ago it came."""

    def enough(_: float) -> None:
        raise EnoughError

    now = [100.0]
    monkeypatch.setattr("benchd.cli.live.time.monotonic", lambda: now[0])
    monkeypatch.setattr("benchd.cli.live.time.sleep", enough)
    monkeypatch.setattr(live, "draw", lambda picture: picture["machine"])
    out = io.StringIO()
    with pytest.raises(EnoughError):
        live.Feed(Ended(now), "bench", {"pc"}).watch(Console(file=out, width=120))  # type: ignore[arg-type]
    assert "No news from benchd for 8 s: http://here: the daemon ended the stream; trying again" in out.getvalue()


def test_an_empty_list_says_why(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.toml").write_text("")
    (tmp_path / "data").mkdir()
    Store.open("data/benchd.db").close()
    for words, said in ((), "No boots are stored yet.\n"), (("--outcome", "stalled"), "No boot matches.\n"):
        done = CliRunner().invoke(build(), ["boots", *words])
        assert (done.exit_code, done.stdout) == (0, said)


def test_one_is_not_plural() -> None:
    (boot,) = Story().tell((0, "01"), (1, "> Testing memory"), until=2).boots
    assert list(boot_page(boot, None))[2] == "1 code, 1 console line"


@pytest.mark.parametrize(
    ("rejoins", "said"),
    [(True, "they part from the start, and meet again later: "), (False, "they part from the start: ")],
)
def test_where_boots_part(rejoins: bool, said: str) -> None:
    assert Divergence((), rejoins, (), ()).words("T1", "T2") == said + "T1 ends there, T2 ends there"
