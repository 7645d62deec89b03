"""Putting right over HTTP: what is entered wrongly is moved, left out, taken back, deleted and brought back."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from studies.test_undo import STUDY, boot

from benchd.daemon import Daemon
from benchd.settings import load_settings
from benchd.store import Store
from benchd.web.app import make_app

SETTINGS = """\
[http]
listen = "127.0.0.1:0"
[[machine]]
name = "at286"
rules = "demo-at286"
[[machine.link]]
kind = "post"
port = "/dev/null"
"""
TOKEN = "0123456789abcdef0123456789abcdef"


class Asked:
    """Requests to a bench without any machine that runs; the answer's JSON, or its status and sentence."""

    def __init__(self, client: httpx.AsyncClient, store: Store) -> None:
        self.client, self.store = client, store

    async def __call__(self, method: str, path: str, status: int = 200, **body: Any) -> Any:
        sent = {"json": body} if method != "GET" else {}
        answer = await self.client.request(method, path, **sent)
        assert answer.status_code == status, (path, answer.status_code, answer.text)
        return answer.json() if answer.content else None


Story = Callable[[Asked], Awaitable[None]]


@pytest.fixture
def play(tmp_path: Path) -> Callable[..., None]:
    """Play a story on a bench with study s, trials T1 (two boots) and T2 (one), the second one running."""
    config = tmp_path / "bench.toml"
    config.write_text(SETTINGS)

    def run(story: Story, headers: dict[str, str] | None = None) -> None:
        async def whole() -> None:
            daemon = Daemon(load_settings(config))
            try:
                transport = httpx.ASGITransport(make_app(daemon))
                async with httpx.AsyncClient(
                    transport=transport, base_url="http://127.0.0.1", headers=headers
                ) as client:
                    await story(Asked(client, daemon.store))
            finally:
                daemon.close()

        asyncio.run(whole())

    async def begin(ask: Asked) -> None:
        made = await ask("POST", "/api/studies", name="s", toml=STUDY)
        assert made["study"]["name"] == "s" and made["unchecked"] == []
        await ask("POST", "/api/trials", study="s")
        await ask("POST", "/api/trials", study="s", changes={"rom-base": "D000"}, end_running="T1")
        for n, trial in enumerate(("T1", "T1", "T2")):
            ask.store.save_boot(boot(f"b{n + 1}", trial, ok=n != 1, minute=n))

    run(begin)
    return run


def test_boots_are_moved_left_out_and_written_on(play: Callable[..., None]) -> None:
    """Each answers with the boot; the log has it all by the page; what cannot be is said with 404 and 422."""

    async def story(ask: Asked) -> None:
        assert (await ask("POST", "/api/boots/b1/move", trial="T2"))["trial"] == "T2"
        assert (await ask("POST", "/api/boots/b1/move", trial=None))["trial"] is None
        assert (await ask("POST", "/api/boots/b2/leave-out", reason="mains failed"))["left_out"] == "mains failed"
        assert (await ask("POST", "/api/boots/b2/note", text="hm"))["note"] == "hm"
        assert (await ask("POST", "/api/boots/b2/labels", labels=["cold"]))["labels"] == ["cold"]
        page = await ask("GET", "/api/studies/s")
        (verdict,) = page["trials"][0]["boots"]
        assert (verdict["boot"], verdict["ok"], verdict["left_out"]) == ("b2", None, "mains failed")
        assert "left_out" not in await ask("POST", "/api/boots/b2/count")
        await ask("POST", "/api/boots/b9/move", 404, trial="T1")
        assert "no trial 'T9'" in (await ask("POST", "/api/boots/b1/move", 404, trial="T9"))["detail"]
        assert "say why" in (await ask("POST", "/api/boots/b1/leave-out", 422, reason=" "))["detail"]
        assert "no comma" in (await ask("POST", "/api/boots/b1/labels", 422, labels=["a,b"]))["detail"]
        log = await ask("GET", "/api/log?boot=b1")
        assert [(one["kind"], one["before"], one["after"], one["by"]) for one in log] == [
            ("boot-moved", "T1", "T2", "page"), ("boot-moved", "T2", None, "page")
        ]  # fmt: skip
        assert log[0]["what"] == "boot b1 moved: trial T1 -> T2"
        assert len(await ask("GET", "/api/log?limit=2")) == 2

    play(story)


