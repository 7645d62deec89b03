"""Kinds of factor: what moving one means on a bench, and how a kind is told from a name."""

from __future__ import annotations

from typing import Final, Literal

Order = Literal["healed", "broke", "falling", "rising", "cold", "warm", "contact"]
"""Causes over order and time: healed or broke at some boot, a rate that falls or rises, failing cold or warm (by the
rest before power-on), a contact drawn anew whenever the cover is off."""
Special = Literal["nothing", "misleads", "intermittent", "unlisted", Order]
NOTHING: Final = "nothing"
MISLEADS: Final = "misleads"
INTERMITTENT: Final = "intermittent"
UNLISTED: Final = "unlisted"
"""Explanations that name no factor: nothing tried matters, the test misleads, it fails now and then, something that
is not in the list comes and goes."""

KINDS: dict[str, tuple[bool, float]] = {
    "card": (True, 8.0),
    "machine": (True, 12.0),
    "jumper": (True, 6.0),
    "bios-setting": (False, 2.0),
    "image": (True, 6.0),
    "slot": (True, 7.0),
    "adapter": (True, 8.0),
    "cable": (True, 5.0),
    "test": (False, 2.0),
    "other": (False, 5.0),
}
"""Kinds of factor: whether changing one usually means opening the machine, and minutes of work for one change when
nobody said (common practice, no source)."""

_KIND_WORDS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("jumper", ("jumper", "jumpers", "jp", "switch", "dip", "irq", "dma", "strap", "base", "address")),
    (
        "bios-setting",
        ("bios", "setup", "cmos", "setting", "shadow", "bootdevice", "boot-device", "wait-states"),
    ),
    ("slot", ("slot", "position")),
    ("cable", ("cable", "lead", "terminator", "ribbon")),
    ("image", ("image", "rom", "eprom", "firmware", "flash", "version", "driver")),
    ("adapter", ("adapter", "adaptor", "video", "display", "graphics")),
    ("test", ("test", "tester", "program", "diagnostic", "disk-image", "floppy")),
    ("machine", ("machine", "pc", "computer", "host", "board", "mainboard", "motherboard", "cpu")),
    ("card", ("card", "controller", "module")),
)


def infer_kind(name: str) -> str:
    """The kind of a factor by its name alone (for imported columns); 'other' when no word tells.

    The last word that tells wins: in "card jumper" the thing changed is the jumper.
    """
    text = name.lower().replace("_", " ").replace(".", " ").replace("/", " ")
    words = [word.rstrip("0123456789") for word in text.replace("-", " ").split()] + [text.replace(" ", "-")]
    found = [kind for word in words for kind, known in _KIND_WORDS if word in known]
    if not found:
        return "other"
    for strong in ("jumper", "bios-setting", "cable", "slot", "image"):
        if strong in found:
            return strong
    return found[-1]
