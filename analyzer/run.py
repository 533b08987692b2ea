"""What is analysed: the recording as read, the run on one clock, and its passes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

from analyzer.kinematics import odometry_matrix

if TYPE_CHECKING:
    from analyzer.quantities import Estimate, Finding
    from analyzer.robot import Robot

PassKind = Literal[
    "rest", "ahead", "astern", "left", "right", "diagonal", "turn_left", "turn_right", "mixed"
]
TURNS = ("turn_left", "turn_right")


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnUse:
    """How one column of a file was taken.

    Attributes
    ----------
    column : str
        Name in the file.
    channel : str
        Channel of the project's glossary; "" where the column is not used.
    unit : str
        Unit that the numbers were taken to have.
    why : str
        Reason: robot file, name, suffix, units row, message definition, range of values.
    """

    column: str
    channel: str
    unit: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Columns that share one clock, in SI units and the robot's signs, as read.

    Attributes
    ----------
    name : str
        File name, with the topic for bags.
    t : ndarray, shape (n,)
        Stamps in seconds, float64, as logged (may repeat, jump or run backwards).
        Absolute stamps keep ``epoch`` apart so that float64 resolves them.
    epoch : float
        Seconds to add to `t` for the logged clock's own zero. [s]
    absolute : bool
        True where stamps are those of a wall clock (Unix time, ISO 8601).
    channels : dict of str to ndarray, shape (n,)
        Channel name to float64 values in SI; NaN where a cell was blank. Counts
        stay counts; angles may still be wrapped (alignment unwraps).
    columns : tuple of ColumnUse
        How every column of the file was taken.
    joins : tuple of float
        Stamps at which another take begins, where files were joined. [s]
    extents : dict of str to (float, float)
        Least and largest value of the channels without blanks for which reading worked them out: a
        long channel is not searched twice.
    """

    name: str
    t: np.ndarray
    epoch: float
    absolute: bool
    channels: dict[str, np.ndarray]
    columns: tuple[ColumnUse, ...]
    joins: tuple[float, ...] = ()
    extents: dict[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """All sources logged in one sitting, with what the readers noticed.

    Attributes
    ----------
    paths : tuple of str
        Files read.
    sources : tuple of Source
        One a file, or one a topic.
    findings : tuple of Finding
        What the readers noticed (lost rows, ignored columns, guessed headers).
    """

    paths: tuple[str, ...]
    sources: tuple[Source, ...]
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A recording aligned on one clock and one even grid, SI, robot frame.

    Attributes
    ----------
    robot : Robot
        The robot file it was aligned for.
    t : ndarray, shape (n,)
        Even grid. [s]
    dt : float
        Grid step. [s]
    valid : ndarray of bool, shape (n,)
        False inside gaps and other spans kept out of every fit.
    wheel_angle : ndarray, shape (n, w)
        Angle of each wheel, unwrapped, order of ``robot.wheel_names``. [rad]
    wheel_speed : ndarray, shape (n, w)
        Smoothed derivative of `wheel_angle`. [rad/s]
    gyro_z : ndarray, shape (n,) or None
        Yaw rate less its rest bias, on the wheels' clock. [rad/s]
    gyro_lag : float
        Lag of the gyro behind the wheels that was taken out of `gyro_z`. [s]
    gyro_stuck : ndarray of bool, shape (n,) or None
        Where the gyro did not change while the wheels turned; `gyro_z` holds a stand-in there.
    yaw : ndarray, shape (n,) or None
        Best heading: reference where there is one, else integrated gyro or the IMU's yaw;
        unwrapped, without jumps. [rad]
    yaw_source : str
        "reference", "gyro", "imu yaw" or "" (none).
    reference : ndarray, shape (n, 3) or None
        Reference pose x, y, yaw on the grid; NaN where it is not known. [m, m, rad]
    command : ndarray, shape (n, 3) or None
        Commanded v_x, v_y, omega_z. [m/s, m/s, rad/s]
    target, power, volt, current : ndarray, shape (n, w) or None
        Per wheel target speed [rad/s], duty [-1..1], volts [V], current [A].
    specific_force : ndarray, shape (n, 3) or None
        Accelerometer, robot axes, as mounted. [m/s^2]
    battery : ndarray, shape (n,) or None
        Battery volts. [V]
    findings : tuple of Finding
        Findings of reading and alignment.
    imu : dict of str to Estimate
        gyro_bias_rad_s, gyro_noise_density, gyro_scale, mounting_yaw_deg.
    reversed_wheels : tuple of str
        Wheels whose counts run against the base.
    tracking_path : ndarray, shape (n, m) or None
        Path of each free wheel of ``robot.tracking_wheels``. [m]
    reference_source : str
        "pose", "tracking wheels", "speeds" or "" (none): where `reference` comes from.
    """

    robot: Robot
    t: np.ndarray
    dt: float
    valid: np.ndarray
    wheel_angle: np.ndarray
    wheel_speed: np.ndarray
    gyro_z: np.ndarray | None = None
    gyro_lag: float = 0.0
    gyro_stuck: np.ndarray | None = None
    yaw: np.ndarray | None = None
    yaw_source: str = ""
    reference: np.ndarray | None = None
    command: np.ndarray | None = None
    target: np.ndarray | None = None
    power: np.ndarray | None = None
    volt: np.ndarray | None = None
    current: np.ndarray | None = None
    specific_force: np.ndarray | None = None
    battery: np.ndarray | None = None
    findings: tuple[Finding, ...] = ()
    imu: dict[str, Estimate] = field(default_factory=dict)
    reversed_wheels: tuple[str, ...] = ()
    tracking_path: np.ndarray | None = None
    reference_source: str = ""
    _rolled: np.ndarray | None = field(default=None, init=False, repr=False, compare=False)
    _places: bool | None = field(default=None, init=False, repr=False, compare=False)

    @property
    def rolled(self) -> np.ndarray:
        """Twist that the wheels roll, worked out once; shape (n, 3). [m/s, m/s, rad/s]"""
        if self._rolled is None:
            rows = odometry_matrix(self.robot.matrix) @ self.wheel_speed.T
            object.__setattr__(self, "_rolled", rows.T)
        assert self._rolled is not None
        return self._rolled

    @property
    def places(self) -> bool:
        """Whether the reference tells positions anywhere, worked out once: it may hold a heading alone."""
        if self._places is None:
            found = self.reference is not None and np.isfinite(self.reference[:, :2]).any()
            object.__setattr__(self, "_places", bool(found))
        assert self._places is not None
        return self._places


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """One movement of one kind at about one speed, standstill to standstill.

    Attributes
    ----------
    kind : str
        One of the pass kinds.
    start, stop : int
        Grid indices, half open: rest at `start`, rest again at `stop`.
    cruise_start, cruise_stop : int
        Grid indices of the steady part, half open.
    speed : float
        Median rolled speed of the cruise: m/s, for turns rad/s.
    hard_start : bool
        A short pass with hard acceleration: good for the mass, not for the drift.
    """

    kind: PassKind
    start: int
    stop: int
    cruise_start: int
    cruise_stop: int
    speed: float
    hard_start: bool = False
