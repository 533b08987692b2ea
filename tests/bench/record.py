"""Sensors on a driven base, and the case folder: log, robot file, truth."""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tests.bench.base import GRAVITY, TICK, Array, Base, Faults
from tests.bench.drive import HeadingLoop, Step, Trace, WheelLoop


@dataclass(frozen=True, kw_only=True)
class Sensors:
    """What is logged, and how badly."""

    rate: float = 100.0  # [Hz]
    jitter: float = 5e-4  # [s] standard deviation of a row's time
    current_noise: float = 0.04  # [A]
    current_lag: float = 0.008  # [s] first order
    gyro_bias: float = 0.001  # [rad/s]
    gyro_noise: float = 2e-3  # [rad/s]
    gyro_scale: float = 1.0
    gyro_drift: float = 0.0  # [rad/s^2] rate of change of the bias
    gyro_frozen_from: float | None = None  # share of the recording after which it repeats itself
    accelerometer_bias: tuple[float, float, float] = (0.12, 0.1, 0.04)  # [m/s^2]
    accelerometer_noise: float = 0.02  # [m/s^2]
    imu_delay: float = 0.004  # [s]
    reference_rate: float = 40.0  # [Hz]
    reference_latency: float = 0.03  # [s]
    reference_noise: float = 1.5e-3  # [m]
    reference_yaw_noise: float = 2.7e-3  # [rad]
    currents: bool = True
    volts: bool = True
    reference: bool = True
    gaps: int = 0  # stretches of 0.2 to 1 s without rows


def _first_order(x: Array, lag: float) -> Array:
    """Answer of a first-order lag to samples at `TICK`, along the first axis."""
    if lag <= 0:
        return x
    a = np.exp(-TICK / lag)
    y = np.empty_like(x)
    state = x[0]
    for k in range(len(x)):
        state = a * state + (1 - a) * x[k]
        y[k] = state
    return y


def yaw_of(trace: Trace) -> Array:
    """Heading, unwrapped, shape (n,). [rad]"""
    w, x, y, z = trace.pose[:, 3:7].T
    return np.unwrap(np.arctan2(2 * (w * z + x * y), 1 - 2 * (y * y + z * z)))


def _rotations(trace: Trace) -> Array:
    """Body-to-world rotation matrices, shape (n, 3, 3)."""
    w, x, y, z = trace.pose[:, 3:7].T
    return np.stack(
        [
            np.stack([1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)], -1),
            np.stack([2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)], -1),
            np.stack([2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)], -1),
        ],
        -2,
    )


def specific_force(trace: Trace, base: Base, faults: Faults) -> Array:
    """Specific force at the IMU in the body's axes, shape (n, 3). [m/s^2]"""
    rot = _rotations(trace)
    gx, gy = GRAVITY * np.sin(faults.tilt_x), GRAVITY * np.sin(faults.tilt_y)
    gravity = np.array([-gx, -gy, -np.sqrt(GRAVITY**2 - gx**2 - gy**2)])
    f = np.einsum("nji,nj->ni", rot, trace.acceleration[:, :3] - gravity)
    place = np.array(base.imu) - [0, 0, base.radius]
    omega, alpha = trace.velocity[:, 3:], trace.acceleration[:, 3:]
    return np.asarray(
        f + np.cross(alpha, place[None]) + np.cross(omega, np.cross(omega, place[None]))
    )


