"""The shipped tables at work: good boots end well, stall points can be reached, slow cards raise nothing."""

from __future__ import annotations

import pytest
from support.story import CONSOLE, POST, Story, findings

from benchd.rules import RuleTable, load_text
from benchd.rules.files import read_table_text, shipped_tables
from benchd.rules.schema import When
from benchd.vocabulary.records import LinkInfo

TEXTS = {name: read_table_text(path) for name, path in shipped_tables().items()}
CODE_TABLES = ("at-p0410", "at-p0411", "at-p0412", "at-p0413", "at-p1017", "coreboot", "xt-open")
LOSSY = LinkInfo("post", "post", "raw", lossy=True)

# One line for each text that a stall point of the text tables waits behind. SeaBIOS: format strings of
# src/boot.c and src/optionroms.c @ 41514a7a974f, filled in; DOS-type: common practice, wordings from memory.
LINES = {
    "no-boot-device": "No bootable device.",
    "option-rom-never-returns": "Running option rom at c800:0003",
    "boot-sector-hangs": "Booting from Hard Disk...",
    "no-system-disk": "Non-System disk or disk error",
    "no-operating-system": "Missing operating system",
    "no-boot-sector": "NO ROM BASIC",
    "no-command-interpreter": "Bad or missing Command Interpreter",
    "driver-hangs": "Error in CONFIG.SYS line 3",
    "waits-for-an-answer": "Abort, Retry, Fail?",
}
SEABIOS_BOOT = (
    "SeaBIOS (version 1.16.2-debian-1.16.2-1)",
    "Scan for VGA option rom",
    "Running option rom at c000:0003",
    "Press ESC for boot menu.",
    "Scan for option roms",
    "Booting from Hard Disk...",
    "Booting from 0000:7c00",
)
DOS_BOOT = ("00640 KB OK", "Starting DOS...", "C:\\>")


def rules(name: str) -> RuleTable:
    return load_text(TEXTS[name], name)


def shown(when: When) -> str:
    """Return a code that `when` sees, as a story writes it."""
    assert when.code is not None
    return f"{when.code.low:0{4 if when.code.wide else 2}X}"


def good_codes(name: str) -> list[str]:
    """Return the codes of a boot that passes every stage that has a place in the order."""
    table = rules(name)
    first = [shown(table.boot.starts[0])]
    steps = [shown(s.enter[0]) for s in table.stage if not s.anytime]
    return steps if steps[0] == first[0] else first + steps


@pytest.mark.parametrize("name", CODE_TABLES)
def test_a_good_boot_finishes_without_findings(name: str) -> None:
    """Every stage in order, a second apart: finished, nothing found, every stage on record."""
    codes = good_codes(name)
    story = Story(TEXTS[name]).tell(*((float(i), code) for i, code in enumerate(codes)), until=len(codes) + 5)
    (boot,) = story.boots
    assert boot.outcome == "finished" and findings(boot) == []
    assert [s.name for s in boot.stages] == [s.name for s in rules(name).stage if not s.anytime]


@pytest.mark.parametrize("name", CODE_TABLES)
def test_a_patient_boot_of_an_old_machine_raises_no_alarm(name: str) -> None:
    """Common practice, no source: a memory count of 90 s that shows nothing, then a disk that takes 45 s."""
    slow = {"memory-test": 90, "extended-memory": 90, "protected-mode": 90, "memory-training": 90}
    slow |= {"fixed-disk": 45, "disks": 45}
    t, told = 0.0, []
    table = rules(name)
    by_code = {shown(s.enter[0]): s for s in table.stage}
    for code in good_codes(name):
        told.append((t, code))
        stage = by_code.get(code)
        t += 1
        if stage is not None and stage.name in slow and stage.enter[0].code is not None:
            told.append((t, f"{stage.enter[0].code.high:02X}"))  # the wait is at the stage's last code
            t += slow[stage.name]
    story = Story(TEXTS[name]).tell(*told, until=t + 5)
    (boot,) = story.boots
    assert boot.outcome == "finished" and findings(boot) == []


@pytest.mark.parametrize("name", CODE_TABLES)
def test_a_slow_card_skips_nothing(name: str) -> None:
    """On a card that merges codes, a boot of which every other code came through has no `skipped` finding."""
    codes = good_codes(name)
    kept = [code for i, code in enumerate(codes) if i % 2 == 0 or i == len(codes) - 1]
    story = Story(TEXTS[name], (LOSSY, CONSOLE)).tell(
        *((float(i), code) for i, code in enumerate(kept)), until=len(kept) + 5
    )
    (boot,) = story.boots
    assert boot.outcome == "finished" and findings(boot) == []


