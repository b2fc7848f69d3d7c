"""What a machine's signals say of its phases, on cycles built by hand: most of these once misled the reading."""

from collections.abc import Sequence

import numpy as np
import pytest
from scipy.ndimage import maximum_filter1d

from soaktest.analysis.meter_lag import lag_of, slow_lag_of, unlagged, unlagged_rms
from soaktest.analysis.phases import infer_phases
from soaktest.analysis.series import Floats, PhaseWord, Series, Signals
from soaktest.vocabulary import PHASES, Phase

T0 = 1.764e9
Step = tuple[Phase, int]
CYCLE: tuple[Step, ...] = (
    ("idle", 240), ("fill", 90), ("wash", 400), ("drain", 70), ("fill", 80), ("rinse", 200), ("drain", 60),
    ("spin", 240), ("idle", 500),
)  # fmt: skip
DIRECT = ("vibration", "inlet", "outlet")


def strokes(seconds: int) -> Floats:
    """1 while the drum turns: 10 s on, 6 s off."""
    return (np.arange(seconds) % 16 < 10).astype(float)


def machine(
    cycle: Sequence[Step] = CYCLE,
    *,
    pump_shake: float = 0.02,
    stroke_shake: float = 0.5,
    floor: float = 0.01,
    element_w: float = 2000.0,
) -> dict[str, Floats]:
    """Signals second by second, shape (seconds,) each; a little noise on the analogue ones."""
    rng = np.random.default_rng(7)
    parts: dict[str, list[Floats]] = {
        name: [] for name in ("power", "current", "vibration", "inlet", "outlet")
    }
    for phase, seconds in cycle:
        still = np.zeros(seconds)
        turns = strokes(seconds) if phase in ("wash", "rinse", "heat") else still
        speed = np.minimum(np.arange(seconds) / 60.0, 1.0) if phase == "spin" else still
        inlet, outlet = still + (phase == "fill"), still + (phase in ("drain", "spin"))
        loads = 8.0 * inlet + 26.0 * outlet + 140.0 * turns + 300.0 * speed
        heat = element_w * (phase == "heat")
        parts["power"].append(3.0 + loads + heat)
        parts["current"].append(np.hypot(0.05, loads / 230.0 / 0.65) + heat / 230.0)
        shaken = np.sqrt(
            (stroke_shake * turns) ** 2
            + (pump_shake * outlet) ** 2
            + (stroke_shake * (phase == "spin") * (1 + 3 * speed)) ** 2
        )
        parts["vibration"].append(np.hypot(shaken, floor) * rng.uniform(0.9, 1.1, seconds))
        parts["inlet"].append(inlet)
        parts["outlet"].append(outlet)
    return {name: np.concatenate(pieces) for name, pieces in parts.items()}


def right(heard: dict[str, Floats], cycle: Sequence[Step], *phases: Phase) -> float:
    """Share of the seconds of these phases (of all, where none is named) that are said to be so."""
    length = sum(seconds for _, seconds in cycle)
    t = T0 + np.arange(length) + 1.0
    track = infer_phases(Signals(T0, T0 + length, others={name: Series(t, v) for name, v in heard.items()}))
    true = np.concatenate([np.full(seconds, PHASES.index(phase)) for phase, seconds in cycle])
    asked = np.isin(true, [PHASES.index(phase) for phase in phases or PHASES])
    return float((track.best[:length] == true)[asked].mean())


def second_of(cycle: Sequence[Step], phase: Phase) -> int:
    """The second in which the first step of a phase begins."""
    return sum(seconds for _, seconds in cycle[: [name for name, _ in cycle].index(phase)])


def only(heard: dict[str, Floats], *names: str) -> dict[str, Floats]:
    return {name: heard[name] for name in names}


@pytest.mark.parametrize("pump_shake", [0.05, 0.4, 1.0])
def test_a_pump_that_shakes_like_a_drum_is_no_spin(pump_shake: float) -> None:
    """Vibration, inlet and outlet alone: what the pump shakes by itself is learned and taken off."""
    heard = only(machine(pump_shake=pump_shake), *DIRECT)

    assert right(heard, CYCLE, "drain") > 0.9
    assert right(heard, CYCLE, "spin") > 0.8
    assert right(heard, CYCLE) > 0.95


@pytest.mark.parametrize("stroke_shake", [0.02, 0.1, 3.0])
def test_strokes_are_felt_near_the_sensors_noise_and_beside_a_hard_spin(stroke_shake: float) -> None:
    """Twice the noise is enough: the levels of rest and strokes are learned where no drum spins."""
    assert right(only(machine(stroke_shake=stroke_shake), *DIRECT), CYCLE, "wash", "rinse") > 0.95


