"""Stress of the shelf: `python -m tests.stress.shelf kill DIR [TIMES]` or `... fill DIR [RESULTS]`.

`kill` starts writers and ends each with SIGKILL at a random moment, then checks that every result
filed before is there, whole and listed. `fill` files many results and times list, filter and trend.
"""

from __future__ import annotations

import importlib
import math
import multiprocessing
import os
import signal
import sys
import time
import tracemalloc
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from analyzer.shelf import (
    Service,
    add_result,
    list_results,
    load_entry,
    refresh,
    trend,
)

WHEELS = ("FL", "FR", "RL", "RR")
START = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)


def estimate(value, error=0.05, unit=""):
    half = 1.96 * error
    return {
        "value": value, "std_error": error, "interval95": [value - half, value + half], "unit": unit,
    }  # fmt: skip


def small_result(rng, *, robot="cart 1", drift=-3.0, radius=1.0):
    """A whole result of few passes, as `analyze` would give it."""
    nothing = {"value": None, "why": "not in this made-up result"}
    slip = {k: estimate(0.04, 0.002) for k in ("left", "right", "ahead", "astern", "turn")}
    drifts = {
        side: {part: estimate(sign * drift + rng.normal(0, 0.1), 0.1, "°/m")
               for part in ("total", "rolled", "slipped")}
        for side, sign in (("left", 1), ("right", -1))
    }  # fmt: skip
    passes = [
        {
            "kind": kind, "t_start": 5.0 * k, "t_end": 5.0 * k + 4, "speed_m_per_s": 0.3,
            "turn_rate_rad_per_s": None, "commanded_speed": 0.3, "hard_start": False,
            "distance_m": 1.5, "heading_change_deg": 0.1, "rolled_deg": 0.1, "slipped_deg": 0.0,
            "closure_mm_per_m": 1.0, "creep_mm_per_m": 1.0, "sideways_ratio": 0.96,
            "ahead_ratio": None, "battery_v": 12.0,
            "wheels": {"relative_radius": dict.fromkeys(WHEELS),
                       "slip_ratio": dict.fromkeys(WHEELS, 0.04),
                       "current_a": {w: 0.8 + rng.normal(0, 0.01) for w in WHEELS}},
        }
        for k, kind in enumerate(("left", "right") * 2)
    ]  # fmt: skip
    return {
        "schema": "crabwise-result/1",
        "robot": {"name": robot, "file": "cart.toml", "mass_kg": 15.0, "drive_mode": "power",
                  "wheels": list(WHEELS)},
        "recordings": ["made_up.csv"], "recorded_at": None, "duration_s": 20.0,
        "yaw_source": "gyro", "columns": [], "findings": [], "passes": passes,
        "wheels": {w: {"effective_radius_m": estimate(0.05, 1e-4, "m"),
                       "relative_radius": estimate(radius if w == "FL" else 1.0, 5e-4),
                       "slip_ratio": slip, "roller_lean": "as described",
                       "rotation_sense": "as described"} for w in WHEELS},
        "chassis": {"yaw_lever_m": estimate(0.38, 0.001, "m"),
                    "centre_of_mass_m": {"x": estimate(0.0, 0.003, "m"), "y": nothing},
                    "sideways_ratio": estimate(0.96, 0.001), "yaw_inertia_kgm2": nothing,
                    "effective_radius_m": estimate(0.05, 1e-5, "m")},
        "yaw_drift_deg_per_m": {**drifts, "by_speed": []},
        "arc_radius_m": {"left": nothing, "right": nothing},
        "closure_mm_per_m": {"left": estimate(5.0, 0.5, "mm/m"), "right": estimate(-5.0, 0.5, "mm/m")},
        "creep_mm_per_m": {"left": estimate(1.0, 0.5, "mm/m"), "right": estimate(1.0, 0.5, "mm/m")},
        "imu": {}, "causes": [{"cause": "roller_drag", "wheel": "FL", "probability": 0.8,
                               "magnitude": nothing, "evidence_for": [], "evidence_against": [],
                               "would_decide": []}],
        "remedies": [], "notes": [],
    }  # fmt: skip


def writer(shelf, seed, told):
    """File results for ever; each identity is told once it is filed."""
    rng = np.random.default_rng(seed)
    with Path(told).open("ab", buffering=0) as out:
        while True:
            name = add_result(shelf, small_result(rng), note=f"writer {seed}", recorded_at=START)
            out.write((name + "\n").encode())


