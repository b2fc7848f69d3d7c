"""The collector as a command, with lamp and alarm, and what it set aside."""

from __future__ import annotations

import contextlib
import logging
import signal
import threading
import uuid
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated

import typer

from soaktest.cli.judge import JSON
from soaktest.cli.words import print_json, show_table, when

if TYPE_CHECKING:
    from soaktest.collector import Collector
    from soaktest.journal import Journal
    from soaktest.settings import BrokerAddress
    from soaktest.watch import Publish


def collect(
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port of the embedded broker.")] = 1883,
    host: Annotated[
        str, typer.Option(help="Where the embedded broker listens; nodes need more than loopback.")
    ] = "127.0.0.1",
) -> None:
    """Collect what nodes publish, until Ctrl-C, without a page.

    It goes into the journal; lamp and alarm of each bench are published. The embedded broker is started unless
    SOAKTEST_BROKER names another.

    Example: soaktest collect --host 192.0.2.10
    """
    from soaktest.watch import Watch

    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    with collecting(host, port) as (journal, address, collector, publish), Watch(journal, publish):
        print(f"Collecting from {address}; lamp and alarm are published there. Stop with Ctrl-C.", flush=True)
        while not stop.wait(0.5):
            pass
    counts = collector.counts
    print(
        f"Stopped. {counts.journaled} journaled, {counts.duplicates} duplicates, {counts.set_aside} set aside."
    )


@contextlib.contextmanager
def collecting(host: str, broker_port: int) -> Iterator[tuple[Journal, BrokerAddress, Collector, Publish]]:
    """The journal of the settings, the broker that they name or the embedded one, a collector between them, and a
    way to publish what the broker retains.
    """
    from soaktest.broker import EmbeddedBroker
    from soaktest.collector import Collector
    from soaktest.journal import open_journal
    from soaktest.mqtt_client import connected, new_client
    from soaktest.settings import read_settings

    logging.basicConfig(format="soaktest: %(message)s")
    settings = read_settings()
    with contextlib.closing(open_journal(settings.database)) as journal, contextlib.ExitStack() as stack:
        address = settings.broker or stack.enter_context(EmbeddedBroker(host, broker_port)).address
        # the embedded broker keeps no session over a restart, so that nobody need guess this name
        name = settings.client_id if settings.broker else f"{settings.client_id}-{uuid.uuid4().hex[:12]}"
        collector = stack.enter_context(Collector(journal, address, name))
        teller = stack.enter_context(connected(new_client(address), address, "Mend SOAKTEST_BROKER."))

        def publish(topic: str, payload: bytes) -> None:
            teller.publish(topic, payload, qos=1, retain=True)

        yield journal, address, collector, publish


def set_aside(
    limit: Annotated[int, typer.Option(min=1, max=100_000, help="How many, the newest first.")] = 20,
    as_json: JSON = False,
) -> None:
    """List messages that broke the contract, and why.

    Example: soaktest set-aside --limit 5
    """
    from soaktest.cli.runs import journal

    book = journal()
    rows = book.set_aside(limit)
    if as_json:
        import base64

        told = [
            {
                "at": r.at,
                "topic": r.topic,
                "reason": r.reason,
                "payload_b64": base64.b64encode(r.payload).decode(),
            }
            for r in rows
        ]
        print_json(told)
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
