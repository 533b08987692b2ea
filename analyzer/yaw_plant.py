"""The yaw plant from a recording: gain, lag and dead time from commanded to true yaw rate.

One turn command, standstill to standstill, is one observation. All are fitted together,

    omega_z = F[goal],   goal = sign(u) max(gain |u| + friction, 0),   F = lag with dead time,

because drag in the rollers takes a fixed part off the rate whatever the command is (friction below
0: a small command does not turn the base at all), and would pass for a low gain where only one
rate was driven. While the base travels the rollers turn
already, so that a small correction meets the gain and not the friction. The time after the
command has ended is left out: friction brakes then, and the answer is faster than it is under way.

Under a heading loop the command holds the loop's own corrections, which carry the noise and the
drift of the answer back into the input. The fit then uses an instrument made from the times and
the size of the turn commands alone (instrumental variables: Ljung, System Identification, 2nd ed.,
1999, sections 7.6 and 13.4-13.5), and straight passes are kept out of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analyzer.control import YawPlant, steepest_tangent, two_point
from analyzer.kinematics import odometry_matrix, plane_length
from analyzer.passes import span_sums
from analyzer.quantities import (
    Estimate,
    Finding,
    RecordingError,
    enough,
    in_lot_order,
    quantile,
    student_quantile,
)
from analyzer.run import Pass, Run
from analyzer.signals import integrated, spans

WHAT_TO_RECORD = (
    "Record turns on the spot: from standstill, both ways, at two or three turn rates (for example "
    "0.4, 0.8 and 1.2 rad/s), stepped and not ramped, 0.5 to 2 s each with 0.6 s of standstill "
    "between, heading hold off, commanded turn rate (cmd_omega_z) and gyro logged at 50 Hz or more; "
    "then some sideways passes. `crabwise plan` gives rates and floor space"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantConfig:
    """Thresholds of the identification, each with unit and origin."""

    rate_least: float = 0.05
    """Commanded yaw rate that counts as a turn [rad/s]: ten times a usual gyro's noise."""
    rate_still: float = 0.02
    """Commanded yaw rate below which none is asked for [rad/s]: what a heading loop asks for at
    rest."""
    travel_most: float = 0.25
    """Travel over turning (times the size of the base) still taken as a turn on the spot [-]."""
    before: float = 0.12
    """Time before the command that belongs to the observation [s]."""
    shortest: float = 0.25
    """Shortest turn command that counts [s]."""
    level: float = 0.25
    """Time over which a level of a staircase is averaged [s]."""
    steady_share: float = 0.3
    """Spread (middle half) of the command over its largest within the later half of a plateau [-]."""
    step_share: float = 0.15
    """Change of level, over the largest, that is a step of a staircase [-]."""
    windows_most: int = 24
    """Most observations used [-]: more, in recordings of hours, cost time and change nothing; chosen
    by lot, so that no repeating script favours one kind."""
    pause: float = 0.1
    """Standstill that parts two turn commands [s]; a sweep through zero is not cut."""
    windows_least: int = 2
    """Fewest observations that give an interval [-]."""
    windows_good: int = 6
    """Observations below which more are asked for [-]: with five degrees of freedom a 95 % interval
    is a third wider than with many."""
    levels_ratio: float = 1.3
    """Ratio of turn rates above which friction and gain are told apart [-]."""
    friction_held: float = 0.02
    """Standard error of the gain, over the gain, where one turn rate only was driven [-]: of bases
    whose wheels' speeds are controlled; bench work. Where the wheels yield, the gain lies anywhere
    between what was seen and what was asked."""
    step_rise: float = 0.04
    """Longest rise of a turn command that counts as a step [s]: below the lag of most bases."""
    step_shortest: float = 0.9
    """Shortest turn off which lag and dead time are read [s]: its last third is steady where they
    come to 0.25 s together."""
    reading_share: tuple[float, float] = (0.08, 0.02)
    """Standard error of a lag read off the steps that no scatter shows, in steps of the grid (between
    two samples the rate is taken as straight) and over the lag (the end value is not quite
    reached) [-]: simulated plants."""
    differ_least: tuple[float, float] = (0.1, 0.005)
    """Difference between a reading off the steps and the fit that is worth a word, over the fitted
    value [-] and at least [s], but never below a step of the grid: what the gains hardly feel."""
    timing_share: float = 0.245
    """Standard error of the dead time from the logging of the command, in steps of the grid [-]:
    a change falls anywhere between two samples; 95 % of that lies within 0.475 of a step, which is
    1.96 of this."""
    frozen_share: float = 0.05
    """Spread of the gyro over that of the wheels' yaw rate below which it is frozen [-]."""
    power_full: float = 0.985
    """Power, or volts over battery, that counts as saturated [-]."""
    follow_least: float = 0.8
    """Wheel speed over target below which a controlled wheel does not follow [-]."""
    steering_least: float = 0.004
    """Part of the turn command in straight passes, not in proportion to travel, that shows a heading
    loop [rad/s]: above what a logged zero jitters, below 0.1 degrees of error at 2 1/s."""
    explained_least: float = 0.9
    """Share of the answer's mean square that the plant must explain [-]: bench work has 0.996 and
    more; a frozen, clipped or reversed gyro falls below."""
    gain_range: tuple[float, float] = (0.3, 3.0)
    """Gain that can be a turn command's in rad/s [-]: with the rollers leaning the wrong way a base
    turns at a tenth of what is asked; bench work."""
    friction_most: float = 0.25
    """Part of the answer that may come whatever the size of the command is, over the largest answer
    [-]: beyond, something clips."""


