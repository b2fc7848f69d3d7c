"""The timeline: what a run did and what was found, on one time axis, as a page that needs no network."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
from plotly.offline import get_plotlyjs

from soaktest.analysis.analyse import Analysis
from soaktest.analysis.why import explain_events
from soaktest.errors import InputError
from soaktest.in_words import Clock, answer, event_rows, jumps, verdict_shown
from soaktest.tables import NoteRow
from soaktest.templates import fill, source
from soaktest.thinning import broken, microsiemens, silence, thin
from soaktest.timeline_style import PHASE_LOOKS, ZONE_LOOKS, floor_plan, place_in_words, quiet_axes
from soaktest.vocabulary import CHANNEL_UNITS, PHASE_SIGNALS, ZONES, percent
from soaktest.why_plot import why_figure

PAD_DECADES = (-1.3, 3.0)
"""0.05 to 1,000 microsiemens: a dry pad in dry air, and a soaked one."""
TICKS = [
    {"dtickrange": [None, 30_000], "value": "%H:%M:%S\n%d %b %Y"},
    {"dtickrange": [30_000, 43_200_000], "value": "%H:%M\n%d %b %Y"},
    {"dtickrange": [43_200_000, None], "value": "%d %b\n%Y"},
]
"""How a time is written on the axis, by the milliseconds from tick to tick: as everywhere else."""
MOMENT = "%d %b %Y, %H:%M:%S"
"""How a time is written above what is read at it."""
SIDED = "sided"
"""Words beside a line; the page puts them on that side of it where there is room."""
_SHOWN_UNITS = {"m/s2": "m/s²", "/": "share"}
_LOWER = [(name, _SHOWN_UNITS.get(CHANNEL_UNITS[name], CHANNEL_UNITS[name])) for name in PHASE_SIGNALS]
"""The rows below the pads: names, and units as people write them."""


def write_timeline(analysis: Analysis, path: str | Path) -> Path:
    """Write the timeline page. Raises InputError where it cannot be written."""
    where = Path(path)
    try:
        where.parent.mkdir(parents=True, exist_ok=True)
        where.write_text(timeline_page(analysis), encoding="utf-8")
    except OSError as exc:
        raise InputError(f"{where}: cannot be written ({exc.strerror}). Choose another place.") from exc
    return where


def timeline_page(analysis: Analysis, notes: Sequence[NoteRow] = (), *, cancelled: bool = False) -> str:
    """The page's HTML, with what people noted; every text from outside is escaped."""
    findings = analysis.findings
    clock = Clock.of(findings.began)
    return fill(
        "timeline.html",
        f=findings,
        verdict=verdict_shown(findings, cancelled=cancelled),
        answer=answer(findings),
        style=source("timeline.css"),
        script=get_plotlyjs() + source("plot.js"),
        began=f"{clock.local(findings.began):%d %B %Y %H:%M} ({clock.name})",
        length=f"{(findings.ended - findings.began) / 60:.0f} min",
        floor=floor_plan(analysis.layout, findings, clock.time),
        place=place_in_words(findings),
        jumps=jumps(findings),
        events=event_rows(findings),
        whys=[
            {"title": f"{why.event.zone.capitalize()} pad, wet since {clock.time(why.event.onset)}", "sentences": why.sentences, "plot": _within_a_page(why_figure(analysis, why))}
            for why in explain_events(analysis)
        ],
        plot=with_notes(str(timeline_figure(analysis).to_json()), notes).replace("<", "\\u003c"),
        notes=notes,
    )  # fmt: skip


def _within_a_page(figure: go.Figure) -> str:
    """A figure's JSON as it may stand in a script element, whatever names from outside it holds."""
    return str(figure.to_json()).replace("<", "\\u003c")


def with_notes(figure: str, notes: Sequence[NoteRow]) -> str:
    """A drawn timeline (JSON) with the technician's notes at their times."""
    if not notes:
        return figure
    drawn = go.Figure(json.loads(figure), skip_invalid=True)
    _notes(drawn, notes)
    return str(drawn.to_json())


