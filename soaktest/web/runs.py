"""Runs, live or old: the timeline with its window, notes, downloads, and two runs side by side."""

from __future__ import annotations

import io
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path as FilePath
from typing import Annotated, Any, Literal

import numpy as np
import pandas as pd
from fastapi import APIRouter, Depends, Form, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from soaktest.analysis.analyse import Analysis
from soaktest.analysis.why import explain_events
from soaktest.bench import find_run, layout_of, list_runs, name_unit, plan_of, refuse_cancelled, so_far
from soaktest.certificate.register import list_certificates
from soaktest.errors import InputError, Way
from soaktest.findings import Findings, kept_name, kept_whole
from soaktest.in_words import Clock, answer, event_rows, jumps, verdict_shown, what_changed
from soaktest.journal import Journal
from soaktest.records import find_note, notes_of
from soaktest.tables import RunRow
from soaktest.thinning import broken, microsiemens
from soaktest.timeline import timeline_page, with_notes
from soaktest.timeline_style import floor_plan, place_in_words
from soaktest.vocabulary import CHANNEL_UNITS, PHASE_SIGNALS, PHASES
from soaktest.web.benches import Number, book, watch_of
from soaktest.web.door import must_carry_token
from soaktest.web.examined import Examined, Overviews
from soaktest.web.lines import lines_of
from soaktest.web.templates import page
from soaktest.why_plot import why_figure

router = APIRouter()
STILL_WET_S = 1800.0
"""So long after a run its marks may still be seen; they dry within minutes, and the drip watch is over by then."""


def analysis_of(request: Request, run: RunRow) -> Analysis:
    """The run's analysis, kept by the application."""
    examined: Examined = request.app.state.examined
    return examined.of(book(request), run)


def overviews_of(request: Request) -> Overviews:
    """The drawn timelines, kept by the application."""
    overviews: Overviews = request.app.state.overviews
    return overviews


@router.get("/runs", include_in_schema=False)
def all_runs(request: Request, find: Annotated[str, Query(max_length=100)] = "") -> HTMLResponse:
    """Runs, the newest first; those whose unit, bench, plan or verdict holds the words."""
    live = {state["run"]["id"]: state for state in watch_of(request).snapshot().values() if state["run"]}
    rows = [
        {"run": run, "plan": plan_of(run).name, "verdict": _so_far(run, live.get(run.id))}
        for run in list_runs(book(request), 2000 if find else 200)
    ]
    for word in find.casefold().split():
        rows = [row for row in rows if word in _words_of(row)]
    return page(request, "runs.html", rows=rows[:200], find=find)


def _words_of(row: dict[str, Any]) -> str:
    run: RunRow = row["run"]
    return f"{run.id} {run.unit or 'no unit'} {run.bench} {row['plan']} {row['verdict']}".casefold()


def _so_far(run: RunRow, live: dict[str, Any] | None) -> str:
    """A run's verdict in a word or two; one that goes on has none yet, but water is told at once."""
    if run.ended is None and live is not None:
        told, alarm = live["run"], live["alarm"]
        wet = alarm["zones"] if alarm else []
        return so_far(wet, list(told.get("leaked", ())), cannot_pass=bool(told.get("lost")))
    if run.ended is None:
        return "under way"
    if run.stage == "cancelled":
        return "cancelled"
    return kept_name(run.findings) or "not judged yet"


@router.get("/runs/{number}", include_in_schema=False)
def one_run(request: Request, number: Number, whole: bool = False) -> HTMLResponse:
    """The timeline of a run, its reasons, suspects, notes and downloads; first what it waits for, where that takes long."""
    run = find_run(book(request), number)
    if not whole and _waits(run):
        return page(request, "waiting.html", runs=[run], hours=_hours(run), then=f"/runs/{number}?whole=1")
    told = kept_findings(run) or analysis_of(request, run).findings
    verdict, clock = verdict_shown(told, cancelled=run.stage == "cancelled"), Clock.of(told.began)
    others = [
        r
        for r in list_runs(book(request), 500)
        if r.unit and r.unit == run.unit and r.id != run.id and r.stage != "cancelled"
    ]
    return page(
        request, "run.html", run=run, f=told, events=event_rows(told), verdict=verdict,
        answer=answer(told, live=run.ended is None), floor=floor_plan(layout_of(run), told, clock.time), place=place_in_words(told), jumps=jumps(told), clock=clock,
        hours=None if _is_short(run) or overviews_of(request).is_kept(run) else _hours(run),
        fresh=run.ended is None or time.time() - run.ended < STILL_WET_S, notes=notes_of(book(request), number), others=others, signed=[row for row, fallen in list_certificates(book(request), number) if not fallen],
    )  # fmt: skip


