"""Whatever fits the shapes gives finite, JSON-ready answers; nothing else than a UsageError is raised."""

from __future__ import annotations

import json

from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.errors import UsageError
from benchd.inference.bootlog import OUTCOMES, BootGroup, BootLog, Event, stage_marks
from benchd.inference.causes import weigh
from benchd.inference.checks import compare_checks
from benchd.inference.compare import compare
from benchd.inference.draft import draft
from benchd.inference.kinds import KINDS
from benchd.inference.limits import learned_limit
from benchd.inference.next_trial import propose
from benchd.inference.study import Condition, Exclusion, Factor, Study, TrialCounts

seconds = st.floats(0, 1e6, allow_nan=False).map(lambda x: round(x, 3))


@st.composite
def studies(draw):
    sizes = draw(st.lists(st.integers(1, 4), min_size=1, max_size=4))
    kinds = list(KINDS)
    factors = tuple(
        Factor(
            f"f{i}",
            tuple("abcd"[:n]),
            kind=draw(st.sampled_from(kinds)),
            minutes=draw(st.sampled_from([None, 0, 3.5])),
        )
        for i, n in enumerate(sizes)
    )

    def setup():
        return {f.name: draw(st.sampled_from(f.levels)) for f in factors}

    exclusions = tuple(
        Exclusion(tuple(Condition(n, draw(st.sampled_from(["is", "is not"])), v) for n, v in setup().items()), "r")
        for _ in range(draw(st.integers(0, 2)))
    )
    study = Study("s", factors, exclusions=exclusions, reference=draw(st.sampled_from([None, setup()])))
    trials = []
    for i in range(draw(st.integers(0, 6))):
        n = draw(st.integers(0, 5))
        done = draw(st.integers(0, 3))
        checks = {"c": (draw(st.integers(0, done)), done)}
        trials.append(TrialCounts(f"t{i}", setup(), draw(st.integers(0, n)), n, checks))
    return study, trials


@settings(deadline=None, max_examples=120)
@given(studies())
def test_causes_next_trials_and_checks_of_any_study(case):
    """Probabilities are probabilities, the verdict is one line, proposals are allowed; all of it is JSON."""
    study, trials = case
    why = weigh(study, trials)
    json.dumps(why.to_json(), allow_nan=False)
    assert all(0 <= c.probability <= 1 for c in why.causes)
    assert why.verdict and "\n" not in why.verdict and why.verdict.endswith(".")
    assert why.boots == sum(t.boots for t in trials)
    json.dumps([r.to_json() for r in compare_checks(study, trials)], allow_nan=False)
    try:
        proposal = propose(study, trials)
    except UsageError as error:
        assert "exclu" in str(error)
        return
    json.dumps(proposal.to_json(), allow_nan=False)
    assert proposal.ranked and all(study.excluded(t.setup) is None for t in proposal.ranked)


@st.composite
def boot_logs(draw):
    values = draw(st.lists(st.sampled_from(["01", "02", "03", "mem 1 KB", "mem 22 KB", "\x1b[2J<b>"]), max_size=12))
    step, end = draw(seconds), draw(seconds)
    own = tuple(Event("code" if len(v) == 2 else "line", v, i * step) for i, v in enumerate(values))
    names = draw(st.lists(st.sampled_from("xyz"), max_size=4))
    outcome = draw(st.sampled_from(OUTCOMES))
    entries = [(n, i * end / 5) for i, n in enumerate(names)]
    return BootLog("b", outcome, end, stage_marks(entries, end, outcome == "finished"), own)


groups = st.lists(boot_logs(), min_size=1, max_size=6).map(lambda b: BootGroup("g", tuple(b)))


@settings(deadline=None, max_examples=120)
@given(st.lists(groups, min_size=2, max_size=3))
def test_comparisons_and_drafts_of_any_boots(found):
    """Intervals hold their estimate, adjusted p are no smaller; all of it is JSON."""
    out = compare(found)
    json.dumps([one.to_json() for one in out], allow_nan=False)
    for one in out:
        assert one.sentence.endswith(".") and one.sentence.isprintable()
        assert all(o.text.isprintable() for o in one.only)
        for stage in one.stages:
            if stage.shift_low is not None:
                assert stage.shift_low <= stage.shift_s <= stage.shift_high
            if stage.p is not None:
                assert 0 <= stage.p <= stage.p_adjusted <= 1
    try:
        json.dumps(draft(found[0].boots).to_json(), allow_nan=False)
    except UsageError as error:
        assert "draft needs" in str(error)


@settings(deadline=None, max_examples=200)
@given(st.lists(st.floats(), max_size=80))
def test_limits_of_any_times(times):
    """None below five usable times; else finite, and at 59 and more a time that was seen."""
    found = learned_limit(times)
    if found is not None:
        seconds, _, number = found
        assert number >= 5 and seconds > 0
        assert number < 59 or seconds in times
