"""A fleet's archive: two workers against one, growth with the number of recordings, kills.

Usage: python -m tests.benchmarks.fleet [--recordings N] [--rounds N] [--kill SECONDS]

Scheduler and workers are processes of their own, with the settings that the README advises. One
worker and two take turns, because the speed of a virtual machine drifts by several per cent from
minute to minute; the ratio is that of the medians. With --kill, one more run loses a worker (kill -9)
every so many seconds and its scheduler once, and must end with the same rows.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

from analyzer.fleet import ROW_SCHEMA, read_fleet
from tests.benchmarks.archive import LONG_RATE, make_archive
from tests.benchmarks.growth import exponent
from tests.integration.test_fleet import Cluster

ROBOTS = 10
ADVISED = dict(
    word.split("=", 1)
    for word in (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8").split()
    if word.startswith("DASK_")
)


def timed(archive: Path, out: Path, address: str) -> float:
    """Seconds of one whole `crabwise fleet`, summary included."""
    shutil.rmtree(out, ignore_errors=True)
    start = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "analyzer.cli", "fleet", str(archive / "logs"), "--out", str(out),
         "--robots", str(archive / "robots.csv"), "--scheduler", address],
        check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        cwd=Path(__file__).parents[2],
    )  # fmt: skip
    return time.perf_counter() - start


def warm(cluster: Cluster, archive: Path, folder: Path) -> None:
    """One recording first, so that the imports of the workers do not count."""
    shutil.rmtree(folder / "warm", ignore_errors=True)
    one = folder / "warm_archive"
    make_archive(one, len(cluster.workers) * 2, 1, short=True, broken=False)
    timed(one, folder / "warm", cluster.address)


def compare(
    folder: Path, recordings: int, *, rounds: int = 1, kill: float = 0.0, rate: float = LONG_RATE
) -> dict[str, float]:
    """Print times with one and two workers; give the ratios."""
    archive = folder / f"archive_{recordings}_{rate:g}_hz"
    if not archive.is_dir():
        make_archive(archive, ROBOTS, recordings // ROBOTS, short=False, broken=False, rate=rate)
    seen: dict[int, list[float]] = {1: [], 2: []}
    for k in range(rounds):
        for workers in (1, 2) if k % 2 == 0 else (2, 1):
            cluster = Cluster(folder / f"dask{workers}", workers, ADVISED)
            try:
                warm(cluster, archive, folder)
                seen[workers].append(timed(archive, folder / f"out_{workers}", cluster.address))
            finally:
                cluster.close()
            print(
                f"  {recordings} recordings at {rate:g} Hz, {workers} workers: "
                f"{seen[workers][-1]:.1f} s"
            )
    seconds = {workers: statistics.median(times) for workers, times in seen.items()}
    out = {"one worker / two workers": seconds[1] / seconds[2]}
    if kill:
        out["rows equal after kills"] = float(_killed(archive, folder, kill))
    for name, value in out.items():
        print(f"  {name:38} {value:6.2f}")
    out["seconds"] = seconds[2]
    return out


def _killed(archive: Path, folder: Path, every: float) -> bool:
    cluster = Cluster(folder / "dask_kill", 2, ADVISED)
    stop = threading.Event()
    count = {"worker": 0, "scheduler": 0}
    rng = random.Random(1)
    until = len(list((archive / "logs").glob("*/*"))) // 2
    out = folder / "out_kill"

    def havoc() -> None:
        while not stop.wait(every):
            if not count["scheduler"] and len(list(out.glob("rows/*/*/*.parquet"))) >= until:
                count["scheduler"] = 1
                cluster.scheduler.send_signal(signal.SIGKILL)
                cluster.scheduler.wait()
                cluster.start_scheduler()
                for k, worker in enumerate(list(cluster.workers)):
                    worker.terminate()
                    worker.wait()
                    cluster.workers[k] = cluster.start_worker(10 + k)
                continue
            for pid in rng.sample(cluster.inner(), min(1, len(cluster.inner()))):
                count["worker"] += 1
                os.kill(pid, signal.SIGKILL)

    shutil.rmtree(out, ignore_errors=True)
    thread = threading.Thread(target=havoc)
    thread.start()
    try:
        took = timed(archive, out, cluster.address)
    finally:
        stop.set()
        thread.join()
        cluster.close()
    names = ["robot", "date", *ROW_SCHEMA.names]
    equal = read_fleet(str(out), columns=names).equals(
        read_fleet(str(folder / "out_2"), columns=names)
    )
    print(f"  killed {count['worker']} workers and {count['scheduler']} scheduler in {took:.0f} s: "
          f"rows {'equal' if equal else 'DIFFER'}")  # fmt: skip
    return bool(equal)


def by_number(folder: Path, numbers: tuple[int, ...]) -> dict[str, float]:
    """Time over the number of recordings, two workers."""
    seconds = [compare(folder, n)["seconds"] for n in numbers]
    out = {"exponent over recordings": exponent(np.array(numbers, float), np.array(seconds))}
    print(f"  {'exponent over recordings':38} {out['exponent over recordings']:6.2f}")
    return out


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--recordings", type=int, default=1000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--kill", type=float, default=0.0)
    parser.add_argument("--rate", type=float, default=LONG_RATE, help="of the recordings [Hz]")
    parser.add_argument(
        "--folder", type=Path, default=Path(tempfile.gettempdir()) / "crabwise_fleet"
    )
    args = parser.parse_args()
    args.folder.mkdir(exist_ok=True)
    compare(args.folder, args.recordings, rounds=args.rounds, kill=args.kill, rate=args.rate)
