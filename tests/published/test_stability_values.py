"""Centre of mass from scales and lift, tip limits, against published and derived values."""

import math

import numpy as np
import pytest

from analyzer.stability import (
    GRAVITY,
    centre_error,
    centre_from_loads,
    cross_weight,
    height_error,
    height_from_lift,
    tip_limits,
    wheel_loads,
)

X = np.array([0.2, 0.2, -0.2, -0.2])
Y = np.array([0.169, -0.169, 0.169, -0.169])


def test_four_scales():
    """Moment balance (ISO 10392, level part; from memory). The example is derived by hand."""
    loads = np.array([6, 5, 4.5, 4.5])
    x_c, y_c = centre_from_loads(X, Y, loads)
    assert x_c == pytest.approx(0.02000, abs=5e-6)
    assert y_c == pytest.approx(0.00845, abs=5e-6)
    assert 100 * cross_weight(loads) == pytest.approx(52.5, abs=1e-9)


def test_height_by_axle_lift():
    """Three independent published derivations of one form; ISO 10392:2011 has the same (memory).

    L = 2.5 m, W = 1500, 800 level, 820 lifted by 0.5 m, r = 0.3 m: h - r = 0.1632993 m.
    """
    height = height_from_lift(2.5, 800, 820, 1500, 0.5, 0.3)
    assert height - 0.3 == pytest.approx(0.1632993, abs=5e-8)
    assert height == pytest.approx(0.4632993, abs=5e-8)
    # The other published form: h = (b - L R_f / W) cot theta + r, b = L W_f / W level, lifted rear.
    angle = math.asin(0.5 / 2.5)
    other = (2.5 * 820 / 1500 - 2.5 * 800 / 1500) / math.tan(angle) + 0.3
    assert height == pytest.approx(other, rel=1e-12)
    with pytest.raises(ValueError, match="lift"):
        height_from_lift(2.5, 800, 820, 1500, 2.6, 0.3)


def test_errors_agree_with_random_readings():
    rng = np.random.default_rng(0)
    loads = np.array([6, 5, 4.5, 4.5])
    drawn = loads + rng.normal(0, 0.05, (20_000, 4))
    centres = np.array([centre_from_loads(X, Y, row) for row in drawn])
    # 20,000 draws give a standard deviation to 0.5 %.
    assert centres.std(axis=0) == pytest.approx(centre_error(X, Y, loads, 0.05), rel=0.02)
    heights = [
        height_from_lift(2.5, 800 + a, 820 + b, 1500, 0.5 + c, 0.3)
        for a, b, c in rng.normal(0, (1.0, 1.0, 0.002), (20_000, 3))
    ]
    assert np.std(heights) == pytest.approx(
        height_error(2.5, 1.0, 1500, 0.5, 0.002, 0.1632993), rel=0.03
    )


def test_loads_of_equal_springs_and_back():
    """N_i = W/4 (1 + x_c x_i / l_x^2 + y_c y_i / l_y^2) for a rectangle [derived]."""
    centre = np.array([0.013, -0.021])
    loads = wheel_loads(X, Y, 20.0, centre)
    by_hand = 5 * (1 + centre[0] * X / 0.2**2 + centre[1] * Y / 0.169**2)
    assert loads == pytest.approx(by_hand, rel=1e-12)
    assert centre_from_loads(X, Y, loads) == pytest.approx(tuple(centre), abs=1e-12)


def test_tip_limit():
    """a = g d / h: d = 0.15 m, h = 0.3 m gives 4.9033 m/s^2; atan(d / h) = 26.56505 deg."""
    y = np.array([0.15, -0.15, 0.15, -0.15])
    limits = {t.direction: t for t in tip_limits(X, y, np.zeros(2), 0.3)}
    assert limits["left"].tip == pytest.approx(4.9033, abs=5e-5)
    assert math.degrees(math.atan(limits["left"].tip / GRAVITY)) == pytest.approx(
        26.56505, abs=5e-6
    )
    # In the middle of a rectangle both wheels of a side lift as the base tips.
    assert limits["left"].first_lift == pytest.approx(limits["left"].tip, rel=1e-9)
    assert limits["ahead"].tip == pytest.approx(GRAVITY * 0.2 / 0.3, rel=1e-9)


def test_one_wheel_lifts_before_the_base_tips_with_mass_off_centre():
    limits = {t.direction: t for t in tip_limits(X, Y, np.array([0.05, 0.0]), 0.25)}
    left = limits["left"]
    assert left.first_lift < left.tip
    # Accelerating to the left unloads the left wheels; the mass is ahead, so the rear one lifts.
    assert left.wheel == 2
    still = np.array([0.05, -left.first_lift * 0.25 / GRAVITY])
    assert wheel_loads(X, Y, 1.0, still)[2] == pytest.approx(0.0, abs=1e-12)


def test_eight_wheels():
    x = np.repeat([0.27, 0.09, -0.09, -0.27], 2)
    y = np.tile([0.17, -0.17], 4)
    loads = wheel_loads(x, y, 22.0, np.array([-0.04, 0.01]))
    assert loads.sum() == pytest.approx(22.0, rel=1e-12)
    assert centre_from_loads(x, y, loads) == pytest.approx((-0.04, 0.01), abs=1e-12)
