"""What goes wrong on a bench goes wrong here for real: cables, ports, rights, tables, kills. The daemon tells it,
and loses nothing that it could have kept.

The links are ptys that the tests write to; hanging up a pty looks to a reader as pulling a USB adapter does.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from live.trouble_rig import (
    GOOD,
    STAGES,
    TABLE,
    boot_now,
    captured,
    last_code,
    logged,
    machine_toml,
    put_table,
    reached,
    stored,
)
from peers.relay import LinkPuller
from support import started
from support.daemon import DaemonProcess, benchd, wait_for

from benchd.demo.line import PtyLine


@contextmanager
def by_hand(folder: Path, extra: str = "") -> Iterator[tuple[DaemonProcess, PtyLine]]:
    """A daemon with one machine whose card is `PtyLine`, with the link up."""
    put_table(folder)
    with PtyLine() as card, DaemonProcess(folder, machine_toml(card.path), extra) as daemon:
        wait_for(daemon.links_up)
        yield daemon, card


def play(card: PtyLine, codes: bytes) -> None:
    """Send codes one after the other, a few ms apart: what comes in one read has one time."""
    for code in codes:
        assert card.send(bytes([code])) == 1
        time.sleep(0.01)


def test_cable_pulled_in_mid_boot(tmp_path: Path) -> None:
    """The state, the log and the metric say that the link is gone; plugged in again it reads on by itself."""
    put_table(tmp_path)
    puller = LinkPuller(tmp_path / "card")
    with DaemonProcess(tmp_path, machine_toml(puller.path)) as daemon:
        wait_for(daemon.links_up)
        puller.send(b"\x01\x20")
        wait_for(lambda: reached(daemon, "memory"))
        puller.unplug()
        wait_for(lambda: daemon.metric("benchd_link_up", machine="pc", link="post") == 0)
        (first,) = stored(daemon, 1)
        assert first["outcome"] == "link-lost" and first["last_code"] == "20"
        logged(daemon, "plug the adapter")
        benchd("show", "last", "--config", str(daemon.config), code=1)
        puller.plug()
        wait_for(daemon.links_up)
        for code in GOOD:
            puller.send(bytes([code]))
        boots = stored(daemon, 2)
        assert boots[-1]["outcome"] == "finished"
        assert [stage["name"] for stage in boots[-1]["stages"]] == STAGES
        assert daemon.metric("benchd_link_bytes_total", machine="pc", link="post") == 6
        assert daemon.end() == 0
        assert captured(daemon) == b"\x01\x20" + GOOD
    puller.close()


def test_port_in_use_names_the_other(tmp_path: Path) -> None:
    """A second daemon on the same port says which process has it, takes nothing from the first, and takes over."""
    folder = tmp_path / "second"
    folder.mkdir()
    put_table(folder)
    with by_hand(tmp_path) as (first, card):
        assert first.process is not None
        with DaemonProcess(folder, machine_toml(card.path)) as second:

            def reason() -> str:
                return str(second.api("/api/machines")[0]["links"]["post"]["reason"])

            wait_for(lambda: "in use" in reason())
            assert str(first.process.pid) in reason() and "close that program" in reason()
            play(card, GOOD)
            stored(first, 1)
            assert captured(first) == GOOD and second.boots() == []
            assert first.end() == 0
            wait_for(second.links_up)
            play(card, GOOD)
            stored(second, 1)


def test_no_permission_says_which_group(tmp_path: Path) -> None:
    """A port that the user may not open is told with the way out. (Root may open anything: then it runs without.)"""
    without = ["setpriv", "--bounding-set=-all", "--inh-caps=-all"] if os.getuid() == 0 else []
    put_table(tmp_path)
    with PtyLine() as card:
        os.chmod(card.device, 0)
        with DaemonProcess(tmp_path, machine_toml(card.path), prefix=without) as daemon:
            text = logged(daemon, f"{card.path}: no permission")
            assert "dialout" in text
            os.chmod(card.device, 0o600)
            wait_for(daemon.links_up)


@contextmanager
def small_disk(folder: Path, kib: int) -> Iterator[Path]:
    """A disk of that size mounted at `folder`; fails where nothing may be mounted."""
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={kib}k", "tmpfs", folder], check=True)
    try:
        yield folder
    finally:
        subprocess.run(["umount", folder], check=True)


def trouble_comes_and_goes(daemon: DaemonProcess, card: PtyLine, free: Any) -> None:
    """While the disk takes nothing boots go on being judged; when it does again, everything is in place."""
    sent = GOOD
    play(card, GOOD)  # may still find room
    fill = bytes([0x01]) + bytes([0x20]) * 40
    deadline = time.monotonic() + 30

    def refused() -> bool:
        health = daemon.api("/api/health")["captures"]["pc"]
        assert health["lost"] == 0
        failing = daemon.metric("benchd_capture_failing") == 1
        return bool(failing and health["trouble"] is not None and health["waiting"] > 0)

    while not refused():  # what others give back (a database's log) is taken once more
        assert time.monotonic() < deadline, "the disk never refused anything for long"
        play(card, fill)
        sent += fill
    play(card, GOOD)
    sent += GOOD
    wait_for(lambda: boot_now(daemon).get("outcome") == "finished")
    logged(daemon, "records wait in memory")
    free()
    wait_for(lambda: daemon.metric("benchd_capture_failing") == 0)
    assert "captures are written again; 0 records were lost" in logged(daemon, "captures are written again")
    assert daemon.metric("benchd_capture_errors_total") >= 1
    wait_for(lambda: daemon.boots() and daemon.boots()[-1]["outcome"] == "finished", 90, 0.2)
    live = daemon.boots()
    assert daemon.end() == 0
    assert captured(daemon) == sent
    again = json.loads(benchd("replay", "--json", *map(str, daemon.captures()), cwd=daemon.folder))
    assert again == live


@pytest.mark.skipif(os.getuid() != 0, reason="mounting needs root; the test with a file limit needs none")
def test_full_disk(tmp_path: Path) -> None:
    """A disk that fills up and is freed: told in log, health and metric; no byte, no record, no boot is lost."""
    with small_disk(tmp_path / "data", 1024) as data, by_hand(tmp_path) as (daemon, card):
        with (data / "filler").open("wb", buffering=0) as filler, pytest.raises(OSError, match="No space left"):
            while True:
                filler.write(b"x" * 1024)
        trouble_comes_and_goes(daemon, card, (data / "filler").unlink)


def test_file_limit(tmp_path: Path) -> None:
    """The same where files may not grow (RLIMIT_FSIZE), which needs no root."""
    with by_hand(tmp_path) as (daemon, card):
        assert daemon.process is not None
        play(card, GOOD)
        stored(daemon, 1)
        size = daemon.captures()[0].stat().st_size
        pid, endless = daemon.process.pid, resource.RLIM_INFINITY
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (size + 301, endless))
        trouble_comes_and_goes_after(daemon, card, pid)


def trouble_comes_and_goes_after(daemon: DaemonProcess, card: PtyLine, pid: int) -> None:
    before = captured(daemon)
    play(card, GOOD * 3)
    wait_for(lambda: daemon.api("/api/health")["captures"]["pc"]["trouble"] is not None)
    logged(daemon, "the file would be larger than is allowed")
    wait_for(lambda: daemon.metric("benchd_capture_failing") == 1)
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    logged(daemon, "captures are written again; 0 records were lost")
    stored(daemon, 4)
    assert daemon.end() == 0
    assert captured(daemon) == before + GOOD * 3


def test_reload_of_a_broken_and_of_a_good_table(tmp_path: Path) -> None:
    """SIGHUP: a broken table is told by line and the old one stays; a good one counts from the next boot on."""
    with by_hand(tmp_path) as (daemon, card):
        assert daemon.process is not None
        table = tmp_path / "by-hand.toml"
        table.write_text(TABLE.replace('enter = [{ code = "40" }]', 'enter = [{ cod = "40" }]'))
        daemon.process.send_signal(signal.SIGHUP)
        wait_for(lambda: daemon.api("/api/health")["rules_problem"])
        line = next(n for n, text in enumerate(table.read_text().splitlines(), 1) if "cod =" in text)
        assert f"{table}:{line}: " in daemon.api("/api/health")["rules_problem"]
        assert "the old ones stay" in logged(daemon, f"{table}:{line}")
        play(card, GOOD)
        (first,) = stored(daemon, 1)
        assert [s["name"] for s in first["stages"]] == STAGES

        play(card, b"\x01\x20")  # a boot under the old table, which the reload must not disturb
        wait_for(lambda: reached(daemon, "memory"))
        put_table(tmp_path, TABLE.replace('"rom-scan"', '"adapter-scan"'))
        daemon.process.send_signal(signal.SIGHUP)
        logged(daemon, "in force from the next boot on")
        assert daemon.api("/api/health")["rules_problem"] is None
        play(card, b"\x40\x60")
        old = stored(daemon, 2)[-1]
        assert [s["name"] for s in old["stages"]] == STAGES
        wait_for(lambda: "adapter-scan" in daemon.api("/api/machines")[0]["ladder"])
        play(card, GOOD)
        new = stored(daemon, 3)[-1]
        assert [s["name"] for s in new["stages"]] == ["early", "memory", "adapter-scan", "hand-over"]
        live = daemon.boots()
        assert daemon.end() == 0
        files = daemon.captures()
    assert len(files) == 2  # each file is judged by the table that it carries
    assert json.loads(benchd("replay", "--json", *map(str, files), cwd=tmp_path / "data")) == live


def test_sigterm_ends_soon_and_loses_nothing(tmp_path: Path) -> None:
    """Ended in mid-boot with a listener attached: exit 0 within seconds, every byte and the boot as it stood kept."""
    with by_hand(tmp_path) as (daemon, card):
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with opener.open(f"http://127.0.0.1:{daemon.port}/api/live", timeout=10) as listening:
            listening.readline()
            play(card, b"\x01\x20\x21\x22")
            wait_for(lambda: last_code(daemon) == "22")
            began = time.monotonic()
            assert daemon.end() == 0
            assert time.monotonic() - began < 8
        assert captured(daemon) == b"\x01\x20\x21\x22"
        (boot,) = daemon.boots()
        assert boot["codes"] == 4 and boot["outcome"] == "cut-short" and boot["ended"]
        again = json.loads(benchd("replay", "--json", *map(str, daemon.captures()), cwd=tmp_path))
        assert again == [boot]
        daemon.start()
        assert daemon.boots() == [boot]
        assert "Traceback" not in daemon.log.read_text()


def test_alarm_command(tmp_path: Path) -> None:
    """At a stall and at its end the user's command gets one JSON document each on its standard input."""
    told = tmp_path / "told"
    script = tmp_path / "tell.py"
    script.write_text(f"import sys\nprint(sys.stdin.read().strip(), file=open({str(told)!r}, 'a'))\n")
    extra = f"[alert]\ncommand = {json.dumps([sys.executable, str(script)])}\n"
    with by_hand(tmp_path, extra) as (daemon, card):
        play(card, b"\x01\x20\x40")
        wait_for(lambda: told.exists() and told.read_text().count("\n") == 1)
        assert daemon.metric("benchd_stalled", machine="pc") == 1
        play(card, b"\x60")
        wait_for(lambda: told.read_text().count("\n") == 2)
        assert daemon.metric("benchd_stalled", machine="pc") == 0
        (boot,) = stored(daemon, 1)
    raised, recovered = map(json.loads, told.read_text().splitlines())
    assert (raised["state"], recovered["state"]) == ("raised", "recovered")
    for message in (raised, recovered):
        assert (message["machine"], message["kind"], message["rule"]) == ("pc", "stall", "rom-stands")
        assert message["boot"] == boot["id"] and message["code"] == "40"
    assert raised["try"] == ["take the adapter out"] and raised["limit_s"] == 0.5
    assert recovered["stood_s"] > 0
    schema = json.loads(benchd("schema", "alert"))
    for message in (raised, recovered):
        Draft202012Validator(schema).validate(message)


