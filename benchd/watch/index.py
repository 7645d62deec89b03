"""Where each boot begins in a capture, and what judging it from there needs: a cache beside the capture.

`NAME.pcapng.index` holds one JSON object a line. The first says which capture, table and program it is for; then
come states (`at`: the offset of the block before which the state holds) and boots (`boot`: the offset `at` of the
record that began it, and the state `from` which to read). Lines may be doubled, the last may be cut: whoever reads
or watches the capture may add to it. It is rebuilt from the captures where it is missing or is for something else.

A state is the whole pipeline, pickled: nothing less gives the same events for any capture (a boot may begin while
another stalls, in the middle of a console line, in a loop). What is loaded may be of the pure rooms' classes only,
see "Restricting Globals" in the documentation of Python's pickle module.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import io
import json
import logging
import os
import pickle
import zlib
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from benchd.capture import Capture, read_capture
from benchd.errors import BenchError
from benchd.vocabulary.events import BootStarted, Event
from benchd.vocabulary.records import UNREAD, Annotation, Chunk, Record
from benchd.watch.pipeline import Pipeline
from benchd.watch.replay import judged_by, new_pipeline

log = logging.getLogger(__name__)

SUFFIX = ".index"
EVERY = 8_192
"""How much is judged again at most before a boot begins: bytes of data, with `RECORD` for each record besides."""
RECORD = 16
APART = 8_192
"""Bytes of a capture within which boots share a state."""
FAR = 1 << 20
"""Bytes of a capture after which a state is written though no boot began, so that an index can be carried on."""
MAX_STATE = 16 << 20
PURE = ("benchd.boots.", "benchd.decode.", "benchd.rules.", "benchd.vocabulary.", "benchd.watch.pipeline")
PLAIN = {("collections", "deque"), ("collections", "Counter"), ("collections", "OrderedDict"), ("builtins", "set")}
RULES = ("stage", "stall", "loop", "order", "fault", "check")

Place = tuple[Path, int, int | None]
"""A file, and where a record's block in it begins and (if that is known) ends."""


# ---------------------------------------------------------------- states


def _shared(pipeline: Pipeline) -> dict[str, Any]:
    """What a state names and does not hold: the rule table and what is compiled from it or from a pattern."""
    matcher = pipeline.tracker.matcher
    table = matcher.table
    out: dict[str, Any] = {"matcher": matcher, "table": table}
    out |= {f"{kind} {n}": rule for kind in RULES for n, rule in enumerate(getattr(table, kind))}
    for name, decoder in pipeline.decoders.items():
        held = getattr(getattr(decoder, "_framing", None), "__dict__", {})
        out |= {f"{name} {key}": value for key, value in held.items() if type(value).__module__ == "re2"}
    return out


def freeze(pipeline: Pipeline) -> bytes:
    """Return the state of a pipeline, to go on from with `thaw`."""
    names = {id(held): name for name, held in _shared(pipeline).items()}

    class Pickler(pickle.Pickler):
        def persistent_id(self, held: Any) -> str | None:
            return names.get(id(held))

    out = io.BytesIO()
    Pickler(out, pickle.HIGHEST_PROTOCOL).dump(pipeline)
    return out.getvalue()


def thaw(state: bytes, fresh: Pipeline) -> Pipeline:
    """Return the pipeline that was frozen; `fresh` is a new one for the same capture. Raises ValueError."""
    shared = _shared(fresh)

    class Unpickler(pickle.Unpickler):
        def persistent_load(self, name: Any) -> Any:
            return shared[name]

        def find_class(self, module: str, name: str) -> Any:
            if "." not in name and (module.startswith(PURE) or (module, name) in PLAIN):
                return super().find_class(module, name)
            raise pickle.UnpicklingError(f"{module}.{name} is no part of a state")

    try:
        found = Unpickler(io.BytesIO(state)).load()
    except Exception as error:  # a damaged state may do anything
        raise ValueError(f"a state that cannot be read: {error}") from error
    if not isinstance(found, Pipeline):
        raise ValueError("a state that is none")
    return found


