"""Broker → journal over real brokers: nothing lost, nothing twice, faults set aside."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
import sqlalchemy as sa
from paho.mqtt.enums import CallbackAPIVersion

from soaktest.analysis.analyse import analyse
from soaktest.bench import judge_run, list_runs
from soaktest.broker import EmbeddedBroker
from soaktest.collector import Collector
from soaktest.errors import BrokerError, JournalError
from soaktest.journal import Journal, open_journal
from soaktest.layouts import read_layout
from soaktest.mqtt_client import connected, new_client
from soaktest.plans import read_plan
from soaktest.recording import Header, Message, Recording
from soaktest.replay import replay
from soaktest.settings import BrokerAddress
from soaktest.simulate.bench import Truth, demo_scenario, simulate
from soaktest.tables import MessageRow
from soaktest.wire import Pack, Topic, build_about, build_readings
from tests.conftest import Mosquitto, free_port

TOPIC = Topic("b1", "pads", "readings")


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    book = open_journal(f"sqlite:///{tmp_path / 'journal.sqlite'}")
    yield book
    book.close()


@pytest.fixture(params=["mosquitto", "embedded"])
def address(request: pytest.FixtureRequest) -> Iterator[BrokerAddress]:
    """Both brokers that the project promises to work with."""
    if request.param == "mosquitto":
        yield request.getfixturevalue("mosquitto").address
    else:
        with EmbeddedBroker() as broker:
            yield broker.address


def pack(seq: int, boot: str = "a") -> bytes:
    return build_readings(
        TOPIC, Pack(boot, seq, 10.0 + seq, absolute=False, samples={"left": ([0.0], [0.04])})
    )


def publish(address: BrokerAddress, messages: list[tuple[str, bytes]]) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    client.connect(address.host, address.port)
    client.loop_start()
    for topic, payload in messages:
        client.publish(topic, payload, qos=1).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()


def publish_retained(address: BrokerAddress, topic: str, payload: bytes) -> None:
    with connected(new_client(address), address, "") as client:
        client.publish(topic, payload, qos=1, retain=True).wait_for_publish(10)


def until(what: Callable[[], bool], seconds: float = 10.0) -> None:
    deadline = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < deadline, "did not happen in time"
        time.sleep(0.02)


def count(journal: Journal) -> int:
    with journal.session() as session:
        return session.scalar(sa.select(sa.func.count(MessageRow.id))) or 0


def test_packs_that_hold_nothing_are_kept_by_their_seq(address: BrokerAddress, journal: Journal) -> None:
    """Of a node that leaves uptime out: with the date in force, and bare; a copy of one is told as a copy."""
    dated = b'[{"bn":"b1/pads/","bt":%d,"n":"boot","vs":"d"},{"n":"seq","u":"count","v":0}]' % time.time()
    bare = b'[{"bn":"b1/pads/","n":"boot","vs":"d"},{"n":"seq","u":"count","v":1}]'
    with Collector(journal, address) as collector:
        publish(address, [(str(TOPIC), dated), (str(TOPIC), bare), (str(TOPIC), bare)])
        until(lambda: (collector.counts.journaled, collector.counts.duplicates) == (2, 1))

    assert journal.set_aside() == []


def test_packs_are_kept_once_and_faults_are_set_aside(address: BrokerAddress, journal: Journal) -> None:
    """A copy is counted, not kept; a fault is kept with its bytes, topic and reason."""
    with Collector(journal, address) as collector:
        publish(
            address,
            [
                (str(TOPIC), pack(0)),
                (str(TOPIC), pack(1)),
                (str(TOPIC), pack(1)),
                (str(TOPIC), b"not json"),
                (str(TOPIC), pack(2)),
            ],
        )
        until(
            lambda: (
                collector.counts.journaled == 3
                and collector.counts.set_aside == 1
                and collector.counts.duplicates == 1
            )
        )

    fault = journal.set_aside()[0]
    assert (fault.topic, fault.payload) == (str(TOPIC), b"not json")
    assert "not JSON" in fault.reason
    assert journal.tally("duplicates") == 1


def test_a_replay_through_a_broker_is_judged_as_the_file(
    address: BrokerAddress, journal: Journal, demo: tuple[Recording, Truth]
) -> None:
    """The same findings from the journal as from the recording, whatever the speed."""
    recording, _ = demo
    plan, layout = read_plan("repair-check"), read_layout("front-loader")

    run = replay(recording, journal, address, (plan, layout))

    live, filed = judge_run(journal, run.id).findings, analyse(recording, layout, plan)
    assert live.model_copy(update={"run": ""}) == filed.model_copy(update={"run": ""})
    assert live.verdict == "fail"


def test_replays_of_one_bench_and_time_do_not_mix(
    address: BrokerAddress, journal: Journal, demo: tuple[Recording, Truth]
) -> None:
    """Played after each other: one that leaks, one that is dry, one that heard nothing, and the first again."""
    judged_by = read_plan("repair-check"), read_layout("front-loader")
    leaking = demo[0]
    dry, _ = simulate(demo_scenario(leaking=False))
    dry = Recording(leaking.header, dry.messages)
    silent = Recording(leaking.header.model_copy(update={"unit": "GHOST-1"}), [])

    verdicts = [
        judge_run(journal, replay(recording, journal, address, judged_by).id).findings.verdict
        for recording in (leaking, dry, silent, leaking)
    ]

    assert verdicts == ["fail", "pass", "retest", "fail"]


def test_a_replay_on_a_live_bench_s_broker_is_heard_by_its_own_collector_alone(
    address: BrokerAddress, journal: Journal, demo: tuple[Recording, Truth], tmp_path: Path
) -> None:
    """A live collector and a run under way on the same bench and broker keep nothing of it, and it nothing of theirs."""
    live = open_journal(f"sqlite:///{tmp_path / 'live.sqlite'}")
    judged_by = read_plan("repair-check"), read_layout("front-loader")
    about = build_about({"contract": 1, "kind": "pads"})
    publish_retained(address, "soaktest/b1/other/about", about)
    with Collector(live, address, "live") as collector:
        run = replay(demo[0], journal, address, judged_by)
        publish(address, [(str(TOPIC), pack(0))])
        until(lambda: collector.counts.journaled == 2)

    assert (count(live), live.set_aside_count()) == (2, 0)
    assert {m.topic for m in journal.recording(run).messages} == {m.topic for m in demo[0].messages}
    assert judge_run(journal, run.id).findings.verdict == "fail"
    live.close()


def test_what_no_broker_carries_is_set_aside_with_the_rest(
    address: BrokerAddress, journal: Journal, demo: tuple[Recording, Truth]
) -> None:
    """Topics that are empty, hold wildcards, or are none of a node's."""
    header = demo[0].header
    odd = [
        Message(header.began + i, topic, b"{}")
        for i, topic in enumerate(("", "soaktest/+/a/readings", "elsewhere", "soaktest/b1/pads/readings"))
    ]

    run = replay(
        Recording(header, odd), journal, address, (read_plan("repair-check"), read_layout("front-loader"))
    )

    assert journal.set_aside_count() == 4
    assert (
        judge_run(journal, run.id).findings.set_aside
        == analyse(Recording(header, odd), read_layout("front-loader"), read_plan("repair-check")).set_aside
    )


