"""Heading hold: gains for the identified yaw plant, and the proof that they will work.

Gains come from a published rule, made slow enough that the sampled loop, with all its dead time,
keeps to a chosen maximum sensitivity. The proof replays the yaw rate that each sideways pass really
had, as a disturbance, through that loop.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from analyzer.control import (
    HeadingGains,
    Margins,
    YawPlant,
    amigo_pi,
    half_rule,
    keeps_to,
    on_grid,
    sampled_margins_of,
    simc,
    step_response_pid,
)
from analyzer.motion import Motion
from analyzer.quantities import (
    CrabwiseError,
    Estimate,
    Finding,
    RecordingError,
    enough,
    in_lot_order,
    quantile,
    student_quantile,
)
from analyzer.run import Pass, Run
from analyzer.signals import integrated
from analyzer.yaw_plant import Identified, first_order, full_speeds, identify

DEGREES = 180 / math.pi
Structure = Literal["P", "PD", "PI", "PI (AMIGO)", "PID (step response)"]

CAUTIONS = (
    "Try new gains first with the wheels off the floor: robot lifted by two or with a jack and set "
    "on blocks, hands and clothes clear of wheels and rollers. Turn the robot by hand a little: "
    "the wheels must turn it back, not further.",
    "Then drive slowly on clear floor, with a way to stop the robot at once and nobody in its path. "
    "Raise the speed only when it holds without swaying.",
    "Local rules and trained people come first.",
)
CANNOT = (
    "It holds the heading, not the path: creep ahead or astern on a sideways pass stays as it is.",
    "It cannot turn a base whose wheels slide (poor grip), nor ask more of a wheel than it has: at "
    "full speed there is nothing left to steer with.",
    "It hides a stiff wheel or mass off centre and costs power to do so; it does not cure them. It "
    "holds what the gyro says: a gyro that drifts turns the base.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadingConfig:
    """Choices of the design, each with unit and origin."""

    max_sensitivity: float = 1.6
    """Largest sensitivity of the nominal loop [-]: Skogestad (2003) p. 297 asks for less than 1.7;
    gain margin above 2.6, phase margin above 36 degrees."""
    worst_sensitivity: float = 2.0
    """The same over the uncertainty set [-]: Astrom & Murray, section 11.5 (1.2 to 2)."""
    loop_hz: float = 50.0
    """Rate of the loop where the robot file has none [Hz]: common practice, no source."""
    age_periods: float = 1.0
    """Age of heading and rate when used, where the robot file has none, in periods of the loop on
    top of the gyro's lag [-]: a value read in one run of the loop acts in the next."""
    age_low: float = 0.5
    """Least age where it is assumed, over the assumed [-]."""
    age_most: float = 0.06
    """Age that an assumed one may really have [s]: a heading that passed a filter and a bus; common
    practice, no source."""
    simpler_within: float = 0.1
    """Heading error by which a simpler law may be worse than the best [deg]: below what a tape
    shows on two metres (4 mm)."""
    replay_floor: tuple[float, float, float] = (0.2, 0.1, 0.05)
    """Standard error of the expected end, peak and rms heading error that no scatter shows, over
    the peak with hold [-]: how friction lets the base come to rest; bench work."""
    replay_floor_least: float = 0.02
    """The same, at least [deg]: rollers' phase and the heading sensor's noise; bench work."""
    path_least: float = 0.3
    """Shortest sideways pass that is replayed [m]."""
    passes_most: int = 24
    """Most sideways passes replayed [-]: more, in recordings of hours, cost time and change nothing;
    chosen by lot, so that no repeating script favours one kind."""
    acceleration_t: float = 4.0
    """Times its standard error that the feed-forward per acceleration must reach [-]."""
    acceleration_worth: float = 0.9
    """Replayed rms heading error with the feed-forward per acceleration over that without, above
    which it is left out [-]."""
    least_gain: float = 0.03
    """Heading error that the feed-forward per acceleration must take away to be worth a term [deg]:
    a tenth of what a driver notices over a pass."""
    correction_least: float = 0.5
    """Correction that is always allowed where the wheels have room [rad/s]: a push is met."""
    speed_share: float = 0.97
    """Share of the wheels' top speed that hold may ask for [-]."""
    drift_least: float = 1.0
    """Yaw drift above which the remedy is offered [deg/m]: what a driver notices."""


DEFAULT = HeadingConfig()


