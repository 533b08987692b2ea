"""Control theory of the heading loop: answers, margins, tuning rules. Arrays in, numbers out.

References
----------
Skogestad (2003): S. Skogestad, Simple analytic rules for model reduction and PID controller
    tuning, J. Process Control 13, 291-309.
Astrom & Wittenmark: Computer-Controlled Systems, 3rd ed., 1997, ch. 2-3 (sampling with a
    zero-order hold, systems with delays).
Astrom & Murray: Feedback Systems, 2008, ch. 9-11 (margins, sensitivity).
Astrom & Hagglund (1995): PID Controllers, 2nd ed., ch. 4 (step-response rule).
Astrom & Hagglund (2006): Advanced PID Control, ch. 7 (AMIGO).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

Response = Callable[[np.ndarray], np.ndarray]
Responses = Callable[[np.ndarray, np.ndarray], np.ndarray]
"""Of several loops: which loops, shape (r,), and their frequencies, shape (r, n), to (r, n)."""


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

    def responses(_: np.ndarray, omega: np.ndarray) -> np.ndarray:
        return response(omega.ravel()).reshape(omega.shape)

    return _margins_of_all(responses, np.array([lowest]), highest, points, [stable])[0]


def _margins_of_all(
    responses: Responses,
    lowest: np.ndarray,
    highest: float,
    points: int,
    stable: Sequence[bool],
) -> list[Margins]:
    """`margins` of several loops at once; `lowest` and `stable` have one entry a loop."""
    every = np.arange(lowest.size)
    omega = np.geomspace(lowest, np.full(lowest.size, highest), points, axis=-1)
    loop = responses(every, omega)

    # Where the gain passes 1.
    above = np.abs(loop) > 1
    one, k = np.nonzero(above[:, :-1] != above[:, 1:])
    at_one = _crossings(
        lambda w: np.log(np.abs(responses(one, w))), omega[one, k], omega[one, k + 1]
    )
    angle = np.angle(-responses(one, at_one[:, None])[:, 0])
    # Where the loop passes the negative real axis.
    side = loop.imag > 0
    right = (loop.real[:, :-1] > 0) & (loop.real[:, 1:] > 0)
    turn, k = np.nonzero((side[:, :-1] != side[:, 1:]) & ~right)
    at_turn = _crossings(lambda w: responses(turn, w).imag, omega[turn, k], omega[turn, k + 1])
    real = responses(turn, at_turn[:, None])[:, 0].real
    sensitivity = _largest(lambda loop: 1 / np.abs(1 + loop), responses, omega, loop)
    complementary = _largest(lambda loop: np.abs(1 - 1 / (1 + loop)), responses, omega, loop)

    out = []
    for n in range(lowest.size):
        mine, w = angle[one == n], at_one[one == n]
        nearest = int(np.argmin(np.abs(mine))) if mine.size else None
        counts = (turn == n) & (real < 0) & (real >= -1)
        gains, turns = -1 / real[counts], at_turn[counts]
        # A sampled loop is real at its Nyquist frequency: the phase may end there exactly at -180.
        end = loop[n, -1]
        if end.real < 0 and abs(end.imag) < 1e-3 * abs(end.real) and -1 / end.real >= 1:
            gains, turns = np.append(gains, -1 / end.real), np.append(turns, omega[n, -1])
        least = int(np.argmin(gains)) if gains.size else None
        out.append(
            Margins(
                gain_margin=math.inf if least is None else float(gains[least]),
                phase_margin=math.inf if nearest is None else float(mine[nearest]),
                delay_margin=float(np.min(mine[mine >= 0] / w[mine >= 0], initial=math.inf)),
                max_sensitivity=float(sensitivity[n]),
                max_complementary=float(complementary[n]),
                crossover=math.nan if nearest is None else float(w[nearest]),
                phase_crossover=math.nan if least is None else float(turns[least]),
                stable=stable[n],
            )
        )
    return out


def _crossings(
    function: Callable[[np.ndarray], np.ndarray], low: np.ndarray, high: np.ndarray
) -> np.ndarray:
    """Where a function changes its sign, one bracket a row, narrowed many points at a time."""
    rows = np.arange(low.size)
    left = right = np.zeros(low.size)
    for _ in range(4):
        grid = np.linspace(low, high, 17, axis=-1)
        values = function(grid)
        k = np.argmax((values[:, :-1] > 0) != (values[:, 1:] > 0), axis=1)
        low, high = grid[rows, k], grid[rows, k + 1]
        left, right = values[rows, k], values[rows, k + 1]
    flat = left == right
    share = np.where(flat, 0.0, left / np.where(flat, 1.0, left - right))
    out: np.ndarray = low + (high - low) * share
    return out


def _largest(
    function: Callable[[np.ndarray], np.ndarray],
    responses: Responses,
    grid: np.ndarray,
    loop: np.ndarray,
) -> np.ndarray:
    """Largest value of a function of the loop along each row of a grid, refined around its peak."""
    rows = np.arange(grid.shape[0])
    best = np.full(rows.size, -math.inf)
    for finer in range(4):
        values = function(responses(rows, grid) if finer else loop)
        k = np.argmax(values, axis=1)
        best = np.maximum(best, values[rows, k])
        low = grid[rows, np.maximum(k - 1, 0)]
        high = grid[rows, np.minimum(k + 1, grid.shape[1] - 1)]
        grid = np.linspace(low, high, 17, axis=-1)
    return best


@dataclass(frozen=True, slots=True, eq=False)
class _Sampled:
    """Plants as columns, shape (plants, 1), and what a period of the loop makes of them."""

    gain: np.ndarray
    lag: np.ndarray
    periods: np.ndarray  # whole periods of dead time
    start: np.ndarray  # how far into a period the answer begins, from its end [s]
    pole: np.ndarray
    left: np.ndarray

    @classmethod
    def of(cls, plants: Sequence[YawPlant], period: float) -> _Sampled:
        gain, lag, delay = np.array([(p.gain, p.lag, p.delay) for p in plants]).T[..., None]
        lag = np.maximum(lag, 1e-9 * period)
        periods = np.maximum(1, np.ceil(delay / period - 1e-9)).astype(int)
        start = periods * period - delay
        return cls(gain, lag, periods, start, np.exp(-period / lag), np.exp(-start / lag))

    def rows(self, which: np.ndarray) -> _Sampled:
        return _Sampled(*(getattr(self, name)[which] for name in self.__slots__))


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
    numerator, denominator, periods = _polynomials(_Sampled.of([plant], gains.period), gains)
    return numerator[0], denominator[0], int(periods[0, 0])


def _polynomials(at: _Sampled, gains: HeadingGains) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """`sampled_polynomials` of several plants, one a row."""
    period = gains.period
    one = np.array([[1.0, -1.0]])
    slow = np.concatenate([np.ones_like(at.pole), -at.pole], axis=1)
    # Heading: sum over j of (j T + start - lag + lag left pole^j) z^-j, times (1 - z^-1).
    heading = at.gain * (
        period * _product(np.array([[0.0, 1.0]]), slow)
        + (at.start - at.lag) * _product(one, slow)
        + at.lag * at.left * _product(one, one)
    )
    rate = at.gain * (slow - at.left * one)
    integral = np.array([[gains.kp + gains.ki * period, -gains.kp]])
    keep = math.exp(-period / gains.rate_filter) if gains.rate_filter > 0 else 0.0
    filtered = np.array([[1.0, -keep]])
    # kp + ki T/(1 - z^-1) on heading, kd (1 - keep)/(1 - keep z^-1) on rate.
    numerator = _product(_product(integral, heading), filtered)
    other = gains.kd * (1 - keep) * _product(_product(rate, one), one)
    numerator[:, : other.shape[1]] += other
    denominator = _product(_product(one, _product(one, slow)), filtered)
    return numerator, denominator, at.periods


def _product(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Products of polynomials, one a row."""
    out = np.zeros((max(len(a), len(b)), a.shape[1] + b.shape[1] - 1))
    for k in range(a.shape[1]):
        out[:, k : k + b.shape[1]] += a[:, k, None] * b
    return out


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
    responses = _sampled_responses(_Sampled.of([plant], gains.period), gains)

    def loop(omega: np.ndarray) -> np.ndarray:
        return responses(np.zeros(1, dtype=int), omega[None])[0]

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
    return bool(_stable(_Sampled.of([plant], gains.period), gains)[0])