def test_limits_are_learned(tmp_path: Path) -> None:
    """After five good boots limits are learned; a stage that takes far longer is called slow by one of them."""
    with by_hand(tmp_path) as (daemon, card):
        for count in range(1, 6):
            in_force = daemon.api("/api/machines")[0]["limits"]
            assert set(in_force.values()) <= {60.0}, "benchd's default silence, until something is learned"
            play(card, GOOD)
            stored(daemon, count, "finished")
        wait_for(lambda: daemon.api("/api/machines")[0]["limits"].get("memory", 60.0) < 60.0)
        limit = daemon.api("/api/machines")[0]["limits"]["memory"]
        times = [b["stages"][2]["t"] - b["stages"][1]["t"] for b in daemon.boots()]
        assert limit >= max(times)
        play(card, b"\x01\x20")
        deadline = time.monotonic() + max(5.0, 3 * limit)
        while not any(f["kind"] == "slow" for f in boot_now(daemon).get("findings", [])):
            assert time.monotonic() < deadline, boot_now(daemon)
            play(card, b"\x21\x22")  # it shows life all the while
        play(card, b"\x40\x60")
        boot = stored(daemon, 6)[-1]
        (slow,) = [f for f in boot["findings"] if f["kind"] == "slow"]
        assert (slow["stage"], slow["limit_kind"]) == ("memory", "learned-normal")
        live = daemon.boots()
        assert daemon.end() == 0
    again = json.loads(benchd("replay", "--json", *map(str, daemon.captures()), cwd=tmp_path))
    assert again == live


