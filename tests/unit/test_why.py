"""Explaining a wet event, leak rates by phase, and two runs of one unit weighed together."""

import numpy as np
import pytest
from typer.testing import CliRunner

from soaktest.analysis.analyse import Analysis, Knowledge, examine
from soaktest.analysis.events import PadCheck
from soaktest.analysis.why import explain_events
from soaktest.cli.app import app
from soaktest.layouts import Layout, read_layout
from soaktest.plans import read_plan
from soaktest.recording import Recording
from soaktest.simulate.bench import Scenario, Truth, simulate
from soaktest.simulate.water import Leak
from soaktest.timeline import timeline_page
from soaktest.vocabulary import ZONES, percent

PLAN, LAYOUT = read_plan("repair-check"), read_layout("front-loader")


def judged(scenario: Scenario, knowledge: Knowledge | None = None) -> tuple[Analysis, Truth]:
    recording, truth = simulate(scenario)
    return examine(recording, LAYOUT, PLAN, knowledge), truth


def test_a_leak_is_explained_in_sentences_that_name_phase_part_and_runner_up(
    demo: tuple[Recording, Truth],
) -> None:
    """Each wet event: why this phase, why this part, and what else it may be."""
    analysis = examine(demo[0], LAYOUT, PLAN)

    whys = explain_events(analysis)

    assert [why.event for why in whys] == analysis.findings.wet_events
    first, second = analysis.findings.suspects[:2]
    earliest = min(whys, key=lambda why: why.event.onset)
    assert len(whys) > 1
    for why in whys:
        phase, part, *other = why.sentences
        assert why.event.zone in phase
        assert f"let out in {why.event.phase}" in phase
        assert part.startswith(f"The {first.name} ({percent(first.probability)})")
        if why is earliest:
            assert f"Next likeliest is the {second.name} ({percent(second.probability)})" in other[0]
        else:  # the parts are those of the run, and are weighed once
            assert part.endswith(f"stands with the words of the {earliest.event.zone} pad.")
            assert not other
        assert len(why.curves) == 3
        assert all(np.isfinite(curve.share).all() for curve in why.curves)


def test_a_splash_is_explained_without_a_part() -> None:
    """Somebody's water holds no part responsible, and the page says so."""
    analysis, _ = judged(Scenario(seed=11, splash_s=700.0))

    why = explain_events(analysis)[0]

    assert len(why.sentences) == 1
    assert "spill" in why.phase
    assert "no part is held responsible" in timeline_page(analysis)


def test_a_layout_of_one_part_is_explained_without_a_runner_up(demo: tuple[Recording, Truth]) -> None:
    """In two sentences and two curves, on the timeline's page too."""
    one = Layout.model_validate_json(LAYOUT.model_copy(update={"parts": LAYOUT.parts[:1]}).model_dump_json())
    analysis = examine(demo[0], one, PLAN)

    for why in explain_events(analysis):
        _, part = why.sentences
        assert part.startswith(f"The {one.parts[0].name} (100 %)")
        assert "Next likeliest" not in part
        assert len(why.curves) == 2
    assert one.parts[0].name in timeline_page(analysis)


def test_the_rate_is_highest_in_the_phase_that_lets_the_water_out() -> None:
    """A valve's leak runs while filling, a drain hose's while draining."""
    for part, phase in (("dispenser-hose", "fill"), ("drain-hose", "drain")):
        analysis, _ = judged(Scenario(seed=5, leak=Leak(part, 4.0)))
        rates = analysis.findings.wet_events[0].rate_ml_min
        assert max(rates, key=lambda p: rates[p].best) == phase
        assert all(rate.low <= rate.best <= rate.high for rate in rates.values())


