"""A recording through a real broker into a journal, at a chosen speed.

The messages are the recording's own bytes. Their arrival times are the recording's too: the
collector is handed the time at which each message first arrived, so that the findings do not depend on
the speed. Anything else that arrives meanwhile is stamped with the present, as always.

They go through the broker below a root of their own, one level deeper than a bench's topics, so that whoever listens
to the live benches there hears none of them.
"""

from __future__ import annotations

import threading
import time
import uuid
from collections import deque
from collections.abc import Callable

import paho.mqtt.client as mqtt

from soaktest.bench import begin_run
from soaktest.collector import Collector
from soaktest.errors import BrokerError, JournalError
from soaktest.journal import Journal
from soaktest.layouts import Layout
from soaktest.mqtt_client import new_client
from soaktest.plans import Plan
from soaktest.recording import Message, Recording
from soaktest.settings import BrokerAddress
from soaktest.tables import RunRow
from soaktest.wire import ROOT, subscriptions

Progress = Callable[[int, int], None]
SETTLE_S = 20.0
IN_FLIGHT = 500


class _Arrivals:
    """The recorded arrival times of messages that are on their way, by topic and bytes."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, bytes], deque[float]] = {}
        self._lock = threading.Lock()

    def expect(self, message: Message) -> None:
        with self._lock:
            self._known.setdefault((message.topic, message.payload), deque()).append(message.at)

    def __call__(self, topic: str, payload: bytes) -> float:
        with self._lock:
            waiting = self._known.get((topic, payload))
            if not waiting:
                return time.time()
            at = waiting.popleft()
            if not waiting:
                del self._known[topic, payload]
            return at


def replay(
    recording: Recording,
    journal: Journal,
    address: BrokerAddress,
    judged_by: tuple[Plan, Layout],
    speed: float = float("inf"),
    progress: Progress | None = None,
) -> RunRow:
    """Publish a recording and journal it as a run of its own.

    Args:
        recording: what to play.
        journal: where it is kept.
        address: the broker it goes through.
        judged_by: plan and layout of the run.
        speed: times real speed; infinite for as fast as it goes.
        progress: called with messages published so far, and their number.

    Raises:
        BrokerError: no broker, or it lost messages.
        JournalError: the journal could not keep them, such as on a full disk.
        InputError: the recording's unit has a tag that is none.
    """
    messages = list(recording.messages)
    arrivals = _Arrivals()
    header = recording.header
    ended = header.ended if header.ended is not None else _last(messages, header.began)
    source = uuid.uuid4().hex
    root = f"{ROOT}/replay-{source}"
    sendable = [message for message in messages if _can_be_sent(message.topic, root)]
    with Collector(journal, address, f"soaktest-replay-{source}", arrivals, source, root) as collector:
        _publish(sendable, root, address, speed, arrivals, progress)
        _await(collector, len(sendable), address)
    # no collector would hear these, but the recording holds them
    journal.keep([message for message in messages if not _can_be_sent(message.topic, root)], source)
    # begun last, so that a replay that failed leaves no run behind
    return begin_run(journal, header.model_copy(update={"ended": ended}), *judged_by, source=source)


def _below(root: str, topic: str) -> str:
    return root + topic.removeprefix(ROOT)


def _can_be_sent(topic: str, root: str) -> bool:
    plain = topic and not set(topic) & set("+#\0") and len(_below(root, topic).encode()) < 65_536
    return bool(plain) and any(mqtt.topic_matches_sub(heard, topic) for heard in subscriptions())


def _await(collector: Collector, wanted: int, address: BrokerAddress) -> None:
    """Wait until all that was published is journaled; names the journal's trouble where that is why not."""
    deadline = time.monotonic() + SETTLE_S
    while _done(collector) < wanted and time.monotonic() < deadline:
        time.sleep(0.02)
    lost = wanted - _done(collector)
    if lost and collector.trouble:
        raise JournalError(
            f"{lost} of {wanted} messages could not be kept: {collector.trouble} Then replay again."
        )
    if lost:
        raise BrokerError(f"{lost} of {wanted} messages did not come back from {address}. Replay again.")


def _done(collector: Collector) -> int:
    counts = collector.counts
    return counts.journaled + counts.duplicates + counts.set_aside


def _last(messages: list[Message], began: float) -> float:
    return max([began, *(message.at for message in messages)])


def _publish(
    messages: list[Message],
    root: str,
    address: BrokerAddress,
    speed: float,
    arrivals: _Arrivals,
    progress: Progress | None,
) -> None:
    client = new_client(address)
    client.max_queued_messages_set(0)
    client.connect(address.host, address.port)
    client.loop_start()
    begin = time.monotonic()
    first = messages[0].at if messages else 0.0
    pending: deque[mqtt.MQTTMessageInfo] = deque()
    try:
        for number, message in enumerate(messages, 1):
            wait = (message.at - first) / speed - (time.monotonic() - begin)
            if wait > 0:
                time.sleep(wait)
            arrivals.expect(message)
            pending.append(client.publish(_below(root, message.topic), message.payload, qos=1))
            while len(pending) > IN_FLIGHT:
                pending.popleft().wait_for_publish(10)
            if progress:
                progress(number, len(messages))
        for info in pending:
            info.wait_for_publish(10)
    except (RuntimeError, ValueError) as exc:
        raise BrokerError(f"the broker at {address} did not take a message ({exc}). Replay again.") from exc
    finally:
        client.disconnect()
        client.loop_stop()