def test_a_valve_that_looks_at_its_level_now_and_then_is_still_filling() -> None:
    """Pauses of under 20 s belong to what they interrupt (the contract of the phases)."""
    heard = machine()
    fill = slice(240, 330)
    heard["inlet"][fill] *= np.arange(90) % 25 < 12

    assert right(only(heard, *DIRECT), CYCLE, "fill") > 0.9
    assert right(heard, CYCLE, "fill") > 0.9


@pytest.mark.parametrize("names", [("power",), DIRECT])
def test_a_soak_is_idle_and_a_short_pause_is_not(names: tuple[str, ...]) -> None:
    """A drum at rest for a minute in a wash, and for 14 s."""
    cycle = (*CYCLE[:2], ("wash", 250), ("idle", 60), ("wash", 250), *CYCLE[3:])
    heard = machine(cycle)
    for name, rest in (("power", 3.0), ("vibration", 0.01)):
        heard[name][440:454] = rest

    assert right(only(heard, *names), cycle, "idle") > 0.97
    assert right(only(heard, *names), cycle, "wash") > 0.97


@pytest.mark.parametrize("element_w", [1000.0, 1200.0])
def test_amperes_show_a_small_element(element_w: float) -> None:
    """4.3 or 5.2 A: fewer watts than a large motor's amperes come to, but at once; and a filter's current hides no pump."""
    cycle = (*CYCLE[:2], ("wash", 200), ("heat", 600), ("wash", 200), *CYCLE[3:])
    heard = only(machine(cycle, element_w=element_w), "current")

    assert right(heard, cycle, "heat") > 0.98
    assert right(heard, cycle, "drain", "spin") > 0.9


def test_a_pause_of_the_element_belongs_to_the_heating() -> None:
    cycle = (*CYCLE[:2], ("wash", 200), ("heat", 300), ("wash", 200), *CYCLE[3:])
    heard = machine(cycle)
    heard["power"][700:716] -= 2000.0

    assert right(only(heard, "power"), cycle, "heat") > 0.98


def test_a_knock_on_a_machine_at_rest_is_no_wash() -> None:
    heard = machine()
    heard["vibration"][[12, 100, 190]] = 2.0

    assert right(heard, CYCLE, "idle") > 0.99
    assert right(only(heard, *DIRECT), CYCLE, "idle") > 0.99


def test_a_long_top_up_in_a_wash_needs_no_drain_before_it() -> None:
    """Power alone: 30 s of valve in mid-wash let water in, and a wash goes on after it."""
    cycle = (*CYCLE[:2], ("wash", 200), ("fill", 30), ("wash", 300), *CYCLE[3:])

    assert right(only(machine(cycle), "power"), cycle, "wash") > 0.95


SLOW: tuple[Step, ...] = (*CYCLE[:7], ("spin", 280), ("idle", 500))
"""As ``CYCLE``, its spin begun by forty seconds at the strokes' speed."""


@pytest.mark.parametrize("names", [("power",), ("current",), DIRECT, ("power", *DIRECT)])
def test_a_spin_begins_where_its_one_long_run_does(names: tuple[str, ...]) -> None:
    """Its slow start draws and shakes less than strokes do, and no pause parts it from the spin (the contract of the phases)."""
    heard, begin = machine(SLOW), second_of(SLOW, "spin")
    heard["power"][begin : begin + 40] = 3.0 + 26.0 + 90.0
    heard["current"][begin : begin + 40] = np.hypot(0.05, 116.0 / 230.0 / 0.65)
    heard["vibration"][begin : begin + 40] = 0.25

    assert right(only(heard, *names), SLOW, "spin") > 0.95
    assert right(only(heard, *names), SLOW, "drain") > 0.9


def test_a_gentle_spin_is_told_by_its_watts_from_a_pump_that_shakes() -> None:
    """It shakes less than strokes do, beside a pump that shakes nearly as much: its draw is no pump's."""
    cycle: tuple[Step, ...] = (*CYCLE[:4], ("spin", 120), ("drain", 40), *CYCLE[4:])
    heard = machine(cycle, pump_shake=0.3)
    begin = second_of(cycle, "spin")
    heard["vibration"][begin : begin + 120] = 0.42
    heard["power"][begin : begin + 120] = 3.0 + 26.0 + np.linspace(80.0, 130.0, 120)

    assert right(only(heard, "power", *DIRECT), cycle, "spin") > 0.9
    assert right(only(heard, "power", *DIRECT), cycle, "drain") > 0.9


