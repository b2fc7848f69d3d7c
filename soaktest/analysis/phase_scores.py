"""How well each run suits each state of the cycle: log chances from heater, valves, drum and the level while still."""

from __future__ import annotations

import numpy as np

from soaktest.analysis.phase_frames import LOW_W, Frames
from soaktest.analysis.phase_levels import Levels, beside_turning, heard_directly
from soaktest.analysis.phase_model import N_STATES, S
from soaktest.analysis.phase_runs import CLIMB_LEAST_S, Runs
from soaktest.analysis.pump_draw import FINEST_S
from soaktest.analysis.series import Floats

TOP_UP_S = 20.0
"""Water let in for less belongs to the wash or rinse around it (the contract of the phases)."""
LONG_FLOW_S = 20.0
"""From so many seconds on, water let in or pumped out speaks the louder the longer it lasts."""
RESTING = 10.0
"""Log chance against a drum that stands for ever in a wash."""
PUMP_BENEATH, REST_BENEATH, BENEATH = 0.58, 0.35, 1.5
"""Shares of the pump's watts to which the draw falls between strokes with the pump on, and off: log chance against the other."""
RESTS_IN_DRAIN = 3.0
"""Log chance against a rest of under 20 s in a drain."""
STANDS_S, STANDING = 40.0, 8.0
"""A drum that stands for longer does not spin, be the pump on: log chance against it."""
RESTS_S = (120.0, 300.0)
"""Up to such lengths it is a soak, or anybody's guess."""
STROKE_IN_DRAIN, STROKE_IN_STIRRED = 1.2, 0.4
"""Log chance against a turn of the drum in a drain in which it stands still, mostly, and in one in which it turns now and then."""
LONG_IN_DRAIN = 4.0
"""Log chance against a drum that turns on and on while water is let out."""
ONE_WAY_S, ONE_WAY_STROKES = 28.0, 2.0
"""While the pump is heard, a drum that turns for so many seconds, and so many of its strokes, goes one way: a brief spin."""
ON_AND_ON_S, ON_AND_ON_STROKES, ON_AND_ON = 90.0, 3.0, 4.0
"""A drum that turns for so many seconds, and so many of its strokes: log chance against its tumbling."""
DRUM_OVER_PUMP = 1.6
"""Watts over those at rest, in times of the pump's, that a pump alone does not draw."""
SURGE_OVER_STROKE = 2.4
"""A drum that gathers speed for a spin draws so many times what it does at its strokes."""
SURGE_LEAST_W = 60.0
SURGING = 4.5
"""Log chance against any other phase where it does."""
CLIMBS, CLIMBING = 1.5, 3.0
"""A drum that draws more and more, at last so many times what it did at first, gathers speed: log chance against its tumbling."""
CALM_SHARE = 0.1
"""Of the pump's seconds, those without shaking that show a pump that does not shake the machine, or is taken off well."""
SECOND_VALVE = 1.8
"""A second valve, such as the softener's, draws with the first so many times what that does: 14 to 19 W where that draws 8 to 13."""
SECOND_SHARE = 0.15
"""Of fills, those by both."""
PAIR_STEPS = 2.5
"""Up to so many steps a pause holds two samples."""
MERGED_S = 4.0
"""Steps from which a lone sample beside strokes is mostly made of them."""
SHORT_S = 3.0
"""At fine steps, a pause of so few seconds has none that holds nothing of a stroke."""
MIXED_SHARE = 0.3
"""Of lone samples at finer steps, those that a stroke has raised;"""
MIXED_INSTANTS = 0.9
"""of lone instants at coarse steps, those that speak no truer, be they a motor's that runs down:"""
MIXED_PAIRS = 0.2, 0.4
"""and so of pairs, of instants and of means."""
ROUGH = 0.22
"""From such steps on, a block whose samples jump by this share is strokes seen coarsely."""
SMOOTH = 0.05
"""Samples that jump by less hold no strokes, however coarse they are."""
# Log chance of what a still stretch draws, per state: rest, valve, pump.
_SHARES = {
    "idle": (0.95, 0.03, 0.02),
    "pause": (0.95, 0.03, 0.02),
    "fill1": (0.12, 0.82, 0.06),
    "fill2": (0.12, 0.82, 0.06),
    "wash": (0.92, 0.05, 0.03),
    "rinse": (0.92, 0.05, 0.03),
    "heat": (0.80, 0.15, 0.05),
    "drain": (0.06, 0.08, 0.86),
    "spin": (0.30, 0.10, 0.60),
    "loosen": (0.95, 0.03, 0.02),
}


