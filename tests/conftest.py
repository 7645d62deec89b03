"""Peers that tests run for real (an emulator, a broker, a database, a browser) and how they are found.

A test names what it needs with `@pytest.mark.peer("qemu")`. A missing peer fails the test by name, unless the
caller leaves it out: `pytest --without qemu`, or BENCHD_WITHOUT="qemu chromium".
"""

from __future__ import annotations

import os
import shutil
import signal

import pytest

PEERS = {
    "qemu": ("qemu-system-i386", "qemu-system-x86"),
    "nasm": ("nasm", "nasm"),
    "mosquitto": ("mosquitto", "mosquitto"),
    "promtool": ("promtool", "prometheus"),
    "postgresql": ("pg_ctlcluster", "postgresql"),
    "tshark": ("tshark", "tshark"),
    "chromium": ("chromium", "chromium"),
    "chromedriver": ("chromedriver", "chromium-driver"),
    "romheaders": ("romheaders", "fcode-utils"),
    "npm": ("npm", "npm"),
    "node": ("node", "nodejs"),
    "arm-gcc": ("arm-none-eabi-gcc", "gcc-arm-none-eabi"),
    "dosbox": ("dosbox", "dosbox"),
    "ipxe": ("/usr/lib/ipxe/qemu/pxe-e1000.rom", "ipxe-qemu"),
    "memtest": ("/boot/memtest86+ia32.bin", "memtest86+"),
    "uboot": ("/usr/lib/u-boot/qemu-x86/u-boot.rom", "u-boot-qemu"),
    "systemd": ("systemd-sysusers", "systemd"),
    "ts": ("ts", "moreutils"),
    "script": ("script", "bsdutils"),
    "guest": ("qemu-system-x86_64", "qemu-system-x86"),
}
"""Peer name: (program that must be on the path, or whole path of a file; Debian package that brings it)."""

os.environ["PATH"] += os.pathsep + os.pathsep.join(("/usr/sbin", "/sbin"))


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--without", action="append", default=[], metavar="PEER", help="leave tests with PEER out")


def pytest_collection_finish(session: pytest.Session) -> None:
    """A library that lets a broken pipe end the process would end a whole worker, in whatever test comes to one."""
    if signal.getsignal(signal.SIGPIPE) is not signal.SIG_IGN:
        raise pytest.UsageError(
            "a module that the tests import gave SIGPIPE its default back: import it where it is used"
        )


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "peer(name, ...): the test runs these real programs")


def pytest_runtest_setup(item: pytest.Item) -> None:
    without = set(item.config.getoption("--without")) | set(os.environ.get("BENCHD_WITHOUT", "").split())
    for mark in item.iter_markers("peer"):
        for name in mark.args:
            program, package = PEERS[name]
            if name in without:
                pytest.skip(f"left out by the caller: {name}")
            if not (os.path.exists(program) if program.startswith("/") else shutil.which(program)):
                pytest.fail(f"peer {name} is missing: install the Debian package {package}", pytrace=False)
