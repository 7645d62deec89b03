"""Who gets in: loopback by default, the token, other sites, strange host names, strict headers. Over HTTP."""

from __future__ import annotations

import asyncio
import hmac
import logging
import time
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path

import httpx
import pytest
from web.rig import STUDY, Rig, save_story, save_study

from benchd.daemon import Daemon
from benchd.errors import UsageError
from benchd.settings import Settings, load_settings, split_listen
from benchd.store import Store
from benchd.web import auth
from benchd.web.app import make_app
from benchd.web.auth import ADDRESSES_MOST, ENDED_MOST, SESSION_S, Auth, Delays, read_token
from benchd.web.door import BODY_MOST, COOKIE
from benchd.web.pages import STATIC, safe_onward

TOKEN = "a-token-of-the-corner-bench-2026"
PAGES = ("/", "/boots", "/boot/x", "/compare", "/studies", "/study/x", "/map", "/map/at286")
GUARDED = (*PAGES, "/metrics", "/api/health", "/api/machines", "/api/boots", "/api/openapi.json", "/api/live")
WRITES = (
    ("POST", "/api/trials", {"study": STUDY, "machine": "at286"}),
    ("POST", "/api/trials/T1/end", {}),
    ("POST", "/api/trials/T1/notes", {"text": "x"}),
    ("POST", "/api/results", {"check": "goal", "passed": True, "trial": "T1"}),
    ("DELETE", "/api/results/1", {}),
)


class Site:
    """One daemon's application, asked without a socket."""

    def __init__(self, folder: Path, http: str = "") -> None:
        (folder / "bench.toml").write_text(
            f'[http]\nlisten = "127.0.0.1:8650"\n{http}\n[[machine]]\nname = "at286"\nrules = "demo-at286"\n'
            f'[[machine.link]]\nkind = "post"\nport = "{folder}/post"\n'
        )
        self.daemon = Daemon(load_settings(folder / "bench.toml"))
        self.app = make_app(self.daemon)

    def ask(self, method: str, path: str, host: str = "127.0.0.1:8650", **more: object) -> httpx.Response:
        async def one() -> httpx.Response:
            transport = httpx.ASGITransport(app=self.app)
            async with httpx.AsyncClient(transport=transport, base_url=f"http://{host}") as client:
                return await client.request(method, path, **more)  # type: ignore[arg-type]

        return asyncio.run(one())

    def close(self) -> None:
        self.daemon.store.close()


