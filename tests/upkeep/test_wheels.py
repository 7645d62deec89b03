"""What is said about wheels for a small board: right, also where one is missing, tried on an index of our own."""

from __future__ import annotations

import importlib.util
import zipfile
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="module")
def wheels() -> ModuleType:
    spec = importlib.util.spec_from_file_location("wheels", Path(__file__).resolve().parents[1] / "wheels.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def make(folder: Path, name: str, tag: str, needs: str = "") -> None:
    """An empty wheel (its form: PEP 427)."""
    info = f"{name}-1.0.dist-info"
    with zipfile.ZipFile(folder / f"{name}-1.0-{tag}.whl", "w") as wheel:
        requires = f"Requires-Dist: {needs}\n" if needs else ""
        wheel.writestr(f"{info}/METADATA", f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n{requires}")
        wheel.writestr(f"{info}/WHEEL", f"Wheel-Version: 1.0\nGenerator: test\nRoot-Is-Purelib: true\nTag: {tag}\n")
        wheel.writestr(f"{info}/RECORD", "")


def test_what_has_no_wheel_is_named(wheels: ModuleType, tmp_path: Path) -> None:
    """Plain Python, and compiled for the board: fine. For another processor or as source only, also below: not."""
    own = ("--no-index", "--find-links", str(tmp_path))
    make(tmp_path, "bare", "py3-none-any", "quick")
    make(tmp_path, "quick", "cp311-cp311-manylinux_2_17_aarch64.manylinux2014_aarch64")
    make(tmp_path, "other", "cp311-cp311-manylinux2014_x86_64")
    make(tmp_path, "under", "py3-none-any", "source")
    (tmp_path / "source-1.0.tar.gz").write_bytes(b"")
    assert wheels.chosen(["bare>=1"], "3.11", own) == [
        "bare-1.0-py3-none-any.whl",
        "quick-1.0-cp311-cp311-manylinux_2_17_aarch64.manylinux2014_aarch64.whl",
    ]
    for missing, asked, python in (("other", "other", "3.11"), ("source", "under", "3.11"), ("quick", "bare", "3.13")):
        with pytest.raises(RuntimeError, match=f"No matching distribution found for {missing}"):
            wheels.chosen(["bare>=1", asked] if asked != "bare" else [asked], python, own)


def test_all_that_the_project_needs_is_asked_for(wheels: ModuleType) -> None:
    """What runs, and what is optional; what only tests need is not for a board."""
    names = {one.split("=")[0].split(">")[0].split("[")[0] for one in wheels.wanted()}
    assert {"numpy", "google-re2", "psycopg", "pyarrow", "apprise"} <= names
    assert not {"pytest", "unicorn", "benchd"} & names


@pytest.mark.long
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("python", ["3.11", "3.13"])
def test_everything_comes_as_a_wheel_for_a_small_board(wheels: ModuleType, python: str) -> None:
    """By the package index itself, where one can be reached."""
    found = wheels.chosen(wheels.wanted(), python)
    assert len(found) > len(wheels.wanted())