def test_a_drum_that_runs_down_spins_still() -> None:
    """Its motor is off, its pump on; only the vibration tells, and a spin's end that nothing shakes is not moved."""
    heard = machine()
    end = second_of(CYCLE, "spin") + 240
    heard["vibration"][end : end + 25] = np.linspace(2.0, 0.6, 25)
    heard["outlet"][end : end + 40] = 1.0
    heard["power"][end : end + 40] = 3.0 + 26.0
    cycle = (*CYCLE[:7], ("spin", 265), ("drain", 15), ("idle", 460))

    assert right(only(heard, "power", *DIRECT), cycle, "spin", "drain") > 0.95
    assert right(only(heard, "power"), CYCLE, "spin") > 0.95


def test_a_pump_that_pulses_while_the_drum_spins_draws_no_more_for_that() -> None:
    """It starts again and again in mid-spin: what it draws and shakes is read where it starts out of rest."""
    heard = machine()
    spin = slice(second_of(CYCLE, "spin"), second_of(CYCLE, "spin") + 240)
    off = np.arange(240) % 30 >= 18
    heard["outlet"][spin] *= ~off
    heard["power"][spin] -= 26.0 * off

    assert right(heard, CYCLE, "spin") > 0.95
    assert right(heard, CYCLE, "drain") > 0.9


@pytest.mark.parametrize("names", [("power",), DIRECT])
def test_a_sump_cleared_before_the_first_fill_leads_to_a_wash(names: tuple[str, ...]) -> None:
    """A few seconds of pump at the start, nothing washed before: the fill after it is the first, not a rinse's."""
    cycle = (("idle", 120), ("drain", 12), *CYCLE[1:])

    assert right(only(machine(cycle), *names), cycle, "wash") > 0.95


def test_a_run_begun_at_a_drain_after_the_wash_goes_on_to_rinse() -> None:
    """The same pump for a minute, out of a tub that had been filled before anybody listened."""
    cycle = CYCLE[3:]

    assert right(only(machine(cycle), "power"), cycle, "rinse") > 0.95


def test_the_drums_own_level_is_no_strong_pump() -> None:
    """A slow start as flat as a pump's draw, at the level of the strokes: those are strokes still."""
    cycle = (*CYCLE[:3], ("drain", 70), ("spin", 150), *CYCLE[4:7], ("spin", 280), ("idle", 500))
    heard = machine(cycle)
    first = second_of(cycle, "spin")
    for begin in (first, first + 150 + sum(seconds for _, seconds in cycle[5:8])):
        heard["power"][begin : begin + 35] = 143.0
    pump = np.abs(heard["power"] - 29.0) < 1.0
    heard["power"][pump] = 52.0 + 5.0 * np.sin(np.arange(pump.sum()))  # a strong pump, its draw not flat

    assert right(only(heard, "power"), cycle, "wash", "rinse") > 0.95


@pytest.mark.parametrize("names", [("power", "vibration"), DIRECT, ("power", *DIRECT)])
def test_somebody_who_leans_on_a_machine_at_rest_makes_no_wash(names: tuple[str, ...]) -> None:
    """It shakes for ten seconds at a time, draws what it draws at rest, and has let no water in."""
    heard = machine()
    for begin in (60, 90, 150):
        heard["vibration"][begin : begin + 10] = 0.5

    assert right(only(heard, *names), CYCLE, "idle") > 0.97
    assert right(only(heard, *names), CYCLE, "fill") > 0.95


def test_a_gentle_spin_beside_a_pump_that_does_not_shake_is_no_drain() -> None:
    """Without watts: it shakes as strokes do, on and on, and the pump by itself was heard not to shake."""
    cycle: tuple[Step, ...] = (*CYCLE[:4], ("spin", 120), ("drain", 40), *CYCLE[4:])
    heard = machine(cycle)
    begin = second_of(cycle, "spin")
    heard["vibration"][begin : begin + 120] = 0.5

    assert right(only(heard, *DIRECT), cycle, "spin") > 0.9
    assert right(only(heard, *DIRECT), cycle, "drain") > 0.9


@pytest.mark.parametrize("drum_w", [24.0, 36.0])
def test_a_drum_that_draws_what_a_pump_does_is_told_by_its_rhythm(drum_w: float) -> None:
    """Strokes of 24 or 36 W beside a pump of 26 W, by power alone: a pump runs on, a drum starts and stops."""
    heard = machine()
    turned = np.abs(heard["power"] - 143.0) < 1.0
    heard["power"][turned] = 3.0 + drum_w

    assert right(only(heard, "power"), CYCLE, "wash", "rinse") > 0.95
    assert right(only(heard, "power"), CYCLE, "drain") > 0.9


