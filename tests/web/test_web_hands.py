"""The page by keyboard alone, hostile text on it, another site against it, and the login, in a real browser."""

from __future__ import annotations

import contextlib
import http.server
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from web.conftest import Browser
from web.rig import MACHINE, STUDY, Rig, save_story, save_study, wait_for

from benchd.demo.steps import Post, Say
from benchd.store.study_models import Result, StoredStudy

pytestmark = pytest.mark.peer("chromium", "chromedriver")

OVERRIDE = "\u202egnp.exe\u202c"
NASTY = "<img src=x onerror=window.hit=1>"
TOKEN = "a-token-of-the-corner-bench-2026"


@pytest.fixture(scope="module")
def own(folders: Callable[[str], Path]) -> Iterator[Rig]:
    """A bench of their own for tests that enter results and start trials."""
    rig = Rig(folders("own"))
    try:
        save_study(rig.store, rig.folder)
        save_story(rig.store)
        rig.start()
        yield rig
    finally:
        rig.close()


def press(browser: Browser, *keys: str) -> None:
    chain = ActionChains(browser.driver, duration=0)
    for key in keys:
        chain.send_keys(key)
    chain.perform()


def end_and_start(browser: Browser) -> None:
    """A trial runs: the page asks before it ends it."""
    browser.until("return document.querySelector('.question')?.textContent.includes('is running, with ')")
    browser.driver.find_element(By.CSS_SELECTOR, ".question .big").click()


def tab_to(browser: Browser, selector: str, most: int = 80) -> None:
    """Press Tab until what `selector` names has the focus; each stop must be seen to have it."""
    for _ in range(most):
        press(browser, Keys.TAB)
        style = browser.js(
            "const a = document.activeElement; const s = getComputedStyle(a);"
            "return [a.tagName, s.outlineStyle, parseFloat(s.outlineWidth), a.matches(arguments[0])]", selector,
        )  # fmt: skip
        tag, outline, width, there = style  # type: ignore[misc]
        if tag not in ("BODY", "HTML"):
            assert outline != "none" and width >= 2, f"the focus cannot be seen on {tag}"
        if there:
            return
    raise AssertionError(f"{most} times Tab did not reach {selector}")


def test_skip_link_comes_first_and_works(bench: Rig, browser: Browser) -> None:
    browser.open(bench.url + "/boots")
    press(browser, Keys.TAB)
    assert browser.js("return document.activeElement.className") == "skip"
    press(browser, Keys.ENTER)
    browser.until("return document.activeElement.id === 'view'")


def test_boots_are_compared_by_keyboard_alone(bench: Rig, browser: Browser) -> None:
    """From Now: Boots, tick two, Compare. Tab, Space and Enter only."""
    browser.open(bench.url + "/")
    tab_to(browser, "nav a[href='/boots']")
    press(browser, Keys.ENTER)
    browser.until(
        "return document.querySelectorAll('.boot-row').length > 9 && document.querySelector('main')?.dataset.ready"
    )
    tab_to(browser, ".boot-row:nth-child(1) input")
    press(browser, Keys.SPACE)
    tab_to(browser, ".boot-row:nth-child(2) input", 6)
    press(browser, Keys.SPACE)
    browser.js("window.scrollTo(0, 0)")
    assert browser.js("return document.querySelector('.tray .big').disabled") is False
    # The tray stands after a thousand rows: Shift+Tab from the top of the page goes round to it.
    browser.js("document.activeElement.blur(); document.querySelector('.tray .big').scrollIntoView()")
    browser.js("document.querySelector('.boot-row:last-child input').focus()")
    tab_to(browser, ".tray .big", 3)
    press(browser, Keys.ENTER)
    browser.until("return location.pathname === '/compare' && document.querySelector('.sentence') !== null", 20)


