"""The [mqtt] settings: what is refused, and that nothing of a secret shows."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError

from benchd.errors import UsageError
from benchd.sinks.mqtt.settings import MqttSettings


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"url": "http://x"}, "mqtt:// or mqtts://"),
        ({"url": "mqtt://"}, "mqtt://host:port"),
        ({"url": "mqtt://h/path"}, "nothing more"),
        ({"url": "mqtt://h:99999"}, "not a URL"),
        ({"url": "mqtt://user:geheim@h"}, "password_file"),
        ({"password_file": "p"}, "needs user"),
        ({"cert_file": "c", "url": "mqtts://h"}, "go together"),
        ({"ca_file": "c"}, "mqtts://"),
        ({"prefix": "a/#"}, "topic names may not have"),
        ({"keepalive": 70_000}, "65535"),
        ({"pasword": "geheim"}, "Extra inputs"),
    ],
)
def test_refused(more: dict[str, object], says: str) -> None:
    """Each wrong setting is refused with its reason, and the message never shows the value given."""
    with pytest.raises(ValidationError, match=says) as caught:
        MqttSettings.model_validate({"url": "mqtt://h"} | more)
    assert "geheim" not in str(caught.value)


def test_defaults_and_ports() -> None:
    """1883 and 8883 are the registered ports (IANA service names mqtt, secure-mqtt)."""
    assert (MqttSettings(url="mqtt://h").port, MqttSettings(url="mqtts://h").port) == (1883, 8883)
    assert MqttSettings(url="mqtt://[::1]:1").host == "::1"


@pytest.mark.parametrize("names", [("timeout", "retry_cap"), ("timeout_s", "retry_cap_s")])
def test_durations_are_written_one_way(names: tuple[str, str]) -> None:
    """Words or seconds, by the key of today and by the old one; both keys at once are one too many."""
    for timeout, cap in (("2500ms", "1min"), (2.5, 60)):
        settings = MqttSettings.model_validate(
            {"url": "mqtt://h", names[0]: timeout, names[1]: cap, "keepalive": "20s"}
        )
        assert (settings.timeout, settings.retry_cap, settings.keepalive) == (2.5, 60.0, 20)
    with pytest.raises(ValidationError, match=f"{names[0]}\n.*is not a duration"):
        MqttSettings.model_validate({"url": "mqtt://h", names[0]: "soon"})
    with pytest.raises(ValidationError, match="Extra inputs"):
        MqttSettings.model_validate({"url": "mqtt://h", "timeout": 1, "timeout_s": 1})


def test_password_file(tmp_path: Path) -> None:
    """The first line counts, however it ends; a missing or empty file is told by name."""
    file = tmp_path / "p"
    settings = MqttSettings(url="mqtt://h", user="u", password_file=Path("p")).relative_to(tmp_path)
    with pytest.raises(UsageError, match=r"mqtt\.password_file .*p: there is no such file"):
        settings.password()
    for text in ("pass word \r\nsecond\n", "pass word "):
        file.write_bytes(text.encode())
        assert settings.password() == "pass word "
    file.write_text("\n")
    with pytest.raises(UsageError, match="first line is empty"):
        settings.password()
    file.write_bytes(b"\xff\xfe")
    with pytest.raises(UsageError, match="not UTF-8"):
        settings.password()
    file.chmod(0o644)
    assert settings.open_to_all()
    file.chmod(0o600)
    assert not settings.open_to_all()
