"""Units' stories, what they teach, and how they travel, on SQLite."""

import time
from datetime import date, datetime
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from typer.testing import CliRunner

from soaktest.bench import begin_run, examine_run, find_run, judge_run
from soaktest.broker import EmbeddedBroker
from soaktest.cli.app import app
from soaktest.errors import InputError
from soaktest.journal import Journal, open_journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Header, later
from soaktest.replay import replay
from soaktest.simulate.bench import demo_scenario, simulate
from soaktest.tables import RunRow
from soaktest.web.app import create_app
from soaktest.workshop.exchange import export_csv, export_json, import_json, import_table
from soaktest.workshop.lasting import Away, times_to_comeback
from soaktest.workshop.learning import confirmed_causes, priors_for
from soaktest.workshop.money import figures, middle, washes_worth_running
from soaktest.workshop.sales import standing_doubt
from soaktest.workshop.stories import NewEntry, erase_personal, story_of, take_in, write_entry
from soaktest.workshop.units import list_units
from tests.service.shop import DAY, kept_run, say

LAYOUT = read_layout("front-loader")


def test_a_story_is_told_in_order_and_a_correction_keeps_what_it_corrects(journal: Journal) -> None:
    """Nothing is deleted: the old entry stays and names the one that replaced it."""
    take_in(journal, "A-1", "front-loader", "S-77", "water under it")
    first = say(journal, "A-1", "repair", "new valve", part="inlet-valve", minutes=20.0, cost=15.0)
    second = say(journal, "A-1", "repair", "no: the hose", part="valve-hoses", corrects=first)

    story = story_of(journal, "A-1")

    assert [e.what for e in story] == ["taken in", "complaint", "repair", "repair"]
    assert (story[2].corrected_by, story[2].part) == (second, "inlet-valve")
    assert (story[3].corrects, story[3].at) == (first, story[2].at)
    with pytest.raises(InputError, match=f"corrected by entry {second} already"):
        say(journal, "A-1", "repair", "or the valve", corrects=first)


def test_what_was_known_of_a_unit_stays_in_its_story(journal: Journal) -> None:
    """Taken in again with another kind: the list says the new, the story both."""
    take_in(journal, "A-1", "front-loader", "S-77")
    take_in(journal, "A-1", "top-loader", complaint="hums")
    take_in(journal, "A-1")

    assert list_units(journal)[0].unit.kind == "top-loader"
    assert [e.text for e in story_of(journal, "A-1") if e.what == "note"] == [
        "kind was “front-loader”, now “top-loader”"
    ]


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        (NewEntry("painted"), "none of"),
        (NewEntry("repair", work="licked"), "none of"),
        (NewEntry("repair", "x" * 2001), "2000 at the most"),
        (NewEntry("repair", minutes=-1.0), "minutes"),
        (NewEntry("note", run=99), "no run 99"),
        (NewEntry("note", corrects=7), "no entry 7"),
        (NewEntry("sold", at=9e10), "future"),
    ],
)
def test_what_cannot_be_is_refused_and_named(journal: Journal, entry: NewEntry, said: str) -> None:
    """Each refusal says what is wrong."""
    take_in(journal, "A-1")

    with pytest.raises(InputError, match=said):
        write_entry(journal, "A-1", entry)
    with pytest.raises(InputError, match="no unit 'B-9'"):
        write_entry(journal, "B-9", NewEntry("note", "x"))
    assert len(story_of(journal, "A-1")) == 1


def test_units_are_found_by_any_of_their_words(journal: Journal) -> None:
    """Words may stand in tag, serial, kind or complaint; all must be found."""
    take_in(journal, "A-1", "front-loader", "S-77", "drips in the spin")
    take_in(journal, "A-2", "top-loader", "S-78", "drips at night")

    assert [u.unit.tag for u in list_units(journal, "drips spin")] == ["A-1"]
    assert {u.unit.tag for u in list_units(journal, "S-7")} == {"A-1", "A-2"}
    assert list_units(journal, "100%") == []