def scores_of(frames: Frames, runs: Runs, levels: Levels) -> Floats:
    """Log score of each run under each state, shape (runs, states); unheard runs score 0."""
    out = np.zeros((len(runs.start), N_STATES))
    direct = heard_directly(runs)
    _score_heater(out, runs)
    _score_valves(out, runs)
    block, part = turns = _turns(runs, frames.step_s)
    _score_turning(out, runs, levels, frames.step_s, turns)
    _score_still(out, runs, levels, 0.35 if direct else 1.0, frames)
    # the same pump at work; what comes before and after, or how often the drum turns, tells them apart
    out[:, S["clear"]] = out[:, S["stirred"]] = out[:, S["drain"]]
    strokes = (runs.turning == 1) & (runs.heater != 1) & (block < 50)
    out[strokes, S["stirred"]] += ((STROKE_IN_DRAIN - STROKE_IN_STIRRED) * part)[strokes]
    out[:, S["before"]] = out[:, S["idle"]]
    return out


def _score_heater(out: Floats, runs: Runs) -> None:
    if not (runs.heater >= 0).any():
        out[:, S["heat"]] -= 50.0  # what a bench cannot see it does not say
    on, off = runs.heater == 1, runs.heater == 0
    strength = np.minimum(runs.seconds, 20)
    for state in range(N_STATES):
        if state != S["heat"]:
            out[on, state] -= 1.0 * strength[on]
    out[off, S["heat"]] -= 0.6 * np.minimum(runs.seconds[off], 15)


def _score_valves(out: Floats, runs: Runs) -> None:
    """Inlet and outlet say it directly; short bursts weigh little, long ones settle it."""
    weight = np.minimum(runs.seconds / 10.0, 1.0)
    filling, shut = runs.inlet == 1, runs.inlet == 0
    topping_up = filling & (runs.inlet_s < TOP_UP_S)
    for name, penalty in (
        ("idle", 6.0),
        ("pause", 6.0),
        ("wash", 5.0),
        ("rinse", 5.0),
        ("drain", 3.0),
        ("spin", 4.0),
        ("loosen", 8.0),
    ):
        # what lets water in for long is a fill, whatever the rest of the cycle would have
        longer = np.clip(runs.seconds / LONG_FLOW_S, 1.0, 4.0) if name in ("idle", "wash", "rinse") else 1.0
        out[filling, S[name]] -= (penalty * np.where(topping_up, 0.2, longer) * weight)[filling]
    for name in ("fill1", "fill2"):
        out[topping_up, S[name]] -= 2.0
        out[shut, S[name]] -= (4.0 * np.minimum(runs.seconds / 6.0, 2.0))[shut]
    pumping, quiet = runs.outlet == 1, runs.outlet == 0
    for name, penalty in (
        ("idle", 4.0),
        ("pause", 4.0),
        ("wash", 7.0),
        ("rinse", 7.0),
        ("fill1", 6.0),
        ("fill2", 6.0),
        ("loosen", 4.0),
    ):
        longer = np.clip(runs.seconds / LONG_FLOW_S, 1.0, 4.0) if name in ("idle", "pause") else 1.0
        out[pumping, S[name]] -= (penalty * weight * longer)[pumping]
    # a drain has no long silences of its pump; a rest of under 20 s belongs to what it interrupts
    rest = quiet & (runs.turning == 0) & (runs.still_s < TOP_UP_S)
    silent = 4.0 * np.minimum(runs.seconds / 6.0, 2.5)
    out[quiet, S["drain"]] -= np.where(rest, np.minimum(silent, RESTS_IN_DRAIN), silent)[quiet]
    once = np.where(runs.block_s > 0, np.minimum(runs.seconds / np.maximum(runs.block_s, 1.0), 1.0), 1.0)
    out[quiet, S["spin"]] -= (0.7 * weight * once)[quiet]  # a spin without pump is one oddity, however long


def _turns(runs: Runs, step_s: float) -> tuple[Floats, Floats]:
    """Seconds for which the drum turns at a stretch, and each run's part of them, both shaped (runs,)."""
    block = runs.block_s
    if step_s >= FINEST_S:
        # Strokes and rests merge in coarse samples; what jumps from one to the next is no steady spin.
        block = np.where(runs.rough > ROUGH, np.minimum(block, 20.0), block)
    return block, np.where(block > 0, np.minimum(runs.seconds / np.maximum(block, 1.0), 1.0), 0.0)


