"""A plain TCP port, read as bytes come: what the far end sends at once is received like the rest.

pyserial's own `socket://` port throws away what came in before it had finished opening.
"""

from __future__ import annotations

import contextlib
import socket
from urllib.parse import urlsplit

CONNECT_S = 5.0
KEEPALIVE = (("TCP_KEEPIDLE", 20), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 4))
"""A far end that is gone without a word (cable out, power off) is noticed within 40 s (tcp(7))."""


class TcpPort:
    """An open TCP connection; `fd` is its descriptor, set not to block."""

    def __init__(self, url: str) -> None:
        """Connect to `socket://HOST:PORT`. Raises OSError, and ValueError where the address is none."""
        parts = urlsplit(url)
        if parts.hostname is None or parts.port is None:
            raise ValueError("socket://HOST:PORT is needed")
        self._socket = socket.create_connection((parts.hostname, parts.port), CONNECT_S)
        self._socket.setblocking(False)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for name, value in KEEPALIVE:
            if (option := getattr(socket, name, None)) is not None:  # not every system can set them
                self._socket.setsockopt(socket.IPPROTO_TCP, option, value)

    @property
    def fd(self) -> int:
        return self._socket.fileno()

    def close(self) -> None:
        """End the connection in both directions and close."""
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
