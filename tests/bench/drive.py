"""Scripts of movements, motor controllers, the heading loop, and the run that records all of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.bench.base import STEP, TICK, Array, Base, Faults, Simulation

# One movement: v_x, v_y [m/s], omega_z [rad/s], seconds, and, for launches at another rate than
# 1 m/s^2 (4 rad/s^2 in a turn), the acceleration. Marks five-number steps as special: not a usual
# pass, to be left out of the table of yaw drift.
Step = tuple[float, ...]
PAUSE: Step = (0.0, 0.0, 0.0, 0.7)
USUAL_ACCELERATION = 1.0  # [m/s^2]
USUAL_TURN_ACCELERATION = 4.0  # [rad/s^2]


def _pass(vx: float, vy: float, distance: float) -> Step:
    v = float(np.hypot(vx, vy))
    return (vx, vy, 0.0, distance / v + v / USUAL_ACCELERATION)


def _turn(rate: float, seconds: float) -> Step:
    return (0.0, 0.0, rate, seconds)


def _full_turn(rate: float) -> Step:
    return (0.0, 0.0, rate, 2 * np.pi / abs(rate) + abs(rate) / USUAL_TURN_ACCELERATION)


def standard_script(
    speeds: tuple[float, float] = (0.3, 0.8), distance: float = 2.0, repeats: int = 3
) -> list[Step]:
    """Rest, four directions at two speeds, one turn each way, two diagonals, short hard starts."""
    out: list[Step] = [(0.0, 0.0, 0.0, 3.0)]
    for v in speeds:
        for _ in range(repeats):
            for vx, vy in ((v, 0.0), (-v, 0.0), (0.0, v), (0.0, -v)):
                out += [_pass(vx, vy, distance), PAUSE]
    d = 0.5 * speeds[1]
    for s in (_full_turn(1.5), _full_turn(-1.5), _pass(d, d, 1.5), _pass(-d, -d, 1.5)):
        out += [s, PAUSE]
    for k in range(8):
        out += [(0.0, speeds[1] * (-1) ** k, 0.0, 0.8, 3.0), (0.0, 0.0, 0.0, 0.3)]
    return out


def improved_script(
    speeds: tuple[float, float] = (0.3, 0.8),
    distance: float = 1.8,
    repeats: int = 2,
    turn_rates: tuple[float, float] = (1.4, 2.7),
    turn_seconds: float = 8.0,
) -> list[Step]:
    """More hard starts, long turns both ways at two rates, starts from shifted roller phases."""
    out: list[Step] = [(0.0, 0.0, 0.0, 3.0)]
    shift = 0
    for v in speeds:
        for _ in range(repeats):
            for vx, vy in ((v, 0.0), (-v, 0.0), (0.0, v), (0.0, -v)):
                out += [_pass(vx, vy, distance), PAUSE]
            shift += 1  # a short move, not a whole number of roller pitches
            out += [(0.15, 0.0, 0.0, 0.4 + 0.11 * shift, 1.0), (0.0, 0.0, 0.0, 0.5)]
    for rate in turn_rates:
        out += [_turn(rate, turn_seconds), PAUSE, _turn(-rate, turn_seconds), PAUSE]
    d = 0.5 * speeds[1]
    out += [_pass(d, d, 1.3), PAUSE, _pass(-d, -d, 1.3), PAUSE]
    for k in range(10):
        out += [(0.0, speeds[1] * (-1) ** k, 0.0, 0.8, 3.0), (0.0, 0.0, 0.0, 0.4)]
    return out


def short_script(speeds: tuple[float, float] = (0.3, 0.8)) -> list[Step]:
    """About fifty seconds that still hold each kind of movement."""
    out: list[Step] = [(0.0, 0.0, 0.0, 2.0)]
    v = 0.5 * (speeds[0] + speeds[1])
    pause = (0.0, 0.0, 0.0, 0.5)
    for _ in range(2):
        for vx, vy in ((v, 0.0), (-v, 0.0), (0.0, v), (0.0, -v)):
            out += [_pass(vx, vy, 1.2), pause]
    for s in (_turn(2.4, 4.0), _turn(-2.4, 4.0)):
        out += [s, pause]
    for k in range(6):
        out += [(0.0, speeds[1] * (-1) ** k, 0.0, 0.7, 3.0), (0.0, 0.0, 0.0, 0.4)]
    return out


def turn_excitation_script(rates: tuple[float, ...] = (0.4, 0.8, 1.2)) -> list[Step]:
    """Steps of turn rate, both ways, short and long, then usual sideways passes."""
    out: list[Step] = [(0.0, 0.0, 0.0, 3.0)]
    for rate in rates:
        for seconds in (0.5, 1.0, 2.0):
            for s in (1, -1):
                out += [(0.0, 0.0, s * rate, seconds, 40.0), (0.0, 0.0, 0.0, 0.6)]
    for k in range(8):
        out += [_pass(0.0, (0.3 if k < 4 else 0.8) * (-1) ** k, 1.5), PAUSE]
    return out


def sideways_script(speeds: tuple[float, ...] = (0.3, 0.8), distance: float = 2.0) -> list[Step]:
    """Rest and sideways passes only: the proof drive of a heading loop."""
    out: list[Step] = [(0.0, 0.0, 0.0, 3.0)]
    for v in speeds:
        for k in range(6):
            out += [_pass(0.0, v * (-1) ** k, distance), PAUSE]
    return out


def commands(script: list[Step], step: float, loop_hz: float) -> tuple[Array, NDArray[np.int64]]:
    """Commanded twist at every step, held between ticks of `loop_hz`.

    Returns
    -------
    twist : shape (n, 3)
        v_x, v_y [m/s], omega_z [rad/s].
    segment : shape (n,)
        Index of the movement in the script.
    """
    twists, segments = [], []
    for i, s in enumerate(script):
        n = round(s[3] / step)
        t = np.arange(n) * step
        hold = max(1, round(1 / (loop_hz * step)))
        t = t[(np.arange(n) // hold) * hold]
        v = np.array(s[:3])
        acc = (
            s[4]
            if len(s) > 4
            else (USUAL_ACCELERATION if s[0] or s[1] else USUAL_TURN_ACCELERATION)
        )
        size = max(float(np.hypot(v[0], v[1])), abs(float(v[2])))
        ramp = np.clip(np.minimum(t, s[3] - t) * acc / size, 0, 1) if size else np.zeros(n)
        twists.append(ramp[:, None] * v)
        segments.append(np.full(n, i))
    return np.concatenate(twists), np.concatenate(segments)


@dataclass(frozen=True, kw_only=True)
class WheelLoop:
    """How the motors are driven.

    ``power``: voltage from the target speed, no feedback. ``stiff`` and ``soft``: PI control of
    each wheel's speed with that voltage as feed-forward.
    """

    kind: str = "power"
    kp: float = 0.0  # [V s/rad]
    ki: float = 0.0  # [V/rad]
    friction_volts: float = 0.25  # [V] added in the direction of the target
    period: float = 0.004  # [s]

    @staticmethod
    def named(kind: str, base: Base) -> WheelLoop:
        """The loop of that name with gains scaled to the base's motors."""
        ke = base.motor.volts_per_rad_s
        scale = ke / 0.36
        kp, ki = {"power": (0.0, 0.0), "stiff": (1.5, 15.0), "soft": (0.4, 2.0)}[kind]
        return WheelLoop(kind=kind, kp=kp * scale, ki=ki * scale, friction_volts=0.25 * scale)


