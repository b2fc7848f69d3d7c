"""What a terminal of 80 columns shows of units and runs, and of a run while it goes on."""

import json
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
from soaktest.errors import NotEnough
from soaktest.journal import Journal
from soaktest.recording import Recording, later
from soaktest.simulate.bench import Truth
from soaktest.workshop.stories import take_in
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
        ("run 1 on bench b1, plan resale: FAIL", "front-loader SN-2231-77-1", "new hose (dispenser-hose, replaced, 25 min,", "9.50)", "180.00"),
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
    assert all("resale" in line and line.endswith("RETEST") for line in runs[2:])
    assert len(units) == 4
    assert units[2].startswith("A-0417  front-loader  drips")
    assert units[2].endswith("in hand")
    assert units[3] == "Left out for want of room: runs. A wider terminal shows all."


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


def test_too_little_written_down_is_an_answer_for_programs_too(journal: Journal) -> None:
    """JSON that says what is still needed, and status 0; for people one line and status 2, counted in their words."""
    take_in(journal, "A-1")
    say(journal, "A-1", "sold", at=time.time() - 9 * DAY)
    say(journal, "A-1", "came back", at=time.time() - 2 * DAY)

    held = CliRunner().invoke(app, ["learn", "holds", "--json"])
    drips = CliRunner().invoke(app, ["drip", "shows", "b1", "--json"])

    assert (held.exit_code, drips.exit_code) == (0, 0)
    told = json.loads(held.stdout)
    assert (told["enough"], told["needs"]) == (False, {"sold": 7, "comebacks": 2})
    assert json.loads(drips.stdout)["needs"] == {"tries": 20}
    assert told["why"] == (
        "all repairs: 1 sold unit and 1 comeback are too few for a curve that means anything. Needed: 7 more sold, 2 more comebacks."
    )
    with pytest.raises(NotEnough, match="1 sold unit and 1 comeback"):
        CliRunner().invoke(app, ["learn", "holds"], standalone_mode=False, catch_exceptions=False)


def test_another_wash_is_answered_in_a_sentence_and_money_has_two_decimals(journal: Journal) -> None:
    """Whether to run one, what it costs and what it saves."""

    def asked(cost: float, comeback: float) -> list[str]:
        return shown("learn", "another-wash", "--wash-cost", str(cost), "--comeback-cost", str(comeback))

    assert asked(2.0, 60.0)[0] == "Run no further wash: it costs 2.00 and saves 1.80."
    assert asked(2.0, 70.0)[:2] == [
        "After 0 clean washes 10.0 % still leak: one more costs 2.00 and saves 2.10.",
        "Run 1 further wash: one more costs 2.00 and saves 1.52.",
    ]
    take_in(journal, "A-1")
    say(journal, "A-1", "repair", cost=9.5)
    say(journal, "A-1", "sold", cost=180.0)
    figures = shown("learn", "figures")
    assert figures[0] == "1 unit, 1 repair, 1 sale"
    assert "its parts cost: 9.50 (9.50 to 9.50, all 1)" in figures
    assert "a unit sells for: 180.00 (180.00 to 180.00, all 1)" in figures
