"""Fleets that the page finds, and what it reads of them."""

import datetime as dt
import json
import shutil
from dataclasses import replace

import pytest

from analyzer.fleet import FleetTask, read_fleet, write_row, write_summary
from analyzer.quantities import CrabwiseError
from analyzer.trends import summarise
from dashboard import ids
from dashboard.fleets import Fleets
from dashboard.jobs import Jobs
from dashboard.pages import Visit, fleet
from dashboard.settings import Settings
from dashboard.store import Store
from tests.dashboard.test_page import plain

START = dt.datetime(2026, 3, 1, tzinfo=dt.UTC)
CAUSES = {"cart a": "none", "cart b": "mass_off_centre", "cart c": "roller_drag"}


def fill(out, days=4):
    """Rows as workers write them: cart c drifts more each day; one recording failed."""
    plain_task = FleetTask(
        source="", recording="", files=(), is_bag=False, key="", fingerprint="f", robot="", robot_file="r.toml",
        robot_text="", modified=0.0, out=str(out),
    )  # fmt: skip
    for robot, cause in CAUSES.items():
        for day in range(days):
            name = f"{robot}/{day}.csv"
            task = replace(plain_task, recording=name, key=name.replace("/", "-"), robot=robot)
            drift = float(day) if robot == "cart c" else 0.1
            row = {
                "key": task.key,
                "recording": name,
                "status": "ok",
                "message": "",
                "recorded_at": START + dt.timedelta(days=day),
                "date_from": "log",
                "robot_file": "r.toml",
                "fingerprint": "f",
                "duration_s": 1800.0,
                "driven_m": 20.0,
                "passes": 12,
                "warnings": 0,
                "cause": cause,
                "cause_wheel": "FL" if cause == "roller_drag" else None,
                "cause_probability": 0.9,
                "causes": [],
                "wheels": [],
                "remedies": [],
                "result": "{}",
            }
            for side, sign in (("left", 1), ("right", -1)):
                row[f"yaw_drift_{side}_deg_per_m"] = sign * drift
                row[f"yaw_drift_{side}_deg_per_m_std_error"] = 0.05
            if robot == "cart a" and day == 1:
                row |= {"status": "failed", "message": "no <b>clock</b>", "cause": None}
            write_row(task, row)


@pytest.fixture
def shelf(tmp_path):
    folder = tmp_path / "shelf"
    fill(folder / "2026" / "spring")
    summary = summarise(read_fleet(str(folder / "2026" / "spring")).to_pylist())
    write_summary(str(folder / "2026" / "spring"), summary, "<p>")
    return folder


def test_fleets_are_found_and_nothing_else_can_be_opened(shelf, tmp_path):
    fill(tmp_path / "elsewhere", days=1)
    (shelf / "way").symlink_to(tmp_path / "elsewhere")
    fleets = Fleets(shelf=shelf, given=str(tmp_path / "elsewhere"))
    assert fleets.names() == [str(tmp_path / "elsewhere"), "2026/spring"]
    for name in ("../elsewhere", "way", "/etc", "2026", "", "s3://bucket/x"):
        with pytest.raises(CrabwiseError, match="no such fleet"):
            fleets.summary(name)
        with pytest.raises(CrabwiseError, match="no such fleet"):
            fleets.recordings(name)
    assert Fleets(shelf=shelf / "2026" / "spring").names() == ["."]
    assert Fleets().names() == []


def test_a_run_without_a_summary_yet_is_summed_up_from_its_rows(shelf):
    fleets = Fleets(shelf=shelf)
    written, finished = fleets.summary("2026/spring")
    assert finished and written["counts"]["failed"] == 1
    (shelf / "2026" / "spring" / "summary.json").unlink()
    (shelf / "rows").mkdir()  # no fleet, only called so
    (shelf / "rows" / "drive.csv").write_text("t,x\n")
    assert fleets.names() == ["2026/spring"]
    assert Store(shelf.parent / "root", shelf).offered() == (["rows/drive.csv"], [])
    again, finished = fleets.summary("2026/spring")
    assert not finished and again == written