@dataclass(frozen=True, kw_only=True)
class HeadingLoop:
    """Sampled heading hold: cmd_omega_z += kp e + ki int e + kd (ref - omega_z) + ff cmd_v_y.

    The heading aimed at stays the same over the whole drive, so what is left of one pass is the
    start of the next.
    """

    kp: float  # [1/s]
    ki: float = 0.0  # [1/s^2]
    kd: float = 0.0  # [-]
    feedforward: float = 0.0  # [rad/m]
    loop_hz: float = 50.0
    delay: float = 0.02  # [s] age of heading and rate when the loop uses them
    yaw_noise: float = 3e-4  # [rad]
    gyro_noise: float = 2e-3  # [rad/s]
    limit: float = 2.0  # [rad/s] on the correction
    feedforward_acceleration: float = 0.0  # [rad s/m]
    rate_filter: float = 0.0  # [s] first-order lag on the rate
    fresh: bool = False  # integral set to zero while standing


@dataclass(frozen=True, kw_only=True)
class Trace:
    """What happened, at every tick of the simulation. n samples, w wheels."""

    t: Array  # (n,) [s]
    command: Array  # (n, 3) twist sent to the wheels, heading loop included
    segment: NDArray[np.int64]  # (n,)
    target: Array  # (n, w) [rad/s]
    volts: Array  # (n, w) at the drivers
    current: Array  # (n, w) [A]
    pose: Array  # (n, 7) position and quaternion of the geometric centre
    velocity: Array  # (n, 6) linear in the world, angular in the body
    acceleration: Array  # (n, 6) likewise
    angle: Array  # (n, w) [rad]
    speed: Array  # (n, w) [rad/s]
    load: Array  # (n, w) [N]


