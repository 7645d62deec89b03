"""benchd as services of systemd: unit, account, settings, as files that a person can read before they count.

A bench is one service, the archive of several benches another; both may run on one computer.

Sources: systemd.exec(5), systemd.service(5), systemd.resource-control(5), sysusers.d(5), as of systemd 252.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from benchd.errors import ExternalError, UsageError
from benchd.rules.files import shipped_dir
from benchd.settings import LoadedSettings
from benchd.tomlfile import with_values
from benchd.upkeep.backup import named_files, secret_files

USER = "benchd"
GROUP = "dialout"
"""Debian's group of the serial ports; the shipped udev rule gives USB adapters to it too."""
STATE = Path("/var/lib/benchd")
SETTINGS = Path("/etc/benchd/bench.toml")
UNIT = Path("/etc/systemd/system/benchd.service")
ACCOUNT = Path("/etc/sysusers.d/benchd.conf")
UDEV = Path("/etc/udev/rules.d/70-benchd.rules")
WATCHDOG_S = 30
STOP_S = 15
"""A stop takes 5 s at most where the store is frozen (promises.md)."""
STEPS: tuple[str, ...] = (
    "systemd-sysusers",
    "udevadm control --reload",
    "systemctl daemon-reload",
    "systemctl enable --now benchd",
    "systemctl status benchd",
)
"""What makes the files count, in order."""

ARCHIVE = "benchd-archive"
"""The archive's unit, and its account at this computer and at the database."""
ARCHIVE_STATE = Path("/var/lib/benchd-archive")
ARCHIVE_SETTINGS = Path("/etc/benchd/archive.toml")
ARCHIVE_UNIT = Path("/etc/systemd/system/benchd-archive.service")
ARCHIVE_ACCOUNT = Path("/etc/sysusers.d/benchd-archive.conf")
ARCHIVE_STEPS: tuple[str, ...] = (
    "systemd-sysusers",
    "systemctl daemon-reload",
    "systemctl enable --now benchd-archive",
    "systemctl status benchd-archive",
)


HARDENED = """\
ProtectSystem=strict
ProtectHome=yes
PrivateTmp=yes
ProtectProc=invisible
ProcSubset=all
ProtectClock=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
NoNewPrivileges=yes
CapabilityBoundingSet=
LockPersonality=yes
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
RemoveIPC=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged @resources

[Install]
WantedBy=multi-user.target
"""
"""What both units close, and when they start."""


def unit_text(program: str, user: str = USER) -> str:
    """Return the unit: `program` is the absolute path of benchd, `user` the account it runs as.

    Ports stay reachable: PrivateDevices would hide them, so devices are closed but for serial ports. Memory must stay
    writable and executable: libraries for patterns and statistics make code while they run.
    """
    return f"""\
[Unit]
Description=benchd: POST codes and boot text from the bench
After=network.target
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
WatchdogSec={WATCHDOG_S}
ExecStart={program} run --config {SETTINGS}
ExecReload=/bin/kill -HUP $MAINPID
Restart=on-failure
RestartSec=5
RestartPreventExitStatus=2
TimeoutStopSec={STOP_S}
User={user}
SupplementaryGroups={GROUP}
StateDirectory={STATE.name}
StateDirectoryMode=0750
UMask=0027

DevicePolicy=closed
DeviceAllow=char-ttyS rw
DeviceAllow=char-ttyUSB rw
DeviceAllow=char-ttyACM rw
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
{HARDENED}"""


def archive_unit_text(program: str, user: str = ARCHIVE) -> str:
    """Return the archive's unit: no devices; it goes on without broker and database until they are there."""
    return f"""\
[Unit]
Description=benchd: the archive of all benches
After=network-online.target mosquitto.service postgresql.service
Wants=network-online.target
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
WatchdogSec={WATCHDOG_S}
ExecStart={program} archive run --config {ARCHIVE_SETTINGS}
Restart=on-failure
RestartSec=5
RestartPreventExitStatus=2
TimeoutStopSec={STOP_S}
User={user}
StateDirectory={ARCHIVE_STATE.name}
StateDirectoryMode=0750
WorkingDirectory={ARCHIVE_STATE}
UMask=0027

PrivateDevices=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
{HARDENED}"""


