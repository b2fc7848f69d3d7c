"""Leak, spill or damp air: told apart by the shape of a rise and by its company."""

from collections.abc import Callable

import numpy as np
import pytest

from soaktest.analysis.pads import read_pads
from soaktest.analysis.series import Floats, PhaseTrack, Series, Signals
from soaktest.analysis.wet_causes import causes_of
from soaktest.vocabulary import PHASES, ZONES, Cause, Zone

T0 = 1.764e9
LENGTH = 3600
DIVIDER_OHM = 1e5
DRY_S = 3e-7
RUN = (
    ("idle", 300),
    ("fill", 100),
    ("wash", 400),
    ("heat", 600),
    ("wash", 600),
    ("drain", 60),
    ("spin", 240),
    ("idle", 1300),
)
SECONDS = np.arange(LENGTH) + 0.5
Rise = Callable[[Floats], Floats]
"""Siemens over the dry level, by seconds since the run began."""


def phases() -> PhaseTrack:
    best = np.concatenate([np.full(seconds, PHASES.index(phase)) for phase, seconds in RUN])
    return PhaseTrack(
        T0, np.eye(len(PHASES))[best], best, np.ones(LENGTH, dtype=bool), "power", sees_heat=True
    )  # type: ignore[arg-type]


def said(rises: dict[Zone, Rise], humidity: Series | None = None) -> dict[Zone, dict[Cause, float]]:
    """The first event of each pad, with its causes."""
    rng = np.random.default_rng(3)
    pads = {}
    for zone in ZONES:
        siemens = DRY_S + rises.get(zone, np.zeros_like)(SECONDS)
        ratio = DIVIDER_OHM * siemens / (1 + DIVIDER_OHM * siemens) * np.exp(rng.normal(0, 0.004, LENGTH))
        pads[zone] = Series(T0 + SECONDS, ratio)
    tracks = read_pads(Signals(T0, T0 + LENGTH, pads=pads))
    events = sorted((e for track in tracks.values() for e in track.events), key=lambda e: e.onset)
    found: dict[Zone, dict[Cause, float]] = {}
    for event, causes in zip(events, causes_of(events, tracks, phases(), humidity or Series(np.empty(0), np.empty(0))), strict=True):  # fmt: skip
        found.setdefault(event.zone, causes)
    return found


def gush(at: float, us: float, spreads: float = 1.1) -> Rise:
    """All at once, a little more as it spreads, and slowly drying."""
    return lambda t: np.where(t > at, 1e-6 * us * (spreads - (spreads - 1) * np.exp(-(t - at) / 40)) * np.exp(-(t - at) / 3000), 0.0)  # fmt: skip


def edge(at: float, us: float, slow: float) -> Rise:
    """Some at once, and three times as much over the minutes after, as a pad draws a puddle in."""
    return lambda t: np.where(
        t > at, 1e-6 * us * (1.0 - np.exp(-(t - at) / slow) + 2.0 * (1.0 - np.exp(-(t - at) / 120))), 0.0
    )


def soaks(at: float, us: float) -> Rise:
    """All at once on a pad that takes ten seconds to draw it in."""
    return lambda t: np.where(t > at, 1e-6 * us * (1.0 - np.exp(-(t - at) / 10)), 0.0)


def drips(at: float, us_min: float) -> Rise:
    """A drop's worth at once, and on and on."""
    return lambda t: np.where(t > at, 1e-6 * (2.0 + us_min * (t - at) / 60), 0.0)


def creeps(at: float, us: float) -> Rise:
    return lambda t: np.where(t > at, 1e-6 * us * (1 - np.exp(-((t - at) ** 2) / 2 / 200**2)), 0.0)


def damp(at: float, decades: float) -> Rise:
    return lambda t: DRY_S * (10.0 ** (decades / (1 + np.exp(-(t - at - 100) / 25))) - 1)


def test_two_pads_in_one_moment_were_splashed_on() -> None:
    """No leak puts water on two pads within a second, though there is a wash under way and the third stays dry."""
    found = said({"left": gush(900, 27.0), "centre": gush(900, 9.0)})
    assert found.keys() == {"left", "centre"}
    assert all(causes["spill"] > 0.7 for causes in found.values())


def test_a_splash_that_pads_take_half_a_minute_to_soak_up_is_a_splash() -> None:
    """Two pads within a second, or one and what runs off it to the next: most at once, and nothing after."""
    both = said({"left": soaks(900, 60.0), "centre": soaks(901, 150.0)})
    assert all(both[zone]["spill"] > 0.7 for zone in ("left", "centre"))
    assert said({"left": soaks(900, 60.0), "centre": soaks(903, 90.0), "right": soaks(915, 4.0)})["right"]["spill"] > 0.6  # fmt: skip


def test_a_leak_that_fills_its_pad_within_half_a_minute_is_a_leak() -> None:
    """It soaks the pad and can show no more there: that nothing seems to follow is no sign of a splash."""
    assert said({"left": soaks(900, 250.0)})["left"]["leak"] > 0.55


