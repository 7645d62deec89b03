"""Drafted ladders: what all boots share, usual times and limits, optional and repeated rungs."""

from __future__ import annotations

import time

import numpy as np
import pytest

from benchd.errors import UsageError
from benchd.inference.bootlog import BootLog, Event
from benchd.inference.draft import GUESS, Rare, draft
from benchd.inference.limits import FREE, NORMAL, learned_limit


def boot(name, values, step=0.5, outcome="finished", scale=1.0):
    own = tuple(Event("code" if len(v) == 2 else "line", v, i * step * scale) for i, v in enumerate(values))
    return BootLog(name, outcome, len(values) * step * scale, (), own)


def test_the_shared_ladder_comes_out_in_order_with_its_times():
    found = draft([boot(str(i), ["01", "02", "Ready 7", "04"], scale=1 + i / 100) for i in range(3)])
    assert [(s.kind, s.value) for s in found.stages] == [
        ("code", "01"), ("code", "02"), ("line", "Ready #"), ("code", "04"),
    ]  # fmt: skip
    assert [s.at_s for s in found.stages] == pytest.approx([0, 0.505, 1.01, 1.515])
    assert [s.usual_s for s in found.stages] == pytest.approx([0.505] * 4)
    assert found.starts_with == "code 01" and found.boots == 3 and found.rare == ()
    assert not any(s.optional or s.repeats for s in found.stages)


def test_rungs_that_some_boots_lack_are_optional_and_rare_ones_stay_off():
    full = ["01", "02", "03", "04"]
    boots = [boot(str(i), full if i < 6 else ["01", "02", "04"]) for i in range(19)] + [boot("x", [*full, "EE"])]
    found = draft(boots)
    assert [(s.value, s.optional, s.seen) for s in found.stages] == [
        ("01", False, 20), ("02", False, 20), ("03", True, 7), ("04", False, 20),
    ]  # fmt: skip
    assert found.rare == (Rare("code EE", 1),)


def test_repeats_are_one_rung_with_how_often():
    found = draft([boot(str(n), ["01", *["count 64"] * n, "02"]) for n in (5, 9, 20)])
    rung = found.stages[1]
    assert (rung.value, rung.repeats.low, rung.repeats.median, rung.repeats.high, rung.repeats.period) == (
        "count #", 5, 9, 20, 1,
    )  # fmt: skip


def test_a_repeated_block_keeps_its_codes_and_its_length():
    found = draft([boot(str(n), ["01", *["0A", "0B"] * n, "02"]) for n in (3, 4)])
    assert [s.value for s in found.stages] == ["01", "0A", "0B", "02"]
    assert [s.repeats.period if s.repeats else None for s in found.stages] == [None, 2, 2, None]


@pytest.mark.parametrize(("n", "kind"), [(4, GUESS), (5, NORMAL), (58, NORMAL), (59, FREE)])
def test_limits_are_learned_from_five_boots_and_a_wide_guess_below(n, kind):
    """The tolerance limit of the gap; below 5 boots three times the longest, at least 10 s."""
    rng = np.random.default_rng(n)
    boots = [boot(str(i), ["01", "02"], scale=float(rng.lognormal(1, 0.2))) for i in range(n)]
    rung = draft(boots).stages[0]
    gaps = [b.events[1].t_s for b in boots]
    assert rung.limit_kind == kind and rung.longest_s == max(gaps)
    if kind == GUESS:
        assert rung.limit_s == max(10.0, 3 * max(gaps))
    else:
        assert rung.limit_s == pytest.approx(max(learned_limit(gaps)[0], max(gaps)))
    assert rung.limit_s >= rung.longest_s >= rung.usual_s


def test_boots_that_did_not_finish_are_pointed_out_and_their_last_rung_has_no_time():
    found = draft([boot("1", ["01", "02"]), boot("2", ["01", "02"], outcome="stalled"), BootLog("3", "finished", 1.0)])
    assert len(found.notes) == 2 and "1 boots without" in found.notes[0] and "1 of 2" in found.notes[1]
    assert found.boots == 2 and found.stages[1].usual_s == 0.5


@pytest.mark.parametrize(
    "boots",
    [
        [],
        [boot("1", ["01"])],
        [BootLog("1", "finished", 1.0)] * 3,
        [boot("1", ["01"]), BootLog("2", "finished", 1.0)],
    ],
)
def test_a_draft_needs_two_boots_with_events(boots):
    with pytest.raises(UsageError, match="draft needs"):
        draft(boots)


def test_json_rounds_to_milliseconds_and_names_everything():
    out = draft([boot(str(i), ["01", "02"], step=1 / 3) for i in range(2)]).to_json()
    assert out["stages"][1]["at_s"] == 0.333 and out["starts_with"] == "code 01"


def test_a_thousand_boots_take_less_than_ten_seconds():
    """200 events a boot, 3 % lost, strange lines in between: the whole ladder, in order."""
    rng = np.random.default_rng(6)
    ladder = [f"{i:02X}" for i in range(200)]
    boots = []
    for n in range(1000):
        own = [v for v in ladder if rng.random() > 0.03]
        for word in rng.choice(["alpha", "beta", "gamma", "delta"], 4):
            own.insert(int(rng.integers(1, len(own))), f"{word} {'xyz'[int(rng.integers(3))]}{n}")
        boots.append(boot(str(n), own, step=0.1))
    began = time.process_time()
    found = draft(boots)
    assert time.process_time() - began < 10.0
    assert [s.value for s in found.stages if s.kind == "code"] == ladder
