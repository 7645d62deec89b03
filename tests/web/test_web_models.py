"""Models of machines on the page: a boot beside those of its model on all benches, with the archive there and away."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from web.conftest import Browser
from web.rig import LADDER, MACHINE, Rig, save_study, stored_boot

from benchd.errors import UsageError
from benchd.store import Store
from benchd.web import shared_models
from benchd.web.shared_models import SharedModels

START = datetime(2026, 2, 1, tzinfo=UTC)
FATES = ("ready", "ready", "stuck", "ready", "skipped", "ready")
MODEL = "clone-286"
ROWS = "[...document.querySelectorAll('#of-model tbody tr')]"
CELLS = f"return {ROWS}.map((row) => [...row.children].map((cell) => cell.innerText))"


def put(store: Store, count: int, *, bench: str = "", model: str = MODEL, seed: int = 1) -> None:
    """Boots of a model; `bench`: as an archive has them."""
    at = f"@{bench}" if bench else ""
    for n in range(count):
        boot = stored_boot(n, FATES[n % len(FATES)], START + timedelta(minutes=5 * n), seed=seed)
        store.save_boot(boot.model_copy(update={"id": f"{boot.id}{at}", "machine": f"{MACHINE}{at}", "model": model}))


def daemon_of(folder: Path, named: bool = True) -> Any:
    """What is needed of a bench whose archive is a file in its folder."""
    settings = SimpleNamespace(archive=object() if named else None)
    return SimpleNamespace(loaded=SimpleNamespace(settings=settings, archive_url=str(folder / "archive.db")))


def test_what_cannot_be_had_is_said_and_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No archive named: nothing. None there: why, for some seconds. There: figures, which are kept for a while."""
    assert asyncio.run(SharedModels(daemon_of(tmp_path, named=False), False).of(MODEL)).model_dump() == {
        "view": None, "problem": "",
    }  # fmt: skip

    async def story() -> None:
        shared = SharedModels(daemon_of(tmp_path), False)
        assert "there is no store at" in (await shared.of(MODEL)).problem
        with Store.open(tmp_path / "archive.db") as archive:
            put(archive, 12, bench="attic")
            assert "there is no store at" in (await shared.of(MODEL)).problem
            monkeypatch.setattr(shared_models, "AGAIN_S", 0.0)
            assert (await shared.of("other")).problem == "the archive has no boot of a model 'other' yet"
            shared._known.clear()
            view = (await shared.of(MODEL)).view
            assert view is not None and (view.boots, view.by, view.places[0].counts) == (12, "bench", {"attic": 2})
            put(archive, 18, bench="corner", seed=2)
            assert (await shared.of(MODEL)).view == view
            monkeypatch.setattr(shared_models, "KEEP_S", 0.0)
            shared._known.clear()
            again = (await shared.of(MODEL)).view
            assert again is not None and again.boots == 30

    asyncio.run(story())