def test_units_are_sorted_and_filtered(journal: Journal) -> None:
    """By any column, either way round; in hand until sold, and again once it came back."""
    for at, tag, kind in (
        (1.0, "b-1", "front-loader"),
        (2.0, "A-2", "top-loader"),
        (3.0, "C-3", "front-loader"),
    ):
        take_in(journal, tag, kind)
        say(journal, tag, "sold", at=time.time() - 50 + at)
    say(journal, "b-1", "came back")

    def tags(**how: object) -> list[str]:
        return [u.unit.tag for u in list_units(journal, **how)]  # type: ignore[arg-type]

    assert tags() == ["b-1", "C-3", "A-2"]
    assert tags(turned=True) == ["A-2", "C-3", "b-1"]
    assert tags(sort="unit") == ["A-2", "b-1", "C-3"]
    assert tags(sort="kind", turned=True)[0] == "A-2"
    assert tags(show="sold", sort="unit") == ["A-2", "C-3"]
    assert tags(show="in hand") == tags(show="came back") == ["b-1"]
    assert tags(sort="where")[0] == "b-1"
    assert [u.where for u in list_units(journal, sort="unit")] == ["sold", "came back", "sold"]
    assert tags(show="passed") == []
    for verdict, where in (("fail", "came back"), ("pass", "in hand")):
        with journal.session() as session:
            session.add(
                RunRow(
                    bench="b1", unit="b-1", plan=read_plan("resale").model_dump_json(), layout=read_layout("front-loader").model_dump_json(),
                    began=time.time() + 60, ended=time.time() + 90, stage="judged", findings=f'{{"verdict": "{verdict}"}}', judged_at=1.0,
                    judged_by="", override=None, source="x",
                )
            )  # fmt: skip
        assert list_units(journal, "b-1")[0].where == where


def test_personal_data_goes_and_the_rest_stays(journal: Journal) -> None:
    """Erased by unit; never exported at all."""
    take_in(journal, "A-1")
    say(journal, "A-1", "sold", "to a neighbour", personal="lives at number 4")
    assert b"number 4" not in export_json(journal)

    assert erase_personal(journal, "A-1") == 1

    assert [e.personal for e in story_of(journal, "A-1")] == [None, None]
    assert story_of(journal, "A-1")[-1].text == "to a neighbour"


def test_what_is_taken_away_comes_in_again_once(journal: Journal, tmp_path: Path) -> None:
    """JSON and CSV carry the same, with the trail of corrections; a second import adds nothing."""
    taken = take_in(journal, "A-1", "front-loader", "S,77", 'it says "wet"').taken_in
    wrong = say(journal, "A-1", "repair", "hose, clip", at=5.5, part="dispenser-hose", minutes=12.0, cost=9.5)
    say(journal, "A-1", "repair", "the seal", part="door-seal", work="replaced", corrects=wrong)
    take_in(journal, "A-2")
    for name, bring in (
        ("json", lambda b: import_json(b, export_json(journal))),
        ("csv", lambda b: import_table(b, export_csv(journal))),
    ):
        other = open_journal(f"sqlite:///{tmp_path / name}.sqlite")
        assert bring(other) == (2, 2)
        assert bring(other) == (0, 0)
        first, second, *_ = story_of(other, "A-1")
        assert (first.at, first.part, first.cost, first.corrected_by) == (
            5.5,
            "dispenser-hose",
            9.5,
            second.number,
        )
        assert (second.part, second.work) == ("door-seal", "replaced")
        assert list_units(other, "A-1")[0].unit.taken_in == taken
        other.close()


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("tag,what\nA,repair\n", "row 1: columns"),
        ("unit,what,at\nA-1,repair,1\nA-2,painted,1\n", "row 3, what: 'painted'"),
        ("unit,what,at\nA-1,repair,soon\n", "row 2, at: 'soon' is neither"),
        ("unit,what,at\nA-1,repair,\n", "row 2, at: when it was"),
        ("unit,minutes\n,1\n", "row 2, unit"),
        ("unit,what,at\nA-1,repair,1,9\n", "row 2: has 4 cells for 3 columns"),
        ("unit,unit\nA-1,A-1\n", "stands there twice"),
        ("unit,kind\nA-1,a\nA-2," + "k" * 65 + "\n", "row 3, kind: has 65 characters"),
        ("unit,what,at,corrects\nA-1,repair,1,\nA-1,repair,2,8\n", "entry 8 that is corrected"),
        ("unit,what,at\nA-1,note,1\nA-2,note,99999999999\n", "future"),
        ('unit,what\n"A-1,repair\n', "no CSV that can be read"),
    ],
)
def test_a_bad_table_is_refused_whole_by_row_and_column(journal: Journal, table: str, said: str) -> None:
    """Nothing of it is taken in."""
    with pytest.raises(InputError, match=said):
        import_table(journal, table)
    assert list_units(journal) == []


