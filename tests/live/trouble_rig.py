"""What the trouble tests share: a small rule table, and a diagnostic card that the test plays by hand."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from support.daemon import DaemonProcess, link_toml, wait_for

TABLE = """
[table]
name = "by-hand"
source = "written for these tests"
[boot]
starts = [{ code = "01" }]
quiet = "60s"
[[stage]]
name = "early"
enter = [{ code = "01" }]
[[stage]]
name = "memory"
enter = [{ code = "20-24" }]
[[stage]]
name = "rom-scan"
enter = [{ code = "40" }]
[[stage]]
name = "hand-over"
enter = [{ code = "60" }]
final = true
[[stall]]
name = "rom-stands"
after = { code = "40" }
quiet = "500ms"
means = "An adapter's ROM was entered and did not come back."
try = ["take the adapter out"]
"""
GOOD = bytes.fromhex("0120 4060".replace(" ", ""))
STAGES = ["early", "memory", "rom-scan", "hand-over"]


def machine_toml(port: str, name: str = "pc", kind: str = "post", **keys: object) -> str:
    """One machine with one link."""
    return f'[[machine]]\nname = {json.dumps(name)}\nrules = "by-hand.toml"\n' + link_toml(kind, port, **keys)


def put_table(folder: Path, text: str = TABLE) -> Path:
    path = folder / "by-hand.toml"
    path.write_text(text)
    return path


def boot_now(daemon: DaemonProcess, name: str = "pc") -> dict[str, Any]:
    """The boot that the daemon shows at this moment, {} before the first."""
    pictures = {one["machine"]: one for one in daemon.api("/api/machines")}
    return pictures[name]["boot"] or {}


def last_code(daemon: DaemonProcess) -> str | None:
    """The last code in the picture of the only machine."""
    codes = daemon.api("/api/machines")[0]["codes"]
    return codes[-1]["code"] if codes else None


def reached(daemon: DaemonProcess, stage: str, name: str = "pc") -> bool:
    return boot_now(daemon, name).get("last_stage") == stage


def stored(daemon: DaemonProcess, count: int, outcome: str | None = None) -> list[dict[str, Any]]:
    """Wait until the store has `count` boots that run no more (with `outcome`); return all boots."""

    def there() -> list[dict[str, Any]]:
        boots = daemon.boots()
        fit = [b for b in boots if b["outcome"] != "running" and outcome in (None, b["outcome"])]
        return boots if len(fit) >= count else []

    return wait_for(there, 90, 0.2)


def captured(daemon: DaemonProcess, link: str = "post") -> bytes:
    """All bytes of a link, from the captures in order."""
    from benchd.capture import read_capture
    from benchd.vocabulary.records import Chunk
    from benchd.watch.replay import Replay

    out = b""
    for capture in Replay(daemon.captures()).captures:
        records = read_capture(capture.path).records()
        out += b"".join(r.data for r in records if isinstance(r, Chunk) and r.link == link)
    return out


def logged(daemon: DaemonProcess, *texts: str) -> str:
    """Wait until the log holds each text; return it."""
    wait_for(lambda: all(text in daemon.log.read_text() for text in texts))
    return daemon.log.read_text()
