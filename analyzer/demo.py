"""Write the made-up sample recordings: the book cart of a library that does not exist."""

from __future__ import annotations

import datetime as dt
import json
import math
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from analyzer.quantities import CrabwiseError
from analyzer.robot import parse_robot
from analyzer.simulate import Drive, Truth, drive, usual_script

ROBOT = """# Made up: a library's book cart on four mecanum wheels. No such cart exists.
[robot]
name = "book cart (made up)"
mass_kg = 15.0
centre_height_m = 0.12
drive_mode = "power"
loop_hz = 50

{wheels}
[imu]
x_m = 0.03
z_m = 0.08

[[mass]]
name = "battery"
mass_kg = 2.4
x_m = -0.10
y_m = 0.0
x_range_m = [-0.18, 0.18]
y_range_m = [-0.06, 0.06]
"""
WHEEL = """[wheels.{name}]
x_m = {x}
y_m = {y}
radius_m = 0.05
roller_angle_deg = {angle}
counts_per_turn = 1440
rollers = 10
[wheels.{name}.motor]
torque_per_ampere = 0.30
volts_per_rad_s = 0.30
resistance_ohm = 1.2
"""
NOTES = """# Sample recordings (made up)

The scenario is made up: a library's book cart on four mecanum wheels. No such cart exists. All
files come from `crabwise demo`, which simulates a planar base with known faults.

| recording | what is so |
| --- | --- |
| book_cart_before | rollers of FL drag three and a half times as much as the others; one CSV file |
| book_cart_after | the same cart after the rollers of FL were serviced; one CSV file |
| book_cart_three_clocks | battery far aft (centre of mass 30 mm aft); three files with three clocks |
| book_cart_sound.parquet | nothing at fault |
"""
NAMES = ("FL", "FR", "RL", "RR")


def robot_text() -> str:
    """Text of the sample robot file.

    Returns
    -------
    str
        TOML.
    """
    places = ((0.20, 0.18, -45), (0.20, -0.18, 45), (-0.20, 0.18, 45), (-0.20, -0.18, -45))
    wheels = "".join(
        WHEEL.format(name=n, x=x, y=y, angle=a) for n, (x, y, a) in zip(NAMES, places, strict=True)
    )
    return ROBOT.format(wheels=wheels)


def sensed(motion: Drive, rng: np.random.Generator, rate: float) -> dict[str, np.ndarray]:
    """Columns that the cart's logger would write.

    Parameters
    ----------
    motion : Drive
        The simulated drive.
    rng : Generator
        Source of the sensor noise.
    rate : float
        Rate of the log. [Hz]

    Returns
    -------
    dict of str to ndarray
        Column name to values.
    """
    stride = round(1 / (rate * (motion.t[1] - motion.t[0])))
    pick = slice(None, None, stride)
    n = motion.t[pick].size
    out = {"time_s": motion.t[pick].round(4)}
    for k, axis in enumerate(("cmd_vx_m_s", "cmd_vy_m_s", "cmd_wz_rad_s")):
        out[axis] = motion.command[pick, k].round(4)
    for k, name in enumerate(NAMES):
        low = name.lower()
        counts = np.floor(motion.wheel_angle[pick, k] * 1440 / (2 * math.pi))
        out[f"{low}_ticks"] = counts.astype(np.int64)
        out[f"{low}_current_a"] = (motion.current[pick, k] + rng.normal(0, 0.03, n)).round(3)
        out[f"{low}_volts_v"] = motion.volt[pick, k].round(3)
    yaw_rate = motion.twist[pick, 2]
    out["gyro_z_dps"] = np.degrees(yaw_rate + 0.004 + rng.normal(0, 0.003, n)).round(3)
    a = motion.acceleration[pick]
    v = motion.twist[pick]
    for k, axis in enumerate("xy"):
        centripetal = (-v[:, 1], v[:, 0])[k] * v[:, 2]
        out[f"accel_{axis}_g"] = ((a[:, k] + centripetal + rng.normal(0, 0.05, n)) / 9.80665).round(
            4
        )
    out["accel_z_g"] = (1 + rng.normal(0, 0.005, n)).round(4)
    out["mocap_x_m"] = (motion.pose[pick, 0] + rng.normal(0, 0.001, n)).round(4)
    out["mocap_y_m"] = (motion.pose[pick, 1] + rng.normal(0, 0.001, n)).round(4)
    wrapped = np.degrees(motion.pose[pick, 2] + rng.normal(0, 0.002, n))
    out["mocap_yaw_deg"] = ((wrapped + 180) % 360 - 180).round(3)
    return out


