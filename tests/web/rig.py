"""A bench for the page's tests: a simulated machine, a real daemon process, stored boots, a study, a map.

Not collected by pytest; the fixtures that use it are in conftest.py.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
from support.option_roms import option_rom

from benchd.demo import at286
from benchd.demo.machine import SimMachine
from benchd.demo.steps import PowerOff, PowerOn, Script
from benchd.store import Store
from benchd.vocabulary.models import Boot, Finding, Stage

MACHINE = "at286"
STUDY = "storage rom"
QUESTION = "Why does the storage adapter's ROM not run?"
LADDER = (
    ("processor", 0.15), ("chip-set", 0.22), ("base-memory", 0.4), ("memory", 5.8), ("keyboard", 0.5), ("display", 0.3),
    ("drives", 1.2), ("setup", 0.2), ("rom-scan", 0.25), ("storage-rom", 2.0), ("scan-done", 0.6),
    ("boot-choice", 0.35), ("boot-sector", 0.4), ("hand-over", 0.0),
)  # fmt: skip
MAP = """\
[scan]
from = "C8000"
to = "DF800"
step = "2K"
[[window]]
name = "display memory"
base = "B8000"
size = "32K"
kind = "video"
[[window]]
name = "storage ROM"
base = "D0000"
size = "8K"
image = "storage.bin"
card = "storage adapter"
positions = ["C8000", "D0000", "D8000"]
codes = ["45"]
stage = "storage-rom"
text = "Storage rom"
[[window]]
name = "network window"
base = "D0000"
size = "16K"
kind = "ram"
card = "network adapter"
positions = ["D0000", "off"]
[[want]]
name = "spare ROM"
size = "16K"
"""


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def wait_for(what: str, found: Callable[[], object], seconds: float = 20.0) -> object:
    """Return what `found` gives once it is true. Fails by name, with what went wrong last, when it never is."""
    until = time.monotonic() + seconds
    last: object = None
    while time.monotonic() < until:
        try:
            if got := found():
                return got
        except httpx.HTTPError as error:
            last = error
        time.sleep(0.03)
    raise AssertionError(f"{what}: not within {seconds} s; {last!r}")


class Rig:
    """One bench in a folder. `boot` plays a script on the simulated machine."""

    def __init__(
        self, folder: Path, *, machines: tuple[str, ...] = (MACHINE,), speed: float = 8.0, **http: str
    ) -> None:
        self.folder = folder
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.sims = {
            name: SimMachine(speed=speed, seed=n, links={k: folder / f"port{n}-{k}" for k in ("post", "console")})
            for n, name in enumerate(machines)
        }
        self.process: subprocess.Popen[bytes] | None = None
        self.playing: list[threading.Thread] = []
        (folder / "storage.bin").write_bytes(option_rom(16, ident=0x45))
        (folder / "map.toml").write_text(MAP)
        (folder / "bench.toml").write_text(self._settings(machines, http))
        self.read_on = Store.open(str(folder / "data/benchd.db")) if (folder / "data").mkdir() is None else None
        self._number = 0

    @property
    def store(self) -> Store:
        assert self.read_on is not None
        return self.read_on

    def _settings(self, machines: tuple[str, ...], http: Mapping[str, str]) -> str:
        more = "".join(f"{key} = {value}\n" for key, value in http.items() if key != "listen")
        listen = http.get("listen", "127.0.0.1")
        text = f'[bench]\nname = "corner bench"\n[http]\nlisten = "{listen}:{self.port}"\n{more}'
        for n, name in enumerate(machines):
            text += f'[[machine]]\nname = "{name}"\nrules = "demo-at286"\n' + ("" if n else 'map = "map.toml"\n')
            for kind in ("post", "console"):
                text += f'[[machine.link]]\nkind = "{kind}"\nport = "{self.folder}/port{n}-{kind}"\n'
        return text

    # ------------------------------------------------------------------ the daemon

    def start(self, headers: Mapping[str, str] | None = None) -> None:
        """Start the daemon and wait until it answers."""
        self.launch()
        self._wait("the daemon answers", lambda: self.get("/api/start", headers=headers))

    def launch(self) -> None:
        """Start the daemon."""
        log = (self.folder / "daemon.log").open("ab")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "benchd", "run", "--config", str(self.folder / "bench.toml")],
            stdout=log, stderr=log, cwd=self.folder,
        )  # fmt: skip
        log.close()

    def wait_links(self) -> None:
        self._wait("links up", lambda: all(x["up"] for m in self.get("/api/machines") for x in m["links"].values()))

    def _wait(self, what: str, found: Callable[[], object]) -> None:
        def alive() -> object:
            assert self.process is not None and self.process.poll() is None, "the daemon ended"
            return found()

        try:
            wait_for(what, alive)
        except AssertionError as error:
            raise AssertionError(f"{error}\n{(self.folder / 'daemon.log').read_text()[-2000:]}") from None

    def kill(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def freeze(self, frozen: bool) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP if frozen else signal.SIGCONT)

    def get(self, path: str, **more: object) -> object:
        with httpx.Client(trust_env=False, timeout=30) as client:
            return client.get(self.url + path, **more).raise_for_status().json()  # type: ignore[arg-type]

    def post(self, path: str, body: object) -> object:
        with httpx.Client(trust_env=False, timeout=30) as client:
            return client.post(self.url + path, json=body).raise_for_status().json()

    # ------------------------------------------------------------------ the machine

    def play(self, script: Script, machine: str = MACHINE, off_s: float = 1.0) -> None:
        """Play one boot: power on, the script, power off; returns when it is over."""
        self._number += 1
        self.sims[machine].play(self._number, (PowerOn(), *script, PowerOff(off_s)))

    def play_behind(self, script: Script, machine: str = MACHINE) -> threading.Thread:
        thread = threading.Thread(target=self.play, args=(script, machine), daemon=True)
        thread.start()
        self.playing.append(thread)
        return thread

    def boot_ended(self, count: int, machine: str = MACHINE) -> list[Boot]:
        def enough() -> list[Boot]:
            boots = self.store.boots(machine=machine, limit=count + 50)
            return boots if sum(b.ended is not None for b in boots) >= count else []

        return wait_for(f"{count} boots stored", enough)  # type: ignore[return-value]

    def close(self) -> None:
        for sim in self.sims.values():
            sim.stop()
        for thread in self.playing:
            thread.join(5)
        if self.process is not None and self.process.poll() is None:
            with contextlib.suppress(OSError):
                os.kill(self.process.pid, signal.SIGCONT)
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.kill()
        for sim in self.sims.values():
            sim.close()
        self.store.close()


def save_study(store: Store, folder: Path) -> None:
    """Store the study of the simulated bench's story, with its map."""
    from benchd.studies.document import StudyDocument
    from benchd.studies.loaded import save

    kinds = {
        "rom-base": "rom-base", "rom-image": "image", "network-card": "card", "storage-card": "card",
        "boot-device": "bios-setting", "slot": "slot", "cable": "cable",
    }  # fmt: skip
    factors = [
        {
            "name": name,
            "levels": list(levels),
            "kind": kinds[name],
            "minutes": at286.COST_MINUTES[name],
            "moves_hardware": name in at286.NEEDS_POWER_OFF,
            **({"window": "storage ROM"} if name == "rom-base" else {}),
        }
        for name, levels in at286.FACTORS.items()
    ]
    document = StudyDocument.model_validate(
        {
            "question": QUESTION,
            "machine": MACHINE,
            "goal": {"kind": "stage-reached", "target": at286.GOAL_STAGE},
            "factor": factors,
            "map": str(folder / "map.toml"),
            "exclude": [
                {"rom-image": "late", "cable": "long", "reason": "the late image was built for the short cable"}
            ],
        }
    )
    save(store, STUDY, document, "2026-03-01T18:00:00+00:00")


