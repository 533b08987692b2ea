"""All benchmarks, side by side in one run: `python -m tests.benchmarks [--full]`.

Without --full the fleet goes over 10 and 100 recordings, with it over 1,000 as well, where workers
are killed on the way. Files go to the folder for temporary files and are kept for the next run.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

from tests.benchmarks import cold, fitters, fleet, growth, hour


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--full", action="store_true", help="1,000 recordings, with kills")
    parser.add_argument("--rounds", type=int, default=3)
    args = parser.parse_args()
    files = Path(tempfile.gettempdir()) / "crabwise_hour"
    archives = Path(tempfile.gettempdir()) / "crabwise_fleet"
    archives.mkdir(exist_ok=True)
    load = os.getloadavg()[0]
    print(
        f"{time.strftime('%Y-%m-%d %H:%M')}, {os.cpu_count()} processors, load before: {load:.1f}"
    )
    print("\nAn hour at 200 Hz, 26 columns")
    hour.compare(hour.make(files, 1.0), args.rounds, plain=True)
    print("\nThe same, memory as the machine gives it")
    hour.compare(hour.make(files, 1.0), args.rounds, plain=True, ready="imports")
    print("\nFrom cold")
    cold.compare(args.rounds)
    print("\nGrowth with length")
    growth.by_length(files, args.rounds)
    print("\nWheel fit against general fitters")
    fitters.compare()
    print("\nFleet")
    fleet.by_number(archives, (10, 100))
    if args.full:
        fleet.compare(archives, 1000, rounds=3, kill=4.0)


if __name__ == "__main__":
    main()
