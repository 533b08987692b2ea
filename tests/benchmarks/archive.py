"""A made-up archive: carts of one make, some of them wearing, in folders by robot."""

from __future__ import annotations

import datetime as dt
import functools
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from analyzer.demo import robot_text, sensed
from analyzer.robot import parse_robot
from analyzer.simulate import Drive, Truth, drive, usual_script

RATE = 50.0
LONG_RATE = 100.0
"""Logging rates of short and of three-minute recordings. [Hz]"""
WEAR = (1.0, 2.2, 2.8, 3.4, 4.0)
"""Factor on the drag of the rollers of FL, as a wearing cart goes through."""
MORE = [
    (0.0, 0.3, 0.0, 6.0, 1.0), (0.0, 0.0, 0.0, 1.0, 1.0),
    (0.0, -0.3, 0.0, 6.0, 1.0), (0.0, 0.0, 0.0, 1.0, 1.0),
] * 2  # fmt: skip
"""Passes that make the usual sitting of 152 s one of three minutes."""


@functools.cache
def motion_of(kind: str, short: bool) -> Drive:
    """Simulated sitting: "sound", "aft", or "wear 0" to "wear 4"."""
    robot = parse_robot(robot_text(), "book_cart.toml")
    truth = Truth()
    if kind == "aft":
        truth = Truth(c_x=-0.03)
    elif kind.startswith("wear"):
        truth = Truth(roller_drag=np.array([WEAR[int(kind[5:])], 1, 1, 1]))
    script = usual_script((0.4, 0.8)) if short else [*usual_script(), *MORE]
    return drive(robot, truth, script, 0.005)  # type: ignore[arg-type]


def make_archive(
    folder: Path,
    robots: int,
    recordings: int,
    *,
    short: bool = True,
    broken: bool = True,
    rate: float | None = None,
) -> Path:
    """Write `robots` folders of `recordings` Parquet files each, and the robot file.

    Robot 0 wears, robot 1 has its mass aft, the others are sound. With `broken`, one recording more
    of robot 2 holds no wheel channel. `rate` is that of the log, 200 Hz at most. [Hz]
    """
    rate = rate or (RATE if short else LONG_RATE)
    (folder / "logs").mkdir(parents=True, exist_ok=True)
    (folder / "book_cart.toml").write_text(robot_text(), encoding="utf-8")
    (folder / "robots.csv").write_text(
        "glob,robot_file,name\n*,book_cart.toml,{folder}\n", encoding="utf-8"
    )
    start = dt.date(2026, 3, 2)
    for k in range(robots):
        place = folder / "logs" / f"cart {k:02d}"
        place.mkdir(exist_ok=True)
        for j in range(recordings):
            kind = "sound"
            if k == 0:
                kind = f"wear {min(len(WEAR) - 1, j * len(WEAR) // recordings)}"
            elif k == 1:
                kind = "aft"
            rng = np.random.default_rng([k, j])
            columns = sensed(motion_of(kind, short), rng, rate)
            day = start + dt.timedelta(days=7 * (j // 4))
            name = f"{day.isoformat()}_{8 + j % 4:02d}-00-00.parquet"
            parquet.write_table(pa.table(columns), place / name, compression="zstd")
    if broken:
        table = pa.table({"time_s": np.arange(500) * 0.02, "lamp": np.zeros(500)})
        parquet.write_table(
            table, folder / "logs" / f"cart {min(2, robots - 1):02d}" / "2026-03-02_broken.parquet"
        )
    return folder
