#!/usr/bin/env python3
"""Assembles the reporter with nasm; as a program, writes the templates that benchd ships.

Usage: `python3 tests/reporter/assembling.py`, after a change of benchd/reporter/asm.
"""

from __future__ import annotations

import functools
import subprocess
import tempfile
from pathlib import Path

ROOM = Path(__file__).resolve().parents[2] / "benchd/reporter"
WRAPPERS = {"rom": 1, "floppy": 2, "com": 3}
Defines = tuple[tuple[str, int | str], ...]


@functools.cache
def assemble(wrapper: str, defines: Defines = ()) -> bytes:
    """Assemble one wrapper; a string define becomes a quoted string. Raises CalledProcessError."""
    marks = [f"-D{name}={value}" if isinstance(value, int) else f'-D{name}="{value}"' for name, value in defines]
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out"
        command = ["nasm", "-f", "bin", "-Werror", f"-DWRAPPER={WRAPPERS[wrapper]}", *marks, "-o", out]
        subprocess.run([*command, "reporter.asm"], check=True, cwd=ROOM / "asm")
        return out.read_bytes()


if __name__ == "__main__":
    for name in WRAPPERS:
        (ROOM / f"{name}.bin").write_bytes(assemble(name))