def test_results_outside_any_trial_are_shown(play: Callable[..., None]) -> None:
    """On the boot's page and in a list; taken back it is neither, and can be put back; an unknown check is refused."""

    async def story(ask: Asked) -> None:
        ask.store.save_boot(boot("x1", None, minute=9))
        refused = await ask("POST", "/api/results", 422, check="gaol", passed=True, boot="x1")
        assert "is goal meant?" in refused["detail"]
        number = (await ask("POST", "/api/results", check="video", passed=True, boot="x1", new=True))["id"]
        page = await ask("GET", "/api/boots/x1/page")
        assert page["outside"] and [one["id"] for one in page["results"]] == [number]
        assert [one["id"] for one in await ask("GET", "/api/results?outside=true")] == [number]
        await ask("DELETE", f"/api/results/{number}", 204)
        page = await ask("GET", "/api/boots/x1/page")
        assert not page["outside"] and [one["id"] for one in page["taken_back"]] == [number]
        await ask("DELETE", f"/api/results/{number}", 404)
        assert (await ask("POST", f"/api/results/{number}/put-back"))["id"] == number
        await ask("POST", f"/api/results/{number}/put-back", 404)
        await ask("POST", "/api/boots/x1/move", trial="T2")
        assert await ask("GET", "/api/results?outside=true") == []
        assert [one["id"] for one in await ask("GET", "/api/results?trial=T2")] == [number]

    play(story)


def test_starting_while_one_runs_is_refused_until_that_one_is_named(play: Callable[..., None]) -> None:
    """409 with what runs; another id does not do; a plan is not refused, and tells what runs."""

    async def story(ask: Asked) -> None:
        refused = await ask("POST", "/api/trials", 409, study="s")
        assert refused["running"]["id"] == "T2" and refused["boots"] == 1 and refused["results"] == 0
        assert "trial T2 of study s runs on at286" in refused["detail"]
        await ask("POST", "/api/trials", 409, study="s", end_running="T1")
        plan = await ask("POST", "/api/trials", study="s", plan_only=True)
        assert plan["running"]["id"] == "T2" and plan["started"] is None
        done = await ask("POST", "/api/trials", study="s", end_running="T2", name="once more")
        assert done["started"]["trial"]["id"] == "T3" and done["started"]["trial"]["name"] == "once more"
        assert (await ask("GET", "/api/trials/T2"))["ended"] is not None
        unknown = await ask("POST", "/api/trials", 422, study="s", machine="at268")
        assert "is at286 meant?" in unknown["detail"]

    play(story)


def test_a_boot_that_began_just_before_is_offered(play: Callable[..., None]) -> None:
    """The answer names it; the request can take it; a button can do so afterwards."""

    async def story(ask: Asked) -> None:
        began = (datetime.now().astimezone() - timedelta(seconds=20)).isoformat()
        ask.store.save_boot(boot("new", "T2").model_copy(update={"started": began}))
        done = await ask("POST", "/api/trials", study="s", end_running="T2")
        offered = done["boot_before"]
        assert (offered["boot"], offered["trial"]) == ("new", "T2") and 15 < offered["began_s"] <= 60
        assert offered["words"].startswith("A boot began ")
        await ask("POST", "/api/boots/new/move", trial="T3")
        assert (await ask("POST", "/api/trials", study="s", plan_only=True))["boot_before"]["trial"] == "T3"
        done = await ask("POST", "/api/trials", study="s", end_running="T3", boot="new")
        assert done["boot_before"] is None and (await ask("GET", "/api/boots/new"))["trial"] == "T4"

    play(story)


