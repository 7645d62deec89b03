"""The map page beside what the machine itself read, and the card that offers the program for it."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import Any

import httpx
import pytest
from selenium.webdriver.common.by import By
from support.reports import World, as_sent
from typer.testing import CliRunner
from web.conftest import Browser
from web.rig import Rig

from benchd.cli.main import build
from benchd.decode.report import ReportReader
from benchd.vocabulary.models import Boot

pytestmark = pytest.mark.peer("chromium", "chromedriver")


def report(image: bytes) -> World:
    """The storage ROM answers at C8000, decoded twice, and not at D0000 as the map has it; memory from D4000 on."""
    world = World()
    rng = Random(2)
    for at in range(0xC0000, 0xC6000, 0x800):
        world.blocks[at] = rng.randbytes(0x800)
    for at in range(0xF0000, 0x100000, 0x800):
        world.blocks[at] = rng.randbytes(0x800)
    for at in range(0xD2000, 0xD4000, 0x800):
        world.blocks[at] = rng.randbytes(0x800)
    world.blocks[0xDF800] = (4, 9)
    world.mirrored(0xC8000, image, 0x4000)
    return world


@pytest.fixture(scope="module")
def told(folders: Callable[[str], Path]) -> Iterator[Rig]:
    rig = Rig(folders("measured"))
    try:
        reader = ReportReader()
        for line in as_sent(report((rig.folder / "storage.bin").read_bytes()).report()).decode().split("\r\n"):
            reader.take(line)
        rig.store.save_boot(
            Boot(
                id="at286-told", machine="at286", started="2026-03-01T20:00:00+01:00", outcome="finished",
                ended="2026-03-01T20:00:50+01:00", measured=reader.measured,
            )
        )  # fmt: skip
        other = ReportReader()
        for line in report(b"\0" * 0x2000).report():
            other.take(line)
        rig.store.save_boot(
            Boot(
                id="at286-other", machine="at286", started="2026-02-01T20:00:00+01:00", outcome="finished",
                ended="2026-02-01T20:00:50+01:00", measured=other.measured,
            )
        )  # fmt: skip
        rig.start()
        yield rig
    finally:
        rig.close()


def test_the_page_says_what_the_command_line_says(told: Rig) -> None:
    page: Any = told.get("/api/maps/at286")
    words = ["map", str(told.folder / "map.toml"), "--measured", "last", "--config", str(told.folder / "bench.toml")]
    done = CliRunner().invoke(build(), [*words, "--json"])
    assert page["map"]["measured"] == json.loads(done.stdout)["measured"]
    assert page["map"]["room"] == json.loads(done.stdout)["room"]
    moved: Any = told.get("/api/maps/at286?move=storage%20ROM=C8000")
    assert moved["map"]["measured"] == page["map"]["measured"], "what was measured moves with no jumper"


def test_the_map_shows_it_in_words_and_in_the_picture(
    told: Rig, browser: Browser, serious: Callable[[Browser], list[str]]
) -> None:
    """Each difference is a sentence and a frame in the picture; nothing is refused, fails, or runs off the screen."""
    for width in (390, 1280, 1920):
        browser.open(f"{told.url}/map/at286", width=width)
        browser.until("return document.querySelectorAll('.m-differs').length > 0")
        assert browser.js("return document.documentElement.scrollWidth") <= width
        if (folder := os.environ.get("BENCHD_PICTURES")) is not None:
            browser.size(width, 3000)
            browser.driver.save_screenshot(f"{folder}/map-{width}.png")
        if width == 1280:
            assert serious(browser) == []
    said = browser.driver.find_element(By.CSS_SELECTOR, "[aria-labelledby=h-measured]").text
    assert "storage.bin answers here: its first byte is at C8000" in said
    assert "mirror of C8000: the card decodes 16 KiB though its image has 8 KiB" in said
    assert browser.js("return document.querySelectorAll('.drawing .m-content').length") > 20
    assert browser.complaints() == []


def test_the_card_offers_three_files_for_the_choices_made(told: Rig, browser: Browser) -> None:
    browser.open(f"{told.url}/map/at286")
    browser.until("return document.querySelectorAll('.reporter a.file').length === 3")
    browser.js(
        "for (const [id, value] of [['r-uart', '2F8'], ['r-speed', '19200'], ['r-disk', '1.44M']]) {"
        "const one = document.getElementById(id); one.value = value; one.dispatchEvent(new Event('change')); }"
    )
    paths = browser.js("return [...document.querySelectorAll('.reporter a.file')].map((a) => a.getAttribute('href'))")
    assert paths == [
        "/api/reporter/rom?uart=2F8&speed=19200&base=C8000",
        "/api/reporter/floppy?uart=2F8&speed=19200&disk=1.44M",
        "/api/reporter/com?uart=2F8&speed=19200",
    ]
    free = browser.js("return [...document.querySelectorAll('#r-base option')].map((o) => o.value)")
    assert "D0000" not in free and "D8000" in free and "E0000" in free, "places where nobody answered"
    answers = [httpx.get(f"{told.url}{path}", timeout=20) for path in paths]  # type: ignore[union-attr]
    rom, floppy, com = (one.content for one in answers)
    assert rom[:3] == b"\x55\xaa\x10" and len(rom) == 0x2000 and sum(rom) % 256 == 0
    assert len(floppy) == 1_474_560 and floppy[510:512] == b"\x55\xaa"
    assert 0 < len(com) < 0x10000 - 0x100
    assert 'filename="REPORTER.COM"' in answers[2].headers["content-disposition"]
    for query in ("speed=7", "uart=999", "base=C8100", "disk=2M"):
        kind = "floppy" if query.startswith("disk") else "rom"
        assert httpx.get(f"{told.url}/api/reporter/{kind}?{query}", timeout=20).status_code == 422
    assert httpx.get(f"{told.url}/api/reporter/none", timeout=20).status_code == 404


def test_two_boots_beside_each_other(told: Rig, browser: Browser) -> None:
    """What the machine read otherwise stands among the other differences."""
    browser.open(f"{told.url}/compare?of=at286-other&of=at286-told")
    browser.until("return document.querySelector('.measured-changes') !== null")
    said = browser.driver.find_element(By.CSS_SELECTOR, ".measured-changes").text
    assert "C8000-C8FFF: 00h throughout, then something answers" in said
    assert browser.complaints() == []
