"""What the service shows of a run: the timeline drawn ahead, zooms, tables; after it was judged, and judged anew."""

import re
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa
from fastapi.testclient import TestClient
from typer.testing import CliRunner

from soaktest.bench import begin_run, cancel_run, examine_run, find_run, judge_run, layout_of, plan_of
from soaktest.cli.app import app
from soaktest.errors import RunError
from soaktest.journal import Journal, open_journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Header
from soaktest.simulate.bench import demo_scenario, simulate
from soaktest.tables import OverviewRow, PieceRow, RunRow
from soaktest.web.app import create_app
from soaktest.web.examined import Examined, Overviews
from soaktest.workshop.stories import story_of
from tests.service.shop import Shop


def test_the_timeline_of_a_judged_run_is_drawn_before_anybody_asks(tmp_path: Path) -> None:
    """The service draws it by itself; a run that is judged anew is drawn anew."""

    journal = open_journal(f"sqlite:///{tmp_path / 'j.sqlite'}")
    recording, _ = simulate(demo_scenario())
    journal.keep(list(recording.messages))
    run = begin_run(journal, recording.header, read_plan("repair-check"), read_layout("front-loader"))
    judge_run(journal, run.id)

    def drawn() -> str | None:
        with journal.session() as session:
            return session.scalar(sa.select(OverviewRow.made_by))

    with TestClient(create_app(journal, lambda _topic, _payload: None, None)) as client:
        deadline = time.monotonic() + 30
        while drawn() is None and time.monotonic() < deadline:
            time.sleep(0.1)
        first = drawn()
        assert first is not None
        figure = client.get(f"/api/runs/{run.id}/figure").json()
        assert {"left pad", "power"} <= {trace["name"] for trace in figure["data"]}
        judge_run(journal, run.id)
        while drawn() == first and time.monotonic() < deadline:
            time.sleep(0.1)
        assert drawn() != first
    journal.close()


def test_a_run_judged_anew_is_shown_anew(tmp_path: Path) -> None:
    """Its second wash came late: findings, table and timeline are those of the second judgement."""

    journal = open_journal(f"sqlite:///{tmp_path / 'j.sqlite'}")
    recording, _ = simulate(demo_scenario(leaking=False))
    messages = list(recording.messages)
    half = len(messages) // 2
    journal.keep(messages[:half])
    run = begin_run(journal, recording.header, read_plan("repair-check"), read_layout("front-loader"))
    client = TestClient(create_app(journal, lambda _topic, _payload: None, None))

    def shown() -> tuple[str, int, int]:
        verdict = client.get(f"/api/runs/{run.id}/findings").json()["verdict"]
        table = client.get(f"/runs/{run.id}/download/csv").text
        drawn = client.get(f"/api/runs/{run.id}/figure").json()["data"]
        heard = next(len(trace["y"]["bdata"]) for trace in drawn if trace["name"] == "left pad")
        return verdict, table.count(",,"), heard

    judge_run(journal, run.id)
    first = shown()
    journal.keep(messages[half:])
    judge_run(journal, run.id)
    second = shown()

    assert (first[0], second[0]) == ("retest", "pass")
    assert second[1] < first[1]
    assert second[2] > first[2]
    journal.close()


def test_a_table_is_empty_where_nothing_was_heard_and_pads_read_alike_everywhere() -> None:
    """No line is drawn over a silence, of power no more than of a pad; a pad reads the same live, drawn and in a table."""
    from soaktest.analysis.analyse import examine
    from soaktest.glance import Glance
    from soaktest.recording import Recording
    from soaktest.tables import MessageRow
    from soaktest.thinning import microsiemens
    from soaktest.web.runs import by_second
    from soaktest.wire import parse_topic

    whole, _ = simulate(demo_scenario(leaking=False))
    began = whole.header.began
    kept = [m for m in whole.messages if not began + 600 < m.at < began + 900]
    analysis = examine(Recording(whole.header, kept), read_layout("front-loader"), read_plan("repair-check"))
    table = by_second(analysis)
    silent = table[(table.utc_s > began + 605) & (table.utc_s < began + 895)]
    assert silent[["power_w", "inlet_share", "left_microsiemens"]].notna().sum().sum() == 0
    assert table.power_w.notna().mean() > 0.85

    glance = Glance("b1")
    for message in kept[:400]:
        topic = parse_topic(message.topic)
        glance.take(
            MessageRow(at=message.at, bench="b1", node=topic.node, kind=topic.kind, payload=message.payload)
        )
    live = glance.strip()["pads"]["left"][-1][1]  # type: ignore[index]
    drawn = float(np.median(microsiemens(analysis.pads["left"].log_g[:90])))
    assert live == pytest.approx(drawn, rel=0.05)
    assert table.left_microsiemens[:90].median() == pytest.approx(drawn, rel=0.01)


