"""How commands print: JSON, plain text, and text from the wire made harmless."""

from __future__ import annotations

import json
import sys
from typing import Any
from unicodedata import category

from benchd.harmless import HARMFUL, clean

__all__ = ["HARMFUL", "clean", "clean_lines", "emit_json", "say"]


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