def _csv(columns: dict[str, np.ndarray], delimiter: str = ",") -> str:
    lines = [delimiter.join(columns)]
    lines += [
        delimiter.join(str(c) for c in row)
        for row in zip(*(v.tolist() for v in columns.values()), strict=True)
    ]
    return "\n".join(lines) + "\n"


def write_demo(directory: str | Path) -> list[Path]:
    """Write the sample recordings.

    Parameters
    ----------
    directory : str or Path
        Folder; made where it is missing. Files of the same names are written anew.

    Returns
    -------
    list of Path
        Files written.

    Raises
    ------
    CrabwiseError
        Where the folder cannot be made or written.
    """
    from analyzer.pipeline import write_atomically

    out = Path(directory)
    robot = parse_robot(robot_text(), "book_cart.toml")
    written: list[Path] = []
    folders = ("book_cart_before", "book_cart_after", "book_cart_three_clocks")
    try:
        for name in folders:
            (out / name).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        msg = f"{out}: cannot make the folder: {error.strerror}. Give another place."
        raise CrabwiseError(msg) from None

    def text(name: str, content: str) -> None:
        write_atomically(out / name, content)
        written.append(out / name)

    text("NOTES.md", NOTES)
    text("book_cart.toml", robot_text())
    stiff = Truth(roller_drag=np.array([3.5, 1, 1, 1]), c_x=-0.004)
    serviced = Truth(roller_drag=np.array([1.1, 1, 1, 1]), c_x=-0.004)
    aft = Truth(c_x=-0.030)
    for folder, truth, seed in (
        ("book_cart_before", stiff, 1),
        ("book_cart_after", serviced, 2),
    ):
        motion = drive(robot, truth, usual_script(), 0.005)  # type: ignore[arg-type]
        text(f"{folder}/drive.csv", _csv(sensed(motion, np.random.default_rng(seed), 50)))
    motion = drive(robot, aft, usual_script(), 0.005)  # type: ignore[arg-type]
    columns = sensed(motion, np.random.default_rng(3), 50)
    wheels = {"time_ms": (columns["time_s"] * 1e3 + 5000).round(1)}
    wheels |= {k: v for k, v in columns.items() if "ticks" in k or "_a" in k[-2:] or "volts" in k}
    wheels |= {k: v for k, v in columns.items() if k.startswith("cmd")}
    wheels = {k: v for k, v in wheels.items() if not k.startswith("mocap")}
    text("book_cart_three_clocks/wheels.csv", _csv(wheels))
    start = 12.0
    rows = [
        json.dumps({"stamp_us": round((t + start) * 1e6), "gyro_z_dps": g})
        for t, g in zip(columns["time_s"].tolist(), columns["gyro_z_dps"].tolist(), strict=True)
    ]
    text("book_cart_three_clocks/imu.jsonl", "\n".join(rows) + "\n")
    zero = dt.datetime(2026, 5, 4, 10, 0, 0, tzinfo=dt.UTC)
    pose = {
        "stamp": np.array(
            [
                (zero + dt.timedelta(seconds=t)).isoformat(timespec="milliseconds")
                for t in columns["time_s"][::2].tolist()
            ]
        ),
        "mocap_x_m": columns["mocap_x_m"][::2],
        "mocap_y_m": columns["mocap_y_m"][::2],
        "mocap_yaw_deg": columns["mocap_yaw_deg"][::2],
    }
    text("book_cart_three_clocks/pose.txt", _csv(pose, ";"))
    motion = drive(robot, Truth(), usual_script(), 0.005)  # type: ignore[arg-type]
    table = pa.table(sensed(motion, np.random.default_rng(4), 50))
    target = out / "book_cart_sound.parquet"
    part = out / ".book_cart_sound.parquet"
    parquet.write_table(table, part, compression="zstd")
    part.replace(target)
    written.append(target)
    return written