SHORT_H = 3.0
"""A shorter run is examined in a second or two, and nothing is said about it."""


def _waits(run: RunRow) -> bool:
    """Whether its page would stay blank while a long run is examined."""
    return kept_findings(run) is None and not _is_short(run)


def _is_short(run: RunRow) -> bool:
    return _hours(run) < SHORT_H


def _hours(run: RunRow) -> float:
    """So many hours were recorded until now."""
    return ((time.time() if run.ended is None else run.ended) - run.began) / 3600.0


def kept_findings(run: RunRow) -> Findings | None:
    """The answer kept with a judged run, so that its page need not wait for the analysis; None where there is none, or
    another version kept it: then the run is looked at anew.
    """
    return kept_whole(run.findings) if run.ended is not None else None


@router.get("/runs/{number}/why", include_in_schema=False)
def whys(request: Request, number: Number) -> HTMLResponse:
    """Each wet event explained, as a piece of the run's page."""
    run = find_run(book(request), number)
    kept = overviews_of(request).whys(run)
    told: Any = kept if kept is not None else explain_events(analysis_of(request, run))
    return page(request, "whys.html", run=run, whys=told, clock=Clock.of(run.began))


@router.get("/api/runs/{number}/findings", summary="The findings of a run")
def findings(request: Request, number: Number) -> Response:
    """The findings as JSON, as ``soaktest judge --json`` prints them."""
    run = find_run(book(request), number)
    refuse_cancelled(run)
    return Response(
        analysis_of(request, run).findings.model_dump_json(indent=2), media_type="application/json"
    )


@router.get("/api/runs/{number}/figure", include_in_schema=False)
def figure(request: Request, number: Number) -> Response:
    """The whole timeline as a figure's JSON, notes at their times."""
    run = find_run(book(request), number)
    drawn = with_notes(overviews_of(request).of(run), notes_of(book(request), number))
    return Response(drawn, media_type="application/json")


@router.get("/api/runs/{number}/why/{event}", include_in_schema=False)
def why(request: Request, number: Number, event: int) -> Response:
    """The small plot of one wet event."""
    run = find_run(book(request), number)
    kept = overviews_of(request).whys(run)
    analysis = analysis_of(request, run) if kept is None else None
    told: Sequence[Any] = explain_events(analysis) if analysis else kept or []
    if not 0 <= event < len(told):
        raise InputError(f"run {number} has {len(told)} wet events.")
    drawn = why_figure(analysis, told[event]).to_json() if analysis else told[event]["figure"]
    return Response(drawn, media_type="application/json")


@router.get(
    "/api/runs/{number}/window", summary="The lines of a run within a window, thinned to what a screen shows"
)
def window(
    request: Request,
    number: Number,
    start: Annotated[float, Query(ge=0, lt=1e11, description="UTC seconds")],
    end: Annotated[float, Query(ge=0, lt=1e11, description="UTC seconds")],
) -> dict[str, Any]:
    """Times (UTC seconds) and values by line."""
    if end <= start:
        raise InputError("the window ends before it begins.")
    return overviews_of(request).window(find_run(book(request), number), start, end)


@router.get("/runs/{number}/download/{kind}", include_in_schema=False)
def download(
    request: Request, number: Number, kind: Literal["timeline", "csv", "parquet", "recording"]
) -> Response:
    """The run as a self-contained page, as a table by the second, or as a recording."""
    run = find_run(book(request), number)
    if kind == "recording":
        return _recording(book(request), run)
    analysis = analysis_of(request, run)
    if kind == "timeline":
        return _file(
            timeline_page(
                analysis, notes_of(book(request), number), cancelled=run.stage == "cancelled"
            ).encode(),
            f"run-{number}.html",
            "text/html",
        )
    table = by_second(analysis)
    if kind == "csv":
        return _file(as_csv(table).encode(), f"run-{number}.csv", "text/csv")
    out = io.BytesIO()
    table.to_parquet(out, index=False)
    return _file(out.getvalue(), f"run-{number}.parquet", "application/vnd.apache.parquet")


_UNITS_IN_HEADS = {"W": "w", "A": "a", "m/s2": "m_s2", "/": "share"}
_HEADS = {name: f"{name}_{_UNITS_IN_HEADS[CHANNEL_UNITS[name]]}" for name in PHASE_SIGNALS}
"""Column heads of the further signals: each names its unit."""


