"""One wheel of the wrong hand among eight: the others carry on, so only the whole balance tells."""

from dataclasses import replace

import numpy as np
import pytest

from analyzer.robot import parse_robot
from analyzer.simulate import Truth
from tests.recovery.test_prediction import recorded

ONES = np.ones(8)


def octo():
    lines = [
        '[robot]\nname = "made up, eight wheels"\nmass_kg = 60.0\nyaw_inertia_kgm2 = 7.0\ndrive_mode = "power"'
    ]
    for k, (x, y) in enumerate((x, y) for x in (0.42, 0.14, -0.14, -0.42) for y in (0.3, -0.3)):
        # Rollers show an X over the front half and the rear half, as on four wheels.
        angle = -45 if x * y > 0 else 45
        lines.append(
            f"[wheels.W{k + 1}]\nx_m = {x}\ny_m = {y}\nradius_m = 0.076\nroller_angle_deg = {angle}\n"
            f"counts_per_turn = 4096\n[wheels.W{k + 1}.motor]\ntorque_per_ampere = 0.5\n"
            "volts_per_rad_s = 0.7\nresistance_ohm = 1.0"
        )
    return parse_robot("\n".join(lines), "made up")


def truth(**over):
    return replace(
        Truth(roller_drag=ONES, axle_drag=ONES, resistance=ONES, radius=ONES, yaw_inertia=7.0),
        **over,
    )


@pytest.mark.parametrize("wheel", [2, 7])
def test_the_wheel_is_named(wheel):
    described = octo()
    angle = described.roller_angle.copy()
    angle[wheel] *= -1
    driven = replace(described, roller_angle=angle)
    diagnosis, _ = recorded(driven, truth(), described=described)
    first = diagnosis.causes[0]
    assert (first["cause"], first["wheel"]) == ("roller_lean_reversed", f"W{wheel + 1}")
    assert first["probability"] > 0.8
    assert diagnosis.centre_of_mass_x.value is None


def test_a_stiff_wheel_is_not_taken_for_one():
    diagnosis, _ = recorded(octo(), truth(roller_drag=np.array([1, 1, 5.0, 1, 1, 1, 1, 1])))
    first = diagnosis.causes[0]
    assert (first["cause"], first["wheel"]) == ("roller_drag", "W3")
