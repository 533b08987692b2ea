"""The reference of a run: a logged pose, speeds added up, or wheels that measure the floor."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analyzer.clocks import Grid, Span
from analyzer.counters import unbroken
from analyzer.kinematics import body_twist, integrate_twist, plane_length, tracking_rows
from analyzer.screening import too_often
from analyzer.signals import (
    any_step_beyond,
    find_lag,
    integrated,
    liveliest,
    smooth,
    spans,
    unwrapped,
)

if TYPE_CHECKING:
    from analyzer.robot import Robot


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What tells where the base is, besides its wheels.

    Attributes
    ----------
    pose : ndarray, shape (n, 3), or None
        NaN where unknown. [m, m, rad]
    source : {"", "pose", "speeds", "tracking wheels"}
        Where it comes from.
    heading_is_gyros : bool
        Whether its heading is the gyro's own, and so no second one.
    """

    pose: np.ndarray | None
    source: str
    heading_is_gyros: bool = False

    @property
    def places(self) -> bool:
        """Whether it tells positions anywhere."""
        return self.pose is not None and bool(np.isfinite(self.pose[:, 0]).any())

    @property
    def turns(self) -> bool:
        """Whether it tells headings for a good part of the run."""
        return self.pose is not None and bool(np.isfinite(self.pose[:, 2]).mean() > 0.3)


def reference_of(
    grid: Grid, robot: Robot, gyro: np.ndarray | None, tracking: np.ndarray | None
) -> Reference:
    """Choose what tells where the base is: the logged pose, else tracking wheels, else speeds.

    Parameters
    ----------
    grid : Grid
        With the wheels on it.
    robot : Robot
        The base.
    gyro : ndarray, shape (n,), or None
        Yaw rate. [rad/s]
    tracking : ndarray, shape (n, k), or None
        Paths of the tracking wheels. [m]

    Returns
    -------
    Reference
        Without a pose where the recording holds none that can be used.
    """
    pose = _pose(grid, gyro)
    if pose is not None:
        pose = _unless_own(grid, pose, "ref_x")
    out = Reference(pose=pose, source="" if pose is None else "pose")
    if not out.places and tracking is not None:
        found = _tracked_pose(grid, robot, tracking, gyro)
        if found is not None:
            out = Reference(pose=found[0], source="tracking wheels", heading_is_gyros=found[1])
    if out.places:
        return out
    speeds = [c for c in ("ref_v_x", "ref_v_y", "ref_omega_z") if c in grid.where]
    if {"ref_v_x", "ref_v_y"} <= set(speeds):
        own = None if out.pose is None else out.pose[:, 2]
        if own is not None and not np.isfinite(own).any():
            own = None
        added = _added_up(grid, own, None if gyro is None else integrated(gyro, grid.dt))
        if added is not None:
            added = _unless_own(grid, added, "ref_v_x")
        if added is not None:
            is_gyros = own is None and "ref_omega_z" not in speeds
            return Reference(pose=added, source="speeds", heading_is_gyros=is_gyros)
    elif speeds:
        text = "a reference's speed is used with ref_v_x and ref_v_y together; not used"
        grid.tell("note", speeds[0], text)
    return out