def test_a_jumper_is_moved_by_keyboard_alone(bench: Rig, browser: Browser) -> None:
    """Arrow keys choose a position; the picture, the address and the verdict follow, the focus stays."""
    browser.open(bench.url + "/map/at286")
    tab_to(browser, ".jumper input")
    before = browser.js("return document.querySelector('.verdict').textContent")
    assert "both answer" in str(before)
    press(browser, Keys.ARROW_DOWN)
    browser.until(
        "return location.search.includes('move=') &&"
        " !document.querySelector('.verdict').textContent.includes('both answer')"
    )
    browser.until("return document.activeElement.matches('.jumper input')")
    assert browser.js("return document.querySelectorAll('.drawing .clash').length") == 0
    assert "power off and unplug" in browser.driver.find_element(By.CSS_SELECTOR, ".caution").text.lower()


def test_gloved_hands_enter_checks_and_take_them_back(own: Rig, browser: Browser) -> None:
    """Buttons of 10 mm and more (44 CSS pixels is WCAG 2.2's enhanced target, 2.5.5; these are twice as high):
    a press stores a result for the newest boot; one entered by mistake is taken back. By keyboard too."""
    browser.open(own.url + "/study/storage%20rom")
    browser.until("return document.querySelector('main')?.dataset.weighed === 'yes'")
    box = browser.js(
        "const b = document.querySelector('.glove .fail').getBoundingClientRect(); return [b.width, b.height]"
    )
    assert min(box) >= 80  # type: ignore[type-var]
    before = len(own.store.results(trial="T4"))
    tab_to(browser, ".glove .fail")
    press(browser, Keys.ENTER)
    wait_for("a result", lambda: len(own.store.results(trial="T4")) == before + 1)
    result = own.store.results(trial="T4")[-1]
    newest = next(b for b in own.store.boots(trial="T4", limit=9) if not b.passes_of)
    assert (result.check, result.passed, result.source, result.boot) == ("goal", False, "hand", newest.id)
    browser.until("return document.querySelector('.said button') !== null")
    assert browser.js("return document.activeElement.matches('.glove .fail')"), "the focus stays where it was"
    browser.driver.find_element(By.CSS_SELECTOR, ".said button").click()
    wait_for("it is taken back", lambda: len(own.store.results(trial="T4")) == before)
    browser.until("return document.querySelector('.said').textContent.startsWith('nothing entered')")
    known = len(browser.driver.find_elements(By.CSS_SELECTOR, ".glove fieldset"))
    field = browser.driver.find_element(By.ID, "other-check")
    field.send_keys("screen is steady", Keys.ENTER)
    browser.until("return document.querySelectorAll('.glove fieldset').length === arguments[0]", 5, known + 1)
    browser.driver.find_elements(By.CSS_SELECTOR, ".glove .pass")[-1].click()
    wait_for("the other check", lambda: any(r.check == "screen is steady" for r in own.store.results(trial="T4")))


def test_a_reseating_and_a_rest_are_told_with_a_trial(own: Rig, browser: Browser) -> None:
    """A trial of one's own: the tick and the minutes are kept with it, and the caution stands there before."""
    browser.open(own.url + "/study/storage%20rom")
    browser.until("return document.querySelector('main')?.dataset.weighed === 'yes'")
    browser.driver.find_element(By.CSS_SELECTOR, ".own summary").click()
    browser.driver.find_element(By.ID, "rested").send_keys("20")
    browser.driver.find_element(By.ID, "reseated").click()
    browser.until("return document.querySelector('.own .caution')?.textContent.includes('unplug')")
    assert "without power for 20 min" in browser.driver.find_element(By.CSS_SELECTOR, ".own form").text
    before = own.store.current_trial(MACHINE)
    browser.driver.find_element(By.CSS_SELECTOR, ".own form button").click()
    end_and_start(browser)
    wait_for("another trial runs", lambda: own.store.current_trial(MACHINE).id != before.id)  # type: ignore[union-attr]
    trial = own.store.current_trial(MACHINE)
    assert trial is not None and (trial.reseated, trial.rested_s, trial.changed) == (True, 1200.0, {})
    browser.until("return document.querySelector('.trials')?.textContent.includes('reseated, rested 20 min')")


