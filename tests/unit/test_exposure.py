"""When water could have come out: the tub's level from phases, where phases are not sure."""

import numpy as np
import pytest
from scipy.special import ndtr

from soaktest.analysis.coverage import UNHEARD_FILL_S, find_stretches, first_water
from soaktest.analysis.exposure import inflow_of, normal_integral, phase_steps, water_level
from soaktest.analysis.series import PhaseTrack
from soaktest.layouts import Part, read_layout
from soaktest.vocabulary import PHASES, Phase

T0 = 1.764e9


def track(*steps: tuple[Phase, int], sure: float = 0.97) -> PhaseTrack:
    best = np.concatenate([np.full(seconds, PHASES.index(phase)) for phase, seconds in steps])
    probability = np.full((len(best), len(PHASES)), (1 - sure) / (len(PHASES) - 1))
    probability[np.arange(len(best)), best] = sure
    return PhaseTrack(T0, probability, best, np.ones(len(best), dtype=bool), "power")


def part(name: str) -> Part:
    return next(p for p in read_layout("front-loader").parts if p.id == name)


MISSED = track(("idle", 400), ("wash", 400), ("drain", 60), ("idle", 400))
HEARD = track(("idle", 300), ("fill", 100), ("wash", 400), ("drain", 60), ("idle", 400))


def test_a_drum_that_tumbles_has_water_though_no_fill_was_heard() -> None:
    t, probability = phase_steps(MISSED)
    level = water_level(probability)

    assert level[int(420 / 4)] > 0.2
    assert level[int(380 / 4)] > 0.2, "it was let in just before"
    assert level[int(200 / 4)] < 0.01
    assert first_water(find_stretches(MISSED)) == T0 + 400 - UNHEARD_FILL_S
    assert first_water(find_stretches(HEARD)) == T0 + 300
    assert len(t) == len(level)


@pytest.mark.parametrize("name", ["dispenser-hose", "tub-seam-left", "door-seal"])
def test_no_part_is_ruled_out_by_a_fill_that_was_missed(name: str) -> None:
    """What leaks with water behind it may have leaked in the minute before the wash; long before it, hardly."""
    t, probability = phase_steps(MISSED)
    inflow = inflow_of(part(name), t, probability, water_level(probability))
    just_before, long_before = inflow.volume(T0 + 396).max(), inflow.volume(T0 + 250).max()

    assert just_before > 20 * long_before


def test_the_cheap_normal_integral_is_close_to_the_exact_one() -> None:
    z = np.linspace(-6.0, 6.0, 2001)

    assert np.abs(normal_integral(z.copy()) - ndtr(z)).max() < 0.02
