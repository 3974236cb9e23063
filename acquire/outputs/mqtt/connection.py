"""One connection to a broker: MQTT 5, or 3.1.1 where the broker has no 5; last will, TLS, password."""

import asyncio
import logging
import socket
from collections.abc import AsyncIterator, Collection, Coroutine
from contextlib import asynccontextmanager
from typing import Any

import aiomqtt
from paho.mqtt.client import Client as PahoClient
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from acquire.outputs.mqtt.settings import BusSettings

V5, V311 = aiomqtt.ProtocolVersion.V5, aiomqtt.ProtocolVersion.V311
KEEPALIVE_S = 20
CANCEL_EVERY_S = 0.1
_LOG = logging.getLogger(__name__)
# What becomes of a connection is told in our own words; the library's are for who asks for them.
_LOG.addHandler(logging.NullHandler())
_NO_SUCH_VERSION = 132
_NOT_LET_IN = (134, 135)  # bad user name or password; not authorized
_INCOMING_N = 10_000


class NotTaken(aiomqtt.MqttError):
    """The broker acknowledged a message and said that it does not keep it."""


class _Client(aiomqtt.Client):
    """Looks into acknowledgements: the library passes over a refusal there, and the message would be lost."""

    not_taken: ReasonCode | None = None

    def _on_publish(
        self, client: PahoClient, userdata: Any, mid: int, reason_code: ReasonCode, properties: Properties
    ) -> None:
        if reason_code.is_failure:
            self.not_taken = reason_code
        super()._on_publish(client, userdata, mid, reason_code, properties)

    async def __aexit__(self, *error: Any) -> None:
        try:
            await super().__aexit__(*error)
        finally:
            # The library leaves the reason of a disconnection lying about, and asyncio complains of that.
            if self._disconnected.done() and not self._disconnected.cancelled():
                self._disconnected.exception()


class Connection:
    """Made by `connect`. All methods raise MqttError when the connection is gone."""

    def __init__(self, client: _Client, protocol: aiomqtt.ProtocolVersion) -> None:
        self._client = client
        self._properties = json_properties(protocol)
        self.version = "5" if protocol is V5 else "3.1.1"

    async def publish(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> None:
        """Returns once the broker has it (QoS 1), or once it is on its way (QoS 0)."""
        await self._client.publish(topic, payload, qos=qos, retain=retain, properties=self._properties)
        if self._client.not_taken is not None:
            raise NotTaken(f"the broker does not take what we publish: {self._client.not_taken}")

    async def subscribe(self, *topics: str, qos: int = 1) -> None:
        """From now on `messages` gives what is published there."""
        for topic in topics:
            codes = await self._client.subscribe(topic, qos=qos)
            for code in codes:
                if isinstance(code, ReasonCode) and code.is_failure:
                    raise NotTaken(f"the broker does not let us read {topic}: {code}")

    @property
    def messages(self) -> aiomqtt.MessagesIterator:
        return self._client.messages


def json_properties(protocol: aiomqtt.ProtocolVersion) -> Properties | None:
    """Says that a payload is JSON in UTF-8, where the protocol has words for it."""
    if protocol is not V5:
        return None
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.PayloadFormatIndicator = 1
    properties.ContentType = "application/json"
    return properties


class Dialler:
    """Connects, and remembers which version of the protocol the broker understood."""

    def __init__(self, settings: BusSettings) -> None:
        self.settings = settings
        self.protocol = V5
        self._answered = False

    @asynccontextmanager
    async def connect(self, will: aiomqtt.Will | None = None) -> AsyncIterator[Connection]:
        """A connection; left in order, the broker forgets the will.

        Raises:
            MqttError: there is none; after a refusal of the version, the next attempt is with the other.
            ConfigError: a certificate or key cannot be used.
        """
        settings = self.settings
        client = _Client(
            settings.host,
            settings.port,
            username=settings.user,
            password=settings.password,
            protocol=self.protocol,
            will=will,
            timeout=settings.timeout_s,
            keepalive=KEEPALIVE_S,
            tls_context=settings.tls_context(),
            logger=_LOG,
            max_queued_incoming_messages=_INCOMING_N,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        )
        # A window of messages under way is what we want, and no reason to warn.
        client.pending_calls_threshold = 1000
        connected = False
        try:
            async with client:
                connected = self._answered = True
                yield Connection(client, self.protocol)
        except aiomqtt.MqttError as error:
            if not connected and self._wrong_version(error):
                self.protocol = V311 if self.protocol is V5 else V5
            raise

    def _wrong_version(self, error: aiomqtt.MqttError) -> bool:
        """Old brokers say so, or hang up without a word, which looks like no answer."""
        if isinstance(error, aiomqtt.MqttCodeError):
            return _code(error) == _NO_SUCH_VERSION
        return not self._answered and "timed out" in str(error)

    def explain(self, error: aiomqtt.MqttError) -> str:
        """What went wrong, for a person, with what to do."""
        settings, why = self.settings, str(error) or type(error).__name__
        if isinstance(error, aiomqtt.MqttCodeError) and _code(error) in _NOT_LET_IN:
            who = f"user {settings.user!r}" if settings.user else "anybody without user and password"
            return (
                f"the broker {settings.target} does not let in {who} ({error.rc});"
                " check PANELWRIGHT_MQTT_USER and PANELWRIGHT_MQTT_PASSWORD"
            )
        if isinstance(error, NotTaken):
            return f"{settings.target}: {why}; it must let us write under panelwright/1/, and read .../again"
        if isinstance(error, aiomqtt.MqttCodeError) and _code(error) == _NO_SUCH_VERSION:
            return f"the broker {settings.target} has no MQTT 5; trying 3.1.1"
        if "CERTIFICATE_VERIFY_FAILED" in why:
            return (
                f"the certificate of {settings.target} is not to be trusted ({why});"
                " PANELWRIGHT_MQTT_CA names the certificates to trust"
            )
        return f"no connection to the broker {settings.target}: {why}"


def _code(error: aiomqtt.MqttCodeError) -> int | None:
    return error.rc.value if isinstance(error.rc, ReasonCode) else error.rc


async def until_first_ends(*coroutines: Coroutine[Any, Any, None]) -> None:
    """Runs them side by side until one ends, ends the others, and passes on what went wrong."""
    tasks = [asyncio.create_task(one) for one in coroutines]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        await end_all(tasks)
    for task in done:
        task.result()


async def end_all(tasks: Collection[asyncio.Task[None]]) -> None:
    """Cancels tasks until all have ended; what went wrong in them is for others to look at.

    Once is not enough: in Python 3.11 `wait_for`, which the library uses too, loses a cancellation that
    arrives together with what it waited for.
    """
    while left := [task for task in tasks if not task.done()]:
        for task in left:
            task.cancel()
        await asyncio.wait(left, timeout=CANCEL_EVERY_S)
    await asyncio.gather(*tasks, return_exceptions=True)