def test_a_trial_is_started_from_the_page(own: Rig, browser: Browser) -> None:
    """The first proposal: its steps and caution stand there, a press begins it, and boots then belong to it."""
    browser.open(own.url + "/study/storage%20rom")
    browser.until("return document.querySelector('main')?.dataset.weighed === 'yes'")
    step = browser.driver.find_element(By.CSS_SELECTOR, ".next-step")
    assert "Power off" in step.text and "min" in step.text and "Caution" in step.text
    wanted = own.get("/api/studies/storage%20rom/next")["next"][0]["setup"]  # type: ignore[index,call-overload]
    before = own.store.current_trial(MACHINE)
    step.find_element(By.TAG_NAME, "button").click()
    end_and_start(browser)
    wait_for("another trial runs", lambda: own.store.current_trial(MACHINE).id != before.id)  # type: ignore[union-attr]
    trial = own.store.current_trial(MACHINE)
    assert trial is not None and trial.setup == wanted and trial.study == STUDY
    browser.until(f"return document.querySelector('h2').textContent.includes('{trial.id}')")
    wait_for("the daemon follows", lambda: own.get("/api/machines")[0]["trial"] == trial.id)  # type: ignore[index]


# ---------------------------------------------------------------------- hostile text


def test_harmless_writes_out_what_could_mislead(bench: Rig, browser: Browser) -> None:
    """The same as benchd.harmless.clean: controls, direction overrides, zero-width, unassigned; cut with a count."""
    from benchd.harmless import clean

    texts = [
        "plain",
        "\x1b[2J\x1b]0;x\x07",
        OVERRIDE,
        "\u2066a\u2069",
        "a\u200bb",
        "\u2028",
        "\x00\x7f\x9b",
        "é→漢",
        "\ue000",
        "x" * 500,
    ]
    browser.open(bench.url + "/studies")
    browser.driver.set_script_timeout(10)
    shown = browser.driver.execute_async_script(
        "const done = arguments[1]; import('/static/dom.js').then((m) => done(arguments[0].map((t) => m.harmless(t))))",
        texts,
    )
    assert shown == [clean(text) for text in texts]


@pytest.fixture(scope="module")
def nasty(folders: Callable[[str], Path]) -> Iterator[Rig]:
    """A bench whose machine, study, levels and console text are all hostile."""
    rig = Rig(folders("nasty"), machines=(NASTY,))
    document = {
        "question": f"{NASTY} {OVERRIDE}",
        "machine": NASTY,
        "goal": {"kind": "check-passed", "target": NASTY},
        "factor": [{"name": NASTY, "levels": [OVERRIDE, "</script><script>window.hit=1</script>"]}],
    }
    try:
        at = "2026-03-01T19:00:00+00:00"
        rig.store.save_study(StoredStudy(name=NASTY, document=document, created=at, edited=at))
        trial = rig.store.start_trial(
            study=NASTY, machine=NASTY, setup={NASTY: OVERRIDE}, changed={NASTY: OVERRIDE}, started=at, note=OVERRIDE
        )
        rig.store.add_result(Result(trial=trial.id, check=NASTY, passed=False, entered=at))
        rig.start()
        rig.wait_links()
        lines = [
            NASTY,
            "<script>window.hit=1</script>",
            "javascript:window.hit=1",
            "\x1b[2J\x1b[31mred\x1b]0;title\x07",
            "&lt;b&gt; &amp;",
        ]
        play = [Post(0x01, 0.1), *(Say(line + "\r\n") for line in lines), Post(0x99, 0.1), Post(0x6F, 0.5)]
        rig.play(play, machine=NASTY)
        rig.boot_ended(1, machine=NASTY)
        yield rig
    finally:
        rig.close()


