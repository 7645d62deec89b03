"""What `next` proposes besides setups: reseating, rests, confirming; and how two trials ahead are weighed."""

from __future__ import annotations

import numpy as np
import pytest
from inference.test_trials_settling import STUDY, by_shadow, evening

from benchd.inference.candidates import ATTENTION_MINUTES, candidates, entropy, look, view
from benchd.inference.hypotheses import build_space, update
from benchd.inference.lookahead import FIRST_MOST, NEXT_MOST, STAYS_BAD, STAYS_GOOD, two_ahead
from benchd.inference.next_trial import propose
from benchd.inference.rivals import KINDS
from benchd.inference.setups import allowed


def seen_from(rows):
    trials = evening(rows)
    space = build_space(STUDY)
    posterior = update(space, trials)
    here = space.encode([trials[-1].setup])[0]
    found = candidates(posterior, here, allowed(STUDY, here), STUDY.boot_minutes)
    return posterior, view(posterior), found


def test_reseating_is_offered_while_a_contact_may_be_the_cause_and_not_after():
    early = propose(STUDY, evening([(True, "grey"), (False, "green")]), limit=50).ranked
    again = [t for t in early if t.reseat]
    assert len(again) == 1 and again[0].repeat and again[0].caution and "put them back" in again[0].steps[0]
    assert "bad contact" in again[0].why
    late = propose(STUDY, evening(by_shadow(4)), limit=50).ranked
    assert not any(t.reseat for t in late)


def test_rests_are_offered_while_cold_or_warm_may_be_the_cause():
    found = propose(STUDY, evening([(True, "grey", "off", "none", None)]), limit=50).ranked
    rests = {t.rest_s for t in found if t.rest_s is not None}
    assert 0.0 in rests and max(rests) >= 900
    long = next(t for t in found if t.rest_s == max(rests))
    assert long.minutes == pytest.approx(max(rests) / 60 + STUDY.boot_minutes) and "leave it off" in long.steps[0]
    assert not any(t.rest_s is not None for t in propose(STUDY, evening(by_shadow(4)), limit=50).ranked)


def test_a_rest_tells_of_cold_and_reseating_of_a_contact():
    """The chance of failing under each kind moves with what is done, and under the others it does not."""
    _, seen, found = seen_from([(True, "grey"), (False, "green", "off", "none", 5.0)])
    by_kind = dict(zip(KINDS, seen.rivals(found)[0], strict=True))
    here = next(i for i in range(len(found)) if np.isnan(found.told_rest_s[i]) and not found.opened[i])
    reseat = int(np.flatnonzero(found.reseat)[0])
    rest = int(np.nanargmax(found.told_rest_s))
    assert by_kind["contact"][reseat] > by_kind["contact"][here] + 0.2
    assert by_kind["cold"][rest] > by_kind["cold"][here] + 0.3
    assert by_kind["warm"][rest] < by_kind["warm"][here]
    assert by_kind["contact"][rest] == pytest.approx(by_kind["contact"][here])


def test_what_is_separated_is_confirmed_by_the_cheapest_trial_that_shows_it():
    """Failing and cured were seen; what comes first fails, if the cause is true, and takes the least work."""
    rows = [(True, c, "off", w) for w in ("none", "one", "two") for c in ("grey", "green")] * 3
    rows += [(False, c, "on", w) for w in ("none", "one", "two") for c in ("grey", "green")] * 3
    proposal = propose(STUDY, evening(rows))
    first = proposal.ranked[0]
    assert proposal.weighing.separated and not proposal.weighing.confirmed and not proposal.stop
    assert first.kind == "confirm-failing" and [c.factor for c in first.changes] == ["shadow"]
    assert first.setup["shadow"] == "off" and "fail again" in first.why


def test_confirming_trials_say_so():
    """Nothing but the cure is missing: `confirm-cured`, where the lead works."""
    rows = by_shadow(3)
    rows = [row for row in rows if row[0]] + [row for row in rows if not row[0]] + [row for row in rows if row[0]]
    proposal = propose(STUDY, evening(rows))
    assert proposal.weighing.separated and not proposal.weighing.confirmed
    first = proposal.ranked[0]
    assert first.kind == "confirm-cured" and first.setup["shadow"] == "on" and "once more" in first.why
    assert not proposal.stop and "the cure again" in proposal.advice


def test_the_first_ones_are_ordered_by_what_two_boots_tell():
    """Written out: bits less minutes at the going rate, and for each result the best that could follow it."""
    posterior, seen, found = seen_from([(True, "grey"), (False, "green", "on"), (True, "grey", "off", "one")])
    bits, _ = look(seen, found)
    order = np.lexsort((found.minutes, -np.round(bits / found.price, 12)))
    first = order[:FIRST_MOST]
    going = (bits[first] / found.price[first]).max()
    space, study = posterior.space, STUDY
    p_rival, p_beside = seen.rivals(found)
    single = [list(seen.which).index(h) for h in space.single_rows]
    inside = seen.inside(found.setups)
    weight = np.concatenate([seen.weight, seen.kinds])
    weight[single] += seen.beside

    def chances(j):
        p = np.where(inside[:, j], seen.p_in, seen.p_out)
        own = seen.weight[single]
        p[single] = (own * p[single] + seen.beside * p_beside[:, j]) / (own + seen.beside)
        return np.concatenate([p, p_rival[:, j]])

    worth = []
    for i in first:
        p = chances(i)
        value = bits[i] - going * found.price[i]
        for failed in (True, False):
            after = weight * (p if failed else 1 - p)
            chance = after.sum()
            best = 0.0
            for j in order[:NEXT_MOST]:
                changed = [f for f in range(3) if found.setups[j][f] != found.setups[i][f]]
                price = ATTENTION_MINUTES + study.boot_minutes
                price += sum(study.factors[f].cost(study.factors[f].levels[found.setups[j][f]]) for f in changed)
                q = chances(j)
                if not any(study.factors[f].hardware for f in changed):
                    for k, kind in enumerate(KINDS):
                        if kind not in ("falling", "rising"):
                            q[len(seen.weight) + k] = STAYS_BAD if failed else STAYS_GOOD
                # The rivals beside a condition stay as they are seen from here: only those alone go by their state.
                gain = entropy(np.array((after * q).sum() / chance)) - (after / chance * entropy(q)).sum()
                best = max(best, gain - going * price)
            value += chance * best
        worth.append(value)
    want = first[np.lexsort((found.minutes[first], -np.round(worth, 9)))]
    got = two_ahead(seen, found, bits, order)
    assert got[FIRST_MOST:].tolist() == order[FIRST_MOST:].tolist()
    assert got[:FIRST_MOST].tolist() == want.tolist()
