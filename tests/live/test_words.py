"""What is said in words, read as a person reads it: of mistakes in a settings file, of a daemon that is not there."""

from __future__ import annotations

import errno
import io
import socket
import ssl
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic_core.core_schema import ErrorType
from rich.console import Console
from support.daemon import free_port
from support.story import Story
from typer.testing import CliRunner

from benchd.checkwords import OURS, check_words
from benchd.cli import live
from benchd.cli.boots import boot_page
from benchd.cli.main import build
from benchd.errors import ExternalError, system_words
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
            ":7: [machine.link] stands here for the second time: use double brackets, [[machine.link]], where there "
            "may be several, or put these keys under the first",
        ),
        (
            '[bench]\nname = "a"\n[bench]\ndata = "d"\n',
            ":3: [bench] stands here for the second time: put these keys under the first",
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
        (GOOD + "spead = 9600\n", ":7: machine[1].link[1].spead: unknown key: is speed meant?"),
        ("[benhc]\n", ":1: benhc: unknown key: is bench meant?"),
        ("[metrics]\ncolour = 1\n", ":2: metrics.colour: unknown key; known here: trial_series"),
        ('[bench]\nname = ""\n', ":2: bench.name: must not be empty"),
        ("[bench]\ncapture_size_mb = 0\n", ":2: bench.capture_size_mb: must be 1 or more"),
        ("[bench]\ncapture_size_mb = 5000\n", ":2: bench.capture_size_mb: must be 4096 or less"),
        ("machine = 'x'\n", ":1: machine: use double brackets: [[machine]]"),
        (GOOD + 'data_bits = "8"\n', ":7: machine[1].link[1].data_bits: must be 5, 6, 7 or 8, without quotes"),
        (
            GOOD + "hunt_rates = 9600\n",
            ":7: machine[1].link[1].hunt_rates: use a list: values in brackets, with commas between",
        ),
        ('[[machine]]\nname = "pc"\nrules = "x"\nlink = []\n', ":4: machine[1].link: at least one is needed"),
        ("[bench]\nname = my bench\n", ':2: not valid TOML: put text in quotes: name = "my bench"'),
        ("[bench]\nname =\n", ":2: not valid TOML: a value is missing behind name ="),
        (GOOD + "lossy = Yes\n", ":7: not valid TOML: use true or false, in small letters: lossy = true"),
        ("[bench]\nname = \u201cx\u201d\n", ':2: not valid TOML: use straight quotes: "..."'),
        (
            '[bench]\nname = "C:\\data"\n',
            ":2: not valid TOML: a backslash in double quotes begins an escape: use single quotes, or \\\\",
        ),
        (
            '[bench]\nname: "x"\n',
            ":2: not valid TOML: an equals sign is needed between a key and its value: key = value",
        ),
        ("[bench\n", ":1: not valid TOML: a bracket is not closed"),
        ('[bench]\nname = "x\n', ":2: not valid TOML: a quote is not closed on its line"),
        (
            '[bench]\nname = "x"\nname = "y"\n',
            ":3: not valid TOML: this key stands here for the second time: take one of them out",
        ),
        (
            '[bench]\nname = "x" y\n',
            ":2: not valid TOML: something is left over behind the value: one key a line, and # before a comment",
        ),
        ("= 5\n", ":1: not valid TOML: begin the line with a key (name = value), a [table], or # for a comment"),
        (GOOD + '[http]\nnames = ["a b"]\n', ":8: http.names[1]: 'a b': use letters, digits, dot, hyphen; no port"),
    ],
)
def test_mistakes_in_settings(text: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(text)
    with pytest.raises(FileProblems) as caught:
        load_settings(path)
    assert str(caught.value) == f"{path}{said}"


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_a_file_of_two_byte_letters(encoding: str, tmp_path: Path) -> None:
    """With its mark or without, it is said what it is and what to do (RFC 2781: the mark is only a should)."""
    path = tmp_path / "bench.toml"
    path.write_bytes(GOOD.encode(encoding))
    with pytest.raises(FileProblems) as caught:
        load_settings(path)
    assert str(caught.value) == f"{path}:1: Save the file as UTF-8 (it is UTF-16: two bytes for each letter)"


def test_the_library_never_speaks_for_itself() -> None:
    """Each kind of error that the checking library knows has words here; its own text is in none of them."""
    numbers = ("gt", "ge", "lt", "le", "multiple_of", "min_length", "max_length", "actual_length")
    context = dict.fromkeys(numbers, 3) | dict.fromkeys(
        ("pattern", "expected", "expected_tags", "discriminator"), "'x'"
    )
    for kind in get_args(ErrorType):
        part = {"type": kind, "msg": "Input should be a valid thing", "ctx": context, "input": "a"}
        said = check_words(part)
        assert ("Input should" in said) == (kind in OURS), kind
        assert "{" not in said and said


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (FileNotFoundError(errno.ENOENT, "No such file or directory"), "there is no such file or folder"),
        (PermissionError(errno.EACCES, "x"), "you may not: its owner or mode forbids it (`ls -l` shows both)"),
        (OSError(errno.ENOSPC, "x"), "the disk is full"),
        (OSError(errno.EPROTO, "Protocol error"), "the system refuses it (EPROTO: Protocol error)"),
        (socket.gaierror(-2, "Name or service not known"), "the host name is not known"),
        (ssl.SSLError(1, "wrong version number"), "wrong version number"),
        (ValueError("embedded null byte"), "embedded null byte"),
        (OSError(), "OSError"),
    ],
)
def test_what_the_system_refuses(error: Exception, said: str) -> None:
    assert system_words(error) == said


def test_a_daemon_that_is_not_running() -> None:
    url = f"http://127.0.0.1:{free_port()}"
    with pytest.raises(ExternalError) as caught:
        live.Caller(url, None).served("bench", {"pc"})
    assert str(caught.value) == f"benchd is not running at {url}. Start it: `benchd run`"


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
    monkeypatch.setattr(live, "draw", lambda picture, *size: [picture["machine"]])
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
    [(True, "they differ from the start, then meet again: "), (False, "they differ from the start: ")],
)
def test_where_boots_part(rejoins: bool, said: str) -> None:
    assert Divergence((), rejoins, (), ()).words("T1", "T2") == said + "T1 ends there, T2 ends there"
