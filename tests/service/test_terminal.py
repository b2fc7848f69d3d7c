"""What a terminal of 80 columns shows of units and runs, and of a run while it goes on."""

import os
import subprocess
import sys
import time

import pytest
from typer.testing import CliRunner

from soaktest.bench import begin_run, end_run, find_run, judge_run, look
from soaktest.cli.app import app
from soaktest.cli.runs import _status
from soaktest.cli.words import clock
from soaktest.journal import Journal
from soaktest.recording import Recording
from soaktest.simulate.bench import Truth
from soaktest.workshop.stories import take_in
from tests.conftest import later
from tests.service.shop import DAY, kept_run, say
from tests.service.test_watch import LAYOUT, PLAN, present, until


@pytest.fixture(autouse=True)
def narrow(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("SOAKTEST_DATABASE", str(journal.engine.url))


def shown(*command: str) -> list[str]:
    return [line.rstrip() for line in CliRunner().invoke(app, command).stdout.splitlines()]


def test_a_story_can_be_read_at_80_columns(journal: Journal) -> None:
    """A line an entry where its words have room, and nothing broken: date, number, part, money."""
    take_in(journal, "A-0417", "front-loader", "SN-2231-77-1")
    kept_run(journal, "A-0417", time.time() - DAY, "fail")
    say(
        journal,
        "A-0417",
        "repair",
        "new hose",
        part="dispenser-hose",
        work="replaced",
        minutes=25.0,
        cost=9.5,
    )
    say(journal, "A-0417", "sold", cost=180.0)

    lines = shown("unit", "show", "A-0417")

    assert max(map(len, lines)) <= 80
    for line, words in zip(
        lines[3:],
        ("run 1 on bench b1, plan resale: fail", "front-loader SN-2231-77-1", "new hose (dispenser-hose, replaced, 25 min,", "9.50)", "180.00"),
        strict=True,
    ):  # fmt: skip
        assert line.endswith(words)
    assert [line[:10] for line in lines[3:5]] == [
        time.strftime("%Y-%m-%d", time.localtime(t)) for t in (time.time() - DAY, time.time())
    ]


def test_a_list_of_runs_and_units_has_a_line_each_at_80_columns(journal: Journal) -> None:
    """Dates, tags and plans whole; what has no room is left out by name."""
    take_in(journal, "A-0417", "front-loader", complaint="drips")
    for days in (3, 2):
        kept_run(journal, "A-0417", time.time() - days * DAY, "retest")

    runs, units = shown("run", "list"), shown("unit", "list")

    assert len([line for line in runs if "A-0417" in line]) == len(runs) - 2 == 2
    assert all("resale" in line and line.endswith("retest") for line in runs[2:])
    assert len(units) == 3
    assert units[2].startswith("A-0417  front-loader  drips")


def test_a_leak_is_told_with_its_time_and_a_dry_pad_is_dry(
    journal: Journal, demo: tuple[Recording, Truth]
) -> None:
    """While the run goes on: since when, and microsiemens by their sign; the pads that hold are dry."""
    heard = present(demo[0], 700.0)
    journal.keep(heard.messages)
    run = begin_run(journal, heard.header, PLAN, LAYOUT)

    live = look(journal, run.id)
    lines = _status(run, live)

    since = clock(min(e.onset for e in live.leaks))
    assert next(line for line in lines if "LEAK" in line).startswith(f"LEAK at left since {since}")
    assert any(line.startswith("  left") and f"WET since {since} (leak)" in line for line in lines)
    assert any(line.startswith("  right") and line.endswith("µS  dry") for line in lines)


def test_a_watch_into_a_pipe_says_what_changes_and_how_the_run_ended(
    journal: Journal, demo: tuple[Recording, Truth]
) -> None:
    """Each line as it becomes true, and once; after the end one line with the verdict, and no more work for anybody."""
    heard = later(demo[0], time.time() - 400.0 - demo[0].header.began, b"n")
    run = begin_run(journal, heard.header.model_copy(update={"ended": None}), PLAN, LAYOUT)
    process = subprocess.Popen(
        [sys.executable, "-m", "soaktest.cli", "run", "watch", str(run.id), "--every", "0.2"],
        stdout=subprocess.PIPE, text=True, env=os.environ,
    )  # fmt: skip
    assert process.stdout is not None
    first = process.stdout.readline()
    assert f"Run {run.id} on bench b1" in first
    journal.keep(present(demo[0], 400.0).messages)
    said = process.stdout
    until(lambda: "LEAK at left" in said.readline(), 40.0)
    end_run(journal, run.id)
    judge_run(journal, run.id)
    rest = process.communicate(timeout=60)[0].splitlines()

    verdict = (find_run(journal, run.id).findings or "").split('"verdict":"')[1].split('"')[0].upper()
    assert rest[-1].endswith(f"Run {run.id} on bench b1: ended, verdict {verdict}")
    assert [line[9:] for line in shown("run", "watch", str(run.id))] == [rest[-1][9:]]
