"""What a change would bring: the balances solved forward, as a difference to what was seen.

For a group of sideways passes the balances hold at the measured torques, wheel angles and twist
with some residual. After a change (mass moved, wheel serviced, wheel factors) the same residual is
kept and the unknowns are solved anew, so that no change predicts exactly what was seen. Unknowns of
a group with N wheels: mean torques T_i, wheel angles theta_i and the twist (X, Y, Psi):

    motor    T_i = S_i - B_i theta_i / seconds       power: B_i = Kt Ke / R; wheel speed: 1 / yield
    rolling  r_i theta_i = X + t_i Y / k + w_i lambda Psi + creep path f_i / (N_i cos g_i)
    forces   sum tau_i / r_i, sum (t_i tau_i / r_i - D_i / cos g_i),
             sum (w_i tau_i / r_i - x_i D_i / cos g_i) as before

They are those of `balances` [derived]; the path that scales creep is found by repetition.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analyzer.balances import Group, Model, State
from analyzer.causes import Diagnosis
from analyzer.hypotheses import Fitted
from analyzer.motion import Motion
from analyzer.quantities import Estimate

DRAWS = 120
MODEL_SHARE = 0.12
"""Error of a predicted change, as share of the change [-]: bench work."""
USUAL_DRAG = 0.083
"""Roller drag over load of a sound base [-]: median of the bench's sound bases."""
DRIFT_FLOOR = 0.35
"""Error of a predicted yaw drift that no change explains [deg/m]: bench work, roller phase."""
CREEP_FLOOR = 2.0
"""The same of a predicted creep [mm/m]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A change to the base.

    Attributes
    ----------
    shift_x, shift_y : float
        Shift of the centre of mass. [m]
    serviced : tuple of (str, str or None)
        Cause word and wheel (None for all wheels) that is brought back to sound:
        "roller_drag", "axle_drag" or "weak_motor".
    factors : tuple of float or None
        Factor on each wheel's target or power, in the order of the robot file. [-]
    """

    shift_x: float = 0.0
    shift_y: float = 0.0
    serviced: tuple[tuple[str, str | None], ...] = ()
    factors: tuple[float, ...] | None = None

    def plus(self, other: Change) -> Change:
        """Both changes together.

        Parameters
        ----------
        other : Change
            The other one.

        Returns
        -------
        Change
            Shifts add, services join, factors multiply.
        """
        factors = self.factors or other.factors
        if self.factors is not None and other.factors is not None:
            factors = tuple(a * b for a, b in zip(self.factors, other.factors, strict=True))
        return Change(
            shift_x=self.shift_x + other.shift_x,
            shift_y=self.shift_y + other.shift_y,
            serviced=self.serviced + other.serviced,
            factors=factors,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Predicted:
    """Sideways passes of one side and speed, as seen and as they should be after a change.

    Attributes
    ----------
    kind : str
        "left" or "right".
    speed : float
        Speed before the change. [m/s]
    yaw_drift_before, yaw_drift_after : Estimate
        Heading change per metre. [deg/m]
    creep_before, creep_after : Estimate
        Path ahead per metre sideways; undetermined without a reference. [mm/m]
    """

    kind: str
    speed: float
    yaw_drift_before: Estimate
    yaw_drift_after: Estimate
    creep_before: Estimate
    creep_after: Estimate


def by_speed(predicted: Sequence[Predicted]) -> list[dict[str, Any]]:
    """Predictions as the result file holds them.

    Parameters
    ----------
    predicted : sequence of Predicted
        Outcome of `predict`.

    Returns
    -------
    list of dict
        One entry a side and speed.
    """
    return [
        {
            "kind": p.kind,
            "speed_m_per_s": p.speed,
            "yaw_drift_before_deg_per_m": p.yaw_drift_before.as_json(),
            "yaw_drift_deg_per_m": p.yaw_drift_after.as_json(),
            "creep_mm_per_m": p.creep_after.as_json(),
        }
        for p in predicted
    ]


def arc_path(kind: str, drift: float, creep: float, distance: float) -> np.ndarray:
    """Path and heading of a sideways pass of constant yaw drift and creep.

    Parameters
    ----------
    kind : str
        "left" or "right".
    drift : float
        Heading change per metre. [deg/m]
    creep : float
        Path ahead per metre sideways. [mm/m]
    distance : float
        Path driven sideways. [m]

    Returns
    -------
    ndarray, shape (41, 3)
        x, y and heading from the start. [m, m, rad]
    """
    s = np.linspace(0.0, distance, 41)
    heading = math.radians(drift) * s
    side = 1.0 if kind == "left" else -1.0
    ahead = creep / 1e3
    step = np.diff(s)
    middle = (heading[1:] + heading[:-1]) / 2
    x = np.cumsum((ahead * np.cos(middle) - side * np.sin(middle)) * step)
    y = np.cumsum((ahead * np.sin(middle) + side * np.cos(middle)) * step)
    return np.stack([np.concatenate([[0.0], x]), np.concatenate([[0.0], y]), heading], axis=1)


def draws_of(fits: Sequence[Fitted], count: int = DRAWS) -> np.ndarray:
    """Draw parameter vectors from the mixture of hypotheses, the same ones every time.

    Parameters
    ----------
    fits : sequence of Fitted
        Hypotheses with their shares.
    count : int
        Number of draws.

    Returns
    -------
    ndarray, shape (count, parameters)
        Draws; a hypothesis gets its share of them.
    """
    rng = np.random.default_rng(20260101)
    shares = np.array([f.share for f in fits])
    order = np.argsort(-shares)
    edges = np.cumsum(shares[order]) / shares.sum()
    which = order[np.searchsorted(edges, (np.arange(count) + 0.5) / count).clip(0, len(fits) - 1)]
    out = np.empty((count, fits[0].z.size))
    for k in np.unique(which):
        mine = which == k
        values, vectors = np.linalg.eigh(fits[k].covariance)
        # The symmetric root: the signs of eigenvectors are chance, and the draws must not hang on them.
        root = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
        # In pairs to both sides, so that chance does not move the middle.
        size = int(mine.sum())
        half = rng.standard_normal(((size + 1) // 2, fits[0].z.size)) @ root
        out[mine] = fits[k].z + np.concatenate([half, -half])[:size]
    return out


def changed(model: Model, z: np.ndarray, change: Change) -> np.ndarray:
    """Parameter vectors after a change.

    Parameters
    ----------
    model : Model
        Balances of the run.
    z : ndarray, shape (batch, parameters)
        Parameter vectors before.
    change : Change
        The change.

    Returns
    -------
    ndarray, shape (batch, parameters)
        A serviced part gets the typical value of the wheels that are not serviced.
    """
    out = z.copy()
    out[:, 0] += change.shift_x
    out[:, 1] += change.shift_y
    names = model.robot.wheel_names
    for cause, wheel in change.serviced:
        at = model.index({"roller_drag": "q", "axle_drag": "b", "weak_motor": "rho"}[cause])
        if wheel is None:
            if cause == "roller_drag":
                # All alike: brought back to the level that is usual, whatever the recording shows.
                out[:, model.index("delta")] += (
                    math.log(USUAL_DRAG / model.drag0) - z[:, model.index("delta")]
                )
            continue
        k = names.index(wheel)
        mine = {w for c, w in change.serviced if c == cause}
        rest = [i for i, name in enumerate(names) if name not in mine]
        out[:, at + k] = np.median(z[:, [at + i for i in rest]], axis=1) if rest else 0.0
    return out


def _yield_of(model: Model, group: Group) -> float:
    """Speed that a wheel gives way per torque under wheel speed control. [rad/s per N m]"""
    if not np.isfinite(group.target).all():
        return 0.0
    gap = (group.target - group.turns) / group.seconds
    total = float(group.torque @ group.torque)
    return max(0.0, float(gap @ group.torque) / total) if total > 0 else 0.0


def solve_group(
    model: Model, group: Group, z: np.ndarray, after: np.ndarray, factors: np.ndarray
) -> np.ndarray:
    """Twist of a group of sideways passes after a change.

    Parameters
    ----------
    model : Model
        Balances of the run.
    group : Group
        Sideways passes of one speed.
    z, after : ndarray, shape (batch, parameters)
        Parameters before and after.
    factors : ndarray, shape (w,)
        Factor on each wheel's command.

    Returns
    -------
    ndarray, shape (batch, 3)
        Path ahead and left and heading change of the odd part of such a pass. [m, m, rad]
    """
    w, batch = model.w, z.shape[0]
    robot = model.robot
    old, new = model.state(z, group), model.state(after, group)
    known = group.known
    seen = np.nan_to_num(group.twist, nan=0.0)
    if not known:
        # Without a reference the wheels' own path stands in; only the difference matters.
        seen = seen * np.array([0.0, 1.0, 1.0])
    torque = group.torque * old.scale
    power = robot.drive_mode == "power"
    if power:
        damping0 = robot.torque_per_ampere * robot.volts_per_rad_s / robot.resistance_ohm
        b_old = damping0 * (1 + old.gain) * np.exp(-old.rho) / group.seconds
        b_new = damping0 * (1 + new.gain) * np.exp(-new.rho) / group.seconds
        supply = (torque + b_old * group.turns) * np.exp(old.rho - new.rho) * factors
    else:
        give = max(_yield_of(model, group), 1e-4)
        b_old = b_new = np.full((batch, w), 1 / give / group.seconds)
        supply = torque + b_old * group.turns * factors
    path0 = group.path
    sense = np.sign(group.turns)
    # Forces along the path over plain means: the ratio is the recording's own.
    along = np.where(
        np.abs(group.torque) > 1e-6, group.torque_path / np.where(group.torque == 0, 1, group.torque), path0
    )  # fmt: skip
    along = np.clip(along, 0.5 * path0, 1.5 * path0)

    def rolling_rows(state: State, path: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Coefficients of theta, torque and twist, and the constant, of the rolling equations."""
        reach = along / path0 * path
        grip = state.creep / (state.load * model.cosine**2)
        on_torque = -grip * reach / robot.radius
        constant = grip * (
            state.axle * sense * path / robot.radius + state.drag * model.sine * path
        )
        twist = -np.stack(
            [
                np.ones((batch, w)),
                np.broadcast_to(model.tangent / state.side, (batch, w)),
                np.broadcast_to(model.row * state.lever, (batch, w)),
            ],
            axis=2,
        )
        return on_torque, constant, twist

    def force_rows(state: State) -> np.ndarray:
        """Constant part of the three force balances."""
        load = state.axle * sense / robot.radius
        rub = state.drag / model.cosine
        return np.stack(
            [
                -load.sum(axis=1),
                -(load @ model.tangent) - rub.sum(axis=1),
                -(load @ model.row) - rub @ robot.x,
            ],
            axis=1,
        )

    push = np.stack([np.ones(w), model.tangent, model.row]) / robot.radius
    force_residual = torque @ push.T + force_rows(old)
    t_old, c_old, v_old = rolling_rows(old, np.full((batch, 1), path0))
    roll_residual = (
        old.radius * group.turns + t_old * torque + c_old + np.einsum("bwk,k->bw", v_old, seen)
    )
    size = 2 * w + 3
    path = np.full((batch, 1), path0)
    result = np.broadcast_to(seen, (batch, 3))
    force_new = force_rows(new)
    for _ in range(4):
        t_new, c_new, v_new = rolling_rows(new, path)
        matrix = np.zeros((batch, size, size))
        right = np.zeros((batch, size))
        i = np.arange(w)
        matrix[:, i, i] = 1.0
        matrix[:, i, w + i] = b_new
        right[:, :w] = supply
        matrix[:, w + i, i] = t_new
        matrix[:, w + i, w + i] = new.radius
        matrix[:, w : 2 * w, 2 * w :] = v_new
        right[:, w : 2 * w] = roll_residual - c_new
        matrix[:, 2 * w :, :w] = push
        right[:, 2 * w :] = force_residual - force_new
        result = np.linalg.solve(matrix, right[:, :, None])[:, 2 * w :, 0]
        path = np.clip(np.hypot(result[:, :1], result[:, 1:2]), 0.3 * path0, 4 * path0)
    return np.asarray(result)


@dataclass(frozen=True, slots=True, kw_only=True)
class LeverEffect:
    """What a program makes of turns and sideways passes with some yaw lever.

    Attributes
    ----------
    believed : Estimate
        What its wheel odometry says of one full turn really made. [deg]
    turned : Estimate
        What the base really turns where the program asks for one full turn, and the wheels keep
        the speeds they are asked for. [deg]
    sideways : tuple of (str, float, Estimate, Estimate)
        Side, speed [m/s], heading change per metre as wheel odometry says, and as it really
        is. [deg/m]
    """

    believed: Estimate
    turned: Estimate
    sideways: tuple[tuple[str, float, Estimate, Estimate], ...]


def with_lever(motion: Motion, nominal: float, lever: float) -> LeverEffect:
    """Say what another yaw lever in the program changes: its belief, not the sideways passes.

    Parameters
    ----------
    motion : Motion
        Motion of the recording.
    nominal : float
        Yaw lever that the recording was analysed with. [m]
    lever : float
        Yaw lever that the program is to use. [m]

    Returns
    -------
    LeverEffect
        Full turns are undetermined where the recording does not measure the lever.

    Notes
    -----
    The third column of the rolling matrix is proportional to the lever, so the third row of its
    pseudoinverse goes with the inverse of the lever, and the wheel speeds of a turn with the lever
    [derived]. No turn is asked for in a sideways pass: its wheel speeds do not hold the lever.
    """
    true, full = motion.yaw_lever, 360.0
    turned = true.scaled(1.0, "°")
    if true.value and true.std_error is not None and true.low and true.high:
        turned = Estimate(
            value=full * lever / true.value,
            std_error=full * lever * true.std_error / true.value**2,
            unit="°",
            low=full * lever / true.high,
            high=full * lever / true.low,
        )
    degrees = 180 / math.pi
    return LeverEffect(
        believed=true.scaled(full / lever, "°"),
        turned=turned,
        sideways=tuple(
            (b.kind, b.speed, b.rolled.scaled(degrees * nominal / lever, "°/m"), b.total.scaled(degrees, "°/m"))
            for b in motion.by_speed
            if b.kind in {"left", "right"}
        ),
    )  # fmt: skip


def _nearest(groups: Sequence[Group], speed: float) -> Group:
    return min(groups, key=lambda g: abs(math.log(max(g.speed, 1e-3) / max(speed, 1e-3))))


def predict(diagnosis: Diagnosis, motion: Motion, change: Change) -> tuple[Predicted, ...]:
    """Predict the sideways passes after a change.

    Parameters
    ----------
    diagnosis : Diagnosis
        Diagnosis of the recording.
    motion : Motion
        Its motion.
    change : Change
        What is changed.

    Returns
    -------
    tuple of Predicted
        One for each side and speed that was driven; empty where forces are not known, the wheels
        slide or no heading is known.
    """
    model = diagnosis.model
    rows = [b for b in motion.by_speed if b.kind in {"left", "right"} and b.total.value is not None]
    sides = [] if model is None else [g for g in model.groups if g.kind == "side"]
    if model is None or not sides or not rows:
        return ()
    z = draws_of(diagnosis.fits)
    after = changed(model, z, change)
    factors = np.ones(model.w) if change.factors is None else np.array(change.factors)
    moved: dict[int, tuple[np.ndarray, np.ndarray]] = {}
    out = []
    for row in rows:
        group = _nearest(sides, row.speed)
        if id(group) not in moved:
            # The group is the odd part, for a pass to the left; the other side mirrors it.
            old = solve_group(model, group, z, z, np.ones(model.w))
            new = solve_group(model, group, z, after, factors)
            yaw = np.degrees(new[:, 2] / np.abs(new[:, 1]) - old[:, 2] / np.abs(old[:, 1]))
            ahead = 1e3 * (new[:, 0] / np.abs(new[:, 1]) - old[:, 0] / np.abs(old[:, 1]))
            moved[id(group)] = (yaw, ahead)
        yaw, ahead = moved[id(group)]
        side = 1.0 if row.kind == "left" else -1.0
        before = row.total.scaled(180 / math.pi, "°/m")
        creep = row.creep
        out.append(
            Predicted(
                kind=row.kind,
                speed=row.speed,
                yaw_drift_before=before,
                yaw_drift_after=_after(before, side * yaw, DRIFT_FLOOR),
                creep_before=creep,
                creep_after=_after(creep, side * ahead, CREEP_FLOOR),
            )
        )
    return tuple(out)


def _after(before: Estimate, shift: np.ndarray, floor: float) -> Estimate:
    if before.value is None or before.std_error is None:
        return before
    moved = float(np.median(shift))
    # Quantiles, not the standard deviation: draws of a linearised fit have wild tails.
    low, high = np.percentile(shift, [16, 84])
    spread = (float(high) - float(low)) / 2
    if moved == 0.0 and spread == 0.0:
        return before
    error = math.sqrt(before.std_error**2 + spread**2 + (MODEL_SHARE * moved) ** 2 + floor**2)
    return Estimate.of(before.value + moved, error, before.unit)


def odd_part(predicted: Sequence[Predicted], *, creep: bool = False) -> Estimate:
    """Mean over speeds of the part that changes sign with the side, after the change.

    Parameters
    ----------
    predicted : sequence of Predicted
        Outcome of `predict`.
    creep : bool
        Creep instead of yaw drift.

    Returns
    -------
    Estimate
        (left - right) / 2 [deg/m, or mm/m]; undetermined where a side is missing.
    """
    unit = "mm/m" if creep else "°/m"
    means = []
    for kind in ("left", "right"):
        rows = [p.creep_after if creep else p.yaw_drift_after for p in predicted if p.kind == kind]
        known = [e for e in rows if e.value is not None and e.std_error is not None]
        if not known:
            return Estimate.undetermined(unit, rows[0].why if rows else f"no pass to the {kind}")
        means.append(
            (
                float(np.mean([e.value for e in known if e.value is not None])),
                math.sqrt(float(np.mean([(e.std_error or 0.0) ** 2 for e in known]))),
            )
        )
    (left, left_error), (right, right_error) = means
    return Estimate.of((left - right) / 2, max(left_error, right_error), unit)
