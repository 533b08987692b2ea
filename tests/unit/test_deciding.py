"""Expected information of a measurement, against numeric integration."""

import numpy as np
import pytest
from scipy import integrate, stats

from analyzer.deciding import Candidate, advice, gains
from analyzer.hypotheses import Fitted, share_outside


def hypothesis(word, share, mean, variance=1e-6):
    return Fitted(
        causes=((word, None),),
        share=share,
        z=np.array([mean, 0.0]),
        covariance=np.diag([variance, 1e-6]),
        mean=np.zeros(2),
        sd=np.ones(2),
        residuals=np.zeros(1),
    )


FITS = [hypothesis("none", 0.5, 0.0), hypothesis("mass_off_centre", 0.5, 2.0)]
MEMBERS = np.eye(2, dtype=bool)


def measure(std_error):
    return Candidate(text="look", row=np.array([[1.0, 0.0]]), std_error=np.array([std_error]))


def entropy(p):
    return float(stats.entropy([p, 1 - p], base=2))


@pytest.mark.parametrize("std_error", [0.5, 1.0, 3.0])
def test_gain_is_that_of_numeric_integration(std_error):
    # Lindley (1956): expected drop of entropy; integral by scipy.integrate.quad.
    first, second = stats.norm(0, std_error), stats.norm(2, std_error)

    def left(m):
        a, b = first.pdf(m), second.pdf(m)
        return 0.5 * (a + b) * entropy(a / (a + b)) if a + b > 1e-12 else 0.0

    expected = 1.0 - integrate.quad(left, -12, 14, limit=200)[0]
    assert gains(FITS, [measure(std_error)], MEMBERS)[0, 0] == pytest.approx(expected, abs=0.06)


def test_a_perfect_look_settles_all_and_a_blind_one_nothing():
    sharp, blind = gains(FITS, [measure(1e-3), measure(1e4)], MEMBERS)[:, 0]
    assert sharp == pytest.approx(1.0, abs=1e-3)
    assert blind == pytest.approx(0.0, abs=0.02)


def test_advice_puts_the_better_measurement_first_and_names_its_share():
    better = Candidate(text="scales", row=np.array([[1.0, 0.0]]), std_error=np.array([0.3]))
    useless = Candidate(text="useless", row=np.array([[0.0, 1.0]]), std_error=np.array([0.3]))
    each, overall = advice(FITS, [useless, measure(1.5), better], MEMBERS)
    assert overall == ["scales", "look"]
    assert each[0][0].startswith("scales (settles ") and "useless" not in " ".join(each[0])


def test_nothing_is_advised_where_all_is_settled():
    settled = [hypothesis("none", 0.999, 0.0), hypothesis("mass_off_centre", 0.001, 2.0)]
    assert advice(settled, [measure(0.3)], MEMBERS) == ([[], []], [])


@pytest.mark.parametrize(
    ("prior", "reading", "low", "high"),
    [
        ((0.0, 0.01), (0.0012, 0.0008), -0.002, 0.002),
        ((0.92, 0.53), (0.5, 0.12), -np.inf, 0.372),
        ((0.0, 0.06), (0.05, 0.004), -0.0075, 0.0075),
    ],
)
def test_evidence_of_a_fault_beyond_tolerance_is_that_of_numeric_integration(
    prior, reading, low, high
):
    # A prior cut off within tolerance: its evidence over that of the whole prior, by
    # scipy.integrate.quad, against the ratio of posterior to prior mass outside.
    before, noise = stats.norm(*prior), stats.norm(0, reading[1])

    def joint(x):
        return before.pdf(x) * noise.pdf(reading[0] - x)

    wide = prior[0] - 12 * prior[1], prior[0] + 12 * prior[1]
    ends = max(low, wide[0]), min(high, wide[1])
    whole = stats.norm(prior[0], np.hypot(prior[1], reading[1])).pdf(reading[0])
    spots = sorted({reading[0], *np.clip([low, high], *wide)})
    inside = integrate.quad(joint, *ends, points=[s for s in spots if ends[0] < s < ends[1]])[0]
    mass = 1 - (before.cdf(high) - before.cdf(low))
    expected = (whole - inside) / mass / whole
    variance = 1 / (prior[1] ** -2.0 + reading[1] ** -2.0)
    mean = variance * (prior[0] / prior[1] ** 2 + reading[0] / reading[1] ** 2)
    ranges = np.array([low]), np.array([high])
    found = share_outside(np.array([mean]), np.sqrt([variance]), *ranges)
    found /= share_outside(np.array([prior[0]]), np.array([prior[1]]), *ranges)
    assert found == pytest.approx(expected, rel=1e-5, abs=1e-7)
