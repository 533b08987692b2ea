"""The robot file: what the base is made of, validated with every fault told at once."""

from __future__ import annotations

import difflib
import json
import math
import re
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from analyzer.kinematics import missing_freedoms, rolling_matrix
from analyzer.quantities import RobotFileError
from analyzer.stability import height_error, height_from_lift


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _of_a_size(cls, value: object) -> object:
        # Compared as it stands: a whole number of a hundred digits is no float.
        if (
            isinstance(value, (int, float))
            and 0 < abs(value) < math.inf
            and not 1e-9 <= abs(value) <= 1e12
        ):
            raise ValueError("no quantity of a robot has this size; allowed are 1e-9 to 1e12")
        return value


class ChannelSpec(_Table):
    """What the user says of one column: channel, unit and sign."""

    channel: str
    unit: str | None = None
    sign: Literal[-1, 1] = 1


class MotorSpec(_Table):
    """Motor constants at the wheel shaft."""

    torque_per_ampere: float = Field(gt=0)
    volts_per_rad_s: float = Field(gt=0)
    resistance_ohm: float = Field(gt=0)


class WheelSpec(_Table):
    """One wheel."""

    x_m: float
    y_m: float
    radius_m: float = Field(gt=0, le=2)
    roller_angle_deg: float = Field(gt=-85, lt=85)
    counts_per_turn: float | None = Field(default=None, gt=0)
    rollers: int | None = Field(default=None, ge=3, le=60)
    heading_deg: float = Field(default=0.0, ge=-360, le=360)
    motor: MotorSpec | None = None


class ImuSpec(_Table):
    """Place and mounting of the inertial sensor."""

    x_m: float = 0.0
    y_m: float = 0.0
    z_m: float = 0.0
    roll_deg: float = 0.0
    pitch_deg: float = 0.0
    yaw_deg: float = 0.0


class MovableMass(_Table):
    """A thing on the base that can be moved."""

    name: str
    mass_kg: float = Field(gt=0)
    x_m: float
    y_m: float
    x_range_m: tuple[float, float] | None = None
    y_range_m: tuple[float, float] | None = None

    @field_validator("x_range_m", "y_range_m")
    @classmethod
    def _ordered(cls, value: tuple[float, float] | None) -> tuple[float, float] | None:
        if value is not None and value[0] > value[1]:
            msg = "the first end must not be above the second"
            raise ValueError(msg)
        return value


class Tolerance(_Table):
    """What still counts as sound: about nineteen in twenty sound bases lie within.

    Defaults are twice the spread that the physics bench gives its sound bases (DEVELOPERS.md);
    `yaw_drift_deg_per_m` is what a driver notices, and those after it are for before against after:
    smaller changes make no difference in use (common practice, no source).
    """

    centre_of_mass_m: float | None = Field(default=None, gt=0)
    """Default: 3 % of the mean distance of the wheels from their middle."""
    roller_drag_share: float = Field(default=0.45, gt=0)
    axle_drag_share: float = Field(default=0.35, gt=0)
    roller_drag_over_load: float = Field(default=0.093, gt=0)
    """Drag of sound rollers along their rolling direction, over wheel load: a tenth more than the
    largest of the bench's sound bases. Set it from a recording of your own base when it was sound."""
    relative_radius: float = Field(default=0.002, gt=0)
    motor_resistance_share: float = Field(default=0.08, gt=0)
    torque_constant_share: float = Field(default=0.02, gt=0)
    """How far `torque_per_ampere` may differ between motors; set it to twice the spread you know of,
    0.08 for motors of mixed make that differ by 4 %."""
    yaw_drift_deg_per_m: float = Field(default=1.0, gt=0)
    closure_mm_per_m: float = Field(default=5.0, gt=0)
    creep_mm_per_m: float = Field(default=5.0, gt=0)
    sideways_ratio: float = Field(default=0.01, gt=0)
    slip_ratio: float = Field(default=0.01, gt=0)
    current_share: float = Field(default=0.1, gt=0)


class CornerScales(_Table):
    """Load on each wheel from scales, base standing level. [kg]"""

    loads_kg: dict[str, float]
    load_error_kg: float = Field(default=0.05, gt=0)


