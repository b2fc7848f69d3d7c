"""The collector as a command, what it set aside, and the bench's lamp and alarm."""

from __future__ import annotations

import contextlib
import logging
import signal
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Annotated

import typer

from soaktest.cli.judge import JSON
from soaktest.cli.words import show_table, when

if TYPE_CHECKING:
    from soaktest.bench import Live
    from soaktest.collector import Collector
    from soaktest.journal import Journal
    from soaktest.settings import BrokerAddress
    from soaktest.tables import RunRow


def collect(
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port of the embedded broker.")] = 1883,
    host: Annotated[
        str, typer.Option(help="Where the embedded broker listens; nodes need more than loopback.")
    ] = "127.0.0.1",
) -> None:
    """Collect what nodes publish into the journal, until SIGINT or SIGTERM.

    The embedded broker is started unless SOAKTEST_BROKER names another.
    """
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    with collecting(host, port) as (_, address, collector):
        print(f"Collecting from {address}. Stop with Ctrl-C.", flush=True)
        while not stop.wait(0.5):
            pass
    counts = collector.counts
    print(
        f"Stopped. {counts.journaled} journaled, {counts.duplicates} duplicates, {counts.set_aside} set aside."
    )


@contextlib.contextmanager
def collecting(host: str, broker_port: int) -> Iterator[tuple[Journal, BrokerAddress, Collector]]:
    """The journal of the settings, the broker that they name or the embedded one, and a collector between them."""
    from soaktest.broker import EmbeddedBroker
    from soaktest.collector import Collector
    from soaktest.journal import open_journal
    from soaktest.settings import read_settings

    logging.basicConfig(format="soaktest: %(message)s")
    settings = read_settings()
    with contextlib.closing(open_journal(settings.database)) as journal, contextlib.ExitStack() as stack:
        address = settings.broker or stack.enter_context(EmbeddedBroker(host, broker_port)).address
        # the embedded broker keeps no session over a restart, so that nobody need guess this name
        name = settings.client_id if settings.broker else f"{settings.client_id}-{uuid.uuid4().hex[:12]}"
        yield journal, address, stack.enter_context(Collector(journal, address, name))


def set_aside(
    limit: Annotated[int, typer.Option(min=1, max=100_000, help="How many, the newest first.")] = 20,
    as_json: JSON = False,
) -> None:
    """List messages that broke the contract: when, where, why and how they begin."""
    from soaktest.cli.runs import journal

    book = journal()
    rows = book.set_aside(limit)
    if as_json:
        import base64

        import orjson

        told = [
            {
                "at": r.at,
                "topic": r.topic,
                "reason": r.reason,
                "payload_b64": base64.b64encode(r.payload).decode(),
            }
            for r in rows
        ]
        print(orjson.dumps(told).decode())
        return
    if copies := book.tally("duplicates"):
        print(f"Packs that came again, and were kept once: {copies}.")
    if not rows:
        print("Nothing was set aside.")
        return
    shown = [
        (when(row.at), row.topic[:80], row.reason, row.payload[:30].decode("utf-8", "replace"))
        for row in rows
    ]
    head = ("at", "topic", "reason", "begins")
    show_table(head, shown, f"{book.set_aside_count()} set aside", minor=("begins",))


@contextlib.contextmanager
def publisher(*, tell: bool) -> Iterator[Callable[[RunRow, Live], None]]:
    """Publishes a run's lamp and alarm when they change, where a broker is named; else does nothing."""
    from soaktest.settings import read_settings

    address = read_settings().broker
    if not tell or address is None:
        yield lambda _run, _live: None
        return
    from soaktest.bench import alarm_message, lamp_message
    from soaktest.mqtt_client import connected, new_client

    client = new_client(address)
    last: list[object] = [None]

    def publish(run: RunRow, live: Live) -> None:
        now = (
            live.stage,
            tuple(live.wet_zones),
            live.analysis.findings.verdict if live.stage == "judged" else "",
        )
        if now != last[0]:
            last[0] = now
            for topic, payload in (lamp_message(run, live), alarm_message(run, live)):
                client.publish(topic, payload, qos=1, retain=True)

    with connected(client, address, "Mend SOAKTEST_BROKER, or use --no-tell."):
        yield publish
        time.sleep(0.1)
