"""A planar base with known faults, for the sample recordings and for tests of the estimates.

The wheels roll without gross slip, so the body's twist V = (v_x, v_y, omega_z) is the state and the
wheel speeds follow, Omega = H V (H: Lynch & Park, eq. (13.5)). Equation of motion [derived]:

    (M + J H'H) dV/dt = H'(T - A sign Omega) - rub(V) - omega x (M V)

with motors T = Kt (U - Ke Omega) / R, axle drag A, roller drag D_i along each roller's rolling
direction, and M holding mass, centre of mass and yaw inertia. Each wheel creeps: it runs faster
than rolling by c V f / N, rolling speed times force over load. Motor torque falls with wheel
speed, so that force and creep are solved together, wheel by wheel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from analyzer.kinematics import integrate_twist
from analyzer.robot import Robot

GRAVITY = 9.80665


@dataclass(frozen=True, kw_only=True, eq=False)
class Truth:
    """What is really so on the simulated base; ones and zeros for a sound one.

    Attributes
    ----------
    c_x, c_y : float
        Centre of mass. [m]
    roller_drag, axle_drag, resistance, radius : ndarray, shape (w,)
        Factors on each wheel's roller drag, axle drag, motor resistance and radius.
    roller_share, axle_torque : float
        Roller drag over load [-] and axle drag [N m] of a sound wheel.
    creep : float
        Creep speed over rolling speed per force over load. [-]
    sideways : float
        Sideways path over rolled path. [-]
    yaw_inertia : float
        About the centre of the wheels. [kg m^2]
    """

    c_x: float = 0.0
    c_y: float = 0.0
    roller_drag: np.ndarray = field(default_factory=lambda: np.ones(4))
    axle_drag: np.ndarray = field(default_factory=lambda: np.ones(4))
    resistance: np.ndarray = field(default_factory=lambda: np.ones(4))
    radius: np.ndarray = field(default_factory=lambda: np.ones(4))
    roller_share: float = 0.065
    axle_torque: float = 0.06
    creep: float = 0.15
    sideways: float = 0.98
    yaw_inertia: float = 0.5


@dataclass(frozen=True, kw_only=True, eq=False)
class Drive:
    """A simulated drive on an even grid, without sensor noise.

    Attributes
    ----------
    t : ndarray, shape (n,)
        [s]
    pose : ndarray, shape (n, 3)
        x, y, yaw. [m, m, rad]
    twist, acceleration : ndarray, shape (n, 3)
        Body twist, and its derivative.
    wheel_angle, wheel_speed, current, volt : ndarray, shape (n, w)
        [rad, rad/s, A, V]
    command : ndarray, shape (n, 3)
        Commanded twist.
    """

    t: np.ndarray
    pose: np.ndarray
    twist: np.ndarray
    acceleration: np.ndarray
    wheel_angle: np.ndarray
    wheel_speed: np.ndarray
    current: np.ndarray
    volt: np.ndarray
    command: np.ndarray


def drive(
    robot: Robot, truth: Truth, script: list[tuple[float, float, float, float, float]], step: float
) -> Drive:
    """Drive a script of commanded twists.

    Parameters
    ----------
    robot : Robot
        Base with motors; its drive mode decides whether volts or wheel speeds are held.
    truth : Truth
        What is really so.
    script : list of (v_x, v_y, omega_z, seconds, acceleration)
        Commands in order. [m/s, m/s, rad/s, s, m/s^2]
    step : float
        Time step. [s]

    Returns
    -------
    Drive
        The motion, at every step.
    """
    radius = robot.radius * truth.radius
    h_nominal = robot.matrix
    h = h_nominal * (robot.radius / radius)[:, None]
    h = h * np.array([1.0, 1.0 / truth.sideways, 1.0])
    x, y, g = robot.x, robot.y, robot.roller_angle
    m = robot.mass_kg
    load = (
        m * GRAVITY / x.size
        * (1 + truth.c_x * x / np.mean(x**2) + truth.c_y * y / np.mean(y**2))
    )  # fmt: skip
    rotor = 0.0015
    mass = np.array(
        [
            [m, 0.0, -m * truth.c_y],
            [0.0, m, m * truth.c_x],
            [-m * truth.c_y, m * truth.c_x, truth.yaw_inertia],
        ]
    )
    inverse = np.linalg.inv(mass + rotor * h.T @ h)
    kt, ke = robot.torque_per_ampere, robot.volts_per_rad_s
    ohm = robot.resistance_ohm * truth.resistance
    drag = truth.roller_share * load * truth.roller_drag
    axle = truth.axle_torque * (2 / 3 + load / (3 * load.mean())) * truth.axle_drag
    # Speed of each roller on its own axle per body twist; its drag does work on nothing else.
    free = np.stack([0 * x, 1 / np.cos(g), x / np.cos(g)], axis=1)
    v = np.zeros(3)
    asked = np.zeros(3)
    integral = np.zeros(x.size)
    rows: list[np.ndarray] = []
    size = np.array([1.0, 1.0, robot.size])
    held = robot.drive_mode == "wheel_speed"
    for v_x, v_y, omega, seconds, limit in script:
        goal = np.array([v_x, v_y, omega])
        for _ in range(round(seconds / step)):
            gap = (goal - asked) * size
            length = float(np.linalg.norm(gap))
            asked = goal if length <= limit * step else asked + gap / length * limit * step / size
            rolling = h @ v
            target = h_nominal @ asked
            drop, still_volt = ke, ke * target
            if held:
                drop, still_volt = ke + 2.0, still_volt + 2.0 * target + 20.0 * integral
            rub = axle * np.tanh(rolling / 0.05)
            slide = free @ v
            force = drag * np.tanh(slide / 0.01)
            cosine = np.cos(g)
            give = truth.creep * math.hypot(v[0], v[1]) / (load * cosine * radius)
            gain = give / (radius * cosine)
            push = kt * still_volt / ohm - rub - radius * force * np.sin(g)
            wheel = (rolling + gain * push) / (1 + gain * kt * drop / ohm)
            volt = still_volt - (drop - ke) * wheel
            if held:
                integral = integral + (target - wheel) * step
            current = (volt - ke * wheel) / ohm
            torque = kt * current
            spin = v[2]
            twist_force = h.T @ (torque - rub) - free.T @ force
            gyration = np.array(
                [
                    -m * spin * (v[1] + spin * truth.c_x),
                    m * spin * (v[0] - spin * truth.c_y),
                    m * spin * (truth.c_x * v[0] + truth.c_y * v[1]),
                ]
            )
            accel = inverse @ (twist_force - gyration)
            v = v + accel * step
            rows.append(np.concatenate([v, accel, wheel, current, volt, asked]))
    data = np.array(rows)
    n, w = data.shape[0], x.size
    twist, accel = data[:, :3], data[:, 3:6]
    wheel, current, volt, command = (
        data[:, 6 : 6 + w], data[:, 6 + w : 6 + 2 * w], data[:, 6 + 2 * w : 6 + 3 * w],
        data[:, 6 + 3 * w :],
    )  # fmt: skip
    pose = integrate_twist(twist, step)[1:]
    return Drive(
        t=np.arange(n) * step,
        pose=pose,
        twist=twist,
        acceleration=accel,
        wheel_angle=np.cumsum(wheel, axis=0) * step,
        wheel_speed=wheel,
        current=current,
        volt=volt,
        command=command,
    )


def usual_script(speeds: tuple[float, ...] = (0.3, 0.7)) -> list[tuple[float, ...]]:
    """Passes that tell most: rest, four directions at two speeds, turns, hard sideways starts.

    Parameters
    ----------
    speeds : tuple of float
        Speeds of the straight passes. [m/s]

    Returns
    -------
    list of tuple
        Script for `drive`.
    """
    rest = (0.0, 0.0, 0.0, 0.8, 1.0)
    script: list[tuple[float, ...]] = [(0.0, 0.0, 0.0, 3.0, 1.0)]
    for speed in speeds:
        for _ in range(3):
            for direction in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                seconds = 1.5 / speed + speed
                script += [(speed * direction[0], speed * direction[1], 0.0, seconds, 1.0), rest]
    for rate in (1.2, 2.4):
        for sign in (1, -1):
            script += [(0.0, 0.0, sign * rate, 2 * math.pi / rate + 0.8, 1.0), rest]
    for _ in range(4):
        for sign in (1, -1):
            script += [(0.0, sign * 0.7, 0.0, 0.8, 3.0), (0.0, 0.0, 0.0, 0.5, 3.0)]
    return script