class Tilt(_Table):
    """Axle lift for the height of the centre of mass (form of ISO 10392).

    One axle is raised, the load on the axle that stays down is read. `level_load_kg`, its load
    with the base level, comes from ``[scales]`` where it is left out.
    """

    raised: Literal["front", "rear", "left", "right"]
    lift_m: float = Field(gt=0)
    load_kg: float = Field(gt=0)
    level_load_kg: float | None = Field(default=None, gt=0)
    load_error_kg: float = Field(default=0.05, gt=0)
    lift_error_m: float = Field(default=0.002, gt=0)


class TrackingWheelSpec(_Table):
    """A free wheel that only measures: it tells the path along its direction, at its place."""

    name: str = Field(min_length=1)
    x_m: float
    y_m: float
    heading_deg: float = Field(ge=-360, le=360)
    radius_m: float = Field(gt=0, le=2)
    counts_per_turn: float = Field(gt=0)


class LogSpec(_Table):
    """How the base logs: what the files themselves do not say."""

    rate_hz: float | None = Field(default=None, gt=0, le=100_000)
    stamp: Literal["header", "received"] | None = None


class RobotSpec(_Table):
    """The ``[robot]`` table."""

    name: str
    mass_kg: float = Field(gt=0)
    yaw_inertia_kgm2: float | None = Field(default=None, gt=0)
    centre_height_m: float | None = Field(default=None, gt=0)
    drive_mode: Literal["power", "wheel_speed"]
    loop_hz: float | None = Field(default=None, gt=0)
    heading_delay_s: float | None = Field(default=None, ge=0)


class RobotFile(_Table):
    """The whole robot file."""

    robot: RobotSpec
    wheels: dict[str, WheelSpec] = Field(min_length=3)
    imu: ImuSpec = ImuSpec()
    mass: tuple[MovableMass, ...] = ()
    tolerance: Tolerance = Tolerance()
    scales: CornerScales | None = None
    tilt: Tilt | None = None
    channels: dict[str, ChannelSpec] = {}
    log: LogSpec = LogSpec()
    tracking_wheel: tuple[TrackingWheelSpec, ...] = ()

    @field_validator("channels", mode="before")
    @classmethod
    def _short_form(cls, value: Any) -> Any:
        if isinstance(value, dict):
            return {k: {"channel": v} if isinstance(v, str) else v for k, v in value.items()}
        return value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Robot:
    """A base as the analysis uses it: SI, radians, arrays in the order of `wheel_names`.

    Attributes are those of the robot file; numbers that it lacks are None, or NaN in arrays
    (`rollers`: 0). `centre_height_m` comes from ``[tilt]`` where that is given, then with a
    standard error.
    """

    path: str
    name: str
    mass_kg: float
    yaw_inertia_kgm2: float | None
    centre_height_m: float | None
    centre_height_error_m: float | None
    drive_mode: Literal["power", "wheel_speed"]
    loop_hz: float | None
    heading_delay: float | None
    wheel_names: tuple[str, ...]
    x: np.ndarray
    y: np.ndarray
    heading: np.ndarray
    roller_angle: np.ndarray
    radius: np.ndarray
    counts_per_turn: np.ndarray
    rollers: np.ndarray
    torque_per_ampere: np.ndarray
    volts_per_rad_s: np.ndarray
    resistance_ohm: np.ndarray
    imu_position: np.ndarray
    imu_rpy: np.ndarray
    masses: tuple[MovableMass, ...]
    tolerance: Tolerance
    scale_loads_kg: np.ndarray | None
    scale_error_kg: float
    channels: dict[str, ChannelSpec]
    log: LogSpec = field(default_factory=LogSpec)
    tracking_wheels: tuple[TrackingWheelSpec, ...] = ()

    @property
    def matrix(self) -> np.ndarray:
        """Rolling matrix, shape (w, 3)."""
        return rolling_matrix(self.x, self.y, self.heading, self.roller_angle, self.radius)

    @property
    def has_motor(self) -> bool:
        """Whether every wheel's motor constants are known."""
        return bool(np.all(np.isfinite(self.torque_per_ampere)))

    @property
    def size(self) -> float:
        """Mean distance of the wheels from the origin. [m]"""
        return float(np.mean(np.hypot(self.x, self.y)))

    @property
    def coarsest_count(self) -> float:
        """Angle of one count of the coarsest encoder, 0 where no wheel is counted. [rad]"""
        counted = np.isfinite(self.counts_per_turn).any()
        return float(np.nanmax(2 * np.pi / self.counts_per_turn)) if counted else 0.0

    @property
    def centre_tolerance(self) -> float:
        """How far off the middle the centre of mass of a sound base may lie. [m]"""
        given = self.tolerance.centre_of_mass_m
        return 0.03 * self.size if given is None else given

    def wheel_index(self, name: str) -> int:
        """Position of a wheel in every per-wheel array.

        Parameters
        ----------
        name : str
            Wheel name of the robot file.

        Returns
        -------
        int
            Index; ValueError where there is no such wheel.
        """
        return self.wheel_names.index(name)


