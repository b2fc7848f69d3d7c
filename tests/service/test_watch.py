"""What lamp, alarm and page are told while a machine runs: simulated benches moved into the present."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import orjson
import pytest
import sqlalchemy as sa

from soaktest.analysis.conductance import log_at, wetness
from soaktest.analysis.events import PadCheck
from soaktest.bench import begin_run, cancel_run, end_run, examine_run, find_run, judge_run, look
from soaktest.glance import Glance, PadGlance
from soaktest.in_words import answer
from soaktest.journal import Journal, open_journal
from soaktest.layouts import read_layout
from soaktest.mqtt_client import connected, new_client
from soaktest.plans import read_plan
from soaktest.readiness import doubts
from soaktest.recording import Message, Recording
from soaktest.records import acknowledge, keep_pad_check
from soaktest.settings import BrokerAddress
from soaktest.simulate.bench import Scenario, Truth, simulate
from soaktest.tables import MessageRow, RunRow
from soaktest.vocabulary import ZONES
from soaktest.watch import Watch
from tests.conftest import free_port, present

PLAN, LAYOUT = read_plan("repair-check"), read_layout("front-loader")


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    book = open_journal(f"sqlite:///{tmp_path / 'journal.sqlite'}")
    yield book
    book.close()


@pytest.fixture(autouse=True)
def looks_often(monkeypatch: pytest.MonkeyPatch) -> None:
    """The judgement may take half of the time here, so that nobody waits for it."""
    monkeypatch.setattr("soaktest.watch.SHARE", 1.0)
    monkeypatch.setattr("soaktest.watch.LEAST_BETWEEN_S", 0.5)


def until(what: Callable[[], bool], seconds: float = 20.0) -> None:
    deadline = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < deadline, "did not happen in time"
        time.sleep(0.02)


def wiped(recording: Recording, seconds: float, until_s: float = float("inf")) -> Recording:
    """The left pad wiped dry so many seconds after the beginning: it reads what the centre pad does."""
    out = []
    for message in recording.messages:
        if (
            message.topic.endswith("pads/readings")
            and seconds <= message.at - recording.header.began < until_s
        ):
            pack = orjson.loads(message.payload)
            dry = [r["v"] for r in pack if r["n"] == "centre"]
            for record, value in zip((r for r in pack if r["n"] == "left"), dry, strict=True):
                record["v"] = value
            out.append(message._replace(payload=orjson.dumps(pack)))
        else:
            out.append(message)
    return Recording(recording.header, out)


def held(recording: Recording, since: float) -> Recording:
    """The left pad's reading stays as it was at that moment (UTC seconds)."""
    out, last = [], None
    for message in recording.messages:
        if message.topic.endswith("pads/readings"):
            pack = orjson.loads(message.payload)
            left = [r for r in pack if r["n"] == "left"]
            if message.at < since:
                last = left[-1]["v"]
            for record in left if message.at >= since else ():
                record["v"] = last
            out.append(message._replace(payload=orjson.dumps(pack)))
        else:
            out.append(message)
    return Recording(recording.header, out)


def right_reads(
    ratio: float, recording: Recording, window: tuple[float, float] = (0.0, float("inf"))
) -> Recording:
    """The right pad gives one ratio within a window, in seconds after the beginning."""
    out = []
    for message in recording.messages:
        if (
            message.topic.endswith("pads/readings")
            and window[0] <= message.at - recording.header.began < window[1]
        ):
            pack = orjson.loads(message.payload)
            for record in pack:
                if record["n"] == "right":
                    record["v"] = ratio
            out.append(message._replace(payload=orjson.dumps(pack)))
        else:
            out.append(message)
    return Recording(recording.header, out)


def under_way(journal: Journal, recording: Recording) -> RunRow:
    """A run that has heard so much."""
    journal.keep(recording.messages)
    return begin_run(journal, recording.header, PLAN, LAYOUT)


