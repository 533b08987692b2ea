"""The shelf: filing, listing, trend, migration, two writers, killed writers."""

import json
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow.dataset as ds
import pytest

from analyzer import shelf as shelf_module
from analyzer.quantities import CrabwiseError
from analyzer.shelf import (
    Service,
    add_result,
    change_points,
    forecast,
    join_index,
    list_measures,
    list_results,
    load_entry,
    measures,
    parse_service,
    refresh,
    trend,
    trends,
)
from tests.stress.shelf import START, check, estimate, kill_writers, small_result, timed

DAY = timedelta(days=1)


def season(shelf, count=24, *, service_at=12, rng=None, robot="cart 1"):
    """Wear of 0.2 deg/m a recording, undone by a service."""
    rng = rng or np.random.default_rng(0)
    for k in range(count):
        worn = k if k < service_at else k - service_at
        add_result(
            shelf,
            small_result(rng, robot=robot, drift=-1.0 - 0.2 * worn),
            note=f"check {k}",
            service=[Service(wheel="FL", what="rollers cleaned", hours=None)]
            if k == service_at
            else [],
            recorded_at=START + k * DAY,
        )


def test_what_is_filed_comes_back(tmp_path):
    rng = np.random.default_rng(1)
    result = small_result(rng)
    name = add_result(
        tmp_path, result, note="after lunch", recorded_at=START, hours=41.5,
        service=[Service(wheel="FL", what="rollers cleaned", hours=41.0)],
    )  # fmt: skip
    entry = load_entry(tmp_path, name)
    assert entry["schema"] == "crabwise-shelf/1"
    assert entry["result"] == result
    (row,) = list_results(tmp_path)
    assert row["id"] == name
    assert (row["robot"], row["note"], row["hours"]) == ("cart 1", "after lunch", 41.5)
    assert row["service"] == [{"wheel": "FL", "what": "rollers cleaned", "hours": 41.0}]
    assert row["recorded_at"] == START
    assert row["cause"] == "roller_drag FL"


def test_index_is_plain_parquet(tmp_path):
    name = add_result(tmp_path, small_result(np.random.default_rng(2)), recorded_at=START)
    table = ds.dataset(tmp_path / "index", format="parquet").to_table()
    rows = [r for r in table.to_pylist() if r["measure"] == "yaw_drift.left"]
    assert [r["id"] for r in rows] == [name]
    assert rows[0]["unit"] == "°/m"


def test_measures_of_a_result():
    result = small_result(np.random.default_rng(3))
    found = measures(result)
    left, right = (result["yaw_drift_deg_per_m"][s]["total"]["value"] for s in ("left", "right"))
    assert found["yaw_drift.odd"].value == pytest.approx((left - right) / 2)
    assert found["closure.odd"].value == pytest.approx(5.0)
    assert found["current.FL.sideways"].value == pytest.approx(0.8, abs=0.05)
    assert found["cause.roller_drag.FL"].value == 0.8
    assert "centre_of_mass_m.y" not in found  # undetermined


def test_list_filters(tmp_path):
    season(tmp_path, 10, service_at=5)
    add_result(tmp_path, small_result(np.random.default_rng(4), robot="cart 2"), recorded_at=START)
    assert len(list_results(tmp_path)) == 11
    assert len(list_results(tmp_path, robot="cart 1")) == 10
    span = list_results(tmp_path, robot="cart 1", since=START + 2 * DAY, until=START + 4 * DAY)
    assert [r["note"] for r in span] == ["check 2", "check 3", "check 4"]
    assert len(list_results(tmp_path, text="ROLLERS")) == 1
    assert len(list_results(tmp_path, cause="roller_drag")) == 11
    assert list_results(tmp_path, cause="mass_off_centre") == []
    newest = list_results(tmp_path, robot="cart 1", newest=2)
    assert [r["note"] for r in newest] == ["check 8", "check 9"]


def test_joining_keeps_every_row_once(tmp_path, monkeypatch):
    monkeypatch.setattr(shelf_module, "JOIN_AT", 4)
    monkeypatch.setattr(shelf_module, "JOINED_MOST", 2)
    season(tmp_path, 24)
    files = list((tmp_path / "index").glob("*.parquet"))
    assert len(files) < 10
    assert len(list_results(tmp_path)) == 24
    # A writer killed between writing the joined file and removing the single ones.
    copies = [(f, (tmp_path / "kept").with_name(f"one-again-{f.name}")) for f in files]
    for f, copy in copies:
        shutil.copy(f, tmp_path / "index" / copy.name)
    assert len(list_results(tmp_path)) == 24
    assert trend(tmp_path, "yaw_drift.odd").value.size == 24
    join_index(tmp_path)
    assert len(list_results(tmp_path)) == 24


def test_lost_index_is_rebuilt(tmp_path):
    season(tmp_path, 6)
    for f in (tmp_path / "index").glob("*.parquet"):
        f.unlink()
    assert len(list_results(tmp_path)) == 6  # read from the entries themselves
    assert refresh(tmp_path) == 6
    assert refresh(tmp_path) == 0
    assert len(list_results(tmp_path)) == 6


