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

from benchd.decode.arrival import Piece, Spread, across, drift
from benchd.decode.charset import Charset
from benchd.decode.escapes import ESC, Escapes, EscapeStep
from benchd.decode.link import Framing, Outlet
from benchd.decode.report import ReportReader
from benchd.decode.screenline import LINE_LIMIT, LineShown, ScreenLine, marks_of
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
LINES_BYTES = 1024
"""So much is looked at for whole lines at once: where they are none, little was looked at in vain."""

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

    def set_byte_time(self, byte_ns: int) -> None:
        self._char_ns = byte_ns if self._outlet.info.paced else 0
        super().set_byte_time(byte_ns)
        self.together_ns = min(self.silence_ns, GROWING_NS)

    def byte(self, value: int, t_ns: int, u_ns: int) -> None:
        escapes, counts = self._escapes, self._outlet.counts
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
        """Take plain characters and ends of lines where nothing is overwritten, held or half."""
        if self._half:
            return 0
        screen = self._screen
        place, count = start, len(data)
        pieces = ((0, count, spread),)
        while place < count and screen.at_end:
            taken = self._lines(data, place, pieces, LINES_BYTES) if screen.only_added else 0
            taken = taken or self._piece(data, place, spread)
            if not taken:
                break
            place += taken
        self._outlet.counts.take(place - start)
        return place - start

    def run_all(self, data: bytes, pieces: Sequence[Piece]) -> int:
        taken = 0 if self._half or not self._screen.only_added else self._lines(data, 0, pieces, len(data))
        self._outlet.counts.take(taken)
        return taken

    @property
    def _half(self) -> bool:
        """Whether a character or a sequence is not whole yet, or a text was wiped out."""
        return self._escapes.open or self._charset.waiting > 0 or self._held is not None

    def _says_nothing(self, first_ns: int, last_ns: int) -> bool:
        """Whether no line is said for being unfinished from a byte to a later one, whatever comes between."""
        changed_ns, deadline = self._changed_ns, self.deadline
        if (deadline is not None and deadline <= last_ns) or last_ns - first_ns >= self.together_ns:
            return False
        return changed_ns is None or last_ns - changed_ns < GROWING_NS

    def _lines(self, data: bytes, start: int, pieces: Sequence[Piece], most: int) -> int:
        """Take lines, and what of one is there, as `_piece` would one by one; return how many bytes, not above `most`.

        Only where no line can be said for being unfinished while they come.
        """
        if not self._reports.idle or not self._says_nothing(pieces[0][2].at(0), pieces[-1][2].last_ns):
            return 0
        found = self._charset.lines.match(data, start, start + most)
        assert found is not None  # it may be empty
        text = self._charset.text_of(found[0])
        lines, place, odd = text.split("\n"), start, 0
        rest, screen = lines.pop(), self._screen
        easy = "~" not in text and text.count("\r") == text.count("\r\n")
        easy = easy and (len(text) <= LINE_LIMIT or max(map(len, lines), default=0) <= LINE_LIMIT)
        while odd < len(lines) and (screen.column or not easy):
            if not self._whole(lines[odd], place, pieces):
                return place - start
            place += len(lines[odd]) + 1
            odd += 1
        if odd < len(lines):
            place = self._even(lines[odd:] if odd else lines, place, pieces)
        return self._begun(rest, place, pieces) - start

    def _begun(self, rest: str, place: int, pieces: Sequence[Piece]) -> int:
        """Add what has come of a line that is not whole; return where the next byte stands."""
        first, end = place, place + len(rest)
        for begin, until, spread in pieces:
            if begin <= place < until and place < end:
                to = min(until, end)
                if not self._add(rest[place - first : to - first], place - begin, spread):
                    break
                place = to
        return place

    def _even(self, lines: Sequence[str], place: int, pieces: Sequence[Piece]) -> int:
        """Say lines, none of which was begun before; return where the next one begins."""
        outlet, char_ns, number = self._outlet, self._char_ns, self._line
        link, latency_ns, most_u_ns = outlet.link, outlet.info.latency_ns, self._u_ns
        leeway_ns, piece, until, level = latency_ns // 2, -1, 0, 0
        seen: list[Decoded] = []
        for whole in lines:
            end = place + len(whole)
            while until <= place:
                piece += 1
                begin, until, spread = pieces[piece]
                first, step_ns = spread.line
                base_ns, paced, u_ns = first - begin * step_ns, spread.paced, spread.u(until - begin - 1)
                level = begin + (spread.level if step_ns == char_ns else spread.count)
            if text := whole.rstrip():
                if level <= place and end < until:
                    first_ns, at_ns = base_ns + place * step_ns, base_ns + end * step_ns
                    marks: tuple[tuple[int, int], ...] = ((0, first_ns),)
                    if not paced:
                        u_ns = spread.u(place - begin)
                    most_ns = (u_ns if u_ns > most_u_ns else most_u_ns) + leeway_ns
                elif level <= place and (drift_ns := drift(pieces[piece:], end, leeway_ns)) is not None:
                    first_ns = base_ns + place * step_ns
                    at_ns, marks = base_ns + end * step_ns + drift_ns, ((0, first_ns),)
                    most_ns = (u_ns if u_ns > most_u_ns else most_u_ns) + leeway_ns
                else:
                    body = place + len(whole.rstrip("\r"))
                    runs, odd_u_ns, at_ns = across(pieces[piece:], place, body, end)
                    first_ns, marks = runs[0][1], marks_of(runs, len(text), char_ns, leeway_ns)
                    most_ns = max(odd_u_ns, most_u_ns) + leeway_ns
                seen.append(Text(link, first_ns, most_ns, at_ns, number, text, False, marks, char_ns, None))
                number += 1
            most_u_ns = latency_ns
            place = end + 1
        if seen:
            outlet.emit_all(seen)
            self._line, self._partial = number, None
        self._u_ns = latency_ns
        self._changed_ns = self._partial_ns = self.deadline = None
        self._row = None if self._row is None else self._row + len(lines)
        return place

    def _whole(self, whole: str, place: int, pieces: Sequence[Piece]) -> bool:
        """Say a line that begins or goes on at `place`, unless it overwrites itself or may be a report's."""
        screen, body = self._screen, whole.rstrip("\r")
        column, size, latency_ns = screen.column, len(body), self._outlet.info.latency_ns
        if "\r" in body or "~" in body or screen.holds("~") or column + size > LINE_LIMIT:
            return False
        text, runs = screen.take()
        more, u_ns, at_ns = across(pieces, place, place + size, place + len(whole), column)
        if size:
            self._u_ns = max(self._u_ns, u_ns)
            text, runs = text + body, [*runs, *more]
        if text := text.rstrip():
            marks = marks_of(runs, len(text), self._char_ns, latency_ns // 2)
            line, u_ns = self._line, self._u_ns + latency_ns // 2
            seen = Text(self._outlet.link, runs[0][1], u_ns, at_ns, line, text, False, marks, self._char_ns, None)
            self._outlet.emit_all([seen])
            self._line, self._partial = line + 1, None
        self._u_ns = latency_ns
        self._row = None if self._row is None else self._row + 1
        self._changed_ns = self._partial_ns = self.deadline = None
        return True

    def _piece(self, data: bytes, place: int, spread: Spread) -> int:
        """Take plain characters, and the line's end if it follows; return how many bytes."""
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
        when = min(t_ns + self.silence_ns, self._changed_ns + GROWING_NS)
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
