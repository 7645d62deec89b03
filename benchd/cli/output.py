"""How commands print: JSON, plain text, and text from the wire made harmless."""

from __future__ import annotations

import json
import sys
from typing import Any

from benchd.harmless import HARMFUL, clean

__all__ = ["HARMFUL", "clean", "emit_json", "say"]


def emit_json(value: Any) -> None:
    """Print `value` (JSON-ready) to standard output, indented, as UTF-8."""
    json.dump(value, sys.stdout, indent=2, ensure_ascii=False)
    sys.stdout.write("\n")


def say(text: str = "") -> None:
    """Print one plain line."""
    print(text)