def test_a_spin_in_bursts_is_no_rinse_after_all() -> None:
    """It gathers speed for six seconds at a time at 700 W, coasts and stops: strokes never draw so much."""
    cycle = (*CYCLE[:4], ("spin", 120), *CYCLE[4:])
    heard = machine(cycle)
    second = np.arange(120) % 30
    burst = np.where(second < 6, 703.0, np.where(second < 24, 180.0, 3.0))
    begin = second_of(cycle, "spin")
    heard["power"][begin : begin + 120] = burst

    assert right(only(heard, "power"), cycle, "spin") > 0.9
    assert right(only(heard, "power"), cycle, "rinse") > 0.9


def test_fills_that_show_nothing_are_the_rests_between_drain_and_strokes() -> None:
    """A valve that its meter does not see, by power alone."""
    heard = machine()
    heard["power"] -= 8.0 * heard["inlet"]

    assert right(only(heard, "power"), CYCLE, "wash", "rinse", "drain", "spin") > 0.95


def test_a_valve_that_opens_again_within_a_minute_is_filling_still() -> None:
    """By power alone, while the laundry drinks: seen between strokes for five seconds, 40 s after the water was shut off."""
    cycle = (("idle", 240), ("fill", 133), ("wash", 360), *CYCLE[3:])
    heard = machine(cycle)
    drinks = slice(240 + 78, 240 + 133)
    turns = strokes(55)
    heard["power"][drinks] = 3.0 + 140.0 * turns
    heard["power"][drinks.stop - 6 : drinks.stop] = 11.0

    assert right(only(heard, "power"), cycle, "fill") > 0.95
    assert right(only(heard, "power"), cycle, "wash") > 0.95


def test_what_the_valve_lets_in_long_after_the_fill_is_a_top_up() -> None:
    """Two minutes later it belongs to the wash around it (the contract of the phases)."""
    heard = machine()
    wash = second_of(CYCLE, "wash")
    heard["power"][wash + 122 : wash + 128] = 11.0

    assert right(only(heard, "power"), CYCLE, "wash") > 0.97


def test_a_pump_that_pulses_beside_a_weak_drum_has_another_beat() -> None:
    """18 s on and 6 s off, at hardly more watts than the drum's strokes of 10 s."""
    cycle = (*CYCLE[:3], ("drain", 140), *CYCLE[4:])
    heard = machine(cycle)
    heard["power"][np.abs(heard["power"] - 143.0) < 1.0] = 31.0
    drain = slice(second_of(cycle, "drain"), second_of(cycle, "drain") + 140)
    heard["power"][drain] -= 26.0 * (np.arange(140) % 24 >= 18)

    assert right(only(heard, "power"), cycle, "drain") > 0.9
    assert right(only(heard, "power"), cycle, "wash", "rinse") > 0.9


def test_the_first_instant_of_a_stroke_is_no_surge_at_coarse_steps() -> None:
    """A sample each four seconds that now and then meets a motor's inrush speaks for four seconds."""
    heard = machine()
    turning = heard["power"] > 100
    starts = np.flatnonzero(turning & ~np.roll(turning, 1))
    heard["power"][starts] += 260.0 * (heard["power"][starts] < 200)
    t = T0 + np.arange(len(heard["power"])) + 1.0
    series = Series(t[::4], heard["power"][::4])
    track = infer_phases(Signals(T0, T0 + len(t), others={"power": series}))
    true = np.concatenate([np.full(seconds, PHASES.index(phase)) for phase, seconds in CYCLE])

    assert (track.best[: len(t)] == true)[true == PHASES.index("rinse")].mean() > 0.9


def test_a_strong_pump_shows_in_the_pauses_of_a_drum_that_goes_on() -> None:
    """57 W between strokes while the water goes out, the drum tumbling on: drained, not spun."""
    cycle = (*CYCLE[:3], ("drain", 110), *CYCLE[4:6], ("drain", 110), *CYCLE[7:])
    heard = machine(cycle)
    begin = 0
    for phase, seconds in cycle:
        if phase == "drain":
            heard["power"][begin : begin + seconds] = 60.0 + 140.0 * strokes(seconds)
        elif phase == "spin":
            heard["power"][begin : begin + seconds] += 31.0
        begin += seconds

    assert right(only(heard, "power"), cycle, "drain") > 0.8
    assert right(only(heard, "power"), cycle, "spin", "rinse") > 0.9


