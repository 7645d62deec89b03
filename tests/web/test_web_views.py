"""Every view, at a phone's, a laptop's and a bench screen's width, dark and light, with the demo's data."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest
from selenium.webdriver.common.by import By
from web.conftest import Browser
from web.rig import Rig

pytestmark = pytest.mark.peer("chromium", "chromedriver")

STUDY = "/study/storage%20rom"
VIEWS = {
    "now": ("/", ".board .contact"),
    "boots": ("/boots", ".boot-row .outcome"),
    "boots of a trial": ("/boots?trial=T1", ".boot-row .outcome"),
    "boot": ("/boot/{stalled}", ".both-row.rung"),
    "live boot": ("/boot/{seen}", ".both-row .hex"),
    "compare trials": ("/compare?of=T1&of=T3", ".parting"),
    "compare boots": ("/compare?of={seen}&of={before}&of={stalled}", ".rate-dot"),
    "studies": ("/studies", "main a[href='/study/storage%20rom']"),
    "study": (STUDY, ".cause .share"),
    "map": ("/map/at286", ".drawing .clash"),
    "map moved": ("/map/at286?move=storage%20ROM%3DC8000", ".drawing .ghost"),
}
"""Name: (address, what must be on the page)."""


@pytest.fixture(scope="module")
def places(bench: Rig) -> dict[str, str]:
    seen = [boot.id for boot in bench.store.boots(machine="at286", limit=2)]
    stalled = bench.store.boots(outcome="stalled", limit=1)[0].id
    return {"seen": seen[0], "before": seen[1], "stalled": stalled}


@pytest.mark.parametrize("width", [390, 1280, 1920])
@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.peer("npm")
def test_every_view_at_every_width(
    bench: Rig, browser: Browser, places: dict[str, str], serious: Callable[[Browser], list[str]], view: str, width: int
) -> None:
    """It comes up, holds its data, fits the width without scrolling sideways, and nothing is refused or fails;
    in the light, and when the system turns dark. axe-core 4.10 (its default rules: WCAG 2 A and AA, best practice)
    finds nothing serious on the laptop's width in the light and on the phone's in the dark."""
    path, wanted = VIEWS[view]
    browser.open(bench.url + path.format(**places), width=width)
    browser.until("return document.querySelector(arguments[0]) !== null", 15, wanted)
    assert browser.js("return document.querySelector('h1').textContent.trim()")
    for look in ("light", "dark"):
        browser.media(look)
        browser.until("return [...document.images].every((i) => i.complete && i.naturalWidth > 0)")
        assert browser.js("return document.documentElement.scrollWidth") <= width
        ground = str(browser.js("return getComputedStyle(document.documentElement).backgroundColor"))
        shade = sum(int(part) for part in ground.strip("rgb()").split(",")) / 3
        assert (shade < 60) if look == "dark" else (shade > 200), ground
        if (width, look) in ((1280, "light"), (390, "dark")) and view != "boots":
            assert serious(browser) == []  # a thousand rows take axe 20 s and say no more than a trial's three
    assert browser.complaints() == []


def test_chosen_look_wins_over_the_system_s_and_is_kept(bench: Rig, browser: Browser) -> None:
    """The switch goes system, light, dark; the choice stands before the first paint of the next page."""
    browser.open(bench.url + "/boots", look="light")
    button = browser.driver.find_element(By.ID, "look")
    button.click()
    button.click()
    assert browser.js("return document.documentElement.dataset.look") == "dark"
    browser.open(bench.url + "/studies", look="light")
    ground = str(browser.js("return getComputedStyle(document.body.parentElement).backgroundColor"))
    assert sum(int(part) for part in ground.strip("rgb()").split(",")) < 180
    browser.js("localStorage.clear()")


def test_what_a_boot_s_page_shows_is_what_the_store_has(bench: Rig, browser: Browser, places: dict[str, str]) -> None:
    """Every stage, code and line of the boot stands on one clock, in order of time."""
    boot = bench.store.boot(places["seen"])
    browser.open(f"{bench.url}/boot/{boot.id}")
    browser.until("return document.querySelector('main')?.dataset.record === 'yes'")
    rungs = browser.js("return [...document.querySelectorAll('.both-row.rung bdi')].map((n) => n.textContent)")
    assert rungs == [stage.name for stage in boot.stages]
    codes = browser.js("return [...document.querySelectorAll('.both-row .hex')].map((n) => n.firstChild.textContent)")
    assert len(codes) == boot.codes and codes[0] == "01" and codes[-1] == "6F"  # type: ignore[arg-type]
    clock = browser.js(
        "return [...document.querySelectorAll('.both-row .clock')].map((n) => parseFloat(n.textContent))"
    )
    # Each time is printed with the digits that its uncertainty allows: half a hundredth back is rounding.
    assert isinstance(clock, list)
    assert all(later >= earlier - 0.006 for earlier, later in itertools.pairwise(clock))


def test_a_stage_stands_before_its_code(bench: Rig, browser: Browser, places: dict[str, str]) -> None:
    """The row under each stage that a code began is that code, at the same instant."""
    boot = bench.store.boot(places["seen"])
    browser.open(f"{bench.url}/boot/{boot.id}")
    browser.until("return document.querySelector('main')?.dataset.record === 'yes'")
    pairs = browser.js(
        "return [...document.querySelectorAll('.both-row.rung')].map((n) => "
        "[n, n.nextElementSibling].map((row) => parseFloat(row?.querySelector('.clock').textContent)))"
    )
    assert isinstance(pairs, list) and len(pairs) == len(boot.stages)
    # A stage's time is printed to hundredths, its code's to thousandths.
    assert all(abs(stage - code) < 0.0056 for stage, code in pairs), pairs
    repeated = browser.js(
        "let now = null, found = []; for (const row of document.querySelectorAll('.both-row')) {"
        "const last = row.lastElementChild.textContent; if (row.classList.contains('rung')) now = last;"
        "else if (row.querySelector('.hex') && last === `stage ${now}`) found.push(last); } return found"
    )
    assert repeated == []  # what the codes of a stage mean is said once


def test_a_stalled_boot_tells_how_long_it_stood(bench: Rig, browser: Browser, places: dict[str, str]) -> None:
    """It did not take the time to its last sign of life: it stood from then on."""
    browser.open(f"{bench.url}/boot/{places['stalled']}")
    browser.until("return document.querySelector('.meta') !== null")
    meta = str(browser.js("return document.querySelector('.meta').textContent"))
    assert "last sign of life at" in meta and ", then stood " in meta and "took" not in meta
    assert "`" not in str(browser.js("return document.querySelector('main').innerText"))


def test_words_beside_the_map_stand_at_their_addresses(bench: Rig, browser: Browser) -> None:
    """From top to bottom as the addresses are; no two over each other; ways out in the command line's words."""
    browser.open(bench.url + "/map/at286")
    browser.until("return document.querySelector('.ways') !== null")
    words = browser.js(
        "return [...document.querySelectorAll('.drawing [data-at]')].map((n) => "
        "[parseInt(n.dataset.at, 16), parseFloat(n.getAttribute('y'))])"
    )
    assert isinstance(words, list) and len(words) >= 2
    assert words == sorted(words) and all(b[1] - a[1] >= 17 for a, b in itertools.pairwise(words))
    ways = browser.js("return [...document.querySelectorAll('.ways .soft')].map((n) => n.textContent)")
    assert isinstance(ways, list) and ways
    assert all(way.startswith(("nothing overlaps and every ", "better, but ")) for way in ways), ways
    assert "Usual windows that this map does not have" in str(browser.js("return document.body.innerText"))
    assert "`" not in str(browser.js("return document.querySelector('main').innerText"))


@pytest.mark.parametrize(
    ("view", "words"),
    [
        ("live boot", "Download capture"),
        ("map", "Predicted ROM scan"),
        ("study", "Best next trial"),
        ("compare trials", "Other differences"),
    ],
)
def test_headings_are_plain_words(bench: Rig, browser: Browser, places: dict[str, str], view: str, words: str) -> None:
    path, wanted = VIEWS[view]
    browser.open(bench.url + path.format(**places))
    browser.until("return document.querySelector(arguments[0]) !== null", 15, wanted)
    browser.until("return document.querySelector('main').textContent.includes(arguments[0])", 15, words)


def test_an_unknown_boot_is_told_of_plainly(bench: Rig, browser: Browser) -> None:
    browser.open(bench.url + "/boot/nothing-like-it")
    assert "there is no boot" in browser.driver.find_element(By.CSS_SELECTOR, "main [role=alert]").text