def by_second(analysis: Analysis) -> pd.DataFrame:
    """One row a second: UTC time, phase and how sure, pads in microsiemens, further signals as heard; nothing where silent."""
    phases = analysis.phases
    t = phases.t0 + np.arange(phases.seconds) + 0.5
    columns: dict[str, Any] = {
        "time_utc": pd.to_datetime(np.round(t * 1000).astype(np.int64), unit="ms", utc=True),
        "utc_s": t,
        "phase": np.array(PHASES)[phases.best],
        "phase_probability": phases.probability[np.arange(phases.seconds), phases.best],
    }
    for name, line in lines_of(analysis).items():
        zone, pad, _ = name.partition(" pad")
        if pad:
            column = np.full(len(t), np.nan)
            index = np.floor(line.t - phases.t0).astype(int)
            inside = (index >= 0) & (index < len(t))
            column[index[inside]] = microsiemens(line.v[inside])
            columns[f"{zone}_microsiemens"] = column
        else:  # what is broken by a silence stays so between its samples
            at = broken(line.t, line.v, line.silence_s)
            columns[_HEADS[name]] = np.interp(t, *at, left=np.nan, right=np.nan)
    return pd.DataFrame(columns)


def as_csv(table: pd.DataFrame) -> str:
    """The table as text. Six digits do for what was measured; a time needs more, or a whole run has one and the same."""
    told = table.assign(
        time_utc=table.time_utc.dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z",
        utc_s=table.utc_s.map("{:.3f}".format),
    )
    return told.to_csv(index=False, float_format="%.6g")


def _recording(journal: Journal, run: RunRow) -> Response:
    from soaktest.recording import write_recording

    recording = journal.recording(run)
    with tempfile.TemporaryDirectory() as folder:
        path = write_recording(FilePath(folder) / "run.ndjson.gz", recording.header, recording.messages)
        return _file(path.read_bytes(), f"run-{run.id}.ndjson.gz", "application/gzip")


def _file(content: bytes, name: str, kind: str) -> Response:
    return Response(
        content, media_type=kind, headers={"content-disposition": f'attachment; filename="{name}"'}
    )


@router.post("/runs/{number}/unit", dependencies=[Depends(must_carry_token)], include_in_schema=False)
def whose(request: Request, number: Number, tag: Annotated[str, Form(max_length=64)]) -> Response:
    """Say whose run it was, where it was begun without a tag."""
    name_unit(book(request), number, tag)
    return RedirectResponse(f"/runs/{number}", 303)


@router.get("/notes/{number}/photo", include_in_schema=False)
def photo(request: Request, number: Number) -> Response:
    """A note's photo."""
    row = find_note(book(request), number)
    if row.photo is None:
        raise InputError(f"note {number} has no photo.")
    return Response(row.photo, media_type="image/jpeg")


@router.get("/compare", include_in_schema=False)
def compare(
    request: Request,
    a: Annotated[int | None, Query(ge=1, le=2**53)] = None,
    b: Annotated[int | None, Query(ge=1, le=2**53)] = None,
    whole: bool = False,
) -> Response:
    """Two runs on equal axes, such as before and after a repair."""
    if a is None or b is None:
        raise InputError(
            "two runs are compared. Open one, and choose there what it is laid beside.",
            Way("run list", "runs"),
        )
    if a == b:
        return RedirectResponse(f"/runs/{a}", 303)
    pair: list[dict[str, Any]] = []
    runs = [find_run(book(request), number) for number in (a, b)]
    long = [run for run in runs if _waits(run)]
    if long and not whole:
        then = f"/compare?a={a}&b={b}&whole=1"
        return page(request, "waiting.html", runs=long, hours=sum(map(_hours, long)), then=then)
    for run in runs:
        found = kept_findings(run) or analysis_of(request, run).findings
        pair.append(
            {
                "run": run,
                "plan": plan_of(run).name,
                "f": found,
                "verdict": verdict_shown(found, cancelled=run.stage == "cancelled"),
                "answer": answer(found, live=run.ended is None),
            }
        )
    whose = {run.unit for run in runs}
    told = len(whose) == 1 and None not in whose and all(run.stage != "cancelled" for run in runs)
    return page(
        request, "compare.html", pair=pair, changed=what_changed(pair[0]["f"], pair[1]["f"]) if told else ""
    )
