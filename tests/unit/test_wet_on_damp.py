"""Water that comes onto pads that damp air has wetted already."""

from dataclasses import replace

import numpy as np
import pytest

from soaktest.analysis.pads import read_pads
from soaktest.analysis.series import Signals
from soaktest.vocabulary import ZONES
from tests.unit.pad_generator import T0, Array, Bench, clock, dry_siemens, read

BENCH = Bench(length_s=3000)
FILM_S, WATER_S = 600.0, 2000.0


def damp(seed: int, *, more: dict[str, float] | None = None, all_at_once: bool = False) -> Signals:
    """A film that grows on all three pads from ten minutes on; then so many siemens more on some."""
    rng = np.random.default_rng(seed)
    t = clock(BENCH)
    film = 6e-6 * (1 - np.exp(-np.maximum(t - FILM_S, 0.0) / 200.0))
    water: Array = 1 - np.exp(-np.maximum(t - WATER_S, 0.0) / 20.0)
    own = dry_siemens(BENCH, rng, t)
    added = {z: (more or {}).get(z, 0.0) for z in ZONES} if not all_at_once else dict.fromkeys(ZONES, 3e-5)
    return read(BENCH, {zone: own[zone] + film + added[zone] * water for zone in ZONES}, rng, t)


@pytest.mark.parametrize("siemens", [1.5e-5, 8e-5])
def test_water_on_a_damp_pad_is_an_event_of_its_own(siemens: float) -> None:
    """The damp ends where the water begins, and its rise is the damp's alone; the other pads stay damp."""
    tracks = read_pads(damp(1, more={"centre": siemens}))

    film, water = tracks["centre"].events
    assert water.onset - T0 == pytest.approx(WATER_S, abs=6)
    assert film.end == water.onset
    assert film.rise < 1.6
    assert water.shared < 0.2 < film.shared
    assert [len(tracks[zone].events) for zone in ("left", "right")] == [1, 1]
    upon = 10 ** tracks["centre"].dry[-1]
    assert upon == pytest.approx(6.5e-6, rel=0.3)


def test_damp_alone_is_one_event_on_each_pad() -> None:
    """However long it grows; nor is a second film on all pads any pad's own."""
    for signals in (damp(2), damp(3, all_at_once=True)):
        assert [len(track.events) for track in read_pads(signals).values()] == [1, 1, 1]


def test_water_on_a_pad_that_is_wet_already_is_no_second_event() -> None:
    """One pad alone is wet: more upon it is the same wetting."""
    signals = damp(4, more={"left": 4e-5})
    t = clock(BENCH)
    rng = np.random.default_rng(5)
    own = dry_siemens(BENCH, rng, t)
    first = 2e-5 * (1 - np.exp(-np.maximum(t - FILM_S, 0.0) / 10.0))
    second = 8e-5 * (1 - np.exp(-np.maximum(t - WATER_S, 0.0) / 10.0))
    lone = read(BENCH, own | {"left": own["left"] + first + second}, rng, t)

    assert [len(track.events) for track in read_pads(replace(signals, pads=lone.pads)).values()] == [1, 0, 0]
