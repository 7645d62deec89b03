"""A phone, 390 pixels wide: no hole in a row, words in their buttons, no line through figures, failed is said."""

from __future__ import annotations

import pytest
from web.conftest import Browser
from web.rig import LADDER, Rig

pytestmark = pytest.mark.peer("chromium", "chromedriver")

OUT = """
return [...document.querySelectorAll(arguments[0])].filter((n) => n.getBoundingClientRect().width > 0 &&
  (n.scrollWidth > n.clientWidth + 1 || n.getBoundingClientRect().right > innerWidth)).map((n) => n.textContent);
"""
ORDER = """
return [...document.querySelectorAll('.drawing .flag-line, .drawing .bar')]
  .map((n) => n.className.baseVal.split(' ')[0]);
"""
LONG = "return [...document.querySelectorAll('.next-step .caution')].filter((n) => n.textContent.length > 80).length"


def test_compare_has_short_rows_and_cuts_nothing(bench: Rig, browser: Browser) -> None:
    """The table of shifts: all its columns within the width, no row taller than its few lines."""
    browser.open(bench.url + "/compare?of=T1&of=T3", width=390)
    browser.until("return document.querySelectorAll('[aria-label=\"Shifts of stage times\"] tbody tr').length > 5")
    table = "[aria-label='Shifts of stage times']"
    assert browser.js(OUT, f"{table}, {table} td") == []
    tall = browser.js(f'return [...document.querySelectorAll("{table} tbody tr")].map((n) => n.offsetHeight)')
    assert max(tall) < 160, tall  # type: ignore[call-overload]


def test_a_study_keeps_words_in_their_buttons_and_says_a_caution_once(bench: Rig, browser: Browser) -> None:
    browser.open(bench.url + "/study/storage%20rom", width=390)
    browser.until("return document.querySelector('.next-step') && document.querySelector('.glove .unsure')")
    assert browser.js(OUT, ".glove button, .trials, .trials td") == []
    assert browser.js(LONG) in (0, 1)


def test_no_finding_s_line_lies_over_a_time(bench: Rig, browser: Browser) -> None:
    """SVG paints in the order of its parts: the lines come before the words, whose edges cover them."""
    stalled = bench.store.boots(outcome="stalled", limit=1)[0].id
    browser.open(f"{bench.url}/boot/{stalled}", width=390)
    browser.until("return document.querySelector('.flag-line') !== null")
    kinds = browser.js(ORDER)
    assert isinstance(kinds, list) and kinds.index("bar") > max(n for n, k in enumerate(kinds) if k == "flag-line")


def test_a_boot_that_missed_its_goal_is_no_green_finished(bench: Rig, browser: Browser) -> None:
    """In the list of its trial and on its own page: failed, by word, shape and colour."""
    boot = bench.store.boots(trial="T1", limit=1)[0]
    for path in ("/boots?trial=T1", f"/boot/{boot.id}"):
        browser.open(bench.url + path, width=390)
        browser.until("return document.querySelector('.outcome[data-goal=missed]') !== null", 20)
        said, colour = browser.js(  # type: ignore[misc]
            "const n = document.querySelector('.outcome[data-goal=missed]');"
            "return [n.textContent, getComputedStyle(n).color]"
        )
        green = browser.js(
            "const n = document.createElement('i'); n.style.color = 'var(--mask)'; document.body.append(n);"
            "return getComputedStyle(n).color"
        )
        assert said == "failed(finished)" and colour != green


def test_a_skipped_stage_has_its_row_where_the_ladder_has_it(bench: Rig, browser: Browser) -> None:
    """Not behind the last one: what came before and after it is seen at once."""
    (boot, *_) = [one for one in bench.store.boots() if any(f.kind == "skipped" for f in one.findings)]
    browser.open(f"{bench.url}/boot/{boot.id}", width=1280)
    browser.until("return document.querySelector('svg.drawing text.faint') !== null")
    rows = browser.js(
        "return [...document.querySelectorAll('svg.drawing text[text-anchor=end]:not(.faint)')]"
        ".map((t) => [+t.getAttribute('y'), t.textContent]).sort((a, b) => a[0] - b[0]).map((one) => one[1])"
    )
    shown = [name for name, _ in LADDER if name in rows]
    assert rows == shown and "storage-rom" in shown[:-1]
