"""The JSON interface says what the command line says, and what the machine did; OpenAPI describes it."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import jsonschema
import pytest
from typer.testing import CliRunner
from web.rig import MACHINE, MAP, STUDY, Rig, save_many, save_story, save_study

from benchd.cli.main import build
from benchd.demo import at286
from benchd.demo.steps import PowerOff, PowerOn
from benchd.rom.layout import KINDS
from benchd.sinks.page_feed import PageFeed
from benchd.web.live import pictures


@pytest.fixture(scope="module")
def site(folders: Callable[[str], Path]) -> Any:
    """A bench with stored boots, trials, and one boot just seen from the simulated machine."""
    rig = Rig(folders("api"))
    try:
        save_study(rig.store, rig.folder)
        save_many(rig.store, 30)
        save_story(rig.store)
        rig.start()
        rig.wait_links()
        rig.play(at286.boot_script(at286.START, "ready"))
        rig.boot_ended(30 + 12 + 1)
        yield rig
    finally:
        rig.close()


def told(rig: Rig, *arguments: str) -> Any:
    """What `benchd ... --json` prints."""
    done = CliRunner().invoke(build(), [*arguments, "--json"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def config(rig: Rig) -> list[str]:
    return ["--config", str(rig.folder / "bench.toml")]


def test_boots_are_those_of_the_command_line(site: Rig) -> None:
    newest = site.get("/api/boots?limit=5")
    assert newest == told(site, "boots", "--limit", "5", *config(site))[::-1], "the page wants the newest first"
    one = newest[0]["id"]  # type: ignore[index]
    assert site.get(f"/api/boots/{one}") == newest[0]  # type: ignore[index]
    assert site.get(f"/api/boots/{one}/page")["boot"] == newest[0]  # type: ignore[index,call-overload]


def test_studies_are_those_of_the_command_line(site: Rig) -> None:
    assert site.get("/api/studies/storage%20rom/why") == told(site, "why", STUDY, *config(site))
    assert site.get("/api/studies/storage%20rom/next?limit=5")["next"] == told(site, "next", STUDY, *config(site))  # type: ignore[index,call-overload]
    page: Any = site.get("/api/studies/storage%20rom")
    assert page["trials"] == told(site, "trial", "list", "--study", STUDY, *config(site))


def test_comparisons_are_those_of_the_command_line(site: Rig) -> None:
    page: Any = site.get("/api/compare?of=T1&of=T3")
    assert page["comparison"] | {"others": []} == told(site, "compare", "T1", "T3", *config(site)) | {"others": []}
    assert [group["name"] for group in page["groups"]] == ["T1", "T3"]


def test_maps_are_those_of_the_command_line(site: Rig, tmp_path: Path) -> None:
    """As it stands; and with a jumper moved on the page or in the file, which must be the same."""
    stands: Any = site.get("/api/maps/at286")
    assert stands["map"] == told(site, "map", str(site.folder / "map.toml"))
    moved = MAP.replace('base = "D0000"\nsize = "8K"', 'base = "C8000"\nsize = "8K"')
    assert moved != MAP
    (tmp_path / "map.toml").write_text(moved)
    (tmp_path / "storage.bin").write_bytes((site.folder / "storage.bin").read_bytes())
    what_if: Any = site.get("/api/maps/at286?move=storage%20ROM=C8000")
    assert what_if["map"] == told(site, "map", str(tmp_path / "map.toml"))
    assert what_if["moved"] == {"storage ROM": 0xC8000} and not what_if["map"]["overlaps"]


def test_a_map_with_every_kind_of_window_is_shown(site: Rig) -> None:
    """Shadow RAM, blocks and page frames too, with what they hide."""
    path = site.folder / "map.toml"
    path.write_text(
        MAP
        + "".join(
            f'[[window]]\nname = "a {kind}"\nbase = "{0xE0000 + 0x1000 * n:05X}"\nsize = "16K"\nkind = "{kind}"\n'
            for n, kind in enumerate(KINDS)
        )
    )
    try:
        page: Any = site.get("/api/maps/at286")
        assert {window["kind"] for window in page["windows"]} == set(KINDS)
        assert page["map"] == told(site, "map", str(path)) and page["map"]["hidden"]
    finally:
        path.write_text(MAP)


def test_a_boot_s_record_is_what_the_machine_sent(site: Rig) -> None:
    """Codes and lines against the simulated machine's own plan, within a UART's byte time (10 bits at 9600
    baud, 1.04 ms), the tracker's uncertainty and 20 ms of a busy machine."""
    boot = site.store.boots(limit=1)[0]
    script = at286.boot_script(at286.START, "ready")
    plan = site.sims[MACHINE].plan(1, (PowerOn(), *script, PowerOff(1.0)))
    sent = [(one.t_s, f"{one.byte:02X}") for one in plan.sent if one.link == "post"]
    record: Any = site.get(f"/api/boots/{boot.id}/record")
    assert [code["code"] for code in record["codes"]] == [code for _, code in sent]
    for code, (t_s, _) in zip(record["codes"], sent, strict=True):
        assert code["t"] == pytest.approx(t_s - sent[0][0], abs=0.03)
    text = plan.data("console").decode("cp437").replace("\r\n", "\n")
    wanted = [line.rsplit("\r", 1)[-1] for line in text.split("\n") if line]
    assert [line["text"] for line in record["lines"]] == wanted
    assert record["problem"] is None and record["left_out"] == 0


