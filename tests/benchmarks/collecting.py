"""Collector on SQLite as a share of a subscriber that throws everything away, same broker, same run:
``python -m tests.benchmarks.collecting``. Needs Mosquitto.
"""

from __future__ import annotations

import tempfile
import threading
import time
from multiprocessing import get_context
from multiprocessing.context import ForkProcess as Process
from pathlib import Path
from statistics import median

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from soaktest.collector import Collector
from soaktest.journal import open_journal
from soaktest.settings import BrokerAddress
from soaktest.wire import Pack, Topic, build_readings
from tests.conftest import Mosquitto

COUNT = 6000
PAIRS = 7
TOPIC = Topic("b1", "pads", "readings")


def packs(boot: str) -> list[bytes]:
    """Packs of 15 samples, as a pad node at 5 Hz sends them."""
    times = [-0.8, -0.6, -0.4, -0.2, 0.0]
    samples = {zone: (times, [0.0436] * 5) for zone in ("left", "centre", "right")}
    return [
        build_readings(TOPIC, Pack(boot, i, 10.0 + i, absolute=False, samples=samples)) for i in range(COUNT)
    ]


def publish(address: BrokerAddress, payloads: list[bytes]) -> Process:
    """Publish from a process of its own, as nodes do, as fast as the broker takes it."""
    process = get_context("fork").Process(target=_publish, args=(address, payloads))
    process.start()
    return process


def _publish(address: BrokerAddress, payloads: list[bytes]) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    client.max_inflight_messages_set(200)
    client.max_queued_messages_set(0)
    client.connect(address.host, address.port)
    client.loop_start()
    for info in [client.publish(str(TOPIC), p, qos=1) for p in payloads]:
        info.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()


def thrown_away(address: BrokerAddress, boot: str) -> float:
    """Packs a second of a subscriber that acknowledges and forgets."""
    done, seen = threading.Event(), [0]

    def count(*_: object) -> None:
        seen[0] += 1
        if seen[0] == COUNT:
            done.set()

    client = mqtt.Client(CallbackAPIVersion.VERSION2, f"thrower-{boot}", protocol=mqtt.MQTTv311)
    client.on_message = count
    client.connect(address.host, address.port)
    client.subscribe("soaktest/+/+/readings", 1)
    client.loop_start()
    time.sleep(0.3)
    payloads = packs(boot)
    begin = time.perf_counter()
    publisher = publish(address, payloads)
    done.wait(30)
    took = time.perf_counter() - begin
    publisher.join()
    client.disconnect()
    client.loop_stop()
    return COUNT / took


def collected(address: BrokerAddress, boot: str, folder: Path) -> float:
    """Packs a second that are committed and acknowledged."""
    journal = open_journal(f"sqlite:///{folder / f'{boot}.sqlite'}")
    payloads = packs(boot)
    with Collector(journal, address, f"collector-{boot}") as collector:
        begin = time.perf_counter()
        publisher = publish(address, payloads)
        while collector.counts.journaled < COUNT and time.perf_counter() - begin < 30:
            time.sleep(0.005)
        took = time.perf_counter() - begin
        publisher.join()
    journal.close()
    return COUNT / took


def main() -> None:
    """Print pairs, their ratios and the median, each pair on a broker of its own: sessions left behind would weigh on it."""
    shares = []
    for i in range(PAIRS):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            broker = Mosquitto(folder, keeps=False)
            try:
                away, kept = thrown_away(broker.address, f"t{i}"), collected(broker.address, f"c{i}", folder)
                shares.append(kept / away)
                print(
                    f"thrown away {away:6.0f}/s  journaled {kept:6.0f}/s  share {kept / away:.0%}", flush=True
                )
            finally:
                broker.stop()
    print(f"median share {median(shares):.0%}")


if __name__ == "__main__":
    main()
