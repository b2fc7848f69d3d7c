"""The small plot of an explained wet event: what the pad measured beside what two parts would have let down."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from soaktest.analysis.analyse import Analysis
from soaktest.analysis.why import AFTER_S, BEFORE_S, Why
from soaktest.timeline_style import PHASE_LOOKS, ZONE_LOOKS, quiet_axes

POINTS = 300
_LINES = (("solid", 3), ("dash", 2), ("dot", 2))


def why_figure(analysis: Analysis, why: Why) -> go.Figure:
    """Share of the water in the window over minutes since the onset, on named bands of phases."""
    figure = go.Figure()
    onset = why.event.onset
    low, high = -BEFORE_S / 60, AFTER_S / 60
    for span in analysis.findings.phases:
        begin, end = max((span.start - onset) / 60, low), min((span.end - onset) / 60, high)
        if end <= begin:
            continue
        figure.add_vrect(
            x0=begin, x1=end, fillcolor=PHASE_LOOKS[span.phase].colour, opacity=0.35, line_width=0, layer="below",
            annotation_text=span.phase if end - begin > 1.2 else "", annotation_position="top left", annotation_font_size=11,
        )  # fmt: skip
    for curve, (dash, width) in zip(why.curves, _LINES, strict=False):
        keep = np.unique(np.linspace(0, max(len(curve.t) - 1, 0), min(len(curve.t), POINTS)).astype(int))
        colour = ZONE_LOOKS[why.event.zone][0] if dash == "solid" else "#7b8794"
        figure.add_trace(
            go.Scatter(
                x=np.round((curve.t[keep] - onset) / 60, 3), y=np.round(curve.share[keep], 3), mode="lines", name=curve.name,
                line={"dash": dash, "width": width, "color": colour}, hovertemplate=curve.name + " %{y:.0%}<extra></extra>",
            )
        )  # fmt: skip
    figure.add_vline(x=0, line={"color": "#6b7680", "width": 2, "dash": "dot"})
    figure.update_xaxes(title_text="minutes since the pad was wet", range=[low, high])
    figure.update_yaxes(
        title_text="share of the water", tickformat=".0%", range=[-0.03, 1.1], fixedrange=True
    )
    figure.update_layout(
        height=300, margin={"l": 60, "r": 10, "t": 10, "b": 45}, legend={"orientation": "h", "y": -0.28, "x": 0, "yanchor": "top"},
        paper_bgcolor="#ffffff", plot_bgcolor="#ffffff", font={"color": "#1b1f23", "size": 12}, hovermode="x", dragmode=False,
    )  # fmt: skip
    quiet_axes(figure)
    return figure