def log_table(
    trace: Trace, base: Base, faults: Faults, sensors: Sensors, rng: np.random.Generator
) -> pd.DataFrame:
    """The log as the base would have written it."""
    s, n_wheels = sensors, len(base.wheels)
    end = trace.t[-1]
    t = np.arange(1, int(end * s.rate)) / s.rate
    t = t + np.clip(s.jitter * rng.standard_normal(len(t)), -0.3 / s.rate, 0.3 / s.rate)
    n = len(t)
    held = np.clip(np.floor(t / TICK).astype(int) - 1, 0, len(trace.t) - 1)

    def at(x: Array, delay: float = 0.0) -> Array:
        return np.interp(t - delay, trace.t, x)

    columns: dict[str, Any] = {"t": t}
    for i, name in enumerate(("cmd_vx", "cmd_vy", "cmd_wz")):
        columns[name] = trace.command[held, i].astype(np.float32)
    for i, w in enumerate(base.wheels):
        columns[f"target_{w}"] = trace.target[held, i].astype(np.float32)
    sense = faults.filled(n_wheels).encoder_sense
    assert sense is not None
    for i, w in enumerate(base.wheels):
        turns = at(trace.angle[:, i]) / (2 * np.pi)
        columns[f"enc_{w}"] = np.floor(sense[i] * turns * base.counts_per_turn).astype(np.int32)
    if s.currents:
        seen = _first_order(trace.current.astype(float), s.current_lag)
        for i, w in enumerate(base.wheels):
            noise = s.current_noise * rng.standard_normal(n)
            columns[f"cur_{w}"] = (at(seen[:, i]) + noise).astype(np.float32)

    bias = s.gyro_bias + s.gyro_drift * t
    if s.gyro_drift:
        bias = bias + np.cumsum(rng.standard_normal(n)) * 0.1 * s.gyro_drift * np.sqrt(end / s.rate)
    gyro = s.gyro_scale * at(trace.velocity[:, 5], s.imu_delay) + bias
    gyro = gyro + s.gyro_noise * rng.standard_normal(n)
    if s.gyro_frozen_from is not None:
        k = int(s.gyro_frozen_from * n)
        gyro[k:] = gyro[k]
    columns["gyro_z"] = gyro.astype(np.float32)
    force = _first_order(specific_force(trace, base, faults), 0.004)
    for i, name in enumerate(("acc_x", "acc_y", "acc_z")):
        noise = s.accelerometer_noise * rng.standard_normal(n)
        columns[name] = (at(force[:, i], s.imu_delay) + s.accelerometer_bias[i] + noise).astype(
            np.float32
        )
    # The unit's own heading: its rate less the bias at rest, added up.
    rest = t < 0.9 * _first_motion(trace)
    fused = np.cumsum((gyro - gyro[rest].mean()) * np.diff(t, prepend=0.0))
    fused = np.degrees(fused) + 0.02 * rng.standard_normal(n)
    columns["yaw_fused_deg"] = ((fused + 180) % 360 - 180).astype(np.float32)
    if s.volts:
        for i, w in enumerate(base.wheels):
            columns[f"volt_{w}"] = trace.volts[held, i].astype(np.float32)
    if s.reference:
        fresh = np.diff(np.floor(t * s.reference_rate), prepend=-1.0) > 0
        yaw = np.degrees(yaw_of(trace))
        for name, x, noise in (
            ("ref_x", trace.pose[:, 0], s.reference_noise),
            ("ref_y", trace.pose[:, 1], s.reference_noise),
            ("ref_yaw_deg", yaw, np.degrees(s.reference_yaw_noise)),
        ):
            value = at(x, s.reference_latency) + noise * rng.standard_normal(n)
            if name == "ref_yaw_deg":
                value = (value + 180) % 360 - 180
            columns[name] = np.where(fresh, value, np.nan).astype(np.float32)
    table = pd.DataFrame(columns)
    keep = np.ones(n, bool)
    for _ in range(s.gaps):
        start = rng.uniform(5, max(6.0, end - 5))
        keep &= ~((t > start) & (t < start + rng.uniform(0.2, 1.0)))
    return table[keep].reset_index(drop=True)


def _first_motion(trace: Trace) -> float:
    moving = np.flatnonzero(np.any(trace.command != 0, axis=1))
    return float(trace.t[moving[0]]) if len(moving) else float(trace.t[-1])


