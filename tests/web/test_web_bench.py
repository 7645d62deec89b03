"""What hands at the bench need, by touch and by keys: Now on a phone, silence, pass and fail, putting things right."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from selenium.common.exceptions import ElementNotInteractableException, StaleElementReferenceException
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from web.conftest import Browser
from web.rig import MACHINE, STUDY, Rig, save_story, save_study, stored_boot, wait_for
from web.test_web_hands import press, tab_to

from benchd.demo import at286
from benchd.demo.steps import Hang, Post

pytestmark = pytest.mark.peer("chromium", "chromedriver")

STUCK = (*at286.boot_script(at286.START, "stuck", patience_s=10)[:-1], Hang(3600.0), Post(0x48, 0.6))
WANTED = (
    ".goal-word",
    ".glove.three .pass",
    ".glove.three .unsure",
    ".note-line .plain",
    ".strip li a",
    ".next-steps li",
)
FIRST_SCREEN = """
const seen = (n) => { const r = n?.getBoundingClientRect(); return !!r && r.width > 0 && r.height > 0 && r.top >= 0 &&
  r.bottom <= innerHeight && r.left >= 0 && r.right <= innerWidth; };
return arguments[0].filter((one) => !seen(document.querySelector(one)));
"""
NAMES = """
return [...document.querySelectorAll('.contact-name bdi')].filter((n) => {
  const r = n.getBoundingClientRect(), b = n.closest('.contact').getBoundingClientRect();
  return r.width < 8 || r.height < 8 || r.right > b.right + 1 || r.bottom > b.bottom + 1; }).map((n) => n.textContent);
"""


@pytest.fixture(scope="module")
def evening(folders: Callable[[str], Path]) -> Iterator[Rig]:
    """A bench with an evening's trials, the newest of which runs since a moment ago; two boots just seen."""
    rig = Rig(folders("evening"))
    try:
        save_study(rig.store, rig.folder)
        save_story(rig.store)
        began = (datetime.now(UTC) - timedelta(minutes=3)).isoformat()
        rig.store.start_trial(
            study=STUDY,
            machine=MACHINE,
            setup=at286.START,
            changed={},
            started=began,
        )
        rig.start()
        rig.wait_links()
        wait_for("its trial", lambda: rig.get("/api/machines")[0]["goal"])  # type: ignore[index]
        for fate in ("ready", "skipped"):
            rig.play(at286.boot_script(at286.START, fate))
        wait_for("the verdict", lambda: rig.get("/api/machines")[0]["goal"]["ok"] is False)  # type: ignore[index]
        yield rig
    finally:
        rig.close()


def phone(browser: Browser, rig: Rig, path: str = "/", look: str = "light") -> None:
    browser.open(rig.url + path, width=390, look=look)
    browser.size(390, 844)


def goal(rig: Rig) -> dict[str, object]:
    return rig.get("/api/machines")[0]["goal"]  # type: ignore[index,return-value]


def test_a_phone_shows_all_that_a_hand_needs_on_its_first_screen(
    evening: Rig, browser: Browser, serious: Callable[[Browser], list[str]]
) -> None:
    """390 by 844: the goal's verdict, what is next with its steps, pass, fail and unsure, the note, the last boots;
    each stage's name on its contact. The verdict is no green "finished", and is told by words and shape too."""
    phone(browser, evening)
    browser.until("return document.querySelector('.next-steps li') && document.querySelector('.strip li')")
    assert browser.js(FIRST_SCREEN, WANTED) == []
    assert browser.js(NAMES) == []
    board = browser.driver.find_element(By.CSS_SELECTOR, ".board")
    assert board.get_attribute("data-goal") == "missed"
    assert board.find_element(By.CSS_SELECTOR, ".goal").text.startswith("NOT REACHED: storage-rom")
    assert browser.js("return document.querySelectorAll('.goal-word svg').length") == 1
    sides = browser.js(
        "return [...document.querySelectorAll('.glove.three button')].map((n) => n.getBoundingClientRect())"
        ".map((r) => Math.min(r.width, r.height))"
    )
    assert min(sides) >= 60  # type: ignore[call-overload]
    assert browser.js("return document.documentElement.scrollWidth") <= 390
    browser.media("dark")
    assert serious(browser) == []


def test_the_verdict_is_read_from_three_metres(evening: Rig, browser: Browser) -> None:
    """Capitals of 57 CSS pixels and more (3 m / 200; 0.73 of the line's height in this typeface), on a laptop."""
    browser.open(evening.url + "/")
    browser.until("return document.querySelector('.goal-word span') !== null")
    size = browser.js("return parseFloat(getComputedStyle(document.querySelector('.goal-word')).fontSize)")
    assert float(str(size)) * 0.73 > 57


