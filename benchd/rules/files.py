"""Rule tables on disk: where a name or path in the settings leads, and the tables shipped with benchd."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from benchd.errors import ExternalError, UsageError, system_words
from benchd.files import TOML_LIMIT, read_text
from benchd.rules import RuleTable, load_text
from benchd.vocabulary.nearest import nearest

DEMO = "demo-at286"
"""The shipped table of the demo's simulated machine: no real one has its codes."""
RECORD = "record"
"""The shipped table that judges nothing: by it nothing that was received is left out."""


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
    if plain and (near := nearest(name, [*mine, *shipped])):
        there = f"is {' or '.join(near)} meant? `benchd rules list` shows all"
    elif mine:
        there = f"tables in {base / 'rules'}: {', '.join(mine)}; {there}"
    if not plain:
        raise UsageError(f"no rule table {name_or_path!r}: {given} is not a file; {there}")
    raise UsageError(f"no rule table {name_or_path!r} in {base}, in {base / 'rules'} or shipped; {there}")


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except PermissionError as error:
        raise ExternalError(f"{path}: cannot be read: {system_words(error)}") from None
    except OSError:  # no such name can be: too long, for one
        return False


def read_table_text(path: Path) -> str:
    """Return the text of a table file. Raises as `benchd.files.read_text`."""
    return read_text(path, TOML_LIMIT)


def beside(capture: Path) -> Path:
    """Return where the table lies by which a capture is judged instead of its own; the capture stays as it is."""
    return capture.with_suffix(".rules.toml")


def text_beside(capture: Path) -> str | None:
    """Return the text of the table beside a capture, None where there is none. Raises ExternalError."""
    path = beside(capture)
    return read_table_text(path) if path.is_file() else None


def load_table_text(name_or_path: str, base: Path) -> tuple[RuleTable, str]:
    """Find, read and check a table; return it with its text. Raises as `load_table`."""
    path = find_table(name_or_path, base)
    text = read_table_text(path)
    return load_text(text, str(path)), text


def load_table(name_or_path: str, base: Path) -> RuleTable:
    """Find, read and check a table. Raises UsageError (FileProblems with every error), ExternalError."""
    return load_table_text(name_or_path, base)[0]
