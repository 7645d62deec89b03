"""What somebody may do to the page's server without a token, and what the rest of the daemon feels of it."""

from __future__ import annotations

import asyncio
import contextlib
import resource
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import jsonschema
import pytest
from sinks.test_mqtt_tls import certificate
from support.option_roms import option_rom
from web.rig import MAP, STUDY, Rig, save_many, save_story, save_study, wait_for
from web.test_web_door import TOKEN, Site

from benchd.errors import UsageError
from benchd.settings import Settings, load_settings
from benchd.vocabulary.models import Boot
from benchd.web import boots, turns
from benchd.web.connections import CONNECTIONS_MOST, Connections, Listener
from benchd.web.problems import Refusal
from benchd.web.server import WebServer

# ---------------------------------------------------------------------- connections


@pytest.mark.slow
def test_idle_connections_exhaust_nothing(folders: Callable[[str], Path]) -> None:
    """1,100 connections that say nothing, against 1,024 descriptors: others are served, few descriptors are taken,
    and it is told in a line or two."""
    tmp_path = folders("idle")
    rig = Rig(tmp_path)
    held = []
    try:
        rig.start()
        assert rig.process is not None
        pid = rig.process.pid
        resource.prlimit(pid, resource.RLIMIT_NOFILE, (1024, 1024))
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        if soft < 2048:
            resource.setrlimit(resource.RLIMIT_NOFILE, (2048, hard))
        before = len((tmp_path / "daemon.log").read_text().splitlines())
        for _ in range(1100):
            held.append(socket.create_connection(("127.0.0.1", rig.port), 5))
        for _ in range(5):
            began = time.monotonic()
            assert rig.get("/api/health", timeout=5)
            assert time.monotonic() - began < 9  # BODY_S is 10 s where nobody changes it
        assert len(list(Path(f"/proc/{pid}/fd").iterdir())) < CONNECTIONS_MOST + 100
        lines = (tmp_path / "daemon.log").read_text().splitlines()[before:]
        assert 1 <= len([line for line in lines if "connections to the page" in line]) <= 2
        assert len(lines) < 6, lines[:10]
    finally:
        for one in held:
            one.close()
        rig.close()


class Echo(asyncio.Protocol):
    """Counts who is connected."""

    there: int = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        Echo.there += 1

    def connection_lost(self, error: Exception | None) -> None:
        Echo.there -= 1


def test_the_oldest_idle_connection_gives_way_and_silence_ends() -> None:
    """Four places: one that is served keeps its own, the others go in order; those left alone are closed in time."""

    async def story() -> None:
        bound = Connections(most=4, idle_s=0.5)
        sock = Listener()
        sock.connections = bound
        sock.bind(("127.0.0.1", 0))
        server = await asyncio.get_running_loop().create_server(Echo, sock=sock)
        watch = asyncio.create_task(bound.watch())
        to = sock.getsockname()
        pairs = [await asyncio.open_connection(*to) for _ in range(4)]
        names = [writer.get_extra_info("sockname") for _, writer in pairs]
        with bound.serving(names[0]):
            pairs.append(await asyncio.open_connection(*to))
            assert await asyncio.wait_for(pairs[1][0].read(), 30) == b""
            assert len(bound) == 4 and not pairs[0][0].at_eof()
            for reader, _ in pairs[2:]:
                assert await asyncio.wait_for(reader.read(), 30) == b"", "idle for longer than allowed"
            assert len(bound) == 1 and not pairs[0][0].at_eof()
        assert await asyncio.wait_for(pairs[0][0].read(), 30) == b""
        for _ in range(50):
            if Echo.there == 0:
                break
            await asyncio.sleep(0.02)
        assert Echo.there == 0 and len(bound) == 0
        with contextlib.ExitStack() as stack:
            for _ in range(4):
                pairs.append(await asyncio.open_connection(*to))
                stack.enter_context(bound.serving(pairs[-1][1].get_extra_info("sockname")))
            pairs.append(await asyncio.open_connection(*to))
            with contextlib.suppress(ConnectionResetError):
                assert await asyncio.wait_for(pairs[-1][0].read(), 30) == b"", "all are served: refused"
            assert len(bound) == 4
        for _, writer in pairs:
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()
        watch.cancel()
        server.close()

    asyncio.run(story())


