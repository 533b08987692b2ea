"""Diagnosis and motion against stored recordings of the MuJoCo bench, which shares no code with it."""

import json
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyzer.pipeline import analyze

CASES = sorted((Path(__file__).parents[1] / "data" / "bench").iterdir())


@cache
def analysed(folder):
    return analyze([folder / "log.parquet"], folder / "robot.toml").result


def truth_of(folder):
    return json.loads((folder / "truth.json").read_text())


WHOLE = [f for f in CASES if "no_reference" not in f.name]
"""Those whose motion is measured."""


SLIDES = ("grip", "1020")
"""Those in which wheels slide so much that forces and rolling tell nothing."""


def test_the_stored_cases_are_there():
    assert len(CASES) == 11
    assert len(WHOLE) == 9


@pytest.mark.parametrize("folder", CASES, ids=lambda f: f.name)
def test_first_cause_is_the_planted_one(folder):
    said = analysed(folder)["causes"][0]
    planted = truth_of(folder)["causes"][0]
    assert (said["cause"], said["wheel"]) == (planted["cause"], planted["wheel"])
    assert said["probability"] > 0.5


@pytest.mark.parametrize("folder", WHOLE, ids=lambda f: f.name)
def test_centre_of_mass_is_found_or_refused(folder):
    centre, truth = analysed(folder)["chassis"]["centre_of_mass_m"], truth_of(folder)
    if min(truth["handed"]) < 0 or any(mark in folder.name for mark in SLIDES):
        assert centre["x"]["value"] is None and "slide or fight" in centre["x"]["why"]
        return
    for axis, name in (("x", "cg_dx"), ("y", "cg_dy")):
        low, high = centre[axis]["interval95"]
        assert low <= truth[name] <= high
        assert abs(centre[axis]["value"] - truth[name]) < 0.010


def drift_of(table, script):
    """Heading change per metre of every plain sideways pass, as really driven. [deg/m]"""
    sums = {}
    for k, step in enumerate(script):
        part = table[table.seg == k]
        if step[1] and not step[0] and len(step) == 4 and len(part) > 5:
            x, y, yaw = (part[c].to_numpy() for c in ("x", "y", "yaw"))
            c, s = np.cos(yaw[0]), np.sin(yaw[0])
            left = -s * (x[-1] - x[0]) + c * (y[-1] - y[0])
            entry = sums.setdefault("left" if left > 0 else "right", [0.0, 0.0])
            entry[0] += np.degrees(yaw[-1] - yaw[0])
            entry[1] += np.hypot(x[-1] - x[0], y[-1] - y[0])
    return {side: float(turned / path) for side, (turned, path) in sums.items()}


@pytest.mark.parametrize("folder", WHOLE, ids=lambda f: f.name)
def test_yaw_drift_is_what_the_base_did(folder):
    truth = drift_of(pd.read_parquet(folder / "truth.parquet"), truth_of(folder)["script"])
    assert set(truth) == {"left", "right"}
    for side, drift in truth.items():
        said = analysed(folder)["yaw_drift_deg_per_m"][side]["total"]["value"]
        assert said == pytest.approx(drift, abs=0.1 + 0.03 * abs(drift))


ROLLS = [f for f in WHOLE if not any(mark in f.name for mark in ("lean", *SLIDES))]


@pytest.mark.parametrize("folder", ROLLS, ids=lambda f: f.name)
def test_radii_lie_in_their_intervals(folder):
    radius = np.array(truth_of(folder)["radius_scale"])
    relative = radius / radius.mean()
    for wheel, true in zip(analysed(folder)["wheels"].values(), relative, strict=True):
        low, high = wheel["relative_radius"]["interval95"]
        assert low <= true <= high
        # Wheels of a rocking base carry too little to show theirs well.
        assert abs(wheel["relative_radius"]["value"] - true) < (
            0.010 if "985" in folder.name else 0.0035
        )


def test_a_base_that_rocks_on_a_diagonal_is_not_taken_for_poor_floor():
    """A rigid base whose wheel RR is 1.5 % smaller stands on FR and RL: statics, four points."""
    for size, light in (("985", {"FL", "RR"}), ("1020", {"FR", "RL"})):
        folder = next(f for f in CASES if f"radius_RR_{size}" in f.name)
        load = pd.read_parquet(folder / "truth.parquet")[["N_FL", "N_FR", "N_RL", "N_RR"]].mean()
        lifted = {name[2:] for name, force in load.items() if force < 0.5 * load.mean()}
        assert lifted == light
        (told,) = (f["text"] for f in analysed(folder)["findings"] if "rocks" in f["text"])
        carry_little = told.split(": ")[1]
        assert all(name in carry_little for name in light)
        assert "low_grip" not in {c["cause"] for c in analysed(folder)["causes"]}


