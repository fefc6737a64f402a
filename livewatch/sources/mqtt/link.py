"""The link to a broker: a thread of its own that connects, serves, and connects again.

What to do while connected comes in as a coroutine function; it is called anew with each connection, and ends by what
goes wrong with the link. Nobody waits for this thread: others hand things to it through what the coroutine looks at,
and wake it. `trouble` says in words why there is no connection, without any secret. MQTT 5 is spoken where the broker
speaks it, else 3.1.1.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextvars import ContextVar
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from livewatch.sources.mqtt.broker import Broker
from livewatch.sources.mqtt.failure import failure_words

if TYPE_CHECKING:
    from paho.mqtt.reasoncodes import ReasonCode

__all__ = ["Connection", "Link", "Will"]

PAUSES = (0.25, 0.5, 1.0, 2.0, 5.0)
"""Seconds before each attempt to connect again; the last is repeated."""
KEEP_ALIVE = 10
"""Seconds of silence after which broker and client ask whether the other is there (MQTT 5, 3.1.2.10)."""
TIMEOUT = 10.0
"""Seconds that the broker has to answer."""
FIRST_TIMEOUT = 3.0
"""The same for its first word: one that does not know our version of MQTT may say nothing at all."""
OTHER = {
    aiomqtt.ProtocolVersion.V5: aiomqtt.ProtocolVersion.V311,
    aiomqtt.ProtocolVersion.V311: aiomqtt.ProtocolVersion.V5,
}
WILL_DELAY = 3
"""Seconds that a broker of MQTT 5 waits for a station to come back before it says that it is lost."""
MOST_WAITING = 20_000
MOST_BYTES = 32_000_000
"""Messages received and not yet looked at, and bytes of them; further ones are left out, and counted."""
LARGEST_PACKET = 8_000_000
"""Bytes of a message that a broker of MQTT 5 hands on to us (MQTT 5, 3.1.2.11.4)."""
STEADY = 5.0
"""Seconds after which a connection counts as one that works."""
_NUMBER: ContextVar[int] = ContextVar("number of the message that this task publishes", default=0)
_QUIET = logging.getLogger("livewatch.mqtt")
_QUIET.addHandler(logging.NullHandler())
_QUIET.propagate = False


@dataclass(frozen=True, slots=True)
class Will:
    """What the broker says, retained, when the link is lost without a word."""

    topic: str
    payload: bytes


class _Client(aiomqtt.Client):
    """As aiomqtt has it, and knows which messages the broker did not take, and how many did not fit.

    What it overrides is private there: a refusal is told in the acknowledgement only (MQTT 5, 3.4.2.1).
    """

    def __init__(self, refused: Callable[[int, str], None], left_out: Callable[[], None], **options: Any) -> None:
        self._refused, self._left_out = refused, left_out
        self.waiting = 0
        """Bytes of messages that wait to be looked at."""
        super().__init__(**options)

    def _pending_call(self, mid: int, *arguments: Any) -> Any:
        _NUMBER.set(mid)
        return super()._pending_call(mid, *arguments)

    def _on_publish(self, client: Any, userdata: Any, mid: int, reason_code: ReasonCode, properties: Any) -> None:
        if reason_code.is_failure:
            self._refused(mid, str(reason_code))
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def _on_message(self, client: Any, userdata: Any, message: Any) -> None:
        size = len(message.payload)
        if self._queue.full() or self.waiting + size > MOST_BYTES:
            self._left_out()
            return
        self.waiting += size
        super()._on_message(client, userdata, message)


class Connection:
    """An open link, for the coroutine that serves it. `refused` is called with the topic and the broker's reason when
    it does not take a message."""

    def __init__(self, client: _Client, refused: Callable[[str, str], None]) -> None:
        self._client, self._tell = client, refused
        self._early: dict[int, str] = {}

    def refusal(self, number: int, reason: str) -> None:
        """The broker did not take message `number`."""
        if len(self._early) < 1000:
            self._early[number] = reason

    async def publish(self, topic: str, payload: bytes, qos: int = 0, retain: bool = False) -> bool:
        """Returns once it is written (QoS 0) or the broker has it (QoS 1); whether the broker took it.

        Raises:
            aiomqtt.MqttError: the link is lost.
        """
        _NUMBER.set(0)
        await self._client.publish(topic, payload, qos, retain)
        reason = self._early.pop(_NUMBER.get(), None)
        if reason is not None:
            self._tell(topic, reason)
        return reason is None

    async def subscribe(self, *topics: str, qos: int = 1) -> None:
        """Have messages of `topics` come; what is not permitted is told as refused.

        Raises:
            aiomqtt.MqttError: the link is lost.
        """
        answers = await self._client.subscribe([(topic, qos) for topic in topics])
        for topic, answer in zip(topics, answers, strict=False):
            code = answer if isinstance(answer, int) else int(getattr(answer, "value", 0))
            if code >= 0x80:
                self._tell(topic, str(answer))

    async def unsubscribe(self, *topics: str) -> None:
        """Have no more of them."""
        await self._client.unsubscribe(list(topics))

    async def messages(self) -> AsyncIterator[aiomqtt.Message]:
        """What comes.

        Raises:
            aiomqtt.MqttError: the link is lost.
        """
        async for message in self._client.messages:
            self._client.waiting -= len(message.payload)
            yield message


class Link:
    """Args:
    broker: where to.
    serve: what to do while connected; ends by being cancelled, or by what went wrong. It may return to have the link
        closed in order.
    will: what the broker says when the link is lost; None for nothing.
    """

    def __init__(
        self,
        broker: Broker,
        serve: Callable[[Connection], Awaitable[None]],
        will: Will | None = None,
    ) -> None:
        self.broker = broker
        self.trouble = ""
        """Why there is no connection; empty while there is one, and before the first attempt has failed."""
        self.connected = False
        self.connections = 0
        self.refusals: dict[str, str] = {}
        """Topics that the broker did not let us use, and why."""
        self.left_out = 0
        """Messages received that there was no room for."""
        self._serve, self._will = serve, will
        self._context = broker.tls_context()
        self._version = aiomqtt.ProtocolVersion.V5
        self._identifier = f"livewatch-{secrets.token_hex(6)}"
        self._loop: asyncio.AbstractEventLoop | None = None
        self._task: asyncio.Task[None] | None = None
        self._stopping = False
        self._thread = threading.Thread(target=self._live, name="livewatch mqtt", daemon=True)

    def start(self) -> None:
        """Begin to connect; does not wait."""
        self._thread.start()

    def stop(self, patience: float = 2.0) -> None:
        """Cancel what serves and wait for the end, so many seconds at the most."""
        self._stopping = True
        if self._loop is not None and self._task is not None:
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._task.cancel)
        if self._thread.ident is not None:
            self._thread.join(patience)

    def call(self, what: Callable[[], Any]) -> None:
        """Have something done by the link's thread, soon; nothing when it has ended."""
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(what)

    @property
    def running(self) -> bool:
        """Whether its thread runs."""
        return self._thread.is_alive()

    def _live(self) -> None:
        # Not the usual loop of Windows: it cannot watch sockets as paho wants.
        with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
            self._loop = runner.get_loop()
            with contextlib.suppress(asyncio.CancelledError):
                runner.run(self._connect_again_and_again())

    async def _connect_again_and_again(self) -> None:
        self._task = asyncio.current_task()
        attempts = 0
        while not self._stopping:
            began = time.monotonic()
            try:
                await self._connect()
                return
            except (aiomqtt.MqttError, OSError, ValueError) as error:
                if self._may_not_speak_it(error):
                    # One version after the other, until the broker has answered to one.
                    self._version = OTHER[self._version]
                    if self._version is aiomqtt.ProtocolVersion.V311:
                        continue
                self.trouble = failure_words(error, self.broker)
                steady = self.connected and time.monotonic() - began > STEADY
                attempts = 0 if steady else attempts + 1
            except Exception as fault:
                # A fault of our own with one message must not end the link for good.
                self.trouble = f"broker {self.broker}: a fault in livewatch itself: {type(fault).__name__}: {fault}"
                attempts = len(PAUSES)
            finally:
                self.connected = False
            await asyncio.sleep(PAUSES[min(attempts, len(PAUSES) - 1)])

    def _may_not_speak_it(self, error: Exception) -> bool:
        """Whether the broker may not know the version of MQTT: it says so, hangs up, or is silent."""
        if self.connections:
            return False
        if isinstance(error.__context__, OSError) and not isinstance(
            error.__context__, ConnectionResetError | TimeoutError
        ):
            return False
        code = getattr(error, "rc", None)
        value = code if isinstance(code, int) else getattr(code, "value", None)
        return value in (1, 0x84) or value is None

    async def _connect(self) -> None:
        five = self._version is aiomqtt.ProtocolVersion.V5
        will = None
        if self._will is not None:
            properties = _will_properties() if five else None
            will = aiomqtt.Will(self._will.topic, self._will.payload, 1, True, properties)
        numbers: list[Connection] = []
        client = _Client(
            lambda number, reason: numbers[0].refusal(number, reason) if numbers else None,
            self._count_left_out,
            hostname=self.broker.host,
            port=self.broker.port,
            username=self.broker.user,
            password=self.broker.password,
            logger=_QUIET,
            identifier=self._identifier,
            protocol=self._version,
            will=will,
            clean_session=None if five else True,
            timeout=TIMEOUT if self.connections else FIRST_TIMEOUT,
            keepalive=KEEP_ALIVE,
            properties=_connect_properties() if five else None,
            max_queued_incoming_messages=MOST_WAITING,
            tls_context=self._context,
        )
        client.pending_calls_threshold = 1_000
        async with client:
            client.timeout = TIMEOUT
            self.connected, self.trouble = True, ""
            self.connections += 1
            connection = Connection(client, self._note_refusal)
            numbers.append(connection)
            await self._serve(connection)

    def _note_refusal(self, topic: str, reason: str) -> None:
        if len(self.refusals) < 50:
            self.refusals[topic] = reason

    def _count_left_out(self) -> None:
        self.left_out += 1


def _connect_properties() -> Properties:
    properties: Properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = LARGEST_PACKET
    return properties


def _will_properties() -> Properties:
    properties: Properties = Properties(PacketTypes.WILLMESSAGE)  # type: ignore[no-untyped-call]
    properties.WillDelayInterval = WILL_DELAY
    return properties
