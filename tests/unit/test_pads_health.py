"""Faults of pads and their leads, told from water and from an honestly quiet pad."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from soaktest.analysis.events import PadCheck, PadTrack
from soaktest.analysis.pads import read_pads
from soaktest.analysis.series import EMPTY, PadWiring, Series, Signals
from soaktest.vocabulary import ZONES
from tests.unit.pad_generator import T0, Array, Bench, clock, draw_bench, dry_siemens, read

Mask = NDArray[np.bool_]
BENCH = Bench(length_s=1500)
BARE = replace(BENCH, wiring=PadWiring(100_000.0, None))


def signals(bench: Bench = BENCH, seed: int = 0) -> Signals:
    rng = np.random.default_rng(seed)
    t = clock(bench)
    return read(bench, dry_siemens(bench, rng, t), rng, t)


def with_left(
    given: Signals, change: Array | None = None, *, where: Mask | None = None, value: float = 0.0
) -> PadTrack:
    """The left pad read with other values, or with one value in some places."""
    series = given.pads["left"]
    v = series.v.copy() if change is None else change
    if where is not None:
        v[where] = value
    return read_pads(replace(given, pads={**given.pads, "left": Series(series.t, v)}))["left"]


def after(given: Signals, begin: float, end: float = 1e9) -> Mask:
    t = given.pads["left"].t - T0
    out: Mask = (t >= begin) & (t < end)
    return out


def test_all_zones_are_there_even_unheard() -> None:
    """No pad heard at all: three silent tracks, no event."""
    tracks = read_pads(Signals(T0, T0 + 100))

    assert set(tracks) == set(ZONES)
    assert all(track.state == "silent" and not track.events for track in tracks.values())


def test_a_bare_pad_that_is_wetted_in_the_first_minute_was_not_broken_before() -> None:
    """Water from 50 s on was taken for the dry level, and the minute before it for a broken lead."""
    given = signals(BARE)
    values = given.pads["left"].v.copy()
    values[after(given, 50)] = 0.2
    track = with_left(given, values)

    assert track.state == "unproven"
    assert [round(event.onset - T0) for event in track.events] == [pytest.approx(50, abs=2)]
    assert not track.events[0].at_start


def test_a_lead_that_breaks_is_open_and_does_not_dry() -> None:
    """Nothing read from 700 s on, below the end-of-line resistor: open, no event, not sound there."""
    given = signals()
    track = with_left(given, where=after(given, 700))

    assert track.state == "open"
    assert not track.events
    assert max(end for _, end in track.sound_spans) == pytest.approx(T0 + 700, abs=3)


def test_a_wet_pad_whose_lead_breaks_does_not_end_its_event() -> None:
    """Wet at 400 s, lead broken at 700 s: the event has no end, the pad is open."""
    given = signals()
    v = given.pads["left"].v.copy()
    v[after(given, 400)] = 0.6
    v[after(given, 700)] = 0.0
    track = with_left(given, v)

    assert track.state == "open"
    assert [e.end for e in track.events] == [None]


@pytest.mark.parametrize("dry_us", [0.0, 0.02])
def test_a_bare_pad_whose_lead_breaks_while_it_is_wet_is_open_and_keeps_its_event(dry_us: float) -> None:
    """Wet from 400 s on, more and more, and nothing from 470 s on, where dry it reads as little: the water was taken for a bump that did not last."""
    given = signals(BARE)
    t = given.pads["left"].t - T0
    dry = np.where(np.random.default_rng(1).random(len(t)) < 0.5, 1.0, 2.0) / 4096 * (dry_us > 0)
    v = np.where(t < 400, dry, np.round(np.clip((t - 400) / 200, 0.0, 1.0) * 4096) / 4096)
    v[t > 470] = 0.0
    track = with_left(given, v)

    assert track.state == "open"
    (event,) = track.events
    assert event.onset - T0 == pytest.approx(400, abs=6)
    assert event.end is None
    assert max(end for _, end in track.sound_spans) == pytest.approx(T0 + 470, abs=3)


def test_a_bare_pad_that_dries_to_nothing_within_a_minute_is_not_open() -> None:
    """Hot air takes half a minute, a lead that breaks no time."""
    given = signals(BARE)
    t = given.pads["left"].t - T0
    v = np.where(t < 400, 0.0, 0.3 * np.exp(-np.maximum(t - 500, 0.0) / 6.0))
    track = with_left(given, np.round(v * 4096) / 4096)

    assert track.state == "unproven"


def test_hum_that_beats_to_nothing_ever_again_is_no_broken_lead_though_it_stays_away_for_a_minute_once() -> (
    None
):
    """Up to seven steps of the converter and down to none every forty seconds, as two frequencies beat; a lead that breaks once is open."""
    given = signals(BARE)
    t = given.pads["left"].t - T0
    beats = np.round(7.0 * np.clip(0.6 + np.cos(t / 6.4), 0.0, 1.0)) / 4096 * ~((t > 570) & (t < 650))

    assert with_left(given, beats).state == "unproven"
    assert with_left(given, np.where(t < 700, 7.0 / 4096, 0.0)).state == "open"


def test_a_loose_contact_is_open() -> None:
    """Out for two seconds in every half minute: open."""
    given = signals()
    t = given.pads["left"].t - T0
    track = with_left(given, where=(t > 600) & (t % 30 < 2))

    assert track.state == "open"
    assert not track.events


def test_a_lead_that_chatters_makes_no_water_when_it_is_whole_again() -> None:
    """Now and then it reads a little more than half of what its resistor does: the rise back was a wet event, dated long before."""
    given = signals()
    t, v = given.pads["left"].t - T0, given.pads["left"].v.copy()
    v[(t > 600) & (t < 606)] = 0.0
    part = (t > 700) & (t < 1100) & (t % 120 < 90)
    v[part] *= 0.56
    track = with_left(given, v)

    assert track.state == "open"
    assert not track.events


@pytest.mark.parametrize("value", [0.9995, 0.9974])
def test_a_short_is_no_leak(value: float) -> None:
    """Near supply within one sample, by 50 or by 260 ohm on a divider of 100 k: a short, no event."""
    given = signals()
    track = with_left(given, where=after(given, 700), value=value)

    assert track.state == "short"
    assert not track.events


def test_tracks_that_touch_through_some_resistance_are_a_short() -> None:
    """At 440 ohm from one sample to the next, and no more after: water soaks a pad over seconds, and goes on."""
    given = signals()
    ratio = 1 / (1 + 440.0 / 100_000.0)
    assert with_left(given, where=after(given, 700), value=ratio).state == "short"
    v, since = given.pads["left"].v.copy(), given.pads["left"].t - T0 - 700
    soaked = 1 / (1 + 1 / (100_000.0 * 2.3e-3 * (1 - np.exp(-np.maximum(since, 0.0) / 4.0)) + 1e-9))
    soaked *= np.random.default_rng(4).uniform(0.9998, 1.0, len(v))  # an input that moves
    wet = with_left(given, np.where(since > 0, np.maximum(v, soaked), v))
    assert wet.state == "sound"
    assert wet.events


def test_a_pad_whose_dry_level_rises_by_itself_drifts() -> None:
    """Sixfold over the run while the others stay: a fault, or water too slow to be told. All alike, it is the air."""
    given = signals()
    t = given.pads["left"].t - T0
    rises = 10.0 ** (0.8 * t / t[-1])

    def raised(v: Array) -> Array:
        own = v / (1 - v)
        return rises * own / (1 + rises * own)

    alone = with_left(given, raised(given.pads["left"].v))
    assert alone.state == "drifting"
    assert "that of no other pad" in alone.note
    unheard = {zone: Series(np.empty(0), np.empty(0)) for zone in ("centre", "right")}
    lone = {"left": Series(given.pads["left"].t, raised(given.pads["left"].v))}
    assert (
        read_pads(replace(given, pads=lone | unheard))["left"].state != "drifting"
    )  # nobody knows of the others
    together = {zone: Series(given.pads[zone].t, raised(given.pads[zone].v)) for zone in ZONES}
    assert all(track.state != "drifting" for track in read_pads(replace(given, pads=together)).values())


def test_a_frozen_reading_is_stuck() -> None:
    """An input that was never quiet gives one value for eight minutes."""
    given = signals(replace(BENCH, noise_steps=1.2))
    track = with_left(given, where=after(given, 700, 1200), value=float(given.pads["left"].v[3000]))

    assert track.state == "stuck"


def test_a_quiet_dry_pad_is_sound() -> None:
    """One code for the whole run, as a steady pad behind a resistor reads it on a quiet input: sound and proven."""
    given = signals(replace(BENCH, noise_steps=0.0))
    track = with_left(given, np.full(len(given.pads["left"]), round(4095 * 0.0435) / 4095))

    assert track.state == "sound"


def test_a_dry_pad_below_the_first_step_is_not_stuck_when_water_comes() -> None:
    """Nothing for eleven minutes, then a reading that never rests: it was dry, and got wet then."""
    given, rng = signals(BARE), np.random.default_rng(4)
    t = given.pads["left"].t - T0
    wet = 0.6 * (1 - np.exp(-np.maximum(t - 700, 0.0) / 5.0)) + rng.normal(0.0, 0.004, len(t))
    track = with_left(given, np.where(t < 700, 0.0, np.clip(wet, 0.0, 0.99)))

    assert track.state == "unproven"
    assert not track.wet_at_start
    assert [event.onset - T0 for event in track.events] == [pytest.approx(700, abs=3)]


def test_a_pad_that_never_moves_beside_two_that_always_do_is_stuck() -> None:
    """Wired alike and at their level: what noise there is on them is on it too."""
    given = signals(replace(BENCH, noise_steps=1.2))
    track = with_left(given, np.full(len(given.pads["left"]), float(given.pads["left"].v[0])))

    assert track.state == "stuck"


def test_a_quiet_pad_shaken_now_and_then_is_sound() -> None:
    """Moves only while the drum shakes it."""
    given = signals(replace(BENCH, noise_steps=0.0, shaking_steps=2.5))

    assert all(track.state == "sound" for track in read_pads(given).values())


def test_healthy_benches_are_not_found_faulty() -> None:
    """Spikes, few converter steps, hum: at most one bench in a hundred of wide physics has a false fault."""
    faulty = 0
    for seed in range(150):
        rng = np.random.default_rng([seed, 1])
        bench = draw_bench(rng)
        t = clock(bench)
        tracks = read_pads(read(bench, dry_siemens(bench, rng, t), rng, t))
        faulty += any(track.state not in ("sound", "unproven") for track in tracks.values())

    assert faulty <= 2


def test_a_pad_heard_a_third_of_the_time_is_silent() -> None:
    """Readings stop for good at 500 of 1500 s: silent."""
    given = signals()
    series = given.pads["left"]
    keep = ~after(given, 500)
    track = read_pads(replace(given, pads={**given.pads, "left": Series(series.t[keep], series.v[keep])}))[
        "left"
    ]

    assert track.state == "silent"


def test_without_resistor_and_check_a_pad_is_unproven() -> None:
    """Contract, plan: a pad without end-of-line resistor and without a pad check."""
    given = signals(BARE)
    check = PadCheck(dry_siemens=1e-8, wet_siemens=2e-5, ml=0.5, at=T0 - 3600)

    assert read_pads(given)["left"].state == "unproven"
    checked = read_pads(given, {"left": check})
    assert checked["left"].state == "sound"
    assert checked["right"].state == "unproven"


def test_a_bare_lead_that_breaks_off_a_clear_dry_level_is_open() -> None:
    """No resistor, dry at 1 Mohm: from there to nothing is no drying air."""
    rng = np.random.default_rng(1)
    t = clock(BARE)
    own = {zone: np.full(len(t), 1e-6) for zone in ZONES}
    given = read(BARE, own, rng, t)
    track = with_left(given, where=after(given, 700))

    assert track.state == "open"
    assert "nothing" in track.note


def test_a_bare_pad_that_dries_to_nothing_in_twenty_minutes_has_a_whole_lead() -> None:
    """Wet when the run begins, it sinks below a twentieth of that and on to nothing, bit by bit."""
    given = signals(BARE)
    t = given.pads["left"].t - T0
    wet = 0.09 * np.maximum(1.0 - t / 1200.0, 0.0) ** 2
    codes = np.round(4095 * wet) / 4095

    assert with_left(given, codes).state != "open"
    codes[t > 400] = 0.0
    assert with_left(given, codes).state == "open"


@pytest.mark.parametrize("beat_s", [60.0, 110.0])
def test_hum_that_comes_and_goes_breaks_no_lead(beat_s: float) -> None:
    """Mains beside a pad that conducts nothing: a level of some of the converter's steps that beats to nothing."""
    given = signals(BARE)
    t = given.pads["left"].t - T0
    hum = 0.0018 * np.clip(0.4 + np.cos(2 * np.pi * t / beat_s), 0.0, 1.0)
    rng = np.random.default_rng(7)
    codes = np.round(4095 * 8 * (hum + rng.normal(0.0, 2e-5, len(t)) * (hum > 0))) / (4095 * 8)

    assert with_left(given, np.maximum(codes, 0.0)).state == "unproven"


