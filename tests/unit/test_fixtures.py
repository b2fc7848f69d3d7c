"""Recordings that ship as fixtures are judged as they were when they were looked at."""

import json
from pathlib import Path

import pytest

from soaktest.analysis.analyse import analyse
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import read_recording

FIXTURES = Path(__file__).parents[2] / "fixtures" / "recordings"


@pytest.mark.parametrize("expected", sorted(FIXTURES.glob("*.expected.json")), ids=lambda p: p.name)
def test_a_fixture_is_judged_as_expected(expected: Path) -> None:
    """Verdict, reasons, washes and wet events; onsets to a second and a half."""
    want = json.loads(expected.read_text())
    recording = read_recording(expected.with_name(want["recording"]))

    got = analyse(recording, read_layout(want["layout"]), read_plan(want["plan"]))

    assert (got.verdict, got.washes) == (want["verdict"], want["washes"])
    assert [r.code for r in got.reasons] == want["reasons"]
    assert [(e.zone, e.cause, e.phase) for e in got.wet_events] == [
        (e["zone"], e["cause"], e["phase"]) for e in want["wet_events"]
    ]
    for event, told in zip(got.wet_events, want["wet_events"], strict=True):
        assert event.onset == pytest.approx(told["onset"], abs=1.5)


def test_there_are_fixtures_of_each_verdict() -> None:
    """One of each: pass, fail, retest."""
    told = {json.loads(p.read_text())["verdict"] for p in FIXTURES.glob("*.expected.json")}

    assert told == {"pass", "fail", "retest"}
