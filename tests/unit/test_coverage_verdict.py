"""Coverage and verdict on evidence laid out by hand: each thing missing turns a pass into a retest."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from soaktest.analysis.coverage import Heard, Stretch, find_stretches, survey
from soaktest.analysis.events import PadTrack
from soaktest.analysis.progress import counted, may_stop, past_mending, stage_of, still_needed
from soaktest.analysis.series import PhaseTrack, Series, Signals
from soaktest.analysis.verdict import Evidence, decide, place_in_time
from soaktest.findings import WetEvent
from soaktest.layouts import read_layout
from soaktest.plans import Plan, Sequential
from soaktest.vocabulary import PHASES, ZONES

T0 = 1_764_000_000.0
WASH = [("idle", 300), ("fill", 60), ("wash", 400), ("heat", 300), ("wash", 300), ("drain", 40),
        ("fill", 60), ("rinse", 200), ("drain", 40), ("spin", 150)]  # fmt: skip
RUN = [*WASH, ("idle", 700)]
PLAN = Plan(
    plan=1, name="short", washes=1, min_watch_s=1800, dry_watch_s=300, drip_watch_s=600,
    exercise={"fill": 2, "drain": 2, "spin": 1, "heat": 1},
)  # fmt: skip


def track_of(run: list[tuple[str, int]], sees_heat: bool = True) -> PhaseTrack:
    best = np.concatenate([np.full(seconds, PHASES.index(phase)) for phase, seconds in run])
    return PhaseTrack(T0, np.eye(len(PHASES))[best], best, np.ones(len(best), bool), "power", sees_heat)


def pad_of(zone: str, seconds: int) -> PadTrack:
    t = T0 + np.arange(float(seconds))
    flat = np.full(seconds, -6.3)
    return PadTrack(
        zone=zone, state="sound", note="", dry_siemens=5e-7, t=t, log_g=flat, dry=flat, noise=0.002,  # type: ignore[arg-type]
        smallest_rise=0.02, sound_spans=((T0, T0 + seconds),),
    )  # fmt: skip


def bench(
    run: list[tuple[str, int]], gap: tuple[float, float] | None = None
) -> tuple[Signals, dict[str, PadTrack], PhaseTrack]:
    seconds = sum(s for _, s in run)
    t = T0 + np.arange(0.0, seconds, 0.2)
    if gap:
        t = t[(t < T0 + gap[0]) | (t > T0 + gap[1])]
    series = Series(t, np.full(len(t), 0.05))
    signals = Signals(T0, T0 + seconds, pads=dict.fromkeys(ZONES, series), others={"power": series})
    return signals, {zone: pad_of(zone, seconds) for zone in ZONES}, track_of(run)


def evidence(
    run: list[tuple[str, int]], events: list[WetEvent] | None = None, seen_ml: float = 0.3
) -> Evidence:
    signals, pads, phases = bench(run)
    return Evidence(survey(signals, pads, phases, PLAN), pads, phases, events or [], seen_ml)


def event(chance: float, at: float = 320.0, cause: str = "leak") -> WetEvent:
    return WetEvent(
        zone="left", onset=T0 + at, onset_low=T0 + at - 2, onset_high=T0 + at + 2, end=None, peak_wetness=0.5,
        cause=cause, cause_probability={"leak": chance, "spill": 1 - chance}, phase="fill",  # type: ignore[arg-type]
        phase_probability={"fill": 1.0}, phase_at_onset="fill",
    )  # fmt: skip


def codes(verdict: tuple[str, list[object]]) -> list[str]:
    return [reason.code for reason in verdict[1]]  # type: ignore[attr-defined]


def test_a_whole_dry_run_passes() -> None:
    """Pads sound, every phase seen, no gap, sensitive enough: pass, with the numbers in the reason."""
    verdict, reasons = decide(PLAN, evidence(RUN))

    assert verdict == "pass"
    assert "1 complete wash" in reasons[0].text


def test_a_leak_fails_and_says_when() -> None:
    """A certain leak fails, in the words of the cycle."""
    verdict, reasons = decide(PLAN, evidence(RUN, [event(0.95)]))

    assert verdict == "fail"
    assert reasons[0].text == "Left pad wet 20 s into the first fill."


def test_a_leak_fails_even_where_the_run_is_too_short() -> None:
    """What was seen was seen; what is missing is said behind it."""
    verdict, reasons = decide(PLAN, evidence(RUN[:5], [event(0.95)]))

    assert (verdict, reasons[0].code) == ("fail", "wet-event")
    assert "too-few-washes" in [r.code for r in reasons]


@pytest.mark.parametrize(("chance", "cause"), [(0.4, "spill"), (0.69, "leak"), (0.02, "spill")])
def test_a_wet_pad_that_may_be_no_leak_is_a_retest(chance: float, cause: str) -> None:
    """Water that may be somebody's splash neither fails nor passes a unit; it says what to do."""
    verdict, reasons = decide(PLAN, evidence(RUN, [event(chance, cause=cause)]))

    assert verdict == "retest"
    assert reasons[0].mend


