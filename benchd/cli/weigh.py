"""`benchd compare`, `why`, `next` and `report`: what trials say, and what to try; the sentence first."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli.common import ArchiveOption, ConfigOption, JsonOption
from benchd.cli.output import clean, emit_json, say
from benchd.cli.studytext import table, tally, wrapped
from benchd.inference.wording import counted, percent
from benchd.vocabulary.times import duration_words

if TYPE_CHECKING:
    from benchd.inference.answers import Comparison, Divergence, NextTrial, OnlyOne, StageShift
    from benchd.studies.comparing import BootComparison, Compared
    from benchd.studies.weighing import Next, Why

SHOWN_FROM = 0.02
SHOWN_MOST = 8
HARDLY = 0.05
"""A factor that holds less weight than this hardly matters."""
GROUP_MOST = 6
ONLY_MOST = 8
NAME_MOST = 12
"""Longer names are A and B in tables."""
SURE = "95 % sure"
TOO_FEW = "too few boots"
P_SHOWN = 0.995
MUCH_BITS, SOME_BITS = 0.4, 0.15
WORTH_SHARE = 0.1
"""A shift below this share of the stage is not worth more boots, so none are asked for."""

Study = Annotated[str, typer.Argument(help="The study's name.", metavar="STUDY")]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command()(compare)
    app.command()(why)
    app.command(name="next")(next_)
    app.command()(report)


def compare(
    names: Annotated[list[str], typer.Argument(help="Boots or trials: ids, beginnings, `last`.", metavar="A B [C...]")],
    stages_only: Annotated[
        bool,
        typer.Option("--stages-only", help="Leave the captures alone: ladders and times, no codes and lines."),
    ] = False,
    archive: ArchiveOption = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Compare boots or trials with the first.

    Where they differ, stage times, finishing rates, checks.

    Exit codes: 0 fine, 1 the store failed, 2 unknown, doubled or too few names.
    """
    from benchd.cli.studystore import study_store
    from benchd.studies.comparing import compare_groups, find_groups

    with study_store(config, archive=archive) as store:
        compared = compare_groups(store, find_groups(store, names), read=not stages_only)
    if json:
        emit_json(compared.to_json())
        return
    for line in compare_lines(compared):
        say(line)


