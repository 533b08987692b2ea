"""Allan deviation against published test data, and a known gyro against IEEE Std 952."""

import math

import numpy as np
import pytest

from analyzer.imu import INSTABILITY, WANDER_GAIN, allan_deviation, bias_instability, random_walk

# NBS Monograph 140, nine frequency values; results in Riley, NIST SP 1065 (2008), table 31.
NBS_9 = np.array([892, 809, 823, 798, 671, 644, 883, 903, 677], dtype=float)


def thousand():
    """Riley's thousand values: n -> 16807 n mod (2^31 - 1) from 1234567890 (NIST SP 1065, sec. 12)."""
    n, out = 1234567890, []
    for _ in range(1000):
        out.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(out)


def test_nine_values():
    assert allan_deviation(NBS_9, 1.0, np.array([1, 2]), overlapping=False) == pytest.approx(
        [91.22945, 115.8082], rel=5e-7
    )
    assert allan_deviation(NBS_9, 1.0, np.array([1, 2])) == pytest.approx(
        [91.22945, 85.95287], rel=5e-7
    )


def test_a_thousand_values():
    data = thousand()
    assert data.mean() == pytest.approx(0.4897745, abs=5e-8)
    tau = np.array([1, 10, 100])
    assert allan_deviation(data, 1.0, tau, overlapping=False) == pytest.approx(
        [2.922319e-01, 9.965736e-02, 3.897804e-02], rel=5e-7
    )
    assert allan_deviation(data, 1.0, tau) == pytest.approx(
        [2.922319e-01, 9.159953e-02, 3.241343e-02], rel=5e-7
    )


def test_flat_part_over_bias_instability():
    # IEEE Std 952-1997, annex C: sqrt(2 ln 2 / pi) = 0.664.
    assert INSTABILITY == pytest.approx(0.6642825, abs=5e-8)


def test_white_noise_falls_with_the_root_of_time():
    # IEEE Std 952-1997, annex C: sigma(tau) = N / sqrt(tau), N = sigma / sqrt(rate).
    noise = 0.02 * np.random.default_rng(3).standard_normal(360_000)
    at_one_second = allan_deviation(noise, 0.01, np.array([100]))[0]
    assert at_one_second == pytest.approx(0.02 / math.sqrt(100), rel=0.02)


def test_flicker_of_known_size_is_found():
    rng = np.random.default_rng(5)
    n, interval = 2**16, 0.05
    spectrum = np.fft.rfft(rng.standard_normal(n))
    frequency = np.fft.rfftfreq(n, interval)
    # Rate spectrum B^2 / (2 pi f) (IEEE Std 952-1997, annex C), one-sided: twice that.
    size = 1e-4 * np.sqrt(1 / (np.pi * np.maximum(frequency, frequency[1])) / (2 * interval))
    size[0] = 0.0
    rate = np.fft.irfft(spectrum * size, n)
    found = bias_instability(np.arange(n) * interval, rate)
    assert found.value == pytest.approx(1e-4, rel=0.3)


def test_short_rest_says_what_it_needs():
    found = bias_instability(np.arange(100) * 0.01, np.zeros(100))
    assert found.value is None and "60 s" in found.why


def test_a_wandering_bias_is_smoothed_as_by_the_local_level_model():
    # Reference: statsmodels' local level model (Kalman smoother), given the same two variances.
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    rng = np.random.default_rng(4)
    n, sd = 60, 0.3
    truth = np.cumsum(rng.normal(0, 0.2, n))
    seen = truth + rng.normal(0, sd, n)
    found, gain = random_walk(np.arange(n, dtype=float), seen, np.full(n, sd))

    def reference(strength, factor=1.0):
        model = UnobservedComponents(seen, "local level")
        return model.smooth([(factor * sd) ** 2, strength])

    # Our strength is the best of a grid; the reference is asked on the same one.
    wide = np.ptp(seen) ** 2 + sd**2
    fits = [reference(q) for q in wide * np.logspace(-8, 0, 25)]
    best = max(fits, key=lambda fit: fit.llf)
    assert np.abs(found - best.level.smoothed).max() < 0.05
    assert np.sqrt(np.mean((found - truth) ** 2)) < 0.75 * sd
    still = max(reference(1e-8 * wide, factor).llf for factor in 1.4 ** np.arange(13))
    assert gain == pytest.approx(2 * (best.llf - still), rel=0.1)
    assert gain > WANDER_GAIN


def test_a_bias_that_stands_still_stays_the_weighted_mean():
    rng = np.random.default_rng(5)
    error = rng.uniform(0.5, 2.0, 40)
    seen = 3.0 + rng.normal(0, error)
    mean = np.average(seen, weights=error**-2.0)  # least variance: the textbook weighted mean
    found, gain = random_walk(np.arange(40.0), seen, error)
    assert gain < WANDER_GAIN
    assert np.abs(found - mean).max() < 0.35 * error.min()


def test_scatter_without_memory_is_not_followed():
    # Readings that scatter three times as much as their errors say, around one value.
    rng = np.random.default_rng(6)
    found, gain = random_walk(np.arange(50.0), 1.0 + rng.normal(0, 3.0, 50), np.ones(50))
    assert gain < WANDER_GAIN
    assert np.ptp(found) < 0.6