def test_dates_may_be_written_as_people_write_them_and_unknown_keys_are_named(journal: Journal) -> None:
    """ISO dates in CSV; a key of another program in JSON; the same words with another cost are another entry."""
    assert import_table(journal, "\ufeffunit,what,at,cost\nA-1,repair,2026-03-02T14:30+00:00,9\n") == (1, 1)
    assert import_table(journal, "unit,what,at,cost\nA-1,repair,1772461800,9\n") == (0, 0)
    assert import_table(journal, "unit,what,at,cost\nA-1,repair,1772461800,10\n") == (0, 1)
    with pytest.raises(InputError, match="unit 1: key 'colour'"):
        import_json(journal, b'{"units": [{"unit": "A-1", "colour": "red"}]}')
    assert import_json(journal, b'{"units": [{"unit": "A-2", "kind": null}]}') == (1, 0)
    assert list_units(journal, "A-2")[0].unit.kind == ""


def test_a_thousand_rows_are_taken_in_at_once(journal: Journal) -> None:
    """Or none of them."""
    rows = "".join(f"A-{i % 40},note,{1000 + i},n{i}\n" for i in range(2000))
    with pytest.raises(InputError, match="row 2002"):
        import_table(journal, "unit,what,at,text\n" + rows + "A-1,painted,1,x\n")
    assert list_units(journal) == []
    assert import_table(journal, "unit,what,at,text\n" + rows) == (40, 2000)


def test_a_part_that_the_machine_does_not_have_is_refused(journal: Journal) -> None:
    """By the layouts of its runs, else by its kind, else by all; the nearest is named, and ``other`` may be said."""
    take_in(journal, "A-1")
    for slip, meant in (
        ("dispenser-hos", "dispenser-hose"),
        ("pump", "drain-pump"),
        ("lid-seals", "lid-seal"),
    ):
        with pytest.raises(InputError, match=f"no part '{slip}'. Did you mean '{meant}'"):
            say(journal, "A-1", "repair", part=slip)
    with pytest.raises(
        InputError, match=r"no part 'nosuchpart'. See: soaktest layouts .*name the part 'other'"
    ):
        say(journal, "A-1", "repair", part="nosuchpart")
    say(journal, "A-1", "repair", part="other")

    take_in(journal, "B-1", "top-loader")
    say(journal, "B-1", "repair", part="lid-seal")
    with pytest.raises(InputError, match="See: soaktest layouts top-loader"):
        say(journal, "B-1", "repair", part="door-seal")
    own = read_layout("front-loader").model_copy(update={"name": "own"})
    with journal.session() as session:
        session.add(
            RunRow(bench="b1", unit="B-1", plan="{}", layout=own.model_dump_json(), began=1.0, ended=2.0, stage="ended")
        )  # fmt: skip
    say(journal, "B-1", "repair", part="door-seal")


def test_a_correction_says_again_what_it_does_not_say_anew(journal: Journal) -> None:
    """Its day alone is mended: words, part, work, minutes, cost and the customer's data stay; an empty part goes."""
    take_in(journal, "A-1")
    then, given = (
        time.time() - 9 * DAY,
        {"part": "door-seal", "work": "replaced", "minutes": 25.0, "cost": 9.5},
    )
    wrong = say(journal, "A-1", "repair", "new seal", at=then, personal="of number 4", **given)
    moved = write_entry(journal, "A-1", NewEntry(at=then + DAY, corrects=wrong))

    assert (moved.what, moved.text, moved.at) == ("repair", "new seal", then + DAY)
    assert {name: getattr(moved, name) for name in given} == given
    assert moved.personal == "of number 4"

    taken_back = write_entry(journal, "A-1", NewEntry("repair", part="", cost=12.0, corrects=moved.id))
    assert (taken_back.part, taken_back.cost, taken_back.at) == (None, 12.0, then + DAY)
    with pytest.raises(InputError, match="none of: taken in"):
        write_entry(journal, "A-1", NewEntry())


