"""Before/after statistics against published numbers."""

import numpy as np
import pytest
from scipy import stats

from analyzer.statistics import (
    equivalence_p,
    hedges_g,
    holm,
    minimum_detectable_change,
    permutation_test,
    student,
    welch,
    welch_from_summary,
)

# Data set that many programs publish for Welch's test (Wikipedia, Rosetta Code).
A = np.array([27.5, 21, 19, 23.6, 17, 17.9, 16.9, 20.1, 21.9, 22.6, 23.1, 19.6, 19, 21.7, 21.4])
B = np.array([27.1, 22, 20.8, 23.4, 23.4, 23.5, 25.8, 22, 24.8, 20.2, 21.9, 22.1, 22.9, 20.5, 24.4])
# R, help page of t.test: Student's sleep data, extra hours of sleep.
SLEEP_1 = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
SLEEP_2 = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
# Efron & Tibshirani (1993), table 2.1: survival of mice, days.
TREATED = np.array([94.0, 197, 16, 38, 99, 141, 23])
CONTROL = np.array([52.0, 104, 146, 10, 51, 30, 40, 27, 46])


def test_welch_public_reference():
    found = welch(B, A)  # published as a - b
    assert found.statistic == pytest.approx(-2.45535639828601, rel=1e-12)
    assert found.dof == pytest.approx(24.9885292902309, rel=1e-12)
    assert found.p_value == pytest.approx(0.021378001462867, rel=1e-10)
    # Published as -3.98409625405368, -0.349237079279662. Their t quantile is good to eight digits
    # only: put back into the distribution, ours gives 0.975 to 1e-16.
    assert found.low == pytest.approx(-3.98409625, abs=2e-8)
    assert found.high == pytest.approx(-0.34923708, abs=2e-8)
    assert stats.t.cdf((found.high - found.value) / found.std_error, found.dof) == pytest.approx(
        0.975, abs=1e-14
    )


def test_welch_screws():
    a = np.array([30.02, 29.99, 30.11, 29.97, 30.01, 29.99])
    b = np.array([29.89, 29.93, 29.72, 29.98, 30.02, 29.98])
    found = welch(b, a)
    assert found.statistic == pytest.approx(1.9590058, abs=5e-8)
    assert found.dof == pytest.approx(7.03056, abs=5e-6)
    assert found.p_value == pytest.approx(0.0907733, abs=5e-8)


def test_welch_extreme_variances():
    found = welch(np.array([490.2, 340, 433.9]), np.array([3, 4, 1, 2.1]))
    assert found.statistic == pytest.approx(-9.5594977, abs=5e-8)
    assert found.dof == pytest.approx(2.00085, abs=5e-6)
    assert found.p_value == pytest.approx(0.0107515611, abs=5e-11)


def test_welch_sleep_data():
    found = welch(SLEEP_2, SLEEP_1)
    assert found.statistic == pytest.approx(-1.8608, abs=5e-5)
    assert found.dof == pytest.approx(17.776, abs=5e-4)
    assert found.p_value == pytest.approx(0.07939, abs=5e-6)
    assert (found.low, found.high) == pytest.approx((-3.3654832, 0.2054832), abs=5e-8)


def test_welch_from_summary_nist():
    """NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B, unequal variances."""
    found = welch_from_summary((30.48101, 6.10771, 79), (20.14458, 6.41470, 249))
    assert found.statistic == pytest.approx(-12.94627, abs=2e-5)  # inputs print five decimals
    assert found.dof == pytest.approx(136.87499, abs=2e-4)


def test_permutation_counts_every_regrouping_of_the_mice():
    found = permutation_test([(CONTROL, TREATED)], np.random.default_rng(0), studentised=False)
    assert TREATED.mean() - CONTROL.mean() == pytest.approx(30.63492, abs=5e-6)
    assert found.exact
    # Full enumeration: 3184 of 11440 two-sided (CHECKS, recomputed).
    assert found.p_value == pytest.approx(3184 / 11440, abs=1e-12)


def test_permutation_agrees_with_scipy():
    def step(a, b, axis):
        return b.mean(axis=axis) - a.mean(axis=axis)

    theirs = stats.permutation_test(
        (SLEEP_1[:6], SLEEP_2[:5]), step, vectorized=True, n_resamples=np.inf, alternative="greater"
    )
    mine = permutation_test(
        [(SLEEP_1[:6], SLEEP_2[:5])], np.random.default_rng(0), studentised=False
    )
    shift = SLEEP_2[:5].mean() - SLEEP_1[:6].mean()
    two_sided = np.mean(np.abs(theirs.null_distribution) >= abs(shift) - 1e-12)
    assert mine.p_value == pytest.approx(two_sided, abs=1e-12)


