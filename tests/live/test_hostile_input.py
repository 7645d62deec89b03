"""Whatever is named, wherever it lies, and whatever is closed: one clear message, exit 1 or 2, never a traceback.

Exit codes follow POSIX (0 success, above 0 failure); file errors are those of errno(3).
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
from pathlib import Path

import pytest
from support import started
from support.daemon import BENCHD

CSV = "a,b,result\nx,1,ok\ny,1,fail\ny,2,ok\nx,2,ok\n"


def run(folder: Path, *words: str, shell: str = "", **env: str) -> subprocess.CompletedProcess[bytes]:
    """Run a command in `folder`; `shell` is put behind it (redirections), `env` added."""
    names = {key: value for key, value in os.environ.items() if key != "BENCHD_CONFIG"} | env
    if not shell and not env:
        done = started.run(words, cwd=folder, env=names)
        return subprocess.CompletedProcess(done.args, done.returncode, done.stdout.encode(), done.stderr.encode())
    command = ["sh", "-c", f'exec "$@" {shell}', "sh", *BENCHD, *words] if shell else [*BENCHD, *words]
    return subprocess.run(
        command, cwd=folder, env=names, capture_output=True, timeout=60, check=False, stdin=subprocess.DEVNULL
    )


def refuses(done: subprocess.CompletedProcess[bytes], code: int, *says: str) -> None:
    text = done.stderr.decode()
    assert done.returncode == code, text
    assert "Traceback" not in text
    assert len(text) < 20_000
    for part in says:
        assert part in text


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A folder with settings and a store that holds one study."""
    (tmp_path / "bench.toml").write_text('[bench]\ndata = "d"\n')
    (tmp_path / "s.csv").write_text(CSV)
    done = run(tmp_path, "study", "import", "s.csv", "--name", "s")
    assert done.returncode == 0, done.stderr
    return tmp_path


def test_an_integer_too_long_to_read_is_told_with_its_line(tmp_path: Path) -> None:
    """TOML asks for 64 bits (TOML 1.0, Integer); Python's reader gives up at 4300 digits with another error."""
    (tmp_path / "x.toml").write_text("# first\na = " + "9" * 5000 + "\n")
    for words in (["boots", "--config", "x.toml"], ["rules", "show", "x.toml"], ["map", "x.toml"]):
        refuses(run(tmp_path, *words), 2, "x.toml:2", "the number has more digits than are read")


def test_twenty_thousand_mistakes_do_not_fill_the_terminal(tmp_path: Path) -> None:
    (tmp_path / "x.toml").write_text("".join(f"k{n} = 1\n" for n in range(20_000)))
    refuses(run(tmp_path, "run", "--config", "x.toml"), 2, "x.toml:1: k0: unknown key", "20000 problems")


@pytest.mark.parametrize("name", ["x" * 5000, "x/" * 3000, "💣", "a\u202eb\x1b[31m\n", "\udcff\udcfe", "", ".."])
@pytest.mark.parametrize("words", [("rules", "show"), ("show",)], ids=" ".join)
def test_no_name_is_too_strange(bench: Path, words: tuple[str, ...], name: str) -> None:
    done = run(bench, *words, name)
    refuses(done, 2)
    assert "\x1b" not in done.stderr.decode()


def test_a_file_where_the_data_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text('[bench]\ndata = "d"\n')
    (tmp_path / "s.csv").write_text(CSV)
    (tmp_path / "d").write_text("")
    refuses(run(tmp_path, "study", "import", "s.csv", "--name", "s"), 1, str(tmp_path / "d"), "cannot be made")
    refuses(run(tmp_path, "boots"), 1, str(tmp_path / "d"))


def test_what_may_not_be_read_is_named(bench: Path) -> None:
    """As the user `nobody`: a folder that cannot be entered is told apart from a store that is not there yet."""
    for folder in [bench, *bench.parents]:
        if folder.stat().st_uid == os.geteuid() and not folder.stat().st_mode & 0o005:
            folder.chmod(0o755)
    (bench / "d").chmod(0o700 if os.geteuid() == 0 else 0)
    code = (
        "import os, sys\nfrom benchd.cli import main\nmain.build()\n"
        "import benchd.capture, benchd.cli.boots, benchd.cli.study, benchd.tomlfile, encodings.idna\n"
        "if os.geteuid() == 0:\n    os.setgid(65534); os.setuid(65534)\nsys.argv[0] = 'benchd'; main.main()"
    )
    for words in (["boots"], ["study", "list"]):
        done = subprocess.run(
            [BENCHD[0], "-c", code, *words, "--config", str(bench / "bench.toml")],
            capture_output=True, timeout=60, check=False, cwd="/",
        )  # fmt: skip
        refuses(done, 1, "you may not", str(bench / "d"))
    (bench / "d").chmod(0o755)


