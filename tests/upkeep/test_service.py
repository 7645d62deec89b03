"""The service's files: systemd's own tools accept them, and what they promise is so."""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from support.daemon import benchd

from benchd.errors import UsageError
from benchd.sdnotify import keep_watchdog
from benchd.settings import load_settings
from benchd.upkeep.service import ARCHIVE_UNIT, SETTINGS, UNIT, archive_unit_text, install, unit_text

WORST = "20"
"""Exposure as systemd reckons it, of 100: it calls up to 20 safe (systemd-analyze(1))."""


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    (tmp_path / "own.toml").write_text("[table]\n")
    (tmp_path / "token").write_text("sesame\n")
    text = (
        '[bench]\nname = "attic"  # up there\n[http]\ntoken_file = "token"\n'
        '[[machine]]\nname = "pc"\nrules = "own.toml"\n'
        '[[machine.link]]\nkind = "post"\nport = "/dev/none"\n'
    )
    (tmp_path / "bench.toml").write_text(text)
    return tmp_path / "bench.toml"


def systemd(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.peer("systemd")
@pytest.mark.parametrize("text", [unit_text, archive_unit_text])
def test_the_unit_is_accepted_and_hardened(tmp_path: Path, text: Callable[[str], str]) -> None:
    """`systemd-analyze verify` says nothing, `security` finds little that is left open."""
    unit = tmp_path / "benchd.service"
    unit.write_text(text("/bin/true"))
    done = systemd("systemd-analyze", "verify", "--man=no", str(unit))
    told = [line for line in done.stderr.splitlines() if "benchd" in line]
    assert not told
    unit.write_text(text("/bin/true").replace("RestartSec", "RestartSecond"))
    assert "benchd" in systemd("systemd-analyze", "verify", "--man=no", str(unit)).stderr, "it does look"
    unit.write_text(text("/bin/true"))
    security = ("systemd-analyze", "security", "--offline=true", f"--threshold={WORST}")
    done = systemd(*security, str(unit))
    assert done.returncode == 0, done.stdout
    unit.write_text("[Service]\nExecStart=/bin/true\n")
    assert systemd(*security, str(unit)).returncode, "it does weigh"


@pytest.mark.peer("systemd")
def test_the_archive_is_a_second_service(tmp_path: Path) -> None:
    """Its unit and account are written beside the bench's; what is left to do by hand is told while it is not done."""
    told = benchd("service", "--archive")
    assert " archive run --config /etc/benchd/archive.toml\n" in told and "User=benchd-archive\n" in told
    assert "DeviceAllow" not in told and "dialout" not in told
    root = tmp_path / "root"
    told = benchd("service", "--archive", "--install", "--root", str(root))
    assert "archive.toml is not there yet" in told and "systemctl enable --now benchd-archive" in told
    assert (root / ARCHIVE_UNIT.relative_to("/")).read_text().startswith("[Unit]")
    (root / "etc/benchd").mkdir()
    (root / "etc/benchd/archive.toml").write_text("[archive]\n")
    again = benchd("service", "--archive", "--install", "--root", str(root))
    assert "by hand" not in again and "written" not in again
    (root / "etc/group").write_text("root:x:0:\n")
    (root / "etc/passwd").write_text("root:x:0:0:root:/root:/bin/sh\n")
    done = systemd("systemd-sysusers", f"--root={root}", "benchd-archive.conf")
    assert done.returncode == 0, done.stderr
    assert "benchd-archive:" in (root / "etc/passwd").read_text()


@pytest.mark.peer("systemd")
def test_the_account_is_made(tmp_path: Path, settings: Path) -> None:
    """systemd-sysusers makes the user, in the group of the serial ports."""
    install(load_settings(settings), "/opt/benchd/bin/benchd", tmp_path / "root")
    account = tmp_path / "root/etc/sysusers.d/benchd.conf"
    (tmp_path / "root/etc/group").write_text("root:x:0:\ndialout:x:20:\n")
    (tmp_path / "root/etc/passwd").write_text("root:x:0:0:root:/root:/bin/sh\n")
    done = systemd("systemd-sysusers", f"--root={tmp_path / 'root'}", "benchd.conf")
    assert done.returncode == 0, f"{done.stderr}{account.read_text()}"
    assert "/var/lib/benchd" in (tmp_path / "root/etc/passwd").read_text()
    assert "dialout:x:20:benchd" in (tmp_path / "root/etc/group").read_text()


def test_installing_writes_nothing_over(tmp_path: Path, settings: Path) -> None:
    """Settings come with their table and other data; a second time all is there; another's file stays as it is."""
    root = tmp_path / "root"
    told = benchd("service", "--install", "--root", str(root), "--config", str(settings))
    assert "systemctl enable --now benchd" in told and "token: copy it to /etc/benchd" in told
    copied = load_settings(root / SETTINGS.relative_to("/"))
    assert copied.data == Path("/var/lib/benchd") and "# up there" in copied.path.read_text()
    assert (copied.base / "own.toml").read_bytes() == (settings.parent / "own.toml").read_bytes()
    assert not (copied.base / "token").exists()
    again = benchd("service", "--install", "--root", str(root), "--config", str(settings))
    assert "written" not in again and "was there" in again
    unit = root / UNIT.relative_to("/")
    unit.write_text("[Unit]\n")
    benchd("service", "--install", "--root", str(root), "--config", str(settings), code=2)
    with pytest.raises(UsageError, match="says something else"):
        install(load_settings(settings), "/opt/benchd/bin/benchd", root)
    assert unit.read_text() == "[Unit]\n"


def test_without_install_it_prints_the_unit() -> None:
    """What is printed is the unit, for whoever wants to place it by hand."""
    told = benchd("service")
    assert told.startswith("[Unit]") and "WantedBy=multi-user.target" in told
    program = next(line for line in told.splitlines() if line.startswith("ExecStart=")).split("=", 1)[1].split()[0]
    assert Path(program).is_absolute() and shutil.which(program) == program


@pytest.mark.parametrize(("limit", "pid", "asked"), [("200000", None, True), ("200000", "1", False), ("", None, False)])
def test_the_watchdog_hears_twice_within_its_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, limit: str, pid: str | None, asked: bool
) -> None:
    """While the loop turns, and only where it was asked for, of this process (sd_watchdog_enabled(3))."""
    monkeypatch.setenv("WATCHDOG_USEC", limit)
    monkeypatch.setenv("WATCHDOG_PID", pid or str(os.getpid()))
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "n"))
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "n"))
        manager.setblocking(False)

        async def some() -> None:
            task = asyncio.create_task(keep_watchdog())
            for _ in range(1000):
                await asyncio.sleep(0.01)
                if task.done() or len(heard) >= 3:
                    break
                try:
                    heard.append(manager.recv(100))
                except BlockingIOError:
                    continue
            task.cancel()

        heard: list[bytes] = []
        asyncio.run(some())
    assert heard == ([b"WATCHDOG=1"] * 3 if asked else [])