def test_gloved_hands_say_passed_failed_or_unsure_and_take_it_back(evening: Rig, browser: Browser) -> None:
    """By touch and by keys: a result for the newest boot, by its number taken back; unsure leaves the boot out until
    a person is sure; a note goes with the trial."""
    phone(browser, evening)
    browser.until("return document.querySelector('.strip li') !== null")
    trial = evening.store.current_trial(MACHINE)
    assert trial is not None
    newest = evening.store.boots(trial=trial.id, limit=1)[0].id
    tab_to(browser, ".glove.three .pass")
    press(browser, Keys.ENTER)
    wait_for("a result", lambda: evening.store.results(trial=trial.id))
    (result,) = evening.store.results(trial=trial.id)
    assert (result.boot, result.passed) == (newest, True)
    browser.until("return document.querySelector('.board').dataset.goal === 'reached'", 10)
    assert browser.js("return document.querySelector('.said').textContent").startswith(f"Result {result.id}: passed")  # type: ignore[union-attr]
    warned = "Warning: The boot finished and had not got to storage-rom. The result counts all the same."
    assert warned in browser.driver.find_element(By.CSS_SELECTOR, ".slot .said").text
    shown = browser.driver.find_element(By.CSS_SELECTOR, ".goal").text
    assert shown.startswith("passed, entered by hand: storage-rom\nthe boot finished and had not got to"), shown
    assert browser.js(FIRST_SCREEN, [".goal-word"]) == []
    assert browser.js("return document.documentElement.scrollWidth") <= 390
    browser.driver.find_element(By.CSS_SELECTOR, ".slot .said button").click()
    wait_for("it is taken back", lambda: not evening.store.results(trial=trial.id))
    browser.driver.find_element(By.CSS_SELECTOR, ".glove.three .unsure").click()
    wait_for("left out", lambda: evening.store.boot(newest).left_out)
    browser.until("return document.querySelector('.strip a').dataset.is === 'left'", 10)
    browser.driver.find_element(By.CSS_SELECTOR, ".glove.three .fail").click()
    wait_for("sure now", lambda: evening.store.results(trial=trial.id) and not evening.store.boot(newest).left_out)
    browser.driver.find_element(By.CSS_SELECTOR, ".note-line input").send_keys("the fan is loud", Keys.ENTER)
    wait_for("the note", lambda: "the fan is loud" in evening.store.trial(trial.id).note)


def test_one_alarm_is_silenced_for_a_time_and_heard_again(
    evening: Rig, browser: Browser, serious: Callable[[Browser], list[str]]
) -> None:
    """On a phone, with the alarm on: everything is still on the first screen, and the switch of this alarm too. It goes
    on to stand; the daemon knows for how long it is silent, so that every page and the alerts are."""
    evening.play_behind(STUCK)
    phone(browser, evening, look="dark")
    browser.until("return document.querySelector('.board').dataset.alarm === 'yes'", 30)
    browser.until("return document.querySelector('.next-steps li') && document.querySelector('.strip li')")
    assert browser.js(FIRST_SCREEN, [*WANTED, ".alarm-word", ".hush"]) == []
    assert serious(browser) == []
    browser.driver.find_element(By.CSS_SELECTOR, ".hush").click()
    browser.until("return document.querySelector('.board').dataset.silent === 'yes'")
    picture = evening.get("/api/machines")[0]  # type: ignore[index]
    assert picture["standing"] is not None and 590 < picture["silent_for_s"] <= 600
    assert browser.js("return document.querySelector('.silence').textContent").startswith("silenced for 10 min")  # type: ignore[union-attr]
    assert browser.js("return document.querySelector('.board').dataset.alarm") == "yes"
    browser.driver.find_element(By.CSS_SELECTOR, ".hush").click()
    browser.until("return document.querySelector('.board').dataset.silent === 'no'")
    assert evening.get("/api/machines")[0]["silent_for_s"] is None  # type: ignore[index]
    browser.open(evening.url + "/")
    browser.until("return document.querySelector('.alarm-help a') !== null")
    assert browser.js("return document.querySelector('.alarm-help a').getAttribute('href')") == f"/map/{MACHINE}"
    assert serious(browser) == []


