"""One end of a serial line on a pty: sends bytes at line speed and, like a UART, never waits for a reader."""

from __future__ import annotations

import os
import select
import time
import tty
from pathlib import Path

from benchd.demo.steps import BITS_PER_BYTE

_SPIN_NS = 200_000
"""The last part of a wait is done in short sleeps: a long one oversleeps by a scheduler tick at times."""


class PtyLine:
    """A pty whose other end is `path`, an ordinary terminal device that any serial program can open.

    Bytes sent while nobody has the other end open are lost, and so are those that a stalled reader leaves no
    room for (about 4 KB, the terminal's own buffer); both are counted in `lost`. `sent` counts the others.
    With `link` given, `path` is that symbolic link, which must not exist before.
    """

    def __init__(self, link: Path | None = None) -> None:
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.device = os.ttyname(slave)
        # With our own copy closed, the master end can tell by a hang-up whether a reader is there.
        os.close(slave)
        os.set_blocking(self._master, False)
        self._poll = select.poll()
        self._poll.register(self._master, 0)
        self.sent = 0
        self.lost = 0
        self._link = link
        if link is not None:
            link.symlink_to(self.device)

    @property
    def path(self) -> str:
        """What a reader opens."""
        return self.device if self._link is None else str(self._link)

    @property
    def watched(self) -> bool:
        """Whether somebody has the other end open."""
        return not any(events & select.POLLHUP for _, events in self._poll.poll(0))

    def send(self, data: bytes) -> int:
        """Send now what fits; returns how many bytes went out, the rest is lost."""
        gone = 0
        if self._master >= 0 and self.watched:
            try:
                gone = os.write(self._master, data)
            except (BlockingIOError, OSError):
                gone = 0
        self.sent += gone
        self.lost += len(data) - gone
        return gone

    def received(self, limit: int = 4096) -> bytes:
        """Bytes that the other end has sent, without waiting."""
        try:
            return os.read(self._master, limit)
        except OSError:
            return b""

    def close(self) -> None:
        """Hang up: a reader gets an input/output error, as after pulling a USB adapter. Safe to repeat."""
        if self._master < 0:
            return
        if self._link is not None:
            self._link.unlink(missing_ok=True)
        os.close(self._master)
        self._master = -1

    def __enter__(self) -> PtyLine:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


def byte_time_ns(baud: int) -> int:
    """Time that one byte takes on the wire at 8N1, in ns."""
    return BITS_PER_BYTE * 1_000_000_000 // baud


def wait_until(t_ns: int) -> None:
    """Sleep until `t_ns` on the monotonic clock."""
    while (left := t_ns - time.monotonic_ns()) > 0:
        time.sleep((left - _SPIN_NS // 2 if left > _SPIN_NS else min(left, 50_000)) / 1e9)