def test_a_lone_splash_that_nothing_follows_is_no_sure_leak() -> None:
    """Some drops' worth on one pad within seconds, and not one drop more to the end of the run; a leak would drip on."""
    quick = said({"left": lambda t: np.where(t > 900, 1.6e-5 * (1.0 - np.exp(-(t - 900) / 3)), 0.0)})["left"]
    assert quick["spill"] > 0.6
    slower = said({"left": lambda t: np.where(t > 900, 1.6e-5 * (1.0 - np.exp(-(t - 900) / 3)) + 2e-8 * (t - 900), 0.0)})["left"]  # fmt: skip
    assert slower["leak"] > 0.6


def test_a_gush_just_before_the_end_is_no_sure_leak() -> None:
    """Nobody listened for what may have followed; a drop there is a leak's."""
    at = LENGTH - 24
    assert said({"left": lambda t: np.where(t > at, 5e-5, 0.0)})["left"]["leak"] < 0.5
    assert said({"left": lambda t: np.where(t > at, 2e-6, 0.0)})["left"]["leak"] > 0.7


def test_a_pad_at_the_edge_of_a_splash_makes_it_no_leak() -> None:
    """Two pads in one moment, though the one soaks in over a minute and both go on for some."""
    found = said({"left": edge(900, 26.0, 12.0), "centre": edge(900.6, 12.0, 26.0)})
    assert all(causes["leak"] < 0.6 for causes in found.values())
    assert said({"left": edge(900, 26.0, 12.0)})["left"]["leak"] > 0.7


def test_what_creeps_on_from_a_splash_is_the_same_water() -> None:
    """A neighbour that it reaches eight minutes later, slowly and by less, does not fail the unit."""
    found = said({"left": gush(900, 80.0), "centre": creeps(1400, 4.0)})
    assert found["left"]["spill"] > 0.7
    assert found["centre"]["leak"] < 0.7


@pytest.mark.parametrize(
    "rise",
    [drips(900, 2.0), drips(900, 60.0), lambda t: np.where(t > 900, 2.5e-6, 0.0) + np.where(t > 1900, 1e-6, 0.0), lambda t: np.where(t > 3200, 2.5e-6, 0.0), lambda t: gush(900, 10.0)(t) + np.where(t > 1700, 7e-5, 0.0)],
    ids=["drips", "runs", "two drops", "a drop near the end", "a gush, and more later"],
)  # fmt: skip
def test_what_goes_on_or_is_drops_is_a_leak(rise: Rise) -> None:
    """Drops, a run, two drops, one that nothing could follow any more, and a gush that the next fill repeats."""
    assert said({"right": rise})["right"]["leak"] > 0.7


def bead(at: float, us: float) -> Rise:
    """One drop that dries over half an hour."""
    return lambda t: np.where(t > at, 1e-6 * us * np.exp(-(t - at) / 2000), 0.0)


def after_damp(at: float, rose: float, decades: float) -> Rise:
    """All pads may share the first rise, by ``rose`` decades within a quarter of an hour; then this one alone gains ten times as much or more."""
    return lambda t: (
        DRY_S
        * (
            10.0
            ** (
                rose * np.clip((t - at + 900) / 900, 0.0, 1.0) ** 3
                + decades * (1.0 - np.exp(-np.maximum(t - at, 0.0) / 200))
            )
            - 1.0
        )
    )


def fed(at: float) -> Rise:
    """Faster and faster, as from a tap that stands open."""
    return lambda t: 1e-6 * 0.05 * (np.maximum(t - at, 0.0) / 10) ** 1.5


def test_one_drop_alone_is_no_sure_leak() -> None:
    """A bead of dew falls once; where another pad was wet as well, or more came, it was a leak's."""
    one = bead(900, 2.5)
    alone = said({"right": one})["right"]

    assert 0.4 < alone["leak"] < 0.7
    assert alone["condensation"] > alone["spill"]
    assert said({"right": one, "left": drips(1500, 3.0)})["right"]["leak"] > 0.7


@pytest.mark.parametrize("at", [100.0, 265.0])
def test_what_creeps_in_before_any_water_was_let_in_is_the_inlets(at: float) -> None:
    """From little to ten times as much, be it that the first fill comes before it was seen to grow; a splash is all there at once."""
    leak = said({"left": fed(at)})["left"]

    assert leak["leak"] > (0.8 if at < 200 else 0.6)
    assert said({"left": gush(at, 3.0)})["left"]["leak"] < 0.4


def drops(at: float, each_us: float, every_s: float) -> Rise:
    """Drop after drop for ten minutes, each drying over an hour."""
    falls = np.arange(at, at + 600.0, every_s)
    return lambda t: (
        1e-6
        * each_us
        * (np.exp(-np.clip(t[:, None] - falls, 0, None) / 3600) * (t[:, None] >= falls)).sum(axis=1)
    )


@pytest.mark.parametrize("every_s", [20.0, 45.0])
def test_a_slight_rise_in_drops_is_no_damp_airs(every_s: float) -> None:
    """While the water is hot, and by a quarter decade in all: as smooth as damp air's where nobody looks at the seconds."""
    dripping: Rise = drops(900, 0.0004 * every_s, every_s)

    assert said({"right": dripping})["right"]["leak"] > 0.85
    assert said({"right": damp(900, 0.28)})["right"]["leak"] < 0.65