class Told:
    """A watch under way, and what it has published."""

    def __init__(self, journal: Journal) -> None:
        self.heard: list[tuple[str, dict[str, Any]]] = []
        self.watch = Watch(journal, lambda topic, payload: self.heard.append((topic, orjson.loads(payload))))

    def __enter__(self) -> "Told":
        self.watch.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self.watch.__exit__(None, None, None)

    def last(self, kind: str) -> dict[str, Any]:
        """The retained message of bench b1: lamp or alarm."""
        return next((told for topic, told in reversed(self.heard) if topic == f"soaktest/b1/{kind}"), {})

    @property
    def page(self) -> Any:
        return self.watch.snapshot()["b1"]


def test_who_collects_publishes_lamp_and_alarm_from_the_embedded_broker_too(
    tmp_path: Path, demo: tuple[Recording, Truth]
) -> None:
    """``soaktest collect`` with nothing set: a buzzer on its broker hears of the water, and of its end with the run's."""
    port = free_port()
    journal = open_journal(f"sqlite:///{tmp_path / 'journal.sqlite'}")
    run = under_way(journal, present(demo[0], 900))
    env = {**os.environ, "SOAKTEST_DATA": str(tmp_path)}
    command = [sys.executable, "-m", "soaktest.cli", "collect", "--port", str(port)]
    collector = subprocess.Popen(command, env=env, stdout=subprocess.PIPE, text=True)
    heard: dict[str, dict[str, Any]] = {}
    buzzer = new_client(BrokerAddress("127.0.0.1", port))
    buzzer.on_message = lambda _c, _d, m: heard.update({m.topic: orjson.loads(m.payload)})
    try:
        assert collector.stdout
        assert "lamp and alarm are published there" in collector.stdout.readline()
        with connected(buzzer, BrokerAddress("127.0.0.1", port), ""):
            buzzer.subscribe([("soaktest/b1/alarm", 1), ("soaktest/b1/lamp", 1)])
            until(lambda: heard.get("soaktest/b1/alarm", {}).get("zones") == ["left"], 60)
            until(lambda: heard.get("soaktest/b1/lamp", {}).get("stage") == "washing", 60)
            end_run(journal, run.id)
            until(lambda: heard["soaktest/b1/alarm"]["wet"] is False)
    finally:
        collector.send_signal(signal.SIGINT)
        collector.wait(20)
        journal.close()


def test_an_alarm_ends_with_the_water_and_the_next_water_has_not_been_seen(
    journal: Journal, demo: tuple[Recording, Truth]
) -> None:
    """Wet and seen, wiped dry, wet again: the alarm ends in between, and is to be seen anew."""
    whole = wiped(present(demo[0], 900), 700, 860)
    began = whole.header.began
    run = under_way(journal, Recording(whole.header, [m for m in whole.messages if m.at < began + 700]))
    with Told(journal) as told:
        until(lambda: told.last("alarm").get("zones") == ["left"])
        until(lambda: told.page["alarm"]["unseen"] == ["left"])
        until(lambda: told.page["alarm"]["judged"]["left"] is not None)
        assert told.page["alarm"]["judged"]["left"]["phase"] == "fill"
        acknowledge(journal, run.id)
        until(lambda: told.page["alarm"]["unseen"] == [])
        journal.keep([m for m in whole.messages if began + 700 <= m.at < began + 860])
        until(lambda: told.last("alarm").get("wet") is False)
        assert told.page["alarm"] is None
        assert list(told.page["run"]["leaked"]) == ["left"]
        assert "has leaked" in told.page["run"]["may_stop"]
        journal.keep([m for m in whole.messages if m.at >= began + 860])
        until(lambda: told.last("alarm").get("wet") is True)
        assert told.page["alarm"]["unseen"] == ["left"]


