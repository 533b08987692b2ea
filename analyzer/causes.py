"""Why it arcs: hypotheses about the base, weighed by how well each explains every balance.

One parameter vector describes the base (centre of mass, drags, motors, radii, and nuisances such
as the creep coefficient). It is fitted to balances between measured quantities: forces and moments
of pass means, rolling with creep over pass sums, gauges of the centre of mass, resistances. The
same equations hold in `power` and `wheel_speed` mode, because speeds and torques enter as data.
Every hypothesis is a prior of its own on the same vector; its evidence is Laplace's
approximation, -cost/2 - log det(Hessian)/2. Sound spreads are the tolerance: a fault has to
exceed them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analyzer.dynamics import GRAVITY, Gauge, Inertia, Torques, inertia_and_gauges, motor_torques
from analyzer.kinematics import odometry_matrix
from analyzer.motion import Motion, PassMotion, speed_groups
from analyzer.quantities import Estimate
from analyzer.run import Pass, Run

KINDS = ("roller_drag", "axle_drag", "weak_motor", "radius_mismatch")
FORCE_FLOOR = {"side": 0.0013, "ahead": 0.001, "turn": 0.004}
"""Residual of the force balances, as share of the weight [-]: bench work (METHOD)."""
PATH_FLOOR = {"side": 0.8e-3, "ahead": 0.4e-3}
"""Residual of the rolling equations, as share of the path [-]: bench work (METHOD)."""
NUISANCES = (
    "delta", "axle", "delta_fast", "delta_turn", "axle_fast", "axle_turn",
    "creep", "side", "size", "lever", "twist", "ahead", "kappa", "phi",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """Causes with probabilities, and what the forces tell of the base.

    Attributes
    ----------
    causes : list of dict
        As in the result file, most probable first.
    remedies : list of dict
        As in the result file, what to do first is first.
    centre_of_mass_x, centre_of_mass_y : Estimate
        [m]
    yaw_inertia : Estimate
        About the centre of the wheels. [kg m^2]
    relative_radius : tuple of Estimate or None
        Radius of each wheel over their mean; None where forces are not known.
    notes : tuple of str
        What limits the diagnosis.
    """

    causes: list[dict[str, Any]]
    remedies: list[dict[str, Any]]
    centre_of_mass_x: Estimate
    centre_of_mass_y: Estimate
    yaw_inertia: Estimate
    relative_radius: tuple[Estimate, ...] | None
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Odd part of all passes of one kind at one speed: mean over both directions.

    Torques are time means and path integrals; paths are sums over the pass.
    """

    kind: str
    fast: bool
    count: int
    torque: np.ndarray
    torque_path: np.ndarray
    path: float
    turns: np.ndarray
    twist: np.ndarray
    known: bool
    accel: np.ndarray
    scatter: np.ndarray


def _odd(values: np.ndarray, signs: np.ndarray) -> np.ndarray:
    left, right = values[signs > 0], values[signs < 0]
    mean: np.ndarray = (left.mean(axis=0) - right.mean(axis=0)) / 2
    return mean


def pass_groups(run: Run, passes: Sequence[Pass], motion: Motion, torques: Torques) -> list[Group]:
    """Gather the passes by kind and speed and take the part that is odd in direction.

    Parameters
    ----------
    run : Run
        The aligned run.
    passes : sequence of Pass
        Its passes.
    motion : Motion
        Their measured motion.
    torques : Torques
        Motor torques.

    Returns
    -------
    list of Group
        Kinds "side", "ahead", "turn" with both directions present.
    """
    rolled = run.wheel_speed @ odometry_matrix(run.robot.matrix).T
    speed = np.hypot(rolled[:, 0], rolled[:, 1])
    rate = np.zeros(run.t.size) if run.gyro_z is None else run.gyro_z
    at = {round(float(run.t[p.start]), 6): p for p in passes}
    pairs = (
        ("side", "left", "right"),
        ("ahead", "ahead", "astern"),
        ("turn", "turn_left", "turn_right"),
    )
    out = []
    for kind, plus, minus in pairs:
        rows = [m for m in motion.passes if m.kind in {plus, minus} and not m.hard_start]
        if kind != "turn":
            usual = np.median([m.distance for m in rows]) if rows else 0.0
            rows = [m for m in rows if m.distance > 0.35 * usual and m.distance > 0.25]
        else:
            rows = [m for m in rows if abs(m.path[2]) > 1.0]
        if not rows:
            continue
        groups = speed_groups(np.array([m.speed for m in rows]), 1.5)
        for rank, index in enumerate(groups):
            chosen = [rows[i] for i in index]
            signs = np.array([1.0 if m.kind == plus else -1.0 for m in chosen])
            if not (np.any(signs > 0) and np.any(signs < 0)):
                continue
            torque, along, accel = [], [], []
            for m in chosen:
                p = at[round(m.t_start, 6)]
                a, b = p.start, min(p.stop, run.t.size - 1)
                torque.append(torques.torque[a:b].mean(axis=0))
                along.append((torques.torque[a:b] * speed[a:b, None]).sum(axis=0) * run.dt)
                w = rate[a:b]
                accel.append(
                    [float(np.mean(-w * rolled[a:b, 1])), float(np.mean(w * rolled[a:b, 0]))]
                )
            force = np.array(torque) / run.robot.radius
            scatter = np.zeros(force.shape[1])
            for side in (1.0, -1.0):
                part = force[signs == side]
                if part.shape[0] > 1:
                    scatter += part.var(axis=0, ddof=1) / part.shape[0] / 4
            twist = np.array([m.path for m in chosen])
            out.append(
                Group(
                    kind=kind,
                    fast=rank > 0,
                    count=len(chosen),
                    torque=_odd(np.array(torque), signs),
                    torque_path=_odd(np.array(along), signs),
                    path=float(np.mean([m.distance for m in chosen])),
                    turns=_odd(np.array([m.turns for m in chosen]), signs),
                    twist=_odd(twist, signs),
                    known=run.reference is not None and bool(np.isfinite(twist[:, :2]).all()),
                    accel=_odd(np.array(accel), signs),
                    scatter=np.sqrt(scatter),
                )
            )
    return out


