"""Noise of a gyro at rest: Allan deviation and what IEEE Std 952 reads off it."""

from __future__ import annotations

import math

import numpy as np

from analyzer.quantities import Estimate

INSTABILITY = math.sqrt(2 * math.log(2) / math.pi)
"""Flat part of the Allan deviation over the bias instability (IEEE Std 952-1997, annex C) [-]."""
LONG_REST = 60.0
"""Shortest rest that tells the bias instability [s]: the flat part of usual small gyros lies beyond
ten seconds (common practice, no source)."""


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
