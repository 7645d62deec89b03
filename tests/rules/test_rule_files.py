"""A table is found by path, beside the settings, or among the shipped ones; in a checkout and installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

from benchd.errors import ExternalError, UsageError
from benchd.files import TOML_LIMIT
from benchd.rules.files import find_table, load_table, read_table_text, shipped_dir, shipped_tables
from benchd.tomlfile import FileProblems

ROOT = Path(__file__).resolve().parents[2]
SMALL = '[table]\nname = "{}"\nsource = "own"\n[[stage]]\nname = "a"\nenter = [{{ code = "01" }}]\nfinal = true\n'


def test_order_of_places(tmp_path: Path) -> None:
    """A file at the path wins, then rules/NAME.toml beside the settings, then the shipped table."""
    assert find_table("at-p0411", tmp_path) == shipped_tables()["at-p0411"]
    (tmp_path / "rules").mkdir()
    own = tmp_path / "rules" / "at-p0411.toml"
    own.write_text(SMALL.format("mine"))
    assert find_table("at-p0411", tmp_path) == own
    assert find_table("at-p0411.toml", tmp_path) == own
    assert find_table("rules/at-p0411.toml", tmp_path) == own
    assert find_table(str(own), Path("/")) == own
    (tmp_path / "at-p0411.toml").write_text(SMALL.format("nearer"))
    assert load_table("at-p0411.toml", tmp_path).name == "nearer"
    assert load_table("at-p0411", tmp_path).name == "mine"


@pytest.mark.parametrize("name", ["nosuch", "", " ", "../config/rules/at-p0411", "rules/nosuch.toml", "/nosuch"])
def test_unknown_names_list_what_there_is(name: str, tmp_path: Path) -> None:
    """The error names the asked one, the tables beside the settings and the shipped ones; exit code 2."""
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "ours.toml").write_text(SMALL.format("ours"))
    with pytest.raises(UsageError) as wrong:
        find_table(name, tmp_path)
    message = str(wrong.value)
    assert repr(name) in message and "ours" in message and "at-p0411" in message and "coreboot" in message
    assert wrong.value.exit_code == 2


@pytest.mark.parametrize(("name", "meant"), [("at-p1018", "at-p1017"), ("Coreboot", "coreboot"), ("our", "ours")])
def test_a_slip_of_the_pen_names_what_is_meant(name: str, meant: str, tmp_path: Path) -> None:
    """The nearest names instead of all that there are, those beside the settings too."""
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "ours.toml").write_text(SMALL.format("ours"))
    with pytest.raises(UsageError) as wrong:
        find_table(name, tmp_path)
    message = str(wrong.value)
    assert repr(name) in message and "meant? `benchd rules list` shows all" in message
    assert meant in message and "seabios" not in message


def test_unreadable_files(tmp_path: Path) -> None:
    """What cannot be read, is not UTF-8 or is too big is told with the place, never as a traceback."""
    with pytest.raises(ExternalError, match="cannot be read"):
        read_table_text(tmp_path / "gone.toml")
    bad = tmp_path / "bad.toml"
    bad.write_bytes(b'[table]\nname = "\xff"\n')
    with pytest.raises(FileProblems) as wrong:
        load_table("bad.toml", tmp_path)
    assert wrong.value.problems[0].line == 2 and "UTF-8" in str(wrong.value)
    bad.write_bytes(b"#" * (TOML_LIMIT + 7))
    with pytest.raises(UsageError, match=f"{TOML_LIMIT + 7:,} bytes, more than the {TOML_LIMIT:,}"):
        read_table_text(bad)
    bad.write_bytes(b"\xef\xbb\xbf" + SMALL.format("bom").replace("\n", "\r\n").encode())
    assert load_table("bad.toml", tmp_path).name == "bom"


def test_a_checkout_uses_its_own_config() -> None:
    """Beside the package lies config/: an edit there counts at once in an editable install."""
    assert shipped_dir() == ROOT / "config"


def packages_on_disk() -> set[str]:
    inits = (ROOT / "benchd").rglob("__init__.py")
    return {".".join(p.parent.relative_to(ROOT).parts) for p in inits}


def test_the_list_of_packages_is_complete() -> None:
    """pyproject.toml lists every package by hand, since two folders are mapped in: none may be forgotten."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    listed = set(project["tool"]["setuptools"]["packages"])
    assert listed == packages_on_disk() | {"benchd.shipped", "benchd.card.shipped"}


def test_a_wheel_carries_what_is_shipped_and_finds_it(tmp_path: Path) -> None:
    """Built by setuptools and unpacked without the checkout, benchd finds its tables and the card's firmware."""
    copy = tmp_path / "copy"
    copy.mkdir()
    for name in ("benchd", "config", "firmware-notes/card"):
        shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", copy)
    (copy / "README.md").write_text("benchd\n")
    build = "from setuptools import build_meta as b; import sys; b.build_wheel(sys.argv[1])"
    subprocess.run(
        [sys.executable, "-W", "ignore", "-c", build, str(tmp_path)], cwd=copy, check=True, capture_output=True
    )
    (wheel,) = tmp_path.glob("*.whl")
    site = tmp_path / "site"
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
        archive.extractall(site)
    files = [p for p in (ROOT / "config").rglob("*") if p.is_file()]
    assert {f"benchd/shipped/{p.relative_to(ROOT / 'config').as_posix()}" for p in files} <= names
    assert not any(n.startswith("config/") for n in names)
    ours = {p.relative_to(copy).as_posix() for p in (copy / "benchd").rglob("*") if p.is_file()}
    images = {"benchd/card/shipped/card.bin", "benchd/card/shipped/card.uf2"}
    assert {n for n in names if n.startswith("benchd/card/shipped/")} == images
    assert not any(n.startswith("firmware-notes/") for n in names)
    assert ours <= names  # pages, scripts and typing marks too
    shutil.rmtree(copy)
    look = (
        "import benchd.rules.files as r, pathlib; t = r.load_table('at-p0411', pathlib.Path('.'));"
        "print(r.__file__, r.shipped_dir(), t.name, len(r.shipped_tables()), sep='\\n');"
        "import benchd.card.image as c; print(c.image_dir(), c.image('.uf2').hex(), c.image('.bin').hex(), sep='\\n')"
    )
    done = subprocess.run(
        [sys.executable, "-c", look],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(site)},
        capture_output=True,
        text=True,
        check=True,
    )
    where, shipped, name, count, images, *written = done.stdout.splitlines()
    assert where == str(site / "benchd" / "rules/files.py")
    assert shipped == str(site / "benchd" / "shipped")
    assert (name, int(count)) == ("at-p0411", len(shipped_tables()))
    assert images == str(site / "benchd" / "card/shipped")
    assert written == [(ROOT / f"firmware-notes/card/card.{kind}").read_bytes().hex() for kind in ("uf2", "bin")]
