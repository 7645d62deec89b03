"""What must hold of boots: where they start and end, what stalls, loops, skips, comes late or slow."""

from __future__ import annotations

import pytest
from support.story import POST, TABLE, Story, findings

from benchd.vocabulary.events import (
    BootOver,
    BootSettled,
    BootStarted,
    FindingCleared,
    FindingRaised,
    LossSeen,
    StageEntered,
)
from benchd.vocabulary.models import Boot
from benchd.vocabulary.observations import Lost, Text
from benchd.vocabulary.records import Annotation
from benchd.vocabulary.times import NS

GOOD = (
    (0.0, "01"), (0.1, "05"), (0.5, "20"), (3.0, "24"), (4.0, "40"), (4.2, "> storage rom ready"), (5.0, "AA"),
)  # fmt: skip


def test_a_good_boot_has_its_stages_times_and_no_findings() -> None:
    """Stages carry seconds from the start code; the boot finishes with the final stage."""
    story = Story().tell(*GOOD, until=10)
    (boot,) = story.boots
    assert boot.outcome == "finished"
    assert [(s.name, s.t) for s in boot.stages] == [
        ("early", 0.1), ("memory", 0.5), ("rom-scan", 4.0), ("storage-rom", 4.2), ("hand-over", 5.0),
    ]  # fmt: skip
    assert boot.last_stage == "hand-over" and boot.last_code == "AA" and boot.codes == 6
    assert findings(boot) == []
    assert len(story.of(BootOver)) == len(story.of(BootStarted)) == 1


def test_known_stall_is_provisional_and_names_what_to_try() -> None:
    """Silence after code 40 is the known stall after 5 s; progress clears it and tells how long it stood."""
    story = Story().tell(*GOOD[:5], until=9.5)
    (boot,) = story.boots
    assert boot.outcome == "stalled"
    (stall,) = boot.findings
    assert (stall.kind, stall.rule, stall.stage, stall.code, stall.t, stall.limit_s, stall.limit_kind) == (
        "stall", "rom-never-returns", "rom-scan", "40", 9.0, 5.0, "explicit",
    )  # fmt: skip
    assert stall.try_ == ["take the card out", "another image"] and stall.caution
    story.tell((12.0, "AA"), until=15)
    (boot,) = story.boots
    assert boot.outcome == "finished" and boot.findings[0].cleared_t == 12.0
    (cleared,) = story.of(FindingCleared)
    assert cleared.stood_s == pytest.approx(3.0)


def test_a_stall_that_stands_is_settled_and_over_with_the_next_start() -> None:
    """Settled when it has stood for 5 s, over when the next boot starts, each once."""
    story = Story().tell(*GOOD[:5], until=13.9)
    assert not story.of(BootSettled)
    story.tell(until=50)
    (settled,) = story.of(BootSettled)
    assert settled.boot.outcome == "stalled" and settled.boot.ended is None and not story.of(BootOver)
    story.tell(*((t + 60, what) for t, what in GOOD), until=80)
    assert story.outcomes == ["stalled", "finished"]
    assert [e.boot.outcome for e in story.of(BootOver)] == ["stalled", "finished"]
    assert len(story.of(BootSettled)) == 1


def test_press_a_key_to_continue_is_settled_as_stalled_and_over_as_finished() -> None:
    """The everyday case: it waits for a key for a minute, is told as stalled, goes on and finishes: that is final."""
    story = Story().tell(*GOOD[:5], until=60).tell((61.0, "40"), (62.0, "AA"), until=70)
    assert [e.boot.outcome for e in story.of(BootSettled)] == ["stalled"]
    (over,) = story.of(BootOver)
    assert over.boot.outcome == "finished" and over.boot == story.boots[0]


