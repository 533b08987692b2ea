"""The yaw plant from a recording: gain, lag and dead time from commanded to true yaw rate.

One turn command, standstill to standstill, is one observation. All are fitted together,

    omega_z(t) = gain F[u](t) + friction F[sign u](t),   F = lag with dead time,

because drag in the rollers takes a fixed share of the rate whatever the command is, and would
pass for a low gain where only one rate was driven. While the base travels the rollers turn
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
from dataclasses import dataclass, field

import numpy as np

from analyzer.control import YawPlant, two_point
from analyzer.kinematics import odometry_matrix
from analyzer.quantities import Estimate, Finding, RecordingError, student_quantile
from analyzer.run import Pass, Run

WHAT_TO_RECORD = (
    "Record turns on the spot: from standstill, both ways, at two or three turn rates (for example "
    "0.4, 0.8 and 1.2 rad/s), stepped and not ramped, 0.5 to 2 s each with 0.6 s of standstill "
    "between, heading hold off, commanded turn rate (cmd_omega_z) and gyro logged at 50 Hz or more; "
    "then some sideways passes"
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
    pause: float = 0.1
    """Standstill that parts two turn commands [s]; a sweep through zero is not cut."""
    windows_least: int = 3
    """Fewest observations that give an interval [-]."""
    levels_ratio: float = 1.3
    """Ratio of turn rates above which friction and gain are told apart [-]."""
    friction_unknown: float = 0.15
    """Standard error of the gain where friction cannot be told from it, wheels free to yield [-]:
    bench work, friction takes 5 to 55 % of a turn of 0.4 rad/s."""
    friction_held: float = 0.02
    """The same where each wheel's speed is controlled [-]: bench work."""
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
    """Spread of the turn command within straight passes that shows a heading loop [rad/s]."""


DEFAULT = PlantConfig()


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnWindow:
    """One turn command and the answer to it.

    Attributes
    ----------
    start, stop : int
        Grid indices, half open.
    command : float
        Commanded yaw rate of its plateau, signed. [rad/s]
    """

    start: int
    stop: int
    command: float


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
        Answer of the fitted model on the whole grid. [rad/s]
    closed_loop : bool
        Whether a heading loop was on while recording.
    misfit : float
        Root mean square of what the model leaves in the windows. [rad/s]
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
    findings: tuple[Finding, ...] = field(default=())


def first_order(values: np.ndarray, step: float, lag: float) -> np.ndarray:
    """Answer of a unit-gain lag to an input that is linear between samples.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Input.
    step : float
        Sampling step. [s]
    lag : float
        Time constant. [s]

    Returns
    -------
    ndarray, shape (n,)
        Exact for a piecewise linear input (first-order hold: Astrom & Wittenmark,
        Computer-Controlled Systems, 3rd ed., section 2.8), at rest before the first sample.
    """
    from scipy.signal import lfilter

    if lag < 1e-3 * step:
        return values.copy()
    keep = math.exp(-step / lag)
    slope = lag / step * (1 - keep)
    out: np.ndarray = lfilter([1 - slope, slope - keep], [1.0, -keep], values)
    return out


class _Model:
    """Answers of the plant at the samples of the windows, for trial lags and dead times."""

    def __init__(self, t: np.ndarray, command: np.ndarray, at: np.ndarray, dt: float) -> None:
        self.step = dt / max(1, math.ceil(dt / 0.0025))
        self.fine = np.arange(0.0, t[-1] + self.step, self.step)
        self.command = np.interp(self.fine, t, command)
        sign = np.where(np.abs(command) > DEFAULT.rate_still, np.sign(command), 0.0)
        self.sign = np.interp(self.fine, t, sign)
        self.at = at

    def columns(self, lag: float, delay: float, friction: bool) -> np.ndarray:
        """Unit answers, shape (samples, 1 or 2)."""
        inputs = [self.command, self.sign] if friction else [self.command]
        answers = [
            np.interp(self.at - delay, self.fine, first_order(u, self.step, lag)) for u in inputs
        ]
        return np.stack(answers, axis=1)

    def slopes(self, weights: np.ndarray, lag: float, delay: float) -> np.ndarray:
        """Derivatives of the weighted answer by lag and dead time, shape (samples, 2)."""
        d_lag, d_delay = max(0.02 * lag, 2e-4), 1e-3
        friction = weights.size > 1

        def answer(lag_: float, delay_: float) -> np.ndarray:
            out: np.ndarray = self.columns(lag_, delay_, friction) @ weights
            return out

        low = max(lag - d_lag, 1e-5)
        by_lag = (answer(lag + d_lag, delay) - answer(low, delay)) / (lag + d_lag - low)
        by_delay = (answer(lag, delay + d_delay) - answer(lag, delay - d_delay)) / (2 * d_delay)
        return np.stack([by_lag, by_delay], axis=1)