class Model:
    """Residuals of all balances for a batch of parameter vectors."""

    def __init__(
        self, run: Run, groups: Sequence[Group], torques: Torques, gauges: Sequence[Gauge]
    ) -> None:
        robot = run.robot
        self.robot = robot
        self.w = robot.x.size
        self.groups = list(groups)
        self.gauges = list(gauges)
        self.volts = torques.source == "volt"
        self.weight = robot.mass_kg * GRAVITY
        self.tangent = np.tan(robot.roller_angle)
        self.cosine = np.cos(robot.roller_angle)
        self.sine = np.sin(robot.roller_angle)
        self.row = robot.x * self.tangent - robot.y
        self.lever = float(np.mean(np.abs(self.row)))
        self.corner = np.sign(robot.x * robot.y)
        self.resistance = None
        # A resistance far from the described one means wrong volts, currents or constants.
        believed = all(
            e.value is not None and 0.3 < e.value / ohm < 8
            for e, ohm in zip(torques.resistance, robot.resistance_ohm, strict=True)
        )
        if believed:
            ratio = np.log(
                [float(e.value or 1.0) for e in torques.resistance] / robot.resistance_ohm
            )
            self.resistance = ratio - np.median(ratio)
            self.resistance_error = np.array(
                [
                    math.hypot(0.008, float(e.std_error or 0) / float(e.value or 1))
                    for e in torques.resistance
                ]
            )
        ahead = [g for g in groups if g.kind == "ahead"]
        side = [g for g in groups if g.kind == "side"]
        self.axle0 = 0.75 * float(np.mean(np.abs(ahead[0].torque))) if ahead else 0.02
        drag = 0.06
        if side:
            push = float(side[0].torque @ (self.tangent / robot.radius))
            push -= float(np.sum(self.axle0 / robot.radius))
            drag = (
                max(push, 0.01 * self.weight)
                / float(np.sum(1 / self.cosine))
                / (self.weight / self.w)
            )
        self.drag0 = drag
        rollers = robot.rollers
        if np.all(rollers >= 3):
            corner = math.pi / float(rollers.mean())
            self.side0, self.side_error = math.sin(corner) / corner, 0.004
        else:
            self.side0, self.side_error = 0.98, 0.01
        self.size = 2 + 5 * self.w + len(NUISANCES)
        self._rolling = [self._whitening(g) for g in self.groups]

    def index(self, name: str, wheel: int = 0) -> int:
        """Place of a parameter in the vector."""
        order = {"c": 0, "q": 2, "b": 2 + self.w, "rho": 2 + 2 * self.w, "eps": 2 + 3 * self.w,
                 "gain": 2 + 4 * self.w}  # fmt: skip
        if name in order:
            return order[name] + wheel
        return 2 + 5 * self.w + NUISANCES.index(name)

    def sound_prior(self) -> tuple[np.ndarray, np.ndarray]:
        """Mean and standard deviation of every parameter of a sound base."""
        mean, sd = np.zeros(self.size), np.empty(self.size)
        sd[:2] = 0.004 * self.robot.size / 0.244
        for name, value in (("q", 0.25), ("b", 0.15), ("rho", 0.04), ("eps", 1e-3), ("gain", 0.01)):
            sd[self.index(name) : self.index(name) + self.w] = value
        spread = {
            "delta": 0.47, "axle": 0.47, "delta_fast": 0.25, "delta_turn": 0.3, "axle_fast": 0.25,
            "axle_turn": 0.25, "creep": 0.34, "side": self.side_error, "size": 0.01, "lever": 0.01,
            "twist": 0.1, "ahead": 0.01, "kappa": 15.0, "phi": 0.3,
        }  # fmt: skip
        for name, value in spread.items():
            sd[self.index(name)] = value
        mean[self.index("ahead")] = 0.005
        mean[self.index("kappa")] = 15.0
        mean[self.index("phi")] = 0.4
        return mean, sd

    def _whitening(self, group: Group) -> np.ndarray | None:
        if group.kind == "turn":
            return None
        w = self.w
        if group.kind == "side":
            rows = np.stack([np.ones(w), self.tangent / self.side0, self.row], axis=1)
        else:
            rows = np.stack([np.ones(w), np.zeros(w), -self.robot.y], axis=1)
        yaw = 0.0015 * abs(group.twist[2]) + 6e-4
        place = 2e-3 / math.sqrt(group.count) + 1e-3 if group.known else 10.0
        if not np.isfinite(group.twist[2]):
            yaw = 10.0
        twist = np.diag([place**2, place**2, yaw**2])
        cover = rows @ twist @ rows.T + (PATH_FLOOR[group.kind] * group.path) ** 2 * np.eye(w)
        inverse: np.ndarray = np.linalg.inv(np.linalg.cholesky(cover))
        return inverse

    def residuals(self, z: np.ndarray) -> np.ndarray:
        """Whitened residuals.

        Parameters
        ----------
        z : ndarray, shape (batch, parameters)
            Parameter vectors.

        Returns
        -------
        ndarray, shape (batch, residuals)
            Unit variance where the model holds.
        """
        robot, w = self.robot, self.w
        cut = [2 + k * w for k in range(6)]
        c_x, c_y = z[:, :1], z[:, 1:2]
        q, b, rho, eps, gain = (z[:, cut[k] : cut[k + 1]] for k in range(5))
        n = dict(zip(NUISANCES, z[:, cut[5] :].T[:, :, None], strict=True))
        x, y = robot.x - robot.x.mean(), robot.y - robot.y.mean()
        diagonal = (eps @ self.corner / w)[:, None]
        load = (
            self.weight
            / w
            * np.maximum(
                1
                + c_x * x / np.mean(x**2)
                + c_y * y / np.mean(y**2)
                + (n["twist"] + n["kappa"] * diagonal) * self.corner,
                0.05,
            )
        )
        scale = (1 + gain) * (np.exp(-rho) if self.volts else 1.0)
        relative = load / (self.weight / w)
        axle0 = self.axle0 * np.exp(n["axle"] + b) * (2 / 3 + relative / 3)
        drag0 = self.drag0 * np.exp(n["delta"] + q) * load
        radius = robot.radius * (1 + n["size"] + eps - n["phi"] * diagonal * self.corner)
        creep = 0.15 * np.exp(n["creep"])
        out = []
        for group, white in zip(self.groups, self._rolling, strict=True):
            turn = group.kind == "turn"
            extra_d = n["delta_fast"] * group.fast + n["delta_turn"] * turn
            extra_a = n["axle_fast"] * group.fast + n["axle_turn"] * turn
            axle = axle0 * np.exp(extra_a) * np.sign(group.turns)
            drag = drag0 * np.exp(extra_d)
            sense = np.sign(robot.x) if turn else np.ones(w)
            push = (group.torque * scale - axle) / robot.radius
            rub = drag * sense / self.cosine if group.kind != "ahead" else np.zeros_like(drag)
            m = robot.mass_kg
            floor = FORCE_FLOOR[group.kind] * self.weight
            error = np.hypot(floor, float(np.linalg.norm(group.scatter)))
            ahead = push.sum(axis=1) - m * group.accel[0] * (not turn)
            if group.kind == "ahead":
                out.append((ahead - n["ahead"][:, 0] * self.weight) / error)
            else:
                out.append(ahead / error)
                left = push @ self.tangent - rub.sum(axis=1) - m * group.accel[1] * (not turn)
                moment = push @ self.row - rub @ robot.x
                if not turn:
                    moment = moment - m * (c_x[:, 0] * group.accel[1] - c_y[:, 0] * group.accel[0])
                out += [left / error, moment / (error * self.lever)]
            if white is None:
                continue
            along = (group.torque_path * scale - axle * group.path) / robot.radius
            ground = (
                (along - drag * self.sine * group.path) / self.cosine
                if group.kind == "side"
                else along
            )
            slip = creep * ground / load / (self.cosine if group.kind == "side" else 1.0)
            if group.kind == "side":
                path = (
                    group.twist[0]
                    + self.tangent * group.twist[1] / (self.side0 + n["side"])
                    + self.row * (1 + n["lever"]) * np.nan_to_num(group.twist[2])
                )
            else:
                path = group.twist[0] - robot.y * np.nan_to_num(group.twist[2]) + 0 * slip
            out += list(((radius * group.turns - path - slip) @ white.T).T)
        for gauge in self.gauges:
            seen = gauge.value + (scale - 1) @ gauge.slope
            out.append((seen - z[:, gauge.axis]) / gauge.std_error)
        if self.resistance is not None:
            out += list(((self.resistance - rho) / self.resistance_error).T)
        return np.stack(out, axis=1)

    def fit(self, mean: np.ndarray, sd: np.ndarray) -> tuple[np.ndarray, np.ndarray, float, float]:
        """Most probable parameters under one prior.

        Parameters
        ----------
        mean, sd : ndarray, shape (parameters,)
            Normal prior.

        Returns
        -------
        z : ndarray
            Most probable vector.
        covariance : ndarray
            Of the posterior, Laplace's approximation.
        evidence : float
            Log evidence up to a constant common to all hypotheses.
        chi2 : float
            Sum of squared data residuals.
        """
        u = np.zeros(self.size)
        identity = np.eye(self.size)
        step = 1e-4
        damping = 0.0

        def cost_of(v: np.ndarray) -> tuple[float, np.ndarray]:
            r = self.residuals((mean + sd * v)[None])[0]
            return float(r @ r + v @ v), r

        cost, r = cost_of(u)
        hessian = identity
        for _ in range(12):
            moved = self.residuals(mean + sd * (u + step * identity))
            jacobian = ((moved - r) / step).T
            hessian = identity + jacobian.T @ jacobian
            gradient = jacobian.T @ r + u
            for _ in range(6):
                change = -np.linalg.solve(hessian + damping * np.diag(np.diag(hessian)), gradient)
                new_cost, new_r = cost_of(u + change)
                if new_cost <= cost:
                    damping /= 5
                    break
                damping = max(1e-3, damping * 5)
            else:
                break
            gained = cost - new_cost
            u, cost, r = u + change, new_cost, new_r
            if gained < 1e-3:
                break
        _, logdet = np.linalg.slogdet(hessian)
        covariance = sd[:, None] * np.linalg.inv(hessian) * sd
        return mean + sd * u, covariance, -0.5 * cost - 0.5 * float(logdet), float(r @ r)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """One hypothesis after its fit: its causes, posterior share and parameters."""

    causes: tuple[tuple[str, str | None], ...]
    share: float
    z: np.ndarray
    covariance: np.ndarray
    chi2: float