def timeline_figure(analysis: Analysis) -> go.Figure:
    """Phases as bands, pads on a log axis, then each further signal on a row of its own; one time axis."""
    lower = [(name, unit) for name, unit in _LOWER if len(analysis.signals.other(name))]
    if any(name == "power" for name, _ in lower):
        lower = [(name, unit) for name, unit in lower if name != "current"]
    clock = Clock.of(analysis.findings.began)
    heights = [0.12, 0.46, *([0.42 / max(len(lower), 1)] * len(lower))]
    titles = ["Phase", "Pads: conductance, µS", *(f"{name.capitalize()}, {unit}" for name, unit in lower)]
    figure = _rows(heights, titles)
    _phase_bands(figure, analysis)
    _pad_lines(figure, analysis)
    for row, (name, unit) in enumerate(lower, 3):
        series = analysis.signals.other(name)
        x, y = thin(*broken(series.t, series.v, silence(series.step_s)))
        figure.add_trace(
            go.Scatter(
                x=clock.times(x), y=np.round(y, 3), mode="lines", name=name, line={"width": 1, "color": "#6b7680"}, showlegend=False,
                hovertemplate=f"{name} %{{y:.3g}} {unit}<extra></extra>", yaxis=f"y{row}",
            )
        )  # fmt: skip
        figure.update_layout({f"yaxis{row}": {"rangemode": "tozero"}})
    _events(figure, analysis)
    _gaps(figure, analysis)
    figure.update_xaxes(range=[clock.iso(analysis.findings.began), clock.iso(analysis.findings.ended)])
    figure.update_xaxes(
        title_text=f"time at the bench, {clock.name}", tickformatstops=TICKS, hoverformat=MOMENT
    )
    figure.update_layout(meta={"utc_offset_s": clock.utc_offset_s})
    figure.update_layout(
        height=560 + 110 * len(lower), margin={"l": 70, "r": 20, "t": 40, "b": 50}, hovermode="x unified", bargap=0,
        barmode="overlay", legend={"orientation": "h", "y": 1.03, "yanchor": "bottom", "x": 0, "xanchor": "left"}, dragmode="pan",
        paper_bgcolor="#ffffff", plot_bgcolor="#ffffff", font={"color": "#1b1f23"}, uniformtext={"mode": "hide", "minsize": 10},
    )  # fmt: skip
    figure.update_xaxes(type="date", showspikes=False, ticks="outside", ticklen=6, tickcolor="rgba(0,0,0,0)")
    figure.update_yaxes(fixedrange=True)
    quiet_axes(figure)
    return figure


def _rows(heights: Sequence[float], titles: Sequence[str]) -> go.Figure:
    """Empty rows from the top down, each a share of the height, with their titles above them, over one time axis.

    One axis, not one for each row in step with the others: to draw a window took a tenth longer so.
    """
    figure, gap, top = go.Figure(), 0.035, 1.0
    room = (1.0 - gap * (len(heights) - 1)) / sum(heights)
    for row, (height, title) in enumerate(zip(heights, titles, strict=True), 1):
        low = max(top - room * height, 0.0)
        figure.update_layout({f"yaxis{row}": {"domain": [low, top], "anchor": "x"}})
        figure.add_annotation(
            text=title, x=0, y=top, xref="paper", yref="paper", xanchor="left", yanchor="bottom",
            showarrow=False, font={"size": 13},
        )  # fmt: skip
        top = low - gap
    figure.update_layout(xaxis={"anchor": f"y{len(heights)}"})
    return figure


