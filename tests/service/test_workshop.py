"""Units' stories, what they teach, and how they travel, on SQLite."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from soaktest.bench import judge_run
from soaktest.broker import EmbeddedBroker
from soaktest.errors import InputError
from soaktest.journal import Journal, open_journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.replay import replay
from soaktest.simulate.bench import demo_scenario, simulate
from soaktest.workshop.exchange import export_csv, export_json, import_json, import_table
from soaktest.workshop.learning import (
    confirmed_causes,
    figures,
    priors_for,
    times_to_comeback,
    washes_worth_running,
)
from soaktest.workshop.stories import Entry, erase_personal, list_units, story_of, take_in, write_entry
from tests.conftest import later

LAYOUT = read_layout("front-loader")


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    book = open_journal(f"sqlite:///{tmp_path / 'j.sqlite'}")
    yield book
    book.close()


def say(journal: Journal, tag: str, what: str, text: str = "", at: float = 0.0, **more: object) -> int:
    return write_entry(journal, tag, Entry(at or time.time(), what, text, **more)).id  # type: ignore[arg-type]


def test_a_story_is_told_in_order_and_a_correction_keeps_what_it_corrects(journal: Journal) -> None:
    """Nothing is deleted: the old entry stays and names the one that replaced it."""
    take_in(journal, "A-1", "front-loader", "S-77", "water under it")
    first = say(journal, "A-1", "repair", "new valve", part="inlet-valve", minutes=20.0, cost=15.0)
    second = write_entry(
        journal, "A-1", Entry(time.time(), "repair", "no: the hose", None, "valve-hoses"), corrects=first
    )

    story = story_of(journal, "A-1")

    assert [e.what for e in story] == ["taken in", "complaint", "repair", "repair"]
    assert story[2].corrected_by == second.id
    assert story[2].part == "inlet-valve"


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        (Entry(1.0, "painted", ""), "none of"),
        (Entry(1.0, "repair", "x" * 2001), "2000 at the most"),
        (Entry(1.0, "repair", "", None, None, -1.0), "minutes"),
        (Entry(1.0, "note", "", None, None, None, None, 99), "no run 99"),
    ],
)
def test_what_cannot_be_is_refused_and_named(journal: Journal, entry: Entry, said: str) -> None:
    """Each refusal says what is wrong."""
    take_in(journal, "A-1")

    with pytest.raises(InputError, match=said):
        write_entry(journal, "A-1", entry)
    with pytest.raises(InputError, match="no unit 'B-9'"):
        write_entry(journal, "B-9", Entry(1.0, "note", "x"))
    assert len(story_of(journal, "A-1")) == 1


def test_units_are_found_by_any_of_their_words(journal: Journal) -> None:
    """Words may stand in tag, serial, kind or complaint; all must be found."""
    take_in(journal, "A-1", "front-loader", "S-77", "drips in the spin")
    take_in(journal, "A-2", "top-loader", "S-78", "drips at night")

    assert [u.unit.tag for u in list_units(journal, "drips spin")] == ["A-1"]
    assert {u.unit.tag for u in list_units(journal, "S-7")} == {"A-1", "A-2"}
    assert list_units(journal, "100%") == []


def test_personal_data_goes_and_the_rest_stays(journal: Journal) -> None:
    """Erased by unit; never exported at all."""
    take_in(journal, "A-1")
    say(journal, "A-1", "sold", "to a neighbour", personal="lives at number 4")
    assert b"number 4" not in export_json(journal)

    assert erase_personal(journal, "A-1") == 1

    assert [e.personal for e in story_of(journal, "A-1")] == [None, None]
    assert story_of(journal, "A-1")[-1].text == "to a neighbour"


def test_what_is_taken_away_comes_in_again_once(journal: Journal, tmp_path: Path) -> None:
    """JSON and CSV carry the same; a second import adds nothing."""
    take_in(journal, "A-1", "front-loader", "S,77", 'it says "wet"')
    say(journal, "A-1", "repair", "hose, clip", at=5.5, part="dispenser-hose", minutes=12.0, cost=9.5)
    take_in(journal, "A-2")
    for name, bring in (
        ("json", lambda b: import_json(b, export_json(journal))),
        ("csv", lambda b: import_table(b, export_csv(journal))),
    ):
        other = open_journal(f"sqlite:///{tmp_path / name}.sqlite")
        assert bring(other) == (2, 1)
        assert bring(other) == (0, 0)
        entry = story_of(other, "A-1")[0]
        assert (entry.at, entry.part, entry.cost) == (5.5, "dispenser-hose", 9.5)
        other.close()


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("tag,what\nA,repair\n", "row 1: columns"),
        ("unit,what,at\nA-1,repair,1\nA-2,painted,1\n", "row 3, what: 'painted'"),
        ("unit,what,at\nA-1,repair,soon\n", "row 2, at: 'soon' is no number"),
        ("unit,what,at\nA-1,repair,\n", "row 2, at: when it was"),
        ("unit,minutes\n,1\n", "row 2, unit"),
    ],
)
def test_a_bad_table_is_refused_whole_by_row_and_column(journal: Journal, table: str, said: str) -> None:
    """Nothing of it is taken in."""
    with pytest.raises(InputError, match=said):
        import_table(journal, table)
    assert list_units(journal) == []


def test_a_confirmed_repair_moves_the_suspects_of_that_kind_of_machine(journal: Journal) -> None:
    """A leak, a repair that names the part, a run that passes: the next judgement leans that way."""
    plan = read_plan("repair-check")
    with EmbeddedBroker() as broker:
        leaking, _ = simulate(demo_scenario())
        first = replay(leaking, journal, broker.address, (plan, LAYOUT))
        before = {s.part: s.probability for s in judge_run(journal, first.id).findings.suspects}
        assert priors_for(journal, LAYOUT) is None
        began = leaking.header.began + 10_000
        write_entry(journal, "A-0417", Entry(began - 10, "repair", "box resealed", None, "dispenser"))
        dry, _ = simulate(demo_scenario(leaking=False))
        second = replay(later(dry, 10_000, b"2"), journal, broker.address, (plan, LAYOUT))
        assert judge_run(journal, second.id).findings.verdict == "pass"

    assert confirmed_causes(journal, "front-loader") == {"dispenser": 1}
    after = {s.part: s.probability for s in judge_run(journal, first.id).findings.suspects}
    assert after["dispenser"] > before["dispenser"]
    assert confirmed_causes(journal, "top-loader") == {}


def test_time_to_comeback_counts_those_still_away(journal: Journal) -> None:
    """A sale ends with a comeback, or is still running today."""
    for tag, back in (("A-1", 40.0), ("A-2", None)):
        take_in(journal, tag)
        say(journal, tag, "repair", at=86_400.0, part="door-seal")
        say(journal, tag, "sold", at=2 * 86_400.0)
        if back:
            say(journal, tag, "came back", at=(2 + back) * 86_400.0)

    assert times_to_comeback(journal, now=102 * 86_400.0) == [
        ("door-seal", 40.0, True),
        ("door-seal", 100.0, False),
    ]


def test_a_dear_comeback_is_worth_more_washes() -> None:
    """Cheap washes and dear comebacks ask for more of them; a comeback that costs nothing for none."""
    assert washes_worth_running(1.0, 0.0) == 0
    assert washes_worth_running(1.0, 50.0) < washes_worth_running(1.0, 500.0)


def test_the_few_figures_come_from_the_records_alone(journal: Journal) -> None:
    """Averages of what was written down; nothing made up where nothing was."""
    take_in(journal, "A-1")
    assert figures(journal).minutes_a_repair is None
    say(journal, "A-1", "repair", part="door-seal", minutes=30.0, cost=12.0)
    wrong = say(journal, "A-1", "repair", minutes=999.0)
    write_entry(journal, "A-1", Entry(time.time(), "repair", "", None, None, 10.0), corrects=wrong)
    say(journal, "A-1", "sold")

    f = figures(journal)

    assert (
        f.units,
        f.repairs,
        f.minutes_a_repair,
        f.cost_a_repair,
        f.sold,
        f.comebacks,
        f.fixed_first_time,
    ) == (1, 2, 20.0, 12.0, 1, 0, (0, 0))
