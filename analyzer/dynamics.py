"""Forces of a run: motor torques, pass balances, yaw inertia and gauges of the centre of mass.

Equations (robot frame, wheel i at x_i, y_i with roller angle g_i, t_i = tan g_i,
w_i = x_i t_i - y_i, radius r_i, motor torque less axle drag tau_i, roller drag D_i along the
roller's rolling direction against its sense s_i = sign(v_y + x_i omega)):

    force ahead   sum tau_i / r_i                               = m (a_x - omega^2 c_x - domega c_y)
    force left    sum t_i tau_i / r_i - D_i s_i / cos g_i       = m (a_y - omega^2 c_y + domega c_x)
    yaw moment    sum w_i tau_i / r_i - x_i D_i s_i / cos g_i   = I domega + m (c_x a_y - c_y a_x)

They follow from the wheel's balance about its axle and the base's momentum about the origin
[derived]. The row (1, t_i, w_i) is the rolling row of Lynch & Park (2017), eq. (13.5).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analyzer.kinematics import odometry_matrix
from analyzer.quantities import Estimate, in_lot_order, slope_through_origin
from analyzer.run import TURNS, Pass, Run
from analyzer.signals import shifted, smooth, spans

GRAVITY = 9.80665


@dataclass(frozen=True, slots=True, kw_only=True)
class Torques:
    """Motor torques of a run and how they were had.

    Attributes
    ----------
    torque : ndarray, shape (n, w)
        Motor torque at the wheel. [N m]
    source : str
        "current" or "volt".
    resistance : tuple of Estimate
        Per wheel, from volts and currents together. [ohm]
    current_lag : float
        Lag of the current channel that was taken out. [s]
    """

    torque: np.ndarray
    source: str
    resistance: tuple[Estimate, ...]
    current_lag: float


def motor_torques(run: Run) -> Torques | None:
    """Motor torques from currents, or from volts less back-EMF over resistance.

    Parameters
    ----------
    run : Run
        The aligned run.

    Returns
    -------
    Torques or None
        None without motor constants or without currents and volts.
    """
    robot = run.robot
    volt = run.volt
    if volt is None and run.power is not None and run.battery is not None:
        volt = run.power * run.battery[:, None]
    if not robot.has_motor or (run.current is None and volt is None):
        return None
    w = robot.x.size
    unknown = Estimate.undetermined("ohm", "needs volts and currents together")
    resistance: list[Estimate] = [unknown] * w
    lag = 0.0
    if run.current is None:
        assert volt is not None
        drop = smooth(volt, run.dt) - robot.volts_per_rad_s * run.wheel_speed
        return Torques(
            torque=robot.torque_per_ampere * drop / robot.resistance_ohm,
            source="volt",
            resistance=tuple(resistance),
            current_lag=0.0,
        )
    current = smooth(run.current, run.dt)
    if volt is not None:
        # Neighbouring samples know the same: of a long recording some tell it all.
        every = max(1, run.t.size // 20_000)
        drop = smooth(volt, run.dt, every=every)
        drop = drop - robot.volts_per_rad_s * run.wheel_speed[::every]

        def moved(steps: float, stride: int) -> np.ndarray:
            return np.array([shifted(c, steps, stride=stride) for c in current.T]).T

        def misfit(steps: float) -> float:
            seen = moved(steps, every)
            slope = np.sum(seen * drop, axis=0) / np.maximum(np.sum(seen**2, axis=0), 1e-9)
            return float(np.sum((drop - slope * seen) ** 2))

        grid = np.arange(-1.0, 7.0, 1.0) * max(0.01, run.dt) / run.dt
        cost = [misfit(s) for s in grid]
        best = int(np.argmin(cost))
        steps = float(grid[best])
        if 0 < best < grid.size - 1:
            left, mid, right = cost[best - 1], cost[best], cost[best + 1]
            bend = left - 2 * mid + right
            if bend > 0:
                steps += 0.5 * (left - right) / bend * (grid[1] - grid[0])
        current = moved(steps, 1)
        lag = steps * run.dt
        for k in range(w):
            resistance[k] = slope_through_origin(
                current[::every, k], drop[:, k], "ohm", blocks=12, floor_share=0.005
            )
    return Torques(
        torque=robot.torque_per_ampere * current,
        source="current",
        resistance=tuple(resistance),
        current_lag=lag,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """One independent measurement of the centre of mass.

    Attributes
    ----------
    name : str
        Where it comes from.
    axis : int
        0 for x, 1 for y.
    value, std_error : float
        Centre of mass by nominal torques. [m]
    slope : ndarray, shape (w,)
        Change of `value` per relative change of each wheel's torque. [m]
    """

    name: str
    axis: int
    value: float
    std_error: float
    slope: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class Inertia:
    """Rotor inertia, yaw inertia and the gauges that need them."""

    rotor: float
    yaw: Estimate
    gauges: tuple[Gauge, ...]


PASSES_MOST = 100
"""Most passes of a kind that forces are binned in [-]: more, in recordings of hours, cost time and change
nothing beyond the floors."""


def _some(passes: Sequence[Pass], *kinds: str) -> list[Pass]:
    """Passes of these kinds, in order of time; of very many some."""
    own = in_lot_order([p for p in passes if p.kind in kinds])
    return sorted(own[:PASSES_MOST], key=lambda p: p.start)


class _Binned:
    """Means over tenths of a second inside the chosen passes."""

    def __init__(self, run: Run, passes: Sequence[Pass], pad: int) -> None:
        self.size = max(1, round(0.1 / run.dt))
        self.dt = run.dt
        owner = np.full(run.t.size, -1, dtype=np.int32)
        for k, p in enumerate(passes):
            owner[max(0, p.start - pad) : p.stop + pad] = k
        inside = spans((owner >= 0) & run.valid)
        every = [a + self.size * np.arange((b - a) // self.size) for a, b in inside]
        self.start = np.concatenate([np.empty(0, dtype=int), *every])
        self.count = self.start.size
        self.where = (self.start[:, None] + np.arange(self.size)).ravel()
        self.owner = owner[self.start + self.size - 1]

    def mean(self, values: np.ndarray) -> np.ndarray:
        if values.ndim == 1:
            return values[self.where].reshape(self.count, self.size).mean(axis=1)
        return np.stack([self.mean(values[:, k]) for k in range(values.shape[1])], axis=1)

    def slope(self, values: np.ndarray) -> np.ndarray:
        """Mean of the derivative (central differences): all but the values at the ends cancel."""
        stop, n = self.start + self.size, values.shape[0]
        before = np.where(
            self.start > 0, values[self.start - 1].T, (2 * values[0] - values[1])[..., None]
        ).T
        after = np.where(
            stop < n, values[np.minimum(stop, n - 1)].T, (2 * values[-1] - values[-2])[..., None]
        ).T
        gained: np.ndarray = after + values[stop - 1] - values[self.start] - before
        return gained / (2 * self.dt * self.size)


def _solve(design: np.ndarray, target: np.ndarray) -> np.ndarray:
    return np.linalg.lstsq(design, target, rcond=None)[0]


def _without_each(
    design: np.ndarray, target: np.ndarray, owner: np.ndarray, count: int
) -> np.ndarray:
    """Least squares with each pass left out in turn, from the passes' own normal equations.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        Equations; columns are scaled to one length here, so that squaring them costs no digits.
    target : ndarray, shape (n,)
        Right-hand sides.
    owner : ndarray of int, shape (n,)
        Pass of each equation.
    count : int
        Number of passes.

    Returns
    -------
    ndarray, shape (count, p)
        Solution without pass k. (A'A - A_k'A_k) z = A'b - A_k'b_k.
    """
    size = np.sqrt(np.einsum("np,np->p", design, design))
    size[size == 0] = 1.0
    rows = np.concatenate([design / size, target[:, None]], axis=1)
    order = np.argsort(owner, kind="stable")
    cuts = np.searchsorted(owner[order], np.arange(1, count))
    own = np.array([part.T @ part for part in np.split(rows[order], cuts)])
    rest = own.sum(axis=0) - own
    inverse = np.linalg.pinv(rest[:, :-1, :-1], rcond=1e-13, hermitian=True)
    out: np.ndarray = np.einsum("kpq,kq->kp", inverse, rest[:, :-1, -1]) / size
    return out


def inertia_and_gauges(run: Run, passes: Sequence[Pass], torques: Torques) -> Inertia:
    """Rotor inertia, yaw inertia and gauges of the centre of mass, by least squares.

    Parameters
    ----------
    run : Run
        The aligned run, with a yaw rate.
    passes : sequence of Pass
        Its passes.
    torques : Torques
        Motor torques.

    Returns
    -------
    Inertia
        Yaw inertia is about the origin; a gauge is left out where its passes are missing.
    """
    robot = run.robot
    r = robot.radius
    m = robot.mass_kg
    tangent = np.tan(robot.roller_angle)
    row = robot.x * tangent - robot.y
    inverse = odometry_matrix(robot.matrix)
    turn = run.rolled[:, 2] if run.gyro_z is None else smooth(run.gyro_z, run.dt)
    ratio = 0.98
    v_y, v_x = ratio * run.rolled[:, 1], run.rolled[:, 0]
    inward_x, inward_y = -turn * v_y, turn * v_x
    pad = round(0.1 / run.dt)

    def accelerations(bins: _Binned) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Of the wheels, of the base ahead and to the left."""
        alpha = bins.slope(run.wheel_speed)
        a_x = alpha @ inverse[0] + bins.mean(inward_x)
        return alpha, a_x, ratio * (alpha @ inverse[1]) + bins.mean(inward_y)

    straight = _some(passes, "ahead", "astern")
    rotor = 0.0
    if straight:
        bins = _Binned(run, straight, pad)
        if bins.count > 30:
            v = bins.mean(v_x)
            alpha, a_x, _ = accelerations(bins)
            push = bins.mean(torques.torque) @ (1 / r) - m * a_x
            design = np.stack([alpha @ (1 / r), np.tanh(v / 0.03), v, np.ones_like(v)], axis=1)
            rotor = float(np.clip(_solve(design, push)[0], 0.0, 0.3 * m * r.mean() ** 2))
    unknown = Estimate.undetermined(
        "kg m²", "needs turns on the spot both ways, with currents or volts"
    )
    turns = _some(passes, *TURNS)
    sides = _some(passes, "left", "right")
    both = {p.kind for p in turns} == set(TURNS)
    gauges: list[Gauge] = []
    yaw = unknown
    inertia = robot.yaw_inertia_kgm2 or m * float(np.mean(robot.x**2 + robot.y**2)) * 0.55
    lever_scale = 1.0
    if both:
        angle = [
            (
                float((run.wheel_angle[p.stop - 1] - run.wheel_angle[p.start]) @ inverse[2]),
                float(run.yaw[p.stop - 1] - run.yaw[p.start]) if run.yaw is not None else math.nan,
            )
            for p in turns
        ]
        rolled_turn = np.array([a[0] for a in angle])
        true_turn = np.array([a[1] for a in angle])
        good = np.isfinite(true_turn) & (np.abs(rolled_turn) > 1.0)
        if good.any():
            lever_scale = float(
                np.clip(
                    np.sum(np.abs(true_turn[good])) / np.sum(np.abs(rolled_turn[good])), 0.5, 1.1
                )
            )
        bins = _Binned(run, turns, pad)
        alpha, a_x, a_y = accelerations(bins)
        w_rate, w_acc = bins.mean(turn), bins.slope(turn)
        wheel = bins.mean(torques.torque) - rotor * alpha
        design = np.stack(
            [w_acc, np.tanh(w_rate / 0.1), np.tanh(w_rate / 0.5), w_rate, np.ones_like(w_rate)],
            axis=1,
        )

        moment = wheel @ (row / r)
        if np.ptp(w_acc) > 0.5:
            inertia_raw = float(_solve(design, moment)[0])
            each = _without_each(design, moment, bins.owner, len(turns))[:, 0]
            spread = float(np.std(each)) * math.sqrt(max(1, len(turns) - 1))
            value = inertia_raw * lever_scale if lever_scale > 0 else inertia_raw
            if 0.1 < value / max(inertia, 1e-9) < 10:
                inertia = inertia_raw
                yaw = Estimate.of(
                    value, math.hypot(spread, 0.04 * value), "kg m²", dof=max(1, len(turns) - 1)
                )
        gauges += _turn_gauges(run, bins, wheel, w_rate, w_acc, a_x, a_y, tangent, len(turns))
    if len({p.kind for p in sides}) == 2 and len(sides) >= 4:
        bins = _Binned(run, sides, pad)
        if bins.count >= 40:
            alpha, a_x, a_y = accelerations(bins)
            wheel = bins.mean(torques.torque) - rotor * alpha
            moment = wheel @ (row / r) - inertia * bins.slope(turn)
            gauges += _lateral_gauge(
                run,
                bins,
                wheel,
                moment,
                row,
                tangent,
                a_x,
                a_y,
                bins.mean(v_y),
                lever_scale,
                len(sides),
            )
    return Inertia(rotor=rotor, yaw=yaw, gauges=tuple(gauges))