def test_a_boot_cut_short_is_over_when_the_next_goes_elsewhere() -> None:
    """A finger on reset, then a good boot: at its first new stage it is known that the first was no pass of a loop."""
    story = Story().tell((0, "01"), (0.1, "05"), (1.0, "01"), (1.1, "05"))
    assert [e.boot.outcome for e in story.of(BootSettled)] == ["cut-short"] and not story.of(BootOver)
    story.tell((1.3, "20"))
    assert [(e.boot.outcome, e.boot.passes_of) for e in story.of(BootOver)] == [("cut-short", None)]


def test_passes_of_a_loop_are_over_as_looped_never_as_cut_short() -> None:
    """What is told as final is what the record says: earlier passes wait until it is known what they were."""
    story = Story().tell(*((n * 2.0 + t, code) for n in range(4) for t, code in ((0, "01"), (0.1, "05"))), until=9)
    over = [e.boot for e in story.of(BootOver)]
    assert [boot.outcome for boot in over] == ["looped"] * len(over) and len(over) >= 2
    assert over == story.boots[:-1] and story.outcomes[-1] == "looped"


def limits(boot: Boot) -> list[tuple[str, float | None, str | None, float]]:
    return [(f.rule, f.limit_s, f.limit_kind, f.t) for f in boot.findings]


def test_unknown_stall_uses_the_stage_limit_then_the_table_quiet() -> None:
    """In a stage with a limit that limit counts, elsewhere the table's quiet; the finding says which."""
    memory = Story().tell((0, "01"), (0.1, "05"), (0.5, "20"), until=9.6).boots[0]
    assert limits(memory) == [("unknown", 9.0, "explicit", 9.5)]
    early = Story().tell((0, "01"), (0.1, "05"), until=31).boots[0]
    assert limits(early) == [("unknown", 30.0, "explicit", 30.1)]
    default = Story(TABLE.replace('quiet = "30s"', "")).tell((0, "01"), (0.1, "05"), until=61).boots[0]
    assert limits(default) == [("unknown", 60.0, "default", 60.1)]


def test_slow_is_alive_and_stalled_is_silent() -> None:
    """A memory test over its limit that still shows codes is slow; a silent one stalls, then was slow too."""
    alive = Story().tell((0, "01"), (0.1, "05"), *((0.5 + i, f"{0x20 + i % 5:02X}") for i in range(12)), until=12)
    assert ("slow", "memory") in findings(alive.boots[0]) and alive.outcomes == ["running"]
    silent = Story().tell((0, "01"), (0.1, "05"), (0.5, "20"), (12, "AA"), until=20)
    assert findings(silent.boots[0]) == [("stall", "unknown"), ("slow", "memory"), ("skipped", "storage-rom")]
    assert silent.outcomes == ["finished"]


def test_finished_without_an_expected_stage_is_skipped() -> None:
    """The boot finishes, but its option ROM never showed: a finding, though nothing hung."""
    story = Story().tell(*(s for s in GOOD if "storage" not in s[1]), until=10)
    assert story.outcomes == ["finished"]
    (skipped,) = story.boots[0].findings
    assert (skipped.kind, skipped.stage, skipped.t) == ("skipped", "storage-rom", 5.0)


def test_optional_may_be_absent_and_plain_may_not() -> None:
    """No rom-scan is fine; no memory test is a finding, unless the card is known to merge fast codes."""
    steps = tuple(s for s in GOOD if s[1] not in ("40", "20", "24"))
    assert findings(Story().tell(*steps, until=10).boots[0]) == [("skipped", "memory")]


def test_a_line_that_ends_after_the_final_code_still_counts() -> None:
    """The console line of the ROM may be flushed a moment after the final code: not skipped."""
    late = Text("console", int(4.8 * NS), 1000, int(5.2 * NS), 7, "storage rom ready", True)
    steps = tuple(s for s in GOOD if "storage" not in s[1])
    assert findings(Story().tell(*steps, (5.2, late), until=10).boots[0]) == []


