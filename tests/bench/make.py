"""Make bench cases: ``python -m tests.bench.make OUT [--only PATTERN] [--set SET] [--jobs N]``."""

from __future__ import annotations

import argparse
import fnmatch
import sys
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

from tests.bench.cases import cases_of, simulate
from tests.bench.record import write_case


def make_one(which: str, name: str, out: str) -> tuple[str, float, float]:
    """Make one case; returns its name, length and the time it took. [s]"""
    case = next(c for c in cases_of(which) if c.name == name)
    start = time.perf_counter()
    log, robot, truth, table = simulate(case)
    write_case(Path(out) / case.name, log, robot, truth, table)
    return name, float(table["t"].iloc[-1]), time.perf_counter() - start


def main(argv: list[str] | None = None) -> int:
    """Make what is missing; finished cases are left alone."""
    parser = argparse.ArgumentParser(prog="tests.bench.make", description=__doc__)
    parser.add_argument("out", help="folder for the case folders")
    parser.add_argument("--only", default="*", help="shell pattern on the case's name")
    parser.add_argument(
        "--set", dest="which", default="tuning",
        choices=("tuning", "held_back", "fresh", "uneven", "heading", "small"),
    )  # fmt: skip
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--limit", type=int, default=None, help="only the first so many cases")
    parser.add_argument("--list", action="store_true", help="print the names and make nothing")
    given = parser.parse_args(argv)
    names = [c.name for c in cases_of(given.which) if fnmatch.fnmatch(c.name, given.only)]
    names = names[: given.limit]
    if given.list:
        print("\n".join(names))
        return 0
    out = Path(given.out)
    out.mkdir(parents=True, exist_ok=True)
    todo = [n for n in names if not (out / n / "truth.json").exists()]
    print(f"{given.which}: {len(names)} cases, {len(names) - len(todo)} already there", flush=True)
    bad = 0
    with ProcessPoolExecutor(max_workers=max(1, given.jobs)) as pool:
        waiting = {pool.submit(make_one, given.which, n, given.out): n for n in todo}
        for k, future in enumerate(as_completed(waiting), 1):
            try:
                name, length, took = future.result()
                rate = length / took
                print(
                    f"{k}/{len(todo)} {name}: {length:.0f} s in {took:.0f} s, {rate:.1f}x",
                    flush=True,
                )
            except Exception as error:  # noqa: BLE001 - one bad case must not end the others
                bad += 1
                print(f"{k}/{len(todo)} {waiting[future]}: FAILED {error!r}", flush=True)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
