"""How cost grows: with the length of a recording, and with the number of recordings.

Usage: python -m tests.benchmarks.growth
"""

from __future__ import annotations

import statistics
import tempfile
from pathlib import Path

import numpy as np

from tests.benchmarks.hour import make, measure

LENGTHS = (1, 3, 10, 30)
"""Times three minutes."""


def exponent(sizes: np.ndarray, seconds: np.ndarray) -> float:
    """Slope of log time over log size."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])


def by_length(folder: Path, rounds: int) -> dict[str, float]:
    """Time and peak memory of recordings of 3, 9, 30 and 90 minutes, as CSV."""
    print(f"{'minutes':>8} {'ours s':>8} {'CPU s':>8} {'raw s':>8} {'peak MB':>8}")
    ours, raw, sizes, spent = [], [], [], []
    for times in LENGTHS:
        files = make(folder, times * 0.05)
        paths = files["csv"], files["robot"], files["small csv"]
        mine = [measure("ours", *paths) for _ in range(rounds)]
        base = [measure("raw csv", *paths) for _ in range(rounds)]
        ours.append(statistics.median(r["seconds"] for r in mine))
        spent.append(statistics.median(r["cpu"] for r in mine))
        raw.append(statistics.median(r["seconds"] for r in base))
        sizes.append(files["csv"].stat().st_size)
        peak = max(r["peak"] for r in mine) / 1e6
        print(f"{3 * times:8d} {ours[-1]:8.2f} {spent[-1]:8.2f} {raw[-1]:8.2f} {peak:8.0f}")
    size = np.array(sizes, float)
    out = {
        "exponent of ours over length": exponent(size, np.array(ours)),
        "the same in processor time": exponent(size, np.array(spent)),
        "exponent of the raw read over length": exponent(size, np.array(raw)),
        "ten times the length (9 to 90 min)": ours[3] / ours[1],
        "the same in processor time ": spent[3] / spent[1],
    }
    for name, value in out.items():
        print(f"  {name:38} {value:6.2f}")
    return out


if __name__ == "__main__":
    by_length(Path(tempfile.gettempdir()) / "crabwise_hour", 3)