def test_random_regroupings_come_near_the_exact_ones(monkeypatch):
    exact = permutation_test([(CONTROL, TREATED)], np.random.default_rng(0))
    monkeypatch.setattr("analyzer.statistics.EXACT_MOST", 10)
    drawn = permutation_test([(CONTROL, TREATED)], np.random.default_rng(0))
    assert not drawn.exact
    assert drawn.p_value == pytest.approx(exact.p_value, abs=4 * 0.5 / np.sqrt(4999))


def test_hedges_g_borenstein():
    """Borenstein et al. (2009), chapter 4 (from memory, recomputed)."""
    found = hedges_g((100, 4.5, 50), (103, 5.5, 50))
    assert found.value == pytest.approx(0.5924, abs=5e-5)
    assert found.std_error == pytest.approx(0.2028, abs=5e-5)
    assert found.std_error**2 == pytest.approx(0.0411, abs=5e-5)


def test_holm():
    """Example of the Wikipedia article on Holm's method (from memory, recomputed)."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02], abs=1e-12)
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    p = np.random.default_rng(1).random(40) ** 3
    assert holm(p) == pytest.approx(multitest.multipletests(p, method="holm")[1], abs=1e-12)


def test_equivalence_agrees_with_statsmodels():
    weight = pytest.importorskip("statsmodels.stats.weightstats")
    theirs = weight.ttost_ind(B, A, -3.0, 3.0, usevar="unequal")[0]
    assert equivalence_p(welch(A, B), -3.0, 3.0) == pytest.approx(theirs, rel=1e-9)


def test_detectable_change_agrees_with_statsmodels():
    power = pytest.importorskip("statsmodels.stats.power")
    theirs = power.TTestIndPower().solve_power(nobs1=6, alpha=0.05, power=0.8, ratio=1.0)
    mine = minimum_detectable_change(np.sqrt(2 / 6), 10, assurance=0.5)
    median = np.sqrt(10 / stats.chi2.ppf(0.5, 10))
    assert mine / median == pytest.approx(theirs, rel=1e-4)


def test_normal_limit():
    """NIST/SEMATECH e-Handbook 7.2.2.2: about 11 runs show one sigma at 5 % and 10 % risk."""
    assert student(1.0, 0.5, float("inf")).low == pytest.approx(1 - 1.959964 * 0.5, abs=1e-6)
    n = minimum_detectable_change(1.0, float("inf"), power=0.9) ** 2
    assert 10 < n < 11


def test_slope_through_the_origin_of_nist_noint1():
    # NIST StRD, NoInt1: x = 60..70, y = 130..140; certified slope (value from memory, recomputed).
    from analyzer.quantities import slope_through_origin

    x, y = np.arange(60.0, 71.0), np.arange(130.0, 141.0)
    found = slope_through_origin(x, y, "", blocks=x.size)
    assert found.value == pytest.approx(2.07438016528926, rel=1e-13)
    # With a block for every point the error is White's: statsmodels, HC0.
    white = statsmodels_ols(y, x).get_robustcov_results("HC0")
    assert found.std_error == pytest.approx(float(white.bse[0]), rel=1e-9)


def statsmodels_ols(y, x):
    from statsmodels.regression.linear_model import OLS

    return OLS(y, x[:, None]).fit()


def test_slope_through_the_origin_of_nist_noint2():
    # NIST StRD, NoInt2: x = 4, 5, 6; y = 3, 4, 4 (value from memory, recomputed).
    from analyzer.quantities import slope_through_origin

    found = slope_through_origin(np.array([4.0, 5, 6]), np.array([3.0, 4, 4]), "", blocks=3)
    assert found.value == pytest.approx(0.727272727272727, rel=1e-13)


def test_pooled_repeats_of_a_line_agree_with_nist_norris():
    # NIST StRD, Norris: certified slope and intercept through scipy, which the gauges' least
    # squares must match (numpy's lstsq is what `dynamics` solves with).
    from scipy import stats

    from analyzer.dynamics import _solve

    x = np.array(NORRIS_X)
    y = np.array(NORRIS_Y)
    slope, intercept = _solve(np.stack([x, np.ones_like(x)], axis=1), y)
    assert slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert stats.linregress(x, y).slope == pytest.approx(slope, rel=1e-12)


NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9,
    338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0,
    779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
]  # fmt: skip
NORRIS_Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8,
    339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9,
    10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
]  # fmt: skip
