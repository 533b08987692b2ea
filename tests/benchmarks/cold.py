"""Commands from cold: processes that import everything anew.

Usage: python -m tests.benchmarks.cold
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.hour import make

IMPORTS = "import numpy, pyarrow, pyarrow.csv, pyarrow.parquet, pydantic, scipy.special, rich.table"


def seconds_of(words: list[str], rounds: int) -> float:
    """Median wall time of a command."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        subprocess.run(words, check=True, capture_output=True, cwd=Path(__file__).parents[2])
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def compare(rounds: int = 3) -> dict[str, float]:
    """`analyze` of three minutes over its bare imports; `--help` over an empty Python."""
    files = make(Path(tempfile.gettempdir()) / "crabwise_hour", 0.05)
    python = sys.executable
    crabwise = [python, "-m", "analyzer.cli"]
    empty = seconds_of([python, "-c", "pass"], rounds)
    imports = seconds_of([python, "-c", IMPORTS], rounds)
    text = seconds_of([*crabwise, "--help"], rounds)
    whole = seconds_of(
        [*crabwise, "analyze", str(files["csv"]), "--robot", str(files["robot"])], rounds
    )
    print(f"  empty Python {empty:.3f} s, bare imports {imports:.2f} s")
    print(f"  crabwise --help: {text - empty:.3f} s above an empty Python")
    print(f"  crabwise analyze, 3 minutes: {whole:.2f} s = {whole / imports:.2f} x bare imports")
    return {"help above empty": text - empty, "analyze": whole, "imports": imports}


if __name__ == "__main__":
    compare()
