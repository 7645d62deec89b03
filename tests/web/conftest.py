"""One browser and one bench for all page tests; each test sets the width and the look it wants."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.ui import WebDriverWait
from support.npm import modules
from web import rig as rigs

from benchd.demo import at286

FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
    "--autoplay-policy=no-user-gesture-required", "--force-color-profile=srgb",
)  # fmt: skip
"""--no-sandbox: tests may run as root. The networking flags: without them it looks up hosts at every start."""
AXE = "axe-core@4.10.3"


class Browser:
    """Chromium, driven. `open` loads a page at a width and look and waits until its view is there."""

    def __init__(self, driver: webdriver.Chrome) -> None:
        self.driver = driver
        self._scripts: list[str] = []

    def before(self, script: str) -> None:
        """Run a script at the start of every page from now on, until `reset`."""
        got = self.driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": script})
        self._scripts.append(got["identifier"])

    def reset(self) -> None:
        for one in self._scripts:
            self.driver.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", {"identifier": one})
        self._scripts.clear()
        self.driver.get("about:blank")
        self.driver.get_log("browser")

    def size(self, width: int = 1280, height: int = 900) -> None:
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
        )

    def media(self, look: str = "light", motion: str = "no-preference") -> None:
        features = [
            {"name": "prefers-color-scheme", "value": look},
            {"name": "prefers-reduced-motion", "value": motion},
        ]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})

    def open(self, url: str, *, width: int = 1280, look: str = "light", motion: str = "no-preference") -> None:
        self.size(width)
        self.media(look, motion)
        self.driver.get(url)
        self.until("return document.querySelector('main')?.dataset.ready === 'yes'")

    def until(self, script: str, seconds: float = 45.0, *arguments: object) -> object:
        """Return what a script returns once it is true."""
        return WebDriverWait(self.driver, seconds, 0.03).until(
            lambda d: d.execute_script(script, *arguments), f"not within {seconds} s: {script}"
        )

    def js(self, script: str, *arguments: object) -> object:
        return self.driver.execute_script(script, *arguments)

    def complaints(self) -> list[str]:
        """Return errors that the browser logged: scripts, refused loads, broken policies."""
        return [entry["message"] for entry in self.driver.get_log("browser") if entry["level"] == "SEVERE"]


@contextlib.contextmanager
def launched() -> Iterator[Browser]:
    """A headless Chromium with an empty profile of its own."""
    options = Options()
    found = shutil.which("chromium")
    assert found is not None, "peer chromium is missing"
    options.binary_location = found
    profile = tempfile.mkdtemp(prefix="benchd-chromium-")
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    driver.set_page_load_timeout(30)
    driver.execute_cdp_cmd("Page.enable", {})
    try:
        yield Browser(driver)
    finally:
        driver.quit()
        shutil.rmtree(profile, ignore_errors=True)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    with launched() as browser:
        yield browser


@pytest.fixture
def browser(chromium: Browser) -> Iterator[Browser]:
    yield chromium
    chromium.reset()


@pytest.fixture(scope="session")
def folders() -> Iterator[Callable[[str], Path]]:
    """A function that makes folders, in memory where the system has such a place: nothing here is about disks,
    and a store waits for the disk at each boot."""
    memory = Path("/dev/shm")
    base = Path(tempfile.mkdtemp(prefix="benchd-web-", dir=memory if os.access(memory, os.W_OK) else None))

    def make(name: str) -> Path:
        (base / name).mkdir()
        return base / name

    yield make
    shutil.rmtree(base, ignore_errors=True)


@pytest.fixture(scope="session")
def bench(folders: Callable[[str], Path]) -> Iterator[rigs.Rig]:
    """A running bench: 1,000 boots of last month, an evening's trials, and boots just seen from the machine."""
    rig = rigs.Rig(folders("bench"))
    try:
        rigs.save_study(rig.store, rig.folder)
        rigs.save_many(rig.store, 1000)
        rigs.save_story(rig.store)
        rig.start()
        rig.wait_links()
        for fate in ("ready", "skipped"):
            rig.play(at286.boot_script(at286.START, fate))
        rig.boot_ended(1014)
        yield rig
    finally:
        rig.close()


@pytest.fixture(scope="session")
def axe() -> str:
    """The source of axe-core, from the npm registry; kept for the next run."""
    return (modules(AXE) / "axe-core/axe.min.js").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def serious(axe: str) -> object:
    """A function that returns axe-core's serious and critical violations of the page that is open."""

    def look(browser: Browser) -> list[str]:
        browser.js(axe)
        browser.driver.set_script_timeout(60)
        found = browser.driver.execute_async_script(
            "const done = arguments[0]; axe.run(document, {resultTypes: ['violations']})"
            ".then((r) => done(JSON.stringify(r.violations)), (e) => done(JSON.stringify([{impact: 'critical', "
            "id: String(e), nodes: []}])))"
        )
        return [
            f"{one['id']} ({one['impact']}): "
            + "; ".join(f"{n['target']} {n['failureSummary']}" for n in one["nodes"][:3])
            for one in json.loads(str(found))
            if one["impact"] in ("serious", "critical")
        ]

    return look
