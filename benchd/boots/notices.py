"""What a boot is told beside codes and text: links that come and go, losses, and what a capture notes."""

from __future__ import annotations

from benchd.boots.limits import Limit, missing, model_name, number, wall_time
from benchd.boots.machine import CLOSED, BootMachine, Trigger
from benchd.boots.state import BootState
from benchd.vocabulary.events import LinkChanged, LossSeen
from benchd.vocabulary.measured import SetupDiffers
from benchd.vocabulary.observations import LinkChange
from benchd.vocabulary.records import UNREAD, Annotation
from benchd.vocabulary.times import NS, Anchor

LOSSES = {"overrun", "sequence-gap", "card-overrun"}
"""Reasons by which something that was sent did not reach us; other refusals are noise that was seen."""
AWAY_NS = NS // 2
"""An absence of ours from which on times are not worth learning from; a shorter one is within what `u` says."""


def link_changed(machine: BootMachine, seen: LinkChange) -> None:
    """A link went down, or came back."""
    machine.out.append(LinkChanged(machine.machine, seen.t_ns, seen.link, seen.up, seen.reason))
    boot = None if machine.phase in CLOSED else machine.boot
    if seen.up:
        machine.links_down.discard(seen.link)
        if boot is not None:
            boot.see_again(seen.link, seen.t_ns)
            if not machine.links_down:
                boot.watched_ns = max(boot.watched_ns, seen.t_ns)
        return
    machine.links_down.add(seen.link)
    if boot is not None:
        boot.lose_sight(seen.link, seen.t_ns, "down")
    if machine.links_down >= set(machine.links):
        machine.fire(Trigger("links-lost", seen.t_ns))


def lost(machine: BootMachine, link: str, t_ns: int, reason: str, count: int) -> None:
    """So many codes or bytes were lost or refused."""
    boot = machine.boot
    if boot is not None and machine.phase != "over":
        boot.lost += count
        if reason in LOSSES and link not in machine.links_down:
            boot.lose_sight(link, t_ns, "lossy")
            boot.see_again(link, t_ns)
    machine.out.append(LossSeen(machine.machine, t_ns, link, reason, count))


def annotated(machine: BootMachine, seen: Annotation) -> None:
    """A note that boots are judged under."""
    try:
        _annotate(machine, seen)
    except ValueError:  # a capture that was damaged: refused by name, like any other byte
        machine.out.append(LossSeen(machine.machine, seen.t_ns, "", f"bad-{seen.key}", 1))


def _annotate(machine: BootMachine, seen: Annotation) -> None:
    boot = None if machine.phase in CLOSED else machine.boot
    match seen.key:
        case "trial":
            _trial_began(machine, boot, seen)
        case "model":
            machine.model_name = model_name(seen.value)
        case "phase":
            phase, _, since = seen.value.partition(" ")
            went_off_ns = int(since) if since else None
            if machine.phase == "idle" and phase in ("over", "off"):
                machine.phase = "over"
                machine.power_seen_off = phase == "off"
                machine.went_off_ns = went_off_ns
        case "attention":
            if boot is not None:
                _looked_away(machine, boot, seen)
        case "wall":
            machine.anchor = Anchor(wall_time(seen.value), seen.t_ns)
        case "end":
            machine.fire(Trigger("end", seen.t_ns))
        case "limit":
            stage, limit = Limit.from_label(seen.value)
            machine.ladder.learned[stage] = limit
        case "unread":
            _unread(machine, boot, seen)
        case "differs":
            machine.differs(seen.t_ns, SetupDiffers.from_label(seen.value))


def _trial_began(machine: BootMachine, boot: BootState | None, seen: Annotation) -> None:
    machine.trial = seen.value or None
    if boot is not None and boot.start_ns >= seen.t_ns and boot.trial != machine.trial:
        boot.trial = machine.trial  # the trial began before this boot; word of it came after
        machine.changed(boot.last_ns)  # not when it came: how far time was told differs in a replay


def _looked_away(machine: BootMachine, boot: BootState, seen: Annotation) -> None:
    """Nobody looked for so many seconds from here: what came then is known late, and silence says nothing."""
    until_ns = seen.t_ns + round(number(seen.value) * NS)
    boot.watched_ns = max(boot.watched_ns, until_ns)
    if until_ns - seen.t_ns < AWAY_NS:
        return
    for link in machine.links:
        if link not in machine.links_down:
            boot.lose_sight(link, max(boot.start_ns, seen.t_ns), "not-watched")
            boot.see_again(link, until_ns)


def _unread(machine: BootMachine, boot: BootState | None, seen: Annotation) -> None:
    """Part of the capture could not be read: anything may have come for so long, and silence says nothing."""
    span_ns, count = missing(seen.value)
    until_ns = seen.t_ns + span_ns
    machine.out.append(LossSeen(machine.machine, seen.t_ns, "", UNREAD, count))
    machine.unread = machine.phase in CLOSED or machine.phase == "finishing"
    if boot is None:
        return
    boot.lost += count
    boot.watched_ns = max(boot.watched_ns, until_ns)
    boot.miss(machine.links.keys() - machine.links_down, max(boot.start_ns, seen.t_ns), until_ns)