def test_hostile_text_is_text_everywhere(nasty: Rig, browser: Browser) -> None:
    """Scripts, overrides, escapes in names and lines: shown as written, run nowhere, on every view."""
    boot = nasty.store.boots(limit=1)[0].id
    paths = [
        "/",
        "/boots",
        f"/boot/{boot}",
        "/studies",
        "/study/" + NASTY.replace(" ", "%20").replace("/", "%2F"),
        f"/compare?of={boot}",
        "/map",
    ]
    for path in paths:
        browser.open(nasty.url + path)
        browser.until("return document.body.textContent.includes(arguments[0])", 10, "<img")
        if path.startswith("/boot/"):
            browser.until("return document.querySelector('main')?.dataset.record === 'yes'")
            text = browser.js("return document.querySelector('.both-body').textContent")
            assert "<script>window.hit=1</script>" in str(text)
        for _ in range(3):
            assert browser.js("return window.hit === undefined"), path
            time.sleep(0.05)
        body = str(browser.js("return document.documentElement.textContent"))
        assert not any(ch in body for ch in "\u202e\u202d\u2066\u2067\x1b\x07"), path
        assert browser.js("return document.querySelectorAll('img[src=x], main script').length") == 0
        assert browser.js("return document.documentElement.scrollWidth <= window.innerWidth"), path
        assert browser.complaints() == [], path


@pytest.mark.slow
def test_a_line_of_a_megabyte_is_cut_and_the_page_stays_quick(nasty: Rig, browser: Browser) -> None:
    """1,000,000 letters without a line end: what is kept and shown is bounded, and the page still answers."""
    browser.open(nasty.url + "/")
    line = nasty.sims[NASTY].lines["console"]
    nasty.sims[NASTY].lines["post"].send(b"\x01")
    time.sleep(0.3)
    for _ in range(1000):
        line.send(b"A" * 1000)
        time.sleep(0.001)
    line.send(b"\r\nafterwards\r\n")
    browser.until("return [...document.querySelectorAll('.lines li')].some((n) => n.textContent === 'afterwards')", 120)
    longest = browser.js(
        "return Math.max(...[...document.querySelectorAll('.lines li')].map((n) => n.textContent.length))"
    )
    assert 0 < int(str(longest)) <= 400
    began = time.monotonic()
    browser.js("return document.querySelector('.lines').getBoundingClientRect().height")
    assert time.monotonic() - began < 0.5
    assert browser.js("return document.documentElement.scrollWidth <= window.innerWidth")


def test_the_policy_stops_what_text_might_smuggle_in(bench: Rig, browser: Browser) -> None:
    """Inline scripts, style attributes in markup, and strings made HTML are all refused by the browser itself."""
    browser.open(bench.url + "/studies")
    refused = browser.driver.execute_async_script("""
      const done = arguments[0]; const out = {};
      document.addEventListener('securitypolicyviolation', (e) => { out[e.effectiveDirective] = e.blockedURI; });
      const main = document.querySelector('main');
      try { main.innerHTML = '<p>x</p>'; out.html = 'let in'; } catch (e) { out.html = e.name; }
      try { eval('window.hit = 1'); } catch (e) { out.eval = e.name; }
      const s = document.createElement('script');
      try { s.src = 'http://127.0.0.1:9/x.js'; out.src = 'let in'; } catch (e) { out.src = e.name; }
      const i = document.createElement('img'); i.src = 'http://127.0.0.1:9/x.png'; document.body.append(i);
      document.body.setAttribute('style', 'color: red');
      setTimeout(() => done(out), 300);
    """)
    assert refused["html"] == refused["src"] == "TypeError" and "img-src" in refused and "style-src-attr" in refused
    assert browser.js("return getComputedStyle(document.body).color") != "rgb(255, 0, 0)"


