"""Telling a service manager how the daemon is (sd_notify(3): one datagram to $NOTIFY_SOCKET)."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket


def notify(state: str) -> bool:
    """Send newline-separated assignments such as `READY=1`; False where no service manager listens."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.sendto(state.encode(), address)
        return True
    return False


def watchdog_s() -> float | None:
    """Within how many seconds the service manager wants to hear of this process (sd_watchdog_enabled(3)), if at all."""
    with contextlib.suppress(ValueError):
        limit_us = int(os.environ.get("WATCHDOG_USEC", "0"))
        for_us = int(os.environ.get("WATCHDOG_PID", os.getpid())) == os.getpid()
        if limit_us > 0 and for_us:
            return limit_us / 1e6
    return None


async def keep_watchdog() -> None:
    """Tell the service manager twice within its limit that this event loop turns; at once nothing where it asks not."""
    limit_s = watchdog_s()
    while limit_s is not None:
        notify("WATCHDOG=1")
        await asyncio.sleep(limit_s / 2)
