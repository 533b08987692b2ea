"""Figures of how the base moves."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import plotly.graph_objects as go

from analyzer.figures.base import KIND, SIDE, error_bar, styled, thinned
from analyzer.kinematics import integrate_twist, odometry_matrix

if TYPE_CHECKING:
    from analyzer.pipeline import RunAnalysis


def _rolled(analysis: RunAnalysis, a: int, b: int) -> np.ndarray:
    run = analysis.run
    step = np.diff(run.wheel_angle[a:b], axis=0)
    return integrate_twist(step @ odometry_matrix(run.robot.matrix).T, 1.0)


def fan(analysis: RunAnalysis) -> go.Figure:
    """All sideways passes from one origin, as driven and as rolled.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    Figure
        Plan view, start heading up; full lines as driven, dashed as the wheels rolled.
    """
    run = analysis.run
    figure = go.Figure()
    shown: set[str] = set()
    for p in analysis.passes:
        if p.kind not in SIDE or p.hard_start:
            continue
        a, b = p.start, min(p.stop, run.t.size - 1)
        cut = thinned(b - a, 300)
        lines = [("rolled", _rolled(analysis, a, b)[:, :2])]
        if run.reference is not None and run.yaw is not None:
            pose = run.reference[a:b, :2] - run.reference[a, :2]
            turn = run.yaw[a]
            c, s = math.cos(turn), math.sin(turn)
            body = np.stack(
                [c * pose[:, 0] + s * pose[:, 1], -s * pose[:, 0] + c * pose[:, 1]], axis=1
            )
            lines.append(("driven", body))
        for what, xy in lines:
            name = f"{p.kind}, {'as driven' if what == 'driven' else 'as the wheels rolled'}"
            figure.add_scatter(
                x=-xy[cut, 1],
                y=xy[cut, 0],
                mode="lines",
                name=name,
                legendgroup=name,
                showlegend=name not in shown,
                line={
                    "color": SIDE[p.kind],
                    "width": 2 if what == "driven" else 1,
                    "dash": "solid" if what == "driven" else "dash",
                },
                hovertemplate=f"{p.kind} at {p.speed:.2f} m/s, start {run.t[a]:.1f} s"
                "<br>right %{x:.2f} m, ahead %{y:.2f} m<extra></extra>",
            )
            shown.add(name)
    styled(figure, "to the right of the start [m]", "ahead of the start [m]", height=420)
    figure.update_yaxes(scaleanchor="x", scaleratio=1)
    return figure


def path(analysis: RunAnalysis) -> go.Figure:
    """Whole path as rolled and as true.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    Figure
        Plan view in the frame of the first pose.
    """
    run = analysis.run
    figure = go.Figure()
    rolled = _rolled(analysis, 0, run.t.size)
    cut = thinned(rolled.shape[0])
    figure.add_scatter(
        x=-rolled[cut, 1],
        y=rolled[cut, 0],
        mode="lines",
        name="as the wheels rolled",
        line={"color": "#999999", "dash": "dash", "width": 1},
    )
    if run.reference is not None:
        pose = run.reference
        first = int(np.argmax(np.isfinite(pose[:, 0])))
        turn = pose[first, 2] if np.isfinite(pose[first, 2]) else 0.0
        c, s = math.cos(turn), math.sin(turn)
        delta = pose[:, :2] - pose[first, :2]
        figure.add_scatter(
            x=-(-s * delta[cut, 0] + c * delta[cut, 1]),
            y=c * delta[cut, 0] + s * delta[cut, 1],
            mode="lines",
            name="as driven (reference)",
            line={"color": "#000000", "width": 1.5},
        )
    styled(figure, "to the right of the start [m]", "ahead of the start [m]", height=420)
    figure.update_yaxes(scaleanchor="x", scaleratio=1)
    return figure


def drift_by_speed(analysis: RunAnalysis) -> go.Figure:
    """Yaw drift of each kind of pass at each speed, split into rolled and slipped.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    Figure
        Points with 95 % intervals.
    """
    figure = go.Figure()
    rows = analysis.result["yaw_drift_deg_per_m"]["by_speed"]
    labels = [f"{r['kind']}<br>{r['speed_m_per_s']:.2f} m/s" for r in rows]
    cues = (
        ("total", "#000000", "circle"),
        ("rolled", "#0072B2", "square"),
        ("slipped", "#D55E00", "diamond"),
    )
    for shift, (part, colour, symbol) in zip((-0.18, 0, 0.18), cues, strict=True):
        bars = [error_bar(r[part]) for r in rows]
        figure.add_scatter(
            x=[k + shift for k in range(len(rows))],
            y=[b[0] for b in bars],
            error_y={
                "array": [b[1] for b in bars],
                "arrayminus": [b[2] for b in bars],
                "color": colour,
            },
            mode="markers",
            name=part,
            marker={"color": colour, "symbol": symbol, "size": 9},
            hovertemplate=f"{part} %{{y:.2f}} °/m<extra></extra>",
        )
    styled(figure, "", "yaw drift, anticlockwise positive [°/m]")
    figure.update_xaxes(tickvals=list(range(len(rows))), ticktext=labels)
    return figure


def wheel_bars(analysis: RunAnalysis) -> go.Figure:
    """Relative radius and sideways slip of each wheel.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    Figure
        Percent, with 95 % intervals; the band is the tolerance of the radius.
    """
    figure = go.Figure()
    wheels = analysis.result["wheels"]
    names = list(wheels)
    rows = [
        ("radius against the mean", "#000000", "circle", [w["relative_radius"] for w in wheels.values()], 1.0),
        ("slip to the left", SIDE["left"], "triangle-left", [w["slip_ratio"]["left"] for w in wheels.values()], 0.0),
        ("slip to the right", SIDE["right"], "triangle-right", [w["slip_ratio"]["right"] for w in wheels.values()], 0.0),
    ]  # fmt: skip
    band = 100 * analysis.robot.tolerance.relative_radius
    figure.add_hrect(y0=-band, y1=band, fillcolor="#009E73", opacity=0.12, line_width=0)
    for shift, (name, colour, symbol, entries, zero) in zip((-0.2, 0, 0.2), rows, strict=True):
        bars = [error_bar(e) for e in entries]
        figure.add_scatter(
            x=[k + shift for k in range(len(names))],
            y=[100 * (b[0] - zero) for b in bars],
            error_y={"array": [100 * b[1] for b in bars], "arrayminus": [100 * b[2] for b in bars]},
            mode="markers",
            name=name,
            marker={"color": colour, "symbol": symbol, "size": 10},
        )
    styled(figure, "wheel", "difference [%]")
    figure.update_xaxes(tickvals=list(range(len(names))), ticktext=names)
    return figure


def timeline(analysis: RunAnalysis) -> go.Figure:
    """Passes along time, with the findings that have a time span.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    Figure
        One row of spans; findings above it.
    """
    figure = go.Figure()
    seen: set[str] = set()
    for p in analysis.passes:
        t = analysis.run.t
        a, b = float(t[p.start]), float(t[min(p.stop, t.size - 1)])
        figure.add_scatter(
            x=[a, b, b, a, a],
            y=[0, 0, 1, 1, 0],
            fill="toself",
            mode="lines",
            line={"width": 0.5, "color": KIND[p.kind]},
            fillcolor=KIND[p.kind],
            name=p.kind.replace("_", " "),
            legendgroup=p.kind,
            showlegend=p.kind not in seen,
            hoverinfo="name",
        )
        seen.add(p.kind)
    for f in analysis.result["findings"]:
        if f["t_start"] is None:
            continue
        figure.add_scatter(
            x=[f["t_start"], f["t_end"] or f["t_start"]],
            y=[1.4, 1.4],
            mode="lines+markers",
            line={"color": "#D55E00", "width": 3},
            marker={"symbol": "x", "size": 8, "color": "#D55E00"},
            name="finding",
            legendgroup="finding",
            showlegend="finding" not in seen,
            hovertext=f["text"],
            hoverinfo="text",
        )
        seen.add("finding")
    styled(figure, "time [s]", "", height=230)
    figure.update_yaxes(showticklabels=False, range=[-0.2, 1.8])
    return figure
