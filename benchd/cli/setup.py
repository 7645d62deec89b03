"""`benchd setup`: from ports to a settings file, by questions or options, and by listening to what comes."""

from __future__ import annotations

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
from benchd.links.identity import steady_names
from benchd.links.ports import PortFacts, find_ports
from benchd.rules.files import RECORD, find_table
from benchd.rules.finding import find as find_tables
from benchd.settings import Settings
from benchd.tomlfile import validate
from benchd.vocabulary.times import parse_duration
from benchd.watch.listening import Heard, listen

ASK_FOR = {"p": "post", "c": "console"}
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
    links = [_steady(link) for link in links]
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
    links = [link for facts in found if (link := _ask_what_is_at(facts)) is not None]
    while not links:
        if not found:
            say("No serial port was found. Plug the adapter in and start again, or name a port by hand.")
        port = typer.prompt("Port (a path, or socket://HOST:PORT)").strip()
        if (kind := _ask_for_kind(port, "c")) is not None:
            links.append(NewLink.given(kind, port))
    return links


def _ask_what_is_at(facts: PortFacts) -> NewLink | None:
    words = [facts.device, facts.description, facts.serial_number]
    say(clean("  ".join(word for word in words if word)))
    if facts.advice:
        say(f"  left out: {clean(facts.advice)}")
        return None
    kind = _ask_for_kind("", "n")
    return None if kind is None else NewLink.given(kind, _name(facts))


def _ask_for_kind(port: str, usual: str) -> str | None:
    where = f"What is at {port}" if port else "  What is at it"
    while True:
        answer = typer.prompt(f"{where}: [c] null-modem cable, [p] diagnostic card, [n] nothing", default=usual)
        if answer.strip().lower()[:1] in ("c", "p", "n"):
            return ASK_FOR.get(answer.strip().lower()[0])


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
        if len(found) == 1:
            return found[0].table.name
        for one in found[:SHOWN_TABLES]:
            head = one.table.table
            say(f"  {one.table.name:<16} {clean(', '.join([*head.makers, *head.machines]))}")
        say("  Answer with one of these names." if found else "  No table fits; Enter alone records only.")


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


def _listen(links: Sequence[NewLink], text: str, out: Path, seconds: float, asks: bool) -> list[NewLink]:
    """Return the links as they should be written by what came. Raises ExternalError where that is not as said."""
    (part,) = validate(Settings, text, str(out)).machine
    say(f"Switch the machine on now (off and on again, if it is on). Listening for up to {seconds:g} s ...")
    heard = listen(part, seconds)
    for link, one in zip(links, heard, strict=True):
        say(f"{one.info.name} ({clean(link.port)}):")
        for line in heard_text(one):
            say(f"  {clean(line)}")
    _check_there(heard)
    if any(one.swapped for one in heard):
        return _exchanged(links, asks)
    return [settled_link(link, one) for link, one in zip(links, heard, strict=True)]


def _check_there(heard: Sequence[Heard]) -> None:
    for one in heard:
        if one.absent:
            raise ExternalError(
                f"{one.info.port} is not there, so nothing was written: `benchd ports` lists what is; "
                "--listen 0 writes without looking"
            )


def _exchanged(links: Sequence[NewLink], asks: bool) -> list[NewLink]:
    """Return the links with kinds exchanged. Raises ExternalError where nobody can be asked, or says no."""
    other = {"post": "console", "console": "post"}
    turned = [NewLink.given(other[link.kind], link.port) for link in links]
    words = " ".join(f"--{link.kind} {link.port}" for link in turned)
    if not (asks and typer.confirm(SWAPPED[len(links) > 1], default=True)):
        raise ExternalError(f"nothing was written; start again with {words}, or with --listen 0 to leave it so")
    return turned