def test_two_machines(tmp_path: Path) -> None:
    """Two machines of one daemon boot at once; neither's codes reach the other."""
    put_table(tmp_path)
    with PtyLine() as one, PtyLine() as two:
        machines = machine_toml(one.path, "left") + machine_toml(two.path, "right/+#")
        with DaemonProcess(tmp_path, machines) as daemon:
            wait_for(daemon.links_up)
            for code, other in zip(GOOD, b"\x01\x20\x22\x40", strict=True):
                play(one, bytes([code]))
                play(two, bytes([other]))
            wait_for(lambda: daemon.metric("benchd_stalled", machine="right/+#") == 1)
            left, right = wait_for(lambda: b if len(b := daemon.boots()) == 2 and "running" not in str(b) else [])
            boots = {left["machine"]: left, right["machine"]: right}
            assert boots["left"]["outcome"] == "finished" and boots["right/+#"]["outcome"] == "stalled"
            assert daemon.metric("benchd_stalled", machine="left") == 0
            shown = benchd("live", "--once", "--config", str(daemon.config))
            assert "STALLED in rom-scan" in shown and "left" in shown and "right/+#" in shown
            schema = Draft202012Validator(json.loads(benchd("schema", "machine-now")))
            for picture in daemon.api("/api/machines"):
                schema.validate(picture)
            assert {p.parent.name for p in daemon.captures()} == {"left", "right%2F%2B%23"}
            assert json.loads(benchd("boots", "--json", "--machine", "left", "--config", str(daemon.config))) == [
                boots["left"]
            ]
            stranger(daemon, tmp_path)


