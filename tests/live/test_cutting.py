"""One boot of an evening, cut out: the same record, whatever was before and after it, and no names in it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest
from boots.test_rotation import LIFE, Bench
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from live.by_capture import NS, POST, codes, write
from live.test_trace import CONSOLE, STEP, WALL_NS, life
from support.card_frames import encode_frame
from support.reports import as_sent, random_world
from support.story import TABLE

from benchd.capture import CaptureWriter, read_capture
from benchd.decode.benchframe import CardWrite, Frame
from benchd.errors import UsageError
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation, Chunk, LinkInfo, LinkState
from benchd.watch import cutting
from benchd.watch.cutting import Cutter
from benchd.watch.rebuild import as_ended, boots_in
from benchd.watch.replay import Replay

NOT_THE_SAME = {"id", "machine", "trial", "started", "ended", "passes_of"}


def facts(boot: Boot) -> dict[str, object]:
    """All that a record says besides names and the date."""
    return boot.model_dump(exclude=NOT_THE_SAME) | {"was a pass": boot.passes_of is not None, "ended": bool(boot.ended)}


def recut(paths: list[Path], out: Path, name: str = "other") -> Iterator[tuple[Boot, Boot, cutting.Cut]]:
    """Each boot of some captures that is over, and that which a replay of its own file gives."""
    cutter = Cutter()
    for number, (boot, path) in enumerate(boots_in(Replay(paths), [])):
        boot = as_ended(boot)
        cut = cutter.cut(boot, path, name)
        file = out / f"out-{number}.cut"
        cut.write(file, [])
        found = {one.id: one for one in map(as_ended, Replay([file]).boots())}
        yield boot, found[name + boot.id.removeprefix(boot.machine)], cut


@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    steps=st.lists(STEP, max_size=40),
    gaps=st.lists(st.sampled_from([1, 20, 150, 700, 2500]), min_size=1, max_size=5),
)
def test_a_boot_of_any_life_is_the_same_alone(
    steps: list[tuple[str, object]], gaps: list[int], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Two links, half lines, stalls, lost links, loops, trials and learned limits, in files cut anywhere."""
    folder = tmp_path_factory.mktemp("life")
    paths = []
    for number, records in enumerate(life(steps, gaps)):
        paths.append(folder / f"{number}.pcapng")
        with CaptureWriter(
            paths[-1], machine="pc", table="story", links=[POST, CONSOLE], wall_ns=WALL_NS, mono_ns=0
        ) as w:
            t = records[0].t_ns if records else NS
            for record in (Annotation(t, "table", TABLE), Annotation(t, "again", "0"), *records):
                w.write(record)
    for boot, alone, cut in recut(paths, folder):
        assert facts(alone) == facts(boot)
        assert cut.off_s == 0


