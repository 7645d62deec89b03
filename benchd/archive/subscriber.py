"""The archive's session with the broker: kept while it is away, acknowledged only when told so.

A message that was not acknowledged comes again (MQTT 5.0, section 4.4), here or at another process of the same share
(4.8.2). The broker sends no more at once than the Receive Maximum that was told (3.1.2.11.3): that bounds what waits
here, and what comes again.
"""

from __future__ import annotations

import ssl
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Any

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from benchd.errors import ExternalError
from benchd.sinks.mqtt.broker import Broker
from benchd.sinks.mqtt.settings import MqttSettings

PACKET_MOST = (1 << 20) + (1 << 16)
"""Bytes of a packet that is taken: a payload as large as is read, its topic, and room."""
EVENTS = (*(f"machine/+/{kind}" for kind in ("boot", "code", "stage", "finding", "link")), "entry", "answer")
"""What the processes of a share have among them, below PREFIX/BENCH/."""
RETAINED = ("status", "machine/+/state", "machine/+/alert")
"""What each process gets for itself, also what was said before it came."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """A message that waits to be acknowledged by its number `mid`."""

    topic: str
    payload: bytes
    qos: int
    mid: int


def filters(prefix: str, share: str) -> list[str]:
    """What an archive subscribes to."""
    shared = [f"$share/{share}/{prefix}/+/{leaf}" for leaf in EVENTS]
    return shared + [f"{prefix}/+/{leaf}" for leaf in RETAINED]


class Subscriber(Broker):
    """One connection that takes messages; make a new one for each try. Use as an async context manager."""

    def __init__(
        self,
        settings: MqttSettings,
        client_id: str,
        password: str | None,
        context: ssl.SSLContext | None,
        *,
        in_flight: int,
        session_s: float,
    ) -> None:
        session = Properties(PacketTypes.CONNECT)
        session.SessionExpiryInterval = round(session_s)
        session.ReceiveMaximum = in_flight
        session.MaximumPacketSize = PACKET_MOST
        super().__init__(settings, client_id, None, password, context, session=session)
        self._protocol.manual_ack_set(True)

    async def subscribe(self, wanted: Sequence[str]) -> None:
        """Subscribe at QoS 1. Raises ExternalError for what the broker does not let us have, MqttError."""
        answers = await self._aio.subscribe([(one, aiomqtt.client.SubscribeOptions(qos=1)) for one in wanted])
        for one, answer in zip(wanted, answers, strict=True):
            value: Any = getattr(answer, "value", answer)
            if value >= 0x80:
                raise ExternalError(f"the broker does not let {one} be subscribed to ({answer}): let the user read it")

    async def deliveries(self) -> AsyncIterator[Delivery]:
        """Yield messages as they come. Raises MqttError when the connection is lost."""
        async for message in self._aio.messages:
            payload = message.payload if isinstance(message.payload, bytes) else b""
            yield Delivery(str(message.topic), payload, message.qos, message.mid)

    def acknowledge(self, taken: Sequence[Delivery]) -> None:
        """Say that messages are kept, in the order in which they came (MQTT 5.0, section 4.6)."""
        for one in taken:
            if one.qos:
                self._protocol.ack(one.mid, one.qos)