@pytest.fixture(scope="module")
def open_site(folders: Callable[[str], Path]) -> Iterator[Site]:
    folder = folders("open")
    site = Site(folder)
    save_study(site.daemon.store, folder)
    save_story(site.daemon.store)
    yield site
    site.close()


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wrong tokens are answered at once, where that is not what is asked about."""
    monkeypatch.setattr(auth, "WRONG_S", 0.0)


@pytest.fixture(scope="module")
def guarded(folders: Callable[[str], Path]) -> Iterator[Site]:
    folder = folders("guarded")
    (folder / "token").write_text(TOKEN + "\n")
    site = Site(folder, 'token_file = "token"')
    yield site
    site.close()


@pytest.fixture
def closed_site(guarded: Site) -> Site:
    """The guarded one, with nobody having tried anything yet."""
    guarded.app = make_app(guarded.daemon)
    return guarded


# ---------------------------------------------------------------------- loopback


def test_loopback_is_the_default_and_wider_needs_a_token() -> None:
    """No setting: 127.0.0.1. An address that other machines reach is refused without token file."""
    assert split_listen(Settings().http.listen)[0] == "127.0.0.1"
    for wide in ("0.0.0.0:80", "192.0.2.7:80", "[::]:80", "bench.example:80"):
        with pytest.raises(ValueError, match="token_file"):
            Settings.model_validate({"http": {"listen": wide}})
        assert Settings.model_validate({"http": {"listen": wide, "token_file": "t"}})
    for near in ("127.0.0.1:80", "[::1]:80", "localhost:80"):
        assert Settings.model_validate({"http": {"listen": near}})


def test_the_daemon_answers_on_its_own_address_only(bench: Rig) -> None:
    """Bound to 127.0.0.1, it is not there on 127.0.0.2."""
    assert bench.get("/api/start")["bench"] == "corner bench"  # type: ignore[index,call-overload]
    with pytest.raises(httpx.ConnectError), httpx.Client(trust_env=False) as client:
        client.get(f"http://127.0.0.2:{bench.port}/api/start")


@pytest.mark.parametrize("text", ["", "short", "fifteen-letters"])
def test_a_short_or_missing_token_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "token").write_text(text)
    with pytest.raises(UsageError, match="16 or more"):
        read_token(tmp_path / "token")
    with pytest.raises(UsageError, match="cannot be read"):
        read_token(tmp_path / "none")


# ---------------------------------------------------------------------- the token


@pytest.mark.parametrize("path", GUARDED)
def test_nothing_is_given_without_the_token(closed_site: Site, path: str) -> None:
    """RFC 9110, 15.5.2: 401 with a challenge. A person's browser is sent to the form instead, with no token in
    the address."""
    told = closed_site.ask("GET", path)
    assert told.status_code == 401 and told.headers["www-authenticate"] == "Bearer"
    assert "benchd" not in told.text
    person = closed_site.ask("GET", path, headers={"Accept": "text/html"})
    assert person.status_code == 303 and person.headers["location"].startswith("/login?next=/")


@pytest.mark.parametrize(
    "value", ["Bearer ", "Bearer wrong", f"Basic {TOKEN}", TOKEN, f"Bearer {TOKEN}x", f"Bearer {TOKEN[:-1]}"]
)
def test_wrong_credentials_are_refused(quick: None, closed_site: Site, value: str) -> None:
    assert closed_site.ask("GET", "/api/boots", headers={"Authorization": value}).status_code == 401


def test_the_right_token_opens(closed_site: Site) -> None:
    assert closed_site.ask("GET", "/api/boots", headers={"Authorization": f"Bearer {TOKEN}"}).status_code == 200
    assert closed_site.ask("GET", "/metrics", headers={"Authorization": f"bearer {TOKEN}"}).status_code == 200


def test_the_token_in_an_address_does_not_open(closed_site: Site) -> None:
    for query in (f"token={TOKEN}", f"access_token={TOKEN}", f"authorization=Bearer%20{TOKEN}"):
        assert closed_site.ask("GET", f"/api/boots?{query}").status_code == 401


def test_the_page_s_own_program_needs_no_token(closed_site: Site) -> None:
    """It is the same for everyone and tells nothing of the bench."""
    assert closed_site.ask("GET", "/static/look.css").status_code == 200
    assert closed_site.ask("GET", "/login").status_code == 200


def log_in(site: Site, token: str = TOKEN, onward: str = "/boots") -> httpx.Response:
    return site.ask("POST", "/login", data={"token": token, "next": onward})


def test_the_login_gives_a_cookie_that_scripts_cannot_read(closed_site: Site) -> None:
    """HttpOnly, SameSite=Strict (RFC 6265bis), and not the token itself."""
    told = log_in(closed_site)
    assert told.status_code == 303 and told.headers["location"] == "/boots"
    cookie = told.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=strict" in cookie and "Path=/" in cookie and TOKEN not in cookie
    value = cookie.split("=", 1)[1].split(";")[0]
    assert closed_site.ask("GET", "/api/boots", headers={"Cookie": f"{COOKIE}={value}"}).status_code == 200
    until, rest = value.split(".", 1)
    for other in (value[:-1], value + "0", f"{int(until) + 1}.{rest}", "9" * 40, ""):
        assert closed_site.ask("GET", "/api/boots", headers={"Cookie": f"{COOKIE}={other}"}).status_code == 401


def test_a_wrong_token_at_the_form_is_answered_late_and_without_cookie(closed_site: Site) -> None:
    began = time.monotonic()
    told = log_in(closed_site, "wrong")
    assert time.monotonic() - began >= 0.5
    assert told.status_code == 303 and told.headers["location"] == "/login?wrong=1"
    assert "set-cookie" not in told.headers


def test_each_wrong_token_of_an_address_is_answered_later(closed_site: Site) -> None:
    """A program that guesses waits as well; who asks rightly, or without any token, never does."""
    spent = []
    for headers in ({"Authorization": "Bearer guess"},) * 2 + ({"Authorization": f"Bearer {TOKEN}"}, {}):
        began = time.monotonic()
        closed_site.ask("GET", "/api/boots", headers=headers)
        spent.append(time.monotonic() - began)
    assert spent[0] >= 0.5 and spent[1] >= 1.0 and max(spent[2:]) < 0.5, spent


def test_delays_grow_per_address_to_a_bound_and_are_forgotten() -> None:
    """Doubling to 8 s; another address starts anew; all addresses of an IPv6 network are one (RFC 4291, 2.5.4)."""
    delays = Delays()
    assert [delays.wrong("192.0.2.1", 0.0) for _ in range(6)] == [0.5, 1.0, 2.0, 4.0, 8.0, 8.0]
    assert delays.wrong("192.0.2.2", 0.0) == 0.5
    assert delays.wrong("2001:db8::1", 0.0) == 0.5 and delays.wrong("2001:db8::ffff:2", 0.0) == 1.0
    assert delays.wrong("192.0.2.1", 601.0) == 0.5
    for n in range(3 * ADDRESSES_MOST):
        delays.wrong(f"10.0.{n >> 8}.{n & 255}", 602.0)
    assert len(delays) == ADDRESSES_MOST


def test_sessions_end_and_end_with_the_token() -> None:
    judge, now = Auth(TOKEN), 1_800_000_000.0
    value = judge.session(now)
    assert judge.session_fits(value, now + SESSION_S - 1)
    assert not judge.session_fits(value, now + SESSION_S + 1)
    assert not Auth(TOKEN + "2").session_fits(value, now)
    assert not judge.session_fits("\u0661." + value.split(".", 1)[1], now)


def test_a_logout_ends_the_session_on_the_server(closed_site: Site) -> None:
    """The cookie that somebody kept opens no more; another session of the same moment goes on."""
    mine, other = (log_in(closed_site).headers["set-cookie"].split(";")[0] for _ in range(2))
    assert closed_site.ask("GET", "/api/boots", headers={"Cookie": mine}).status_code == 200
    assert closed_site.ask("POST", "/logout", json={}, headers={"Cookie": mine}).status_code == 204
    assert closed_site.ask("GET", "/api/boots", headers={"Cookie": mine}).status_code == 401
    assert closed_site.ask("GET", "/api/boots", headers={"Cookie": other}).status_code == 200


def test_an_ended_session_stays_ended_after_a_restart(tmp_path: Path) -> None:
    """It is kept, not the session itself, until it would be over; too many end all that were before them."""
    judge, now, file = Auth(TOKEN, tmp_path / "ended.json"), 1_800_000_000.0, tmp_path / "ended.json"
    value, other = judge.session(now), judge.session(now)
    judge.end_session("1.forged.00", now)
    assert not file.exists()
    judge.end_session(value, now)
    again = Auth(TOKEN, file)
    assert not again.session_fits(value, now) and again.session_fits(other, now)
    assert value.split(".")[2] not in file.read_text()
    for _ in range(ENDED_MOST):
        again.end_session(again.session(now), now)
    assert len(file.read_text()) < 100 * ENDED_MOST
    last = Auth(TOKEN, file)
    assert not last.session_fits(other, now) and last.session_fits(last.session(now + 2), now + 2)
    file.write_text("{")
    with pytest.raises(UsageError, match=r"ended\.json"):
        Auth(TOKEN, file)


def test_tokens_are_compared_in_constant_time(quick: None, closed_site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every judgement of a token or a session goes through hmac.compare_digest."""
    seen: list[tuple[object, object]] = []
    real = hmac.compare_digest

    def spy(a: bytes, b: bytes) -> bool:
        seen.append((a, b))
        return real(a, b)

    monkeypatch.setattr(auth.hmac, "compare_digest", spy)
    closed_site.ask("GET", "/api/boots", headers={"Authorization": "Bearer nearly"})
    log_in(closed_site, "almost")
    closed_site.ask("GET", "/api/boots", headers={"Cookie": f"{COOKIE}=99999999999.abc"})
    assert [a for a, _ in seen[:2]] == [b"nearly", b"almost"] and len(seen) == 3
    assert all(b == TOKEN.encode() for _, b in seen[:2])


