"""Console text: lines out of bytes, with escape sequences taken out and counters kept in place.

Rules:
1. LF, VT, FF, the vertical moves and clears of a terminal (ESC D, E, M, c; CSI A, B, E, F, J 2/3, d; CSI H and
   f to another row) end the line. CR, BS and the horizontal moves only move the cursor: what is written then
   overwrites.
2. A blank line is not said. Trailing blanks are cut.
3. A text wiped out by blanks or erase controls is held: when it has a word (three letters) and what comes after
   is another text, it was a line of its own; when only numbers differ, it was a counter and the new value
   replaces it. A line that is blank at its end shows what was wiped.
4. An unfinished line is said as `partial` after 0.25 s of silence, and at most once a second while it changes.
5. A line ends at 1,000 characters (note "long-line").
6. A whole line that holds lines of a reporter program is read as such too (`report.py`).
7. NUL, BEL and other controls are refused by name ("nul", "control"); broken or endless sequences as
   "bad-escape"; bytes that are no character as "undecodable" (shown as U+FFFD).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from benchd.decode.arrival import Piece, Spread, across, in_step
from benchd.decode.charset import LINE_LIMIT, Charset
from benchd.decode.escapes import ESC, Escapes, EscapeStep
from benchd.decode.link import Framing, Outlet
from benchd.decode.report import ReportReader
from benchd.decode.screenline import LineShown, ScreenLine, marks_of
from benchd.vocabulary.observations import Decoded, Reported, Text

SILENCE_NS = 250_000_000
SILENCE_BYTES = 4
GROWING_NS = 1_000_000_000
BS, TAB, LF, VT, FF, CR, SHIFT_OUT, SHIFT_IN, DEL = 0x08, 0x09, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x7F
LINE_END = frozenset((LF, VT, FF))
SHIFTS = frozenset((SHIFT_OUT, SHIFT_IN))
NUMBER = re.compile(r"[0-9]+")
WORD = re.compile(r"[^\W\d_]{3}")
PARAMETER_LIMIT = 9999

MOVES: dict[str, Callable[[int, int], int]] = {
    "C": lambda here, count: here + count,
    "D": lambda here, count: here - count,
    "G": lambda here, count: count - 1,
    "`": lambda here, count: count - 1,
}
"""Where a horizontal move leads from column `here` (ECMA-48: CUF, CUB, CHA, HPA)."""

WIPES: dict[tuple[str, int], Callable[[int, int], tuple[int, int]]] = {
    **dict.fromkeys([("J", 0), ("K", 0)], lambda here, count: (here, PARAMETER_LIMIT)),
    **dict.fromkeys([("J", 1), ("K", 1)], lambda here, count: (0, here + 1)),
    ("K", 2): lambda here, count: (0, PARAMETER_LIMIT),
    ("X", 0): lambda here, count: (here, here + count),
}
"""The columns that an erase clears, by final byte and parameter (ECMA-48: ED, EL, ECH)."""


def parameters(text: str) -> list[int]:
    """Return the numbers of a CSI sequence ("5;10"); missing ones are 0."""
    return [min(int(part[:6]), PARAMETER_LIMIT) if part.isdigit() else 0 for part in text.split(";")]


def counts_on(before: str, after: str) -> bool:
    """Say whether `after` is `before` with other numbers, or the beginning of such a text."""
    old, new = (NUMBER.sub("#", text.strip()) for text in (before, after))
    return old.startswith(new) or new.startswith(old)


class Console(Framing):
    """The framing of console links ("text")."""

    SILENCE_NS, SILENCE_BYTES = SILENCE_NS, SILENCE_BYTES

    def __init__(self, outlet: Outlet) -> None:
        super().__init__(outlet)
        self._charset = Charset(outlet.info.name, outlet.info.encoding)
        self._escapes = Escapes()
        self._screen = ScreenLine()
        self._held: LineShown | None = None
        self._row: int | None = None
        self._line = 0
        self._char_ns = 0
        self._u_ns = outlet.info.latency_ns
        self._changed_ns: int | None = None
        self._partial_ns: int | None = None
        self._partial: str | None = None
        self._reports = ReportReader()
        self._easy = False
        """Whether nothing is on the screen's line and nothing half: what comes of a line is kept in the `_tail`."""
        self._tail = b""
        self._pieces: list[Piece] = []
        """The chunks that the `_tail` lies in."""

    def set_byte_time(self, byte_ns: int) -> None:
        self._char_ns = byte_ns if self._outlet.info.paced else 0
        super().set_byte_time(byte_ns)
        self.together_ns = min(self.silence_ns, GROWING_NS)

    def byte(self, value: int, t_ns: int, u_ns: int) -> None:
        escapes, counts = self._escapes, self._outlet.counts
        if self._easy:
            self._write_tail()
        if escapes.open:
            step = escapes.step(value)
            if step is EscapeStep.INSIDE:
                return
            if step is EscapeStep.DONE:
                self._steer(t_ns)
                return
            counts.refuse("bad-escape", escapes.abort())
            if step is EscapeStep.BROKEN:
                return
        if value < 0x20 or value == DEL:
            self._unfinished_character(t_ns, u_ns)
            self._control(value, t_ns)
        elif value in self._charset.c1:
            if escapes.start(value - 0x40) is EscapeStep.DONE:
                self._steer(t_ns)
        else:
            self._character(value, t_ns, u_ns)

    def run(self, data: bytes, start: int, spread: Spread) -> int:
        """Take plain characters and ends of lines where nothing is overwritten or half."""
        if not self._easy and (not self._screen.at_end or self._half):
            return 0
        place, end, counts = start, len(data), self._outlet.counts
        while place < end:
            known = len(self._tail) - place
            taken = self._lines(data[place:] if place else data, [(known, known + end, spread)])
            taken = taken or self._piece(data, place, spread)
            if not taken:
                break
            place += taken
        counts.bytes_in += place - start
        counts.decoded += place - start
        return place - start

    def run_all(self, data: bytes, pieces: Sequence[Piece]) -> int:
        if known := len(self._tail):
            pieces = [(known + begin, known + until, spread) for begin, until, spread in pieces]
        taken = self._lines(data, pieces)
        self._outlet.counts.take(taken)
        return taken

    def _looks_easy(self) -> bool:
        """Whether a line begins here, with nothing half or wiped out before it and no report around it."""
        self._easy = not self._half and self._partial_ns is None and self._screen.empty and self._reports.idle
        return self._easy

    def _lines(self, data: bytes, pieces: Sequence[Piece]) -> int:
        """Take whole lines, and keep what there is of one more as it came; return how many bytes of `data` that were.

        `pieces` are the chunks of `data`, placed as behind the `_tail`. None are taken where a line may be said for
        being unfinished while they come.
        """
        if not self._easy and not self._looks_easy():
            return 0
        last_ns, deadline = pieces[-1][2].last_ns, self.deadline
        if last_ns - pieces[0][2].first_ns >= self.together_ns or (deadline is not None and deadline <= last_ns):
            return 0
        tail = self._tail
        known = len(tail)
        if known:
            data = tail + data
        end = self._charset.lines.match(data).end()  # type: ignore[union-attr]  # it may be empty
        if end < len(data) and data.find(b"\n", known, end) < 0:
            return 0  # what goes on in another way soon is written as it comes
        pieces = [*self._pieces, *pieces] if known else pieces
        lines = self._charset.text_of(data if end == len(data) else data[:end]).split("\n")
        rest = lines.pop()
        place = self._say_lines(lines, pieces) if lines else 0
        self._keep(data[place:end], rest, known - place, pieces, place)
        return end - known

    def _keep(self, tail: bytes, text: str, known: int, pieces: Sequence[Piece], first: int) -> None:
        """Keep what there is of a line, and see when it is said if nothing follows.

        `known` bytes of it were there before; `pieces` has its chunks, and it begins in these at `first`.
        """
        begin, until, spread = pieces[-1]
        if begin <= first:
            self._pieces = [(begin - first, until - first, spread)]
        else:
            last = first + len(tail)
            self._pieces = [(a - first, b - first, one) for a, b, one in pieces if first < b and a < last]
        self._tail = tail
        shown = len(text.rstrip())
        if not shown or shown <= known:
            return
        begin, _, spread = self._pieces[-1]
        if self._changed_ns is None:
            blank = len(text) - len(text.lstrip())
            self._changed_ns = spread.at(blank - begin) if blank >= begin else self._arrived(blank)
        self._wait(spread.at(shown - 1 - begin) if shown > begin else self._arrived(shown - 1))

    def _arrived(self, place: int) -> int:
        """When the byte at a place of the `_tail` arrived (ns)."""
        return next(spread.at(place - begin) for begin, until, spread in self._pieces if place < until)

    def _write_tail(self) -> None:
        """What was kept of a line goes on in another way: write it."""
        self._easy = False
        if not self._tail:
            return
        text, self._tail = self._charset.text_of(self._tail), b""
        if body := text.rstrip("\r"):
            runs, u_ns, _ = across(self._pieces, 0, len(body), len(body) - 1)
            self._u_ns = max(self._u_ns, u_ns)
            self._screen.add(body, runs)
        if len(body) < len(text):
            self._screen.column = 0

    def _say_lines(self, lines: Sequence[str], pieces: Sequence[Piece]) -> int:
        """Say lines that come one after the other from the first piece on; return where the next one begins."""
        outlet, char_ns, number, place, piece, until = self._outlet, self._char_ns, self._line, 0, -1, 0
        link, latency_ns = outlet.link, outlet.info.latency_ns
        seen: list[Decoded] = []
        for whole in lines:
            end = place + len(whole)
            if until <= place:
                while until <= place:
                    piece += 1
                    begin, until, spread = pieces[piece]
                level = begin if spread.floor_ns <= spread.first_ns else begin + spread.level
                base_ns, step_ns = spread.first_ns - begin * spread.step_ns, spread.step_ns
                u_ns = spread.u_ns + latency_ns // 2
            if text := whole.rstrip():
                if level <= place and end < until and place:
                    first_ns = base_ns + place * step_ns
                    if not step_ns:
                        u_ns = spread.u(place - begin) + latency_ns // 2
                    at_ns, marks = base_ns + end * step_ns, ((0, first_ns),)
                    seen.append(Text(link, first_ns, u_ns, at_ns, number, text, False, marks, char_ns, None))
                else:
                    most_u_ns = latency_ns if place else self._u_ns
                    seen.append(self._line_across(whole, pieces[piece:], place, number, most_u_ns))
                number += 1
            place = end + 1
        if seen:
            outlet.emit_all(seen)
            self._line, self._partial = number, None
        self._u_ns = latency_ns
        self._changed_ns = self._partial_ns = self.deadline = None
        self._row = None if self._row is None else self._row + len(lines)
        return place

    @property
    def _half(self) -> bool:
        """Whether a character or a sequence is not whole yet, or a text was wiped out."""
        return self._escapes.open or self._charset.waiting > 0 or self._held is not None

    def _line_across(self, whole: str, pieces: Sequence[Piece], first: int, number: int, u_ns: int) -> Text:
        """Return the line that begins at byte `first`, by whatever pace its bytes came in the pieces."""
        outlet, char_ns, spread, text = self._outlet, self._char_ns, pieces[0][2], whole.rstrip()
        leeway_ns, into, end = outlet.info.latency_ns // 2, first - pieces[0][0], first + len(whole)
        if into >= spread.level and (at_ns := in_step(pieces, end, leeway_ns)) is not None:
            first_ns, own_u_ns = spread.at(into), spread.u_ns
            marks: tuple[tuple[int, int], ...] = ((0, first_ns),)
        else:
            runs, own_u_ns, at_ns = across(pieces, first, first + len(whole.rstrip("\r")), end)
            first_ns, marks = runs[0][1], marks_of(runs, len(text), char_ns, leeway_ns)
        u_ns = (own_u_ns if own_u_ns > u_ns else u_ns) + leeway_ns
        return Text(outlet.link, first_ns, u_ns, at_ns, number, text, False, marks, char_ns, None)

    def _piece(self, data: bytes, place: int, spread: Spread) -> int:
        """Take plain characters, and the line's end if it follows, to what is written; return how many bytes."""
        if self._easy:
            self._write_tail()
        if not self._screen.at_end or self._half:
            return 0
        found = self._charset.plain.match(data, place)
        assert found is not None  # it may be empty
        middle, end = found.end(1), found.end()
        if end == place:
            return 0
        first_ns, last_ns = spread.at(place), spread.at(end - 1)
        since_ns = first_ns if self._changed_ns is None else self._changed_ns
        if self.deadline is not None and self.deadline <= last_ns:
            return 0
        if last_ns - first_ns >= self.silence_ns or last_ns - since_ns >= GROWING_NS:
            return 0
        if not self._add(self._charset.text_of(data[place:middle]), place, spread):
            return 0
        if end > middle:
            self._end_line(last_ns)
            if self._row is not None:
                self._row += 1
        return end - place

    def _add(self, text: str, place: int, spread: Spread) -> bool:
        """Add plain characters that stand at `place` of their chunk; return False, and add none, where they are not.

        None of the line may be said for being unfinished before the last of them.
        """
        screen, column, size = self._screen, self._screen.column, len(text)
        if "\r" in text or column + size > LINE_LIMIT:
            return False
        if not size:
            return True
        u_ns = spread.u(place)
        if u_ns > self._u_ns:
            self._u_ns = u_ns
        screen.add(text, spread.runs(place, place + size, column))
        if shown := len(text.rstrip()):
            if self._changed_ns is None:
                self._changed_ns = spread.at(place + size - len(text.lstrip()))
            self._wait(spread.at(place + shown - 1))
        return True

    def fire(self, t_ns: int) -> None:
        self._write_tail()
        self._changed_ns = self.deadline = None
        self._partial_ns = t_ns
        shown = self._screen.shown()
        if self._held is not None:
            if shown.text and counts_on(self._held.text, shown.text):
                shown = self._held
            elif self._word(self._held):
                self._say(self._held, t_ns)
                self._held = None
                self._partial_ns = t_ns
            elif not shown.text:
                shown = self._held
        if shown.text and shown.text != self._partial:
            self._partial = shown.text
            self._say(shown, t_ns, partial=True)

    def drop(self, reason: str, t_ns: int, u_ns: int) -> None:
        self._write_tail()
        counts = self._outlet.counts
        counts.refuse(reason, self._escapes.abort() if self._escapes.open else 0)
        counts.refuse(reason, self._charset.drop())
        self._end_line(t_ns)
        self._row = None
        self._reports.cut_off()

    def _control(self, value: int, t_ns: int) -> None:
        screen, counts = self._screen, self._outlet.counts
        if value == ESC:
            self._escapes.start()
            return
        if value in LINE_END:
            self._end_line(t_ns)
            if self._row is not None:
                self._row += 1
        elif value == CR:
            screen.column = 0
        elif value == BS:
            screen.move(screen.column - 1)
        elif value == TAB:
            screen.tab(t_ns)
        elif value not in SHIFTS:
            counts.refuse("nul" if value == 0 else "control")
            return
        counts.settle()

    def _character(self, value: int, t_ns: int, u_ns: int) -> None:
        text, bad = self._charset.take(value)
        counts = self._outlet.counts
        counts.refuse("undecodable", bad)
        counts.settle(counts.pending - self._charset.waiting)
        for char in text:
            if 0x80 <= ord(char) < 0xA0:
                continue
            self._put(char, t_ns, u_ns)

    def _unfinished_character(self, t_ns: int, u_ns: int) -> None:
        bad = self._charset.drop()
        if bad:
            self._outlet.counts.refuse("undecodable", bad)
            self._put("\ufffd", t_ns, u_ns)

    def _put(self, char: str, t_ns: int, u_ns: int) -> None:
        screen = self._screen
        if screen.full:
            self._outlet.counts.note("long-line")
            self._end_line(t_ns)
        self._u_ns = max(self._u_ns, u_ns)
        self._changed(screen.put(char, t_ns), t_ns)

    def _changed(self, visible: bool, t_ns: int) -> None:
        """Note a change of what is shown, and when to say it."""
        if not visible:
            return
        if self._changed_ns is None:
            self._changed_ns = t_ns
        self._wait(t_ns)
        screen = self._screen
        if screen.blank and screen.erased is not None and screen.erased.text:
            self._hold(screen.erased, t_ns)
            screen.clear(screen.column)

    def _wait(self, t_ns: int) -> None:
        """Something visible changed at `t_ns`, and before that not since the line was said last: `_changed_ns`."""
        assert self._changed_ns is not None
        when, latest = t_ns + self.silence_ns, self._changed_ns + GROWING_NS
        if when > latest:
            when = latest
        self.deadline = when if self._partial_ns is None else max(when, self._partial_ns + GROWING_NS)

    @staticmethod
    def _word(shown: LineShown) -> bool:
        return WORD.search(shown.text) is not None

    def _hold(self, wiped: LineShown, t_ns: int) -> None:
        held = self._held
        if held is not None and self._word(held) and not counts_on(held.text, wiped.text):
            self._say(held, t_ns)
        self._held = wiped

    def _end_line(self, t_ns: int, column: int = 0) -> None:
        """Say what is held and what is shown, and begin a new line."""
        shown = self._screen.shown()
        held, self._held = self._held, None
        if held is not None:
            if not shown.text:
                shown = held
            elif self._word(held) and not counts_on(held.text, shown.text):
                self._say(held, t_ns)
        if shown.text:
            self._say(shown, t_ns)
        self._screen.clear(column)
        self._u_ns = self._outlet.info.latency_ns
        self._changed_ns = self._partial_ns = self.deadline = None

    def _say(self, shown: LineShown, t_ns: int, partial: bool = False) -> None:
        leeway_ns = self._outlet.info.latency_ns // 2
        marks = shown.marks(self._char_ns, leeway_ns)
        u_ns = self._u_ns + leeway_ns
        link, line = self._outlet.link, self._line
        first_ns = shown.first_ns
        self._reports.wait(first_ns)
        report = self._reports.begins_at(shown.text)
        self._outlet.emit(Text(link, first_ns, u_ns, t_ns, line, shown.text, partial, marks, self._char_ns, report))
        if not partial:
            self._line += 1
            self._partial = None
            if report is not None:
                self._report(shown.text, t_ns, u_ns)

    def _report(self, text: str, t_ns: int, u_ns: int) -> None:
        """A whole line with lines of a report: say how far that has come."""
        reports = self._reports
        if reports.take(text, t_ns) and (measured := reports.measured) is not None:
            self._outlet.emit(Reported(self._outlet.link, t_ns, u_ns, reports.count, measured, not reports.inside))

    def _steer(self, t_ns: int) -> None:
        """Carry out the sequence that is done, as far as it concerns lines."""
        text = self._escapes.text
        self._outlet.counts.settle(self._escapes.abort())
        if text in ("c", "D", "E", "M"):
            self._end_line(t_ns)
            self._row = None
        elif text[:1] == "[" and (text[1:2].isdigit() or text[1:2] == ";" or len(text) == 2):
            self._csi(text[-1], parameters(text[1:-1]), t_ns)

    def _csi(self, final: str, numbers: list[int], t_ns: int) -> None:
        screen = self._screen
        first, here = numbers[0], screen.column
        count = first or 1
        if final in "Hf":
            if count != self._row:
                self._end_line(t_ns)
                self._row = count
            screen.move((numbers[1] if len(numbers) > 1 and numbers[1] else 1) - 1)
        elif final in "ABEFd":
            self._end_line(t_ns, 0 if final in "EF" else here)
            self._row = None
        elif final in MOVES:
            screen.move(MOVES[final](here, count))
        elif final == "J" and first >= 2:
            self._end_line(t_ns, here)
        elif wiped := WIPES.get((final, first if final != "X" else 0)):
            self._changed(screen.wipe(*wiped(here, count), t_ns), t_ns)