def _score_turning(
    out: Floats, runs: Runs, levels: Levels, step_s: float, turns: tuple[Floats, Floats]
) -> None:
    turn = (runs.turning == 1) & (runs.heater != 1)
    block, part = turns
    stroke = turn & (block < 25)
    middle = turn & (block >= 25) & (block < 50)
    long = turn & (block >= 50)
    for mask, table in (
        (stroke, {"idle": -5.0, "pause": -5.0, "fill1": -0.7, "fill2": -0.7, "drain": -STROKE_IN_DRAIN, "spin": -2.2, "wash": 0.0, "rinse": 0.0, "loosen": -0.2}),
        (middle, {"idle": -6.0, "pause": -6.0, "fill1": -1.6, "fill2": -1.6, "drain": -1.8, "spin": -0.8, "wash": -0.9, "rinse": -0.9, "loosen": -1.0}),
        (long, {"idle": -8.0, "pause": -8.0, "fill1": -4.0, "fill2": -4.0, "drain": -LONG_IN_DRAIN, "spin": 0.0, "wash": -4.0, "rinse": -4.0, "loosen": -5.0}),
    ):  # fmt: skip
        for name, score in table.items():
            out[mask, S[name]] += score * part[mask]
    usual = _usual(block, runs.seconds, turn & (block < 50) & (runs.outlet != 1))
    # what turns on for many of the machine's own strokes gathers speed, be it balanced so well that it shakes less than they do
    on_and_on = long & (block >= ON_AND_ON_S) & (block >= ON_AND_ON_STROKES * usual) & (usual > 0)
    on_and_on &= ((step_s < FINEST_S) | (runs.rough < SMOOTH)) & ~np.isnan(runs.watts)
    for name in ("wash", "rinse", "loosen", "fill1", "fill2"):
        out[on_and_on, S[name]] -= (ON_AND_ON * part)[on_and_on]
    one_way = middle & (runs.outlet == 1) & (block >= max(ONE_WAY_S, ONE_WAY_STROKES * usual))
    for name, score in (("spin", 0.8), ("drain", -1.7)):
        out[one_way, S[name]] += score * part[one_way]
    # A drum that never pauses, at the level of its own strokes, tumbles on; a spin draws or shakes otherwise.
    ratio = np.where(np.isnan(runs.watts), 1.0, runs.watts / max(levels.stroke, 1.0))
    gathers = turn & (block >= CLIMB_LEAST_S) & (runs.climb >= CLIMBS)
    for mask, against in ((long & (ratio > 1.6), 1.5), (gathers, CLIMBING)):
        for name in ("wash", "rinse", "loosen", "fill1", "fill2", "drain"):
            out[mask, S[name]] -= (against * part)[mask]
    strokes = turn & (block < 50) & (runs.outlet < 0)
    beneath = np.nan_to_num(runs.floor, nan=0.0) - levels.rest
    least = max(PUMP_BENEATH * levels.pump, levels.valve + 2.0 * levels.valve_spread)
    pumped = strokes & (beneath > least)
    for name in ("idle", "pause", "wash", "rinse", "loosen", "fill1", "fill2"):
        out[pumped, S[name]] -= (BENEATH * part)[pumped]
    dry = strokes & (runs.floor - levels.rest < REST_BENEATH * levels.pump) & ~pumped
    out[dry, S["drain"]] -= (BENEATH * part)[dry]
    surging = turn & (
        runs.surge
        > SURGE_OVER_STROKE
        * max(levels.stroke, _usual(runs.surge, runs.seconds, turn & (block < 50)), SURGE_LEAST_W)
    )
    for name in ("wash", "rinse", "loosen", "fill1", "fill2"):
        out[surging, S[name]] -= SURGING
    if not np.isnan(levels.shake):
        _score_shaking(out, runs, levels, (turn, long, on_and_on | one_way), part)
    out[long, S["idle"]] -= np.minimum(runs.seconds / 8.0, 6.0)[long]  # nobody rests with the drum turning
    quiet = runs.turning == 0
    stands = np.maximum(runs.seconds - STANDS_S, 0.0) / 10.0
    out[quiet, S["spin"]] -= (np.minimum(runs.seconds / 8.0, 2.5) + np.minimum(stands, STANDING))[quiet]
    # Rests of half a minute belong to a wash, a minute and a half of nothing does not.
    resting = quiet & (runs.inlet != 1) & (runs.outlet != 1)
    share = runs.seconds / np.maximum(runs.still_s, 1.0)
    for name in ("wash", "rinse", "loosen"):
        out[resting, S[name]] -= (
            RESTING * share * np.clip((runs.still_s - RESTS_S[0]) / (RESTS_S[1] - RESTS_S[0]), 0.0, 1.0)
        )[resting]