@pytest.mark.parametrize("name", CODE_TABLES)
def test_optional_stages_may_be_missing_on_any_card(name: str) -> None:
    """A boot that shows only its plain stages finishes without findings, on a card that loses nothing."""
    table = rules(name)
    steps = [shown(s.enter[0]) for s in table.stage if not s.anytime and not s.optional]
    start = shown(table.boot.starts[0])
    codes = steps if steps[0] == start else [start, *steps]
    story = Story(TEXTS[name]).tell(*((float(i), code) for i, code in enumerate(codes)), until=len(codes) + 5)
    assert story.outcomes == ["finished"] and findings(story.boots[0]) == []


STALLS = [
    (n, s.name) for n in (*CODE_TABLES, "uefi-pi", "seabios-text", "seabios-debug", "dos-text") for s in rules(n).stall
]


@pytest.mark.parametrize(("name", "stall"), STALLS)
def test_every_stall_point_is_reached(name: str, stall: str) -> None:
    """A boot that stops right there gets this stall and no other, after `quiet` and not before."""
    table = rules(name)
    rule = next(s for s in table.stall if s.name == stall)
    before = [(0.0, shown(table.boot.starts[0]))] if name in CODE_TABLES else [(0.0, "> hello")]
    if rule.after is None:
        last = "> Starting DOS..."
    elif rule.after.text is not None:
        last = f"> {LINES[stall]}"
    else:
        last = shown(rule.after)
    if before[0][1] == last:
        before = []
    story = Story(TEXTS[name]).tell(*before, (1.0, last), until=1 + rule.quiet - 0.1)
    assert ("stall", stall) not in findings(story.boots[0])
    story.tell(until=1 + rule.quiet + 6)
    (boot,) = story.boots
    stalls = [f for f in boot.findings if f.kind == "stall"]
    assert [(f.rule, f.limit_s, f.limit_kind) for f in stalls] == [(stall, rule.quiet, "explicit")]
    assert stalls[0].try_ == rule.try_ and boot.outcome == "stalled"


@pytest.mark.parametrize(("name", "lines"), [("seabios-text", SEABIOS_BOOT), ("dos-text", DOS_BOOT)])
def test_good_console_boots(name: str, lines: tuple[str, ...]) -> None:
    story = Story(TEXTS[name]).tell(*((float(i), f"> {line}") for i, line in enumerate(lines)), until=60)
    (boot,) = story.boots
    assert boot.outcome == "finished" and findings(boot) == []


def test_a_failure_code_is_a_fault_at_once() -> None:
    """Interrupt list table P0413: 0D that stays is "no refresh"; in P0411 it is a step and no fault."""
    failing = Story(TEXTS["at-p0413"]).tell((0, "0D"), until=5).boots[0]
    assert ("fault", "no-refresh") in findings(failing)
    fine = Story(TEXTS["at-p0411"]).tell((0, "01"), (1, "0D"), until=5).boots[0]
    assert findings(fine) == []


def test_low_bytes_of_uefi_never_alarm() -> None:
    """01 is "ready to boot" and also "stuck key": a UEFI machine that runs on in silence is no stall."""
    story = Story(TEXTS["uefi-pi"]).tell((0, "00"), (1, "06"), (2, "01"), (3, "02"), until=20_000)
    assert [f for boot in story.boots for f in findings(boot)] == []


def test_a_floating_bus_is_no_hand_over() -> None:
    """FF from the first moment on finishes no boot where FF is the hand-over code: a card out of its slot."""
    story = Story(TEXTS["at-p0411"], (POST, CONSOLE)).tell(*((i * 0.5, "FF") for i in range(8)), until=10)
    assert "finished" not in story.outcomes


def test_an_8088_machine_is_judged_by_its_text_alone() -> None:
    """Minutes of silence while it counts its memory are no alarm; a code on port 60h that tells of a failure is one."""
    story = Story(TEXTS["xt"]).tell((0.0, "RESET"), (150.0, "> 640 KB OK"), (200.0, "> Starting DOS..."), until=210)
    story.tell((215.0, "> C:\\>"), until=2000)
    assert story.outcomes == ["finished"] and findings(story.boots[0]) == []
    failing = Story(TEXTS["xt"]).tell((0.0, "RESET"), (1.0, "60:04"), until=10)
    assert findings(failing.boots[0]) == [("fault", "first-32k")]


def test_the_open_8088_bios_ends_with_00() -> None:
    """8088_bios, src/errno.inc: 01 the start, 41 and 42 for each adapter ROM, 00 the boot."""
    codes = ["01", "02", "03", "04", "05", "08", "10", "11", "30", "31", "40", "41", "42", "41", "42", "43", "00"]
    story = Story(TEXTS["xt-open"]).tell(*((float(i), code) for i, code in enumerate(codes)), until=30)
    assert story.outcomes == ["finished"] and findings(story.boots[0]) == []
    hung = Story(TEXTS["xt-open"]).tell(*((float(i), code) for i, code in enumerate(codes[:12])), until=90)
    assert ("stall", "option-rom-never-returns") in findings(hung.boots[0])