def test_condensation_that_is_surely_none_does_not_stop_a_pass() -> None:
    """Steam on all pads is no leak."""
    assert decide(PLAN, evidence(RUN, [event(0.02, cause="condensation")]))[0] == "pass"


def cut(code: str, change: Callable[[Evidence], Evidence]) -> object:
    return pytest.param(code, change, id=code)


@pytest.mark.parametrize(
    ("code", "change"),
    [
        cut("too-few-washes", lambda e: replace(e, heard=replace(e.heard, washes=0))),
        cut("exercise-heat", lambda e: replace(e, heard=replace(e.heard, exercised={"fill": 2, "drain": 2, "spin": 1}))),
        cut("watch-too-short", lambda e: replace(e, heard=replace(e.heard, watched_s=1500.0))),
        cut("dry-watch-too-short", lambda e: replace(e, heard=replace(e.heard, dry_watch_s=200.0))),
        cut("drip-watch-too-short", lambda e: replace(e, heard=replace(e.heard, drip_watch_s=500.0))),
        cut("gap", lambda e: replace(e, heard=replace(e.heard, longest_gap_s=5.5))),
        cut("coverage", lambda e: replace(e, heard=replace(e.heard, share=0.98))),
        cut("not-sensitive-enough", lambda e: replace(e, smallest_seen_ml=1.5)),
        cut("no-phase-signal", lambda e: replace(e, phases=replace(e.phases, heard=np.zeros_like(e.phases.heard)))),
        *[
            cut(f"pad-{state}", lambda e, s=state: replace(e, pads={**e.pads, "right": replace(e.pads["right"], state=s)}))  # type: ignore[misc]
            for state in ("unproven", "open", "short", "stuck", "silent", "drifting", "wet")
        ],
        cut("wet-at-start", lambda e: replace(e, pads={**e.pads, "left": replace(e.pads["left"], wet_at_start=True)})),
    ],
)  # fmt: skip
def test_each_thing_missing_is_a_retest_with_a_way_to_mend_it(
    code: str, change: Callable[[Evidence], Evidence]
) -> None:
    """Silence is not dryness: every lack is named, and what to do next time."""
    verdict, reasons = decide(PLAN, change(evidence(RUN)))

    assert verdict == "retest"
    assert [r.code for r in reasons] == [code]
    assert reasons[0].mend


def test_risks_that_the_plan_sets_are_met_by_leak_free_washes() -> None:
    """Wald's test asks for 24 clean washes at .01/.10/.05/.10; those of earlier runs of the unit count."""
    plan = PLAN.model_copy(update={"sequential": Sequential()})
    one = evidence(RUN)

    verdict, reasons = decide(plan, one)
    assert (verdict, [r.code for r in reasons]) == ("retest", ["risk-not-met"])
    assert f"{24 - one.heard.washes} more" in reasons[0].mend
    assert decide(plan, replace(one, clean_washes_before=24 - one.heard.washes))[0] == "pass"
    assert any("risks" in need for need in still_needed(plan, one.heard))
    assert may_stop(plan, one.heard, [], leaks=False) is None
    assert "has leaked" in (may_stop(plan, one.heard, [], leaks=True) or "")


@pytest.mark.parametrize(
    ("seen", "needs"),
    [
        ([("idle", 60)], ["2 more complete washes", "1 more heat"]),
        ([("idle", 60), ("fill", 60), ("wash", 300)], ["2 more complete washes", "1 more heat"]),
        (WASH, ["1 more complete wash"]),
        ([*WASH, ("idle", 300), ("fill", 60), ("wash", 300)], ["1 more complete wash (drain and spin)"]),
        ([*WASH, ("idle", 300), *WASH], []),
        ([*WASH, ("idle", 300), *WASH[:-1]], ["1 more complete wash (spin)"]),
    ],
)
def test_nothing_is_asked_for_twice(seen: list[tuple[str, int]], needs: list[str]) -> None:
    """A complete wash brings a fill, a wash, a drain and a spin; one that has begun says what of it is to come; heat is asked for beside it."""
    plan = PLAN.model_copy(
        update={"washes": 2, "exercise": {"fill": 2, "wash": 2, "drain": 2, "spin": 2, "heat": 1}}
    )
    signals, pads, phases = bench(seen)
    told = still_needed(plan, survey(signals, pads, phases, plan))
    assert [need for need in told if "watch" not in need] == needs


