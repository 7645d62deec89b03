"""Groups of boots compared: where they part, order, timing, finishing, and the sentence at the top."""

from __future__ import annotations

import time

import numpy as np
import pytest

from benchd.errors import UsageError
from benchd.inference.answers import NotCounted
from benchd.inference.bootlog import MAX_EVENTS, BootGroup, BootLog, Event, StageMark, mask, stage_marks
from benchd.inference.compare import SHOWN, compare


def events(*values, step=0.5):
    return tuple(Event("code" if len(v) == 2 else "line", v, round(i * step, 6)) for i, v in enumerate(values))


def boot(name, codes, outcome="finished", end=10.0, stages=()):
    marks = stage_marks(stages, end, outcome == "finished")
    return BootLog(name, outcome, end, marks, events(*codes))


def group(name, *boots):
    return BootGroup(name, boots)


LADDER = ["01", "02", "03", "04", "05", "06"]


def one(a, b):
    return compare([group("A", a), group("B", b)])[0]


def test_boots_that_stop_part_where_the_codes_end():
    """A goes on, B ends: context before, next rungs on one side, nothing on the other."""
    found = one(boot("a", LADDER), boot("b", LADDER[:3], "stalled", 60))
    first = found.first_divergence
    assert [p.text for p in first.before] == ["code 01", "code 02", "code 03"]
    assert [p.text for p in first.a] == ["code 04", "code 05", "code 06"]
    assert first.b == () and not first.rejoins
    assert found.sentence == "They differ after code 03: A goes on to code 04, B ends there."


def test_boots_that_take_another_way_show_both_sides():
    found = one(boot("a", LADDER), boot("b", ["01", "02", "03", "D4", "D5"]))
    assert [p.text for p in found.first_divergence.a] == ["code 04", "code 05", "code 06"]
    assert [p.text for p in found.first_divergence.b] == ["code D4", "code D5"]
    assert {(o.side, o.text) for o in found.only} == {
        ("a", "code 04"), ("a", "code 05"), ("a", "code 06"), ("b", "code D4"), ("b", "code D5"),
    }  # fmt: skip


def test_a_lost_code_is_not_taken_for_the_parting():
    """A slow serial card merges fast codes: the gap comes first, the sentence tells the parting for good."""
    found = one(boot("a", LADDER), boot("b", ["01", "03", "04"], "stalled"))
    assert [p.text for p in found.first_divergence.before] == ["code 01"] and found.first_divergence.rejoins
    assert [p.text for p in found.lasting_divergence.before][-1] == "code 04"
    assert "after code 04" in found.sentence


def test_equal_boots_do_not_part():
    found = one(boot("a", LADDER), boot("b", LADDER))
    assert found.first_divergence is None and found.only == () and found.order == ()
    assert found.sentence == "No difference shown between A (1 boot) and B (1 boot)."


def test_lines_that_differ_in_digits_only_are_the_same():
    """Digits masked, spaces joined: counters and addresses do not make a difference."""
    found = one(boot("a", ["01", "Memory  512 KB", "03"]), boot("b", ["01", "Memory 640 KB ", "03"]))
    assert found.first_divergence is None and found.only == ()
    assert mask("  at C800:0003\t12 ms ") == "at C#:# # ms"


def test_a_change_of_order_nearby_is_no_divergence_of_rungs():
    """Two neighbours that swap are told as order, not as parting."""
    stages = [("memory", 0.0), ("video", 2.0), ("disk", 4.0)]
    swapped = [("memory", 0.0), ("disk", 2.0), ("video", 4.0)]
    found = one(boot("a", ["01", "02", "03", "04"], stages=stages), boot("b", ["01", "03", "02", "04"], stages=swapped))
    assert found.first_divergence is None
    assert [(c.earlier, c.later) for c in found.order] == [("video", "disk")]
    assert found.sentence == "Disk comes before video in B."


def test_repeats_of_unequal_length_are_no_divergence():
    """Memory counting repeats its line as often as there is memory."""
    found = one(boot("a", ["01", *["count 64 KB"] * 9, "02"]), boot("b", ["01", *["count 64 KB"] * 31, "02"]))
    assert found.first_divergence is None


def timed(rng, name, n, slower=0.0, stall=0):
    out = []
    for i in range(n):
        first, second = rng.normal(4, 0.2), rng.normal(2, 0.1) + slower
        stalled = i < stall
        marks = stage_marks([("memory", 0.0), ("disk", first)], first + second, not stalled)
        end = first + (60.0 if stalled else second)
        out.append(BootLog(f"{name}{i}", "stalled" if stalled else "finished", end, marks, events(*LADDER)))
    return BootGroup(name, tuple(out))


def test_a_slower_stage_is_found_with_interval_and_adjusted_p():
    """Half a second is added to one stage only: its interval holds it, the other stage shows nothing."""
    rng = np.random.default_rng(1)
    found = compare([timed(rng, "A", 25), timed(rng, "B", 25, slower=0.5)])[0]
    memory, disk = found.stages
    assert (memory.name, disk.name) == ("memory", "disk")
    assert disk.shift_low < 0.5 < disk.shift_high and disk.p_adjusted < 0.001 and disk.more_boots is None
    assert memory.p_adjusted > 0.05 and memory.shift_low < 0 < memory.shift_high
    assert all(s.p_adjusted >= s.p for s in found.stages)
    assert "stage disk takes" in found.sentence.lower() and "longer in B" in found.sentence