def drive(
    base: Base,
    faults: Faults,
    script: list[Step],
    *,
    loop: WheelLoop,
    rng: np.random.Generator,
    heading: HeadingLoop | None = None,
    command_hz: float = 100.0,
    step: float = STEP,
    phase: Array | None = None,
    simulation: Simulation | None = None,
    factors: Array | None = None,
) -> Trace:
    """Drive the script and keep every tick; `factors` multiply each wheel's target."""
    n_wheels = len(base.wheels)
    if phase is None:
        phase = rng.uniform(0, 2 * np.pi / base.rollers, n_wheels)
    sim = simulation or Simulation(base, faults, phase, step)
    hz = heading.loop_hz if heading else command_hz
    twist, segment = commands(script, TICK, hz)
    n = len(twist)
    rows = base.rows if factors is None else base.rows * np.asarray(factors)[:, None]
    ke, supply = base.motor.volts_per_rad_s, base.motor.supply
    encoder = sim.faults.encoder_sense
    assert encoder is not None
    data = sim.data
    angle0 = data.qpos[sim.wheel_qpos].copy()

    f32 = np.float32
    target, volts, current = (np.empty((n, n_wheels), f32) for _ in range(3))
    angle, speed = np.empty((n, n_wheels)), np.empty((n, n_wheels), f32)
    load = np.empty((n, n_wheels), f32)
    pose, velocity, acceleration = np.empty((n, 7)), np.empty((n, 6)), np.empty((n, 6))

    every = max(1, round(loop.period / TICK))
    integral = np.zeros(n_wheels)
    omega_seen = np.zeros(n_wheels)
    u = np.zeros(n_wheels)
    tick = max(1, round(1 / (hz * TICK)))
    lag = round(heading.delay / TICK) if heading else 0
    yaw_integral, correction, yaw_ref, rate_seen, v_before = 0.0, 0.0, 0.0, 0.0, 0.0
    smooth = 1 - np.exp(-every * TICK / 0.006)
    leak = np.exp(-every * TICK / 0.2)

    for k in range(n):
        if heading and k % tick == 0:
            j = max(0, k - 1 - lag)
            if k:
                q = pose[j]
                yaw = 2 * np.arctan2(q[6], q[3]) + heading.yaw_noise * rng.standard_normal()
                rate = velocity[j, 5] + heading.gyro_noise * rng.standard_normal()
            else:
                yaw = rate = 0.0
            wanted = twist[k, 2]
            yaw_ref += wanted * tick * TICK
            e = (yaw_ref - yaw + np.pi) % (2 * np.pi) - np.pi
            moving = bool(np.any(twist[k]))
            keep = np.exp(-tick * TICK / heading.rate_filter) if heading.rate_filter else 0.0
            rate_seen = keep * rate_seen + (1 - keep) * rate
            a_y = (twist[k, 1] - v_before) / (tick * TICK)
            v_before = float(twist[k, 1])
            if moving:
                yaw_integral += e * tick * TICK
                correction = float(
                    heading.kp * e
                    + heading.ki * yaw_integral
                    + heading.kd * (wanted - rate_seen)
                    + heading.feedforward * twist[k, 1]
                    + heading.feedforward_acceleration * a_y
                )
                correction = float(np.clip(correction, -heading.limit, heading.limit))
            else:
                correction = 0.0
                if heading.fresh:
                    yaw_integral = 0.0
        if heading:
            twist[k, 2] += correction
        if k % every == 0:
            goal = rows @ twist[k]
            u = ke * goal + loop.friction_volts * np.sign(goal)
            if loop.kp:
                seen = encoder * data.qvel[sim.wheel_dof]
                omega_seen += smooth * (seen - omega_seen)
                error = goal - omega_seen
                saturated = np.abs(u + loop.kp * error + integral) > supply
                integral += np.where(saturated, 0.0, loop.ki * error * every * TICK)
                integral *= np.where((goal == 0) & (np.abs(omega_seen) < 0.05), leak, 1.0)
                u = u + loop.kp * error + integral
            u = np.clip(u, -supply, supply)
        current[k] = sim.current(u)
        target[k], volts[k] = goal, u
        sim.advance(u)
        pose[k] = data.qpos[:7]
        velocity[k] = data.qvel[:6]
        acceleration[k] = data.qacc[:6]
        angle[k] = data.qpos[sim.wheel_qpos]
        speed[k] = data.qvel[sim.wheel_dof]
        load[k] = sim.wheel_load
    return Trace(
        t=(np.arange(n) + 1) * TICK, command=twist, segment=segment, target=target, volts=volts,
        current=current, pose=pose, velocity=velocity, acceleration=acceleration,
        angle=angle - angle0, speed=speed, load=load,
    )  # fmt: skip