def test_the_drip_watch_begins_anew_with_the_next_water() -> None:
    """Between two washes it counts down to nothing; once water is let in again, all of it is to come."""
    between = evidence([*WASH, ("idle", 700)])
    again = evidence([*WASH, ("idle", 700), ("fill", 60), ("wash", 60)])

    assert not any("drip" in need for need in still_needed(PLAN, between.heard))
    assert "10 min drip watch after the last drain" in still_needed(PLAN, again.heard)


def test_a_loss_that_no_watch_makes_good_asks_for_a_new_run() -> None:
    heard = replace(evidence(RUN).heard, share=0.6)

    assert "a new run: 40 % of the watch went unheard or unsound" in still_needed(PLAN, heard)


def test_a_run_that_can_no_longer_pass_says_so_while_it_runs() -> None:
    """The dry watch was missed, a lead is broken, a pad went unheard: no further wash mends that, and more watch mends a share."""
    early = evidence([("idle", 60), *RUN[1:-1]])
    lead = evidence(RUN[:-1])
    lead.pads["left"] = replace(lead.pads["left"], state="open")  # type: ignore[index]
    for one, says in ((early, "dry watch before the first fill"), (lead, "Left pad has a broken lead")):
        lost = past_mending(PLAN, one.heard, decide(PLAN, one)[1])
        assert [says in reason.text for reason in lost] == [True]
        assert "cannot pass any more" in (may_stop(PLAN, one.heard, lost, leaks=False) or "")
    unheard = evidence(RUN[:-1])
    heard = replace(unheard.heard, longest_gap_s=20.0, gap_of="left pad", gap_at=T0 + 400, share=0.98)
    reasons = decide(PLAN, replace(unheard, heard=heard))[1]
    assert ["left pad went unheard" in told.text for told in past_mending(PLAN, heard, reasons)] == [True]
    assert any("watch with all pads heard" in need for need in still_needed(PLAN, heard))

    whole = evidence(RUN)
    assert past_mending(PLAN, whole.heard, decide(PLAN, whole)[1]) == []
    assert may_stop(PLAN, whole.heard, [], leaks=False) == "The plan asks for nothing more."
    before = evidence([("idle", 60)])
    assert past_mending(PLAN, before.heard, decide(PLAN, before)[1]) == []


def test_water_before_the_first_fill_ends_the_run_with_what_is_true_of_it() -> None:
    """Nothing was let in yet, so floor or tap side are wet: this run cannot pass, and shutting the tap tells which."""
    wet = evidence([("idle", 200)], [event(0.05, at=100.0, cause="spill")])
    lost = past_mending(PLAN, wet.heard, decide(PLAN, wet)[1])
    said = may_stop(PLAN, wet.heard, lost, leaks=False) or ""

    assert [reason.code for reason in lost] == ["wet-before-fill"]
    assert said.startswith(
        "Water came before the machine let any in: from the floor, or from a tap or inlet hose"
    )
    assert "End this run, which cannot pass." in said
    assert "shut the tap" in said
    assert "any more" not in said


def test_an_unproven_pad_passes_where_the_plan_allows_it() -> None:
    """The plan may allow pads without end-of-line resistor."""
    e = evidence(RUN)
    e = replace(e, pads={**e.pads, "left": replace(e.pads["left"], state="unproven")})

    assert decide(PLAN.model_copy(update={"allow_unproven_pads": True}), e)[0] == "pass"


def test_a_leak_that_is_likeliest_but_not_sure_is_told_with_what_else_it_may_be() -> None:
    """Not that a leak is likeliest and a leak has its chance."""
    verdict, reasons = decide(PLAN, evidence(RUN, [event(0.57)]))

    assert verdict == "retest"
    assert reasons[0].text.endswith(
        ": a leak is likeliest (57 %), but not surely; it may be a spill as well."
    )


def test_a_plan_that_only_finds_gives_neither_pass_nor_fail() -> None:
    """A run to find a leak is judged retest whatever it saw, and says what it saw."""
    plan = PLAN.model_copy(update={"purpose": "find"})

    assert decide(plan, evidence(RUN))[0] == "retest"
    assert codes(decide(plan, evidence(RUN, [event(0.95)])))[:2] == ["wet-event", "plan-only-finds"]  # type: ignore[arg-type]


