"""One thread per port: reads, stamps arrival at the read call, delivers records, and opens the port again and
again.

It never waits for anything downstream: `deliver` must return at once (a `SimpleQueue.put`), and what lies
there is the receiver's to bound. While the speed is hunted, what was read at a wrong speed is left out and
counted.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import random
import select
import termios
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from benchd.links import marks
from benchd.links.absence import WAIT_MS, Absence
from benchd.links.gathering import Gathering
from benchd.links.hold import Hold
from benchd.links.hunt import Hunter, Lock, Move, Unlock
from benchd.links.lines import SCHEDULER_NS
from benchd.links.opening import READ_TIMEOUT_S, Lines, Opener, OpenPort, leftover, read_some
from benchd.links.settings import HUNT, PortSettings, hunt_order
from benchd.links.terminal import UnfitFormat
from benchd.links.tries import Retry, Tries
from benchd.links.trouble import State, Trouble, why_gone, why_not_open
from benchd.vocabulary.hunting import HuntScoring
from benchd.vocabulary.records import Annotation, Chunk, LineFault, LinkInfo, LinkState, ModemLines, Record
from benchd.vocabulary.times import byte_time_ns

Deliver = Callable[[Record], None]

READ_LIMIT = 4096
"""Bytes taken by one read; what is left comes with the next."""

LINES_POLL_S = 0.02
"""Modem lines and fault counters are looked at this often: a change is stamped up to this much late."""

SHIFTS = itertools.cycle(range(0, 800_000, 100_000))
"""So long after the instants that all full lines share each link is read (ns): threads that wake at once get in each
other's way."""
READ_ERRORS = (OSError, ValueError, termios.error, TypeError, AttributeError)
"""What reading or setting the speed raises when a port goes away (the last two: pyserial's closed ports)."""


@dataclass(frozen=True, slots=True)
class ReaderStatus:
    """What a reader is doing. `bytes_read` counts received characters, `left_out` those hunted away, `opened` how often
    the port was opened. `users` are other programs that have it open as well; `latency_ns` is how late a byte may be.
    """

    link: str
    port: str
    state: State
    reason: str
    speed: int | None
    confidence: float | None
    bytes_read: int
    left_out: int
    opened: int
    failed: int
    modem_lines: bool
    marks: bool
    faults: dict[str, int]
    last_byte_ns: int | None
    users: tuple[str, ...]
    latency_ns: int | None


