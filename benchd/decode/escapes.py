"""Escape sequences out of a byte stream: which bytes are text, which steer the terminal, which are broken.

Syntax after ECMA-48 (control functions) and ECMA-35 (character sets). States and what a byte does in them:

1. GROUND: ESC opens a sequence; everything else belongs to the caller.
2. ESC: "[" opens CSI; "]", "P", "X", "^", "_" open a string (OSC, DCS, SOS, PM, APC); 20h-2Fh (charset and
   other shifts) want a final; 30h-7Eh is a two-byte sequence, done.
3. SHIFT: more of 20h-2Fh, then a final 30h-7Eh, done.
4. CSI: parameters 20h-3Fh, then a final 40h-7Eh, done.
5. STRING: until BEL or ESC "\\", done. A string never spans lines: CR or LF breaks it, so that one damaged
   byte cannot swallow the rest of a boot.
6. In any of them: ESC breaks off and opens anew, CAN and SUB break off, a sequence longer than its limit
   breaks off, and so does a byte that the state does not know, which is then judged again from GROUND.

8-bit controls (80h-9Fh) exist only in character sets that have them there: in cp437 these are letters.
"""

from __future__ import annotations

from enum import Enum

ESC, BEL, CAN, SUB = 0x1B, 0x07, 0x18, 0x1A
SEQUENCE_LIMIT = 64
STRING_LIMIT = 512


class State(Enum):
    GROUND = 0
    ESC = 1
    SHIFT = 2
    CSI = 3
    STRING = 4
    STRING_ESC = 5


class EscapeStep(Enum):
    """What became of a byte: inside a sequence, its end, the end of a broken one (with it, or before it)."""

    INSIDE = 0
    DONE = 1
    BROKEN = 2
    BROKEN_BEFORE = 3


INSIDE, DONE = EscapeStep.INSIDE, EscapeStep.DONE
TABLE: dict[tuple[State, int], tuple[State, EscapeStep]] = {}
"""State and byte: the next state, and what became of the byte. Of the rows below the later one counts."""
for _state, _values, _following in (
    (State.ESC, range(0x20, 0x30), (State.SHIFT, INSIDE)),
    (State.ESC, range(0x30, 0x7F), (State.GROUND, DONE)),
    (State.ESC, b"[", (State.CSI, INSIDE)),
    (State.ESC, b"]PX^_", (State.STRING, INSIDE)),
    (State.SHIFT, range(0x20, 0x30), (State.SHIFT, INSIDE)),
    (State.SHIFT, range(0x30, 0x7F), (State.GROUND, DONE)),
    (State.CSI, range(0x20, 0x40), (State.CSI, INSIDE)),
    (State.CSI, range(0x40, 0x7F), (State.GROUND, DONE)),
    (State.STRING, (*range(0x20, 0x7F), *range(0x80, 0x100)), (State.STRING, INSIDE)),
    (State.STRING, (BEL,), (State.GROUND, DONE)),
    (State.STRING, (ESC,), (State.STRING_ESC, INSIDE)),
    (State.STRING_ESC, b"\\", (State.GROUND, DONE)),
):
    TABLE.update(dict.fromkeys(((_state, _value) for _value in _values), _following))


class Escapes:
    """The recogniser. `open` says that a sequence is under way; `text` is the one just done, without ESC."""

    def __init__(self) -> None:
        self.state = State.GROUND
        self.text = ""
        self.size = 0
        self._seen = bytearray()

    @property
    def open(self) -> bool:
        return self.state is not State.GROUND

    def start(self, opener: int | None = None) -> EscapeStep:
        """Open a sequence: at ESC, or at an 8-bit control that stands for ESC and `opener`."""
        self.size = 1
        self._seen.clear()
        self.state = State.ESC
        step = INSIDE if opener is None else self._advance(opener)
        self.text = self._seen.decode("latin-1")
        return step

    def abort(self) -> int:
        """Break off; return how many bytes the broken sequence had."""
        size, self.size = self.size, 0
        self.state = State.GROUND
        return size

    def step(self, value: int) -> EscapeStep:
        """Take one byte of an open sequence. After BROKEN_BEFORE the byte is the caller's to judge again."""
        if value in (CAN, SUB):
            self.size += 1
            self.state = State.GROUND
            return EscapeStep.BROKEN
        if value == ESC and self.state is not State.STRING:
            return self._broken()
        limit = STRING_LIMIT if self.state in (State.STRING, State.STRING_ESC) else SEQUENCE_LIMIT
        if self.size >= limit:
            return self._broken()
        step = self._advance(value)
        if step in (INSIDE, DONE):
            self.size += 1
        if step is DONE:
            self.text = self._seen.decode("latin-1")
        return step

    def _broken(self) -> EscapeStep:
        self.state = State.GROUND
        return EscapeStep.BROKEN_BEFORE

    def _advance(self, value: int) -> EscapeStep:
        following = TABLE.get((self.state, value))
        if following is None:
            return self._broken()
        self.state, step = following
        self._seen.append(value)
        return step
