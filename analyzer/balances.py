"""Balances between measured quantities that a base must satisfy, and their residuals.

Forces and moments of pass means, rolling with creep over pass sums, gauges of the centre of mass
and resistances, as functions of one parameter vector: centre of mass, drags, motors, radii, and
nuisances such as the creep coefficient. The same equations hold in `power` and `wheel_speed` mode,
because speeds and torques enter as data.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analyzer.dynamics import GRAVITY, Gauge, Torques
from analyzer.kinematics import plane_length
from analyzer.motion import Motion, speed_groups
from analyzer.passes import span_sums
from analyzer.robot import Robot
from analyzer.run import TURNS, Run

FORCE_FLOOR = {"side": 0.0009, "ahead": 0.0008, "turn": 0.005}
"""Residual of the force balances, as share of the weight [-]: bench work."""
PATH_FLOOR = {"side": 0.65e-3, "ahead": 0.4e-3}
"""Residual of the rolling equations, as share of the path [-]: bench work."""
CREEP_SHARE = {"side": 0.06, "ahead": 0.12}
"""Error of the creep law as share of the creep [-]: bench work; ahead rollers may half turn."""
NUISANCES = (
    "delta", "axle", "delta_fast", "delta_turn", "axle_fast", "axle_turn",
    "creep", "creep_fast", "creep_ahead", "side", "size", "lever", "ahead", "kappa", "phi",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Odd part of all passes of one kind at one speed: mean over both directions.

    Torques are time means and path integrals; paths are sums over the pass. `target` is what the
    wheels were told to turn, NaN where that is not logged.
    """

    kind: str
    fast: bool
    count: int
    speed: float
    seconds: float
    target: np.ndarray
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


