"""How commands print: JSON, plain text, and text from the wire made harmless."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any
from unicodedata import category

from benchd.harmless import HARMFUL, clean

__all__ = ["HARMFUL", "clean", "clean_lines", "columns", "emit_json", "local", "say", "tell"]


def emit_json(value: Any) -> None:
    """Print `value` (JSON-ready), indented: UTF-8, or ASCII where output takes no more; harmful characters escaped."""
    ascii_only = not (sys.stdout.encoding or "utf-8").lower().startswith("utf")
    text = json.dumps(value, indent=2, ensure_ascii=ascii_only)
    if not text.isascii() or "\x7f" in text:
        text = "".join(_escaped(ch) if ch != "\n" and category(ch) in HARMFUL else ch for ch in text)
    sys.stdout.write(text + "\n")


def _escaped(ch: str) -> str:
    """Return a character as JSON writes it in ASCII (RFC 8259, section 7)."""
    units = ch.encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[n]:02x}{units[n + 1]:02x}" for n in range(0, len(units), 2))


def clean_lines(text: str, limit: int = 2000) -> str:
    """Return text of several lines, each cleaned."""
    return "\n".join(clean(line, limit) for line in text.split("\n"))


def say(text: str = "") -> None:
    """Print one plain line."""
    print(text)


def tell(lines: Iterable[str]) -> None:
    """Print lines."""
    for line in lines:
        say(line)


def local(iso: str) -> str:
    """Return a time of day for people, in this computer's zone."""
    return datetime.fromisoformat(iso).astimezone().strftime("%Y-%m-%d %H:%M:%S")


def columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows aligned by column, two spaces between."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows]