def _stable(at: _Sampled, gains: HeadingGains) -> np.ndarray:
    """Which closed loops are stable: eigenvalues of companion matrices of 1 + L, all at once."""
    numerator, denominator, periods = _polynomials(at, gains)
    if gains.ki == 0:  # the pole of the integral at 1 is cancelled exactly: divide by 1 - z^-1
        numerator = np.cumsum(numerator, axis=1)[:, :-1]
        denominator = np.cumsum(denominator, axis=1)[:, :-1]
    count, size = numerator.shape
    order = max(int(periods.max()) + size, denominator.shape[1]) - 1
    closed = np.zeros((count, order + 1))
    closed[:, : denominator.shape[1]] = denominator
    closed[np.arange(count)[:, None], periods + np.arange(size)] += numerator
    companion = np.zeros((count, order, order))
    companion[:, np.arange(1, order), np.arange(order - 1)] = 1.0
    companion[:, 0] = -closed[:, 1:] / closed[:, :1]
    out: np.ndarray = np.all(np.abs(np.linalg.eigvals(companion)) < 1 - 1e-9, axis=1)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class PlantsOnGrid:
    """What several plants make of each part of a law, at frequencies up to Nyquist's.

    Attributes
    ----------
    at : _Sampled
        The plants.
    period : float
        Period of the loop. [s]
    back, summed : ndarray, shape (1, n)
        z^-1, and the sum over ticks times the period.
    heading, rate : ndarray, shape (plants, n)
        Answers of heading and yaw rate, dead time included.
    """

    at: _Sampled
    period: float
    back: np.ndarray
    summed: np.ndarray
    heading: np.ndarray
    rate: np.ndarray

    def loop(self, gains: HeadingGains) -> np.ndarray:
        """Loop gains under a law, shape (plants, n): `sampled_polynomials`, by factors."""
        out: np.ndarray = (gains.kp + gains.ki * self.summed) * self.heading
        if gains.kd:
            keep = math.exp(-self.period / gains.rate_filter) if gains.rate_filter > 0 else 0.0
            out += gains.kd * (1 - keep) / (1 - keep * self.back) * self.rate
        return out