def stranger(daemon: DaemonProcess, folder: Path) -> None:
    """Settings of other machines, or of another bench, at the daemon's address: told at once, exit 1."""
    own, others = daemon.config.read_text(), folder / "others.toml"
    one, some, bench = (
        own.replace('"left"', '"x"').replace('"right/+#"', '"y"'),
        own.replace('"left"', '"x"'),
        own.replace('"bench1"', '"bench2"'),
    )
    for text, words, says in (
        (one, ["--once"], "watches left, right/+#, not x, y"),
        (one, [], "watches left, right/+#, not x, y"),
        (some, ["--once"], "watches right/+#, not x"),
        (some, ["--once", "--machine", "x"], "watches left, right/+#, not x"),
        (bench, [], "is of the bench 'bench1', these settings are of 'bench2'"),
        (bench, ["--once"], "is of the bench 'bench1', these settings are of 'bench2'"),
    ):
        others.write_text(text)
        done = started.run(["live", *words, "--config", str(others)])
        assert (done.returncode, says in done.stderr) == (1, True), done.stderr
        assert ("right/+#" in done.stdout) == (text is some and "--machine" not in words), done.stdout


def test_watching_ends_without_ending_the_daemon(tmp_path: Path) -> None:
    """Ctrl-C in `benchd live` ends the watching with 0; the daemon goes on."""
    with by_hand(tmp_path) as (daemon, card):
        play(card, b"\x01\x20")
        out = tmp_path / "live.out"
        with out.open("wb") as file:
            watching = started.start(["live", "--config", str(daemon.config)], None, file, file)
        try:
            wait_for(lambda: watching.poll() is not None or listening(daemon))
            time.sleep(0.3)  # it draws nothing that can be waited for before its end, off a terminal
            watching.send_signal(signal.SIGINT)
            assert watching.wait(10) == 0, out.read_text()
        finally:
            watching.kill()
            watching.wait()
        assert "memory" in out.read_text() and "Traceback" not in out.read_text()
        assert daemon.api("/api/health")["bench"] == "bench1"


def listening(daemon: DaemonProcess) -> bool:
    """Whether somebody reads the stream of pictures (another process's connection to the daemon's port)."""
    assert daemon.process is not None
    port = f":{daemon.port:04X}"
    rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    return any(row[1].endswith(port) and row[3] == "01" for row in rows)


def refused(folder: Path, daemon_toml: str, code: int) -> str:
    """Run `benchd run` on settings that cannot work; return what it says."""
    config = folder / "refused.toml"
    config.write_text(daemon_toml)
    done = started.run(["run", "--config", str(config)])
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    return done.stderr


