"""Alerts in words. Everything that may come from the wire or a file is made harmless first."""

from __future__ import annotations

from benchd.clock import Wall, stamp
from benchd.harmless import clean
from benchd.sinks.alerts.message import AlertMessage
from benchd.sinks.alerts.policy import Notice
from benchd.vocabulary.models import Finding

WHAT = {
    "stall": "stopped",
    "loop": "resets again and again",
    "quiet": "shows no sign of life",
    "fault": "reports a fault",
    "skipped": "finished without a stage it must have",
    "late": "went through its stages in the wrong order",
    "slow": "takes longer than usual",
    "unknown-code": "sends codes that its rule table does not know",
    "setup-differs": "is not set up as was said",
    "wrong-table": "is judged by a rule table that is not its BIOS's",
    "wrong-speed": "is read at a wrong speed",
    "swapped-links": "has its two links exchanged",
}

LIMITS = {
    "explicit": "explicit: set in the rule table",
    "learned-normal": "learned from few good boots",
    "distribution-free": "learned from many good boots",
    "default": "default: the rule table sets none",
}


def seconds(value: float) -> str:
    """Return a time for people: `0.35 s`, `7.2 s`, `95 s`, `12 min`."""
    if value >= 600:
        return f"{value / 60:.0f} min"
    return f"{value:.0f} s" if value >= 30 else f"{value:.1f} s" if value >= 1 else f"{value:.2f} s"


def message(notice: Notice, bench: str, wall: Wall, id_: str) -> AlertMessage:
    """Return the message for a notice: the facts as fields, and title and text in words."""
    machine, kind, rule = notice.standing.key
    finding = notice.standing.finding
    return AlertMessage(
        bench=bench,
        at=stamp(wall(notice.t_ns)),
        id=id_,
        state=notice.state,
        machine=machine,
        kind=kind,  # type: ignore[arg-type]
        rule=rule,
        boot=notice.standing.boot,
        stage=finding.stage if finding else None,
        code=finding.code if finding else None,
        t=finding.t if finding else None,
        in_stage_s=notice.in_stage_s,
        stood_s=notice.stood_s,
        limit_s=finding.limit_s if finding else None,
        limit_kind=finding.limit_kind if finding else None,
        means=clean(finding.means, 1000) if finding and finding.means else None,
        try_=[clean(step, 1000) for step in finding.try_] if finding else [],  # type: ignore[call-arg]
        caution=clean(finding.caution, 1000) if finding and finding.caution else None,
        title=_title(notice),
        text="\n".join(_lines(notice)),
    )


def age(value: float) -> str:
    """Return an age (s) for people: `95 s`, `3 min`, `25 h`."""
    return f"{value / 3600:.0f} h" if value >= 7200 else f"{value / 60:.0f} min" if value >= 100 else f"{value:.0f} s"


def late(message: AlertMessage, age_s: float) -> AlertMessage:
    """Return a message that could not be delivered at once, with its age (s) said."""
    ago = f"{age(age_s)} ago"
    more = {"late_s": round(age_s, 3), "title": f"{message.title} ({ago})"}
    return message.model_copy(update=more | {"text": f"{message.text}\nThis was {ago}; it could not be told before."})


def _what(notice: Notice) -> str:
    _, kind, rule = notice.standing.key
    if kind == "link":
        return f"link {clean(rule, 64)} is down"
    return WHAT.get(kind, kind)


def _title(notice: Notice) -> str:
    machine = clean(notice.standing.key[0], 64)
    if notice.standing.key[1] == "link":
        link = clean(notice.standing.key[2], 64)
        word = {"raised": "is down", "recovered": "is up again", "unsteady": "comes and goes"}
        word["steady"] = "stays down" if notice.still else "stays up"
        return f"{machine}: link {link} {word[notice.state]}"
    finding = notice.standing.finding
    where = f" in stage {clean(finding.stage, 64)}" if finding and finding.stage else ""
    if notice.state == "raised":
        return f"{machine} {_what(notice)}{where}"
    if notice.state == "recovered":
        return f"{machine}: over: {_what(notice)}{where}"
    if notice.state == "unsteady":
        return f"{machine}: comes and goes: {_what(notice)}{where}"
    return f"{machine}: {'still stands' if notice.still else 'stays away'}: {_what(notice)}{where}"


def _lines(notice: Notice) -> list[str]:
    lines = [_title(notice) + "."]
    finding = notice.standing.finding
    if notice.state == "recovered":
        stood = f" It stood for {seconds(notice.stood_s)}." if notice.stood_s is not None else ""
        lines.append(f"{clean(notice.why).capitalize()}.{stood}")
    elif notice.state == "unsteady":
        lines.append(f"It was raised {notice.count} times in short order; nothing more is told until it is steady.")
    elif notice.again:
        lines.append("It was silenced for a while, and still stands.")
    elif notice.state == "steady":
        lines.append("It has not changed for a while; changes are told again.")
    elif finding is None:
        lines.append(f"Reason: {clean(notice.why)}. Boots are judged without this link meanwhile.")
    if finding is not None:
        lines += _finding(finding, notice)
    return lines


def _finding(finding: Finding, notice: Notice) -> list[str]:
    code = f"Last code {clean(finding.code, 16)}" if finding.code else "No code seen"
    lines = [f"{code}, rule {clean(finding.rule, 100)}, {seconds(finding.t)} into boot {notice.standing.boot}."]
    if notice.state != "raised":
        return lines
    if notice.in_stage_s is not None:
        lines.append(f"It had been in this stage for {seconds(notice.in_stage_s)}.")
    if finding.limit_s is not None:
        kind = LIMITS.get(finding.limit_kind or "", "of unknown origin")
        lines.append(f"Limit {seconds(finding.limit_s)} ({kind}).")
    if finding.detail:
        lines.append(f"Seen: {clean(finding.detail, 300)}")
    if finding.means:
        lines.append(f"Means: {clean(finding.means, 1000)}")
    if finding.try_:
        lines.append(f"Try first: {clean(finding.try_[0], 1000)}")
    if finding.caution:
        lines.append(f"Caution: {clean(finding.caution, 1000)}")
    return lines