def test_the_capture_is_downloaded_whole(site: Rig) -> None:
    """The same bytes; a pcapng section header block (0A0D0D0Ah, draft-ietf-opsawg-pcapng 4.1) comes first."""
    boot = site.store.boots(limit=1)[0]
    path = Path(str(site.store.capture_of(boot.id)))
    with httpx.Client(trust_env=False) as client:
        answer = client.get(f"{site.url}/api/boots/{boot.id}/capture")
    assert answer.content[:4] == b"\x0a\x0d\x0d\x0a"
    assert path.read_bytes().startswith(answer.content) or answer.content.startswith(path.read_bytes())
    assert path.name in answer.headers["content-disposition"]


def test_a_capture_that_is_gone_or_elsewhere_is_not_given(site: Rig, tmp_path: Path) -> None:
    """A path outside the data folder is never served, whatever the store says."""
    outside = tmp_path / "secret"
    outside.write_text("secret")
    boot = site.store.boots(limit=20)[-1]
    site.store.save_boot(boot, capture=str(outside))
    with httpx.Client(trust_env=False) as client:
        assert client.get(f"{site.url}/api/boots/{boot.id}/capture").status_code == 404
    page: Any = site.get(f"/api/boots/{boot.id}/page")
    assert page["capture"] is None
    record: Any = site.get(f"/api/boots/{boot.id}/record")
    assert "not there" in record["problem"]


def test_usual_times_are_those_of_good_boots(site: Rig) -> None:
    """Quartiles against numpy's, over what the store has; the ladder in the table's order."""
    import numpy as np

    table: Any = site.get("/api/machines/at286/table")
    assert table["ladder"][0] == "processor" and table["ladder"][-1] == "hand-over"
    times = site.store.good_times(MACHINE, "demo-at286")["memory"]
    usual = next(one for one in table["usual"] if one["stage"] == "memory")
    assert usual["n"] == len(times) > 20
    for name, q in (("low", 0), ("quarter", 25), ("median", 50), ("three_quarters", 75), ("high", 100)):
        assert usual[name] == pytest.approx(float(np.percentile(times, q)))
    assert table["meanings"]["45"] == "the storage adapter's ROM has been entered"


def test_openapi_describes_every_answer(site: Rig) -> None:
    """Each path of /api stands in it; answers fit their schemas (jsonschema, Draft 2020-12, which OpenAPI 3.1
    uses); the boot's schema has the fields of `benchd schema boot`."""
    api: Any = site.get("/api/openapi.json")
    assert api["openapi"].startswith("3.1")
    newest = site.store.boots(limit=1)[0]
    site.store.save_boot(newest.model_copy(update={"model": "board-a"}))
    boot = newest.id
    asked = {
        "/api/boots": "/api/boots?limit=3",
        "/api/boots/{boot_id}": f"/api/boots/{boot}",
        "/api/boots/{boot_id}/page": f"/api/boots/{boot}/page",
        "/api/boots/{boot_id}/record": f"/api/boots/{boot}/record",
        "/api/machines": "/api/machines",
        "/api/machines/{machine}/table": "/api/machines/at286/table",
        "/api/compare": "/api/compare?of=T1&of=T2&of=T3",
        "/api/maps/{machine}": "/api/maps/at286",
        "/api/studies": "/api/studies",
        "/api/studies/{name}": "/api/studies/storage%20rom",
        "/api/studies/{name}/why": "/api/studies/storage%20rom/why",
        "/api/studies/{name}/next": "/api/studies/storage%20rom/next",
        "/api/trials": "/api/trials",
        "/api/trials/{trial_id}": "/api/trials/T1",
        "/api/models": "/api/models",
        "/api/models/{name}": "/api/models/board-a",
        "/api/models/{name}/shared": "/api/models/board-a/shared",
        "/api/results": "/api/results?trial=T1",
        "/api/log": "/api/log?limit=5",
        "/api/deleted": "/api/deleted",
        "/api/start": "/api/start",
        "/api/health": "/api/health",
    }
    reading = {path for path, ways in api["paths"].items() if "get" in ways}
    files = {"/api/boots/{boot_id}/capture", "/api/compare/times.svg", "/api/reporter/{kind}"}
    assert reading == set(asked) | {"/api/live"} | files
    for path, real in asked.items():
        schema = api["paths"][path]["get"]["responses"]["200"]["content"]["application/json"]["schema"]
        whole = {**schema, "components": api["components"]}
        jsonschema.Draft202012Validator(whole).validate(site.get(real))
    shipped = told(site, "schema", "boot")
    assert set(api["components"]["schemas"]["Boot"]["properties"]) == set(shipped["properties"])


