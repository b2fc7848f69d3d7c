"""Washes of several runs of one unit, counted together: each once, and only where somebody watched."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from soaktest.analysis.analyse import analyse
from soaktest.cli.app import app
from soaktest.cli.together import judge_together, watched_washes
from soaktest.errors import InputError
from soaktest.findings import Findings
from soaktest.layouts import read_layout
from soaktest.plans import Plan, read_plan
from soaktest.recording import Recording, later, write_recording
from soaktest.simulate.bench import Scenario, simulate

SEQUENTIAL = """plan = 1
name = "counted"
washes = 1
min_watch_s = 0
dry_watch_s = 60
drip_watch_s = 60
[sequential]
good_leak_chance = 0.05
bad_leak_chance = 0.5
"""
"""Three or four leak-free washes are enough."""


def kept(recording: Recording, path: Path) -> str:
    return str(write_recording(path, recording.header, recording.messages))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("together")
    (where / "counted.toml").write_text(SEQUENTIAL)
    dry, _ = simulate(Scenario(seed=50, drip_watch_s=120.0))
    kept(dry, where / "dry.ndjson")
    for n in range(1, 4):
        kept(later(dry, 20_000.0 * n, str(n).encode()), where / f"dry-{n}.ndjson")
    deaf, _ = simulate(Scenario(seed=51, broken="left", drip_watch_s=120.0))
    kept(deaf, where / "deaf.ndjson")
    return where


def found(recording: str | Recording, plan: Plan) -> Findings:
    from soaktest.recording import read_recording

    told = read_recording(recording) if isinstance(recording, str) else recording
    return analyse(told, read_layout("front-loader"), plan)


def test_a_wash_that_nobody_watched_is_not_counted(folder: Path) -> None:
    """A broken lead in each of three earlier runs: they add nothing, and the run is judged as if alone."""
    plan, dry, deaf = str(folder / "counted.toml"), str(folder / "dry.ndjson"), str(folder / "deaf.ndjson")

    told = judge_together(dry, [deaf], plan, None)

    assert found(deaf, read_plan(plan)).washes == 1
    assert "adds 0 leak-free washes: Left pad" in told.added[0]
    said = next(r.text for r in told.analysis.findings.reasons if r.code == "risk-not-met")
    assert said.startswith("1 leak-free wash ")


def test_watched_washes_of_several_runs_meet_the_risk_that_one_cannot(folder: Path) -> None:
    """Each falls short by itself, for want of washes alone; four of them together pass."""
    plan, files = str(folder / "counted.toml"), [str(folder / f"dry-{n}.ndjson") for n in (1, 2, 3)]
    alone = found(files[0], read_plan(plan))

    told = judge_together(str(folder / "dry.ndjson"), files, plan, None)

    assert (alone.verdict, [r.code for r in alone.reasons]) == ("retest", ["risk-not-met"])
    assert told.added == [f"{file} adds 1 leak-free wash" for file in files]
    assert told.analysis.findings.verdict == "pass"


def test_one_wash_counts_once_however_it_is_named(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The run itself, a file twice, a copy of it, part of it, and a run beside its own recording are refused."""
    dry, again = str(folder / "dry.ndjson"), str(folder / "dry-1.ndjson")
    copy = folder / "copy.ndjson"
    lines = Path(dry).read_text().splitlines(keepends=True)
    copy.write_text("".join(lines[: len(lines) // 2]))
    for what, others in ((dry, [dry]), (dry, [again, again]), (again, [dry, str(copy)])):
        with pytest.raises(InputError, match="hold the same wash"):
            judge_together(what, others, None, None)

    monkeypatch.setenv("SOAKTEST_DATA", str(folder / "data"))
    monkeypatch.delenv("SOAKTEST_BROKER", raising=False)
    assert CliRunner().invoke(app, ["replay", dry]).exit_code == 3
    for others in (["1"], [dry]):
        with pytest.raises(InputError, match="hold the same wash"):
            judge_together("1", others, None, None)


@pytest.mark.parametrize(
    ("scenario", "plan", "washes"),
    [
        (Scenario(seed=50), "repair-check", 1),
        (Scenario(seed=50), "resale", 1),
        (Scenario(seed=51, broken="left"), "repair-check", 0),
        (Scenario(seed=52, wet_start="right"), "repair-check", 0),
        (Scenario(seed=53, splash_s=900.0), "resale", 0),
        (Scenario(seed=50), "find-leak", 0),
    ],
)
def test_a_run_counts_by_its_own_evidence_alone(scenario: Scenario, plan: str, washes: int) -> None:
    """A pass, and what only lacks washes, time or exercise; not what went unheard, was wet, or proves nothing."""
    recording, _ = simulate(scenario)

    assert watched_washes(found(recording, read_plan(plan))) == washes