def test_a_table_as_text_has_as_many_times_as_rows_and_says_its_units() -> None:
    """A second is a hundred-millionth of UTC seconds: times are written apart from what was measured, and by ISO 8601 too."""
    import io

    import pandas as pd

    from soaktest.analysis.analyse import examine
    from soaktest.web.runs import as_csv, by_second

    recording, _ = simulate(demo_scenario())
    table = by_second(examine(recording, read_layout("front-loader"), read_plan("repair-check")))
    told = pd.read_csv(io.StringIO(as_csv(table)))

    assert told.utc_s.nunique() == told.time_utc.nunique() == len(told) > 2000
    assert np.abs(told.utc_s - table.utc_s).max() <= 0.001
    iso = pd.to_datetime(told.time_utc)
    assert str(iso.dt.tz) == "UTC"
    assert (
        np.abs(iso.astype("int64") / {"ns": 1e9, "us": 1e6, "ms": 1e3}[iso.dt.unit] - told.utc_s).max()
        <= 0.001
    )
    heads = ["phase", "phase_probability"]
    heads += [f"{zone}_microsiemens" for zone in ("left", "centre", "right")]
    heads += ["power_w", "vibration_m_s2", "inlet_share", "outlet_share"]
    assert list(told.columns) == ["time_utc", "utc_s", *heads]


def test_a_zoom_reads_what_is_in_view_and_shows_what_the_analysis_holds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a judged run that was drawn before, no service judges anything for a zoom; gaps and spikes are where they were."""
    from soaktest.simulate.bench import Scenario
    from soaktest.simulate.water import Leak
    from soaktest.web.lines import lines_of, window_lines

    journal = open_journal(f"sqlite:///{tmp_path / 'j.sqlite'}")
    recording, _ = simulate(Scenario(seed=5, programmes=("cotton", "cotton"), leak=Leak("door-seal", 2.0)))
    lost = recording.header.began + 5000.0
    kept = [m for m in recording.messages if not lost < m.at < lost + 300.0]
    journal.keep(kept)
    run = begin_run(journal, recording.header, read_plan("repair-check"), read_layout("front-loader"))
    judge_run(journal, run.id)
    run = find_run(journal, run.id)
    whole = lines_of(examine_run(journal, run))
    draw_and_pack(journal)

    def refuse(*_: object) -> None:
        raise AssertionError("a zoom judged the run")

    monkeypatch.setattr("soaktest.web.examined.examine_run", refuse)
    began, ended = run.began, run.ended or 0.0
    with TestClient(create_app(journal, lambda _topic, _payload: None, None)) as client:

        def zoom(start: float, end: float) -> dict[str, dict[str, list[float]]]:
            got = client.get(f"/api/runs/{run.id}/window?start={start}&end={end}")
            assert got.status_code == 200
            return dict(got.json())

        for start, end in (
            (began + 3300, began + 3900),
            (lost - 100, lost + 400),
            (began + 700, began + 705),
        ):
            near, exact = zoom(start, end), window_lines(whole, start, end)
            assert near.keys() == exact.keys()
            for name, line in exact.items():
                inside = [(t, v) for t, v in zip(line["t"], line["v"], strict=True) if start <= t <= end]
                got = [
                    (t, v) for t, v in zip(near[name]["t"], near[name]["v"], strict=True) if start <= t <= end
                ]
                assert len(got) == len(inside)
                for (t, v), (t_exact, v_exact) in zip(got, inside, strict=True):
                    assert t == pytest.approx(t_exact, abs=0.002)
                    assert v == (None if v_exact is None else pytest.approx(v_exact, rel=1e-4))
        everything = zoom(began, ended)
        for name, line in window_lines(whole, began, ended).items():
            values = [v for v in everything[name]["v"] if v is not None]
            assert max(values) == pytest.approx(max(v for v in line["v"] if v is not None), rel=0.03)
            assert any(v is None for v in everything[name]["v"])
            assert len(everything[name]["t"]) <= 1600
        assert client.get(f"/runs/{run.id}/why").text.count("why-plot") == 3
        assert client.get(f"/api/runs/{run.id}/why/2").json()["data"]
        assert client.get(f"/api/runs/{run.id}/why/3").status_code == 422
    journal.close()


def test_a_run_begun_without_a_tag_is_given_its_unit_once_and_the_story_says_so(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On its page or in the terminal; what names a unit keeps it."""
    journal = shop.journal
    recording = journal.recording(shop.passed)
    header = recording.header.model_copy(update={"unit": None})
    run = begin_run(journal, header, plan_of(shop.passed), layout_of(shop.passed), source=shop.passed.source)
    judge_run(journal, run.id)
    monkeypatch.setattr("soaktest.cli.runs.journal", lambda: journal)
    with TestClient(create_app(journal, lambda *_: None, None)) as client:
        page = client.get(f"/runs/{run.id}").text
        assert "cannot be certified until it names one" in page
        token = re.findall('name="token" content="([^"]+)"', page)[0]
        for tag, said in ((" ", 422), ("B-0001", 200), ("B-0002", 409)):
            sent = client.post(f"/runs/{run.id}/unit", data={"tag": tag, "token": token})
            assert sent.status_code == said
        assert "is of unit B-0001 and keeps it" in sent.text
        page = client.get(f"/runs/{run.id}").text
        assert "Which unit was it?" not in page
        assert "Certify this run" in page
        assert '"unit":"B-0001"' in str(find_run(journal, run.id).findings)
        assert "unit B-0001" in client.get(f"/runs/{run.id}/download/timeline").text.lower().replace(
            "b-", "B-"
        )
    told = [entry.text for entry in story_of(journal, "B-0001") if entry.what == "note"]
    assert told == [f"run {run.id} was begun without a tag; it was said afterwards that it is of this unit"]
    assert "keeps it" in str(CliRunner().invoke(app, ["run", "unit", str(run.id), "B-0003"]).exception)