def test_mistakes_come_back_as_sentences(site: Rig) -> None:
    with httpx.Client(trust_env=False, base_url=site.url) as client:
        for path, status, words in (
            ("/api/boots/none", 404, "no boot"),
            ("/api/studies/none", 404, "no study"),
            ("/api/compare?of=T1&of=T99", 404, "T99"),
            ("/api/maps/none", 404, "no machine"),
            ("/api/maps/at286?move=x=C8000", 422, "WINDOW=ADDRESS"),
            ("/api/maps/at286?move=storage%20ROM=FFFFF", 422, "reach past"),
            ("/api/machines/none/table", 404, "no machine"),
            ("/api/trials/T99", 404, "no trial"),
        ):
            answer = client.get(path)
            assert answer.status_code == status and words in answer.json()["detail"], path
        answer = client.post("/api/trials", json={"study": STUDY, "machine": "x\u202e", "changes": {}})
        assert answer.status_code == 422 and "no machine is called" in answer.json()["detail"]
        answer = client.post("/api/trials", json={"study": STUDY, "changes": {"rom-base": "E000"}})
        assert answer.status_code == 422 and "no level" in answer.json()["detail"]
        answer = client.post("/api/trials", json={"study": STUDY, "changes": {"rom-image": "late", "cable": "long"}})
        assert answer.status_code == 422 and "excludes" in answer.json()["detail"]
        answer = client.post("/api/results", json={"check": "goal", "passed": "perhaps"})
        assert answer.status_code == 422


@pytest.mark.parametrize(
    "value", [r'"\ud800"', "NaN", "-Infinity", "[" * 200 + "]" * 200, '{"\\udfff": NaN}'], ids=ascii
)
def test_what_json_can_say_and_utf_8_cannot_is_refused_in_words(site: Rig, value: str) -> None:
    """Half a surrogate pair and numbers that JSON does not have (RFC 8259, sections 6 and 8.2): 422, never 500."""
    head = {"Content-Type": "application/json"}
    for path, body in [
        ("/api/trials", '{"study": %s, "machine": "x", "changes": {}}'),
        ("/api/trials", '{"study": "s", "machine": "x", "changes": {%s: 1}}' if value[0] == '"' else '{"changes": %s}'),
        ("/api/results", '{"check": %s, "passed": true}'),
        ("/api/results", '{"check": "c", "passed": %s}'),
    ]:
        answer = httpx.post(site.url + path, content=body % value, headers=head, trust_env=False)
        assert answer.status_code in (404, 422), (path, body % value, answer.text)
        assert answer.json()["detail"]


def test_a_plan_begins_nothing(site: Rig) -> None:
    """`plan_only` tells repeats, several changes and the caution, and starts no trial."""
    before = site.store.trials()
    plan: Any = site.post(
        "/api/trials", {"study": STUDY, "changes": {"rom-base": "C800", "slot": "5"}, "plan_only": True}
    )
    assert plan["started"] is None and site.store.trials() == before
    assert [change["factor"] for change in plan["changes"]] == ["rom-base", "slot"]
    assert any("2 things change" in text for text in plan["remarks"]) and any("CAUTION" in t for t in plan["remarks"])


def test_a_slow_listener_gets_the_newest_picture_and_holds_nothing_back() -> None:
    """10,000 changes while a listener sleeps: it is told the name once, the sink holds one name for it."""

    async def story() -> None:
        now = PageFeed()
        now.add("m", "t", ["a"], ["post"])
        stream = pictures(now, 0.02, 10, 10)
        assert (await anext(stream)).startswith("retry")
        assert "event: machine" in await anext(stream)
        waiting = asyncio.ensure_future(anext(stream))
        await asyncio.sleep(0.05)
        for n in range(10_000):
            now.describe("m", trial=f"T{n}")
        assert now.status()["queued"] <= 1
        assert '"trial":"T9999"' in await waiting
        await now.close()
        with pytest.raises(StopAsyncIteration):
            while True:
                await asyncio.wait_for(anext(stream), 30)

    asyncio.run(story())
