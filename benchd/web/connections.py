"""Open connections, bounded before anything is read: how many there may be, and how long one may say nothing."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import time
from collections import Counter
from collections.abc import Iterator
from typing import Any, TypeAlias

log = logging.getLogger(__name__)

CONNECTIONS_MOST = 128
IDLE_S = 10.0
"""A connection on which no request is being answered is closed after this long."""
LOOK_S = 1.0
TOLD_S = 60.0
"""What was closed or refused is logged this often at most."""

HELD = 256

Peer: TypeAlias = tuple[str, int]
"""Address and port of the other end: one connection at a time has them."""


class Connections:
    """The connections of one server, oldest first. Where there are too many, the oldest idle one gives way."""

    def __init__(self, most: int = CONNECTIONS_MOST, idle_s: float = IDLE_S) -> None:
        self._most, self._idle_s = most, idle_s
        self._open: dict[Peer, tuple[socket.socket, float]] = {}
        self._busy: Counter[Peer] = Counter()
        self._closed = 0
        self._told = float("-inf")

    def __len__(self) -> int:
        return len(self._open)

    def admit(self, sock: socket.socket, peer: Peer) -> bool:
        """Take a new connection in; False where all that are open are being served."""
        if len(self._open) >= self._most:
            self._closed += 1
            self._tell()
            idle = next((one for one in self._open if not self._busy[one]), None)
            if idle is None:
                return False
            self.close(idle)
        self._open[peer] = (sock, time.monotonic())
        return True

    def forget(self, sock: socket.socket, peer: Peer) -> None:
        """A connection is closed."""
        if self._open.get(peer, (None,))[0] is sock:
            del self._open[peer]

    def close(self, peer: Peer) -> None:
        """Hang up on a peer; its transport sees the end and closes."""
        if (held := self._open.pop(peer, None)) is not None:
            with contextlib.suppress(OSError):
                held[0].shutdown(socket.SHUT_RDWR)

    @contextlib.contextmanager
    def serving(self, peer: Peer) -> Iterator[None]:
        """While a request of `peer` is answered, its connection stays."""
        self._busy[peer] += 1
        try:
            yield
        finally:
            self._busy[peer] -= 1
            if not self._busy[peer]:
                del self._busy[peer]
            if (held := self._open.get(peer)) is not None:
                self._open[peer] = (held[0], time.monotonic())

    async def watch(self) -> None:
        """Close what is idle for too long, without end."""
        while True:
            await asyncio.sleep(LOOK_S)
            oldest = time.monotonic() - self._idle_s
            for peer in [one for one, (_, since) in self._open.items() if since < oldest and not self._busy[one]]:
                self.close(peer)

    def _tell(self) -> None:
        if (now := time.monotonic()) - self._told >= TOLD_S:
            log.warning("%d connections to the page are open, which is the most; %d were closed or refused",
                        len(self._open), self._closed)  # fmt: skip
            self._told, self._closed = now, 0


class Listener(socket.socket):
    """A listening socket whose connections are bounded by `connections`."""

    connections: Connections

    def listen(self, backlog: int = HELD) -> None:
        """The system holds more than are taken at one look: who comes in a rush need not try again after a second."""
        super().listen(max(backlog, HELD))

    def accept(self) -> tuple[socket.socket, Any]:
        """Return a connection and its address. Raises ConnectionAbortedError for one that was refused."""
        taken, address = super().accept()
        kept = _Held(fileno=taken.detach())
        kept.peer, kept.connections = address[:2], self.connections
        if not self.connections.admit(kept, kept.peer):
            kept.close()
            raise ConnectionAbortedError
        return kept, address


class _Held(socket.socket):
    peer: Peer
    connections: Connections

    def close(self) -> None:
        self.connections.forget(self, self.peer)
        super().close()
