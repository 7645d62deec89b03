"""Every kind of TOML file is read by one function: the same marks are accepted, the same errors told."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import typer.main

from benchd.cli.main import build
from benchd.errors import ExternalError, UsageError
from benchd.files import TOML_LIMIT, read_bytes, read_text
from benchd.rom.loading import load_map
from benchd.rules.files import load_table
from benchd.settings import load_settings

KINDS: dict[str, tuple[str, Callable[[Path], object]]] = {
    "settings": ('[bench]\nname = "here"\n', load_settings),
    "rules": (
        '[table]\nname = "t"\nsource = "own"\n[[stage]]\nname = "a"\nenter = [{ code = "01" }]\nfinal = true\n',
        lambda path: load_table(str(path), path.parent),
    ),
    "map": ('[[window]]\nname = "card"\nbase = "C8000"\nsize = "8K"\n', load_map),
    "study": (
        'question = "why?"\n[goal]\nkind = "result-ok"\n[[factor]]\nname = "jumper"\nlevels = ["a", "b"]\n',
        lambda path: study(path),
    ),
}


def study(path: Path) -> None:
    """Store a study document by the command; raise the error that it tells."""
    settings = path.with_name("own.toml")
    settings.write_text("")
    words = ["study", "new", f"n{path.stat().st_size}", "--from", str(path), "--config", str(settings)]
    typer.main.get_command(build()).main(words, standalone_mode=False)


@pytest.mark.parametrize("kind", KINDS)
def test_a_byte_order_mark_is_accepted_everywhere(kind: str, tmp_path: Path) -> None:
    """Editors of one widespread system write the mark (EF BB BF, Unicode standard 23.8) and CR LF."""
    text, load = KINDS[kind]
    path = tmp_path / "x.toml"
    path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    load(path)


@pytest.mark.parametrize("kind", KINDS)
def test_errors_have_one_form(kind: str, tmp_path: Path) -> None:
    """File, line and key alike for each kind: FILE:LINE: KEY: what; also behind a byte-order mark."""
    text, load = KINDS[kind]
    path = tmp_path / "x.toml"
    for mark in (b"", b"\xef\xbb\xbf"):
        path.write_bytes(mark + b'colour = "red"\n' + text.encode())
        with pytest.raises(UsageError) as wrong:
            load(path)
        assert f"{path}:1: colour: unknown key" in str(wrong.value)
    path.write_bytes(text.encode() + b"b = = 2\n")
    with pytest.raises(UsageError) as wrong:
        load(path)
    assert f"{path}:{text.count(chr(10)) + 1}: not valid TOML" in str(wrong.value)


@pytest.mark.parametrize("kind", KINDS)
def test_text_that_is_not_utf8_names_its_line(kind: str, tmp_path: Path) -> None:
    text, load = KINDS[kind]
    path = tmp_path / "x.toml"
    path.write_bytes(text.encode() + b"# caf\xe9\n")
    line = text.count("\n") + 1
    with pytest.raises(UsageError) as wrong:
        load(path)
    assert f"{path}:{line}: Save the file as UTF-8 (line {line} has a byte that is not)" in str(wrong.value)


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_too_large_tells_both_numbers(kind: str, tmp_path: Path) -> None:
    """A file of any size costs one bounded read."""
    text, load = KINDS[kind]
    path = tmp_path / "x.toml"
    limit = TOML_LIMIT if kind != "study" else 16 << 20
    path.write_bytes(text.encode().ljust(limit + 3, b"\n"))
    with pytest.raises(UsageError, match=f"{limit + 3:,} bytes, more than the {limit:,} that are read"):
        load(path)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    """A missing file is the world's fault or the caller's, as the caller of the reader says."""
    with pytest.raises(ExternalError, match=r"gone: cannot be read: there is no such file or folder; check the name"):
        read_bytes(tmp_path / "gone")
    with pytest.raises(UsageError, match=r"gone: cannot be read"):
        read_text(tmp_path / "gone", missing=UsageError)
    with pytest.raises(ExternalError, match="cannot be read"):
        read_bytes(tmp_path / "a\0b")