def weigh(model: Model, *, motors_seen: bool) -> list[Fitted]:
    """Fit every hypothesis and give each its posterior share.

    Parameters
    ----------
    model : Model
        Balances of the run.
    motors_seen : bool
        Whether volts are known, so that a weak motor can show.

    Returns
    -------
    list of Fitted
        Shares sum to one.
    """
    robot = model.robot
    names = robot.wheel_names
    w = len(names)
    mean0, sd0 = model.sound_prior()
    base = math.log

    def with_mass(mean: np.ndarray, sd: np.ndarray) -> None:
        sd[0] = 0.3 * float(np.mean(np.abs(robot.x)))
        sd[1] = 0.3 * float(np.mean(np.abs(robot.y)))

    def with_fault(kind: str, k: int, mean: np.ndarray, sd: np.ndarray) -> None:
        parameter, centre, width = {
            "roller_drag": ("q", base(3.0), base(1.8)),
            "axle_drag": ("b", base(2.5), base(1.6)),
            "weak_motor": ("rho", base(1.6), base(1.35)),
            "radius_mismatch": ("eps", 0.0, 0.01),
        }[kind]
        at = model.index(parameter, k)
        mean[at], sd[at] = centre, width

    plans: list[tuple[tuple[tuple[str, str | None], ...], float]] = [
        ((("none", None),), 0.25),
        ((("mass_off_centre", None),), 0.14),
    ]
    kinds = [k for k in KINDS if k != "weak_motor" or motors_seen]
    for kind in kinds:
        for name in names:
            plans.append((((kind, name),), 0.11 / w))
            plans.append(((("mass_off_centre", None), (kind, name)), 0.03 / w))
    fits = []
    for causes, prior in plans:
        mean, sd = mean0.copy(), sd0.copy()
        for kind, wheel in causes:
            if kind == "mass_off_centre":
                with_mass(mean, sd)
            elif wheel is not None:
                with_fault(kind, names.index(wheel), mean, sd)
        z, covariance, evidence, chi2 = model.fit(mean, sd)
        if math.isfinite(evidence) and np.all(np.isfinite(covariance)):
            fits.append((causes, math.log(prior) + evidence, z, covariance, chi2))
    if not any(f[0] == (("none", None),) for f in fits):
        return []
    best = max(fits, key=lambda f: f[1])
    count = model.residuals(best[2][None]).shape[1]
    # A best fit far above its degrees of freedom means that something is not in the model:
    # every probability is lowered by the ratio (a tempered posterior).
    temper = max(1.0, best[4] / max(1, count))
    logs = np.array([f[1] for f in fits]) / temper
    shares = np.exp(logs - logs.max())
    shares /= shares.sum()
    return [
        Fitted(causes=f[0], share=float(s), z=f[2], covariance=f[3], chi2=f[4])
        for f, s in zip(fits, shares, strict=True)
    ]


