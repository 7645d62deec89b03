"""Captures that travel: one boot in a capture file, or several of them in a ZIP archive, opened for whoever reads them.

What was left on a boot of its own (results, notes, labels) stands in the capture as a note of key `about`, JSON.
"""

from __future__ import annotations

import json
import lzma
import tempfile
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

from benchd.capture import Capture
from benchd.errors import ExternalError, UsageError
from benchd.vocabulary.records import Annotation

KEY = "about"
NAME = "boot-{number}.pcapng"
ZIP = b"PK\x03\x04"
MOST_CAPTURES = 1000
MOST_BYTES = 1 << 30
HEAD = 8
"""The note is among so many records at the beginning."""


@dataclass(frozen=True, slots=True)
class About:
    """What a capture that was cut out says of itself: the boots it is of (ids), where it is from, what came along."""

    boots: tuple[str, ...]
    origin: str = ""
    labels: dict[str, Any] = field(default_factory=dict)
    note: str = ""
    results: tuple[dict[str, Any], ...] = ()

    def annotation(self) -> Annotation:
        value = {
            "boots": self.boots, "origin": self.origin, "labels": self.labels, "note": self.note,
            "results": self.results,
        }  # fmt: skip
        return Annotation(0, KEY, json.dumps({key: one for key, one in value.items() if one}))

    @classmethod
    def of(cls, capture: Capture) -> About | None:
        """Read it back; None where the capture has none, or one that is damaged."""
        for record in islice(capture.records(), HEAD):
            if isinstance(record, Annotation) and record.key == KEY:
                try:
                    return cls._read(json.loads(record.value))
                except (ValueError, TypeError, AttributeError, RecursionError):
                    return None
        return None

    @classmethod
    def _read(cls, value: dict[str, Any]) -> About:
        labels, results = dict(value.get("labels", {})), [dict(one) for one in value.get("results", ())]
        boots, origin, note = value["boots"], value.get("origin", ""), value.get("note", "")
        if not all(isinstance(one, str) for one in (*boots, origin, note)):
            raise ValueError("not as it is written")
        return cls(tuple(boots), origin, labels, note, tuple(results))


def pack(captures: list[bytes]) -> bytes:
    """Return several captures as one archive."""
    with tempfile.TemporaryFile() as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
            for number, data in enumerate(captures, 1):
                archive.writestr(NAME.format(number=number), data)
        file.seek(0)
        return file.read()


@contextmanager
def opened(paths: Iterable[Path]) -> Iterator[list[Path]]:
    """Yield captures for reading: archives among the paths are unpacked for as long as this lasts.

    Raises UsageError for an archive that is none or holds too much, ExternalError where the disk fails.
    """
    with tempfile.TemporaryDirectory(prefix="benchd-") as folder:
        out: list[Path] = []
        for number, path in enumerate(paths):
            out += _unpacked(path, Path(folder) / str(number)) if _is_archive(path) else [path]
        yield out


def _is_archive(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(ZIP)) == ZIP
    except OSError:
        return False  # whoever reads it as a capture says what is wrong


def _unpacked(path: Path, folder: Path) -> list[Path]:
    out: list[Path] = []
    try:
        with zipfile.ZipFile(path) as archive:
            members = [one for one in archive.infolist() if one.filename.endswith(".pcapng")]
            size = sum(one.file_size for one in members)
            if len(members) > MOST_CAPTURES or size > MOST_BYTES:
                raise UsageError(
                    f"{path}: {len(members):,} captures of {size:,} bytes; at most {MOST_CAPTURES:,} of "
                    f"{MOST_BYTES:,} are read from one archive"
                )
            folder.mkdir()
            for number, member in enumerate(members, 1):  # names in an archive may lead anywhere: they are not used
                out.append(folder / f"{number:04}.pcapng")
                out[-1].write_bytes(archive.read(member))
    except (zipfile.BadZipFile, RuntimeError, NotImplementedError, EOFError, zlib.error, lzma.LZMAError) as error:
        raise UsageError(f"{path}: an archive that cannot be read: {error}; have it sent again") from None
    except OSError as error:
        raise ExternalError(f"{path}: cannot be unpacked: {error.strerror or error}; check the disk") from None
    if not out:
        raise UsageError(f"{path}: an archive without captures; name one that `benchd boots export` wrote")
    return out
