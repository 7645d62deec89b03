"""Files written whole: what is no plain file is never replaced, whoever asks for it."""

from __future__ import annotations

import os
import socket
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from benchd.errors import UsageError
from benchd.files import write_new
from benchd.store.copying import copy_to_file
from benchd.store.database import Database, backup_sqlite


def _fifo(path: Path) -> None:
    os.mkfifo(path)


def _socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(path))


def _link_to_fifo(path: Path) -> None:
    os.mkfifo(path.with_name("behind"))
    path.symlink_to("behind")


@pytest.mark.parametrize("force", [False, True])
@pytest.mark.parametrize("make", [_fifo, _socket, _link_to_fifo])
def test_what_is_no_plain_file_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, make: Callable[[Path], None], force: bool
) -> None:
    """Also with --force, and the message does not advise it: a rename would put a plain file in a device's place."""
    monkeypatch.chdir(tmp_path)  # a socket's path may have 107 bytes
    out = Path("out")
    make(out)
    before = {path.name: path.lstat() for path in tmp_path.iterdir()}
    with pytest.raises(UsageError) as told:
        write_new(out, b"new", force, [])
    assert str(told.value) == "out is a device or a pipe, no plain file: name another output"
    assert {path.name: path.lstat() for path in tmp_path.iterdir()} == before


def test_a_plain_file_is_replaced_only_with_force(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_new(out, b"old", False, [])
    with pytest.raises(UsageError, match=r"out exists: name another output, or allow overwriting with --force$"):
        write_new(out, b"new", False, [])
    assert out.read_bytes() == b"old"
    write_new(out, b"new", True, [])
    assert out.read_bytes() == b"new" and stat.S_ISREG(out.lstat().st_mode)
    assert os.listdir(tmp_path) == ["out"]


def _copy(out: Path) -> None:
    copy_to_file(Database(out.with_name("benchd.db"), create=True, read_only=False), out)


@pytest.mark.parametrize("write", [lambda out: backup_sqlite("benchd.db", out), _copy])
def test_copies_of_the_store_take_new_names_only(tmp_path: Path, write: Callable[[Path], None]) -> None:
    """They have no --force: a pipe that is there stays too."""
    out = tmp_path / "copy.db"
    os.mkfifo(out)
    with pytest.raises(UsageError, match=r"copy\.db exists already; name a new file"):
        write(out)
    assert stat.S_ISFIFO(out.lstat().st_mode) and not (tmp_path / "copy.db.part").exists()
