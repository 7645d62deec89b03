"""Modem lines to power: a powered target's DTR shows as DSR and DCD over a full null modem."""

from __future__ import annotations

from benchd.decode import make_decoder
from benchd.vocabulary.observations import Code, Observation, Power
from benchd.vocabulary.records import Chunk, LinkInfo, LinkState, ModemLines

INFO = LinkInfo("post", "post", "raw")
MS = 1_000_000
T0 = 5_000_000_000


def lines(at_ms: float, dsr: bool, cd: bool | None = None) -> ModemLines:
    return ModemLines("post", T0 + round(at_ms * MS), True, dsr, False, dsr if cd is None else cd)


def powers(*records: ModemLines | LinkState) -> list[tuple[float, bool]]:
    """What a decoder says of power: (ms after T0, on)."""
    decoder = make_decoder(INFO)
    seen: list[Observation] = [one for record in records for one in decoder.feed(record)]
    seen += decoder.advance(records[-1].t_ns + 10**10)
    return [((one.t_ns - T0) / MS, one.on) for one in seen if isinstance(one, Power)]


def test_constant_lines_say_nothing() -> None:
    """Sockets and loop-back cables show constant lines, on or off, at every opening: never a Power."""
    for level in (True, False):
        assert powers(lines(0, level), lines(500, level), lines(900, level)) == []


def test_power_on_and_off_are_dated_to_the_change() -> None:
    """Each change that holds is said with the time at which it began."""
    assert powers(lines(0, False), lines(100, True), lines(5000, False)) == [(100, True), (5000, False)]


def test_either_line_is_enough() -> None:
    """DSR or CD: cables differ in which of them is wired, and both rise a little apart."""
    assert powers(lines(0, False), lines(100, False, True), lines(103, True, True)) == [(100, True)]
    assert powers(lines(0, False), lines(100, True, False)) == [(100, True)]


def test_other_lines_do_not_matter() -> None:
    """CTS and RI say nothing about power."""
    records = [ModemLines("post", T0 + n * 10**9, n % 2 == 0, False, n % 2 == 1, False) for n in range(5)]
    assert powers(*records) == []


def test_flicker_is_no_change() -> None:
    """A level must hold for 20 ms; bouncing contacts give one change, dated to the last beginning of it."""
    assert powers(lines(0, False), lines(100, True), lines(119, False)) == []
    assert powers(lines(0, False), lines(100, True), lines(105, False), lines(107, True)) == [(107, True)]
    assert powers(lines(0, False), lines(100, True), lines(121, False), lines(130, True)) == [(100, True)]


def test_change_while_the_link_was_away() -> None:
    """A level that changed while the adapter was away is a change, as uncertain as the absence was long."""
    decoder = make_decoder(INFO)
    decoder.feed(lines(0, True))
    decoder.feed(LinkState("post", T0 + 1000 * MS, False, "unplugged"))
    decoder.feed(LinkState("post", T0 + 4000 * MS, True, "opened"))
    decoder.feed(lines(4001, False))
    (power,) = decoder.advance(T0 + 5000 * MS)
    assert power == Power("post", T0 + 4001 * MS, INFO.latency_ns + 4001 * MS, False)


def test_settling_keeps_the_order() -> None:
    """A code that comes while a change settles is said first; the change moves behind it and u grows."""
    decoder = make_decoder(INFO)
    decoder.feed(lines(0, False))
    decoder.feed(lines(100, True))
    (code,) = decoder.feed(Chunk("post", T0 + 110 * MS, b"\x01"))
    (power,) = decoder.advance(T0 + 200 * MS)
    assert isinstance(code, Code) and isinstance(power, Power)
    assert power == Power("post", T0 + 110 * MS, INFO.latency_ns + 10 * MS, True)