def test_late_stage_is_told() -> None:
    """A stage that comes after a later one of the ladder is late; free order turns that off."""
    steps = ((0, "01"), (0.2, "20"), (0.5, "05"), (1, "> storage rom ready"), (2, "AA"))
    assert findings(Story().tell(*steps, until=5).boots[0]) == [("late", "early")]
    free = TABLE.replace('name = "story"', 'name = "story"\norder = "free"')
    assert findings(Story(free).tell(*steps, until=5).boots[0]) == []
    rule = TABLE + '[[order]]\nname = "rom-first"\nfirst = "storage-rom"\nthen = "rom-scan"\n'
    late = Story(rule).tell(*GOOD, until=9)
    assert findings(late.boots[0]) == [("late", "rom-first")]


def test_next_start_cuts_an_unfinished_boot_short() -> None:
    """A start code in the middle ends the boot there; the next one stands on its own."""
    story = Story().tell((0, "01"), (0.1, "05"), (2.0, "01"), *((t + 2, w) for t, w in GOOD[1:]), until=20)
    assert story.outcomes == ["cut-short", "finished"]
    assert story.boots[1].stages[0].t == pytest.approx(0.1)


def test_reset_loop_is_one_finding_with_sequence_and_period() -> None:
    """The same codes again and again: looped, however many passes; earlier passes point at the loop."""
    steps = [(i * 1.5 + dt, code) for i in range(40) for dt, code in ((0, "01"), (0.1, "05"), (0.5, "20"))]
    story = Story().tell(*steps, until=60)
    assert set(story.outcomes) == {"looped"} and len(story.boots) == 4
    carrier = story.boots[3]
    assert [b.passes_of for b in story.boots] == [carrier.id] * 3 + [None]
    (loop,) = [f for f in carrier.findings if f.kind == "loop"]
    assert loop.rule == "restart-loop" and loop.stage == "memory"
    assert "01 05 20, every 1.5 s" in (loop.detail or "")
    assert len([e for e in story.of(FindingRaised) if e.finding.kind == "loop"]) == 1


def test_a_loop_ends_when_a_pass_gets_further() -> None:
    """Progress beyond the loop's stages clears it and the boot goes on."""
    steps = [(i * 1.5 + dt, code) for i in range(4) for dt, code in ((0, "01"), (0.1, "05"))]
    story = Story().tell(*steps, (5.0, "20"), (6, "40"), (6.5, "> storage rom ready"), (7, "AA"), until=9)
    assert story.outcomes[-1] == "finished"
    assert any(isinstance(e, FindingCleared) and e.finding.kind == "loop" for e in story.events)


def test_resets_by_hand_are_not_a_loop() -> None:
    """Two restarts at very different places in time are a person's."""
    story = Story().tell((0, "01"), (0.1, "05"), (4.0, "01"), (4.1, "05"), (30.0, "01"), (30.1, "05"), until=31)
    assert story.outcomes == ["cut-short", "cut-short", "running"]


def test_codes_that_repeat_within_a_boot_fire_a_loop_rule() -> None:
    """A loop rule of the table fires after so many repeats, once."""
    table = TABLE + '[[loop]]\nname = "keyboard"\ncodes = ["05", "06"]\ntimes = 3\n'
    story = Story(table).tell((0, "01"), *((0.1 * i, "05" if i % 2 else "06") for i in range(1, 20)), until=3)
    assert findings(story.boots[0]) == [("loop", "keyboard")]


def test_quiet_after_power_on() -> None:
    """Power comes on and nothing follows: quiet is a stall point of its own."""
    story = Story().tell((0, "OFF"), (1, "ON"), until=22)
    (boot,) = story.boots
    assert boot.outcome == "stalled" and boot.start_reason == "power-on"
    assert [(f.kind, f.rule, f.t, f.limit_kind) for f in boot.findings] == [
        ("quiet", "quiet-after-power-on", 20.0, "default")
    ]
    story.tell((30, "01"), until=31)
    assert story.outcomes == ["running"] and story.boots[0].findings[0].cleared_t == 29.0