def averaged(fits: Sequence[Fitted], pick: np.ndarray) -> tuple[float, float]:
    """Model average of a linear combination of parameters, with the spread between models.

    Parameters
    ----------
    fits : sequence of Fitted
        Hypotheses with their shares.
    pick : ndarray, shape (parameters,)
        Combination.

    Returns
    -------
    value, std_error : float
        Mean and standard deviation of the mixture.
    """
    values = np.array([float(f.z @ pick) for f in fits])
    variances = np.array([float(pick @ f.covariance @ pick) for f in fits])
    shares = np.array([f.share for f in fits])
    shares = shares / shares.sum()
    mean = float(shares @ values)
    return mean, math.sqrt(float(shares @ (variances + (values - mean) ** 2)))


def drift_odd(motion: Motion) -> Estimate:
    """Part of the yaw drift that changes sign with the side: (left - right) / 2. [deg/m]

    Parameters
    ----------
    motion : Motion
        Estimates of the run.

    Returns
    -------
    Estimate
        Undetermined where a side or the heading is missing.
    """
    left, right = motion.yaw_drift["left"]["total"], motion.yaw_drift["right"]["total"]
    if (
        left.value is None
        or right.value is None
        or left.std_error is None
        or right.std_error is None
    ):
        return Estimate.undetermined("°/m", left.why or right.why)
    return Estimate.of(
        (left.value - right.value) / 2, math.hypot(left.std_error, right.std_error) / 2, "°/m"
    )


def side_rows(motion: Motion) -> list[PassMotion]:
    """Sideways passes, hard starts included."""
    return [m for m in motion.passes if m.kind in {"left", "right"}]


def find_inertia(run: Run, passes: Sequence[Pass]) -> tuple[Torques | None, Inertia | None]:
    """Torques, and what the ramps and turns tell.

    Parameters
    ----------
    run : Run
        The aligned run.
    passes : sequence of Pass
        Its passes.

    Returns
    -------
    torques : Torques or None
        None without motor data.
    inertia : Inertia or None
        None without motor data.
    """
    torques = motor_torques(run)
    if torques is None:
        return None, None
    return torques, inertia_and_gauges(run, passes, torques)