@cache
def _program() -> str:
    """A digest of the code that states come from: after any change of it they are made anew."""
    here = Path(__file__).parent
    rooms = [here.parent / room for room in ("boots", "decode", "rules", "vocabulary")]
    digest = hashlib.sha256()
    for path in [here / "pipeline.py", *(path for room in rooms for path in sorted(room.glob("*.py")))]:
        digest.update(path.read_bytes())
    return digest.hexdigest()


def key_of(capture: Capture, table: str) -> str:
    """Return what an index is for: the capture's header, the table's text and this program."""
    header = (capture.machine, capture.run, capture.wall_ns, capture.mono_ns, capture.links, table)
    return hashlib.sha256(f"{_program()} {header!r}".encode("utf-8", "backslashreplace")).hexdigest()


# ---------------------------------------------------------------- the file


def index_path(capture: Path) -> Path:
    """Return where the index of a capture lies."""
    return capture.with_name(capture.name + SUFFIX)


class IndexFile:
    """The index of one capture. Where it cannot be written it is kept in memory."""

    def __init__(self, capture: Path, key: str, fresh: bytes) -> None:
        self.path = index_path(capture)
        self._fresh = fresh
        self._head = json.dumps({"benchd-index": 1, "key": key}).encode() + b"\n"
        self._unwritten: list[bytes] = []

    def same_as(self, other: IndexFile) -> bool:
        """Whether the other one is for the same capture, table and program."""
        return self._head == other._head

    def load(self) -> bytes:
        """Return what is known, in the form of the file; only its head if it is for something else."""
        try:
            text = self.path.read_bytes()
        except OSError:
            text = b""
        return (text if text.startswith(self._head) else self._head) + b"".join(self._unwritten)

    def add(self, line: dict[str, object]) -> None:
        """Add a line, in one write. What cannot be written is kept in memory: an index is never worth an error."""
        text = json.dumps(line).encode() + b"\n"
        try:
            fd = os.open(self.path, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o644)
            try:
                if os.pread(fd, len(self._head), 0) != self._head:
                    os.ftruncate(fd, 0)
                    text = self._head + text
                elif os.pread(fd, 1, (size := os.fstat(fd).st_size) - 1) != b"\n":  # a line that was cut says nothing
                    os.ftruncate(fd, os.pread(fd, size, 0).rfind(b"\n") + 1)
                os.write(fd, text)
            finally:
                os.close(fd)
        except OSError as error:
            log.debug("index %s: %s", self.path, error)
            self._unwritten.append(text)

    def add_state(self, at: int, state: bytes) -> None:
        """Add a state: what differs from one in which nothing has been seen, compressed."""
        packer = zlib.compressobj(zdict=self._fresh)
        packed = packer.compress(state) + packer.flush()
        self.add({"at": at, "state": base64.b85encode(packed).decode()})

    def state(self, text: bytes, at: int) -> bytes:
        """Return the state that holds before the block at an offset. Raises ValueError where there is none."""
        line = _line(text, b'\n{"at": %d, ' % at)
        if line is None:
            raise ValueError(f"no state at offset {at}")
        try:
            return zlib.decompressobj(zdict=self._fresh).decompress(base64.b85decode(line["state"]), MAX_STATE)
        except zlib.error as error:
            raise ValueError(f"the state at offset {at} is damaged: {error}") from error

    def forget(self) -> None:
        """Begin anew: what is written is not as it should be."""
        self._unwritten.clear()
        with contextlib.suppress(OSError):
            self.path.unlink()


def find_boot(text: bytes, boot: str) -> tuple[int, int] | None:
    """Return where a boot begins by an index's text: the offset of its record, and that of its state (0: none)."""
    line = _line(text, b'\n{"boot": %s, ' % json.dumps(boot).encode())
    return (line["at"], line["from"]) if line is not None else None


def last_state(text: bytes) -> int:
    """Return the offset of the last state, 0 where there is none."""
    at = text.rfind(b'\n{"at": ')
    if at < 0 or (line := _line(text[at:], b'\n{"at": ')) is None:
        return 0
    return int(line["at"])


def _line(text: bytes, begins: bytes) -> dict[str, Any] | None:
    at = text.find(begins)
    if at < 0:
        return None
    end = text.find(b"\n", at + 1)
    try:
        found = json.loads(text[at + 1 : end if end >= 0 else None])
    except ValueError:
        return None
    return found if isinstance(found, dict) else None


