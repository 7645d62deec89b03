"""What is strange about a boot, whatever its table says: codes and lines of another firmware, links set up wrongly."""

from __future__ import annotations

from benchd.boots.machine import CLOSED, BootMachine
from benchd.boots.state import BootState, shown
from benchd.rules.schema import Help, RuleTable
from benchd.vocabulary.observations import Code, Misfit

MAX_UNKNOWN = 16
"""Unknown codes that get a finding of their own in one boot."""
WRONG_CODES = 6
WRONG_LINES = 40
"""So many unknown codes, if they are most of all, or lines without a stage, are the mark of another BIOS's table."""
WRONG_TABLE = Help(
    means="The rule table is not this BIOS's: most of what comes is not in it. What it says means nothing.",
    **{
        "try": [
            "ask which table fits: `benchd rules fit CAPTURES`, with the captures of this machine",
            "set it as `rules` of the machine, and judge the old boots again: `benchd boots judge --rules TABLE`",
            'if none fits, set `rules = "record"`, switch on a few times, and let `benchd rules draft` make one',
        ]
    },
)
MISFITS = {
    "wrong-speed": "What comes over this link reads badly: it is read at another speed than it is sent at.",
    "swapped-links": "The console's text comes over the link that the settings call the post link.",
}
FLOATING = (
    "The diagnostic port reads FFh again and again: nothing drives the bus. The card may be unpowered, "
    "badly seated or on a wrong port, or the machine is held in reset."
)


def tell_misfit(machine: BootMachine, seen: Misfit) -> None:
    """What is wrong with a link: told of the open boot, where there is one, once."""
    boot = machine.boot
    if boot is not None and machine.phase not in CLOSED:
        help_ = Help(means=MISFITS[seen.what], **{"try": list(seen.advice)})
        found = boot.note(seen.what, seen.link, seen.t_ns, help_=help_, detail=seen.shows)
        machine.raise_finding(found, seen.t_ns)


def says_strange(table: RuleTable, boot: BootState, value: int, known: bool) -> bool:
    """Whether something is to be told of a code for not being in the table. What is not, never is in this boot."""
    if known or table.table.unknown_codes == "ignore" or value in boot.unknown:
        return False
    return len(boot.unknown) < MAX_UNKNOWN and all(found.kind != "wrong-table" for found in boot.findings)


def judge_code(machine: BootMachine, boot: BootState, seen: Code, known: bool) -> None:
    """Tell of a code that the table does not know, or that the table is the wrong one."""
    boot.values.add(seen.value & 0xFF)
    if not says_strange(machine.table, boot, seen.value, known):
        return
    boot.unknown.add(seen.value)
    if len(boot.unknown) >= WRONG_CODES and 2 * len(boot.unknown) > len(boot.values):
        boot.forget("unknown-code")
        _wrong_table(machine, boot, seen.t_ns, f"{len(boot.unknown)} of {len(boot.values)} codes so far are not in it")
        return
    name = f"{seen.value:04X}" if seen.wide else shown(seen.value)
    means = f"The table says nothing of code {name}: another BIOS family or version, or noise on the port."
    machine.raise_finding(boot.note("unknown-code", f"code-{name}", seen.t_ns, means=means), seen.t_ns)


def judge_lines(machine: BootMachine, boot: BootState, t_ns: int) -> None:
    """Many lines, and nothing of the ladder: a table for another firmware's text.

    Only of a table that goes by text, and where no card is on: a silent one takes the stages that are codes away.
    """
    if boot.texts != WRONG_LINES or boot.entered or boot.codes or "post" in machine.links.values():
        return
    if any(role == "stage" and when.text is not None for role, _, _, when in machine.table.watched_for()):
        _wrong_table(machine, boot, t_ns, f"{boot.texts} console lines came, and none is on its ladder")


def _wrong_table(machine: BootMachine, boot: BootState, t_ns: int, told: str) -> None:
    found = boot.note("wrong-table", machine.table.name, t_ns, help_=WRONG_TABLE, detail=told)
    machine.raise_finding(found, t_ns)


def tell_floating(machine: BootMachine, t_ns: int) -> None:
    """Nothing drives the bus."""
    boot = machine.boot
    if boot is not None and machine.table.table.judges and machine.phase in ("running", "stalled"):
        machine.raise_finding(boot.note("fault", "floating-bus", t_ns, means=FLOATING), t_ns)
