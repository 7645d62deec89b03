"""The HTTP server inside the daemon: bound before anything else starts, ended with it."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator
from typing import TYPE_CHECKING

import uvicorn

from benchd.errors import ExternalError
from benchd.settings import split_listen
from benchd.web.app import make_app

if TYPE_CHECKING:
    from benchd.web.bench import ServedBench


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """The daemon handles signals; the server must not take them over."""
        yield


class WebServer:
    """Serves one daemon. `address` is (host, port) once bound; port 0 in the settings takes a free one."""

    def __init__(self, daemon: ServedBench) -> None:
        self._daemon = daemon
        self._socket: socket.socket | None = None
        self._server: _Server | None = None
        self.address: tuple[str, int] = split_listen(daemon.loaded.settings.http.listen)

    @property
    def url(self) -> str:
        host, port = self.address
        return f"http://{f'[{host}]' if ':' in host else host}:{port}"

    def bind(self) -> None:
        """Take the address. Raises ExternalError, saying which and why not; UsageError for a bad token file."""
        host, port = self.address
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        sock = socket.socket(family, socket.SOCK_STREAM)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            sock.bind((host, port))
        except OSError as error:
            sock.close()
            raise ExternalError(
                f"http.listen {host}:{port} cannot be used: {error.strerror}; is benchd running already?"
            ) from None
        self._app = make_app(self._daemon)  # before anything runs: a token file that is no good ends the daemon
        sock.listen(128)
        self.address = (host, sock.getsockname()[1])
        self._socket = sock

    async def serve(self) -> None:
        """Serve until `stop`."""
        assert self._socket is not None, "bind() comes first"
        config = uvicorn.Config(
            self._app,
            log_config=None,
            access_log=False,
            lifespan="off",
            timeout_graceful_shutdown=1,
            server_header=False,
        )
        self._server = _Server(config)
        await self._server.serve(sockets=[self._socket])

    def stop(self) -> None:
        self._app.state.records.close()
        if self._server is not None:
            self._server.should_exit = True