def _phase_bands(figure: go.Figure, analysis: Analysis) -> None:
    clock = Clock.of(analysis.findings.began)
    for phase, look in PHASE_LOOKS.items():
        spans = [s for s in analysis.findings.phases if s.phase == phase]
        if not spans or not analysis.phases.heard.any():
            continue
        figure.add_trace(
            go.Bar(
                orientation="h", y=["phase"] * len(spans), base=[clock.iso(s.start) for s in spans],
                x=[1000 * (s.end - s.start) for s in spans],
                textposition="inside", insidetextanchor="middle", textfont={"color": "#1b1f23", "size": 12},
                marker={"color": look.colour, "line": {"color": "#1b1f23", "width": 0.5}, "pattern": {"shape": look.pattern, "fillmode": "overlay", "fgopacity": 0.25, "size": 7}},
                customdata=[[clock.time(s.start), clock.time(s.end), percent(s.confidence)] for s in spans],
                hovertemplate=phase + " from %{customdata[0]} to %{customdata[1]}, sure to %{customdata[2]}<extra></extra>",
                name=phase,  # in the legend too: a word that does not fit into its bar is left out
            )
        )  # fmt: skip
    _unheard_phases(figure, analysis)
    if not analysis.phases.heard.any():
        figure.add_annotation(
            text="No phase signal was heard", x=0.5, y=0.97, xref="paper", yref="paper", showarrow=False
        )
    figure.update_layout(yaxis={"showticklabels": False})


def _unheard_phases(figure: go.Figure, analysis: Analysis) -> None:
    """Where no phase signal was heard the band is struck through: what stands there is inferred."""
    clock = Clock.of(analysis.findings.began)
    phases = analysis.phases
    lost = np.concatenate(([0], (~phases.heard).astype(np.int8), [0]))
    edges = np.flatnonzero(np.diff(lost))
    spans = [(a, b) for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True) if b - a > 3]
    if not phases.heard.any():
        return
    for begin, end in spans[:60]:
        figure.add_shape(
            type="rect", x0=clock.iso(phases.t0 + begin), x1=clock.iso(phases.t0 + end), y0=0.04, y1=0.28, xref="x", yref="y domain",
            fillcolor="#ffffff", opacity=0.85, line={"width": 1, "dash": "dot", "color": "#1b1f23"},
        )  # fmt: skip
    if spans:
        longest = max(spans, key=lambda span: span[1] - span[0])
        figure.add_annotation(
            x=clock.iso(phases.t0 + longest[0]), y=0.16, xref="x", yref="y domain", showarrow=False, xanchor="left",
            text="not heard", font={"size": 11, "color": "#1b1f23"},
        )  # fmt: skip


def _pad_lines(figure: go.Figure, analysis: Analysis) -> None:
    clock = Clock.of(analysis.findings.began)
    heard = [zone for zone in ZONES if len(analysis.pads[zone].t)]
    for zone in heard:
        track = analysis.pads[zone]
        colour, dash = ZONE_LOOKS[zone]
        t, log_g = broken(track.t, track.log_g, silence(1.0))
        keep_t, keep_g = thin(t, log_g)
        figure.add_trace(
            go.Scatter(
                x=clock.times(keep_t), y=np.round(microsiemens(keep_g), 4), mode="lines", name=f"{zone} pad",
                line={"color": colour, "dash": dash, "width": 2}, connectgaps=False,
                hovertemplate=f"{zone} %{{y:.3g}} µS<extra></extra>", yaxis="y2",
            )
        )  # fmt: skip
        dry_t, dry = track.t[::60], track.dry[::60]
        figure.add_trace(
            go.Scatter(
                x=clock.times(dry_t), y=np.round(microsiemens(dry), 4), mode="lines", line={"color": colour, "width": 1, "dash": dash},
                opacity=0.45, showlegend=False, hoverinfo="skip", name=f"{zone} dry level", yaxis="y2",
            )
        )  # fmt: skip
    if heard:  # one word for all: the page knows each line by its own name
        named = go.Scatter(
            x=[None],
            opacity=0.45,
            y=[None],
            mode="lines",
            line={"color": "#6b7680", "width": 1},
            name="dry level (thin)",
            legendrank=2000,
            yaxis="y2",
        )
        figure.add_trace(named)
    else:
        figure.add_annotation(
            text="No pad was heard", x=0.5, y=0.5, xref="x domain", yref="y2 domain", showarrow=False
        )
    figure.update_layout(yaxis2={"type": "log", "dtick": 1, "range": _pad_range(analysis)})


