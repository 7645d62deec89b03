"""Rule tables on disk: where a name or path in the settings leads, and the tables shipped with benchd."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from benchd.errors import ExternalError, UsageError
from benchd.rules import RuleTable, load_text
from benchd.tomlfile import FileProblems, Problem

MAX_FILE = 4 << 20
"""Bytes of one table file. The largest table shipped has some 20 KB."""


@cache
def shipped_dir() -> Path:
    """Return the directory of shipped settings: `shipped/` in an installed package, `config/` beside the
    package in a checkout or an editable install. Raises ExternalError where neither is there.
    """
    package = Path(__file__).resolve().parents[1]
    for place in (package / "shipped", package.parent / "config"):
        if (place / "rules").is_dir():
            return place
    raise ExternalError(f"the shipped rule tables are missing beside {package}: install benchd again")


def shipped_tables() -> dict[str, Path]:
    """Return the shipped tables by name, in order of name."""
    return {path.stem: path for path in sorted((shipped_dir() / "rules").glob("*.toml"))}


def find_table(name_or_path: str, base: Path) -> Path:
    """Return the file of a table: a path relative to `base`, `base/rules/NAME.toml`, or a shipped one.

    Raises UsageError that lists what there is.
    """
    wanted = name_or_path.strip()
    given = (base / wanted).expanduser() if not wanted.startswith("~") else Path(wanted).expanduser()
    if wanted and _is_file(given):
        return given
    plain = bool(wanted) and Path(wanted).name == wanted
    name = wanted.removesuffix(".toml")
    own = base / "rules" / f"{name}.toml"
    if plain and _is_file(own):
        return own
    shipped = shipped_tables()
    if plain and name in shipped:
        return shipped[name]
    mine = sorted(path.stem for path in (base / "rules").glob("*.toml"))
    there = f"shipped tables: {', '.join(shipped)}"
    if mine:
        there = f"tables in {base / 'rules'}: {', '.join(mine)}; {there}"
    if not plain:
        raise UsageError(f"no rule table {name_or_path!r}: {given} is not a file; {there}")
    raise UsageError(f"no rule table {name_or_path!r} in {base}, in {base / 'rules'} or shipped; {there}")


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except PermissionError as error:
        raise ExternalError(f"{path}: cannot be read: {error.strerror}") from None
    except OSError:  # no such name can be: too long, for one
        return False


def read_table_text(path: Path) -> str:
    """Return the text of a table file. Raises ExternalError if it cannot be read, FileProblems if not UTF-8."""
    try:
        with path.open("rb") as file:
            data = file.read(MAX_FILE + 1)
    except OSError as error:
        raise ExternalError(f"{path}: cannot be read: {error.strerror or error}") from None
    if len(data) > MAX_FILE:
        raise FileProblems([Problem(str(path), 0, "", f"more than {MAX_FILE} bytes, the limit of a table")])
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        why = f"not UTF-8 at byte {error.start}: save the file as UTF-8"
        raise FileProblems([Problem(str(path), line, "", why)]) from None


def load_table_text(name_or_path: str, base: Path) -> tuple[RuleTable, str]:
    """Find, read and check a table; return it with its text. Raises as `load_table`."""
    path = find_table(name_or_path, base)
    text = read_table_text(path)
    return load_text(text, str(path)), text


def load_table(name_or_path: str, base: Path) -> RuleTable:
    """Find, read and check a table. Raises UsageError (FileProblems with every error), ExternalError."""
    return load_table_text(name_or_path, base)[0]
