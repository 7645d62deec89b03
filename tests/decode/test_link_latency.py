"""How late bytes may be is what the open port says, once it has said so."""

from __future__ import annotations

from benchd.decode import make_decoder
from benchd.vocabulary.observations import Code
from benchd.vocabulary.records import Chunk, LinkInfo, LinkState

MS = 1_000_000
BYTE_NS = 1_041_667
"""8N1 at 9600: ten bits (TIA-232 framing)."""


def u_of(*states: LinkState) -> int:
    """Return the uncertainty of a code that comes after `states`, on a link whose settings say 21 ms."""
    decoder = make_decoder(LinkInfo("post", "post", "raw", latency_ns=21 * MS))
    for state in states:
        decoder.feed(state)
    seen = [*decoder.feed(Chunk("post", 10**9, b"\x30")), *decoder.advance(2 * 10**9)]
    return next(one.u_ns for one in seen if isinstance(one, Code))


def test_the_open_port_says_how_late_bytes_are() -> None:
    """A USB adapter's timer of 16 ms became 1 ms at opening: u is what is in force then; without word it stays."""
    assert u_of() == 21 * MS + BYTE_NS
    assert u_of(LinkState("post", 1, True, "open", 9600, 6 * MS)) == 6 * MS + BYTE_NS
    assert u_of(LinkState("post", 1, True, "open", 9600)) == 21 * MS + BYTE_NS
    down = LinkState("post", 2, False, "gone")
    assert u_of(LinkState("post", 1, True, "open", 9600, 6 * MS), down) == 6 * MS + BYTE_NS
