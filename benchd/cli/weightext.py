"""Causes, next trials and comparisons as text that a tired person understands at once: the sentence first."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchd.cli.output import clean
from benchd.cli.studytext import table, tally, wrapped
from benchd.inference.wording import counted, percent
from benchd.studies.comparing import Compared
from benchd.studies.weighing import Next, Why

if TYPE_CHECKING:
    from benchd.inference.causes import Cause
    from benchd.inference.compare import Comparison
    from benchd.inference.divergence import Divergence

SHOWN_FROM = 0.02
SHOWN_MOST = 8
GROUP_MOST = 6
ONLY_MOST = 8
WORTH_SHARE = 0.1
"""A shift below this share of the stage is not worth more boots, so none are asked for."""


def why_lines(why: Why) -> Iterator[str]:
    """What `benchd why` prints."""
    weighing = why.weighing
    yield from wrapped(weighing.verdict)
    ok = weighing.boots - weighing.failures
    counts = f"{tally(ok, weighing.boots, weighing.boots)} in {counted(len(why.views), 'trial')}"
    yield clean(f"({why.known.name}, goal: {why.known.study.goal.words()}; {counts})")
    causes = [c for c in weighing.causes if c.probability >= SHOWN_FROM][:SHOWN_MOST] or list(weighing.causes[:3])
    if weighing.failures:
        yield ""
        rows = [["", "probability", "kind of cause", "explanation"]]
        rows += [[str(n), percent(c.probability), c.cause_class, c.text] for n, c in enumerate(causes, 1)]
        yield from table(rows, 100)
        yield from _groups(why)
        yield from _speaks(causes[0])
        yield ""
        yield from wrapped(weighing.ordering.sentence)
        matters = [(name, p) for name, p in weighing.matters if p < 0.05]
        if matters:
            yield from wrapped("Hardly matter so far: " + ", ".join(f"{n} ({percent(p)})" for n, p in matters) + ".")
    telling = [report for report in why.checks if report.pattern != "passes"]
    if telling:
        yield ""
        for report in telling:
            yield from wrapped(report.sentence)
    notes = [
        *why.remarks,
        *weighing.evidence,
        *(f"Left out to stay fast: {what}." for what in weighing.left_out),
    ]
    if notes:
        yield ""
        for text in notes:
            yield from wrapped(text)
    if not weighing.separated and weighing.failures:
        yield ""
        yield clean(f"What to try next: benchd next {why.known.name}")


def _groups(why: Why) -> Iterator[str]:
    causes = why.weighing.causes
    for group in why.weighing.groups:
        members = [c for c in causes if c.group == group.group and c.probability >= 0.005]
        if len(members) < 2 or group.probability < 0.05:
            continue
        yield ""
        yield f"The trials cannot separate these ({percent(group.probability)} together):"
        for cause in members[:GROUP_MOST]:
            yield from wrapped(f"{cause.text} ({percent(cause.probability)})", "  ")
        if group.explanations > len(members[:GROUP_MOST]):
            yield f"  and {counted(group.explanations - len(members[:GROUP_MOST]), 'less likely one')}"


def _speaks(lead: Cause) -> Iterator[str]:
    for what, speaks in (("For", lead.supports), ("Against", lead.against)):
        if speaks:
            yield ""
            yield f"{what} the likeliest:"
            for one in speaks[:4]:
                yield from wrapped(f"{one.trial}: {one.words}", "  ")


def next_lines(found: Next) -> Iterator[str]:
    """What `benchd next` prints."""
    proposal = found.proposal
    yield from wrapped(proposal.advice)
    ranked = proposal.ranked
    if not ranked:
        return
    best = ranked[0]
    yield ""
    if proposal.stop:
        yield "If you want to go on all the same:"
    yield clean(f"From {found.current_from}, about {best.minutes:g} min, {best.gain_bits:.2f} bits:")
    for number, step in enumerate(best.steps, 1):
        yield from wrapped(f"{number}. {step}", "  ")
    named = " ".join(
        f"'{c.factor}={c.after}'" if " " in c.factor + c.after else f"{c.factor}={c.after}" for c in best.changes
    )
    yield clean(f"  benchd trial start --study {found.known.name} {named}".rstrip(), 1000)
    yield ""
    for outlook in (best.if_ok, best.if_fail):
        yield from wrapped(outlook.words(), "  ")
    if best.caution:
        yield ""
        yield from wrapped(f"CAUTION: {best.caution}")
    if len(ranked) > 1:
        yield ""
        yield "Other trials, by what they tell per minute:"
        rows = [["", "change", "minutes", "bits", ""]]
        for number, one in enumerate(ranked[1:], 2):
            change = ", ".join(change.words() for change in one.changes) or "nothing"
            rows.append(
                [
                    str(number),
                    change,
                    f"{one.minutes:g}",
                    f"{one.gain_bits:.2f}",
                    "power off" if one.caution else "",
                ]
            )
        yield from table(rows, 90)
    for text in [*proposal.left_out, *found.remarks]:
        yield from wrapped(text)


def compare_lines(compared: Compared) -> Iterator[str]:
    """What `benchd compare` prints."""
    for number, (one, checks, changes) in enumerate(
        zip(compared.comparisons, compared.checks, compared.changed, strict=True)
    ):
        if number:
            yield ""
            yield "-" * 40
        yield from wrapped(one.sentence)
        for stage in compared.reached[number][1:4]:
            yield from wrapped(f"Also: {stage.words(one.a_name, one.b_name)}.")
        if changes:
            yield from wrapped("Changed: " + "; ".join(change.words() for change in changes) + ".")
        yield from _finish(one)
        yield from _stages(one)
        if one.first_divergence is not None:
            yield from _divergence(one, one.first_divergence, "First divergence")
        if one.lasting_divergence is not None and one.lasting_divergence != one.first_divergence:
            yield from _divergence(one, one.lasting_divergence, "They part for good")
        yield from _only(one)
        for change in one.order:
            yield from wrapped(
                f"Order: {change.earlier} before {change.later} in {percent(change.a_share)} of {one.a_name}, "
                f"in {percent(change.b_share)} of {one.b_name}."
            )
        if checks:
            yield ""
            rows = [["check", one.a_name, one.b_name, "p"]]
            rows += [
                [c.check, f"{c.a[0]} of {c.a[1]}", f"{c.b[0]} of {c.b[1]}", "" if c.p is None else f"{c.p:.2g}"]
                for c in checks
            ]
            yield from table(rows)
        for note in one.notes:
            yield from wrapped(f"note: {note}")
    for name, told in compared.predictions.items():
        yield ""
        yield clean(f"{name}, predicted against seen:")
        for sentence in told:
            yield from wrapped(sentence, "  ")
    for note in compared.notes:
        yield from wrapped(f"note: {note}")


def _finish(one: Comparison) -> Iterator[str]:
    yield ""
    rows = [["", "finished", "95 % interval", "median time to finish"]]
    medians = (one.time_to_finish.a_median_s, one.time_to_finish.b_median_s)
    for name, rate, median in zip((one.a_name, one.b_name), (one.finish.a, one.finish.b), medians, strict=True):
        interval = f"{percent(rate.low)} to {percent(rate.high)}" if rate.n else "-"
        time = "more than half did not finish" if median is None else f"{median:.2f} s"
        rows.append([name, f"{rate.k} of {rate.n}", interval, time])
    yield from table(rows)


def _stages(one: Comparison) -> Iterator[str]:
    if not one.stages:
        return
    yield ""
    rows = [["stage", one.a_name, one.b_name, f"{one.b_name} minus {one.a_name}", "95 % interval", "adjusted p"]]
    for stage in one.stages:
        sides = []
        for side in (stage.a, stage.b):
            text = (
                f"{side.median_s:.3f} s" + (f" (n {side.n})" if side.n > 1 else "")
                if side.median_s is not None
                else "-"
            )
            sides.append(text + (f", {side.ended_here} ended here" if side.ended_here else ""))
        shift = "" if stage.shift_s is None else f"{stage.shift_s:+.3f} s"
        ends = (stage.shift_low, stage.shift_high)
        interval = f"{ends[0]:+.3f} to {ends[1]:+.3f}" if ends[0] is not None and ends[1] is not None else ""
        p = "" if stage.p_adjusted is None else f"{stage.p_adjusted:.2g}"
        size = max((side.median_s or 0.0) for side in (stage.a, stage.b))
        worth = stage.more_boots and stage.shift_s is not None and abs(stage.shift_s) >= WORTH_SHARE * size
        more = f"{counted(stage.more_boots or 0, 'more boot')} each would tell" if worth else ""
        rows.append([stage.name, *sides, shift, interval or more, p])
    yield from table(rows, 40)


def _divergence(one: Comparison, where: Divergence, title: str) -> Iterator[str]:
    yield ""
    yield title + ":"
    for point in where.before:
        yield clean(f"    {point.t_s:8.2f} s  {point.text}", 200)
    for name, points in ((one.a_name, where.a), (one.b_name, where.b)):
        yield clean(f"  {name}:" + ("" if points else " nothing more"))
        for point in points:
            yield clean(f"    {point.t_s:8.2f} s  {point.text}  ({point.seen} of {point.of} boots)", 200)


def _only(one: Comparison) -> Iterator[str]:
    for side, name in (("a", one.a_name), ("b", one.b_name)):
        own = [only for only in one.only if only.side == side]
        if own:
            yield ""
            yield clean(f"Only {name} has:")
            for only in own[:ONLY_MOST]:
                yield clean(f"  {only.text}  ({only.k} of {only.n} boots)", 200)
            if len(own) > ONLY_MOST:
                yield f"  and {len(own) - ONLY_MOST} more"