def test_air_that_dries_breaks_no_lead() -> None:
    """No resistor; the dry level falls to a fifth over the run: not open."""
    rng = np.random.default_rng(1)
    t = clock(BARE)
    own = dict.fromkeys(ZONES, 1e-6 * 10 ** (-0.7 * t / t[-1]))

    assert all(track.state == "unproven" for track in read_pads(read(BARE, own, rng, t)).values())


@pytest.mark.parametrize(("fall_s", "state"), [(3000.0, "unproven"), (2.0, "open")])
def test_a_level_of_two_steps_may_dry_to_nothing_but_not_at_once(fall_s: float, state: str) -> None:
    """Dry air takes the last steps of a poor converter over an hour; a lead that breaks takes them in a moment."""
    given, rng = signals(replace(BARE, length_s=5400), seed=3), np.random.default_rng(3)
    series = given.pads["left"]
    level = 2.0 - 1.8 * np.clip((series.t - T0 - 1500) / fall_s, 0.0, 1.0)
    codes = np.maximum(np.round(level + rng.normal(0.0, 0.6, len(series))), 0.0)
    assert with_left(given, codes / 4095.0).state == state


def test_an_unheard_pad_beside_two_heard_ones() -> None:
    """One node missing: its pad is silent, the others are read."""
    given = signals()
    tracks = read_pads(replace(given, pads={**given.pads, "left": EMPTY}))

    assert tracks["left"].state == "silent"
    assert tracks["right"].state == "sound"


def test_a_dry_level_that_wanders_tenfold_is_drifting() -> None:
    """So slow that nothing is called water, and yet no run may pass on such a pad."""
    bench = Bench(length_s=3600)
    t = clock(bench)
    own = {zone: 10.0 ** np.full(len(t), -6.2) for zone in ZONES}
    own["left"] = 10.0 ** (-6.2 + 1.6 * t / 3600)

    tracks = read_pads(read(bench, own, np.random.default_rng(3), t))

    assert tracks["left"].state == "drifting" or tracks["left"].events
    assert tracks["right"].state == "sound"
