"""What a bench's drip challenge says, of which tries, and where it is told."""

import time

import pytest
from fastapi.testclient import TestClient
from typer.testing import CliRunner

from soaktest.bench import begin_run
from soaktest.certificate.register import bench_shows
from soaktest.cli.app import app
from soaktest.errors import InputError
from soaktest.journal import Journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Header
from soaktest.tables import RunRow
from soaktest.web.app import create_app
from soaktest.workshop.drips import bench_sensitivity, benches_tried, keep_drip
from tests.service.shop import DAY

NOW = time.time()


def dripped(journal: Journal, ml: float, days_ago: float, *, times: int = 29) -> None:
    """So many tries on a bench, all seen."""
    for _ in range(times):
        keep_drip(journal, "b1", "left", ml, seen=True, at=NOW - days_ago * DAY)


def judged(journal: Journal, days_ago: float, smallest_ml: float | None) -> int:
    """A run on that bench, with what it was judged to show."""
    began = NOW - days_ago * DAY
    header = Header(bench="b1", unit="A-1", began=began, ended=began + 3600)
    run = begin_run(journal, header, read_plan("resale"), read_layout("front-loader"))
    with journal.session() as session:
        told = "null" if smallest_ml is None else str(smallest_ml)
        session.get_one(
            RunRow, run.id
        ).findings = f'{{"verdict":"pass","assurance":{{"smallest_seen_ml_90":{told}}}}}'
    return run.id


def test_tries_made_after_a_run_say_nothing_of_it(journal: Journal) -> None:
    """A certificate states what the bench showed when the run began; today's answer is another."""
    dripped(journal, 0.1, days_ago=20)
    dripped(journal, 0.05, days_ago=2)
    run = judged(journal, days_ago=10, smallest_ml=0.2)

    shown = bench_shows(journal, run)

    assert shown is not None
    assert (shown.ml, shown.on) == (0.1, int(NOW - 20 * DAY))
    assert bench_sensitivity(journal, "b1").a90_95 == 0.05


def test_tries_count_for_a_year(journal: Journal) -> None:
    """Those of a pad that has worn since are kept, and no longer counted; the bench stays on the page."""
    dripped(journal, 0.05, days_ago=400)
    dripped(journal, 0.5, days_ago=3, times=28)
    assert benches_tried(journal) == {"b1": (28, 28)}
    with pytest.raises(InputError, match="all 28 tries were seen"):
        bench_sensitivity(journal, "b1")

    dripped(journal, 0.5, days_ago=3, times=1)

    assert bench_sensitivity(journal, "b1").a90 == 0.5


def test_the_page_and_the_command_tell_the_same_of_a_bench(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it shows, since when tries count, and what its last judged run promised."""
    dripped(journal, 0.05, days_ago=3)
    judged(journal, days_ago=2, smallest_ml=0.25)
    monkeypatch.setenv("SOAKTEST_DATABASE", str(journal.engine.url))

    told = CliRunner().invoke(app, ["drip", "shows", "b1"]).output
    with TestClient(create_app(journal, lambda _topic, _payload: None, None)) as client:
        page = client.get("/learned").text

    assert "0.05 ml is seen with 90 % probability" in told
    assert "Tries of the last 365 days count" in told
    assert "judged to show 0.25 ml" in told
    assert '<td>0.05 ml</td><td>0.05 ml</td><td class="minor">0.25 ml</td>' in page


@pytest.mark.parametrize("bench", ["B1", "b/1", "+", ""])
def test_a_try_is_told_of_a_bench_that_a_node_can_name(
    journal: Journal, monkeypatch: pytest.MonkeyPatch, bench: str
) -> None:
    """Any other name is refused, and nothing is kept of it."""
    monkeypatch.setenv("SOAKTEST_DATABASE", str(journal.engine.url))

    told = CliRunner().invoke(app, ["drip", "tell", bench, "left", "0.1", "--seen"])

    assert isinstance(told.exception, InputError)
    assert "a-z 0-9" in str(told.exception)
    assert benches_tried(journal) == {}
