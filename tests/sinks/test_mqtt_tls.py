"""TLS with a test CA made by the openssl program: trusted, untrusted, wrong host, client certificates."""

from __future__ import annotations

import asyncio
import contextlib
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from sinks.broker_peer import Mosquitto, until
from sinks.story import Teller

from benchd.clock import Backoff
from benchd.errors import UsageError
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.sinks.mqtt.sink import MqttSink

pytestmark = pytest.mark.peer("mosquitto")


def openssl(folder: Path, *args: str) -> None:
    subprocess.run(["openssl", *args], cwd=folder, check=True, capture_output=True)


def certificate(folder: Path, name: str, ca: str | None, extension: str) -> None:
    """Make NAME.key and NAME.pem, signed by `ca` or by itself."""
    new = ["req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-subj", f"/CN={name}"]
    if ca is None:
        openssl(folder, *new, "-x509", "-days", "2", "-keyout", f"{name}.key", "-out", f"{name}.pem")
        return
    (folder / f"{name}.ext").write_text(extension)
    openssl(folder, *new, "-keyout", f"{name}.key", "-out", f"{name}.csr")
    sign = ["x509", "-req", "-in", f"{name}.csr", "-CA", f"{ca}.pem", "-CAkey", f"{ca}.key", "-CAcreateserial"]
    openssl(folder, *sign, "-days", "2", "-extfile", f"{name}.ext", "-out", f"{name}.pem")


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("keys")
    certificate(folder, "ca", None, "")
    certificate(folder, "other", None, "")
    certificate(folder, "server", "ca", "subjectAltName=IP:127.0.0.1\n")
    certificate(folder, "elsewhere", "ca", "subjectAltName=DNS:elsewhere.invalid\n")
    certificate(folder, "client", "ca", "extendedKeyUsage=clientAuth\n")
    openssl(folder, "pkcs8", "-topk8", "-in", "client.key", "-out", "locked.key", "-passout", "pass:x")
    return folder


def tls(keys: Path, server: str, *more: str) -> list[str]:
    files = [f"cafile {keys}/ca.pem", f"certfile {keys}/{server}.pem", f"keyfile {keys}/{server}.key"]
    return ["allow_anonymous true", *files, *more]


@contextlib.contextmanager
def serving(tmp_path: Path, lines: list[str]) -> Iterator[Mosquitto]:
    peer = Mosquitto(tmp_path / "broker", lines)
    peer.start()
    try:
        yield peer
    finally:
        peer.stop()


def run(peer: Mosquitto, tmp_path: Path, says: str, **files: Path) -> None:
    """Run a sink with the TLS `files` until it is online and has sent an event, or its reason has `says`."""
    settings = MqttSettings(url=f"mqtts://127.0.0.1:{peer.port}", timeout=2, **files)

    async def go() -> None:
        sink = MqttSink(settings, "b", tmp_path / "outbox", backoff=Backoff(0.05, 0.2))
        task = asyncio.create_task(sink.run())
        sink.offer(Teller().stage(1.0, "memory"))
        if says:
            await until(lambda: says in sink.status()["reason"], f"{says!r} {sink.status()['reason']!r}")
            await until(lambda: sink.status()["outbox"] == 1, "on disk")
            assert sink.status()["sent"] == 0
        else:
            await until(lambda: sink.status()["sent"] == 1, "sent")
        await sink.close()
        await task

    asyncio.run(go())


def test_trusted(keys: Path, tmp_path: Path) -> None:
    """With the CA's file the sink connects over TLS and sends."""
    with serving(tmp_path, tls(keys, "server")) as peer:
        run(peer, tmp_path, "", ca_file=keys / "ca.pem")


@pytest.mark.parametrize("ca", ["other", None])
def test_untrusted(keys: Path, tmp_path: Path, ca: str | None) -> None:
    """Another CA's file, or the system's certificates only: refused, and the reason names mqtt.ca_file."""
    with serving(tmp_path, tls(keys, "server")) as peer:
        files = {"ca_file": keys / f"{ca}.pem"} if ca else {}
        run(peer, tmp_path, "its certificate is not trusted", **files)


def test_wrong_host_name(keys: Path, tmp_path: Path) -> None:
    """A good certificate of another host is refused: host names are checked."""
    with serving(tmp_path, tls(keys, "elsewhere")) as peer:
        run(peer, tmp_path, "IP address mismatch", ca_file=keys / "ca.pem")


def test_client_certificate(keys: Path, tmp_path: Path) -> None:
    """A broker that wants a client certificate: with one it works, without it the reason points there."""
    with serving(tmp_path, tls(keys, "server", "require_certificate true")) as peer:
        client = {"cert_file": keys / "client.pem", "key_file": keys / "client.key"}
        run(peer, tmp_path, "", ca_file=keys / "ca.pem", **client)
        run(peer, tmp_path, f"broker 127.0.0.1:{peer.port}", ca_file=keys / "ca.pem")


def test_tls_to_a_plain_port(tmp_path: Path) -> None:
    """mqtts:// to a port without TLS is told as such."""
    with serving(tmp_path, ["allow_anonymous true"]) as peer:
        run(peer, tmp_path, "TLS failed")


def test_unusable_files(keys: Path, tmp_path: Path) -> None:
    """Missing files, files that are no certificates and locked keys are told by setting and name."""
    url = "mqtts://127.0.0.1:1"
    with pytest.raises(UsageError, match=r"mqtt\.ca_file .*none\.pem"):
        MqttSettings(url=url, ca_file=tmp_path / "none.pem").context()
    with pytest.raises(UsageError, match=r"mqtt\.cert_file .*client\.pem with key_file .*ca\.key"):
        MqttSettings(url=url, cert_file=keys / "client.pem", key_file=keys / "ca.key").context()
    with pytest.raises(UsageError, match="passphrase"):
        MqttSettings(url=url, cert_file=keys / "client.pem", key_file=keys / "locked.key").context()