@settings(deadline=None, max_examples=5, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(life=LIFE)
def test_a_boot_of_a_watched_machine_over_several_files(
    life: list[tuple[str, int]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Files as the watcher writes them, begun between boots, with what was in force said again."""
    bench = Bench(tmp_path_factory.mktemp("life"))
    bench.live(life)
    for boot, alone, _ in recut(bench.captures, bench.folder):
        assert facts(alone) == facts(boot)


def test_a_boot_with_a_report_and_one_whose_card_loses_codes(tmp_path: Path) -> None:
    """What the machine's processor read stays whole; what was lost stays lost."""
    sent = as_sent(random_world(Random(3)).report())
    records = [*codes(1), Chunk("console", 3 * NS, sent), *codes(60), Annotation(120 * NS, "end", "stopped")]
    lossy = LinkInfo("post", "post", "raw", lossy=True)
    path = write(tmp_path / "a.pcapng", records, text=TABLE, links=[lossy, CONSOLE])
    pairs = list(recut([path], tmp_path))
    assert len(pairs) == 2 and any(boot.measured is not None for boot, _, _ in pairs)
    for boot, alone, _ in pairs:
        assert facts(alone) == facts(boot)


def test_a_card_s_clock_that_an_evening_has_settled(tmp_path: Path) -> None:
    """Alone the card's ticks are known less well: the times may differ by what is told, nothing else does."""
    link = LinkInfo("post", "post", "bench", tick_s=1e-4)
    records = []
    for number in range(120):
        t_ns = (1 + 5 * number) * NS
        for at, code in enumerate((0x01, 0x05, 0x20, 0x40, 0xAA)):
            frame = Frame(5 * number + at, (t_ns + at * NS // 3) // 100_000, (CardWrite(code, 0x80),))
            records.append(Chunk("post", t_ns + at * NS // 3 + (number * 7919 % 900_000), encode_frame(frame)))
    path = write(tmp_path / "a.pcapng", records, text=TABLE, links=[link])
    boot = as_ended(boots_in(Replay([path]), [])[-2][0])
    cut = Cutter().cut(boot, path, "other")
    cut.write(tmp_path / "one.cut", [])
    (alone,) = Replay([tmp_path / "one.cut"]).boots()
    assert cut.others == () and 0 < cut.off_s < cutting.SLACK_S and len(boot.stages) == 4
    assert [(stage.name, stage.t) for stage in as_ended(alone).stages] == [(s.name, s.t) for s in cut.boot.stages]
    for one, other in zip(alone.stages, boot.stages, strict=True):
        assert one.name == other.name and abs(one.t - other.t) <= min(cut.off_s, one.u + other.u)


def test_no_name_is_left_in_it(tmp_path: Path) -> None:
    """Port paths, names of links, reasons that name programs, trials and machine are in no byte of the file."""
    named = LinkInfo("kitchen-adapter", "post", "raw", port="/dev/serial/by-id/usb-SECRET-if00")
    said = [LinkState("kitchen-adapter", NS // 2, True, "/dev/serial/by-id/usb-SECRET-if00 opened for bob")]
    said += [Annotation(NS // 2, "trial", "T77")]
    records = [*said, *(Chunk("kitchen-adapter", one.t_ns, one.data) for one in codes(1))]  # type: ignore[union-attr]
    end = Annotation(60 * NS, "end", "stopped by bob")
    path = write(tmp_path / "a.pcapng", [*records, end], machine="bobs-pc", text=TABLE, links=[named])
    ((boot, alone, _),) = recut([path], tmp_path)
    data = (tmp_path / "out-0.cut").read_bytes()
    for secret in (b"SECRET", b"kitchen", b"bob", b"T77"):
        assert secret in path.read_bytes() and secret not in data
    assert facts(alone) == facts(boot) and alone.machine == "other" and alone.trial is None
    assert read_capture(tmp_path / "out-0.cut").links[0].name == "post"
    kept = Cutter().cut(boot, path, "other", trials=True)
    assert kept.boot.trial == "T77"


def test_an_evening_s_file_need_not_be_sent_for_one_boot(tmp_path: Path) -> None:
    """Of two hundred boots one is in the file; the boots beside it are not."""
    records = [record for number in range(200) for record in codes(1 + 20 * number)]
    path = write(tmp_path / "a.pcapng", records, text=TABLE)
    boots = boots_in(Replay([path]), [])
    cut = Cutter().cut(boots[100][0], path, "other")
    cut.write(tmp_path / "one.pcapng", [])
    assert cut.others == () and len(cut.records) < 10
    assert [facts(boot) for boot in Replay([tmp_path / "one.pcapng"]).boots()] == [facts(boots[100][0])]


def test_a_record_that_the_capture_does_not_give_is_refused(tmp_path: Path) -> None:
    """The stored boot was judged by another table since: what was exported would be another boot."""
    path = write(tmp_path / "a.pcapng", [*codes(1), Annotation(60 * NS, "end", "stopped")], text=TABLE)
    ((boot, _),) = boots_in(Replay([path]), [])
    with pytest.raises(UsageError, match=r"does not give the stored record .* `benchd boots judge --as-recorded"):
        Cutter().cut(boot.model_copy(update={"codes": 99}), path, "other")
    with pytest.raises(UsageError, match=r"a\.pcapng does not hold boot pc-x: it holds other boots"):
        Cutter().cut(boot.model_copy(update={"id": "pc-x"}), path, "other")
    with pytest.raises(UsageError, match="still runs"):
        Cutter().cut(boot.model_copy(update={"outcome": "running"}), path, "other")
