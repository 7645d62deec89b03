"""`benchd rom`: look into option-ROM images, and make new ones."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from benchd.cli.output import clean, emit_json, say
from benchd.errors import UsageError
from benchd.files import write_new
from benchd.rom.loading import read_image_file

if TYPE_CHECKING:
    from benchd.rom.edit import Edited
    from benchd.rom.image import Report, RomImage

sub = typer.Typer(no_args_is_help=True, help="Option-ROM images: inspect, pad, seal, fit, split, join.")

In = Annotated[Path, typer.Argument(help="Image: binary, Intel HEX or S-record.", metavar="FILE")]
Out = Annotated[Path, typer.Option("--out", "-o", help="The new file, binary; never the input.")]
Force = Annotated[bool, typer.Option("--force", help="Overwrite an existing output.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Fill = Annotated[str, typer.Option(help="Fill byte, hexadecimal. FF leaves other ROMs readable.")]

STRINGS_SHOWN = 12

T = TypeVar("T")


def register(app: typer.Typer) -> None:
    """Add the `rom` commands."""
    app.add_typer(sub, name="rom")


def _given(parse: Callable[[object], T], text: str, option: str) -> T:
    try:
        return parse(text)
    except ValueError as error:
        raise UsageError(f"{option}: {error}") from None


def _offset(text: str, option: str) -> int:
    digits = text.strip().upper().removeprefix("0X").removesuffix("H")
    try:
        value = int(digits, 16)
    except ValueError:
        raise UsageError(f"{option}: {text!r} is no hexadecimal offset: write 4000 or 4000h") from None
    if value < 0:
        raise UsageError(f"{option}: {text} lies before the start of the file")
    return value


@sub.command()
def inspect(
    file: In,
    json: Json = False,
    at: Annotated[str, typer.Option(help="Offset of the header to judge, hexadecimal.")] = "0",
    cpu: Annotated[
        str | None, typer.Option(help="Tell instructions that this one lacks: 8088, 186, 286, 386 or 486.")
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Exit with 1 if there are problems, or code that --cpu cannot run.")
    ] = False,
) -> None:
    """Show what an image holds and what a scan would think.

    Header, sum, entry code, $PnP and PCIR structures, further images, text, and which processor its code needs.

    Exit codes: 0 fine, 1 a file cannot be read or --check found fault, 2 wrong use.
    """
    from benchd.cli.processortext import level_of
    from benchd.rom.image import inspect as look
    from benchd.rom.reach import processor_needs

    level = level_of(cpu)
    where = _offset(at, "--at")
    data, read_notes = read_image_file(file)
    report = look(data, where)
    needs = None if report.first is None else processor_needs(data, report.first)
    report = replace(report, file=str(file), notes=(*read_notes, *report.notes), processor=needs)
    if json:
        emit_json(report.to_json())
    else:
        _show(report, level)
    if check and (report.problems or (cpu is not None and needs is not None and needs.beyond(level))):
        raise typer.Exit(1)


def _show(report: Report, level: str) -> None:
    say(f"{clean(report.file)}: {report.size:,} bytes, SHA-256 {report.sha256}")
    for image in report.image_list:
        for line in _image_lines(image):
            say(clean(line))
    for text in report.problems:
        say(f"problem: {clean(text)}")
    for text in report.notes:
        say(f"note: {clean(text)}")
    say(report.verdict)
    if report.processor is not None:
        from benchd.cli.processortext import processor_lines

        for text in processor_lines(report.processor, level):
            say(clean(text))
    if report.strings:
        from benchd.rom.image import wordlike

        best = sorted(report.strings, key=lambda one: -wordlike(one.text))[:STRINGS_SHOWN]
        say("text inside:")
        for one in sorted(best, key=lambda one: one.offset):
            say(f"  {one.offset:05X}  {clean(one.text)}")
        if len(report.strings) > len(best):
            say(f"  and {len(report.strings) - len(best)} more (--json lists them)")


def _image_lines(image: RomImage) -> Iterator[str]:
    good = {True: "good", False: "bad"}
    yield (
        f"image at {image.at:05X}: {image.kind}, {image.length_bytes:,} bytes declared, "
        f"sum {image.checksum:02X} ({good[image.checksum_ok]})"
    )
    if image.pci is not None:
        pci = image.pci
        yield (
            f"  PCIR at {pci.offset:04X}: vendor {pci.vendor:04X}, device {pci.device:04X}, class "
            f"{pci.class_code:06X}, {pci.length_bytes:,} bytes, code type {pci.code_type:02X}"
            f"{', last image' if pci.last else ''}"
        )
    for one in image.expansions:
        names = " / ".join(name for name in (one.manufacturer, one.product) if name)
        what = "" if one.signature == "$PnP" else " (a header in the form of $PnP that no scan acts on)"
        line = f"  {one.signature}{what} at {one.offset:04X}: sum {one.checksum:02X} ({good[one.checksum_ok]}) {names}"
        yield line.rstrip()
        if one.bootstrap_entry is not None:
            yield (
                f"    boot connection {one.boot_connection:04X}, disconnect {one.disconnect:04X}, "
                f"bootstrap entry {one.bootstrap_entry:04X}"
            )
    for ins in image.entry.listing if image.entry is not None else ():
        yield f"  {ins.offset:04X}  {ins.raw.hex(' ').upper():<21} {ins.text}"


def _finish(results: list[tuple[Path, Edited]], inputs: list[Path], force: bool, json: bool) -> None:
    names = [path.absolute() for path, _ in results]
    if len(set(names)) < len(names):
        raise UsageError(f"{results[0][0]} is named twice as output: give each its own name")
    for path, edited in results:
        write_new(path, edited.data, force, inputs)
    if json:
        import hashlib

        shown: list[dict[str, Any]] = [
            {
                "out": str(path),
                "size": len(edited.data),
                "sha256": hashlib.sha256(edited.data).hexdigest(),
                "changes": [change.to_json() for change in edited.changes],
                "notes": list(edited.notes),
            }
            for path, edited in results
        ]
        emit_json({"written": shown})
        return
    for path, edited in results:
        say(f"{clean(str(path))}: {len(edited.data):,} bytes written")
        for change in edited.changes:
            say(f"  {clean(change.text)}")
        for note in edited.notes:
            say(f"  note: {clean(note)}")


@sub.command()
def pad(
    file: In,
    out: Out,
    front: Annotated[str, typer.Option(help="Bytes to put in front, such as 16K.")] = "0",
    back: Annotated[str, typer.Option(help="Bytes to put behind.")] = "0",
    fill: Fill = "FF",
    force: Force = False,
    json: Json = False,
) -> None:
    """Put padding in front of an image or behind it.

    That moves its header past another ROM.

    FFh is the default because on the shared bus a device pulls lines low for its zeros only: FFh leaves
    another ROM at the same address readable, 00h wipes it out (common practice).

    Exit codes: 0 fine, 1 a file cannot be read or written, 2 the image or an option is wrong.
    """
    from benchd.rom import edit
    from benchd.rom.numbers import parse_byte, parse_size

    sizes = (_given(parse_size, front, "--front"), _given(parse_size, back, "--back"))
    data, _ = read_image_file(file)
    made = edit.pad(data, *sizes, fill=_given(parse_byte, fill, "--fill"))
    _finish([(out, made)], [file], force, json)


@sub.command()
def seal(
    file: In,
    out: Out,
    at: Annotated[str, typer.Option(help="Offset of the header, hexadecimal.")] = "0",
    byte: Annotated[
        str | None, typer.Option(help="Offset of the unused byte to change, hexadecimal; default the last.")
    ] = None,
    replace_last: Annotated[
        bool, typer.Option("--replace-last", help="The last byte, behind padding, is an old sum byte.")
    ] = False,
    force: Force = False,
    json: Json = False,
) -> None:
    """Mend the checksum by one unused byte.

    Refuses where no byte is known to be unused.

    Exit codes: 0 fine, 1 a file cannot be read or written, 2 the image or an option is wrong.
    """
    from benchd.rom import edit

    where = None if byte is None else _offset(byte, "--byte")
    data, _ = read_image_file(file)
    made = edit.seal(data, _offset(at, "--at"), where, replace_last)
    _finish([(out, made)], [file], force, json)


@sub.command()
def fit(
    file: In,
    out: Out,
    size: Annotated[str, typer.Option(help="Size of the chip, such as 32K.")],
    mirror: Annotated[bool, typer.Option("--mirror", help="Repeat the image instead of padding.")] = False,
    fill: Fill = "FF",
    force: Force = False,
    json: Json = False,
) -> None:
    """Make an image fill a chip: padded behind, or repeated.

    Exit codes: 0 fine, 1 a file cannot be read or written, 2 the image or an option is wrong.
    """
    from benchd.rom import edit
    from benchd.rom.numbers import parse_byte, parse_size

    data, _ = read_image_file(file)
    chip = _given(parse_size, size, "--size")
    made = edit.fit(data, chip, mirror, _given(parse_byte, fill, "--fill"))
    _finish([(out, made)], [file], force, json)


@sub.command()
def split(
    file: In,
    even: Annotated[Path | None, typer.Option(help="Output for the even bytes.")] = None,
    odd: Annotated[Path | None, typer.Option(help="Output for the odd bytes.")] = None,
    images: Annotated[
        Path | None, typer.Option(help="Cut out each image: NAME.bin gives NAME-1.bin, NAME-2.bin ...")
    ] = None,
    force: Force = False,
    json: Json = False,
) -> None:
    """Split into even and odd bytes, or into its images.

    Even and odd are for two 8-bit chips on a 16-bit bus; images are those of one chip.

    Exit codes: 0 fine, 1 a file cannot be read or written, 2 the image or an option is wrong.
    """
    from benchd.rom import edit

    if (images is None) == (even is None and odd is None) or (even is None) != (odd is None):
        raise UsageError("give either --even and --odd, or --images")
    if images is not None and images.name in ("", ".."):
        raise UsageError(f"--images: {images} names no file; give one like NAME.bin")
    data, _ = read_image_file(file)
    if images is None:
        assert even is not None and odd is not None
        pair = edit.split_pairs(data)
        results = [(even, pair[0]), (odd, pair[1])]
    else:
        parts = edit.split_images(data)
        results = [
            (images.with_name(f"{images.stem}-{number}{images.suffix}"), part) for number, part in enumerate(parts, 1)
        ]
    _finish(results, [file], force, json)


@sub.command()
def join(
    out: Out,
    files: Annotated[
        list[Path] | None, typer.Argument(help="Images, in the order of their places.", metavar="FILE...")
    ] = None,
    even: Annotated[Path | None, typer.Option(help="Chip with the even bytes.")] = None,
    odd: Annotated[Path | None, typer.Option(help="Chip with the odd bytes.")] = None,
    fill: Fill = "FF",
    force: Force = False,
    json: Json = False,
) -> None:
    """Join even and odd halves, or several images.

    Images go into one chip, each on a 2 KiB slot.

    Exit codes: 0 fine, 1 a file cannot be read or written, 2 the image or an option is wrong.
    """
    from benchd.rom import edit
    from benchd.rom.numbers import parse_byte

    if bool(files) == (even is not None or odd is not None) or (even is None) != (odd is None):
        raise UsageError("give either --even and --odd, or the images one after another")
    if even is not None and odd is not None:
        made = edit.join_pairs(read_image_file(even)[0], read_image_file(odd)[0])
        inputs = [even, odd]
    else:
        inputs = list(files or [])
        parts = [read_image_file(path)[0] for path in inputs]
        made = edit.join_images(parts, fill=_given(parse_byte, fill, "--fill"))
    _finish([(out, made)], inputs, force, json)