def test_a_pad_checked_with_a_known_amount_gives_a_narrower_amount() -> None:
    """The amount's interval shrinks to the check's own factor, about what the pad says."""
    analysis, truth = judged(Scenario(seed=5, leak=Leak("dispenser-hose", 4.0)))
    loose = analysis.findings.wet_events[0].water_ml
    checks = {"left": PadCheck(1e-8, 6e-5, 1.0, truth.phases[0][1])}
    known, _ = judged(Scenario(seed=5, leak=Leak("dispenser-hose", 4.0)), Knowledge(pad_checks=checks))  # type: ignore[arg-type]
    tight = known.findings.wet_events[0].water_ml

    assert loose is not None
    assert tight is not None
    assert tight.high / tight.low == pytest.approx(2.5**2, rel=0.02)
    assert tight.high / tight.low < 0.5 * loose.high / loose.low


def test_two_runs_weighed_together_tell_more_than_one() -> None:
    """Over several units the true part gains, in the mean of the log probability."""
    alone, together = [], []
    for seed, part in enumerate(
        ("tub-seam-left", "door-seal", "sump-hose", "drain-hose", "inlet-valve", "drain-pump"), 40
    ):
        first, _ = judged(Scenario(seed=seed, programmes=("quick",), leak=Leak(part, 3.0)))
        second, _ = judged(
            Scenario(seed=seed + 100, programmes=("cold",), leak=Leak(part, 3.0)),
            Knowledge(earlier=first.explanation.part_log_likelihood),
        )
        for said, store in ((first, alone), (second, together)):
            store.append(np.log(next(s.probability for s in said.findings.suspects if s.part == part)))

    assert np.mean(together) > np.mean(alone) + 0.05


def test_a_dry_second_run_speaks_against_parts_that_it_exercised() -> None:
    """After a leak, a rinse and spin that stay dry speak against every part, most where its phases are those of the part;
    by themselves they accuse nobody.
    """
    first, _ = judged(Scenario(seed=44, leak=Leak("sump-hose", 8.0)))
    dry = Scenario(seed=45, programmes=("rinse-spin",))
    alone, _ = judged(dry)
    both, _ = judged(dry, Knowledge(earlier=first.explanation.part_log_likelihood))

    assert alone.findings.suspects == []
    chance = {s.part: s.probability for s in both.findings.suspects}
    before = {s.part: s.probability for s in first.findings.suspects}
    assert sum(chance.values()) == pytest.approx(1.0, abs=1e-3)
    assert chance["sump-hose"] < before["sump-hose"]
    said = both.explanation.part_log_likelihood
    against = {part: said[part] - log for part, log in first.explanation.part_log_likelihood.items()}
    # the one leaks throughout, the other in drain and spin alone
    assert against["sump-hose"] < against["drain-hose"] < 0
    assert max(against.values()) < 0


def test_the_command_line_explains_and_weighs_together() -> None:
    """``judge --why --together-with`` says so in words."""
    leak = "fixtures/recordings/hose-leaks-while-filling.ndjson.gz"
    other = "fixtures/recordings/somebody-splashed.ndjson.gz"
    got = CliRunner().invoke(app, ["judge", leak, "--why", "--together-with", other])

    assert got.exit_code == 1
    assert "Why, left pad wet since" in got.stdout
    assert "Next likeliest is" in " ".join(got.stdout.split())


def test_a_node_without_calibration_works_and_is_said_to_be_less_sure(demo: tuple[Recording, Truth]) -> None:
    """In words beside the pad, and by millilitres that reach further either way."""
    layout, plan = read_layout("front-loader"), read_plan("repair-check")
    plain = examine(demo[0], layout, plan).findings
    checks = {zone: PadCheck(6e-7, 1e-4, 1.0, demo[0].header.began - 100) for zone in ZONES}
    known = examine(demo[0], layout, plan, Knowledge(pad_checks=checks)).findings

    assert "not calibrated" in plain.pads["left"].note
    assert known.pads["left"].note == ""
    amounts = [f.wet_events[0].water_ml for f in (plain, known)]
    reach = [water.high / water.low for water in amounts if water is not None]
    assert reach[0] > 3 * reach[1]