def test_damp_that_pads_meet_minutes_apart_is_no_leak() -> None:
    """Steam creeps along the floor: a pad that it reaches four minutes later shares its cause."""
    found = said({"left": damp(900, 0.6), "centre": damp(1000, 0.55), "right": damp(1150, 0.5)})
    assert found.keys() == set(ZONES)
    assert all(causes["leak"] < 0.3 for causes in found.values())


def test_damp_that_all_pads_meet_in_step_is_no_leak_be_it_much() -> None:
    """One and a half decades within minutes, the same on each: no water runs so. By itself such a rise is a leak's."""
    found = said({"left": damp(900, 1.5), "centre": damp(905, 1.45), "right": damp(915, 1.5)})
    assert found.keys() == set(ZONES)
    assert all(causes["leak"] < 0.3 for causes in found.values())
    assert said({"left": damp(900, 1.5)})["left"]["leak"] > 0.7


def test_the_air_told_speaks_for_damp_or_against_it() -> None:
    """A slight lone rise is likelier damp where the humidity climbed than where it stood."""
    t = np.arange(0.0, LENGTH, 20.0)
    stood = Series(T0 + t, np.full(len(t), 50.0))
    climbed = Series(T0 + t, 50.0 + 15.0 / (1 + np.exp(-(t - 1000) / 60)))
    rises: dict[Zone, Rise] = {"left": damp(900, 0.34)}
    untold, wetter, drier = (said(rises, air)["left"]["leak"] for air in (None, climbed, stood))
    assert wetter < untold < drier


def test_a_puddle_that_stood_there_as_the_run_began_wets_its_neighbours() -> None:
    """Minutes later, in one go: it may well be the same water; an hour later, as sharply, it is a leak's."""
    stood: Rise = lambda t: np.full_like(t, 3e-5)  # noqa: E731
    found = said({"centre": stood, "right": drips(420, 2.0)})
    late = said({"centre": stood, "right": drips(2000, 2.0)})

    assert found["centre"]["spill"] > 0.8
    assert found["right"]["leak"] < 0.6
    assert late["right"]["leak"] > 0.9


def test_a_puddle_hardly_wets_another_pad_more_than_its_own() -> None:
    """Seven minutes into the run, with the first fill, far more water than stood there: it is likelier a leak's."""
    stood: Rise = lambda t: np.full_like(t, 1e-5)  # noqa: E731

    assert said({"centre": stood, "right": drips(420, 60.0)})["right"]["leak"] > 0.6


def spreads(at: float, us: float) -> Rise:
    """Sharp, and on and on: a puddle that finds its way under the pad for minutes."""
    return lambda t: np.where(t > at, 1e-6 * us * np.sqrt(np.clip(t - at, 0.0, 400.0)), 0.0)


def test_two_pads_wet_in_one_second_are_no_sure_leak_though_the_puddle_spreads() -> None:
    """A leak falls on one pad, and reaches the next some seconds later at the soonest."""
    splashed = said({"left": spreads(1500.0, 9.0), "centre": spreads(1500.4, 20.0)})
    leaked = said({"left": spreads(1500.0, 9.0), "centre": spreads(1506.0, 20.0)})

    assert splashed["left"]["leak"] < 0.6
    assert splashed["centre"]["leak"] < 0.6
    assert leaked["left"]["leak"] > 0.9
    assert leaked["centre"]["leak"] > 0.9


def test_a_leaks_puddle_may_reach_two_pads_in_one_moment() -> None:
    """Two minutes after the pad between them, which it soaks; the same jumps without that pad are somebody's water."""
    jumps: dict[Zone, Rise] = {"left": soaks(1620.0, 250.0), "right": soaks(1620.4, 240.0)}
    found = said({"centre": drips(1500.0, 150.0)} | jumps)
    alone = said(jumps)

    assert found["left"]["leak"] > 0.8
    assert found["right"]["leak"] > 0.8
    assert alone["left"]["spill"] > 0.6


def test_a_splash_beside_a_slight_leak_is_a_splash() -> None:
    """A drop or two on one pad bring no gush to another."""
    found = said({"centre": lambda t: np.where(t > 1500, 1e-6, 0.0), "left": gush(1620.0, 100.0)})

    assert found["left"]["spill"] > 0.5


def test_damp_that_comes_down_on_one_pad_after_the_air_rose_on_all_is_no_sure_leak() -> None:
    """In the heat every pad gained a quarter decade, faster and faster, before one gained much more; where that one gained it alone, it leaks."""
    after = 1000.0
    rising = {zone: after_damp(after, 0.25, 0.0) for zone in ZONES}
    alone: dict[Zone, Rise] = {"left": after_damp(after, 0.25, 1.5)}

    assert said(rising | alone)["left"]["leak"] < 0.7
    assert said(alone)["left"]["leak"] > 0.7