LAUNCH_SOUND = 1.14
"""Rolled over true speed in the first 0.4 s of sideways starts: bench bases with grip lie within
1.02-1.10, those that slide above 1.2 [-]."""
SIDE_SHARE = 0.20
"""Sideways force over weight at the slower speed: bench bases 0.12-0.17, with a wheel of the wrong
hand or with all rollers stiff above 0.21 [-]."""
SLOPE_SHARE = 0.012
"""Force over weight that does not change sign with direction: 0.7 degrees of slope [-]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """A gross fault found before the fit, whose equations it would void."""

    cause: str
    wheel: str | None
    probability: float
    magnitude: Estimate
    evidence: str
    void: bool


def _launch_ratio(run: Run, passes: Sequence[Pass], rolled: np.ndarray) -> list[float]:
    """Rolled over true speed shortly after sideways starts, by accelerometer and by reference."""
    still = np.zeros(run.t.size, dtype=bool)
    for p in passes:
        if p.kind == "rest":
            still[p.start : p.stop] = True
    sides = [p for p in passes if p.kind in {"left", "right"}]
    hard = [p for p in sides if p.hard_start]
    by_force, by_pose = [], []
    for p in hard or sides:
        b = min(p.start + round(0.4 / run.dt), p.stop - 1)
        if b - p.start < 3:
            continue
        if run.specific_force is not None and still.any():
            f = run.specific_force[:, 1] - np.median(run.specific_force[still, 1])
            gained = abs(float(f[p.start : b].sum()) * run.dt)
            by_force.append(abs(float(rolled[b, 1])) / max(gained, 1e-2))
        if run.reference is not None:
            c = min(p.start + round(0.6 / run.dt), p.stop - 1)
            step = run.reference[c, :2] - run.reference[p.start, :2]
            path = float(np.hypot(*rolled[p.start : c, :2].sum(axis=0))) * run.dt
            if np.isfinite(step).all() and path > 0.05:
                by_pose.append(path / max(float(np.hypot(*step)), 0.01))
    return [float(np.median(v)) for v in (by_force, by_pose) if len(v) >= 2]


def _even_force(run: Run, motion: Motion, torques: Torques, passes: Sequence[Pass]) -> np.ndarray:
    """Force over weight that keeps its sign when the direction changes: ahead and left."""
    robot = run.robot
    tangent = np.tan(robot.roller_angle)
    at = {round(float(run.t[p.start]), 6): p for p in passes}
    out = []
    for pair in (("left", "right"), ("ahead", "astern")):
        means = []
        for kind in pair:
            rows = []
            for m in motion.passes:
                if m.kind == kind and not m.hard_start and m.distance > 0.5:
                    p = at[round(m.t_start, 6)]
                    force = torques.torque[p.start : p.stop].mean(axis=0) / robot.radius
                    rows.append([float(force.sum()), float(force @ tangent)])
            if rows:
                means.append(np.mean(rows, axis=0))
        if len(means) == 2:
            out.append((means[0] + means[1]) / 2 / (robot.mass_kg * GRAVITY))
    if not out:
        return np.zeros(2)
    if len(out) == 1:
        result: np.ndarray = out[0]
        return result
    # Ahead the rollers stand still and carry side force: only the sideways passes tell that one.
    return np.array([(out[0][0] + out[1][0]) / 2, out[0][1]])


def find_gates(
    run: Run, passes: Sequence[Pass], motion: Motion, torques: Torques | None
) -> list[Gate]:
    """Look for gross faults: wrong corner, reversed wheel, sliding, slope, gyro.

    Parameters
    ----------
    run : Run
        The aligned run.
    passes : sequence of Pass
        Its passes.
    motion : Motion
        Its measured motion.
    torques : Torques or None
        Motor torques where known.

    Returns
    -------
    list of Gate
        Each with its probability; `void` where the fit must not be believed.
    """
    robot = run.robot
    names = robot.wheel_names
    tangent = np.tan(robot.roller_angle)
    rolled = run.wheel_speed @ odometry_matrix(robot.matrix).T
    out: list[Gate] = []
    odd = [n for n, s in zip(names, motion.rotation_sense, strict=True) if s == "reversed"]
    if len(odd) > len(names) / 2:
        odd = [n for n in names if n not in odd]
    odd = odd or _flipped(run, motion)
    unknown = Estimate.undetermined("", "a fault of mounting has no size")
    for name in odd:
        out.append(
            Gate(
                cause="rotation_reversed",
                wheel=name,
                probability=0.95,
                magnitude=unknown,
                evidence=f"{name} turns against the base: taken the other way round, the wheels agree "
                "with how the base moves",
                void=True,
            )
        )
    sides = [m for m in motion.passes if m.kind in {"left", "right"}]
    if sides and run.reference is not None:
        against = np.mean(
            [np.sign(m.path[1]) * np.sign(m.rolled[1]) for m in sides if abs(m.rolled[1]) > 0.1]
            or [1.0]
        )
    else:
        against = 1.0
        if run.specific_force is not None and sides:
            moving = np.zeros(run.t.size, dtype=bool)
            for p in passes:
                if p.kind in {"left", "right"}:
                    moving[p.start : p.stop] = True
            push = run.specific_force[moving, 1]
            gain = np.gradient(rolled[:, 1], run.dt)[moving]
            if gain.std() > 0.05 and push.std() > 0:
                against = float(np.corrcoef(push - push.mean(), gain)[0, 1])
    if against < -0.3 and not odd:
        out.append(
            Gate(
                cause="roller_lean_reversed",
                wheel=None,
                probability=0.95,
                magnitude=unknown,
                evidence="the base goes right when its wheels say left, and the other way round",
                void=True,
            )
        )
    share = 0.0
    if torques is not None and sides and against >= -0.3 and not odd:
        groups = [g for g in pass_groups(run, passes, motion, torques) if g.kind == "side"]
        weight = robot.mass_kg * GRAVITY
        if groups:
            slow = groups[0]
            force = slow.torque / robot.radius
            share = float(np.abs(force).sum()) / weight
            row = robot.x * tangent - robot.y
            lever = float(np.mean(np.abs(row)))
            usual = 0.10 * weight
            if share > SIDE_SHARE:

                def misfit(flip: int | None) -> float:
                    t = tangent.copy()
                    if flip is not None:
                        t[flip] = -t[flip]
                    w = robot.x * t - robot.y
                    miss = 0.0
                    for g in groups:
                        f = g.torque / robot.radius
                        left, moment = float(f @ t), float(f @ w) / lever
                        miss += ((left - usual) / (0.06 * weight)) ** 2
                        miss += (moment / (0.04 * weight)) ** 2
                    return miss / len(groups)

                scores = np.array([misfit(k) for k in range(len(names))])
                best = int(np.argmin(scores))
                if misfit(None) > scores[best] + 8 and scores[best] < 30:
                    shares = np.exp(-0.5 * (scores - scores[best]))
                    probability = float(0.95 * shares[best] / shares.sum())
                    out.append(
                        Gate(
                            cause="roller_lean_reversed",
                            wheel=names[best],
                            probability=probability,
                            magnitude=unknown,
                            evidence=f"sideways the motors push {100 * share:.0f} % of the weight "
                            "against one another (12-17 % is usual); with the lean of "
                            f"{names[best]} turned the forces balance",
                            void=True,
                        )
                    )
                elif share > 1.25 * SIDE_SHARE:
                    out.append(
                        Gate(
                            cause="roller_drag",
                            wheel=None,
                            probability=0.85,
                            magnitude=Estimate.of(share * weight, 0.05 * share * weight, "N"),
                            evidence=f"sideways the motors push {100 * share:.0f} % of the weight "
                            "(12-17 % is usual), alike on all wheels",
                            void=False,
                        )
                    )
    ratios = _launch_ratio(run, passes, rolled)
    lean = any(g.cause in {"roller_lean_reversed", "rotation_reversed"} for g in out)
    if ratios and not lean and (torques is None or share < SIDE_SHARE):
        # Accelerometer and reference must agree that the wheels run ahead of the base.
        ratio = float(np.mean(ratios)) if min(ratios) > 1.09 else float(min(ratios))
        sliding = 1 / (1 + math.exp(-(ratio - LAUNCH_SOUND) / 0.015)) if ratio < 3 else 1.0
        if sliding > 0.02:
            out.append(
                Gate(
                    cause="low_grip",
                    wheel=None,
                    probability=0.96 * sliding,
                    magnitude=Estimate.of(ratio, 0.05 * ratio, ""),
                    evidence=f"in sideways starts the wheels run {ratio:.2f} times as fast as the "
                    "base (1.02-1.10 with grip)",
                    void=sliding > 0.5,
                )
            )
    if torques is not None and sides and not lean:
        even = _even_force(run, motion, torques, passes)
        size = float(np.hypot(*even))
        if size > SLOPE_SHARE:
            towards = math.degrees(math.atan2(even[1], even[0]))
            out.append(
                Gate(
                    cause="floor_slope",
                    wheel=None,
                    probability=min(0.95, size / SLOPE_SHARE - 0.4),
                    magnitude=Estimate.of(math.degrees(math.asin(min(1.0, size))), 0.3, "°"),
                    evidence=f"{100 * size:.1f} % of the weight pulls the same way whatever the "
                    f"direction of travel (uphill at {towards:+.0f}° from ahead)",
                    void=False,
                )
            )
    out += _gyro_gates(run, motion)
    return out


def _flipped(run: Run, motion: Motion) -> list[str]:
    """Wheel whose turning, taken the other way round, makes the wheels agree with the reference.

    A motor and encoder reversed together count as asked while the wheel turns astern.
    """
    size = np.array([1.0, 1.0, run.robot.size])
    rows = [m for m in motion.passes if np.isfinite(m.path).all()]
    if run.reference is None or len(rows) < 4:
        return []
    inverse = odometry_matrix(run.robot.matrix)
    path = np.array([m.path for m in rows]) * size
    turns = np.array([m.turns for m in rows])

    def misfit(flip: int | None) -> float:
        taken = turns.copy()
        if flip is not None:
            taken[:, flip] *= -1
        return float(np.sum((taken @ inverse.T * size - path) ** 2))

    plain = misfit(None)
    flipped = [misfit(k) for k in range(turns.shape[1])]
    best = int(np.argmin(flipped))
    if plain > 0.15 * float(np.sum(path**2)) and flipped[best] < 0.4 * plain:
        return [run.robot.wheel_names[best]]
    return []


def _gyro_gates(run: Run, motion: Motion) -> list[Gate]:
    if run.gyro_z is None:
        return []
    turns = [m for m in motion.passes if m.kind.startswith("turn_") and abs(m.rolled[2]) > 1.0]
    why, size = "", Estimate.undetermined("", "see the findings")
    scale = run.imu.get("gyro_scale")
    bias = run.imu.get("gyro_bias_rad_s")
    moving = np.max(np.abs(run.wheel_speed), axis=1) > 0.5
    stuck = sum(
        (f.t_end or 0.0) - (f.t_start or 0.0)
        for f in run.findings
        if f.channel == "omega_z" and "stuck" in f.text
    )
    share = stuck / max(run.dt, run.dt * float(np.sum(moving)))
    if share > 0.1:
        why = f"the gyro does not change in {100 * min(share, 1.0):.0f} % of the driving time"
    elif scale is not None and scale.value is not None and scale.std_error is not None:
        if abs(scale.value - 1) > 0.015 + 3 * scale.std_error:
            why = f"the gyro reads {100 * (scale.value - 1):+.1f} % against the reference heading"
            size = scale
    elif turns and run.yaw_source == "gyro":
        ratio = float(np.median([m.path[2] / m.rolled[2] for m in turns]))
        if not 0.85 < ratio < 1.12:
            why = f"in turns the gyro shows {ratio:.2f} of what the wheels roll (0.95-1.0 is usual)"
            size = Estimate.of(ratio, 0.03, "")
    if not why and any(f.channel == "omega_z" and "wanders" in f.text for f in run.findings):
        why = next(f.text for f in run.findings if "wanders" in f.text)
        if bias is not None:
            size = bias
    if not why:
        return []
    return [
        Gate(
            cause="gyro_fault",
            wheel=None,
            probability=0.93,
            magnitude=size,
            evidence=why,
            void=False,
        )
    ]


WOULD_DECIDE = {
    "motors": "log motor currents and volts, with motor constants in the robot file",
    "volts": "log each motor's volts or duty beside its current (shows a weak motor)",
    "hard": "drive at least eight hard sideways starts, both ways (3 m/s²)",
    "turns": "turn on the spot both ways at two rates, 10 s each (up to 2.5-3 rad/s where safe)",
    "sides": "drive at least three passes to each side at two speeds, 2 : 1",
    "reference": "log an odometry reference, or tape where each pass ends",
}


def _missing(run: Run, passes: Sequence[Pass], torques: Torques | None) -> list[str]:
    kinds = [p.kind for p in passes]
    out = []
    if torques is None:
        out.append(WOULD_DECIDE["motors"])
    elif run.volt is None and run.power is None:
        out.append(WOULD_DECIDE["volts"])
    if sum(p.hard_start for p in passes) < 4:
        out.append(WOULD_DECIDE["hard"])
    if not {"turn_left", "turn_right"} <= set(kinds):
        out.append(WOULD_DECIDE["turns"])
    if min(kinds.count("left"), kinds.count("right")) < 3:
        out.append(WOULD_DECIDE["sides"])
    if run.reference is None:
        out.append(WOULD_DECIDE["reference"])
    return out


def diagnose(run: Run, passes: Sequence[Pass], motion: Motion) -> Diagnosis:
    """Rank the causes and list what to do.

    Parameters
    ----------
    run : Run
        The aligned run.
    passes : sequence of Pass
        Its passes.
    motion : Motion
        Its measured motion.

    Returns
    -------
    Diagnosis
        Causes, remedies, centre of mass; each undetermined where the run cannot tell.
    """
    from analyzer.remedies import find_remedies

    robot = run.robot
    torques, inertia = find_inertia(run, passes)
    gates = find_gates(run, passes, motion, torques)
    missing = _missing(run, passes, torques)
    drift = drift_odd(motion)
    notes: list[str] = []
    entries: dict[tuple[str, str | None], dict[str, Any]] = {}

    def add(
        cause: str,
        wheel: str | None,
        probability: float,
        magnitude: Estimate,
        evidence: Sequence[str],
        against: Sequence[str] = (),
    ) -> None:
        key = (cause, wheel)
        if key in entries and entries[key]["probability"] >= probability:
            return
        entries[key] = {
            "cause": cause,
            "wheel": wheel,
            "probability": float(min(probability, 0.99)),
            "magnitude": magnitude.as_json(),
            "evidence_for": list(evidence),
            "evidence_against": list(against),
            "would_decide": list(missing),
        }

    no_number = "no currents or volts with motor constants: " + WOULD_DECIDE["motors"]
    centre_x = centre_y = Estimate.undetermined("m", no_number)
    yaw_inertia = Estimate.undetermined("kg m²", no_number)
    relative: tuple[Estimate, ...] | None = None
    void = max((g.probability for g in gates if g.void), default=0.0)
    others = 1.0 - max((g.probability for g in gates), default=0.0)
    fits: list[Fitted] = []
    if torques is not None and inertia is not None:
        yaw_inertia = inertia.yaw
        groups = pass_groups(run, passes, motion, torques)
        enough = any(g.kind == "side" for g in groups)
        if void < 0.5 and enough:
            gauges = [*inertia.gauges, *_scale_gauges(run)]
            model = Model(run, groups, torques, gauges)
            seen = torques.source == "volt" or model.resistance is not None
            fits = weigh(model, motors_seen=seen)
        if fits:
            centre_x, centre_y = (_centre(model, fits, gauges, axis) for axis in range(2))
            relative = _relative(model, fits)
            _add_fits(model, fits, others, seen, drift, add)
        elif void < 0.5 and enough:
            notes.append("Forces and motion of this recording do not fit together at all.")
            add("undetermined", None, others, Estimate.undetermined("", notes[-1]), notes)
        elif void >= 0.5:
            why = "the wheels slide or fight one another; mend that first, then record again"
            centre_x = centre_y = Estimate.undetermined("m", why)
        else:
            notes.append("No sideways passes both ways: " + WOULD_DECIDE["sides"] + ".")
            add("undetermined", None, others, Estimate.undetermined("", "too few passes"), notes)
    if torques is None and void < 0.5:
        _without_motors(run, motion, drift, others, add)
    for gate in gates:
        add(gate.cause, gate.wheel, gate.probability, gate.magnitude, [gate.evidence])
    if void >= 0.5:
        rest = max(0.0, 1.0 - sum(g.probability for g in gates if g.void))
        add(
            "undetermined", None, rest, Estimate.undetermined("", "hidden by the fault above"),
            ["other causes cannot be told apart until this is mended"],
        )  # fmt: skip
    causes = sorted(entries.values(), key=lambda c: -c["probability"])
    remedies = find_remedies(
        robot, causes, centre_x, centre_y, drift, relative or motion.relative_radius,
        motion.yaw_lever, missing,
    )  # fmt: skip
    return Diagnosis(
        causes=causes,
        remedies=remedies,
        centre_of_mass_x=centre_x,
        centre_of_mass_y=centre_y,
        yaw_inertia=yaw_inertia,
        relative_radius=relative,
        notes=tuple(notes),
    )


def _scale_gauges(run: Run) -> list[Gauge]:
    """Corner scales as a measurement: x_c = sum N_i x_i / sum N_i (ISO 10392, moment balance)."""
    loads = run.robot.scale_loads_kg
    if loads is None:
        return []
    none = np.zeros(run.robot.x.size)
    return [
        Gauge(
            name="corner scales",
            axis=axis,
            value=float(loads @ place / loads.sum()),
            std_error=0.003,
            slope=none,
        )
        for axis, place in enumerate((run.robot.x, run.robot.y))
    ]


def _centre(model: Model, fits: Sequence[Fitted], gauges: Sequence[Gauge], axis: int) -> Estimate:
    if not any(g.axis == axis for g in gauges):
        name = "hard" if axis == 0 else "turns"
        return Estimate.undetermined("m", "needs: " + WOULD_DECIDE[name])
    # The sound prior would pull a small offset towards zero: the place is asked of the
    # hypotheses that leave the mass free, weighed among themselves.
    free = [f for f in fits if any(c == "mass_off_centre" for c, _ in f.causes)]
    pick = np.zeros(model.size)
    pick[axis] = 1.0
    share = sum(f.share for f in free)
    value, error = averaged(free if share > 1e-9 else fits, pick)
    return Estimate.of(value, math.hypot(error, 0.02 * value), "m")


def _relative(model: Model, fits: Sequence[Fitted]) -> tuple[Estimate, ...]:
    out = []
    for k in range(model.w):
        pick = np.zeros(model.size)
        at = model.index("eps")
        pick[at : at + model.w] = -1.0 / model.w
        pick[at + k] += 1.0
        value, error = averaged(fits, pick)
        out.append(Estimate.of(1 + value, math.hypot(error, 8e-4), ""))
    return tuple(out)


def _add_fits(
    model: Model, fits: Sequence[Fitted], others: float, seen: bool, drift: Estimate, add: Any
) -> None:
    """Marginal probabilities of single causes, with magnitude and evidence."""
    best = max(fits, key=lambda f: f.share)
    none = next(f for f in fits if f.causes == (("none", None),))
    count = model.residuals(best.z[None]).shape[1]
    keys = sorted({c for f in fits for c in f.causes}, key=str)
    tolerance = model.robot.tolerance
    hidden = 0.0
    for cause, wheel in keys:
        own = [f for f in fits if (cause, wheel) in f.causes]
        share = sum(f.share for f in own)
        if cause == "none":
            # All wheels alike leave no pattern; only the level against other bases tells.
            level = side_share(model)
            stiff = 1 / (1 + math.exp(-min(50.0, (level - 0.195) / 0.006)))
            if stiff > 0.02:
                force = level * model.weight
                add(
                    "roller_drag",
                    None,
                    others * share * stiff,
                    Estimate.of(force, 0.1 * force, "N"),
                    [
                        f"sideways the motors push {100 * level:.0f} % of the weight, alike on all "
                        "wheels (12-17 % is usual on the bench)"
                    ],
                )
                share *= 1 - stiff
            if (
                not seen
                and model.robot.drive_mode == "power"
                and drift.value is not None
                and abs(drift.value) > 2 * tolerance.yaw_drift_deg_per_m
            ):
                hidden = 0.85 * share
                share -= hidden
            add(
                "none", None, others * share, Estimate.undetermined("", "nothing is at fault"),
                ["no fault beyond tolerance is needed to explain forces, rolling and turns"],
                [] if best is none else [_why(model, none, best)],
            )  # fmt: skip
            continue
        if share < 0.004:
            continue
        magnitude = _magnitude(model, own, cause, wheel)
        for_it = [_why(model, max(own, key=lambda f: f.share), none)]
        if cause == "mass_off_centre":
            for_it += [
                f"{g.name}: {'x' if g.axis == 0 else 'y'} = {1e3 * g.value:+.0f} ± "
                f"{2e3 * g.std_error:.0f} mm"
                for g in model.gauges
            ]
        against = [] if best in own else [_why(model, best, max(own, key=lambda f: f.share))]
        add(cause, wheel, others * share, magnitude, for_it, against)
    if hidden > 0:
        add(
            "undetermined", None, others * hidden,
            Estimate.undetermined("", "without volts a weak motor cannot be seen"),
            [
                f"the base turns {drift.value:+.1f} °/m, but forces and rolling fit a sound base: a "
                "weak motor would look so, and only volts or duty show it"
            ],
        )  # fmt: skip
    if best.chi2 > 3 * count:
        add(
            "undetermined", None, others * min(0.6, 0.1 * best.chi2 / count),
            Estimate.undetermined("", "no hypothesis explains the recording well"),
            [f"best misfit {best.chi2:.0f} for {count} balances: something else is at work"],
        )  # fmt: skip


def side_share(model: Model) -> float:
    """Sideways motor force over weight at the slower speed. [-]

    Parameters
    ----------
    model : Model
        Balances of the run.

    Returns
    -------
    float
        Zero without sideways passes.
    """
    side = [g for g in model.groups if g.kind == "side"]
    if not side:
        return 0.0
    return float(np.abs(side[0].torque / model.robot.radius).sum()) / model.weight


def _why(model: Model, better: Fitted, worse: Fitted) -> str:
    """Which balances speak for one hypothesis against another."""
    names = " and ".join(c.replace("_", " ") + (f" {w}" if w else "") for c, w in better.causes)
    other = " and ".join(c.replace("_", " ") + (f" {w}" if w else "") for c, w in worse.causes)
    names = names.replace("none", "a sound base")
    other = other.replace("none", "a sound base")
    return (
        f"{names} leaves a misfit of {better.chi2:.1f}, {other} of {worse.chi2:.1f} "
        f"(sum over {model.residuals(better.z[None]).shape[1]} balances)"
    )


def _magnitude(model: Model, own: Sequence[Fitted], cause: str, wheel: str | None) -> Estimate:
    pick = np.zeros(model.size)
    if cause == "mass_off_centre":
        place = [averaged(own, np.eye(model.size)[axis]) for axis in range(2)]
        size = math.hypot(place[0][0], place[1][0])
        error = math.hypot(place[0][0] * place[0][1], place[1][0] * place[1][1]) / max(size, 1e-6)
        return Estimate.of(1e3 * size, 1e3 * error, "mm")
    assert wheel is not None
    k = model.robot.wheel_names.index(wheel)
    if cause == "radius_mismatch":
        at = model.index("eps")
        pick[at : at + model.w] = -1.0 / model.w
        pick[at + k] += 1.0
        value, error = averaged(own, pick)
        return Estimate.of(100 * value, 100 * error, "%")
    pick[model.index({"roller_drag": "q", "axle_drag": "b", "weak_motor": "rho"}[cause], k)] = 1.0
    value, error = averaged(own, pick)
    if cause == "weak_motor":
        ratio = math.exp(value)
        return Estimate.of(100 * (ratio - 1), 100 * ratio * error, "% resistance above the others")
    if cause == "roller_drag":
        pick[model.index("delta")] = 1.0
        value, error = averaged(own, pick)
        force = model.drag0 * math.exp(value) * model.weight / model.w
        return Estimate.of(force, force * error, "N")
    pick[model.index("axle")] = 1.0
    value, error = averaged(own, pick)
    torque = model.axle0 * math.exp(value)
    return Estimate.of(torque, torque * error, "N m")


def _without_motors(run: Run, motion: Motion, drift: Estimate, others: float, add: Any) -> None:
    """Without motor data: what motion alone can say, and the open group by name."""
    limit = run.robot.tolerance.yaw_drift_deg_per_m
    closure = [e.value for e in motion.closure.values() if e.value is not None]
    loud = drift.value is not None and abs(drift.value) > limit
    twisted = bool(closure) and abs(closure[0] - closure[-1]) / 2 > 6
    unknown = Estimate.undetermined("", "needs motor currents or volts")
    group = "mass off centre, roller drag, axle drag and a weak motor look alike"
    if run.robot.drive_mode == "power" and not loud and not twisted and drift.value is not None:
        add(
            "none", None, 0.7 * others, unknown, [f"yaw drift {drift} and closure within tolerance"]
        )
        add("undetermined", None, 0.25 * others, unknown, ["no motor currents or volts"])
        return
    said = f"yaw drift {drift}" if drift.value is not None else "no heading in this recording"
    add("undetermined", None, 0.62 * others, unknown, [f"{said}; without motor data {group}"])
    add("none", None, 0.13 * others, unknown, [])
    add("mass_off_centre", None, 0.14 * others, unknown, ["open without motor data"])
    for k, name in enumerate(run.robot.wheel_names):
        radius = motion.relative_radius[k]
        away = 0.0
        if radius.value is not None and radius.std_error:
            away = abs(radius.value - 1) / max(radius.std_error, 1e-6)
        if away > 2.5:
            add(
                "radius_mismatch", name, min(0.4, 0.1 * away) * others,
                radius, [f"effective radius {radius} of the mean"],
            )  # fmt: skip
        for kind in ("roller_drag", "axle_drag", "weak_motor"):
            add(kind, name, 0.1 * others / run.robot.x.size, unknown, ["open without motor data"])