def kill_writers(shelf, times, rng):
    """Kill writers, two at once, at random moments; gives identities filed and results lost."""
    # A fork server starts writers in milliseconds; each is a process of its own.
    starter = multiprocessing.get_context("forkserver")
    starter.set_forkserver_preload(["tests.stress.shelf"])
    work = importlib.import_module("tests.stress.shelf").writer
    told = Path(shelf).with_name(Path(shelf).name + "_told")
    told.mkdir(exist_ok=True)
    for k in range(0, times, 2):
        running = []
        for j in range(min(2, times - k)):
            log = told / str(k + j)
            process = starter.Process(target=work, args=(str(shelf), k + j, str(log)))
            process.start()
            running.append((process, log))
        for process, log in running:
            while not (log.exists() and log.stat().st_size):  # until it is writing
                assert process.is_alive()
                time.sleep(0.001)
        time.sleep(rng.uniform(0, 0.03))
        for process, _ in running:
            os.kill(process.pid, signal.SIGKILL)
        for process, _ in running:
            process.join()
            assert process.exitcode == -signal.SIGKILL
            process.close()
    filed = [n for log in told.iterdir() for n in log.read_text().split("\n")[:-1]]
    lost = check(shelf, filed)
    return filed, lost


def check(shelf, filed):
    """Identities filed that are not whole or not listed."""
    listed = {r["id"] for r in list_results(shelf)}
    lost = [name for name in filed if name not in listed]
    for path in (Path(shelf) / "results").glob("[!.]*.json"):
        entry = load_entry(shelf, path.stem)
        if entry["result"]["schema"] != "crabwise-result/1" or path.stem not in listed:
            lost.append(path.stem)
    return lost


def fill(shelf, count, rng):
    """File `count` results of four robots over a season."""
    for k in range(count):
        robot = k % 4
        wear = 0.0001 * (k // 4)
        service = [Service(wheel="FL", what="rollers cleaned")] if k % 1000 == 996 else []
        add_result(
            shelf, small_result(rng, robot=f"cart {robot}", drift=-3 - wear), service=service,
            note="after the service" if service else "", recorded_at=START + timedelta(hours=k / 10),
        )  # fmt: skip


def timed(shelf):
    """Seconds and peak memory of list, filter and trend [MB], in a process of its own.

    There tracemalloc need not stop: where it does while a native thread asks for the interpreter,
    CPython 3.11 can crash. Seen in this test, and made again with nothing but two such threads.
    """
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
        return pool.submit(_timed, shelf).result()


def _timed(shelf):
    jobs = {
        "list, all": lambda: list_results(shelf),
        "list, newest 50": lambda: list_results(shelf, newest=50),
        "filter by robot and time": lambda: list_results(
            shelf,
            robot="cart 1",
            since=START + timedelta(days=10),
            until=START + timedelta(days=20),
        ),
        "filter by text": lambda: list_results(shelf, text="service"),
        "trend of one robot": lambda: trend(shelf, "yaw_drift.odd", robot="cart 1", limit=-6.0),
    }
    times = {}
    for name, job in jobs.items():
        job()
        took = math.inf  # the best of five: other work on the machine is not the shelf's
        for _ in range(5):
            start = time.perf_counter()
            job()
            took = min(took, time.perf_counter() - start)
        times[name] = took
    out = {}
    tracemalloc.start()
    for name, job in jobs.items():
        tracemalloc.reset_peak()
        answer = job()
        peak = tracemalloc.get_traced_memory()[1] / 1e6
        size = len(answer) if isinstance(answer, list) else answer.value.size
        out[name] = (times[name], peak, size)
    return out


def main(argv):
    what, shelf = argv[0], argv[1]
    number = int(argv[2]) if len(argv) > 2 else 1000
    rng = np.random.default_rng(number)
    if what == "kill":
        filed, lost = kill_writers(shelf, number, rng)
        print(f"{number} writers killed, {len(filed)} results filed, {len(lost)} lost")
        return 1 if lost else 0
    elif what == "fill":
        start = time.perf_counter()
        fill(shelf, number, rng)
        refresh(shelf)
        print(f"filed {number} results in {time.perf_counter() - start:.1f} s")
        for name, (took, peak, size) in timed(shelf).items():
            print(f"{name:28s} {took:.3f} s  peak {peak:6.1f} MB  {size} rows")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
