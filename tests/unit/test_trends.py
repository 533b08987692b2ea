"""Sums over a fleet, held against general libraries and against made-up rows with a known answer."""

from __future__ import annotations

import datetime as dt
import io
import json
import math

import numpy as np
import pytest
import statsmodels.api as sm
from rich.console import Console
from scipy import stats

from analyzer import trends
from analyzer.fleet import FleetProgress, FleetTask, _when, find_tasks, read_robots
from analyzer.fleet_report import fleet_page, fleet_summary
from analyzer.quantities import CrabwiseError

DAY = dt.date(2026, 3, 1)


def row(robot: str, number: int, *, drift: float = 0.0, wheels=(), status="ok", hours=1.0) -> dict:
    values = dict.fromkeys(trends.SHOWN)
    values |= {f"{n}_std_error": None for n in trends.SHOWN}
    for sign, side in ((1, "left"), (-1, "right")) if status == "ok" else ():
        values[f"yaw_drift_{side}_deg_per_m"] = sign * drift
        values[f"yaw_drift_{side}_deg_per_m_std_error"] = 0.05
    moment = dt.datetime(2026, 3, 1, tzinfo=dt.UTC) + dt.timedelta(days=number)
    return values | {
        "robot": robot,
        "recording": f"{robot}/{number:03d}.csv",
        "recorded_at": moment,
        "date": moment.date(),
        "status": status,
        "message": "" if status == "ok" else "broken",
        "duration_s": 3600.0 * hours if status == "ok" else None,
        "driven_m": 10.0 if status == "ok" else None,
        "cause": wheels[0][1] if wheels else "none",
        "cause_wheel": wheels[0][0] if wheels else None,
        "cause_probability": wheels[0][2] if wheels else 0.9,
        "wheels": [
            {"wheel": w, "service_cause": c, "service_probability": p, "relative_radius": 1.0,
             "relative_radius_std_error": 0.001}
            for w, c, p in wheels
        ],
    }  # fmt: skip


def test_slope_is_that_of_weighted_least_squares():
    rng = np.random.default_rng(1)
    at = np.sort(rng.uniform(0, 50, 30))
    error = rng.uniform(0.5, 2.0, 30)
    value = 3.0 + 0.4 * at + rng.normal(0, 2 * error)
    got = trends.slope(at, value, error, "x")
    fit = sm.WLS(value, sm.add_constant(at), weights=1 / error**2).fit()
    assert got.value == pytest.approx(fit.params[1], rel=1e-9)
    assert got.std_error == pytest.approx(fit.bse[1], rel=1e-9)
    low, high = fit.conf_int()[1]
    assert (got.low, got.high) == pytest.approx((low, high), rel=1e-9)


def test_slope_needs_four_points():
    assert not trends.slope(np.arange(3.0), np.arange(3.0), np.ones(3), "x").determined
    assert not trends.slope(np.ones(5), np.arange(5.0), np.ones(5), "x").determined


def test_mean_is_weighted_and_never_better_than_the_scatter():
    rows = [
        {"a": 1.0, "a_std_error": 0.1},
        {"a": 1.2, "a_std_error": 0.2},
        {"a": 0.7, "a_std_error": 0.1},
    ]
    got = trends._mean(rows, "a")
    values, weights = np.array([1.0, 1.2, 0.7]), np.array([100.0, 25.0, 100.0])
    fit = sm.WLS(values, np.ones(3), weights=weights).fit()
    assert got.value == pytest.approx(fit.params[0])
    assert got.std_error == pytest.approx(fit.bse[0])  # chi² per degree above one scales both


def test_the_odd_robot_stands_out_and_no_other():
    rng = np.random.default_rng(2)
    rows = [
        row(f"r{k}", j, drift=(9.0 if k == 3 else 0.0) + rng.normal(0, 0.3))
        for k in range(9)
        for j in range(4)
    ]
    summary = trends.summarise(rows)
    assert {o["robot"] for o in summary["outliers"]} == {"r3"}
    entry = next(s for s in summary["spread"] if s["measure"] == "yaw_drift_left_deg_per_m")
    values = np.array(list(entry["robots"].values()))
    assert entry["spread"] == pytest.approx(
        stats.median_abs_deviation(values, scale="normal"), rel=1e-4
    )
    assert summary["robots"][0]["robot"] == "r3"
    json.dumps(summary, allow_nan=False)


def test_three_recordings_that_scatter_do_not_stand_out():
    """5, 8 and 11 °/m: 8 ± 7.5 by Student's t with two degrees of freedom, half of which is 1.9 sd."""
    rows = [row(f"r{k}", j, drift=0.0) for k in range(9) for j in range(3)]
    rows += [row("odd", j, drift=value) for j, value in enumerate((5.0, 8.0, 11.0))]
    summary = trends.summarise(rows)
    assert summary["outliers"] == []
    scores = next(s for s in summary["spread"] if s["measure"] == "yaw_drift_left_deg_per_m")
    half = stats.t.ppf(0.975, 2) * np.std([5, 8, 11], ddof=1) / np.sqrt(3)
    assert scores["scores"]["odd"] == pytest.approx(8 / (half / stats.norm.ppf(0.975)), rel=1e-3)