def on_grid(plants: Sequence[YawPlant], period: float, points: int = 300) -> PlantsOnGrid:
    """Several plants on a logarithmic grid of frequencies, to try many laws on.

    Parameters
    ----------
    plants : sequence of YawPlant
        Plants with all dead time of the loop in them, the nominal one first.
    period : float
        Period of the loop. [s]
    points : int
        Frequencies, over three decades up to Nyquist's.

    Returns
    -------
    PlantsOnGrid
        The plants' part of every loop.
    """
    omega = np.geomspace(1e-3, 1.0, points)[None] * math.pi / period
    return _on(_Sampled.of(plants, period), omega, period)


def _on(at: _Sampled, omega: np.ndarray, period: float) -> PlantsOnGrid:
    """Plants at frequencies, one row a plant, of `omega` one row or one a plant."""
    back = np.exp(-1j * period * omega)
    one, slow = 1 - back, 1 - at.pole * back
    summed, settled = period / one, at.left * one / slow
    late = at.gain * np.exp(-1j * period * omega * at.periods)
    heading = late * (back * summed + (at.start - at.lag) + at.lag * settled)
    return PlantsOnGrid(at, period, back, summed, heading, late * (1 - settled))


def keeps_to(on: PlantsOnGrid, gains: HeadingGains, nominal: float, worst: float) -> bool:
    """Whether a law keeps to its largest sensitivities, on a grid: to search, not for the proof.

    Parameters
    ----------
    on : PlantsOnGrid
        The plants, the nominal one first.
    gains : HeadingGains
        A law of that period.
    nominal, worst : float
        Largest sensitivity of the first plant, and of all.

    Returns
    -------
    bool
        False also where a loop is unstable.
    """
    least = np.min(np.abs(1 + on.loop(gains)), axis=1)
    near = least[0] * nominal >= 1 and least.min() * worst >= 1
    return bool(near and np.all(_stable(on.at, gains)))


