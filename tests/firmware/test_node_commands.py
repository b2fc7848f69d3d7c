"""Checking a node and calibrating pads over a real broker, and the contract's files for other languages."""

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import jsonschema_rs
import orjson
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import BaseModel
from typer.testing import CliRunner

from soaktest.analysis.analyse import analyse
from soaktest.cli.app import app
from soaktest.errors import BrokerError, MessageFault
from soaktest.findings import Findings
from soaktest.journal import open_journal
from soaktest.layouts import read_layout
from soaktest.node_check import Said, check_node
from soaktest.plans import read_plan
from soaktest.recording import Header, Recording
from soaktest.records import pad_checks
from soaktest.settings import BrokerAddress
from soaktest.simulate.bench import Truth
from soaktest.wire import (
    About,
    Pack,
    Topic,
    build_about,
    build_readings,
    decode_json,
    parse_about,
    parse_presence,
    parse_readings,
    parse_topic,
)
from tests.conftest import Mosquitto

CONTRACT = Path(__file__).parents[2] / "fixtures" / "contract"
TOPIC = Topic("b1", "pads", "readings")
DRY = 100_000.0 / 2_300_000.0


def pack(seq: int, uptime: float, rate: int = 5, **wet: float) -> bytes:
    times = [-(rate - 1 - i) / rate for i in range(rate)]
    samples = {zone: (times, [wet.get(zone, DRY)] * rate) for zone in ("left", "centre", "right")}
    return build_readings(TOPIC, Pack("5f1c", seq, uptime, absolute=False, samples=samples))


ABOUT = build_about(
    {
        "contract": 1,
        "kind": "pads",
        "clock": "uptime",
        "rate_hz": 5,
        "pads": {
            z: {"divider_ohm": 100_000, "end_of_line_ohm": 2_200_000} for z in ("left", "centre", "right")
        },
    }
)


def good(count: int = 60) -> list[Said]:
    at = 1_764_000_000.0
    said = [
        Said(at, "soaktest/b1/pads/about", ABOUT, True),
        Said(at, "soaktest/b1/pads/presence", b"here", True),
    ]
    return said + [Said(at + i + 0.02, str(TOPIC), pack(i, 10.0 + i), False) for i in range(count)]


def test_a_node_that_keeps_the_contract_has_nothing_to_mend() -> None:
    """Rate, numbers, clock, units and last will in plain words."""
    lines = check_node(
        [*good(), Said(1_764_000_070.0, "soaktest/b1/pads/presence", b"gone", False)], wanted_will=True
    )

    assert [line.text for line in lines if not line.good] == []
    assert any("5 samples a second" in line.text for line in lines)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda m: m[1:], "no description"),
        (lambda m: [m[0]._replace(retained=False), *m[1:]], "retain flag"),
        (lambda m: [m[0], *m[2:]], "never said here"),
        (lambda m: [*m[:10], *m[14:]], "4 of 60 packs never came"),
        (lambda m: [*m, m[5]._replace(payload=b"not json")], "1 set aside: not JSON"),
        (lambda m: [x._replace(payload=pack(i, 10.0 + i, rate=2)) if "readings" in x.topic else x for i, x in enumerate(m)], "says 5 Hz"),
        (lambda m: [x._replace(payload=pack(i, 500.0 - i)) if "readings" in x.topic else x for i, x in enumerate(m)], "runs back"),
        (lambda m: m[:2], "no readings pack arrived"),
    ],
)  # fmt: skip
def test_each_thing_that_is_wrong_is_named(change: object, said: str) -> None:
    """And how to mend it in the firmware."""
    lines = check_node(change(good()))  # type: ignore[operator]

    assert any(said in line.text and not line.good for line in lines)


def _bare(seq: int) -> bytes:
    return orjson.dumps([{"bn": "b1/pads/", "n": "boot", "vs": "5f1c"}, {"n": "seq", "u": "count", "v": seq}])


