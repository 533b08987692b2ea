"""What was made fast gives what the plain way, or a general library, gives."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy import ndimage, signal

from analyzer import alignment, signals
from analyzer.clocks import AlignmentConfig, Thinning
from analyzer.demo import robot_text
from analyzer.dynamics import _Binned, _without_each
from analyzer.kinematics import plane_length
from analyzer.motion import describe_motion
from analyzer.passes import find_passes
from analyzer.quantities import Estimate, quantile, rounded
from analyzer.robot import parse_robot
from analyzer.run import Recording, Source
from analyzer.simulate import Truth, drive, usual_script


@pytest.mark.parametrize("width", [0.5, 2.5, 7.0, 30.0, 100.0])
@pytest.mark.parametrize("n", [40, 2001, 50_000, 50_007])
def test_smoothing_is_scipys_gaussian(width, n):
    values = np.random.default_rng(1).normal(size=n).cumsum() + 300
    got = signals.smooth(values, 0.01, 0.01 * width)
    want = ndimage.gaussian_filter1d(values, width, mode="nearest", truncate=3.0)
    np.testing.assert_allclose(got, want, atol=1e-9)


@pytest.mark.parametrize("every", [2, 7, 400])
@pytest.mark.parametrize("width", [0.2, 2.5, 30.0])
def test_smoothing_here_and_there_is_smoothing_everywhere(every, width):
    values = np.random.default_rng(1).normal(size=(2001, 2)).cumsum(axis=0)
    whole = signals.smooth(values, 0.01, 0.01 * width)[::every]
    few = signals.smooth(values, 0.01, 0.01 * width, every=every)
    np.testing.assert_allclose(few, whole, atol=1e-9)


@pytest.mark.parametrize("dt", [0.005, 0.01, 0.02, 0.05])
def test_what_is_slower_than_a_second_is_scipys_gaussian(dt):
    rng = np.random.default_rng(7)
    values = rng.normal(0, 0.05, round(60 / dt) + 3).cumsum() * np.sqrt(dt)
    got = signals.slow_part(values, dt)
    want = ndimage.gaussian_filter1d(values, 1 / dt, mode="nearest", truncate=3.0)
    left = np.std(values - want)  # what is faster
    assert np.std(got - want) < 0.002 * left
    assert np.max(np.abs(got - want)) < 0.006 * left


def test_unwrapping_is_numpys():
    rng = np.random.default_rng(2)
    angle = np.cumsum(rng.normal(0, 0.7, 5000))
    wrapped = (angle + np.pi) % (2 * np.pi) - np.pi
    np.testing.assert_allclose(signals.unwrapped(wrapped), np.unwrap(wrapped), atol=1e-9)


@pytest.mark.parametrize("least", [1, 2, 7, 97, 601, 65_537, 1_000_003])
def test_transform_lengths_have_small_factors(least):
    size = signals._fast_length(least)
    assert least <= size <= max(2, 1.3 * least)
    for prime in (2, 3, 5):
        while size % prime == 0:
            size //= prime
    assert size == 1


@pytest.mark.parametrize("late", [-37, 0, 12, 48])
def test_lag_is_that_of_scipys_correlation(late):
    rng = np.random.default_rng(3)
    long = ndimage.gaussian_filter1d(rng.normal(size=4200), 5)
    a, b = long[100:4100], long[100 - late : 4100 - late]
    lag, peak = signals.find_lag(a, b, 0.01, 0.5)
    full = signal.correlate(b - b.mean(), a - a.mean(), mode="full")
    lags = signal.correlation_lags(b.size, a.size)
    near = np.abs(lags) <= 50
    assert lag == pytest.approx(0.01 * lags[near][np.argmax(full[near])], abs=2e-3)
    assert peak > 0.95


def test_leaving_out_each_pass_is_the_explicit_fit():
    rng = np.random.default_rng(4)
    count, n = 25, 900
    owner = np.sort(rng.integers(0, count - 1, n))  # the last pass has no equation
    design = rng.normal(size=(n, 5)) * np.array([1.0, 30.0, 1e-3, 1.0, 5.0])
    target = design @ np.arange(1.0, 6.0) + rng.normal(size=n)
    got = _without_each(design, target, owner, count)
    for k in range(count):
        keep = owner != k
        want = np.linalg.lstsq(design[keep], target[keep], rcond=None)[0]
        np.testing.assert_allclose(got[k], want, rtol=1e-7)


def test_faster_logs_are_averaged_and_gaps_stay_gaps():
    t = np.arange(4000) * 0.0025
    t[2002:] += 1.0
    values = np.sin(t)
    thin = Thinning.of(t, 0.01)
    assert thin.size == 4
    # Means of four samples: the middle of their stamps, the middle of their values.
    np.testing.assert_allclose(thin.mean(values), np.sin(thin.t), atol=1e-4)
    # The four samples astride the gap are left out: none stands in the middle of it.
    assert not np.any((thin.t > t[2001] + 0.01) & (thin.t < t[2002]))
    assert thin.t.size == 999


LAPS = ((0.0, 0.0, 0.0, 1.5, 1.0), (0.0, 0.4, 0.0, 3.0, 1.0), (0.0, 0.0, 0.0, 1.5, 1.0),
        (0.0, -0.4, 0.0, 3.0, 1.0), (0.0, 0.0, 0.0, 1.5, 1.0))  # fmt: skip


def _logged(rate, script=LAPS):
    robot = parse_robot(robot_text(), "book_cart.toml")
    motion = drive(robot, Truth(c_x=-0.02), list(script), 1 / rate)
    channels = {f"angle_{w}": motion.wheel_angle[:, k] for k, w in enumerate(robot.wheel_names)}
    channels |= {f"ref_{q}": motion.pose[:, k] for k, q in enumerate(("x", "y", "yaw"))}
    channels |= {"omega_z": motion.twist[:, 2]}
    source = Source(
        name="a.csv", t=motion.t, epoch=0.0, absolute=False, channels=channels, columns=()
    )
    return Recording(paths=("a.csv",), sources=(source,)), robot


@pytest.mark.parametrize(
    ("rate", "samples"),
    [(20, 1), (50, 1), (60, 1), (80, 1), (100, 2), (120, 2), (200, 4), (1000, 20)],
)
def test_a_step_of_the_grid_is_a_whole_number_of_samples(rate, samples):
    run = alignment.align(*_logged(rate))
    assert run.dt == pytest.approx(samples / rate, rel=5e-3)


def test_a_finer_grid_tells_nothing_more():
    """Sampling theorem: the kernel passes nothing above 13 Hz, a step of 0.02 s carries 25 Hz."""
    recording, robot = _logged(200, usual_script((0.3, 0.6)))
    fine = alignment.align(recording, robot, AlignmentConfig(shortest_step=0.005))
    usual = alignment.align(recording, robot)
    assert (fine.dt, usual.dt) == (0.005, 0.02)
    measures = [describe_motion(run, find_passes(run)) for run in (fine, usual)]
    rows = list(zip(*(m.by_speed for m in measures), strict=True))
    assert [a.kind for a, _ in rows] == [b.kind for _, b in rows]
    assert {a.kind for a, _ in rows} >= {"left", "right", "ahead", "astern"}
    for a, b in rows:
        assert abs(a.total.value - b.total.value) < 0.1 * a.total.std_error, a.kind
    for name in ("sideways_ratio", "yaw_lever"):
        a, b = (getattr(m, name) for m in measures)
        assert abs(a.value - b.value) < 0.5 * a.std_error, name


def test_noise_falls_as_averaging_says():
    rng = np.random.default_rng(5)
    t = np.arange(400_000) * 0.0025
    noise = rng.normal(0, 1.0, t.size)
    thin = Thinning.of(t, 0.01)
    assert thin.mean(noise).std() == pytest.approx(0.5, rel=0.01)


def test_loop_gains_by_factors_are_those_of_the_polynomials():
    from analyzer.control import (
        HeadingGains,
        YawPlant,
        _Sampled,
        _sampled_responses,
        sampled_margins,
        sampled_margins_of,
        sampled_polynomials,
    )

    plants = [
        YawPlant(gain=0.9, lag=0.05, delay=0.031),
        YawPlant(gain=1.1, lag=0.2, delay=0.06),
        YawPlant(gain=0.8, lag=0.0, delay=0.02),
    ]
    for more in ({}, {"ki": 2.0}, {"ki": 1.0, "kd": 0.2, "rate_filter": 0.03}):
        gains = HeadingGains(kp=3.0, period=0.02, **more)
        omega = np.geomspace(1e-3, 1.0, 300) * np.pi / gains.period
        back = np.exp(-1j * omega * gains.period)
        want = []
        for plant in plants:
            above, under, periods = sampled_polynomials(plant, gains)
            value = np.polynomial.polynomial.polyval
            want.append(value(back, above) / value(back, under) * back**periods)
        loops = _sampled_responses(_Sampled.of(plants, gains.period), gains)
        np.testing.assert_allclose(loops(np.arange(3), omega[None]), want, rtol=1e-7)
        for one, plant in zip(sampled_margins_of(plants, gains), plants, strict=True):
            alone = sampled_margins(plant, gains)
            for name in one.__slots__:
                np.testing.assert_allclose(getattr(one, name), getattr(alone, name), rtol=1e-9)


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 0.9, 1.0])
@pytest.mark.parametrize("n", [1, 2, 5, 60, 61])
def test_quantile_is_numpys(n, share):
    values = np.random.default_rng(n).normal(size=n)
    assert quantile(values, share) == pytest.approx(np.quantile(values, share), abs=1e-15)
    values[0] = np.nan
    assert np.isnan(quantile(values, share))


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (-0.0004, 3, "0.000"),
        (-0.0, 1, "0.0"),
        (-0.06, 1, "-0.1"),
        (27.7, 1, "27.7"),
        (-0.4, 0, "0"),
    ],
)
def test_no_minus_before_a_zero(value, digits, text):
    assert rounded(value, digits) == text


def test_an_estimate_near_zero_has_no_minus():
    assert str(Estimate.of(-0.0004, 0.05, "°/m")).startswith("0.000 ± ")


def test_plane_length_is_numpys_hypot():
    x, y = np.random.default_rng(5).normal(size=(2, 5000)) * np.logspace(-9, 9, 5000)
    np.testing.assert_allclose(plane_length(x, y), np.hypot(x, y), rtol=1e-15)


@pytest.mark.parametrize("steps", [-300.0, -7.5, -5.0, -0.2, 0.0, 0.3, 2.0, 6.7, 100.5, 400.0])
@pytest.mark.parametrize("stride", [1, 2, 7, 50])
@pytest.mark.parametrize("n", [2, 5, 101])
def test_a_shift_is_numpys_interpolation(n, stride, steps):
    values = np.random.default_rng(6).normal(size=n)
    want = np.interp(np.arange(0, n, stride) + steps, np.arange(n), values)
    np.testing.assert_allclose(signals.shifted(values, steps, stride=stride), want, atol=1e-12)


@pytest.mark.parametrize("steps", [-30.5, -3.0, 0.0, 0.25, 12.0, 80.75])
@pytest.mark.parametrize("size", [1, 90, 101, 140])
def test_a_shift_onto_another_length_is_numpys_interpolation(size, steps):
    values = np.random.default_rng(6).normal(size=101)
    want = np.interp(np.arange(size) + steps, np.arange(101), values)
    np.testing.assert_allclose(signals.shifted(values, steps, size=size), want, atol=1e-12)


@dataclass
class _Grid:
    t: np.ndarray
    dt: float
    valid: np.ndarray


@dataclass
class _Part:
    start: int
    stop: int


def test_slopes_of_bins_are_means_of_numpys_gradient():
    rng = np.random.default_rng(7)
    n = 200
    grid = _Grid(np.arange(n) * 0.02, 0.02, np.ones(n, dtype=bool))
    grid.valid[90:93] = False
    values = rng.normal(size=(n, 3)).cumsum(axis=0)
    bins = _Binned(grid, [_Part(0, 60), _Part(70, 150), _Part(170, n)], 0)  # both ends of the run
    assert (bins.size, bins.count) == (5, 12 + 4 + 11 + 6)
    want = bins.mean(np.gradient(values, grid.dt, axis=0))
    np.testing.assert_allclose(bins.slope(values), want, atol=1e-12)
    np.testing.assert_allclose(bins.slope(values[:, 0]), want[:, 0], atol=1e-12)
    assert list(np.unique(bins.owner)) == [0, 1, 2]
