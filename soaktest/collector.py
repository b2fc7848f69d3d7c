"""Broker → journal, acknowledged after the commit.

The session is persistent and acknowledgement is by hand, so that what the broker gave and the
journal has not kept is given again. A batch is whatever had arrived when the last one was committed:
nothing waits, and a busy broker gives large batches. One thread reads, commits and acknowledges:
handing each message from a network thread to a writing one, and its acknowledgement back, costs
more than the commit.
"""

from __future__ import annotations

import logging
import select
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Any, NamedTuple

import paho.mqtt.client as mqtt

from soaktest.errors import BrokerError, JournalError
from soaktest.journal import Journal
from soaktest.mqtt_client import new_client
from soaktest.recording import Message, Retained
from soaktest.settings import BrokerAddress
from soaktest.wire import ROOT, subscriptions

log = logging.getLogger("soaktest")

LARGEST_BATCH = 2000
RETRY_S = (0.5, 10.0)
"""Shortest and longest pause between tries to write the journal."""
RECONNECT_S = (1.0, 30.0)
"""Shortest and longest pause between tries to reach the broker."""
WAKE_S = 0.1
"""The network is looked after at least this often, and a wish to stop is seen."""

Clock = Callable[[str, bytes], float]
"""Arrival time of a message (topic, payload), UTC seconds."""


@dataclass(slots=True)
class Counts:
    """What the collector has done so far."""

    journaled: int = 0
    duplicates: int = 0
    set_aside: int = 0


class _Heard(NamedTuple):
    message: Message
    mid: int
    qos: int
    connection: int


def _arrival(_topic: str, _payload: bytes) -> float:
    return time.time()


class Collector:
    """Collects between ``with`` and its end; at the end it commits and acknowledges what it has."""

    def __init__(
        self,
        journal: Journal,
        address: BrokerAddress,
        client_id: str = "soaktest-collector",
        clock: Clock = _arrival,
        source: str = "",
        root: str = ROOT,
    ) -> None:
        """``root`` is what stands before the bench in the topics it listens to; they are journaled below ``ROOT``."""
        self.counts = Counts()
        self.trouble: str | None = None
        """What keeps the journal from being written just now, in words."""
        self._journal, self._address, self._clock, self._source = journal, address, clock, source
        self._root = root
        self._heard: list[_Heard] = []
        self._connection = 0
        self._subscribed, self._stopping = threading.Event(), threading.Event()
        self._refused: str | None = None
        self._commit_after, self._pause = 0.0, RETRY_S[0]
        self._thread = threading.Thread(target=self._run, name="collector", daemon=True)
        self._client = new_client(address, client_id, durable=True)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message
        # told of what waits to be written, the client leaves the writing to our loop
        self._client.on_socket_register_write = lambda *_: None

    def __enter__(self) -> Collector:
        """Connect and subscribe. Raises BrokerError where there is no broker, or it refuses."""
        try:
            self._client.connect(self._address.host, self._address.port, keepalive=30)
        except (OSError, ValueError) as exc:
            raise BrokerError(
                f"no broker at {self._address} ({exc}). Start one there, mend SOAKTEST_BROKER, or leave it "
                "unset for the embedded broker."
            ) from exc
        self._thread.start()
        if not self._subscribed.wait(10):
            self.__exit__(None, None, None)
            raise BrokerError(
                f"the broker at {self._address} did not let us in: {self._refused or 'no answer in 10 s'}."
            )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(15)

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, code: Any, _props: Any) -> None:
        if code.is_failure:
            self._refused = str(code)
            return
        self._connection += 1
        client.subscribe([(topic, 1) for topic in subscriptions(self._root)])

    def _on_subscribe(self, *_args: Any) -> None:
        self._subscribed.set()

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, code: Any, _props: Any) -> None:
        if not self._stopping.is_set():
            log.warning("lost the broker (%s); trying again", code)

    def _on_message(self, client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = repr(message._topic)
        if self._root != ROOT:
            if not topic.startswith(
                f"{self._root}/"
            ):  # not every broker keeps its retained messages to the filter
                client.ack(message.mid, message.qos)
                return
            topic = ROOT + topic.removeprefix(self._root)
        payload = bytes(message.payload)
        kind = Retained if message.retain else Message
        heard = kind(self._clock(topic, payload), topic, payload)
        self._heard.append(_Heard(heard, message.mid, message.qos, self._connection))

    def _run(self) -> None:
        """Read, commit, acknowledge, until told to stop; then commit once more and say goodbye."""
        pause = RECONNECT_S[0]
        while not self._stopping.is_set():
            if self._client.socket() is None:
                if self._stopping.wait(pause):
                    break
                pause = min(2 * pause, RECONNECT_S[1])
                with suppress(OSError):
                    self._client.reconnect()
                continue
            self._read()
            if self._subscribed.is_set():
                pause = RECONNECT_S[0]
            if self._heard and time.monotonic() >= self._commit_after:
                self._commit()
            while self._client.want_write() and self._client.loop_write() == mqtt.MQTT_ERR_SUCCESS:
                pass
            self._client.loop_misc()
        if self._heard:
            self._commit()
        self._client.disconnect()
        self._client.loop_write()

    def _read(self) -> None:
        """Take all that has arrived, waiting a little for the first of it."""
        if len(self._heard) >= LARGEST_BATCH:  # the journal is in trouble: let the broker keep the rest
            self._stopping.wait(WAKE_S)
            return
        connection = self._client.socket()
        if connection is None or not select.select([connection], [], [], WAKE_S)[0]:
            return
        had = -1
        while had < len(self._heard) < LARGEST_BATCH and self._client.socket() is not None:
            had = len(self._heard)
            self._client.loop_read()

    def _commit(self) -> None:
        """Keep what was heard, then acknowledge it; where the journal cannot, try again later."""
        try:
            kept = self._journal.keep([item.message for item in self._heard], self._source)
        except (
            Exception
        ) as exc:  # whatever it is, the thread must live: nothing else would say that nothing is kept
            self.trouble = str(exc) if isinstance(exc, JournalError) else f"{type(exc).__name__}: {exc}."
            log.error("%s Kept at the broker; trying again in %.1f s.", self.trouble, self._pause)
            self._commit_after = time.monotonic() + self._pause
            self._pause = min(2 * self._pause, RETRY_S[1])
            return
        self.trouble, self._pause = None, RETRY_S[0]
        self.counts.journaled += kept.journaled
        self.counts.duplicates += kept.duplicates
        self.counts.set_aside += kept.set_aside
        for item in self._heard:
            if item.qos and item.connection == self._connection:
                self._client.ack(item.mid, item.qos)
        self._heard.clear()
