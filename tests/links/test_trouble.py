"""Each thing that goes wrong with a port has one name and a sentence that says where and what to do."""

from __future__ import annotations

import errno
import socket
import termios

import pytest
import serial

from benchd.links.trouble import DOWN_STATES, error_number, why_gone, why_not_open

# Errors as pyserial 3.5 raises them (measured): SerialException(errno, text), bare OSError, termios.error.
CASES = [
    (serial.SerialException(errno.ENOENT, "could not open port"), "/dev/ttyUSB0", "absent", "no such port"),
    (serial.SerialException(errno.ENXIO, "no device"), "/dev/ttyUSB0", "absent", "no such port"),
    (termios.error(errno.EIO, "Input/output error"), "/dev/ttyS3", "absent", "no working port is behind it"),
    (serial.SerialException(errno.EACCES, "denied"), "/dev/ttyUSB0", "denied", "add your user"),
    (PermissionError(errno.EPERM, "denied"), "/dev/ttyUSB0", "denied", "add your user"),
    (serial.SerialException(errno.EBUSY, "busy"), "/dev/ttyUSB0", "busy", "close that program"),
    (serial.SerialException(errno.EAGAIN, "Could not exclusively lock port"), "/dev/x", "busy", "in use"),
    (
        termios.error(errno.EINVAL, "Invalid argument"),
        "/dev/ttyUSB0",
        "unfit",
        "check path, data bits and parity",
    ),
    (ValueError("Invalid baud rate"), "/dev/ttyUSB0", "unfit", "Invalid baud rate"),
    (OSError(errno.ENOTTY, "not a tty"), "/dev/null", "unfit", "not a serial port"),
    (ConnectionRefusedError(errno.ECONNREFUSED, "refused"), "socket://h:1", "unreachable", "does not answer"),
    (TimeoutError("timed out"), "socket://h:1", "unreachable", "does not answer"),
    (socket.gaierror(-2, "Name or service not known"), "rfc2217://h:1", "unreachable", "host name"),
    (
        serial.SerialException("Remote does not seem to support RFC2217"),
        "rfc2217://h:1",
        "unreachable",
        "support",
    ),
]


@pytest.mark.parametrize(("error", "port", "state", "part"), CASES)
def test_names_and_advice(error: Exception, port: str, state: str, part: str) -> None:
    """State, place and advice, whether the error comes bare or wrapped."""
    found = why_not_open(error, port)
    assert found.state == state
    assert state in DOWN_STATES
    assert part in found.message
    assert found.message.startswith(f"{port}: ")
    try:
        try:
            raise error
        except Exception as inner:
            raise serial.SerialException("Could not open") from inner
    except serial.SerialException as wrapped:
        assert why_not_open(wrapped, port).state == state


def test_the_user_of_a_port_is_named() -> None:
    """With a known holder the sentence names it."""
    error = serial.SerialException(errno.EBUSY, "busy")
    assert "in use by term (process 7)" in why_not_open(error, "/dev/x", "term (process 7)").message


def test_gone() -> None:
    """A network end that closes is not an adapter to plug in."""
    assert "far end closed" in why_gone(OSError("x"), "socket://h:1").message
    text = why_gone(OSError(errno.EIO, "Input/output error"), "/dev/ttyUSB0").message
    assert "the disk or device failed" in text
    assert "plug the adapter back in" in text
    assert why_gone(None, "/dev/ttyUSB0").state == "gone"


def test_error_number_ends_on_loops() -> None:
    """Exceptions that point at each other do not hang the search."""
    a, b = OSError("a"), OSError("b")
    a.__context__, b.__context__ = b, a
    assert error_number(a) is None
