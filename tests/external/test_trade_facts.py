"""Facts of the trade for the shipped front loader (common practice, no published source)."""

import pytest

from soaktest.analysis.analyse import analyse
from soaktest.findings import Findings
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.simulate.bench import Scenario, simulate
from soaktest.simulate.water import Leak

INLET_SIDE = {"inlet-union", "inlet-valve", "valve-hoses", "dispenser", "dispenser-hose"}
PUMP_SIDE = {"sump-hose", "drain-pump", "drain-hose"}


def judged(leak: Leak, layout: str = "front-loader", seed: int = 21) -> Findings:
    recording, _ = simulate(Scenario(seed=seed, leak=leak, layout=layout))
    return analyse(recording, read_layout(layout), read_plan("repair-check"))


def share(findings: Findings, parts: set[str]) -> float:
    return sum(s.probability for s in findings.suspects if s.part in parts)


def test_left_and_only_while_filling_is_the_dispenser_side() -> None:
    """A leak that begins while filling, on the left: valve, hoses, dispenser or dispenser-to-tub hose."""
    findings = judged(Leak("dispenser-hose", 8.0, only_phases=("fill",)))

    assert findings.wet_events[0].zone == "left"
    assert findings.wet_events[0].phase == "fill"
    assert share(findings, INLET_SIDE) > 0.85


def test_right_while_draining_is_pump_and_hoses() -> None:
    """Water on the right: the drain pump, the hose from the tub to it, or the drain hose."""
    findings = judged(Leak("drain-pump", 20.0, only_phases=("drain",)))

    assert findings.wet_events[0].zone == "right"
    assert findings.wet_events[0].phase == "drain"
    assert share(findings, PUMP_SIDE) > 0.85


def test_centre_while_washing_names_the_door_seal_among_the_first() -> None:
    """In the centre: the door seal."""
    findings = judged(Leak("door-seal", 6.0))

    assert findings.wet_events[0].zone == "centre"
    assert "door-seal" in [s.part for s in findings.suspects[:3]]


def test_the_mirrored_machine_gives_mirrored_answers() -> None:
    """Dispenser right, pump left: the same leak wets the other side."""
    findings = judged(Leak("dispenser-hose", 8.0, only_phases=("fill",)), layout="front-loader-mirrored")

    assert findings.wet_events[0].zone == "right"
    assert share(findings, INLET_SIDE) > 0.85
    assert findings.location is not None
    assert findings.location.x_mm > 400


@pytest.mark.parametrize("part", ["tub-seam-left", "dispenser-hose"])
def test_a_leak_of_the_tub_goes_on_when_the_valve_shuts(part: str) -> None:
    """It slows or stops once the valve shuts, while a leak of the tub goes on: that is how they are told apart."""
    findings = judged(Leak(part, 2.0), seed=33)

    tub = share(findings, {"tub-seam-left"})
    assert (tub > share(findings, INLET_SIDE)) == (part == "tub-seam-left")
