"""`benchd setup`: from ports to a settings file, by questions or options, and by listening to what comes."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.first_settings import FILE, NewLink, settings_text, write_settings
from benchd.cli.output import clean, say
from benchd.cli.rulefind import all_tables
from benchd.cli.setuptext import SWAPPED, heard_text, settled_link
from benchd.errors import ExternalError, UsageError
from benchd.links.identity import adapter_of, steady_names
from benchd.links.ports import CARD_FRAMING, CARD_PRODUCT, CARD_SPEED, PortFacts, find_ports, look_at
from benchd.rules import RuleTable
from benchd.rules.files import DEMO, RECORD, find_table
from benchd.rules.finding import find as find_tables
from benchd.settings import MachinePart, Settings
from benchd.tomlfile import validate
from benchd.vocabulary.hunting import STANDARD_RATES
from benchd.vocabulary.times import parse_duration
from benchd.watch.listening import Heard, listen

ANSWERS = {
    **dict.fromkeys(("p", "post", "card", "diagnostic card"), "post"),
    **dict.fromkeys(("c", "console", "cable", "null-modem", "null-modem cable"), "console"),
    **dict.fromkeys(("n", "no", "none", "nothing"), None),
}
"""What may be answered to what is at a port: the kind of link that it is, None for none."""
SHOWN_TABLES = 5


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(setup)


def setup(
    post: Annotated[str | None, typer.Option(help="The diagnostic card's port, as PORT or PORT@SPEED.")] = None,
    console: Annotated[str | None, typer.Option(help="The null-modem cable's port, as PORT or PORT@SPEED.")] = None,
    machine: Annotated[str | None, typer.Option(help="The machine's name; default: pc.")] = None,
    rules: Annotated[str | None, typer.Option(help="A rule table; default: record, which judges nothing.")] = None,
    seconds: Annotated[str, typer.Option("--listen", help="How long to listen; 0 does not.")] = "15s",
    out: Annotated[Path, typer.Option(help="The settings file to write.")] = FILE,
) -> None:
    """Make a settings file: ask, listen, write.

    Without --post and --console it asks. What is at the ports is listened to, so switch the machine on meanwhile.
    A file that is there is never written over.

    Exit codes: 0 written, 1 a port is not there or the links are swapped (nothing is written), 2 wrong use.
    """
    asks = sys.stdin.isatty()
    try:
        _setup(asks, {"post": post, "console": console}, machine, rules, _listening(seconds), out)
    except (KeyboardInterrupt, EOFError, typer.Abort):
        say()
        raise ExternalError("setup was ended before it was done: nothing was written") from None


def _listening(given: str) -> float:
    if given.strip("smh ") in ("0", "0.0"):
        return 0.0
    try:
        return parse_duration(given)
    except ValueError as error:
        raise UsageError(f"--listen: {error}") from None


def _setup(
    asks: bool, given: dict[str, str | None], machine: str | None, rules: str | None, seconds: float, out: Path
) -> None:
    out = _free_name(out, asks)
    links = [NewLink.given(kind, text) for kind, text in given.items() if text is not None]
    if not links:
        links = _ask_for_ports(asks)
        machine = machine or typer.prompt("Name of the machine", default="pc")
        rules = rules or _ask_for_table()
    links = [_own_card(_steady(link)) for link in links]
    for link in links:
        if isinstance(link.speed, int) and link.speed not in STANDARD_RATES:
            usual = min(STANDARD_RATES, key=lambda rate: abs(rate - int(link.speed)))
            say(
                clean(f"{link.port}: {link.speed} bit/s is no usual speed; did you mean {usual}? It is taken as given.")
            )
    machine, rules = machine or "pc", rules or RECORD
    find_table(rules, out.parent)
    text = settings_text(machine, rules, links)
    if seconds:
        links = _listen(links, text, out, seconds, asks)
        text = settings_text(machine, rules, links)
    write_settings(out, text)
    more = "" if out == FILE else f" --config {out}"
    say(f"{clean(str(out))} written. Now watch: `benchd run{more}`, and in another terminal `benchd live{more}`.")


def _free_name(wanted: Path, asks: bool) -> Path:
    """Return a name under which there is no file yet, the wanted one if that is so."""
    while wanted.exists():
        other = next(path for n in range(2, 1000) if not (path := wanted.with_stem(f"{FILE.stem}-{n}")).exists())
        if not asks:
            raise UsageError(f"{wanted} exists and is never written over: give another name, such as --out {other}")
        say(f"{clean(str(wanted))} exists and stays as it is.")
        wanted = Path(typer.prompt("Write to", default=str(other)))
    return wanted


# ---------------------------------------------------------------------- questions


def _ask_for_ports(asks: bool) -> list[NewLink]:
    found = find_ports()
    if not asks:
        there = ", ".join(_name(facts) for facts in found) or "none"
        raise UsageError(f"say what is on which port: --console PORT, --post PORT, or both. Ports found: {there}")
    links = [link for facts in found for link in _ask_what_is_at(facts)]
    while not links:
        if not found:
            say("No serial port was found. Plug the adapter in and start again, or name a port by hand.")
        links = _ask_by_hand(typer.prompt("Port (a path, or socket://HOST:PORT)").strip())
    return links


def _ask_what_is_at(facts: PortFacts) -> list[NewLink]:
    """Return the link at a port that was found, where there is one, and those at ports that were typed instead."""
    words = [facts.device, facts.description, facts.serial_number]
    say(clean("  ".join(word for word in words if word)))
    if facts.advice:
        say(f"  left out: {clean(facts.advice)}")
        return []
    links: list[NewLink] = []
    usual, where = "p" if facts.own_card else "n", "it"
    while "/" in (answer := _ask_for_kind(f"  What is at {where}", usual, ports=True)):
        links += _ask_by_hand(answer)
        where = clean(facts.device)  # another port was spoken of meanwhile
    kind = ANSWERS[answer]
    return links if kind is None else [*links, NewLink.given(kind, _name(facts))]


def _ask_by_hand(port: str) -> list[NewLink]:
    kind = ANSWERS[_ask_for_kind(f"What is at {clean(port)}", "c")]
    if kind is None:
        return []
    try:
        return [NewLink.given(kind, port)]
    except UsageError as error:
        say(f"  {clean(str(error))}")
        return []


def _ask_for_kind(where: str, usual: str, *, ports: bool = False) -> str:
    """Return one of `ANSWERS`, or with `ports` what may be the path of another port."""
    more = "; or the path of another port" if ports else ""
    while True:
        asked = f"{where}: [c] null-modem cable, [p] diagnostic card, [n] nothing{more}"
        answer = str(typer.prompt(asked, default=usual)).strip()
        if answer.lower() in ANSWERS:
            return answer.lower()
        if ports and "/" in answer:
            return answer
        say(f"  '{clean(answer)}' is none of these: answer c, p or n{more}.")


def _ask_for_table() -> str:
    say("Which BIOS? Say what stands on its chip and board (maker, 386, 1990) or a rule table's name.")
    while True:
        answer = typer.prompt("Enter alone: unknown, record only", default=RECORD, show_default=False).strip()
        try:
            find_table(answer, Path())
            return answer
        except UsageError:
            pass
        found, _ = find_tables(all_tables(), answer)
        for one in found[:SHOWN_TABLES]:
            say(f"  {one.table.name:<16} {clean(_is_for(one.table))}")
        if len(found) == 1:
            if typer.confirm("  Judge by this table?", default=found[0].table.name != DEMO):
                return found[0].table.name
            continue
        say("  Answer with one of these names." if found else "  No table fits; Enter alone records only.")


def _is_for(table: RuleTable) -> str:
    """What a table is for, in a line."""
    if table.name == DEMO:
        return "the simulated machine of `benchd demo`: no real machine has its codes"
    return ", ".join([*table.table.makers, *table.table.machines])


# ---------------------------------------------------------------------- ports


def _name(facts: PortFacts) -> str:
    return (facts.names or (facts.device,))[0]


def _steady(link: NewLink) -> NewLink:
    """Return the link with the name that follows its adapter, where there is one."""
    if "://" in link.port or link.port.startswith("/dev/serial/"):
        return link
    names = steady_names(link.port)
    if not names:
        return link
    say(f"{clean(link.port)} may be another adapter after replugging: written as {clean(names[0])}")
    return replace(link, port=names[0])


def _own_card(link: NewLink) -> NewLink:
    """Return the link with the settings of the card that benchd has plans for, where it is that."""
    adapter = adapter_of(link.port) if link.kind == "post" and "://" not in link.port else None
    if adapter is None or not adapter.name.startswith(CARD_PRODUCT):
        return link
    say(f"{clean(link.port)} is the card of firmware-notes/card: read with its own frames")
    return replace(link, speed=CARD_SPEED, framing=CARD_FRAMING, found="its USB has no speed: the fastest dates best")


def _listen(links: Sequence[NewLink], text: str, out: Path, seconds: float, asks: bool) -> list[NewLink]:
    """Return the links as they should be written by what came. Raises ExternalError where that is not as said."""
    (part,) = validate(Settings, text, str(out)).machine
    _check_all_there(links)
    heard = _heard(part, links, seconds)
    while asks and any(one.silent for one in heard) and not any(one.swapped or one.absent for one in heard):
        silent = " and ".join(link.port for link, one in zip(links, heard, strict=True) if one.silent)
        if not typer.confirm(f"Nothing came from {clean(silent)}. Listen once more?", default=False):
            break
        heard = _heard(part, links, seconds)
    _check_there(heard)
    if any(one.swapped for one in heard):
        return _exchanged(links, asks)
    return [settled_link(link, one) for link, one in zip(links, heard, strict=True)]


def _heard(part: MachinePart, links: Sequence[NewLink], seconds: float) -> list[Heard]:
    say(f"Switch the machine on now (off and on again, if it is on). Listening for up to {seconds:g} s ...")
    heard = listen(part, seconds)
    for link, one in zip(links, heard, strict=True):
        say(f"{one.info.name} ({clean(link.port)}):")
        for line in heard_text(one):
            say(f"  {clean(line)}")
    return heard


def _check_all_there(links: Sequence[NewLink]) -> None:
    """Raise ExternalError for ports that are not there, or not to be opened, before anybody switches a machine on."""
    facts = [look_at(link.port) for link in links if "://" not in link.port]
    absent = [one.device for one in facts if not os.path.exists(one.device)]
    if absent:
        raise ExternalError(_not_there(absent))
    barred = [f"{one.device}: {one.advice}" for one in facts if not one.usable and not one.users]
    if barred:
        raise ExternalError("; ".join([*barred, "nothing was written"]))


def _not_there(ports: Sequence[str]) -> str:
    return (
        f"{' and '.join(ports)} {'is' if len(ports) == 1 else 'are'} not there, so nothing was written: `benchd ports` "
        "lists what is; --listen 0 writes without looking"
    )


def _check_there(heard: Sequence[Heard]) -> None:
    if absent := [one.info.port for one in heard if one.absent]:
        raise ExternalError(_not_there(absent))


def _exchanged(links: Sequence[NewLink], asks: bool) -> list[NewLink]:
    """Return the links with kinds exchanged. Raises ExternalError where nobody can be asked, or says no."""
    other = {"post": "console", "console": "post"}
    turned = [NewLink.given(other[link.kind], link.port) for link in links]
    words = " ".join(f"--{link.kind} {link.port}" for link in turned)
    if not (asks and typer.confirm(SWAPPED[len(links) > 1], default=True)):
        raise ExternalError(f"nothing was written; start again with {words}, or with --listen 0 to leave it so")
    return turned
