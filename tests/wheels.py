"""Whether everything that benchd needs comes as a wheel for a small board: 64-bit ARM, Debian 12 (glibc 2.36) or newer.

Run: python3 tests/wheels.py [--python 3.13] [PIP'S OPTIONS]. pip asks the package index and chooses; nothing is
installed. It ends with 1 and pip's own words where something could only be compiled. Not collected by pytest;
tests/upkeep/test_wheels.py tries it.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

TREE = Path(__file__).resolve().parents[1]
EXTRAS = ("notify", "parquet", "postgres")
PLATFORMS = ("manylinux2014_aarch64", "manylinux_2_28_aarch64")
"""Of what a wheel was made for (PEP 599, PEP 600); the second needs glibc 2.28, Debian 12 has 2.36."""


def wanted() -> list[str]:
    """What pyproject.toml asks for, with all that is optional but what only tests need."""
    project = tomllib.loads((TREE / "pyproject.toml").read_text("utf-8"))["project"]
    extras = project["optional-dependencies"]
    return [*project["dependencies"], *(one for name in EXTRAS for one in extras[name])]


def chosen(requirements: list[str], python: str = "3.11", more: tuple[str, ...] = ()) -> list[str]:
    """The wheels, by file name, that pip would install on the board. Raises RuntimeError with what pip says."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.json"
        command = [sys.executable, "-m", "pip", "install", "--dry-run", "--quiet", "--ignore-installed"]
        command += ["--disable-pip-version-check", "--target", folder, "--only-binary=:all:"]
        command += ["--python-version", python, "--implementation", "cp", "--report", str(report)]
        command += [word for one in PLATFORMS for word in ("--platform", one)]
        done = subprocess.run(
            [*command, *more, *requirements], capture_output=True, text=True, timeout=550, check=False
        )
        if done.returncode != 0:
            raise RuntimeError("\n".join(line for line in done.stderr.splitlines() if line.startswith("ERROR")))
        found = json.loads(report.read_text("utf-8"))["install"]
    return sorted(one["download_info"]["url"].rpartition("/")[2].partition("#")[0] for one in found)


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--python", default="3.11", help="the board's Python: 3.11 on Debian 12, 3.13 on Debian 13")
    told, more = parser.parse_known_args()
    try:
        wheels = chosen(wanted(), told.python, tuple(more))
    except RuntimeError as error:
        print(f"not everything comes as a wheel for 64-bit ARM and Python {told.python}:\n{error}")
        return 1
    print("\n".join(wheels))
    print(f"{len(wheels)} wheels: everything comes as one for 64-bit ARM and Python {told.python}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
