"""A wrong speed is named by what is read at it; swapped links by what comes on them. Lines are sampled bit by bit."""

from __future__ import annotations

import random
from collections.abc import Iterable

import pytest
from links.uart_sim import plain, received

from benchd.decode.doctor import WINDOW, Doctor
from benchd.decode.misread import misread, sent_at
from benchd.vocabulary.hunting import STANDARD_RATES
from benchd.vocabulary.observations import Misfit
from benchd.vocabulary.records import Chunk, LineFault, LinkInfo, LinkState

BOOT = (
    b"Bench BIOS 1.02 for 286 boards\r\n00064 KB OK\r00128 KB OK\r00640 KB OK\r\n\r\nCPU 12 MHz, no coprocessor\r\n"
    b"Fixed disk 0: 40 MB  Keyboard OK\r\nstorage rom ready at C800\r\nStarting the system...\r\nA:\\>dir /w\r\n"
)
_RNG = random.Random(4)
CODES = bytes(_RNG.randrange(1, 0xF0) for _ in range(600))
POST, CONSOLE = LinkInfo("post", "post", "raw"), LinkInfo("console", "console", "text")


def counted(data: bytes) -> list[int]:
    return [data.count(bytes([value])) for value in range(256)]


def told(doctor: Doctor, *chunks: tuple[str, bytes]) -> list[Misfit]:
    return [found for n, (link, data) in enumerate(chunks) for found in doctor.feed(Chunk(link, n * 10**9, data))]


def test_reading_at_a_wrong_speed_is_that_of_another_receiver() -> None:
    """Two receivers, written apart (tests/links/uart_sim.py), take the same but where a sample falls on an edge."""
    for sent in STANDARD_RATES:
        for read in (rate for rate in STANDARD_RATES if sent < rate <= 8 * sent and rate % sent == 0):
            mine, other = misread(BOOT, sent, read), plain(received(BOOT, sent, read))
            same = sum(min(mine.count(value), other.count(value)) for value in set(other))
            assert same >= 0.8 * max(len(mine), len(other)), (sent, read)
    assert misread(BOOT, 9600, 9600) == BOOT


def test_the_right_speed_is_named_and_no_wrong_one() -> None:
    """Other text than the sample's, read at every pair of speeds. At half and a quarter of a speed it is named."""
    named = {}
    for sent in STANDARD_RATES:
        for read in (rate for rate in STANDARD_RATES if sent / 2 <= rate <= 4 * sent):
            got = plain(received(BOOT * 2, sent, read))[:1500]
            named[sent, read] = sent_at(counted(got), read)
    assert not {pair: rate for pair, rate in named.items() if rate not in (None, pair[0])}
    assert all(named[rate, rate] is None for rate in STANDARD_RATES)
    assert all(rate == sent for (sent, read), rate in named.items() if read in (2 * sent, 4 * sent))


@pytest.mark.parametrize("seed", range(4))
def test_noise_names_no_speed(seed: int) -> None:
    rng = random.Random(seed)
    assert sent_at(counted(bytes(rng.randrange(256) for _ in range(2000))), 9600) is None
    assert sent_at(counted(CODES), 9600) is None


@pytest.mark.parametrize(("sent", "read"), [(9600, 19200), (57600, 115200), (2400, 9600)])
def test_a_console_read_at_a_wrong_speed_is_told_with_the_right_one(sent: int, read: int) -> None:
    """The finding says which speed would read well; at that speed nothing is told."""
    link = LinkInfo("console", "console", "text", speed=read)
    found = told(Doctor([link]), ("console", plain(received(BOOT * 3, sent, read))))
    assert found and {one.what for one in found} == {"wrong-speed"}
    assert f"{sent} bit/s would read well" in found[-1].shows and f"speed = {sent}" in found[-1].advice[0]
    right = LinkInfo("console", "console", "text", speed=sent)
    slow = LinkInfo("console", "console", "text", speed=sent // 2)
    late = told(Doctor([slow]), ("console", plain(received(BOOT * 6, sent, sent // 2))))
    assert late and late[-1].advice[0].startswith(f"set a faster speed than {sent // 2}")
    assert told(Doctor([right]), ("console", BOOT * 2)) == []


def test_a_change_of_speed_begins_anew() -> None:
    """After the speed was set right nothing of what was read before counts."""
    doctor = Doctor([LinkInfo("console", "console", "text", speed=19200)])
    assert told(doctor, ("console", plain(received(BOOT * 4, 9600, 19200))))
    doctor.feed(LinkState("console", 10**9, True, "open", 9600))
    assert told(doctor, ("console", BOOT * 4)) == []


def test_swapped_links_are_told_from_either_side() -> None:
    """Text on the post link, codes on the console; and text on the post link with a console that is silent."""
    found = told(Doctor([POST, CONSOLE]), ("console", CODES[:40]), ("post", BOOT[:200]))
    assert [(one.what, one.link) for one in found] == [("swapped-links", "post")]
    assert "exchange the two ports" in found[0].advice[0]
    later = told(Doctor([POST, CONSOLE]), ("post", BOOT), ("console", CODES[:200]))
    assert [one.what for one in later] == ["swapped-links"]
    silent = told(Doctor([POST, CONSOLE]), ("post", BOOT * 2))
    assert {one.what for one in silent} == {"swapped-links"}
    alone = told(Doctor([POST]), ("post", BOOT * 2))
    assert alone and alone[0].advice == ('set kind = "console" for this link',)


def test_what_is_as_it_should_be_is_not_told() -> None:
    """Codes on the post link, text on the console, however much; framing errors below a third."""
    doctor = Doctor([POST, CONSOLE])
    assert told(doctor, *[("post", CODES), ("console", BOOT * 3)] * 5) == []
    doctor.feed(LineFault("post", 0, "framing", 20))
    assert told(doctor, ("post", CODES)) == []


@pytest.mark.parametrize("values", [range(0x21, 0x60), range(0x30, 0x4C), (0x0D, *range(0x20, 0x60))])
def test_codes_of_a_restart_loop_are_no_text(values: Iterable[int]) -> None:
    """Codes that happen to be printable, over and over, on a card's link beside a silent console: plugged well."""
    assert told(Doctor([POST, CONSOLE]), ("post", bytes(values) * 40)) == []


def test_framing_errors_on_a_raw_link_are_a_wrong_speed() -> None:
    """A third of all characters; which speed is not known, and nothing is claimed."""
    doctor = Doctor([POST])
    doctor.feed(LineFault("post", 0, "framing", 60))
    (found,) = told(doctor, ("post", CODES[:WINDOW]))
    assert found.what == "wrong-speed" and "60 framing errors" in found.shows and "would read well" not in found.shows


def test_delivery_does_not_matter() -> None:
    """Whole, byte by byte: the same is told, at the same time on a paced link."""
    data = plain(received(BOOT * 4, 9600, 19200))
    whole, single = (Doctor([LinkInfo("console", "console", "text", speed=19200)]) for _ in range(2))
    byte_ns = 520_833
    at_once = whole.feed(Chunk("console", len(data) * byte_ns, data))
    one_by_one = [
        f for n in range(len(data)) for f in single.feed(Chunk("console", (n + 1) * byte_ns, data[n : n + 1]))
    ]
    assert [(f.what, f.shows) for f in at_once] == [(f.what, f.shows) for f in one_by_one]
    assert all(abs(a.t_ns - b.t_ns) < 10**6 for a, b in zip(at_once, one_by_one, strict=True))
