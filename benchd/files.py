"""Files read whole and bounded, as bytes, text or checked TOML; files written whole and never in place."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from benchd.errors import BenchError, ExternalError, UsageError, system_words

if TYPE_CHECKING:
    from pydantic import BaseModel

M = TypeVar("M", bound="BaseModel")
Missing = Callable[[str], BenchError]
READ_LIMIT = 64 << 20
TEXT_LIMIT = 16 << 20
TOML_LIMIT = 4 << 20
"""Bytes read from one file. The largest table shipped has some 20 KB."""


def read_bytes(path: Path, limit: int = READ_LIMIT, missing: Missing = ExternalError) -> bytes:
    """Return the bytes of `path`.

    Raises ExternalError where it cannot be read (what `missing` makes of the message where there is no such
    file), UsageError for more than `limit` bytes.
    """
    try:
        with path.open("rb") as file:
            data = file.read(limit + 1)
            size = max(len(data), os.fstat(file.fileno()).st_size)
    except (FileNotFoundError, IsADirectoryError) as error:
        raise missing(f"{path}: cannot be read: {system_words(error)}; check the name") from None
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        raise ExternalError(f"{path}: cannot be read: {system_words(error)}") from None
    if len(data) > limit:
        raise UsageError(f"{path}: {size:,} bytes, more than the {limit:,} that are read: is it the right file?")
    return data


def decode_text(data: bytes, file: str) -> str:
    """Return UTF-8 text, a byte-order mark taken off and line ends made one character. Raises FileProblems."""
    from benchd.tomlfile import FileProblems, Problem

    why = "Save the file as UTF-8 ({})"
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or _is_utf16(data):
        raise FileProblems([Problem(file, 1, "", why.format("it is UTF-16: two bytes for each letter"))])
    try:
        return data.decode("utf-8").removeprefix("\ufeff").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise FileProblems([Problem(file, line, "", why.format(f"line {line} has a byte that is not"))]) from None


def _is_utf16(data: bytes) -> bool:
    """Whether every second byte of the beginning is 00h, as in UTF-16 of plain letters without its mark."""
    head = data[:200]
    pairs = len(head) // 2
    return pairs >= 2 and any(head[at::2].count(0) * 2 > pairs and not head[1 - at :: 2].count(0) for at in (0, 1))


def read_text(path: Path, limit: int = TEXT_LIMIT, missing: Missing = ExternalError) -> str:
    """Return the text of a UTF-8 file. Raises as `read_bytes`, and FileProblems with the line for other text."""
    return decode_text(read_bytes(path, limit, missing), str(path))


def read_toml(model: type[M], path: Path, missing: Missing = ExternalError) -> M:
    """Read and check a TOML file. Raises as `read_text`, and FileProblems with file, line and key of each error."""
    from benchd.tomlfile import validate  # here: it loads the checking of models, which few commands need

    return validate(model, read_text(path, TOML_LIMIT, missing), str(path))


def write_new(path: Path, data: bytes, force: bool, inputs: Sequence[Path]) -> None:
    """Write `data` to `path` whole or not at all.

    Raises UsageError if `path` is one of `inputs`, is there and no plain file, or exists and `force` is not given;
    ExternalError if writing fails.
    """
    if any(_same(path, source) for source in inputs):
        raise UsageError(f"{path} is the input: files are never changed in place; name another output")
    if path.is_dir():
        raise UsageError(f"{path} is a directory: name a file in it")
    if path.exists() and not path.is_file():  # a rename would put a plain file in the place of a device
        raise UsageError(f"{path} is a device or a pipe, no plain file: name another output")
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
        raise ExternalError(f"{path}: cannot write it: {system_words(error)}") from None
    except BaseException:  # Ctrl-C: nothing half written stays
        part.unlink(missing_ok=True)
        raise


def _same(path: Path, source: Path) -> bool:
    try:
        return os.path.samefile(path, source)
    except OSError:  # one of them is not there
        return False