def test_few_robots_have_no_spread():
    summary = trends.summarise([row("a", 0), row("b", 0)])
    assert summary["outliers"] == []
    assert "5 at least" in summary["outliers_why"]


def test_a_wheel_is_due_by_the_latest_recordings():
    rows = [row("a", j, wheels=[("FL", "roller_drag", 0.05)]) for j in range(5)]
    assert trends.summarise(rows)["wheels_due"] == []
    rows += [row("a", 5 + j, wheels=[("FL", "roller_drag", 0.9)]) for j in range(3)]
    (due,) = trends.summarise(rows)["wheels_due"]
    assert (due["robot"], due["wheel"], due["cause"]) == ("a", "FL", "roller_drag")
    assert due["probability"] == pytest.approx(0.9)
    assert due["since"] == (DAY + dt.timedelta(days=5)).isoformat()
    # Serviced: three quiet recordings and it is due no more.
    rows += [row("a", 8 + j, wheels=[("FL", "roller_drag", 0.02)]) for j in range(3)]
    assert trends.summarise(rows)["wheels_due"] == []


def test_hours_add_up_and_failed_rows_are_told():
    rows = [row("a", j, drift=0.1 * j, hours=2.0) for j in range(6)] + [
        row("a", 9, status="failed")
    ]
    summary = trends.summarise(rows)
    assert summary["counts"]["hours"] == pytest.approx(12.0)
    assert summary["failed"][0]["message"] == "broken"
    line = next(t for t in summary["trends"] if t["measure"] == "yaw_drift_left_deg_per_m")
    assert line["hours"] == pytest.approx([2, 4, 6, 8, 10, 12])
    assert line["change"]["value"] == pytest.approx(0.05)  # 0.1 °/m a recording of two hours
    assert line["change"]["unit"] == "°/m per h"


def test_page_tells_of_every_row_it_leaves_out():
    """No row is left out without a word: the rest opens on a click, or stands in the summary."""
    rows = [row(f"robot {k:03d}", 0, drift=k / 100) for k in range(230)]
    page = fleet_page(trends.summarise(rows))
    table = page[page.index("Robots by worst drift") : page.index("Causes by count")]
    first, rest = table.split("<details><summary>180 more</summary>")
    assert first.count("<tr>") == 20 + 1
    assert rest.count("<tr>") == 180 + 1
    assert "The first 200 of 230; all stand in summary.json." in rest
    out = io.StringIO()
    end = FleetProgress(total=230, before=0, done=230, failed=0, seconds_left=0.0, workers=1)
    fleet_summary(trends.summarise(rows), end, Console(file=out, width=120))
    assert "and 215 more: see summary.html" in out.getvalue()
    few = fleet_page(trends.summarise(rows[:20]))
    assert "<details>" not in few
    assert "all stand in" not in few


def _task(name: str, modified: float = 1.7e9) -> FleetTask:
    return FleetTask(source="s", recording=name, files=(), is_bag=False, key="k", fingerprint="f",
                     robot="r", robot_file="r.toml", robot_text="", modified=modified, out="o")  # fmt: skip


@pytest.mark.parametrize(
    ("name", "epochs", "when", "how"),
    [
        ("a/2026-03-04.csv", [1.75e9], "2025-06-15", "stamps"),
        ("a/2026-03-04_10-20-30.csv", [], "2026-03-04", "name"),
        ("2026-03-04/run7.csv", [12.0], "2026-03-04", "name"),
        ("a/20260304T1020.csv", [], "2026-03-04", "name"),
        ("a/run20991399.csv", [], "2023-11-14", "file date"),
        ("a/run.csv", [], "2023-11-14", "file date"),
    ],
)
def test_date_of_a_recording(name, epochs, when, how):
    moment, why = _when(_task(name), epochs)
    assert (moment.date().isoformat(), why) == (when, how)
    assert moment.tzinfo is not None
    assert math.isfinite(moment.timestamp())


def test_files_bags_and_folders(tmp_path):
    from analyzer.demo import robot_text

    (tmp_path / "robot.toml").write_text(robot_text())
    logs = tmp_path / "logs"
    for name in ("a/one.csv", "a/two.parquet", "a/notes.txt", "b/bag/metadata.yaml", "b/bag/x.mcap",
                 "c/wheels.csv", "c/imu.jsonl", ".hidden/x.csv"):  # fmt: skip
        (logs / name).parent.mkdir(parents=True, exist_ok=True)
        (logs / name).write_text("x")
    faults: list[str] = []
    rules = read_robots(tmp_path / "robot.toml", None, faults)
    each = find_tasks(str(logs), str(tmp_path / "out"), rules, folders=False, faults=faults)
    assert [t.recording for t in each] == [
        "a/one.csv",
        "a/two.parquet",
        "b/bag",
        "c/imu.jsonl",
        "c/wheels.csv",
    ]
    assert [t.is_bag for t in each] == [False, False, True, False, False]
    together = find_tasks(str(logs), str(tmp_path / "out"), rules, folders=True, faults=faults)
    assert [t.recording for t in together] == ["a", "b/bag", "c"]
    assert not faults
    assert len({t.key for t in [*each, *together]}) == 7
    with pytest.raises(CrabwiseError, match="no log below it"):
        find_tasks(str(tmp_path / "nothing"), "out", rules, folders=False, faults=faults)