def test_an_alarm_says_what_each_pads_water_was_judged_to_be(journal: Journal) -> None:
    """A splash on three pads: provisional at first, and each a spill once it is judged, while the alarm still stands."""
    begun = present(simulate(Scenario(seed=35, splash_s=400.0))[0], 425)
    under_way(journal, begun)
    with Told(journal) as told:
        until(lambda: told.page["alarm"] is not None)
        until(lambda: all((told.page["alarm"] or {"judged": {}})["judged"].values()))
        judged = told.page["alarm"]["judged"]
    assert {zone: one["cause"] for zone, one in judged.items()} == dict.fromkeys(ZONES, "spill")
    assert all(one["leak"] < 0.5 and one["phase"] is None for one in judged.values())


def test_spilt_water_is_an_alarm_while_it_is_there(journal: Journal) -> None:
    """Whosever it is, it lies under a machine on the mains: judged a spill, told for as long as the pads are wet, from its first second."""
    begun = present(simulate(Scenario(seed=35, splash_s=400.0))[0], 640)
    under_way(journal, begun)
    with Told(journal) as told:
        until(lambda: all((told.page["alarm"] or {"judged": {"none": None}})["judged"].values()))
        times = told.page["alarm"]["times"]
        assert sorted(times) == sorted(ZONES)
        assert all(abs(t - begun.header.began - 400) < 5 for t in times.values())
        until(lambda: told.last("alarm").get("wet") is True)
        assert told.page["run"]["leaked"] == {}
        assert "This run cannot pass" in told.page["run"]["may_stop"]


def test_water_of_the_last_seconds_is_not_yet_judged(journal: Journal, demo: tuple[Recording, Truth]) -> None:
    """An alarm at once, and no word of whose it is: nor is the run said to be lost, or to leak."""
    shows = min(demo[1].first_water.values()) - demo[0].header.began
    run = under_way(journal, present(demo[0], shows + 10))
    live = look(journal, run.id)

    assert live.wet_since
    assert not live.leaks
    assert not any(reason.code.startswith("wet-") for reason in live.lost)
    assert look(journal, run.id, now=live.at + 15).leaked.keys() == {"left"}


