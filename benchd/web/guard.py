"""Who may ask: a token where one is set, known host names only, no posting from other sites."""

from __future__ import annotations

import hmac
from pathlib import Path
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from benchd.errors import CallerError
from benchd.settings import HttpPart, is_loopback, split_listen

READING = {"GET", "HEAD", "OPTIONS"}


def read_token(path: Path) -> str:
    """Return the token in a file. Raises CallerError if there is none or it is short."""
    try:
        token = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise CallerError(f"http.token_file {path}: cannot be read: {error}") from None
    if len(token) < 16:
        raise CallerError(f"http.token_file {path}: {len(token)} characters; a token has 16 or more")
    return token


class Guard:
    """Middleware. A name in `Host` that is not an address or localhost is refused: DNS rebinding."""

    def __init__(self, app: ASGIApp, http: HttpPart, token_path: Path | None) -> None:
        self.app = app
        self.listens = split_listen(http.listen)[0]
        self.token = read_token(token_path) if token_path else None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        refusal = self._refuses(Headers(scope=scope), scope["method"])
        if refusal is None:
            await self.app(scope, receive, send)
        else:
            await refusal(scope, receive, send)

    def _refuses(self, headers: Headers, method: str) -> PlainTextResponse | None:
        host = headers.get("host", "")
        name = (urlsplit(f"//{host}").hostname or "") if host else ""
        if not (is_loopback(name) or name == self.listens or self._is_address(name)):
            return PlainTextResponse("this host name is not served here", 421)
        if method not in READING:
            origin = headers.get("origin")
            if origin is not None and urlsplit(origin).netloc != host:
                return PlainTextResponse("requests from other sites are refused", 403)
            if headers.get("sec-fetch-site") not in (None, "same-origin", "none"):
                return PlainTextResponse("requests from other sites are refused", 403)
        if self.token is not None and not self._token_fits(headers):
            return PlainTextResponse("a token is needed", 401, {"WWW-Authenticate": "Bearer"})
        return None

    @staticmethod
    def _is_address(name: str) -> bool:
        parts = name.split(".")
        return ":" in name or (len(parts) == 4 and all(p.isdigit() and int(p) < 256 for p in parts))

    def _token_fits(self, headers: Headers) -> bool:
        assert self.token is not None
        kind, _, given = headers.get("authorization", "").partition(" ")
        return kind.lower() == "bearer" and hmac.compare_digest(given.strip().encode(), self.token.encode())
