"""Published values of control tuning and margins, held against analyzer.control.

Sources
-------
S03  S. Skogestad, Simple analytic rules for model reduction and PID controller tuning,
     J. Process Control 13:291-309, 2003. Rules seen; table 1 and example E1 from memory, each
     reproduced with NumPy before it was put here; example E2 seen.
AM08 Astrom & Murray, Feedback Systems, 2008: textbook loops, margins recomputed.
AH95 Astrom & Hagglund, PID Controllers, 2nd ed., 1995, ch. 4: from memory, recomputed.
AH06 Astrom & Hagglund, Advanced PID Control, 2006, AMIGO: from memory, recomputed.
SM   Smith's two-point method, as given in many textbooks.
Tolerance: half a unit of the last printed digit.
"""

import math

import numpy as np
import pytest
from scipy.signal import step

from analyzer.control import (
    HeadingGains,
    Settings,
    YawPlant,
    amigo_pi,
    half_rule,
    margins,
    sampled_margins,
    simc,
    steepest_tangent,
    step_response_pid,
    two_point,
)


def printed(value: str) -> object:
    """The value with half a unit of its last digit as tolerance."""
    digits = len(value.split(".")[1]) if "." in value else 0
    return pytest.approx(float(value), rel=0, abs=0.5000001 * 10**-digits)


def loop_of(settings: Settings, plant):
    def response(omega):
        s = 1j * omega
        c = settings.gain * (1 + settings.derivative_time * s)
        if math.isfinite(settings.integral_time):
            c = c * (1 + 1 / (settings.integral_time * s))
        return c * plant(s)

    return response


def integrating(s):
    return np.exp(-s) / s


@pytest.mark.parametrize(
    ("integral", "gm", "pm", "ms", "mt", "w180", "wc", "spare"),
    [
        # S03 table 1, tau_c = theta: first-order row (L = 0.5 e^{-s}/s) and integrating row.
        (False, "3.1416", "61.352", "1.5905", "1.000", "1.5708", "0.5000", "2.1416"),
        (True, "2.9634", "46.864", "1.7035", "1.2994", "1.4869", "0.5145", "1.5896"),
    ],
)
def test_simc_table_1(integral, gm, pm, ms, mt, w180, wc, spare):
    settings = simc(1.0, 1.0, 1.0)
    assert settings.gain == pytest.approx(0.5)
    assert settings.integral_time == pytest.approx(8.0)
    if not integral:
        settings = Settings(gain=settings.gain)
    m = margins(loop_of(settings, integrating), 1e-5 if not integral else 1e-2, 50)
    assert m.gain_margin == printed(gm)
    assert math.degrees(m.phase_margin) == printed(pm)
    assert m.max_sensitivity == printed(ms)
    assert m.max_complementary == printed(mt)
    assert m.phase_crossover == printed(w180)
    assert m.crossover == printed(wc)
    assert m.delay_margin == printed(spare)


@pytest.mark.parametrize(
    ("tau_c", "gm", "pm", "ms"),
    [  # S03 rule, values derived
        (1.5, "3.7528", "52.76", "1.5039"),
        (2.0, "4.5408", "56.69", "1.3933"),
        (3.0, "6.1148", "61.60", "1.2742"),
    ],
)
def test_simc_slower(tau_c, gm, pm, ms):
    m = margins(loop_of(simc(1.0, 1.0, tau_c), integrating), 1e-2, 50)
    assert m.gain_margin == printed(gm)
    assert math.degrees(m.phase_margin) == printed(pm)
    assert m.max_sensitivity == printed(ms)


@pytest.mark.parametrize(
    ("settings", "gm", "pm", "ms"),
    [  # recomputed. Ziegler-Nichols PI: 0.45 Ku and Tu/1.2 with Ku = pi/2, Tu = 4 (printed 0.7069
        # and 3.333); Tyreus-Luyben; AMIGO (AH06)
        (Settings(gain=0.45 * math.pi / 2, integral_time=4 / 1.2), "1.868", "24.92", "2.831"),
        (Settings(gain=0.4909, integral_time=8.8), "3.037", "48.44", "1.672"),
        (Settings(gain=0.35, integral_time=13.4), "4.343", "57.72", "1.410"),
    ],
)
def test_other_rules_on_the_integrating_plant(settings, gm, pm, ms):
    m = margins(loop_of(settings, integrating), 1e-2, 50)
    assert m.gain_margin == printed(gm)
    assert math.degrees(m.phase_margin) == printed(pm)
    assert m.max_sensitivity == printed(ms)