def test_a_body_that_does_not_come_is_hung_up_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A POST that promised 100 bytes and sends 1: its connection is closed, and nothing was entered."""
    from benchd.web import door

    monkeypatch.setattr(door, "BODY_S", 0.3)
    site = Site(tmp_path)

    async def story() -> list[str]:
        sent: list[str] = []
        came = asyncio.Event()

        async def receive() -> dict[str, Any]:
            if not came.is_set():
                came.set()
                return {"type": "http.request", "body": b"{", "more_body": True}
            await asyncio.sleep(60)
            return {}

        async def send(message: Any) -> None:
            sent.append(message["type"])

        head = [(b"host", b"127.0.0.1"), (b"content-type", b"application/json"), (b"content-length", b"100")]
        scope = {"type": "http", "method": "POST", "path": "/api/results", "raw_path": b"/api/results",
                 "query_string": b"", "headers": head, "client": ("127.0.0.1", 5), "server": ("127.0.0.1", 80),
                 "scheme": "http", "root_path": "", "http_version": "1.1"}  # fmt: skip
        with contextlib.suppress(Exception):
            await asyncio.wait_for(site.app(scope, receive, send), 30)
        return sent

    began = time.monotonic()
    asyncio.run(story())
    assert time.monotonic() - began < 9  # BODY_S is 10 s where nobody changes it
    assert site.daemon.store.results() == []
    site.close()


def test_a_stream_goes_on_while_what_is_idle_is_closed(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """The live picture lasts for longer than a connection may say nothing: it is being served."""
    monkeypatch.setattr("benchd.web.server.Connections", partial(Connections, idle_s=0.5))
    site.daemon.loaded.settings.http.__dict__["listen"] = "127.0.0.1:0"

    async def story() -> None:
        server = WebServer(site.daemon)
        server.bind()
        serving = asyncio.create_task(server.serve())
        idle, writer = await asyncio.open_connection(*server.address)
        async with httpx.AsyncClient(trust_env=False) as client, client.stream("GET", f"{server.url}/api/live") as told:
            began, lines = time.monotonic(), 0
            async for _ in told.aiter_lines():
                lines += 1
                if time.monotonic() - began > 3:
                    break
        assert lines > 3 and await asyncio.wait_for(idle.read(), 30) == b""
        writer.close()
        server.stop()
        await serving

    asyncio.run(story())


# ---------------------------------------------------------------------- long lists


@pytest.fixture
def site(folders: Callable[[str], Path], request: pytest.FixtureRequest) -> Iterator[Site]:
    tmp_path = folders(request.node.name)
    site = Site(tmp_path)
    (tmp_path / "map.toml").write_text(MAP)
    (tmp_path / "storage.bin").write_bytes(option_rom(16, ident=0x45))
    save_study(site.daemon.store, tmp_path)
    save_story(site.daemon.store)
    yield site
    site.close()


def test_long_lists_come_in_pages(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many are asked for, one answer has a bounded number; `before` goes on where it ended, nothing twice."""
    assert boots.LIST_MOST <= 1000
    monkeypatch.setattr(boots, "LIST_MOST", 40)
    save_many(site.daemon.store, 50)
    whole = [boot.id for boot in site.daemon.store.boots()]
    first = site.ask("GET", "/api/boots?limit=10000").json()
    assert len(first) == 40
    rest = site.ask("GET", f"/api/boots?limit=10000&before={first[-1]['id']}").json()
    assert [boot["id"] for boot in first + rest] == whole
    assert site.ask("GET", "/api/boots?before=none").json() == []


