"""Margins of the heading loop against the general control library, and its sampling by simulation."""

import math
import warnings

import control
import numpy as np
import pytest

from analyzer.control import (
    HeadingGains,
    YawPlant,
    margins,
    sampled_margins,
    sampled_polynomials,
    sampled_response,
    sampled_stable,
)

PLANTS = 260


def random_loop(rng):
    plant = YawPlant(
        gain=rng.uniform(0.4, 1.4),
        lag=rng.choice([0.0, 1.0]) * 10 ** rng.uniform(-2, -0.5),
        delay=rng.uniform(0.0, 0.12),
    )
    period = 1 / rng.uniform(20, 100)
    reach = plant.delay + 1.5 * period + plant.lag
    kp = rng.uniform(0.1, 0.7) / plant.gain / reach
    gains = HeadingGains(
        kp=kp,
        ki=rng.choice([0.0, 1.0]) * kp / (rng.uniform(4, 12) * reach),
        kd=rng.choice([0.0, 1.0]) * kp * plant.lag * rng.uniform(0.2, 1.0),
        rate_filter=rng.choice([0.0, 1.0]) * rng.uniform(0.2, 1.5) * period,
        period=period,
    )
    return plant, gains


def library_loop(plant, gains):
    """The same loop built by the library: its state space, its sampling.

    A dead time that is no whole number of periods acts inside a period: the older command first,
    then the newer one, each sampled by the library over its part of the period.
    """
    period = gains.period
    whole = max(1, math.ceil(plant.delay / period - 1e-9))
    late = plant.delay - (whole - 1) * period  # 0 < late <= period
    lag = max(plant.lag, 1e-6)
    both = control.ss(
        [[0.0, 1.0], [0.0, -1 / lag]], [[0.0], [plant.gain / lag]], np.eye(2), np.zeros((2, 1))
    )

    def over(seconds):
        if seconds < 1e-12:
            return np.eye(2), np.zeros((2, 1))
        d = control.sample_system(both, seconds, method="zoh")
        return np.asarray(d.A), np.asarray(d.B)

    a_new, b_new = over(period - late)  # the newer input acts for the last part of the period
    a_old, b_old = over(late)
    a = a_new @ a_old
    matrix = np.block([[a, a_new @ b_old], [np.zeros((1, 2)), np.zeros((1, 1))]])
    enter = np.vstack([b_new, [[1.0]]])
    chain = []
    for row in np.eye(2):
        out = control.ss(matrix, enter, np.append(row, 0.0)[None], [[0.0]], period)
        chain.append(control.ss2tf(out))
    integral = control.tf([gains.kp + gains.ki * period, -gains.kp], [1, -1], period)
    if gains.ki == 0:
        integral = control.tf([gains.kp], [1], period)
    keep = math.exp(-period / gains.rate_filter) if gains.rate_filter > 0 else 0.0
    derivative = control.tf([gains.kd * (1 - keep), 0], [1, -keep], period)
    extra = control.tf([1], [1] + [0] * (whole - 1), period)
    return integral * chain[0] * extra, derivative * chain[1] * extra


@pytest.fixture(scope="module")
def loops():
    rng = np.random.default_rng(20)
    out = []
    while len(out) < PLANTS:
        plant, gains = random_loop(rng)
        if sampled_stable(plant, gains):
            out.append((plant, gains))
    return out


def test_margins_agree_with_the_control_library(loops):
    compared = 0
    for plant, gains in loops:
        by_heading, by_rate = library_loop(plant, gains)

        def library(omega, by_heading=by_heading, by_rate=by_rate, period=gains.period):
            z = np.exp(1j * omega * period)
            return by_heading(z) + (by_rate(z) if gains.kd else 0)

        omega = np.geomspace(1e-2, math.pi / gains.period * (1 - 1e-9), 1501)
        data = control.frd(library(omega), omega, smooth=True)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            gm, pm, _, w180, wc, _ = control.stability_margins(data)
        ours = sampled_margins(plant, gains)
        assert math.degrees(ours.phase_margin) == pytest.approx(pm, abs=0.1)
        if not np.isfinite(gm) and math.isfinite(ours.gain_margin):
            # Real and negative at the Nyquist frequency itself: no sign change for the library.
            assert ours.phase_crossover == pytest.approx(math.pi / gains.period)
            end = library(np.array([math.pi / gains.period]))[0].real
            assert ours.gain_margin == pytest.approx(-1 / end, rel=5e-3)
        elif math.isfinite(ours.gain_margin) or np.isfinite(gm):
            assert ours.gain_margin == pytest.approx(gm, rel=5e-3)
            assert ours.phase_crossover == pytest.approx(w180, rel=5e-3)
            compared += 1
        assert ours.crossover == pytest.approx(wc, rel=5e-3)
        assert ours.delay_margin == pytest.approx(math.radians(pm) / wc, rel=5e-3)
        worst = float(np.max(1 / np.abs(1 + library(omega))))
        assert ours.max_sensitivity == pytest.approx(worst, rel=5e-3)
    assert compared >= 200  # the rest have their gain margin at the Nyquist frequency


