"""Traces of a run for plots along time: what to draw, and few enough points to draw it with."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyzer.kinematics import integrate_twist, odometry_matrix
from analyzer.motion import closure_row
from analyzer.run import Run

MOST_POINTS = 4000
COARSE = 256
TRACK_MOST = 4000
INTEGRATED_MOST = 200_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One line along the run's even time grid.

    Attributes
    ----------
    name : str
        Wheel, or what the line is.
    values : ndarray of float32, shape (n,)
        Values in the panel's unit; NaN where they are not known.
    coarse : ndarray of float32, shape (m, 2)
        Lowest and highest of every `COARSE` samples, for looking at long spans.
    """

    name: str
    values: np.ndarray
    coarse: np.ndarray

    @classmethod
    def of(cls, name: str, values: np.ndarray) -> Trace:
        """Build a trace with its coarse form.

        Parameters
        ----------
        name : str
            Wheel, or what the line is.
        values : ndarray, shape (n,)
            Values in the panel's unit.

        Returns
        -------
        Trace
            In single precision.
        """
        fine = values.astype(np.float32)
        whole = fine.size // COARSE
        rows = fine[: whole * COARSE].reshape(whole, COARSE)
        rest = fine[whole * COARSE :][None]
        # fmin and fmax pass over NaN; only a stretch without any value stays NaN.
        parts = [rows] + ([rest] if rest.size else [])
        coarse = np.concatenate(
            [
                np.stack([np.fmin.reduce(p, axis=1), np.fmax.reduce(p, axis=1)], axis=1)
                for p in parts
            ]
        )
        return cls(name=name, values=fine, coarse=coarse)


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """Way of the base through the run, few enough points to draw.

    Attributes
    ----------
    t : ndarray, shape (n,)
        Time. [s]
    rolled : ndarray, shape (n, 3)
        Pose as the wheels rolled, from the first pose. [m, m, rad]
    driven : ndarray, shape (n, 3), or None
        Pose by the reference in the frame of the first one, NaN where it is not known.
    """

    t: np.ndarray
    rolled: np.ndarray
    driven: np.ndarray | None


def run_track(run: Run) -> Track:
    """Work out the way of the base through the run.

    Parameters
    ----------
    run : Run
        The aligned run.

    Returns
    -------
    Track
        At most `TRACK_MOST` points; the wheels are integrated on up to `INTEGRATED_MOST` steps.
    """
    n = run.t.size
    rolled = rolled_pose(run, 0, n)
    stride = max(1, -(-n // INTEGRATED_MOST))
    cut = slice(None, None, max(1, -(-rolled.shape[0] // TRACK_MOST)))
    driven = driven_pose(run, 0, n)
    return Track(
        t=run.t[::stride][: rolled.shape[0]][cut],
        rolled=rolled[cut],
        driven=None if driven is None else driven[: rolled.shape[0]][cut],
    )


def rolled_pose(run: Run, a: int, b: int) -> np.ndarray:
    """Pose as the wheels rolled from grid index `a` to `b`, from zero.

    Parameters
    ----------
    run : Run
        The aligned run.
    a, b : int
        Grid indices, half open.

    Returns
    -------
    ndarray, shape (k, 3)
        x, y, heading on every step, or every few where there are many. [m, m, rad]
    """
    stride = max(1, -(-(b - a) // INTEGRATED_MOST))
    step = np.diff(run.wheel_angle[a:b][::stride], axis=0)
    return integrate_twist(step @ odometry_matrix(run.robot.matrix).T, 1.0)


def driven_pose(run: Run, a: int, b: int) -> np.ndarray | None:
    """Pose by the reference from grid index `a` to `b`, in the frame of the first known one.

    Parameters
    ----------
    run : Run
        The aligned run.
    a, b : int
        Grid indices, half open.

    Returns
    -------
    ndarray, shape (k, 3), or None
        x, y, heading on the steps of `rolled_pose` [m, m, rad]; None without positions.
    """
    if run.reference is None or run.yaw is None or not run.places:
        return None
    first = a + int(np.argmax(np.isfinite(run.reference[a:b, 0])))
    turn = run.yaw[first] if np.isfinite(run.yaw[first]) else 0.0
    c, s = math.cos(turn), math.sin(turn)
    stride = max(1, -(-(b - a) // INTEGRATED_MOST))
    delta = run.reference[a:b:stride, :2] - run.reference[first, :2]
    return np.stack(
        [
            c * delta[:, 0] + s * delta[:, 1],
            -s * delta[:, 0] + c * delta[:, 1],
            run.yaw[a:b:stride] - turn,
        ],
        axis=1,
    )


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
    rolled = run.rolled[:, 2] * deg

    def wheels(title: str, unit: str, values: np.ndarray) -> Panel:
        lines = [Trace.of(name, values[:, k]) for k, name in enumerate(run.robot.wheel_names)]
        return Panel(title=title, unit=unit, by_wheel=True, dt=run.dt, traces=tuple(lines))

    def body(title: str, unit: str, lines: list[tuple[str, np.ndarray]]) -> Panel:
        traces = tuple(Trace.of(n, v) for n, v in lines)
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
    out: list[tuple[np.ndarray, np.ndarray]] = []
    for trace in panel.traces:
        part = trace.values[a:b]
        if b - a > COARSE * most:
            c, d = a // COARSE, -(-b // COARSE)
            pairs = trace.coarse[c:d].ravel()
            kept = np.unique(NaNMinMaxDownsampler().downsample(pairs, n_out=most)).astype(np.int64)
            at = (c + kept / 2) * COARSE + COARSE / 4
            out.append((np.minimum(at, size - 1) * panel.dt, pairs[kept]))
            continue
        if b - a > most:
            kept = np.unique(NaNMinMaxDownsampler().downsample(part, n_out=most)).astype(np.int64)
        else:
            kept = np.arange(b - a)
        out.append(((kept + a) * panel.dt, part[kept]))
    return out
