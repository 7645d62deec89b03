"""What opens the door: the token, or a session signed with it; how late a wrong token is answered.

A person logs in with a form and then carries a signed cookie; a program sends `Authorization: Bearer`. The
token is in no address. Sessions are signed with the token itself, so they outlive the daemon and end with the
token; those that were ended before their time are kept in a file until then.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import json
import logging
import secrets
import threading
from collections import OrderedDict
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.errors import UsageError

if TYPE_CHECKING:
    from benchd.settings import LoadedSettings

SESSIONS = "sessions-ended.json"
"""In the data folder: sessions that were ended by a logout."""

log = logging.getLogger(__name__)

SESSION_S = 30 * 24 * 3600
ENDED_MOST = 1000
"""Sessions ended before their time that are kept; beyond it every session of before ends."""
WRONG_S, WRONG_MOST_S = 0.5, 8.0
"""The first wrong token of an address is answered this late; each further one twice as late, up to the second."""
FORGOTTEN_S = 600.0
ADDRESSES_MOST = 1024


def read_token(path: Path) -> str:
    """Return the token in a file. Raises UsageError if there is none or it is short."""
    try:
        token = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"http.token_file {path}: cannot be read: {error}") from None
    if len(token) < 16:
        raise UsageError(f"http.token_file {path}: {len(token)} characters; a token has 16 or more")
    return token


class Auth:
    """Judges tokens and sessions. `ended` is the file that remembers sessions ended by a logout."""

    def __init__(self, token: str, ended: Path | None = None) -> None:
        self._token = token.encode()
        self._file = ended
        self._lock = threading.Lock()
        self._ended: dict[str, int] = {}
        self._before = 0
        self.delays = Delays()
        if ended is not None and ended.exists():
            try:
                kept = json.loads(ended.read_text(encoding="ascii"))
                self._before, self._ended = int(kept["before"]), {str(k): int(v) for k, v in kept["ended"].items()}
            except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
                raise UsageError(f"{ended}: cannot be read ({error}); without it all sessions would be new: remove it "
                                 "and change the token") from None  # fmt: skip

    def token_fits(self, given: str) -> bool:
        """Compare in constant time."""
        return hmac.compare_digest(given.strip().encode(), self._token)

    def session(self, now_s: float) -> str:
        """Return a session value, good for `SESSION_S` from `now_s` (seconds since 1970)."""
        head = f"{int(now_s) + SESSION_S}.{secrets.token_hex(8)}"
        return f"{head}.{self._sign(head)}"

    def session_fits(self, value: str, now_s: float) -> bool:
        """Whether the value was signed with this token, is not over and was not ended."""
        head, _, mac = value.rpartition(".")
        if not hmac.compare_digest(mac.encode(), self._sign(head).encode()):
            return False
        until = int(head.partition(".")[0])
        return now_s < until and until - SESSION_S >= self._before and _digest(value) not in self._ended

    def end_session(self, value: str, now_s: float) -> None:
        """Make a session invalid, also after a restart; a value that is no session of ours changes nothing."""
        if not self.session_fits(value, now_s):
            return
        with self._lock:
            self._ended = {one: until for one, until in self._ended.items() if until > now_s}
            if len(self._ended) >= ENDED_MOST:
                self._ended, self._before = {}, int(now_s) + 1
            else:
                self._ended[_digest(value)] = int(value.partition(".")[0])
            if self._file is None:
                return
            fresh = self._file.with_suffix(".new")
            try:
                fresh.write_text(json.dumps({"before": self._before, "ended": self._ended}), encoding="ascii")
                fresh.replace(self._file)
            except OSError as error:
                log.warning("%s: cannot be written: %s; a restart would let an ended session in", self._file, error)

    def _sign(self, head: str) -> str:
        return hmac.new(self._token, f"benchd page {head}".encode(), "sha256").hexdigest()


def _digest(value: str) -> str:
    return hashlib.sha256(value.encode()).hexdigest()


class Delays:
    """How long an address waits for the answer to a wrong token; the newest `ADDRESSES_MOST` are remembered."""

    def __init__(self) -> None:
        self._wrong: OrderedDict[str, tuple[int, float]] = OrderedDict()

    def wrong(self, address: str, now_s: float) -> float:
        """Count a wrong token of an address at `now_s` (monotonic), and return the seconds to wait.

        IPv6 hosts choose among 2^64 addresses, so those count by their network.
        """
        try:
            parsed = ipaddress.ip_address(address)
            key = str(ipaddress.ip_network((parsed, 64), strict=False)) if parsed.version == 6 else address
        except ValueError:
            key = address
        count, last = self._wrong.pop(key, (0, now_s))
        count = 0 if now_s - last > FORGOTTEN_S else count
        self._wrong[key] = (count + 1, now_s)
        if len(self._wrong) > ADDRESSES_MOST:
            self._wrong.popitem(last=False)
        return min(WRONG_MOST_S, WRONG_S * 2 ** min(count, 32))

    def __len__(self) -> int:
        return len(self._wrong)


def auth_of(loaded: LoadedSettings) -> Auth | None:
    """Return who may come in, None for everybody. Raises UsageError for a token file that is no good."""
    token_path = loaded.resolve(loaded.settings.http.token_file)
    return Auth(read_token(token_path), loaded.data / SESSIONS) if token_path else None