def survey_of(run: list[tuple[str, int]], gap: tuple[float, float] | None = None) -> Heard:
    signals, pads, phases = bench(run, gap)
    return survey(signals, pads, phases, PLAN)


def test_coverage_measures_the_run_as_laid_out() -> None:
    """Watch from first fill to the end, drip watch from the last spin's end, exercise by stretches."""
    heard = survey_of(RUN)

    assert (heard.washes, heard.first_fill, heard.watched_s) == (1, T0 + 300, sum(s for _, s in RUN) - 300)
    assert (heard.dry_watch_s, heard.drip_watch_s, heard.share) == (300, 700, 1.0)
    assert heard.exercised == {"fill": 2, "wash": 2, "heat": 1, "rinse": 1, "drain": 2, "spin": 1}
    assert heard.longest_gap_s < 1


def test_two_washes_need_rest_between_them() -> None:
    """Idle of the plan's length parts two washes; a shorter one does not."""
    assert survey_of([*WASH, ("idle", 130), *WASH[1:], ("idle", 700)]).washes == 2
    assert survey_of([*WASH, ("idle", 100), *WASH[1:], ("idle", 700)]).washes == 1


@pytest.mark.parametrize("without", ["fill", "drain", "spin"])
def test_a_wash_that_lacks_a_step_is_not_complete(without: str) -> None:
    """Water in, drained, and spun where the plan asks for a spin."""
    assert survey_of([(p, s) for p, s in RUN if p != without]).washes == 0


def test_a_lone_spin_taken_for_a_wash_of_seconds_is_no_wash() -> None:
    """Display, pump and spin of a spin alone may be read as a fill, a wash of twenty seconds, a drain and a spin."""
    misread = [("idle", 150), ("fill", 40), ("wash", 20), ("drain", 50), ("spin", 290), ("idle", 600)]
    heard = survey_of(misread)

    assert heard.washes == 0
    assert survey_of([(p, 60 if p == "wash" else s) for p, s in misread]).washes == 1
    assert survey_of(misread[:4]).to_come == ("wash", "spin")


def test_stretches_join_over_short_breaks_and_count_from_ten_seconds() -> None:
    """Less than 20 s apart is one stretch; under 10 s is none."""
    found = find_stretches(
        track_of(
            [("idle", 60), ("fill", 8), ("wash", 19), ("fill", 8), ("wash", 20), ("fill", 9), ("wash", 60)]
        )
    )

    assert [(s.phase, s.start - T0, s.end - T0) for s in found if s.phase == "fill"] == [("fill", 60, 95)]


def test_the_longest_gap_is_found_and_named() -> None:
    """12 s of silence on all nodes."""
    heard = survey_of(RUN, gap=(800.0, 812.0))

    assert heard.longest_gap_s == pytest.approx(12.2, abs=0.3)
    assert heard.gap_at == pytest.approx(T0 + 800, abs=0.3)
    assert heard.gap_of == "left, centre and right pads and phase node"


def test_pads_that_fell_silent_together_are_named_together() -> None:
    """One node serves them all: not the one pad whose gap is longest by a sample. Another's own gap is its own."""
    signals, pads, phases = bench(RUN)
    whole = signals.pads["left"]
    for gaps, said in (
        (
            {"left": (800.0, 840.0), "centre": (800.4, 840.0), "right": (800.0, 839.8)},
            "left, centre and right pads",
        ),
        ({"left": (800.0, 840.0), "right": (900.0, 939.0)}, "left pad"),
    ):
        cut = {
            zone: Series(whole.t[kept], whole.v[kept])
            for zone in ZONES
            for a, b in [gaps.get(zone, (0.0, 0.0))]
            for kept in [(whole.t < T0 + a) | (whole.t > T0 + b)]
        }
        assert survey(replace(signals, pads=cut), pads, phases, PLAN).gap_of == said


@pytest.mark.parametrize(
    ("n", "said"), [(2, "second"), (11, "11th"), (12, "12th"), (21, "21st"), (22, "22nd"), (23, "23rd"), (24, "24th"), (111, "111th")],
)  # fmt: skip
def test_a_fill_is_counted_as_people_count(n: int, said: str) -> None:
    """Twenty-first, not twenty-oneth."""
    fills = tuple(Stretch("fill", k * 100.0, k * 100.0 + 50) for k in range(n))
    heard = Heard(fills, 0, (), 0.0, 0.0, None, 0, 0, 0, "", 0, 0, 0, {})

    assert place_in_time((n - 1) * 100.0 + 5, heard) == f"5 s into the {said} fill"


