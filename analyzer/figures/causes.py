"""Figures of why the base arcs."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import plotly.graph_objects as go

from analyzer.figures.base import DASHES, SIDE, WHEELS, styled
from analyzer.prediction import Change, predict
from analyzer.remedies import change_of

if TYPE_CHECKING:
    from analyzer.pipeline import RunAnalysis


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


def base_from_above(analysis: RunAnalysis) -> go.Figure:
    """Plan of the base: wheels with roller lean, centre of mass, movable masses.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    Figure
        Ahead is up; suspicious wheels are red with a thick rim.
    """
    robot = analysis.robot
    figure = go.Figure()
    suspects = {c["wheel"] for c in analysis.result["causes"] if c["probability"] >= 0.4}
    for k, name in enumerate(robot.wheel_names):
        long, wide = float(robot.radius[k]), 0.5 * float(robot.radius[k])
        c, s = math.cos(robot.heading[k]), math.sin(robot.heading[k])
        corners = np.array(
            [(long, wide), (long, -wide), (-long, -wide), (-long, wide), (long, wide)]
        )
        x = robot.x[k] + c * corners[:, 0] - s * corners[:, 1]
        y = robot.y[k] + s * corners[:, 0] + c * corners[:, 1]
        bad = name in suspects
        figure.add_scatter(
            x=-y,
            y=x,
            mode="lines",
            fill="toself",
            fillcolor="rgba(213,94,0,0.25)" if bad else "rgba(120,120,120,0.15)",
            line={"color": "#D55E00" if bad else "#777777", "width": 4 if bad else 1.5},
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
                line={"color": "#555555", "width": 2},
                showlegend=False,
                hoverinfo="skip",
            )
        figure.add_annotation(
            x=-robot.y[k], y=robot.x[k] + 1.35 * long, text=f"<b>{name}</b>", showarrow=False
        )
    for mass in robot.masses:
        figure.add_scatter(
            x=[-mass.y_m],
            y=[mass.x_m],
            mode="markers+text",
            text=[mass.name],
            textposition="bottom center",
            marker={"symbol": "square", "size": 13, "color": "#56B4E9"},
            name="can be moved",
            showlegend=mass is robot.masses[0],
        )
    centre = analysis.result["chassis"]["centre_of_mass_m"]
    if centre["x"].get("value") is not None and centre["y"].get("value") is not None:
        turn = np.linspace(0, 2 * math.pi, 60)
        # 95 % of a normal in the plane: sqrt(5.991) standard deviations (chi-square, 2 dof).
        rx, ry = 2.448 * centre["x"]["std_error"], 2.448 * centre["y"]["std_error"]
        figure.add_scatter(
            x=-(centre["y"]["value"] + ry * np.sin(turn)),
            y=centre["x"]["value"] + rx * np.cos(turn),
            mode="lines",
            line={"color": "#009E73"},
            name="centre of mass, 95 %",
        )
        figure.add_scatter(
            x=[-centre["y"]["value"]],
            y=[centre["x"]["value"]],
            mode="markers",
            marker={"symbol": "cross", "size": 12, "color": "#009E73"},
            showlegend=False,
        )
    figure.add_scatter(
        x=[0],
        y=[0],
        mode="markers",
        marker={"symbol": "circle-open", "size": 10, "color": "#000000"},
        name="middle of the wheels",
    )
    styled(figure, "to the right [m]", "ahead [m]", height=440)
    figure.update_yaxes(scaleanchor="x", scaleratio=1)
    return figure


def arcs_after(analysis: RunAnalysis, *, distance: float = 2.0) -> go.Figure | None:
    """Sideways arcs as seen, after each remedy that can be predicted, and after all of them.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    distance : float
        Path sideways. [m]

    Returns
    -------
    Figure or None
        Slowest passes to both sides; None where nothing can be predicted.
    """
    planned: list[tuple[str, Change]] = [("as it is", Change())]
    together = Change()
    for number, remedy in enumerate(analysis.result["remedies"], start=1):
        change = change_of(analysis.robot, remedy)
        if change is not None:
            together = together.plus(change)
            planned.append((f"after remedy {number}", change))
    if len(planned) > 2:
        planned.append(("after all of them", together))
    if len(planned) < 2:
        return None
    figure = go.Figure()
    for cue, (name, change) in enumerate(planned):
        rows = predict(analysis.diagnosis, analysis.motion, change)
        for side in ("left", "right"):
            own = [p for p in rows if p.kind == side]
            if not own:
                continue
            slow = min(own, key=lambda p: p.speed)
            path = slow.path(distance)
            figure.add_scatter(
                x=-path[:, 1],
                y=path[:, 0],
                mode="lines",
                name=name,
                legendgroup=name,
                showlegend=side == "left",
                line={"color": SIDE[side], "width": 4 if cue == 0 else 2, "dash": DASHES[cue]},
                hovertemplate=f"{name}, {side} at {slow.speed:.2f} m/s<br>right %{{x:.2f}} m, "
                f"ahead %{{y:.2f}} m<br>yaw drift {slow.yaw_drift_after}<extra></extra>",
            )
    if not figure.data:
        return None
    styled(figure, "to the right of the start [m]", "ahead of the start [m]", height=420)
    figure.update_yaxes(scaleanchor="x", scaleratio=1)
    return figure


def misfits(analysis: RunAnalysis) -> go.Figure | None:
    """How far each kind of balance is off under the likeliest hypotheses and a sound base.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    Figure or None
        Root of the mean squared residual, in standard errors; None without forces.
    """
    model, fits = analysis.diagnosis.model, analysis.diagnosis.fits
    if model is None:
        return None
    ranked = sorted(fits, key=lambda f: -f.share)
    sound = [f for f in ranked if f.causes == (("none", None),)]
    shown = ranked[:2]
    shown += [f for f in sound if all(f is not g for g in shown)]
    labels = np.array(model.labels())
    words = list(dict.fromkeys(labels))[::-1]
    figure = go.Figure()
    for k, fit in enumerate(shown):
        residual = model.residuals(fit.z[None])[0]
        name = " and ".join(cause_name({"cause": c, "wheel": w}) for c, w in fit.causes)
        figure.add_scatter(
            x=[float(np.sqrt(np.mean(residual[labels == word] ** 2))) for word in words],
            y=words,
            mode="markers",
            name=f"{name} ({100 * fit.share:.0f} %)",
            marker={
                "color": WHEELS[(0, 1, 5)[k]],
                "symbol": ("circle", "diamond", "square-open")[k],
                "size": 11,
            },
        )
    styled(figure, "misfit [standard errors]", "", height=120 + 26 * len(words))
    figure.add_vline(x=2, line={"dash": "dot", "color": "#777777"})
    figure.update_xaxes(rangemode="tozero")
    figure.update_yaxes(automargin=True)
    return figure
