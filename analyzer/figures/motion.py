"""Figures of how the base moves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analyzer.figures.base import (
    DASHES,
    KIND,
    POINTS_MOST,
    SIDE,
    WHEELS,
    error_bar,
    styled,
    thinned,
)
from analyzer.prediction import Predicted, arc_path, by_speed
from analyzer.traces import Panel, Track, driven_pose, rolled_pose, window

if TYPE_CHECKING:
    from analyzer.pipeline import RunAnalysis
    from analyzer.robot import Robot


FAN_MOST = 400
"""Passes that a fan can show before it is one blot."""
FAN_POINTS = 4000


def fan(
    analysis: RunAnalysis, chosen: int | None = None, arcs: Sequence[Candidate] = ()
) -> go.Figure:
    """All sideways passes from one origin, and the arcs that changes would give.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    chosen : int, optional
        Number of the pass to bring out; `customdata` of every point is its pass's number.
    arcs : sequence of Candidate
        Changes to draw; see `candidates`.

    Returns
    -------
    Figure
        Plan view, start heading up; full lines as driven, dashed as the wheels rolled, dotted
        after a change. The tick at the end of a pass points where the base looks. Passes in data
        that are left out are not drawn but for the chosen one.
    """
    run = analysis.run
    figure = go.Figure()
    found = [m for m in analysis.movements() if m[1].kind in SIDE and not m[1].hard_start]
    # One that lies in data left out, say beyond a jump of the reference, did not go as it looks.
    sideways = [(n, p) for n, p, row in found if row is not None or n == chosen]
    every = -(-len(sideways) // FAN_MOST)
    drawn = [(n, p) for k, (n, p) in enumerate(sideways) if k % every == 0 or n == chosen]
    share = {k: max(1, sum(p.kind == k for _, p in drawn)) for k in SIDE}
    lines: dict[tuple[str, str, bool], list[np.ndarray]] = {}
    ticks: dict[str, list[tuple[float, float, float]]] = {"left": [], "right": []}
    for number, p in drawn:
        a, b = p.start, min(p.stop, run.t.size - 1)
        most = min(300, max(5, FAN_POINTS // share[p.kind]))
        parts = [("rolled", rolled_pose(run, a, b))]
        driven = driven_pose(run, a, b)
        if driven is not None:
            parts.append(("driven", driven))
        bright = chosen is None or chosen == number
        end = parts[-1][1][np.isfinite(parts[-1][1]).all(axis=1)]
        if end.size and bright:
            ticks[p.kind].append(tuple(end[-1]))
        for what, pose in parts:
            xy = pose[thinned(pose.shape[0], most), :2]
            # A gap after each pass parts it from the next; its number goes along.
            said = np.full((xy.shape[0], 1), float(number))
            block = np.vstack([np.hstack([xy, said]), [np.nan, np.nan, number]])
            lines.setdefault((p.kind, what, bright), []).append(block)
    for (kind, what, bright), blocks in sorted(lines.items(), key=lambda item: item[0][2]):
        points = np.vstack(blocks)
        wide = 2.0 if what == "driven" else 1.0
        figure.add_scatter(
            x=-points[:, 1],
            y=points[:, 0],
            customdata=points[:, 2]
            .astype(int)
            .tolist(),  # the browser hands lists back as they are
            mode="lines",
            connectgaps=False,
            name=f"{kind}, {'as driven' if what == 'driven' else 'as the wheels rolled'}",
            legendgroup=f"{kind}{what}",
            showlegend=bright,
            opacity=1.0 if bright else 0.22,
            line={
                "color": SIDE[kind],
                "width": wide * (2 if chosen is not None and bright else 1),
                "dash": "solid" if what == "driven" else "dash",
            },
            hovertemplate=f"pass %{{customdata}}: {kind}<br>right %{{x:.2f}} m, ahead %{{y:.2f}} m"
            "<extra></extra>",
        )
    reach = max((abs(v) for ends in ticks.values() for end in ends for v in end[:2]), default=0.2)
    for kind, ends in ticks.items():
        _heading_ticks(figure, SIDE[kind], ends, 0.06 * reach)
    for arc in arcs:
        _candidate(figure, arc, ticks)
    styled(figure, "to the right of the start [m]", "ahead of the start [m]", height=420)
    figure.update_yaxes(scaleanchor="x", scaleratio=1)
    told = [f"one in {every} of {len(sideways)} passes is drawn"] if every > 1 else []
    if hidden := len(found) - len(sideways):
        told.append(f"not drawn: {hidden} in data left out")
    if told:
        figure.add_annotation(
            x=0.0, y=0.0, xref="paper", yref="paper", xanchor="left", yanchor="bottom", showarrow=False,
            text="<br>".join(told), align="left",
        )  # fmt: skip
    return figure


def _heading_ticks(
    figure: go.Figure, colour: str, ends: Sequence[tuple[float, float, float]], size: float
) -> None:
    xs: list[float | None] = []
    ys: list[float | None] = []
    for x, y, yaw in ends:
        xs += [-y, -(y + size * math.sin(yaw)), None]
        ys += [x, x + size * math.cos(yaw), None]
    figure.add_scatter(
        x=xs,
        y=ys,
        mode="lines+markers",
        line={"color": colour, "width": 3},
        marker={"color": colour, "size": 3},
        showlegend=False,
        hoverinfo="skip",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A change with the arcs it should give.

    Attributes
    ----------
    mark : str
        Written at the ends of the arcs: number of the remedy.
    name : str
        What is changed.
    paths : tuple of (str, float, ndarray of shape (n, 3))
        Side, speed and path of each pass after the change.
    """

    mark: str
    name: str
    paths: tuple[tuple[str, float, np.ndarray], ...]


