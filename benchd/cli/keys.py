"""Single keys from the terminal, while something else is drawn there."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import termios
import threading
import tty
from collections.abc import Callable, Iterator

LOOK_S = 0.2
NAMES = {
    b"\x1b[A": "up", b"\x1b[B": "down", b"\x1bOA": "up", b"\x1bOB": "down", b"\x1b[5~": "page-up",
    b"\x1b[6~": "page-down", b"\x1b[H": "home", b"\x1b[F": "end", b" ": "page-down", b"\x1b": "escape",
}  # fmt: skip
"""What terminals send for keys without a letter (ECMA-48 cursor keys, as xterm and the Linux console send them)."""


@contextlib.contextmanager
def keys(pressed: Callable[[str], None]) -> Iterator[None]:
    """Call `pressed` with a key's name or letter, in a thread, as long as the block lasts; not without a terminal."""
    fd = sys.stdin.fileno() if sys.stdin is not None and sys.stdin.isatty() else -1
    if fd < 0:
        yield
        return
    before = termios.tcgetattr(fd)
    ended = threading.Event()

    def listen() -> None:
        while not ended.is_set():
            if select.select([fd], [], [], LOOK_S)[0]:
                got = os.read(fd, 16)
                if not got:
                    return
                pressed(NAMES.get(got) or got[:1].decode("ascii", "replace"))

    thread = threading.Thread(target=listen, name="keys", daemon=True)
    tty.setcbreak(fd)  # Ctrl-C still ends the watching
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join(2 * LOOK_S)
        termios.tcsetattr(fd, termios.TCSADRAIN, before)
