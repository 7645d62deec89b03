"""What archives ask: understood or refused, one after the other. Hostile until it is understood. Knows no network."""

from __future__ import annotations

import logging
from collections import deque

from pydantic import ValidationError

from benchd.checkwords import first_words
from benchd.harmless import clean
from benchd.sinks.mqtt.payloads import AskRequest

log = logging.getLogger(__name__)

MOST_BYTES = 65_536
"""Of an ask; the broker is told that no more is taken."""
WAITING = 4
"""Asks that wait while one is answered; an archive asks again what was refused."""
MOST, WITHIN_S = 30, 60.0
"""So many asks are taken in this time at most."""
KNOWN = 200
"""Asks that are remembered, so that a doubled delivery is not answered twice."""
SAID_S = 60.0
"""A refusal is said in the log this often at most."""


class Asks:
    """The asks that wait. `answered` and `refused` count; the time `now_s` only grows."""

    def __init__(self) -> None:
        self.answered = self.refused = 0
        self._waiting: deque[AskRequest] = deque()
        self._known: deque[tuple[str, str]] = deque(maxlen=KNOWN)
        self._taken_s: deque[float] = deque(maxlen=MOST)
        self._said_s = float("-inf")

    def hear(self, payload: bytes, retained: bool, now_s: float) -> bool:
        """Take an ask as it came; return whether it waits now to be answered."""
        if len(payload) > MOST_BYTES:
            return self._refuse(f"it has {len(payload):,} bytes, at most {MOST_BYTES:,} are read", now_s)
        if retained:
            return self._refuse("it is retained, and would be heard at every start: publish asks without that", now_s)
        try:
            ask = AskRequest.model_validate_json(payload)
        except ValidationError as error:
            return self._refuse(first_words(error), now_s)
        name = (ask.archive, ask.ask)
        if name in self._known:
            return False
        if len(self._waiting) >= WAITING:
            return self._refuse(f"{WAITING} others wait to be answered", now_s)
        if len(self._taken_s) == MOST and now_s - self._taken_s[0] < WITHIN_S:
            return self._refuse(f"{MOST} were taken in {WITHIN_S:g} s", now_s)
        self._taken_s.append(now_s)
        self._known.append(name)
        self._waiting.append(ask)
        log.info("mqtt: the archive %s asks to be told again: %s", clean(ask.archive, 64), _what(ask))
        return True

    def next(self) -> AskRequest | None:
        """Take the oldest ask that waits."""
        return self._waiting.popleft() if self._waiting else None

    def _refuse(self, why: str, now_s: float) -> bool:
        self.refused += 1
        if now_s - self._said_s >= SAID_S:
            self._said_s = now_s
            log.warning("mqtt: an ask was refused (%d so far): %s", self.refused, clean(why, 200))
        return False


def _what(ask: AskRequest) -> str:
    if ask.missing is not None:
        return f"{sum(last - first + 1 for first, last in ask.missing)} events that did not arrive"
    return "everything" if ask.since is None else f"all since {clean(ask.since, 40)}"