def yaw_signals(run: Run) -> YawSignals:
    """Input and answer of the yaw plant, from the best channels there are.

    Parameters
    ----------
    run : Run
        The aligned run.

    Returns
    -------
    YawSignals
        Command: logged turn command, else that of the wheels' targets, else of their volts over
        the motor constant.

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
    elif run.volt is not None and robot.has_motor and np.any(run.volt):
        still = run.volt / robot.volts_per_rad_s
        twist, source = still @ odometry_matrix(robot.matrix).T, "volts over the motor constant"
    else:
        got = "no turn command"
        if run.command is not None:
            got = "cmd_omega_z that is zero throughout, and no wheel targets or volts that turn"
        elif run.power is not None:
            got = "power of the wheels only, which has no unit of speed"
        problems.append(
            f"channel cmd_omega_z: found {got}. Log the commanded turn rate (cmd_omega_z), or the "
            f"wheels' targets (target_…) or volts. {WHAT_TO_RECORD}"
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
        From shortly before a command to its end; a sweep is cut into eight.
    """
    dt = run.dt
    turning = np.abs(signals.command)
    moving = np.hypot(signals.travel[:, 0], signals.travel[:, 1])
    active = (turning > config.rate_still) | (moving > 1e-3)
    pause = max(1, round(config.pause / dt))
    for a, b in _spans(~active):
        if b - a < pause and a > 0 and b < active.size:
            active[a:b] = True
    out: list[TurnWindow] = []
    lead = round(config.before / dt)
    last = 0
    for a, b in _spans(active):
        inside = turning[a:b]
        top = float(np.percentile(inside, 90))
        start = max(last, a - lead)
        last = b
        if top < config.rate_least or (b - a) * dt < config.shortest:
            continue
        if float(np.percentile(moving[a:b], 90)) > config.travel_most * top * run.robot.size:
            continue
        if not np.all(run.valid[start:b]):
            continue
        sign = np.sign(signals.command[a:b])[inside > 0.2 * top]
        changes = int(np.sum(sign[1:] != sign[:-1]))
        edges = [start, b] if changes < 4 else list(np.linspace(start, b, 9).astype(int))
        for c, d in zip(edges[:-1], edges[1:], strict=True):
            plateau = signals.command[c:d]
            strong = plateau[np.abs(plateau) > 0.5 * top]
            level = float(np.median(strong)) if changes < 4 and strong.size else top
            out.append(TurnWindow(start=int(c), stop=int(d), command=level))
    return tuple(out)