SPIN_FORCE = 0.01
"""Side force that goes with the spin of a turn under power, as place of the centre of mass [m]: a wheel
whose rollers drag four times as much as the others' made up to 0.015 on the bench."""


def _scaled(size: float, floor: float) -> float:
    """Floors were found on a base whose wheels stand 0.244 m from its centre."""
    return floor * size / 0.244


def _turn_gauges(
    run: Run,
    bins: _Binned,
    wheel: np.ndarray,
    rate: np.ndarray,
    spin: np.ndarray,
    a_x: np.ndarray,
    a_y: np.ndarray,
    tangent: np.ndarray,
    count: int,
) -> list[Gauge]:
    """Centre of mass from turns: the part of the forces that is even in direction."""
    robot = run.robot
    m, r = robot.mass_kg, robot.radius
    zero = np.zeros_like(rate)
    ahead = np.stack([-m * rate**2, -m * spin, np.tanh(rate / 0.1), rate, zero, zero], axis=1)
    left = np.stack([m * spin, -m * rate**2, zero, zero, np.tanh(rate / 0.1), rate], axis=1)
    if float(np.sum(rate**4)) <= 0 or np.percentile(np.abs(rate), 90) < 0.4:
        return []

    design = np.concatenate([ahead, left])
    target = np.concatenate([wheel @ (1 / r) - m * a_x, wheel @ (tangent / r) - m * a_y])
    # The solution is linear in the torques: each wheel's own part is its slope.
    parts = np.concatenate([wheel / r, wheel * (tangent / r)])
    both = np.concatenate([target[:, None], parts], axis=1)
    owner = np.concatenate([bins.owner] * 2)
    if robot.drive_mode == "power":
        # Wheels that yield to load do so otherwise while the base speeds up: a side force goes with the
        # spin, as from a centre of mass some ten millimetres off. It is let free within that.
        design = np.concatenate([design, np.concatenate([zero, m * spin])[:, None]], axis=1)
        rest = target - design @ _solve(design, target)
        prior = np.zeros((1, design.shape[1]))
        prior[0, -1] = float(rest.std()) / SPIN_FORCE
        design = np.concatenate([design, prior])
        both = np.concatenate([both, np.zeros((1, both.shape[1]))])
        owner = np.append(owner, count)  # belongs to no turn
    solved = _solve(design, both)[:2]
    value, slope = solved[:, 0], solved[:, 1:].T
    each = _without_each(design, both[:, 0], owner, count + 1)[:count, :2]
    spread = each.std(axis=0) * math.sqrt(max(1, count - 1))
    fast = float(np.percentile(np.abs(rate), 80))
    # Centripetal force grows with the square of the rate; floors hold for about 1.5 rad/s.
    weak = max(1.0, (1.3 / max(fast, 0.2)) ** 2)
    floor_x = 1.5e-3 if robot.drive_mode == "power" else 1.9e-3
    floor_y = 1.1e-3 if robot.drive_mode == "power" else 1.7e-3
    out = []
    for axis, floor, share in ((0, floor_x, 0.035), (1, floor_y, 0.07)):
        error = math.sqrt(
            float(spread[axis]) ** 2
            + (_scaled(robot.size, floor) * weak) ** 2
            + (share * float(value[axis])) ** 2
        )
        out.append(
            Gauge(
                name="turns on the spot",
                axis=axis,
                value=float(value[axis]),
                std_error=error,
                slope=slope[:, axis],
            )
        )
    return out