@pytest.mark.parametrize(("clock", "good_so"), [("utc", True), ("uptime", False)])
def test_only_a_node_with_the_date_may_leave_uptime_out(clock: str, good_so: bool) -> None:
    """Also of packs that hold nothing: the first of them comes before there are samples."""
    about = ABOUT.replace(b'"uptime"', f'"{clock}"'.encode())
    said = [m._replace(payload=about) if m.topic.endswith("about") else m for m in good()]
    first = next(i for i, m in enumerate(said) if m.topic == str(TOPIC))
    said[first] = said[first]._replace(payload=_bare(0))

    lines = [line for line in check_node(said) if not line.good]

    assert [line for line in lines if "set aside" in line.text] == []
    assert any("without uptime" in line.text for line in lines) is not good_so


def test_a_clock_that_is_far_off_is_told() -> None:
    """100 ppm are allowed; this one gains 400."""
    at = 1_764_000_000.0
    said = good()[:2] + [Said(at + i * 1.0004, str(TOPIC), pack(i, 10.0 + i), False) for i in range(400)]

    assert any("ppm off" in line.text and not line.good for line in check_node(said))


class Talker:
    """A pad node that goes on talking; what its pads read can be set."""

    def __init__(self, address: BrokerAddress) -> None:
        self.wet: dict[str, float] = {}
        self._stop = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.connect(address.host, address.port)
        self._client.loop_start()
        self._client.publish("soaktest/b1/pads/about", ABOUT, qos=1, retain=True)
        self._client.publish("soaktest/b1/pads/presence", b"here", qos=1, retain=True)
        self._thread = threading.Thread(target=self._talk)
        self._thread.start()

    def _talk(self) -> None:
        begin, seq = time.monotonic(), 0
        while not self._stop.wait(0.2):
            self._client.publish(str(TOPIC), pack(seq, time.monotonic() - begin, 1, **self.wet), qos=1)
            seq += 1

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()