def test_power_off_ends_a_boot_and_life_after_it_starts_one() -> None:
    """Power off cuts the boot short; the first sign of life afterwards is a boot even without a start code."""
    story = Story().tell((0, "01"), (0.1, "05"), (1.0, "OFF"), until=5)
    assert story.outcomes == ["cut-short"] and story.boots[0].ended
    story.tell((6, "05"), until=7)
    assert story.outcomes == ["cut-short", "running"]
    assert story.boots[1].start_reason == "first sign of life after power-off"


def test_dtr_dropped_by_a_living_target_is_no_power_off() -> None:
    """Firmware that resets its UART drops DTR for a moment: codes go on, and so does the boot."""
    story = Story().tell((0, "01"), (0.1, "05"), (0.2, "OFF"), (0.5, "20"), (0.8, "ON"), *GOOD[3:], until=12)
    assert story.outcomes == ["finished"]


def test_last_link_lost_marks_the_boot_and_life_brings_it_back() -> None:
    """With no link left nothing can be judged: link-lost, never a stall; a sign of life resumes the boot."""
    story = Story(links=(POST,))
    story.tell((0, "01"), (0.1, "05"), (1.0, "DOWN"), until=100)
    assert story.outcomes == ["link-lost"] and not story.boots[0].findings
    assert len(story.of(BootSettled)) == 1 and not story.of(BootOver)
    story.tell((101, "UP"), (102, "20"), until=103)
    assert story.outcomes == ["running"]
    assert [(b.link, b.t, b.until, b.why) for b in story.boots[0].blind] == [("post", 1.0, 101.0, "down")]


def test_one_link_of_two_lost_suspends_the_judging_of_silence() -> None:
    """While the post link is away, silence is no evidence of a stall."""
    story = Story().tell((0, "01"), (0.1, "05"), (1.0, "DOWN"), until=100)
    assert story.outcomes == ["running"]
    story.tell((101, "UP"), until=132)
    assert story.outcomes == ["stalled"] and story.boots[0].findings[0].t == pytest.approx(131.0)


def test_floating_bus_is_not_progress() -> None:
    """FFh again and again, where FFh says nothing, is a bus nobody drives: told once, and no sign of life."""
    story = Story().tell((0, "01"), (0.1, "05"), *((1 + i, "FF") for i in range(40)), until=45)
    boot = story.boots[0]
    assert findings(boot) == [("fault", "floating-bus"), ("stall", "unknown")]
    assert boot.last_code == "05" and boot.outcome == "stalled"


def test_ffh_alone_starts_no_boot() -> None:
    """A card without a machine reads FFh; that is no boot, even where FFh is a stage of the table."""
    table = TABLE.replace('{ code = "AA" }', '{ code = "FF" }')
    assert Story(table).tell(*((i, "FF") for i in range(9)), until=20).boots == []
    steps = (*GOOD[:-1], (5.0, "FF"))
    assert Story(table).tell(*steps, until=20).outcomes == ["finished"]


