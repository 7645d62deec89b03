"""A sender whose bytes come garbled where the reader's pty is set to another speed than it sends at."""

from __future__ import annotations

import os
import termios
import threading

from links.uart_sim import Line, plain, sample

from benchd.links.lines import STANDARD_RATES

RATES = {getattr(termios, f"B{rate}"): rate for rate in STANDARD_RATES}


class Target:
    """Sends the first `size` bytes of `data` over and over; what arrives depends on the speed the reader has set."""

    def __init__(self, master: int, data: bytes, rate: int, size: int = 400, pause_s: float = 0.01) -> None:
        self.master, self.data, self.rate = master, data, rate
        self.size, self.pause_s = size, pause_s
        self.tried: list[int] = []
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        known: dict[tuple[int, int], bytes] = {}
        while not self.stop.wait(self.pause_s):
            read_at = RATES[termios.tcgetattr(self.master)[5]]
            if not self.tried or self.tried[-1] != read_at:
                self.tried.append(read_at)
            key = self.rate, read_at
            if key not in known:
                line = Line()
                line.idle(0.01)
                line.send(self.data, self.rate)
                line.idle(0.05)
                known[key] = plain(sample(line, read_at))
            os.write(self.master, known[key][: self.size])

    def __enter__(self) -> Target:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop.set()
        self.thread.join()
