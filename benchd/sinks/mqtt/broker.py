"""The connection to an MQTT 5 broker: aiomqtt, with three gaps closed, and its errors in plain words.

aiomqtt 2.5 ignores the reason in a broker's acknowledgement (an event refused by an access list would count as
delivered), leaves the socket of a failed connect open, and says goodbye in a way that drops the Last Will even
when its user fails. The tests with a real broker check each of these.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import ssl
import sys
import threading
from types import TracebackType
from typing import Any, Self

import aiomqtt
from aiomqtt.exceptions import MqttCodeError, MqttConnectError
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from benchd.errors import BenchError
from benchd.sinks.mqtt.settings import MqttSettings

CONNECT_S = 5.0
"""How long the network may take to open the connection, TLS included."""

FOR_GOOD = frozenset({0x90, 0x99})
"""Refusals that sending again cannot cure: topic name invalid, payload format invalid (MQTT 5.0 table 3-4)."""

OVERHEAD = 64
"""Bytes of a PUBLISH besides topic and payload, rounded up: header, packet id, our two properties."""

quiet = logging.getLogger("benchd.sinks.mqtt.broker.library")
quiet.setLevel(logging.CRITICAL)


class Refused(Exception):
    """The broker takes no such event: reason code `value`. `for_good`: trying again is no use."""

    def __init__(self, value: int, text: str, *, for_good: bool = False) -> None:
        super().__init__(text)
        self.value = value
        self.for_good = for_good or value in FOR_GOOD


class Broker(aiomqtt.Client):
    """One connection; make a new one for each try. Use as an async context manager."""

    def __init__(
        self,
        settings: MqttSettings,
        client_id: str,
        will: aiomqtt.Will,
        password: str | None,
        context: ssl.SSLContext | None,
    ) -> None:
        """`password` and `context` come from the settings; reading them takes time and is the caller's."""
        self._tls_socket: ssl.SSLSocket | None = None
        if context is not None:
            wrap = context.wrap_socket

            def keep(*args: Any, **more: Any) -> ssl.SSLSocket:
                self._tls_socket = wrap(*args, **more)  # paho forgets it when the handshake fails
                return self._tls_socket

            context.wrap_socket = keep  # type: ignore[method-assign]
        super().__init__(
            settings.host,
            settings.port,
            username=settings.user,
            password=password,
            identifier=client_id,
            protocol=aiomqtt.ProtocolVersion.V5,
            will=will,
            keepalive=settings.keepalive,
            clean_start=True,
            timeout=settings.timeout,
            tls_context=context,
            max_inflight_messages=20,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
            logger=quiet,
        )
        self._client.connect_timeout = min(CONNECT_S, settings.timeout)
        self.largest = sys.maxsize
        """Bytes of a packet that the broker takes (MQTT 5.0 section 3.2.2.3.6)."""
        self.in_flight = settings.in_flight
        """Events that may be under way: what is set, or less where the broker takes less (3.2.2.3.3)."""
        self._refusals: dict[int, ReasonCode] = {}
        self._thread_left = threading.Event()

    async def send(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Publish at QoS 1; return when the broker has taken it. Raises Refused, or MqttError."""
        size = len(topic.encode()) + len(payload) + OVERHEAD
        if size > self.largest:
            text = f"event of {size} bytes, the broker takes {self.largest}"
            raise Refused(0x95, text, for_good=True)
        info = self._client.publish(topic, payload, 1, retain, _properties())
        if info.rc != 0:
            raise MqttCodeError(info.rc, "could not publish")
        if not info.is_published():
            taken = asyncio.Event()
            with self._pending_call(info.mid, taken, self._pending_publishes):
                await self._wait_for(taken.wait(), timeout=None)
        if (code := self._refusals.pop(info.mid, None)) is not None:
            raise Refused(code.value, str(code))

    async def lost(self) -> None:
        """Wait until the connection is lost; raises MqttError then."""
        async for _ in self.messages:
            pass

    def _on_connect(
        self,
        client: Any,
        userdata: Any,
        flags: Any,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        self.largest = getattr(properties, "MaximumPacketSize", self.largest)
        self.in_flight = min(self.in_flight, getattr(properties, "ReceiveMaximum", self.in_flight))
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_publish(self, client: Any, userdata: Any, mid: int, reason_code: ReasonCode, properties: Any) -> None:
        if reason_code.is_failure:
            self._refusals[mid] = reason_code
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def _client_connect(self) -> None:
        try:
            super()._client_connect()
        finally:
            self._thread_left.set()

    async def __aenter__(self) -> Self:
        opening = asyncio.create_task(super().__aenter__())
        try:
            return await asyncio.shield(opening)
        except BaseException:
            # The connecting thread cannot be stopped: let it end (CONNECT_S), then close what it opened.
            while not opening.done() and not self._thread_left.is_set():
                await asyncio.wait([opening], timeout=0.05)
            opening.cancel()
            await asyncio.wait([opening])
            self._client.disconnect()
            if self._tls_socket is not None:
                self._tls_socket.close()
            raise

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is not None and not self._disconnected.done():
            with_will = ReasonCode(PacketTypes.DISCONNECT, "Disconnect with will message")
            self._client.disconnect(with_will)
        await super().__aexit__(kind, error, trace)


def _properties() -> Properties:
    properties = Properties(PacketTypes.PUBLISH)
    properties.PayloadFormatIndicator = 1  # UTF-8
    properties.ContentType = "application/json"
    return properties


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


def explain(error: BaseException, settings: MqttSettings) -> str:
    """Return what went wrong with the broker and what to do, in one line without any secret."""
    where = f"broker {settings.host}:{settings.port}"
    if isinstance(error, BenchError):
        return str(error)
    if isinstance(error, Refused):
        if error.value == 0x87:
            return f"{where} refuses events: not authorized: let the user write below {settings.prefix}/"
        return f"{where} refuses events: {error}"
    if isinstance(error, MqttConnectError) and isinstance(error.rc, ReasonCode):
        return f"{where} refused the connection: {CONNACK.get(error.rc.value, str(error.rc))}"
    cause = error.__cause__
    for code in (getattr(error, "rc", None), getattr(cause, "rc", None)):
        if isinstance(code, ReasonCode) and code.value != 0x80:  # 80h is paho's word for a broken connection
            return f"{where} closed the connection: {GOODBYE.get(code.value, str(code))}"
    text = str(error)
    if "timed out" in text:
        return f"{where} does not answer: is it frozen, or something else than a broker?"
    if "CERTIFICATE_VERIFY_FAILED" in text:
        return f"{where}: its certificate is not trusted ({text}): check mqtt.ca_file and the host name"
    if "reset by peer" in text and not settings.tls:
        return f"{where} cut the connection off: does it want mqtts://, or is it something else?"
    if "SSL" in text or "reset by peer" in text:
        return f"{where}: TLS failed ({text}): is the port a TLS one, and does it want a client certificate?"
    if "Connection refused" in text:
        return f"{where}: nothing listens there: is the broker running?"
    if isinstance(error, MqttCodeError) or "Disconnected" in text:
        return f"{where}: the connection was lost"
    return f"{where}: {text or type(error).__name__}"
