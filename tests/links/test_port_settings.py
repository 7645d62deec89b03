"""Wrong settings are refused when made, with what is allowed; right ones are kept."""

from __future__ import annotations

import pytest

from benchd.errors import UsageError
from benchd.links.settings import PortSettings, hunt_order
from benchd.vocabulary.records import LinkInfo


@pytest.mark.parametrize(
    ("fields", "part"),
    [
        ({"port": ""}, "port"),
        ({"port": "a\0b"}, "port"),
        ({"port": "unix:///tmp/x"}, "no known scheme"),
        ({"port": "socket://127.0.0.1"}, "HOST:PORT"),
        ({"port": "socket://:5"}, "HOST:PORT"),
        ({"port": "socket://127.0.0.1:70000"}, "HOST:PORT"),
        ({"port": "rfc2217://h:5?poll_modem"}, "poll_modem"),
        ({"port": "/dev/x", "speed": 0}, "speed"),
        ({"port": "/dev/x", "speed": "fast"}, "speed"),
        ({"port": "/dev/x", "speed": True}, "speed"),
        ({"port": "/dev/x", "speed": 4_000_001}, "4000000"),
        ({"port": "/dev/x", "hunt_rates": (9600, -1)}, "speed"),
        ({"port": "/dev/x", "data_bits": 9}, "data_bits"),
        ({"port": "/dev/x", "parity": "n"}, "parity"),
        ({"port": "/dev/x", "stop_bits": 3}, "stop_bits"),
    ],
)
def test_refusals(fields: dict, part: str) -> None:
    """The message names the setting and what was given."""
    with pytest.raises(UsageError, match=part):
        PortSettings(**fields)


def test_of_link() -> None:
    """Settings follow the link's facts; "hunt" replaces the speed only."""
    info = LinkInfo("c", "console", "text", port="/dev/x", speed=19200, data_bits=7, parity="E", stop_bits=2)
    settings = PortSettings.of_link(info, dtr=False)
    assert (settings.port, settings.speed, settings.data_bits) == ("/dev/x", 19200, 7)
    assert (settings.parity, settings.stop_bits, settings.dtr) == ("E", 2, False)
    assert PortSettings.of_link(info, hunt=True).speed == "hunt"


def test_order_of_the_hunt() -> None:
    """Raw links from the fastest down, whatever order is asked for; others as asked."""
    assert hunt_order(PortSettings("/dev/x", "hunt"), False)[0] == 9600
    raw = hunt_order(PortSettings("/dev/x", "hunt"), True)
    assert list(raw) == sorted(raw, reverse=True)
    asked = PortSettings("/dev/x", "hunt", hunt_rates=(300, 9600, 1200))
    assert hunt_order(asked, False) == (300, 9600, 1200)
    assert hunt_order(asked, True) == (9600, 1200, 300)
