"""An hour at 200 Hz: our whole analysis against the raw read of the same file, in one run.

Usage: python -m tests.benchmarks.hour [--rounds N] [--plain] [--as-it-comes] [--hours H] [--folder DIR]

Every measurement is a process of its own, so that peak memory is its own. Raw and ours take turns.
A virtual machine may take longer to get memory from its host than any of us takes to work, so each
process first makes it have enough for the largest of them; --as-it-comes leaves that out.
"""

from __future__ import annotations

import argparse
import json
import math
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pyarrow as pa
from pyarrow import csv, parquet

from analyzer.demo import robot_text, sensed
from analyzer.robot import parse_robot
from analyzer.simulate import Drive, Truth, drive, usual_script

RATE = 200.0

PLAIN = (
    "import warnings; warnings.simplefilter('ignore'); "
    "from tests.benchmarks.plain import analyse; warm and analyse(small, {0!r}); begin(); "
    "result = analyse(path, {0!r}); end(0)"
)
# What one process does, by name; each prints seconds and sizes as JSON. A small file goes first on
# both sides, so that neither counts the imports: `crabwise analyze` from cold has a bar of its own.
WORK = {
    "raw csv": "from pyarrow import csv; warm and csv.read_csv(small); begin(); "
    "table = csv.read_csv(path); end(table.nbytes)",
    "raw parquet": "from pyarrow import parquet; warm and parquet.read_table(small); begin(); "
    "table = parquet.read_table(path); end(table.nbytes)",
    "plain": PLAIN.format("pyarrow"),
    "default": PLAIN.format("c"),
    "ours": "from analyzer.pipeline import analyze; warm and analyze([small], robot); begin(); "
    "result = analyze([path], robot); end(0)",
}
HARNESS = """
import json, resource, sys, time
path, robot, small = sys.argv[1:4]
ready = sys.argv[4]
warm = ready != "nothing"
def begin():
    global start, before, spent
    if ready == "memory":  # in large pages and in small ones
        import mmap
        blocks = []
        for size, large in ((4 << 30, True), (1 << 30, False)):
            block = mmap.mmap(-1, size, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
            if large:
                block.madvise(mmap.MADV_HUGEPAGE)
            block[:: 4096] = bytes(size >> 12)
            blocks.append(block)
        for block in blocks:  # together: the kernel begins to give memory away some time after
            block.close()
        with open("/proc/self/clear_refs", "w") as peak:
            peak.write("5")  # the peak is counted from here (proc_pid_clear_refs(5))
    before, start, spent = resident(), time.perf_counter(), time.process_time()
def resident():
    for line in open("/proc/self/status"):
        if line.startswith("VmHWM"):
            return int(line.split()[1]) * 1024
def end(size):
    took, spent_by = time.perf_counter() - start, time.process_time() - spent
    print(json.dumps({"seconds": took, "cpu": spent_by, "before": before, "peak": resident(), "arrow": size}))
"""


def sitting(seed: int) -> tuple[Drive, Truth]:
    """A few minutes of all kinds of passes, driven by a cart with a stiff wheel."""
    robot = parse_robot(robot_text(), "book_cart.toml")
    truth = Truth(roller_drag=np.array([3.5, 1, 1, 1]), c_x=-0.004)
    script = usual_script() + [
        (0.4, 0.4, 0.0, 2.5, 1.0),
        (0.0, 0.0, 0.0, 0.8, 1.0),
        (-0.4, -0.4, 0.0, 2.5, 1.0),
        (0.0, 0.0, 0.0, 0.8, 1.0),
    ]
    return drive(robot, truth, script, 1 / RATE), truth  # type: ignore[arg-type]


def tiled(motion: Drive, seconds: float) -> Drive:
    """The same sitting over and over, the pose and the wheels running on."""
    n = motion.t.size
    times = math.ceil(seconds * RATE / n)
    stop = round(seconds * RATE)
    end = motion.pose[-1]
    poses, at = [], np.zeros(3)
    for _ in range(times):
        c, s = math.cos(at[2]), math.sin(at[2])
        pose = motion.pose @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
        poses.append(pose + at)
        at = at + np.array([c * end[0] - s * end[1], s * end[0] + c * end[1], end[2]])
    angle = np.concatenate([motion.wheel_angle + k * motion.wheel_angle[-1] for k in range(times)])

    def again(values: np.ndarray) -> np.ndarray:
        return np.concatenate([values] * times)[:stop]

    return Drive(
        t=np.arange(stop) / RATE,
        pose=np.concatenate(poses)[:stop],
        twist=again(motion.twist),
        acceleration=again(motion.acceleration),
        wheel_angle=angle[:stop],
        wheel_speed=again(motion.wheel_speed),
        current=again(motion.current),
        volt=again(motion.volt),
        command=again(motion.command),
    )