def test_amigo_pid_in_standard_form():
    # AH06 PID K = 0.45, Ti = 8, Td = 0.5 on e^{-s}/s; standard form 1 + 1/(Ti s) + Td s.
    def response(omega):
        s = 1j * omega
        return 0.45 * (1 + 1 / (8 * s) + 0.5 * s) * integrating(s)

    m = margins(response, 1e-2, 50)
    assert m.gain_margin == printed("3.521")
    assert math.degrees(m.phase_margin) == printed("61.20")
    # Printed 1.406. The peak is 1.40654 (next line, on a dense grid of its own), so the printed
    # digits are those of the peak cut off, not rounded: one unit of the last digit.
    peak = float(np.max(1 / np.abs(1 + response(np.linspace(1.0, 3.0, 200_001)))))
    assert peak == pytest.approx(1.40654, abs=5e-6)
    assert m.max_sensitivity == pytest.approx(peak, abs=1e-6)
    assert f"{math.floor(1e3 * m.max_sensitivity) / 1e3}" == "1.406"


def test_amigo_pi_limit():
    settings = amigo_pi(1.0, math.inf, 1.0)
    assert settings.gain == printed("0.35")
    assert settings.integral_time == pytest.approx(13.4, abs=0.051)  # 13.35, printed 13.4
    near = amigo_pi(1.0, 1e7, 1.0)
    assert near.gain == pytest.approx(settings.gain, rel=1e-6)
    assert near.integral_time == pytest.approx(settings.integral_time, rel=1e-5)


def test_example_e1():
    # S03 E1: 1/((s+1)(0.2 s+1)); memory, recomputed
    (tau,), theta = half_rule([1.0, 0.2])
    assert (tau, theta) == (pytest.approx(1.1), pytest.approx(0.1))
    settings = simc(1 / tau, theta, theta, lag=tau)
    assert settings.gain == printed("5.5")
    assert settings.integral_time == printed("0.8")
    m = margins(loop_of(settings, lambda s: 1 / ((s + 1) * (0.2 * s + 1))), 1e-2, 1e3)
    assert m.max_sensitivity == printed("1.56")


def test_example_e2():
    # S03 E2: (-0.3s+1)(0.08s+1)/((2s+1)(s+1)(0.4s+1)(0.2s+1)(0.05s+1)^3); seen. The zero at
    # 0.08 is taken off the lag 0.2 (rule T3 of the paper), which leaves 0.12 among the small lags.
    lags = [2, 1, 0.4, 0.12, 0.05, 0.05, 0.05]
    (tau,), theta = half_rule(lags, inverse_times=[0.3])
    assert tau == printed("2.5")
    assert theta == printed("1.47")
    (tau1, tau2), theta2 = half_rule(lags, inverse_times=[0.3], order=2)
    assert tau1 == printed("2")
    assert tau2 == printed("1.2")
    assert theta2 == printed("0.77")

    def full(s):
        under = (2 * s + 1) * (s + 1) * (0.4 * s + 1) * (0.2 * s + 1) * (0.05 * s + 1) ** 3
        return (-0.3 * s + 1) * (0.08 * s + 1) / under

    pi = simc(1 / tau, theta, theta, lag=tau)
    assert pi.gain == printed("0.8503")
    assert pi.integral_time == printed("2.5")
    m = margins(loop_of(pi, full), 1e-3, 1e3)
    assert m.gain_margin == printed("3.370")
    assert math.degrees(m.phase_margin) == printed("57.82")
    assert m.max_sensitivity == printed("1.662")
    pid = simc(1 / tau1, theta2, theta2, lag=tau1, second_lag=tau2)
    assert pid.gain == printed("1.2987")
    assert pid.integral_time == printed("2")
    assert pid.derivative_time == printed("1.2")
    assert margins(loop_of(pid, full), 1e-3, 1e3).max_sensitivity == printed("1.724")


@pytest.mark.parametrize(
    ("product", "pm", "gm"),
    [  # textbook closed forms: PM = 90 deg - (180/pi) K k' theta, GM = pi / (2 K k' theta)
        (0.25, "75.676", "6.2832"),
        (1 / 3, "70.901", "4.7124"),
        (0.5, "61.352", "3.1416"),
    ],
)
def test_heading_p_closed_forms(product, pm, gm):
    kp = product / (0.9 * 0.07)
    m = margins(lambda w: kp * 0.9 * np.exp(-0.07j * w) / (1j * w), 1e-3, 200)
    assert math.degrees(m.phase_margin) == printed(pm)
    assert m.gain_margin == printed(gm)
    assert m.crossover == pytest.approx(kp * 0.9, rel=1e-9)