def test_damaged_index_is_told_and_can_be_removed(tmp_path):
    season(tmp_path, 2)
    next((tmp_path / "index").glob("*.parquet")).write_bytes(b"nonsense")
    with pytest.raises(CrabwiseError, match="Remove the .parquet files"):
        list_results(tmp_path)
    for f in (tmp_path / "index").glob("*.parquet"):
        f.unlink()
    assert len(list_results(tmp_path)) == 2


def test_bare_result_is_migrated_and_newer_versions_are_refused(tmp_path):
    season(tmp_path, 2)
    old = small_result(np.random.default_rng(5))
    old["recorded_at"] = "2026-02-01T08:00:00+00:00"
    (tmp_path / "results" / "by_hand.json").write_text(json.dumps(old))
    rows = {r["id"]: r for r in list_results(tmp_path)}
    assert rows["by_hand"]["recorded_at"] == datetime(2026, 2, 1, 8, tzinfo=UTC)
    assert load_entry(tmp_path, "by_hand")["schema"] == "crabwise-shelf/1"
    (tmp_path / "results" / "by_hand.json").write_text(json.dumps({"schema": "crabwise-shelf/9"}))
    with pytest.raises(CrabwiseError, match="newer Crabwise"):
        load_entry(tmp_path, "by_hand")
    (tmp_path / "results" / "by_hand.json").write_text("{}")
    with pytest.raises(CrabwiseError, match="not a Crabwise result"):
        list_results(tmp_path)


def test_index_of_a_newer_version_is_refused_and_of_an_older_one_read(tmp_path):
    from pyarrow import parquet

    season(tmp_path, 3)
    (old,) = [f for f in (tmp_path / "index").glob("one-*") if "20260105" in f.name]
    parquet.write_table(parquet.read_table(old).drop_columns(["hours"]), old)  # lacks a column
    rows = list_results(tmp_path)
    assert [r["hours"] for r in rows] == [None] * 3
    join_index(tmp_path)
    assert len(list_results(tmp_path)) == 3
    old = next((tmp_path / "index").glob("all-*"))
    old.rename(old.with_name(old.name.replace("-v1-", "-v2-")))
    with pytest.raises(CrabwiseError, match="newer Crabwise"):
        list_results(tmp_path)


def test_which_wheel_reaches_the_limit_first(tmp_path):
    rng = np.random.default_rng(12)
    for k in range(12):
        result = small_result(rng)
        for wheel, rate in (("FL", 0.004), ("RR", 0.002)):
            slip = 0.04 + rate * k + rng.normal(0, 0.0005)
            result["wheels"][wheel]["slip_ratio"] = {"left": estimate(slip, 0.0005)}
        add_result(tmp_path, result, recorded_at=START + k * DAY, hours=2.0 * k)
    found = trends(tmp_path, "slip_ratio.*.left", limit=0.1)
    assert [t.measure for t in found[:2]] == ["slip_ratio.FL.left", "slip_ratio.RR.left"]
    # 0.06 to go at 0.002 an hour: 30 h; RR at half of it: 60 h.
    for course, truth in zip(found, (30.0, 60.0), strict=False):
        assert course.axis == "hours"
        assert course.crossing.low <= truth <= course.crossing.high
    assert {t.crossing.value for t in found[2:]} == {None}
    with pytest.raises(CrabwiseError, match="no measure matches"):
        trends(tmp_path, "nonsense.*")


def test_missing_shelf_and_unknown_measure(tmp_path):
    with pytest.raises(CrabwiseError, match="no shelf there"):
        list_results(tmp_path / "nowhere")
    season(tmp_path, 3)
    with pytest.raises(CrabwiseError, match=r"yaw_drift\.left"):
        trend(tmp_path, "yaw_drit.left")
    add_result(tmp_path, small_result(np.random.default_rng(6), robot="cart 2"), recorded_at=START)
    with pytest.raises(CrabwiseError, match="cart 1, cart 2"):
        trend(tmp_path, "yaw_drift.left")
    assert "closure.odd" in list_measures(tmp_path)


def test_trend_with_service_change_and_forecast(tmp_path):
    season(tmp_path)
    course = trend(tmp_path, "yaw_drift.odd", limit=-6.0)
    assert course.axis == "days"
    assert [(s["wheel"], s["before"]) for s in course.services] == [("FL", 12)]
    assert 12 in course.changes
    # Truth: -0.2 a day since the service on day 12, from -1: -6 is reached on day 37.
    assert course.slope.low <= -0.2 <= course.slope.high
    assert course.crossing.low <= 37 <= course.crossing.high
    assert course.crossing.high - course.crossing.low < 10


def test_crossing_interval_covers():
    """Fieller: 1,000 simulated courses, 95 % interval, 93 to 97 % accepted."""
    rng = np.random.default_rng(7)
    at = np.arange(12.0)
    held = []
    for _ in range(1000):
        value = 1.0 + 0.3 * at + rng.normal(0, 0.25, at.size)
        _, crossing = forecast(at, value, np.zeros(at.size), 8.0, "A", "days")
        held.append(crossing.low <= 7.0 / 0.3 <= crossing.high)
    assert 0.93 <= np.mean(held) <= 0.97