def test_a_strong_pump_that_runs_dry_beneath_a_tumbling_drum_is_a_pump() -> None:
    """Of 57 W with water and 46 W without; its drains are short, and each pause shows another level."""
    cycle = (*CYCLE[:3], ("drain", 60), *CYCLE[4:6], ("drain", 60), *CYCLE[7:])
    heard = machine(cycle)
    begin = 0
    for phase, seconds in cycle:
        if phase == "drain":
            pump = np.linspace(57.0, 45.0, seconds)
            heard["power"][begin : begin + seconds] = 3.0 + pump + 200.0 * strokes(seconds)
        elif phase == "spin":
            heard["power"][begin : begin + seconds] += 20.0
        begin += seconds

    assert right(only(heard, "power"), cycle, "drain") > 0.7
    assert right(only(heard, "power"), cycle, "rinse", "spin") > 0.9


def test_a_strong_pump_may_go_with_a_strong_valve() -> None:
    """A programme broken off after its wash: 17 W is the valve where 48 W is the pump."""
    cycle: tuple[Step, ...] = (
        ("idle", 240), ("fill", 100), ("wash", 180), ("heat", 200), ("wash", 300), ("idle", 180), ("drain", 80), ("idle", 500),
    )  # fmt: skip
    heard = machine(cycle)
    heard["power"] += heard["inlet"] * (9.5 + 110.0 * strokes(len(heard["inlet"]))) + 22.0 * heard["outlet"]

    assert right(only(heard, "power"), cycle, "fill", "drain") > 0.95


def lagging(x: Floats, share: float) -> Floats:
    """What a meter of the first order shows, that keeps such a share of a change for each second."""
    out = np.empty_like(x)
    shown = x[0]
    for i, value in enumerate(x):
        shown = share * shown + (1 - share) * value
        out[i] = shown
    return out


@pytest.mark.parametrize("share", [0.25, 0.4, 0.55])
def test_a_meters_lag_is_told_and_undone(share: float) -> None:
    drawn = machine()["power"]
    shown = lagging(drawn, share)

    assert abs(lag_of(shown, 1) - share) < 0.03
    assert np.abs(unlagged(shown, 1.0) - drawn).max() < 8.0
    assert lag_of(drawn, 1) == 0.0
    assert unlagged(drawn, 1.0) is drawn


def test_strokes_through_a_meter_that_lags_are_a_wash() -> None:
    """Nine seconds on and four off: it never shows the rest between."""
    heard = machine()
    turns = heard["power"] == 143.0
    brisk = np.arange(len(turns)) % 13 < 9
    wash = maximum_filter1d(turns, 17)
    heard["power"] = lagging(
        np.where(wash & (heard["inlet"] + heard["outlet"] == 0), 3.0 + 140.0 * brisk, heard["power"]), 0.5
    )

    assert right(only(heard, "power"), CYCLE, "wash", "rinse") > 0.95


def test_a_machine_awake_draws_more_amperes_at_rest_than_asleep() -> None:
    """0.04 A asleep and 0.09 A awake, its filter's; the valve adds to that."""
    heard = machine()
    awake = np.arange(len(heard["current"])) > 200
    heard["current"] = np.hypot(heard["current"], np.where(awake, 0.08, 0.0))

    assert right(only(heard, "current"), CYCLE) > 0.95


def test_a_spin_of_as_many_amperes_as_an_element_gathers_speed() -> None:
    heard = machine()
    spin = slice(second_of(CYCLE, "spin"), second_of(CYCLE, "spin") + 240)
    heard["current"][spin] = np.interp(np.arange(240), [0, 60, 240], [0.6, 7.0, 6.5])

    assert right(only(heard, "current"), CYCLE, "spin") > 0.95


def test_what_pauses_for_two_seconds_again_and_again_is_strokes() -> None:
    """Seven seconds on and two off, by everything that is heard."""
    heard = machine()
    for begin, seconds in ((second_of(CYCLE, "wash"), 400), (second_of(CYCLE, "rinse"), 200)):
        on = np.arange(seconds) % 9 < 7
        heard["power"][begin : begin + seconds] = 3.0 + 110.0 * on
        heard["vibration"][begin : begin + seconds] = np.where(on, 0.4, 0.01)

    assert right(heard, CYCLE, "wash", "rinse") > 0.95


@pytest.mark.parametrize("names", [("power",), DIRECT, ("power", *DIRECT)])
def test_a_rest_after_a_spin_is_idle(names: tuple[str, ...]) -> None:
    """Forty seconds until the next fill; nothing draws, turns or pumps."""
    cycle: tuple[Step, ...] = (
        ("idle", 240), ("fill", 90), ("wash", 400), ("drain", 70), ("spin", 90), ("idle", 40), ("fill", 80), ("rinse", 200),
        ("drain", 60), ("spin", 240), ("idle", 500),
    )  # fmt: skip
    heard = only(machine(cycle), *names)
    length = sum(seconds for _, seconds in cycle)
    t = T0 + np.arange(length) + 1.0
    track = infer_phases(Signals(T0, T0 + length, others={name: Series(t, v) for name, v in heard.items()}))

    assert (track.best[892:928] == PHASES.index("idle")).all()