def index_of(capture: Capture, base: Path) -> IndexFile:
    """Return the index of a capture; a table that it only names is looked for from `base`.

    Raises UsageError or ExternalError where the table is not there.
    """
    table, file = judged_by(capture, base)
    return IndexFile(capture.path, key_of(capture, table), freeze(new_pipeline(capture, table, file)))


def index_here(base: Path, path: Path) -> IndexFile | None:
    """Return the index of the capture at `path`, None where it or its table cannot be read."""
    try:
        return index_of(read_capture(path), base)
    except BenchError as error:
        log.debug("no index for %s: %s", path, error)
        return None


# ---------------------------------------------------------------- making it


class Indexer:
    """Follows a machine's records as they are judged, and writes down where boots begin.

    Call `saw` after records that were judged together, with the place of their blocks, and `apart` where a new file
    begins between two boots. `file_of` gives the index of a capture, None where there can be none.
    """

    def __init__(self, file_of: Callable[[Path], IndexFile | None]) -> None:
        self._file_of = file_of
        self._file: IndexFile | None = None
        self._path: Path | None = None
        self._state: bytes | None = None
        self._state_at: int | None = None
        """Where the state holds, None until the next record is seen."""
        self._stored: int | None = None
        """The state written last, 0 for the beginning of a file that needs none; None if there is none."""
        self._last = 0
        self._weight = 0
        self._apart = True

    def apart(self) -> None:
        """The next record stands in a file of its own, or is the first of a new pipeline."""
        self._state, self._state_at, self._stored, self._path = None, None, None, None
        self._apart = True

    def goes_on(self, capture: Capture, state: bytes, at: int) -> None:
        """The next record stands at an offset of a capture; before it, a state holds that is written down."""
        self._to(capture.path)
        self._state, self._state_at, self._stored = state, at, at

    def carries_on(self, pipeline: Pipeline) -> None:
        """The next record is the first of a file whose boots may have begun in the file before it."""
        self.apart()
        self._apart, self._state = False, freeze(pipeline)

    def saw(self, place: Place | None, pipeline: Pipeline, records: Sequence[Record], events: Sequence[Event]) -> None:
        """Take note of records, and of what followed from them. `place` None: it is not known where they stand.

        `place` is that of all of them, one after the other; what begins with one of them is found from the first on.
        """
        if place is None:  # an index with a gap would hide boots; a reader adds the rest
            self._state, self._apart, self._file = None, False, None
            return
        path, offset, end = place
        if path is not self._path and path != self._path:
            self._to(path)
        if any(map(_is_gap, records)):  # whoever began here would not see it as it is
            self._state = self._state_at = None
        if self._state is not None and self._state_at is None:
            self._state_at = offset
        if self._state_at is not None and self._state_at - (self._stored or 0) >= FAR:
            self._store()
        self._last = offset
        self.told(events)
        for record in records:
            self._weight += RECORD + (len(record.data) if isinstance(record, Chunk) else 0)
        if self._state is None or self._weight >= EVERY:
            self._state, self._state_at, self._weight = freeze(pipeline), end, 0

    def told(self, events: Sequence[Event]) -> None:
        """Take note of what followed from time alone, or from the record seen last."""
        for event in events:
            if isinstance(event, BootStarted) and self._file is not None:
                self._began(event.boot.id, self._last)

    def _to(self, path: Path) -> None:
        if self._state_at is not None:  # a state of the file before: where this one goes on from it is not known
            self._state = self._state_at = None
        self._path = path
        self._stored = 0 if self._apart else None
        known = self._apart or self._state is not None
        self._apart = False
        self._file = self._file_of(path) if known else None

    def _began(self, boot: str, offset: int) -> None:
        if self._stored is None or offset - self._stored > APART:
            self._store()
        if self._stored is not None and self._file is not None:
            self._file.add({"boot": boot, "at": offset, "from": self._stored})

    def _store(self) -> None:
        if self._state is None or self._state_at is None or self._file is None or self._state_at == self._stored:
            return
        self._file.add_state(self._state_at, self._state)
        self._stored = self._state_at


def _is_gap(record: Record) -> bool:
    return isinstance(record, Annotation) and record.key == UNREAD
