"""Nodes: listen to one and say whether it keeps the contract; calibrate a bench's pads."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Annotated

import typer

from soaktest.cli.words import console

if TYPE_CHECKING:
    from soaktest.node_check import Said

BENCH = Annotated[str, typer.Argument(help="The bench's name.")]
BROKER = Annotated[str | None, typer.Option(help="mqtt://host:port; that of SOAKTEST_BROKER by default.")]


@contextlib.contextmanager
def listening(broker: str | None, topics: str) -> Iterator[list[Said]]:
    """Everything that arrives under some topics, as it arrives."""
    from paho.mqtt.client import MQTTMessage, topic_matches_sub

    from soaktest.errors import InputError
    from soaktest.mqtt_client import connected, new_client
    from soaktest.node_check import Said
    from soaktest.settings import parse_broker, read_settings

    address = parse_broker(broker) if broker else read_settings().broker
    if address is None:
        raise InputError(
            "name the broker that the node publishes to: --broker mqtt://host:port, or SOAKTEST_BROKER."
        )
    heard: list[Said] = []
    client = new_client(address)

    def hear(_client: object, _data: object, m: MQTTMessage) -> None:
        if topic_matches_sub(topics, m.topic):  # not every broker keeps its retained messages to the filter
            heard.append(Said(time.time(), m.topic, bytes(m.payload), bool(m.retain)))

    client.on_message = hear
    client.on_connect = lambda c, *_: c.subscribe(topics, 1)
    with connected(client, address, "Start it, or mend --broker."):
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
    """Listen to a node, and say in plain words whether it keeps the contract.

    Exit status: 0 it does, 1 it does not. Example: soaktest check-node b1 pads --broker mqtt://192.168.4.2
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
    """Calibrate a bench's pads: dry, damp, and wet with a measured amount; kept with the date.

    Extra-low voltage only; keep mains leads off the floor. Example: soaktest calibrate b1 --ml 1
    """
    from soaktest.analysis.events import PadCheck
    from soaktest.cli.runs import journal
    from soaktest.records import keep_pad_check
    from soaktest.vocabulary import ZONES
    from soaktest.workshop.calibration import judge_pad, reading

    book, out = journal(), console()
    with listening(broker, f"soaktest/{bench}/+/#") as heard:

        def measure(zone: str) -> float:
            since = time.time()
            time.sleep(hold)
            return reading(list(heard), zone, since)

        ask: Callable[[str], str] = lambda said: input(said + " Then press Enter. ")  # noqa: E731
        ask(f"Bench {bench}: all three pads dry, nobody on the floor.")
        dry = {zone: measure(zone) for zone in ZONES}
        unsound = 0
        for zone in ZONES:
            ask(f"{zone.upper()} pad: lay a damp finger across its tracks and hold it there.")
            damp = measure(zone)
            ask(f"{zone.upper()} pad: wipe it dry, then put {ml:g} ml of tap water on it with a syringe.")
            wet = measure(zone)
            fault = judge_pad(dry[zone], damp, wet)
            unsound += bool(fault)
            keep_pad_check(book, bench, zone, PadCheck(dry[zone], wet, ml, time.time()), fault)
            out.print(
                f"{zone}: dry {dry[zone] * 1e6:.3g} µS, damp {damp * 1e6:.3g} µS, {ml:g} ml {wet * 1e6:.3g} µS. "
                + (
                    f"NOT SOUND: {fault}"
                    if fault
                    else f"Sound: {(wet - dry[zone]) / ml * 1e6:.3g} µS a millilitre."
                ),
                markup=False,
            )
    out.print(
        "Dry the pads before the next run. "
        + (
            "A pad that is not sound has no calibration: mend it, and calibrate again."
            if unsound
            else "The calibration holds for 30 days."
        )
    )
    raise typer.Exit(1 if unsound else 0)