@pytest.mark.parametrize("names", [("power", *DIRECT), DIRECT])
def test_a_drums_tries_before_its_spin_are_no_rest(names: tuple[str, ...]) -> None:
    """Three turns of 35 s one way with rests between, the pump off, the drum felt as at its strokes; then the spin goes through."""
    cycle: tuple[Step, ...] = (*CYCLE[:7], ("spin", 120), *CYCLE[7:])
    heard, begin = machine(cycle), second_of(CYCLE, "spin")
    turns = np.tile(np.r_[np.ones(34), np.zeros(6)], 3)
    heard["power"][begin : begin + 120] = 3.0 + 170.0 * turns
    heard["current"][begin : begin + 120] = np.hypot(0.05, 170.0 * turns / 230.0 / 0.65)
    heard["vibration"][begin : begin + 120] = 0.01 + 0.5 * turns
    heard["outlet"][begin : begin + 120] = 0.0

    assert right(only(heard, *names), cycle, "spin") > 0.9
    assert right(only(heard, *names), cycle, "idle") > 0.97


def test_a_sensor_that_touches_nothing_at_rest_feels_no_drum_there() -> None:
    """Noise about nothing, its size told: the least of it is no level to measure strokes from."""
    heard = only(machine(floor=0.0, pump_shake=0.0, stroke_shake=0.25), *DIRECT)
    noise = np.abs(np.random.default_rng(5).normal(0.0, 0.013, len(heard["vibration"])))
    heard["vibration"] = np.where(
        heard["outlet"] > 0, heard["vibration"], np.hypot(heard["vibration"], noise)
    )

    assert right(heard, CYCLE) > 0.97
    assert right(heard, CYCLE, "idle") > 0.97


def test_a_pump_heard_for_most_of_a_minute_before_the_first_fill_drains() -> None:
    """Old water is let out, and what follows begins with a rinse or a wash; nobody rests beside a pump at work."""
    cycle: tuple[Step, ...] = (("idle", 180), ("drain", 50), *CYCLE[1:])
    assert right(only(machine(cycle), *DIRECT), cycle, "drain") > 0.9


def test_a_brief_spin_beside_the_pump_is_told_by_its_length() -> None:
    """Forty seconds one way, hardly harder than strokes of ten."""
    cycle: tuple[Step, ...] = (
        ("idle", 240), ("fill", 90), ("wash", 400), ("drain", 70), ("spin", 40), ("drain", 20), ("fill", 80), ("rinse", 200),
        ("drain", 60), ("spin", 240), ("idle", 500),
    )  # fmt: skip
    heard = machine(cycle)
    heard["power"][800:840] = 169.0
    heard["vibration"][800:840] = np.linspace(0.3, 0.7, 40)

    assert right(heard, cycle[:5], "spin") > 0.9


@pytest.mark.parametrize("drum_w", [46.0, 54.0])
def test_a_pump_that_draws_what_the_strokes_do_runs_on(drum_w: float) -> None:
    """45 W without a pause where strokes last ten seconds."""
    heard = machine()
    heard["power"][np.abs(heard["power"] - 143.0) < 1.0] = 3.0 + drum_w
    pumped = (heard["outlet"] > 0) & (np.arange(len(heard["power"])) < second_of(CYCLE, "spin"))
    heard["power"][pumped] = 48.0
    spin = slice(second_of(CYCLE, "spin"), second_of(CYCLE, "spin") + 240)
    heard["power"][spin] += 19.0

    assert right(only(heard, "power"), CYCLE, "drain", "rinse") > 0.9


def test_a_slow_spin_beside_its_pump_is_no_strong_pump() -> None:
    """A flat 80 W just after a flat 45 W is that pump and a drum."""
    cycle: tuple[Step, ...] = (*CYCLE[:6], ("drain", 60), ("spin", 180), ("idle", 500))
    heard = machine(cycle)
    heard["power"][np.abs(heard["power"] - 143.0) < 1.0] = 61.0
    drained = 0
    for phase, seconds in cycle:
        if phase == "drain":
            heard["power"][drained : drained + seconds] = 45.0
        drained += seconds
    spin = second_of(cycle, "spin")
    heard["power"][spin : spin + 60] = 80.0
    heard["power"][spin + 60 : spin + 180] = 300.0

    assert right(only(heard, "power"), cycle, "spin", "drain") > 0.9


