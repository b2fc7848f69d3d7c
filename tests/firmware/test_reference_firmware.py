"""The very files of firmware_notes/firmware in a real MicroPython, against a real Mosquitto: through outages and reboots."""

import json
import math
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa

from soaktest.analysis.analyse import examine
from soaktest.analysis.signals import gather
from soaktest.collector import Collector
from soaktest.journal import Journal, open_journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Header, Recording
from soaktest.simulate.bench import Truth
from soaktest.tables import MessageRow, RunRow
from soaktest.vocabulary import ZONES
from soaktest.wire import Topic, parse_readings, parse_topic
from tests.conftest import Mosquitto, free_port, program

HERE = Path(__file__).parent
FIRMWARE = HERE.parents[1] / "firmware_notes" / "firmware"
BASE = 1_764_000_000.0


def micropython() -> str:
    beside = Path(sys.executable).with_name("micropython")
    return str(beside) if beside.exists() else program("micropython")


def run(script: str, *arguments: object, timeout: float = 200) -> str:
    done = subprocess.run(
        [micropython(), HERE / script, FIRMWARE, *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=timeout,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def told(line: str) -> dict[str, str]:
    words = line.split()
    return dict(zip(words[::2], words[1::2], strict=True))


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    book = open_journal(f"sqlite:///{tmp_path / 'journal.sqlite'}")
    yield book
    book.close()


def readings_of(recording: Recording, path: Path) -> int:
    """The demonstration's pads as a file of ratios at 5 Hz; returns the seconds in it."""
    signals = gather(recording)
    t = signals.began + 0.2 * np.arange(int(5 * (signals.ended - signals.began)))
    rows = np.column_stack([np.interp(t, signals.pads[z].t, signals.pads[z].v) for z in ZONES])
    np.savetxt(path, rows, fmt="%.5f")
    return len(rows) // 5


def whole(journal: Journal, seconds: float) -> Recording:
    header = Header(
        bench="b1",
        unit="A-0417",
        began=BASE,
        ended=BASE + seconds,
        layout="front-loader",
        plan="repair-check",
    )
    row = RunRow(
        id=1,
        bench="b1",
        unit=None,
        plan='{"name":"repair-check"}',
        layout='{"name":"front-loader"}',
        began=BASE,
        ended=BASE + seconds,
        stage="",
    )
    return Recording(header, list(journal.recording(row).messages))


def board_zero(heard: Recording) -> float:
    """When the board's clock began, on the bench's clock: the least of arrival minus uptime over its packs."""
    found = []
    for message in heard.messages:
        topic = parse_topic(message.topic)
        if topic.kind == "readings":
            pack = parse_readings(message.payload, topic, message.at)
            found.append(message.at - (pack.uptime or 0.0))
    return min(found)


def test_what_the_pads_read_is_what_the_bench_finds(
    mosquitto: Mosquitto, journal: Journal, tmp_path: Path, demo: tuple[Recording, Truth]
) -> None:
    """Forty minutes of the demonstration's leak through the firmware at seventy times real speed: the same wet events."""
    seconds = readings_of(demo[0], tmp_path / "pads.txt")
    speed, begin = 70.0, time.time()
    with Collector(
        journal, mosquitto.address, clock=lambda _t, _p: BASE + (time.time() - begin) * speed
    ) as collector:
        begin = time.time()
        last = told(
            run(
                "bench_of_pins.py",
                tmp_path / "pads.txt",
                mosquitto.address.port,
                speed,
                "pads",
                seconds * 1000,
                400,
            ).splitlines()[-1]
        )
        time.sleep(0.5)
        assert collector.counts.set_aside == 0
    assert last["left"] == "0"
    assert last["charge"] == "0"  # as long one way round as the other: no metal is carried
    layout, plan = read_layout("front-loader"), read_plan("repair-check")
    phases = [m for m in demo[0].messages if "/phase/" in m.topic]
    heard = whole(journal, seconds)
    zero = board_zero(heard)
    shift = zero - demo[0].header.began
    got = examine(
        Recording(heard.header, [*heard.messages, *(m._replace(at=m.at + shift) for m in phases)]),
        layout,
        plan,
    ).findings
    want = examine(demo[0], layout, plan).findings

    assert got.verdict == want.verdict == "fail"
    assert [(e.zone, e.phase) for e in got.wet_events] == [(e.zone, e.phase) for e in want.wet_events]
    for a, b in zip(got.wet_events, want.wet_events, strict=True):
        assert a.onset - zero == pytest.approx(b.onset - demo[0].header.began, abs=6.0)
    assert {got.pads[zone].state for zone in ZONES} == {"sound"}
    print("memory grown, bytes:", last["grown"])


def test_an_outage_loses_nothing_that_fits_and_a_reboot_begins_anew(
    mosquitto: Mosquitto, journal: Journal, tmp_path: Path
) -> None:
    """The broker dies and comes back: every pack is there once. The node boots: a new boot id, seq from 0."""
    (tmp_path / "dry.txt").write_text("0.0435 0.0435 0.0435\n")
    arguments = [
        micropython(),
        HERE / "bench_of_pins.py",
        FIRMWARE,
        tmp_path / "dry.txt",
        str(mosquitto.address.port),
        "10",
        "pads",
        "90000",
        "200",
    ]
    with Collector(journal, mosquitto.address):
        node = subprocess.Popen(list(map(str, arguments)), stdout=subprocess.PIPE, text=True)
        time.sleep(2.5)
        mosquitto.stop()
        time.sleep(2.0)
        mosquitto.start()
        out = node.communicate(timeout=60)[0]
        first = told(out.splitlines()[-1])
        time.sleep(4.0)
        again = told(
            subprocess.run(
                list(map(str, arguments[:6])) + ["pads", "5000", "200"],
                capture_output=True,
                text=True,
                timeout=60,
                check=True,
            ).stdout.splitlines()[-1]
        )
        time.sleep(1.0)
    assert first["dropped"] == "0"
    assert first["boot"] != again["boot"]
    with journal.session() as session:
        rows = session.execute(
            sa.select(MessageRow.boot, MessageRow.seq).where(MessageRow.kind == "readings")
        ).all()
        gone = session.scalar(
            sa.select(sa.func.count()).where(MessageRow.kind == "presence", MessageRow.payload == b"gone")
        )
    seqs = sorted(seq for boot, seq in rows if boot == first["boot"])
    assert seqs == list(range(len(seqs)))
    assert len(seqs) >= 75  # of 90: without those of the outage, 20 s by the board's clock, 70 at the most
    assert min(seq for boot, seq in rows if boot == again["boot"]) == 0
    assert gone is not None
    assert gone >= 1  # the last will spoke


def test_a_full_outbox_drops_the_oldest_and_the_gap_shows(
    mosquitto: Mosquitto, journal: Journal, tmp_path: Path
) -> None:
    """With room for ten packs, an outage of longer leaves a hole in seq, not a lie."""
    (tmp_path / "dry.txt").write_text("0.0435 0.0435 0.0435\n")
    mosquitto.stop()
    node = subprocess.Popen(
        [micropython(), HERE / "bench_of_pins.py", FIRMWARE, tmp_path / "dry.txt", str(mosquitto.address.port), "10", "pads", "60000", "10"],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    time.sleep(3.0)
    mosquitto.start()
    with Collector(journal, mosquitto.address):
        last = told(node.communicate(timeout=60)[0].splitlines()[-1])
        time.sleep(1.0)
    with journal.session() as session:
        seqs = sorted(session.scalars(sa.select(MessageRow.seq).where(MessageRow.kind == "readings")))
    assert int(last["dropped"]) > 5
    assert seqs[0] is not None
    assert seqs[0] >= 5
    assert seqs == list(range(seqs[0], seqs[0] + len(seqs)))


def test_memory_does_not_grow_over_a_simulated_day() -> None:
    """86,400 packs; a board has about 100 kB free, and the link needs a small part of it."""
    count = 86_400 if os.environ.get("SOAKTEST_REQUIRE_ALL") else 20_000
    numbers = told(run("day_of_packs.py", count, timeout=280).splitlines()[-1])

    assert int(numbers["after"]) <= int(numbers["before"]) + 2_000
    assert int(numbers["most"]) < 60_000


def test_rms_of_textbook_waves() -> None:
    """Sine A/sqrt 2; half- and full-wave rectified A/2 and A/sqrt 2 in all, the mean of A/pi and 2A/pi taken off; square A."""
    got = {name: float(value) for name, value in (line.split() for line in run("rms_values.py").splitlines())}

    assert got["sine"] == pytest.approx(10 / math.sqrt(2), rel=1e-3)
    assert got["offset"] == pytest.approx(10 / math.sqrt(2), rel=1e-3)
    assert got["half"] == pytest.approx(math.sqrt(25 - (10 / math.pi) ** 2), rel=1e-3)
    assert got["full"] == pytest.approx(math.sqrt(50 - (20 / math.pi) ** 2), rel=1e-3)
    assert got["square"] == pytest.approx(10, rel=1e-3)
    assert got["none"] == 0


@pytest.mark.parametrize("path", sorted(FIRMWARE.glob("*.py")), ids=lambda path: path.name)
def test_every_file_for_a_board_compiles_there(path: Path) -> None:
    """Also those that need a board's own modules to run."""
    source = f"compile(open({str(path)!r}).read(), {path.name!r}, 'exec')"
    done = subprocess.run(
        [micropython(), "-c", source], capture_output=True, text=True, timeout=30, check=False
    )

    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("wired", ["clamp,shake,valve,pump,pulses", "clamp", "valve,pump"])
def test_a_phase_node_tells_what_is_wired_and_nothing_else(
    mosquitto: Mosquitto, journal: Journal, wired: str
) -> None:
    """RMS with the clamp's offset taken off, gravity too; shares of valve and pump; watts from a meter's pulses."""
    with Collector(journal, mosquitto.address) as collector:
        last = told(run("bench_of_inputs.py", mosquitto.address.port, 20_000, wired).splitlines()[-1])
        time.sleep(0.5)
        assert collector.counts.set_aside == 0
    assert last["left"] == "0"
    seen: dict[str, list[tuple[float, float]]] = {}
    with journal.session() as session:
        for payload in session.scalars(sa.select(MessageRow.payload).where(MessageRow.kind == "readings")):
            pack = parse_readings(payload, Topic("b1", "phase", "readings"), time.time())
            for name, (times, values) in pack.samples.items():
                seen.setdefault(name, []).extend(
                    (float(pack.uptime or 0) + t, v) for t, v in zip(times, values, strict=True)
                )
    names = {"clamp": "current", "shake": "vibration", "valve": "inlet", "pump": "outlet", "pulses": "power"}
    assert set(seen) == {names[name] for name in wired.split(",")}

    def mean(name: str, low: float, high: float) -> float:
        return float(np.mean([v for t, v in seen[name] if low <= t < high]))

    if "current" in seen:
        assert mean("current", 11, 19) == pytest.approx(9.0, rel=0.05)
        assert mean("current", 1, 9) == pytest.approx(0.05, rel=0.1)
    if "vibration" in seen:
        assert mean("vibration", 1, 19) == pytest.approx(0.4 / math.sqrt(2), rel=0.1)
    if "inlet" in seen:
        assert mean("inlet", 1, 9) == 1.0
        assert mean("inlet", 11, 19) == 0.0
        assert mean("outlet", 1, 19) == 0.0
    if "power" in seen:
        assert mean("power", 4, 12) == pytest.approx(2000, rel=0.15)
        assert (
            max(v for _, v in seen["power"]) < 2600
        )  # and not 18 kW in the fifth of a second that held a pulse
        assert mean("power", 18, 20) == pytest.approx(
            3600 / 8.2, rel=0.15
        )  # as much as one pulse now would mean


@pytest.mark.parametrize("trust", ["", "c.der", "other.der"])
def test_over_tls_packs_come_as_well_and_a_false_broker_gets_none(tmp_path: Path, trust: str) -> None:
    """A broker with a certificate of its own making: taken unseen, checked against the one it has, refused against another."""
    import datetime

    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "127.0.0.1")])
    now = datetime.datetime.now(datetime.UTC)
    plain = serialization.NoEncryption()
    for stem in ("c", "other"):
        key = ec.generate_private_key(ec.SECP256R1())
        made = (
            x509.CertificateBuilder()
            .subject_name(name)
            .issuer_name(name)
            .public_key(key.public_key())
            .serial_number(7)
        )
        certificate = (
            made.not_valid_before(now - datetime.timedelta(days=1))
            .not_valid_after(now + datetime.timedelta(days=1))
            .sign(key, hashes.SHA256())
        )
        (tmp_path / f"{stem}.pem").write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        (tmp_path / f"{stem}.der").write_bytes(certificate.public_bytes(serialization.Encoding.DER))
        (tmp_path / f"{stem}.key").write_bytes(
            key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, plain)
        )
    port = free_port()
    (tmp_path / "m.conf").write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nuser root\ncertfile {tmp_path}/c.pem\nkeyfile {tmp_path}/c.key\n"
    )
    (tmp_path / "dry.txt").write_text("0.0435 0.0435 0.0435\n")
    broker = subprocess.Popen(
        [program("mosquitto"), "-c", tmp_path / "m.conf"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    time.sleep(1.0)
    try:
        last = told(
            run(
                "bench_of_pins.py",
                tmp_path / "dry.txt",
                port,
                10,
                "pads",
                30_000,
                100,
                "tls",
                *([tmp_path / trust] if trust else []),
            ).splitlines()[-1]
        )
    finally:
        broker.terminate()
        broker.wait(10)
    if trust == "other.der":
        assert last["left"] != "0"  # nothing was acknowledged: it waits for the true broker
    else:
        assert (last["left"], last["dropped"]) == ("0", "0")


@pytest.mark.parametrize(
    ("program_file", "pins", "heard"),
    [
        (
            "main_pads.py",
            {"left": [2, 3, 26], "centre": [4, 5, 27], "right": [6, 7, 28]},
            {"left": 0.0435, "centre": 0.25, "right": 0.5},
        ),
        (
            "main_phase.py",
            {"clamp": 26, "shake": 27, "valve": 14, "pump": 15, "meter": 16},
            {"inlet": 1.0, "outlet": 0.0},
        ),
    ],
)
def test_what_is_copied_to_a_board_runs_as_it_is(
    mosquitto: Mosquitto,
    journal: Journal,
    tmp_path: Path,
    program_file: str,
    pins: dict[str, object],
    heard: dict[str, float],
) -> None:
    """main, board and settings, on stand-ins for pins, converter, watchdog and network only: it joins, describes itself, and is heard."""
    settings = json.loads((FIRMWARE / "settings.example.json").read_text())
    node = program_file.removeprefix("main_").removesuffix(".py")
    settings |= {"broker": "127.0.0.1", "port": mosquitto.address.port, "node": node, "pins": pins}
    (tmp_path / "settings.json").write_text(json.dumps(settings))
    with Collector(journal, mosquitto.address, "board") as collector:
        board = subprocess.Popen(
            [micropython(), FIRMWARE / program_file],
            cwd=tmp_path,
            env={**os.environ, "MICROPYPATH": f"{HERE / 'board'}:{FIRMWARE}:.frozen"},
            stderr=subprocess.PIPE,
        )
        deadline = time.monotonic() + 20
        while collector.counts.journaled < 6 and time.monotonic() < deadline and board.poll() is None:
            time.sleep(0.1)
        board.kill()
        _, wrong = board.communicate()
        assert collector.counts.journaled >= 6, wrong.decode()
        assert collector.counts.set_aside == 0
    with journal.session() as session:
        rows = list(session.scalars(sa.select(MessageRow).order_by(MessageRow.id)))
    assert {row.kind for row in rows} >= {"about", "presence", "readings"}
    packs = [
        parse_readings(row.payload, Topic("b1", node, "readings"), row.at)
        for row in rows
        if row.kind == "readings"
    ]
    for channel, value in heard.items():
        samples = [v for pack in packs for v in pack.samples.get(channel, ([], []))[1]]
        assert np.median(samples) == pytest.approx(value, abs=0.002)
    if node == "phase":
        assert {"current", "vibration"} <= set(packs[-1].samples)