def test_the_token_is_in_no_log(closed_site: Site, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        log_in(closed_site)
        closed_site.ask("GET", "/api/boots", headers={"Authorization": f"Bearer {TOKEN}"})
    assert TOKEN not in caplog.text


@pytest.mark.parametrize(
    "path",
    ["//evil.example", "https://evil.example/", "/\\evil.example", "boots", "", "/a\r\nSet-Cookie: x=1", "/\u202e"],
)
def test_the_login_leads_to_no_other_site(path: str) -> None:
    assert safe_onward(path) == "/"
    assert safe_onward("/boot/at286-1") == "/boot/at286-1"


# ---------------------------------------------------------------------- other sites


@pytest.mark.parametrize(("method", "path", "body"), WRITES)
@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "http://127.0.0.1:9999"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:8650.evil.example"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_other_sites_cannot_change_anything(
    open_site: Site, method: str, path: str, body: object, headers: dict[str, str]
) -> None:
    """Origin (RFC 6454) and Sec-Fetch-Site (W3C Fetch Metadata) of another site: refused before it is read."""
    store: Store = open_site.daemon.store
    before = (store.trials(), store.results())
    told = open_site.ask(method, path, json=body, headers=headers)
    assert told.status_code == 403, told.text
    assert (store.trials(), store.results()) == before


