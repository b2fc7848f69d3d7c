"""The drawing on a certificate: what it must still show when a long run is thinned to the sheet."""

import re
from dataclasses import replace

import numpy as np
import pytest

from soaktest.analysis.analyse import Analysis, examine
from soaktest.analysis.series import Floats
from soaktest.certificate.paper import small_timeline
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Recording
from soaktest.thinning import thin

SPIKE = -3.5
"""Log siemens: 316 µS."""


@pytest.fixture(scope="module")
def analysis(dry: Recording) -> Analysis:
    return examine(dry, read_layout("front-loader"), read_plan("repair-check"))


def drawn(analysis: Analysis, t: Floats, log_g: Floats) -> list[list[tuple[float, float]]]:
    """The left pad's strokes as (x, y) on the sheet, y from the top, where its line is this one."""
    left = replace(analysis.pads["left"], t=t, log_g=log_g)
    findings = analysis.findings.model_copy(update={"began": t[0], "ended": t[-1]})
    svg = small_timeline(replace(analysis, pads={**analysis.pads, "left": left}, findings=findings))
    found = re.search(r'<path d="([^"]*)" fill="none"', svg)
    assert found
    strokes = [stroke.split("L") for stroke in found[1].split("M")[1:]]
    return [[(float(x), float(y)) for x, y in (point.split() for point in one)] for one in strokes]


def test_a_spike_of_four_seconds_shows_in_a_run_of_hours(analysis: Analysis) -> None:
    """Wherever it falls."""
    track = analysis.pads["left"]
    hours = 6
    t = np.concatenate([track.t + k * len(track.t) for k in range(hours)])
    for at in range(200, len(track.t) - 200, 97):
        log_g = np.tile(track.log_g, hours)
        log_g[at : at + 4] = SPIKE
        strokes = drawn(analysis, t, log_g)
        assert min(y for stroke in strokes for _, y in stroke) < 50, at
        assert sum(map(len, strokes)) <= 1000


@pytest.mark.parametrize("every", [1, 5])
def test_no_line_is_drawn_over_a_silence(analysis: Analysis, every: int) -> None:
    """Five minutes without a reading are a gap in the line; a pad heard every five seconds is none."""
    t, log_g = analysis.pads["left"].t[::every], analysis.pads["left"].log_g[::every]
    heard = (t < t[0] + 600) | (t > t[0] + 900)

    strokes = drawn(analysis, t[heard], log_g[heard])

    assert len(strokes) == 2
    a_unit = (t[-1] - t[0]) / (560 - 34 - 4)
    assert strokes[1][0][0] - strokes[0][-1][0] == pytest.approx(300 / a_unit, abs=3)


@pytest.mark.parametrize("points", [1000, 1601])
def test_a_thinned_line_keeps_each_spike_and_its_newest_value(points: int) -> None:
    """Two spikes side by side, one up and one down, and a rise in the last sample."""
    t, v = np.arange(50_000.0), np.random.default_rng(3).normal(0.0, 0.1, 50_000)
    v[20_001], v[20_003], v[-1] = 9.0, -9.0, 4.0

    kept_t, kept = thin(t, v, points)

    assert len(kept) <= points
    assert {9.0, -9.0, 4.0} <= set(kept.tolist())
    assert (np.diff(kept_t) > 0).all()
