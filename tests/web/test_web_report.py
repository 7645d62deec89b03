"""The HTML report on a phone: whole words, nothing cut off, pictures that can be slid."""

from __future__ import annotations

from pathlib import Path

import pytest
from web.conftest import Browser
from web.rig import STUDY, save_story, save_study

from benchd.demo import at286
from benchd.store import Store
from benchd.studies.report import write_report

pytestmark = pytest.mark.peer("chromium", "chromedriver")

CUT = """
return [...document.querySelectorAll('td, h1, h2, p, li')].filter((n) => n.getBoundingClientRect().width > 0 &&
  (n.getBoundingClientRect().right > innerWidth || n.scrollWidth > n.clientWidth + 1)).map((n) => n.textContent);
"""
BROKEN = """
const out = [];
for (const cell of document.querySelectorAll('td')) {
  const walk = document.createTreeWalker(cell, NodeFilter.SHOW_TEXT);
  const parts = [];
  for (let node = walk.nextNode(); node; node = walk.nextNode()) parts.push(node);
  for (const node of parts) for (const word of node.data.matchAll(/[A-Za-z0-9]+/g)) {
    const range = document.createRange();
    range.setStart(node, word.index); range.setEnd(node, word.index + word[0].length);
    if (new Set([...range.getClientRects()].map((r) => Math.round(r.top))).size > 1) out.push(word[0]);
  }
}
return out;
"""


@pytest.mark.parametrize("width", [390, 1280])
def test_a_report_on_a_phone_breaks_no_word_and_cuts_nothing(tmp_path: Path, browser: Browser, width: int) -> None:
    """Each cell says what it is where there is no room for a head; pictures say that they can be slid."""
    store = Store.open(str(tmp_path / "benchd.db"))
    try:
        (tmp_path / "map.toml").write_text("")
        save_study(store, tmp_path)
        save_story(store)
        written = write_report(store, STUDY, tmp_path, "2026-03-01T20:00:00+01:00")
    finally:
        store.close()
    page = next(Path(one) for one in written if str(one).endswith(".html"))
    browser.size(width)
    browser.driver.get(page.as_uri())
    assert browser.js("return document.querySelectorAll('td').length") > 30  # type: ignore[operator]
    assert browser.js(CUT) == [] and browser.js(BROKEN) == []
    assert browser.js("return document.documentElement.scrollWidth") <= width  # type: ignore[operator]
    shown = str(browser.js("return document.body.innerText"))
    assert ("Slide the picture sideways" in shown) is (width == 390)
    names = browser.js("return [...document.querySelectorAll('td[data-name]')].map((n) => n.dataset.name)")
    assert {"levels", "explanation", *at286.START} <= set(names)  # type: ignore[call-overload]
