"""What is known of the serial ports of this machine. Looking and formatting are apart."""

from __future__ import annotations

import grp
import os
import pwd
import stat
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from serial.tools import list_ports

from benchd.errors import system_words
from benchd.links.holders import holders
from benchd.links.identity import numbered, steady_names
from benchd.links.lines import latency_timer_ms, port_kind

CARD_PRODUCT = "POST-code card, bench frames"
"""What the card that benchd has plans for calls itself on USB (firmware-notes/card/firmware/usb.c)."""
CARD_FRAMING, CARD_SPEED = "bench", 4_000_000
"""How it is read. No line behind its USB has a speed: the fastest dates bytes best."""


@dataclass(frozen=True, slots=True)
class PortFacts:
    """One port. `names` are steady names under /dev/serial, the best first; `users` are "program (process N)" as /proc
    tells.

    `usb` is "VVVV:PPPP" or "". `advice` says what to do before it can be used; "" when nothing is in the way. `caution`
    says why `device` is not what to write into the settings, or "".
    """

    device: str
    kind: str
    description: str = ""
    usb: str = ""
    serial_number: str = ""
    driver: str = ""
    names: tuple[str, ...] = ()
    users: tuple[str, ...] = ()
    latency_timer_ms: int | None = None
    owner: str = ""
    mode: str = ""
    usable: bool = True
    advice: str = ""
    caution: str = ""

    @property
    def own_card(self) -> bool:
        """Whether it is the card that benchd has plans for."""
        return self.description.startswith(CARD_PRODUCT)


def _driver(device: str, sys: Path) -> str:
    link = sys / "class/tty" / os.path.basename(os.path.realpath(device)) / "device/driver"
    try:
        return os.path.basename(os.readlink(link))
    except OSError:
        return ""


def _name(find: Any, number: int) -> str:
    try:
        return str(find(number)[0])
    except KeyError:
        return str(number)


def permission_advice(device: str, group: str, mode: int, may: bool) -> str:
    """Return what to do about missing rights on `device`, or "" if `may`."""
    if may:
        return ""
    if mode & stat.S_IRGRP and mode & stat.S_IWGRP and group != "root":
        return f"no permission: add your user to the group {group} (`sudo usermod -aG {group} $USER`) and log in again"
    return f"no permission, and its group may not use it either (mode {mode & 0o777:o}): ask whoever runs this machine"


def caution_about(device: str, names: tuple[str, ...], serial_number: str) -> str:
    """Return why a numbered name is not one to rely on, and what is, or ""."""
    if not numbered(device):
        return ""
    if not names:
        return f"{device} may be another adapter after replugging, and no steady name is known: udev makes them"
    what = f"{device} may be another adapter after replugging: write the steady name"
    if serial_number or not (places := [name for name in names if "/by-path/" in name]):
        return what
    return f"{what}; it has no serial number, so with another one like it take the place: {places[0]}"


def look_at(
    device: str,
    *,
    description: str = "",
    usb: str = "",
    serial_number: str = "",
    sys: Path = Path("/sys"),
    proc: Path = Path("/proc"),
) -> PortFacts:
    """Return what /dev, /sys and /proc tell of `device`; a missing device is told in `advice`."""
    kind, names = port_kind(device), steady_names(device)
    try:
        status = os.stat(device)
    except OSError as error:
        advice = f"not there: {system_words(error)}"
        return PortFacts(device, kind, description, usb, serial_number, usable=False, advice=advice)
    group = _name(grp.getgrgid, status.st_gid)
    may = os.access(device, os.R_OK | os.W_OK)
    users = holders(device, proc)
    advice = permission_advice(device, group, status.st_mode, may)
    if not advice and users:
        advice = f"in use by {', '.join(users)}: close that program first"
    return PortFacts(
        device=device,
        kind=kind,
        description=description if description not in ("n/a", device, os.path.basename(device)) else "",
        usb=usb,
        serial_number=serial_number,
        driver=_driver(device, sys),
        names=names,
        users=users,
        latency_timer_ms=latency_timer_ms(device, sys),
        owner=f"{_name(pwd.getpwuid, status.st_uid)}:{group}",
        mode=f"{stat.S_IMODE(status.st_mode):o}",
        usable=may and not users,
        advice=advice,
        caution=caution_about(device, names, serial_number),
    )


def find_ports(listed: Iterable[Any] | None = None) -> tuple[PortFacts, ...]:
    """Return the ports of this machine, sorted by device. `listed` replaces pyserial's own search."""
    found = []
    for port in list_ports.comports() if listed is None else listed:
        usb = f"{port.vid:04X}:{port.pid:04X}" if port.vid is not None and port.pid is not None else ""
        found.append(
            look_at(
                port.device,
                description=port.description or "",
                usb=usb,
                serial_number=port.serial_number or "",
            )
        )
    return tuple(sorted(found, key=lambda facts: facts.device))


def ports_json(ports: Sequence[PortFacts]) -> list[dict[str, Any]]:
    """Return `ports` ready for JSON."""
    return [asdict(port) | {"names": list(port.names), "users": list(port.users)} for port in ports]


def ports_text(ports: Sequence[PortFacts]) -> str:
    """Return `ports` as text for people. It holds device strings: clean it for a terminal."""
    if not ports:
        return (
            "No serial port found. Plug a USB adapter in, or name a port by hand:\n"
            "  a device path, socket://HOST:PORT or rfc2217://HOST:PORT"
        )
    lines: list[str] = []
    for port in ports:
        words = [port.device, {"usb": "USB adapter", "uart": "built-in UART"}.get(port.kind, port.kind)]
        words += [port.description] if port.description else []
        lines.append("  ".join(words))
        facts = [
            ("in bench.toml", f'port = "{(port.names or (port.device,))[0]}"'),
            ("also known as", ", ".join(port.names[1:])),
            ("USB", " ".join(filter(None, (port.usb, port.serial_number)))),
            ("driver", port.driver),
            ("latency timer", f"{port.latency_timer_ms} ms" if port.latency_timer_ms is not None else ""),
            ("rights", f"{port.owner} {port.mode}".strip()),
            ("free", "" if port.advice else "yes"),
            ("to do", port.advice),
            ("caution", port.caution),
        ]
        lines += [f"    {key}: {value}" for key, value in facts if value]
    return "\n".join([*lines, "", *_snippet(ports)])


def _snippet(ports: Sequence[PortFacts]) -> list[str]:
    """Return what goes into the settings for those ports that can be used (all, where none can)."""
    shown = [port for port in ports if port.usable] or list(ports)
    lines = ["`benchd setup` asks what is at each port, listens, and writes bench.toml. By hand, this belongs there:"]
    lines += ["", "    [[machine]]", '    name = "pc"', '    rules = "record"   # or a table: `benchd rules find`']
    for port in shown:
        name = f'    port = "{(port.names or (port.device,))[0]}"'
        if port.own_card:
            lines += ["", "    [[machine.link]]", '    kind = "post"', name]
            lines += [f'    framing = "{CARD_FRAMING}"', f"    speed = {CARD_SPEED}"]
            continue
        lines += [
            "",
            "    [[machine.link]]",
            '    kind = "console"   # a null-modem cable; "post" for a diagnostic card',
        ]
        lines += [name]
        lines += ['    speed = "hunt"     # 9600 for a card']
    return lines
