"""Who may ask: a token where one is set, known host names only, no writing from other sites, strict headers.

A person logs in with a form and then carries a signed cookie; a program sends `Authorization: Bearer`. The
token is in no address. Sessions are signed with the token itself, so they outlive the daemon and end with the
token.
"""

from __future__ import annotations

import hmac
import time
from collections.abc import MutableMapping
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from benchd.errors import UsageError
from benchd.settings import HttpPart, is_loopback, split_listen

READING = {"GET", "HEAD", "OPTIONS"}
BODY_MOST = 64 * 1024
"""Bytes of a request that changes something."""
COOKIE = "benchd_session"
SESSION_S = 30 * 24 * 3600
LOGIN = "/login"
OPEN_PATHS = ("/static/",)
"""Served without token: the page's own program, the same for everyone."""
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


def read_token(path: Path) -> str:
    """Return the token in a file. Raises UsageError if there is none or it is short."""
    try:
        token = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"http.token_file {path}: cannot be read: {error}") from None
    if len(token) < 16:
        raise UsageError(f"http.token_file {path}: {len(token)} characters; a token has 16 or more")
    return token


class Keys:
    """What opens the door: the token itself, or a session signed with it."""

    def __init__(self, token: str) -> None:
        self._token = token.encode()

    def token_fits(self, given: str) -> bool:
        """Compare in constant time."""
        return hmac.compare_digest(given.strip().encode(), self._token)

    def session(self, now_s: float) -> str:
        """Return a session value, good for `SESSION_S` from `now_s` (seconds since 1970)."""
        until = int(now_s) + SESSION_S
        return f"{until}.{self._sign(until)}"

    def session_fits(self, value: str, now_s: float) -> bool:
        """Whether the value was signed with this token and is not over."""
        until, _, mac = value.partition(".")
        if not (until.isascii() and until.isdigit() and len(until) <= 12):
            return False
        return hmac.compare_digest(mac.encode(), self._sign(int(until)).encode()) and now_s < int(until)

    def _sign(self, until: int) -> str:
        return hmac.new(self._token, f"benchd page {until}".encode(), "sha256").hexdigest()


class Guard:
    """Middleware. A name in `Host` that is no address, localhost or named one is refused: DNS rebinding."""

    def __init__(self, app: ASGIApp, http: HttpPart, keys: Keys | None) -> None:
        self.app = app
        self.names = {split_listen(http.listen)[0], *(name.lower() for name in http.names)}
        self.keys = keys

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

        refusal = self._refuses(Headers(scope=scope), scope["method"], scope["path"])
        await (refusal or self.app)(scope, receive, careful)

    def _refuses(self, headers: Headers, method: str, path: str) -> Response | None:
        host = headers.get("host", "")
        if not self._host_known(host):
            return PlainTextResponse("this host name is not served here; http.names in the settings adds one", 421)
        if method not in READING and (refusal := self._refuses_writing(headers, host, path)):
            return refusal
        if self.keys is None or path == LOGIN or path.startswith(OPEN_PATHS) or self._let_in(headers, self.keys):
            return None
        if method == "GET" and "text/html" in headers.get("accept", ""):
            return RedirectResponse(f"{LOGIN}?next={quote(path, safe='/')}", 303)
        return PlainTextResponse("a token is needed", 401, {"WWW-Authenticate": "Bearer"})

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
            return PlainTextResponse("requests from other sites are refused", 403)
        # A form of another site cannot send this type, and a script there is asked for leave that is not given.
        kind = headers.get("content-type", "").partition(";")[0].strip().lower()
        if path != LOGIN and kind != "application/json":
            return PlainTextResponse("send Content-Type: application/json", 415)
        length = headers.get("content-length", "")
        if not length.isdigit():
            return PlainTextResponse("send Content-Length", 411)
        if int(length) > BODY_MOST:
            return PlainTextResponse(f"{length} bytes; at most {BODY_MOST} are read", 413)
        return None

    @staticmethod
    def _is_address(name: str) -> bool:
        parts = name.split(".")
        return ":" in name or (len(parts) == 4 and all(p.isascii() and p.isdigit() and int(p) < 256 for p in parts))

    @staticmethod
    def _let_in(headers: Headers, keys: Keys) -> bool:
        kind, _, given = headers.get("authorization", "").partition(" ")
        if kind.lower() == "bearer":
            return keys.token_fits(given)
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        except CookieError:
            return False
        return morsel is not None and keys.session_fits(morsel.value, time.time())
