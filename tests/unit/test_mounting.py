"""How the accelerometer is mounted, from ramps ahead and astern."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analyzer.motion import describe_motion
from analyzer.pipeline import analyze

SAMPLES = Path(__file__).parents[2] / "sample_logs"


@pytest.fixture(scope="module")
def sound():
    return analyze([SAMPLES / "book_cart_sound.parquet"], SAMPLES / "book_cart.toml")


@pytest.mark.parametrize("degrees", [-120, 0, 5, 90, 179, 180])
def test_a_turned_accelerometer_is_told_by_its_angle(sound, degrees):
    # The same recording as an accelerometer turned by so much about the vertical axis has it.
    turn = math.radians(degrees)
    axes = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    force = sound.run.specific_force.copy()
    force[:, :2] = force[:, :2] @ axes.T
    found = describe_motion(replace(sound.run, specific_force=force), sound.passes).mounting_yaw
    plain = sound.motion.mounting_yaw
    assert abs(plain.value) < 2
    off = (found.value - plain.value - degrees + 180) % 360 - 180
    assert off == pytest.approx(0, abs=1e-6)
    assert found.std_error == pytest.approx(plain.std_error, rel=1e-6)
