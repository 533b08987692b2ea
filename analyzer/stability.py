"""Static stability: corner loads, centre of mass from scales, its height from a tilt, tip limits.

Arrays only. Equal springs under a rigid frame stand for wheels and floor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

GRAVITY = 9.80665
"""Standard acceleration of gravity [m/s^2]."""


def centre_from_loads(x: np.ndarray, y: np.ndarray, loads: np.ndarray) -> tuple[float, float]:
    """Place of the centre of mass in plan, from the load on each wheel.

    Parameters
    ----------
    x, y : ndarray, shape (w,)
        Wheel places. [m]
    loads : ndarray, shape (w,)
        Load on each wheel, base standing level, any one unit.

    Returns
    -------
    x_c, y_c : float
        Centre of mass. [m]

    Notes
    -----
    Moment balance: x_c = sum N_i x_i / sum N_i, the level part of ISO 10392.
    """
    return float(loads @ x / loads.sum()), float(loads @ y / loads.sum())


def centre_error(
    x: np.ndarray, y: np.ndarray, loads: np.ndarray, load_error: float
) -> tuple[float, float]:
    """Standard errors of `centre_from_loads`.

    Parameters
    ----------
    x, y, loads : ndarray, shape (w,)
        As there.
    load_error : float
        Standard error of one load, unit of the loads.

    Returns
    -------
    float, float
        Standard errors of x_c and y_c. [m]

    Notes
    -----
    d x_c / d N_i = (x_i - x_c) / sum N; independent errors add in quadrature (GUM 5.1.2).
    """
    x_c, y_c = centre_from_loads(x, y, loads)
    total = float(loads.sum())
    return (
        load_error * float(np.linalg.norm(x - x_c)) / total,
        load_error * float(np.linalg.norm(y - y_c)) / total,
    )


def cross_weight(loads: np.ndarray) -> float:
    """Share of the load on the diagonal FL + RR of four wheels (FL, FR, RL, RR).

    Parameters
    ----------
    loads : ndarray, shape (4,)
        Loads in that order.

    Returns
    -------
    float
        Share; 0.5 on a level floor with a flat frame. A high or low share tells of a twisted
        frame or an uneven floor, not of the centre of mass.
    """
    return float((loads[0] + loads[3]) / loads.sum())


def wheel_loads(x: np.ndarray, y: np.ndarray, weight: float, centre: np.ndarray) -> np.ndarray:
    """Load on each wheel of a rigid frame on equal springs.

    Parameters
    ----------
    x, y : ndarray, shape (w,)
        Wheel places. [m]
    weight : float
        Whole weight, any unit.
    centre : ndarray, shape (2,)
        Centre of mass in plan. [m]

    Returns
    -------
    ndarray, shape (w,)
        Loads; negative where a wheel would lift.

    Notes
    -----
    N_i = W (1, x_i, y_i) S^-1 (1, x_c, y_c) with S = sum (1, x, y)(1, x, y)'. For four wheels in
    a rectangle: W/4 (1 + x_c x_i / l_x^2 + y_c y_i / l_y^2). [derived]
    """
    rows = np.stack([np.ones_like(x), x, y], axis=1)
    loads: np.ndarray = weight * rows @ np.linalg.solve(rows.T @ rows, np.array([1.0, *centre]))
    return loads


def height_from_lift(
    wheelbase: float,
    level_load: float,
    lifted_load: float,
    weight: float,
    lift: float,
    radius: float,
) -> float:
    """Height of the centre of mass from raising one axle.

    Parameters
    ----------
    wheelbase : float
        Distance between the axles. [m]
    level_load, lifted_load : float
        Load on the axle that stays down, before and while the other is raised; unit of `weight`.
    weight : float
        Whole weight.
    lift : float
        How far the other axle's centre is raised; more than 0, less than the wheelbase. [m]
    radius : float
        Wheel radius. [m]

    Returns
    -------
    float
        Height above the floor. [m]

    Raises
    ------
    ValueError
        Where the lift is not between 0 and the wheelbase.

    Notes
    -----
    h = r + L (W' - W_0) / (W tan theta), sin theta = lift / L; the form of ISO 10392:2011.
    """
    if not 0 < lift < wheelbase:
        msg = f"lift {lift} m must be more than 0 and less than the distance of the axles, {wheelbase} m"
        raise ValueError(msg)
    angle = math.asin(lift / wheelbase)
    return radius + wheelbase * (lifted_load - level_load) / (weight * math.tan(angle))


def height_error(
    wheelbase: float, load_error: float, weight: float, lift: float, lift_error: float, rise: float
) -> float:
    """Standard error of `height_from_lift`.

    Parameters
    ----------
    wheelbase : float
        Distance between the axles. [m]
    load_error : float
        Standard error of one axle load, unit of `weight`.
    weight : float
        Whole weight.
    lift, lift_error : float
        Lift and its standard error. [m]
    rise : float
        Height found less the wheel radius. [m]

    Returns
    -------
    float
        Standard error. [m]

    Notes
    -----
    First order (GUM 5.1.2): two loads; d ln(1 / tan theta) / d lift = -1 / (lift cos^2 theta).
    """
    angle = math.asin(lift / wheelbase)
    loads = math.sqrt(2) * load_error * wheelbase / (weight * math.tan(angle))
    length = abs(rise) * lift_error / (lift * math.cos(angle) ** 2)
    return math.hypot(loads, length)


@dataclass(frozen=True, slots=True, kw_only=True)
class TipLimit:
    """How hard the base may be accelerated one way.

    Attributes
    ----------
    direction : str
        "ahead", "astern", "left" or "right".
    first_lift : float
        Acceleration at which the first wheel would lift. [m/s^2]
    wheel : int
        Which wheel that is.
    tip : float
        Acceleration at which the whole base would tip. [m/s^2]
    """

    direction: str
    first_lift: float
    wheel: int
    tip: float


DIRECTIONS = {
    "ahead": np.array([1.0, 0.0]),
    "astern": np.array([-1.0, 0.0]),
    "left": np.array([0.0, 1.0]),
    "right": np.array([0.0, -1.0]),
}


def tip_limits(
    x: np.ndarray, y: np.ndarray, centre: np.ndarray, height: float
) -> tuple[TipLimit, ...]:
    """Quasi-static limits of acceleration in four directions, on a level floor.

    Parameters
    ----------
    x, y : ndarray, shape (w,)
        Wheel places. [m]
    centre : ndarray, shape (2,)
        Centre of mass in plan, inside the wheels. [m]
    height : float
        Its height above the floor. [m]

    Returns
    -------
    tuple of TipLimit
        In the order of `DIRECTIONS`. Braking counts in the direction it pushes: braking from a
        drive to the left is acceleration to the right.

    Notes
    -----
    Accelerating by a, the weight acts as if the centre stood a h / g behind. A wheel lifts where
    its load by `wheel_loads` reaches zero; the base tips where that point leaves the hull of the
    wheels: a = g d / h. Compliance, grip and dynamics are left out: keep well below. [derived]
    """
    from scipy.spatial import ConvexHull

    hull = ConvexHull(np.stack([x, y], axis=1))
    out = []
    for name, way in DIRECTIONS.items():
        still = wheel_loads(x, y, 1.0, centre)
        change = wheel_loads(x, y, 1.0, centre - way * height / GRAVITY) - still
        with np.errstate(divide="ignore"):
            limit = np.where(change < -1e-12, -still / np.minimum(change, -1e-300), np.inf)
        first = int(np.argmin(limit))
        normal, offset = hull.equations[:, :2], hull.equations[:, 2]
        speed = -normal @ way * height / GRAVITY
        gap = -(normal @ centre + offset)
        reach = np.where(speed > 1e-12, gap / np.maximum(speed, 1e-300), np.inf)
        out.append(
            TipLimit(
                direction=name,
                first_lift=max(0.0, float(limit[first])),
                wheel=first,
                tip=max(0.0, float(reach.min())),
            )
        )
    return tuple(out)