def test_stability_agrees_with_the_control_library():
    rng = np.random.default_rng(21)
    seen = {True: 0, False: 0}
    for _ in range(120):
        plant, gains = random_loop(rng)
        louder = rng.uniform(0.5, 8)
        gains = HeadingGains(
            kp=gains.kp * louder, ki=gains.ki * louder, kd=0.0, period=gains.period
        )
        by_heading, _ = library_loop(plant, gains)
        poles = np.abs(control.feedback(by_heading, 1).poles())
        # The library keeps no cancelled pole here: P has no integral, PI is written in full.
        largest = float(np.max(poles))
        if abs(largest - 1) < 1e-3:
            continue
        stable = sampled_stable(plant, gains)
        seen[stable] += 1
        assert stable == (largest < 1)
    assert min(seen.values()) > 20


def test_margins_of_continuous_loops_agree_with_the_control_library():
    rng = np.random.default_rng(22)
    for _ in range(200):
        lags = 10 ** rng.uniform(-2, 0, 3)
        gain = rng.uniform(0.2, 2)
        under = np.poly1d([1.0, 0.0])
        for lag in lags:
            under = under * np.poly1d([lag, 1.0])
        system = control.tf([gain], under.coeffs)
        gm, pm, w180, wc = control.margin(system)
        ours = margins(lambda w, u=under, g=gain: g / u(1j * w), 1e-3, 1e4)
        assert math.degrees(ours.phase_margin) == pytest.approx(pm, abs=0.1)
        if gm >= 1:
            assert ours.gain_margin == pytest.approx(gm, rel=5e-3)
            assert ours.phase_crossover == pytest.approx(w180, rel=5e-3)
        assert ours.crossover == pytest.approx(wc, rel=5e-3)


def test_sampled_response_is_that_of_a_simulated_loop():
    # Pulse answer of heading, by brute force on a fine grid, against the polynomials.
    plant = YawPlant(gain=0.8, lag=0.06, delay=0.037)
    gains = HeadingGains(kp=1.0, period=0.02)
    numerator, denominator, periods = sampled_polynomials(plant, gains)
    fine = 1e-5
    t = np.arange(0, 0.4, fine)
    command = (t < gains.period).astype(float)
    delayed = np.interp(t - plant.delay, t, command, left=0.0)
    rate = np.zeros_like(t)
    keep = math.exp(-fine / plant.lag)
    for k in range(1, t.size):
        rate[k] = keep * rate[k - 1] + (1 - keep) * plant.gain * delayed[k - 1]
    heading = np.cumsum(rate) * fine
    ticks = np.round(np.arange(1, 19) * gains.period / fine).astype(int)
    answer = np.zeros(30)
    drive = np.zeros(30)
    drive[periods : periods + numerator.size] = numerator
    for k in range(30):
        past = sum(denominator[j] * answer[k - j] for j in range(1, denominator.size) if k - j >= 0)
        answer[k] = (drive[k] - past) / denominator[0]
    assert answer[1:19] == pytest.approx(heading[ticks], abs=2e-5)


def test_rate_and_heading_are_consistent():
    # The derivative of heading by tiny period equals the response of the rate.
    plant = YawPlant(gain=1.1, lag=0.05, delay=0.03)
    omega = np.array([0.5, 2.0, 10.0])
    only_rate = sampled_response(plant, HeadingGains(kp=0.0, kd=1.0, period=1e-4))(omega)
    s = 1j * omega
    heading = 1.1 * np.exp(-0.03 * s) / (0.05 * s + 1)
    assert only_rate == pytest.approx(heading, rel=2e-3)