def test_address_in_use(tmp_path: Path) -> None:
    """The page's address is taken: exit 1, and the message names the setting and the address."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        said = refused(tmp_path, f'[http]\nlisten = "127.0.0.1:{port}"\n', 1)
    assert f"http.listen 127.0.0.1:{port} cannot be used: another program has this address" in said


def test_data_directory_in_use(tmp_path: Path) -> None:
    """A second daemon on the same data is refused with the first one's process: it would close its boots."""
    with by_hand(tmp_path) as (daemon, card):
        assert daemon.process is not None
        play(card, b"\x01\x20")
        wait_for(lambda: daemon.boots())
        said = refused(tmp_path, '[http]\nlisten = "127.0.0.1:0"\n', 1)
        assert f"another benchd (process {daemon.process.pid})" in said
        assert daemon.boots()[0]["outcome"] == "running"


def test_settings_that_cannot_work(tmp_path: Path) -> None:
    """Wrong settings end with 2, a disk that refuses with 1; each names the place."""
    assert "machine[1].link" in refused(tmp_path, '[[machine]]\nname = "pc"\nrules = "x"\n', 2)
    link = '[[machine.link]]\nkind = "post"\nport = "/dev/none"\n'
    assert "no rule table 'none'" in refused(tmp_path, f'[[machine]]\nname = "pc"\nrules = "none"\n{link}', 2)
    token = '[http]\nlisten = "127.0.0.1:0"\ntoken_file = "none"\n'
    assert "http.token_file" in refused(tmp_path, token, 2)
    (tmp_path / "file").write_text("")
    assert "bench.data" in refused(tmp_path, '[bench]\ndata = "file/below"\n[http]\nlisten = "127.0.0.1:0"\n', 1)


def test_socket_link(tmp_path: Path) -> None:
    """A port on the network: read like any other; the far end going away and coming back is told."""
    put_table(tmp_path)
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        server.settimeout(20)
        with DaemonProcess(tmp_path, machine_toml(f"socket://127.0.0.1:{port}")) as daemon:
            peer, _ = server.accept()
            wait_for(daemon.links_up)
            peer.sendall(GOOD)
            stored(daemon, 1, "finished")
            peer.close()
            logged(daemon, "the far end closed the connection")  # it may be up again before a metric can be asked
            peer, _ = server.accept()
            wait_for(daemon.links_up)
            peer.sendall(GOOD)
            stored(daemon, 2, "finished")
            peer.close()


def test_kill_9_and_restart(tmp_path: Path) -> None:
    """Killed in mid-boot: the next run has the boot with all its codes, cut short; finished ones stay as they were."""
    with by_hand(tmp_path) as (daemon, card):
        play(card, GOOD)
        (good,) = stored(daemon, 1)
        play(card, b"\x01\x20\x21\x22")
        wait_for(lambda: last_code(daemon) == "22")
        daemon.end(signal.SIGKILL)
        # the table changes while the daemon is down: what was judged stays judged
        put_table(tmp_path, TABLE.replace('"memory"', '"ram"'))
        daemon.start()
        wait_for(daemon.links_up)
        wait_for(lambda: daemon.boots()[-1]["outcome"] == "cut-short")  # recovered beside the reading
        first, cut = daemon.boots()
        assert first == good
        assert (cut["outcome"], cut["codes"], cut["last_stage"]) == ("cut-short", 4, "memory")
        play(card, GOOD)
        assert stored(daemon, 3)[-1]["stages"][1]["name"] == "ram"
        assert daemon.end() == 0


def test_a_flood_is_kept_whole(tmp_path: Path) -> None:
    """A line at full speed for some seconds while everything is asked at once: every byte is in the capture."""
    with by_hand(tmp_path) as (daemon, card):
        stop = threading.Event()

        def ask() -> None:
            while not stop.is_set():
                daemon.api("/metrics")
                daemon.api("/api/machines")

        asking = threading.Thread(target=ask)
        asking.start()
        sent = 0
        until = time.monotonic() + 3
        while time.monotonic() < until:
            sent += card.send(b"\x21" * 115)  # 115,200 baud: 11.5 bytes a ms
            time.sleep(0.01)
        stop.set()
        asking.join()
        wait_for(lambda: daemon.metric("benchd_link_bytes_total", machine="pc", link="post") == sent)
        assert card.lost == 0
        assert daemon.end() == 0
        assert len(captured(daemon)) == sent
