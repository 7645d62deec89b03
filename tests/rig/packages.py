#!/usr/bin/env python3
"""Fetch what the guest of the link tests boots from: Debian's kernel for amd64 and a static busybox.

The packages are downloaded and unpacked into a cache outside the tree, never installed. Needs apt-get and dpkg-deb,
no rights. `python3 tests/rig/packages.py` does it by hand; tests/all.py does it by itself. Standard library only.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

CACHE = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "benchd-tests"
KERNEL = CACHE / "guest"
WANTED = (
    "./boot/vmlinuz-*",
    "./bin/busybox",
    "./usr/bin/busybox",
    *(
        f"*/kernel/{folder}/*.ko"
        for folder in ("drivers/usb", "drivers/virtio", "drivers/char", "fs/9p", "fs/netfs", "fs/fscache", "net/9p")
    ),
)
"""What is unpacked of the packages: 30 MB of 400."""


def kernel_image() -> Path | None:
    """Return the cached kernel, or None before it was fetched."""
    if not (busybox().exists() and (found := sorted(KERNEL.glob("boot/vmlinuz-*")))):
        return None
    return found[-1]


def busybox() -> Path:
    """Return where the static busybox lies, once fetched."""
    found = [path for path in (KERNEL / "bin/busybox", KERNEL / "usr/bin/busybox") if path.is_file()]
    return found[0] if found else KERNEL / "bin/busybox"


def modules() -> dict[str, Path]:
    """Return the cached kernel modules by name, with underscores."""
    return {path.stem.replace("-", "_"): path for path in KERNEL.glob("**/*.ko")}


def fetch() -> None:
    """Download and unpack what is not in the cache. Raises OSError, CalledProcessError, IndexError (no package)."""
    if kernel_image() is not None:
        return
    KERNEL.mkdir(parents=True, exist_ok=True)
    depends = subprocess.run(
        ["apt-cache", "depends", "linux-image-amd64"], check=True, capture_output=True, text=True
    ).stdout
    kernel = re.findall(r"Depends: (linux-image-\S+)", depends)[0]
    with tempfile.TemporaryDirectory(dir=CACHE) as folder:
        subprocess.run(["apt-get", "-qq", "download", kernel, "busybox-static"], check=True, cwd=folder)
        for package in sorted(Path(folder).glob("*.deb"), reverse=True):  # the kernel last: it is looked for
            with subprocess.Popen(["dpkg-deb", "--fsys-tarfile", str(package)], stdout=subprocess.PIPE) as tar:
                wanted = [w for w in WANTED if ("busybox" in w) == package.name.startswith("busybox")]
                command = ["tar", "-x", "--wildcards", "-C", str(KERNEL), "-f", "-", *wanted]
                # tar ends with 2 where one of several places of busybox does not exist.
                subprocess.run(command, check=False, stdin=tar.stdout, stderr=subprocess.DEVNULL)
    if kernel_image() is None:
        raise FileNotFoundError(f"{KERNEL}: kernel or busybox missing after unpacking {kernel}")


if __name__ == "__main__":
    try:
        fetch()
    except (OSError, subprocess.CalledProcessError, IndexError) as error:
        sys.exit(f"the guest's kernel cannot be had: {error}")
    print(kernel_image())