@pytest.mark.parametrize(
    "names",
    [("power", "inlet"), ("current", "inlet"), ("vibration", "inlet"), ("power", "inlet", "vibration")],
)
def test_a_pump_that_nobody_hears_is_no_rest(names: tuple[str, ...]) -> None:
    """The inlet is heard and shut, the outlet is not: what the pump draws, or might, is a drain still."""
    heard = only(machine(), *names)

    assert right(heard, CYCLE, "drain") > 0.8
    assert right(heard, CYCLE, "fill", "wash", "rinse", "spin") > 0.9


@pytest.mark.parametrize("seconds", [4, 6])
@pytest.mark.parametrize("name", ["power", "current"])
def test_an_element_is_seen_through_a_meter_that_averages(name: str, seconds: int) -> None:
    cycle: tuple[Step, ...] = (*CYCLE[:2], ("wash", 100), ("heat", 400), ("wash", 200), *CYCLE[3:])
    heard = machine(cycle)
    shown = np.convolve(heard[name], np.ones(seconds) / seconds)[: len(heard[name])]

    assert right({name: shown}, cycle, "heat") > 0.9


def test_an_element_of_a_small_machine_heats() -> None:
    """950 W, the drum at rest."""
    cycle: tuple[Step, ...] = (*CYCLE[:2], ("wash", 100), ("heat", 400), ("wash", 200), *CYCLE[3:])
    heard = machine(cycle, element_w=950.0)

    assert right(only(heard, "power"), cycle, "heat") > 0.95


@pytest.mark.parametrize("names", [("power", *DIRECT), ("current", *DIRECT)])
def test_a_pump_that_pulses_in_a_strong_spin_makes_no_element(names: tuple[str, ...]) -> None:
    """1,150 W, or 6.5 A, the pump on for 15 s and off for 12 s."""
    heard = machine()
    spin = second_of(CYCLE, "spin")
    climb = np.minimum(np.arange(240) / 60.0, 1.0)
    heard["power"][spin : spin + 240] = 30.0 + 1150.0 * climb
    heard["current"][spin : spin + 240] = 0.3 + 6.5 * climb
    heard["outlet"][spin : spin + 240] = np.arange(240) % 27 < 15

    assert right(only(heard, *names), CYCLE, "spin", "rinse") > 0.9


RINSED: tuple[Step, ...] = (
    ("idle", 240), ("fill", 90), ("wash", 400), ("drain", 70), ("fill", 80), ("rinse", 200), ("drain", 110), ("fill", 90),
    ("rinse", 200), ("drain", 60), ("spin", 240), ("idle", 500),
)  # fmt: skip


def test_a_drum_that_stands_beside_its_pump_is_drained() -> None:
    """The pump is heard for a hundred seconds, then a rest of thirteen and a fill, and no drum turns meanwhile."""
    heard = only(machine(RINSED), *DIRECT)
    heard["outlet"][1177:1190] = 0.0
    heard["vibration"][1177:1190] = 0.01

    assert right(heard, RINSED, "drain") > 0.9


def test_a_rinse_after_a_rest_is_no_wash() -> None:
    """Spun, run down, at rest for half a minute, the sump cleared, and filled: the wash is over."""
    cycle: tuple[Step, ...] = (
        ("idle", 240), ("fill", 90), ("wash", 400), ("drain", 70), ("spin", 120), ("idle", 30), ("drain", 18), ("idle", 8),
        ("fill", 80), ("rinse", 280), ("drain", 60), ("spin", 240), ("idle", 500),
    )  # fmt: skip

    assert right(machine(cycle), cycle, "rinse") > 0.9


@pytest.mark.parametrize("share", [0.65, 0.68])
def test_a_lag_that_hides_the_first_sample_of_a_fall_is_told(share: float) -> None:
    shown = lagging(machine()["power"], share)

    assert abs(lag_of(shown, 1) - share) < 0.04


def test_what_strokes_leave_between_them_tells_of_the_pump() -> None:
    """Two seconds between strokes, and the draw falls to the pump's and not to the rest's: no rinse yet."""
    heard = only(machine(RINSED), "power")
    heard["power"][1110:1190] = 3.0 + 40.0 + np.where(np.arange(80) % 10 < 8, 100.0, 0.0)
    for drain in (730, 1080, 1480):
        pumped = slice(drain, drain + 60)
        heard["power"][pumped] = np.maximum(heard["power"][pumped], 43.0)

    assert right(heard, RINSED, "drain", "rinse") > 0.9


