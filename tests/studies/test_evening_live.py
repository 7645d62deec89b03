"""An evening on real ptys: `benchd run` watches the simulated machine, trials are started by command meanwhile."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from support.daemon import DaemonProcess, benchd, link_toml, wait_for

from benchd.demo import at286
from benchd.demo.machine import Operator, SimMachine
from benchd.demo.story import document
from benchd.studies.document import to_toml

MACHINE = '[[machine]]\nname = "at286"\nrules = "demo-at286"\n'


def over(daemon: DaemonProcess) -> list[dict[str, Any]]:
    return [boot for boot in daemon.api("/api/boots") if boot["outcome"] != "running"]


def test_boots_attach_to_the_running_trial(tmp_path: Path) -> None:
    """Each boot belongs to the trial that ran when it began; the goal is judged from what the daemon saw."""
    with Operator(at286.behaviour, SimMachine(speed=12, seed=2)) as operator:
        links = link_toml("post", operator.ports["post"], code_port="80") + link_toml(
            "console", operator.ports["console"]
        )
        with DaemonProcess(tmp_path, MACHINE + links) as daemon:
            config = ("--config", str(daemon.config))

            def asked(*words: str) -> Any:
                return json.loads(benchd(*words, "--json", *config))

            def boot(setup: dict[str, str], fate: at286.Fate) -> None:
                before = len(daemon.api("/api/boots"))
                operator.boot(setup, script=at286.boot_script(setup, fate))
                wait_for(lambda: len(over(daemon)) > before, 60, 0.2)

            wait_for(daemon.links_up)
            study = tmp_path / "s.toml"
            study.write_text(to_toml(document()))
            benchd("study", "new", "s", "--from", str(study), *config)
            trials = [({}, "skipped"), ({"network-card": "window-off"}, "ready")]
            setup = dict(at286.START)
            for changes, fate in trials:
                words = [f"{factor}={level}" for factor, level in changes.items()]
                begun = asked("trial", "start", "--end-running", "--study", "s", *words)
                assert begun["trial"]["machine"] == "at286"
                setup |= changes
                wait_for(lambda: daemon.api("/api/machines")[0]["trial"] == begun["trial"]["id"], 60)  # noqa: B023
                boot(setup, fate)  # type: ignore[arg-type]
            listed = asked("trial", "list")
            assert [(t["id"], t["ok"], t["fail"], len(t["boots"])) for t in listed] == [
                ("T1", 0, 1, 1),
                ("T2", 1, 0, 1),
            ]
            assert sorted(b["trial"] for b in daemon.api("/api/boots")) == ["T1", "T2"]
            newest = daemon.api("/api/boots")[0]["id"]
            assert asked("trial", "result", "--new", "beep", "pass")[0]["boot"] == newest
            compared = asked("compare", "T1", "T2")
            assert compared["sentence"].startswith("Stage storage-rom is reached in 1 of 1 boots of T2")
            assert {one["text"] for one in compared["only_one_has"] if one["side"] == "b"} >= {"code 45"}
            assert asked("why", "s")["boots"] == 2
            assert daemon.end() == 0
