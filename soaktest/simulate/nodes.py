"""Nodes: converters, clocks that drift, packs that come late, twice or never."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soaktest.recording import Message
from soaktest.vocabulary import PHASES, Phase
from soaktest.wire import Pack, Topic, build_about, build_readings

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Network:
    """What happens to packs on their way; chances per pack, seconds."""

    late: float = 0.01
    twice: float = 0.01
    lost: float = 0.0
    outage: tuple[float, float] | None = None
    """Seconds since the run began in which nothing gets through; packs are kept and sent after."""
    silent: tuple[float, float] | None = None
    """Seconds in which the node is dead; it boots anew after."""


@dataclass(frozen=True, slots=True)
class Node:
    """One node: its name, sample rate and clock error (ppm)."""

    name: str
    kind: str
    rate_hz: float
    ppm: float
    network: Network


def say(  # noqa: PLR0913
    bench: str,
    node: Node,
    began: float,
    channels: dict[str, Array],
    about: dict[str, object],
    rng: np.random.Generator,
    phase: NDArray[np.int64] | None = None,
) -> Iterator[Message]:
    """All messages of one node, in no particular order.

    ``channels`` are sampled at ``node.rate_hz`` from the run's beginning; ``phase`` per second.
    """  # fmt: skip
    topic = Topic(bench, node.name, "readings")
    root = f"soaktest/{bench}/{node.name}"
    yield Message(
        began + 0.05,
        root + "/about",
        build_about(
            {
                "contract": 1,
                "kind": node.kind,
                "clock": "uptime",
                "rate_hz": node.rate_hz,
                "firmware": "simulated",
                **about,
            }
        ),
    )
    yield Message(began + 0.06, root + "/presence", b"here")
    boot, seq, booted = _boot(rng), 0, -rng.uniform(30, 3000)
    count = (
        len(next(iter(channels.values())))
        if channels
        else int(len(phase if phase is not None else []) * node.rate_hz)
    )
    per_pack = max(round(node.rate_hz), 1)
    net = node.network
    rounded = {name: np.round(values, 6) for name, values in channels.items()}
    for first in range(0, count, per_pack):
        stop = min(first + per_pack, count)
        made = stop / node.rate_hz
        if net.silent and net.silent[0] <= made < net.silent[1]:
            boot, seq, booted = _boot(rng), 0, net.silent[1] - 2.0
            continue
        times = [(i + 1) / node.rate_hz - made for i in range(first, stop)]
        samples = {name: (times, values[first:stop].tolist()) for name, values in rounded.items()}
        words: list[tuple[float, Phase]] = []
        if phase is not None:
            words = [(0.0, PHASES[int(phase[min(int(made - 0.5), len(phase) - 1)])])]
        uptime = (made - booted) * (1 + node.ppm * 1e-6)
        payload = build_readings(
            topic, Pack(boot, seq, uptime, absolute=False, samples=samples, phases=words)
        )
        seq += 1
        if rng.random() < net.lost:
            continue
        at = made + rng.exponential(0.02) + 0.01
        if rng.random() < net.late:
            at += rng.exponential(3.0)
        if net.outage and net.outage[0] <= made < net.outage[1]:
            at = net.outage[1] + 0.002 * (made - net.outage[0]) + 0.5
        yield Message(round(began + at, 4), str(topic), payload)
        if rng.random() < net.twice:
            yield Message(round(began + at + rng.exponential(1.0), 4), str(topic), payload)


def _boot(rng: np.random.Generator) -> str:
    return f"{int(rng.integers(0, 2**32)):08x}"


def convert(
    siemens: Array, divider_ohm: float, bits: int, rng: np.random.Generator, disturbed: Array | None = None
) -> Array:
    """Ratio read by a converter of ``bits`` bits, with noise of about a step, and ``disturbed`` steps more."""
    product = siemens * divider_ohm
    steps = 2**bits - 1
    codes = product / (1.0 + product) * steps + 0.6 * rng.standard_normal(len(siemens))
    if disturbed is not None:
        codes = codes + disturbed
    out: Array = np.clip(np.round(codes), 0, steps) / steps
    return out
