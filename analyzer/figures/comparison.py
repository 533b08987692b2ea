"""Figures of before against after."""

from __future__ import annotations

from typing import Any

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analyzer.figures.base import SIDE, error_bar, rows_named, styled

BEFORE, AFTER = "#CC79A7", "#009E73"
GROUPS = (
    ("yaw drift [°/m]", ("yaw drift",)),
    ("closure, creep [mm/m]", ("closure", "creep")),
    ("ratio [-]", ("base",)),
    ("radius over the mean [-]", ("radius",)),
    ("slip ratio [-]", ("slip",)),
    ("current [A]", ("current",)),
)
VERDICTS = {
    "better": ("#009E73", "triangle-up", "better"),
    "worse": ("#D55E00", "triangle-down", "worse"),
    "changed": ("#CC79A7", "diamond", "changed"),
    "no_worse": ("#0072B2", "circle", "no worse than the tolerance"),
    "cannot_tell": ("#777777", "x", "cannot tell"),
    "no_change": ("#777777", "circle-open", "no change"),
}


def paired_intervals(comparison: dict[str, Any]) -> go.Figure:
    """Every measure before and after, side by side with 95 % intervals, a panel for each unit.

    Parameters
    ----------
    comparison : dict
        Outcome of `comparison.compare`.

    Returns
    -------
    Figure
        Before: open circles; after: full squares; a line joins the pair.
    """
    panels = []
    for title, groups in GROUPS:
        rows = [m for m in comparison["measures"] if m["group"] in groups]
        if rows:
            panels.append((title, rows))
    if not panels:
        return styled(go.Figure(), "", "")
    heights = [len(rows) + 1.2 for _, rows in panels]
    total = 38 * sum(heights) + 45 * len(panels) + 60
    figure = make_subplots(
        rows=len(panels), cols=1, row_heights=heights, vertical_spacing=55 / total
    )
    for k, (title, rows) in enumerate(panels, start=1):
        names = [m["label"] for m in rows][::-1]
        place = np.arange(len(rows))[::-1]
        bars = {side: [error_bar(m[side]) for m in rows] for side in ("before", "after")}
        for i, at in enumerate(place):
            figure.add_scatter(
                x=[bars["before"][i][0], bars["after"][i][0]], y=[at, at - 0.28],
                mode="lines", line={"color": "#999999", "width": 1}, showlegend=False,
                hoverinfo="skip", row=k, col=1,
            )  # fmt: skip
        for side, colour, symbol, shift in (
            ("before", BEFORE, "circle-open", 0.0),
            ("after", AFTER, "square", -0.28),
        ):
            figure.add_scatter(
                x=[b[0] for b in bars[side]],
                y=place + shift,
                error_x={
                    "array": [b[1] for b in bars[side]],
                    "arrayminus": [b[2] for b in bars[side]],
                    "color": colour,
                },
                mode="markers",
                name=side,
                legendgroup=side,
                showlegend=k == 1,
                marker={"color": colour, "symbol": symbol, "size": 9, "line": {"width": 2}},
                text=[m["label"] for m in rows],
                hovertemplate=f"%{{text}}, {side}: %{{x:.4g}}<extra></extra>",
                row=k,
                col=1,
            )
        rows_named(figure, names, row=k, col=1)
        figure.update_xaxes(
            title=title, title_standoff=4, zeroline=True, tickangle=0, nticks=6, row=k, col=1
        )
    figure.update_layout(
        template="plotly_white",
        height=total,
        margin={"l": 20, "r": 20, "t": 40, "b": 50},
        legend={"orientation": "h", "yanchor": "bottom", "y": 1 + 8 / total, "x": 0},
        font={"size": 13},
    )
    return figure


def differences(comparison: dict[str, Any]) -> go.Figure:
    """Every difference over its tolerance, with its 95 % interval and verdict.

    Parameters
    ----------
    comparison : dict
        Outcome of `comparison.compare`.

    Returns
    -------
    Figure
        The band is the tolerance; shape and colour tell the verdict. Far ones are squeezed: the
        axis grows with the cube root.
    """
    rows = comparison["measures"][::-1]
    figure = go.Figure()
    figure.add_vrect(x0=-1, x1=1, fillcolor="#009E73", opacity=0.12, line_width=0)

    def squeezed(values: np.ndarray) -> np.ndarray:
        return np.cbrt(values)

    for verdict, (colour, symbol, words) in VERDICTS.items():
        own = [(k, m) for k, m in enumerate(rows) if m["verdict"] == verdict]
        if not own:
            continue
        bars = np.array([error_bar(m["difference"]) for _, m in own])
        size = np.array([m["tolerance"] for _, m in own])
        value = bars[:, 0] / size
        high, low = (bars[:, 0] + bars[:, 1]) / size, (bars[:, 0] - bars[:, 2]) / size
        figure.add_scatter(
            x=squeezed(value),
            y=[k for k, _ in own],
            error_x={
                "array": squeezed(high) - squeezed(value),
                "arrayminus": squeezed(value) - squeezed(low),
                "color": colour,
            },
            mode="markers",
            name=words,
            marker={
                "color": colour,
                "symbol": symbol,
                "size": 11,
                "line": {"width": 2, "color": colour},
            },
            text=[f"{m['label']}: {m['text']}" for _, m in own],
            hovertemplate="%{text}<extra></extra>",
        )
    styled(figure, "(after − before) / tolerance", "", height=120 + 38 * len(rows))
    rows_named(figure, [m["label"] for m in rows])
    reach = max(
        [2.0]
        + [abs(m["difference"]["value"]) / m["tolerance"] for m in rows if m["difference"]["value"]]
    )
    # Few enough for a phone.
    ticks = [t for t in (0, 1, 10, 100, 1000) if t <= 1.5 * reach]
    ticks = sorted({-t for t in ticks} | set(ticks))
    figure.update_xaxes(
        tickvals=[float(np.cbrt(t)) for t in ticks],
        ticktext=[f"{t:+d}".replace("-", "−") if t else "0" for t in ticks],
        tickangle=0,
    )
    figure.update_layout(margin={"l": 20})
    return figure


def arcs(comparison: dict[str, Any]) -> go.Figure:
    """Sideways passes of both sides laid over one another, each from its start, heading up.

    Parameters
    ----------
    comparison : dict
        Outcome of `comparison.compare`.

    Returns
    -------
    Figure
        Plan view; before dashed, after full; left and right in their colours.
    """
    figure = go.Figure()
    for side, dash in (("before", "dash"), ("after", "solid")):
        for arc in comparison["arcs"][side]:
            name = f"{arc['kind']}, {side}"
            figure.add_scatter(
                x=[-v for v in arc["left_m"]],
                y=arc["ahead_m"],
                mode="lines",
                line={"color": SIDE[arc["kind"]], "dash": dash, "width": 1.8},
                name=name,
                legendgroup=name,
                showlegend=all(trace.name != name for trace in figure.data),
                hovertemplate=f"{side}, {arc['kind']} at {arc['speed_m_per_s']:.2f} m/s"
                "<br>right %{x:.2f} m, ahead %{y:.2f} m<extra></extra>",
            )
    styled(figure, "to the right of the start [m]", "ahead of the start [m]", height=360)
    figure.update_yaxes(scaleanchor="x", scaleratio=1)
    return figure