def test_unknown_codes_are_told_once_each_and_bounded() -> None:
    """A code that no rule knows is a finding without alarm; where most are, the table is wrong, and that is one."""
    steps = [(0.001 * i, f"{0x50 + i:02X}") for i in range(1, 60)] * 2
    few = Story().tell((0, "01"), (0.1, "05"), *((1 + t, code) for t, code in steps[:5]), until=2)
    assert findings(few.boots[0]) == [("unknown-code", f"code-5{n}") for n in range(1, 6)]
    story = Story().tell((0, "01"), *steps, until=1)
    assert findings(story.boots[0]) == [("wrong-table", "story")]
    (wrong,) = story.boots[0].findings
    assert wrong.detail == "6 of 7 codes so far are not in it" and "benchd rules fit" in wrong.try_[0]
    more = ("05", "20", "21", "22", "23", "24", "40", "60", "61")
    later = [(1 + n / 1000, code) for n, code in enumerate(more)]
    assert findings(Story().tell((0, "01"), *steps[:7], *later, until=2).boots[0]) == [("wrong-table", "story")]
    spare = TABLE + "".join(f'[[code]]\ncode = "{n:02X}"\n' for n in range(0x80, 0x90))
    known = [(0.01 + n / 1000, f"{n:02X}") for n in range(0x80, 0x90)]
    half = Story(spare).tell((0, "01"), *known, *((0.1 + t, code) for t, code in steps[:9]), until=1)
    assert findings(half.boots[0]) == [("unknown-code", f"code-5{n}") for n in range(1, 10)]
    assert not any(e.alert for e in story.of(FindingRaised))
    quiet = Story(TABLE.replace('name = "story"', 'name = "story"\nunknown_codes = "ignore"'))
    assert quiet.tell((0, "01"), *steps, until=1).boots[0].findings == []


def test_word_codes_match_by_their_low_byte() -> None:
    """A 16-bit write is its low byte to the ladder (see firmware-notes/post-codes.md); shown whole."""
    story = Story().tell((0, "01"), (0.1, "05"), (0.2, "7A20"), until=1)
    assert [s.name for s in story.boots[0].stages] == ["early", "memory"]
    assert story.boots[0].last_code == "20"
    assert [e.code for e in story.events if type(e).__name__ == "CodeSeen"][-1] == "7A20"


def test_codes_of_another_port_are_shown_and_not_judged() -> None:
    """A table for port 80h takes no stage from port 300h, nor from the sign of life there."""
    table = TABLE.replace('name = "story"', 'name = "story"\nports = ["80"]')
    story = Story(table).tell((0, "80:01"), (0.1, "80:05"), (0.2, "300:20"), (0.3, "80:40"), until=1)
    assert [s.name for s in story.boots[0].stages] == ["early", "rom-scan"]
    assert [e.port for e in story.events if type(e).__name__ == "CodeSeen"] == [0x80, 0x80, 0x300, 0x80]
    both = TABLE.replace('{ code = "40" }', '{ code = "40", port = "300" }')
    story = Story(both).tell((0, "80:01"), (0.1, "80:40"), (0.2, "300:40"), until=1)
    assert [(s.name, s.t) for s in story.boots[0].stages] == [("rom-scan", 0.2)]


def test_joining_in_the_middle_is_not_a_boot_of_its_own_if_the_start_follows() -> None:
    """A line just before the start code belongs to the boot, whose start is the start code."""
    story = Story().tell((0, "> power good"), (0.4, "01"), *((t + 0.4, w) for t, w in GOOD[1:]), until=9)
    assert story.outcomes == ["finished"] and story.boots[0].stages[0].t == pytest.approx(0.1)


def test_a_boot_seen_from_the_middle_is_not_blamed_for_what_came_before() -> None:
    """No skipped findings for a boot whose start was not seen."""
    story = Story().tell((0, "40"), (1, "AA"), until=5)
    assert story.outcomes == ["finished"] and story.boots[0].findings == []


def test_fault_texts_and_checks_are_read_from_the_console_even_after_the_hand_over() -> None:
    """A test program runs after the boot: its results belong to that boot; faults alarm."""
    table = TABLE + (
        '[[fault]]\nname = "parity"\nseen = { text = "PARITY ERROR" }\nmeans = "memory"\ntry = ["reseat"]\n'
        '[[check]]\nname = "video-memory"\npass = "video memory: ok"\nfail = "video memory: bad"\n'
    )
    story = Story(table).tell(*GOOD, (9, "> PARITY ERROR 1"), (10, "> video memory: bad at 3F"), until=20)
    boot = story.boots[0]
    assert findings(boot) == [("fault", "parity")]
    assert [(c.name, c.passed, c.t) for c in boot.checks] == [("video-memory", False, 10.0)]
    assert boot.outcome == "finished"


