"""The page's files, and the door: one HTML file for all views, ES modules, style sheet, login."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path
from urllib.parse import parse_qs

from fastapi import APIRouter, Request
from fastapi.responses import FileResponse, RedirectResponse, Response

from benchd.web.auth import SESSION_S, Auth
from benchd.web.door import COOKIE, LOGIN, session_of
from benchd.web.problems import problem

STATIC = Path(__file__).parent / "static"
TYPES = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml", ".html": "text/html"}
VIEWS = (
    "/",
    "/boots",
    "/boot/{boot_id}",
    "/compare",
    "/studies",
    "/study/{name:path}",
    "/models",
    "/model/{name:path}",
    "/map",
    "/map/{machine:path}",
)


def page_routes(auth: Auth | None, secure: bool = False) -> APIRouter:
    """Return the routes of pages; `auth` where a token is demanded, `secure` where all goes over TLS."""
    routes = APIRouter(include_in_schema=False)
    files = {
        f"/static/{path.relative_to(STATIC).as_posix()}": path
        for path in sorted(STATIC.rglob("*"))
        if path.suffix in TYPES and path.suffix != ".html"
    }

    async def page() -> FileResponse:
        return FileResponse(STATIC / "page.html", media_type="text/html")

    for view in VIEWS:
        routes.add_api_route(view, page)

    @routes.get("/static/{name:path}")
    async def static(name: str) -> Response:
        """Serve a file known at start; no path from a request touches the disk."""
        path = files.get(f"/static/{name}")
        if path is None:
            return problem(404, "no such file")
        kind = TYPES[path.suffix] + "; charset=utf-8"
        return FileResponse(path, headers={"Content-Type": kind, "Cache-Control": "no-cache"})

    @routes.get(LOGIN)
    async def login_form() -> Response:
        if auth is None:
            return RedirectResponse("/", 303)
        return FileResponse(STATIC / "login.html", media_type="text/html")

    @routes.post(LOGIN)
    async def login(request: Request) -> Response:
        """Take the token from a form; answer with a session cookie that scripts cannot read."""
        form = parse_qs((await request.body()).decode("utf-8", "replace"), max_num_fields=4)
        onward = safe_onward(form.get("next", [""])[0])
        if auth is None:
            return RedirectResponse(onward, 303)
        if not auth.token_fits(form.get("token", [""])[0]):
            await asyncio.sleep(auth.delays.wrong(request.client.host if request.client else "", time.monotonic()))
            return RedirectResponse(f"{LOGIN}?wrong=1", 303)
        answer = RedirectResponse(onward, 303)
        answer.set_cookie(
            COOKIE,
            auth.session(time.time()),
            max_age=SESSION_S,
            httponly=True,
            samesite="strict",
            secure=secure,
            path="/",
        )
        return answer

    @routes.post("/logout")
    def logout(request: Request) -> Response:
        """End the session, here and in the browser."""
        if auth is not None and (value := session_of(request.headers)) is not None:
            auth.end_session(value, time.time())
        answer = Response(status_code=204)
        answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
        return answer

    return routes


def safe_onward(path: str) -> str:
    """Return a path on this server to go on to after the login; "/" for anything else."""
    plain = path.isascii() and path.isprintable() and "\\" not in path
    return path if plain and path.startswith("/") and not path.startswith("//") else "/"
