"""Broker → journal, acknowledged after the commit.

The session is persistent and acknowledgement is by hand, so that what the broker gave and the
journal has not kept is given again. A batch is whatever has arrived while the last one was being
committed: nothing waits, and a busy broker gives large batches.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Any

import paho.mqtt.client as mqtt

from soaktest.errors import BrokerError, JournalError
from soaktest.journal import Journal
from soaktest.mqtt_client import new_client
from soaktest.recording import Message
from soaktest.settings import BrokerAddress
from soaktest.wire import subscriptions

log = logging.getLogger("soaktest")

LARGEST_BATCH = 2000
RETRY_S = (0.5, 10.0)
"""Shortest and longest pause between tries, to the broker and to the journal."""

Clock = Callable[[str, bytes], float]
"""Arrival time of a message (topic, payload), UTC seconds."""


@dataclass(slots=True)
class Counts:
    """What the collector has done so far."""

    journaled: int = 0
    duplicates: int = 0
    set_aside: int = 0


@dataclass(frozen=True, slots=True)
class _Heard:
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
    ) -> None:
        self.counts = Counts()
        self.trouble: str | None = None
        """What keeps the journal from being written just now, in words."""
        self._journal, self._address, self._clock = journal, address, clock
        self._heard: queue.SimpleQueue[_Heard | None] = queue.SimpleQueue()
        self._connection = 0
        self._subscribed = threading.Event()
        self._refused: str | None = None
        self._writer = threading.Thread(target=self._write, name="journal-writer", daemon=True)
        self._stopping = threading.Event()
        self._client = new_client(address, client_id, durable=True)
        self._client.reconnect_delay_set(1, 30)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message

    def __enter__(self) -> Collector:
        """Connect and subscribe. Raises BrokerError where there is no broker, or it refuses."""
        try:
            self._client.connect(self._address.host, self._address.port, keepalive=30)
        except (OSError, ValueError) as exc:
            raise BrokerError(
                f"no broker at {self._address} ({exc}). Start one there, mend SOAKTEST_BROKER, or leave it "
                "unset for the embedded broker."
            ) from exc
        self._writer.start()
        self._client.loop_start()
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
        self._heard.put(None)
        if self._writer.is_alive():
            self._writer.join(15)
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, code: Any, _props: Any) -> None:
        if code.is_failure:
            self._refused = str(code)
            return
        self._connection += 1
        client.subscribe([(topic, 1) for topic in subscriptions()])

    def _on_subscribe(self, *_args: Any) -> None:
        self._subscribed.set()

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, code: Any, _props: Any) -> None:
        if not self._stopping.is_set():
            log.warning("lost the broker (%s); trying again", code)

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = repr(message._topic)
        payload = bytes(message.payload)
        heard = Message(self._clock(topic, payload), topic, payload)
        self._heard.put(_Heard(heard, message.mid, message.qos, self._connection))

    def _write(self) -> None:
        while True:
            batch, last = self._batch()
            if batch:
                self._commit(batch)
            if last:
                return

    def _batch(self) -> tuple[list[_Heard], bool]:
        first = self._heard.get()
        if first is None:
            return [], True
        batch = [first]
        while len(batch) < LARGEST_BATCH:
            try:
                item = self._heard.get_nowait()
            except queue.Empty:
                break
            if item is None:
                return batch, True
            batch.append(item)
        return batch, False

    def _commit(self, batch: list[_Heard]) -> None:
        pause = RETRY_S[0]
        while True:
            try:
                kept = self._journal.keep([item.message for item in batch])
                break
            except JournalError as exc:
                self.trouble = str(exc)
                log.error("%s Kept at the broker; trying again in %.0f s.", exc, pause)
                if self._stopping.wait(pause):
                    return  # not acknowledged: the broker gives it again
                pause = min(2 * pause, RETRY_S[1])
        self.trouble = None
        self.counts.journaled += kept.journaled
        self.counts.duplicates += kept.duplicates
        self.counts.set_aside += kept.set_aside
        for item in batch:
            if item.qos and item.connection == self._connection:
                self._client.ack(item.mid, item.qos)
