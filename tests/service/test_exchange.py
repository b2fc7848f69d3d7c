"""Units and stories on their way from one journal to another."""

import csv
import io
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from soaktest.errors import InputError
from soaktest.journal import Journal, open_journal
from soaktest.workshop.exchange import export_csv, export_json, import_json, import_table
from soaktest.workshop.learning import confirmed_causes
from soaktest.workshop.sales import standing_doubt
from soaktest.workshop.stories import erase_personal, find_unit, story_of, take_in
from tests.service.shop import DAY, kept_run, say


@pytest.fixture
def other(tmp_path: Path) -> Iterator[Journal]:
    book = open_journal(f"sqlite:///{tmp_path / 'other.sqlite'}")
    yield book
    book.close()


def test_an_older_export_overwrites_nothing_and_fills_what_is_empty(journal: Journal) -> None:
    """Brought in again after the unit was changed, it adds no entry and changes no field."""
    take_in(journal, "A-1", "front-loader", "S-77", "hums")
    old = export_json(journal)
    take_in(journal, "A-1", "top-loader")
    take_in(journal, "A-2", "front-loader")

    assert import_json(journal, old) == (0, 0)
    assert import_table(journal, "unit,kind,serial\nA-2,top-loader,S-78\n") == (0, 0)

    assert find_unit(journal, "A-1").kind == "top-loader"
    assert (find_unit(journal, "A-2").kind, find_unit(journal, "A-2").serial) == ("front-loader", "S-78")


def test_two_equal_repairs_at_one_moment_stay_two(journal: Journal, other: Journal) -> None:
    """And a correction that says the same again stays a correction; a second import adds neither."""
    take_in(journal, "A-1")
    then = time.time() - 50
    for _ in range(2):
        first = say(journal, "A-1", "repair", at=then, part="door-seal")
    say(journal, "A-1", "repair", part="door-seal", corrects=first, personal="of number 4")

    assert import_json(other, export_json(journal)) == (1, 3)
    assert import_table(other, export_csv(journal)) == (0, 0)
    told = [(e.number, e.corrects) for e in story_of(other, "A-1") if e.what == "repair"]
    assert told == [(1, None), (2, None), (3, 2)]


def test_a_correction_counts_from_when_it_was_written_elsewhere(journal: Journal, other: Journal) -> None:
    """Brought in today, it was known when a run of last week began."""
    take_in(journal, "A-1")
    then = time.time() - 50 * DAY
    rows = f"unit,what,at,part,number,corrects,written_at\nA-1,repair,{then},door-seal,1,,{then}\n"
    rows += f"A-1,repair,{then},tub-seal,2,1,{then + DAY}\n"
    import_table(journal, rows)
    import_json(other, export_json(journal))
    kept_run(other, "A-1", then + 2 * DAY, "pass")

    assert confirmed_causes(other, "front-loader", before=then + 3 * DAY) == {"tub-seal": 1.0}


def test_a_correction_in_a_table_says_again_what_it_leaves_out(journal: Journal, other: Journal) -> None:
    """A person's row mends the day alone, and is known again; one out of a journal says all that it has to say."""
    rows = "unit,what,at,text,part,cost,number,corrects\nA-1,repair,2026-03-02,seal,door-seal,9.5,1,\n"
    rows += "A-1,repair,2026-03-01,,,,2,1\n"
    assert import_table(journal, rows) == (1, 2)
    assert import_table(journal, rows) == (0, 0)
    first = next(e for e in story_of(journal, "A-1") if e.number == 2)
    assert (first.text, first.part, first.cost) == ("seal", "door-seal", 9.5)

    say(journal, "A-1", "repair", part="", corrects=2)
    import_json(other, export_json(journal))
    assert [e.part for e in story_of(other, "A-1") if e.number == 3] == [None]


def test_a_row_of_a_day_alone_is_placed_once(journal: Journal) -> None:
    """After the run that failed that day; a second import knows it again."""
    rows = "unit,what,at,part\nA-1,repair,2026-03-02,door-seal\n"
    import_table(journal, "unit,taken_in\nA-1,2026-03-01\n")
    first = find_unit(journal, "A-1").taken_in + DAY
    kept_run(journal, "A-1", first + 9 * 3600, "fail")

    assert import_table(journal, rows) == (0, 1)
    kept_run(journal, "A-1", first + 12 * 3600, "fail")
    assert import_table(journal, rows) == (0, 0)
    assert story_of(journal, "A-1")[-2].at == first + 10 * 3600


def test_text_that_a_spreadsheet_would_reckon_stays_text(journal: Journal, other: Journal) -> None:
    """A mark goes before what looks like a formula, and comes off again."""
    take_in(journal, "-A", "'+kind", "'quoted'", '=HYPERLINK("http://x","y")')
    say(journal, "-A", "note", "@home: +1, 'twas", at=time.time() - 9)

    table = export_csv(journal)
    cells = [cell for row in csv.reader(io.StringIO(table)) for cell in row]

    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]
    import_table(other, table)
    assert export_json(other) == export_json(journal)


def test_a_tag_in_other_capitals_is_the_known_unit_wherever_it_is_typed(journal: Journal) -> None:
    """Its story, its data, its doubts and what comes in by a table; nothing is kept beside it."""
    take_in(journal, "W-101")
    assert take_in(journal, "w-101", "front-loader").tag == "W-101"
    say(journal, "w-101", "repair", part="door-seal", personal="of number 4")
    row = f"unit,what,at,text\nw-101,note,{time.time() - 60},drum turns freely\n"

    assert import_table(journal, row) == (0, 1)
    assert import_table(journal, row) == (0, 0)
    assert story_of(journal, "w-101") == story_of(journal, "W-101")
    assert [e.what for e in story_of(journal, "W-101")] == ["note", "taken in", "repair"]
    assert erase_personal(journal, "w-101") == 1
    say(journal, "w-101", "sold")
    kept_run(journal, "W-101", time.time() - DAY, "retest")
    assert "unit W-101 stands as sold" in standing_doubt(journal, "w-101")
    with pytest.raises(InputError, match="no address can hold"):
        take_in(journal, "a/../b")
