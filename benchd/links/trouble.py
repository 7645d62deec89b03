"""What is wrong with a port, as a state name and a sentence that says what to do."""

from __future__ import annotations

import errno
import socket
import termios
from dataclasses import dataclass
from typing import Literal

State = Literal["new", "opening", "up", "absent", "denied", "busy", "gone", "unreachable", "unfit", "stopped"]
"""States of a link:

new          not started yet
opening      the first attempt is under way
up           open and read
absent       there is no such port
denied       no permission to open it
busy         somebody else has it
gone         it went away while it was open (unplugged, adapter reset, far end closed)
unreachable  the network port does not answer
unfit        it is there but will not work as a serial port with these settings
stopped      closed on request
"""

DOWN_STATES: tuple[State, ...] = ("absent", "denied", "busy", "gone", "unreachable", "unfit")

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


def why_not_open(error: BaseException, port: str, users: str = "") -> Trouble:
    """Return what an exception at opening `port` means. `users` names who has it open, if known."""
    network = port.lower().startswith(("socket://", "rfc2217://"))
    number = error_number(error)
    if any(isinstance(item, socket.gaierror) for item in _chain(error)):
        return Trouble("unreachable", f"{port}: the host name is not known; check the name and the network")
    if any(isinstance(item, TimeoutError) for item in _chain(error)) and network:
        number = errno.ETIMEDOUT
    state = _BY_ERRNO.get(number or 0, "unreachable" if network else "unfit")
    if network and state in ("absent", "busy"):
        state = "unreachable"
    detail = str(error).strip() or type(error).__name__
    match state:
        case "absent" if number == errno.EIO:
            text = f"{port}: the device file is there but no working port is behind it; try another port"
        case "absent":
            text = f"{port}: no such port; plug the adapter in, or look for its name with `benchd ports`"
        case "denied":
            text = (
                f"{port}: no permission; add your user to the port's group (`ls -l {port}` shows it, often "
                "dialout) and log in again"
            )
        case "busy":
            by = f" by {users}" if users else " by another program or another link"
            text = f"{port}: in use{by}; close that program first"
        case "unreachable":
            text = f"{port}: does not answer ({detail}); check address, port number and that the server runs"
        case "unfit" if number == errno.ENOTTY:
            text = f"{port}: not a serial port; look for its name with `benchd ports`"
        case _:
            text = f"{port}: will not work with these settings ({detail}); check path, data bits and parity"
    return Trouble(state, text)


def why_gone(error: BaseException | None, port: str) -> Trouble:
    """Return what an exception while reading the open `port` means."""
    if port.lower().startswith(("socket://", "rfc2217://")):
        return Trouble("gone", f"{port}: the far end closed the connection; waiting for it to come back")
    detail = f" ({str(error).strip()})" if error is not None and str(error).strip() else ""
    text = f"{port}: the port went away{detail}; plug the adapter back in, reading goes on by itself"
    return Trouble("gone", text)
