"""Which USB adapter stands behind a port, so that a link is not given another one after replugging.

The kernel hands out /dev/ttyUSB0, 1, 2 in the order in which adapters come: the same name may be another adapter. Read
from /sys (Linux, Documentation/ABI/stable/sysfs-bus-usb: idVendor, idProduct, serial, product).
"""

from __future__ import annotations

import glob
import os
from dataclasses import dataclass
from pathlib import Path

from benchd.links.lines import port_kind

SYS = Path("/sys")


@dataclass(frozen=True, slots=True)
class Adapter:
    """A USB adapter: `usb` is "VVVV:PPPP"; `serial_number` may be ""; `interface` tells ports of one adapter apart;
    `place` is where on the bus it is plugged in; `name` is what it calls itself."""

    usb: str
    serial_number: str
    interface: str
    place: str
    name: str

    def same(self, other: Adapter | None) -> bool:
        """Whether `other` is the same adapter: by serial number, else by kind and place."""
        if other is None or (self.usb, self.interface) != (other.usb, other.interface):
            return False
        if self.serial_number or other.serial_number:
            return self.serial_number == other.serial_number
        return self.place == other.place

    def __str__(self) -> str:
        what = f"serial number {self.serial_number}" if self.serial_number else f"no serial number, at {self.place}"
        return f"{self.name or 'USB adapter'} ({self.usb}, {what})"


def adapter_of(port: str, sys: Path = SYS) -> Adapter | None:
    """Return the adapter behind `port`, or None where there is none, or none that /sys knows."""
    here = (sys / "class/tty" / os.path.basename(os.path.realpath(port)) / "device").resolve()
    interface = ""
    for folder in (here, *here.parents):
        if (folder / "bInterfaceNumber").is_file():
            interface = _read(folder / "bInterfaceNumber")
        if (folder / "idVendor").is_file():
            usb = f"{_read(folder / 'idVendor')}:{_read(folder / 'idProduct')}".upper()
            return Adapter(usb, _read(folder / "serial"), interface, folder.name, _read(folder / "product"))
    return None


def _read(path: Path) -> str:
    try:
        return path.read_text(errors="replace").strip()
    except OSError:
        return ""


def adapters(sys: Path = SYS) -> dict[str, Adapter]:
    """Return all USB adapters by the device that they are now."""
    found = {f"/dev/{path.name}": adapter_of(path.name, sys) for path in sorted((sys / "class/tty").glob("tty[UA]*"))}
    return {device: adapter for device, adapter in found.items() if adapter is not None}


def numbered(port: str) -> bool:
    """Whether `port` is a name that the kernel numbers by order of coming: another adapter may get it."""
    return port_kind(port) == "usb" and not os.path.islink(port) and not port.startswith("/dev/serial/")


def steady_names(device: str) -> tuple[str, ...]:
    """Return the names under /dev/serial that lead to `device`; by-id first, which follows the adapter."""
    real = os.path.realpath(device)
    return tuple(sorted(link for link in glob.glob("/dev/serial/by-*/*") if os.path.realpath(link) == real))
