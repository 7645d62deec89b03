"""Readers on socket:// and rfc2217:// URLs, against a plain TCP port and pyserial's own RFC 2217 server."""

from __future__ import annotations

import contextlib
import socket
from pathlib import Path
from typing import Any

import pytest
from links.port_rig import Box, Pty, Server, reading, until

from benchd.vocabulary.records import ModemLines

pytestmark = pytest.mark.filterwarnings("ignore:setDaemon:DeprecationWarning", "ignore:setName:DeprecationWarning")
"""pyserial 3.5 still calls them in its RFC 2217 client."""


@pytest.fixture
def box() -> Box:
    return Box()


def listen(port: int = 0) -> socket.socket:
    """Return a listening TCP socket on loopback."""
    return socket.create_server(("127.0.0.1", port))


def test_socket_bytes_close_and_return(box: Box) -> None:
    """Bytes pass; the far end closes: down once; it comes back on the same address: up, bytes go on."""
    with listen() as server:
        port = server.getsockname()[1]
        with reading(f"socket://127.0.0.1:{port}", box) as reader:
            client, _ = server.accept()
            with client:
                assert box.wait_state(True).reason == "connected"
                client.sendall(bytes(range(256)))
                box.wait_data(bytes(range(256)))
                client.sendall(b"bye")
            down = box.wait_state(False)
            assert "far end closed" in down.reason
            assert box.data() == bytes(range(256)) + b"bye"
            client, _ = server.accept()
            with client:
                box.wait_state(True, 2)
                client.sendall(b"again")
                box.wait_data(b"again")
            assert reader.status().opened >= 2
    assert not any(isinstance(r, ModemLines) for r in box.look())


def test_what_is_sent_before_the_link_is_up_is_received(box: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    """The far end sends as soon as it accepts, and closes: all of it is there before the opening has ended."""
    connect = socket.create_connection
    with listen() as server:

        def connect_late(*args: Any, **keywords: Any) -> socket.socket:
            ours = connect(*args, **keywords)
            far, _ = server.accept()
            with far:
                far.sendall(bytes(range(256)))
            return ours

        monkeypatch.setattr(socket, "create_connection", connect_late)
        with reading(f"socket://127.0.0.1:{server.getsockname()[1]}", box):
            box.wait_data(bytes(range(256)))


def test_nobody_listens(box: Box) -> None:
    """A refused connection is said once, with what to check; a server that starts later is found."""
    with listen() as server:
        port = server.getsockname()[1]
    with reading(f"socket://127.0.0.1:{port}", box) as reader:
        down = box.wait_state(False)
        assert "does not answer" in down.reason
        until(lambda: reader.status().failed >= 3, "three attempts")
        assert reader.status().state == "unreachable"
        assert len(box.states()) == 1
        with listen(port) as server:
            client, _ = server.accept()
            client.close()
            box.wait_state(True)


def test_unknown_host(box: Box) -> None:
    """A name that cannot exist (RFC 2606: .invalid)."""
    with reading("socket://bench.invalid:5", box):
        assert "host name is not known" in box.wait_state(False).reason


def test_hunting_on_a_socket_is_pointless_and_said(box: Box) -> None:
    """A socket has no speed: bytes pass at once."""
    with (
        listen() as server,
        reading(f"socket://127.0.0.1:{server.getsockname()[1]}", box, settings={"speed": "hunt"}),
    ):
        client, _ = server.accept()
        with client:
            assert "no line speed" in box.wait_state(True).reason
            client.sendall(b"x")
            box.wait_data(b"x")


@pytest.fixture
def far(tmp_path: Path) -> Any:
    """A pty behind an RFC 2217 server; yields (pty, server)."""
    pty = Pty(tmp_path / "far")
    server = Server(str(pty.link))
    yield pty, server
    server.close()
    pty.unplug()


def test_rfc2217_bytes_settings_and_lines(far: Any, box: Box) -> None:
    """All values pass (FFh is doubled on the wire, RFC 854); the far port gets the speed; a change of DSR and
    CD is told from NOTIFY-MODEMSTATE (RFC 2217, 107)."""
    pty, server = far
    with reading(server.url, box, settings={"speed": 19200}):
        box.wait_state(True)
        assert server.serial.baudrate == 19200
        pty.send(bytes(range(256)) + b"\xff\xff")
        box.wait_data(bytes(range(256)) + b"\xff\xff")
        server.serial.dsr = server.serial.cd = True

        def lines() -> list[tuple[bool, bool, bool, bool]]:
            return [(r.cts, r.dsr, r.ri, r.cd) for r in box.look() if isinstance(r, ModemLines)]

        until(lambda: lines()[-1:] == [(False, True, False, True)], "the lines of a powered target")


def test_rfc2217_cut_and_return(far: Any, box: Box) -> None:
    """The connection is cut: what came before it is kept, down once, up again on its own."""
    pty, server = far
    with reading(server.url, box):
        box.wait_state(True)
        pty.send(b"before")
        box.wait_data(b"before")
        server.write(b"last words")
        server.cut()
        assert "far end closed" in box.wait_state(False).reason
        assert box.data() == b"beforelast words"
        box.wait_state(True, 2)
        pty.send(b"after")
        box.wait_data(b"after")


def test_a_server_that_is_not_rfc2217(box: Box) -> None:
    """A plain TCP port that never negotiates: unreachable after pyserial's patience, not a hang."""
    with listen() as server:
        url = f"rfc2217://127.0.0.1:{server.getsockname()[1]}?timeout=0.2"
        with reading(url, box) as reader:
            assert "does not answer" in box.wait_state(False).reason
            assert reader.status().state == "unreachable"
        server.settimeout(0)
        with contextlib.suppress(OSError):
            while True:
                server.accept()[0].close()