def _describe(error: dict[str, Any], data: dict[str, Any]) -> str:
    parts = [str(p) for p in error["loc"]]
    key = ".".join(parts)
    found = error.get("input")
    if error["type"] == "extra_forbidden":
        model: Any = RobotFile
        for part in parts[:-1]:
            model = {
                "robot": RobotSpec,
                "wheels": WheelSpec,
                "imu": ImuSpec,
                "mass": MovableMass,
                "tolerance": Tolerance,
                "motor": MotorSpec,
                "scales": CornerScales,
                "tilt": Tilt,
                "channels": ChannelSpec,
                "log": LogSpec,
                "tracking_wheel": TrackingWheelSpec,
            }.get(part, model)
        known = list(getattr(model, "model_fields", {}))
        near = difflib.get_close_matches(parts[-1], known, n=1)
        hint = f"; did you mean {near[0]}?" if near else f"; allowed are {', '.join(known)}"
        return f"{key}: unknown key{hint}"
    if error["type"] == "missing":
        return f"{key}: missing; add it"
    text = error["msg"].removeprefix("Value error, ")
    text = text.replace("Input should be", "must be")
    if key == "wheels" and error["type"] == "too_short":
        return f"wheels: found {len(data.get('wheels', {}))}; a base needs three or more"
    shown = repr(found)
    return f"{key}: found {shown if len(shown) < 60 else shown[:57] + '...'}; {text}"


def _tilt_height(
    file: RobotFile, tilt: Tilt, places: np.ndarray, scales: np.ndarray | None
) -> tuple[float | None, float | None, str]:
    """Height of the centre of mass from the axle lift, its error, and what is at fault."""
    if file.robot.centre_height_m is not None:
        return None, None, "tilt: robot.centre_height_m is given too; keep one of them"
    axis, sign = {"front": (0, 1), "rear": (0, -1), "left": (1, 1), "right": (1, -1)}[tilt.raised]
    along = sign * places[:, axis]
    down = along < 0
    if not down.any() or down.all() or np.ptp(along[down]) > 1e-6 or np.ptp(along[~down]) > 1e-6:
        return (
            None,
            None,
            f"tilt: raised = {tilt.raised!r} needs two axles; these wheels stand otherwise. Give "
            "robot.centre_height_m instead",
        )
    base = float(along[~down].mean() - along[down].mean())
    level = tilt.level_load_kg
    if level is None and scales is not None:
        level = float(scales[down].sum())
    if level is None:
        return (
            None,
            None,
            "tilt.level_load_kg: missing; add it, or the corner loads as [scales] loads_kg",
        )
    if tilt.lift_m >= base:
        return (
            None,
            None,
            f"tilt.lift_m: found {tilt.lift_m}; must be less than the distance of the axles, "
            f"{base:.3f} m",
        )
    weight = file.robot.mass_kg if scales is None else float(scales.sum())
    radius = float(np.mean([w.radius_m for w in file.wheels.values()]))
    height = height_from_lift(base, level, tilt.load_kg, weight, tilt.lift_m, radius)
    error = height_error(
        base, tilt.load_error_kg, weight, tilt.lift_m, tilt.lift_error_m, height - radius
    )
    if height <= 0:
        return (
            None,
            None,
            f"tilt: loads {level} level and {tilt.load_kg} kg raised put the centre of mass "
            f"{height:.3f} m above the floor; raising one axle must load the other more, if the "
            "centre lies above the axles. Read the scales again",
        )
    return height, error, ""