def test_a_drum_that_runs_down_now_so_now_so_is_no_lag() -> None:
    """After each stroke what is left falls by a share of its own, a tenth or two thirds: no meter does that."""
    rng = np.random.default_rng(5)
    drawn = machine()["power"].copy()
    for end in np.flatnonzero((drawn[:-1] > 100.0) & (drawn[1:] < 20.0)):
        left = rng.choice([0.13, 0.4, 0.67])
        drawn[end + 1 : end + 6] = 3.0 + (drawn[end] - 3.0) * left ** np.arange(1, 6)

    assert lag_of(drawn, 1) == 0.0


@pytest.mark.parametrize("seconds", [3.0, 4.0, 5.5])
def test_a_slow_meters_lag_is_told_from_samples_farther_apart(seconds: float) -> None:
    """From one second to the next hardly anything shows; strokes of ten seconds and pauses of six merge into one long run."""
    share = float(np.exp(-1.0 / seconds))
    heard = only(machine(), "power")
    shown = lagging(heard["power"], share)

    assert lag_of(shown, 1) == 0.0
    assert abs(slow_lag_of(shown, 1) - share) < 0.015
    assert right({"power": shown}, CYCLE) > 0.93
    assert slow_lag_of(heard["power"], 1) == 0.0


@pytest.mark.parametrize("seconds", [2.0, 4.0])
def test_a_meter_of_rms_current_smooths_its_square(seconds: float) -> None:
    """The draw rises at once and falls slowly; undone as if the current were smoothed, it would peak at each stroke."""
    share = float(np.exp(-1.0 / seconds))
    drawn = 230.0 * 0.61 * machine()["current"]
    shown = np.sqrt(lagging(drawn**2, share))

    assert np.abs(unlagged_rms(shown, 1.0) - drawn).max() < 25.0
    assert unlagged_rms(drawn, 1.0) is drawn
    linear = lagging(drawn, float(np.exp(-1.0 / 2.0)))
    assert np.abs(unlagged_rms(linear, 1.0) - drawn).max() < 15.0


def test_what_falls_faster_than_the_filter_lets_it_shows_no_lag() -> None:
    """A drum that slows down in steps falls as by a slow filter, but from the last step to rest at once."""
    drawn = only(machine(), "power")["power"]
    for end in np.flatnonzero((drawn[:-1] > 100.0) & (drawn[1:] < 20.0)):
        drawn[end - 3 : end + 1] = 3.0 + 140.0 * 0.8 ** np.arange(4)

    assert unlagged(drawn, 1.0) is drawn


def test_peaks_in_a_spin_are_no_element() -> None:
    """A motor gathers speed at 1,100 W for ten seconds again and again, and goes on at 500."""
    heard = only(machine(), "power")
    spin = second_of(CYCLE, "spin")
    since = np.arange(240)
    heard["power"][spin : spin + 240] = np.where(since % 60 < 10, 1100.0, 500.0)

    assert right(heard, CYCLE, "spin") > 0.9


def test_an_element_that_is_switched_off_at_once_heats_all_the_same() -> None:
    """The programme is cancelled half a minute after it began to heat."""
    cycle = (*CYCLE[:2], ("wash", 200), ("heat", 35), ("drain", 70), ("idle", 400))

    assert right(only(machine(cycle), "power"), cycle, "heat") > 0.8


def test_before_anything_is_let_in_a_valve_of_more_watts_is_no_pump() -> None:
    """Let in at 15 W, pumped out at 26: the first fill is not read as the end of an older wash."""
    heard = only(machine(), "power")
    for phase_from in (240, 800):
        heard["power"][phase_from : phase_from + 80] = 18.0

    assert right(heard, CYCLE, "fill", "wash") > 0.9


def test_a_nodes_own_word_keeps_to_the_contracts_pauses() -> None:
    """It says idle between strokes, and fill for each sip: what lasts under 20 s belongs to the wash; a real rest stays."""
    said = ["idle"] * 100 + ["fill"] * 60
    for _ in range(20):
        said += ["wash"] * 10 + ["idle"] * 8
    said += (
        ["wash"] * 10
        + ["fill"] * 12
        + ["wash"] * 50
        + ["idle"] * 40
        + ["wash"] * 60
        + ["drain"] * 30
        + ["idle"] * 60
    )
    words = tuple(PhaseWord(T0 + s, phase) for s, phase in enumerate(said))  # type: ignore[arg-type]
    track = infer_phases(Signals(T0, T0 + len(said), phase_words=words))

    assert [(PHASES[which], end - begin) for which, begin, end in track.spans()] == [
        ("idle", 100), ("fill", 60), ("wash", 432), ("idle", 40), ("wash", 60), ("drain", 30), ("idle", 60),
    ]  # fmt: skip
