"""Nodes: listen to one and say whether it keeps the contract; calibrate a bench's pads."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Annotated

import typer

from soaktest.cli.words import console

if TYPE_CHECKING:
    from soaktest.analysis.events import PadCheck
    from soaktest.node_check import Said

BENCH = Annotated[str, typer.Argument(help="The bench's name.")]
BROKER = Annotated[
    str | None,
    typer.Option(
        help="mqtt://host:port; by default SOAKTEST_BROKER, else that of a page served on this machine."
    ),
]
CAUTION = "Extra-low voltage only. Unplug the machine, move it away, and keep every mains lead off the floor."


@contextlib.contextmanager
def listening(broker: str | None, topics: str) -> Iterator[list[Said]]:
    """Everything that arrives under some topics, as it arrives."""
    from paho.mqtt.client import MQTTMessage, topic_matches_sub

    from soaktest.mqtt_client import connected, new_client
    from soaktest.node_check import Said
    from soaktest.settings import START_OR_NAME, broker_of_nodes

    address = broker_of_nodes(broker)
    heard: list[Said] = []
    client = new_client(address)

    def hear(_client: object, _data: object, m: MQTTMessage) -> None:
        if topic_matches_sub(topics, m.topic):  # not every broker keeps its retained messages to the filter
            heard.append(Said(time.time(), m.topic, bytes(m.payload), bool(m.retain)))

    client.on_message = hear
    client.on_connect = lambda c, *_: c.subscribe(topics, 1)
    with connected(client, address, START_OR_NAME):
        yield heard


def check_node(
    bench: BENCH,
    node: Annotated[str, typer.Argument(help="The node's name.")],
    seconds: Annotated[float, typer.Option(min=1, max=3600, help="How long to listen.")] = 60.0,
    last_will: Annotated[
        bool,
        typer.Option(
            "--last-will", help="At the end, ask for the plug to be pulled, and wait for the last will."
        ),
    ] = False,
    broker: BROKER = None,
) -> None:
    """Listen to a node, and say what its firmware must mend.

    Exit status: 0 it keeps the contract, 1 it does not.

    Example: soaktest check-node b1 pads --broker mqtt://192.168.4.2
    """
    from rich.progress import track

    from soaktest.node_check import check_node as judge

    out = console()
    with listening(broker, f"soaktest/{bench}/{node}/#") as heard:
        for _ in track(range(int(seconds * 4)), f"Listening to {bench}/{node}", console=out, transient=True):
            time.sleep(0.25)
        if last_will:
            out.print("Pull the node's plug now; its last will is due within 90 s.")
            end = time.monotonic() + 90
            while time.monotonic() < end and not any(
                m.topic.endswith("/presence") and b"gone" in m.payload and not m.retained for m in heard
            ):
                time.sleep(0.2)
        lines = judge(list(heard), wanted_will=last_will)
    for line in lines:
        out.print(("[green]ok   [/]" if line.good else "[bold red]MEND [/]") + "", end="")
        out.print(line.text, markup=False)
    raise typer.Exit(0 if all(line.good for line in lines) else 1)


def calibrate(
    bench: BENCH,
    ml: Annotated[
        float, typer.Option(min=0.05, max=50, help="Millilitres that you put on each pad with a syringe.")
    ] = 1.0,
    broker: BROKER = None,
    hold: Annotated[
        float, typer.Option(min=0.5, max=60, help="Seconds that each reading is taken over.")
    ] = 5.0,
) -> None:
    """Calibrate a bench's pads: dry, damp, and measured wet.

    What they read is kept with the date. Extra-low voltage only; keep mains leads off the floor.

    Example: soaktest calibrate b1 --ml 1
    """
    from soaktest.cli.runs import journal
    from soaktest.records import keep_pad_check
    from soaktest.vocabulary import ZONES
    from soaktest.wire import bench_name
    from soaktest.workshop.calibration import judge_pad, reading

    bench_name(bench)  # before anybody wets a pad
    book = journal()
    unsound = 0
    print(CAUTION)
    with listening(broker, f"soaktest/{bench}/+/#") as heard:

        def measure(zone: str) -> float:
            since = time.time()
            time.sleep(hold)
            return reading(list(heard), zone, since).siemens

        ask(f"Bench {bench}: all three pads dry, nobody on the floor.")
        dry = {zone: measure(zone) for zone in ZONES}
        for zone in sorted(
            ZONES, key=lambda zone: not judge_pad(dry[zone])
        ):  # what is wet already is said at once
            check, fault = _tried(zone, dry[zone], ml, measure)
            keep_pad_check(book, bench, zone, check, fault)
            unsound += bool(fault)
    print(
        "Dry the pads before the next run. "
        + (
            "A pad that is not sound has no calibration: mend it, and calibrate again."
            if unsound
            else "The calibration holds for 30 days."
        )
    )
    raise typer.Exit(1 if unsound else 0)


def _tried(zone: str, dry: float, ml: float, measure: Callable[[str], float]) -> tuple[PadCheck, str]:
    """A pad touched and wetted, step by step; no further once it shows what a sound pad would not."""
    from soaktest.analysis.events import PadCheck
    from soaktest.workshop.calibration import judge_pad

    read, put = [dry], 0.0
    said = f"dry {dry * 1e6:.3g} µS"
    fault = judge_pad(*read)
    if not fault:
        ask(f"{zone.upper()} pad: lay a damp finger across its tracks and hold it there.")
        read.append(measure(zone))
        said += f", damp {read[-1] * 1e6:.3g} µS"
        fault = judge_pad(*read)
    if not fault:
        ask(f"{zone.upper()} pad: wipe it dry, then put {ml:g} ml of tap water on it with a syringe.")
        read.append(measure(zone))
        put, said = ml, f"{said}, {ml:g} ml {read[-1] * 1e6:.3g} µS"
        fault = judge_pad(*read)
    sound = f"Sound: {(read[-1] - dry) / ml * 1e6:.3g} µS a millilitre."
    print(f"{zone}: {said}. " + (f"NOT SOUND: {fault}." if fault else sound), flush=True)
    return PadCheck(dry, read[-1], put, time.time()), fault


def ask(said: str) -> None:
    """Ask a person to do something, and wait until it is done."""
    input(said + " Then press Enter. ")
