"""Entries dated by a day alone, and what a correction changes of what was known before."""

import shlex
import time
from datetime import date, datetime, timedelta

import pytest
from fastapi.testclient import TestClient
from typer.testing import CliRunner

from soaktest.cli.app import app
from soaktest.errors import InputError
from soaktest.journal import Journal
from soaktest.web.app import create_app
from soaktest.workshop.days import when_given
from soaktest.workshop.learning import confirmed_causes
from soaktest.workshop.money import figures
from soaktest.workshop.stories import story_of, take_in
from tests.service.shop import DAY, Shop, kept_run, say

THEN = date(2026, 3, 2)


def hour(of: int, day: date = THEN) -> float:
    """An hour of a day, local, in UTC seconds."""
    return datetime(day.year, day.month, day.day, of).timestamp()


def test_a_repair_of_a_day_stands_between_the_run_that_failed_and_the_one_that_passed(
    journal: Journal,
) -> None:
    """Dated by the day alone it confirms its cause, and the unit was right the first time."""
    take_in(journal, "A-1")
    kept_run(journal, "A-1", hour(9), "fail")
    kept_run(journal, "A-1", hour(14), "pass")
    say(journal, "A-1", "sold", at=THEN, cost=100.0)
    say(journal, "A-1", "repair", at=THEN, part="dispenser-hose", cost=20.0)

    told = figures(journal)

    assert confirmed_causes(journal, "front-loader") == {"dispenser-hose": 1.0}
    assert told.fixed_first_time is not None
    assert (told.fixed_first_time.count, told.fixed_first_time.of) == (1, 1)
    assert told.cost_to_price is not None
    assert told.cost_to_price.value == pytest.approx(0.2)
    assert [e.what for e in story_of(journal, "A-1") if e.what != "taken in"] == [
        "run",
        "repair",
        "run",
        "sold",
    ]


def test_of_a_day_of_passes_alone_a_repair_stands_before_them(journal: Journal) -> None:
    """The leak was seen the day before; a comeback of that day stands before its runs too."""
    take_in(journal, "A-1")
    kept_run(journal, "A-1", hour(14), "pass")
    say(journal, "A-1", "repair", at=THEN, part="door-seal")
    say(journal, "A-1", "came back", at=THEN + timedelta(days=200), part="sump-hose")
    kept_run(journal, "A-1", hour(9, THEN + timedelta(days=200)), "fail")

    assert confirmed_causes(journal, "front-loader") == {"door-seal": 1.0, "sump-hose": 1.0}


def test_what_is_dated_today_is_taken_at_the_time_of_writing(journal: Journal) -> None:
    """Not at midnight, and not in the future."""
    take_in(journal, "A-1")
    before = time.time()
    say(journal, "A-1", "repair", at=date.fromtimestamp(before), part="door-seal")

    assert before <= story_of(journal, "A-1")[-1].at <= time.time()
    with pytest.raises(InputError, match="future"):
        say(journal, "A-1", "sold", at=date.fromtimestamp(before) + timedelta(days=2))


def test_a_time_may_be_given_with_the_day_at_the_command_line_and_on_the_page(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same moment either way; what is neither a day nor a moment is said plainly."""
    take_in(journal, "A-1")
    monkeypatch.setenv("SOAKTEST_DATABASE", str(journal.engine.url))
    write = ["unit", "write", "A-1", "note", "by command", "--on"]
    assert CliRunner().invoke(app, [*write, "2026-03-02T14:30"]).exit_code == 0
    with TestClient(create_app(journal, lambda _topic, _payload: None, None)) as client:
        token = client.get("/units").text.split('name="token" content="')[1].split('"')[0]
        form = {"token": token, "what": "note", "text": "on the page", "on": "2026-03-02", "clock": "14:30"}
        client.post("/units/A-1/story", data=form)
        wrong = client.post("/units/A-1/story", data=form | {"on": "0001-01-01", "clock": ""})
        assert wrong.status_code == 422

    moments = {e.text: e.at for e in story_of(journal, "A-1") if e.what == "note"}
    assert moments == dict.fromkeys(("by command", "on the page"), hour(14) + 1800)
    for odd in ("soon", "2026-13-01", "2026-03-02T25:00"):
        with pytest.raises(InputError, match="neither a day"):
            when_given(odd)


def test_a_correction_changes_nothing_of_what_was_known_before_it_was_written(journal: Journal) -> None:
    """A run of then is judged with the entry that stood then, though the correction names the same day."""
    take_in(journal, "A-1")
    then = time.time() - 50 * DAY
    wrong = say(journal, "A-1", "repair", at=then, part="door-seal")
    kept_run(journal, "A-1", then + DAY, "pass")
    say(journal, "A-1", "repair", corrects=wrong, part="drain-hose")

    assert confirmed_causes(journal, "front-loader", before=then + 10 * DAY) == {"door-seal": 1.0}
    assert confirmed_causes(journal, "front-loader", before=time.time()) == {"drain-hose": 1.0}
    assert confirmed_causes(journal, "front-loader") == {"drain-hose": 1.0}


def test_the_command_that_mends_an_entry_written_late_works_as_it_is_printed(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A repair typed in after the test that it led to: the refusal's own command sets its time, and keeps its words."""
    monkeypatch.setenv("SOAKTEST_DATABASE", str(shop.journal.engine.url))
    say(shop.journal, "A-0417", "repair", "new hose", part="dispenser-hose", work="replaced", cost=9.5)
    with pytest.raises(InputError, match="was repaired after run 2") as refused:
        shop.certify()

    program, *command = shlex.split(str(refused.value).rsplit(": ", 1)[1])
    assert program == "soaktest"
    assert CliRunner().invoke(app, command).exit_code == 0

    last = next(e for e in story_of(shop.journal, "A-0417") if e.corrects)
    assert (last.text, last.part, last.work, last.cost) == ("new hose", "dispenser-hose", "replaced", 9.5)
    assert last.at < shop.passed.began
    assert shop.certify()[0].number == 1
