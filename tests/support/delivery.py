"""Deliver the same bytes three ways: whole, byte by byte, cut at random.

What a line delivers does not depend on how reads happen to cut it. `ways` makes the records, `essence` takes
the times out of observations, so that results can be compared; `times_agree` compares the times within their u.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from benchd.decode import Decoder, make_decoder
from benchd.vocabulary.observations import Observation, Text
from benchd.vocabulary.records import Chunk, LinkInfo
from benchd.vocabulary.times import byte_time_ns

START_NS = 1_000_000_000_000


def line_time_ns(info: LinkInfo) -> int:
    """The time of one byte on the line of `info`, in ns."""
    return byte_time_ns(info.speed, info.data_bits, info.parity, info.stop_bits)


def cut(info: LinkInfo, data: bytes, cuts: Sequence[int] = (), start_ns: int = START_NS) -> list[Chunk]:
    """Return `data` as chunks cut at `cuts`, sent without a pause at line speed from `start_ns` on."""
    ends = sorted({min(max(end, 0), len(data)) for end in cuts} | {len(data)})
    byte_ns = line_time_ns(info)
    chunks, begin = [], 0
    for end in ends:
        if end > begin:
            chunks.append(Chunk(info.name, start_ns + end * byte_ns, data[begin:end]))
            begin = end
    return chunks


def ways(info: LinkInfo, data: bytes, cuts: Sequence[int]) -> Iterator[list[Chunk]]:
    """Yield the three deliveries of `data`: whole, byte by byte, cut at `cuts`."""
    yield cut(info, data)
    yield cut(info, data, range(len(data)))
    yield cut(info, data, cuts)


def run(info: LinkInfo, chunks: Sequence[Chunk], settle_ns: int = 10_000_000_000) -> tuple[list[Observation], Decoder]:
    """Feed `chunks` to a new decoder, let `settle_ns` pass; return the observations and the decoder."""
    decoder = make_decoder(info)
    seen = [one for chunk in chunks for one in decoder.feed(chunk)]
    end_ns = chunks[-1].t_ns if chunks else START_NS
    return seen + decoder.advance(end_ns + settle_ns), decoder


def essence(seen: Sequence[Observation]) -> list[Observation]:
    """Return the observations without their times; partial lines left out, because they depend on pauses."""
    plain = []
    for one in seen:
        if isinstance(one, Text):
            if not one.partial:
                plain.append(replace(one, t_ns=0, u_ns=0, at_ns=0, marks=()))
        else:
            plain.append(replace(one, t_ns=0, u_ns=0))
    return plain


def times_agree(one: Sequence[Observation], other: Sequence[Observation]) -> bool:
    """Say whether two equal stories agree in their times within the uncertainties they state."""
    pairs = zip(final(one), final(other), strict=True)
    return all(abs(a.t_ns - b.t_ns) <= a.u_ns + b.u_ns for a, b in pairs)


def final(seen: Sequence[Observation]) -> list[Observation]:
    return [one for one in seen if not (isinstance(one, Text) and one.partial)]


def accounted(decoder: Decoder) -> bool:
    """Say whether every byte that came in is decoded, pending or refused."""
    counts = decoder.counts
    parts = [counts.decoded, counts.pending, *counts.refused.values()]
    return counts.bytes_in == sum(parts) and min(parts) >= 0
