"""The alert policy on a virtual clock: told once, recovery once, flapping held back. Times in seconds."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sinks.story import S, Teller

from benchd.sinks.alerts.message import AlertMessage
from benchd.sinks.alerts.policy import MAX_KEYS, AlertPolicy, Notice
from benchd.sinks.alerts.settings import DEFAULT_KINDS
from benchd.sinks.alerts.text import message
from benchd.vocabulary.events import AlarmSilenced, BootChanged


def wall(t_ns: int) -> datetime:
    return datetime(2026, 1, 2, tzinfo=UTC) + timedelta(microseconds=t_ns // 1000)


def policy(**more: float) -> AlertPolicy:
    base = {"link_delay_s": 5.0, "flaps": 3, "window_s": 600.0} | more
    return AlertPolicy(DEFAULT_KINDS, **base)  # type: ignore[arg-type]


def words(notices: list[Notice]) -> list[str]:
    return [n.state for n in notices]


def test_told_once_and_recovery_once() -> None:
    """A stall is told once however often it is raised while it stands; clearing is told once."""
    p, t = policy(), Teller()
    p.feed(t.started())
    assert words(p.feed(t.raised(10))) == ["raised"]
    assert words(p.feed(t.raised(11))) == []
    (over,) = p.feed(t.cleared(70, 60.0))
    assert (over.state, over.stood_s) == ("recovered", 60.0)
    assert words(p.feed(t.cleared(71, 61.0))) == []
    assert words(p.feed(t.ended(80))) == []


@pytest.mark.parametrize("kind", ["stall", "loop", "quiet"])
def test_restart_ends_a_hang(kind: str) -> None:
    """A boot that ends stalled leaves the alert standing; the next start ends it and says why."""
    p, t = policy(), Teller()
    p.feed(t.started())
    p.feed(t.raised(10, kind))
    assert words(p.feed(t.ended(40, "stalled"))) == []
    (over,) = p.feed(t.started(100, "b2"))
    assert (over.state, over.why, over.stood_s) == ("recovered", "a new boot started", 90.0)


def test_switching_off_ends_a_hang() -> None:
    """A boot settled as stalled has no end time and its alert stands; with an end time it is over."""
    p, t = policy(), Teller()
    p.feed(t.started())
    p.feed(t.raised(10))
    assert words(p.feed(t.ended(40, "stalled"))) == []
    over = t.boot("b1", "stalled", ended="2026-01-02T03:05:00+00:00")
    assert words(p.feed(BootChanged("at286", t.at(50), over))) == ["recovered"]


def test_fault_lasts_until_a_boot_finishes_without_it() -> None:
    """A fault text is not over because of a reset; repeated by the next boot it is not told again."""
    p, t = policy(), Teller()
    p.feed(t.started())
    assert words(p.feed(t.raised(5, "fault", "parity"))) == ["raised"]
    assert words(p.feed(t.started(20, "b2"))) == []
    assert words(p.feed(t.raised(25, "fault", "parity", "b2"))) == []
    has_it = [t.finding("fault", "parity").model_dump(by_alias=True)]
    assert words(p.feed(t.ended(30, "finished", "b2", findings=has_it))) == []
    p.feed(t.started(40, "b3"))
    assert words(p.feed(t.ended(50, "finished", "b3"))) == ["recovered"]


def test_only_configured_kinds() -> None:
    """Kinds not asked for are not told; a kind asked for is, though by default it is no alert."""
    p, t = AlertPolicy(["skipped"], link_delay_s=5, flaps=3, window_s=600), Teller()
    assert words(p.feed(t.raised(1))) == []
    skipped = t.raised(3, "skipped", "other")
    assert words(p.feed(replace(skipped, alert=False))) == ["raised"]
    p.feed(t.link(4, False))
    assert p.next_ns() is None and p.tick(10_000 * S) == []


def test_link_down_waits_out_a_replug() -> None:
    """Down for less than the delay: nothing. Longer: raised when the delay is over, recovered when up."""
    p, t = policy(), Teller()
    assert words(p.feed(t.link(10, False))) == []
    assert p.next_ns() == 15 * S
    assert words(p.tick(14 * S)) == []
    assert words(p.feed(t.link(14.5, True))) == [] and p.next_ns() is None
    p.feed(t.link(20, False))
    assert words(p.tick(25 * S)) == ["raised"] and p.tick(26 * S) == []
    assert words(p.feed(t.link(30, True))) == ["recovered"]


def test_flapping_is_held_back() -> None:
    """The fourth time within ten minutes is told as unsteady, then silence until ten quiet minutes."""
    p, t = policy(), Teller()
    told = []
    for n in range(50):
        told += words(p.feed(t.raised(10.0 * n)))
        told += words(p.feed(t.cleared(10.0 * n + 5, 5.0)))
        assert p.tick(int((10.0 * n + 6) * S)) == []
    assert told == ["raised", "recovered"] * 3 + ["unsteady"]
    last = 10 * 49 + 5
    assert p.next_ns() == (last + 600) * S
    (steady,) = p.tick((last + 600) * S)
    assert (steady.state, steady.still) == ("steady", False)
    assert words(p.feed(t.raised(2000))) == ["raised"]


def test_unsteady_that_ends_standing_is_told_as_standing() -> None:
    """If it stands when it becomes steady, the message says so, and its recovery is told later."""
    p, t = policy(flaps=1), Teller()
    for n in range(3):
        p.feed(t.raised(10.0 * n))
        p.feed(t.cleared(10.0 * n + 5, 5.0))
    p.feed(t.raised(30.0))
    (steady,) = p.tick(631 * S)
    assert steady.still
    assert words(p.feed(t.cleared(700, 670.0))) == ["recovered"]


ACTION = st.tuples(st.sampled_from(["raise", "clear", "start", "finish", "down", "up", "wait"]), st.integers(0, 400))


@settings(deadline=None, max_examples=150)
@given(st.lists(ACTION, max_size=80))
def test_never_two_alike_in_a_row_and_never_many(actions: list[tuple[str, int]]) -> None:
    """For any story: raised and recovered alternate per thing, and no window holds more than its bound."""
    p, t, now = policy(), Teller(), 0.0
    told: dict[object, list[tuple[float, str]]] = {}
    for n, (what, wait) in enumerate(actions):
        now += wait
        event = {
            "raise": t.raised(now, id_=f"b{n}"),
            "clear": t.cleared(now, 1.0),
            "start": t.started(now, f"n{n}"),
            "finish": t.ended(now),
            "down": t.link(now, False),
            "up": t.link(now, True),
            "wait": None,
        }[what]
        notices = p.tick(int(now * S)) + (p.feed(event) if event else [])
        for notice in notices:
            told.setdefault(notice.standing.key, []).append((now, notice.state))
    for story in told.values():
        states = [state for _, state in story]
        calm = states[: states.index("unsteady")] if "unsteady" in states else states
        assert calm == [("raised", "recovered")[i % 2] for i in range(len(calm))]
        assert not any(pair == ("unsteady", "unsteady") for pair in pairwise(states))
        for at, _ in story:
            assert sum(at <= x < at + 600 and state == "raised" for x, state in story) <= 3, story


def test_memory_is_bounded() -> None:
    """However many rules fire, the policy remembers at most MAX_KEYS of them."""
    p, t = policy(), Teller()
    for n in range(MAX_KEYS + 500):
        p.feed(t.raised(float(n), rule=f"r{n}"))
        p.feed(t.cleared(n + 0.5, 0.5, rule=f"r{n}"))
    assert len(p._tracks) == MAX_KEYS


def told(notice: Notice) -> AlertMessage:
    out = message(notice, "bench1", wall, "x-1")
    schema = AlertMessage.model_json_schema(mode="serialization")
    jsonschema.validate(out.model_dump(mode="json"), schema)
    return out


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("explicit", "set in the rule table"),
        ("learned-normal", "learned from few good boots"),
        ("distribution-free", "many good boots"),
        ("default", "the rule table sets none"),
    ],
)
def test_text_says_it_all(kind: str, says: str) -> None:
    """Machine, stage, last code, how long, which limit, what it means, the first thing to try."""
    p, t = policy(), Teller()
    p.feed(t.started())
    p.feed(t.stage(7.0, "rom-scan"))
    (notice,) = p.feed(t.raised(12.0, limit_kind=kind, caution="unplug first"))
    out = told(notice)
    assert out.title == "at286 stopped in stage rom-scan"
    for part in (
        "Last code 40, rule rom-never-returns, 12.0 s into boot b1.",
        "in this stage for 5.0 s",
        "Limit 5.0 s (",
        says,
        "Means: a ROM does not return",
        "Try first: take the card out",
        "Caution: unplug first",
    ):
        assert part in out.text, out.text
    assert "move its base" not in out.text and out.try_ == ["take the card out", "move its base"]
    assert '"try":[' in out.model_dump_json()


def test_hostile_text_is_harmless() -> None:
    """Escapes and direction marks from the wire or a table do not reach the message's text."""
    p, t = policy(), Teller("a\x1b]0;t\x07")
    (notice,) = p.feed(t.raised(1.0, "fault", detail="PARITY \x1b[2J\u202e", means="x\x00y"))
    out = told(notice)
    assert not any(ch < " " and ch != "\n" for ch in out.title + out.text + (out.means or ""))
    assert "\u202e" not in out.text and "PARITY" in out.text


