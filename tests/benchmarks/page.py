"""The web page on a recording of ten million samples: first figure and zoom, beside the raw trace.

Usage: python -m tests.benchmarks.page [--samples N] [--folder DIR]

The analysis runs in the page's own worker. Then the server's share is timed: the Motion page from
nothing to the bytes sent, and zooms; side by side with sending every sample of the same lines.
"""

from __future__ import annotations

import argparse
import json
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import pyarrow as pa
from dash._utils import to_json
from pyarrow import parquet

from analyzer.demo import robot_text, sensed
from analyzer.traces import Panel
from dashboard.callbacks.motion import closer
from dashboard.jobs import Jobs
from dashboard.pages import PAGES, Visit
from dashboard.settings import Settings
from dashboard.store import Store
from tests.benchmarks.hour import RATE, sitting, tiled

KEPT = ("time_s", "fl_ticks", "fr_ticks", "rl_ticks", "rr_ticks", "fl_current_a", "fr_current_a", "rl_current_a",
        "rr_current_a", "gyro_z_dps", "mocap_x_m", "mocap_y_m", "mocap_yaw_deg")  # fmt: skip


def make(folder: Path, samples: int) -> tuple[Path, Path]:
    """Write the recording and its robot file; kept where they stand already."""
    folder.mkdir(parents=True, exist_ok=True)
    log, robot = folder / f"samples_{samples}.parquet", folder / "book_cart.toml"
    if not log.is_file():
        columns = sensed(tiled(sitting(7)[0], samples / RATE), np.random.default_rng(7), RATE)
        parquet.write_table(pa.table({k: columns[k] for k in KEPT}), log, compression="zstd")
        robot.write_text(robot_text(), encoding="utf-8")
    return log, robot


def raw(panels: tuple[Panel, ...]) -> int:
    """Draw every sample of the same lines; gives the bytes that would be sent."""
    figure = go.Figure()
    for panel in panels:
        for trace in panel.traces:
            figure.add_scatter(x=np.arange(trace.values.size) * panel.dt, y=trace.values)
    return len(to_json(figure))


def timed(work) -> tuple[float, float, object]:
    """Seconds on the clock, seconds of processor, result."""
    start, busy = time.perf_counter(), time.process_time()
    result = work()
    return time.perf_counter() - start, time.process_time() - busy, result


def longest(shown: str) -> int:
    """Most points of any trace in the JSON of a page or figure."""
    most = 0

    def walk(value) -> None:
        nonlocal most
        if isinstance(value, dict):
            for key, part in value.items():
                if key in {"x", "y"} and isinstance(part, dict) and "bdata" in part:
                    most = max(most, len(part["bdata"]) * 3 // 4 // int(part["dtype"][1:]))
                elif key in {"x", "y"} and isinstance(part, list):
                    most = max(most, len(part))
                walk(part)
        elif isinstance(value, list):
            for part in value:
                walk(part)

    walk(json.loads(shown))
    return most


def main() -> None:
    """Make the file, analyse it, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=10_000_000)
    parser.add_argument(
        "--folder", type=Path, default=Path(tempfile.gettempdir()) / "crabwise_page"
    )
    args = parser.parse_args()
    log, robot = make(args.folder, args.samples)
    with tempfile.TemporaryDirectory() as folder:
        store = Store(Path(folder), args.folder, size=64 * 2**30)
        jobs = Jobs(workers=1)
        case = store.pick([log.name], robot.name)
        start = time.perf_counter()
        jobs.submit(case.key, case.job("analyze"))
        while (state := jobs.state(case.key)) is not None and state.busy:
            time.sleep(0.1)
        print(
            f"analysis: {time.perf_counter() - start:.1f} s, {state.status if state else ''} {state.error if state else ''}"
        )
        visit = Visit(
            store=store,
            settings=Settings(root=store.root),
            jobs=jobs,
            case=case,
            job=None,
            query={},
        )
        page = next(p for p in PAGES if p.path == "/motion")
        first, first_busy, shown = timed(lambda: to_json(page.layout(visit)))
        again, again_busy, _ = timed(lambda: to_json(page.layout(visit)))
        print(f"first figure after analysis: {first:.2f} s, {first_busy:.2f} s of processor (once more: {again:.2f}, {again_busy:.2f}), {len(shown) / 1e6:.1f} MB, "
              f"at most {longest(shown)} points a trace")  # fmt: skip
        panels = store.panels(case)
        lines = sum(len(p.traces) for p in panels)
        end = panels[0].traces[0].values.size * panels[0].dt
        rng = np.random.default_rng(3)
        zooms, sizes, work = [], [], []
        for _ in range(30):
            a, b = np.sort(rng.uniform(0, end, 2)) if len(zooms) % 2 else (0.0, end)
            took, busy, sent = timed(
                lambda a=a, b=b: to_json(closer(panels, (float(a), float(b)), 6))
            )
            zooms.append(took)
            work.append(busy)
            sizes.append(len(sent))
        took, busy, size = timed(lambda: raw(panels))
        print(f"{'':22}{'seconds':>9}{'processor':>11}{'MB sent':>9}   ({lines} lines)")
        print(
            f"{'zoom, median of 30':22}{statistics.median(zooms):9.3f}{statistics.median(work):11.3f}{statistics.median(sizes) / 1e6:9.2f}"
        )
        print(f"{'zoom, slowest':22}{max(zooms):9.3f}{max(work):11.3f}{max(sizes) / 1e6:9.2f}")
        print(f"{'every sample':22}{took:9.3f}{busy:11.3f}{size / 1e6:9.1f}")
        print(
            f"raw over zoom: time {took / statistics.median(zooms):.0f}, bytes {size / statistics.median(sizes):.0f}"
        )
        jobs.close()


if __name__ == "__main__":
    main()
