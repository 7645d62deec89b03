"""What is wrong with a port, as a state name and a sentence that says what to do."""

from __future__ import annotations

import errno
import os
import socket
import termios
from dataclasses import dataclass
from typing import Literal

from benchd.errors import system_words
from benchd.links.terminal import UnfitFormat

State = Literal[
    "new", "opening", "up", "absent", "swapped", "denied", "busy", "gone", "unreachable", "unfit", "stopped"
]
"""States of a link:

new          not started yet
opening      the first attempt is under way
up           open and read
absent       there is no such port
swapped      another adapter has its name
denied       no permission to open it
busy         somebody else has it
gone         it went away while it was open (unplugged, adapter reset, far end closed)
unreachable  the network port does not answer
unfit        it is there but will not work as a serial port with these settings
stopped      closed on request
"""

DOWN_STATES: tuple[State, ...] = ("absent", "swapped", "denied", "busy", "gone", "unreachable", "unfit")

_BY_ERRNO: dict[int, State] = {
    errno.ENOENT: "absent",
    errno.ENODEV: "absent",
    errno.ENXIO: "absent",
    errno.ENOTDIR: "absent",
    errno.EIO: "absent",
    errno.EACCES: "denied",
    errno.EPERM: "denied",
    errno.EBUSY: "busy",
    errno.EAGAIN: "busy",
    errno.ECONNREFUSED: "unreachable",
    errno.ETIMEDOUT: "unreachable",
    errno.EHOSTUNREACH: "unreachable",
    errno.ENETUNREACH: "unreachable",
    errno.ECONNRESET: "unreachable",
    errno.EPIPE: "unreachable",
}


@dataclass(frozen=True, slots=True)
class Trouble:
    """Why a link is down: `state`, and `message` for people (what, where, what to do)."""

    state: State
    message: str


def _chain(error: BaseException) -> list[BaseException]:
    """Return `error` and what it was raised from: pyserial wraps the telling one."""
    out: list[BaseException] = []
    walk: BaseException | None = error
    while walk is not None and walk not in out and len(out) < 8:
        out.append(walk)
        walk = walk.__cause__ or walk.__context__
    return out


def error_number(error: BaseException) -> int | None:
    """Return the first errno found in `error` or what caused it (`termios.error` has it in args)."""
    for item in _chain(error):
        number = getattr(item, "errno", None)
        if number is None and isinstance(item, termios.error) and item.args:
            number = item.args[0]
        if isinstance(number, int) and number > 0:
            return number
    return None


_TEXTS: dict[State, str] = {
    "absent": "no such port; plug the adapter in, or look for its name with `benchd ports`",
    "denied": "no permission; add your user to the port's group (`ls -l {port}` shows it, often dialout) and log in "
    "again",
    "busy": "in use by {users}; close that program first",
    "unreachable": "does not answer ({detail}); check address, port number and that the server runs",
    "unfit": "will not work with these settings ({detail}); check path, data bits and parity",
}
_BY_NUMBER = {
    errno.EIO: "the device file is there but no working port is behind it; try another port",
    errno.ENOTTY: "not a serial port; look for its name with `benchd ports`",
}
"""Where the error number tells more than the state."""
SOMEBODY = "another program (of another user, whose name root may see)"


def why_not_open(error: BaseException, port: str, users: str = "") -> Trouble:
    """Return what an exception at opening `port` means. `users` names who has it open, if known."""
    chain = _chain(error)
    if any(isinstance(item, socket.gaierror) for item in chain):
        return Trouble("unreachable", f"{port}: the host name is not known; check the name and the network")
    if any(isinstance(item, UnfitFormat) for item in chain):
        return Trouble("unfit", f"{port}: {error}")
    state, text = _network(error, chain) if _is_network(port) else _device(error)
    detail = _detail(error)
    return Trouble(state, f"{port}: {text.format(port=port, users=users or SOMEBODY, detail=detail)}")


def _detail(error: BaseException) -> str:
    number = error_number(error)
    return system_words(OSError(number, os.strerror(number)) if number else error)


def _is_network(port: str) -> bool:
    return port.lower().startswith(("socket://", "rfc2217://"))


def _network(error: BaseException, chain: list[BaseException]) -> tuple[State, str]:
    late = any(isinstance(item, TimeoutError) for item in chain)
    state = _BY_ERRNO.get(errno.ETIMEDOUT if late else error_number(error) or 0, "unreachable")
    state = "unreachable" if state in ("absent", "busy") else state
    return state, _TEXTS[state]


def _device(error: BaseException) -> tuple[State, str]:
    number = error_number(error) or 0
    state = _BY_ERRNO.get(number, "unfit")
    return state, _BY_NUMBER.get(number, _TEXTS[state])


def why_gone(error: BaseException | None, port: str) -> Trouble:
    """Return what an exception while reading the open `port` means."""
    if _is_network(port):
        return Trouble("gone", f"{port}: the far end closed the connection; waiting for it to come back")
    detail = f" ({_detail(error)})" if error is not None and str(error).strip() else ""
    text = f"{port}: the port went away{detail}; plug the adapter back in, reading goes on by itself"
    return Trouble("gone", text)
