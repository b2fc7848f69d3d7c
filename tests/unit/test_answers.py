"""What a run's first lines say: every wet pad, each with its own phase, and a verdict's name that is so."""

import re

import pytest

from soaktest.analysis.analyse import Analysis, examine
from soaktest.analysis.why import explain_events
from soaktest.findings import ONLY_FINDS, Reason, kept_name, verdict_in_words
from soaktest.in_words import answer, what_changed
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Recording
from soaktest.simulate.bench import Scenario, simulate
from soaktest.simulate.water import Floor, Leak

LAYOUT = read_layout("front-loader")


@pytest.fixture(scope="module")
def spreading() -> Analysis:
    """A leak of 60 ml/min in front of the centre pad: its puddle wets the two others in one moment, minutes later."""
    scenario = Scenario(
        seed=15, programmes=("cold",), leak=Leak("door-seal", 60.0), tilt_told=True, floor=Floor(runs_off=0.4)
    )
    return examine(simulate(scenario)[0], LAYOUT, read_plan("find-leak"))


def test_water_that_spread_is_one_leaks_and_each_pad_is_named(spreading: Analysis) -> None:
    """The centre in the fill, the others in the wash; no pad is said to have stayed dry."""
    events = spreading.findings.wet_events
    said = answer(spreading.findings)

    assert [e.cause for e in events] == ["leak"] * 3
    assert re.match(r"Water on \d\d [A-Z][a-z]{2}: centre from \d\d:\d\d:\d\d, out of the machine", said)
    assert re.match(r"Water at centre since \d\d:\d\d:\d\d", answer(spreading.findings, live=True))
    assert said.count("out of the machine while it filled") == 1
    assert said.count("out of the machine while it washed") == 1
    assert not any("stayed dry" in why.part for why in explain_events(spreading))


def test_a_pad_wet_by_something_else_is_named_apart(spreading: Analysis) -> None:
    events = [
        e.model_copy(update={"cause": "spill", "phase": None}) if e.zone == "left" else e
        for e in spreading.findings.wet_events
    ]
    said = answer(spreading.findings.model_copy(update={"wet_events": events}))

    assert "Wet pad, most likely by spill: left from " in said


def test_a_plan_that_only_looks_says_what_it_found(spreading: Analysis) -> None:
    assert spreading.findings.verdict == "retest"
    assert verdict_in_words(spreading.findings)[0] == "LEAK FOUND"
    assert kept_name(spreading.findings.model_dump_json()) == "LEAK FOUND"  # in lists too
    dry = examine(simulate(Scenario(seed=21, programmes=("quick",)))[0], LAYOUT, read_plan("find-leak"))
    assert verdict_in_words(dry.findings)[0] == "NO LEAK FOUND"
    kept = examine(
        simulate(Scenario(seed=21, programmes=("quick",)))[0], LAYOUT, read_plan("repair-check")
    ).findings
    assert verdict_in_words(kept) == ("PASS", "no leak found")


def test_a_plan_that_only_looks_and_heard_no_pad_cannot_tell(spreading: Analysis) -> None:
    silent = Reason(code="pad-silent", text="Left pad was not heard.")
    heard_nothing = spreading.findings.model_copy(
        update={
            "wet_events": [],
            "reasons": [r for r in spreading.findings.reasons if r.code == ONLY_FINDS] + [silent],
        }
    )

    assert verdict_in_words(heard_nothing)[0] == "CANNOT TELL"


def test_a_broken_lead_is_no_wet_pad(spreading: Analysis) -> None:
    events = [
        e.model_copy(update={"cause": "fault", "phase": None}) if e.zone == "left" else e
        for e in spreading.findings.wet_events
    ]

    assert "left" not in answer(spreading.findings.model_copy(update={"wet_events": events}))


def test_two_runs_are_told_by_what_changed(spreading: Analysis, dry: Recording) -> None:
    """Where it leaked and does no more, leaks still, or anew."""
    leaks = spreading.findings
    holds = examine(dry, LAYOUT, read_plan("repair-check")).findings
    events = [e for e in leaks.wet_events if e.zone == "left"]
    partly = leaks.model_copy(update={"wet_events": events})

    assert what_changed(leaks, holds) == "no leak any more at left, centre and right."
    assert what_changed(leaks, partly) == (
        "no leak any more at centre and right; still leaks at left, but the later run is no pass."
    )
    assert what_changed(partly, leaks) == "still leaks at left; leaks anew at centre and right."
    assert what_changed(holds, holds) == ""
