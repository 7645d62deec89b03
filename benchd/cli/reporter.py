"""`benchd reporter`: make the program with which the old machine reports itself, and read what it says."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, TypeVar

import typer

from benchd.cli import reporter_read
from benchd.cli.output import clean, say
from benchd.errors import UsageError
from benchd.files import write_new
from benchd.reporter import build as images
from benchd.reporter import options as given

sub = typer.Typer(no_args_is_help=True, help="The machine reports itself: build the program, read it.")

EARLY_END = 0xC8000
"""Below, a scan looks for the display's ROM before anything else (AT-class BIOSes; common practice)."""

X = TypeVar("X")
T = TypeVar("T")


def register(app: typer.Typer) -> None:
    """Add the `reporter` commands."""
    reporter_read.register(sub)
    app.add_typer(sub, name="reporter")


def _parsed(option: str, parse: Callable[[X], T], value: X) -> T:
    try:
        return parse(value)
    except ValueError as error:
        raise UsageError(f"{option}: {error}") from None


def _one_of(known: tuple[str, ...], text: str) -> str:
    if text not in known:
        raise ValueError(f"{text!r} is not one of {', '.join(known)}")
    return text


def _only(option: str, value: str | None, wrapper: str, owner: str) -> None:
    if value is not None and wrapper != owner:
        raise UsageError(f"{option} is for --as {owner}; leave it out")


@sub.command("build")
def build(
    wrapper: Annotated[str, typer.Option("--as", help="What runs it: rom, floppy or com.", metavar="KIND")],
    out: Annotated[Path, typer.Option("--out", "-o", help="The new file.")],
    base: Annotated[str | None, typer.Option(help="Where the rom will stand: a 2 KiB step; C8000 without it.")] = None,
    size: Annotated[str | None, typer.Option(help="Size of the rom; 8K without it.")] = None,
    uart: Annotated[str, typer.Option(help="I/O base of the serial port, hexadecimal.")] = "3F8",
    speed: Annotated[int, typer.Option(help="Bits per second: 300 to 115200.")] = 9600,
    disk: Annotated[str | None, typer.Option(help="360K, 720K, 1.2M or 1.44M; 360K without it.")] = None,
    test_window: Annotated[
        str | None, typer.Option("--test-window", help="Write to this memory and test it, such as D0000-D7FFF.")
    ] = None,
    test_display: Annotated[bool, typer.Option("--test-display", help="Write to display memory and test it.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Overwrite an existing output.")] = False,
) -> None:
    """Build the program for an EPROM, a floppy or DOS.

    It reads the first megabyte and tells over the serial cable what it finds. It writes to no card unless a test is
    asked for.

    Exit codes: 0 fine, 1 the file cannot be written, 2 an option is wrong or the file is there already.
    """
    kind = next(one for one in given.WRAPPERS if one == _parsed("--as", lambda v: _one_of(given.WRAPPERS, v), wrapper))
    for option, value, owner in (("--base", base, "rom"), ("--size", size, "rom"), ("--disk", disk, "floppy")):
        _only(option, value, kind, owner)
    options = given.Options(
        kind,
        uart=_parsed("--uart", given.parse_uart, uart),
        speed=_parsed("--speed", given.parse_speed, speed),
        base=_parsed("--base", given.parse_base, base or "C8000"),
        size=_parsed("--size", lambda text: given.parse_rom_size(text, images.least_rom()), size or "8K"),
        disk=_parsed("--disk", lambda text: _one_of(tuple(images.DISKS), text), disk or "360K"),
        window=None if test_window is None else _parsed("--test-window", given.parse_window, test_window),
        display=test_display,
    )
    _parsed("--base" if options.window is None else "--test-window", given.check, options)
    image = images.build(options)
    write_new(out, image, force, [])
    say(f"{clean(str(out))}: {len(image):,} bytes, reports at {options.speed} bit/s over the UART at {options.uart:X}")
    if kind == "rom" and options.base < EARLY_END:
        say("note: many BIOSes call roms below C8000 before they know their memory; then it does nothing, with code 72")
    if options.window is not None or options.display:
        say("caution: it writes to the memory it tests; another device there may be disturbed")
