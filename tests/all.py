#!/usr/bin/env python3
"""Set up everything that the tests need and run them all.

Usage: `python3 tests/all.py [--everyday|--long] [pytest arguments]`.

Three parts: what can run two at a time, what must have the machine to itself (marked `alone`: it measures time), and
what is slow (marked `slow`). `--everyday` leaves the slow part out; `--long` adds one that repeats for half an hour
(200 kills, 100 replugs). Tests named in the arguments run as they are.

Makes `.venv` beside pyproject.toml, installs the package with its test extra into it, and the real peers (an
emulator, a broker, a database, a browser ...) as Debian packages where this user may. Peers that are missing
then make their tests fail by name, unless left out: `--without qemu`, or BENCHD_WITHOUT="qemu chromium".
Uses the standard library only; ends with the tests' exit code.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
VENV = ROOT / ".venv"
PACKAGES = {
    "qemu-system-i386": "qemu-system-x86",
    "udevadm": "udev",
    "nasm": "nasm",
    "mosquitto": "mosquitto",
    "promtool": "prometheus",
    "pg_ctlcluster": "postgresql",
    "tshark": "tshark",
    "chromium": "chromium",
    "chromedriver": "chromium-driver",
    "romheaders": "fcode-utils",
    "openssl": "openssl",
    "systemd-sysusers": "systemd",
    "npm": "npm",
    "node": "nodejs",
    "arm-none-eabi-gcc": "gcc-arm-none-eabi",
    "dosbox": "dosbox",
    "ts": "moreutils",
    "script": "bsdutils",
    "/usr/share/seabios/bios-256k.bin": "seabios",
    "/usr/lib/ipxe/qemu/pxe-e1000.rom": "ipxe-qemu",
    "/usr/share/qemu/linuxboot.bin": "qemu-system-data",
    "/usr/lib/u-boot/qemu-x86/u-boot.rom": "u-boot-qemu",
    "/boot/memtest86+ia32.bin": "memtest86+",
}
"""Program or file: the Debian package that brings it."""


PARTS = (
    ("-m", "not slow and not alone and not long", "-n", "2", "--dist", "loadfile"),
    ("-m", "alone and not slow and not long"),
    ("-m", "slow and not long"),
    ("-m", "long"),
)
"""Pytest's arguments for each part."""


def run(*command: str, **more: object) -> int:
    print("+", " ".join(command), flush=True)
    return subprocess.run(command, cwd=ROOT, check=False, **more).returncode  # type: ignore[call-overload]


def missing() -> list[str]:
    path = os.environ["PATH"]
    return [p for p in PACKAGES if not (Path(p).exists() if p.startswith("/") else shutil.which(p, path=path))]


def install_peers() -> None:
    wanted = sorted({PACKAGES[name] for name in missing()})
    if not wanted:
        return
    if os.geteuid() != 0 or shutil.which("apt-get") is None:
        print(f"missing peers, install them yourself: {' '.join(wanted)}")
        return
    quiet = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
    run("apt-get", "-qq", "update", env=quiet)
    for package in wanted:  # one by one: one that cannot be had must not keep the others away
        run("apt-get", "-qq", "install", "-y", "--no-install-recommends", package, env=quiet)


def main() -> int:
    os.environ["PATH"] += os.pathsep + "/usr/sbin:/sbin"
    install_peers()
    run(sys.executable, "tests/rig/packages.py")  # the guest's kernel: into a cache, never installed
    if not (VENV / "bin/python").exists() and run(sys.executable, "-m", "venv", str(VENV)):
        return 1
    python = str(VENV / "bin/python")
    if run(python, "-m", "pip", "install", "-q", "--disable-pip-version-check", "-e", ".[test]"):
        return 1
    if run(python, "-m", "ruff", "check", "."):
        return 1
    if run(python, "-m", "mypy"):
        return 1
    arguments = [word for word in sys.argv[1:] if word not in ("--everyday", "--long")]
    if any(not word.startswith("-") for word in arguments):
        return run(python, "-m", "pytest", *arguments)
    parts = PARTS[: 2 if "--everyday" in sys.argv else 4 if "--long" in sys.argv else 3]
    return max([run(python, "-m", "pytest", *part, *arguments) for part in parts])


if __name__ == "__main__":
    sys.exit(main())
