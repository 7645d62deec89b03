"""Decoding: what arrived on a link becomes observations. Pure: time comes in with the data.

decoder = make_decoder(info)
seen = decoder.feed(record)     # for each record of the link, in order of arrival
seen = decoder.advance(t_ns)    # when nothing came up to t_ns
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from benchd.decode.counts import Counts
from benchd.decode.framings import FRAMINGS, FramingKind, framing_of, framings_of
from benchd.decode.link import LinkDecoder, Outlet
from benchd.errors import UsageError
from benchd.vocabulary.observations import Decoded
from benchd.vocabulary.records import Chunk, LinkInfo, Record

__all__ = ["FRAMINGS", "Counts", "Decoder", "FramingKind", "framing_of", "framings_of", "make_decoder"]


class Decoder(Protocol):
    """Decodes one link. Observations have ascending `at_ns` and do not depend on how often `advance` comes."""

    @property
    def counts(self) -> Counts:
        """Where every byte went; always bytes_in == decoded + pending + sum(refused.values())."""

    @property
    def deadline(self) -> int | None:
        """When something will be said though nothing comes, or None."""

    def feed(self, record: Record) -> list[Decoded]:
        """Decode one record (Chunk, LinkState, ModemLines, LineFault of this link), in order of arrival.

        Deadlines at or before the record's time fire first. Never raises for what came over the wire.
        """

    def feed_all(self, chunks: Sequence[Chunk]) -> list[Decoded]:
        """Decode chunks of this link, as `feed` would one after the other."""

    def advance(self, t_ns: int) -> list[Decoded]:
        """Fire every deadline at or before `t_ns`; all records up to `t_ns` must have been fed."""


def make_decoder(info: LinkInfo) -> Decoder:
    """Return a decoder for the link. Raises UsageError for an unknown framing, pattern, speed or encoding."""
    row = framing_of(info)
    if info.tick_s is not None and not 0 < info.tick_s < float("inf"):
        what = f"tick_s {info.tick_s} must be above 0 s"
        raise UsageError(f"link {info.name}: {what}: give the length of a card tick")
    outlet = Outlet(info)
    return LinkDecoder(info, row.make(outlet), outlet)
