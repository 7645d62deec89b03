"""The page over all benches: read only, what a club wants on the wall, at a phone's and a laptop's width."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from archive.archive_peer import ArchiveProcess, say, wait
from archive.telling import AT, Bench, bench_of
from sinks.broker_peer import Mosquitto
from web.conftest import Browser

from benchd.sinks.mqtt.payloads import MachineAlert, MachineState, StandingAlert

pytestmark = pytest.mark.peer("mosquitto", "chromium", "chromedriver")

MEANS = "Two in one window."
BUTTONS = "return [...document.querySelectorAll('main button')].map((b) => b.innerText.trim())"
CHANGES = "return document.querySelectorAll('main form, main textarea, header a[href=\"/map\"]').length"


def live(bench: Bench, machine: str, *, stuck: bool) -> list[tuple[str, bytes]]:
    state = MachineState(
        bench=bench.name, at=AT, machine=machine, boot=None, outcome="stalled" if stuck else "running",
        stage="rom-scan", code="40", links={"post": True}, stuck=stuck,
    )  # fmt: skip
    standing = StandingAlert(
        kind="stall", rule="scan", since=AT, stage="rom-scan", code="40", means="Two in one window."
    )
    alert = MachineAlert(bench=bench.name, at=AT, machine=machine, standing=[standing] if stuck else [])
    return [
        (bench.topics.of(machine, "state"), state.model_dump_json().encode()),
        (bench.topics.of(machine, "alert"), alert.model_dump_json().encode()),
    ]


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ArchiveProcess]:
    folder: Path = tmp_path_factory.mktemp("page")
    broker = Mosquitto(folder / "broker")
    broker.start()
    process = ArchiveProcess(folder / "archive", broker.port, str(folder / "archive.db"), "club")
    process.start()
    benches = [bench_of(folder / name, name, seed) for seed, name in enumerate(("corner", "attic bench"), 1)]
    try:
        wait(process.online, "the archive is online")
        messages = [message for bench in benches for message in bench.everything()]
        messages += [*live(benches[0], "at286", stuck=True), *live(benches[1], "at286", stuck=False)]
        say(broker.port, [*messages, benches[0].status(), benches[1].status(online=False)])
        wait(lambda: process.get("/api/archive/behind").get("benches", []) != [], "all is there")
        wait(
            lambda: process.get("/api/archive/behind")["missing"] == 0 and len(process.get("/api/archive/now")) == 2,
            "all",
        )
        yield process
    finally:
        process.stop()
        broker.stop()


@pytest.mark.peer("npm")
@pytest.mark.parametrize("width", [390, 1280])
def test_every_view_of_an_archive_is_read_only(
    archive: ArchiveProcess,
    browser: Browser,
    serious: Callable[[Browser], list[str]],
    width: int,
) -> None:
    """Each view comes up, fits the width, and has no button that would change something."""
    stalled = archive.get("/api/boots?outcome=stalled&limit=1")[0]["id"]
    modelled = archive.get("/api/boots?machine=xt%40corner&limit=1")[0]["id"]
    views = {
        "wall": ("/", ".tile .wall-alert"),
        "boots": ("/boots", ".boot-row .outcome"),
        "boot": (f"/boot/{stalled}", ".care"),
        "boot of a model": (f"/boot/{modelled}", "#of-model tbody tr:nth-child(3)"),
        "compare": ("/compare?of=T1@corner&of=T3@corner", ".parting"),
        "studies": ("/studies", "main a[href^='/study/']"),
        "models": ("/models", "main a[href='/model/m8088']"),
        "model": ("/model/m8088", ".place .tick"),
        "study": ("/study/storage%20rom%40corner", ".cause .share"),
    }
    for name, (path, wanted) in views.items():
        browser.open(archive.url + path, width=width)
        browser.until("return document.querySelector(arguments[0]) !== null", 15, wanted)
        assert browser.js("return document.documentElement.scrollWidth") <= width, name
        words = browser.js(BUTTONS)
        assert isinstance(words, list)
        assert set(words) <= {"Compare", "Link to share", ""}, (name, words)
        assert browser.js(CHANGES) == (name == "compare"), name  # its form asks what to compare
        if width == 1280:
            assert serious(browser) == [], name
        browser.driver.save_screenshot(str(archive.folder / f"{name}-{width}.png"))
    assert browser.complaints() == []


def test_the_wall_names_who_needs_somebody(archive: ArchiveProcess, browser: Browser) -> None:
    """A stall comes first and in words; a bench that is not there is said to be silent; boots are one step away."""
    browser.open(archive.url + "/", width=1280)
    tiles = browser.js("return [...document.querySelectorAll('.tile')].map((t) => t.innerText)")
    assert isinstance(tiles, list)
    assert "at286 on corner" in tiles[0].replace("\n", " ")
    assert "STALLED" in tiles[0]
    assert "Two in one window." in tiles[0]
    assert "its bench is not there" in tiles[1]
    assert browser.js("return document.querySelector('.wall-sum').textContent") == (
        "1 machine needs somebody; 2 machines on 2 benches; 1 bench silent."
    )
    browser.js("document.querySelector('.tile a').click()")
    browser.until("return document.querySelectorAll('.boot-row').length > 0")
    assert browser.js("return location.search") == "?machine=at286%40corner"
    boot = archive.get("/api/boots?limit=1")[0]["id"]
    assert "on its bench" in archive.get(f"/api/boots/{boot}/record")["problem"]