def test_a_unit_first_seen_in_a_run_is_taken_in_when_somebody_says_so(journal: Journal) -> None:
    """The run of last year is when it was first seen; what is typed today stands today, or at the day that is given."""
    then = time.time() - 300 * DAY
    began = Header(bench="b1", unit="A-1", began=then, ended=then + 60)
    begin_run(journal, began, read_plan("resale"), LAYOUT)
    before = time.time()

    assert next((e.what, e.text, e.at) for e in story_of(journal, "A-1")) == ("first seen", "in run 1", then)
    take_in(journal, "A-1", "front-loader", complaint="drips")
    take_in(journal, "A-1", complaint="drips in the spin", on=before - 2 * DAY)
    take_in(journal, "A-1", serial="S-77")

    told = [(e.what, e.text, e.at >= before) for e in story_of(journal, "A-1")]
    assert told == [
        ("first seen", "in run 1", False),
        ("run", "run 1 on bench b1, plan resale: not judged yet", False),
        ("complaint", "drips in the spin", False),
        ("taken in", "front-loader", True),
        ("complaint", "drips", True),
    ]
    take_in(journal, "B-1", complaint="hums", on=date(2026, 3, 2))
    take_in(journal, "B-1", complaint="screams")
    first, second, third = story_of(journal, "B-1")
    assert (first.what, second.text, third.text) == ("taken in", "hums", "screams")
    assert first.at == second.at == datetime(2026, 3, 2).timestamp() < third.at
    with pytest.raises(InputError, match="future"):
        take_in(journal, "C-1", on=time.time() + 9 * DAY)