def test_every_notice_has_words() -> None:
    """Each state and kind gives a title of one line that names the machine."""
    p, t = policy(flaps=1, link_delay_s=0.0), Teller()
    seen = []
    for n in range(3):
        seen += p.feed(t.raised(10.0 * n)) + p.feed(t.link(10.0 * n, False))
        seen += p.feed(t.cleared(10.0 * n + 5, 5.0)) + p.feed(t.link(10.0 * n + 5, True))
    seen += p.tick(10_000 * S)
    titles = {told(n).title for n in seen}
    assert len(titles) == 8 and all(x.startswith("at286") and "\n" not in x for x in titles)


def hush(t: Teller, at: float, for_s: float, kind: str = "stall", rule: str = "rom-never-returns") -> AlarmSilenced:
    return AlarmSilenced(t.machine, t.at(at), kind, rule, t.at(at + for_s))


def test_what_is_silenced_is_neither_told_to_be_over_nor_told_again_before_its_time() -> None:
    """Another alarm of the machine is told all the same; where the silenced one still stands then, it is raised."""
    p, t = policy(), Teller()
    p.feed(t.started())
    assert words(p.feed(t.raised(10))) == ["raised"]
    assert p.feed(hush(t, 20, 600)) == []
    assert p.next_ns() == t.at(620)
    assert p.tick(t.at(619.9)) == []
    assert words(p.feed(t.raised(30, "fault", "parity"))) == ["raised"]
    (again,) = p.tick(t.at(620))
    assert (again.state, again.again, again.standing.key[2]) == ("raised", True, "rom-never-returns")
    assert "It was silenced for a while, and still stands." in message(again, "bench", wall, "x").text
    assert p.next_ns() is None and p.tick(t.at(5000)) == []
    assert words(p.feed(t.cleared(5001, 4991.0))) == ["recovered"]