def _pose(grid: Grid, gyro: np.ndarray | None) -> np.ndarray | None:
    """The logged pose or heading on the grid, NaN where unknown, less the time it comes late by."""
    where, t, dt, still, config = grid.where, grid.t, grid.dt, grid.still, grid.config
    if not ("ref_x" in where and "ref_y" in where):
        return _heading_alone(grid, gyro)
    part = where["ref_x"]
    offset = grid.offset(part)
    use = part.keep.copy()
    columns = ["ref_x", "ref_y"] + (["ref_yaw"] if where.get("ref_yaw") is part else [])
    for name in columns:
        if name not in part.channels:
            use[:] = False
        elif not part.full(name):
            use &= np.isfinite(part.channels[name])
    ts = part.t if use.all() else part.t[use]
    if ts.size < 10:
        grid.tell("warning", "ref_x", f"reference pose has {ts.size} usable samples only; not used")
        return None
    values = [part.channels[c] if use.all() else part.channels[c][use] for c in columns]
    if len(columns) == 3:
        values[2] = unwrapped(values[2])
    if not _has_right_unit(grid, ts + offset, values[0], values[1], "ref_x"):
        return _heading_alone(grid, gyro)
    # Flicker: a sample far from the median of its neighbours, on a scale of what motion allows.
    limits = (0.03, 0.03, 0.1)[: len(columns)]
    # Steps below half of it cannot leave a sample that far from its neighbours.
    if ts.size >= 7 and any_step_beyond(values, [limit / 2 for limit in limits]):
        from scipy import ndimage

        flicker = np.zeros(ts.size, dtype=bool)
        for v, limit in zip(values, limits, strict=True):
            away = np.abs(v - ndimage.median_filter(v, size=5, mode="nearest"))
            flicker |= away > max(limit, 8 * 1.4826 * float(np.median(away)))
        if flicker.any():
            text = f"{int(flicker.sum())} of {ts.size} reference poses jump away and back; left out"
            when = ts[flicker] + offset
            grid.tell("warning", "ref_x", text, (when[0], when[-1]))
            ts, values = ts[~flicker], [v[~flicker] for v in values]
    # Stale samples: the very same pose again while the wheels turn.
    same = np.zeros(ts.size, dtype=bool)
    same[1:] = values[0][1:] == values[0][:-1]
    for v in values[1:]:
        same[1:] &= v[1:] == v[:-1]
    at = np.flatnonzero(same)
    same[at] = np.interp(ts[at] + offset, t, (~still).astype(float)) > 0.5
    if same.sum() > 3:
        frozen = [s for s in spans(same) if ts[s[1] - 1] - ts[s[0]] >= config.frozen_time]
        places = [
            (
                f"reference pose is frozen for {ts[b - 1] - ts[a]:.2f} s while the wheels turn; left out",
                (ts[a] + offset, ts[b - 1] + offset),
            )
            for a, b in frozen
        ]
        grid.tell_places("warning", "ref_x", places)
        lone = int(same.sum()) - sum(b - a for a, b in frozen)
        if lone > 3:
            text = (
                f"{lone} of {ts.size} reference poses repeat the one before while "
                "the base moves; left out"
            )
            when = ts[same] + offset
            grid.tell("warning", "ref_x", text, (when[0], when[-1]))
        ts, values = ts[~same], [v[~same] for v in values]
    if ts.size < 10:
        grid.tell("warning", "ref_x", "reference pose is frozen; not used")
        return None
    thin = part.thinned(ts, dt)
    values = [thin.mean(v) for v in values]

    def on_grid(axis: int, stretch: slice, lag: float) -> np.ndarray:
        there = t[stretch]
        return thin.on_grid(there - there[0], dt, values[axis], offset - lag - float(there[0]))

    def sought(known: np.ndarray, seen: Callable[[slice], np.ndarray]) -> tuple[float, float]:
        stretch = liveliest(known, dt, config.lag_most)
        return find_lag(smooth(known[stretch], dt, 0.06), seen(stretch), dt, config.lag_most)

    def rate(axis: int, stretch: slice) -> np.ndarray:
        return np.asarray(np.gradient(smooth(on_grid(axis, stretch, 0.0), dt, 0.06), dt))

    best = (*sought(grid.rolled_speed, lambda s: plane_length(rate(0, s), rate(1, s))), "speed")
    if len(columns) == 3:
        # Two true yaw rates match better than a true one and a rolled one, which slip parts.
        rate_known = grid.rolled[:, 2] if gyro is None else gyro
        other = sought(rate_known, lambda s: rate(2, s))
        if other[1] > max(best[1], 0.9):
            best = (*other, "yaw rate")
    lag = _lag(grid, best[:2], best[2], "ref_x")
    ts = thin.t + (offset - lag)
    pose = np.full((t.size, 3), np.nan, order="F")
    for axis in range(len(values)):
        pose[:, axis] = on_grid(axis, slice(None), lag)
    if often := _leave_out_leaps(grid, ts, values):
        grid.tell("warning", "ref_x", f"reference pose {often}; it is not used")
        return None
    unknown = np.logical_or(*_silent(grid, ts))
    pose[unknown] = np.nan
    # Between joined takes the wheels are taken to stand, and so is the reference.
    for join in np.array(part.source.joins) + offset:
        for at in (ts[ts < join - 1e-9][-1:], ts[ts >= join - 1e-9][:1]):
            near = np.abs(t - at) <= config.join_margin if at.size else np.zeros(t.size, dtype=bool)
            near &= unknown
            for axis in range(len(columns)):
                pose[near, axis] = np.interp(at, ts, values[axis]) if at.size else math.nan
            unknown &= ~near
    holes = [s for s in spans(unknown) if (s[1] - s[0]) * dt > config.reference_gap]
    _tell_holes(grid, holes, "pose", "", "ref_x")
    yaw = grid.channel("ref_yaw", angle=True, lag=lag) if len(columns) == 2 else None
    if yaw is not None:
        pose[:, 2] = yaw
    return pose