def test_a_run_that_another_version_judged_is_looked_at_anew(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its page, its findings for programs, and at the terminal what to do to see why."""
    journal, number = shop.journal, shop.leaked.id
    with journal.session() as session:
        session.get_one(RunRow, number).findings = '{"verdict": "fail", "of": "another version"}'
    client = TestClient(create_app(journal, lambda _topic, _payload: None, None))

    assert "FAIL" in client.get(f"/runs/{number}").text
    assert client.get(f"/api/runs/{number}/findings").json()["verdict"] == "fail"
    assert client.get("/runs").status_code == 200
    monkeypatch.setattr("soaktest.cli.runs.journal", lambda: journal)
    said = CliRunner().invoke(app, ["run", "show", str(number)])
    assert said.exit_code == 0
    assert f"judge it anew: soaktest judge {number}" in said.output


def test_runs_are_found_by_their_words_and_a_cancelled_one_is_no_retest(shop: Shop) -> None:
    """By unit, bench, plan and verdict; what was cancelled gives no orders."""
    journal = shop.journal
    cancelled = begin_run(
        journal, Header(bench="b8", began=time.time() - 60), plan_of(shop.passed), layout_of(shop.passed)
    )
    cancel_run(journal, cancelled.id)
    judge_run(journal, shop.leaked.id)
    with TestClient(create_app(journal, lambda *_: None, None)) as client:

        def found(words: str) -> set[int]:
            return {
                int(n)
                for n in re.findall(r'href="/runs/(\d+)"', client.get("/runs", params={"find": words}).text)
            }

        assert found(f"fail {shop.leaked.bench}") == {shop.leaked.id}
        assert found("cancelled") == found("no unit b8") == {cancelled.id}
        assert "No run is like that" in client.get("/runs?find=b77").text
        page = client.get(f"/runs/{cancelled.id}").text
        assert "CANCELLED: this run was ended and is not judged" in page
        assert "RETEST" not in page
        assert "<h2>Why</h2>" not in page
        refused = client.get(f"/api/runs/{cancelled.id}/findings")
        assert refused.status_code == 409
        assert "was cancelled and is not judged" in refused.text
    with pytest.raises(RunError, match=f"soaktest record {cancelled.id}"):
        judge_run(journal, cancelled.id)


def test_what_was_found_after_a_run_is_noted_beside_it_and_taken_away_with_it(shop: Shop) -> None:
    """The split hose is seen when the machine is open, and the run is over by then."""
    with TestClient(create_app(shop.journal, lambda *_: None, None)) as client:
        page = client.get(f"/runs/{shop.leaked.id}").text
        token = re.findall('name="token" content="([^"]+)"', page)[0]
        assert "Add a note or photo" in page
        note = {"text": "hose split <below> the clip", "token": token}
        assert client.post(f"/runs/{shop.leaked.id}/notes", data=note).status_code == 200
        taken = client.get(f"/runs/{shop.leaked.id}/download/timeline").text
    assert "hose split &lt;below&gt; the clip" in taken


def draw_and_pack(journal: Journal) -> None:
    """What the service does by itself while nobody waits."""
    overviews = Overviews(journal, Examined())
    overviews.start()
    deadline = time.monotonic() + 60
    while not packed(journal) and time.monotonic() < deadline:
        time.sleep(0.05)
    overviews.stop()
    assert packed(journal)


def packed(journal: Journal) -> bool:
    """Whether pieces and explanations of the only run are kept beside its timeline."""
    with journal.session() as session:
        pieces = session.scalar(sa.select(sa.func.count()).select_from(PieceRow))
        whys = session.scalar(sa.select(OverviewRow.whys))
    assert bool(pieces) == (whys is not None)
    return whys is not None


@pytest.fixture
def judged(tmp_path: Path) -> Iterator[tuple[Journal, int]]:
    """A journal and the number of its only run, which leaks and was judged."""
    journal = open_journal(f"sqlite:///{tmp_path / 'j.sqlite'}")
    recording, _ = simulate(demo_scenario())
    journal.keep(list(recording.messages))
    run = begin_run(journal, recording.header, read_plan("repair-check"), read_layout("front-loader"))
    judge_run(journal, run.id)
    yield journal, run.id
    journal.close()


def test_a_timeline_is_answered_before_its_pieces_are_packed_and_a_restart_between_loses_nothing(
    judged: tuple[Journal, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Zooms and explanations come of the analysis until then, and are the same afterwards; what was drawn is not drawn again."""
    journal, number = judged

    def power_cut(*_: object) -> None:
        raise OSError("power cut")

    monkeypatch.setattr("soaktest.web.examined.IDLE_S", 600.0)  # nobody draws ahead
    monkeypatch.setattr(Overviews, "_pack", power_cut)
    with TestClient(create_app(journal, lambda *_: None, None)) as client:
        drawn = client.get(f"/api/runs/{number}/figure").text
        assert not packed(journal)
        run = find_run(journal, number)
        path = f"/api/runs/{number}/window?start={run.began + 600}&end={run.began + 900}"
        before = client.get(path).json(), client.get(f"/runs/{number}/why").text

    monkeypatch.undo()
    monkeypatch.setattr("soaktest.web.examined.timeline_figure", None)
    draw_and_pack(journal)
    monkeypatch.setattr("soaktest.web.examined.examine_run", None)
    with TestClient(create_app(journal, lambda *_: None, None)) as client:
        assert client.get(f"/api/runs/{number}/figure").text == drawn
        assert client.get(f"/runs/{number}/why").text == before[1]
        after = client.get(path).json()
    assert after.keys() == before[0].keys()
    for name, line in before[0].items():
        assert after[name]["t"] == pytest.approx(line["t"], abs=0.002)
        assert after[name]["v"] == pytest.approx(line["v"], rel=1e-4)


def test_packing_gives_way_to_whoever_zooms_and_ends_with_the_service(
    judged: tuple[Journal, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Packed at once when the timeline was drawn, it made the first zooms of a day's run take twice as long."""
    journal, number = judged
    monkeypatch.setattr("soaktest.web.examined.IDLE_S", 600.0)  # nobody draws ahead
    monkeypatch.setattr("soaktest.web.examined.LOOKING_S", 3.0)
    with TestClient(create_app(journal, lambda *_: None, None)) as client:
        run = find_run(journal, number)
        path = f"/api/runs/{number}/window?start={run.began + 600}&end={run.began + 900}"
        client.get(path).raise_for_status()
        client.get(f"/api/runs/{number}/figure").raise_for_status()
        zoomed = time.monotonic()
        while time.monotonic() < zoomed + 4.0:  # longer than it waits after the last zoom
            client.get(path).raise_for_status()
            assert not packed(journal)
            time.sleep(0.2)
        time.sleep(1.0)
        assert not packed(journal)
        end = time.monotonic() + 30
        while not packed(journal):
            assert time.monotonic() < end
            time.sleep(0.2)
        client.get(path).raise_for_status()
        overviews = client.app.state.overviews  # type: ignore[attr-defined]
        stopped = time.monotonic()
        overviews.stop()
        assert time.monotonic() - stopped < 2.0


def test_pieces_of_an_earlier_judgement_are_not_kept_beside_a_later_one(judged: tuple[Journal, int]) -> None:
    """Who packs slowly finds that the run was judged and drawn anew meanwhile, and keeps nothing."""
    journal, number = judged
    old, overviews = find_run(journal, number), Overviews(journal, Examined())
    analysis = overviews._examined.of(journal, old)
    overviews.of(old)
    judge_run(journal, number)
    overviews.of(find_run(journal, number))

    overviews._pack(old, analysis)
    assert not packed(journal)
    overviews._pack(find_run(journal, number), analysis)
    assert packed(journal)


def test_a_run_is_examined_once_for_all_who_ask_while_it_is_drawn_ahead(
    judged: tuple[Journal, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two examined a day's run side by side, and each took twice as long; what is drawn ahead does not stay in memory."""
    journal, number = judged
    examined, times = Examined(), []

    def slowly(*asked: Any) -> Any:
        times.append(time.monotonic())
        time.sleep(0.5)
        return examine_run(*asked)

    monkeypatch.setattr("soaktest.web.examined.examine_run", slowly)
    run, overviews = find_run(journal, number), Overviews(journal, examined)
    ahead = threading.Thread(target=overviews._draw_one)
    ahead.start()
    while not times:
        time.sleep(0.01)
    overviews.of(run)
    ahead.join()

    assert len(times) == 1
    overviews._draw_one()
    with examined.lent(journal, replace_judged(run)):
        pass
    assert len(times) == 2
    assert not examined._lent
    assert len(examined._kept) == 1


def replace_judged(run: RunRow) -> RunRow:
    """The run as if it had been judged a second later."""
    return RunRow(
        **{c.name: getattr(run, c.name) for c in RunRow.__table__.columns}
        | {"judged_at": (run.judged_at or 0.0) + 1.0}
    )


def test_a_long_run_says_what_its_page_waits_for(tmp_path: Path) -> None:
    """No page stays blank while a day is read: a run that is not judged first says so, and goes on to the answer by itself."""
    journal = open_journal(f"sqlite:///{tmp_path / 'j.sqlite'}")
    recording, _ = simulate(demo_scenario(leaking=False))
    journal.keep(list(recording.messages))
    began = recording.header.began
    for ended in (began + 86_400.0, recording.header.ended):
        header = recording.header.model_copy(update={"ended": ended})
        begin_run(journal, header, read_plan("repair-check"), read_layout("front-loader"))
    client = TestClient(create_app(journal, lambda *_: None, None))

    first = client.get("/runs/1").text
    assert "Reading 24 hours of packs" in first
    assert 'content="0; url=/runs/1?whole=1"' in first
    whole = client.get("/runs/1?whole=1").text
    assert "Reading 24 hours of packs to draw the timeline." in whole
    assert "RETEST" in whole
    short = client.get("/runs/2").text
    assert "Drawing the timeline…" in short
    assert "http-equiv" not in short
    assert "url=/compare?a=1&amp;b=2&amp;whole=1" in client.get("/compare?a=1&b=2").text
    judge_run(journal, 1)
    assert "It is kept then" in client.get("/runs/1").text
    client.get("/api/runs/1/figure")
    assert "Drawing the timeline…" in client.get("/runs/1").text
    journal.close()
