"""Control theory of the heading loop: answers, margins, tuning rules. Arrays in, numbers out.

References
----------
Skogestad (2003): S. Skogestad, Simple analytic rules for model reduction and PID controller
    tuning, J. Process Control 13, 291-309.
Astrom & Wittenmark: Computer-Controlled Systems, 3rd ed., 1997, ch. 2-3 (sampling with a
    zero-order hold, systems with delays).
Astrom & Murray: Feedback Systems, 2008, ch. 9-11 (margins, sensitivity).
Astrom & Hagglund (2006): Advanced PID Control, ch. 7 (AMIGO).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

Response = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True, slots=True, kw_only=True)
class YawPlant:
    """Answer of the yaw rate to the commanded yaw rate: gain e^{-s delay} / (lag s + 1).

    Attributes
    ----------
    gain : float
        Steady yaw rate over command. [-]
    lag : float
        Time constant. [s]
    delay : float
        Dead time. [s]
    """

    gain: float
    lag: float
    delay: float

    def rate_step(self, t: np.ndarray) -> np.ndarray:
        """Yaw rate after a unit step of the command at 0.

        Parameters
        ----------
        t : ndarray
            Times. [s]

        Returns
        -------
        ndarray
            Yaw rate. [rad/s per rad/s]
        """
        after = np.maximum(t - self.delay, 0.0)
        if self.lag <= 0:
            return np.where(t >= self.delay, self.gain, 0.0)
        return -self.gain * np.expm1(-after / self.lag)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadingGains:
    """The law: correction = kp e + ki (integral of e) + kd (omega_ref - filtered omega_z).

    Attributes
    ----------
    kp : float
        [1/s]
    ki : float
        [1/s^2]
    kd : float
        [-]
    rate_filter : float
        Time constant of the first-order filter on the measured yaw rate. [s]
    period : float
        Time between two runs of the loop. [s]
    """

    kp: float
    ki: float = 0.0
    kd: float = 0.0
    rate_filter: float = 0.0
    period: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Margins:
    """How far a stable loop is from instability.

    Attributes
    ----------
    gain_margin : float
        Factor on the gain that makes it unstable; inf where none does. [-]
    phase_margin : float
        At the gain crossover. [rad]
    delay_margin : float
        Dead time that may be added: phase margin over crossover. [s]
    max_sensitivity : float
        Largest of 1/|1 + L|, M_s. [-]
    max_complementary : float
        Largest of |L/(1 + L)|, M_t. [-]
    crossover : float
        Angular frequency where |L| = 1; nan where it never is. [rad/s]
    phase_crossover : float
        Angular frequency of the gain margin; nan where there is none. [rad/s]
    stable : bool
        Whether the closed loop is stable; the rest means nothing where it is not.
    """

    gain_margin: float
    phase_margin: float
    delay_margin: float
    max_sensitivity: float
    max_complementary: float
    crossover: float
    phase_crossover: float
    stable: bool = True


def margins(
    response: Response, lowest: float, highest: float, *, points: int = 1500, stable: bool = True
) -> Margins:
    """Margins of a loop from its frequency response.

    Parameters
    ----------
    response : callable
        Loop transfer function at angular frequencies, complex.
    lowest, highest : float
        Band to search, e.g. up to the Nyquist frequency of a sampled loop. [rad/s]
    points : int
        Logarithmic grid on which crossings are bracketed; each is then refined.
    stable : bool
        What is known of the closed loop; passed on.

    Returns
    -------
    Margins
        Smallest of each margin where there are several crossings.

    Notes
    -----
    Definitions: Astrom & Murray, section 9.3 (margins), section 11.3 (M_s, M_t).
    """
    omega = np.geomspace(lowest, highest, points)
    loop = response(omega)

    def at(w: float) -> complex:
        return complex(response(np.array([w]))[0])

    def excess(w: np.ndarray) -> np.ndarray:
        out: np.ndarray = np.log(np.abs(response(w)))
        return out

    size = np.log(np.abs(loop))
    phase_margin, crossover, delay_margin = math.inf, math.nan, math.inf
    for k in np.flatnonzero((size[:-1] > 0) != (size[1:] > 0)):
        w = _crossing(excess, omega[k], omega[k + 1])
        angle = math.pi + math.atan2(at(w).imag, at(w).real)
        angle = (angle + math.pi) % (2 * math.pi) - math.pi
        if abs(angle) < abs(phase_margin):
            phase_margin, crossover = angle, w
        if angle >= 0:
            delay_margin = min(delay_margin, angle / w)
    gain_margin, phase_crossover = math.inf, math.nan
    side = loop.imag > 0
    for k in np.flatnonzero(side[:-1] != side[1:]):
        if loop[k].real > 0 and loop[k + 1].real > 0:
            continue
        w = _crossing(lambda w: response(w).imag, omega[k], omega[k + 1])
        real = at(w).real
        if real < 0 and -1 / real >= 1 and -1 / real < gain_margin:
            gain_margin, phase_crossover = -1 / real, w
    # A sampled loop is real at its Nyquist frequency: the phase may end there exactly at -180.
    end = loop[-1]
    if end.real < 0 and abs(end.imag) < 1e-3 * abs(end.real) and 1 <= -1 / end.real < gain_margin:
        gain_margin, phase_crossover = -1 / float(end.real), float(omega[-1])

    sensitivity = _largest(lambda w: 1 / np.abs(1 + response(w)), omega)
    complementary = _largest(lambda w: np.abs(response(w) / (1 + response(w))), omega)
    return Margins(
        gain_margin=gain_margin,
        phase_margin=phase_margin,
        delay_margin=delay_margin,
        max_sensitivity=sensitivity,
        max_complementary=complementary,
        crossover=crossover,
        phase_crossover=phase_crossover,
        stable=stable,
    )


def _crossing(function: Callable[[np.ndarray], np.ndarray], low: float, high: float) -> float:
    """Where a function changes its sign, by narrowing the bracket many points at a time."""
    for _ in range(4):
        grid = np.linspace(low, high, 17)
        values = function(grid)
        k = int(np.argmax((values[:-1] > 0) != (values[1:] > 0)))
        low, high = float(grid[k]), float(grid[k + 1])
    left, right = float(values[k]), float(values[k + 1])
    return low if left == right else low + (high - low) * left / (left - right)


def _largest(function: Callable[[np.ndarray], np.ndarray], grid: np.ndarray) -> float:
    """Largest value on a grid, refined around its peak."""
    best = -math.inf
    for _ in range(4):
        values = function(grid)
        k = int(np.argmax(values))
        best = max(best, float(values[k]))
        grid = np.linspace(grid[max(0, k - 1)], grid[min(grid.size - 1, k + 1)], 17)
    return best


def _sampled_step(plant: YawPlant, period: float) -> tuple[int, float]:
    """Whole periods of dead time, and how far into a period the answer begins, from its end."""
    periods = max(1, math.ceil(plant.delay / period - 1e-9))
    return periods, periods * period - plant.delay


def sampled_polynomials(plant: YawPlant, gains: HeadingGains) -> tuple[np.ndarray, np.ndarray, int]:
    """Loop transfer function of the sampled heading loop.

    The command is held for a period, the plant answers with its dead time (any, not only whole
    periods), heading and rate are sampled at the loop's ticks.

    Parameters
    ----------
    plant : YawPlant
        Plant with all dead time of the loop in it.
    gains : HeadingGains
        The law and its period.

    Returns
    -------
    numerator, denominator : ndarray
        Coefficients of rising powers of z^-1.
    periods : int
        Further factor z^-periods of the numerator.

    Notes
    -----
    Step-invariant sampling: with the answer to a step sampled at the ticks, y_j, the pulse
    transfer function is (1 - z^-1) sum y_j z^-j (Astrom & Wittenmark, sections 2.3-2.4, with the
    fractional delay as offset of the sampling). Heading answers a step with
    gain (t - lag + lag e^{-t/lag}), rate with gain (1 - e^{-t/lag}).
    """
    period = gains.period
    periods, start = _sampled_step(plant, period)
    lag = max(plant.lag, 1e-9 * period)
    pole = math.exp(-period / lag)
    left = math.exp(-start / lag)
    one = np.array([1.0, -1.0])
    slow = np.array([1.0, -pole])
    # Heading: sum over j of (j T + start - lag + lag left pole^j) z^-j, times (1 - z^-1).
    heading = plant.gain * (
        period * np.convolve(np.array([0.0, 1.0]), slow)
        + (start - lag) * np.convolve(one, slow)
        + lag * left * np.convolve(one, one)
    )
    heading_under = np.convolve(one, slow)
    rate = plant.gain * (slow - left * one)
    integral = np.array([gains.kp + gains.ki * period, -gains.kp])
    keep = math.exp(-period / gains.rate_filter) if gains.rate_filter > 0 else 0.0
    filtered = np.array([1.0, -keep])
    # kp + ki T/(1 - z^-1) on heading, kd (1 - keep)/(1 - keep z^-1) on rate.
    numerator = np.convolve(np.convolve(integral, heading), filtered)
    other = gains.kd * (1 - keep) * np.convolve(np.convolve(rate, one), one)
    numerator = numerator + np.pad(other, (0, numerator.size - other.size))
    denominator = np.convolve(np.convolve(one, heading_under), filtered)
    return numerator, denominator, periods


def sampled_response(plant: YawPlant, gains: HeadingGains) -> Response:
    """Frequency response of the sampled heading loop, up to its Nyquist frequency.

    Parameters
    ----------
    plant : YawPlant
        Plant with all dead time of the loop in it.
    gains : HeadingGains
        The law and its period.

    Returns
    -------
    callable
        Angular frequencies [rad/s] to loop gain, complex.
    """
    numerator, denominator, periods = sampled_polynomials(plant, gains)

    def loop(omega: np.ndarray) -> np.ndarray:
        back = np.exp(-1j * omega * gains.period)
        above = np.polynomial.polynomial.polyval(back, numerator)
        under = np.polynomial.polynomial.polyval(back, denominator)
        return above / under * back**periods

    return loop


def sampled_stable(plant: YawPlant, gains: HeadingGains) -> bool:
    """Whether the sampled closed loop is stable: all roots of 1 + L inside the unit circle.

    Parameters
    ----------
    plant : YawPlant
        Plant with all dead time of the loop in it.
    gains : HeadingGains
        The law and its period.

    Returns
    -------
    bool
        True where stable.
    """
    return bool(np.all(np.abs(_closed_roots([plant], gains)) < 1 - 1e-9))


def _closed_roots(plants: Sequence[YawPlant], gains: HeadingGains) -> np.ndarray:
    """Roots of 1 + L, shape (plants, order): eigenvalues of companion matrices, all at once."""
    closed = []
    for plant in plants:
        numerator, denominator, periods = sampled_polynomials(plant, gains)
        if gains.ki == 0:  # the pole of the integral at 1 is cancelled exactly
            numerator, denominator = (
                _without_root_at_one(numerator),
                _without_root_at_one(denominator),
            )
        late = np.concatenate([np.zeros(periods), numerator])
        size = max(late.size, denominator.size)
        closed.append(
            np.pad(late, (0, size - late.size)) + np.pad(denominator, (0, size - denominator.size))
        )
    order = max(c.size for c in closed) - 1
    companion = np.zeros((len(closed), order, order))
    companion[:, np.arange(1, order), np.arange(order - 1)] = 1.0
    for k, c in enumerate(closed):
        companion[k, 0, : c.size - 1] = -c[1:] / c[0]
    roots: np.ndarray = np.linalg.eigvals(companion)
    return roots


def _without_root_at_one(polynomial: np.ndarray) -> np.ndarray:
    """Divide a polynomial in z^-1 by 1 - z^-1, which it holds."""
    quotient: np.ndarray = np.cumsum(polynomial)[:-1]
    return quotient


def peak_sensitivities(plants: Sequence[YawPlant], gains: HeadingGains) -> np.ndarray:
    """Largest sensitivity of several plants on a grid: for searching, not for the proof.

    Parameters
    ----------
    plants : sequence of YawPlant
        Plants with all dead time of the loop in them.
    gains : HeadingGains
        The law and its period.

    Returns
    -------
    ndarray, shape (plants,)
        inf for unstable loops.
    """
    omega = np.geomspace(1e-3, 1.0, 300) * math.pi / gains.period
    peaks = np.max(1 / np.abs(1 + _sampled_responses(plants, gains, omega)), axis=1)
    stable = np.all(np.abs(_closed_roots(plants, gains)) < 1 - 1e-9, axis=1)
    return np.where(stable, peaks, np.inf)


def _sampled_responses(
    plants: Sequence[YawPlant], gains: HeadingGains, omega: np.ndarray
) -> np.ndarray:
    """Loop gains of several plants, shape (plants, frequencies): `sampled_polynomials` by factors."""
    period = gains.period
    steps = [_sampled_step(p, period) for p in plants]
    periods, start = (np.array(column)[:, None] for column in zip(*steps, strict=True))
    lag = np.maximum(np.array([p.lag for p in plants])[:, None], 1e-9 * period)
    gain = np.array([p.gain for p in plants])[:, None]
    pole, left = np.exp(-period / lag), np.exp(-start / lag)
    back = np.exp(-1j * omega * period)
    one, slow = 1 - back, 1 - pole * back
    heading = (
        gain
        * (period * back * slow + (start - lag) * one * slow + lag * left * one * one)
        / (one * slow)
    )
    rate = gain * (slow - left * one) / slow
    keep = math.exp(-period / gains.rate_filter) if gains.rate_filter > 0 else 0.0
    law = gains.kp + gains.ki * period / one
    law_rate = gains.kd * (1 - keep) / (1 - keep * back)
    out: np.ndarray = (law * heading + law_rate * rate) * back**periods
    return out


def sampled_margins(plant: YawPlant, gains: HeadingGains) -> Margins:
    """Margins of the sampled heading loop.

    Parameters
    ----------
    plant : YawPlant
        Plant with all dead time of the loop in it.
    gains : HeadingGains
        The law and its period.

    Returns
    -------
    Margins
        With `stable` worked out from the roots.
    """
    highest = math.pi / gains.period
    lowest = min(1e-3 * highest, 0.02 * max(gains.kp, 1e-6) * max(plant.gain, 1e-6))
    return margins(
        sampled_response(plant, gains),
        lowest,
        highest * (1 - 1e-9),
        points=600,
        stable=sampled_stable(plant, gains),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """PID settings: K (1 + 1/(integral_time s)) (1 + derivative_time s), series form.

    Attributes
    ----------
    gain : float
        K, in command per error.
    integral_time : float
        [s]; inf for none.
    derivative_time : float
        [s]
    """

    gain: float
    integral_time: float = math.inf
    derivative_time: float = 0.0


def simc(
    slope: float,
    delay: float,
    closed_loop_time: float,
    *,
    lag: float = math.inf,
    second_lag: float = 0.0,
) -> Settings:
    """SIMC settings of a plant with dead time that integrates or lags.

    Parameters
    ----------
    slope : float
        Initial slope of the answer to a unit step: of an integrating plant slope e^{-s delay}/s,
        or gain / lag of a plant with a lag. [1/s]
    delay, closed_loop_time : float
        Dead time and wanted closed-loop time constant, tau_c. [s]
    lag : float
        Largest lag; inf for an integrating plant. [s]
    second_lag : float
        Second lag, that derivative action shall cancel. [s]

    Returns
    -------
    Settings
        Series form.

    Notes
    -----
    Skogestad (2003), eqs. (23)-(25) and table 1: K = 1 / (slope (tau_c + delay)), integral time
    min(lag, 4 (tau_c + delay)), derivative time = second lag.
    """
    whole = closed_loop_time + delay
    return Settings(
        gain=1 / (slope * whole),
        integral_time=min(lag, 4 * whole),
        derivative_time=second_lag,
    )


def half_rule(
    lags: Sequence[float],
    delay: float = 0.0,
    inverse_times: Sequence[float] = (),
    *,
    order: int = 1,
) -> tuple[tuple[float, ...], float]:
    """Reduce a chain of lags to one or two lags and a dead time.

    Parameters
    ----------
    lags : sequence of float
        Time constants; the largest may be inf for an integrator. [s]
    delay : float
        Dead time. [s]
    inverse_times : sequence of float
        Time constants of zeros in the right half plane, (1 - T s). [s]
    order : {1, 2}
        Lags to keep.

    Returns
    -------
    lags : tuple of float
        The lags kept. [s]
    delay : float
        Effective dead time. [s]

    Notes
    -----
    Half rule, Skogestad (2003), eqs. (10)-(11): half of the largest neglected lag goes to the
    dead time, half to the smallest lag kept; all smaller lags and all inverse times go to the dead
    time.
    """
    ordered = sorted(lags, reverse=True)
    kept, rest = ordered[:order], ordered[order:]
    whole = delay + sum(inverse_times)
    if rest:
        kept[-1] += rest[0] / 2
        whole += rest[0] / 2 + sum(rest[1:])
    return tuple(kept), whole


def amigo_pi(slope: float, lag: float, delay: float) -> Settings:
    """AMIGO PI settings of a plant with dead time that integrates or lags.

    Parameters
    ----------
    slope : float
        Gain over lag; of an integrating plant the slope of its step answer. [1/s]
    lag, delay : float
        Lag, inf for an integrating plant, and dead time. [s]

    Returns
    -------
    Settings
        PI.

    Notes
    -----
    Astrom & Hagglund (2006), section 7.3:
    K = 0.15/k + (0.35 - L T/(L+T)^2) T/(k L), T_i = 0.35 L + 13 L T^2/(T^2 + 12 L T + 7 L^2); in
    the limit of large T, K = 0.35 / (slope L) and T_i = 13.35 L, printed as 13.4 L.
    """
    share = 0.0 if math.isinf(lag) else delay / lag
    k = (0.15 * share + 0.35 - share / (share + 1) ** 2) / (slope * delay)
    return Settings(
        gain=k, integral_time=0.35 * delay + 13 * delay / (1 + 12 * share + 7 * share**2)
    )


def two_point(t_28: float, t_63: float) -> tuple[float, float]:
    """Lag and dead time from the times at which a step answer reaches 28.3 % and 63.2 %.

    Parameters
    ----------
    t_28, t_63 : float
        Times after the step. [s]

    Returns
    -------
    lag, delay : float
        [s]

    Notes
    -----
    Smith's two-point method: lag = 1.5 (t_63 - t_28), delay = t_63 - lag.
    """
    lag = 1.5 * (t_63 - t_28)
    return lag, t_63 - lag