def stored_boot(
    n: int, fate: str, start: datetime, *, machine: str = MACHINE, trial: str | None = None, seed: int = 0
) -> Boot:
    """A boot as the daemon would have stored it; fates are "ready", "skipped", "stuck"."""
    rng = random.Random(f"{seed} {n}")
    t, stages = 0.0, []
    for name, took in LADDER:
        if name == "storage-rom" and fate != "ready":
            continue
        stages.append(Stage(name=name, t=round(t, 6), u=0.004))
        t += took * rng.lognormvariate(0, 0.05)
        if name == "rom-scan" and fate == "stuck":
            break
    last = stages[-1]
    findings = []
    if fate == "stuck":
        findings.append(
            Finding(
                kind="stall",
                rule="stands-at-rom-scan",
                stage="rom-scan",
                code="40",
                t=last.t + 6.0,
                limit_s=6.0,
                limit_kind="explicit",
                means="Two devices in one window, or a damaged image.",
                try_=["look for an overlap", "close the other card's window"],
                caution="Power off and unplug.",
            )
        )
    elif fate == "skipped":
        findings.append(Finding(kind="skipped", rule="storage-rom", stage="storage-rom", t=last.t))
    ended = start + timedelta(seconds=last.t + (20 if fate == "stuck" else 0))
    return Boot(
        id=f"{machine}-{start:%Y%m%d-%H%M%S}-{n % 1000:03d}",
        machine=machine,
        trial=trial,
        table="demo-at286",
        started=start.isoformat(),
        start_reason="code 01",
        ended=ended.isoformat(),
        outcome="stalled" if fate == "stuck" else "finished",
        last_stage=last.name,
        last_code="40" if fate == "stuck" else "6F",
        duration_s=last.t,
        stages=stages,
        findings=findings,
        codes=17,
        lines=7,
    )


def save_story(store: Store) -> None:
    """Store the evening's trials: as it stood, another image, another base, the window closed."""
    start = datetime(2026, 3, 1, 19, 0, tzinfo=UTC)
    rng = random.Random(5)
    setup = dict(at286.START)
    number = 0
    for changed in (
        {},
        {"rom-image": "late"},
        {"rom-image": "early", "network-card": "window-off"},
        {"network-card": "window-on"},
    ):
        setup |= changed
        trial = store.start_trial(study=STUDY, machine=MACHINE, setup=setup, changed=changed, started=start.isoformat())
        for _ in range(3):
            start += timedelta(minutes=3)
            number += 1
            fate = at286.fate(setup, rng)
            store.save_boot(stored_boot(number, "ready" if fate == "no-drive" else fate, start, trial=trial.id))
        start += timedelta(minutes=8)


def save_many(store: Store, count: int, machine: str = MACHINE) -> None:
    """Store `count` boots of last month."""
    start = datetime(2026, 2, 1, tzinfo=UTC)
    fates = ("ready", "ready", "ready", "ready", "skipped", "stuck")
    for n in range(count):
        store.save_boot(stored_boot(n, fates[n % 6], start + timedelta(minutes=5 * n), machine=machine, seed=1))
