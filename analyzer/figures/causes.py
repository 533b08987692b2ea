"""Figures of why the base arcs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import plotly.graph_objects as go

from analyzer.figures.base import rows_named, styled
from analyzer.hypotheses import PARAMETER
from analyzer.prediction import draws_of

if TYPE_CHECKING:
    from analyzer.balances import Model
    from analyzer.hypotheses import Fitted
    from analyzer.pipeline import RunAnalysis
    from analyzer.robot import Robot


def _percent(share: float) -> str:
    """As in the list of causes: nothing is quite certain, nor quite ruled out."""
    return f"{100 * min(share, 0.99):.0f} %" if share >= 0.005 else "under 1 %"


def cause_name(cause: dict) -> str:
    """Words for a cause, with its wheel.

    Parameters
    ----------
    cause : dict
        Entry of the result file.

    Returns
    -------
    str
        For the screen.
    """
    words = {
        "none": "nothing beyond tolerance",
        "mass_off_centre": "mass off centre",
        "roller_drag": "rollers drag",
        "axle_drag": "axle turns stiffly",
        "weak_motor": "weak motor",
        "radius_mismatch": "unequal radius",
        "roller_lean_reversed": "rollers lean the wrong way",
        "rotation_reversed": "turns the wrong way round",
        "low_grip": "poor grip",
        "floor_slope": "sloping floor",
        "gyro_fault": "bad gyro",
        "undetermined": "cannot be told",
    }
    text = words.get(cause["cause"], cause["cause"])
    if cause["wheel"]:
        return f"{cause['wheel']}: {text}"
    return text


def cause_bars(analysis: RunAnalysis) -> go.Figure:
    """Probability of the causes worth naming.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    Figure
        Horizontal bars, the most probable on top.
    """
    causes = [c for c in analysis.result["causes"] if c["probability"] >= 0.01][:8][::-1]
    figure = go.Figure(
        go.Bar(
            x=[100 * c["probability"] for c in causes],
            y=[cause_name(c) for c in causes],
            orientation="h",
            marker={"color": "#0072B2"},
            text=[f"{100 * c['probability']:.0f} %" for c in causes],
            textposition="outside",
            cliponaxis=False,
        )
    )
    styled(figure, "probability [%]", "", height=90 + 40 * max(2, len(causes)))
    figure.update_xaxes(range=[0, 112])
    figure.update_yaxes(automargin=True)
    return figure


@dataclass(frozen=True, slots=True, kw_only=True)
class WheelView:
    """What is written beside a wheel of the plan of the base.

    Attributes
    ----------
    lines : tuple of str
        Text, line by line.
    suspect : bool
        Whether to draw it with a thick rim.
    shade : float
        0 (none) to 1, how strongly to fill it.
    """

    lines: tuple[str, ...] = ()
    suspect: bool = False
    shade: float = 0.0


def base_plan(robot: Robot, views: dict[str, WheelView] | None = None) -> go.Figure:
    """Plan of a base: wheels with roller lean, things that can be moved, inertial sensor.

    Parameters
    ----------
    robot : Robot
        The base.
    views : dict of str to WheelView, optional
        What to show of each wheel.

    Returns
    -------
    Figure
        Ahead is up.
    """
    figure = go.Figure()
    views = views or {}
    rim = float(robot.radius.max())
    for k, name in enumerate(robot.wheel_names):
        view = views.get(name, WheelView())
        long, wide = float(robot.radius[k]), 0.5 * float(robot.radius[k])
        c, s = math.cos(robot.heading[k]), math.sin(robot.heading[k])
        corners = np.array(
            [(long, wide), (long, -wide), (-long, -wide), (-long, wide), (long, wide)]
        )
        x = robot.x[k] + c * corners[:, 0] - s * corners[:, 1]
        y = robot.y[k] + s * corners[:, 0] + c * corners[:, 1]
        figure.add_scatter(
            x=-y,
            y=x,
            mode="lines",
            fill="toself",
            fillcolor=f"rgba(230,159,0,{0.08 + 0.8 * min(1.0, view.shade):.2f})",
            line={
                "color": "#000000" if view.suspect else "#777777",
                "width": 4.5 if view.suspect else 1.5,
            },
            showlegend=False,
            hoverinfo="skip",
        )
        # Seen from above the upper rollers show: they lean the other way than those on the floor.
        lean = robot.heading[k] - robot.roller_angle[k] + math.pi / 2
        for offset in (-0.6, 0.0, 0.6):
            mx, my = robot.x[k] + c * offset * long, robot.y[k] + s * offset * long
            dx, dy = 0.55 * wide * math.cos(lean), 0.55 * wide * math.sin(lean)
            figure.add_scatter(
                x=[-(my - dy), -(my + dy)],
                y=[mx - dx, mx + dx],
                mode="lines",
                line={"color": "#777777", "width": 2.5},
                showlegend=False,
                hoverinfo="skip",
            )
        # What is said of a wheel stands outside of it: a phone has no room between two.
        if view.lines and abs(robot.y[k]) > wide:
            edge, side, gap = (-y.max(), "right", -4) if robot.y[k] > 0 else (-y.min(), "left", 4)
            at = {
                "x": float(edge),
                "y": robot.x[k],
                "xanchor": side,
                "align": side,
                "yanchor": "middle",
                "xshift": gap,
            }
        else:
            below = robot.x[k] < 0 and abs(robot.x[k]) > rim
            at = {
                "x": -robot.y[k],
                "y": robot.x[k] + (-1.15 if below else 1.15) * long,
                "yanchor": "top" if below else "bottom",
            }
        text = f"<b>{name}</b> " + "<br>".join(view.lines)
        figure.add_annotation(text=text, showarrow=False, font={"size": 12}, **at)
    if robot.masses:
        figure.add_scatter(
            x=[-m.y_m for m in robot.masses],
            y=[m.x_m for m in robot.masses],
            mode="markers+text",
            text=[m.name for m in robot.masses],
            textposition="bottom center",
            marker={"symbol": "square", "size": 14, "color": "#56B4E9"},
            name="can be moved",
            hovertemplate="%{text}: ahead %{y:.3f} m, right %{x:.3f} m<extra></extra>",
        )
    figure.add_scatter(
        x=[0],
        y=[0],
        mode="markers",
        marker={"symbol": "circle-open", "size": 10, "color": "#000000"},
        name="middle of the wheels",
        hoverinfo="name",
    )
    styled(figure, "to the right [m]", "ahead [m]", height=460)
    top, bottom = float(robot.x.max()), float(robot.x.min())
    room = 0.42 * max(top - bottom, 2 * rim)
    span_y = top - bottom + 2 * (rim + room)
    # Wide enough for what is written beside the wheels: 0.3 of the height are a hundred pixels.
    span_x = float(np.abs(robot.y).max()) + rim + 0.3 * span_y
    figure.update_xaxes(range=[-span_x, span_x], constrain="domain")
    figure.update_yaxes(
        scaleanchor="x", scaleratio=1, range=[bottom - rim - room, top + rim + room]
    )
    return figure


def _add_centre(figure: go.Figure, x: dict[str, Any], y: dict[str, Any]) -> None:
    """Centre of mass with its 95 % ellipse, from estimates of the result file."""
    if x.get("value") is None or y.get("value") is None:
        return
    turn = np.linspace(0, 2 * math.pi, 60)
    # 95 % of a normal in the plane: sqrt(5.991) standard deviations (chi-square, 2 dof).
    rx, ry = 2.448 * x["std_error"], 2.448 * y["std_error"]
    figure.add_scatter(
        x=-(y["value"] + ry * np.sin(turn)),
        y=x["value"] + rx * np.cos(turn),
        mode="lines",
        line={"color": "#009E73"},
        name="centre of mass, 95 %",
        hoverinfo="name",
    )
    figure.add_scatter(
        x=[-y["value"]],
        y=[x["value"]],
        mode="markers",
        marker={"symbol": "cross", "size": 12, "color": "#009E73"},
        showlegend=False,
        hovertemplate="centre of mass: ahead %{y:.3f} m, right %{x:.3f} m<extra></extra>",
    )


def wheel_state(analysis: RunAnalysis) -> dict[str, tuple[float, float]]:
    """Load and roller drag of each wheel, as the weighed hypotheses have them.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    dict of str to (float, float)
        Wheel to load [N] and drag [N]; empty where forces are not known.
    """
    model = analysis.diagnosis.model
    if model is None:
        return {}
    side = next((g for g in model.groups if g.kind == "side"), None)
    state = model.state(draws_of(analysis.diagnosis.fits), side)
    load, drag = np.median(state.load, axis=0), np.median(state.drag, axis=0)
    return {
        name: (float(load[k]), float(drag[k])) for k, name in enumerate(analysis.robot.wheel_names)
    }


def base_from_above(analysis: RunAnalysis) -> go.Figure:
    """Plan of the base: wheels with roller lean, load and stiffness, centre of mass, masses.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    Figure
        Ahead is up; suspicious wheels have a thick rim, stiff ones a stronger fill.
    """
    suspects = {c["wheel"] for c in analysis.result["causes"] if c["probability"] >= 0.4}
    state = wheel_state(analysis)
    most = max((drag for _, drag in state.values()), default=1.0)
    views = {}
    for name in analysis.robot.wheel_names:
        lines: tuple[str, ...] = ()
        shade = 0.0
        if name in state:
            load, drag = state[name]
            lines = (f"load {load:.0f} N", f"drag {drag:.1f} N")
            shade = drag / most if most > 0 else 0.0
        views[name] = WheelView(lines=lines, suspect=name in suspects, shade=shade)
    figure = base_plan(analysis.robot, views)
    centre = analysis.result["chassis"]["centre_of_mass_m"]
    _add_centre(figure, centre["x"], centre["y"])
    return figure


def base_with_change(
    analysis: RunAnalysis, places: Sequence[tuple[float, float]], shift: tuple[float, float]
) -> go.Figure:
    """Plan of the base whose masses can be dragged.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    places : sequence of (float, float)
        Where the movable masses stand now. [m]
    shift : (float, float)
        Shift of the centre of mass that follows. [m]

    Returns
    -------
    Figure
        The first shapes are the masses, in the robot file's order.
    """
    robot = replace(analysis.robot, masses=())
    figure = base_plan(robot)
    half = 0.16 * float(max(robot.x.max() - robot.x.min(), np.ptp(robot.y))) / 2
    for mass, (x, y) in zip(analysis.robot.masses, places, strict=True):
        figure.add_shape(
            type="rect",
            x0=-y - half,
            x1=-y + half,
            y0=x - half,
            y1=x + half,
            fillcolor="#56B4E9",
            opacity=0.85,
            line={"color": "#000000", "width": 1},
        )
        figure.add_annotation(
            x=-y, y=x - half, yanchor="top", text=mass.name, showarrow=False, font={"size": 12}
        )
    for mass, (x, y) in zip(analysis.robot.masses, places, strict=True):
        if math.hypot(mass.x_m - x, mass.y_m - y) > 1e-3:
            figure.add_annotation(
                x=-y, y=x, ax=-mass.y_m, ay=mass.x_m, axref="x", ayref="y", showarrow=True,
                arrowhead=2, arrowcolor="#777777", text="",
            )  # fmt: skip
    centre = analysis.result["chassis"]["centre_of_mass_m"]
    _add_centre(figure, centre["x"], centre["y"])
    if math.hypot(*shift) > 1e-4 and centre["x"].get("value") and centre["y"].get("value"):
        figure.add_scatter(
            x=[-(centre["y"]["value"] + shift[1])],
            y=[centre["x"]["value"] + shift[0]],
            mode="markers",
            marker={"symbol": "x", "size": 12, "color": "#CC79A7"},
            name="centre of mass after",
            hovertemplate="after: ahead %{y:.3f} m, right %{x:.3f} m<extra></extra>",
        )
    return figure


def pass_from_above(analysis: RunAnalysis, number: int) -> go.Figure:
    """Plan of the base with what each wheel did in one pass.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    number : int
        Number of the pass.

    Returns
    -------
    Figure
        Path that each wheel rolled, and its part of the closure where rolling forbids some.
    """
    p = next((q for n, q, _ in analysis.movements() if n == number), None)
    if p is None:
        return base_plan(analysis.robot)
    run = analysis.run
    a, b = p.start, min(p.stop, run.t.size - 1)
    rolled = (run.wheel_angle[b] - run.wheel_angle[a]) * run.robot.radius
    most = float(np.abs(rolled).max()) or 1.0
    views = {}
    for k, name in enumerate(run.robot.wheel_names):
        lines = [f"{rolled[k]:+.2f} m"]
        if run.current is not None:
            lines.append(f"{float(run.current[p.cruise_start : p.cruise_stop, k].mean()):+.2f} A")
        elif run.volt is not None:
            lines.append(f"{float(run.volt[p.cruise_start : p.cruise_stop, k].mean()):+.2f} V")
        views[name] = WheelView(lines=tuple(lines), shade=abs(float(rolled[k])) / most)
    return base_plan(run.robot, views)


STRETCH = "stretch of what is usual"


def _stretch(model: Model, fit: Fitted) -> float:
    """How far a hypothesis needs unsuspected parts to differ from sound ones. [standard deviations]"""
    mean, sd = model.sound_prior()
    pull = (fit.z - mean) / sd
    for cause, wheel in fit.causes:
        if cause == "mass_off_centre":
            pull[:2] = 0.0
        elif wheel is not None:
            at = model.index(PARAMETER[cause], model.robot.wheel_names.index(wheel))
            pull[at] = 0.0
    return float(np.linalg.norm(pull))


def misfits(analysis: RunAnalysis, most: int = 4) -> go.Figure | None:
    """How far each hypothesis misses what was measured, kind of evidence by kind of evidence.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    most : int
        Hypotheses shown, besides "nothing beyond tolerance".

    Returns
    -------
    Figure or None
        A row a kind, a mark a hypothesis: root of the mean squared residual in
        standard errors, and how far it stretches what sound parts are like; None where forces
        are not known.
    """
    model, fits = analysis.diagnosis.model, analysis.diagnosis.fits
    if model is None or not fits:
        return None
    kinds = [STRETCH, *model.kinds[::-1]]
    many = model.by_kind(np.ones(fits[0].residuals.size))
    ranked = sorted(fits, key=lambda f: -f.share)
    none = next(f for f in fits if f.sound)
    picked = [f for f in ranked if f is not none][:most] + [none]
    # A sound base as the list of causes has it: without the share of what cannot be seen.
    said = [c["probability"] for c in analysis.diagnosis.causes if c["cause"] == "none"]
    figure = go.Figure()
    top = 0.0
    for fit, (colour, symbol) in zip(picked, CUES, strict=False):
        sizes = [_stretch(model, fit), *(model.by_kind(fit.residuals) / many)[::-1].tolist()]
        top = max(top, *sizes)
        names = " + ".join(cause_name({"cause": c, "wheel": w}) for c, w in fit.causes)
        figure.add_scatter(
            x=sizes,
            y=list(range(len(kinds))),
            mode="markers",
            cliponaxis=False,
            marker={"color": colour, "symbol": symbol, "size": 11, "line": {"width": 1}},
            name=f"{names} ({_percent(said[0] if fit.sound and said else fit.share)})",
            text=kinds,
            hovertemplate=f"{names}: misses %{{text}} by %{{x:.1f}}<extra></extra>",
        )
    styled(figure, "misses by [standard errors]", "", height=190 + 36 * len(kinds))
    rows_named(figure, kinds)
    figure.add_vrect(x0=0, x1=3, fillcolor="#009E73", opacity=0.1, line_width=0)
    figure.update_xaxes(range=[0, max(3.5, 1.08 * top)])
    return figure


CUES = (
    ("#0072B2", "diamond"),
    ("#D55E00", "square"),
    ("#E69F00", "triangle-down"),
    ("#CC79A7", "cross"),
    ("#009E73", "triangle-up"),
)


def gauges(analysis: RunAnalysis) -> go.Figure | None:
    """Measurements of the centre of mass against what the best hypotheses say.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    Figure or None
        Points with 95 % intervals and a line a hypothesis; None without such measurements.
    """
    model, fits = analysis.diagnosis.model, analysis.diagnosis.fits
    if model is None or not model.gauges:
        return None
    figure = go.Figure()
    names = [f"{'ahead' if g.axis == 0 else 'left'}, by {g.name}" for g in model.gauges]
    figure.add_scatter(
        x=[1e3 * g.value for g in model.gauges],
        y=list(range(len(names))),
        error_x={"array": [1.96e3 * g.std_error for g in model.gauges], "color": "#000000"},
        mode="markers",
        marker={"color": "#000000", "size": 9},
        name="measured, 95 %",
    )
    ranked = sorted(fits, key=lambda f: -f.share)[:3]
    for fit, (colour, symbol) in zip(ranked, CUES, strict=False):
        says = " + ".join(cause_name({"cause": c, "wheel": w}) for c, w in fit.causes)
        figure.add_scatter(
            x=[1e3 * float(fit.z[g.axis]) for g in model.gauges],
            y=list(range(len(names))),
            mode="markers",
            marker={"color": colour, "symbol": symbol, "size": 11, "line": {"width": 1}},
            name=says,
        )
    styled(figure, "centre of mass [mm]", "", height=190 + 45 * len(names))
    rows_named(figure, names)
    return figure