def test_many_readers_wait_their_turn_and_the_rest_is_sent_away(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """60 at once: three read, 32 wait, the others are told in words; the threads that store and sync are free."""
    inside, most, go = 0, 0, threading.Event()
    lock = threading.Lock()

    def slow(**asked: object) -> list[Boot]:
        nonlocal inside, most
        with lock:
            inside += 1
            most = max(most, inside)
        go.wait(20)
        with lock:
            inside -= 1
        return []

    monkeypatch.setattr(site.daemon.store, "boots", slow)

    async def story() -> list[httpx.Response]:
        transport = httpx.ASGITransport(app=site.app)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8650", timeout=30) as client:
            asked = [asyncio.create_task(client.get("/api/boots?limit=10000")) for _ in range(60)]
            await asyncio.sleep(0.5)
            assert await asyncio.wait_for(asyncio.to_thread(int, "7"), 2) == 7
            assert (await asyncio.wait_for(client.get("/static/look.css"), 30)).status_code == 200
            go.set()
            return await asyncio.gather(*asked)

    answers = asyncio.run(story())
    assert most == turns.AT_ONCE
    refused = [one for one in answers if one.status_code == 503]
    assert len(refused) == 60 - turns.AT_ONCE - turns.WAITING_MOST
    assert all("ask again" in Refusal.model_validate(one.json()).detail for one in refused)
    assert all(one.headers["retry-after"] for one in refused)
    assert {one.status_code for one in answers} == {200, 503}


def test_who_reads_an_answer_slowly_keeps_no_turn(site: Site) -> None:
    """As many downloads of a capture as there are turns, none of them read: others are still answered."""
    boot = site.daemon.store.boots(limit=1)[0]
    file = site.daemon.loaded.data / "captures" / "at286" / "a.pcapng"
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_bytes(b"x" * (1 << 20))
    site.daemon.store.save_boot(boot, capture=str(file))

    async def story() -> None:
        never, begun = asyncio.Event(), asyncio.Semaphore(0)

        async def receive() -> dict[str, Any]:
            await never.wait()
            return {"type": "http.disconnect"}

        async def send(message: Any) -> None:
            if message["type"] == "http.response.body":
                begun.release()
                await never.wait()

        path = f"/api/boots/{boot.id}/capture"
        scope = {"type": "http", "method": "GET", "path": path, "raw_path": path.encode(), "query_string": b"",
                 "headers": [(b"host", b"127.0.0.1")], "client": ("127.0.0.1", 5), "server": ("127.0.0.1", 80),
                 "scheme": "http", "root_path": "", "http_version": "1.1"}  # fmt: skip
        slow = [asyncio.create_task(site.app(dict(scope), receive, send)) for _ in range(turns.AT_ONCE)]
        for _ in slow:
            await asyncio.wait_for(begun.acquire(), 20)
        transport = httpx.ASGITransport(app=site.app)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8650") as client:
            assert (await asyncio.wait_for(client.get("/api/boots?limit=3"), 30)).status_code == 200
        for one in slow:
            one.cancel()
        await asyncio.gather(*slow, return_exceptions=True)

    asyncio.run(story())


# ---------------------------------------------------------------------- over a network


def test_plain_http_beyond_loopback_is_warned_of(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """127.1 is no loopback address in the form that is known, so it counts as any other; with TLS it is fine."""
    (tmp_path / "token").write_text(TOKEN)
    certificate(tmp_path, "server", None, "")
    for more, warned in (("", True), ('tls_cert = "server.pem"\ntls_key = "server.key"', False)):
        site = Site(tmp_path, f'token_file = "token"\n{more}')
        site.daemon.loaded.settings.http.__dict__["listen"] = "127.1:0"
        server = WebServer(site.daemon)
        caplog.clear()
        server.bind()
        assert ("unencrypted" in caplog.text) is warned
        assert server.url.startswith("http://" if warned else "https://")
        assert server._socket is not None
        server._socket.close()
        site.daemon.close()


def test_certificate_and_key_go_together_and_must_fit(tmp_path: Path) -> None:
    for name in ("tls_cert", "tls_key"):
        with pytest.raises(ValueError, match="go together"):
            Settings.model_validate({"http": {name: "x.pem"}})
    certificate(tmp_path, "one", None, "")
    certificate(tmp_path, "two", None, "")
    for cert, key in (("one.pem", "two.key"), ("none.pem", "one.key"), ("one.key", "one.key")):
        site = Site(tmp_path, f'tls_cert = "{cert}"\ntls_key = "{key}"')
        site.daemon.loaded.settings.http.__dict__["listen"] = "127.0.0.1:0"
        with pytest.raises(UsageError, match=cert):
            WebServer(site.daemon).bind()
        site.daemon.close()


def test_the_page_over_tls(folders: Callable[[str], Path]) -> None:
    """A certificate made by the openssl program: a client that trusts it gets in, one that does not and one that
    speaks plain HTTP do not; the cookie is for TLS only; `benchd live` knows the daemon by its certificate."""
    tmp_path = folders("the")
    certificate(tmp_path, "ca", None, "")
    certificate(tmp_path, "server", "ca", "subjectAltName=IP:127.0.0.1\n")
    (tmp_path / "token").write_text(TOKEN)
    rig = Rig(tmp_path, token_file='"token"', tls_cert='"server.pem"', tls_key='"server.key"')
    trust = ssl.create_default_context(cafile=str(tmp_path / "ca.pem"))
    url = rig.url.replace("http:", "https:")
    try:
        rig.launch()
        with httpx.Client(verify=trust, trust_env=False, base_url=url) as client:
            wait_for("the daemon answers", lambda: client.get("/login").status_code == 200)
            told = client.post("/login", data={"token": TOKEN, "next": "/"})
            assert told.status_code == 303 and "Secure" in told.headers["set-cookie"]
            assert client.get("/api/start").json()["guarded"]
            with socket.create_connection(("127.0.0.1", rig.port)):  # one that never begins TLS holds nobody up
                assert client.get("/api/health").status_code == 200
        for bad in (url, rig.url):
            with pytest.raises(httpx.TransportError), httpx.Client(trust_env=False) as stranger:
                stranger.get(bad + "/login")
        done = subprocess.run(
            [sys.executable, "-m", "benchd", "live", "--once", "--config", str(tmp_path / "bench.toml")],
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert done.returncode == 0 and "at286" in done.stdout, done.stderr
        assert "unencrypted" not in (tmp_path / "daemon.log").read_text()
    finally:
        rig.close()
    load_settings(tmp_path / "bench.toml")


# ---------------------------------------------------------------------- every no has one form


def wrong_requests(path: str, method: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield requests that a route must refuse, as far as it can be asked wrongly at all."""
    place = path
    for name in ("{boot_id}", "{machine}", "{name}", "{trial_id}"):
        place = place.replace(name, "n\u0378one")
    place = place.replace("{result_id}", "999999")
    many = "&".join(f"of={n}" for n in range(9))
    for query in ("", "?limit=x", "?limit=-1", "?move=" + "x" * 65, f"?{many}", "?of=none", "?gather=9", "?outcome=x"):
        yield place + query, {} if method == "GET" else {"json": {}}
    yield path.replace("{result_id}", "x").replace("{", "").replace("}", ""), {"json": []} if method != "GET" else {}
    if method != "GET":
        yield place, {"content": b"{", "headers": {"Content-Type": "application/json"}}
        yield place, {"content": b"x"}
        yield place, {"json": {"text": "x" * 5000, "study": STUDY, "check": "", "passed": "perhaps"}}
        yield place, {"json": {"study": STUDY, "machine": "nobody"}}
        yield place, {"json": {"study": "none", "check": "c", "passed": True, "text": "t"}}
        yield place, {"json": {}, "headers": {"Origin": "http://evil.example"}}
    else:
        yield "/api/maps/at286", {}
        yield "/api/maps/at286?move=x=C8000", {}
        yield place, {"headers": {"Host": "evil.example"}}
        yield "/api/none", {}
        yield "/static/none", {}


def test_every_no_has_the_published_form(site: Site) -> None:
    """Each refusal of each route is JSON that fits the schema which OpenAPI has for its status, and one model."""
    api = site.ask("GET", "/api/openapi.json").json()
    seen: set[tuple[str, int]] = set()
    for path, ways in api["paths"].items():
        for method in ways:
            for place, more in wrong_requests(path, method.upper()):
                if path == "/api/live" and not place.endswith("gather=9"):
                    continue
                told = site.ask(method.upper(), place, **more)
                if told.status_code < 400:
                    continue
                seen.add((path, told.status_code))
                assert told.status_code < 500, (place, told.text)
                forms = ways[method]["responses"]
                form = forms.get(str(told.status_code)) or forms[f"{told.status_code // 100}XX"]
                schema = form["content"]["application/json"]["schema"]
                jsonschema.Draft202012Validator({**schema, "components": api["components"]}).validate(told.json())
                assert Refusal.model_validate(told.json()).detail
    asked_wrongly = {path for path, _ in seen}
    assert set(api["paths"]) - asked_wrongly == set()
    assert {status for _, status in seen} >= {403, 404, 415, 421, 422}
    assert "HTTPValidationError" not in api["components"]["schemas"]


def test_a_failure_of_ours_has_it_too(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(site.daemon.store, "boots", lambda **asked: 1 / 0)

    async def one() -> httpx.Response:
        transport = httpx.ASGITransport(app=site.app, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8650") as client:
            return await client.get("/api/boots")

    told = asyncio.run(one())
    assert told.status_code == 500 and "report" in Refusal.model_validate(told.json()).detail
    assert "ZeroDivision" not in told.text