def test_a_sale_after_a_test_that_did_not_pass_is_doubted_and_kept(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On standard error and on the unit's page; not after a pass, nor once it came back."""
    monkeypatch.setenv("SOAKTEST_DATABASE", str(journal.engine.url))
    take_in(journal, "A-1")
    kept_run(journal, "A-1", time.time() - 3 * DAY, "retest")

    sold = CliRunner().invoke(app, ["unit", "write", "A-1", "sold", "--cost", "180"])

    assert (sold.exit_code, sold.stdout) == (0, "Entry 1 written.\n")
    assert "its last test (run 1) is a retest and no certificate stands" in sold.stderr
    with TestClient(create_app(journal, lambda _topic, _payload: None, None)) as client:
        assert "its last test (run 1) is a retest" in client.get("/units/A-1").text
    say(journal, "A-1", "came back")
    assert standing_doubt(journal, "A-1") == ""
    take_in(journal, "B-1")
    kept_run(journal, "B-1", time.time() - 3 * DAY, "pass")
    say(journal, "B-1", "sold")
    assert standing_doubt(journal, "B-1") == ""


def test_a_confirmed_repair_moves_the_suspects_of_that_kind_of_machine(journal: Journal) -> None:
    """A leak, a repair that names the part, a run that passes: runs after it lean that way, those before stay."""
    plan = read_plan("repair-check")
    with EmbeddedBroker() as broker:
        leaking, _ = simulate(demo_scenario())
        first = replay(leaking, journal, broker.address, (plan, LAYOUT))
        before = {s.part: s.probability for s in judge_run(journal, first.id).findings.suspects}
        assert priors_for(journal, LAYOUT) is None
        began = leaking.header.began + 10_000
        say(journal, "A-0417", "repair", "box resealed", at=began - 10, part="dispenser")
        dry, _ = simulate(demo_scenario(leaking=False))
        second = replay(later(dry, 10_000, b"2"), journal, broker.address, (plan, LAYOUT))
        assert judge_run(journal, second.id).findings.verdict == "pass"

        assert confirmed_causes(journal, "front-loader") == {"dispenser": 1.0}
        again = {s.part: s.probability for s in judge_run(journal, first.id).findings.suspects}
        third = replay(later(leaking, 20_000, b"3"), journal, broker.address, (plan, LAYOUT))
        after = {s.part: s.probability for s in judge_run(journal, third.id).findings.suspects}
    assert again == before
    assert after["dispenser"] > before["dispenser"]
    assert confirmed_causes(journal, "top-loader") == {}
    assert confirmed_causes(journal, "front-loader") == {}  # it leaks again, the same day
    say(
        journal, "A-0417", "came back", at=began + 9_000, part="door-seal"
    )  # dated back, and written down only now
    kept = find_run(journal, third.id)
    shown = {s.part: s.probability for s in examine_run(journal, kept).findings.suspects}
    assert shown == after  # what people look at stays what was judged
    anew = {s.part: s.probability for s in judge_run(journal, third.id).findings.suspects}
    assert anew["dispenser"] < after["dispenser"]


@pytest.mark.parametrize(
    ("story", "causes"),
    [
        ([(1, "repair", "door-seal"), (2, "pass", "")], {"door-seal": 1.0}),
        ([(1, "repair", "door-seal"), (2, "fail", ""), (3, "repair", "sump-hose"), (4, "pass", "")], {"sump-hose": 1.0}),
        ([(1, "repair", "door-seal"), (2, "retest", ""), (3, "pass", "")], {"door-seal": 1.0}),
        ([(1, "repair", "door-seal"), (1, "repair", "sump-hose"), (2, "pass", "")], {"door-seal": 0.5, "sump-hose": 0.5}),
        ([(1, "repair", "door-seal"), (2, "pass", ""), (9, "came back", "sump-hose")], {"sump-hose": 1.0}),
        ([(1, "repair", "door-seal"), (2, "pass", ""), (9, "came back", None)], {}),
        ([(1, "repair", "door-seal"), (2, "pass", ""), (9, "came back", "door-seal")], {"door-seal": 2.0}),
        ([(1, "repair", "door-seal"), (2, "pass", ""), (200, "came back", "sump-hose")], {"door-seal": 1.0, "sump-hose": 1.0}),
        (
            [(1, "repair", "door-seal"), (2, "pass", ""), (9, "came back", "sump-hose"), (10, "repair", "sump-hose"), (11, "pass", "")],
            {"sump-hose": 1.0},
        ),
        ([(2, "pass", "")], {}),
        ([(1, "repair", "door-seal"), (2, "pass", ""), (9, "fail", "")], {}),
        (
            [(0.8, "fail", ""), (1, "repair", "door-seal"), (2, "pass", ""), (9, "fail", ""), (10, "repair", "drain-hose"), (11, "pass", "")],
            {"drain-hose": 1.0},
        ),
        (
            [(1, "repair", "door-seal"), (2, "pass", ""), (200, "fail", ""), (201, "repair", "drain-hose"), (202, "pass", "")],
            {"door-seal": 1.0, "drain-hose": 1.0},
        ),
        ([(1, "came back", "sump-hose"), (2, "fail", ""), (3, "repair", "sump-hose"), (4, "pass", "")], {"sump-hose": 1.0}),
        ([(1, "repair", "door-seal"), (2, "under way", "")], {}),
    ],
)  # fmt: skip
def test_a_cause_is_confirmed_by_a_pass_or_a_comeback_and_taken_back_by_one(
    journal: Journal, story: list[tuple[float, str, str | None]], causes: dict[str, float]
) -> None:
    """A run that fails soon, or an early comeback for another part or none, disproves the repair before it; a run under way says nothing."""
    take_in(journal, "A-1")
    for day, what, part in story:
        if what in ("pass", "fail", "retest"):
            kept_run(journal, "A-1", day * DAY, what)
        elif what == "under way":
            kept_run(journal, "A-1", day * DAY, "pass", ended=False)
        else:
            say(journal, "A-1", what, at=day * DAY, part=part)

    assert confirmed_causes(journal, "front-loader") == causes
    assert confirmed_causes(journal, "front-loader", before=0.5 * DAY) == {}


def test_time_to_comeback_counts_those_still_away(journal: Journal) -> None:
    """A sale ends with a comeback, or is still running today."""
    for tag, back in (("A-1", 40.0), ("A-2", None)):
        take_in(journal, tag)
        say(journal, tag, "repair", at=0.5 * DAY, part="sump-hose")
        say(journal, tag, "repair", at=DAY, part="door-seal", work="resealed")
        say(journal, tag, "sold", at=2 * 86_400.0)
        if back:
            say(journal, tag, "came back", at=(2 + back) * 86_400.0)

    assert times_to_comeback(journal, now=102 * 86_400.0) == [
        Away((("sump-hose", ""), ("door-seal", "resealed")), 40.0, back=True),
        Away((("sump-hose", ""), ("door-seal", "resealed")), 100.0, back=False),
    ]


def test_a_dear_comeback_is_worth_more_washes() -> None:
    """Cheap washes and dear comebacks ask for more of them; a comeback that costs nothing for none."""
    assert washes_worth_running(1.0, 0.0) == 0
    assert washes_worth_running(1.0, 50.0) < washes_worth_running(1.0, 500.0)


def test_the_few_figures_come_from_the_records_alone(journal: Journal) -> None:
    """Medians of what was written down, with intervals; nothing made up where nothing was."""
    take_in(journal, "A-1")
    assert figures(journal).minutes_a_repair is None
    say(journal, "A-1", "repair", at=time.time() - 60, part="door-seal", minutes=30.0, cost=12.0)
    wrong = say(journal, "A-1", "repair", at=time.time() - 50, minutes=999.0)
    say(journal, "A-1", "repair", minutes=10.0, cost=0.0, corrects=wrong)
    kept_run(journal, "A-1", time.time() - 20, "pass")
    say(journal, "A-1", "sold", cost=100.0)

    f, with_work = figures(journal), figures(journal, hour_cost=30.0)

    assert (f.units, f.repairs, f.sold) == (1, 2, 1)
    assert f.minutes_a_repair is not None
    assert (
        f.minutes_a_repair.value,
        f.minutes_a_repair.low,
        f.minutes_a_repair.high,
        f.minutes_a_repair.bounded,
    ) == (20.0, 10.0, 30.0, False)
    assert f.cost_to_price is not None
    assert f.cost_to_price.value == pytest.approx(0.12)
    assert with_work.cost_to_price is not None
    assert with_work.cost_to_price.value == pytest.approx(0.32)
    assert f.fixed_first_time is not None
    assert (f.fixed_first_time.count, f.fixed_first_time.of) == (1, 1)
    assert f.fixed_first_time.low == pytest.approx(0.025)
    assert f.came_back is not None
    assert f.came_back.high == pytest.approx(0.975)
    assert f.bench_hours_a_verdict == 1.0


def test_a_median_has_an_interval_from_six_values_on() -> None:
    """Order statistics: the extremes of six hold the median with 1 - 2 / 2^6 = 96.9 %."""
    assert middle([]) is None
    five, six = middle([5.0, 1.0, 2.0, 3.0, 4.0]), middle([6.0, 5.0, 1.0, 2.0, 3.0, 4.0])
    assert five is not None
    assert six is not None
    assert (five.value, five.bounded) == (3.0, False)
    assert (six.value, six.low, six.high, six.bounded) == (3.5, 1.0, 6.0, True)


def test_comebacks_of_units_never_sold_and_sales_one_after_another_are_told_apart(journal: Journal) -> None:
    """Two sales of one unit are two; a unit that was brought in for a leak and never sold is no comeback."""
    take_in(journal, "A-1")
    take_in(journal, "B-1")
    say(journal, "A-1", "repair", at=DAY, part="door-seal", cost=10.0)
    say(journal, "A-1", "sold", at=2 * DAY, cost=100.0)
    say(journal, "A-1", "repair", at=30 * DAY, part="sump-hose", cost=5.0)
    say(journal, "A-1", "sold", at=32 * DAY, cost=50.0)
    say(journal, "B-1", "came back", at=33 * DAY)

    assert times_to_comeback(journal, now=42 * DAY) == [
        Away((("door-seal", ""),), 30.0, back=False),
        Away((("sump-hose", ""),), 10.0, back=False),
    ]
    f = figures(journal)
    assert f.came_back is not None
    assert (f.came_back.count, f.came_back.of) == (0, 2)
    assert f.cost_to_price is not None
    assert (f.cost_to_price.low, f.cost_to_price.high) == pytest.approx((0.1, 0.1))


def test_a_correction_dated_back_travels(journal: Journal, tmp_path: Path) -> None:
    """It stands after what it corrects, whatever day it names; and a tag with an underscore is found."""
    take_in(journal, "A_17")
    wrong = say(journal, "A_17", "repair", "valve", at=9 * DAY)
    say(journal, "A_17", "repair", "hose", at=2 * DAY, corrects=wrong)
    other = open_journal(f"sqlite:///{tmp_path / 'o.sqlite'}")
    assert import_json(other, export_json(journal)) == (1, 2)
    assert import_table(other, export_csv(journal)) == (0, 0)
    other.close()
    assert [line.unit.tag for line in list_units(journal, "a_1")] == ["A_17"]
