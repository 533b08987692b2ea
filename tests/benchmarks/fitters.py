"""The wheel fit against general-purpose fitters: same passes, same model, side by side.

Usage: python -m tests.benchmarks.fitters

Each wheel rolls r_i theta_i = X - y_i Psi in the passes ahead and astern. Ours takes the mean over
passes of the ratio with Student's interval (and a floor, left out here); lmfit fits the four radii by
least squares with its covariance; statsmodels fits each by RLM with Huber's weights and by OLS.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable

import lmfit
import numpy as np
import statsmodels.api as sm

from analyzer.quantities import mean_estimate

Y = np.array([0.18, -0.18, 0.18, -0.18])
TRUE = np.array([0.0500, 0.0498, 0.0503, 0.0500])


def passes(count: int, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Hub paths and wheel angles of `count` passes with a mm of noise. shape (count, 4) each"""
    rng = np.random.default_rng(seed)
    x = rng.choice([-2.0, 2.0], count) * rng.uniform(0.7, 1.3, count)
    psi = rng.normal(0, 0.02, count)
    hub = x[:, None] - psi[:, None] * Y
    turns = hub / TRUE + rng.normal(0, 1e-3, hub.shape) / TRUE
    return hub, turns


def ours(hub: np.ndarray, turns: np.ndarray) -> np.ndarray:
    out = [mean_estimate(hub[:, k] / turns[:, k], "m") for k in range(4)]
    return np.array([(e.value, e.std_error) for e in out])


def by_lmfit(hub: np.ndarray, turns: np.ndarray) -> np.ndarray:
    start = lmfit.Parameters()
    for k in range(4):
        start.add(f"r{k}", value=0.05, min=0.01, max=0.2)

    def residual(p: lmfit.Parameters) -> np.ndarray:
        radius = np.array([p[f"r{k}"].value for k in range(4)])
        return (turns * radius - hub).ravel()

    fit = lmfit.minimize(residual, start)
    return np.array([(fit.params[f"r{k}"].value, fit.params[f"r{k}"].stderr) for k in range(4)])


def by_rlm(hub: np.ndarray, turns: np.ndarray) -> np.ndarray:
    fits = [sm.RLM(hub[:, k], turns[:, [k]]).fit() for k in range(4)]
    return np.array([(f.params[0], f.bse[0]) for f in fits])


def by_ols(hub: np.ndarray, turns: np.ndarray) -> np.ndarray:
    fits = [sm.OLS(hub[:, k], turns[:, [k]]).fit(cov_type="HC3") for k in range(4)]
    return np.array([(f.params[0], f.bse[0]) for f in fits])


def seconds_of(work: Callable[[], object], least: float = 0.3) -> float:
    work()
    times = []
    end = time.perf_counter() + least
    while time.perf_counter() < end or len(times) < 3:
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return float(np.median(times))


def compare(count: int = 1500) -> dict[str, float]:
    """Time of each over ours, and how far the answers lie apart in standard errors."""
    hub, turns = passes(count)
    mine = ours(hub, turns)
    base = seconds_of(lambda: ours(hub, turns))
    print(f"wheel fit over {count} passes: ours {1e3 * base:.2f} ms")
    print(f"  {'fitter':26} {'time/ours':>9} {'apart [std errors]':>19} {'error/ours':>11}")
    ratios = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for name, fit in (
            ("lmfit, least squares", by_lmfit),
            ("statsmodels RLM, Huber", by_rlm),
            ("statsmodels OLS, HC3", by_ols),
        ):
            other = fit(hub, turns)
            ratio = seconds_of(lambda fit=fit: fit(hub, turns)) / base
            apart = float(np.max(np.abs(other[:, 0] - mine[:, 0]) / mine[:, 1]))
            size = float(np.mean(other[:, 1] / mine[:, 1]))
            print(f"  {name:26} {ratio:9.1f} {apart:19.2f} {size:11.2f}")
            ratios[name] = ratio
    return ratios


if __name__ == "__main__":
    compare()