def _spans(mask: np.ndarray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


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
    for p in passes:
        if p.kind not in {"left", "right", "ahead", "astern", "diagonal"}:
            continue
        span = slice(p.cruise_start, p.cruise_stop)
        asked = signals.command[span]
        if asked.size < 5:
            continue
        moved = np.stack([np.ones(asked.size), *signals.travel[span].T], axis=1)
        rest = asked - moved @ np.linalg.lstsq(moved, asked, rcond=None)[0]
        shown.append(float(np.std(rest)) > config.steering_least)
    return len(shown) > 0 and float(np.mean(shown)) >= 0.5


def _screen(
    run: Run, signals: YawSignals, windows: Sequence[TurnWindow], config: PlantConfig
) -> tuple[list[TurnWindow], list[Finding]]:
    """Leave out windows with a frozen gyro or a saturated command; refuse where none is left."""
    robot = run.robot
    rolled = run.wheel_speed @ odometry_matrix(robot.matrix)[2]
    good: list[TurnWindow] = []
    frozen: list[TurnWindow] = []
    full: list[tuple[TurnWindow, str]] = []
    for w in windows:
        span = slice(w.start, w.stop)
        late = slice((w.start + w.stop) // 2, w.stop)
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
    long = [w for w in windows if (w.stop - w.start) * dt > 0.8]
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
            text = (
                f"{high:.2f} rad/s asked gives {b:.2f} rad/s, hardly more than {low:.2f} asked "
                f"({a:.2f})"
            )
            flat = [(w, text) for w in windows if abs(w.command) > 0.95 * high]
            return [w for w in windows if abs(w.command) <= 0.95 * high], flat
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


def _start_values(
    run: Run, signals: YawSignals, windows: Sequence[TurnWindow]
) -> tuple[float, float]:
    """Lag and dead time of the clearest step, read off at two points."""
    guesses = []
    for w in windows:
        if (w.stop - w.start) * run.dt < 0.6:
            continue
        rate = signals.rate[w.start : w.stop] * math.copysign(1.0, w.command)
        end = float(np.mean(rate[-max(3, rate.size // 3) :]))
        asked = np.abs(signals.command[w.start : w.stop])
        begin = float(np.argmax(asked > 0.5 * abs(w.command))) * run.dt
        if end <= 0:
            continue
        early = float(np.argmax(rate > 0.283 * end)) * run.dt - begin
        late = float(np.argmax(rate > 0.632 * end)) * run.dt - begin
        guesses.append(two_point(early, late))
    if not guesses:
        return 0.05, 0.02
    lag, delay = np.median(np.array(guesses), axis=0)
    return float(np.clip(lag, 0.005, 0.5)), float(np.clip(delay, 0.0, 0.3))


def _fit(
    run: Run,
    signals: YawSignals,
    windows: Sequence[TurnWindow],
    closed: bool,
    findings: list[Finding],
    config: PlantConfig,
) -> Identified:
    from scipy.optimize import least_squares

    dt = run.dt
    index = np.concatenate([np.arange(w.start, w.stop) for w in windows])
    cluster = np.concatenate([np.full(w.stop - w.start, k) for k, w in enumerate(windows)])
    at, rate = run.t[index], signals.rate[index]
    sizes = np.array([abs(w.command) for w in windows])
    friction = float(np.percentile(sizes, 90) / np.percentile(sizes, 10)) > config.levels_ratio
    model = _Model(run.t, signals.command, at, dt)

    def linear(q: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        columns = model.columns(float(q[0]), float(q[1]), friction)
        weights = np.linalg.lstsq(columns, rate, rcond=None)[0]
        return columns, weights

    def residual(q: np.ndarray) -> np.ndarray:
        columns, weights = linear(q)
        out: np.ndarray = rate - columns @ weights
        return out

    # Variable projection: gain and friction are linear, lag and dead time are searched.
    start = _start_values(run, signals, windows)
    found = least_squares(
        residual,
        np.array(start),
        bounds=([1e-4, -2 * dt], [2.0, 1.0]),
        x_scale=[0.02, 0.01],
        diff_step=np.full(2, 5e-3),
        loss="soft_l1",
        f_scale=3 * max(float(np.std(residual(np.array(start)))) / 3, 1e-4),
    )
    q = np.asarray(found.x)
    weights = linear(q)[1]
    names = weights.size

    def matrix(m: _Model, values: np.ndarray) -> np.ndarray:
        lag, delay = float(values[-2]), float(values[-1])
        return np.concatenate(
            [m.columns(lag, delay, friction), m.slopes(values[:names], lag, delay)], axis=1
        )

    values = np.concatenate([weights, q])
    tool = model
    if closed:
        tool = _Model(run.t, _instrument(signals, windows), at, dt)
    for _ in range(12):
        jacobian = matrix(model, values)
        z = matrix(tool, values) if closed else jacobian
        rest = rate - model.columns(float(values[-2]), float(values[-1]), friction) @ values[:names]
        step = np.linalg.lstsq(z.T @ jacobian, z.T @ rest, rcond=None)[0]
        size = 1.0
        if values[-2] + step[-2] < 1e-4:
            size = 0.5 * (values[-2] - 1e-4) / max(-step[-2], 1e-12)
        values = values + size * step
        values[-2] = max(values[-2], 1e-4)
        if float(np.max(np.abs(step[-2:]))) < 1e-6:
            break
    jacobian = matrix(model, values)
    z = matrix(tool, values) if closed else jacobian
    rest = rate - model.columns(float(values[-2]), float(values[-1]), friction) @ values[:names]
    covariance = _jackknife(z, jacobian, rest, cluster)
    count = len(windows)
    covariance[-1, -1] += (config.timing_share * dt) ** 2
    if not friction:
        unknown = (
            config.friction_unknown if run.robot.drive_mode == "power" else config.friction_held
        )
        covariance[0, 0] += (unknown * values[0]) ** 2
        findings.append(
            Finding(
                severity="warning",
                channel="cmd_omega_z",
                text="all turns ask for about the same rate, so drag cannot be told from gain; the "
                "gain's interval holds that. Turn at two or three rates",
            )
        )
    error = np.sqrt(np.diag(covariance))
    dof = max(1, count - 1)
    gain = Estimate.of(float(values[0]), float(error[0]), "", dof=dof)
    lag = Estimate.of(float(values[-2]), float(error[-2]), "s", dof=dof)
    delay = Estimate.of(float(values[-1]), float(error[-1]), "s", dof=dof)
    if gain.value is None or gain.low is None or gain.low <= 0:
        raise RecordingError(
            f"heading: the yaw rate does not follow the {signals.source}: gain {gain}. Check the "
            "sign of the gyro and of the command (`crabwise analyze` tells a reversed one), and "
            f"the lean of the rollers. {WHAT_TO_RECORD}"
        )
    if friction:
        drag = Estimate.of(float(values[1]), float(error[1]), "rad/s", dof=dof)
    else:
        drag = Estimate.undetermined("rad/s", "all turns ask for about the same rate")
    keep = [0, names, names + 1]
    plants, radius = _border(values[keep], covariance[np.ix_(keep, keep)], dof)
    plant = YawPlant(
        gain=float(values[0]), lag=float(values[-2]), delay=max(0.0, float(values[-1]))
    )
    whole = _Model(run.t, signals.command, run.t, dt)
    fitted = whole.columns(float(values[-2]), float(values[-1]), friction) @ values[:names]
    return Identified(
        plant=plant,
        gain=gain,
        lag=lag,
        delay=delay,
        friction=drag,
        plants=plants,
        radius=radius,
        windows=tuple(windows),
        signals=signals,
        fitted=fitted,
        closed_loop=closed,
        misfit=float(np.sqrt(np.mean(rest**2))),
        findings=tuple(findings),
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


def _border(
    middle: np.ndarray, covariance: np.ndarray, dof: float
) -> tuple[tuple[YawPlant, ...], float]:
    """Plants on the border of the 95 % region of (gain, lag, dead time)."""
    from scipy import special

    # Hotelling: 3 (dof) / (dof - 2) F_{3, dof-2}; the chi-square radius for many observations.
    few = max(dof - 2, 1.0)
    radius = math.sqrt(3 * dof / few * float(special.fdtri(3, few, 0.95)))
    radius = min(radius, 2.0 * student_quantile(0.975, dof))
    size, axes = np.linalg.eigh(covariance)
    reach = axes * np.sqrt(np.maximum(size, 0.0)) * radius
    directions = [s * np.eye(3)[k] for k in range(3) for s in (1.0, -1.0)]
    directions += [
        np.array([a, b, c]) / math.sqrt(3) for a in (1, -1) for b in (1, -1) for c in (1, -1)
    ]
    plants = []
    for d in directions:
        gain, lag, delay = middle + reach @ d
        plants.append(
            YawPlant(
                gain=max(float(gain), 0.2 * float(middle[0])),
                lag=max(float(lag), 0.0),
                delay=max(float(delay), 0.0),
            )
        )
    return tuple(plants), radius
