"""Figures of heading hold: answer of the base, stability of the loop, replay of a pass."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analyzer.control import HeadingGains, YawPlant, sampled_response
from analyzer.figures.base import styled, thinned

if TYPE_CHECKING:
    from analyzer.heading import HeadingHold
    from analyzer.yaw_plant import TurnWindow

LEVELS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7")
NOMINAL, SET, LIMIT = "#000000", "#56B4E9", "#D55E00"
WAYS = (
    ("without", "without hold", "#000000", "dash"),
    ("with_hold", "with hold", "#CC79A7", "solid"),
    ("with_feedforward", "with hold and feed-forward", "#009E73", "dot"),
)


def _shown(hold: HeadingHold) -> list[TurnWindow]:
    """The longest turn at each rate and side, at most eight."""
    best: dict[tuple[int, bool], TurnWindow] = {}
    for w in hold.identified.windows:
        key = (round(10 * abs(w.command)), w.command > 0)
        if key not in best or w.stop - w.start > best[key].stop - best[key].start:
            best[key] = w
    return [best[k] for k in sorted(best)][:8]


def answer(hold: HeadingHold, dt: float) -> go.Figure:
    """Yaw rate after turn commands: measured, and as the identified plant answers.

    Parameters
    ----------
    hold : HeadingHold
        The tuning.
    dt : float
        Grid step. [s]

    Returns
    -------
    Figure
        Points measured, lines fitted; turns to the right are shown mirrored.
    """
    figure = go.Figure()
    found = hold.identified
    windows = _shown(hold)
    sizes = sorted({round(10 * abs(w.command)) for w in windows})
    for w in windows:
        sign = math.copysign(1.0, w.command)
        span = slice(w.start, w.stop)
        asked = np.abs(found.signals.command[span])
        begin = int(np.argmax(asked > 0.5 * abs(w.command)))
        t = (np.arange(w.stop - w.start) - begin) * dt
        keep = t < 1.2
        colour = LEVELS[sizes.index(round(10 * abs(w.command))) % len(LEVELS)]
        side = "left" if sign > 0 else "right"
        name = f"{abs(w.command):.1f} rad/s, {side}"
        cut = thinned(int(keep.sum()), 250)
        figure.add_scatter(
            x=t[keep][cut], y=(sign * found.signals.rate[span])[keep][cut], mode="markers",
            name=name, legendgroup=name,
            marker={"color": colour, "size": 5, "symbol": "circle" if sign > 0 else "x-thin-open"},
            hovertemplate="%{y:.3f} rad/s at %{x:.3f} s<extra></extra>",
        )  # fmt: skip
        figure.add_scatter(
            x=t[keep], y=(sign * found.fitted[span])[keep], mode="lines", legendgroup=name,
            showlegend=False, line={"color": colour, "width": 2}, hoverinfo="skip",
        )  # fmt: skip
    styled(figure, "time since the command [s]", "yaw rate [rad/s]", height=420)
    return figure


def _band(gains: HeadingGains) -> np.ndarray:
    grid: np.ndarray = np.geomspace(5e-3, 0.9999, 400) * math.pi / gains.period
    return grid


def nyquist(hold: HeadingHold) -> go.Figure:
    """Loop in the complex plane, with the circle that the sensitivity allows.

    Parameters
    ----------
    hold : HeadingHold
        The tuning.

    Returns
    -------
    Figure
        Identified plant black, plants of the uncertainty set thin; −1 and its circle.
    """
    gains = hold.advised.gains
    omega = _band(gains)
    figure = go.Figure()

    def line(plant: YawPlant, name: str, colour: str, width: float, show: bool) -> None:
        loop = sampled_response(plant, gains)(omega)
        near = np.abs(loop) < 4
        figure.add_scatter(
            x=loop.real[near], y=loop.imag[near], mode="lines", name=name, legendgroup=name,
            showlegend=show, line={"color": colour, "width": width},
            customdata=omega[near] / (2 * math.pi),
            hovertemplate="%{customdata:.2f} Hz: %{x:.2f} %{y:+.2f}i<extra></extra>",
        )  # fmt: skip

    for k, plant in enumerate(hold.plants):
        line(plant, "plants that the recording allows", SET, 1, k == 0)
    line(hold.plant, "identified plant", NOMINAL, 2.5, True)
    turn = np.linspace(0, 2 * math.pi, 200)
    radius = 1 / hold.advised.nominal.max_sensitivity
    figure.add_scatter(
        x=-1 + radius * np.cos(turn), y=radius * np.sin(turn), mode="lines",
        name=f"largest sensitivity {hold.advised.nominal.max_sensitivity:.2f}",
        line={"color": LIMIT, "dash": "dash"}, hoverinfo="skip",
    )  # fmt: skip
    figure.add_scatter(
        x=np.cos(turn), y=np.sin(turn), mode="lines", name="gain 1",
        line={"color": "#999999", "dash": "dot", "width": 1}, hoverinfo="skip",
    )  # fmt: skip
    figure.add_scatter(
        x=[-1], y=[0], mode="markers", name="−1: the loop swings", hoverinfo="name",
        marker={"color": LIMIT, "symbol": "x", "size": 11},
    )  # fmt: skip
    styled(figure, "real part of the loop", "imaginary part", height=520)
    figure.update_xaxes(range=[-2.1, 1.3], constrain="domain")
    figure.update_yaxes(range=[-1.9, 1.2], scaleanchor="x", scaleratio=1)
    return figure


def sensitivity(hold: HeadingHold) -> go.Figure:
    """What the loop lets through of a disturbance, by frequency.

    Parameters
    ----------
    hold : HeadingHold
        The tuning.

    Returns
    -------
    Figure
        Below 1 the loop takes the disturbance away, above 1 it adds to it.
    """
    gains = hold.advised.gains
    omega = _band(gains)
    frequency = omega / (2 * math.pi)
    figure = go.Figure()
    for k, plant in enumerate(hold.plants):
        figure.add_scatter(
            x=frequency, y=1 / np.abs(1 + sampled_response(plant, gains)(omega)), mode="lines",
            name="plants that the recording allows", legendgroup="set", showlegend=k == 0,
            line={"color": SET, "width": 1}, hoverinfo="skip",
        )  # fmt: skip
    figure.add_scatter(
        x=frequency, y=1 / np.abs(1 + sampled_response(hold.plant, gains)(omega)), mode="lines",
        name="identified plant", line={"color": NOMINAL, "width": 2.5},
        hovertemplate="%{x:.2f} Hz: %{y:.2f}<extra></extra>",
    )  # fmt: skip
    figure.add_hline(
        y=hold.advised.nominal.max_sensitivity, line={"color": LIMIT, "dash": "dash", "width": 1}
    )
    styled(figure, "frequency [Hz]", "sensitivity [-]", height=360)
    ticks = [v for v in (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if v <= frequency[-1]]
    figure.update_xaxes(type="log", tickvals=ticks, ticktext=[f"{v:g}" for v in ticks])
    levels = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2)
    figure.update_yaxes(type="log", tickvals=levels, ticktext=[f"{v:g}" for v in levels])
    return figure


def replayed_pass(hold: HeadingHold) -> go.Figure:
    """The sideways pass that drifts most to each side, replayed in three ways.

    Parameters
    ----------
    hold : HeadingHold
        The tuning, with a replay.

    Returns
    -------
    Figure
        Above all three, below the two with hold enlarged.
    """
    replay = hold.replay
    if replay is None:
        raise ValueError(hold.why_no_replay)
    figure = make_subplots(rows=2, cols=1, shared_xaxes=True, vertical_spacing=0.08)
    free = replay.error["without"]
    for kind, width in (("left", 2.5), ("right", 1.2)):
        mine = [k for k, p in enumerate(replay.passes) if p.kind == kind]
        if not mine:
            continue
        k = max(mine, key=lambda k: float(np.nanmax(np.abs(free[k]))))
        for way, text, colour, dash in WAYS:
            for row in (1, 2):
                if row == 2 and way == "without":
                    continue
                figure.add_scatter(
                    x=replay.t, y=np.degrees(replay.error[way][k]), mode="lines", row=row, col=1,
                    name=f"{text}, {kind}", legendgroup=f"{way}{kind}", showlegend=row == 1,
                    line={"color": colour, "dash": dash, "width": width},
                    hovertemplate="%{y:.2f}° at %{x:.2f} s<extra></extra>",
                )  # fmt: skip
    styled(figure, "", "", height=520)
    figure.update_xaxes(title="time since the start of the pass [s]", row=2, col=1)
    figure.update_yaxes(title="heading error [°]", row=1, col=1)
    figure.update_yaxes(title="the same, with hold [°]", row=2, col=1)
    return figure