REMEDY = {
    "move_mass": "mass moved",
    "service_wheel": "wheel serviced",
    "wheel_factors": "wheel factors",
    "heading_hold": "heading hold",
    "mounting": "wheel mounted rightly",
    "record_more": "record more",
}


def candidates(analysis: RunAnalysis) -> list[Candidate]:
    """Arcs that each remedy of the result should give, and all together, at the speeds driven.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    list of Candidate
        Remedies whose effect can be predicted, in their order and with their number.
    """
    out = []
    together: list[dict[str, Any]] = []
    for k, remedy in enumerate(analysis.result["remedies"]):
        effect = remedy["expected_effect"]
        wheel = f" {remedy['wheel']}" if remedy.get("wheel") else ""
        name = REMEDY.get(remedy["kind"], remedy["kind"]) + wheel
        mark = chr(ord("①") + k) if k < 20 else str(k + 1)
        out.append(_candidate_of(analysis, mark, name, effect.get("by_speed", [])))
        together = effect.get("together_with_earlier", {}).get("by_speed", together)
    out.append(_candidate_of(analysis, "Σ", "all of them", together))
    return [c for c in out if c.paths]


def _candidate_of(
    analysis: RunAnalysis, mark: str, name: str, rows: Sequence[dict[str, Any]]
) -> Candidate:
    paths = []
    for row in rows:
        drift, creep = row["yaw_drift_deg_per_m"]["value"], row["creep_mm_per_m"]["value"]
        length = _length(analysis, row["kind"], row["speed_m_per_s"])
        if drift is not None and length > 0:
            path = arc_path(row["kind"], drift, creep or 0.0, length)
            paths.append((row["kind"], row["speed_m_per_s"], path))
    return Candidate(mark=mark, name=name, paths=tuple(paths))


def changed_arcs(analysis: RunAnalysis, predicted: Sequence[Predicted], name: str) -> Candidate:
    """Arcs of a predicted change, as long as the longest pass to that side at that speed.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    predicted : sequence of Predicted
        Outcome of `prediction.predict`.
    name : str
        What is changed.

    Returns
    -------
    Candidate
        To draw on the fan.
    """
    return _candidate_of(analysis, "", name, by_speed(predicted))


def _length(analysis: RunAnalysis, kind: str, speed: float) -> float:
    """Longest sideways pass to a side at about a speed; 0 where there is none. [m]"""
    return max(
        (
            m.distance
            for m in analysis.motion.passes
            if m.kind == kind
            and not m.hard_start
            and math.isfinite(m.distance)
            and 0.75 * speed < m.speed < 1.33 * speed
        ),
        default=0.0,
    )


def _candidate(
    figure: go.Figure, arc: Candidate, ends: dict[str, list[tuple[float, float, float]]]
) -> None:
    """Draw a change; its mark stands at the longest arc of a side, away from the driven passes."""
    name = f"{arc.mark} after: {arc.name}".strip()
    for k, (side, speed, xy) in enumerate(arc.paths):
        longest = max(abs(path[-1, 1]) for of, _, path in arc.paths if of == side)
        driven = np.mean([end[0] for end in ends[side]] or [0.0])
        mark = arc.mark if abs(xy[-1, 1]) == longest else ""
        figure.add_scatter(
            x=-xy[:, 1],
            y=xy[:, 0],
            mode="lines+text",
            text=[""] * (len(xy) - 1) + [mark],
            textposition="bottom center" if driven > xy[-1, 0] else "top center",
            textfont={"size": 16},
            line={"color": SIDE[side], "width": 2.5, "dash": "dot"},
            name=name,
            legendgroup=name,
            showlegend=k == 0,
            hovertemplate=f"after: {arc.name}<br>{side} at {speed:.2f} m/s, turned "
            f"{math.degrees(xy[-1, 2]):.1f}°<br>right %{{x:.2f}} m, ahead %{{y:.2f}} m<extra></extra>",
        )