class LinkReader:
    """Reads the port of one link. `start` once, `stop` once; `status` from any thread.

    `deliver` is called from the reader's thread with records in order of time. `clock` returns monotonic ns.
    `opener` stands in for `serial.serial_for_url`. `scoring` judges the bytes while hunting.
    """

    def __init__(
        self,
        info: LinkInfo,
        settings: PortSettings,
        deliver: Deliver,
        *,
        clock: Callable[[], int] = time.monotonic_ns,
        rng: random.Random | None = None,
        opener: Opener | None = None,
        retry: Retry | None = None,
        scoring: HuntScoring | None = None,
    ) -> None:
        self.info, self.settings = info, settings
        if settings.speed == HUNT and scoring is None:
            raise ValueError("hunting the speed needs the scoring of the link's framing")
        self._clock, self._scoring = clock, scoring
        self._rng = rng if rng is not None else random.Random()
        self._retry = retry if retry is not None else Retry()
        self._hold = Hold(deliver)
        self._stop = threading.Event()
        self._wake_r, self._wake_w = -1, -1
        self._thread = threading.Thread(target=self._run, name=f"link {info.name}", daemon=True)
        self._state: State = "new"
        self._reason = "not started"
        self._speed: int | None = None
        self._bytes = self._opened = self._failed = 0
        self._last_byte: int | None = None
        self._faults: dict[str, int] = {"break": 0, "framing": 0, "parity": 0, "overrun": 0}
        self._port: OpenPort | None = None
        self._hunter: Hunter | None = None
        self._parser = marks.MarkParser("parity" if settings.parity != "N" else "framing")
        self._lines: Lines | None = None
        self._next_look = 0
        self._waiting: list[tuple[bytes, int]] = []
        """What was read, and when, that goes on with the next read."""
        self._told_left_out = 0
        self._tries = Tries(settings, f'{info.name} (port = "{settings.port}")', opener)

    # -- for the owner

    def start(self) -> None:
        """Begin to open and read, in a thread of its own."""
        self._wake_r, self._wake_w = os.pipe()
        os.set_blocking(self._wake_w, False)
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Stop reading and close the port; return whether the thread has ended within `timeout_s`."""
        self._stop.set()
        if self._wake_w >= 0:
            with contextlib.suppress(OSError):
                os.write(self._wake_w, b"x")
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        if self._thread.is_alive():
            return False
        for fd in (self._wake_r, self._wake_w):
            if fd >= 0:
                os.close(fd)
        self._tries.close()
        self._wake_r = self._wake_w = -1
        return True

    def status(self) -> ReaderStatus:
        """Return what the reader is doing right now."""
        port, hunter = self._port, self._hunter
        return ReaderStatus(
            link=self.info.name,
            port=self.settings.port,
            state=self._state,
            reason=self._reason,
            speed=self._speed,
            confidence=hunter.confidence if hunter is not None else None,
            bytes_read=self._bytes,
            left_out=self._hold.left_out,
            opened=self._opened,
            failed=self._failed,
            modem_lines=port is not None and port.has_lines,
            marks=port is not None and port.marked,
            faults=dict(self._faults),
            last_byte_ns=self._last_byte,
            users=self._tries.users,
            latency_ns=port.timing.latency_ns if port is not None else None,
        )

    # -- the thread

    def _run(self) -> None:
        try:
            self._keep_open()
        except Exception as error:
            # A fault of our own must not look like a quiet machine.
            fault = f"{type(error).__name__}: {error}"
            self._down(Trouble("unfit", f"{self.settings.port}: reading ended by a fault of benchd ({fault})"))
            raise
        finally:
            self._tries.closed()

    def _keep_open(self) -> None:
        attempt, prompted = 0, False
        self._state, self._reason = "opening", f"opening {self.settings.port}"
        while not self._stop.is_set():
            port = self._tries.open(self._first_rate())
            if isinstance(port, OpenPort):
                began = self._clock()
                trouble = self._serve(port)
                prompted = False
                # A port that opens and falls at once is no success: its waits go on growing.
                if self._clock() - began >= self._retry.steady_s * 1e9:
                    attempt = 0
            else:
                self._failed, trouble = self._failed + 1, port
            if trouble is None:
                break
            if not prompted:  # a device that has just come may still lack its rights: that is no news yet
                self._down(trouble)
            wait_s = self._retry.wait_s(attempt, self.settings.port, self._rng)
            prompted = self._tries.wait(wait_s, self._stop, self._wake_r)
            attempt += 1
        if self._state == "up":
            self._down(Trouble("stopped", f"{self.settings.port}: closed on request"))
        self._state, self._reason = "stopped", "closed on request"

    def _first_rate(self) -> int:
        if self.settings.speed != HUNT:
            return int(self.settings.speed)
        # A replugged adapter starts with the speed that was right before.
        return self._speed or self._rates()[0]

    def _down(self, trouble: Trouble) -> None:
        """Tell of `trouble` once: not for each attempt, and not that an unplugged port is absent as well."""
        same = trouble.state == self._state or (trouble.state == "absent" and self._state in ("gone", "swapped"))
        if same:
            return
        self._hold.drop()
        self._state, self._reason = trouble.state, trouble.message
        self._hold.deliver(LinkState(self.info.name, self._clock(), False, trouble.message, None))

    def _tell_up(self, port: OpenPort, t: int, reason: str, speed: int | None) -> LinkState:
        """Take down that the link is up, and how; return the record of it."""
        self._speed = speed if speed is not None else self._speed
        if users := self._tries.users:
            reason += f"; also open in {', '.join(users)}, which takes bytes away: close that program"
        self._state, self._reason = "up", reason
        latency = None if self.settings.latency_known else port.timing.latency_ns
        return LinkState(self.info.name, t, True, reason, speed, latency)

    def _serve(self, port: OpenPort) -> Trouble | None:
        """Read `port` until it fails (return why) or the reader is stopped (return None)."""
        self._port, self._opened = port, self._opened + 1
        self._parser.flush()
        self._lines, self._next_look = None, 0
        try:
            self._up(port)
            self._look(port)
            if port.fd is not None:
                return self._read_descriptor(port, port.fd)
            return self._read_calls(port)
        except UnfitFormat as error:
            return why_not_open(error, self.settings.port)
        except READ_ERRORS as error:
            return None if self._stop.is_set() else why_gone(error, self.settings.port)
        finally:
            self._hand_on(port)
            self._hunter = None
            self._take(port, self._parser.flush() + leftover(port), self._clock(), parse=False)
            self._port = None
            port.close()
            self._tries.closed()

    def _up(self, port: OpenPort) -> None:
        t = self._clock()
        pulsed = self._opened > 1 and not (self.settings.dtr and self.settings.rts)
        again = [f"opened {self._opened} times so far"] if pulsed else []
        self._hunter = None
        speed: int | None = port.rate
        reason = f"open at {port.format}"
        if port.kind == "socket":
            speed, reason = None, "connected"
        elif self.settings.speed == HUNT:
            speed, reason = self._begin_hunt(port)
        self._hold.holding = self._hunter is not None and self._hunter.state == "seeking"
        self._hold.deliver(self._tell_up(port, t, "; ".join((reason, *port.notes, *again)), speed))

    def _rates(self) -> tuple[int, ...]:
        return hunt_order(self.settings, self._scoring is not None and self._scoring.any_byte)

    def _begin_hunt(self, port: OpenPort) -> tuple[int | None, str]:
        """Set the hunt and the port up; return the speed, if there is one to begin with, and what to say."""
        assert self._scoring is not None
        rates = self._rates()
        self._hunter = hunter = Hunter(rates, self._scoring, port.marked)
        taken = hunter.begin()
        if taken is not None:
            port.set_rate(taken.rate)
            return taken.rate, taken.reason
        if self._speed is not None and port.rate in rates:
            # Replugged: what was found still holds until garbage says otherwise.
            hunter.rate, hunter.state = port.rate, "locked"
            return port.rate, f"open at {port.format}, the speed found before"
        port.set_rate(hunter.rate)
        among = ", ".join(map(str, rates))
        return None, f"open, hunting the speed among {among}; nothing is passed on until it is found"

    def _read_descriptor(self, port: OpenPort, fd: int) -> Trouble | None:
        poll = select.poll()
        poll.register(fd, select.POLLIN)
        poll.register(self._wake_r, select.POLLIN)
        looks = port.has_lines or port.counters is not None
        absence, gathering = Absence(self._clock()), Gathering(self._clock(), next(SHIFTS))
        rest_ns = 0
        while not self._stop.is_set():
            data = None
            wait_ms = 0 if rest_ns else WAIT_MS
            asked = self._clock() + wait_ms * 1_000_000
            if answer := poll.poll(wait_ms):
                # The read asks once more: what had come by the answer may have come long before this instant.
                asked, data = self._clock(), _came(answer, fd)
            t = self._clock()  # with no answer it was asked last when the wait was over, no sooner (poll(2))
            if data == b"":
                return why_gone(None, self.settings.port)
            size, byte_ns = len(data or b""), self._pace_ns(port)
            if away := absence.away(asked, t, bool(data), size * byte_ns):
                self._hand_on(port)
                self._attend(away, t)
                gathering.thin()
            rest_ns = gathering.rest_ns(asked, t, size, byte_ns)
            if data:
                self._waiting.append((data, t))
            if not (data and rest_ns and gathering.together(asked)):
                self._hand_on(port)
            if t >= self._next_look or self._hunter is not None:
                self._pause(port, t, looks)
            if rest_ns:
                time.sleep(rest_ns / 1e9)
        return None

    def _hand_on(self, port: OpenPort) -> None:
        """Deliver what was read and not delivered yet."""
        if waiting := self._waiting:
            self._waiting = []
            for data, t in waiting:
                self._take(port, data, t)

    def _read_calls(self, port: OpenPort) -> Trouble | None:
        absence = Absence(self._clock(), int(READ_TIMEOUT_S * 1e9) + SCHEDULER_NS)
        while not self._stop.is_set():
            # Without a descriptor this call is where time passes; see READ_TIMEOUT_S.
            data = read_some(port, READ_LIMIT)
            t = self._clock()
            self._attend(absence.away(t, t, bool(data)), t)
            if data:
                self._take(port, data, t)
            if not port.has_lines and self.settings.modem_lines:
                # An RFC 2217 server tells its lines when it likes.
                port.has_lines = port.lines() is not None
            self._pause(port, t, port.has_lines)
        return None

    def _attend(self, away: int, t: int) -> None:
        """Say from when to now this thread was away, if for longer than the stated uncertainty allows."""
        if away:
            self._hold.deliver(Annotation(t - away, "attention", f"{away / 1e9:.9f}"))

    def _pause(self, port: OpenPort, t: int, looks: bool) -> None:
        """Between reads: look at lines, counters and others when it is time, let the hunt see time pass."""
        if t >= self._next_look:
            self._next_look = t + int(LINES_POLL_S * 1e9)
            if looks:
                self._look(port)
            if port.fd is not None and self._tries.others(port):
                users = self._tries.users
                reason = f"open at {port.format}" + ("" if users else "; no other program has it open any more")
                self._hold.deliver(self._tell_up(port, t, reason, self._speed))
        if self._hunter is not None and self._hunter.state == "seeking":
            self._hold.expire(t)
            self._decide(port, self._hunter.tick(t), t)

    def _look(self, port: OpenPort) -> None:
        t = self._clock()
        if port.has_lines:
            lines = port.lines()
            if lines is not None and lines != self._lines:
                self._lines = lines
                self._hold.deliver(ModemLines(self.info.name, t, *lines))
        if port.counters is not None and port.fd is not None:
            counters = marks.read_counters(port.fd)
            if counters is not None:
                self._count(port, counters.since(port.counters), t)
                port.counters = counters

    def _count(self, port: OpenPort, more: marks.Counters, t: int) -> None:
        """Tell of faults that only the counters show: overruns always, the rest where data is not marked."""
        told = [("overrun", more.overrun)]
        if not port.marked:
            told += [("break", more.breaks), ("framing", more.framing), ("parity", more.parity)]
        bad = 0
        for fault, count in told:
            if count > 0:
                bad += count if fault in ("framing", "break") else 0
                self._fault(fault, t, count)
        if bad and self._hunter is not None:
            self._decide(port, self._hunter.feed(t, b"", bad), t)

    def _fault(self, fault: str, t: int, count: int) -> None:
        self._faults[fault] += count
        self._hold.deliver(LineFault(self.info.name, t, fault, count))  # type: ignore[arg-type]

    def _take(self, port: OpenPort, data: bytes, t: int, parse: bool = True) -> None:
        """Deliver what one read brought, stamped `t`; faults stand where the driver marked them."""
        if not data:
            return
        pieces: list[bytes | marks.Fault] = self._parser.feed(data) if port.marked and parse else [data]
        received = b"".join([piece for piece in pieces if isinstance(piece, bytes)])
        self._bytes += len(received)
        if received:
            self._last_byte = t
        # Each piece but the last arrived earlier by the characters behind it.
        behind, each = len(received), self._pace_ns(port)
        floor = self._hold.last_ns
        for piece in pieces:
            if isinstance(piece, bytes):
                behind -= len(piece)
                at = max(floor, t - behind * each)
                self._hold.deliver(Chunk(self.info.name, at, piece))
            else:
                self._fault(piece, max(floor, t - behind * each), 1)
        if self._hunter is not None:
            bad = sum(not isinstance(piece, bytes) for piece in pieces)
            self._decide(port, self._hunter.feed(t, received, bad), t)

    def _pace_ns(self, port: OpenPort) -> int:
        """Return how long a byte takes where they come at the pace of the line, else 0."""
        settings = self.settings
        if not self.info.paced:
            return 0
        return byte_time_ns(port.rate, settings.data_bits, settings.parity, settings.stop_bits)

    def _decide(self, port: OpenPort, decision: Move | Lock | Unlock | None, t: int) -> None:
        match decision:
            case Move():
                self._hold.drop()
                port.set_rate(decision.rate)
            case Lock():
                left_out = self._hold.left_out - self._told_left_out
                self._told_left_out = self._hold.left_out
                reason = decision.reason + (f"; {left_out} read before that left out" if left_out else "")
                self._hold.release(self._tell_up(port, t, reason, decision.rate))
            case Unlock():
                self._speed, self._reason = None, decision.reason
                self._hold.deliver(LinkState(self.info.name, t, True, decision.reason, None))
                self._hold.holding = True
                port.set_rate(decision.rate)


def _came(answer: Sequence[tuple[int, int]], fd: int) -> bytes | None:
    """Read what came, where the answer of poll(2) is not only that somebody woke the thread."""
    if answer[0][0] != fd and len(answer) == 1:
        return None
    try:
        return os.read(fd, READ_LIMIT)
    except BlockingIOError:
        return None