DEFAULT = PlantConfig()


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnWindow:
    """One turn command and the answer to it.

    Attributes
    ----------
    start, stop : int
        Grid indices, half open.
    command : float
        Commanded yaw rate of its plateau, signed; of a sweep the largest. [rad/s]
    steady : bool
        Whether it ends in a plateau.
    """

    start: int
    stop: int
    command: float
    steady: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class YawSignals:
    """Input and answer of the yaw plant on the run's grid.

    Attributes
    ----------
    command : ndarray, shape (n,)
        Commanded yaw rate. [rad/s]
    travel : ndarray, shape (n, 2)
        Commanded v_x, v_y. [m/s]
    rate : ndarray, shape (n,)
        Yaw rate as the heading sensor gives it, bias removed. [rad/s]
    source : str
        Where the command comes from, in words.
    rate_source : str
        Where the yaw rate comes from, in words.
    """

    command: np.ndarray
    travel: np.ndarray
    rate: np.ndarray
    source: str
    rate_source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReading:
    """The plant read off its step answers, no model fitted: a second opinion.

    Attributes
    ----------
    lag, delay : Estimate
        From the times at which the yaw rate reaches 28.3 % and 63.2 % of its end value. [s]
    slope : Estimate
        Slope of the heading's steepest tangent over the turn command. [-]
    apparent_delay : Estimate
        Where that tangent meets the heading at the start; of a lag with dead time their sum. [s]
    turns : int
        Turns that begin with a step and are long enough.
    differs : tuple of str
        What lies apart from the fit by more than both intervals, in words.
    slower : bool
        Whether lag and dead time together are longer than fitted, and something differs.
    """

    lag: Estimate
    delay: Estimate
    slope: Estimate
    apparent_delay: Estimate
    turns: int
    differs: tuple[str, ...] = ()
    slower: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Identified:
    """The yaw plant with its uncertainty.

    Attributes
    ----------
    plant : YawPlant
        Best values; the dead time counts from command to true rotation, never below 0.
    gain, lag, delay, friction : Estimate
        [-], [s], [s], [rad/s]; the dead time as fitted.
    plants : tuple of YawPlant
        Plants on the border of the 95 % region of gain, lag and dead time: pairs at both ends
        of each axis first, then corners.
    radius : float
        Distance of that border from the middle, in standard errors.
    windows : tuple of TurnWindow
        Turn commands used.
    signals : YawSignals
        Input and answer.
    fitted : ndarray, shape (n,)
        Answer of the fitted model in the windows; NaN outside. [rad/s]
    closed_loop : bool
        Whether a heading loop was on while recording.
    misfit : float
        Root mean square of what the model leaves in the windows. [rad/s]
    steps : StepReading
        The same plant read off its step answers.
    findings : tuple of Finding
        What was left out and why.
    """

    plant: YawPlant
    gain: Estimate
    lag: Estimate
    delay: Estimate
    friction: Estimate
    plants: tuple[YawPlant, ...]
    radius: float
    windows: tuple[TurnWindow, ...]
    signals: YawSignals
    fitted: np.ndarray
    closed_loop: bool
    misfit: float
    steps: StepReading
    findings: tuple[Finding, ...] = field(default=())


def first_order(values: np.ndarray, step: float, lag: float) -> np.ndarray:
    """Answer of a unit-gain lag to an input that is linear between samples.

    Parameters
    ----------
    values : ndarray, shape (..., n)
        Inputs, along the last axis.
    step : float
        Sampling step. [s]
    lag : float
        Time constant. [s]

    Returns
    -------
    ndarray, shape (..., n)
        Exact for a piecewise linear input (first-order hold: Astrom & Wittenmark,
        Computer-Controlled Systems, 3rd ed., section 2.8), at rest before the first sample.
    """
    if lag < 1e-3 * step:
        return values.copy()
    keep = math.exp(-step / lag)
    slope = lag / step * (1 - keep)
    driven = (1 - slope) * values
    driven[..., 1:] += (slope - keep) * values[..., :-1]
    return _faded_sum(driven, keep)


BLOCK = 32
AGE_IN_BLOCK = np.subtract.outer(np.arange(BLOCK), np.arange(BLOCK)) % (2 * BLOCK)
"""Of row k and column j: k - j where j comes first, else beyond the block."""


