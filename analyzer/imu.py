"""Noise of a gyro: Allan deviation and what IEEE Std 952 reads off it, and a bias that wanders."""

from __future__ import annotations

import math

import numpy as np

from analyzer.quantities import Estimate

INSTABILITY = math.sqrt(2 * math.log(2) / math.pi)
"""Flat part of the Allan deviation over the bias instability (IEEE Std 952-1997, annex C) [-]."""
LONG_REST = 60.0
"""Shortest rest that tells the bias instability [s]: the flat part of usual small gyros lies beyond
ten seconds (common practice, no source)."""
WANDER_GAIN = 6.0
"""Twice the log likelihood ratio of a wandering to a standing bias, from which it is taken to wander:
1 in 70 standing ones would reach it (chi-squared, one degree of freedom). [-]"""
GYRO_WANDER = 0.003
"""Change of the gyro's bias within a recording that counts as a fault [rad/s], 0.17 deg/s:
fifty times the bias instability of a usual small gyro (common practice, no source)."""


def allan_deviation(
    rate: np.ndarray, interval: float, factors: np.ndarray, *, overlapping: bool = True
) -> np.ndarray:
    """Allan deviation of a rate that is sampled evenly.

    Parameters
    ----------
    rate : ndarray, shape (n,)
        Samples (means over `interval`). [any unit]
    interval : float
        Time between them. [s]
    factors : ndarray of int, shape (k,)
        Averaging times in samples.
    overlapping : bool
        Overlapping estimate, or that of parts laid end to end.

    Returns
    -------
    ndarray, shape (k,)
        [unit of `rate`]; NaN where there are fewer than two parts.

    Notes
    -----
    With the integral x of the rate and tau = m interval,
    sigma^2 = sum (x[i + 2m] - 2 x[i + m] + x[i])^2 / (2 tau^2 count): Riley, NIST Special
    Publication 1065 (2008), eqs. (7) and (11).
    """
    x = np.concatenate([[0.0], np.cumsum(rate - rate.mean())]) * interval
    out = np.full(len(factors), np.nan)
    for k, m in enumerate(factors):
        second = x[2 * m :] - 2 * x[m:-m] + x[: -2 * m]
        if not overlapping:
            second = second[::m]
        if second.size:
            out[k] = math.sqrt(float(second @ second) / (2 * second.size)) / (m * interval)
    return out


def bias_instability(t: np.ndarray, rate: np.ndarray) -> Estimate:
    """Bias instability of a gyro in one rest: the lowest Allan deviation over 0.664.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Stamps of the samples in the rest. [s]
    rate : ndarray, shape (n,)
        Yaw rate. [rad/s]

    Returns
    -------
    Estimate
        [rad/s]; undetermined where the rest is short.

    Notes
    -----
    B: IEEE Std 952-1997, annex C. Its relative error is 1 / sqrt(2 (T / tau - 1)) for a rest of T
    (the same annex).
    """
    length = float(t[-1] - t[0]) if t.size > 1 else 0.0
    if length < LONG_REST:
        return Estimate.undetermined(
            "rad/s", f"needs a rest of {LONG_REST:.0f} s and more; the longest lasts {length:.1f} s"
        )
    interval = length / (t.size - 1)
    most = t.size // 20  # longer means are few, and the lowest of few is too low
    factors = np.unique(np.geomspace(max(1, round(0.5 / interval)), most, 40).astype(int))
    curve = allan_deviation(rate, interval, factors)
    lowest = int(np.nanargmin(curve))
    value = float(curve[lowest]) / INSTABILITY
    error = value / math.sqrt(2 * (t.size / factors[lowest] - 1))
    return Estimate.of(value, error, "rad/s")


def random_walk(t: np.ndarray, seen: np.ndarray, error: np.ndarray) -> tuple[np.ndarray, float]:
    """A value that wanders, from readings that scatter at least by their known errors.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Times of the readings, rising. [s]
    seen, error : ndarray, shape (n,)
        Readings and their standard errors.

    Returns
    -------
    value : ndarray, shape (n,)
        The value at the readings: smoothed over all of them for a random walk (IEEE 952, rate
        random walk). Strength of the walk, and a factor of one or more on the errors, are those that
        make the readings most likely: scatter without memory is not followed.
    gain : float
        Twice the log likelihood ratio to a value that stands still. [-]

    Notes
    -----
    Kalman filter and Rauch-Tung-Striebel smoother of the local level model.
    """
    wide = float(np.ptp(seen)) ** 2 + float(np.max(error)) ** 2
    # From a walk that adds nothing to one that alone explains the range within a second.
    strength, factor = (
        g.ravel() for g in np.meshgrid(wide * np.logspace(-8, 0, 25), 1.4 ** np.arange(13))
    )
    steps = np.diff(t)
    mean, var = np.full(strength.size, seen[0]), (factor * error[0]) ** 2
    cost = np.zeros(strength.size)
    level, spread, ahead = [mean], [var], []
    for step, value, sd in zip(steps.tolist(), seen[1:].tolist(), error[1:].tolist(), strict=True):
        before = var + strength * step
        total = before + (factor * sd) ** 2
        cost += np.log(total) + (value - mean) ** 2 / total
        gain = before / total
        mean, var = mean + gain * (value - mean), (1 - gain) * before
        level.append(mean)
        spread.append(var)
        ahead.append(before)
    best = int(np.argmin(cost))
    out = np.array([m[best] for m in level])
    for k in range(len(ahead) - 1, -1, -1):
        out[k] += spread[k][best] / ahead[k][best] * (out[k + 1] - out[k])
    return out, float(np.min(cost[strength == strength.min()]) - cost[best])
