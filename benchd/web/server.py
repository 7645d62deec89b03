"""The HTTP server inside the daemon: bound before anything else starts, ended with it."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import uvicorn

from benchd.errors import BenchError, ExternalError, UsageError, system_words
from benchd.settings import is_loopback, split_listen
from benchd.web.auth import Auth, auth_of
from benchd.web.connections import Connections, Listener

if TYPE_CHECKING:
    from benchd.web.bench import ServedArchive, ServedBench


log = logging.getLogger(__name__)

BACKLOG = 32
"""Connections taken at one look, and those that the system holds until then."""


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """The daemon handles signals; the server must not take them over."""
        yield


class LateApp:
    """The application, made by the first request: a bench that nobody looks at needs a third less memory.

    Its libraries are imported in a thread, so that judging goes on meanwhile.
    """

    def __init__(
        self, daemon: ServedBench, connections: Connections, auth: Auth | None, archive: ServedArchive | None = None
    ) -> None:
        self._given = daemon, connections, auth, archive
        self._app: Any = None
        self._making = asyncio.Lock()

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        async with self._making:
            if self._app is None:
                self._app = await asyncio.to_thread(self._made)
        await self._app(scope, receive, send)

    def _made(self) -> Any:
        from benchd.web.app import make_app

        return make_app(*self._given)

    def close(self) -> None:
        """End what reads for it."""
        if self._app is not None:
            self._app.state.records.close()


class WebServer:
    """Serves one daemon. `address` is (host, port) once bound; port 0 in the settings takes a free one.

    `archive`: what is served are many benches, and nothing is changed.
    """

    def __init__(self, daemon: ServedBench, archive: ServedArchive | None = None) -> None:
        self._daemon, self._archive = daemon, archive
        http = daemon.loaded.settings.http
        self._tls = (daemon.loaded.resolve(http.tls_cert), daemon.loaded.resolve(http.tls_key))
        self._connections = Connections()
        self._socket: socket.socket | None = None
        self._server: _Server | None = None
        self.address: tuple[str, int] = split_listen(http.listen)

    @property
    def url(self) -> str:
        host, port = self.address
        return f"{'https' if self._tls[0] else 'http'}://{f'[{host}]' if ':' in host else host}:{port}"

    def bind(self) -> None:
        """Take the address. Raises ExternalError, saying which and why not; UsageError for a bad token file
        or certificate."""
        host, port = self.address
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        sock = Listener(family, socket.SOCK_STREAM)
        sock.connections = self._connections
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            sock.bind((host, port))
        except OSError as error:
            sock.close()
            raise ExternalError(
                f"http.listen {host}:{port} cannot be used: {system_words(error)}; is benchd running already?"
            ) from None
        try:  # before anything runs: a token file or certificate that is no good ends the daemon
            self._app = LateApp(self._daemon, self._connections, auth_of(self._daemon.loaded), self._archive)
            self._check_tls()
        except BenchError:
            sock.close()
            raise
        if self._tls[0] is None and not is_loopback(host):
            log.warning(
                "http.listen %s: pages and token cross the network unencrypted; set http.tls_cert and http.tls_key, "
                "or listen on 127.0.0.1 behind a proxy that does TLS",
                host,
            )
        sock.listen(BACKLOG)
        self.address = (host, sock.getsockname()[1])
        self._socket = sock

    def _check_tls(self) -> None:
        cert, key = self._tls
        if cert is None or key is None:
            return
        try:
            ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(cert, key, password=lambda: b"")
        except (OSError, ssl.SSLError) as error:
            raise UsageError(f"http.tls_cert {cert}, http.tls_key {key}: cannot be used: {error}") from None

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
            proxy_headers=False,  # nothing here depends on them, and anybody could write them
            backlog=BACKLOG,
            ws="none",  # nothing here speaks it; its library would be loaded wherever one is installed
            ssl_certfile=self._tls[0],
            ssl_keyfile=self._tls[1],
        )
        self._server = _Server(config)
        watch = asyncio.create_task(self._connections.watch(), name="connections")
        try:
            await self._server.serve(sockets=[self._socket])
        finally:
            watch.cancel()

    def stop(self) -> None:
        self._app.close()
        if self._server is not None:
            self._server.should_exit = True