def _faded_sum(driven: np.ndarray, keep: float) -> np.ndarray:
    """y[k] = keep y[k - 1] + driven[k], in blocks whose ends follow the same rule."""
    # Without scipy.signal, whose import takes longer than all of this.
    *rows, count = driven.shape
    fading = np.zeros(2 * BLOCK)
    fading[:BLOCK] = keep ** np.arange(BLOCK)
    padded = np.zeros((*rows, -(-count // BLOCK) * BLOCK))
    padded[..., :count] = driven
    out: np.ndarray = padded.reshape(*rows, -1, BLOCK) @ fading[AGE_IN_BLOCK].T
    if count > BLOCK:
        ends = _faded_sum(out[..., -1], keep**BLOCK)
        out[..., 1:, :] += ends[..., :-1, None] * (keep * fading[:BLOCK])
    return out.reshape(*rows, -1)[..., :count]


class _Model:
    """Answer of the plant at the samples of the windows, for trial parameters.

    Parameters are gain, friction, mean (lag + dead time) and square (lag squared), in this order:
    the first two moments of the pulse answer. Those a recording tells apart even where lag and dead
    time themselves blur, as behind a slow ramp or with a lag shorter than a sample.
    """

    def __init__(self, command: np.ndarray, index: np.ndarray, dt: float) -> None:
        # Only around the windows: a lag forgets what came more than a second and a half before.
        lead, after = math.ceil(1.5 / dt), 4
        cuts = np.flatnonzero(np.diff(index) > 2 * lead) + 1
        pieces = [
            np.arange(max(0, part[0] - lead), min(part[-1] + after, command.size))
            for part in np.split(index, cuts)
        ]
        held = np.concatenate(pieces)
        self.dt = dt
        self.place = np.searchsorted(held, index)
        self.size = np.abs(command[held])
        self.sign = np.where(self.size > DEFAULT.rate_still, np.sign(command[held]), 0.0)

    def answer(self, values: np.ndarray) -> np.ndarray:
        """Yaw rate at the samples. [rad/s]"""
        gain, friction, mean, square = (float(v) for v in values)
        lag = math.sqrt(max(square, 0.0))
        goal = self.sign * np.maximum(gain * self.size + friction, 0.0)
        return self._at(mean - lag, lag, goal, self._settling(goal, lag))

    def _settling(self, goal: np.ndarray, lag: float) -> np.ndarray:
        """Answer of a unit-gain lag to held goals, where each begins: midway from the one before.

        A command is held, so it changes in steps; where between two samples is not known, and the
        middle is right on average.
        """
        keep = math.exp(-self.dt / lag) if lag > 0 else 0.0
        driven = np.zeros_like(goal)
        driven[..., 1:] = (1 - keep) * goal[..., :-1]
        return _faded_sum(driven, keep)

    def _at(self, delay: float, lag: float, goal: np.ndarray, settling: np.ndarray) -> np.ndarray:
        """The answer at the samples, later by a dead time: an exponential to the goal held then."""
        steps = 0.5 - delay / self.dt
        whole = math.floor(steps)
        place = np.clip(self.place + whole, 0, goal.shape[-1] - 1)
        left = math.exp((whole - steps) * self.dt / lag) if lag > 0 else 0.0
        out: np.ndarray = goal[..., place] * (1 - left) + settling[..., place] * left
        return out

    def slopes(
        self, values: np.ndarray, free: Sequence[int], across: float = 1.0
    ) -> tuple[np.ndarray, np.ndarray]:
        """Yaw rate at the samples, and derivatives by the free parameters, shape (samples, free).

        The answer has a corner where a change passes a sample: the slope by the dead time is that over
        so many steps.
        """
        gain, friction, mean, square = (float(v) for v in values)
        lag = math.sqrt(max(square, 0.0))
        delay = mean - lag
        turned = self.sign * (gain * self.size + friction > 0)
        goals = np.stack([turned * self.size, turned])
        settling = self._settling(goals, lag)
        parts = self._at(delay, lag, goals, settling)
        weights, half = values[:2], across * self.dt / 2
        late, early = (
            self._at(delay + d, lag, weights @ goals, weights @ settling) for d in (half, -half)
        )
        near = np.array([0.0, 0.0, 0.0, max(2e-5, 0.02 * square)])
        high, low = values + near, values - near
        low[3] = max(low[3], 0.0)
        columns = [
            *parts,
            (late - early) / (2 * half),
            (self.answer(high) - self.answer(low)) / (high[3] - low[3]),
        ]
        return weights @ parts, np.stack([columns[k] for k in free], axis=1)


def _least_squares(
    model: _Model,
    rate: np.ndarray,
    start: np.ndarray,
    free: Sequence[int],
    bounds: tuple[np.ndarray, np.ndarray],
    *,
    robust: bool,
) -> np.ndarray:
    """Parameters that fit best, by damped steps within bounds.

    Marquardt, J. SIAM 11, 431-441, 1963. Robust: residuals far beyond the usual count by their
    size, not by its square; for a start, so it stops early. Small enough to do without scipy.optimize, whose import takes longer.
    """
    small = (1e-2 if robust else 1e-4) * np.array([0.05, 0.02, 0.01, 1e-3])[free]
    values = start.copy()
    values[free] = np.clip(values[free], *bounds)
    usual = max(float(np.std(rate - model.answer(values))), 1e-4)

    def cost(rest: np.ndarray) -> float:
        return float(np.sum(np.sqrt(1 + (rest / usual) ** 2)) if robust else rest @ rest)

    damping, across = 1e-3, 1.0  # over the answer's corners first, where a fit would get stuck
    for _ in range(50):
        fitted, jacobian = model.slopes(values, free, across)
        rest = rate - fitted
        weight = 1 / np.sqrt(1 + (rest / usual) ** 2) if robust else np.ones_like(rest)
        downhill, bend = jacobian.T @ (weight * rest), (jacobian.T * weight) @ jacobian
        # A parameter at its bound stays there while the fit would push it out.
        q = values[free]
        held = ((q <= bounds[0]) & (downhill < 0)) | ((q >= bounds[1]) & (downhill > 0))
        downhill[held] = bend[held] = bend[:, held] = 0.0
        while True:
            damped = bend + damping * np.diag(np.diag(bend))
            moved = np.clip(q + np.linalg.lstsq(damped, downhill, rcond=None)[0], *bounds)
            values[free] = moved
            done = bool(np.all(np.abs(moved - q) < small))
            if done or cost(rate - model.answer(values)) <= cost(rest):
                break
            damping *= 10
        if done and across < 1.0:
            break
        if done:
            across = 0.25
        damping /= 10
    return values


def yaw_signals(run: Run) -> YawSignals:
    """Input and answer of the yaw plant, from the best channels there are.

    Parameters
    ----------
    run : Run
        The aligned run.

    Returns
    -------
    YawSignals
        Command: logged turn command, else the yaw rate of the wheels' targets, else of the wheel
        speeds that their volts or power stand for: by the motor constant, else as the recording
        has them while driving.

    Raises
    ------
    RecordingError
        Where there is no command or no yaw rate, with what to log.
    """
    robot = run.robot
    problems = []
    twist, source = None, ""
    if run.command is not None and np.any(run.command[:, 2]):
        twist, source = run.command, "commanded turn rate"
    elif run.target is not None and np.any(run.target):
        twist, source = run.target @ odometry_matrix(robot.matrix).T, "targets of the wheels"
    elif run.volt is not None and np.any(run.volt):
        scale = _speed_per(run.volt, run.wheel_speed)
        if robot.has_motor:
            scale = float(np.mean(1 / robot.volts_per_rad_s))
        if scale is not None:
            twist = scale * run.volt @ odometry_matrix(robot.matrix).T
            source = f"volts of the wheels, {scale:.3g} rad/s a volt"
    elif run.power is not None and np.any(run.power):
        scale = _speed_per(run.power, run.wheel_speed)
        if scale is not None:
            twist = scale * run.power @ odometry_matrix(robot.matrix).T
            source = f"power of the wheels, {scale:.3g} rad/s at full power"
    if twist is None:
        got = "no turn command"
        if run.command is not None:
            got = (
                "cmd_omega_z that is zero throughout, and no targets, volts or power of the wheels"
            )
        problems.append(
            f"channel cmd_omega_z: found {got}. Log the commanded turn rate (cmd_omega_z), or the "
            f"wheels' targets, volts or power. {WHAT_TO_RECORD}"
        )
    rate, rate_source = run.gyro_z, "gyro"
    if rate is None and run.yaw is not None:
        known = np.isfinite(run.yaw)
        if known.mean() > 0.5:
            heading = np.interp(run.t, run.t[known], run.yaw[known])
            rate, rate_source = np.gradient(heading, run.dt), f"derivative of the {run.yaw_source}"
    if rate is None:
        problems.append(
            "channel omega_z: found neither a gyro nor a heading. Log the gyro's yaw rate "
            "(omega_z) at 50 Hz or more: heading hold needs it anyway"
        )
    if problems:
        raise RecordingError("heading: " + "\n".join(problems))
    assert twist is not None
    assert rate is not None
    return YawSignals(
        command=np.nan_to_num(twist[:, 2]),
        travel=np.nan_to_num(twist[:, :2]),
        rate=rate,
        source=source,
        rate_source=rate_source,
    )


def _speed_per(drive: np.ndarray, speed: np.ndarray) -> float | None:
    """Wheel speed per volt or per full power, median over fast samples and wheels."""
    found = full_speeds(drive, speed)
    return None if found is None else float(np.median(found))


def full_speeds(share: np.ndarray, speed: np.ndarray) -> np.ndarray | None:
    """Speed of each wheel per unit of what drives it.

    Parameters
    ----------
    share : ndarray, shape (n, w)
        Power, or volts.
    speed : ndarray, shape (n, w)
        Wheel speeds. [rad/s]

    Returns
    -------
    ndarray, shape (w,) or None
        Median over fast samples, of long recordings over every so many; None where a wheel hardly
        turns.
    """
    few = enough(speed.shape[0])
    share, speed = np.abs(share[few]), speed[few]
    out = []
    for k in range(speed.shape[1]):
        size = np.abs(speed[:, k])
        top = float(np.percentile(size, 98))
        fast = (size > 0.7 * top) & (share[:, k] > 0.02)
        if top <= 0 or fast.sum() < 10:
            return None
        out.append(float(np.median(size[fast] / share[fast, k])))
    return np.array(out)


def turn_windows(
    run: Run, signals: YawSignals, config: PlantConfig = DEFAULT
) -> tuple[TurnWindow, ...]:
    """Find turn commands on the spot.

    Parameters
    ----------
    run : Run
        The aligned run.
    signals : YawSignals
        Input and answer.
    config : PlantConfig
        Thresholds.

    Returns
    -------
    tuple of TurnWindow
        From shortly before a command to its end; sweeps and staircases are cut.
    """
    dt = run.dt
    turning = np.abs(signals.command)
    moving = plane_length(signals.travel[:, 0], signals.travel[:, 1])
    active = (turning > config.rate_still) | (moving > 1e-3)
    pause = max(1, round(config.pause / dt))
    for a, b in spans(~active):
        if b - a < pause and a > 0 and b < active.size:
            active[a:b] = True
    out: list[TurnWindow] = []
    # A turn with a stuck gyro is found too, so that its fault can be told.
    valid = run.valid if run.gyro_stuck is None else run.valid | run.gyro_stuck
    lead = round(config.before / dt)
    last = 0
    stretches = spans(active)
    # Up to the next one: no turn is asked for between them.
    largest: np.ndarray = (
        np.maximum.reduceat(turning, [a for a, _ in stretches]) if stretches else np.zeros(0)
    )
    for (a, b), most in zip(stretches, largest, strict=True):
        start = max(last, a - lead)
        last = b
        if most < config.rate_least or (b - a) * dt < config.shortest:
            continue
        top = quantile(turning[a:b], 0.9)
        if top < config.rate_least:
            continue
        if quantile(moving[a:b], 0.9) > config.travel_most * top * run.robot.size:
            continue
        if not np.all(valid[start:b]):
            continue
        for c, d in _observations(signals.command[start:b], top, dt, config):
            late = signals.command[start + (c + d) // 2 : start + d]
            steady = quantile(late, 0.75) - quantile(late, 0.25) < config.steady_share * top
            level = quantile(late, 0.5) if steady else math.copysign(top, float(late.mean()))
            out.append(TurnWindow(start=start + c, stop=start + d, command=level, steady=steady))
    return tuple(out)


def _observations(
    command: np.ndarray, top: float, dt: float, config: PlantConfig
) -> list[tuple[int, int]]:
    """Cut a turn into observations: a sweep into eight, a staircase before each of its steps."""
    n = command.size
    sign = np.sign(command)[np.abs(command) > 0.2 * top]
    if int(np.sum(sign[1:] != sign[:-1])) >= 4:
        edges = np.linspace(0, n, 9).astype(int)
        return list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))
    span = max(2, round(config.level / dt))
    lead = round(config.before / dt)
    cuts = [0]
    if n > 4 * span:
        total = np.concatenate([[0.0], np.cumsum(command)])
        mean = (total[span:] - total[:-span]) / span
        change = np.abs(mean[span:] - mean[:-span])  # at index k: the step lies at k + span
        for a, b in spans(change > config.step_share * top):
            at = a + int(np.argmax(change[a:b])) + span - lead
            if at - cuts[-1] >= 2 * span and n - at >= 2 * span:
                cuts.append(at)
    return list(zip(cuts, [*cuts[1:], n], strict=True))


def loop_was_on(
    run: Run, signals: YawSignals, passes: Sequence[Pass], config: PlantConfig = DEFAULT
) -> bool:
    """Whether the turn command moves within straight passes: a heading loop, or a hand.

    Parameters
    ----------
    run : Run
        The aligned run.
    signals : YawSignals
        Input and answer.
    passes : sequence of Pass
        Passes of the run.
    config : PlantConfig
        Thresholds.

    Returns
    -------
    bool
        True where half of the straight passes show it. A turn command in proportion to travel
        (a feed-forward) does not count.
    """
    if signals.source != "commanded turn rate":
        return False
    shown = []
    kinds = {"left", "right", "ahead", "astern", "diagonal"}
    straight = [p for p in passes if p.kind in kinds and p.stop - p.start >= 5]
    start, stop = np.array([(p.start, p.stop) for p in straight], dtype=int).reshape(-1, 2).T
    for p, turns in zip(straight, span_sums(signals.command != 0, start, stop), strict=True):
        if not turns:
            shown.append(False)
            continue
        asked, moved = signals.command[p.start : p.stop], signals.travel[p.start : p.stop]
        rest = asked - moved @ np.linalg.lstsq(moved, asked, rcond=None)[0]
        shown.append(float(np.std(rest)) > config.steering_least)
    return len(shown) > 0 and float(np.mean(shown)) >= 0.5


def _screen(
    run: Run, signals: YawSignals, windows: Sequence[TurnWindow], config: PlantConfig
) -> tuple[list[TurnWindow], list[Finding]]:
    """Leave out windows with a frozen gyro or a saturated command; refuse where none is left."""
    robot = run.robot
    rolled = run.rolled[:, 2]
    every = np.concatenate([np.arange(w.start, w.stop) for w in windows])
    if run.gyro_stuck is not None:
        every = every[~run.gyro_stuck[every]]
    for other, what, mend in (
        (signals.rate, f"{signals.rate_source} turns", "set sign = -1 for it"),
        (signals.command, f"{signals.source} points", "set sign = -1 for cmd_omega_z"),
    ):
        if not every.size:
            break
        both = float(np.sqrt(np.mean(other[every] ** 2) * np.mean(rolled[every] ** 2)))
        if both > 0 and float(np.mean(other[every] * rolled[every])) < -0.5 * both:
            raise RecordingError(
                f"heading: the {what} against the wheels in turns on the spot. Gains with a wrong "
                f"sign make the base spin. If the channel counts clockwise, {mend} in the robot file "
                "under [channels]; else the rollers lean the other way or wheels are swapped "
                "(`crabwise analyze` tells)"
            )
    good: list[TurnWindow] = []
    frozen: list[TurnWindow] = []
    full: list[tuple[TurnWindow, str]] = []
    for w in windows:
        span = slice(w.start, w.stop)
        late = slice((w.start + w.stop) // 2, w.stop)
        if run.gyro_stuck is not None and run.gyro_stuck[span].any():
            frozen.append(w)
            continue
        if np.ptp(rolled[span]) > 0.05 and np.ptp(signals.rate[span]) < config.frozen_share * float(
            np.ptp(rolled[span])
        ):
            frozen.append(w)
            continue
        why = ""
        if run.power is not None:
            share = np.abs(run.power[late]).max(axis=1) >= config.power_full
            if share.mean() > 0.3:
                why = "the wheels' power stands at its limit"
        if not why and run.volt is not None and run.battery is not None:
            limit = config.power_full * np.abs(run.battery[late])
            if (np.abs(run.volt[late]).max(axis=1) >= limit).mean() > 0.3:
                why = "the wheels' volts stand at the battery's"
        if not why and robot.drive_mode == "wheel_speed" and run.target is not None:
            asked = np.abs(run.target[late]).mean(axis=0)
            turned = np.abs(run.wheel_speed[late]).mean(axis=0)
            slow = turned < config.follow_least * asked
            if (w.stop - w.start) * run.dt > 0.8 and slow.sum() * 2 > slow.size:
                k = int(np.argmin(turned / np.maximum(asked, 1e-9)))
                why = (
                    f"{robot.wheel_names[k]} reaches {turned[k]:.1f} of the {asked[k]:.1f} rad/s "
                    "asked of it"
                )
        if why:
            full.append((w, why))
        else:
            good.append(w)
    good, flat = _without_flat_levels(signals, good, run.dt)
    full += flat
    t = run.t
    findings = []
    for what, items in (
        ("the gyro does not move while the wheels turn", [(w, "") for w in frozen]),
        ("the command is saturated", full),
    ):
        if items:
            first = items[0][0]
            extra = f": {items[0][1]}" if items[0][1] else ""
            findings.append(
                Finding(
                    severity="warning",
                    channel="omega_z" if items[0][1] == "" else "cmd_omega_z",
                    text=f"{len(items)} turn command(s) left out, {what}{extra}",
                    t_start=float(t[first.start]),
                    t_end=float(t[min(items[-1][0].stop, t.size - 1)]),
                )
            )
    if len(good) < config.windows_least:
        if frozen and len(frozen) >= len(full):
            raise RecordingError(
                f"heading: channel omega_z: the gyro does not move in {len(frozen)} of "
                f"{len(windows)} turns while the wheels turn the base: frozen or not connected. "
                f"Mend it, check it with `crabwise inspect`, and record again. {WHAT_TO_RECORD}"
            )
        if full:
            top = max(abs(w.command) for w, _ in full)
            raise RecordingError(
                f"heading: channel cmd_omega_z: {len(full)} of {len(windows)} turns are saturated "
                f"({full[0][1]}), up to {top:.2f} rad/s. A saturated answer tells nothing of "
                f"small corrections. Turn at half that rate and less. {WHAT_TO_RECORD}"
            )
    return good, findings


def _without_flat_levels(
    signals: YawSignals, windows: list[TurnWindow], dt: float
) -> tuple[list[TurnWindow], list[tuple[TurnWindow, str]]]:
    """Take out the turns at rates where the answer no longer grows with the command."""
    long = [w for w in windows if w.steady and (w.stop - w.start) * dt > 0.8]
    levels: dict[float, list[float]] = {}
    for w in long:
        late = slice(w.stop - max(3, (w.stop - w.start) // 3), w.stop)
        key = next((k for k in levels if abs(abs(w.command) / k - 1) < 0.1), abs(w.command))
        levels.setdefault(key, []).append(abs(float(np.mean(signals.rate[late]))))
    ordered = sorted(levels)
    for low, high in zip(ordered[:-1], ordered[1:], strict=True):
        if high < 1.2 * low:
            continue
        a, b = float(np.mean(levels[low])), float(np.mean(levels[high]))
        if (b - a) / (high - low) < 0.5 * a / low:
            # Where the answer does not grow at all, the lower rate is at the limit already.
            limit = low if b - a < 0.03 * a else high
            text = (
                f"{high:.2f} rad/s asked gives {b:.2f} rad/s, hardly more than {low:.2f} asked "
                f"({a:.2f})"
            )
            flat = [(w, text) for w in windows if abs(w.command) > 0.9 * limit]
            return [w for w in windows if abs(w.command) <= 0.9 * limit], flat
    return windows, []


def identify(run: Run, passes: Sequence[Pass], config: PlantConfig = DEFAULT) -> Identified:
    """Identify the yaw plant.

    Parameters
    ----------
    run : Run
        The aligned run.
    passes : sequence of Pass
        Its passes; straight ones show whether a heading loop was on.
    config : PlantConfig
        Thresholds.

    Returns
    -------
    Identified
        Plant, intervals over turn commands, and the plants on the border of its 95 % region.

    Raises
    ------
    RecordingError
        No command or yaw rate, no turn, a frozen gyro, a saturated command, or a heading loop
        that was on with no turn to tell the plant from; each with what to record.

    Notes
    -----
    Standard errors are cluster-robust with the turn command as cluster, each left out in turn
    (jackknife form: MacKinnon, Nielsen & Webb, Journal of Econometrics 232, 2023, CV3), so that
    samples within a turn may depend on each other. To the dead time belongs what the logging of
    the command leaves open.
    """
    signals = yaw_signals(run)
    closed = loop_was_on(run, signals, passes, config)
    windows = turn_windows(run, signals, config)
    if len(windows) < config.windows_least:
        if closed:
            raise RecordingError(
                f"heading: a heading loop or a hand steered in this recording (cmd_omega_z moves "
                f"within straight passes) and it holds {len(windows)} turn(s) on the spot. From "
                "corrections that follow the heading the answer of the base cannot be told from "
                f"its drift. {WHAT_TO_RECORD}"
            )
        raise RecordingError(
            f"heading: found {len(windows)} turn(s) on the spot in the {signals.source}, needs "
            f"{config.windows_least} and more, both ways. {WHAT_TO_RECORD}"
        )
    used, findings = _screen(run, signals, windows, config)
    if len(used) < config.windows_least:
        raise RecordingError(
            f"heading: {len(used)} of {len(windows)} turns can be used, needs "
            f"{config.windows_least} and more. {WHAT_TO_RECORD}"
        )
    if len(used) < config.windows_good:
        findings.append(
            Finding(
                severity="note",
                channel="cmd_omega_z",
                text=f"{len(used)} turns on the spot give wide intervals, and gains slow enough for "
                "them; more turns, stepped, make them faster",
            )
        )
    if closed:
        findings.append(
            Finding(
                severity="note",
                channel="cmd_omega_z",
                text="the turn command moves within straight passes: a heading loop or a hand was "
                "on. The plant comes from the turn commands alone, with their times and sizes as "
                "instrument; the drift is that of the base without the corrections",
            )
        )
    return _fit(run, signals, used, closed, findings, config)


def _instrument(signals: YawSignals, windows: Sequence[TurnWindow]) -> np.ndarray:
    """Turn commands as boxes of their plateau's size: free of what a loop adds."""
    out = np.zeros_like(signals.command)
    for w in windows:
        inside = np.abs(signals.command[w.start : w.stop]) > 0.5 * abs(w.command)
        at = np.flatnonzero(inside)
        if at.size:
            out[w.start + at[0] : w.start + at[-1] + 1] = w.command
    return out


def _step_answer(
    run: Run, signals: YawSignals, w: TurnWindow, config: PlantConfig
) -> tuple[np.ndarray, np.ndarray, float, bool]:
    """Times since the command, yaw rate with its sign, the end value, and whether it was a step."""
    rate = signals.rate[w.start : w.stop] * math.copysign(1.0, w.command)
    share = np.abs(signals.command[w.start : w.stop]) / abs(w.command)
    half = int(np.argmax(share > 0.5))
    rise = max(1, round(config.step_rise / run.dt))
    # A command is held; where between two samples it changed is not known, and the middle is right
    # on average. It came where the area that it leaves under its plateau ends.
    came = float(np.sum(1 - share[: half + rise])) - 0.5
    before, after = share[: max(0, half - rise)], share[half + rise : -rise]
    stepped = half > rise and bool(np.all(before < 0.1) and np.all(np.abs(after - 1) < 0.1))
    t = (np.arange(rate.size) - came) * run.dt
    return t, rate, float(np.mean(rate[-max(3, rate.size // 3) :])), stepped


def _lag_and_delay_of_step(t: np.ndarray, rate: np.ndarray, end: float) -> tuple[float, float]:
    def reached(level: float) -> float:
        k = max(1, int(np.argmax(rate > level)))
        return float(np.interp(level, rate[k - 1 : k + 1], t[k - 1 : k + 1]))

    return two_point(reached(0.283 * end), reached(0.632 * end))


def _start_values(
    run: Run,
    signals: YawSignals,
    windows: Sequence[TurnWindow],
    friction: bool,
    config: PlantConfig,
) -> np.ndarray:
    """Gain and friction from the plateaus; lag and dead time of the steps, at two points."""
    plateaus, guesses = [], []
    for w in windows:
        if (w.stop - w.start) * run.dt < 0.6:
            continue
        t, rate, end, _ = _step_answer(run, signals, w, config)
        if end > 0:
            plateaus.append((abs(w.command), end))
            guesses.append(_lag_and_delay_of_step(t, rate, end))
    if not guesses:
        return np.array([0.9, 0.0, 0.07, 0.05**2])
    asked, ends = np.array(plateaus).T
    gain, drag = float(np.median(ends / asked)), 0.0
    if friction and np.ptp(asked) > 0.1 * asked.max():
        gain, drag = (float(v) for v in np.polyfit(asked, ends, 1))
    lag, delay = np.median(np.array(guesses), axis=0)
    lag, delay = float(np.clip(lag, 0.005, 0.5)), float(np.clip(delay, 0.0, 0.3))
    return np.array([gain, drag, lag + delay, lag**2])


def step_reading(
    run: Run,
    signals: YawSignals,
    windows: Sequence[TurnWindow],
    closed: bool,
    config: PlantConfig = DEFAULT,
) -> StepReading:
    """Read lag, dead time and the heading's tangent off each turn that begins with a step.

    Parameters
    ----------
    run : Run
        The aligned run.
    signals : YawSignals
        Input and answer.
    windows : sequence of TurnWindow
        Turn commands.
    closed : bool
        Whether a heading loop was on: its corrections change the step, so nothing is read.
    config : PlantConfig
        Thresholds.

    Returns
    -------
    StepReading
        Means over turns with Student's intervals; undetermined with fewer than two such turns.

    Notes
    -----
    Smith's two points (`two_point`) and the steepest tangent of the heading (`steepest_tangent`):
    while the base turns steadily its heading grows by the end rate, from lag + dead time on.
    """
    found = []
    for w in windows if not closed else ():
        t, rate, end, stepped = _step_answer(run, signals, w, config)
        if not stepped or t[-1] < config.step_shortest or end <= 0:
            continue
        heading = integrated(rate, run.dt)
        slope, apparent = steepest_tangent(t, heading, max(3, rate.size // 3))
        found.append((*_lag_and_delay_of_step(t, rate, end), slope / abs(w.command), apparent))
    if len(found) < config.windows_least:
        why = (
            f"{len(found)} of {len(windows)} turns begin with a step and last "
            f"{config.step_shortest:g} s"
        )
        if closed:
            why = "a heading loop was on, its corrections change the steps"
        unit = Estimate.undetermined("s", why)
        none = Estimate.undetermined("", why)
        return StepReading(lag=unit, delay=unit, slope=none, apparent_delay=unit, turns=len(found))
    values = np.array(found)
    mean, error = values.mean(axis=0), values.std(axis=0, ddof=1) / math.sqrt(len(found))
    per_step, per_lag = config.reading_share
    floor = math.hypot(per_step * run.dt, per_lag * float(mean[0]))
    timing = config.timing_share * run.dt
    floors = (floor, math.hypot(floor, timing), 0.0, timing)
    lag, delay, gain, apparent_delay = (
        Estimate.of(float(m), math.hypot(e, least), unit, dof=len(found) - 1)
        for m, e, least, unit in zip(mean, error, floors, ("s", "s", "", "s"), strict=True)
    )
    return StepReading(
        lag=lag, delay=delay, slope=gain, apparent_delay=apparent_delay, turns=len(found)
    )


def _compared(
    steps: StepReading, lag: Estimate, delay: Estimate, dt: float, config: PlantConfig
) -> StepReading:
    """The reading with what lies apart from the fitted lag and dead time."""
    share, least = config.differ_least[0], max(config.differ_least[1], dt)
    apart, longer, whole = [], 0.0, 0.0
    for name, read, fitted in (("lag", steps.lag, lag), ("dead time", steps.delay, delay)):
        if read.value is None or fitted.value is None:
            return steps
        longer, whole = longer + read.value - fitted.value, whole + fitted.value
        both = math.hypot(_half_width(read), _half_width(fitted))
        if abs(read.value - fitted.value) > max(both, share * abs(fitted.value), least):
            apart.append(
                f"{name} {1e3 * read.value:.0f} ms off the steps, {1e3 * fitted.value:.0f} ms fitted"
            )
    slower = bool(apart) and longer > max(share * abs(whole), least)
    return replace(steps, differs=tuple(apart), slower=slower)


def _half_width(e: Estimate) -> float:
    return math.nan if e.low is None or e.high is None else (e.high - e.low) / 2


def _fit(
    run: Run,
    signals: YawSignals,
    windows: Sequence[TurnWindow],
    closed: bool,
    findings: list[Finding],
    config: PlantConfig,
) -> Identified:
    windows = sorted(in_lot_order(windows)[: config.windows_most], key=lambda w: w.start)
    dt = run.dt
    index = np.concatenate([np.arange(w.start, w.stop) for w in windows])
    cluster = np.concatenate([np.full(w.stop - w.start, k) for k, w in enumerate(windows)])
    rate = signals.rate[index]
    sizes = np.array([abs(w.command) for w in windows])
    asked = np.abs(signals.command[index])
    low, high = np.percentile(asked[asked > config.rate_still], [20, 90])
    friction = bool(high > config.levels_ratio * low)
    free = [0, 1, 2, 3] if friction else [0, 2, 3]
    model = _Model(signals.command, index, dt)
    # A lag much shorter than a step leaves the fit flat.
    lowest = np.array([-10.0, -5.0, -3 * dt, min(dt / 5, 2.5e-3) ** 2])
    bounds = lowest[free], np.array([10.0, 5.0, 3.0, 4.0])[free]
    values = _start_values(run, signals, windows, friction, config)
    for robust in (True, False):  # first with outliers held down
        values = _least_squares(model, rate, values, free, bounds, robust=robust)
    tool = _Model(_instrument(signals, windows), index, dt) if closed else model
    for _ in range(12 if closed else 0):  # the instrument's equations, by Newton's steps
        (fitted, jacobian), z = model.slopes(values, free), tool.slopes(values, free)[1]
        step = np.linalg.lstsq(z.T @ jacobian, z.T @ (rate - fitted), rcond=None)[0]
        values[free] = np.clip(values[free] + step, *bounds)
        if float(np.max(np.abs(step))) < 1e-7:
            break
    best = values.copy()
    fitted, jacobian = model.slopes(values, free)
    z = tool.slopes(values, free)[1] if closed else jacobian
    rest = rate - fitted
    shown = np.full(run.t.size, math.nan)
    shown[index] = fitted
    scatter, floor = np.zeros((4, 4)), np.zeros(4)
    scatter[np.ix_(free, free)] = _jackknife(z, jacobian, rest, cluster)
    floor[2] = config.timing_share * dt
    # A step smeared over one sample adds its own second moment to that of the lag.
    floor[3] = dt**2 / 12
    if not friction:
        # Drag only takes off: under way the base answers by more than this, up to what is asked.
        seen = float(values[0])
        half = max(0.0, 1.0 - seen) / 2 if run.robot.drive_mode == "power" else 0.0
        values[0] = seen + half
        floor[0] = math.hypot(config.friction_held * seen, half / 1.96)
        findings.append(
            Finding(
                severity="warning",
                channel="cmd_omega_z",
                text="all turns ask for about the same rate, so drag cannot be told from gain; the "
                "gain's interval holds that. Turn at two or three rates",
            )
        )
    dof = max(1, len(windows) - 1)
    spread = np.sqrt(np.diag(scatter))
    error = np.hypot(spread, floor)
    # Welch-Satterthwaite: a floor counts as known, only the scatter has few degrees.
    known = (error / np.maximum(spread, 1e-12)) ** 4
    dofs = np.minimum(dof * known, 1e6)
    gain, drag = (
        Estimate.of(float(values[k]), float(error[k]), unit, dof=float(dofs[k]))
        for k, unit in ((0, ""), (1, "rad/s"))
    )
    lag, delay = _lag_and_delay(values, scatter, floor, dofs)
    if gain.low is None or gain.low <= 0:
        raise RecordingError(
            f"heading: the yaw rate does not follow the {signals.source}: gain {gain}. Check the "
            "sign of the gyro and of the command (`crabwise analyze` tells a reversed one), and "
            f"the lean of the rollers. {WHAT_TO_RECORD}"
        )
    _plausible(best, rate, rest, signals, sizes, config)
    if not friction:
        drag = Estimate.undetermined("rad/s", "all turns ask for about the same rate")
    keep = [0, 2, 3]
    wide = (student_quantile(0.975, dof) / student_quantile(0.975, math.inf)) ** 2
    covariance = (wide * scatter + np.diag(floor**2))[np.ix_(keep, keep)]
    plants, radius = _border(values[keep], covariance)
    steps = _compared(step_reading(run, signals, windows, closed, config), lag, delay, dt, config)
    if steps.differs:
        findings.append(
            Finding(
                severity="warning" if steps.slower else "note",
                channel="cmd_omega_z",
                text=f"two ways of reading the turns disagree: {'; '.join(steps.differs)}. The base "
                "answers otherwise than a lag with dead time; the gains are kept slow enough for "
                "both" + (", but the margins are less sure" if steps.slower else ""),
            )
        )
    return Identified(
        plant=_plant(float(values[0]), float(values[2]), float(values[3])),
        gain=gain,
        lag=lag,
        delay=delay,
        friction=drag,
        plants=plants,
        radius=radius,
        windows=tuple(windows),
        signals=signals,
        fitted=shown,
        closed_loop=closed,
        misfit=float(np.sqrt(np.mean(rest**2))),
        steps=steps,
        findings=tuple(findings),
    )


def _plant(gain: float, mean: float, square: float) -> YawPlant:
    """Plant from gain and the moments of its pulse answer; neither lag nor dead time below 0."""
    lag = math.sqrt(max(square, 0.0))
    return YawPlant(gain=gain, lag=lag, delay=max(0.0, mean - lag))


def _lag_and_delay(
    values: np.ndarray, scatter: np.ndarray, floor: np.ndarray, dofs: np.ndarray
) -> tuple[Estimate, Estimate]:
    """Lag and dead time from the moments; the lag's interval is that of its square."""
    covariance = scatter + np.diag(floor**2)
    mean, square = float(values[2]), max(float(values[3]), 0.0)
    spread = math.sqrt(covariance[3, 3])
    quantile = student_quantile(0.975, float(dofs[3]))
    lag = math.sqrt(square)
    low = math.sqrt(max(square - quantile * spread, 0.0))
    high = math.sqrt(square + quantile * spread)
    error = (high - low) / (2 * quantile)
    estimate = Estimate(value=lag, std_error=error, unit="s", low=low, high=high)
    slope = error / spread if spread > 0 else 0.0  # of the lag by its square, over the interval
    variance = covariance[2, 2] + error**2 - 2 * slope * covariance[2, 3]
    delay = Estimate.of(
        mean - lag, math.sqrt(max(variance, 0.0)), "s", dof=float(min(dofs[2], dofs[3]))
        if error**2 > covariance[2, 2]
        else float(dofs[2]),
    )  # fmt: skip
    return estimate, delay


def _plausible(
    values: np.ndarray,
    rate: np.ndarray,
    rest: np.ndarray,
    signals: YawSignals,
    sizes: np.ndarray,
    config: PlantConfig,
) -> None:
    """Refuse a plant that nobody should tune gains on."""
    gain, friction = float(values[0]), float(values[1])
    explained = 1 - float(np.mean(rest**2) / np.mean(rate**2))
    top = gain * float(sizes.max()) + friction
    if friction > config.friction_most * top:
        raise RecordingError(
            f"heading: channel {'omega_z' if signals.rate_source == 'gyro' else 'yaw'}: the yaw rate "
            f"hardly grows with the turn command ({friction:.2f} of {top:.2f} rad/s come whatever its "
            "size): the command is saturated or the gyro clips. Turn at half that rate and less; "
            f"check the gyro's range. {WHAT_TO_RECORD}"
        )
    if explained < config.explained_least:
        raise RecordingError(
            f"heading: the turn command explains only {100 * max(explained, 0):.0f} % of the yaw rate "
            f"in {sizes.size} turns; gains from that would be a guess. Is the {signals.source} "
            "what the wheels got, on the same clock as the gyro? Check with `crabwise inspect`. "
            f"{WHAT_TO_RECORD}"
        )
    low, high = config.gain_range
    if not low < gain < high:
        raise RecordingError(
            f"heading: the base turns {gain:.2f} times as fast as the {signals.source} asks. Either "
            "the command is not in rad/s (give its unit in the robot file under [channels]), or "
            "the base is at fault: rollers that lean the wrong way turn it at a tenth. Mend that "
            "first (`crabwise analyze` tells); heading hold on top would hide it"
        )


def _jackknife(
    z: np.ndarray, jacobian: np.ndarray, rest: np.ndarray, cluster: np.ndarray
) -> np.ndarray:
    """Covariance of the parameters from leaving out one cluster at a time (one-step form)."""
    whole, score = z.T @ jacobian, z.T @ rest
    middle = np.linalg.lstsq(whole, score, rcond=None)[0]
    count = int(cluster.max()) + 1
    moved = np.empty((count, whole.shape[0]))
    for g in range(count):
        mine = cluster == g
        left = whole - z[mine].T @ jacobian[mine]
        moved[g] = np.linalg.lstsq(left, score - z[mine].T @ rest[mine], rcond=None)[0] - middle
    out: np.ndarray = (count - 1) / count * moved.T @ moved
    return out


def _border(middle: np.ndarray, covariance: np.ndarray) -> tuple[tuple[YawPlant, ...], float]:
    """Plants on the border of the 95 % region of (gain, mean, square), and its radius."""
    from scipy import special

    radius = math.sqrt(float(special.chdtri(3, 0.05)))
    size, axes = np.linalg.eigh(covariance)
    reach = axes * np.sqrt(np.maximum(size, 0.0)) * radius
    directions = [s * np.eye(3)[k] for k in range(3) for s in (1.0, -1.0)]
    directions += [
        np.array([a, b, c]) / math.sqrt(3) for a in (1, -1) for b in (1, -1) for c in (1, -1)
    ]
    plants = []
    for d in directions:
        gain, mean, square = middle + reach @ d
        plants.append(_plant(max(float(gain), 0.2 * float(middle[0])), float(mean), float(square)))
    return tuple(plants), radius