@dataclass(frozen=True, slots=True, kw_only=True)
class Loop:
    """The loop the gains are for.

    Attributes
    ----------
    loop_hz : float
        Rate. [Hz]
    age : float
        Age of heading and yaw rate when the loop uses them. [s]
    age_known : bool
        Whether the robot file gives it.
    loop_known : bool
        Whether the robot file gives the rate.
    """

    loop_hz: float
    age: float
    age_known: bool
    loop_known: bool

    @property
    def period(self) -> float:
        """Time between two runs. [s]"""
        return 1 / self.loop_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """What a rule gives.

    Attributes
    ----------
    structure : str
        P, PD, PI, PI (AMIGO) or PID (step response).
    gains : HeadingGains
        The gains.
    closed_loop_time : float
        tau_c of the rule; nan for the two that have none. [s]
    """

    structure: Structure
    gains: HeadingGains
    closed_loop_time: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof(Law):
    """Margins of one law on the identified plant and over its uncertainty set.

    Attributes
    ----------
    nominal, worst : Margins
        On the identified plant; smallest of each margin, largest of each sensitivity over the set.
    """

    nominal: Margins
    worst: Margins


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriftPass:
    """What one sideways pass does without heading hold.

    Attributes
    ----------
    kind : str
        left or right.
    t_start : float
        Start in the run. [s]
    speed : float
        Speed of the cruise. [m/s]
    distance : float
        Path sideways, as asked of the base. [m]
    t : ndarray, shape (n,)
        Time since the start. [s]
    rate : ndarray, shape (n,)
        Yaw rate without any correction. [rad/s]
    v_y : ndarray, shape (n,)
        Commanded sideways speed. [m/s]
    """

    kind: str
    t_start: float
    speed: float
    distance: float
    t: np.ndarray
    rate: np.ndarray
    v_y: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedForward:
    """Turn command per sideways command that cancels the repeatable drift.

    Attributes
    ----------
    per_speed : Estimate
        [rad/m]
    per_acceleration : Estimate
        [rad s/m]; undetermined where the data show none.
    left_out : tuple of (float, float)
        Both, fitted without each pass in turn: what a pass not seen would get.
    """

    per_speed: Estimate
    per_acceleration: Estimate
    left_out: tuple[tuple[float, float], ...]

    @property
    def used(self) -> float:
        """Value to use: 0 where the interval holds 0 or there is none. [rad/m]"""
        e = self.per_speed
        if e.value is None or e.low is None or e.high is None or e.low <= 0 <= e.high:
            return 0.0
        return e.value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Replay:
    """Sideways passes replayed through the loop, in three ways.

    Attributes
    ----------
    passes : tuple of DriftPass
        The passes.
    t : ndarray, shape (k,)
        Ticks of the loop since the start of a pass. [s]
    error : dict of str to ndarray, shape (passes, k)
        Heading error on the nominal plant: "without", "with_hold", "with_feedforward"; nan after
        the pass. [rad]
    correction : ndarray, shape (passes, k)
        Turn command of hold and feed-forward. [rad/s]
    summary : dict
        Per way: end, peak, rms as Estimate [deg], magnitudes, over passes and plants.
    rows : tuple of dict
        Per pass: kind, speed and the errors.
    """

    passes: tuple[DriftPass, ...]
    t: np.ndarray
    error: dict[str, np.ndarray]
    correction: np.ndarray
    summary: dict[str, dict[str, Estimate]]
    rows: tuple[dict[str, Any], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeadingHold:
    """Everything `crabwise heading` knows.

    Attributes
    ----------
    identified : Identified
        The yaw plant.
    loop : Loop
        The loop the gains are for.
    plant : YawPlant
        Plant with all dead time of the loop.
    plants : tuple of YawPlant
        Its uncertainty set, likewise.
    advised : Proof
        The law advised.
    alternatives : tuple of Proof
        All laws, the advised one included; last the classical rule, to compare with only (where
        `tune` was asked to compare).
    expected : dict of str to dict
        Per structure: replay summary; none of the classical rule.
    feedforward : FeedForward or None
        None without sideways passes.
    replay : Replay or None
        Of the advised law; None without sideways passes.
    why_no_replay : str
        "" where there is one.
    correction_limit : float
        Turn command at which the law must be clipped. [rad/s]
    findings : tuple of Finding
        About the recording, as far as heading hold is concerned.
    """

    identified: Identified
    loop: Loop
    plant: YawPlant
    plants: tuple[YawPlant, ...]
    advised: Proof
    alternatives: tuple[Proof, ...]
    expected: dict[str, dict[str, dict[str, Estimate]]]
    feedforward: FeedForward | None
    replay: Replay | None
    why_no_replay: str
    correction_limit: float
    findings: tuple[Finding, ...]


def loop_of(run: Run, config: HeadingConfig = DEFAULT) -> Loop:
    """Rate of the loop and age of what it reads, from the robot file or assumed.

    Parameters
    ----------
    run : Run
        The aligned run, with its robot.
    config : HeadingConfig
        What to assume.

    Returns
    -------
    Loop
        The loop.
    """
    robot = run.robot
    rate = robot.loop_hz or config.loop_hz
    if robot.heading_delay is not None:
        age = robot.heading_delay
    else:
        age = max(0.0, run.gyro_lag) + config.age_periods / rate
    return Loop(
        loop_hz=rate,
        age=age,
        age_known=robot.heading_delay is not None,
        loop_known=robot.loop_hz is not None,
    )


def uncertainty_set(
    identified: Identified, loop: Loop, config: HeadingConfig = DEFAULT
) -> tuple[YawPlant, ...]:
    """Plants that the recording allows, with the loop's dead time in them.

    Parameters
    ----------
    identified : Identified
        The yaw plant.
    loop : Loop
        The loop.
    config : HeadingConfig
        Spread of an assumed age.

    Returns
    -------
    tuple of YawPlant
        Border of the 95 % region; where the age is assumed, also the middle at both its ends; where
        the reading off the steps disagrees with the fit, also the plant it gives.
    """
    found, steps = list(identified.plants), identified.steps
    if steps.differs and steps.lag.value is not None and steps.delay.value is not None:
        lag, delay = max(0.0, steps.lag.value), max(0.0, steps.delay.value)
        found.append(replace(identified.plant, lag=lag, delay=delay))
    out = [replace(p, delay=p.delay + loop.age) for p in found]
    if not loop.age_known:
        ages = (config.age_low * loop.age, max(config.age_most, 1.5 * loop.age))
        out += [replace(identified.plant, delay=identified.plant.delay + a) for a in ages]
    return tuple(out)


def _gains_of(
    structure: Structure, plant: YawPlant, loop: Loop, closed_loop_time: float, effective: float
) -> HeadingGains:
    """Gains of a structure by the rule."""
    period = loop.period
    if structure == "PD":
        setting = simc(plant.gain, effective, closed_loop_time, second_lag=plant.lag)
        return HeadingGains(
            kp=setting.gain,
            kd=setting.gain * setting.derivative_time,
            rate_filter=period / 2,
            period=period,
        )
    setting = simc(plant.gain, effective, closed_loop_time)
    ki = setting.gain / setting.integral_time if structure == "PI" else 0.0
    return HeadingGains(kp=setting.gain, ki=ki, period=period)


def classical(
    identified: Identified, plant: YawPlant, plants: Sequence[YawPlant], loop: Loop
) -> Proof:
    """The classical step-response rule and what becomes of it on this plant, to compare with.

    Parameters
    ----------
    identified : Identified
        The yaw plant.
    plant : YawPlant
        Plant with all dead time of the loop.
    plants : sequence of YawPlant
        Its uncertainty set.
    loop : Loop
        The loop.

    Returns
    -------
    Proof
        PID; the loop may be unstable.

    Notes
    -----
    `step_response_pid` with the heading's steepest tangent as read off the steps, else as the
    identified plant has it: slope = gain, apparent dead time = lag + dead time. Age and half a
    period of holding belong to the dead time, as for the other rules.
    """
    steps = identified.steps
    slope, apparent = steps.slope.value, steps.apparent_delay.value
    if slope is None or apparent is None:
        slope, apparent = plant.gain, identified.plant.lag + identified.plant.delay
    # As with the plant, no dead time is below 0: the logging of the command leaves some open.
    setting = step_response_pid(slope, max(0.0, apparent) + loop.age + loop.period / 2)
    gains = HeadingGains(
        kp=setting.gain,
        ki=setting.gain / setting.integral_time,
        kd=setting.gain * setting.derivative_time,
        rate_filter=loop.period / 2,
        period=loop.period,
    )
    return prove(Law(structure="PID (step response)", gains=gains), plant, plants)


def _effective_delay(structure: Structure, plant: YawPlant, loop: Loop) -> float:
    """Dead time the rule sees: plant, age, half a period of holding, half of a lag not cancelled."""
    dead = plant.delay + loop.period / 2
    if structure == "PD":
        return dead + loop.period / 2  # the filter's lag, not cancelled
    return half_rule([math.inf, plant.lag], dead)[1]


def design(
    structure: Structure,
    plant: YawPlant,
    plants: Sequence[YawPlant],
    loop: Loop,
    config: HeadingConfig = DEFAULT,
) -> Law:
    """Gains of one structure, as fast as the sensitivity allows.

    Parameters
    ----------
    structure : str
        P, PD, PI or PI (AMIGO).
    plant : YawPlant
        Plant with all dead time of the loop.
    plants : sequence of YawPlant
        Its uncertainty set.
    loop : Loop
        The loop.
    config : HeadingConfig
        Largest sensitivities.

    Returns
    -------
    Law
        Gains; `prove` gives their margins.

    Notes
    -----
    Skogestad (2003), integrating process: gain 1/(k (tau_c + delay)), integral time
    4 (tau_c + delay), derivative time the second lag; delay by his half rule, holding counted as
    half a period (Astrom & Wittenmark, section 3.4). tau_c is at least the delay, his fast limit,
    and is raised until the *sampled* loop meets the sensitivities. AMIGO has no such choice.
    """
    effective = _effective_delay(structure, plant, loop)
    if structure == "PI (AMIGO)":
        setting = amigo_pi(plant.gain, math.inf, effective)
        gains = HeadingGains(
            kp=setting.gain, ki=setting.gain / setting.integral_time, period=loop.period
        )
        return Law(structure=structure, gains=gains)

    on = on_grid([plant, *plants], loop.period)

    def good(closed_loop_time: float) -> bool:
        gains = _gains_of(structure, plant, loop, closed_loop_time, effective)
        return keeps_to(on, gains, config.max_sensitivity, config.worst_sensitivity)

    low, high = effective, effective
    if not good(low):
        while not good(high):
            low, high = high, high * 1.5
            if high > 1e3 * effective:
                raise RecordingError(
                    f"heading: no {structure} gains keep every plant that this recording allows "
                    "stable: gain, lag and dead time are too uncertain. Record more turns on the "
                    "spot, stepped, both ways, at two or three rates"
                )
        for _ in range(9):  # within a thousandth
            middle = math.sqrt(low * high)
            low, high = (low, middle) if good(middle) else (middle, high)
    gains = _gains_of(structure, plant, loop, high, effective)
    return Law(structure=structure, gains=gains, closed_loop_time=high)


def prove(law: Law, plant: YawPlant, plants: Sequence[YawPlant]) -> Proof:
    """Margins of a law on a plant, and the worst of them over a set of plants.

    Parameters
    ----------
    law : Law
        The law.
    plant : YawPlant
        Plant with all dead time of the loop.
    plants : sequence of YawPlant
        Its uncertainty set.

    Returns
    -------
    Proof
        Gains and margins.
    """
    every = sampled_margins_of([plant, *plants], law.gains)
    return Proof(
        structure=law.structure,
        gains=law.gains,
        closed_loop_time=law.closed_loop_time,
        nominal=every[0],
        worst=Margins(
            gain_margin=min(m.gain_margin for m in every),
            phase_margin=min(m.phase_margin for m in every),
            delay_margin=min(m.delay_margin for m in every),
            max_sensitivity=max(m.max_sensitivity for m in every),
            max_complementary=max(m.max_complementary for m in every),
            crossover=max(m.crossover for m in every),
            phase_crossover=min(m.phase_crossover for m in every),
            stable=all(m.stable for m in every),
        ),
    )


def drift_passes(
    run: Run, passes: Sequence[Pass], identified: Identified, config: HeadingConfig = DEFAULT
) -> tuple[DriftPass, ...]:
    """Yaw rate of each sideways pass as it would be without any correction.

    Parameters
    ----------
    run : Run
        The aligned run.
    passes : sequence of Pass
        Its passes.
    identified : Identified
        The yaw plant; takes out what a logged turn command brought.
    config : HeadingConfig
        Shortest pass.

    Returns
    -------
    tuple of DriftPass
        Passes to the left and right that are no hard starts.
    """
    signals, dt, plant = identified.signals, run.dt, identified.plant
    answer = np.zeros_like(signals.command)
    straight = _straight_mask(passes, run.t.size)
    if np.any(np.abs(signals.command[straight]) > 1e-3):
        asked = plant.gain * first_order(signals.command, dt, plant.lag)
        answer = np.interp(run.t - plant.delay, run.t, asked)
    sideways = [p for p in passes if p.kind in {"left", "right"} and not p.hard_start]
    out: list[DriftPass] = []
    for p in in_lot_order(sideways):
        if len(out) == config.passes_most:
            break
        a, b = max(0, p.start - round(0.05 / dt)), min(p.stop + round(0.1 / dt), run.t.size)
        if not np.all(run.valid[a:b]):
            continue
        if run.gyro_stuck is not None and run.gyro_stuck[a:b].any():
            continue
        v_y = signals.travel[a:b, 1]
        distance = float(np.sum(np.abs(v_y)) * dt)
        if distance < config.path_least:
            continue
        rate = signals.rate[a:b]
        if np.ptp(rate) == 0 and np.ptp(run.wheel_speed[a:b]) > 0:
            continue  # frozen
        side = quantile(v_y[np.abs(v_y) > 0.5 * np.max(np.abs(v_y))], 0.5)
        out.append(
            DriftPass(
                kind="left" if side > 0 else "right",
                t_start=float(run.t[a]),
                speed=abs(side),
                distance=distance,
                t=np.arange(b - a) * dt,
                rate=rate - answer[a:b],
                v_y=v_y,
            )
        )
    return tuple(sorted(out, key=lambda p: p.t_start))


def _straight_mask(passes: Sequence[Pass], size: int) -> np.ndarray:
    mask = np.zeros(size, dtype=bool)
    for p in passes:
        if p.kind in {"left", "right"}:
            mask[p.start : p.stop] = True
    return mask


def feed_forward(
    passes: Sequence[DriftPass], plant: YawPlant, config: HeadingConfig = DEFAULT
) -> FeedForward:
    """Turn command per sideways speed, and per acceleration, that cancels the drift.

    Parameters
    ----------
    passes : sequence of DriftPass
        Passes.
    plant : YawPlant
        Plant without the age of the heading: the feed-forward does not wait for it.
    config : HeadingConfig
        When acceleration counts.

    Returns
    -------
    FeedForward
        Least squares of the drift on the plant's answer to v_y and its derivative; standard
        errors over passes, each left out in turn.
    """
    blocks = []
    for p in passes:
        dt = float(p.t[1] - p.t[0])
        wanted = np.stack([p.v_y, np.gradient(p.v_y, dt)])
        answers = np.stack(
            [
                np.interp(p.t - plant.delay, p.t, row, left=0.0)
                for row in first_order(wanted, dt, plant.lag)
            ],
            axis=1,
        )
        design = -plant.gain * answers
        blocks.append((dt * design.T @ design, dt * design.T @ p.rate))
    normal = np.array([b[0] for b in blocks])
    right = np.array([b[1] for b in blocks])
    count = len(blocks)
    if count < 2:
        single = "a single sideways pass has no scatter; drive at least three each way"
        return FeedForward(
            per_speed=Estimate.undetermined("rad/m", single),
            per_acceleration=Estimate.undetermined("rad s/m", single),
            left_out=((0.0, 0.0),),
        )
    # Of all passes, then of all but each.
    normal = normal.sum(axis=0) - np.concatenate([np.zeros((1, 2, 2)), normal])
    right = right.sum(axis=0) - np.concatenate([np.zeros((1, 2)), right])

    def estimated(size: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        inverse = np.linalg.pinv(normal[:, :size, :size], hermitian=True)
        whole, *moved = (inverse @ right[:, :size, None])[..., 0]
        error = np.sqrt((count - 1) / count * np.sum((moved - whole) ** 2, axis=0))
        return whole, error, np.array(moved)

    whole, error, moved = estimated(1)
    per_speed = Estimate.of(float(whole[0]), float(error[0]), "rad/m", dof=count - 1)
    half = student_quantile(0.975, count - 1) * float(error[0])
    if abs(whole[0]) <= half:
        moved = np.zeros_like(moved)  # not told from none: not used
    both, both_error, both_moved = estimated(2)
    if count >= 4 and abs(both[1]) > config.acceleration_t * both_error[1]:
        per_acceleration = Estimate.of(
            float(both[1]), float(both_error[1]), "rad s/m", dof=count - 1
        )
        left_out = tuple((float(m[0]), float(b[1])) for m, b in zip(moved, both_moved, strict=True))
    else:
        per_acceleration = Estimate.undetermined(
            "rad s/m", "the passes show no share that goes with acceleration"
        )
        left_out = tuple((float(m[0]), 0.0) for m in moved)
    return FeedForward(per_speed=per_speed, per_acceleration=per_acceleration, left_out=left_out)


def _chosen(
    candidates: Sequence[Law],
    forward: FeedForward,
    identified: Identified,
    loop: Loop,
    passes: Sequence[DriftPass],
    config: HeadingConfig,
) -> tuple[Law, FeedForward]:
    """The simplest law that leaves about the least error on the identified plant.

    The share of the feed-forward that goes with acceleration is left out where the replay hardly
    gains by it.
    """
    ways = [forward]
    if forward.per_acceleration.determined:
        simple = replace(
            forward,
            per_acceleration=Estimate.undetermined(
                "rad s/m", "the heading error replayed hardly gains by it"
            ),
            left_out=tuple((speed, 0.0) for speed, _ in forward.left_out),
        )
        ways = [simple, forward]
    laws = [(p.gains, way.left_out) for p in candidates for way in ways]
    figures = _figures(simulate_loop([identified.plant], laws, loop.age, passes)[1])
    end, rms = (
        figures[what].mean(axis=(1, 2)).reshape(len(candidates), len(ways))
        for what in ("end", "rms")
    )
    gained = rms[0, 0] - rms[0, -1]
    worth = rms[0, -1] < config.acceleration_worth * rms[0, 0] and gained > config.least_gain
    way = len(ways) - 1 if worth else 0
    first = int(np.argmax(end[:, way] <= end[:, way].min() + config.simpler_within))
    return candidates[first], ways[way]


def simulate_loop(
    plants: Sequence[YawPlant],
    laws: Sequence[tuple[HeadingGains, Sequence[tuple[float, float]] | None]],
    age: float,
    passes: Sequence[DriftPass],
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Drive passes through the sampled loop: each law on each plant with each pass.

    The heading is the drift's own plus the answers to all commands so far; each command is held
    for a period, and its answer is known in closed form, so nothing is lost to a time step: a first
    part period, then a lag that fades by the same factor every tick, and a heading that stays.

    Parameters
    ----------
    plants : sequence of YawPlant
        Plants *without* the age of the heading.
    laws : sequence of (HeadingGains, feed-forward)
        Gains of one loop rate; with each, per pass, the turn command per sideways speed [rad/m]
        and acceleration [rad s/m], or None. Integral and reference start anew with each pass.
    age : float
        Age of heading and rate when used. [s]
    passes : sequence of DriftPass
        Disturbances.

    Returns
    -------
    t : ndarray, shape (k,)
        Ticks. [s]
    error : ndarray, shape (laws, plants, passes, k)
        Heading error, reference minus true heading; nan after the end of a pass. [rad]
    correction : ndarray, shape (laws, plants, passes, k)
        Turn command added. [rad/s]
    free : ndarray, shape (passes, k)
        Heading error without any correction. [rad]
    """
    period = laws[0][0].period
    ticks = max(math.ceil(float(p.t[-1]) / period) for p in passes) + 1
    t = np.arange(ticks) * period
    count = len(passes)
    free, v_y, changing = (np.zeros((count, ticks)) for _ in range(3))
    seen_heading, seen_rate = np.zeros((count, ticks)), np.zeros((count, ticks))
    alive = np.zeros((count, ticks), dtype=bool)
    for k, p in enumerate(passes):
        dt = float(p.t[1] - p.t[0])
        heading = integrated(p.rate, dt)
        free[k] = np.interp(t, p.t, heading)
        seen_heading[k] = np.interp(t - age, p.t, heading, left=0.0)
        seen_rate[k] = np.interp(t - age, p.t, p.rate, left=0.0)
        v_y[k] = np.interp(t, p.t, p.v_y, right=0.0)
        changing[k] = np.gradient(v_y[k], period)
        alive[k] = t <= p.t[-1] + period
    active = np.abs(v_y) > 1e-3
    ahead = np.zeros((len(laws), count, ticks))
    for way, (_, feedforward) in zip(ahead, laws, strict=True):
        if feedforward is not None:
            per_speed, per_acceleration = np.array(feedforward).T[..., None]
            way[:] = per_speed * v_y + per_acceleration * changing

    gain, lag, delay = np.array([(p.gain, p.lag, p.delay) for p in plants]).T[..., None, None]
    lag = np.maximum(lag, 1e-9)
    delay = np.stack([delay + age, delay])  # as the loop sees it, and as it is
    # A command is first felt `late` ticks after it, when it has acted for `first`.
    late = np.floor(delay / period + 1e-9).astype(int) + 1
    first = late * period - delay
    pole = np.exp(-period / lag)
    heading_first = gain * (first + lag * np.expm1(-first / lag))
    rate_first = -gain * np.expm1(-first / lag)
    rate_then = gain * np.exp(-first / lag) * (1 - pole)
    kp, ki, kd, smooth = (
        np.array(column)[:, None]
        for column in zip(*((g.kp, g.ki, g.kd, g.rate_filter) for g, _ in laws), strict=True)
    )
    keep = np.where(smooth > 0, np.exp(-period / np.maximum(smooth, 1e-9)), 0.0)
    summing = _stretch(ki)  # laws with an integral
    damped = _stretch(kd)  # laws that read the yaw rate
    ki, kd, keep = period * ki[summing], kd[damped], keep[damped]
    before = int(late.max())
    asked = np.zeros((before + ticks, len(plants), len(laws), count))
    every = np.arange(len(plants))
    # A heading that stays, less a lag that fades, of the commands before the one felt now.
    stays, fades = gain * period, lag * rate_then
    total, fading = np.zeros((2, 2, *asked.shape[1:]))
    turned = np.zeros((ticks, *asked.shape[1:]))
    integral = np.zeros((len(plants), len(ki), count))
    filtered = np.zeros((len(plants), len(kd), count))
    by_tick = (np.ascontiguousarray(v.T) for v in (seen_heading, seen_rate, active.astype(float)))
    for k, (own_heading, own_rate, steering) in enumerate(zip(*by_tick, strict=True)):
        felt = asked[before + k - late[..., 0, 0], every]
        heading = heading_first * felt + total
        heading -= fading
        turned[k] = heading[1]
        heading = heading[0]
        heading += own_heading
        out = ahead[..., k] - kp * heading
        if len(ki):
            integral -= heading[:, summing]
            integral *= steering
            out[:, summing] += ki * integral
        if len(kd):
            rate = (rate_first[0] * felt[0] + fading[0] / lag)[:, damped] + own_rate
            filtered = keep * filtered + (1 - keep) * rate
            out[:, damped] -= kd * filtered
        np.multiply(out, steering, out=asked[before + k])
        total += stays * felt
        fading *= pole
        fading += fades * felt
    correction, turned = (np.moveaxis(v, 0, -1).swapaxes(0, 1) for v in (asked[before:], turned))
    error = -free - turned
    return t, np.where(alive, error, np.nan), correction, np.where(alive, -free, np.nan)


def _stretch(gains: np.ndarray) -> slice:
    """From the first to the last law that has a gain; others between them have none, and lose nothing."""
    has = np.flatnonzero(gains)
    return slice(int(has[0]), int(has[-1]) + 1) if has.size else slice(0, 0)


def _figures(error: np.ndarray) -> dict[str, np.ndarray]:
    """End, peak and rms of heading errors, along the last axis. [deg]"""
    size = np.abs(error) * DEGREES
    last = np.sum(np.isfinite(error), axis=-1) - 1
    end = np.take_along_axis(size, last[..., None], axis=-1)[..., 0]
    return {
        "end": end,
        "peak": np.nanmax(size, axis=-1),
        "rms": np.sqrt(np.nanmean(size**2, axis=-1)),
    }


def _expected(values: np.ndarray, radius: float, floor: float) -> Estimate:
    """Mean over passes; interval from the scatter of passes, from the plants, and a floor.

    `values` has the nominal plant first, then pairs at both ends of each axis of the region.
    """
    nominal = values[0]
    mean, count = float(nominal.mean()), nominal.size
    scatter = float(nominal.std(ddof=1)) / math.sqrt(count) if count > 1 else abs(mean)
    ends = values[1:7].mean(axis=1)
    plant = float(np.sqrt(np.sum(((ends[0::2] - ends[1::2]) / (2 * radius)) ** 2)))
    error = math.hypot(scatter, plant, floor)
    dof = max(count - 1, 1) * (error / scatter) ** 4 if scatter > 0 else math.inf
    found = Estimate.of(mean, error, "°", dof=min(max(dof, 1.0), 1e6))
    if found.low is not None and found.low < 0:
        found = replace(found, low=0.0)  # a magnitude
    return found


def replay(
    identified: Identified,
    loop: Loop,
    gains: HeadingGains,
    passes: Sequence[DriftPass],
    feedforward: FeedForward,
    config: HeadingConfig = DEFAULT,
) -> Replay:
    """Replay the sideways passes without hold, with hold, and with hold and feed-forward.

    Parameters
    ----------
    identified : Identified
        The yaw plant.
    loop : Loop
        The loop.
    gains : HeadingGains
        The law.
    passes : sequence of DriftPass
        At least one.
    feedforward : FeedForward
        Each pass is replayed with the value from the other passes.
    config : HeadingConfig
        What the replay cannot know.

    Returns
    -------
    Replay
        Heading errors with intervals.
    """
    return replays(identified, loop, [gains], passes, feedforward, config)[0]


def replays(
    identified: Identified,
    loop: Loop,
    laws: Sequence[HeadingGains],
    passes: Sequence[DriftPass],
    feedforward: FeedForward,
    config: HeadingConfig = DEFAULT,
) -> list[Replay]:
    """`replay` of several laws at once.

    Parameters
    ----------
    identified, loop, passes, feedforward, config
        As there.
    laws : sequence of HeadingGains
        The laws.

    Returns
    -------
    list of Replay
        One a law.
    """
    plants = (identified.plant, *identified.plants[:6])
    both = [(gains, way) for gains in laws for way in (None, feedforward.left_out)]
    t, error, correction, free = simulate_loop(plants, both, loop.age, passes)
    return [
        _replayed(
            t,
            passes,
            {
                "without": np.broadcast_to(free, error[0].shape),
                "with_hold": error[k],
                "with_feedforward": error[k + 1],
            },
            correction[k + 1],
            identified.radius,
            config,
        )
        for k in range(0, len(both), 2)
    ]


def _replayed(
    t: np.ndarray,
    passes: Sequence[DriftPass],
    ways: dict[str, np.ndarray],
    correction: np.ndarray,
    radius: float,
    config: HeadingConfig,
) -> Replay:
    figures = {name: _figures(error) for name, error in ways.items()}
    peak = float(np.mean(figures["with_hold"]["peak"][0]))
    floors = dict(zip(("end", "peak", "rms"), config.replay_floor, strict=True))
    summary = {
        name: {
            what: _expected(
                values,
                radius,
                0.0
                if name == "without"
                else math.hypot(floors[what] * peak, config.replay_floor_least),
            )
            for what, values in f.items()
        }
        for name, f in figures.items()
    }
    rows = tuple(
        {
            "kind": p.kind,
            "t_start": p.t_start,
            "speed_m_per_s": p.speed,
            "distance_m": p.distance,
            **{
                f"{name}_{what}_deg": float(values[0, k])
                for name, f in figures.items()
                for what, values in f.items()
            },
        }
        for k, p in enumerate(passes)
    )
    return Replay(
        passes=tuple(passes),
        t=t,
        error={name: error[0] for name, error in ways.items()},
        correction=correction[0],
        summary=summary,
        rows=rows,
    )


def wheel_limit(run: Run) -> float | None:
    """Speed that the slowest wheel reaches at full power, from power or volts over battery.

    Parameters
    ----------
    run : Run
        The aligned run.

    Returns
    -------
    float or None
        Median over fast samples, smallest over wheels [rad/s]; None where neither power nor
        battery is logged.
    """
    few = enough(run.t.size)
    if run.power is not None:
        drive = run.power[few]
    elif run.volt is not None and run.battery is not None:
        drive = run.volt[few] / np.maximum(np.abs(run.battery[few]), 1e-6)[:, None]
    else:
        return None
    found = full_speeds(drive, run.wheel_speed[few])
    return None if found is None else float(found.min())


def _headroom(run: Run, replayed: Replay, plant: YawPlant, config: HeadingConfig) -> float:
    """Largest correction the law may ask for; refuses gains that would saturate a wheel."""
    peak = float(np.nanmax(np.abs(replayed.correction)))
    wanted = max(3.0 * peak, config.correction_least)
    limit = wheel_limit(run)
    if limit is None:
        return wanted
    column = np.abs(run.robot.matrix[:, 2])
    sideways = np.abs(run.robot.matrix[:, 1])
    worst, least = 0.0, math.inf
    for k, p in enumerate(replayed.passes):
        v_y = float(np.max(np.abs(p.v_y)))
        asked = float(np.max(np.abs(replayed.correction[k])))
        worst = max(worst, float(np.max(sideways * v_y + column * asked)))
        least = min(least, float(np.min((config.speed_share * limit - sideways * v_y) / column)))
    if worst > config.speed_share * limit:
        room = float(np.min((config.speed_share * limit - column * peak) / sideways))
        advice = (
            f"Drive sideways at {room:.2f} m/s at most"
            if room > 0.05
            else "Mend the cause of the drift first (`crabwise analyze`)"
        )
        raise CrabwiseError(
            f"heading: these gains would saturate the wheels: sideways speed and correction ask for "
            f"{worst:.1f} rad/s of a wheel that reaches {limit:.1f} rad/s at full power, so there "
            f"is nothing left to steer with. {advice}, and record again"
        )
    return min(wanted, least)


def tune(
    run: Run,
    passes: Sequence[Pass],
    config: HeadingConfig = DEFAULT,
    *,
    compare: bool = True,
) -> HeadingHold:
    """Identify the yaw plant, choose gains, prove them.

    Parameters
    ----------
    run : Run
        The aligned run.
    passes : sequence of Pass
        Its passes.
    config : HeadingConfig
        Choices of the design.
    compare : bool
        Whether rules that are never advised stand beside the others, and all are replayed.

    Returns
    -------
    HeadingHold
        Plant, gains, margins, feed-forward, expected heading errors.

    Raises
    ------
    RecordingError, CrabwiseError
        Where the recording does not allow it: no turn, frozen gyro, saturated command, loop too
        slow, gains that would saturate the wheels; each with what to do.
    """
    identified = identify(run, passes)
    loop = loop_of(run, config)
    plant = replace(identified.plant, delay=identified.plant.delay + loop.age)
    _loop_fast_enough(run, identified, loop, config)
    plants = uncertainty_set(identified, loop, config)
    structures: list[Structure] = ["P"]
    if plant.lag > loop.period / 2:
        structures.append("PD")
    structures.append("PI")
    candidates = [design(s, plant, plants, loop, config) for s in structures]
    sideways = drift_passes(run, passes, identified, config)
    findings = list(identified.findings)
    if not loop.loop_known:
        findings.append(_assumed(f"loop_hz is not in the robot file; {loop.loop_hz:g} Hz assumed"))
    if not loop.age_known:
        findings.append(
            _assumed(
                f"heading_delay_s (age of heading and yaw rate when the loop uses them) is not in "
                f"the robot file; {1e3 * loop.age:.0f} ms assumed: the gyro's lag behind the wheels "
                "and one period of the loop. The gains are kept slow enough for "
                f"{1e3 * max(config.age_most, 1.5 * loop.age):.0f} ms; write the real age down and "
                "they can be faster"
            )
        )
    advised = candidates[0]
    if sideways:
        forward = feed_forward(sideways, identified.plant, config)
        advised, forward = _chosen(candidates, forward, identified, loop, sideways, config)
    shown = [advised]
    if compare:
        shown = [*candidates, design("PI (AMIGO)", plant, plants, loop, config)]
    proofs = [prove(law, plant, plants) for law in shown]
    proof = proofs[shown.index(advised)]
    if compare:
        proofs.append(classical(identified, plant, plants, loop))
    if not sideways:
        return HeadingHold(
            identified=identified, loop=loop, plant=plant, plants=plants, advised=proof,
            alternatives=tuple(proofs), expected={}, feedforward=None, replay=None,
            why_no_replay="no sideways pass in this recording: drive three and more each way, then "
            "the expected heading error and the feed-forward can be given",
            correction_limit=config.correction_least, findings=tuple(findings),
        )  # fmt: skip
    played = replays(identified, loop, [p.gains for p in shown], sideways, forward, config)
    replayed = {p.structure: r for p, r in zip(shown, played, strict=True)}
    chosen = replayed[advised.structure]
    limit = _headroom(run, chosen, plant, config)
    return HeadingHold(
        identified=identified,
        loop=loop,
        plant=plant,
        plants=plants,
        advised=proof,
        alternatives=tuple(proofs),
        expected={name: r.summary for name, r in replayed.items()},
        feedforward=forward,
        replay=chosen,
        why_no_replay="",
        correction_limit=limit,
        findings=tuple(findings),
    )


def _assumed(text: str) -> Finding:
    return Finding(severity="note", channel="", text=text)


def _loop_fast_enough(run: Run, identified: Identified, loop: Loop, config: HeadingConfig) -> None:
    """Refuse loops and logs slower than twice the crossover this base allows."""
    sensor = max(run.gyro_lag, 0.0)
    swift = Loop(loop_hz=1000.0, age=sensor, age_known=True, loop_known=True)
    plant = replace(identified.plant, delay=identified.plant.delay + sensor + 1e-3)
    log_hz = 1 / run.dt
    # The rule's gain is 1/(2 delay) at most and the crossover no more (pi/2 for the sampling): far
    # from that it need not be worked out.
    if min(loop.loop_hz, log_hz) > 1 / (4 * _effective_delay("P", plant, swift)):
        return
    law = design("P", plant, (), swift, config)
    crossover = prove(law, plant, ()).nominal.crossover / (2 * math.pi)
    if loop.loop_hz < 2 * crossover:
        source = f"{run.robot.path}: robot.loop_hz" if loop.loop_known else "loop rate"
        raise CrabwiseError(
            f"heading: {source}: found {loop.loop_hz:g} Hz; this base can be held with a crossover "
            f"of {crossover:.2f} Hz, and a loop below twice that ({2 * crossover:.1f} Hz) is blind "
            f"between its samples. Run the heading loop at {math.ceil(10 * crossover)} Hz or more, "
            "write it into the robot file, and record again"
        )
    if log_hz < 2 * crossover:
        raise RecordingError(
            f"heading: channel omega_z: logged at {log_hz:.1f} Hz; the base answers with a crossover "
            f"of {crossover:.2f} Hz. Log command and gyro at {math.ceil(20 * crossover)} Hz or more"
        )


def law_text(hold: HeadingHold) -> str:
    """The update law as a short formula.

    Parameters
    ----------
    hold : HeadingHold
        The tuning.

    Returns
    -------
    str
        With the terms that are used.
    """
    gains = hold.advised.gains
    terms = ["kp·e"]
    if gains.ki:
        terms.append("ki·∫e dt")
    if gains.kd:
        terms.append("kd·(omega_ref − omega_z)")
    if hold.feedforward is not None:
        terms.append("feedforward·cmd_v_y")
        if hold.feedforward.per_acceleration.determined:
            terms.append("feedforward_acceleration·d(cmd_v_y)/dt")
    return "cmd_omega_z += " + " + ".join(terms)


def law_words(hold: HeadingHold) -> tuple[str, ...]:
    """The update law in words.

    Parameters
    ----------
    hold : HeadingHold
        The tuning.

    Returns
    -------
    tuple of str
        Steps in order.
    """
    gains, loop = hold.advised.gains, hold.loop
    out = []
    if hold.identified.signals.source.startswith(("volts", "power")):
        out.append(
            "No turn command was logged, so cmd_omega_z here is the turn rate that the wheels' "
            f"drive stands for ({hold.identified.signals.source}): add to each wheel's drive the wheel "
            "speed that the turn asks for by the rolling matrix, over that scale."
        )
    out += [
        f"{loop.loop_hz:g} times a second: e = yaw_ref − yaw, wrapped to ±π; yaw is anticlockwise "
        "positive, in radians. yaw_ref is the heading to keep; while the base is asked to turn it "
        "moves on with the turn rate asked (omega_ref).",
        "Turn command to add to cmd_omega_z: kp times e"
        + (", plus ki times the integral of e" if gains.ki else "")
        + (
            ", plus kd times (omega_ref − omega_z), omega_z the gyro's yaw rate smoothed by a "
            f"first-order filter of {1e3 * gains.rate_filter:.0f} ms"
            if gains.kd
            else ""
        )
        + (
            ", plus feedforward times the commanded sideways speed (to the left positive)"
            if hold.feedforward is not None
            else ""
        )
        + (
            ", plus feedforward_acceleration times its change a second"
            if hold.feedforward is not None and hold.feedforward.per_acceleration.determined
            else ""
        )
        + ".",
        f"Clip it at ±{hold.correction_limit:.2f} rad/s"
        + (" and stop adding to the integral while it is clipped" if gains.ki else "")
        + ".",
        "While the base stands still on purpose the correction is zero"
        + (", and so is the integral." if gains.ki else "."),
    ]
    return tuple(out)


def constants_text(hold: HeadingHold) -> str:
    """Block of constants to paste.

    Parameters
    ----------
    hold : HeadingHold
        The tuning.

    Returns
    -------
    str
        One constant a line, with unit and meaning.
    """
    gains, forward = hold.advised.gains, hold.feedforward
    rows = [
        ("HEADING_LOOP_HZ", f"{hold.loop.loop_hz:g}", "Hz", "runs of the loop a second"),
        ("HEADING_KP", f"{gains.kp:.4g}", "1/s", "rad/s of turn per rad of heading error"),
        ("HEADING_KI", f"{gains.ki:.4g}", "1/s^2", "per rad s of heading error"),
        ("HEADING_KD", f"{gains.kd:.4g}", "-", "per rad/s of yaw rate error"),
    ]
    if gains.kd:
        rows.append(
            ("HEADING_RATE_FILTER_S", f"{gains.rate_filter:.4g}", "s", "filter on the yaw rate")
        )
    per_speed = 0.0 if forward is None else forward.used
    rows.append(
        ("HEADING_FEEDFORWARD", f"{per_speed:.4g}", "rad/m", "rad/s of turn per m/s to the left")
    )
    if forward is not None and forward.per_acceleration.value is not None:
        rows.append(
            (
                "HEADING_FEEDFORWARD_ACCELERATION",
                f"{forward.per_acceleration.value:.4g}",
                "rad s/m",
                "rad/s of turn per m/s^2 to the left",
            )
        )
    rows.append(("HEADING_LIMIT", f"{hold.correction_limit:.4g}", "rad/s", "largest correction"))
    wide = max(len(r[0]) for r in rows)
    return "\n".join(
        f"{name:<{wide}} = {value:<8} # [{unit}] {what}" for name, value, unit, what in rows
    )


def classical_text(hold: HeadingHold) -> str:
    """What the classical step-response rule would give here, in one sentence.

    Parameters
    ----------
    hold : HeadingHold
        The tuning.

    Returns
    -------
    str
        Gains, and how they compare with what is advised.
    """
    proof = hold.alternatives[-1]
    gains, peak = proof.gains, proof.nominal.max_sensitivity
    if not proof.nominal.stable:
        fate = "with them this base would sway more and more"
    elif not proof.worst.stable:
        fate = (
            f"their largest sensitivity is {peak:.2f}, and on some of the plants that this recording "
            "allows the base would sway more and more"
        )
    else:
        worst = proof.worst.max_sensitivity
        fate = f"their largest sensitivity is {peak:.2f}, {worst:.2f} at worst"
        if peak <= DEFAULT.max_sensitivity and worst <= DEFAULT.worst_sensitivity:
            fate += ", tolerable on this base, though the rule sets no limit to it"
    return (
        f"For comparison, not advised: the classical step-response rule (Ziegler and Nichols) gives "
        f"kp = {gains.kp:.2f} 1/s, ki = {gains.ki:.2f} 1/s², kd = {gains.kd:.2f}; {fate}. The gains "
        f"advised keep to {hold.advised.nominal.max_sensitivity:.2f}, "
        f"{hold.advised.worst.max_sensitivity:.2f} at worst."
    )


def magnitude(entry: Estimate) -> str:
    """Heading error as text; where its interval reaches 0, with the upper end alone.

    Parameters
    ----------
    entry : Estimate
        A magnitude. [deg]

    Returns
    -------
    str
        For the screen.
    """
    if entry.value is None or entry.high is None or entry.low is None:
        return str(entry)
    if entry.low > 0:
        return f"{entry.value:.2f}° ({entry.low:.2f} to {entry.high:.2f})"
    return f"{entry.value:.2f}° (at most {entry.high:.2f})"


def promise(hold: HeadingHold) -> str:
    """What hold and feed-forward should bring, in one sentence; "" without a replay.

    Parameters
    ----------
    hold : HeadingHold
        The tuning.

    Returns
    -------
    str
        Heading error at the end of a sideways pass, with and without.
    """
    if hold.replay is None:
        return ""
    summary = hold.replay.summary
    length = float(np.mean([p.distance for p in hold.replay.passes]))
    return (
        f"A sideways pass of {length:.1f} m should then end off its heading by "
        f"{magnitude(summary['with_feedforward']['end'])} instead of "
        f"{magnitude(summary['without']['end'])}."
    )


def _margin_fields(margins: Margins) -> dict[str, Any]:
    return {
        "phase_margin_deg": margins.phase_margin * DEGREES,
        "gain_margin": margins.gain_margin,
        "max_sensitivity": margins.max_sensitivity,
        "max_complementary_sensitivity": margins.max_complementary,
        "delay_margin_s": margins.delay_margin,
        "crossover_rad_s": margins.crossover,
        "stable": margins.stable,
    }


def _expected_field(hold: HeadingHold) -> dict[str, Any]:
    if hold.replay is None:
        return Estimate.undetermined("°", hold.why_no_replay).as_json()
    summary = hold.replay.summary
    return {
        **summary["with_feedforward"]["end"].as_json(),
        "measure": "magnitude at the end of a sideways pass, with hold and feed-forward, mean over "
        f"{len(hold.replay.passes)} passes",
        **{
            way: {what: e.as_json() for what, e in figures.items()}
            for way, figures in summary.items()
        },
    }


def contract(hold: HeadingHold) -> dict[str, Any]:
    """Gains and proof as the result file's ``heading_hold`` carries them.

    Parameters
    ----------
    hold : HeadingHold
        The tuning.

    Returns
    -------
    dict
        kp [1/s], ki [1/s^2], kd [-], feedforward_omega_z_per_v_y [rad/m], loop_hz, delay_s (all
        dead time from command to the heading in use), phase_margin_deg, gain_margin,
        max_sensitivity, expected_heading_error_deg, and what goes with them.
    """
    gains, forward = hold.advised.gains, hold.feedforward
    per_speed = Estimate.undetermined("rad/m", hold.why_no_replay)
    per_acceleration = Estimate.undetermined("rad s/m", hold.why_no_replay)
    if forward is not None:
        per_speed, per_acceleration = forward.per_speed, forward.per_acceleration
    return {
        "structure": hold.advised.structure,
        "kp": gains.kp,
        "ki": gains.ki,
        "kd": gains.kd,
        "rate_filter_s": gains.rate_filter,
        "feedforward_omega_z_per_v_y": 0.0 if forward is None else forward.used,
        "feedforward_estimate": per_speed,
        "feedforward_omega_z_per_a_y": per_acceleration,
        "loop_hz": hold.loop.loop_hz,
        "delay_s": hold.plant.delay,
        "correction_limit_rad_s": hold.correction_limit,
        **_margin_fields(hold.advised.nominal),
        "worst_case": {
            **_margin_fields(hold.advised.worst),
            "plants": len(hold.plants),
            "over": "border of the 95 % region of gain, lag and dead time"
            + (
                ""
                if hold.loop.age_known
                else f", and {1e3 * max(p.delay for p in hold.plants):.0f} ms of dead time at most"
            ),
        },
        "expected_heading_error_deg": _expected_field(hold),
        "law": law_text(hold),
    }


def heading_result(hold: HeadingHold, run: Run, recordings: Sequence[str]) -> dict[str, Any]:
    """Content of the file of ``crabwise heading --json``.

    Parameters
    ----------
    hold : HeadingHold
        The tuning.
    run : Run
        The run it comes from.
    recordings : sequence of str
        Paths, for the reader.

    Returns
    -------
    dict
        Schema ``crabwise-heading/1``; estimates are still `Estimate`.
    """
    found = hold.identified
    return {
        "schema": "crabwise-heading/1",
        "robot": {
            "name": run.robot.name,
            "file": run.robot.path,
            "drive_mode": run.robot.drive_mode,
        },
        "recordings": list(recordings),
        **contract(hold),
        "law_words": list(law_words(hold)),
        "constants": constants_text(hold),
        "plant": {
            "gain": found.gain,
            "lag_s": found.lag,
            "delay_s": found.delay,
            "friction_rad_per_s": found.friction,
            "turns": len(found.windows),
            "input": found.signals.source,
            "answer": found.signals.rate_source,
            "closed_loop": found.closed_loop,
            "misfit_rad_per_s": found.misfit,
            "step_answers": {
                "lag_s": found.steps.lag,
                "delay_s": found.steps.delay,
                "heading_slope": found.steps.slope,
                "heading_apparent_delay_s": found.steps.apparent_delay,
                "turns": found.steps.turns,
                "differs": list(found.steps.differs),
            },
        },
        "loop": {
            "loop_hz": hold.loop.loop_hz,
            "loop_hz_known": hold.loop.loop_known,
            "heading_delay_s": hold.loop.age,
            "heading_delay_known": hold.loop.age_known,
            "dead_time_s": hold.plant.delay,
        },
        "alternatives": [
            {
                "structure": p.structure,
                "kp": p.gains.kp,
                "ki": p.gains.ki,
                "kd": p.gains.kd,
                "rate_filter_s": p.gains.rate_filter,
                "closed_loop_time_s": p.closed_loop_time,
                **_margin_fields(p.nominal),
                "worst_max_sensitivity": p.worst.max_sensitivity if p.worst.stable else None,
                "expected": {
                    way: figures["end"]
                    for way, figures in hold.expected.get(p.structure, {}).items()
                },
            }
            for p in hold.alternatives
        ],
        "replay": [] if hold.replay is None else list(hold.replay.rows),
        "cannot": list(CANNOT),
        "cautions": list(CAUTIONS),
        "findings": [*run.findings, *hold.findings],
        "remedies": [remedy_of(hold)],
    }


def remedy_of(hold: HeadingHold) -> dict[str, Any]:
    """The ``heading_hold`` remedy of a tuning.

    Parameters
    ----------
    hold : HeadingHold
        The tuning.

    Returns
    -------
    dict
        As in the result file's ``remedies``.
    """
    gains = hold.advised.gains
    used = [f"kp = {gains.kp:.2f} 1/s"]
    if gains.ki:
        used.append(f"ki = {gains.ki:.2f} 1/s²")
    if gains.kd:
        used.append(f"kd = {gains.kd:.2f}")
    fields = contract(hold)
    if hold.feedforward is not None:
        used.append(f"feed-forward {fields['feedforward_omega_z_per_v_y']:+.3f} rad/m")
    text = (
        f"Hold the heading in software, {hold.loop.loop_hz:g} times a second: {', '.join(used)} "
        f"(phase margin {hold.advised.nominal.phase_margin * DEGREES:.0f}°, largest sensitivity "
        f"{hold.advised.nominal.max_sensitivity:.2f}). {promise(hold)} `crabwise heading` gives the "
        "constants and the proof."
    )
    effect: dict[str, Any] = {"place": "software", "text": CANNOT[2]}
    if hold.replay is not None:
        end = hold.replay.summary["with_feedforward"]["end"]
        length = float(np.mean([p.distance for p in hold.replay.passes]))
        effect["yaw_drift_deg_per_m"] = end.scaled(1 / length, "°/m").as_json()
    return {
        "kind": "heading_hold",
        "text": text,
        **fields,
        "expected_effect": effect,
        "caution": " ".join(CAUTIONS),
    }


def heading_remedy(
    run: Run, passes: Sequence[Pass], motion: Motion, config: HeadingConfig = DEFAULT
) -> dict[str, Any] | None:
    """The ``heading_hold`` remedy for the main result, where it is worth having and possible.

    Parameters
    ----------
    run : Run
        The aligned run.
    passes : sequence of Pass
        Its passes.
    motion : Motion
        Estimates of how the base moves.
    config : HeadingConfig
        Drift that is worth holding against.

    Returns
    -------
    dict or None
        None where the drift is below what a driver notices, or the recording does not allow it.
    """
    worst = max(
        (
            abs(b.total.value)
            for b in motion.by_speed
            if b.kind in {"left", "right"} and b.total.value is not None
        ),
        default=0.0,
    )
    if worst * DEGREES < config.drift_least:
        return None
    try:
        return remedy_of(tune(run, passes, config, compare=False))
    except CrabwiseError:
        return None
