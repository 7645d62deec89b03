"""Who has a port open: other programs, as far as /proc shows them to this user, and the links of this process."""

from __future__ import annotations

import os
import threading
from pathlib import Path

_own: dict[str, str] = {}
_lock = threading.Lock()


def claim(device: str, link: str) -> str:
    """Note that `link` of this process opens `device`; return the link that has it already, or ""."""
    with _lock:
        return "" if (has := _own.setdefault(os.path.realpath(device), link)) == link else has


def give_up(link: str) -> None:
    """Note that `link` has its device no more."""
    with _lock:
        for real in [real for real, has in _own.items() if has == link]:
            del _own[real]


def holders(device: str, proc: Path = Path("/proc")) -> tuple[str, ...]:
    """Return the programs that have `device` open, "name (process N)", without this process itself.

    Programs of other users are visible to root only.
    """
    real = os.path.realpath(device)
    found: list[str] = []
    try:
        processes = [entry for entry in os.listdir(proc) if entry.isdigit() and int(entry) != os.getpid()]
    except OSError:
        return ()
    for pid in sorted(processes, key=int):
        try:
            links = os.listdir(proc / pid / "fd")
        except OSError:
            continue
        for link in links:
            try:
                if os.readlink(proc / pid / "fd" / link) != real:
                    continue
                name = (proc / pid / "comm").read_text(errors="replace").strip() or "?"
            except OSError:
                continue
            found.append(f"{name} (process {pid})")
            break
    return tuple(found)