def sure_to(chances: list[float], run: list[tuple[str, int]]) -> PhaseTrack:
    """Phases whose stretches are sure to so much."""
    track = track_of(run)
    share = np.concatenate([np.full(seconds, c) for c, (_, seconds) in zip(chances, run, strict=True)])
    probability = np.tile(((1 - share) / (len(PHASES) - 1))[:, None], (1, len(PHASES)))
    probability[np.arange(len(share)), track.best] = share
    return replace(track, probability=probability)


def test_a_phase_counts_live_once_it_is_sure() -> None:
    """An idle machine read as a wash at 30 % is still in its dry watch; the phase going on counts from 60 % on."""
    idle_read_as_wash = [("idle", 100), ("wash", 200)]
    signals, pads, _ = bench(idle_read_as_wash)
    heard = survey(signals, pads, counted(sure_to([0.4, 0.3], idle_read_as_wash)), PLAN)
    assert heard.exercised == {}
    assert heard.dry_watch_s == pytest.approx(300, abs=2)
    assert stage_of(heard, track_of(idle_read_as_wash), T0 + 300) == "dry watch"

    begun = [("idle", 300), ("fill", 60), ("wash", 400), ("drain", 30)]
    signals, pads, _ = bench(begun)
    seen = {
        chance: survey(signals, pads, counted(sure_to([0.9, 0.9, 0.9, chance], begun)), PLAN).exercised
        for chance in (0.5, 0.7)
    }
    assert seen == {0.5: {"fill": 1, "wash": 1}, 0.7: {"fill": 1, "wash": 1, "drain": 1}}
    over = [*begun, ("fill", 60)]
    assert counted(sure_to([0.9, 0.9, 0.9, 0.5, 0.9], over)).spans() == track_of(over).spans()


def test_a_pass_says_how_well_its_millilitres_are_known() -> None:
    """About, and to a factor of ten where the pads are not calibrated."""
    known = evidence(RUN, seen_ml=0.05)
    said = {c: decide(PLAN, replace(known, calibrated=c))[1][0].text for c in (True, False)}
    assert "; about 0.05 ml on a pad would have shown." in said[True]
    assert (
        "about 0.05 ml on a pad would have shown, to a factor of ten or so, since the pads are not calibrated."
        in said[False]
    )


def test_a_pass_names_the_parts_whose_water_lands_beside_the_pads() -> None:
    """Behind and before the pads of a front loader, whose depth is 75 to 475 mm; a layout's pads may reach them all."""
    layout = read_layout("front-loader")
    said = layout.beside_in_words()
    beside = {part.id for part in layout.parts if part.name in said}
    assert beside == {"inlet-union", "inlet-valve", "tub-bearing-seal", "drain-hose", "door-seal"}
    wide = tuple(pad.model_copy(update={"depth_mm": 1000.0, "width_mm": 200.0}) for pad in layout.pads)
    assert layout.model_copy(update={"pads": wide}).beside_in_words() == ""

    known = evidence(RUN, seen_ml=0.05)
    reasons = decide(PLAN, replace(known, beside=said))[1]
    assert [reason.code for reason in reasons] == ["no-leak", "beside-the-pads"]
    assert reasons[1].text == said
    assert [reason.code for reason in decide(PLAN, known)[1]] == ["no-leak"]


def test_a_soak_in_mid_wash_parts_no_wash() -> None:
    """Three minutes at rest in its water, and the drum tumbles on: still one wash; the same rest before a fill parts two."""
    soaked = [("idle", 400), ("fill", 90), ("wash", 200), ("idle", 180), ("wash", 200), ("drain", 60), ("spin", 200), ("idle", 700)]  # fmt: skip
    twice = [*soaked[:3], ("drain", 60), ("spin", 100), ("idle", 180), ("fill", 60), *soaked[4:]]

    assert evidence(soaked).heard.washes == 1
    assert evidence(twice).heard.washes == 2


@pytest.mark.parametrize("phase", ["fill", "heat"])
def test_the_drip_watch_begins_after_whatever_looks_like_water_let_in_again(phase: str) -> None:
    """A last spin that is misread as a fill must not lengthen the watch over a machine at rest."""
    run = [
        ("idle", 300),
        ("fill", 120),
        ("wash", 900),
        ("drain", 90),
        ("spin", 180),
        (phase, 280),
        ("idle", 420),
    ]

    assert survey_of(run).drip_watch_s == 420
