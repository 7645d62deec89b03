"""A copy of the tree in which a recipe of DEVELOPERS.md is followed, and which then runs."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PARTS = ("benchd", "config", "firmware-notes", "pyproject.toml", "tests/conftest.py")


class Copy:
    """The program's tree and the named tests, to be changed; `touched` are the files that were."""

    def __init__(self, folder: Path, tests: Sequence[str] = ()) -> None:
        self.folder = folder
        for part in (*PARTS, *tests):
            place = folder / part
            place.parent.mkdir(parents=True, exist_ok=True)
            if (ROOT / part).is_dir():
                shutil.copytree(ROOT / part, place, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                shutil.copyfile(ROOT / part, place)
        self.touched: set[str] = set()

    def write(self, path: str, text: str) -> None:
        (self.folder / path).write_text(text, encoding="utf-8")
        self.touched.add(path)

    def add(self, path: str, after: str, text: str) -> None:
        """Put `text` behind the first `after` in a file."""
        old = (self.folder / path).read_text(encoding="utf-8")
        assert after in old, f"{path} has no {after!r}"
        self.write(path, old.replace(after, after + text, 1))

    def swap(self, path: str, old: str, new: str) -> None:
        """Put `new` where `old` stands, once, in a file."""
        text = (self.folder / path).read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{path} has {old!r} {text.count(old)} times"
        self.write(path, text.replace(old, new))

    def run(self, *words: str) -> str:
        done = self._done(words)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def fails(self, *words: str) -> str:
        """Return what a command says that must fail."""
        done = self._done(words)
        assert done.returncode != 0, done.stdout
        return done.stdout + done.stderr

    def _done(self, words: Sequence[str]) -> subprocess.CompletedProcess[str]:
        env = os.environ | {"PYTHONPATH": f"{self.folder}{os.pathsep}{self.folder / 'tests'}"}
        return subprocess.run([sys.executable, *words], capture_output=True, text=True, cwd=self.folder, env=env,
                              timeout=120, check=False)  # fmt: skip

    def told(self, recipe: str) -> set[str]:
        """The files that a recipe names, NAME read as `tally`; tests are for whoever follows it."""
        text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
        (found,) = re.findall(rf"^- \*\*{recipe}\*\*: (.*?)(?=^- \*\*|^#|\n\n)", text, re.MULTILINE | re.DOTALL)
        paths = re.findall(r"`([\w./-]+\.(?:py|js|md))`", found.replace("NAME", "tally"))
        return {path for path in paths if not path.startswith("tests/")}