def test_who_waits_for_an_archive_that_says_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each is told so after a stated time; it is read once for all of them, and is there when it has answered."""
    monkeypatch.setattr(shared_models, "WAIT_S", 0.05)
    monkeypatch.setattr(shared_models, "MODELS_MOST", 2)
    go, reads = threading.Event(), []

    def slow(model: str) -> None:
        reads.append(model)
        assert go.wait(60)
        raise UsageError(f"nothing of {model}")

    async def story() -> None:
        shared = SharedModels(daemon_of(tmp_path), False)
        monkeypatch.setattr(shared, "_view", slow)
        told = await asyncio.gather(*(shared.of(name) for name in ("a", "a", "b", "c")))
        assert [one.problem for one in told] == [
            *["the archive has not answered within 0.05 s: look again in a while"] * 3,
            "too many models are asked for at once: ask again",
        ]
        go.set()
        while shared._reading:
            await asyncio.sleep(0.01)
        assert [(await shared.of(name)).problem for name in ("a", "b")] == ["nothing of a", "nothing of b"]
        assert reads == ["a", "b"]

    asyncio.run(story())


@pytest.fixture(scope="module")
def shared(folders: Callable[[str], Path]) -> Iterator[Rig]:
    """A bench whose settings name a model and an archive, which is not there yet."""
    rig = Rig(folders("models"))
    path = rig.folder / "bench.toml"
    text = path.read_text().replace("[http]", '[archive]\nstore = "archive.db"\n[http]', 1)
    path.write_text(text.replace(f'name = "{MACHINE}"\n', f'name = "{MACHINE}"\nmodel = "{MODEL}"\n', 1))
    save_study(rig.store, rig.folder)
    put(rig.store, 6)
    rig.start()
    yield rig
    rig.close()


def settled(browser: Browser) -> None:
    browser.until("return document.querySelector('#of-model [data-asked]') !== null")


@pytest.mark.peer("chromium", "chromedriver")
def test_a_boot_of_a_model_while_the_archive_is_away(shared: Rig, browser: Browser) -> None:
    """The page is there whole, and says what it could not reach; the model's page has what this bench has."""
    lone = stored_boot(50, "stuck", START - timedelta(days=1)).model_copy(update={"model": "lone"})
    shared.store.save_boot(lone)
    browser.open(f"{shared.url}/boot/{lone.id}", width=390)
    settled(browser)
    words = str(browser.js("return document.querySelector('#of-model').innerText"))
    assert "Boots on other benches cannot be shown: there is no store at" in words
    assert browser.js("return document.querySelectorAll('.drawing .bar').length") == len(lone.stages)
    browser.js("document.querySelector('#of-model a').click()")
    browser.until("return document.querySelector('#shared .wait') !== null")
    assert browser.js("return document.querySelectorAll('.place').length") == 1
    assert browser.js("return document.documentElement.scrollWidth") <= 390
    assert browser.complaints() == []


@pytest.mark.peer("chromium", "chromedriver", "npm")
@pytest.mark.parametrize("width", [390, 1280])
def test_a_boot_beside_its_model_on_all_benches(
    shared: Rig, browser: Browser, serious: Callable[[Browser], list[str]], width: int
) -> None:
    """Each stage's usual time on all benches stands beside its own (numpy's percentiles), and where boots stand."""
    with Store.open(shared.folder / "archive.db") as archive:
        put(archive, 30, bench="attic", seed=7)
        put(archive, 12, bench="corner", seed=8)
        times = archive.model_times(MODEL)["demo-at286"]
    stuck = shared.store.boots(outcome="stalled", machine=MACHINE, limit=1)[0]
    browser.open(f"{shared.url}/boot/{stuck.id}", width=width)
    settled(browser)
    words = str(browser.js("return document.querySelector('#of-model').innerText"))
    assert "On all benches: 42 boots of 2 machines: 35 finished, 7 stood." in words
    assert "17 % of the boots that tell stand in rom-scan at code 40, as this one does" in words
    assert "attic 5, corner 2" in words
    cells: Any = browser.js(CELLS)
    assert [row[0] for row in cells] == [stage.name for stage in stuck.stages]
    for name, _, own, there, _, count in cells:
        wanted = float(np.percentile(times[name], 50)) if name in times else None
        assert float(there.split()[0]) == pytest.approx(wanted, abs=0.06)
        assert int(count) == len(times[name]) and own.endswith(("(3)", "(4)", "(5)"))
    assert browser.js("return document.documentElement.scrollWidth") <= width
    assert serious(browser) == []
    browser.driver.save_screenshot(str(shared.folder / f"boot-{width}.png"))
    browser.open(f"{shared.url}/", width=width)
    browser.until("return document.querySelector('.rest-links a[href^=\"/model/\"]') !== null")
    browser.driver.save_screenshot(str(shared.folder / f"now-{width}.png"))
    assert browser.js("return document.documentElement.scrollWidth") <= width
    assert serious(browser) == []
    browser.js("document.querySelector('.rest-links a[href^=\"/model/\"]').click()")
    browser.until("return document.querySelector('#shared .place') !== null")
    heads = browser.js("return [...document.querySelectorAll('.sentence')].map((p) => p.innerText)")
    assert heads == [
        "6 boots of 1 machine: 5 finished, 1 stood.",
        "42 boots of 2 machines: 35 finished, 7 stood.",
    ]
    assert browser.js("return document.querySelectorAll('#shared a').length") == 0  # those boots have no page here
    assert browser.js("return document.documentElement.scrollWidth") <= width
    assert serious(browser) == []
    browser.driver.save_screenshot(str(shared.folder / f"model-{width}.png"))
    assert browser.complaints() == []
    assert len(LADDER) > len(stuck.stages)