@pytest.mark.parametrize("kind", ["application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "text/plain"])
@pytest.mark.parametrize(("method", "path", "body"), WRITES)
def test_what_a_form_of_another_site_can_send_is_refused(
    open_site: Site, method: str, path: str, body: object, kind: str
) -> None:
    """The three types that need no leave of the server (WHATWG Fetch, CORS-safelisted request headers)."""
    told = open_site.ask(method, path, content=b"{}", headers={"Content-Type": kind})
    assert told.status_code == 415


def test_no_answer_invites_other_sites(open_site: Site) -> None:
    """No CORS header anywhere, so a script of another site may neither ask first nor read."""
    for method in ("GET", "OPTIONS"):
        told = open_site.ask(method, "/api/boots", headers={"Origin": "http://evil.example"})
        assert not [name for name in told.headers if name.startswith("access-control-")]


def test_the_own_page_may_change_things(open_site: Site) -> None:
    told = open_site.ask(
        "POST", "/api/results", json={"check": "goal", "passed": False, "trial": "T1"},
        headers={"Origin": "http://127.0.0.1:8650", "Sec-Fetch-Site": "same-origin"},
    )  # fmt: skip
    assert told.status_code == 200, told.text
    assert open_site.daemon.store.results(trial="T1")[-1].passed is False


def test_the_login_form_cannot_be_sent_from_another_site(closed_site: Site) -> None:
    told = closed_site.ask("POST", "/login", data={"token": TOKEN}, headers={"Origin": "http://evil.example"})
    assert told.status_code == 403 and "set-cookie" not in told.headers


def test_large_bodies_are_refused_with_both_numbers(open_site: Site) -> None:
    told = open_site.ask("POST", "/api/results", json={"check": "x" * BODY_MOST, "passed": True})
    assert told.status_code == 413 and str(BODY_MOST) in told.text


# ---------------------------------------------------------------------- host names


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8650", "127.0.0.1.evil.example", "localhost.evil.example", "127.0.0.1.", "x"]
)
def test_rebinding_hosts_are_refused(open_site: Site, host: str) -> None:
    """A name that somebody points at 127.0.0.1 gets 421 Misdirected Request (RFC 9110, 15.5.20), whatever it asks."""
    for path in ("/", "/api/boots", "/metrics", "/static/look.css", "/login"):
        assert open_site.ask("GET", path, host=host).status_code == 421
    assert open_site.ask("POST", "/api/trials/T1/end", host=host, json={}).status_code == 421


@pytest.mark.parametrize("host", ["127.0.0.1:8650", "localhost:8650", "[::1]:8650", "127.0.0.1"])
def test_own_names_are_served(open_site: Site, host: str) -> None:
    assert open_site.ask("GET", "/api/machines", host=host).status_code == 200


def test_a_name_from_the_settings_is_served(tmp_path: Path) -> None:
    site = Site(tmp_path, 'names = ["Bench.example"]')
    try:
        assert site.ask("GET", "/api/machines", host="bench.example:8650").status_code == 200
        assert site.ask("GET", "/api/machines", host="other.example:8650").status_code == 421
    finally:
        site.close()


def test_an_empty_or_broken_host_is_refused(open_site: Site) -> None:
    for host in ("", "[::1", "[bad]:80"):
        assert open_site.ask("GET", "/api/boots", headers={"Host": host}).status_code == 421


# ---------------------------------------------------------------------- headers and files


@pytest.mark.parametrize("path", [*GUARDED[:-1], "/login", "/static/start.js", "/api/none", "/nowhere", "/static/none"])
def test_every_answer_carries_the_policy(open_site: Site, path: str) -> None:
    """Content Security Policy Level 3: nothing but own files, no inline script or style, no framing."""
    told = open_site.ask("GET", path)
    policy = dict(part.strip().partition(" ")[::2] for part in told.headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == "'self'" and policy["style-src"] == "'self'"
    assert policy["base-uri"] == "'none'" and policy["frame-ancestors"] == "'none'"
    assert "require-trusted-types-for" in policy
    assert "unsafe" not in told.headers["content-security-policy"]
    assert told.headers["x-content-type-options"] == "nosniff"


def test_refusals_carry_it_too(open_site: Site) -> None:
    assert "default-src 'none'" in open_site.ask("GET", "/", host="evil.example").headers["content-security-policy"]


class Inline(HTMLParser):
    """Finds what a strict policy would block."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = dict(attrs)
        if tag == "style" or (tag == "script" and "src" not in names):
            self.found.append(tag)
        self.found += [f"{tag} {name}" for name in names if name == "style" or name.startswith("on")]
        for name in ("src", "href", "action"):
            if not (names.get(name) or "/").startswith(("/", "#")):
                self.found.append(f"{tag} {name}={names[name]}")


def test_the_pages_hold_nothing_inline_and_load_nothing_from_elsewhere() -> None:
    for file in STATIC.glob("*.html"):
        looker = Inline()
        looker.feed(file.read_text())
        assert looker.found == [], file.name
    for file in [*STATIC.rglob("*.js"), *STATIC.rglob("*.css")]:
        text = file.read_text().replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in text and "https://" not in text, file.name
        assert "innerHTML" not in text and "insertAdjacentHTML" not in text and "document.write" not in text, file.name


@pytest.mark.parametrize(
    "path",
    ["/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fguard.py", "/static//etc/passwd", "/static/page.html"],
)
def test_only_known_files_are_served(open_site: Site, path: str) -> None:
    told = open_site.ask("GET", path)
    assert told.status_code == 404 and "import" not in told.text