def test_trials_and_studies_are_deleted_and_brought_back(play: Callable[..., None], tmp_path: Path) -> None:
    """A trial with boots is not (409); a study asks first (409 with what it has), and is written out."""

    async def story(ask: Asked) -> None:
        assert (await ask("POST", "/api/trials/T1/name", name="first"))["name"] == "first"
        assert "has boots (b1, b2)" in (await ask("DELETE", "/api/trials/T1", 409))["detail"]
        await ask("DELETE", "/api/trials/T9", 404)
        await ask("POST", "/api/boots/b3/move", trial="T1")
        await ask("DELETE", "/api/trials/T2", 204)
        assert [one["id"] for one in await ask("GET", "/api/trials")] == ["T1"]
        assert [one["id"] for one in (await ask("GET", "/api/deleted"))["trials"]] == ["T2"]
        assert (await ask("POST", "/api/trials/T2/restore"))["id"] == "T2"
        asked = await ask("POST", "/api/studies/s/delete", 409)
        assert (asked["trials"], asked["boots"], asked["results"]) == (2, 3, 0)
        gone = await ask("POST", "/api/studies/s/delete", yes=True)
        assert Path(gone["file"]).is_relative_to(tmp_path) and Path(gone["file"]).is_file()
        assert await ask("GET", "/api/studies") == []
        assert [one["name"] for one in (await ask("GET", "/api/deleted"))["studies"]] == ["s"]
        assert (await ask("POST", "/api/studies/s/restore"))["trials"] == 2
        await ask("POST", "/api/studies/s/restore", 404)
        await ask("POST", "/api/studies/none/delete", 404)

    play(story)


def test_a_study_is_made_of_text_or_of_a_document(play: Callable[..., None]) -> None:
    """What is wrong with it comes back as a sentence: the goal's target, the form, a name that is taken."""

    async def story(ask: Asked) -> None:
        document = {"goal": {"kind": "stage-reached", "target": "memory"}, "factor": [{"name": "a", "levels": ["1"]}]}
        assert (await ask("POST", "/api/studies", name="d", document=document))["study"]["factors"] == 1
        assert "already" in (await ask("POST", "/api/studies", 422, name="d", document=document))["detail"]
        wrong = STUDY.replace("storage-rom", "storge-rom")
        assert "is storage-rom meant?" in (await ask("POST", "/api/studies", 422, name="w", toml=wrong))["detail"]
        assert "either" in (await ask("POST", "/api/studies", 422, name="w"))["detail"]
        bad = {"factor": [{"name": "a", "levels": ["1"], "colour": "red"}]}
        assert "colour" in (await ask("POST", "/api/studies", 422, name="w", document=bad))["detail"]

    play(story)


def test_all_of_it_is_behind_the_token(play: Callable[..., None], tmp_path: Path) -> None:
    """Without the token nothing is read or changed; with it all is as without one."""
    (tmp_path / "token").write_text(TOKEN)
    config = tmp_path / "bench.toml"
    config.write_text(SETTINGS.replace('"127.0.0.1:0"', '"127.0.0.1:0"\ntoken_file = "token"'))
    paths = (
        "boots/b1/move", "boots/b1/leave-out", "boots/b1/count", "boots/b1/note", "boots/b1/labels", "studies",
        "studies/s/delete", "studies/s/restore", "trials/T1/name", "trials/T1/restore", "results/1/put-back",
    )  # fmt: skip

    async def refused(ask: Asked) -> None:
        for path in paths:
            await ask("POST", f"/api/{path}", 401)
        await ask("DELETE", "/api/trials/T1", 401)
        for path in ("log", "deleted", "results"):
            await ask("GET", f"/api/{path}", 401)

    async def let_in(ask: Asked) -> None:
        assert (await ask("POST", "/api/boots/b1/move", trial="T2"))["trial"] == "T2"

    play(refused)
    play(let_in, {"Authorization": f"Bearer {TOKEN}"})