def test_an_error_nobody_thought_of_is_told_and_nothing_is_lost(
    mosquitto: Mosquitto, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The collector's thread lives on; once the error is gone, all is kept."""
    keep, broken = journal.keep, [True]

    def failing(messages: list[Message], source: str = "") -> object:
        if broken[0]:
            raise RuntimeError("the unforeseen")
        return keep(messages, source)

    monkeypatch.setattr(journal, "keep", failing)
    with Collector(journal, mosquitto.address, "careful") as collector:
        publish(mosquitto.address, [(str(TOPIC), pack(i)) for i in range(5)])
        until(lambda: collector.trouble is not None)
        assert "the unforeseen" in str(collector.trouble)
        broken[0] = False
        until(lambda: count(journal) == 5, 30)


def test_a_replay_onto_a_full_disk_names_the_disk_and_leaves_no_run(
    mosquitto: Mosquitto, journal: Journal, demo: tuple[Recording, Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite's own limit of pages stands for the full disk; the broker is not blamed."""
    monkeypatch.setattr("soaktest.replay.SETTLE_S", 2.0)
    sa.event.listen(journal.engine, "connect", lambda c, _: c.execute("PRAGMA max_page_count=60"))
    journal.engine.dispose()

    begun = Recording(demo[0].header, list(demo[0].messages)[:600])  # more than the pages hold

    with pytest.raises(JournalError, match=r"could not be kept.*full.*Free some space"):
        replay(begun, journal, mosquitto.address, (read_plan("repair-check"), read_layout("front-loader")))

    assert list_runs(journal) == []


def test_what_comes_while_the_collector_is_away_is_given_when_it_returns(
    mosquitto: Mosquitto, journal: Journal
) -> None:
    """A persistent session: packs wait at the broker."""
    with Collector(journal, mosquitto.address) as collector:
        publish(mosquitto.address, [(str(TOPIC), pack(0))])
        until(lambda: collector.counts.journaled == 1)
    publish(mosquitto.address, [(str(TOPIC), pack(i)) for i in range(1, 30)])

    with Collector(journal, mosquitto.address) as collector:
        until(lambda: collector.counts.journaled == 29)

    assert count(journal) == 30


def test_what_was_not_committed_is_given_again(
    mosquitto: Mosquitto, journal: Journal, tmp_path: Path
) -> None:
    """While the journal cannot be written nothing is acknowledged; the broker gives it again, once."""
    lock = sa.create_engine(f"sqlite:///{tmp_path / 'journal.sqlite'}").raw_connection()
    lock.execute("BEGIN IMMEDIATE")  # type: ignore[attr-defined]
    sa.event.listen(journal.engine, "connect", lambda c, _: c.execute("PRAGMA busy_timeout=50"))
    journal.engine.dispose()
    with Collector(journal, mosquitto.address) as collector:
        publish(mosquitto.address, [(str(TOPIC), pack(i)) for i in range(5)])
        until(lambda: collector.trouble is not None)
        assert "locked" in (collector.trouble or "")
    lock.rollback()
    lock.close()
    assert count(journal) == 0

    with Collector(journal, mosquitto.address) as collector:
        until(lambda: collector.counts.journaled == 5)

    assert count(journal) == 5


def collecting(address: BrokerAddress, folder: Path) -> subprocess.Popen[str]:
    env = {**os.environ, "SOAKTEST_BROKER": str(address), "SOAKTEST_DATA": str(folder)}
    process = subprocess.Popen(
        [sys.executable, "-m", "soaktest.cli", "collect"], env=env, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert "Collecting" in process.stdout.readline()
    return process


def test_a_killed_collector_loses_nothing(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """kill -9 in the middle of a stream, a new collector, every pack is there once."""
    process = collecting(mosquitto.address, tmp_path)
    publish(mosquitto.address, [(str(TOPIC), pack(i)) for i in range(150)])
    process.send_signal(signal.SIGKILL)
    process.wait(10)
    publish(mosquitto.address, [(str(TOPIC), pack(i)) for i in range(150, 300)])
    process = collecting(mosquitto.address, tmp_path)
    book = open_journal(f"sqlite:///{tmp_path / 'journal.sqlite'}")

    until(lambda: count(book) == 300)
    process.terminate()

    assert process.wait(20) == 0
    with book.session() as session:
        assert sorted(session.scalars(sa.select(MessageRow.seq))) == list(range(300))
    book.close()


def test_a_broker_that_restarts_is_found_again(mosquitto: Mosquitto, journal: Journal) -> None:
    """The collector reconnects by itself and the session goes on."""
    with Collector(journal, mosquitto.address) as collector:
        publish(mosquitto.address, [(str(TOPIC), pack(0))])
        until(lambda: collector.counts.journaled == 1)
        time.sleep(1.2)  # let the broker keep its session
        mosquitto.stop()
        mosquitto.start()
        publish(mosquitto.address, [(str(TOPIC), pack(1))])
        until(lambda: collector.counts.journaled == 2, 30)


def test_retained_descriptions_reach_a_run_that_begins_later(mosquitto: Mosquitto, journal: Journal) -> None:
    """A node that spoke before the run began is known in the run's recording."""
    about = b'{"contract": 1, "kind": "pads"}'
    run_began = time.time() + 1
    journal.keep([Message(run_began - 100, "soaktest/b1/pads/about", about)])
    plan, layout = read_plan("repair-check"), read_layout("front-loader")
    from soaktest.bench import begin_run

    run = begin_run(journal, Header(bench="b1", began=run_began), plan, layout)

    assert [m.payload for m in journal.recording(run).messages] == [about]


def test_no_broker_is_one_clear_error(journal: Journal) -> None:
    """A wrong port names the address and what to do."""
    nowhere = BrokerAddress("127.0.0.1", free_port())
    with (
        pytest.raises(BrokerError, match=f"no broker at mqtt://127.0.0.1:{nowhere.port}.*SOAKTEST_BROKER"),
        Collector(journal, nowhere),
    ):
        pass


def test_a_taken_port_is_one_clear_error() -> None:
    """The embedded broker does not start on a port in use."""
    with (
        EmbeddedBroker() as first,
        pytest.raises(BrokerError, match="--broker-port"),
        EmbeddedBroker(port=first.address.port),
    ):
        pass


def test_a_retained_readings_pack_is_set_aside(mosquitto: Mosquitto, journal: Journal) -> None:
    """Nobody knows when it was made."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect(mosquitto.address.host, mosquitto.address.port)
    client.loop_start()
    client.publish(str(TOPIC), pack(0), qos=1, retain=True).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()
    with Collector(journal, mosquitto.address, "late") as collector:
        until(lambda: collector.counts.set_aside == 1)
    assert "retained readings pack" in journal.set_aside()[0].reason


def test_a_misspelt_topic_is_set_aside_and_named(mosquitto: Mosquitto, journal: Journal) -> None:
    """Who writes firmware of their own sees what became of it."""
    with Collector(journal, mosquitto.address) as collector:
        publish(mosquitto.address, [("soaktest/b1/pads/reading", pack(0)), (str(TOPIC), pack(1))])
        until(lambda: collector.counts.set_aside == 1 and collector.counts.journaled == 1)
    assert "soaktest/b1/pads/reading" in journal.set_aside()[0].reason


def test_packs_that_came_twice_are_told_with_what_was_set_aside(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The count outlives the collector that met them."""
    from typer.testing import CliRunner

    from soaktest.cli.app import app

    journal.keep([Message(10.0 + n, str(TOPIC), pack(0)) for n in range(3)])
    monkeypatch.setenv("SOAKTEST_DATABASE", str(journal.engine.url))

    told = CliRunner().invoke(app, ["set-aside"]).output

    assert told == "Packs that came again, and were kept once: 2.\nNothing was set aside.\n"
