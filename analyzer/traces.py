"""Traces of a run for plots along time: what to draw, and few enough points to draw it with."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyzer.kinematics import odometry_matrix
from analyzer.motion import closure_row
from analyzer.run import Run

MOST_POINTS = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One line along the run's even time grid.

    Attributes
    ----------
    name : str
        Wheel, or what the line is.
    values : ndarray of float32, shape (n,)
        Values in the panel's unit; NaN where they are not known.
    """

    name: str
    values: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """Lines that share one vertical axis.

    Attributes
    ----------
    title, unit : str
        What is drawn.
    by_wheel : bool
        Whether each line is a wheel, in the robot file's order.
    dt : float
        Step of the time grid, which starts at 0. [s]
    traces : tuple of Trace
        The lines.
    """

    title: str
    unit: str
    by_wheel: bool
    dt: float
    traces: tuple[Trace, ...]


def run_panels(run: Run) -> tuple[Panel, ...]:
    """Work out what is drawn along time.

    Parameters
    ----------
    run : Run
        The aligned run.

    Returns
    -------
    tuple of Panel
        Wheel speed, current, yaw rate and slip (the closure that rolling forbids), as far as the
        run has them; the yaw rate in °/s, the closure in mm/s.
    """
    deg = 180 / math.pi
    rolled = run.wheel_speed @ odometry_matrix(run.robot.matrix)[2] * deg

    def wheels(title: str, unit: str, values: np.ndarray) -> Panel:
        lines = [
            Trace(name=name, values=values[:, k].astype(np.float32))
            for k, name in enumerate(run.robot.wheel_names)
        ]
        return Panel(title=title, unit=unit, by_wheel=True, dt=run.dt, traces=tuple(lines))

    def body(title: str, unit: str, lines: list[tuple[str, np.ndarray]]) -> Panel:
        traces = tuple(Trace(name=n, values=v.astype(np.float32)) for n, v in lines)
        return Panel(title=title, unit=unit, by_wheel=False, dt=run.dt, traces=traces)

    panels = [wheels("wheel speed", "rad/s", run.wheel_speed)]
    if run.current is not None:
        panels.append(wheels("current", "A", run.current))
    elif run.volt is not None:
        panels.append(wheels("voltage", "V", run.volt))
    turning = [("as the wheels rolled", rolled)]
    if run.gyro_z is not None:
        turning.insert(0, ("gyro", run.gyro_z * deg))
    elif run.yaw is not None:
        turning.insert(0, (run.yaw_source, np.gradient(run.yaw, run.dt) * deg))
    panels.append(body("yaw rate", "°/s", turning))
    if run.yaw is not None:
        panels.append(body("heading", "°", [(f"heading ({run.yaw_source})", run.yaw * deg)]))
    closing = closure_row(run)
    if np.any(closing):
        panels.append(body("slip: closure", "mm/s", [("closure", run.wheel_speed @ closing * 1e3)]))
    return tuple(panels)


def window(
    panel: Panel, t_start: float, t_end: float, most: int = MOST_POINTS
) -> list[tuple[np.ndarray, np.ndarray]]:
    """Cut the lines of a panel to a span of time, and keep their lows and highs.

    Parameters
    ----------
    panel : Panel
        The panel.
    t_start, t_end : float
        Span. [s]
    most : int
        Most points of each line.

    Returns
    -------
    list of (ndarray, ndarray)
        Time [s] and value of each line; of a stretch with many samples the lowest and the highest.
    """
    from tsdownsample import NaNMinMaxDownsampler

    size = panel.traces[0].values.size
    a = min(max(0, math.floor(t_start / panel.dt) - 1), max(0, size - 2))
    b = min(max(a + 2, math.ceil(t_end / panel.dt) + 2), size)
    out = []
    for trace in panel.traces:
        part = trace.values[a:b]
        if b - a > most:
            kept = np.unique(NaNMinMaxDownsampler().downsample(part, n_out=most)).astype(np.int64)
        else:
            kept = np.arange(b - a)
        out.append(((kept + a) * panel.dt, part[kept]))
    return out
