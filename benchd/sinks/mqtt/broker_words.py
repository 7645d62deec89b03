"""What went wrong with a broker, in plain words that say what to do."""

from __future__ import annotations

import re

from aiomqtt.exceptions import MqttCodeError, MqttConnectError
from paho.mqtt.reasoncodes import ReasonCode

from benchd.errors import BenchError
from benchd.sinks.mqtt.broker import Refused
from benchd.sinks.mqtt.settings import MqttSettings

CONNACK = {
    0x84: "it does not speak MQTT 5: a broker that does is needed",
    0x85: "it does not accept this client id: set mqtt.client_id",
    0x86: "user or password is wrong: check mqtt.user and mqtt.password_file",
    0x87: "user or password is wrong or not allowed: check mqtt.user and mqtt.password_file",
    0x8A: "this client is banned there",
    0x97: "its quota is used up",
}
"""Reason codes of CONNACK (MQTT 5.0 section 3.2.2.2) in words that say what to do."""

GOODBYE = {
    0x8B: "it is shutting down",
    0x8D: "it heard nothing from here within the keep-alive time",
    0x8E: "another client took over the same client id: give each bench its own mqtt.client_id or name",
    0x95: "a packet was larger than it allows: raise its packet size limit",
    0x97: "its quota is used up",
    0x9A: "it keeps no retained messages, which benchd needs",
    0x9B: "it does not take QoS 1, which benchd needs",
    0x98: "an administrator closed the connection",
}
"""Reason codes of a broker's DISCONNECT (MQTT 5.0 section 3.14.2.1)."""

TEXTS = (
    ("timed out", None, " does not answer: is it frozen, or something else than a broker?"),
    ("CERTIFICATE_VERIFY_FAILED", None, ": its certificate is not trusted ({}): check mqtt.ca_file and the host name"),
    ("reset by peer", False, " cut the connection off: does it want mqtts://, or is it something else?"),
    (
        "SSL|reset by peer",
        None,
        ": TLS failed ({}): is the port a TLS one, and does it want a client certificate?",
    ),
    ("Connection refused", None, ": nothing listens there: is the broker running?"),
    ("Disconnected", None, ": the connection was lost"),
)
"""What the error's text has, whether TLS must be on for it, and what is said; the first that fits counts."""


def explain(error: BaseException, settings: MqttSettings) -> str:
    """Return what went wrong with the broker and what to do, in one line without any secret."""
    where = f"broker {settings.host}:{settings.port}"
    if isinstance(error, BenchError):
        return str(error)
    if isinstance(error, Refused):
        what = f"not authorized: let the user write below {settings.prefix}/" if error.value == 0x87 else str(error)
        return f"{where} refuses events: {what}"
    if isinstance(error, MqttConnectError) and isinstance(error.rc, ReasonCode):
        return f"{where} refused the connection: {CONNACK.get(error.rc.value, str(error.rc))}"
    for code in (getattr(error, "rc", None), getattr(error.__cause__, "rc", None)):
        if isinstance(code, ReasonCode) and code.value != 0x80:  # 80h is the library's word for a broken connection
            return f"{where} closed the connection: {GOODBYE.get(code.value, str(code))}"
    text = str(error)
    for pattern, tls, said in TEXTS:
        if re.search(pattern, text) and tls in (None, settings.tls):
            return where + said.format(text)
    if isinstance(error, MqttCodeError):
        return f"{where}: the connection was lost"
    return f"{where}: {text or type(error).__name__}"
