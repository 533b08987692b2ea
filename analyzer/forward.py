"""The balances solved forward: the twist of sideways passes after a change of the base.

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
from dataclasses import dataclass

import numpy as np

from analyzer.balances import Group, Model, State
from analyzer.hypotheses import PARAMETER

USUAL_DRAG = 0.083
"""Roller drag over load of a sound base [-]: median of the bench's sound bases."""


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
        at = model.index(PARAMETER[cause])
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


def turned_by(
    model: Model, group: Group, z: np.ndarray, after: np.ndarray, factors: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """What a change adds to the odd part of a group of sideways passes.

    Parameters
    ----------
    model, group, z, after, factors
        As in `solve_group`.

    Returns
    -------
    yaw : ndarray, shape (batch,)
        Heading change per metre. [deg/m]
    ahead : ndarray, shape (batch,)
        Path ahead per metre sideways. [mm/m]
    """
    old = solve_group(model, group, z, z, np.ones(model.w))
    new = solve_group(model, group, z, after, factors)
    yaw = np.degrees(new[:, 2] / np.abs(new[:, 1]) - old[:, 2] / np.abs(old[:, 1]))
    ahead = 1e3 * (new[:, 0] / np.abs(new[:, 1]) - old[:, 0] / np.abs(old[:, 1]))
    return yaw, ahead
