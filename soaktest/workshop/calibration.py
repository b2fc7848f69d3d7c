"""A pad's calibration: readings taken from what its node publishes, and what a sound pad must show."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from soaktest.analysis.conductance import conductance, lead_state
from soaktest.analysis.series import PadWiring
from soaktest.errors import InputError, MessageFault
from soaktest.node_check import Said
from soaktest.vocabulary import PadState
from soaktest.wire import decode_json, parse_about, parse_readings, parse_topic

DAMP_FACTOR = 3.0
"""A damp finger raises a sound pad's conductance at least so many times."""
NOT_DRY_S = 2e-5
"""Siemens: a pad that conducts so well before anything touched it is wet, or bridged."""
NOT_DRY = "it is not dry: dry it, or look for a bridge between its tracks, and begin again"
HARDLY_ANSWERED = "it hardly answered to a damp finger: clean it, and check its lead"
LEAST_PER_PAD_S = 2e-6
"""Siemens that a measured amount must add: less is a pad that water does not reach."""


class PadReading(NamedTuple):
    """What a pad reads, in siemens, and what that says of its lead."""

    siemens: float
    lead: PadState


def reading(messages: Sequence[Said], zone: str, since: float) -> PadReading:
    """The reading of one pad, the median of what arrived since a moment (UTC seconds).

    Raises:
        InputError: the pad was not heard.
    """
    wiring: dict[str, PadWiring] = {}
    found: list[float] = []
    last = PadWiring()
    for said in messages:
        try:
            topic = parse_topic(said.topic)
            if topic.kind == "about":
                pad = parse_about(decode_json(said.payload)).pads.get(zone)  # type: ignore[call-overload]
                if pad is not None:
                    wiring[topic.node] = PadWiring(pad.divider_ohm, pad.end_of_line_ohm)
            elif topic.kind == "readings" and said.at >= since:
                pack = parse_readings(said.payload, topic, said.at)
                if zone in pack.samples:
                    ratio = np.array(pack.samples[zone][1])
                    last = wiring.get(topic.node, PadWiring())
                    found += conductance(ratio, last).tolist()
        except MessageFault:
            continue
    if not found:
        raise InputError(f"the {zone} pad was not heard. Check its node: soaktest check-node BENCH NODE")
    siemens = float(np.median(found))
    return PadReading(siemens, lead_state(siemens, last))


def judge_pad(dry: float, damp: float | None = None, wet: float | None = None) -> str:
    """What is wrong with a pad by its readings in siemens, as far as they were taken; empty where it is sound so far."""
    if dry > NOT_DRY_S:
        return NOT_DRY
    if damp is not None and damp < DAMP_FACTOR * dry and damp - dry < LEAST_PER_PAD_S:
        return HARDLY_ANSWERED
    if wet is not None and wet - dry < LEAST_PER_PAD_S:
        return "the measured water hardly showed: it did not reach the tracks, or they are corroded"
    return ""