def outline(robot: Robot, pose: Sequence[float]) -> tuple[list[float], list[float]]:
    """Outline of the base at a pose, with a nose that shows where ahead is.

    Parameters
    ----------
    robot : Robot
        The base.
    pose : sequence of float
        x, y, heading. [m, m, rad]

    Returns
    -------
    x, y : list of float
        To the right and ahead, for a plan view.
    """
    front, rear = float(robot.x.max()), float(robot.x.min())
    side = float(np.abs(robot.y).max())
    shape = (
        (rear, side),
        (front, side),
        (1.35 * front, 0.0),
        (front, -side),
        (rear, -side),
        (rear, side),
    )
    c, s = math.cos(pose[2]), math.sin(pose[2])
    return (
        [-(pose[1] + s * u + c * v) for u, v in shape],
        [pose[0] + c * u - s * v for u, v in shape],
    )  # fmt: skip


def poses(track: Track, robot: Robot, most: int = 1500) -> dict[str, list[Any]]:
    """Poses along time, few enough to send, for moving the base along its path.

    Parameters
    ----------
    track : Track
        Way of the base.
    robot : Robot
        The base, for its outline.
    most : int
        Most poses.

    Returns
    -------
    dict
        ``t`` [s], ``rolled`` and, where there is a reference, ``driven``: lists of x, y, heading
        (None where unknown); ``shape``: outline of the base at zero.
    """
    cut = thinned(track.t.size, most)
    out: dict[str, list[Any]] = {
        "t": track.t[cut].round(3).tolist(),
        "rolled": track.rolled[cut].round(4).tolist(),
        "shape": [list(v) for v in outline(robot, (0.0, 0.0, 0.0))],
    }
    if track.driven is not None:
        known = np.isfinite(track.driven[cut]).all(axis=1)
        rows = track.driven[cut].round(4).tolist()
        out["driven"] = [r if k else [None] * 3 for r, k in zip(rows, known, strict=True)]
    return out


def path(track: Track, robot: Robot | None = None) -> go.Figure:
    """Whole path as rolled and as true.

    Parameters
    ----------
    track : Track
        Way of the base.
    robot : Robot, optional
        Base to draw at the start: as the third trace by the wheels, as the fourth by the
        reference.

    Returns
    -------
    Figure
        Plan view in the frame of the first pose.
    """
    figure = go.Figure()
    looks = (
        ("as the wheels rolled", track.rolled, "#999999", "dash", 1.0),
        ("as driven (reference)", track.driven, "#000000", "solid", 1.5),
    )
    for name, xy, colour, dash, width in looks:
        figure.add_scatter(
            x=[] if xy is None else -xy[:, 1],
            y=[] if xy is None else xy[:, 0],
            mode="lines",
            name=name,
            showlegend=xy is not None,
            line={"color": colour, "dash": dash, "width": width},
        )
    if robot is not None:
        x, y = outline(robot, (0.0, 0.0, 0.0))
        for name, xy, colour, dash, _ in looks:
            true = colour == "#000000"
            figure.add_scatter(
                x=[] if xy is None else x,
                y=[] if xy is None else y,
                mode="lines",
                fill="toself",
                fillcolor="rgba(0,158,115,0.25)" if true else "rgba(153,153,153,0.15)",
                line={"color": "#009E73" if true else colour, "dash": dash, "width": 2},
                name=f"base, {name}",
                showlegend=False,
                hoverinfo="skip",
            )
    styled(figure, "to the right of the start [m]", "ahead of the start [m]", height=420)
    figure.update_yaxes(scaleanchor="x", scaleratio=1)
    return figure