def test_sampled_loop_tends_to_the_continuous_one():
    # The same closed forms for a fast loop: a period adds half of itself as dead time.
    plant = YawPlant(gain=0.9, lag=0.0, delay=0.07)
    gains = HeadingGains(kp=0.5 / (0.9 * 0.07), period=1e-4)
    m = sampled_margins(plant, gains)
    assert m.stable
    assert math.degrees(m.phase_margin) == pytest.approx(
        90 - math.degrees(0.5 * (0.07 + 0.5e-4) / 0.07), abs=1e-3
    )


@pytest.mark.parametrize(
    ("under", "gm", "w180", "pm", "wc"),
    [  # AM08, recomputed
        (lambda s: s * (s + 1) * (s + 2), "6", "1.4142", "53.411", "0.4457"),
        (lambda s: s * (s + 1) ** 2, "2", "1", "21.386", "0.6823"),
    ],
)
def test_textbook_margins(under, gm, w180, pm, wc):
    m = margins(lambda w: 1 / under(1j * w), 1e-3, 1e3)
    assert m.gain_margin == pytest.approx(float(gm), rel=1e-9)
    assert m.phase_crossover == printed(w180)
    assert math.degrees(m.phase_margin) == printed(pm)
    assert m.crossover == printed(wc)


def test_ultimate_gain_of_three_lags():
    # AH95: 1/(s+1)^3 has Ku = 8, Tu = 2 pi / sqrt 3 = 3.6276; frequency method K = 0.6 Ku = 4.8,
    # Ti = Tu/2 = 1.81, Td = 0.44. The last is 0.12 Tu = 0.4353; with 1/8 in place of 0.12 it would
    # be 0.4535, which does not print as 0.44.
    m = margins(lambda w: 1 / (1j * w + 1) ** 3, 1e-2, 1e2)
    period = 2 * math.pi / m.phase_crossover
    assert m.gain_margin == pytest.approx(8, rel=1e-9)
    assert period == printed("3.6276")
    assert 0.6 * m.gain_margin == printed("4.8")
    assert period / 2 == printed("1.81")
    assert 0.12 * period == printed("0.44")


def test_step_response_rule_of_three_lags():
    # AH95, section 4.2, from memory, recomputed: the step answer of 1/(s+1)^3 has L = 0.8055 (book
    # 0.806) and a = 0.2180 (0.218), so K = 1.2/a = 5.504 (5.50), Ti = 2 L = 1.611, Td = L/2 = 0.403.
    # scipy.signal makes the step answer.
    t, answer = step(([1.0], [1.0, 3.0, 3.0, 1.0]), T=np.linspace(0, 10, 10_001))
    slope, delay = steepest_tangent(t, answer)
    assert delay == printed("0.8055")
    assert slope * delay == printed("0.2180")
    assert slope == pytest.approx(2 * math.exp(-2), rel=1e-6)  # at the turning point, t = 2
    settings = step_response_pid(slope, delay)
    assert settings.gain == printed("5.504")
    assert settings.integral_time == printed("1.611")
    assert settings.derivative_time == printed("0.403")
    # A wide chord, as for noisy answers, costs little where the answer is a ramp: e^{-2s}/(s(s+1)).
    ramp = np.where(t > 2, t - 3 + np.exp(-np.maximum(t - 2, 0)), 0.0)
    slope, delay = steepest_tangent(t, ramp, 2000)
    assert slope == pytest.approx(1.0, rel=2e-3)
    assert delay == pytest.approx(3.0, abs=0.015)


def test_smith_two_point():
    # SM: exact answer of a lag with dead time: recovers 1.00049 tau; 1/(s+1)^3 as tabled.
    lag, delay = two_point(-math.log(1 - 0.283) + 2.0, -math.log(1 - 0.632) + 2.0)
    assert lag == printed("1.00049")
    assert delay == pytest.approx(2.0, abs=1e-3)
    lag, delay = two_point(1.85074, 3.25766)
    assert lag == pytest.approx(2.11039, abs=2e-5)
    assert delay == pytest.approx(1.14727, abs=2e-5)