def parse_robot(text: str, path: str) -> Robot:
    """Build a robot from the text of a robot file.

    Parameters
    ----------
    text : str
        TOML text.
    path : str
        File name for messages.

    Returns
    -------
    Robot
        The validated robot.

    Raises
    ------
    RobotFileError
        Naming every key at fault, what was found and what is allowed; also where the wheels
        cannot move the base in all three freedoms.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        msg = f"{path}: not readable as TOML: {error}. Mend that line."
        raise RobotFileError(msg) from None
    except (RecursionError, ValueError, OverflowError) as error:
        msg = f"{path}: not readable as TOML: {type(error).__name__}: {str(error)[:80]}. Mend the file."
        raise RobotFileError(msg) from None
    try:
        file = RobotFile.model_validate(data)
    except ValidationError as error:
        faults = [_describe(dict(e), data) for e in error.errors(include_url=False)]
        msg = f"{path}: {len(faults)} fault(s) in the robot file:\n  " + "\n  ".join(faults)
        raise RobotFileError(msg) from None
    faults = []
    names = tuple(file.wheels)
    wheels = [file.wheels[n] for n in names]
    for channel in file.channels.items():
        if not channel[1].channel:
            faults.append(f"channels.{channel[0]!r}: empty channel name")
    free = [w.name for w in file.tracking_wheel]
    for name in sorted({n for n in free if free.count(n) > 1 or n in names}):
        faults.append(f"tracking_wheel {name!r}: the name stands twice; give each wheel its own")
    if len(free) == 1:
        faults.append("tracking_wheel: one wheel gives no path; two with a gyro, or three, do")
    places = np.array([[w.x_m, w.y_m] for w in wheels])
    for i in range(len(names)):
        for j in range(i):
            if np.hypot(*(places[i] - places[j])) < 1e-6:
                faults.append(f"wheels.{names[j]} and wheels.{names[i]}: same place {places[i]}")
    motors = [w.motor is not None for w in wheels]
    if any(motors) and not all(motors):
        bare = ", ".join(n for n, m in zip(names, motors, strict=True) if not m)
        faults.append(f"wheels: motor given for some wheels only; add it for {bare} or drop it")
    scales = None
    if file.scales is not None:
        if set(file.scales.loads_kg) != set(names):
            faults.append(
                f"scales.loads_kg: found {sorted(file.scales.loads_kg)}; needs one load for "
                f"each of {', '.join(names)}"
            )
        elif min(file.scales.loads_kg.values()) < 0 or not any(file.scales.loads_kg.values()):
            faults.append("scales.loads_kg: loads must not be below zero, and not all zero")
        else:
            scales = np.array([file.scales.loads_kg[n] for n in names])
            if abs(scales.sum() / file.robot.mass_kg - 1) > 0.1:
                faults.append(
                    f"scales.loads_kg: they sum to {scales.sum():.2f} kg, robot.mass_kg is "
                    f"{file.robot.mass_kg:.2f}; weigh again or mend the mass"
                )
    height, height_sd = file.robot.centre_height_m, None
    if file.tilt is not None and not faults:
        height, height_sd, fault = _tilt_height(file, file.tilt, places, scales)
        faults += [fault] if fault else []

    def column(pick: Any) -> np.ndarray:
        return np.array([np.nan if pick(w) is None else float(pick(w)) for w in wheels])

    def motor(name: str) -> np.ndarray:
        return column(lambda w: None if w.motor is None else getattr(w.motor, name))

    robot = Robot(
        path=path,
        name=file.robot.name,
        mass_kg=file.robot.mass_kg,
        yaw_inertia_kgm2=file.robot.yaw_inertia_kgm2,
        centre_height_m=height,
        centre_height_error_m=height_sd,
        drive_mode=file.robot.drive_mode,
        loop_hz=file.robot.loop_hz,
        heading_delay=file.robot.heading_delay_s,
        wheel_names=names,
        x=column(lambda w: w.x_m),
        y=column(lambda w: w.y_m),
        heading=np.radians(column(lambda w: w.heading_deg)),
        roller_angle=np.radians(column(lambda w: w.roller_angle_deg)),
        radius=column(lambda w: w.radius_m),
        counts_per_turn=column(lambda w: w.counts_per_turn),
        rollers=np.array([w.rollers or 0 for w in wheels]),
        torque_per_ampere=motor("torque_per_ampere"),
        volts_per_rad_s=motor("volts_per_rad_s"),
        resistance_ohm=motor("resistance_ohm"),
        imu_position=np.array([file.imu.x_m, file.imu.y_m, file.imu.z_m]),
        imu_rpy=np.radians([file.imu.roll_deg, file.imu.pitch_deg, file.imu.yaw_deg]),
        masses=file.mass,
        tolerance=file.tolerance,
        scale_loads_kg=scales,
        scale_error_kg=file.scales.load_error_kg if file.scales else 0.05,
        channels=file.channels,
        log=file.log,
        tracking_wheels=file.tracking_wheel,
    )
    if not faults:
        missing = missing_freedoms(robot.matrix, robot.size)
        if missing:
            faults.append(
                f"wheels: these wheels cannot drive {' or '.join(missing)}: the rows of "
                "roller_angle_deg, x_m and y_m are not independent. Seen from above the rollers "
                "of a right base show an X; check the signs of roller_angle_deg "
                "(FL -45, FR 45, RL 45, RR -45)"
            )
    if faults:
        msg = f"{path}: {len(faults)} fault(s) in the robot file:\n  " + "\n  ".join(faults)
        raise RobotFileError(msg)
    return robot


def robot_text(data: dict[str, Any]) -> str:
    """Write a robot file's content as TOML.

    Parameters
    ----------
    data : dict
        Tables, lists of tables, numbers, texts and lists of numbers, as `tomllib` reads them.

    Returns
    -------
    str
        TOML text that reads back as `data`.
    """

    def quoted(text: str) -> str:
        # A JSON string is a TOML string but for the one control character that JSON lets pass.
        return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")

    def value(item: Any) -> str:
        if isinstance(item, bool):
            return "true" if item else "false"
        if isinstance(item, str):
            return quoted(item)
        if isinstance(item, (list, tuple)):
            return "[" + ", ".join(map(value, item)) + "]"
        if isinstance(item, dict):
            return "{" + ", ".join(f"{quoted(k)} = {value(v)}" for k, v in item.items()) + "}"
        return repr(item)

    def key_of(text: str) -> str:
        return text if re.fullmatch(r"[A-Za-z0-9_-]+", text) else quoted(text)

    lines: list[str] = []

    def table(name: str, items: dict[str, Any], head: str) -> None:
        plain = {k: v for k, v in items.items() if not _is_table(v)}
        if head and (plain or not items or head.startswith("[[")):
            lines.extend(["", head])
        lines.extend(f"{key_of(k)} = {value(v)}" for k, v in plain.items())
        for key, item in items.items():
            path = f"{name}.{key_of(key)}" if name else key_of(key)
            if isinstance(item, dict):
                table(path, item, f"[{path}]")
            elif key not in plain:
                for entry in item:
                    table(path, entry, f"[[{path}]]")

    table("", data, "")
    return "\n".join(lines).lstrip("\n") + "\n"


def _is_table(item: Any) -> bool:
    if isinstance(item, dict):
        return True
    return isinstance(item, (list, tuple)) and bool(item) and isinstance(item[0], dict)


def load_robot(path: str | Path) -> Robot:
    """Read and validate a robot file.

    Parameters
    ----------
    path : str or Path
        TOML file.

    Returns
    -------
    Robot
        The validated robot.

    Raises
    ------
    RobotFileError
        Where the file is missing, unreadable or at fault; every fault is named at once.
    """
    file = Path(path)
    try:
        text = file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        msg = f"{path}: not a text file; a robot file is TOML in UTF-8"
        raise RobotFileError(msg) from None
    except OSError as error:
        msg = f"{path}: cannot read the robot file: {error.strerror}. Check --robot."
        raise RobotFileError(msg) from None
    return parse_robot(text, str(path))