def _lateral_gauge(
    run: Run,
    bins: _Binned,
    wheel: np.ndarray,
    moment: np.ndarray,
    row: np.ndarray,
    tangent: np.ndarray,
    ahead: np.ndarray,
    left: np.ndarray,
    v: np.ndarray,
    lever_scale: float,
    count: int,
) -> list[Gauge]:
    """Centre of mass from sideways ramps: the moment that follows the acceleration."""
    robot = run.robot
    m, r = robot.mass_kg, robot.radius
    if np.percentile(np.abs(left), 97) < 0.3:
        return []
    friction = [np.tanh(v / 0.03), np.tanh(v / 0.15), v, np.ones_like(v)]
    design = np.stack([m * left, -m * ahead, *friction], axis=1)
    push = np.stack([m * left, *friction], axis=1)
    scale = float(_solve(push, wheel @ (tangent / r))[0])
    if not 0.5 < scale < 1.6:
        return []

    both = np.concatenate([moment[:, None], wheel * (row / r)], axis=1)
    full = scale * max(lever_scale, 0.5)
    solved = _solve(design, both)[0] / full
    value, slope = float(solved[0]), solved[1:]
    each = _without_each(design, moment, bins.owner, count)[:, 0] / full
    spread = float(each.std()) * math.sqrt(max(1, count - 1)) * 1.2
    floor = 2.3e-3 if robot.drive_mode == "power" else 1.5e-3
    error = math.sqrt(spread**2 + _scaled(robot.size, floor) ** 2 + (0.035 * value) ** 2)
    return [
        Gauge(name="sideways starts and stops", axis=0, value=value, std_error=error, slope=slope)
    ]
