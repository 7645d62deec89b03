"""What stands where in a capture: the header's comments, the events interface, and the event payloads.

The container is in `blocks`; link type 147 is LINKTYPE_USER0 of the link-layer header types registry. What is put
into it is ours: `firmware-notes/capture-layout.md`.
"""

from __future__ import annotations

import dataclasses
import json
import types
import typing
from collections.abc import Mapping
from typing import Any

from benchd.vocabulary.records import Annotation, Chunk, ClockMark, LineFault, LinkInfo, LinkState, ModemLines, Record

LAYOUT_VERSION = 1
LINKTYPE_USER0 = 147
TSRESOL_NS = b"\x09"
MARK = "benchd-capture"
"""Key of the section comment that says "this is ours" and carries the layout version."""

EVENTS_NAME = "events"
MAX_LINKS = 64
MAX_PAYLOAD = 262_144
"""Longest packet, in bytes: what readers of the container accept for this link type."""
MAX_COMMENT = 65_535
"""An option's length field has 16 bits."""
MAX_BLOCK = MAX_PAYLOAD + 2 * MAX_COMMENT
MAX_TIME_NS = 2**64 - 1

KIND_OF: dict[type, str] = {
    LinkState: "link",
    ModemLines: "modem",
    LineFault: "fault",
    ClockMark: "clock",
    Annotation: "note",
}
CLOCK = b'{"kind":"clock"}'
CLASS_OF = {kind: cls for cls, kind in KIND_OF.items()}


def dump(value: Mapping[str, Any]) -> str:
    """JSON on one line, ASCII only, so that any text (lone surrogates too) survives the UTF-8 of the file."""
    return json.dumps(value, separators=(",", ":"), ensure_ascii=True)


def link_comment(link: LinkInfo) -> str:
    return dump(dataclasses.asdict(link))


def link_from_comment(text: str) -> LinkInfo:
    """The link that an interface's comment describes. Raises ValueError."""
    return typing.cast(LinkInfo, _build(LinkInfo, parse_object(text)))


def event_payload(record: Record) -> bytes:
    """The payload of a record that is not bytes; the time stands in the packet's header."""
    if isinstance(record, ClockMark):  # most of them by far
        return CLOCK
    values = {f.name: getattr(record, f.name) for f in dataclasses.fields(record) if f.name != "t_ns"}
    return dump({"kind": KIND_OF[type(record)], **values}).encode("ascii")


def event_from_payload(payload: bytes, t_ns: int) -> Record:
    """The record that an events packet holds. Raises ValueError."""
    values = parse_object(payload.decode("utf-8"))
    kind = values.pop("kind", None)
    if not isinstance(kind, str) or kind not in CLASS_OF:
        raise ValueError(f"event kind {kind!r} is not known")
    return typing.cast(Record, _build(CLASS_OF[kind], {**values, "t_ns": t_ns}))


def parse_object(text: str) -> dict[str, Any]:
    """The JSON object that `text` is. Raises ValueError."""
    try:
        value = json.loads(text)
    except RecursionError as error:
        raise ValueError("JSON nested too deep") from error
    if not isinstance(value, dict):
        raise ValueError("not a JSON object")
    return value


def _build(cls: type, values: dict[str, Any]) -> object:
    """An instance of `cls` from `values`, types checked; keys unknown here are left out."""
    hints = _HINTS[cls]
    for name, value in values.items():
        if name in hints and not _fits(hints[name], value):
            raise ValueError(f"{name} is {value!r:.60}, which is not a {hints[name]}")
    try:
        return cls(**{name: value for name, value in values.items() if name in hints})
    except TypeError as error:
        raise ValueError(str(error)) from error


def _fits(hint: Any, value: object) -> bool:
    origin = typing.get_origin(hint)
    if origin is typing.Literal:
        return value in typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return any(_fits(one, value) for one in typing.get_args(hint))
    if hint is float:
        return type(value) in (int, float)
    return type(value) is hint


_HINTS = {cls: typing.get_type_hints(cls) for cls in (LinkInfo, Chunk, *KIND_OF)}
