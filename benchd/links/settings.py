"""How a port is opened and read."""

from __future__ import annotations

import urllib.parse
from dataclasses import dataclass
from typing import Final, Literal

from benchd.errors import UsageError
from benchd.links.lines import STANDARD_RATES
from benchd.vocabulary.records import LinkInfo

HUNT: Final = "hunt"
MAX_RATE = 4_000_000
KNOWN_SCHEMES = ("socket", "rfc2217", "loop", "alt", "hwgrep", "spy", "cp2110")
"""URL schemes that pyserial brings; anything else is a path."""


@dataclass(frozen=True, slots=True)
class PortSettings:
    """Settings of one port; checked when made.

    `port` is a device path or a pyserial URL. `speed` is in bit/s or "hunt". `modem_lines` asks for the modem
    lines to be watched where the port has them. `dtr` and `rts` are what this side asserts: a self-built card
    may reset itself on DTR. `hunt_rates` are the rates that "hunt" tries, or () for the standard ones in the
    order that suits the framing. `latency_known`: how late bytes are was set by hand, and is not measured.
    """

    port: str
    speed: int | Literal["hunt"] = 9600
    data_bits: int = 8
    parity: Literal["N", "E", "O", "M", "S"] = "N"
    stop_bits: float = 1
    modem_lines: bool = True
    dtr: bool = True
    rts: bool = True
    hunt_rates: tuple[int, ...] = ()
    latency_known: bool = False

    def __post_init__(self) -> None:
        if not self.port or "\0" in self.port:
            raise UsageError("port: a device path or a URL is needed, such as /dev/ttyUSB0 or socket://HOST:PORT")
        if "://" in self.port:
            self._check_url()
        for rate in (*(() if self.speed == HUNT else (self.speed,)), *self.hunt_rates):
            if not isinstance(rate, int) or isinstance(rate, bool) or not 1 <= rate <= MAX_RATE:
                raise UsageError(f'speed: {rate!r} is not in 1..{MAX_RATE}; give bits per second, or "hunt"')
        if self.data_bits not in (5, 6, 7, 8):
            raise UsageError(f"data_bits: {self.data_bits!r} is not 5, 6, 7 or 8")
        if self.parity not in ("N", "E", "O", "M", "S"):
            raise UsageError(f"parity: {self.parity!r} is not N, E, O, M or S")
        if self.stop_bits not in (1, 1.5, 2):
            raise UsageError(f"stop_bits: {self.stop_bits!r} is not 1, 1.5 or 2")

    def _check_url(self) -> None:
        scheme = self.port.split("://", 1)[0].lower()
        if scheme not in KNOWN_SCHEMES:
            known = ", ".join(f"{name}://" for name in KNOWN_SCHEMES)
            raise UsageError(f"port: {self.port!r} starts with no known scheme; known are {known}, or give a path")
        if scheme not in ("socket", "rfc2217"):
            return
        try:
            parts = urllib.parse.urlsplit(self.port)
            fine = bool(parts.hostname) and parts.port is not None
        except ValueError:
            fine = False
        if not fine:
            raise UsageError(f"port: {self.port!r} is not {scheme}://HOST:PORT with a port in 1..65535")
        if "poll_modem" in urllib.parse.parse_qs(parts.query, keep_blank_values=True):
            raise UsageError(
                f"port: {self.port!r} asks for poll_modem, which makes reading wait for the "
                "far end; leave it out (servers tell changes of modem lines by themselves)"
            )

    @classmethod
    def of_link(cls, info: LinkInfo, *, hunt: bool = False, **more: object) -> PortSettings:
        """Return the settings that `info` states; `hunt` replaces its speed, `more` adds other fields."""
        return cls(
            port=info.port,
            speed=HUNT if hunt else info.speed,
            data_bits=info.data_bits,
            parity=info.parity,
            stop_bits=info.stop_bits,
            **more,  # type: ignore[arg-type]
        )


def hunt_order(settings: PortSettings, any_byte: bool) -> tuple[int, ...]:
    """Return the rates to try, in order.

    A link that carries any byte is tried from the fastest down: a receiver that is too slow sees well-formed
    characters (the rest of each is idle line), so only the fastest rate without framing errors can be right.
    """
    if any_byte:
        return tuple(sorted(settings.hunt_rates or STANDARD_RATES, reverse=True))
    return settings.hunt_rates or (9600, 115200, 19200, 38400, 57600, 2400, 1200, 4800, 300, 600, 150, 110)