def test_the_silence_ends_with_the_alarm() -> None:
    """Over while silenced: nothing is told. The same hang in the next boot is another alarm, and told."""
    p, t = policy(), Teller()
    p.feed(t.started())
    p.feed(t.raised(10))
    p.feed(hush(t, 20, 600))
    assert p.feed(t.cleared(30, 20.0)) == []
    assert p.next_ns() is None
    assert words(p.feed(t.raised(40))) == ["raised"]
    assert words(p.feed(t.started(50, "b2"))) == ["recovered"]


def test_silenced_and_let_be_heard_again() -> None:
    """A silence of no length ends one: nothing is told anew, and the recovery is."""
    p, t = policy(), Teller()
    p.feed(t.started())
    p.feed(t.raised(10))
    p.feed(hush(t, 20, 600))
    p.feed(hush(t, 30, 0))
    assert p.next_ns() is None and p.tick(t.at(31)) == []
    assert words(p.feed(t.cleared(40, 30.0))) == ["recovered"]


def test_a_link_silenced_before_it_is_told_and_a_flapping_one() -> None:
    """The delay of a link passes in silence; what is held back as unsteady is not told to be steady meanwhile."""
    p, t = policy(), Teller()
    p.feed(t.link(0, False))
    p.feed(hush(t, 1, 60, "link", "post"))
    assert p.tick(t.at(30)) == []
    assert words(p.tick(t.at(61))) == ["raised"]
    p, t = policy(link_delay_s=0.0), Teller()
    for n in range(4):
        p.feed(t.link(10 * n, True))
        p.feed(t.link(10 * n + 5, False))
    p.feed(hush(t, 40, 3600, "link", "post"))
    assert p.tick(t.at(700)) == []
    assert words(p.tick(t.at(3640))) == ["steady"]


@given(st.lists(st.tuples(st.sampled_from("rchu"), st.integers(1, 40)), max_size=30))
def test_nothing_is_heard_in_silence(story: list[tuple[str, int]]) -> None:
    """Whatever order stalls, recoveries, silences and their ends come in: between a silence and its end or the end
    of what it silences nothing is told of it; and the policy never wakes for what is in the past."""
    p, t = policy(flaps=10**6), Teller()
    p.feed(t.started())
    at, until, stands = 1.0, 0.0, False
    for kind, wait in story:
        at += wait
        notices = p.tick(t.at(at))
        silent = stands and at < until
        assert not (silent and notices)
        if kind in "rc":
            was = silent
            notices = p.feed(t.raised(at) if kind == "r" else t.cleared(at, 1.0))
            if stands and kind == "c":
                assert words(notices) == ([] if was else ["recovered"])
            elif kind == "r" and not stands:
                assert words(notices) == ["raised"]
            stands, until = kind == "r", until if kind == "r" and stands else 0.0
        else:
            length = 60 if kind == "h" else 0
            assert p.feed(hush(t, at, length)) == []
            until = at + length if stands else 0.0
        due = p.next_ns()
        assert due is None or due > t.at(at)