def _heading_alone(grid: Grid, gyro: np.ndarray | None) -> np.ndarray | None:
    """A logged heading without positions, as a pose."""
    yaw = grid.channel("ref_yaw", angle=True)
    if yaw is None:
        return None
    known = grid.rolled[:, 2] if gyro is None else gyro
    lively = liveliest(known, grid.dt, grid.config.lag_most)
    rate = np.gradient(smooth(yaw[lively], grid.dt, 0.06), grid.dt)
    found = find_lag(smooth(known[lively], grid.dt, 0.06), rate, grid.dt, grid.config.lag_most)
    lag = grid.trusted_lag(found, "ref_yaw", "reference heading", "yaw rate, ")
    pose = np.full((grid.t.size, 3), np.nan, order="F")
    pose[:, 2] = grid.channel("ref_yaw", angle=True, lag=lag or 0.0)
    return pose


def _leave_out_leaps(grid: Grid, ts: np.ndarray, values: list[np.ndarray]) -> str:
    """Reference that jumps for good: passes over the jump are kept out (`valid`).

    Where it jumps too often to be used, nothing is kept out: what is said of it comes back.
    """
    t, dt, config = grid.t, grid.dt, grid.config
    limits = (config.pose_leap / 2, config.pose_leap / 2, config.yaw_leap)
    if not any_step_beyond(values, limits[: len(values)]):
        return ""
    length = plane_length(np.diff(values[0]), np.diff(values[1]))
    far = length > config.pose_leap
    if len(values) == 3:
        far |= np.abs(np.diff(values[2])) > config.yaw_leap
    if not far.any():
        return ""
    run = np.concatenate([[0.0], np.cumsum(grid.rolled_speed[:-1] * dt)])
    spun = np.concatenate([[0.0], np.cumsum(np.abs(grid.rolled[:-1, 2]) * dt)])
    path = np.diff(np.interp(ts, t, run))
    jump = length - 1.5 * path > config.pose_leap
    if len(values) == 3:
        spin = 1.5 * np.diff(np.interp(ts, t, spun))
        jump |= np.abs(np.diff(values[2])) - spin > config.yaw_leap
    jump &= np.diff(ts) < 1.0  # over a longer silence nothing can be said, nor need be
    if often := too_often(grid, ts[:-1][jump]):
        return often
    places: list[tuple[str, Span]] = []
    for i in np.flatnonzero(jump):
        a, b = np.searchsorted(t, [ts[i] - dt, ts[i + 1] + dt])
        grid.valid[max(0, a) : b + 1] = False
        step = np.array([v[i + 1] - v[i] for v in values])
        turn = f" and {round(math.degrees(step[2]), 1) + 0.0:+.1f}°" if step.size == 3 else ""
        text = (
            f"reference jumps by {1e3 * math.hypot(step[0], step[1]):.0f} mm{turn} between two "
            "samples; kept out of the fits"
        )
        places.append((text, (ts[i], ts[i + 1])))
    grid.tell_places("warning", "ref_x", places)
    return ""


