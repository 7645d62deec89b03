"""Told by the kernel (inotify) when a port turns up, and when somebody else opens one that is being read."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from inotify_simple import INotify, flags

COMING = flags.CREATE | flags.MOVED_TO | flags.ATTRIB
"""ATTRIB: a new device belongs to root until its rights are set."""
USING = flags.OPEN | flags.CLOSE_WRITE | flags.CLOSE_NOWRITE


class Lookout:
    """What one link watches. Without inotify (no more watches are to be had) it tells nothing: tries go on by time."""

    def __init__(self) -> None:
        self._inotify: INotify | None = None
        self._watched: dict[str, int] = {}
        with contextlib.suppress(OSError, AttributeError):
            self._inotify = INotify(nonblocking=True)

    def fileno(self) -> int:
        """Return the descriptor that becomes readable, or -1."""
        return -1 if self._inotify is None else self._inotify.fileno()

    def expect(self, port: str) -> None:
        """Watch the folders through which `port` must come, those that exist; and /dev for another number of it."""
        folders = {str(folder) for folder in Path(port).parents if folder.is_dir()}
        nearest = max(folders, key=len, default="/dev")
        within_dev = {folder for folder in folders if folder.startswith("/dev")}
        self._watch({nearest} | within_dev, COMING)

    def guard(self, device: str) -> None:
        """Watch who opens and closes `device`."""
        self._watch({os.path.realpath(device)}, USING)

    def _watch(self, paths: set[str], mask: int) -> None:
        if self._inotify is None:
            return
        for path in self._watched.keys() - paths:
            with contextlib.suppress(OSError):  # it went away, and its watch with it
                self._inotify.rm_watch(self._watched[path])
            del self._watched[path]
        for path in paths:
            with contextlib.suppress(OSError):
                self._watched[path] = self._inotify.add_watch(path, mask)

    def drain(self) -> bool:
        """Take what the kernel told; return whether it was anything."""
        if self._inotify is None:
            return False
        told = list(self._inotify.read(timeout=0))
        gone = {event.wd for event in told if event.mask & flags.IGNORED}
        self._watched = {path: number for path, number in self._watched.items() if number not in gone}
        return any(event.mask & (COMING | USING) for event in told)

    def close(self) -> None:
        if self._inotify is not None:
            self._inotify.close()
            self._inotify = None