def test_level_course_foretells_nothing():
    rng = np.random.default_rng(8)
    told = 0
    for _ in range(300):
        values = rng.normal(0, 1, 10)
        _, crossing = forecast(np.arange(10.0), values, np.zeros(10), 50.0, "", "days")
        told += crossing.value is not None
        assert crossing.value is not None or "limit" in crossing.why or "level" in crossing.why
    # 2.5 % seem to rise towards the limit, 2.5 % to fall from it; binomial scatter 1.3 %.
    assert told / 300 < 0.08


def test_changes_are_found_and_not_invented():
    rng = np.random.default_rng(9)
    at = np.arange(40.0)
    invented = sum(bool(change_points(at, rng.normal(0, 1, 40) + 0.1 * at)) for _ in range(200))
    assert invented <= 10  # a slope is no change
    step = 6.0 * (at >= 25)
    found = [change_points(at, rng.normal(0, 1, 40) + step) for _ in range(50)]
    near = sum(any(abs(c - 25) <= 1 for c in f) for f in found)
    assert near >= 45


def test_service_entries_are_read():
    wheels = ("FL", "FR")
    assert parse_service("FL: rollers cleaned @ 41.5 h", wheels) == Service(
        wheel="FL", what="rollers cleaned", hours=41.5
    )
    assert parse_service("battery moved ahead", wheels).wheel is None
    assert parse_service("new floor: hall B", wheels).what == "new floor: hall B"
    with pytest.raises(CrabwiseError, match="no wheel 'XX'"):
        parse_service("XX: cleaned", wheels)
    with pytest.raises(CrabwiseError, match="say what was done"):
        parse_service("FL: ", wheels)


def test_two_writers_at_once(tmp_path):
    code = (
        "import sys, numpy as np; from tests.stress.shelf import *; "
        "rng = np.random.default_rng(int(sys.argv[2])); "
        "[add_result(sys.argv[1], small_result(rng), recorded_at=START) for _ in range(60)]"
    )
    root = Path(__file__).parents[2]
    running = [
        subprocess.Popen([sys.executable, "-c", code, str(tmp_path), str(k)], cwd=root)
        for k in range(2)
    ]
    for process in running:
        assert process.wait(120) == 0
    assert len(list_results(tmp_path)) == 120
    assert check(tmp_path, []) == []


def test_killed_writers_lose_nothing(tmp_path):
    """A smaller version of `python -m tests.stress.shelf kill DIR 1000`."""
    filed, lost = kill_writers(tmp_path / "shelf", 20, np.random.default_rng(10))
    assert len(filed) >= 20
    assert lost == []


def test_ten_thousand_results_are_listed_filtered_and_followed(tmp_path):
    """In bounded memory; the times are measured by ``python -m tests.stress.shelf fill``."""
    rng = np.random.default_rng(11)
    entry = load_entry(tmp_path, add_result(tmp_path, small_result(rng), recorded_at=START))
    shutil.rmtree(tmp_path / "results")
    shutil.rmtree(tmp_path / "index")
    (tmp_path / "results").mkdir()
    (tmp_path / "index").mkdir()
    import pyarrow as pa
    from pyarrow import parquet

    rows = shelf_module.index_rows(entry)
    at = rows.column_names.index("id")
    tables = []
    for k in range(10_000):
        name = f"entry-{k}"
        (tmp_path / "results" / f"{name}.json").touch()
        table = rows.set_column(at, "id", pa.array([name] * len(rows)))
        moment = pa.array([START + k * DAY / 50] * len(rows), rows.schema.field("recorded_at").type)
        robot = pa.array([f"cart {k % 4}"] * len(rows))
        table = table.set_column(rows.column_names.index("recorded_at"), "recorded_at", moment)
        tables.append(table.set_column(rows.column_names.index("robot"), "robot", robot))
    whole = pa.concat_tables(tables).cast(shelf_module.SCHEMA)
    parquet.write_table(whole, tmp_path / "index" / "all-made-up.parquet", compression="zstd")
    for name, (_took, peak, size) in timed(tmp_path).items():
        assert peak < 64, name
        assert size > 0 or name == "filter by text"


@pytest.mark.parametrize("number", ["1e999", "-2.5e200", "Infinity", "NaN", "9" * 40])
def test_an_entry_with_a_number_beyond_sense_is_refused_in_words(tmp_path, number):
    season(tmp_path, 1)
    (path,) = (tmp_path / "results").glob("*.json")
    entry = json.loads(path.read_text())
    entry["result"]["passes"][0]["distance_m"] = 0.125
    path.write_text(json.dumps(entry).replace("0.125", number, 1))
    with pytest.raises(CrabwiseError, match="not readable as a result.*beyond all sense"):
        load_entry(tmp_path, path.stem)
