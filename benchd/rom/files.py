"""Reading and writing image files for the `rom` and `map` commands: bounded, and never in place."""

from __future__ import annotations

import os
from pathlib import Path

from benchd.errors import ExternalError, UsageError
from benchd.rom.textforms import from_text_form

READ_LIMIT = 64 << 20
"""Bytes read from one file; what is looked at is bounded further inside `rom`."""


def read_raw(path: Path) -> bytes:
    """Return the bytes of `path`. Raises ExternalError if it cannot be read or is larger than `READ_LIMIT`."""
    try:
        with path.open("rb") as file:
            data = file.read(READ_LIMIT + 1)
    except OSError as error:
        raise ExternalError(f"{path}: cannot read it: {error.strerror or error}; check the name") from None
    if len(data) > READ_LIMIT:
        raise ExternalError(f"{path}: larger than the {READ_LIMIT:,} bytes that are read; is it a ROM image?")
    return data


def read_image_file(path: Path) -> tuple[bytes, list[str]]:
    """Return (image bytes, notes); Intel HEX and S-record text are converted. Raises ExternalError."""
    data = read_raw(path)
    try:
        return from_text_form(data)
    except ValueError as error:
        raise ExternalError(f"{path}: {error}; export the image again") from None


def write_new(path: Path, data: bytes, force: bool, inputs: list[Path]) -> None:
    """Write `data` to `path` whole or not at all.

    Raises UsageError if `path` is one of `inputs`, or exists and `force` is not given; ExternalError if
    writing fails.
    """
    for source in inputs:
        try:
            same = path.exists() and os.path.samefile(path, source)
        except OSError:
            same = False
        if same:
            raise UsageError(f"{path} is the input: images are never changed in place; name another output")
    if path.is_dir():
        raise UsageError(f"{path} is a directory: name a file in it")
    if path.exists() and not force:
        raise UsageError(f"{path} exists: name another output, or allow overwriting with --force")
    part = path.with_name(f".{path.name[:100]}.{os.getpid()}.part")
    try:
        with part.open("xb") as file:
            file.write(data)
        os.replace(part, path)
    except FileExistsError:
        raise ExternalError(f"{part}: left over from an earlier run; remove it and try again") from None
    except OSError as error:
        part.unlink(missing_ok=True)
        raise ExternalError(f"{path}: cannot write it: {error.strerror or error}") from None
