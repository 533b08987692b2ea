"""Trim by mass: the advised move is made to the simulated base, which is driven again."""

from dataclasses import replace

import numpy as np
import pytest

from analyzer.quantities import Estimate
from analyzer.remedies import find_remedies
from analyzer.robot import MovableMass
from analyzer.simulate import Truth, usual_script
from tests.recovery.test_prediction import base, drift, recorded


def moves(mode, truth):
    robot = base(mode)
    diagnosis, motion = recorded(robot, truth)
    remedies = find_remedies(robot, diagnosis, motion)
    return diagnosis, motion, [r for r in remedies if r["kind"] == "move_mass"]


# Within tolerance each, but they add up; with and without a mass to the side on top.
SMALL = np.array([1.25, 1.2, 0.9, 0.85])


@pytest.mark.parametrize("c_y", [0.0, -0.03])
def test_small_differences_are_trimmed_and_the_base_then_goes_straight(c_y):
    truth = Truth(roller_drag=SMALL, c_y=c_y)
    diagnosis, motion, advised = moves("power", truth)
    first = "mass_off_centre" if c_y else "none"
    assert diagnosis.causes[0]["cause"] == first
    assert len(advised) == 1
    shift, trim = advised[0]["shift_m"], advised[0]["trim_m"]
    assert abs(trim) > 2e-3 and "trim" in advised[0]["text"].lower()
    changed = replace(truth, c_x=truth.c_x + shift["x"], c_y=truth.c_y + shift["y"])
    _, after = recorded(base("power"), changed, seed=5)
    for speed in ("slow", "fast"):
        before = drift(motion, speed)
        assert abs(drift(after, speed)) < max(0.2 * abs(before), 0.6)
    assert abs(drift(motion, "slow")) > 2.0
    effect = advised[0]["expected_effect"]["yaw_drift_deg_per_m"]
    assert effect["interval95"][0] < 0 < effect["interval95"][1]


@pytest.mark.parametrize(
    ("mode", "truth"),
    [
        ("wheel_speed", Truth(roller_drag=SMALL)),  # load does not steer a base whose wheels hold
        ("power", Truth()),  # nothing to trim
        ("power", Truth(roller_drag=np.array([1, 4.0, 1, 1]))),  # service comes first
    ],
)
def test_no_trim_where_it_would_not_help_or_is_not_needed(mode, truth):
    assert moves(mode, truth)[2] == []


def test_a_mass_is_moved_the_way_that_is_known_and_not_trimmed():
    # Without turns nothing tells how far to a side the mass sits.
    script = [step for step in usual_script((0.3, 0.7)) if not step[2]]
    robot = base("power")
    diagnosis, motion = recorded(robot, Truth(c_x=-0.04), script=script)
    assert diagnosis.causes[0]["cause"] == "mass_off_centre"
    assert diagnosis.centre_of_mass_y.value is None
    remedies = find_remedies(robot, diagnosis, motion)
    (move,) = [r for r in remedies if r["kind"] == "move_mass"]
    assert move["shift_m"]["x"] == pytest.approx(0.04, abs=0.008)
    assert (move["shift_m"]["y"], move["trim_m"]) == (0.0, 0.0)
    asked = [r["text"] for r in remedies if r["kind"] == "record_more"]
    assert any(t.startswith("How far to a side") and "turn on the spot" in t for t in asked)


def test_a_mass_that_no_pass_locates_is_not_moved():
    robot = base("power")
    diagnosis, motion = recorded(robot, Truth(c_x=-0.04))
    open_ = Estimate.undetermined("m", "needs: hard starts")
    diagnosis = replace(diagnosis, centre_of_mass_x=open_, centre_of_mass_y=open_)
    remedies = find_remedies(robot, diagnosis, motion)
    assert [r for r in remedies if r["kind"] == "move_mass"] == []
    asked = [r["text"] for r in remedies if r["kind"] == "record_more"]
    assert sum("hard starts" in t for t in asked) == 2


def test_a_mass_within_its_error_is_not_moved_by_nothing():
    robot = base("power")
    diagnosis, motion = recorded(robot, Truth(c_x=-0.04))
    little = Estimate.of(-0.003, 0.004, "m")
    diagnosis = replace(diagnosis, centre_of_mass_x=little, centre_of_mass_y=little)
    remedies = find_remedies(robot, diagnosis, motion)
    assert not any(
        np.any(list(r["shift_m"].values()))
        for r in remedies
        if r["kind"] == "move_mass" and not r["trim_m"]
    )
    assert any("too uncertain" in r["text"] for r in remedies)


@pytest.mark.parametrize(("wheel", "at"), [("FL", 0), ("RR", 3)])
def test_a_wheel_near_its_tolerance_is_looked_at_before_masses_are_moved(wheel, at):
    drag = np.ones(4)
    drag[at] = 1.6
    robot = base("power")
    diagnosis, motion = recorded(robot, Truth(roller_drag=drag))
    first = diagnosis.causes[0]
    assert first["cause"] == "none" and first["probability"] < 0.9
    remedies = find_remedies(robot, diagnosis, motion)
    assert [r["kind"] for r in remedies if r["kind"] != "record_more"] == ["service_wheel"]
    look = next(r for r in remedies if r["kind"] == "service_wheel")
    assert (look["wheel"], look["part"]) == (wheel, "roller_drag")
    assert look["text"].startswith(f"Look at wheel {wheel} first: with a probability of ")
    assert "blocks" in look["caution"]
    low, high = look["expected_effect"]["yaw_drift_deg_per_m"]["interval95"]
    assert low < 0 < high  # all others are alike, so the serviced base goes straight
    assert abs(diagnosis.drift.value) > 5


def test_a_trim_that_the_masses_cannot_reach_is_not_advised():
    stuck = replace(
        base("power"),
        masses=(
            MovableMass(
                name="battery",
                mass_kg=0.5,
                x_m=0.0,
                y_m=0.0,
                x_range_m=(-0.01, 0.01),
                y_range_m=None,
            ),
        ),
    )
    diagnosis, motion = recorded(stuck, Truth(roller_drag=SMALL))
    assert diagnosis.causes[0]["cause"] == "none"
    assert [r for r in find_remedies(stuck, diagnosis, motion) if r["kind"] == "move_mass"] == []