def _score_shaking(
    out: Floats, runs: Runs, levels: Levels, turns: tuple[np.ndarray, np.ndarray, np.ndarray], part: Floats
) -> None:
    """``turns``: which runs turn, which of them for long, and which surely spin, be they felt ever so little."""
    turn, long, sure = turns
    block = runs.block_s
    shake = np.where(np.isnan(runs.vibration), 1.0, runs.vibration / max(levels.shake, 1e-6))
    hard, soft = turn & (shake > 2.2), turn & (shake < 1.3)
    spans = np.minimum(runs.seconds / 10.0, 2.0)
    for name in ("wash", "rinse", "fill1", "fill2", "loosen"):
        out[hard, S[name]] -= (2.0 * spans)[hard]
    soft_spin = soft & ~sure
    out[soft_spin, S["spin"]] -= (np.where(block >= 50, 2.0 * part, spans))[soft_spin]
    spins_shake = runs.seconds[hard].sum() >= 30  # else a soft spin is not told from a shaking pump
    by_watts = runs.watts - levels.rest > DRUM_OVER_PUMP * levels.pump
    pumping = runs.outlet == 1
    stands = float(runs.seconds[pumping & (runs.turning == 0)].sum())
    calm_pump = stands > CALM_SHARE * float(runs.seconds[pumping].sum())
    shaken_by_pump = soft & long & pumping & spins_shake & ~by_watts & (not calm_pump)
    out[shaken_by_pump, S["drain"]] += (LONG_IN_DRAIN * part)[shaken_by_pump]


def _usual(level: Floats, seconds: np.ndarray, which: np.ndarray) -> float:
    """The level in the middle of those runs' seconds, 0 where none is known: brief runs beside a pump are many, and short."""
    which = which & ~np.isnan(level)
    if not which.any():
        return 0.0
    order = np.argsort(level[which])
    weight = np.cumsum(seconds[which][order])
    return float(level[which][order][np.searchsorted(weight, weight[-1] / 2)])


def _briefest(step_s: float) -> float:
    """Seconds up to which a pause between strokes may hold no sample that is a pause's alone."""
    return SHORT_S if step_s < 1.5 else 2.0 * round(step_s) if step_s < MERGED_S else 1.5 * step_s


def _raised_by_strokes(runs: Runs, step_s: float, by_instants: bool) -> tuple[Floats, np.ndarray]:
    """Chance of each run, shape (runs,), that the drum's strokes beside it raise what it shows, and which show nothing that is known.

    A lone mean at a coarse step is over stroke and pause: its true level may be anything below. A lone instant is one or the other,
    and such as show rest tell again and again that nothing else draws.
    """
    beside = beside_turning(runs)
    lone = (runs.seconds <= _briefest(step_s)) & beside
    if step_s < MERGED_S:
        return np.where(lone, MIXED_SHARE, 0.0), np.zeros_like(lone)
    pair = (runs.seconds <= PAIR_STEPS * step_s) & beside
    if by_instants:
        return np.where(lone, MIXED_INSTANTS, np.where(pair, MIXED_PAIRS[0], 0.0)), np.zeros_like(lone)
    return np.where(pair, MIXED_PAIRS[1], 0.0), lone


def _at_rest(over: Floats) -> Floats:
    """Log density of watts over the level of a machine at rest; below it, as when asleep, is nothing against that."""
    out: Floats = -0.5 * (np.where(over < 0, over / 4.0, over / 1.6)) ** 2 - np.log(1.6)
    return out


def _score_still(out: Floats, runs: Runs, levels: Levels, weight: float, frames: Frames) -> None:
    """Level of a still stretch over the machine's rest: rest, valve or pump; flat after ten seconds.

    Where valve or pump is heard at work, its watts add nothing.
    """
    still = (runs.turning == 0) & (runs.heater != 1) & (runs.inlet != 1) & (runs.outlet != 1)
    still &= ~np.isnan(runs.watts)
    over = runs.watts - levels.rest
    rest = _at_rest(over)
    one, two = (
        np.exp(-0.5 * ((over - times * levels.valve) / levels.valve_spread) ** 2) / levels.valve_spread
        for times in (1.0, SECOND_VALVE)
    )
    valve = (1 - SECOND_SHARE) * one + SECOND_SHARE * two if levels.valve_shows else np.exp(rest)
    pump = -0.5 * ((over - levels.pump) / levels.pump_spread) ** 2 - np.log(levels.pump_spread)
    density = np.stack([np.exp(rest), valve, np.exp(pump)], axis=1) + 2e-4
    base = np.array([0.0, levels.valve, levels.pump])
    mixed = (over[:, None] > base) / np.maximum(LOW_W - base, 5.0) + 2e-4
    raised, unknown = _raised_by_strokes(runs, frames.step_s, frames.by_instants)
    density = (1 - raised[:, None]) * density + raised[:, None] * mixed
    span = np.where(unknown, 0.0, np.minimum(runs.seconds / 10.0, 1.0)) * weight
    idle = density.copy()
    idle[:, 0] = np.maximum(idle[:, 0], np.exp(_at_rest(runs.watts - levels.standby)))
    for name, shares in _SHARES.items():
        likely = np.log((idle if name == "idle" else density) @ np.array(shares))
        out[still, S[name]] += (likely * span * 2.2)[still]
