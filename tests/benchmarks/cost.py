"""Processor seconds and bytes of one task of the fleet, by length and form of the recording.

Usage: python -m tests.benchmarks.cost

Processor time, all threads, warm process: what a sizing needs, and steady on a busy machine.
"""

from __future__ import annotations

import resource
import shutil
import statistics
import tempfile
import time
from pathlib import Path

from analyzer.fleet import analyse_one, find_tasks, read_robots
from tests.benchmarks.hour import make


def main(rounds: int = 5) -> None:
    folder = Path(tempfile.gettempdir()) / "crabwise_hour"
    work = Path(tempfile.mkdtemp())
    print(
        f"{'minutes':>8} {'form':8} {'log MB':>8} {'CPU s':>7} {'row kB':>7} {'peak MB so far':>15}"
    )
    for hours in (0.05, 0.5, 1.0):
        files = make(folder, hours)
        for form in ("parquet", "csv"):
            place = work / f"{hours}_{form}"
            place.mkdir()
            (place / files[form].name).symlink_to(files[form])
            faults: list[str] = []
            rules = read_robots(files["robot"], None, faults)
            (task,) = find_tasks(str(place), str(work / "out"), rules, folders=False, faults=faults)
            seconds = []
            for _ in range(rounds + 1):
                start = time.process_time()
                assert analyse_one(task).row["status"] == "ok"
                seconds.append(time.process_time() - start)
            size = max(p.stat().st_size for p in (work / "out").rglob(f"{task.key}*.parquet"))
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
            print(
                f"{60 * hours:8.0f} {form:8} {files[form].stat().st_size / 1e6:8.1f} "
                f"{statistics.median(seconds[1:]):7.2f} {size / 1e3:7.1f} {peak:15.0f}"
            )
    shutil.rmtree(work)


if __name__ == "__main__":
    main()
