"""The guest's first root: busybox, the modules that bring its serial ports, and a script that goes over to the host's
own root, shared read-only, so that the very tree and environment under test run inside."""

from __future__ import annotations

import gzip
import re
import shlex
from collections.abc import Mapping, Sequence
from pathlib import Path

WANTED = ("virtio_pci", "virtio_console", "9pnet_virtio", "9p", "xhci_pci", "ftdi_sio")

INIT = """#!/busybox sh
/busybox mkdir -p /proc /sys /dev /host /bin
/busybox mount -t devtmpfs d /dev; /busybox mount -t proc p /proc; /busybox mount -t sysfs s /sys
/busybox --install -s /bin; export PATH=/bin
for m in $(cat /mods/order); do insmod /mods/$m.ko || echo "insmod $m failed" >/dev/kmsg; done
mount -t 9p -o trans=virtio,version=9p2000.L,cache=loose,msize=262144,ro host /host || echo "9p failed" >/dev/kmsg
mkdir /whole; mount --bind /host /whole
mount -t tmpfs t /host/mnt; mount -t tmpfs t /host/run; mount -t tmpfs t /host/tmp
for t in TREES; do  # a tree or an environment that lies below one of these is put back
  [ -e /host$t ] || { mkdir -p /host$t; mount --bind /whole$t /host$t; }
done
mount --bind /dev /host/dev; mkdir -p /host/dev/pts /host/dev/shm
mount -t devpts p /host/dev/pts; mount -t tmpfs t /host/dev/shm
mount --bind /proc /host/proc; mount --bind /sys /host/sys
ip link set lo up; hostname guest
mkdir -p /host/run/udev/rules.d
chroot /host /bin/sh -c 'PATH=/usr/bin:/bin:/usr/sbin:/sbin; /lib/systemd/systemd-udevd --daemon;
  export SYSTEMD_IGNORE_CHROOT=1; udevadm trigger --action=add --subsystem-match=tty --subsystem-match=usb;
  udevadm settle -t 20'
export PATH=/usr/bin:/bin:/usr/sbin:/sbin HOME=/mnt TMPDIR=/mnt PYTHONDONTWRITEBYTECODE=1 SYSTEMD_IGNORE_CHROOT=1
while :; do chroot /host AGENT >/dev/kmsg 2>&1; sleep 1; done
"""


def _needs(module: Path) -> list[str]:
    """Return the modules that `module` says it depends on (its .modinfo section)."""
    found = re.search(rb"\0depends=([^\0]*)\0", module.read_bytes())
    return [name.replace("-", "_") for name in found[1].decode().split(",") if name] if found else []


def load_order(modules: Mapping[str, Path], wanted: tuple[str, ...] = WANTED) -> list[str]:
    """Return `wanted` and what they need, each after what it needs; names not among `modules` are built in."""
    order: list[str] = []

    def add(name: str) -> None:
        if name in modules and name not in order:
            for needed in _needs(modules[name]):
                add(needed)
            order.append(name)

    for name in wanted:
        add(name)
    return order


def _entry(number: int, name: str, mode: int, data: bytes = b"", device: tuple[int, int] = (0, 0)) -> bytes:
    """Return one file of an archive in the "newc" form (Linux, Documentation/driver-api/early-userspace)."""
    fields = (number, mode, 0, 0, 1, 0, len(data), 0, 0, *device, len(name) + 1, 0)
    head = b"070701" + b"".join(b"%08X" % field for field in fields) + name.encode() + b"\0"
    head += bytes(-len(head) % 4)
    return head + data + bytes(-len(data) % 4)


def build(target: Path, busybox: Path, modules: Mapping[str, Path], agent: list[str], trees: Sequence[Path]) -> None:
    """Write the archive to `target`; `agent` is the command that serves the tests, by its path on the host.

    `trees` are folders of the host that the guest must see, wherever they lie.
    """
    order = load_order(modules)
    files: list[tuple[str, int, bytes, tuple[int, int]]] = [
        *((name, 0o40755, b"", (0, 0)) for name in ("dev", "proc", "sys", "host", "bin", "mods")),
        ("dev/console", 0o20600, b"", (5, 1)),
        ("busybox", 0o100755, busybox.read_bytes(), (0, 0)),
        (
            "init",
            0o100755,
            INIT.replace("AGENT", shlex.join(agent)).replace("TREES", shlex.join(map(str, trees))).encode(),
            (0, 0),
        ),
        ("mods/order", 0o100644, "\n".join(order).encode(), (0, 0)),
        *((f"mods/{name}.ko", 0o100644, modules[name].read_bytes(), (0, 0)) for name in order),
        ("TRAILER!!!", 0, b"", (0, 0)),
    ]
    archive = b"".join(_entry(n, *file) for n, file in enumerate(files, 1))
    target.write_bytes(gzip.compress(archive, 1))
