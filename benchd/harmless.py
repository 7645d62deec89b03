"""Text from the wire made harmless: no terminal escape, no hidden direction change, no endless line."""

from __future__ import annotations

import unicodedata

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
