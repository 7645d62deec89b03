"""Who may ask: a token where one is set, known host names only, no writing from other sites, strict headers."""

from __future__ import annotations

import asyncio
import time
from collections.abc import MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import quote, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from benchd.settings import HttpPart, is_loopback, split_listen
from benchd.web.auth import Auth
from benchd.web.connections import Connections, Peer
from benchd.web.problems import problem

READING = {"GET", "HEAD", "OPTIONS"}
BODY_MOST = 64 * 1024
"""Bytes of a request that changes something."""
BODY_S = 10.0
"""How long such a request may take to come."""
COOKIE = "benchd_session"
LOGIN = "/login"
DOORS = (LOGIN, "/logout")
OPEN_PATHS = ("/static/",)
"""Served without token: the page's own program, the same for everyone."""
READ_ONLY = "this is an archive of several benches, which is only read: make changes at the bench itself"
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; "
        "require-trusted-types-for 'script'; trusted-types 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
"""Set on every answer that does not set its own."""


class Guard:
    """Middleware. A name in `Host` that is no address, localhost or named one is refused: DNS rebinding.

    A request that passed counts as one that is served, so its connection is not closed to make room.
    """

    def __init__(
        self, app: ASGIApp, http: HttpPart, auth: Auth | None, connections: Connections, read_only: bool = False
    ) -> None:
        self.app = app
        self.names = {split_listen(http.listen)[0], *(name.lower() for name in http.names)}
        self.auth = auth
        self.connections = connections
        self.read_only = read_only

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def careful(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        client: Peer = tuple(scope.get("client") or ("", 0))
        headers, method = Headers(scope=scope), scope["method"]
        if refusal := self._refuses(headers, method, scope["path"]):
            if self.auth is not None and refusal.status_code == 401 and bearer(headers) is not None:
                await asyncio.sleep(self.auth.delays.wrong(client[0], time.monotonic()))
            await refusal(scope, receive, careful)
            return
        with self.connections.serving(client):
            await self.app(scope, receive if method in READING else self._whole(receive, client), careful)

    def _whole(self, receive: Receive, client: Peer) -> Receive:
        """Return a `receive` that hangs up on a body which is not whole after `BODY_S`."""
        deadline = asyncio.get_running_loop().time() + BODY_S
        done = False

        async def patient() -> MutableMapping[str, Any]:
            nonlocal done
            if done:
                return await receive()
            try:
                async with asyncio.timeout_at(deadline):
                    message = await receive()
            except TimeoutError:
                self.connections.close(client)
                return {"type": "http.disconnect"}
            done = not message.get("more_body", False)
            return message

        return patient

    def _refuses(self, headers: Headers, method: str, path: str) -> Response | None:
        host = headers.get("host", "")
        if not self._host_known(host):
            return problem(421, "this host name is not served here; http.names in the settings adds one")
        if method not in READING and (refusal := self._refuses_writing(headers, host, path)):
            return refusal
        if self.auth is None or path == LOGIN or path.startswith(OPEN_PATHS) or self._let_in(headers, self.auth):
            if self.read_only and method not in READING and path not in DOORS:
                return problem(403, READ_ONLY)
            return None
        if method == "GET" and "text/html" in headers.get("accept", ""):
            return RedirectResponse(f"{LOGIN}?next={quote(path, safe='/')}", 303)
        return problem(401, "a token is needed", {"WWW-Authenticate": "Bearer"})

    def _host_known(self, host: str) -> bool:
        try:
            name = (urlsplit(f"//{host}").hostname or "") if host else ""
        except ValueError:
            return False
        return is_loopback(name) or name in self.names or self._is_address(name)

    @staticmethod
    def _refuses_writing(headers: Headers, host: str, path: str) -> Response | None:
        origin = headers.get("origin")
        other = origin is not None and origin.partition("://")[2] != host
        if other or headers.get("sec-fetch-site") not in (None, "same-origin", "none"):
            return problem(403, "requests from other sites are refused")
        # A form of another site cannot send this type, and a script there is asked for leave that is not given.
        kind = headers.get("content-type", "").partition(";")[0].strip().lower()
        if path != LOGIN and kind != "application/json":
            return problem(415, "send Content-Type: application/json")
        length = headers.get("content-length", "")
        if not (length.isascii() and length.isdigit() and len(length) < 20):
            return problem(411, "send Content-Length")
        if int(length) > BODY_MOST:
            return problem(413, f"{length} bytes; at most {BODY_MOST} are read")
        return None

    @staticmethod
    def _is_address(name: str) -> bool:
        parts = name.split(".")
        return ":" in name or (len(parts) == 4 and all(p.isascii() and p.isdigit() and int(p) < 256 for p in parts))

    @staticmethod
    def _let_in(headers: Headers, auth: Auth) -> bool:
        if (given := bearer(headers)) is not None:
            return auth.token_fits(given)
        value = session_of(headers)
        return value is not None and auth.session_fits(value, time.time())


def bearer(headers: Headers) -> str | None:
    """Return the token that a request brings, None without one."""
    kind, _, given = headers.get("authorization", "").partition(" ")
    return given if kind.lower() == "bearer" else None


def session_of(headers: Headers) -> str | None:
    """Return the session that a request brings in its cookie, None without one."""
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return None if morsel is None else morsel.value