def test_stalled_boots_are_censored_not_dropped():
    """They count in the finishing rate, end a stage without a time, and are at risk until watched no more."""
    rng = np.random.default_rng(2)
    found = compare([timed(rng, "A", 12), timed(rng, "B", 12, stall=9)])[0]
    disk = found.stages[1]
    assert (disk.b.n, disk.b.ended_here, disk.a.ended_here) == (3, 9, 0)
    assert (found.finish.b.k, found.finish.b.n) == (3, 12) and found.finish.p < 0.001
    assert found.time_to_finish.b.median_s is None and found.time_to_finish.a.median_s == pytest.approx(6, abs=0.3)
    assert found.time_to_finish.p < 0.001
    assert found.sentence.startswith("B finishes less often than A (3 of 12 against 12 of 12")


def test_lost_links_say_nothing_about_finishing():
    """Cut short and link lost are not counted as failures."""
    a = group("A", boot("1", LADDER), boot("2", LADDER, "link lost"), boot("3", LADDER, "cut short"))
    found = compare([a, group("B", boot("4", LADDER))])[0]
    assert (found.finish.a.k, found.finish.a.n, found.finish.not_counted) == (1, 1, NotCounted(2, 0))


def test_an_open_question_says_how_many_more_boots_would_settle_it():
    a = group("A", *[boot(str(i), LADDER, "finished" if i else "stalled") for i in range(6)])
    b = group("B", *[boot(str(i), LADDER, "finished" if i > 2 else "stalled") for i in range(6)])
    found = compare([a, b])[0]
    assert found.finish.p > 0.05 and found.finish.more_boots > 5
    assert f"about {found.finish.more_boots} more boots each" in found.sentence


def test_each_further_group_is_held_against_the_first_with_one_correction():
    """Holm over all stages of all groups: the adjusted p grows with the number of groups."""
    rng = np.random.default_rng(3)
    a, b, c = timed(rng, "A", 10), timed(rng, "B", 10, slower=0.1), timed(rng, "C", 10)
    two, three = compare([a, b]), compare([a, b, c])
    assert [x.names.b for x in three] == ["B", "C"]
    assert three[0].stages[1].p == two[0].stages[1].p
    assert three[0].stages[1].p_adjusted >= two[0].stages[1].p_adjusted


def test_json_has_the_contract_keys():
    rng = np.random.default_rng(4)
    out = compare([timed(rng, "A", 5), timed(rng, "B", 5)])[0].to_json()
    assert {"first_divergence", "stages", "finish", "sentence"} <= set(out)
    stage = out["stages"][0]
    assert {"name", "a", "b", "shift_s", "shift_low", "shift_high", "p", "p_adjusted"} <= set(stage)
    assert {"n", "median_s"} <= set(stage["a"])
    assert {"a", "b", "p"} <= set(out["finish"]) and {"k", "n", "low", "high"} <= set(out["finish"]["a"])


def test_a_stage_only_one_group_has_is_listed_without_a_shift():
    found = one(boot("a", LADDER, stages=[("x", 0.0), ("y", 1.0)]), boot("b", LADDER, stages=[("x", 0.0)]))
    y = next(s for s in found.stages if s.name == "y")
    assert (y.a.n, y.b.n, y.b.median_s, y.shift_s, y.p, y.p_adjusted) == (1, 0, None, None, None, None)


def test_a_stage_entered_twice_counts_once():
    b = BootLog("b", "finished", 9, (StageMark("x", 0, 1.0), StageMark("x", 4, 5.0)), ())
    found = compare([group("A", b), group("B", b)])[0]
    assert found.stages[0].a.n == 1 and found.stages[0].a.median_s == 1.0


def test_events_beyond_the_bound_are_cut_and_said_so():
    """4,000 events of a boot are looked at; the note gives the number."""
    long = boot("b", [f"{i % 251:02X}" for i in range(MAX_EVENTS + 5)])
    found = one(long, long)
    assert any(str(MAX_EVENTS) in note for note in found.notes)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: compare([group("A", boot("a", LADDER))]), "1 group to compare"),
        (lambda: compare([group("A", boot("a", LADDER))] * 13), "13 groups"),
        (lambda: BootGroup("A", ()), "0 boots"),
        (lambda: BootLog("a", "vanished", 1.0), "vanished"),
        (lambda: BootLog("a", "finished", -1.0), "-1"),
    ],
)
def test_what_cannot_be_compared_is_refused(make, says):
    with pytest.raises(UsageError, match=says):
        make()


def test_two_trials_of_a_thousand_boots_take_less_than_two_seconds():
    """15 stages, 180 events a boot, each boot's events a little different."""
    rng = np.random.default_rng(5)

    def many(name, slower):
        boots = []
        for i in range(1000):
            steps = 0.1 * rng.lognormal(0, 0.1, 180)
            steps[84:96] *= 1 + slower
            at = np.cumsum(steps) - steps
            keep = rng.random(180) > 0.01
            own = tuple(
                Event("code", f"{k:02X}", float(at[k]))
                if k % 2
                else Event("line", f"{i} step {'abc'[k % 3]} {k}", float(at[k]))
                for k in range(180)
                if keep[k]
            )
            marks = stage_marks([(f"s{s}", float(at[12 * s])) for s in range(15)], float(at[-1] + 0.1), True)
            boots.append(BootLog(str(i), "finished", float(at[-1] + 0.1), marks, own))
        return BootGroup(name, tuple(boots))

    a, b = many("A", 0.0), many("B", 0.05)
    began = time.process_time()
    found = compare([a, b])[0]
    assert time.process_time() - began < 2.0
    assert [s.name for s in found.stages if s.p_adjusted is not None and s.p_adjusted < SHOWN] == ["s7"]
