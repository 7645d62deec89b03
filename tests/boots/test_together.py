"""Records judged in one go, and boots judged without telling of each line: the same as one record after the other."""

from __future__ import annotations

import random

import pytest
from boots.test_boot_invariants import RICH
from boots.test_deadline_kept import SLOW
from decode.test_runs import LINKS, life
from support.pipelines import MS, new_pipeline
from support.story import POST

from benchd.vocabulary.events import CodeSeen, LineSeen
from benchd.vocabulary.records import Chunk, LinkInfo, Record

CONSOLE = LINKS["fast"]


def lives(rng: random.Random, links: tuple[LinkInfo, ...]) -> list[Record]:
    """What comes on a console, and codes between where there is a card; some of the text is of rules."""
    records = life(CONSOLE, rng)
    for place in range(len(records) - 1, 0, -1):
        if rng.random() < 0.2:
            t_ns = records[place].t_ns
            told: Record = Chunk(
                "console", t_ns, rng.choice((b"BIOS v1\r\n", b"\nPress F1\n", b"\rTesting memory\r\n"))
            )
            if len(links) > 1 and rng.random() < 0.5:
                told = Chunk("post", t_ns - rng.randint(0, 90) * MS, rng.randbytes(3))
            records.insert(place, told)
    return records


@pytest.mark.parametrize("table", [RICH, SLOW], ids=["rich", "slow"])
@pytest.mark.parametrize("links", [(CONSOLE,), (POST, CONSOLE)], ids=["alone", "with a card"])
def test_together_is_as_one_by_one(links: tuple[LinkInfo, ...], table: str) -> None:
    for seed in range(6):
        rng = random.Random(f"{len(links)} {seed}")
        records = lives(rng, links)
        one_by_one, together, quiet = (new_pipeline(table, links) for _ in range(3))
        quiet.tracker.shows = False
        told, boots, place = [], [], 0
        while place < len(records):
            part = records[place : place + rng.randint(1, 8)]
            place += len(part)
            told += together.feed_all(part)
            boots += quiet.feed_all(part)
        expected = [event for record in records for event in one_by_one.feed(record)] + one_by_one.drain()
        assert told + together.drain() == expected
        others = [event for event in expected if not isinstance(event, CodeSeen | LineSeen)]
        assert boots + quiet.drain() == others
