"""The picture of this moment: right after each event, bounded, and no listener is ever waited for."""

from __future__ import annotations

import asyncio

from sinks.story import S, Teller
from support.pipelines import HandClock

from benchd.sinks.page_feed import CODES_SHOWN, LINE_LENGTH, LINES_SHOWN, MachinePicture, PageFeed
from benchd.vocabulary.events import AlarmSilenced, BootChanged, BootOver, LineSeen, LossSeen


def make() -> PageFeed:
    sink = PageFeed()
    sink.add("at286", "t", ["early", "memory"], ["post", "console"])
    return sink


def line(n: int, text: str, partial: bool = False, link: str = "console") -> LineSeen:
    return LineSeen("at286", n, 0, link, "b1", 1.0, n, text, partial)


def test_before_anything() -> None:
    """LoadedStudy machines have a picture with links that are not open; unknown ones are ignored."""
    sink = make()
    picture = sink.picture("at286")
    assert picture.boot is None and picture.boot_for_s is None and picture.quiet_for_s is None
    assert {name: link.up for name, link in picture.links.items()} == {"post": False, "console": False}
    sink.offer(Teller("other").started())
    assert sink.machines() == ["at286"] and sink.version == 0


def test_a_boot_is_followed() -> None:
    """Stage, codes, text, losses, the alarm: as last told; the next boot clears them."""
    sink, t = make(), Teller()
    for event in (t.started(), t.code(0.1, "20"), t.stage(0.1, "memory"), line(1, "640"), line(1, "640K OK")):
        sink.offer(event)
    sink.offer(LossSeen("at286", 0, "post", "merged", 2))
    sink.offer(LossSeen("at286", 0, "post", "merged", 3))
    sink.offer(t.raised(5.0))
    sink.offer(BootChanged("at286", 0, t.boot("old", "stalled")))
    now = sink.picture("at286")
    assert now.boot is not None and (now.boot.id, now.stage) == ("b1", "memory")
    assert [c.code for c in now.codes] == ["20"] and [x.text for x in now.lines] == ["640K OK"]
    assert now.losses == {"merged": 5} and now.standing is not None and now.standing.kind == "stall"
    assert now.stage_for_s is not None and now.stage_for_s >= 0
    MachinePicture.model_validate_json(now.model_dump_json(by_alias=True))
    sink.offer(t.started(9.0, "b2"))
    now = sink.picture("at286")
    assert now.boot is not None and now.boot.id == "b2"
    assert (now.stage, now.standing, now.codes, now.lines, now.losses) == (None, None, [], [], {})


def test_only_what_stands_can_be_over() -> None:
    """Clearing another finding leaves the alarm that stands."""
    sink, t = make(), Teller()
    sink.offer(t.started())
    sink.offer(t.raised(5.0))
    sink.offer(t.cleared(6.0, 1.0, "quiet", "quiet"))
    assert sink.picture("at286").standing is not None
    sink.offer(t.cleared(7.0, 2.0))
    assert sink.picture("at286").standing is None


def test_everything_is_bounded() -> None:
    """Floods of codes and lines, and endless lines, leave a picture of fixed size."""
    sink, t = make(), Teller()
    sink.offer(t.started())
    for n in range(1000):
        sink.offer(t.code(0.1, f"{n % 256:02X}"))
        sink.offer(line(n, "x" * 100_000))
    now = sink.picture("at286")
    assert (len(now.codes), len(now.lines)) == (CODES_SHOWN, LINES_SHOWN)
    assert now.codes[-1].code == f"{999 % 256:02X}" and len(now.lines[-1].text) == LINE_LENGTH


def test_a_picture_does_not_change_afterwards() -> None:
    """What was handed out stays as it was; the next picture is new."""
    sink, t = make(), Teller()
    sink.offer(t.started())
    before = sink.picture("at286")
    sink.offer(t.code(0.1, "20"))
    assert before.codes == [] and len(sink.picture("at286").codes) == 1


def test_a_slow_listener_holds_names_only() -> None:
    """One that never reads costs nothing; when it reads it gets each name once. One that leaves is forgotten."""

    async def work() -> None:
        sink, t = make(), Teller()
        changes = sink.changes()
        first = asyncio.ensure_future(anext(changes))
        await asyncio.sleep(0)
        for n in range(10_000):
            sink.offer(t.code(0.1, f"{n % 256:02X}"))
        assert sink.status()["queued"] == 1
        assert await first == {"at286"}
        sink.offer(t.code(0.2, "01"))
        sink.describe("at286", trial="a")
        assert await anext(changes) == {"at286"}
        await changes.aclose()
        assert sink.status()["queued"] == 0 and not sink._listeners

    asyncio.run(work())


def test_closing_ends_listeners() -> None:
    """The stream of a listener that waits ends with the sink."""

    async def work() -> None:
        sink = make()

        async def listen() -> list[set[str]]:
            return [names async for names in sink.changes()]

        listening = asyncio.ensure_future(listen())
        await asyncio.sleep(0)
        sink.touch("at286")
        await sink.close()
        await asyncio.wait_for(listening, 30)

    asyncio.run(work())


def test_a_silenced_alarm_stands_and_says_how_long() -> None:
    """The picture tells how long nothing is to be heard; a new boot's alarm is not silent."""
    clock = HandClock(0)
    sink, t = PageFeed(clock), Teller()
    sink.add("at286", "t", [], [])
    sink.offer(t.started())
    sink.offer(AlarmSilenced("at286", 0, "stall", "rom-never-returns", 600 * S))
    sink.offer(t.raised(5.0))
    assert sink.picture("at286").silent_for_s is None, "nothing stood when that came"
    sink.offer(AlarmSilenced("at286", 0, "stall", "rom-never-returns", 600 * S))
    now = sink.picture("at286")
    assert (now.standing is not None, now.silent_for_s) == (True, 600.0)
    clock.now_ns = 599 * S
    assert sink.picture("at286").silent_for_s == 1.0
    clock.now_ns = 601 * S
    assert sink.picture("at286").silent_for_s is None
    sink.offer(t.started(602.0, "b2"))
    sink.offer(t.raised(610.0, id_="b2"))
    assert sink.picture("at286").silent_for_s is None


def test_the_last_boot_of_earlier_runs_is_shown_until_there_is_one() -> None:
    """It says so itself; a boot that a recovery finished later takes its place; a boot of this run ends that."""
    sink, t = make(), Teller()
    old = t.boot("old", "running", ended=None, last_stage="memory", last_code="20")
    sink.remember(old)
    now = sink.picture("at286")
    assert now.boot == old and (now.remembered, now.stage, now.stage_for_s) == (True, "memory", None)
    assert now.boot_for_s is not None and now.boot_for_s > 0
    done = t.boot("old", "cut-short", ended="2026-01-02T03:04:09+00:00")
    sink.offer(BootOver("at286", 0, done))
    assert sink.picture("at286").boot == done
    newer = t.boot("newer", "finished", started="2026-01-02T04:00:00+00:00", ended="2026-01-02T04:01:00+00:00")
    sink.offer(BootOver("at286", 0, newer))
    sink.offer(BootOver("at286", 0, done))
    assert sink.picture("at286").boot == newer
    sink.offer(t.started(9.0, "b2"))
    sink.remember(old)
    now = sink.picture("at286")
    assert now.boot is not None and (now.boot.id, now.remembered, now.stage) == ("b2", False, None)
