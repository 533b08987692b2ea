"""Figures of a fleet, from its summary (`trends.summarise`)."""

from __future__ import annotations

from typing import Any

import numpy as np
import plotly.graph_objects as go

from analyzer.figures.base import DASHES, LEFT, RIGHT, WHEELS, error_bar, rows_named, styled
from analyzer.figures.causes import cause_name

ROBOTS_MOST = 30
LINES_MOST = 8
SYMBOLS = ("circle", "square", "diamond", "cross", "x", "triangle-up", "star", "hexagon")


def fleet_drift(summary: dict[str, Any]) -> go.Figure:
    """Yaw drift of each robot now, left and right, and the worst it ever showed.

    Parameters
    ----------
    summary : dict
        Summary of the fleet.

    Returns
    -------
    Figure
        One line a robot, worst on top; at most thirty.
    """
    robots = summary["robots"][:ROBOTS_MOST][::-1]
    names = [r["robot"] for r in robots]
    figure = go.Figure()
    for side, colour, symbol, up in (
        ("left", LEFT, "circle", 0.16),
        ("right", RIGHT, "square", -0.16),
    ):
        bars = [error_bar(r["latest"][f"yaw_drift_{side}_deg_per_m"]) for r in robots]
        figure.add_scatter(
            x=[b[0] for b in bars],
            y=[k + up for k in range(len(names))],
            error_x={"array": [b[1] for b in bars], "arrayminus": [b[2] for b in bars]},
            mode="markers",
            marker={"color": colour, "symbol": symbol, "size": 9},
            name=f"now, to the {side}",
            text=names,
            hovertemplate=f"%{{text}}, to the {side}: %{{x:.2f}} °/m<extra></extra>",
        )
    for sign in (1, -1):
        figure.add_scatter(
            x=[sign * (r["worst_drift_deg_per_m"] or np.nan) for r in robots],
            y=list(range(len(names))),
            mode="markers",
            marker={"color": "#777777", "symbol": "line-ns-open", "size": 14, "line": {"width": 2}},
            name="worst ever, either way",
            showlegend=sign == 1,
            hovertext=[r["worst_recording"] or "" for r in robots],
        )
    height = 160 + 28 * max(4, len(robots))
    styled(figure, "yaw drift [°/m], anticlockwise positive", "", height=height)
    figure.update_yaxes(
        automargin=True, tickvals=list(range(len(names))), ticktext=names, zeroline=False
    )
    figure.update_layout(margin={"t": 60})
    return figure


def fleet_causes(summary: dict[str, Any]) -> go.Figure:
    """How often each cause comes first.

    Parameters
    ----------
    summary : dict
        Summary of the fleet.

    Returns
    -------
    Figure
        Bars, the most frequent on top.
    """
    causes = summary["causes"][::-1]
    figure = go.Figure(
        go.Bar(
            x=[c["recordings"] for c in causes],
            y=list(range(len(causes))),
            orientation="h",
            width=0.3,
            marker={"color": [("#999999" if c["cause"] == "none" else "#009E73") for c in causes]},
            text=[f"<b>{c['recordings']}</b>" for c in causes],
            textposition="outside",
            cliponaxis=False,
        )
    )
    styled(figure, "number of recordings", "", height=120 + 44 * max(2, len(causes)))
    rows_named(figure, [cause_name({**c, "wheel": None}) for c in causes])
    most = max((c["recordings"] for c in causes), default=1)
    figure.update_xaxes(range=[0, 1.08 * most], tickformat="d", dtick=1 if most < 6 else None)
    return figure


def fleet_spread(summary: dict[str, Any]) -> go.Figure:
    """Every robot against the spread of the fleet, measure by measure.

    Parameters
    ----------
    summary : dict
        Summary of the fleet.

    Returns
    -------
    Figure
        Distance from the median in spreads; robots that stand out are named.
    """
    stand_out = {(o["robot"], o["measure"]) for o in summary["outliers"]}
    figure = go.Figure()
    entries = summary["spread"][::-1]
    plain: list[tuple[float, int, str]] = []
    loud: list[tuple[float, int, str]] = []
    for place, entry in enumerate(entries):
        for robot, score in entry["scores"].items():
            key = (robot, entry["measure"])
            row = (max(-12.0, min(12.0, score)), place, robot)
            (loud if key in stand_out else plain).append(row)
    figure.add_vrect(x0=-3.5, x1=3.5, fillcolor="#0072B2", opacity=0.08, line_width=0)
    for rows, name, colour, symbol in (
        (plain, "within the fleet's spread", "#777777", "circle-open"),
        (loud, "stands out", RIGHT, "diamond"),
    ):
        figure.add_scatter(
            x=[r[0] for r in rows],
            y=[r[1] for r in rows],
            mode="markers+text" if name == "stands out" else "markers",
            text=[r[2] for r in rows],
            # Names lean inwards: a narrow screen cuts them at the border.
            textposition=[f"bottom {'right' if r[0] < 0 else 'left'}" for r in rows],
            hovertemplate="%{text}: %{x:.1f} spreads<extra></extra>",
            marker={"color": colour, "symbol": symbol, "size": 9},
            name=name,
            showlegend=True,
        )
    height = 150 + 46 * max(2, len(entries))
    styled(figure, "from the median [spreads]", "", height=height)
    rows_named(figure, [entry["words"] for entry in entries])
    figure.update_xaxes(range=[-13.5, 13.5])
    figure.update_layout(margin={"l": 20, "t": 60})
    return figure


def fleet_trend(summary: dict[str, Any], measure: str) -> go.Figure:
    """One measure against recorded hours, for the robots that change most.

    Parameters
    ----------
    summary : dict
        Summary of the fleet.
    measure : str
        Column of the rows, such as "yaw_drift_left_deg_per_m".

    Returns
    -------
    Figure
        One line a robot with 95 % bars, at most eight.
    """
    lines = [t for t in summary["trends"] if t["measure"] == measure]
    lines.sort(key=lambda t: -float(np.ptp(t["values"])))
    figure = go.Figure()
    for k, line in enumerate(lines[:LINES_MOST]):
        figure.add_scatter(
            x=line["hours"],
            y=line["values"],
            error_y={"array": [1.96 * e for e in line["std_errors"]], "thickness": 1},
            mode="lines+markers",
            line={"color": WHEELS[k % 8], "dash": DASHES[k % 8], "width": 1.5},
            marker={"symbol": SYMBOLS[k % 8], "size": 7},
            name=line["robot"],
            hovertext=line["recordings"],
        )
    words = f"{lines[0]['words']} [{lines[0]['unit'] or '-'}]" if lines else measure
    styled(figure, "recorded hours", words)
    return figure.update_layout(margin={"t": 80})