def pass_groups(run: Run, motion: Motion, torques: Torques) -> list[Group]:
    """Gather the passes by kind and speed and take the part that is odd in direction.

    Parameters
    ----------
    run : Run
        The aligned run.
    motion : Motion
        What its passes did.
    torques : Torques
        Motor torques.

    Returns
    -------
    list of Group
        Kinds "side", "ahead", "turn" with both directions present.
    """
    rolled = run.rolled
    speed = plane_length(rolled[:, 0], rolled[:, 1])
    rate = np.zeros(run.t.size) if run.gyro_z is None else run.gyro_z
    start = np.array([m.start for m in motion.passes], dtype=int)
    stop = np.minimum(np.array([m.stop for m in motion.passes], dtype=int), run.t.size - 1)
    count = (stop - start)[:, None]
    # Of every pass: mean torques, along its path too, targets, and what turning adds to acceleration.
    torque = span_sums(torques.torque, start, stop) / count
    along = span_sums(speed[:, None] * torques.torque, start, stop) * run.dt
    asked = np.full(torque.shape, np.nan)
    if run.target is not None:
        asked = span_sums(run.target, start, stop) * run.dt
    inward = np.stack([-rate * rolled[:, 1], rate * rolled[:, 0]])
    accel = span_sums(inward.T, start, stop) / count
    pairs = (
        ("side", "left", "right"),
        ("ahead", "ahead", "astern"),
        ("turn", *TURNS),
    )
    out = []
    for kind, plus, minus in pairs:
        rows = [
            (k, m)
            for k, m in enumerate(motion.passes)
            if m.kind in {plus, minus} and not m.hard_start
        ]
        if kind != "turn":
            usual = np.median([m.distance for _, m in rows]) if rows else 0.0
            rows = [(k, m) for k, m in rows if m.distance > 0.35 * usual and m.distance > 0.25]
        else:
            rows = [(k, m) for k, m in rows if abs(m.path[2]) > 1.0]
        if not rows:
            continue
        groups = speed_groups(np.array([m.speed for _, m in rows]), 1.5)
        for rank, index in enumerate(groups):
            mine = np.array([rows[i][0] for i in index])
            chosen = [rows[i][1] for i in index]
            signs = np.array([1.0 if m.kind == plus else -1.0 for m in chosen])
            if not (np.any(signs > 0) and np.any(signs < 0)):
                continue
            force = torque[mine] / run.robot.radius
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
                    speed=float(np.median([m.speed for m in chosen])),
                    seconds=float(np.mean([m.t_end - m.t_start for m in chosen])),
                    target=_odd(asked[mine], signs),
                    torque=_odd(torque[mine], signs),
                    torque_path=_odd(along[mine], signs),
                    path=float(np.mean([m.distance for m in chosen])),
                    turns=_odd(np.array([m.turns for m in chosen]), signs),
                    twist=_odd(twist, signs),
                    known=run.reference is not None and bool(np.isfinite(twist[:, :2]).all()),
                    accel=_odd(accel[mine], signs),
                    scatter=np.sqrt(scatter),
                )
            )
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Quantities of a batch of parameter vectors; arrays of shape (batch, w) or (batch, 1).

    Attributes
    ----------
    load, drag : ndarray
        Wheel load and roller drag along the rolling direction. [N]
    axle : ndarray
        Axle drag. [N m]
    radius : ndarray
        Effective radius. [m]
    creep : ndarray
        Creep speed over rolling speed, per force over load. [-]
    scale : ndarray
        True over nominal motor torque. [-]
    gain, rho : ndarray
        Relative torque gain; log of relative resistance.
    side, lever : ndarray
        Sideways path over rolled path; true over nominal yaw lever. [-]
    ahead : ndarray, shape (batch,)
        Rolling resistance ahead over weight. [-]
    """

    load: np.ndarray
    axle: np.ndarray
    drag: np.ndarray
    radius: np.ndarray
    creep: np.ndarray
    scale: np.ndarray
    gain: np.ndarray
    rho: np.ndarray
    side: np.ndarray
    lever: np.ndarray
    ahead: np.ndarray


def _or_zero(value: float) -> float:
    return float(value) if math.isfinite(value) else 0.0


class Model:
    """Residuals of all balances for a batch of parameter vectors.

    Attributes
    ----------
    kinds : list of str
        Kinds of residuals in words, for evidence on the screen.
    """

    def __init__(
        self, robot: Robot, groups: Sequence[Group], torques: Torques, gauges: Sequence[Gauge]
    ) -> None:
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
                    math.hypot(0.005, float(e.std_error or 0) / float(e.value or 1))
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
        x, y = robot.x - robot.x.mean(), robot.y - robot.y.mean()
        self.tilt_x, self.tilt_y = x / np.mean(x**2), y / np.mean(y**2)
        # Loads that statics leaves open: what no plane over the wheels explains.
        plane = np.stack([np.ones(self.w), robot.x, robot.y], axis=1)
        self.warp = np.eye(self.w) - plane @ np.linalg.pinv(plane)
        self.size = 2 + 6 * self.w + len(NUISANCES)
        self._rolling = [self._whitening(g) for g in self.groups]
        labels = self._labels()
        self.kinds = list(dict.fromkeys(labels))
        self._kind_of = np.array([self.kinds.index(label) for label in labels], dtype=int)

    def index(self, name: str, wheel: int = 0) -> int:
        """Place of a parameter in the vector."""
        order = {"c": 0, "q": 2, "b": 2 + self.w, "rho": 2 + 2 * self.w, "eps": 2 + 3 * self.w,
                 "gain": 2 + 4 * self.w, "twist": 2 + 5 * self.w}  # fmt: skip
        if name in order:
            return order[name] + wheel
        return 2 + 6 * self.w + NUISANCES.index(name)

    def sound_prior(self) -> tuple[np.ndarray, np.ndarray]:
        """Mean and standard deviation of every parameter of a sound base."""
        mean, sd = np.zeros(self.size), np.empty(self.size)
        limit = self.robot.tolerance
        sd[:2] = self.robot.centre_tolerance / 2
        spreads = {
            "q": math.log1p(limit.roller_drag_share) / 2,
            "b": math.log1p(limit.axle_drag_share) / 2,
            "rho": math.log1p(limit.motor_resistance_share) / 2,
            "eps": limit.relative_radius / 2,
            "gain": limit.torque_constant_share / 2,
            "twist": 0.1,
        }
        for name, value in spreads.items():
            sd[self.index(name) : self.index(name) + self.w] = value
        spread = {
            "delta": 0.47, "axle": 0.47, "delta_fast": 0.25, "delta_turn": 0.3, "axle_fast": 0.25,
            "axle_turn": 0.25, "creep": 0.34, "creep_fast": 0.25, "creep_ahead": 0.25, "side": self.side_error, "size": 0.01, "lever": 0.01,
            "ahead": 0.01, "kappa": 0.9, "phi": 0.3,
        }  # fmt: skip
        for name, value in spread.items():
            sd[self.index(name)] = value
        mean[self.index("ahead")] = 0.005
        mean[self.index("kappa")] = math.log(20.0)
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
        floor = np.full(w, PATH_FLOOR[group.kind] * group.path)
        # The creep law holds to a share of the creep: what a wheel rolls beside the common path.
        seen = np.nan_to_num(group.twist) if group.known else np.linalg.lstsq(
            rows, self.robot.radius * group.turns, rcond=None
        )[0]  # fmt: skip
        beside = self.robot.radius * group.turns - rows @ seen
        floor = np.hypot(floor, CREEP_SHARE[group.kind] * (beside - np.median(beside)))
        cover = rows @ twist @ rows.T + np.diag(floor**2)
        inverse: np.ndarray = np.linalg.inv(np.linalg.cholesky(cover))
        return inverse

    def state(self, z: np.ndarray, group: Group | None) -> State:
        """Physical quantities that parameter vectors stand for, in one group of passes.

        Parameters
        ----------
        z : ndarray, shape (batch, parameters)
            Parameter vectors.
        group : Group or None
            Group of passes; None for a slow sideways one.

        Returns
        -------
        State
            Loads, drags, radii and scales.
        """
        robot, w = self.robot, self.w
        cut = [2 + k * w for k in range(7)]
        c_x, c_y = z[:, :1], z[:, 1:2]
        q, b, rho, eps, gain, twist = (z[:, cut[k] : cut[k + 1]] for k in range(6))
        n = dict(zip(NUISANCES, z[:, cut[6] :].T[:, :, None], strict=True))
        # A wheel that is larger than the plane of the others carries more and is pressed flatter.
        proud = eps @ self.warp
        share = 1 + c_x * self.tilt_x + c_y * self.tilt_y
        share = share + twist @ self.warp + np.exp(n["kappa"]) * proud
        # A wheel cannot pull at the floor: a smooth bend keeps five hundredths of the mean load.
        load = self.weight / w * (0.05 + ((share - 0.05) + np.hypot(share - 0.05, 0.1)) / 2)
        relative = load / (self.weight / w)
        slow = State(
            load=load,
            axle=self.axle0 * np.exp(n["axle"] + b) * (2 / 3 + relative / 3),
            drag=self.drag0 * np.exp(n["delta"] + q) * load,
            radius=robot.radius * (1 + n["size"] + eps - n["phi"] * proud),
            creep=0.15 * np.exp(n["creep"]),
            scale=(1 + gain) * (np.exp(-rho) if self.volts else 1.0),
            gain=gain,
            rho=rho,
            side=self.side0 + n["side"],
            lever=1 + n["lever"],
            ahead=n["ahead"][:, 0],
        )
        return slow if group is None else self._in_group(slow, z, group)

    def _in_group(self, slow: State, z: np.ndarray, group: Group) -> State:
        """State of a group of passes, from that of a slow sideways one."""
        turn, fast, straight = group.kind == "turn", group.fast, group.kind == "ahead"
        if not (turn or fast or straight):
            return slow

        def more(*names: str) -> np.ndarray:
            at = [self.index(name) for name in names]
            out: np.ndarray = np.exp(z[:, at].sum(axis=1))[:, None]
            return out

        kinds = ["fast"] * fast + ["turn"] * turn
        speeds = ["creep_fast"] * fast + ["creep_ahead"] * straight
        return replace(
            slow,
            axle=slow.axle * more(*(f"axle_{k}" for k in kinds)) if kinds else slow.axle,
            drag=slow.drag * more(*(f"delta_{k}" for k in kinds)) if kinds else slow.drag,
            creep=slow.creep * more(*speeds) if speeds else slow.creep,
        )

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
        robot = self.robot
        m = robot.mass_kg
        c_x, c_y = z[:, 0], z[:, 1]
        out = []
        slow = self.state(z, None)
        for group, white in zip(self.groups, self._rolling, strict=True):
            turn = group.kind == "turn"
            s = self._in_group(slow, z, group)
            sense = np.sign(robot.x) if turn else np.ones(self.w)
            push = (group.torque * s.scale - s.axle * np.sign(group.turns)) / robot.radius
            rub = s.drag * sense / self.cosine if group.kind != "ahead" else np.zeros_like(s.drag)
            floor = FORCE_FLOOR[group.kind] * self.weight
            error = np.hypot(floor, float(np.linalg.norm(group.scatter)))
            ahead = push.sum(axis=1) - m * group.accel[0] * (not turn)
            if group.kind == "ahead":
                out.append((ahead - s.ahead * self.weight) / error)
            else:
                out.append(ahead / error)
                left = (
                    push @ self.tangent
                    - rub.sum(axis=1)
                    - (m * group.accel[1] + s.ahead * self.weight) * (not turn)
                )
                moment = push @ self.row - rub @ robot.x
                if not turn:
                    moment = moment - m * (c_x * group.accel[1] - c_y * group.accel[0])
                out += [left / error, moment / (error * self.lever)]
            if white is None:
                continue
            along = (
                group.torque_path * s.scale - s.axle * np.sign(group.turns) * group.path
            ) / robot.radius
            side = group.kind == "side"
            ground = (along - s.drag * self.sine * group.path) / self.cosine if side else along
            slip = s.creep * ground / s.load / (self.cosine if side else 1.0)
            if side:
                path = (
                    group.twist[0]
                    + self.tangent * group.twist[1] / s.side
                    + self.row * s.lever * _or_zero(group.twist[2])
                )
            else:
                path = group.twist[0] - robot.y * _or_zero(group.twist[2]) + 0 * slip
            out += list(((s.radius * group.turns - path - slip) @ white.T).T)
        scale = slow.scale
        rho = z[:, self.index("rho") : self.index("rho") + self.w]
        for gauge in self.gauges:
            seen = gauge.value + (scale - 1) @ gauge.slope
            out.append((seen - z[:, gauge.axis]) / gauge.std_error)
        if self.resistance is not None:
            out += list(((self.resistance - rho) / self.resistance_error).T)
        return np.stack(out, axis=1)

    def by_kind(self, residuals: np.ndarray) -> np.ndarray:
        """Lengths of the residuals of one kind.

        Parameters
        ----------
        residuals : ndarray, shape (residuals,)
            Whitened residuals of one fit.

        Returns
        -------
        ndarray, shape (kinds,)
            Root of the sum of squares over each of `kinds`.
        """
        return np.sqrt(np.bincount(self._kind_of, residuals**2, len(self.kinds)))

    def _labels(self) -> list[str]:
        """Words for each residual, in the order of `residuals`; those of one kind share them."""
        out = []
        words = {"side": "sideways", "ahead": "ahead and astern", "turn": "in turns"}
        several = {g.kind for g in self.groups if g.fast}
        for group, white in zip(self.groups, self._rolling, strict=True):
            kind = words[group.kind]
            if group.kind in several:
                kind += ", faster" if group.fast else ", slower"
            out.append(f"force ahead ({kind})")
            if group.kind != "ahead":
                out += [f"force to the side ({kind})", f"yaw moment ({kind})"]
            if white is not None:
                out += [f"rolling with creep ({kind})"] * self.w
        out += [f"centre of mass {'xy'[g.axis]} by {g.name}" for g in self.gauges]
        if self.resistance is not None:
            out += ["resistances from volts and currents"] * self.w
        return out

    def parameter_words(self) -> list[str]:
        """Words for each parameter, in the order of the vector; "" for nuisances.

        Returns
        -------
        list of str
            For evidence on the screen.
        """
        out = ["the centre of mass (ahead or aft)", "the centre of mass (to a side)"]
        for words in ("roller drag of {}", "axle drag of {}", "resistance of {}", "radius of {}"):
            out += [words.format(name) for name in self.robot.wheel_names]
        return out + [""] * (self.size - len(out))

    def fit(
        self, mean: np.ndarray, sd: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Most probable parameters under each of several priors, all in step.

        Damped Gauss-Newton; the step of one prior never depends on the others.

        Parameters
        ----------
        mean, sd : ndarray, shape (priors, parameters)
            Normal priors.

        Returns
        -------
        z : ndarray, shape (priors, parameters)
            Most probable vectors.
        covariance : ndarray, shape (priors, parameters, parameters)
            Of the posterior, Laplace's approximation.
        evidence : ndarray, shape (priors,)
            Log evidence up to a constant common to all hypotheses.
        residuals : ndarray, shape (priors, residuals)
            Data residuals there.
        """
        count = mean.shape[0]
        u = np.zeros_like(mean)
        identity = np.eye(self.size)
        hessian = np.broadcast_to(identity, (count, self.size, self.size)).copy()
        damping = np.zeros(count)
        step = 1e-4

        def cost_of(v: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            r = self.residuals(mean[at] + sd[at] * v)
            return np.sum(r**2, axis=1) + np.sum(v**2, axis=1), r

        cost, r = cost_of(u, np.arange(count))
        going = np.arange(count)
        for _ in range(12):
            moved = (mean + sd * u)[going, None] + sd[going, None] * (step * identity)
            moved = self.residuals(moved.reshape(-1, self.size)).reshape(going.size, self.size, -1)
            jacobian = (moved - r[going, None]) / step
            hessian[going] = identity + jacobian @ jacobian.transpose(0, 2, 1)
            gradient = np.einsum("hpr,hr->hp", jacobian, r[going]) + u[going]
            gained = np.zeros(going.size)
            trying = np.arange(going.size)
            for _ in range(6):
                at = going[trying]
                normal = hessian[at] * (1 + damping[at, None, None] * identity)
                change = -np.linalg.solve(normal, gradient[trying, :, None])[:, :, 0]
                new_cost, new_r = cost_of(u[at] + change, at)
                better = new_cost <= cost[at]
                done = at[better]
                gained[trying[better]] = cost[done] - new_cost[better]
                u[done] += change[better]
                cost[done], r[done] = new_cost[better], new_r[better]
                damping[done] /= 5
                damping[at[~better]] = np.maximum(1e-3, damping[at[~better]] * 5)
                trying = trying[~better]
                if not trying.size:
                    break
            going = going[gained >= 1e-3]
            if not going.size:
                break
        _, logdet = np.linalg.slogdet(hessian)
        covariance = sd[:, :, None] * np.linalg.inv(hessian) * sd[:, None, :]
        return mean + sd * u, covariance, -0.5 * cost - 0.5 * logdet, r