def _sampled_responses(every: _Sampled, gains: HeadingGains) -> Responses:
    """Loop gains of several plants, each at its own frequencies."""

    def loops(which: np.ndarray, omega: np.ndarray) -> np.ndarray:
        return _on(every.rows(which), omega, gains.period).loop(gains)

    return loops


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
    return sampled_margins_of([plant], gains)[0]


def sampled_margins_of(plants: Sequence[YawPlant], gains: HeadingGains) -> list[Margins]:
    """Margins of the sampled heading loop on each of several plants.

    Parameters
    ----------
    plants : sequence of YawPlant
        Plants with all dead time of the loop in them.
    gains : HeadingGains
        The law and its period.

    Returns
    -------
    list of Margins
        One a plant.
    """
    at = _Sampled.of(plants, gains.period)
    highest = math.pi / gains.period
    lowest = np.minimum(
        1e-3 * highest, 0.02 * max(gains.kp, 1e-6) * np.maximum(at.gain[:, 0], 1e-6)
    )
    return _margins_of_all(
        _sampled_responses(at, gains),
        lowest,
        highest * (1 - 1e-9),
        points=600,
        stable=_stable(at, gains).tolist(),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """PID settings: K (1 + 1/(integral_time s)) (1 + derivative_time s), the series form.

    `step_response_pid` gives the standard form, K (1 + 1/(integral_time s) + derivative_time s).

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


def steepest_tangent(t: np.ndarray, answer: np.ndarray, span: int = 1) -> tuple[float, float]:
    """Slope of the steepest tangent of a step answer, and where it meets the start value.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Times after the step. [s]
    answer : ndarray, shape (n,)
        Answer to a unit step, at rest at first.
    span : int
        Samples that a chord spans, below n: more where the answer is noisy.

    Returns
    -------
    slope : float
        [answer/s]
    delay : float
        Apparent dead time. [s]

    Notes
    -----
    Astrom & Hagglund (1995), section 4.2: slope a/L and intercept L of the step-response method.
    The chord's middle stands for the point of contact.
    """
    rise = (answer[span:] - answer[:-span]) / (t[span:] - t[:-span])
    k = int(np.argmax(rise))
    slope = float(rise[k])
    middle, height = (float(v[k] + v[k + span]) / 2 for v in (t, answer))
    return slope, middle - (height - float(answer[0])) / slope


def step_response_pid(slope: float, delay: float) -> Settings:
    """PID settings of the classical step-response rule: fast, and close to swaying.

    Parameters
    ----------
    slope : float
        Slope of the steepest tangent of the answer to a unit step. [1/s]
    delay : float
        Apparent dead time, where the tangent meets the start value. [s]

    Returns
    -------
    Settings
        Standard form.

    Notes
    -----
    Ziegler and Nichols' step-response method, as in Astrom & Hagglund (1995), section 4.2:
    K = 1.2/a with a = slope L, T_i = 2 L, T_d = L/2.
    """
    return Settings(gain=1.2 / (slope * delay), integral_time=2 * delay, derivative_time=delay / 2)


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
