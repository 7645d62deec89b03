"""Telling a service manager how the daemon is (sd_notify(3): one datagram to $NOTIFY_SOCKET)."""

from __future__ import annotations

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