def along_time(
    analysis: RunAnalysis,
    panels: Sequence[Panel],
    span: tuple[float, float],
    chosen: int | None = None,
) -> go.Figure:
    """Passes and traces along time, one above the other on one axis.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    panels : sequence of Panel
        Traces of the run.
    span : (float, float)
        Time shown. [s]
    chosen : int, optional
        Number of the pass to bring out.

    Returns
    -------
    Figure
        Bars of the passes on top (`customdata` is the number), then one row a panel; the lines
        come in the order of panels and traces, after the bars.
    """
    rows = len(panels) + 1
    heights = [0.35] + [1.0] * len(panels)
    figure = make_subplots(
        rows=rows, cols=1, shared_xaxes=True, vertical_spacing=0.022, row_heights=heights
    )
    bars = pass_bars(analysis, chosen)
    for bar in bars:
        figure.add_trace(bar, row=1, col=1)
    seen: set[str] = set()
    for row, panel in enumerate(panels, start=2):
        for k, (trace, (t, v)) in enumerate(zip(panel.traces, window(panel, *span), strict=True)):
            names = analysis.robot.wheel_names
            colours = WHEELS if panel.by_wheel else ("#000000", "#999999")
            label = f"wheel {trace.name}" if panel.by_wheel else trace.name
            figure.add_scatter(
                x=np.round(t, 5),
                y=v,
                mode="lines",
                name=label,
                legendgroup=label,
                showlegend=panel.by_wheel and trace.name in names and label not in seen,
                line={
                    "color": colours[k % len(colours)],
                    "dash": DASHES[k % len(DASHES)],
                    "width": 1.3,
                },
                hovertemplate=f"{label}: %{{y:.3g}} {panel.unit}<extra></extra>",
                row=row,
                col=1,
            )
            seen.add(label)
        figure.update_yaxes(title_text=f"{panel.title}<br>[{panel.unit}]", row=row, col=1)
    styled(figure, "", "", height=110 + 150 * len(panels))
    for row, panel in enumerate(panels, start=2):
        figure.update_yaxes(title_text=f"{panel.title}<br>[{panel.unit}]", row=row, col=1)
    figure.update_yaxes(showticklabels=False, range=[-0.5, 0.5], fixedrange=True, row=1, col=1)
    figure.update_yaxes(title_text="passes", row=1, col=1)
    figure.update_xaxes(title_text="time [s]", row=rows, col=1)
    figure.update_layout(
        hovermode="x", barmode="overlay", margin={"t": 60, "l": 75}, dragmode="zoom"
    )
    figure.update_xaxes(range=list(span), zeroline=False)
    return figure


def pass_bars(analysis: RunAnalysis, chosen: int | None = None) -> list[go.Bar]:
    """Passes as bars along time, one trace a kind.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    chosen : int, optional
        Number of the pass to bring out.

    Returns
    -------
    list of Bar
        Horizontal bars; `customdata` is the number.
    """
    t = analysis.run.t
    kinds: dict[str, list[tuple[int, float, float]]] = {}
    for number, p, _ in analysis.movements():
        a, b = float(t[p.start]), float(t[min(p.stop, t.size - 1)])
        kinds.setdefault(p.kind, []).append((number, a, b))
    for kind, spans in kinds.items():
        every = -(-len(spans) // POINTS_MOST)
        kinds[kind] = [v for k, v in enumerate(spans) if k % every == 0 or v[0] == chosen]
    return [
        go.Bar(
            base=[a for _, a, _ in spans],
            x=[b - a for _, a, b in spans],
            y=[0] * len(spans),
            orientation="h",
            width=0.8,
            customdata=[n for n, _, _ in spans],
            marker={
                "color": KIND[kind],
                "opacity": [1.0 if chosen in {None, n} else 0.25 for n, _, _ in spans],
                "line": {
                    "width": [3 if n == chosen else 0 for n, _, _ in spans],
                    "color": "#000000",
                },
            },
            name=kind.replace("_", " "),
            hovertemplate=f"pass %{{customdata}}: {kind.replace('_', ' ')}<extra></extra>",
        )
        for kind, spans in kinds.items()
    ]


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
    rows = analysis.result["yaw_drift_deg_per_m"]["by_speed"][::-1]
    labels = [f"{r['kind']} {r['speed_m_per_s']:.2f} m/s" for r in rows]
    cues = (
        ("total", "#000000", "circle"),
        ("rolled", "#009E73", "square"),
        ("slipped", "#CC79A7", "diamond"),
    )
    for shift, (part, colour, symbol) in zip((0.2, 0, -0.2), cues, strict=True):
        bars = [error_bar(r[part]) for r in rows]
        figure.add_scatter(
            y=[k + shift for k in range(len(rows))],
            x=[b[0] for b in bars],
            error_x={
                "array": [b[1] for b in bars],
                "arrayminus": [b[2] for b in bars],
                "color": colour,
            },
            mode="markers",
            name=part,
            marker={"color": colour, "symbol": symbol, "size": 9},
            hovertemplate=f"{part} %{{x:.2f}} °/m<extra></extra>",
        )
    styled(figure, "yaw drift [°/m]", "", height=130 + 42 * max(2, len(rows)))
    figure.update_yaxes(
        tickvals=list(range(len(rows))), ticktext=labels, automargin=True, zeroline=False
    )
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