def _lag(grid: Grid, found: tuple[float, float], what: str, channel: str) -> float:
    """Seconds by which a reference lags the wheels; 0 where they do not match."""
    if found[1] < grid.config.peak_least:
        text = (
            f"reference and wheels agree badly (correlation {found[1]:.2f}); its latency is "
            "not corrected"
        )
        grid.tell("warning", channel, text)
    return grid.trusted_lag(found, channel, "reference", f"{what}, ") or 0.0


def _silent(grid: Grid, ts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where samples tell nothing of the grid: beyond their ends, and in their gaps."""
    t = grid.t
    gaps = np.zeros(t.size, dtype=bool)
    for k in np.flatnonzero(np.diff(ts) > grid.config.reference_gap):
        gaps[np.searchsorted(t, ts[k], "right") : np.searchsorted(t, ts[k + 1], "right")] = True
    return (t < ts[0] - 0.1) | (t > ts[-1] + 0.1), gaps


def _tell_holes(
    grid: Grid, holes: Sequence[tuple[int, int]], what: str, then: str, channel: str
) -> None:
    """Say where a reference is missing."""
    places = [
        (
            f"no reference {what} for {(b - a) * grid.dt:.2f} s{then}",
            (grid.t[a], grid.t[b - 1]),
        )
        for a, b in holes
    ]
    grid.tell_places("warning", channel, places)


def _added_up(grid: Grid, yaw: np.ndarray | None, turned: np.ndarray | None) -> np.ndarray | None:
    """Pose from speeds along the base, turned by the reference's heading, its yaw rate or the gyro.

    `yaw` is the reference's heading, `turned` the gyro's. After a gap nothing tells where the base is:
    `valid` leaves gaps out, so that no pass has one.
    """
    where, t, dt, still, config = grid.where, grid.t, grid.dt, grid.still, grid.config
    axes = ["ref_v_x", "ref_v_y", *(["ref_omega_z"] if "ref_omega_z" in where else [])]
    if yaw is None and turned is None and len(axes) == 2:
        text = "reference speeds are added up along a heading: log ref_omega_z or a gyro. Not used"
        grid.tell("warning", "ref_v_x", text)
        return None
    series = [where[name].series(name) for name in axes]
    shifts = [grid.offset(where[name]) for name in axes]
    usable = min(ts.size for ts, _ in series)
    if usable < 10:
        text = f"reference speeds have {usable} usable samples only; not used"
        grid.tell("warning", "ref_v_x", text)
        return None

    def gridded(lag: float) -> np.ndarray:
        columns = [
            grid.placed(where[name], ts, values, shift - lag)
            for name, (ts, values), shift in zip(axes, series, shifts, strict=True)
        ]
        return np.array(columns).T

    twist = gridded(0.0)
    lively = liveliest(grid.rolled_speed, dt, config.lag_most)
    known, seen = grid.rolled_speed[lively], plane_length(twist[lively, 0], twist[lively, 1])
    found = find_lag(smooth(known, dt), smooth(seen, dt), dt, config.lag_most)
    lag = _lag(grid, found, "speed", "ref_v_x")
    silent = [
        _silent(grid, ts + (shift - lag)) for (ts, _), shift in zip(series, shifts, strict=True)
    ]
    ends, unknown = (np.logical_or.reduce(each) for each in zip(*silent, strict=True))
    if np.sum((unknown | ends) & ~still) > 0.5 * np.sum(~still):
        text = "reference speeds are missing in more than half of the driving time; not used"
        grid.tell("warning", "ref_v_x", text)
        return None
    grid.valid &= ~unknown
    _tell_holes(grid, spans(unknown), "speed", "; kept out of the fits", "ref_v_x")
    if lag:
        twist = gridded(lag)
    rests = still & grid.valid
    if rests.sum() * dt >= config.rest_time:
        twist -= np.median(twist[rests], axis=0)  # what it reads at rest is bias
    if yaw is not None:
        seen = np.flatnonzero(np.isfinite(yaw))
        heading, turned_by = np.interp(t, t[seen], yaw[seen]), "its own heading"
    elif len(axes) == 3:
        heading, turned_by = integrated(twist[:, 2], dt), "its own yaw rate"
    else:
        assert turned is not None
        heading, turned_by = turned, "the gyro's yaw rate"
    plane = (twist[1:, :2] + twist[:-1, :2]) / 2
    pose = integrate_twist(np.column_stack([plane, np.diff(heading) / dt]), dt)
    c, s = math.cos(heading[0]), math.sin(heading[0])  # it begins with no turn
    pose = np.column_stack([pose[:, :2] @ np.array([[c, s], [-s, c]]), heading])
    pose[unknown | ends] = math.nan
    text = f"the reference is added up from its speeds, turned by {turned_by}"
    grid.tell("note", "ref_v_x", text)
    return pose if _has_right_unit(grid, t, pose[:, 0], pose[:, 1], "ref_v_x") else None


def _has_right_unit(grid: Grid, ts: np.ndarray, x: np.ndarray, y: np.ndarray, channel: str) -> bool:
    """Whether positions cover about what the wheels roll; tells where not, and which unit it may be."""
    if ts.size < 10:
        return True
    every = max(1, round(0.5 / float(np.median(np.diff(ts[:4000])))))
    ends = ts[::every]
    covered = plane_length(np.diff(x[::every]), np.diff(y[::every]))
    rolled = np.diff(np.interp(ends, grid.t, integrated(grid.rolled_speed, grid.dt)))
    span = np.diff(ends)
    use = (span < 1.0) & np.isfinite(covered)
    covered, rolled, span = covered[use], rolled[use], span[use]
    if span.size < 10:
        return True

    def fastest(speed: np.ndarray) -> float:
        return float(np.sort(speed)[-(speed.size // 10) :].mean())

    fast = rolled / span > 0.5 * fastest(rolled / span)
    if span[fast].sum() <= 2.0:
        return True
    ratio = float(np.median(covered[fast] / rolled[fast]))
    # By their fastest tenth alone: the two may not share a clock.
    apart = fastest(covered / span) / fastest(rolled / span)
    if 0.4 < ratio < 2.5 or 0.4 < apart < 2.5 or ratio == 0.0:
        return True
    near = min((1e3, 1e2, 1e-3, 1e-2, 39.37, 1 / 39.37), key=lambda r: abs(math.log(r / ratio)))
    unit = {1e3: "mm", 1e2: "cm", 1e-3: "km", 1e-2: "hundreds of m"}.get(near, "inches")
    hint = f"; is its unit {unit}?" if abs(math.log(near / ratio)) < 0.4 else "."
    text = (
        f"reference covers {ratio:.3g} of the distance that the wheels roll{hint} Give its unit in "
        "the robot file, or mend radius_m and counts_per_turn. Until then its positions are not used"
    )
    grid.tell("error", channel, text)
    return False


def _unless_own(grid: Grid, reference: np.ndarray, channel: str) -> np.ndarray | None:
    """The reference itself; None where it was computed from the wheels, which is told."""
    rolled, dt = grid.rolled, grid.dt
    moving = ~grid.still & np.isfinite(reference).all(axis=1)
    if moving.sum() * dt < 5.0:
        return reference
    step = max(1, round(0.5 / dt))
    body = body_twist(reference, reference[:, 2], dt, step)
    mine = np.add.reduceat(rolled, np.arange(0, rolled.shape[0], step), axis=0)[: len(body)] / step
    use = moving[: len(body) * step : step][: len(body)] & np.isfinite(body).all(axis=1)
    mine, body = mine[use], body[use]
    dt = step * dt
    # Rollers hand over and creep, and a pose has noise of its own: no base goes just as its wheels say.
    away = []
    for axis, least in ((0, 0.05), (1, 0.05), (2, 0.2)):
        strong = np.abs(mine[:, axis]) > max(
            least, 0.5 * float(np.max(np.abs(mine[:, axis]), initial=0.0))
        )
        if strong.sum() * dt < 2.0:
            if axis == 2:
                continue
            return reference
        ratio = body[strong, axis] / mine[strong, axis]
        middle = float(np.median(ratio))
        away.append(max(abs(middle - 1), float(np.median(np.abs(ratio - middle)))))
    if max(away) < 3e-3:
        text = (
            f"reference follows the wheels to {100 * max(away):.2f} %, sideways too: it is "
            "computed from them and tells nothing new. Not used"
        )
        grid.tell("error", channel, text)
        return None
    return reference


def tracking_paths(grid: Grid, robot: Robot) -> np.ndarray | None:
    """Bring the paths of free wheels onto the grid.

    Parameters
    ----------
    grid : Grid
        With the wheels on it.
    robot : Robot
        Whose tracking wheels they are.

    Returns
    -------
    ndarray, shape (n, k), or None
        Path of each, 0 at its first sample; None where one is not logged. [m]
    """
    where, t = grid.where, grid.t
    wheels = robot.tracking_wheels
    if not wheels:
        return None
    missing = [w.name for w in wheels if not {f"count_{w.name}", f"angle_{w.name}"} & set(where)]
    if missing:
        text = f"tracking wheels {', '.join(missing)} are not in the recording; none is used"
        grid.tell("warning", f"count_{missing[0]}", text)
        return None
    out = np.empty((t.size, len(wheels)))
    for k, wheel in enumerate(wheels):
        counting = f"count_{wheel.name}" in where
        name = f"count_{wheel.name}" if counting else f"angle_{wheel.name}"
        part = where[name]
        samples = part.series(name)
        if samples[0].size < 20:
            return None
        per_turn = wheel.counts_per_turn if counting else 2 * math.pi
        ts, values = unbroken(grid, part, name, samples, per_turn)
        path = (values + (0.5 if counting else 0.0)) * (2 * math.pi / per_turn * wheel.radius_m)
        out[:, k] = np.interp(t, ts + grid.offset(part), path - path[0])
    return out


def _tracked_pose(
    grid: Grid, robot: Robot, tracking: np.ndarray, gyro: np.ndarray | None
) -> tuple[np.ndarray, bool] | None:
    """Pose from free wheels: three tell the twist, two the path with the gyro's yaw rate.

    With it whether its heading is the gyro's.
    """
    wheels = robot.tracking_wheels
    rows = tracking_rows(
        np.array([w.x_m for w in wheels]),
        np.array([w.y_m for w in wheels]),
        np.radians([w.heading_deg for w in wheels]),
    )
    speed = np.diff(tracking, axis=0) / grid.dt
    scaled = rows * np.array([1.0, 1.0, 1.0 / robot.size])
    alone = len(wheels) >= 3 and np.linalg.cond(scaled) < 50
    if alone:
        twist = speed @ np.linalg.pinv(rows).T
        how = "they alone"
    elif gyro is not None and np.linalg.cond(rows[:, :2]) < 20:
        rate = (gyro[1:] + gyro[:-1]) / 2
        plane = (speed - rate[:, None] * rows[None, :, 2]) @ np.linalg.pinv(rows[:, :2]).T
        twist = np.column_stack([plane, rate])
        how = "with the gyro's yaw rate"
    else:
        text = (
            "these tracking wheels do not tell how the base moves: it takes three in different "
            "directions and places, or two in different directions and a gyro"
        )
        grid.tell("warning", f"count_{wheels[0].name}", text)
        return None
    text = f"the reference comes from {len(wheels)} tracking wheels, {how}"
    grid.tell("note", f"count_{wheels[0].name}", text)
    return integrate_twist(twist, grid.dt), not alone
