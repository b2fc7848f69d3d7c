"""From findings and truth to the figures."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment

from soaktest.findings import Findings
from soaktest.layouts import read_layout
from soaktest.plans import Plan
from soaktest.simulate.bench import Truth

CLOSE_S, LOOSE_S = 20.0, 300.0


@dataclass
class Tally:
    """Lists of outcomes by figure; a figure is a mean, a quantile, or made of several."""

    values: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))

    def add(self, name: str, value: float) -> None:
        self.values[name].append(float(value))

    def extend(self, other: Tally) -> None:
        for name, values in other.values.items():
            self.values[name] += values


def matched(truth: dict[str, float], found: list[tuple[str, float]], window: float) -> list[tuple[str, int]]:
    """Maximum matching of true wettings and found events, same zone, onset within ``window`` seconds."""
    zones = list(truth)
    if not zones or not found:
        return []
    cost = np.array(
        [[0 if z == zone and abs(at - truth[z]) <= window else 1 for zone, at in found] for z in zones]
    )
    rows, columns = linear_sum_assignment(cost)
    return [(zones[i], int(j)) for i, j in zip(rows, columns, strict=True) if cost[i, j] == 0]


def score(findings: Findings, truth: Truth, plan: Plan) -> Tally:
    """All figures of one run."""
    out = Tally()
    choices = truth.choices
    _score_verdict(out, findings, truth, plan)
    _score_phases(out, findings, truth)
    if truth.cause in (None, "leak"):
        _score_events(out, findings, truth)
    for event in findings.wet_events:
        if truth.cause:
            out.add("cause", event.cause == truth.cause)
    leaks = [e for e in findings.wet_events if e.cause == "leak"]
    if truth.part and findings.suspects and leaks and truth.first_water:
        _score_place(out, findings, truth, choices)
    return out


def _clean(truth: Truth) -> bool:
    """Whether nothing stood in the way of a verdict."""
    c = truth.choices
    network: Any = c["network"]
    return (
        c["programmes"] != ("cancelled",) and not any(c[k] for k in ("splash_s", "wet_start", "broken", "shorted", "drifts", "steam"))
        and network["silent"] is None and network["lost"] == 0
    )  # fmt: skip


def _score_verdict(out: Tally, findings: Findings, truth: Truth, plan: Plan) -> None:
    leaked = truth.on_pads_ml if truth.part else 0.0
    if leaked >= 2 * plan.detect_ml:
        out.add("false pass", findings.verdict == "pass")
    if truth.part is None and not truth.choices["splash_s"] and not truth.choices["wet_start"]:
        out.add("false fail", findings.verdict == "fail")
    filled = next((start for phase, start, _ in truth.phases if phase == "fill"), float("inf"))
    early = any(at < filled for at in truth.first_water.values())  # the contract asks for a retest then
    if not early and _clean(truth) and (leaked == 0 or leaked >= 2 * plan.detect_ml):
        out.add("needless retest", findings.verdict == "retest")
    c = truth.choices
    if (
        c["broken"]
        or c["shorted"]
        or c["drifts"]
        or c["splash_s"]
        or c["wet_start"]
        or (c["programmes"] == ("cancelled",) and not truth.part)
    ):
        out.add("verdict out of nothing", findings.verdict != "retest")


def _score_phases(out: Tally, findings: Findings, truth: Truth) -> None:
    c = truth.choices
    signals = tuple(c["signals"])  # type: ignore[arg-type]
    name = (
        "all"
        if len(signals) == 4
        else "vib+in+out"
        if len(signals) == 3
        else signals[0]
        if signals
        else "word"
    )
    right = total = 0
    spans = findings.phases
    k = 0
    for phase, start, end in truth.phases:
        for t in np.arange(start + 0.5, end):
            while k + 1 < len(spans) and spans[k].end <= t:
                k += 1
            said = spans[k].phase
            want = "wash" if name == "vib+in+out" and phase == "heat" else phase
            total += 1
            right += said == want
    out.add(f"phases, {name}", right / max(total, 1))


def _score_events(out: Tally, findings: Findings, truth: Truth) -> None:
    """Onsets against when water reached the pad; a row of its own counts those within 20 s of half a drop on it."""
    found = [(e.zone, e.onset) for e in findings.wet_events if e.cause == "leak"]
    for name, times, window in (
        ("close", truth.reached, CLOSE_S),
        ("loose", truth.reached, LOOSE_S),
        ("half", truth.first_water, CLOSE_S),
    ):
        pairs = matched(times, found, window)
        out.add(f"hits {name}", len(pairs))
        out.add(f"true {name}", len(times))
        out.add(f"found {name}", len(found))
        if name == "loose":
            leaks = [e for e in findings.wet_events if e.cause == "leak"]
            for zone, j in pairs:
                at, event = times[zone], leaks[j]
                out.add("onset error", abs(event.onset - at))
                for figure, when in (("", at), (", half a drop", truth.first_water[zone])):
                    held = event.onset_low <= when <= event.onset_high
                    out.add(f"onset interval holds{figure}", held)
                out.add("phase held responsible", event.phase == truth.released_in[zone])
                first = at == min(times.values())
                if first and len(tuple(truth.choices["signals"])) == 4:  # type: ignore[arg-type]
                    out.add("phase, first pad, all signals", event.phase == truth.released_in[zone])
                if event.phase:
                    chance = event.phase_probability[event.phase]
                    out.add("phase said", chance)
                    out.add("phase right", event.phase == truth.released_in[zone])


def _score_place(out: Tally, findings: Findings, truth: Truth, choices: dict[str, Any]) -> None:
    layout = read_layout(str(choices["layout"]))
    place = findings.location
    assert place is not None
    assert truth.x_mm is not None
    zone = max(place.zone_probability, key=lambda z: place.zone_probability[z])
    tilted = abs(choices["floor"]["tilt_across"]) > 0.002
    kind = "level" if not tilted else "tilt known" if choices["tilt_told"] else "tilt unknown"
    out.add(f"zone, {kind}", zone == layout.zone_at(truth.x_mm))
    if kind != "tilt unknown":
        out.add(f"place error, {kind}", abs(place.x_mm - truth.x_mm))
    out.add("place interval holds", place.low_mm <= truth.x_mm <= place.high_mm)
    order = [s.part for s in findings.suspects]
    rank = order.index(truth.part)
    out.add("suspect first", rank == 0)
    out.add("suspect in three", rank < 3)
    out.add("brier", sum((s.probability - (s.part == truth.part)) ** 2 for s in findings.suspects))
    for s in findings.suspects:
        out.add("suspect said", s.probability)
        out.add("suspect right", s.part == truth.part)


def calibration_error(said: list[float], right: list[float]) -> float:
    """Expected calibration error over ten bins."""
    if not said:
        return 0.0
    p, y = np.array(said), np.array(right)
    bins = np.minimum((p * 10).astype(int), 9)
    return float(
        sum(abs(p[bins == b].mean() - y[bins == b].mean()) * (bins == b).mean() for b in set(bins.tolist()))
    )