def table_of(motion: Drive, seed: int) -> pa.Table:
    """26 columns as a logger writes them, with fresh noise over the whole length."""
    rng = np.random.default_rng(seed)
    columns = sensed(motion, rng, RATE)
    n = motion.t.size
    columns["gyro_x_dps"] = rng.normal(0.1, 0.2, n).round(3)
    columns["gyro_y_dps"] = rng.normal(-0.1, 0.2, n).round(3)
    sag = 0.02 * np.abs(motion.current).sum(axis=1)
    columns["battery_v"] = (25.2 - sag + rng.normal(0, 0.02, n)).round(3)
    # Loggers print six decimals; the demo's columns are rounded to less.
    for name, values in columns.items():
        if values.dtype.kind == "f" and not name.startswith(("time", "cmd")):
            columns[name] = (values + rng.uniform(-5e-4, 5e-4, n)).round(6)
    columns["time_s"] = (columns["time_s"] + 1000).round(6)
    assert len(columns) == 26, len(columns)
    return pa.table(columns)


def make(folder: Path, hours: float, seed: int = 7) -> dict[str, Path]:
    """Write the hour as CSV and Parquet with its robot file; kept where they stand already."""
    folder.mkdir(parents=True, exist_ok=True)
    stem = f"hours_{hours:g}"
    out = {
        "csv": folder / f"{stem}.csv",
        "parquet": folder / f"{stem}.parquet",
        "robot": folder / "book_cart.toml",
        "small csv": folder / "small.csv",
        "small parquet": folder / "small.parquet",
    }
    if not all(p.is_file() for p in out.values()):
        table = table_of(tiled(sitting(seed)[0], hours * 3600), seed)
        small = table.slice(0, round(200 * RATE))
        csv.write_csv(small, out["small csv"], csv.WriteOptions(quoting_style="none"))
        parquet.write_table(small, out["small parquet"], compression="zstd")
        csv.write_csv(table, out["csv"], csv.WriteOptions(quoting_style="none"))
        parquet.write_table(table, out["parquet"], compression="zstd")
        out["robot"].write_text(robot_text(), encoding="utf-8")
    return out


Ready = Literal["nothing", "imports", "memory"]
"""What a process has before it is measured: each has what stands before it as well."""


def measure(
    name: str, path: Path, robot: Path, small: Path, ready: Ready = "memory"
) -> dict[str, Any]:
    """Run one piece of work in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", HARNESS + WORK[name], str(path), str(robot), str(small), ready],
        check=True,
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


def compare(
    files: dict[str, Path], rounds: int, *, plain: bool = False, ready: Ready = "memory"
) -> dict[str, float]:
    """Raw, ours and, if asked for, the plain script by turns; prints a table, gives the ratios."""
    ratios: dict[str, float] = {}
    for form in ("csv", "parquet"):
        names = [f"raw {form}", "ours", *(["plain"] if plain else [])]
        if plain and form == "csv":
            names.append("default")  # the plain script with the parser that pandas takes by itself
        seen: dict[str, list[dict[str, Any]]] = {n: [] for n in names}
        for _ in range(rounds):
            for name in names:
                seen[name].append(
                    measure(name, files[form], files["robot"], files[f"small {form}"], ready)
                )
        # Memory is that of a process that does nothing before.
        fresh = {
            n: measure(n, files[form], files["robot"], files[f"small {form}"], "nothing")
            for n in names
        }
        arrow = seen[names[0]][0]["arrow"]
        seconds = {n: statistics.median(r["seconds"] for r in rows) for n, rows in seen.items()}
        cpu = {n: statistics.median(r["cpu"] for r in rows) for n, rows in seen.items()}
        peak = {n: r["peak"] for n, r in fresh.items()}
        print(f"{form}: Arrow table {arrow / 1e6:.0f} MB")
        print(f"  {'':10} {'seconds':>8} {'CPU s':>8} {'peak MB':>8} {'peak/Arrow':>10}")
        for name in names:
            print(
                f"  {name.split()[0]:10} {seconds[name]:8.2f} {cpu[name]:8.2f} "
                f"{peak[name] / 1e6:8.0f} "
                f"{peak[name] / arrow:10.2f}"
            )
        ratios[f"{form}: ours / raw read"] = seconds["ours"] / seconds[names[0]]
        ratios[f"{form}: the same in processor time"] = cpu["ours"] / cpu[names[0]]
        ratios[f"{form}: peak of ours / Arrow size"] = peak["ours"] / arrow
        if plain:
            ratios[f"{form}: plain script / ours, time"] = seconds["plain"] / seconds["ours"]
            ratios[f"{form}: peak of ours / plain script"] = peak["ours"] / peak["plain"]
        if "default" in names:
            ratios["csv: plain, pandas' own parser / ours"] = seconds["default"] / seconds["ours"]
    for name, ratio in ratios.items():
        print(f"  {name:38} {ratio:6.2f}")
    return ratios


def main() -> None:
    """Make the files, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--plain", action="store_true", help="the plain script as well")
    parser.add_argument("--as-it-comes", action="store_true", help="no memory made ready before")
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument(
        "--folder", type=Path, default=Path(tempfile.gettempdir()) / "crabwise_hour"
    )
    args = parser.parse_args()
    files = make(args.folder, args.hours)
    size = files["csv"].stat().st_size / 1e6
    print(
        f"{args.hours:g} h at {RATE:.0f} Hz, 26 columns: CSV {size:.0f} MB, median of {args.rounds}"
    )
    compare(files, args.rounds, plain=args.plain, ready="imports" if args.as_it_comes else "memory")


if __name__ == "__main__":
    main()
