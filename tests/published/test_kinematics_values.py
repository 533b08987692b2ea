"""Kinematics against published matrices and worked examples."""

import numpy as np
import pytest

from analyzer.kinematics import closure_basis, integrate_twist, odometry_matrix, rolling_matrix


def base(l_x, l_y, r, order, flip=1.0):
    places = {"FL": (1, 1, -45), "FR": (1, -1, 45), "RL": (-1, 1, 45), "RR": (-1, -1, -45)}
    rows = [places[n] for n in order]
    x = np.array([l_x * p[0] for p in rows])
    y = np.array([l_y * p[1] for p in rows])
    g = np.radians([flip * p[2] for p in rows])
    return rolling_matrix(x, y, np.zeros(4), g, np.full(4, r))


ORDER = ("FL", "FR", "RL", "RR")


def test_four_mecanum_matrix_of_lynch_and_park():
    """Lynch & Park, Modern Robotics (2017), eq. (13.10); wheels FL, FR, RR, RL."""
    length, w, r = 0.235, 0.15, 0.0475
    published = (
        np.array(
            [[1, -1, -length - w], [1, 1, length + w], [1, -1, length + w], [1, 1, -length - w]]
        )
        / r
    )
    np.testing.assert_allclose(base(length, w, r, ("FL", "FR", "RR", "RL")), published, rtol=1e-12)


@pytest.mark.parametrize(
    ("speeds", "expected"),
    [
        ((10, 10, 10, 10), (0.475, 0, 0)),
        ((-10, 10, -10, 10), (0, 0.475, 0)),
        ((-10, 10, 10, -10), (0, 0, 1.2337662)),
    ],
)
def test_worked_example_of_the_capstone(speeds, expected):
    """Modern Robotics mobile-manipulation capstone, "NextState" self-check (FL, FR, RR, RL)."""
    matrix = base(0.235, 0.15, 0.0475, ("FL", "FR", "RR", "RL"))
    twist = odometry_matrix(matrix) @ np.array(speeds, float)
    pose = integrate_twist(np.tile(twist, (100, 1)), 0.01)[-1]
    np.testing.assert_allclose(pose, expected, atol=5e-7)


@pytest.mark.parametrize(
    ("twist", "expected"),
    [
        ((1, 0, 1), (0.8414710, 0.4596977)),
        ((1, 0, np.pi / 2), (0.6366198, 0.6366198)),
        ((0, 1, 1), (-0.4596977, 0.8414710)),
    ],
)
def test_exact_integration(twist, expected):
    """Modern Robotics section 13.4, eq. (13.35), printed to seven digits."""
    pose = integrate_twist(np.array([twist], float), 1.0)[-1]
    np.testing.assert_allclose(pose[:2], expected, atol=5e-8)


def test_taheri_worked_example():
    """Taheri, Qiao & Ghaeminezhad, IJCA 113(3) (2015), eq. (20); course example."""
    speed = base(0.2, 0.17, 0.03, ORDER) @ np.array([0.22, 0.11, 0.0])
    np.testing.assert_allclose(speed, [3.6666667, 11, 11, 3.6666667], rtol=1e-7)


def test_textbook_exercise():
    """Introduction to Robotics open textbook (roboscience.org): r 5 cm, track 30, base 40 cm."""
    matrix = base(0.2, 0.15, 0.05, ORDER)
    slanted = 0.1 * np.array([np.cos(np.radians(20)), -np.sin(np.radians(20)), 0])
    np.testing.assert_allclose(
        matrix @ slanted, [2.563426, 1.195345, 1.195345, 2.563426], atol=5e-7
    )
    turning = np.array([0.1, 0.0, 1 / 60])
    np.testing.assert_allclose(
        matrix @ turning, [1.883333, 2.116667, 1.883333, 2.116667], atol=5e-7
    )


def test_muir_and_neuman_forward_solution():
    """Muir & Neuman, ICRA 1987, eq. (23): J+ J = I."""
    matrix = base(0.2, 0.17, 0.05, ORDER)
    np.testing.assert_allclose(odometry_matrix(matrix) @ matrix, np.eye(3), atol=1e-12)


def test_reversed_lean_has_the_difference_lever():
    """Derived from eq. (13.5): levers l - w = 0.085 against 0.385 m; a square base cannot turn."""
    wrong = base(0.235, 0.15, 1.0, ORDER, flip=-1.0)
    np.testing.assert_allclose(np.abs(wrong[:, 2]), 0.085, rtol=1e-12)
    square = base(0.235, 0.235, 1.0, ORDER, flip=-1.0)
    assert np.linalg.matrix_rank(square, tol=1e-9) == 2


def test_closure_row():
    """Null space of H': (1, 1, -1, -1) in the order FL, FR, RL, RR [derived]."""
    row = closure_basis(base(0.2, 0.17, 0.05, ORDER))[0]
    np.testing.assert_allclose(row / row[0], [1, 1, -1, -1], atol=1e-12)


def test_siegwart_rolling_row_is_the_same():
    """Siegwart & Nourbakhsh, Introduction to Autonomous Mobile Robots, eq. (3.18)."""
    x, y, g = 0.2, 0.17, np.radians(-45)
    a, length = np.arctan2(y, x), np.hypot(x, y)
    b = np.pi / 2 - a
    row = np.array([np.sin(a + b + g), -np.cos(a + b + g), -length * np.cos(b + g)])
    # Theirs measures beta so that the wheel plane lies along x here; divide by cos(gamma).
    ours = base(0.2, 0.17, 1.0, ORDER)[0]
    np.testing.assert_allclose(row[:2] / np.cos(g), ours[:2], atol=1e-12)