def test_text_stage_time_is_that_of_the_matched_characters() -> None:
    """Consoles interleave: a banner in the middle of a line counts from its own first character."""
    marks = ((0, NS), (8, 3 * NS))
    line = Text("console", NS, 1000, int(3.5 * NS), 0, "BIOS v1.storage rom ready", False, marks, 0)
    story = Story().tell((0, "01"), (3.5, line), until=4)
    assert [(s.name, s.t) for s in story.boots[0].stages] == [("storage-rom", 3.0)]


def test_a_line_told_twice_fires_its_rules_once() -> None:
    """A partial line and its final form are one line: no second start, no second sign of life."""
    table = TABLE.replace('starts = [{ code = "01" }]', 'starts = [{ text = "BIOS" }]')
    first = Text("console", 0, 1000, NS // 4, 0, "BIOS", True)
    last = Text("console", 0, 1000, 2 * NS, 0, "BIOS v1", False)
    story = Story(table).tell((0.25, first), (2, last), until=3)
    assert len(story.boots) == 1


def test_second_start_mark_is_the_same_boot() -> None:
    """Start by code, then the banner that is a start mark too: one boot."""
    table = TABLE.replace('starts = [{ code = "01" }]', 'starts = [{ code = "01" }, { text = "BIOS" }]')
    story = Story(table).tell((0, "01"), (0.2, "> BIOS v1"), (0.3, "05"), (9, "01"), (9.2, "> BIOS v1"), until=10)
    assert story.outcomes == ["cut-short", "running"]


def test_trial_and_learned_limits_arrive_as_labels() -> None:
    """Boots carry the trial named before them, and judge by a learned limit, saying so."""
    label = Annotation(0, "limit", "memory=2.5:learned-normal:7")
    trial = Annotation(0, "trial", "T3")
    table = TABLE.replace('limit = "9s"', 'limit = "9s"\nfloor = "1s"')
    story = Story(table).tell((0, label), (0, trial), (0, "01"), (0.1, "05"), (0.5, "20"), until=4)
    boot = story.boots[0]
    assert boot.trial == "T3"
    assert [(f.kind, f.limit_s, f.limit_kind, f.t) for f in boot.findings] == [("stall", 2.5, "learned-normal", 3.0)]


def test_a_learned_limit_never_goes_below_the_floor() -> None:
    """Without a floor of its own a stage keeps half of the limit that a person wrote."""
    label = Annotation(0, "limit", "memory=2.5:learned-normal:7")
    steps = ((0, label), (0, "01"), (0.1, "05"), (0.5, "20"))
    assert limits(Story().tell(*steps, until=6).boots[0]) == [("unknown", 4.5, "learned-normal", 5.0)]


def test_losses_are_counted_on_the_boot() -> None:
    """Codes known to be lost are part of the record: a missing code is no proof."""
    story = Story().tell((0, "01"), (0.1, Lost("post", NS // 10, 0, "sequence gap", 3)), (0.2, "05"), until=1)
    assert story.boots[0].lost == 3 and len(story.of(LossSeen)) == 1


def test_endless_babble_keeps_the_record_small() -> None:
    """A machine that stalls and stirs for days: at most 200 findings are kept, and time still passes."""
    steps = [(31.0 * i, "05") for i in range(1, 400)]
    story = Story().tell((0, "01"), *steps, until=31.0 * 400)
    assert len(story.boots[0].findings) == 200
    assert story.outcomes == ["stalled"]


def test_stage_events_tell_how_long_the_stage_before_took() -> None:
    """The histogram needs the length of each stage."""
    story = Story().tell(*GOOD, until=9)
    assert [(e.stage, e.previous, e.previous_s) for e in story.of(StageEntered)][1:3] == [
        ("memory", "early", 0.4), ("rom-scan", "memory", 3.5),
    ]  # fmt: skip


def test_a_capture_begun_after_a_boot_does_not_take_its_rest_for_a_new_one() -> None:
    """What the operating system still writes is no boot; the next start is."""
    over = Annotation(0, "phase", "over")
    story = Story().tell((0, over), (1, "00"), (2, "> login:"), until=3)
    assert story.boots == []
    assert story.tell(*((t + 9, w) for t, w in GOOD), until=30).outcomes == ["finished"]


def test_text_and_code_written_back_to_back_are_not_late() -> None:
    """Two links cannot be ordered more finely than their uncertainties: no finding; beyond them there is one."""
    table = TABLE + '[[order]]\nname = "rom-first"\nfirst = "storage-rom"\nthen = "rom-scan"\n'
    near = Text("console", int(4.002 * NS), 2_000_000, int(4.3 * NS), 9, "storage rom ready")
    steps = GOOD[:5]
    story = Story(table).tell(*steps, (4.3, near), (5, "AA"), until=9)
    assert findings(story.boots[0]) == []
    assert [s.name for s in story.boots[0].stages] == ["early", "memory", "rom-scan", "storage-rom", "hand-over"]
    far = Text("console", int(4.1 * NS), 2_000_000, int(4.3 * NS), 9, "storage rom ready")
    assert findings(Story(table).tell(*steps, (4.3, far), until=5).boots[0]) == [("late", "rom-first")]


def test_a_line_known_late_takes_its_place_by_time() -> None:
    """A line that began before a code but ended after it: the code's stage stays the one the boot is in."""
    line = Text("console", int(3.9 * NS), 1000, int(4.3 * NS), 9, "storage rom ready")
    story = Story().tell(*GOOD[:5], (4.3, line), until=4.5)
    boot = story.boots[0]
    assert [s.name for s in boot.stages][-2:] == ["storage-rom", "rom-scan"]
    assert boot.last_stage == "rom-scan"


def test_a_stall_stays_a_stall_when_the_link_is_lost_afterwards() -> None:
    """What was seen before the adapter went stays true."""
    story = Story(links=(POST,)).tell(*GOOD[:5], (20, "DOWN"), until=60)
    assert story.outcomes == ["stalled"] and story.boots[0].findings[0].cleared_t is None


def test_silence_beyond_the_limit_is_not_called_slow_while_a_known_stall_is_due() -> None:
    """A silent machine shows no life: the known stall point speaks, and slow is told only if it moves on."""
    table = TABLE.replace('name = "rom-scan"', 'name = "rom-scan"\nlimit = "1s"')
    story = Story(table).tell(*GOOD[:5], until=8)
    assert findings(story.boots[0]) == []
    story.tell(until=9.5)
    assert findings(story.boots[0]) == [("stall", "rom-never-returns")]
    story.tell((11, "AA"), until=12)
    assert ("slow", "rom-scan") in findings(story.boots[0])


def test_a_trial_that_began_before_the_boot_is_its_trial_though_word_came_after() -> None:
    """The daemon hears of a trial a moment after it was started; the boot in between belongs to it."""
    late = Annotation(NS // 2, "trial", "T4")
    story = Story().tell((0.6, "01"), (0.7, "05"), (0.8, late), until=1)
    assert story.boots[0].trial == "T4"
    before = Story().tell((0.4, "01"), (0.5, "05"), (0.8, late), until=1)
    assert before.boots[0].trial is None


def test_a_boot_that_began_after_its_end_is_not_the_trial_s() -> None:
    """Word that a trial ended comes a moment late as well: a boot begun in between belongs to none."""
    begun, over = Annotation(0, "trial", "T4"), Annotation(NS // 2, "trial", "")
    story = Story().tell((0, begun), (0.6, "01"), (0.7, "05"), (0.8, over), until=1)
    assert story.boots[0].trial is None