def _pad_range(analysis: Analysis) -> list[float]:
    """Decades shown, in log10 of microsiemens: dry to soaked at the least, so that noise looks like noise."""
    seen = [microsiemens(track.log_g) for track in analysis.pads.values() if len(track.t)]
    low = min((float(np.log10(v.min())) for v in seen), default=PAD_DECADES[0])
    high = max((float(np.log10(v.max())) for v in seen), default=PAD_DECADES[1])
    return [min(PAD_DECADES[0], low - 0.1), max(PAD_DECADES[1], high + 0.1)]


def _events(figure: go.Figure, analysis: Analysis) -> None:
    clock = Clock.of(analysis.findings.began)
    for number, event in enumerate(analysis.findings.wet_events):
        colour = ZONE_LOOKS[event.zone][0]
        figure.add_shape(
            type="rect", x0=clock.iso(event.onset_low), x1=clock.iso(event.onset_high), y0=0, y1=1, xref="x", yref="y2 domain",
            fillcolor=colour, opacity=0.25, line={"width": 0},
        )  # fmt: skip
        figure.add_shape(
            type="line", x0=clock.iso(event.onset), x1=clock.iso(event.onset), y0=0, y1=1, xref="x", yref="y2 domain",
            line={"color": colour, "width": 2},
        )  # fmt: skip
        held = f", let out in {event.phase}" if event.phase else ""
        figure.add_annotation(
            x=clock.iso(event.onset), y=0.97 - 0.17 * (number % 5), xref="x", yref="y2 domain", xanchor="left", showarrow=False,
            name=SIDED, align="left", text=f"{event.zone} wet {clock.time(event.onset)}<br>{event.cause}{held}", font={"color": "#1b1f23", "size": 12},
            bgcolor="rgba(255,255,255,.85)", bordercolor=colour,
        )  # fmt: skip


def _notes(figure: go.Figure, notes: Sequence[NoteRow]) -> None:
    """What a technician saw, as numbered marks along the top of the pads."""
    clock = Clock(figure.layout.meta["utc_offset_s"])
    for number, note in enumerate(notes, 1):
        words = note.text or "photo"
        figure.add_annotation(
            x=clock.iso(note.at), y=0.02, xref="x", yref="y2 domain", yanchor="bottom", showarrow=True, arrowhead=2, ax=0, ay=-18,
            text=f"✎{number}", hovertext=words, font={"size": 13, "color": "#1b1f23"}, bgcolor="#fff8d6", bordercolor="#1b1f23",
        )  # fmt: skip


def _gaps(figure: go.Figure, analysis: Analysis) -> None:
    """Where a pad was not heard, or was not sound: hatched and named."""
    findings = analysis.findings
    clock = Clock.of(findings.began)
    for row, zone in enumerate(ZONES):
        spans = analysis.pads[zone].sound_spans
        edges = [findings.began, *(edge for span in spans for edge in span), findings.ended]
        lost = [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 3.0]
        for begin, end in lost[:40]:
            figure.add_shape(
                type="rect", x0=clock.iso(begin), x1=clock.iso(end), y0=0.02 + 0.06 * row, y1=0.07 + 0.06 * row, xref="x", yref="y2 domain",
                fillcolor=ZONE_LOOKS[zone][0], opacity=0.5, line={"width": 1, "dash": "dot", "color": "#1b1f23"},
            )  # fmt: skip
        if lost:
            longest = max(lost, key=lambda span: span[1] - span[0])
            figure.add_annotation(
                name=SIDED, x=clock.iso(longest[0]), y=0.045 + 0.06 * row, xref="x", yref="y2 domain", showarrow=False, xanchor="left",
                text=f"{zone} not heard or not sound", font={"size": 11, "color": "#1b1f23"}, bgcolor="rgba(255,255,255,.8)",
            )  # fmt: skip
