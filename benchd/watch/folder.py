"""The data directory: one daemon has it at a time."""

from __future__ import annotations

import contextlib
import fcntl
import logging
import os
from pathlib import Path

from benchd.errors import ExternalError, system_words

log = logging.getLogger(__name__)

LOCK = "benchd.lock"


def lock_data(folder: Path) -> int:
    """Make the data directory this process's own; return the descriptor that holds it. Raises ExternalError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        fd = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise ExternalError(f"data directory {folder} cannot be used: {system_words(error)}; see bench.data") from None
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        owner = os.pread(fd, 20, 0).decode("ascii", "replace").strip() or "unknown"
        os.close(fd)
        raise ExternalError(
            f"data directory {folder} is in use by another benchd (process {owner}): end that one, or name "
            "another directory in bench.data"
        ) from None
    except OSError as error:  # a file system without locks
        log.warning(
            "data directory %s cannot be locked: %s; mind that no other benchd uses it", folder, system_words(error)
        )
    os.ftruncate(fd, 0)
    # On a full disk the number is missing, the lock holds all the same.
    with contextlib.suppress(OSError):
        os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)
    return fd
