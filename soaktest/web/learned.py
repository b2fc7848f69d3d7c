"""What the workshop's records teach: money, causes, how long repairs hold, how good the benches are."""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import urlencode

import plotly.graph_objects as go
from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, Response

from soaktest.errors import InputError
from soaktest.journal import Journal
from soaktest.layouts import named_layout
from soaktest.timeline_style import quiet_axes
from soaktest.toml_values import shipped_names
from soaktest.web.benches import book
from soaktest.web.templates import page
from soaktest.web.units import number
from soaktest.workshop.drips import bench_sensitivity, benches_tried, promised
from soaktest.workshop.lasting import Lasting, how_long_repairs_hold, times_to_comeback
from soaktest.workshop.learning import HOW_CONFIRMED, confirmed_causes, learned_shares
from soaktest.workshop.money import figures
from soaktest.workshop.stories import WORKS

router = APIRouter()
Name = Annotated[str, Query(max_length=64)]


@router.get("/learned", include_in_schema=False)
def learned(
    request: Request, layout: Name = "front-loader", part: Name = "", work: Name = "", hour: Name = ""
) -> HTMLResponse:
    """Figures, shares of leaks before and after, comebacks and drip challenges."""
    kind = named_layout(layout)
    shares = learned_shares(kind, confirmed_causes(book(request), kind.name))
    observed = times_to_comeback(book(request))
    told: dict[str, Any] = {"curve": "", "steps": [], "no_curve": ""}
    try:
        curve = how_long_repairs_hold(observed, part or None, work or None)
        told["curve"] = "/api/learned/holds?" + urlencode({"part": part, "work": work})
        told["steps"] = [
            step
            for i, step in enumerate(zip(curve.days, curve.held, curve.low, curve.high, strict=True))
            if i == 0 or curve.held[i] != curve.held[i - 1]
        ]
    except InputError as exc:
        told["no_curve"] = str(exc)
    return page(
        request, "learned.html", f=figures(book(request), number("an hour of work", hour)), hour=hour, kind=kind.name,
        layouts=shipped_names("layouts"), shares=sorted(shares, key=lambda s: -s.after), how_confirmed=HOW_CONFIRMED, part=part, work=work,
        parts=sorted({part for one in observed for part, _ in one.repairs if part}), works=WORKS, benches=_benches(book(request)), **told,
    )  # fmt: skip


@router.get("/api/learned/holds", summary="How long repairs hold, as a figure")
def holds(request: Request, part: Name = "", work: Name = "") -> Response:
    """Kaplan-Meier with its interval; refused on too few units."""
    curve = how_long_repairs_hold(times_to_comeback(book(request)), part or None, work or None)
    return Response(holds_figure(curve).to_json(), media_type="application/json")


def holds_figure(curve: Lasting) -> go.Figure:
    """Share still away over days since the sale, a step at each comeback."""
    figure = go.Figure()
    line: dict[str, Any] = {"mode": "lines", "hoverinfo": "skip", "showlegend": False}
    figure.add_trace(
        go.Scatter(x=curve.days, y=curve.low, line={"shape": "hv", "dash": "dot", "color": "#0072b2"}, **line)
    )
    figure.add_trace(
        go.Scatter(
            x=curve.days, y=curve.high, line={"shape": "hv", "dash": "dot", "color": "#0072b2"}, fill="tonexty", fillcolor="rgba(0,114,178,0.15)",
            mode="lines", hoverinfo="skip", name="95 % interval",
        )
    )  # fmt: skip
    figure.add_trace(
        go.Scatter(
            x=curve.days, y=curve.held, line={"shape": "hv", "width": 3, "color": "#0072b2"}, mode="lines", name="still away",
            hovertemplate="day %{x:.0f}: %{y:.0%} still away<extra></extra>",
        )
    )  # fmt: skip
    figure.update_xaxes(title_text="days since the sale", rangemode="tozero")
    figure.update_yaxes(title_text="share still away", tickformat=".0%", range=[0, 1.03])
    figure.update_layout(
        height=320, margin={"l": 60, "r": 10, "t": 10, "b": 45}, legend={"orientation": "h", "y": -0.25, "x": 0, "yanchor": "top"},
        paper_bgcolor="#ffffff", plot_bgcolor="#ffffff", font={"color": "#1b1f23", "size": 12}, dragmode=False,
    )  # fmt: skip
    quiet_axes(figure)
    return figure


def _benches(journal: Journal) -> list[dict[str, Any]]:
    """Each bench's drip challenge, beside what the analysis said of its last judged run."""
    out = []
    for bench, (tries, seen) in benches_tried(journal).items():
        row: dict[str, Any] = {"bench": bench, "tries": tries, "seen": seen, "why": ""}
        try:
            row["shows"] = bench_sensitivity(journal, bench)
        except InputError as exc:
            row["why"] = str(exc)
        last = promised(journal, bench)
        row["promised"] = last and last[1]
        out.append(row)
    return out