def why(
    study: Study,
    check: Annotated[str | None, typer.Option(help="Weigh why this check fails, instead of the goal.")] = None,
    archive: ArchiveOption = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Weigh the causes by the trials so far.

    The verdict, causes with probabilities, and what cannot be told apart.

    Exit codes: 0 fine (also when nothing is settled), 1 the store failed, 2 no such study or check.
    """
    from benchd.cli.studystore import study_store
    from benchd.studies.weighing import why as weigh

    with study_store(config, archive=archive) as store:
        found = weigh(store, study, check=check)
    if json:
        emit_json(found.to_json())
        return
    for line in why_lines(found):
        say(line)


def next_(
    study: Study,
    limit: Annotated[int, typer.Option(min=1, max=100, help="How many to rank.")] = 5,
    with_collisions: Annotated[
        bool, typer.Option("--with-collisions", help="Also setups for which the map foretells a collision.")
    ] = False,
    archive: ArchiveOption = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Rank the next trials by what they tell per minute.

    The steps of each, what each result would mean, and cautions.

    Exit codes: 0 fine (also when it says stop), 1 the store failed, 2 no such study, or no setup is allowed.
    """
    from benchd.cli.studystore import study_store
    from benchd.studies.weighing import next_trials

    with study_store(config, archive=archive) as store:
        found = next_trials(store, study, limit=limit, with_collisions=with_collisions)
    if json:
        emit_json(found.to_json()["next"])
        return
    for line in next_lines(found):
        say(line)


def report(
    study: Study,
    out: Annotated[Path, typer.Option("--out", help="Folder for STUDY.html and STUDY.md.")] = Path(),
    archive: ArchiveOption = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Write a report for a stranger.

    One HTML file that needs nothing else, and one Markdown file.

    Exit codes: 0 fine, 1 a file or the store failed, 2 no such study.
    """
    from benchd.cli.studystore import now, study_store
    from benchd.studies.report import write_report

    with study_store(config, archive=archive) as store:
        files = write_report(store, study, out, now())
    if json:
        emit_json({"files": [str(file) for file in files]})
        return
    for file in files:
        say(clean(str(file), 1000))


def why_lines(why: Why) -> Iterator[str]:
    """What `benchd why` prints."""
    yield from wrapped(why.verdict)
    yield from wrapped(why.conclusion) if why.conclusion else ()
    counts = f"{tally(why.boots - why.failures, why.boots, why.boots)} in {counted(why.trials, 'trial')}"
    yield clean(f"({why.study}, goal: {why.goal}; {counts})")
    if why.failures:
        yield from _causes(why)
    yield from _block(report.sentence for report in why.checks if report.pattern != "passes")
    left_out = (f"Left out to stay fast: {what}." for what in why.left_out)
    yield from _block([*why.remarks, *why.evidence, *left_out])
    if not why.settled and why.failures:
        yield ""
        yield clean(f"What to try next: benchd next {why.study}")


def _block(texts: Iterable[str], title: str = "", indent: str = "") -> Iterator[str]:
    """Sentences after an empty line and a title; nothing where there are none."""
    for number, text in enumerate(texts):
        if not number:
            yield from ["", title] if title else [""]
        yield from wrapped(text, indent)


def _causes(why: Why) -> Iterator[str]:
    causes = [c for c in why.causes if c.probability >= SHOWN_FROM][:SHOWN_MOST] or list(why.causes[:3])
    yield ""
    rows = [["", "probability", "kind of cause", "explanation"]]
    rows += [[str(n), percent(c.probability), c.cause_class, c.text] for n, c in enumerate(causes, 1)]
    yield from table(rows, 100)
    yield from _groups(why)
    for what, support in (("For", causes[0].supports), ("Against", causes[0].against)):
        yield from _block((f"{one.trial}: {one.words}" for one in support[:4]), f"{what} the likeliest:", "  ")
    yield from _block((doubt.words() for doubt in why.doubts), "What could still be otherwise:", "  ")
    yield ""
    yield from wrapped(why.ordering.sentence)
    hardly = ", ".join(f"{one.factor} ({percent(one.matters)})" for one in why.factors if one.matters < HARDLY)
    if hardly:
        yield from wrapped(f"Hardly matter so far: {hardly}.")


def _groups(why: Why) -> Iterator[str]:
    for group in why.groups:
        members = [c for c in why.causes if c.group == group.group and c.probability >= 0.005]
        if len(members) < 2 or group.probability < 0.05:
            continue
        yield ""
        yield f"The trials cannot separate these ({percent(group.probability)} together):"
        for cause in members[:GROUP_MOST]:
            yield from wrapped(f"{cause.text} ({percent(cause.probability)})", "  ")
        if group.explanations > len(members[:GROUP_MOST]):
            yield f"  and {counted(group.explanations - len(members[:GROUP_MOST]), 'less likely one')}"


def next_lines(found: Next) -> Iterator[str]:
    """What `benchd next` prints."""
    yield from wrapped(found.advice)
    if not found.ranked:
        return
    yield ""
    if found.stop:
        yield "If you want to go on all the same:"
    yield from _best(found, found.ranked[0])
    if len(found.ranked) > 1:
        yield ""
        yield "Other trials, by what they tell per minute:"
        rows = [["", "change", "minutes", "tells", ""]]
        for number, one in enumerate(found.ranked[1:], 2):
            change = ", ".join(_done(one)) or "nothing"
            off = "power off" if one.caution else ""
            rows.append([str(number), change, f"{one.minutes:g}", _tells(one.gain_bits), off])
        yield from table(rows, 90)
    for text in [*found.left_out, *found.remarks]:
        yield from wrapped(text)


def _done(one: NextTrial) -> list[str]:
    """What a proposed trial asks for, in a few words each."""
    rest = [] if one.rest_s is None else [f"rest {duration_words(one.rest_s)}" if one.rest_s else "off and on at once"]
    return [*(change.words() for change in one.changes), *(["reseat"] if one.reseat else []), *rest]


def _tells(bits: float) -> str:
    """How much a trial tells, in a word, with its bits: one bit parts two causes that are equally likely."""
    word = "much" if bits >= MUCH_BITS else "something" if bits >= SOME_BITS else "little"
    return f"{word} ({bits:.2f} bits)"


def _best(found: Next, best: NextTrial) -> Iterator[str]:
    yield clean(f"From {found.current_from}, about {best.minutes:g} min; it tells {_tells(best.gain_bits)}:")
    if best.why and (best.kind != "separate" or best.reseat or best.rest_s is not None):
        yield from wrapped(best.why, "  ")
    for number, step in enumerate(best.steps, 1):
        yield from wrapped(f"{number}. {step}", "  ")
    named = [f"{change.factor}={change.after}" for change in best.changes]
    named += ["--reseated"] if best.reseat else []
    named += [f"--rested {duration_words(best.rest_s).replace(' ', '')}"] if best.rest_s else []
    words = " ".join(f"'{one}'" if " " in one and not one.startswith("--") else one for one in named)
    yield clean(f"  benchd trial start --study {found.study} {words}".rstrip(), 1000)
    yield ""
    for outlook in (best.if_ok, best.if_fail):
        yield from wrapped(outlook.words(), "  ")
    if best.caution:
        yield from _block([f"CAUTION: {best.caution}"])


def compare_lines(compared: Compared) -> Iterator[str]:
    """What `benchd compare` prints."""
    for number, one in enumerate((compared, *compared.others)):
        if number:
            yield from ("", "-" * 40)
        yield from _comparison(one)
    for name, told in compared.predictions.items():
        yield from _block(told, clean(f"{name}, predicted against seen:"), "  ")


def _comparison(one: BootComparison) -> Iterator[str]:
    a, b = one.names.a, one.names.b
    yield from wrapped(one.sentence)
    for stage in one.reached[1:4]:
        yield from wrapped(f"Also: {stage.words(a, b)}.")
    if one.changes:
        yield from wrapped("Changed: " + "; ".join(change.words() for change in one.changes) + ".")
    yield from _finish(one)
    if one.stages:
        yield ""
        yield from _stages(one)
    yield from _divergence(one, one.first_divergence, "First divergence")
    if one.lasting_divergence != one.first_divergence:
        yield from _divergence(one, one.lasting_divergence, "They differ for good")
    yield from _only(a, [only for only in one.only if only.side == "a"])
    yield from _only(b, [only for only in one.only if only.side == "b"])
    for change in one.order:
        yield from wrapped(
            f"Order: {change.earlier} before {change.later} in {percent(change.a_share)} of {a}, "
            f"in {percent(change.b_share)} of {b}."
        )
    yield from _checks(one)
    if one.measured:
        yield from ("", "as the machine itself read:")
        for told in one.measured:
            yield from wrapped(told.words(), "  ")
    for note in one.notes:
        yield from wrapped(f"note: {note}")


def _checks(one: BootComparison) -> Iterator[str]:
    if not one.checks:
        return
    yield ""
    rows = [["check", one.names.a, one.names.b, "p"]]
    for check in one.checks:
        passed = [f"{side.passed} of {side.done}" for side in (check.a, check.b)]
        rows.append([check.check, *passed, "" if check.p is None else f"{check.p:.2g}"])
    yield from table(rows)


def _short(one: Comparison) -> tuple[str, str]:
    """What both sides are called in tables: their names, or A and B where these are long."""
    names = one.names.a, one.names.b
    return names if max(map(len, names)) <= NAME_MOST else ("A", "B")


def _finish(one: Comparison) -> Iterator[str]:
    yield ""
    a, b = _short(one)
    if a != one.names.a:
        yield from wrapped(f"A is {one.names.a}, B is {one.names.b}.")
    rows = [["", "finished", f"true share, {SURE}", "median time to finish"]]
    for name, rate, half in (
        (a, one.finish.a, one.time_to_finish.a),
        (b, one.finish.b, one.time_to_finish.b),
    ):
        interval = f"{percent(rate.low)} to {percent(rate.high)}" if rate.n else "-"
        time = "more than half did not finish" if half.median_s is None else f"{half.median_s:.2f} s"
        rows.append([name, f"{rate.k} of {rate.n}", interval, time])
    yield from table(rows)


def _stages(one: Comparison) -> Iterator[str]:
    """The table of stage times, and what is to be known of it."""
    a, b = _short(one)
    number = [max(side.n for side in sides) for sides in zip(*((s.a, s.b) for s in one.stages), strict=True)]
    head = [
        "stage",
        *(f"{name}, n {n}" for name, n in zip((a, b), number, strict=True)),
        f"{b} minus {a}",
        f"true shift, {SURE}",
        "p",
    ]
    rows = [_stage(stage, number) for stage in one.stages]
    if not any(row[-1] for row in rows):
        head, rows = head[:-1], [row[:-1] for row in rows]
    yield from table([head, *rows], 40)
    if any(TOO_FEW in row[4] for row in rows):
        yield from wrapped(
            f"{TOO_FEW[0].upper()}{TOO_FEW[1:]}: so many more boots of each would tell whether that is so."
        )
    if len(head) > 5:
        yield from wrapped("p: how often chance alone would make them differ as much; 1 where it would always.")


def _stage(stage: StageShift, number: Sequence[int]) -> list[str]:
    """One row: both medians, the shift, its interval (or how many boots would tell), the adjusted p."""
    sides = []
    for side, most in zip((stage.a, stage.b), number, strict=True):
        fewer = f" (n {side.n})" if 0 < side.n < most else ""
        text = "-" if side.median_s is None else f"{side.median_s:.3f} s{fewer}"
        sides.append(text + (f", {side.ended_here} ended" if side.ended_here else ""))
    if stage.shift_s is None:
        return [stage.name, *sides, "", "", ""]
    interval = ""
    if stage.shift_low is not None and stage.shift_high is not None:
        interval = f"{stage.shift_low:+.3f} to {stage.shift_high:+.3f} s"
    elif stage.more_boots and abs(stage.shift_s) >= WORTH_SHARE * max(s.median_s or 0.0 for s in (stage.a, stage.b)):
        interval = f"{TOO_FEW}: {stage.more_boots} more"
    p = "" if stage.p_adjusted is None or stage.p_adjusted > P_SHOWN else f"{stage.p_adjusted:.2g}"
    return [stage.name, *sides, f"{stage.shift_s:+.3f} s", interval, p]


def _divergence(one: Comparison, where: Divergence | None, title: str) -> Iterator[str]:
    if where is None:
        return
    yield ""
    yield title + ":"
    for point in where.before:
        yield from wrapped(f"{point.t_s:8.2f} s  {point.text}", "    ")
    for name, points in ((one.names.a, where.a), (one.names.b, where.b)):
        yield clean(f"  {name}:" + ("" if points else " nothing more"))
        for point in points:
            yield from wrapped(
                f"{point.t_s:8.2f} s  {point.text}  ({point.seen} of {counted(point.of, 'boot')})", "    "
            )


def _only(name: str, own: Sequence[OnlyOne]) -> Iterator[str]:
    if own:
        yield ""
        yield clean(f"Only {name} has:")
        for only in own[:ONLY_MOST]:
            yield from wrapped(f"{only.text}  ({only.k} of {counted(only.n, 'boot')})", "  ")
        if len(own) > ONLY_MOST:
            yield f"  and {len(own) - ONLY_MOST} more"