def truth_table(trace: Trace, base: Base) -> pd.DataFrame:
    """Pose, twist in the body, wheels and loads at 20 Hz; loads are means over 50 ms."""
    every = round(0.05 / TICK)
    k = np.arange(round(0.01 / TICK) - 1, len(trace.t), every)
    yaw = yaw_of(trace)
    c, s = np.cos(yaw), np.sin(yaw)
    vx, vy = trace.velocity[:, 0], trace.velocity[:, 1]
    columns: dict[str, Any] = {"t": trace.t[k]}
    f32 = np.float32
    columns["x"], columns["y"] = trace.pose[k, 0].astype(f32), trace.pose[k, 1].astype(f32)
    columns["yaw"] = yaw[k].astype(f32)
    columns["vx"] = (c * vx + s * vy)[k].astype(f32)
    columns["vy"] = (-s * vx + c * vy)[k].astype(f32)
    columns["wz"] = trace.velocity[k, 5].astype(f32)
    for i, w in enumerate(base.wheels):
        columns[f"w_{w}"] = trace.speed[k, i].astype(f32)
    for i, w in enumerate(base.wheels):
        columns[f"ang_{w}"] = trace.angle[k, i].astype(f32)
    total = np.vstack([np.zeros(len(base.wheels)), np.cumsum(trace.load, axis=0, dtype=float)])
    low, high = np.maximum(k - every // 2, 0), np.minimum(k + every // 2 + 1, len(trace.t))
    mean = (total[high] - total[low]) / (high - low)[:, None]
    for i, w in enumerate(base.wheels):
        columns[f"N_{w}"] = mean[:, i].astype(f32)
    columns["z"] = trace.pose[k, 2].astype(f32)
    columns["seg"] = trace.segment[k]
    return pd.DataFrame(columns)


@dataclass(frozen=True, kw_only=True)
class RobotFile:
    """What the owner wrote down."""

    rollers: bool = False
    yaw_inertia: float | None = None  # [kg m^2]
    loop_hz: float | None = None
    motor: bool = True
    torque_constant_share: float | None = None


def robot_toml(base: Base, loop: WheelLoop, sensors: Sensors, file: RobotFile) -> str:
    """The robot file: nominal values, no fault in it."""
    mode = "power" if loop.kind == "power" else "wheel_speed"
    lines = ["[robot]", f'name = "made-up bench base {base.name}"', f"mass_kg = {base.mass:.3f}"]
    if file.yaw_inertia is not None:
        lines.append(f"yaw_inertia_kgm2 = {file.yaw_inertia:.3f}")
    lines += [f"centre_height_m = {base.centre_height}", f'drive_mode = "{mode}"']
    if file.loop_hz is not None:
        lines.append(f"loop_hz = {file.loop_hz:g}")
    for i, w in enumerate(base.wheels):
        lines += [
            "", f"[wheels.{w}]", f"x_m = {base.x[i]}", f"y_m = {base.y[i]}",
            f"radius_m = {base.radius}", f"roller_angle_deg = {45 * int(base.lean[i])}",
            f"counts_per_turn = {base.counts_per_turn}",
        ]  # fmt: skip
        if file.rollers:
            lines.append(f"rollers = {base.rollers}")
        if file.motor:
            lines += [
                f"[wheels.{w}.motor]",
                f"torque_per_ampere = {base.motor.torque_per_ampere}",
                f"volts_per_rad_s = {base.motor.volts_per_rad_s}",
                f"resistance_ohm = {base.motor.resistance}",
            ]
    lines += ["", "[imu]"] + [f"{a}_m = {v}" for a, v in zip("xyz", base.imu, strict=True)]
    reach = round(0.85 * max(base.x), 3)
    lines += [
        "", "[[mass]]", 'name = "battery"', f"mass_kg = {round(0.09 * base.mass, 2)}",
        f"x_m = {round(-0.6 * max(base.x), 3)}", "y_m = 0.0",
        f"x_range_m = [{-reach}, {reach}]", "y_range_m = [-0.06, 0.06]", "",
    ]  # fmt: skip
    if file.torque_constant_share is not None:
        lines += ["[tolerance]", f"torque_constant_share = {file.torque_constant_share}", ""]
    lines.append("[channels]")

    def channel(column: str, name: str, unit: str) -> None:
        lines.append(f'"{column}" = {{ channel = "{name}", unit = "{unit}" }}')

    channel("cmd_vx", "cmd_v_x", "m/s")
    channel("cmd_vy", "cmd_v_y", "m/s")
    channel("cmd_wz", "cmd_omega_z", "rad/s")
    channel("gyro_z", "omega_z", "rad/s")
    for a in "xyz":
        channel(f"acc_{a}", f"f_{a}", "m/s^2")
    channel("yaw_fused_deg", "yaw", "deg")
    if sensors.reference:
        channel("ref_x", "ref_x", "m")
        channel("ref_y", "ref_y", "m")
        channel("ref_yaw_deg", "ref_yaw", "deg")
    for w in base.wheels:
        channel(f"enc_{w}", f"count_{w}", "count")
        if sensors.currents:
            channel(f"cur_{w}", f"current_{w}", "A")
        if sensors.volts:
            channel(f"volt_{w}", f"volt_{w}", "V")
        channel(f"target_{w}", f"target_{w}", "rad/s")
    return "\n".join(lines) + "\n"


def yaw_inertia(base: Base, faults: Faults) -> float:
    """Yaw inertia of the whole base about its centre of mass. [kg m^2]"""
    wheel = base.hub_mass + base.rollers * base.roller_mass
    d2 = (np.array(base.x) - faults.cg_dx) ** 2 + (np.array(base.y) - faults.cg_dy) ** 2
    # The chassis's own centre lies further off than that of the whole.
    k = base.mass / base.chassis_mass - 1
    own = base.chassis_mass * k**2 * (faults.cg_dx**2 + faults.cg_dy**2)
    spin = len(base.wheels) * wheel * (0.4 * base.radius**2)
    return float(base.chassis_izz + own + wheel * d2.sum() + spin)


def truth_dict(
    base: Base,
    faults: Faults,
    loop: WheelLoop,
    sensors: Sensors,
    script: list[Step],
    causes: list[dict[str, Any]],
    heading: HeadingLoop | None,
    extra: dict[str, Any],
) -> dict[str, Any]:
    """Everything the analysis must not know."""
    f = faults.filled(len(base.wheels))

    def plain(x: Array | None) -> list[float]:
        assert x is not None
        return [float(v) for v in x]

    controller = {"power": "voltage", "stiff": "servo", "soft": "servo_soft"}[loop.kind]
    return {
        "cg_dx": f.cg_dx,
        "cg_dy": f.cg_dy,
        "radius_scale": plain(f.radius_scale),
        "motor_strength": plain(f.motor_strength),
        "torque_gain": plain(f.torque_gain),
        "axle_friction": plain(f.axle_friction),
        "roller_drag": plain(f.roller_drag),
        "handed": [int(v) for v in plain(f.handed)],
        "motor_sense": [int(v) for v in plain(f.motor_sense)],
        "encoder_sense": [int(v) for v in plain(f.encoder_sense)],
        "mu": f.mu,
        "tilt_x": f.tilt_x,
        "tilt_y": f.tilt_y,
        "controller": controller,
        "chassis_izz": base.chassis_izz,
        "yaw_inertia": yaw_inertia(base, faults),
        "heading_hold": asdict(heading) if heading else None,
        "script": [list(s) for s in script],
        "mass_kg": base.mass,
        "causes": causes,
        "base": base.name,
        "wheels": list(base.wheels),
        "rollers": base.rollers,
        "contact": asdict(base.contact),
        "sensors": asdict(sensors),
        **extra,
    }


def write_case(
    folder: Path, log: pd.DataFrame, robot: str, truth: dict[str, Any], table: pd.DataFrame
) -> None:
    """Write a case folder under a temporary name, then rename it."""
    temporary = folder.with_name(f".{folder.name}.{os.getpid()}")
    shutil.rmtree(temporary, ignore_errors=True)
    temporary.mkdir(parents=True)
    log.to_parquet(temporary / "log.parquet", compression="zstd", index=False)
    table.to_parquet(temporary / "truth.parquet", compression="zstd", index=False)
    (temporary / "robot.toml").write_text(robot)
    (temporary / "truth.json").write_text(json.dumps(truth, indent=1))
    shutil.rmtree(folder, ignore_errors=True)
    temporary.rename(folder)
