"""Trying to open one link's port again and again: its own adapter, nobody else's, as soon as the kernel tells of it."""

from __future__ import annotations

import errno
import random
import select
import termios
import threading
import time
from dataclasses import dataclass, replace

from benchd.links import holders
from benchd.links.identity import Adapter, adapter_of, adapters, numbered, steady_names
from benchd.links.lookout import Lookout
from benchd.links.opening import Opener, OpenPort, open_port
from benchd.links.settings import PortSettings
from benchd.links.trouble import Trouble, why_not_open

OPEN_ERRORS = (OSError, ValueError, termios.error, NotImplementedError, AttributeError)
"""What opening and setting up raises (measured for pyserial, whose SerialException is an OSError)."""

PROMPT_S = 0.01
"""After the kernel told of a new device this long passes until it is tried: what follows at once is gathered."""


@dataclass(frozen=True, slots=True)
class Retry:
    """Full jitter with a cap: the n-th wait is uniform in 0..min(cap, base * 2^n) (common practice in
    networking).

    A device path is looked for more often than a network address: looking costs nothing. Where the kernel tells
    that a device has come, it is tried at once (`Lookout`); these tries go on beside that.
    """

    base_s: float = 0.25
    cap_s: float = 10.0
    path_cap_s: float = 2.0
    steady_s: float = 2.0

    def wait_s(self, attempt: int, port: str, rng: random.Random) -> float:
        """Return how long to wait before attempt number `attempt` + 1 (0 is the first that failed)."""
        cap = self.cap_s if "://" in port else min(self.cap_s, self.path_cap_s)
        return rng.uniform(0, min(cap, self.base_s * 2 ** min(attempt, 16)))


class Tries:
    """Opens the port of `settings`, for the link that other links of this process know as `label`.

    `users` are other programs that have the open port open as well. Used by the link's thread only, but for `close`.
    """

    def __init__(self, settings: PortSettings, label: str, opener: Opener | None = None) -> None:
        self._settings, self._label, self._opener = settings, label, opener
        self._adapter: Adapter | None = None
        self.lookout = Lookout()
        self.users: tuple[str, ...] = ()
        self._seen: tuple[str, ...] = ()
        self._to_look = False
        self._looking: threading.Thread | None = None

    def open(self, rate: int) -> OpenPort | Trouble:
        """Open the port; return what stands in the way otherwise."""
        port = self._settings.port
        if "://" in port:
            return self._open(port, rate)
        self.lookout.expect(port)
        device = self._own_device()
        if isinstance(device, Trouble):
            return device
        if has := holders.claim(device, self._label):
            return Trouble("busy", f"{port}: in use by the link {has} of these settings; take one of the two out")
        adapter = adapter_of(device) if numbered(device) else None
        opened = self._open(device, rate)
        if isinstance(opened, Trouble):
            holders.give_up(self._label)
            return opened
        if device != port:
            opened.notes.append(f"the adapter is {device} by now")
        elif adapter is not None:
            self._adapter = self._adapter or adapter
            for name in steady_names(device)[:1]:
                opened.notes.append(f"{device} may be another adapter after replugging, better is port = {name}")
        self.lookout.guard(device)
        self._to_look = True
        return opened

    def _open(self, device: str, rate: int) -> OpenPort | Trouble:
        try:
            return open_port(replace(self._settings, port=device), rate, self._opener)
        except OPEN_ERRORS as error:
            found = why_not_open(error, self._settings.port)
            if found.state == "busy":
                found = why_not_open(error, self._settings.port, ", ".join(holders.holders(device)))
            return found

    def _own_device(self) -> str | Trouble:
        """Return what to open: where the port is numbered by order of coming, the adapter that it was at first."""
        port, own = self._settings.port, self._adapter
        if own is None or own.same(here := adapter_of(port)):
            return port
        for device, adapter in adapters().items():
            if own.same(adapter):
                return device
        if here is None:  # not even tried: another one may come at this very moment
            return why_not_open(FileNotFoundError(errno.ENOENT, "no such port"), port)
        return Trouble("swapped", f"{port}: another adapter is plugged in there: {here}; waiting for {own}")

    def others(self, port: OpenPort) -> bool:
        """Return whether other programs than before have `port` open; to be asked now and then.

        Looking through all processes takes some 15 ms, so it is done beside the reading, and only after the kernel
        told that the device was opened or closed.
        """
        self._to_look |= self.lookout.drain()
        if self._to_look and not (self._looking and self._looking.is_alive()):
            self._to_look = False
            self._looking = threading.Thread(target=self._look, args=(port.path,), name="who has it", daemon=True)
            self._looking.start()
        before, self.users = self.users, self._seen
        return self.users != before

    def _look(self, device: str) -> None:
        self._seen = holders.holders(device)

    def closed(self) -> None:
        """The port was closed."""
        if self._looking:
            self._looking.join()
        self.users = self._seen = ()
        self._to_look = False
        holders.give_up(self._label)

    def wait(self, seconds: float, stop: threading.Event, wake: int) -> bool:
        """Wait until it is time for the next try; return whether the kernel told of a device instead.

        Ends when `stop` is set and the descriptor `wake` readable.
        """
        poll = select.poll()
        for watched in (wake, self.lookout.fileno()):
            if watched >= 0:
                poll.register(watched, select.POLLIN)
        until = time.monotonic() + seconds
        while not stop.is_set() and (left := until - time.monotonic()) > 0:
            poll.poll(left * 1000 + 1)
            if self.lookout.drain():
                stop.wait(PROMPT_S)
                return True
        return False

    def close(self) -> None:
        self.lookout.close()