@pytest.mark.parametrize(
    ("sql", "code"),
    [
        ("update study set document = '{'", 1),
        ("update trial set setup = '[]'", 1),
        ("update study set name = x'fffe'", 1),
    ],
)
def test_a_store_damaged_inside_is_called_damaged(bench: Path, sql: str, code: int) -> None:
    with sqlite3.connect(bench / "d/benchd.db") as store:
        store.execute("pragma foreign_keys = off")
        store.execute(sql)
    store.close()
    refuses(run(bench, "study", "list"), code, "benchd.db", "damaged")


@pytest.mark.parametrize("out", ["/", ".", ".."])
def test_cut_out_images_need_a_file_name(tmp_path: Path, out: str) -> None:
    (tmp_path / "x.bin").write_bytes(b"\x55\xaa\x01\xcb" + bytes(508))
    refuses(run(tmp_path, "rom", "split", "x.bin", "--images", out), 2, "--images")


def test_a_damaged_schema_is_called_damaged(bench: Path) -> None:
    """SQLite quotes the schema's bytes in its message; they need not be UTF-8."""
    path = bench / "d/benchd.db"
    data = path.read_bytes()
    assert b"CREATE TABLE boot " in data
    path.write_bytes(data.replace(b"CREATE TABLE boot ", b"CREATE \xff\xfe\x9bBLE boot "))
    refuses(run(bench, "boots"), 1, "benchd.db", "damaged")


@pytest.mark.parametrize(
    ("editor", "code", "says"),
    [
        ('"open', 2, "quotation"),
        ("   ", 1, "vi"),
        ("rm", 2, "cannot be read"),
        ("sh -c \"printf '\\377' > $0\"", 2, "Save the file as UTF-8"),
    ],
)
def test_any_editor(bench: Path, editor: str, code: int, says: str) -> None:
    empty = bench / "bin"  # no `vi` here
    empty.mkdir()
    for name in ("sh", "rm"):
        (empty / name).symlink_to(shutil.which(name) or name)
    refuses(run(bench, "study", "new", "q", VISUAL="", EDITOR=editor, PATH=str(empty)), code, says)


@pytest.mark.parametrize("words", [("schema", "boot"), ("study", "list"), ("rules", "list")], ids=" ".join)
def test_an_output_that_is_gone(bench: Path, words: tuple[str, ...]) -> None:
    """A full disk (Linux's /dev/full) is told; a closed output or a reader that left is no reason for noise."""
    refuses(run(bench, *words, shell="> /dev/full"), 1, "the disk is full")
    for shell in (">&-", ">&- 2>&-", "<&- >&- 2>&-"):
        done = run(bench, *words, shell=shell)
        assert (done.returncode, done.stderr) == (0, b"")
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run([*BENCHD, *words], cwd=bench, stdout=writer, stderr=subprocess.PIPE, check=False, timeout=60)
    os.close(writer)
    assert (done.returncode, done.stderr) == (1, b"")


def test_a_terminal_that_takes_ascii_only(bench: Path) -> None:
    """JSON stays JSON (RFC 8259, section 7: any character may be escaped), text loses no line."""
    (bench / "t.csv").write_text("a,result\näöü→💣,ok\ny,fail\n")
    env = {"PYTHONIOENCODING": "ascii", "LC_ALL": "C", "TERM": "dumb"}
    assert run(bench, "study", "import", "t.csv", "--name", "Ü", **env).returncode == 0
    shown = json.loads(run(bench, "study", "show", "Ü", "--json", **env).stdout.decode("ascii"))
    assert shown["trials"][0]["setup"] == {"a": "äöü→💣"}
    done = run(bench, "study", "show", "Ü", **env)
    assert done.returncode == 0 and b"Traceback" not in done.stderr