def test_water_is_judged_as_soon_as_it_is_old_enough(
    journal: Journal, demo: tuple[Recording, Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    """However long the pause to the next look would be."""
    monkeypatch.setattr("soaktest.watch.LEAST_BETWEEN_S", 600.0)
    shows = min(demo[1].first_water.values()) - demo[0].header.began
    under_way(journal, present(demo[0], shows + 12))
    with Told(journal) as told:
        until(lambda: told.page["alarm"] is not None and told.page["run"].get("leaked") is not None)
        assert told.page["alarm"]["judged"]["left"] is None
        until(lambda: list(told.page["run"]["leaked"]) == ["left"], 30)
        assert told.page["alarm"]["judged"]["left"]["cause"] == "leak"


def test_a_run_that_cannot_be_judged_is_not_caught_up_with_for_ever(
    journal: Journal, demo: tuple[Recording, Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was tried: what the pads say is shown, and that they are silent where they are."""

    def broken(*args: Any) -> Any:
        raise RuntimeError("no judgement")

    monkeypatch.setattr("soaktest.watch.look", broken)
    under_way(journal, present(demo[0], 300))
    with Told(journal) as told:
        until(lambda: told.page["run"] is not None and not told.page["behind"], 20)


def test_a_run_that_nobody_has_looked_at_yet_is_caught_up_with(
    journal: Journal, demo: tuple[Recording, Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a start: until it has been judged once, it is neither dry nor silent."""
    release = threading.Event()
    monkeypatch.setattr("soaktest.watch.look", lambda *args: release.wait(30) and look(*args))
    under_way(journal, present(demo[0], 900))
    with Told(journal) as told:
        until(lambda: told.page["run"] is not None)
        assert told.page["behind"]
        release.set()
        until(lambda: not told.page["behind"])
        assert told.page["alarm"]["zones"] == ["left"]


def test_a_silent_phase_node_tells_no_phase(journal: Journal, demo: tuple[Recording, Truth]) -> None:
    """What it last told may be long over."""
    now = present(demo[0], 500)
    silent = [m for m in now.messages if "/pads/" in m.topic or m.at < time.time() - 60.0]
    under_way(journal, Recording(now.header, silent))
    with Told(journal) as told:
        until(lambda: "phase" in (told.page["run"] or {}))
        assert told.page["run"]["phase"] is None


def test_a_restart_takes_back_the_alarm_of_a_run_that_is_over_and_keeps_that_of_one_under_way(
    journal: Journal, demo: tuple[Recording, Truth]
) -> None:
    """Retained messages outlive the collector: the first that it tells of each bench is how it stands."""
    run = under_way(journal, present(demo[0], 900))
    with Told(journal) as told:
        until(lambda: bool(told.last("alarm")))
    assert [payload["wet"] for topic, payload in told.heard if topic.endswith("alarm")] == [True]
    end_run(journal, run.id)
    with Told(journal) as told:
        until(lambda: told.last("alarm").get("wet") is False)
        until(lambda: told.last("lamp").get("stage") == "judged")
    assert {topic for topic, _ in told.heard} == {"soaktest/b1/alarm", "soaktest/b1/lamp"}


def test_the_lamp_shows_the_run_on_the_bench_and_no_other(
    journal: Journal, demo: tuple[Recording, Truth]
) -> None:
    """A new run takes the last one's verdict off the lamp; a replay shows nowhere; judged anew, it is told anew."""
    begun = present(demo[0], 900)
    with Told(journal) as told:
        run = under_way(journal, begun)
        until(lambda: told.last("lamp").get("stage") == "washing")
        end_run(journal, run.id)
        until(lambda: told.last("lamp").get("stage") == "judged")
        assert told.last("lamp")["verdict"] == ""
        _judge_as(journal, run, "fail")
        until(lambda: told.last("lamp")["verdict"] == "fail")
        _judge_as(journal, run, "retest")
        until(lambda: told.last("lamp")["verdict"] == "retest")
        findings = examine_run(journal, find_run(journal, run.id)).findings
        until(
            lambda: (
                told.page["last"]
                == {
                    "run": run.id,
                    "unit": "A-0417",
                    "verdict": "RETEST",
                    "ended": find_run(journal, run.id).ended,
                    "answer": answer(findings),
                    "leaked": [("left", findings.wet_events[0].onset)],
                    "at_fault": {},
                }
            )
        )
        assert told.page["last"]["answer"].startswith("Water on ")

        header = begun.header.model_copy(update={"began": time.time()})
        cancelled = begin_run(journal, header, PLAN, LAYOUT)
        until(lambda: (told.last("lamp")["stage"], told.last("lamp")["verdict"]) == ("dry watch", ""))
        _judge_as(journal, run, "pass")
        ended = header.model_copy(update={"ended": time.time()})
        replayed = begin_run(journal, ended, PLAN, LAYOUT, source="replay")
        _judge_as(journal, replayed, "fail")
        heard = len(told.heard)
        cancel_run(journal, cancelled.id)
        until(lambda: told.last("lamp")["stage"] == "judged")
        time.sleep(0.5)
        assert {payload["verdict"] for topic, payload in told.heard[heard:] if topic.endswith("lamp")} == {""}
        assert told.page["last"]["run"] == run.id

        with journal.session() as session:  # as another version kept it
            row = session.get_one(RunRow, run.id)
            row.findings, row.judged_at = '{"verdict": "fail"}', time.time()
            session.get_one(RunRow, cancelled.id).judged_at = time.time()
        until(lambda: (told.page["last"]["verdict"], told.page["last"]["answer"]) == ("FAIL", ""))


def _judge_as(journal: Journal, run: RunRow, verdict: str) -> None:
    """Keep a judgement, as if the analysis had come to it just now."""
    with journal.session() as session:
        row = session.get_one(RunRow, run.id)
        told = examine_run(journal, row).findings.model_copy(update={"verdict": verdict})
        row.findings, row.judged_at = told.model_dump_json(), time.time()


def test_water_that_shows_during_a_judgement_is_judged_at_once(
    journal: Journal, demo: tuple[Recording, Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A judgement under way has not heard of it, so the next begins with its end and not a pause later."""
    monkeypatch.setattr("soaktest.watch.LEAST_BETWEEN_S", 60.0)
    started: list[float] = []
    shows = min(demo[1].first_water.values()) - demo[0].header.began
    whole = present(demo[0], shows + 60)
    began = whole.header.began
    heard = [m for m in whole.messages if m.at < began + shows - 5]
    run = under_way(journal, Recording(whole.header, heard))

    def slow(*args: Any) -> Any:
        started.append(time.monotonic())
        if len(started) == 1:
            journal.keep([m for m in whole.messages if m.at >= began + shows - 5])
            until(lambda: told.page["alarm"] is not None)
        return look(*args)

    monkeypatch.setattr("soaktest.watch.look", slow)
    with Told(journal) as told:
        until(lambda: len(started) >= 2)
        until(lambda: told.page["alarm"] is not None)
    assert run.id


def test_a_run_that_goes_on_has_no_verdict_but_its_water_is_told(
    journal: Journal, demo: tuple[Recording, Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the page of all runs and at the command line: under way, and wet; a verdict once it has ended."""
    from fastapi.testclient import TestClient
    from typer.testing import CliRunner

    from soaktest.cli.app import app
    from soaktest.web.app import create_app

    run = under_way(journal, present(demo[0], 900))
    _judge_as(journal, run, "pass")
    monkeypatch.setattr("soaktest.cli.runs.journal", lambda: journal)
    monkeypatch.setenv("COLUMNS", "160")

    with TestClient(create_app(journal, lambda _topic, _payload: None, None)) as client:
        until(lambda: "<b>under way, WET at left</b>" in client.get("/runs").text)
        assert "PASS" not in client.get("/runs").text
        told = CliRunner().invoke(app, ["run", "list"]).output
        assert "under way, WET at left" in told
        listed = orjson.loads(CliRunner().invoke(app, ["run", "list", "--json"]).output)
        assert listed[0]["verdict"] is None
        assert "Look while it is still wet" in client.get(f"/runs/{run.id}").text
        end_run(journal, run.id)
        assert "<b>PASS</b>" in client.get("/runs").text
    assert "PASS" in CliRunner().invoke(app, ["run", "list"]).output


def test_a_pad_that_was_wet_before_the_run_is_shown_wet_in_it(journal: Journal) -> None:
    """Its level is no dry one, however long it stands."""
    under_way(journal, present(simulate(Scenario(seed=3, wet_start="left"))[0], 300))
    with Told(journal) as told:
        until(
            lambda: bool(
                told.page["run"] and told.page["run"].get("stage") and told.page["pads"]["left"]["state"]
            )
        )
        assert told.page["pads"]["left"]["wetness"] > 0.2


def test_a_bench_that_was_silent_before_a_restart_is_told_by_its_last_word_and_begins_nothing_unsaid(
    journal: Journal, demo: tuple[Recording, Truth]
) -> None:
    """Heard until an hour ago: so long it was silent, and no run begins on it without a reason."""
    journal.keep(present(demo[0], 300).messages)
    with Told(journal) as told:
        until(lambda: told.page["age_s"] is not None)
        assert doubts(journal, "b1") == []
    later_on = time.time() + 3600
    assert doubts(journal, "b1", later_on) == [
        "left, centre and right pads are not heard just now: see to the node's supply and network first"
    ]
    with journal.session() as session:
        session.execute(sa.update(MessageRow).values(at=MessageRow.at - 3600))
    with Told(journal) as told:
        assert 3590 <= told.page["age_s"] <= 3700


def test_a_run_begins_without_the_water_of_the_time_before_it(
    journal: Journal, demo: tuple[Recording, Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pad that became wet ten seconds before the run is no alarm of the run; one that does so after is, at once."""
    release = threading.Event()

    def never(*args: Any) -> Any:
        release.wait(30)  # nothing confirms, nothing denies while the pages are looked at
        return look(*args)

    monkeypatch.setattr("soaktest.watch.look", never)
    shows = min(demo[1].first_water.values()) - demo[0].header.began
    whole = present(demo[0], shows + 30)
    at = whole.header.began + shows
    journal.keep([m for m in whole.messages if m.at < at + 10])
    with Told(journal) as told:
        until(lambda: any(p["provisional"] for p in told.page["pads"].values()))
        begun = begin_run(journal, whole.header.model_copy(update={"began": at + 10}), PLAN, LAYOUT)
        until(lambda: told.page["run"] and told.page["run"]["id"] == begun.id)
        journal.keep([m for m in held(whole, at + 10).messages if m.at >= at + 10])
        until(lambda: told.page["age_s"] < 5)
        assert told.page["alarm"] is None
        assert not any(p["provisional"] for p in told.page["pads"].values())
        release.set()


def test_a_rise_after_the_beginning_of_a_run_shows_whatever_rose_before_it() -> None:
    """The level that a rise is measured from is the higher of the last minute's and that at the beginning."""
    pad = PadGlance()
    for at in range(100):
        pad.take(float(at), -6.5)
    for at in (100.0, 101.0, 102.0):
        pad.take(at, -4.5)
    assert pad.wet_since == 100.0
    pad.begin(103.0)
    pad.take(103.0, -4.5)  # read only now, and of the time before
    pad.take(104.0, -4.5)
    assert pad.wet_since is None
    pad.take(105.0, -4.0)
    assert pad.wet_since == 105.0


def test_a_pad_says_since_when_it_is_damp() -> None:
    """From the first reading of those that reach up to now; a dry one between begins it anew."""
    glance = Glance("b1")
    pad = glance.pads["left"]
    damp = log_at(0.2, -6.0)
    assert wetness(damp, -6.0) == pytest.approx(0.2)
    for k, value in enumerate([-6.0] * 5 + [damp] * 3 + [-6.0] + [damp] * 4):
        pad.readings.append((1000.0 + k, value))

    state = glance.pad_state("left", -6.0)
    assert (state["wetness"], state["damp_since"], state["not_dry_since"]) == (0.2, 1009.0, None)
    pad.readings.append((1013.0, -6.0))
    assert glance.pad_state("left", -6.0)["damp_since"] is None


def test_water_that_stands_for_long_keeps_the_time_at_which_it_came() -> None:
    """Readings are kept for a quarter of an hour, and the time slid on with them."""
    glance = Glance("b1")
    pad = glance.pads["left"]
    for k in range(2000):
        pad.take(1000.0 + k, -3.6 if k >= 100 else -6.0)
    assert glance.pad_state("left")["not_dry_since"] == 1100.0
    pad.take(3000.0, -6.0)
    pad.take(3001.0, -3.6)
    assert glance.pad_state("left")["not_dry_since"] == 3001.0


def test_a_touch_just_before_a_run_hides_no_water_of_it() -> None:
    """One pack that conducts well is no level to measure a rise from."""
    pad = PadGlance()
    for at in range(100):
        pad.take(float(at), -6.5)
    pad.take(100.0, -4.0)
    pad.begin(100.5)
    for at in range(101, 115):
        pad.take(float(at), -6.5)
    pad.take(115.0, -4.6)
    assert pad.wet_since == 115.0


@pytest.mark.parametrize(("ratio", "says"), [(0.00008, "broken lead"), (0.999, "shorted")])
def test_a_broken_or_shorted_lead_is_told_before_a_run(
    journal: Journal, demo: tuple[Recording, Truth], ratio: float, says: str
) -> None:
    """The node tells of the resistor at the pad's far end: what reads less is broken, and no run begins on it unasked."""
    journal.keep(right_reads(ratio, present(demo[0], 200)).messages)
    with Told(journal) as told:
        until(lambda: told.page["pads"]["right"]["heard"])
        assert [told.page["pads"][zone]["word"] for zone in ("left", "centre", "right")] == [
            "dry",
            "dry",
            says,
        ]
        assert told.page["faults"] == [f"right pad: {says}"]
    assert [says in doubt for doubt in doubts(journal, "b1")] == [True]


def test_a_lead_that_broke_in_the_last_run_has_to_be_checked_before_the_next(journal: Journal) -> None:
    """It reads as dry again, and may break again: told, and no run begins on it unasked, until somebody checked it."""
    recording = present(simulate(Scenario(seed=4))[0], 900)
    run = under_way(journal, right_reads(0.00008, recording, (400.0, 460.0)))
    end_run(journal, run.id)
    judged = judge_run(journal, run.id)
    assert judged.findings.pads["right"].state == "open"
    says = f"right pad: broken lead in run {run.id}, not checked since"
    with Told(journal) as told:
        until(lambda: told.page["faults"] == [says])
        assert told.page["pads"]["right"]["word"] == "dry"
        assert doubts(journal, "b1") == [says]
        for zone in ZONES:
            keep_pad_check(journal, "b1", zone, PadCheck(1e-7, 4e-5, 0.0, time.time()), "")
        until(lambda: told.page["faults"] == [])
        assert doubts(journal, "b1") == []


def test_a_pad_is_proven_by_its_resistor_or_by_a_check(journal: Journal) -> None:
    """Else a broken lead reads as dry, and whoever begins is told."""
    journal.keep(present(simulate(Scenario(seed=5, end_of_line_ohm=None))[0], 60).messages)
    with Told(journal) as told:
        until(lambda: told.page["pads"]["left"]["heard"])
        assert [told.page["pads"][zone]["proven"] for zone in ZONES] == [False] * 3
        keep_pad_check(journal, "b1", "left", PadCheck(1e-7, 4e-5, 0.0, time.time()), "")
        until(lambda: told.page["pads"]["left"]["proven"])
        assert not told.page["pads"]["right"]["proven"]


def test_a_last_will_is_no_word_of_the_node(journal: Journal, demo: tuple[Recording, Truth]) -> None:
    """The broker says that the node is gone: the bench is as silent as before."""
    journal.keep(present(demo[0], 300).messages)
    with journal.session() as session:
        session.execute(sa.update(MessageRow).values(at=MessageRow.at - 60))
    with Told(journal) as told:
        until(lambda: told.page["age_s"] is not None)
        journal.keep([Message(time.time(), "soaktest/b1/pads/presence", b"gone")])
        until(lambda: told.watch._last_id == _newest(journal))
        assert told.page["age_s"] >= 55


def _newest(journal: Journal) -> int:
    with journal.session() as session:
        return session.scalar(sa.select(sa.func.max(MessageRow.id))) or 0


def test_whoever_looks_is_told_that_the_pads_are_being_checked(
    journal: Journal, demo: tuple[Recording, Truth]
) -> None:
    """From the first touch until the check is over, or for a minute."""
    journal.keep(present(demo[0], 60).messages)
    with Told(journal) as told:
        until(lambda: told.page["pads"]["left"]["heard"])
        assert not told.page["checking"]
        told.watch.checking("b1", 0.5)
        assert told.page["checking"]
        until(lambda: not told.page["checking"], 3.0)
        told.watch.checking("nobody", 60.0)
        assert told.watch.names() == ["b1"]


def test_a_machine_that_works_on_a_wet_pad_without_a_run_is_told(
    journal: Journal, demo: tuple[Recording, Truth]
) -> None:
    """No run, no alarm; but that the pad is wet, since when, and that the machine works."""
    wet_s = demo[1].first_water["left"] - demo[0].header.began
    journal.keep(present(demo[0], wet_s + 240).messages)
    with Told(journal) as told:
        until(lambda: told.page["pads"]["left"]["word"] == "not dry")
        page = told.page
        assert page["works"]
        assert page["alarm"] is None
        assert page["pads"]["left"]["not_dry_since"] == pytest.approx(time.time() - 240, abs=90)
        assert page["pads"]["right"]["not_dry_since"] is None