class Answer:
    """Who reads what a command asks, and presses Enter when it does; nothing waits longer than it must."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def told(self, what: str) -> None:
        """Read on until something is said; a question ends no line."""
        assert self._process.stdout is not None
        said = ""
        while what not in said:
            letter = self._process.stdout.read(1)
            assert letter, f"ended before {what!r}, after {said!r}"
            said += letter

    def when(self, question: str) -> None:
        """Press Enter at a question."""
        assert self._process.stdin is not None
        self.told(question)
        self._process.stdin.write("\n")
        self._process.stdin.flush()


def test_the_command_listens_and_judges(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Over a real broker: exit status and words."""
    node = Talker(mosquitto.address)
    done = subprocess.run(
        [sys.executable, "-m", "soaktest.cli", "check-node", "b1", "pads", "--seconds", "4", "--broker", str(mosquitto.address)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    node.stop()
    assert "describes itself as a pads node" in done.stdout
    assert done.returncode == 0, done.stdout


def test_calibration_tells_a_bad_pad_from_good_ones_and_is_kept(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Left and centre answer to finger and syringe, right does not; dated, by pad, used from then on."""
    node = Talker(mosquitto.address)
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "soaktest.cli", "calibrate", "b1", "--ml", "1", "--hold", "1.5", "--broker", str(mosquitto.address)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env={**__import__("os").environ, "SOAKTEST_DATA": str(tmp_path)},
    )  # fmt: skip
    assert process.stdin is not None
    time.sleep(1.5)

    def step(wet: dict[str, float], wait: float) -> None:
        assert process.stdin is not None
        node.wet = wet
        time.sleep(0.5)
        process.stdin.write("\n")
        process.stdin.flush()
        time.sleep(wait)

    step({}, 5.5)
    for zone in ("left", "centre", "right"):
        works = zone != "right"
        step({zone: 0.3} if works else {}, 2.2)
        if works:
            step({zone: 0.8}, 2.2)
    out, err = process.communicate(timeout=30)
    node.stop()
    assert process.returncode == 1, out + err
    assert "right: dry" in out
    assert "Extra-low voltage only." in out.split("all three pads dry")[0]
    assert (
        out.count("put 1 ml of tap water") == 2
    )  # a pad that does not answer to a finger is asked for no more
    assert "NOT SOUND: it hardly answered" in out
    book = open_journal(f"sqlite:///{tmp_path / 'journal.sqlite'}")
    checks = pad_checks(book, "b1", time.time())
    book.close()
    assert {zone: bool(row.fault) for zone, row in checks.items()} == {
        "left": False,
        "centre": False,
        "right": True,
    }
    assert checks["left"].wet_siemens == pytest.approx(0.8 / 0.2 / 100_000, rel=0.01)


def test_a_pad_that_is_wet_at_the_first_reading_is_told_at_once(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Before anybody is asked to touch the others; the drip walk asks for it to be dried and waits."""
    node = Talker(mosquitto.address)
    node.wet = {"right": 0.8}
    env = {**os.environ, "SOAKTEST_DATA": str(tmp_path), "SOAKTEST_BROKER": str(mosquitto.address)}
    said = {}
    for command in (("calibrate", "b1", "--hold", "1"), ("drip", "walk", "b1", "--settle", "3")):
        process = subprocess.Popen(
            [sys.executable, "-u", "-m", "soaktest.cli", *command], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env,
        )  # fmt: skip
        time.sleep(4.0)
        said[command[0]], _ = process.communicate("\n", timeout=60)
    node.stop()

    assert "right: dry 40 µS. NOT SOUND: it is not dry" in said["calibrate"]
    assert said["calibrate"].index("it is not dry") < said["calibrate"].index("LEFT pad")
    assert "The right pad is not dry: dry it" in said["drip"]


@pytest.mark.parametrize(
    "command", [("check-node", "b1", "pads"), ("calibrate", "b1"), ("drip", "walk", "b1")]
)
def test_without_a_word_the_broker_of_the_page_on_this_machine_is_asked(
    command: tuple[str, ...], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """As the live demonstration does; where none answers, the error says how one is named."""
    monkeypatch.delenv("SOAKTEST_BROKER", raising=False)
    monkeypatch.setenv("SOAKTEST_DATA", str(tmp_path))

    def refuse(_client: object, host: str, port: int) -> None:
        assert (host, port) == ("127.0.0.1", 1883)
        raise ConnectionRefusedError

    monkeypatch.setattr(mqtt.Client, "connect", refuse)
    with pytest.raises(
        BrokerError, match=r"no broker at mqtt://127\.0\.0\.1.*soaktest serve.*--broker mqtt://192"
    ):
        CliRunner().invoke(app, command, standalone_mode=False, catch_exceptions=False)


def phase_words(every: int, seconds: int = 60) -> list[Said]:
    """A phase node that says its word every so many seconds."""
    at, topic = 1_764_000_000.0, Topic("b1", "ph", "readings")
    about = build_about({"contract": 1, "kind": "phase", "clock": "uptime"})
    said = [Said(at, "soaktest/b1/ph/about", about, True), Said(at, "soaktest/b1/ph/presence", b"here", True)]
    for i in range(seconds):
        words = [(0.0, "wash")] if i % every == 0 else []
        pack = Pack("5f1c", i, 10.0 + i, absolute=False, phases=words)  # type: ignore[arg-type]
        said.append(Said(at + i + 0.02, str(topic), build_readings(topic, pack), False))
    return said


@pytest.mark.parametrize(("every", "good"), [(1, True), (4, True), (8, False), (60, False)])
def test_a_word_of_the_phase_that_is_not_said_again_is_told(every: int, good: bool) -> None:
    """Said at a change alone, a long wash is a gap and no run can pass."""
    line = next(line for line in check_node(phase_words(every)) if line.text.startswith("phase:"))

    assert line.good == good
    assert good or "Say it with every pack" in line.text


def test_what_is_counted_is_said_in_words() -> None:
    """A share is called one, and nobody need know which pack was the promptest."""
    texts = " ".join(line.text for line in check_node(good()))

    assert "5 samples a second, each a share from 0 to 1." in texts
    assert "under way for 0.00 s or less" in texts
    assert "in /" not in texts


def test_the_drip_challenge_is_walked_through_and_watched(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """A drop that shows on the left pad, one that does not on the centre, one on the right: each written down as it was."""
    from soaktest.tables import DripRow

    node = Talker(mosquitto.address)
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "soaktest.cli", "drip", "walk", "b1", "--drops", "2", "--times", "1", "--wait", "4", "--settle", "4", "--broker", str(mosquitto.address)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env={**__import__("os").environ, "SOAKTEST_DATA": str(tmp_path)},
    )  # fmt: skip
    answer = Answer(process)
    answer.when("All three pads dry.")
    for zone in ("left", "centre", "right"):
        answer.when(f"on the {zone.upper()} pad, and press Enter at once.")
        node.wet = {} if zone == "centre" else {zone: 0.3}
        answer.told("seen\n")
        node.wet = {}
        if zone != "right":
            answer.when("Wipe the pad dry.")
    out, err = process.communicate(timeout=30)
    node.stop()
    assert process.returncode == 0, out + err
    book = open_journal(f"sqlite:///{tmp_path / 'journal.sqlite'}")
    with book.session() as session:
        rows = [(row.zone, row.ml, row.seen) for row in session.query(DripRow).order_by(DripRow.id)]
    book.close()
    assert rows == [("left", 0.1, True), ("centre", 0.1, False), ("right", 0.1, True)]


def cases() -> list[dict[str, object]]:
    return [orjson.loads(line) for line in (CONTRACT / "cases.ndjson").read_bytes().splitlines()]


@pytest.mark.parametrize("case", cases(), ids=lambda case: str(case["name"]))
def test_conformance_cases_for_other_languages(case: dict[str, object]) -> None:
    """Each file line says whether a message is kept, or set aside and why; this implementation agrees."""
    topic_text, payload = str(case["topic"]), str(case["payload"]).encode()
    try:
        topic = parse_topic(topic_text)
        if topic.kind == "about":
            parse_about(decode_json(payload))
        elif topic.kind == "presence":
            parse_presence(payload)
        else:
            parse_readings(payload, topic, float(str(case["at"])))
        got = "kept"
    except MessageFault as exc:
        got = str(exc)

    if case["expect"] == "kept":
        assert got == "kept"
    else:
        assert got != "kept"
        assert str(case["because"]) in got


@pytest.mark.parametrize(("name", "model"), [("about", About), ("header", Header), ("findings", Findings)])
def test_schemas_are_those_of_the_program_and_hold_real_objects(
    name: str, model: type[BaseModel], demo: tuple[Recording, Truth]
) -> None:
    """Checked by a general validator: the schema itself, what the program writes, and something that breaks it."""
    schema = orjson.loads((CONTRACT / f"{name}.schema.json").read_bytes())
    jsonschema_rs.meta.validate(schema)
    assert (
        schema["$defs" if "$defs" in schema else "properties"]
        == model.model_json_schema()["$defs" if "$defs" in schema else "properties"]
    )
    sample = {
        "about": orjson.loads(ABOUT),
        "header": demo[0].header.model_dump(mode="json", exclude_none=True),
        "findings": analyse(demo[0], read_layout("front-loader"), read_plan("repair-check")).model_dump(
            mode="json"
        ),
    }[name]
    validator = jsonschema_rs.validator_for(schema)
    validator.validate(sample)
    assert not validator.is_valid({**sample, next(iter(schema["required"])): []})


def test_the_description_of_the_topics_is_whole() -> None:
    """AsyncAPI 3.0: every reference resolves, every channel of the contract is there, every example is a message that is kept."""
    told = orjson.loads((CONTRACT / "asyncapi.json").read_bytes())
    assert told["asyncapi"].startswith("3.")
    assert {"title", "version"} <= set(told["info"])

    def references(value: object) -> list[str]:
        if isinstance(value, dict):
            own = [value["$ref"]] if isinstance(value.get("$ref"), str) else []
            return own + [r for v in value.values() for r in references(v)]
        return [r for v in value for r in references(v)] if isinstance(value, list) else []

    for reference in references(told):
        if reference.startswith("#/"):
            at: object = told
            for key in reference[2:].split("/"):
                assert isinstance(at, dict)
                at = at[key.replace("~1", "/")]
        else:
            assert (CONTRACT / reference.removeprefix("./")).exists(), reference
    addresses = {channel["address"] for channel in told["channels"].values()}
    assert addresses == {
        f"soaktest/{{bench}}/{{node}}/{kind}" for kind in ("readings", "about", "presence")
    } | {f"soaktest/{{bench}}/{kind}" for kind in ("lamp", "alarm")}
    example = told["components"]["messages"]["readings"]["examples"][0]["payload"]
    assert parse_readings(orjson.dumps(example), TOPIC, 1_764_000_000.0).samples
