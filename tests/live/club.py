"""A club's computer as firmware-notes/archive-setup.md makes it, below a folder instead of /: the page's own commands.

The broker, the database and the metrics server are Debian's, each run as the account that its package makes, with
exactly the files of config/ but for paths and ports.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import textwrap
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from support.daemon import free_port, wait_for

TREE = Path(__file__).resolve().parents[2]
PAGE = TREE / "firmware-notes/archive-setup.md"
ROLE = "nobody"
"""An account of every Debian computer stands for the archive's, which only an installed package would have."""
BENCH = "bench1"
READER_PASSWORD = "read-only-please"


def steps() -> dict[int, list[str]]:
    """Return the page's commands: {number of the step: its indented blocks}."""
    out: dict[int, list[str]] = {}
    for number, text in re.findall(r"^## (\d+)\. .*?\n(.*?)(?=^## |\Z)", PAGE.read_text("utf-8"), re.S | re.M):
        out[int(number)] = [textwrap.dedent(block) for block in re.findall(r"(?:^ {4}.*\n)+", text, re.M)]
    return out


class Club:
    """Folder `root` and what runs there. Made by `set_up`, ended by `close`."""

    def __init__(self) -> None:
        self.root = Path(tempfile.mkdtemp(prefix="club-"))
        self.root.chmod(0o755)  # the services' accounts must get in
        self.plain, self.tls, self.database, self.metrics = (free_port() for _ in range(4))
        self.bench_port = free_port()
        self.version = sorted(Path("/usr/lib/postgresql").iterdir())[-1].name
        self.work = self.root / "work"
        self.passwords = self.root / "root/benchd-passwords"
        self.running: dict[str, subprocess.Popen[bytes]] = {}
        self.env = os.environ | {
            "PGHOST": str(self.root / "run/postgresql"),
            "PGPORT": str(self.database),
            "PG_CLUSTER_CONF_ROOT": str(self.root / "etc/postgresql"),
        }

    def placed(self, text: str) -> str:
        """Return commands or settings with the paths, ports and names that count here."""
        text = text.replace("/postgresql/15/", f"/postgresql/{self.version}/")
        text = re.sub(r"(?<![\w/.])/(etc|root|run|var)/", rf"{self.root}/\1/", text)
        text = text.replace("DNS:broker.club.example", "IP:127.0.0.1").replace("benchd-archive", ROLE)
        text = text.replace("attic.club.example:8650", f"127.0.0.1:{self.bench_port}").replace("attic", BENCH)
        text = text.replace("broker.club.example", "127.0.0.1").replace("127.0.0.1:8650", "127.0.0.1:1")
        text = text.replace("systemd-sysusers", f"systemd-sysusers --root={self.root}")
        text = re.sub(r"^benchd (.*--install)", rf"{sys.executable} -m benchd \1 --root {self.root}", text, flags=re.M)
        return re.sub(r"\b(1883|8883)\b", lambda found: str(self.plain if found[1] == "1883" else self.tls), text)

    def files(self) -> None:
        """Lay what the packages bring, and the tree's config/ with the paths and ports that count here."""
        for name, owner in (
            ("etc/mosquitto/conf.d", ""), ("run/mosquitto", "mosquitto"), ("var/lib/mosquitto", "mosquitto"),
            ("var/log/mosquitto", "mosquitto"), ("etc/prometheus", ""), ("var/lib/prometheus", "prometheus"),
            ("run/postgresql", "postgres"), ("var/lib/postgresql", "postgres"), ("var/log/postgresql", "postgres"),
            ("etc/benchd", ""), ("root", ""), ("work", ""),
        ):  # fmt: skip
            place = self.root / name
            place.mkdir(parents=True, exist_ok=True)
            if owner:
                shutil.chown(place, owner, owner)
        (self.root / "root").chmod(0o700)
        (self.root / "etc/passwd").write_text("root:x:0:0:root:/root:/bin/sh\n")
        (self.root / "etc/group").write_text("root:x:0:\n")
        conf = Path("/etc/mosquitto/mosquitto.conf").read_text()
        (self.root / "etc/mosquitto/mosquitto.conf").write_text(self.placed(conf))
        for path in (TREE / "config").rglob("*"):
            if path.is_file() and path.suffix != ".png":
                copy = self.work / "config" / path.relative_to(TREE / "config")
                copy.parent.mkdir(parents=True, exist_ok=True)
                copy.write_text(self.placed(path.read_text("utf-8")), "utf-8")
        self.run(
            f"pg_createcluster -d {self.root}/var/lib/postgresql/main -l {self.root}/var/log/postgresql/main.log "
            f"-s {self.root}/run/postgresql -p {self.database} --locale C.UTF-8 {self.version} main -- --no-sync"
        )

    def run(self, commands: str, stdin: str = "") -> str:
        """Run shell commands in the work folder, each of which must succeed; returns what they print."""
        script = f"set -eu\ncd {self.work}\n{commands}"
        done = subprocess.run(
            ["bash", "-c", script], input=stdin, capture_output=True, text=True, env=self.env, timeout=120,
            start_new_session=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, f"{commands}\n{done.stdout}{done.stderr}"
        return done.stdout

    def type(self, block: str, stdin: str = "") -> None:
        """Type a block of the page. What speaks to the service manager is done here in its place."""
        rest: list[str] = []
        for line in self.placed(block).splitlines():
            if line.startswith("apt-get install "):
                rest.append(f"dpkg-query -W {line.removeprefix('apt-get install ')}")
            elif found := re.match(r"systemctl restart (\w+)$", line):
                self.run("\n".join(rest), stdin)
                rest = []
                self.restart(found[1])
            elif not line.startswith("systemctl "):
                rest.append(line)
        self.run("\n".join(rest), stdin)

    # ------------------------------------------------------------------ services

    def restart(self, name: str) -> None:
        if name == "postgresql":
            pg = "pg_ctlcluster --skip-systemctl-redirect"
            self.run(f"{pg} -m fast {self.version} main stop || true\n{pg} {self.version} main start")
            return
        self.stop(name)
        if name == "mosquitto":
            command = ["mosquitto", "-c", str(self.root / "etc/mosquitto/mosquitto.conf")]
            port = self.plain
        else:
            here = self.root / "etc/prometheus/prometheus.yml"
            command = ["runuser", "-u", "prometheus", "--", "prometheus", f"--config.file={here}"]
            command += [f"--storage.tsdb.path={self.root}/var/lib/prometheus"]
            command += [f"--web.listen-address=127.0.0.1:{self.metrics}"]
            port = self.metrics
        with (self.root / f"{name}.out").open("ab") as log:
            self.running[name] = subprocess.Popen(command, stdout=log, stderr=log, cwd="/")
        wait_for(lambda: self._answers(name, port))

    def _answers(self, name: str, port: int) -> bool:
        import socket

        assert self.running[name].poll() is None, (self.root / f"{name}.out").read_text()
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", port), 1).close()
            return True
        return False

    def reload(self, name: str) -> None:
        self.running[name].send_signal(signal.SIGHUP)

    def stop(self, name: str) -> None:
        if (process := self.running.pop(name, None)) is not None:
            process.terminate()
            process.wait(30)

    def close(self) -> None:
        for name in list(self.running):
            self.stop(name)
        if (self.root / "etc/postgresql" / self.version / "main").exists():
            self.run(f"pg_ctlcluster --skip-systemctl-redirect -m immediate {self.version} main stop || true")
        shutil.rmtree(self.root)

    # ------------------------------------------------------------------ asking

    def password(self, user: str) -> str:
        return (self.passwords / f"{user}.password").read_text()

    def psql(self, sql: str, account: str = "postgres", url: str = "benchd") -> subprocess.CompletedProcess[str]:
        command = ["runuser", "-u", account, "--", "psql", "-X", "-At", "-v", "ON_ERROR_STOP=1", "-c", sql, url]
        return subprocess.run(command, capture_output=True, text=True, env=self.env, cwd="/", timeout=60, check=False)

    def prometheus(self, path: str) -> Any:
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with opener.open(f"http://127.0.0.1:{self.metrics}/api/v1/{path}", timeout=20) as answer:
            return json.load(answer)["data"]


class Caller:
    """Somebody at the broker: says things and keeps what is heard. `code` is the answer to coming in."""

    def __init__(self, port: int, user: str, password: str, name: str = "", keep_s: int = 0) -> None:
        self.heard: list[tuple[str, bytes]] = []
        self._answers: dict[int, int] = {}
        self._subscribed: dict[int, int] = {}
        self._client = paho.Client(CallbackAPIVersion.VERSION2, name, protocol=paho.MQTTv5)
        self._client.username_pw_set(user, password)
        self._client.on_connect = lambda _c, _u, _f, code, _p: setattr(self, "code", code.value)
        self._client.on_publish = lambda _c, _u, mid, code, _p: self._answers.update({mid: code.value})
        self._client.on_subscribe = lambda _c, _u, mid, codes, _p: self._subscribed.update({mid: codes[0].value})
        self._client.on_message = lambda _c, _u, message: self.heard.append((message.topic, message.payload))
        self.code: int | None = None
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = keep_s
        self._client.connect("127.0.0.1", port, clean_start=not keep_s, properties=properties)
        self._client.loop_start()
        wait_for(lambda: self.code is not None)

    def say(self, topic: str, payload: bytes = b"{}") -> int:
        """Publish at QoS 1; returns the broker's reason code (0 to 16: taken, 135: not allowed)."""
        return self.say_all(topic, [payload])[0]

    def say_all(self, topic: str, payloads: list[bytes]) -> list[int]:
        """The same for many, without waiting for each."""
        mids = [self._client.publish(topic, payload, qos=1).mid for payload in payloads]
        wait_for(lambda: self._answers.keys() >= set(mids), every_s=0.002)
        return [self._answers[mid] for mid in mids]

    def hear(self, topics: str) -> None:
        result, mid = self._client.subscribe(topics, qos=1)
        assert result == 0 and mid is not None
        wait_for(lambda: mid in self._subscribed)

    def topics(self) -> set[str]:
        return {topic for topic, _ in self.heard}

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def __enter__(self) -> Caller:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@contextlib.contextmanager
def set_up(token: str) -> Iterator[Club]:
    """Type the page's commands, step by step; yields the club with everything running. `token`: the bench's."""
    club = Club()
    try:
        club.files()
        blocks = steps()
        club.type(blocks[1][0])
        for block in blocks[2]:
            club.type(block)
        club.type(blocks[3][0])
        install, ask = blocks[4]
        club.type(install)
        club.type(ask, f"{READER_PASSWORD}\n{READER_PASSWORD}\n")
        club.type(blocks[5][0])
        (club.work / f"{BENCH}.token").write_text(token)
        (club.work / f"{BENCH}.token").chmod(0o600)
        certificate = "\n".join(
            line for line in re.sub(r"\\\n\s*", "", blocks[3][0]).splitlines() if "/root/broker.csr" in line
        )
        certificate = certificate.replace("/root/broker", "/root/page").replace(
            "/etc/mosquitto/certs/broker", "/root/page"
        )
        club.type(certificate)
        club.type(blocks[6][0])
        yield club
    finally:
        club.close()