def test_starting_a_trial_asks_what_ends_and_whose_the_boot_is(evening: Rig, browser: Browser) -> None:
    """What runs is ended only on a yes; a boot that began just before becomes the new trial's by a button; and then
    the trial is named, its result taken back by number, one without boots deleted, and all of it told."""
    evening.store.save_boot(stored_boot(901, "ready", datetime.now(UTC) - timedelta(seconds=9)))
    phone(browser, evening, "/study/storage%20rom")
    browser.until("return document.querySelector('main').dataset.weighed === 'yes'")
    assert browser.js("return document.documentElement.scrollWidth") <= 390
    before = evening.store.current_trial(MACHINE)
    assert before is not None
    browser.driver.find_element(By.CSS_SELECTOR, ".next-step button").click()
    browser.until("return document.querySelector('.question')?.textContent.includes('is running, with ')")
    assert evening.store.current_trial(MACHINE) == before
    browser.driver.find_element(By.CSS_SELECTOR, ".question .big").click()
    browser.until("return document.querySelector('.question')?.textContent.includes('A boot began ')", 20)
    now = evening.store.current_trial(MACHINE)
    assert now is not None and now.id != before.id
    browser.driver.find_element(By.CSS_SELECTOR, ".question .big").click()
    wait_for("it is the new trial's", lambda: len(evening.store.boots(trial=now.id)) == 1)

    browser.until("return document.querySelector('.care summary') !== null && !document.querySelector('.question')")
    # In one step of the page: what was moved is being weighed, and then the panel is made anew.
    browser.js("document.querySelector('.care > summary').click()")
    (entered,) = evening.store.results(trial=before.id)
    find = "return [...document.querySelectorAll('.care-list button')].find((b) => b.textContent === arguments[0])"
    browser.until(find, 20, f"Take #{entered.id} back")
    browser.js(f"{find}.click()", f"Take #{entered.id} back")
    wait_for("taken back by number", lambda: not evening.store.results(trial=before.id))
    browser.until(find, 20, f"Put #{entered.id} back")
    browser.until("return document.querySelector('main').dataset.weighed === 'yes'")

    def typed() -> bool:
        """Type the name anew until it stands in the page that is there."""
        with suppress(StaleElementReferenceException, ElementNotInteractableException):
            field = browser.driver.find_element(By.CSS_SELECTOR, ".care input[maxlength='60']")
            field.clear()
            field.send_keys("after the move", Keys.ENTER)
        time.sleep(0.3)
        return evening.store.trial(now.id).name == "after the move"

    wait_for("the name", typed)
    browser.until("return document.querySelector('.trials').textContent.includes('after the move')")


def test_a_study_is_made_in_a_form_that_says_what_is_wrong(evening: Rig, browser: Browser) -> None:
    """A stage that the machine's table does not have is refused with the nearest names, and nothing is lost of what
    was typed; put right, the study is there."""
    browser.open(evening.url + "/studies")
    browser.driver.find_element(By.CSS_SELECTOR, ".own > summary").click()
    form = browser.driver.find_element(By.CSS_SELECTOR, ".new-study")
    name, question, target = form.find_elements(By.CSS_SELECTOR, "input[type=text]")
    name.send_keys("slots")
    question.send_keys("Which slot?")
    target.send_keys("hand-ovr")
    factors = form.find_element(By.TAG_NAME, "textarea")
    factors.send_keys("slot 1, 2", Keys.TAB, Keys.ENTER)
    browser.until("return document.querySelector('.new-study .wrong').textContent.startsWith('Line 1 of what can be')")
    factors.clear()
    factors.send_keys("slot: 1, 2", Keys.TAB, Keys.ENTER)
    browser.until("return document.querySelector('.new-study .wrong').textContent.includes('hand-over')")
    target.clear()
    target.send_keys("hand-over", Keys.ENTER)
    browser.until("return location.pathname === '/study/slots'", 20)
    assert evening.store.study("slots").document["factor"][0]["levels"] == ["1", "2"]


def test_a_boot_gets_labels_a_note_and_another_place(
    evening: Rig, browser: Browser, serious: Callable[[Browser], list[str]]
) -> None:
    """Kept with the boot and shown in the list; moved out of its trial and left out, for a reason, and back."""
    boot = evening.store.boots(trial="T3", limit=1)[0].id
    browser.open(f"{evening.url}/boot/{boot}")
    ready = "return document.querySelector('.care') && document.querySelector('main').dataset.record === 'yes'"
    browser.until(ready)
    assert serious(browser) == []

    def done(script: str, *arguments: object) -> None:
        """Do something that draws the page anew, and wait until that is so."""
        browser.js("document.querySelector('.care').dataset.before = 'yes'")
        browser.js(script, *arguments)
        browser.until("return document.querySelector('.care') && !document.querySelector('.care[data-before]')")

    def fill(number: int, text: str) -> None:
        line = browser.driver.find_elements(By.CSS_SELECTOR, ".care .care-line")[number]
        line.find_element(By.CSS_SELECTOR, "input, textarea").send_keys(text)
        done("arguments[0].click()", line.find_element(By.TAG_NAME, "button"))

    fill(0, "cold start, lid open")
    assert list(evening.store.boot(boot).labels) == ["cold start", "lid open"]
    assert browser.js("return document.querySelectorAll('main > .sentence .label').length") == 2
    fill(1, "the fan was loud")
    assert evening.store.boot(boot).note == "the fan was loud"
    assert "the fan was loud" in browser.driver.find_element(By.CSS_SELECTOR, "main > .sentence").text
    fill(3, "the cable was loose")
    assert evening.store.boot(boot).left_out == "the cable was loose"
    done("document.querySelector('.care .caution button').click()")
    assert evening.store.boot(boot).left_out is None
    done("const s = document.querySelector('.care select'); s.value = ''; s.form.requestSubmit()")
    assert evening.store.boot(boot).trial is None
    browser.driver.find_element(By.CSS_SELECTOR, ".history summary").click()
    browser.until("return document.querySelectorAll('.history li').length >= 5")
    browser.open(f"{evening.url}/boots")
    browser.until("return [...document.querySelectorAll('.boot-row .label')].some((n) => n.textContent === 'lid open')")