def without_forces(folder, tmp_path):
    table = pd.read_parquet(folder / "log.parquet")
    table.filter(regex="^(?!cur_|volt_)").to_parquet(tmp_path / "log.parquet")
    return analyze([tmp_path / "log.parquet"], folder / "robot.toml").result["causes"][0]


def test_without_forces_the_larger_wheel_of_a_rocking_base_is_told(tmp_path):
    first = without_forces(next(f for f in CASES if "radius_RR_1020" in f.name), tmp_path)
    assert (first["cause"], first["wheel"]) == ("radius_mismatch", "RR")
    assert first["magnitude"]["value"] == pytest.approx(2.0, abs=0.4)


def test_without_forces_a_smaller_wheel_and_one_of_the_wrong_hand_stay_open(tmp_path):
    first = without_forces(next(f for f in CASES if "radius_RR_985" in f.name), tmp_path)
    assert first["cause"] == "undetermined"
    assert "FL and RR hardly carry" in first["evidence_for"][0]
    assert "or one wheel's rollers lean the other way" in first["evidence_for"][0]


def test_where_the_light_wheels_slide_off_radii_are_refused_and_loads_are_evened_first():
    folder = next(f for f in CASES if "radius_RR_1020" in f.name)
    for wheel in analysed(folder)["wheels"].values():
        assert wheel["relative_radius"]["value"] is None
        assert "FR and RL slide and carry too little" in wheel["relative_radius"]["why"]
    low, high = analysed(folder)["causes"][0]["magnitude"]["interval95"]
    assert low <= 2.0 <= high
    first = analysed(folder)["remedies"][0]
    assert (first["kind"], first["action"], first["wheel"]) == ("mounting", "even_load", "RR")
    assert "FR and RL carry little" in first["text"]
    assert "power off" in first["caution"] and "fingers" in first["caution"]
    # While they still hold a little, the load has to be evened, too; factors would not help.
    folder = next(f for f in CASES if "radius_RR_985" in f.name)
    kinds = [r.get("action", r["kind"]) for r in analysed(folder)["remedies"]]
    assert kinds[0] == "even_load" and "wheel_factors" not in kinds


def test_wrong_corner_is_reported_for_that_wheel_only():
    folder = next(f for f in WHOLE if "lean" in f.name)
    lean = {name: w["roller_lean"] for name, w in analysed(folder)["wheels"].items()}
    assert lean == {
        "FL": "as described", "FR": "as described", "RL": "as described", "RR": "reversed",
    }  # fmt: skip
    first = analysed(folder)["remedies"][0]
    assert first["kind"] == "mounting" and first["wheel"] == "RR"
    assert "power off" in first["caution"] and "blocks" in first["caution"]


def test_mass_aft_is_moved_ahead():
    folder = next(f for f in CASES if "mass_aft50" in f.name)
    remedy = next(r for r in analysed(folder)["remedies"] if r["kind"] == "move_mass")
    assert remedy["shift_m"]["x"] == pytest.approx(0.05, abs=0.006)
    before = analysed(folder)["yaw_drift_deg_per_m"]["left"]["total"]["value"]
    after = remedy["expected_effect"]["by_speed"][0]["yaw_drift_deg_per_m"]
    # The battery's range leaves 15 of 50 mm: a third of the drift may stay.
    assert remedy["remaining_m"]["x"] == pytest.approx(0.015, abs=0.006)
    assert after["value"] == pytest.approx(0.3 * before, abs=1.5)


def test_no_heading_hold_is_advised_where_something_has_to_be_mended_first():
    """A loop tuned on wheels that slide or fight, or on a gyro at fault, does not fit the mended base."""
    advised = {
        f.name.partition("__")[0]: any(r["kind"] == "heading_hold" for r in analysed(f)["remedies"])
        for f in CASES
    }
    gross = ("lean", "reversed", "gyro", "grip", "1020")
    assert not any(v for name, v in advised.items() if any(mark in name for mark in gross))
    assert advised["long_mass_aft50"]