def account_text(user: str = USER) -> str:
    """Return the account's lines for systemd-sysusers."""
    return f'u {user} - "benchd, the bench instrument" {STATE}\nm {user} {GROUP}\n'


def archive_account_text(user: str = ARCHIVE) -> str:
    """Return the archive's account for systemd-sysusers; it needs no serial ports."""
    return f'u {user} - "benchd, the archive of all benches" {ARCHIVE_STATE}\n'


@dataclass(frozen=True, slots=True)
class Installed:
    """Which files were written and which were so already; what a person must still see to."""

    written: tuple[Path, ...]
    as_wanted: tuple[Path, ...]
    by_hand: tuple[str, ...]


def install(loaded: LoadedSettings, program: str, root: Path, user: str = USER) -> Installed:
    """Write unit, account, udev rule and settings below `root` (/ for this computer); none is written over.

    Raises UsageError where a file is there and says something else, ExternalError where one cannot be written; what was
    written until then stays, and a second try goes on.
    """
    by_hand: list[str] = []
    files = {
        UNIT: unit_text(program, user).encode(),
        ACCOUNT: account_text(user).encode(),
        UDEV: (shipped_dir() / "udev/70-benchd.rules").read_bytes(),
    }
    files |= _settings(loaded, by_hand)
    return _place(files, root, program, by_hand)


def install_archive(program: str, root: Path, user: str = ARCHIVE) -> Installed:
    """Write the archive's unit and account as `install` does; its settings a person writes (archive-setup.md)."""
    files = {
        ARCHIVE_UNIT: archive_unit_text(program, user).encode(),
        ARCHIVE_ACCOUNT: archive_account_text(user).encode(),
    }
    settings = root / ARCHIVE_SETTINGS.relative_to("/")
    by_hand = [] if settings.exists() else [f"{ARCHIVE_SETTINGS} is not there yet: the settings of the archive"]
    return _place(files, root, program, by_hand)


def _place(files: dict[Path, bytes], root: Path, program: str, by_hand: list[str]) -> Installed:
    placed = {root / path.relative_to("/"): data for path, data in files.items()}
    for path, data in placed.items():
        if path.exists() and path.read_bytes() != data:
            raise UsageError(f"{path} is there and says something else: move it away, then try again")
    written: list[Path] = []
    as_wanted: list[Path] = []
    for path, data in placed.items():
        (as_wanted if path.exists() else written).append(path)
        _write(path, data)
    if program.startswith(("/home/", "/root/")):
        by_hand.append(f"{program} lies in a home folder, which the service may not see: install benchd in /opt/benchd")
    return Installed(tuple(written), tuple(as_wanted), tuple(by_hand))


def _settings(loaded: LoadedSettings, by_hand: list[str]) -> dict[Path, bytes]:
    """The settings for the service, with the tables and maps that they name beside them."""
    text = with_values(loaded.path.read_text("utf-8-sig"), "bench", {"data": str(STATE)})
    out = {SETTINGS: text.encode()}
    for path in sorted(set(named_files(loaded, by_hand))):
        try:
            out[SETTINGS.parent / path.resolve().relative_to(loaded.base.resolve())] = path.read_bytes()
        except ValueError:
            by_hand.append(f"{path} lies outside the settings' folder: the service must be able to read it")
    folder = SETTINGS.parent
    by_hand += [f"{path}: copy it to {folder}, readable by the service alone" for path in secret_files(loaded)]
    if loaded.data != STATE and loaded.data.is_dir():
        by_hand.append(f"boots so far stay in {loaded.data}: copy what is in it to {STATE} before the first start")
    return out


def _write(path: Path, data: bytes) -> None:
    if path.exists():
        return
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(f"{path.name}.part")
        part.write_bytes(data)
        os.replace(part, path)
    except OSError as error:
        raise ExternalError(f"{path}: cannot be written: {error.strerror}; run this as root") from None