@pytest.mark.parametrize(
    "place", ["memory://archive", "memory://archive/b", "memory://archive/a/x.csv"]
)
def test_messages_name_the_archive_not_the_worker(tmp_path, place):
    import fsspec

    from analyzer.demo import robot_text
    from analyzer.fleet import analyse_one, read_fleet

    fs = fsspec.filesystem("memory")
    for name in ("a/x.csv", "b/metadata.yaml", "b/y.db3"):
        fs.pipe_file(f"/archive/{name}", b"1,2\n")
    (tmp_path / "robot.toml").write_text(robot_text())
    faults: list[str] = []
    rules = read_robots(tmp_path / "robot.toml", None, faults)
    tasks = find_tasks(place, str(tmp_path / "out"), rules, folders=False, faults=faults)
    assert [analyse_one(t).row["status"] for t in tasks] == ["failed"] * len(tasks)
    for row in read_fleet(str(tmp_path / "out")).to_pylist():
        assert "/tmp" not in row["message"]
        assert "unexpected" not in row["message"]
        assert "memory://archive" in row["message"]
    assert not faults


def _written(tmp_path, count: int, robot: str = "r") -> list[FleetTask]:
    from dataclasses import replace

    from analyzer.fleet import _failed, write_row

    tasks = []
    for k in range(count):
        name = f"{robot}/2026-03-02_{k:03d}.csv"
        task = replace(
            _task(name), key=f"{k:016x}", fingerprint="a" * 16, robot=robot, out=str(tmp_path)
        )
        write_row(task, _failed(task, f"reason {k}") | {"status": "ok"})
        tasks.append(task)
    return tasks


def test_packing_keeps_every_row_once(tmp_path):
    from dataclasses import replace

    from analyzer import fleet

    tasks = _written(tmp_path, 20)
    before = fleet.read_fleet(str(tmp_path), columns=fleet.ROW_SCHEMA.names)
    (place,) = fleet._to_pack(fleet._open(str(tmp_path), "")[0], str(tmp_path), 16)
    assert place == "rows/robot=r/date=2026-03-02"
    kept = tmp_path / "kept"
    import shutil

    shutil.copytree(tmp_path / place, kept)
    assert fleet.pack_partition(str(tmp_path), place) == 20
    (packed,) = (tmp_path / place).iterdir()
    assert packed.name.startswith("packed-")
    assert fleet.read_fleet(str(tmp_path), columns=fleet.ROW_SCHEMA.names).equals(before)
    assert fleet._open_tasks(tasks, again=False) == []
    # Cut short: the packed file is there, and some of its rows in files of their own as well.
    for single in sorted(kept.iterdir())[:7]:
        shutil.copy(single, tmp_path / place / single.name)
    assert fleet.read_fleet(str(tmp_path), columns=fleet.ROW_SCHEMA.names).equals(before)
    assert fleet.pack_partition(str(tmp_path), place) == 20
    assert len(list((tmp_path / place).iterdir())) == 1
    assert fleet.read_fleet(str(tmp_path), columns=fleet.ROW_SCHEMA.names).equals(before)
    # A recording that changed loses its row in the packed file, and no other does.
    changed = [replace(t, fingerprint="b" * 16) if k in (3, 11) else t for k, t in enumerate(tasks)]
    assert [t.recording for t in fleet._open_tasks(changed, again=False)] == [
        tasks[3].recording, tasks[11].recording,
    ]  # fmt: skip
    left = fleet.read_fleet(str(tmp_path), columns=["message"])["message"].to_pylist()
    assert sorted(left) == sorted(f"reason {k}" for k in range(20) if k not in (3, 11))


def test_a_worker_that_takes_its_word_along_costs_no_other_row(tmp_path):
    from analyzer import fleet

    one, other = (*_written(tmp_path, 1, "one"), *_written(tmp_path, 2, "other")[1:])
    answers = {"came": fleet.RowHome(fleet._failed(other, "here"))}

    class Client:
        """Gathers as Dask's does, which leaves out what it cannot get."""

        async def gather(self, futures, errors, asynchronous):
            assert (errors, asynchronous) == ("skip", True)
            return [answers[f] for f in futures if f in answers]

        def sync(self, ask, callback_timeout):
            assert callback_timeout == 10
            with pytest.raises(StopIteration) as end:  # browser tests leave a loop in this thread
                ask().send(None)
            return end.value.value

    run = fleet._Run(total=2, before=0, tell=lambda _progress: None)
    fleet._take_home(Client(), {"lost": one, "came": other}, run)
    (table,) = run.rows
    assert table.select(["robot", "message"]).to_pylist() == [{"robot": "other", "message": "here"}]
    assert run.failed == 1
