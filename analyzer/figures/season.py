"""Figures of a season: a measure over recordings, with what was done to the base."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import plotly.graph_objects as go

from analyzer.figures.base import styled

if TYPE_CHECKING:
    from analyzer.shelf import Trend


def measure_words(name: str) -> str:
    """Words for a measure of the shelf.

    Parameters
    ----------
    name : str
        As in the index: parts of the result file's path, such as "yaw_drift.left".

    Returns
    -------
    str
        For the screen.
    """
    return name.replace(".", ", ").replace("_", " ")


def trend_figure(course: Trend) -> go.Figure:
    """Course of a measure with service marks, changes, limit and forecast.

    Parameters
    ----------
    course : Trend
        Outcome of `shelf.trend`.

    Returns
    -------
    Figure
        Points with 95 % intervals; service dashed with its text, changes dotted, limit full.
    """
    dates = course.axis == "days"

    def place(at: float) -> Any:
        return course.start + timedelta(days=float(at)) if dates else float(at)

    figure = go.Figure()
    keep = slice(None, None, max(1, -(-course.at.size // 4000)))
    figure.add_scatter(
        x=[place(v) for v in course.at[keep]],
        y=course.value[keep],
        error_y={
            "array": (course.high - course.value)[keep],
            "arrayminus": (course.value - course.low)[keep],
            "color": "#777777",
            "thickness": 1,
        },
        mode="markers",
        marker={"color": "#0072B2", "size": 7 if course.at.size < 200 else 4},
        name=measure_words(course.measure),
        hovertemplate="%{x}<br>%{y:.4g}<extra></extra>",
    )
    first = max([0, *course.changes, *(s["before"] for s in course.services)])
    if course.slope.value is not None and course.at.size - first >= 2:
        at, value = course.at[first:], course.value[first:]
        middle, level = float(at.mean()), float(value.mean())
        end = float(at[-1])
        if course.crossing.value is not None:
            end = min(course.crossing.value, end + 2 * float(np.ptp(course.at)))
        span = np.array([float(at[0]), end])
        figure.add_scatter(
            x=[place(v) for v in span],
            y=level + course.slope.value * (span - middle),
            mode="lines",
            line={"color": "#0072B2", "dash": "dash", "width": 1.5},
            name="line since the last service or change",
        )
    if course.limit is not None:
        figure.add_hline(y=course.limit, line={"color": "#D55E00", "width": 2})
        figure.add_annotation(
            x=0, xref="paper", xanchor="left", y=course.limit, yanchor="bottom",
            text="limit", showarrow=False, font={"color": "#D55E00"},
        )  # fmt: skip
    if course.crossing.low is not None and course.crossing.high is not None:
        top = course.crossing.low + 3 * max(float(np.ptp(course.at)), 1.0)
        figure.add_vrect(
            x0=place(course.crossing.low), x1=place(min(course.crossing.high, top)),
            fillcolor="#D55E00", opacity=0.12, line_width=0,
        )  # fmt: skip
    for k, s in enumerate(course.services):
        figure.add_vline(x=place(s["at"]), line={"color": "#009E73", "dash": "dash", "width": 2})
        figure.add_annotation(
            x=place(s["at"]), y=1 - 0.08 * (k % 3), yref="paper", xanchor="left", showarrow=False,
            text=f" {s['wheel'] + ': ' if s['wheel'] else ''}{s['what']}",
            font={"color": "#006B4E", "size": 12}, bgcolor="rgba(255,255,255,0.8)",
        )  # fmt: skip
    for change in course.changes:
        figure.add_vline(
            x=place((course.at[change - 1] + course.at[change]) / 2),
            line={"color": "#CC79A7", "dash": "dot", "width": 2},
        )
    unit = f" [{course.unit}]" if course.unit else ""
    styled(
        figure,
        "date" if dates else "operating hours [h]",
        measure_words(course.measure) + unit,
        height=420,
    )
    return figure