# ---------------------------------------------------------------------- another site, and the login


@contextlib.contextmanager
def other_site(page: str) -> Iterator[str]:
    """Serve a page from another origin."""

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(page.encode())

        def log_message(self, *_: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        server.shutdown()
        server.server_close()


def test_another_site_s_page_cannot_post_or_read(bench: Rig, browser: Browser) -> None:
    """A form and three kinds of fetch from another origin change nothing and read nothing."""
    before = (len(bench.store.results()), len(bench.store.trials()))
    body = '{"check": "goal", "passed": true, "trial": "T1"}'
    page = f"""<iframe name=f></iframe>
      <form id=x target=f method=post enctype="text/plain" action="{bench.url}/api/results">
      <input name='{body[:-1]}, "note": "' value='"}}'></form><script>
      const out = window.out = []; document.getElementById('x').submit();
      const url = "{bench.url}/api/results", post = {{method: 'POST', body: '{body}'}};
      const go = (o) => fetch(url, {{...post, ...o}}).then((r) => out.push(r.type), () => out.push('refused'));
      Promise.all([go({{mode: 'no-cors'}}), go({{}}), go({{headers: {{'Content-Type': 'application/json'}}}}),
        fetch("{bench.url}/api/boots").then(() => out.push('read'), () => out.push('unread'))])
        .then(() => {{ window.done = true; }});
    </script>"""
    with other_site(page) as url:
        browser.driver.get(url)
        browser.until("return window.done === true")
        time.sleep(0.3)
        assert sorted(browser.js("return window.out")) == ["refused", "refused", "refused", "unread"]  # type: ignore[type-var]
    assert (len(bench.store.results()), len(bench.store.trials())) == before


def test_another_site_cannot_frame_the_page(bench: Rig, browser: Browser) -> None:
    with other_site(f'<iframe src="{bench.url}/" onload="window.loaded = true"></iframe>') as url:
        browser.driver.get(url)
        browser.until("return window.loaded === true")
        browser.driver.switch_to.frame(0)
        assert browser.js("return document.querySelector('.board') === null")
        browser.driver.switch_to.default_content()


def test_a_person_logs_in_once(folders: Callable[[str], Path], browser: Browser) -> None:
    """Sent to the form; a wrong token is told of; the right one leads on; the stream works with the cookie;
    scripts do not see it; the token is in no address; a new daemon with the same token asks no more."""
    folder = folders("login")
    (folder / "token").write_text(TOKEN)
    rig = Rig(folder, token_file='"token"')
    save_study(rig.store, rig.folder)
    save_story(rig.store)
    try:
        rig.start({"Authorization": f"Bearer {TOKEN}"})
        browser.size()
        browser.driver.get(rig.url + "/boots")
        browser.until("return location.pathname === '/login'")
        browser.driver.find_element(By.ID, "token").send_keys("wrong-token-of-the-bench", Keys.ENTER)
        browser.until("return location.search === '?wrong=1' && !document.getElementById('wrong').hidden")
        browser.driver.get(rig.url + "/boots")
        browser.until("return location.pathname === '/login' && document.getElementById('next').value === '/boots'")
        browser.driver.find_element(By.ID, "token").send_keys(TOKEN, Keys.ENTER)
        browser.until("return location.pathname === '/boots' && document.querySelector('.boot-row') !== null")
        assert TOKEN not in browser.driver.current_url and browser.js("return document.cookie") == ""
        browser.driver.get(rig.url + "/")
        browser.until("return document.querySelector('.board')?.dataset.state !== undefined")
        rig.kill()
        browser.until("return document.body.dataset.old === 'yes'", 6)
        rig.start({"Authorization": f"Bearer {TOKEN}"})
        browser.until("return document.body.dataset.old === 'no'", 10)
        assert TOKEN not in (folder / "daemon.log").read_text()
    finally:
        browser.driver.delete_all_cookies()
        rig.close()
