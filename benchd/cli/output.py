"""How commands print: JSON, plain text, and text from the wire made harmless."""

from __future__ import annotations

import json
import sys
import unicodedata
from typing import Any

HARMFUL = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
"""Unicode categories never sent to a terminal: controls, format (bidi) and unassigned characters."""


def clean(text: str, limit: int = 400) -> str:
    """Return `text` safe for a terminal: harmful characters as `\\xNN`/`\\uNNNN`, cut at `limit`."""
    out = []
    for ch in text[:limit]:
        if unicodedata.category(ch) in HARMFUL:
            code = ord(ch)
            out.append(f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}")
        else:
            out.append(ch)
    if len(text) > limit:
        out.append(f"... ({len(text)} characters)")
    return "".join(out)


def emit_json(value: Any) -> None:
    """Print `value` (JSON-ready) to standard output, indented, as UTF-8."""
    json.dump(value, sys.stdout, indent=2, ensure_ascii=False)
    sys.stdout.write("\n")


def say(text: str = "") -> None:
    """Print one plain line."""
    print(text)
