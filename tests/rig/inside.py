"""What tests run inside the guest: readers on its ports, and questions to its kernel."""

from __future__ import annotations

import fcntl
import glob
import os
import re
import struct
import subprocess
import termios
import time
from pathlib import Path
from typing import Any

from links.port_rig import Box, until

from benchd.decode import framing_of
from benchd.links.reader import LinkReader
from benchd.links.settings import PortSettings
from benchd.links.tries import Retry
from benchd.vocabulary.records import Chunk, LineFault, LinkInfo, LinkState, ModemLines

__all__ = ["Reading", "glob", "gone", "lines_off", "loop", "os", "stop_all", "subprocess", "there", "time"]

running: list[Reading] = []


class Reading:
    """A reader at work on `port`; what it delivered so far, in plain values."""

    def __init__(
        self, port: str, *, kind: str = "console", framing: str = "text", slow: bool = False, **more: Any
    ) -> None:
        self.box = Box()
        info = LinkInfo("link", kind, framing, port=port)  # type: ignore[arg-type]
        retry = Retry(base_s=3600, path_cap_s=3600, cap_s=3600) if slow else None
        scoring = framing_of(info).hunt
        self.reader = LinkReader(info, PortSettings(port, **more), self.box.queue.put, retry=retry, scoring=scoring)
        self.reader.start()
        running.append(self)

    def states(self) -> list[tuple[bool, str, int | None, int | None]]:
        return [(s.up, s.reason, s.speed, s.latency_ns) for s in self.box.states()]

    def up(self, count: int = 1) -> str:
        return self.box.wait_state(True, count).reason

    def down(self, count: int = 1) -> str:
        return self.box.wait_state(False, count).reason

    def hex(self) -> str:
        return self.box.data().hex()

    def got(self, size: int) -> str:
        """Wait for so many bytes; return all as hex digits."""
        until(lambda: len(self.box.data()) >= size, f"{size} bytes")
        return self.hex()

    def told(self) -> list[Any]:
        """Bytes (as hex digits), faults and lines in their order."""
        out: list[Any] = []
        for record in self.box.look():
            match record:
                case Chunk():
                    out.append(record.data.hex())
                case LineFault():
                    out.append([record.fault, record.count])
                case ModemLines():
                    out.append([record.cts, record.dsr, record.ri, record.cd])
        return out

    def up_after(self, device: str, count: int) -> float:
        """Return how long after the driver had `device` the link was up for the `count`-th time (s)."""
        up = self.box.wait_state(True, count)
        log = subprocess.run(["dmesg"], capture_output=True, text=True, check=True).stdout
        came = re.findall(rf"^\[ *([\d.]+)\] .*now attached to {device}$", log, re.M)
        return up.t_ns / 1e9 - float(came[-1])

    def last_state(self) -> LinkState:
        return self.box.states()[-1]


def stop_all() -> None:
    while running:
        assert running.pop().reader.stop(20)


def there(*paths: str) -> None:
    """Wait until `paths` are there."""
    until(lambda: all(os.path.exists(path) for path in paths), f"{paths}")


def gone() -> None:
    """Wait until no adapter is plugged in."""
    until(lambda: not glob.glob("/dev/ttyUSB*"), "adapters gone")


def loop(port: str, on: bool = True) -> int:
    """Join a UART's outputs to its inputs inside the part, as a loop-back plug does outside; return a descriptor."""
    fd = os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    fcntl.ioctl(fd, termios.TIOCMBIS if on else termios.TIOCMBIC, struct.pack("i", 0x8000))  # TIOCM_LOOP
    return fd


def lines_off(number: int) -> bool:
    """Whether the driver says that a built-in port asserts neither DTR nor RTS."""
    text = Path("/proc/tty/driver/serial").read_text()
    line = next(one for one in text.splitlines() if one.startswith(f"{number}:"))
    return "DTR" not in line and "RTS" not in line