def test_what_is_not_asked_for_is_not_read(shelf):
    fleets = Fleets(shelf=shelf)
    rows = fleets.recordings("2026/spring", "cart a").to_pylist()
    assert [r["recording"] for r in rows] == [f"cart a/{k}.csv" for k in (3, 2, 1, 0)]
    assert "result" not in rows[0]
    some = fleets.recordings("2026/spring", cause="roller_drag").to_pylist()
    assert {r["robot"] for r in some} == {"cart c"} and len(some) == 4
    assert fleets.recordings("2026/spring", "cart a", "roller_drag").num_rows == 0
    # Other robots' files may be damaged beyond reading: they are left alone.
    for file in (shelf / "2026" / "spring" / "rows" / "robot=cart%20c").rglob("*.parquet"):
        file.write_bytes(b"no parquet")
    assert fleets.recordings("2026/spring", "cart a").to_pylist() == rows
    with pytest.raises(CrabwiseError, match="cart%20c"):
        fleets.recordings("2026/spring")


@pytest.mark.parametrize("broken", ["{", "[1]", json.dumps({"schema": "other"}), "\udcff"])
def test_a_broken_summary_is_told(shelf, broken):
    path = shelf / "2026" / "spring" / "summary.json"
    path.write_text(broken, encoding="utf-8", errors="surrogateescape")
    with pytest.raises(CrabwiseError, match="not a summary of this version"):
        Fleets(shelf=shelf).summary("2026/spring")


def shown(store, **query):
    settings = Settings(root=store.root, shelf=store.shelf)
    jobs = Jobs(workers=1)
    try:
        visit = Visit(store=store, settings=settings, jobs=jobs, case=None, job=None, query=query)
        return plain(fleet.layout(visit))
    finally:
        jobs.close()


def listed(parts):
    """Recordings in the tables of the page; those that failed have a table of their own."""
    cells = [p["children"] for p in parts if p.get("data-label") == "recording"]
    return [c if isinstance(c, str) else c["props"]["children"][0] for c in cells]


def test_page_lists_recordings_and_says_when_there_is_nothing(shelf, tmp_path):
    store = Store(tmp_path / "root", shelf)
    parts = shown(store, robot="cart c", cause="roller_drag")
    assert any(p.get("id") == ids.FLEET_ROBOT and p["value"] == "cart c" for p in parts)
    assert listed(parts) == [f"cart c/{k}.csv" for k in (3, 2, 1, 0)] + ["cart a/1.csv"]
    text = json.dumps(parts, ensure_ascii=False)
    assert "3.000 ± 0.098 °/m" in text  # 1.96 standard errors of 0.05
    parts = shown(store, robot="gone")  # another fleet's robot
    assert len(listed(parts)) == 13  # all, and the failed one again
    assert "no <b>clock</b>" in json.dumps(parts, ensure_ascii=False)
    shutil.rmtree(shelf / "2026")
    text = json.dumps(shown(store), ensure_ascii=False)
    assert (
        "No result of a fleet was found in shelf" in text and "crabwise dashboard --fleet" in text
    )


def test_long_lists_open_on_a_click_and_tell_what_they_leave_out(tmp_path):
    fill(tmp_path / "shelf" / "year", days=50)
    parts = shown(Store(tmp_path / "root", tmp_path / "shelf"))
    text = json.dumps(parts, ensure_ascii=False)
    assert "The newest 100 of 150 recordings" in text
    assert "80 more" in text
    names = listed(parts)
    assert len(names) == 100 + 1  # and the one that failed
    assert len(set(names)) == 100 + 1


def test_a_fleet_at_an_address_is_shown():
    out = "memory://fleet-of-the-page"
    fill(out, days=2)
    fleets = Fleets(given=out)
    assert fleets.names() == [out]
    summary, finished = fleets.summary(out)
    assert not finished and summary["counts"]["recordings"] == 6
    write_summary(out, summary, "<p>")
    assert fleets.summary(out) == (summary, True)
    assert fleets.recordings(out, "cart b").num_rows == 2
