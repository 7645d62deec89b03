"""The connection to an MQTT 5 broker: aiomqtt, and what its public surface does not tell.

aiomqtt 2.5 does not say what a broker acknowledged (an event refused by an access list would count as delivered)
nor which limits it set, and leaves the socket of a failed connect open. The library below it tells all of this by
public callbacks; `Broker` reaches it by one private attribute, `aiomqtt.Client._client`, and nothing else of the
kind. So aiomqtt is pinned exactly in pyproject.toml, and a test counts. The tests with a real broker check each.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
import sys
from collections.abc import Callable
from types import TracebackType
from typing import Any, Self

import aiomqtt
from aiomqtt.exceptions import MqttCodeError
from paho.mqtt.client import Client as Protocol
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from benchd.sinks.mqtt.asks import MOST_BYTES
from benchd.sinks.mqtt.settings import MqttSettings

CONNECT_S = 5.0
"""How long the network may take to open the connection, TLS included."""

GOODBYE_S = 0.5
"""How long a goodbye may take to leave a connection that is given up."""

FOR_GOOD = frozenset({0x90, 0x99})
"""Refusals that sending again cannot cure: topic name invalid, payload format invalid (MQTT 5.0 table 3-4)."""

HEARD = 64
"""Messages that came in and are not looked at yet; beyond that they are let go: who asks, asks again."""

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


class Broker:
    """One connection; make a new one for each try. Use as an async context manager."""

    def __init__(
        self,
        settings: MqttSettings,
        client_id: str,
        will: aiomqtt.Will | None,
        password: str | None,
        context: ssl.SSLContext | None,
        *,
        session: Properties | None = None,
    ) -> None:
        """`password` and `context` come from the settings; reading them takes time and is the caller's.

        `session`: properties of a session that is taken up again where it was left; without, each is a new one.
        """
        self.largest = sys.maxsize
        """Bytes of a packet that the broker takes (MQTT 5.0 section 3.2.2.3.6)."""
        self.in_flight = settings.in_flight
        """Events that may be under way: what is set, or less where the broker takes less (3.2.2.3.3)."""
        self._timeout_s = settings.timeout
        self._answers: dict[int, asyncio.Future[ReasonCode]] = {}
        self._handshake: list[ssl.SSLSocket] = []
        self._aio = aiomqtt.Client(
            settings.host,
            settings.port,
            username=settings.user,
            password=password,
            identifier=client_id,
            protocol=aiomqtt.ProtocolVersion.V5,
            will=will,
            keepalive=settings.keepalive,
            clean_start=session is None,
            timeout=settings.timeout,
            tls_context=_remembering(context, self._handshake) if context else None,
            max_inflight_messages=20,
            max_queued_incoming_messages=HEARD if session is None else None,  # else the session bounds them
            properties=_session() if session is None else session,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
            logger=quiet,
        )
        self._protocol: Protocol = self._aio._client
        self._protocol.connect_timeout = min(CONNECT_S, settings.timeout)
        self._protocol.on_publish = self._on_answer
        self._on_connect: Any = self._protocol.on_connect
        self._protocol.on_connect = self._on_limits
        self._protocol.on_socket_register_write = self._on_write_wanted
        self._loop = asyncio.get_running_loop()
        self._thread_left = False

    async def send(self, topic: str, payload: bytes, *, retain: bool = False, expiry_s: int | None = None) -> None:
        """Publish at QoS 1; return when the broker has taken it. Raises Refused, or MqttError.

        Who was not there within `expiry_s` does not get it any more.
        """
        size = len(topic.encode()) + len(payload) + OVERHEAD
        if size > self.largest:
            text = f"event of {size} bytes, the broker takes {self.largest}"
            raise Refused(0x95, text, for_good=True)
        sent = self._protocol.publish(topic, payload, 1, retain, _properties(expiry_s))
        if sent.rc != 0:
            raise MqttCodeError(sent.rc, "could not publish")
        # The answer is handled by this loop, so it cannot come before this line.
        answer = self._answers[sent.mid] = asyncio.get_running_loop().create_future()
        try:
            code = await asyncio.wait_for(answer, self._timeout_s)
        except TimeoutError:
            raise aiomqtt.MqttError("publishing timed out") from None
        finally:
            self._answers.pop(sent.mid, None)
        if code.is_failure:
            raise Refused(code.value, str(code))

    async def hear(self, topic: str) -> None:
        """Subscribe at QoS 1; what comes is given to `lost`. Raises Refused, or MqttError."""
        for code in await self._aio.subscribe(topic, qos=1):
            if isinstance(code, ReasonCode) and code.is_failure:
                raise Refused(code.value, str(code))

    async def lost(self, heard: Callable[[aiomqtt.Message], None] = lambda message: None) -> None:
        """Wait until the connection is lost; raises MqttError then. `heard` gets what comes meanwhile."""
        async for message in self._aio.messages:
            heard(message)

    def _on_answer(self, client: Any, userdata: Any, mid: int, code: ReasonCode, properties: Any) -> None:
        answer = self._answers.get(mid)
        if answer is not None and not answer.done():
            answer.set_result(code)

    def _on_limits(self, client: Any, userdata: Any, flags: Any, code: ReasonCode, properties: Any) -> None:
        self.largest = getattr(properties, "MaximumPacketSize", self.largest)
        self.in_flight = min(self.in_flight, getattr(properties, "ReceiveMaximum", self.in_flight))
        self._on_connect(client, userdata, flags, code, properties)

    def _on_write_wanted(self, client: Any, userdata: Any, sock: Any) -> None:
        self._loop.call_soon_threadsafe(self._write_when_ready, sock)
        self._thread_left = True  # queueing CONNECT is the last thing that the connecting thread does

    def _write_when_ready(self, sock: Any) -> None:
        # The socket may have been closed since, and its number may be somebody else's: aiomqtt does not look.
        still = self._protocol.socket() is sock
        if still:
            self._loop.add_writer(sock.fileno(), self._write)

    def _write(self) -> None:
        # A connection that broke is told by `on_disconnect`; what else goes wrong leaves packets unanswered.
        with contextlib.suppress(OSError, ValueError):
            self._protocol.loop_write()

    async def __aenter__(self) -> Self:
        opening = asyncio.create_task(self._aio.__aenter__())
        try:
            await asyncio.shield(opening)
        except BaseException:
            # The connecting thread cannot be stopped: let it end (CONNECT_S), then close what it opened.
            for wrapped in self._handshake:
                with contextlib.suppress(OSError):
                    wrapped.shutdown(socket.SHUT_RDWR)  # it may wait for a broker that does not talk TLS
            while not opening.done() and not self._thread_left:
                await asyncio.wait([opening], timeout=0.05)
            await self._hang_up()
            opening.cancel()
            await asyncio.wait([opening])
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                await self._aio.__aexit__(None, None, None)
        finally:
            await self._hang_up()

    async def _hang_up(self) -> None:
        """Ask the broker to tell our Last Will and close the socket, at once where nobody listens there."""
        if self._protocol.socket() is not None:
            # aiomqtt's own handler stumbles over a connection that was given up before it stood.
            self._protocol.on_disconnect = None
            with contextlib.suppress(OSError, ValueError):
                self._protocol.disconnect(ReasonCode(PacketTypes.DISCONNECT, "Disconnect with will message"))
            end = asyncio.get_running_loop().time() + GOODBYE_S
            while self._protocol.socket() is not None and asyncio.get_running_loop().time() < end:
                await asyncio.sleep(0.01)
            # "Any already established connection will be terminated immediately" (its documentation).
            self._protocol.connect_async(self._protocol.host, self._protocol.port)
        for wrapped in self._handshake:
            wrapped.close()


def _remembering(context: ssl.SSLContext, kept: list[ssl.SSLSocket]) -> ssl.SSLContext:
    """Let a TLS context put its sockets into `kept`: one whose handshake failed is closed by nobody else."""
    wrap = context.wrap_socket

    def keep(*args: Any, **more: Any) -> ssl.SSLSocket:
        kept.append(wrap(*args, **more))
        return kept[-1]

    context.wrap_socket = keep  # type: ignore[method-assign]
    return context


def _session() -> Properties:
    """What this side takes (MQTT 5.0 section 3.1.2.11): a broker sends nothing larger."""
    properties = Properties(PacketTypes.CONNECT)
    properties.MaximumPacketSize = MOST_BYTES + 1024
    return properties


def _properties(expiry_s: int | None) -> Properties:
    properties = Properties(PacketTypes.PUBLISH)
    if expiry_s is not None:
        properties.MessageExpiryInterval = expiry_s
    properties.PayloadFormatIndicator = 1  # UTF-8
    properties.ContentType = "application/json"
    return properties
