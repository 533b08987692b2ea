"""Gross faults found before the fit: wrong corner, reversed wheel, sliding, slope, gyro."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import compress

import numpy as np

from analyzer.balances import Group
from analyzer.dynamics import GRAVITY, Torques
from analyzer.imu import GYRO_WANDER
from analyzer.kinematics import odometry_matrix, plane_length
from analyzer.motion import (
    HARDLY_CARRIES,
    STRAIGHT,
    Motion,
    radius_factors,
    rolls_whole,
    speed_groups,
)
from analyzer.passes import span_sums
from analyzer.quantities import Estimate, mean_estimate
from analyzer.run import Pass, Run

LAUNCH_SOUND = 1.18
"""Rolled over true speed in the first 0.4 s of sideways starts, along the direction that is held better:
358 bench bases with grip lie within 0.95-1.07, those that slide above 1.3 [-]."""
SIDE_SHARE = 0.20
"""Sideways force over weight at the slower speed: bench bases 0.12-0.17, with a wheel of the wrong
hand or with all rollers stiff above 0.21 [-]."""
AHEAD_SHARE = 0.10
"""Force ahead over weight, all wheels added without their signs: bench bases 0.03-0.06, with one
wheel turning the wrong way above 0.12 [-]."""
AHEAD_SWING = 0.2
"""Turning ahead, per metre rolled, that only a wheel against the others makes [rad/m]: a stiff axle
makes 0.04."""
SLOPE_SHARE = 0.012
"""Force over weight that does not change sign with direction: 0.7 degrees of slope [-]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """A gross fault found before the fit, whose equations it would void."""

    cause: str
    wheel: str | None
    probability: float
    magnitude: Estimate
    evidence: str
    void: bool


def _launch_ratio(run: Run, passes: Sequence[Pass], rolled: np.ndarray) -> list[float]:
    """Rolled over true speed shortly after sideways starts, by accelerometer and by reference.

    Each lean of the rollers is looked at along the one direction that its wheels hold, and the one that
    holds better counts: on poor floor all wheels slide, on a base that rocks those of one lean do not.
    """
    lean = np.unique(np.round(np.tan(run.robot.roller_angle), 6))
    held = np.stack([np.ones(lean.size), lean], axis=1)
    if lean.size != 2 or np.any(run.robot.heading != 0):
        held = np.array([[0.0, 1.0]])
    still = np.zeros(run.t.size, dtype=bool)
    for p in passes:
        if p.kind == "rest":
            still[p.start : p.stop] = True
    sides = [p for p in passes if p.kind in {"left", "right"}]
    hard = [p for p in sides if p.hard_start]
    own = [
        p for p in hard or sides if min(p.start + round(0.4 / run.dt), p.stop - 1) - p.start >= 3
    ]
    start = np.array([p.start for p in own], dtype=int)
    last = np.array([p.stop for p in own], dtype=int) - 1

    def ratio(wheels: np.ndarray, base: np.ndarray) -> np.ndarray:
        seen = np.abs(wheels @ held.T) / np.maximum(np.abs(base @ held.T), 1e-2)
        return np.asarray(np.min(seen, axis=1))

    found = []
    if run.specific_force is not None and still.any():
        at_rest = np.median(run.specific_force[still, :2], axis=0)
        stop = np.minimum(start + round(0.4 / run.dt), last)
        gained = span_sums(run.specific_force[:, :2], start, stop)
        gained -= at_rest * (stop - start)[:, None]
        found.append(ratio(rolled[stop, :2], gained * run.dt))
    if run.reference is not None and run.yaw is not None:
        stop = np.minimum(start + round(0.6 / run.dt), last)
        x, y = (run.reference[stop, :2] - run.reference[start, :2]).T
        cosine, sine = np.cos(run.yaw[start]), np.sin(run.yaw[start])
        body = np.stack([cosine * x + sine * y, cosine * y - sine * x], axis=1)
        path = span_sums(rolled[:, :2], start, stop) * run.dt
        known = np.isfinite(body).all(axis=1) & (plane_length(path[:, 0], path[:, 1]) > 0.05)
        found.append(ratio(path[known], body[known]))
    return [float(np.median(v)) for v in found if v.size >= 2]


def _even_force(run: Run, motion: Motion, torques: Torques) -> np.ndarray:
    """Force over weight that keeps its sign when the direction changes: ahead and left."""
    robot = run.robot
    tangent = np.tan(robot.roller_angle)
    out = []
    for pair in (("left", "right"), ("ahead", "astern")):
        means = []
        for kind in pair:
            own = [
                (m.start, m.stop)
                for m in motion.passes
                if m.kind == kind and not m.hard_start and m.distance > 0.5
            ]
            if own:
                start, stop = np.array(own).T
                force = span_sums(torques.torque, start, stop) / (stop - start)[:, None]
                force = force.mean(axis=0) / robot.radius
                means.append(np.array([force.sum(), force @ tangent]))
        if len(means) == 2:
            out.append((means[0] + means[1]) / 2 / (robot.mass_kg * GRAVITY))
    if not out:
        return np.zeros(2)
    if len(out) == 1:
        result: np.ndarray = out[0]
        return result
    # Ahead the rollers stand still and carry side force: only the sideways passes tell that one.
    return np.array([(out[0][0] + out[1][0]) / 2, out[0][1]])


def find_gates(
    run: Run,
    passes: Sequence[Pass],
    motion: Motion,
    torques: Torques | None,
    groups: Sequence[Group],
) -> list[Gate]:
    """Look for gross faults: wrong corner, reversed wheel, sliding, slope, gyro.

    Parameters
    ----------
    run : Run
        The aligned run.
    passes : sequence of Pass
        Its passes.
    motion : Motion
        Its measured motion.
    torques : Torques or None
        Motor torques where known.
    groups : sequence of Group
        Passes by kind and speed; empty without motor torques.

    Returns
    -------
    list of Gate
        Each with its probability; `void` where the fit must not be believed.
    """
    robot = run.robot
    names = robot.wheel_names
    tangent = np.tan(robot.roller_angle)
    rolled = run.rolled
    out: list[Gate] = []
    odd = [n for n, s in zip(names, motion.rotation_sense, strict=True) if s == "reversed"]
    if len(odd) > len(names) / 2:
        odd = [n for n in names if n not in odd]
    odd = odd or _flipped(run, motion)
    unknown = Estimate.undetermined("", "a fault of mounting has no size")
    turned = {
        name: f"{name} turns against the base: taken the other way round, the wheels agree with how "
        "the base moves"
        for name in odd
    } or _fighting(run, groups)
    for name, evidence in turned.items():
        out.append(
            Gate(
                cause="rotation_reversed",
                wheel=name,
                probability=0.95 if odd else 0.9,
                magnitude=unknown,
                evidence=evidence,
                void=True,
            )
        )
    sides = [m for m in motion.passes if m.kind in {"left", "right"}]
    if sides and run.places:
        against = np.mean(
            [np.sign(m.path[1]) * np.sign(m.rolled[1]) for m in sides if abs(m.rolled[1]) > 0.1]
            or [1.0]
        )
    else:
        against = 1.0
        if run.specific_force is not None and sides:
            moving = np.zeros(run.t.size, dtype=bool)
            for p in passes:
                if p.kind in {"left", "right"}:
                    moving[p.start : p.stop] = True
            push = run.specific_force[moving, 1]
            gain = np.gradient(rolled[:, 1], run.dt)[moving]
            if gain.std() > 0.05 and push.std() > 0:
                against = float(np.corrcoef(push - push.mean(), gain)[0, 1])
    if against < -0.3 and not turned:
        out.append(
            Gate(
                cause="roller_lean_reversed",
                wheel=None,
                probability=0.95,
                magnitude=unknown,
                evidence="the base goes right when its wheels say left, and the other way round",
                void=True,
            )
        )
    share = 0.0
    if torques is not None and sides and against >= -0.3 and not turned:
        groups = [g for g in groups if g.kind == "side"]
        weight = robot.mass_kg * GRAVITY
        if groups:
            slow = groups[0]
            force = slow.torque / robot.radius
            share = float(np.abs(force).sum()) / weight
            row = robot.x * tangent - robot.y
            lever = float(np.mean(np.abs(row)))
            usual = 0.10 * weight
            if share > SIDE_SHARE:

                def misfit(flip: int | None) -> float:
                    t = tangent.copy()
                    if flip is not None:
                        t[flip] = -t[flip]
                    w = robot.x * t - robot.y
                    miss = 0.0
                    for g in groups:
                        f = g.torque / robot.radius
                        left, moment = float(f @ t), float(f @ w) / lever
                        miss += ((left - usual) / (0.06 * weight)) ** 2
                        miss += (moment / (0.04 * weight)) ** 2
                    return miss / len(groups)

                scores = np.array([misfit(k) for k in range(len(names))])
                best = int(np.argmin(scores))
                if misfit(None) > scores[best] + 8 and scores[best] < 30:
                    shares = np.exp(-0.5 * (scores - scores[best]))
                    probability = float(0.95 * shares[best] / shares.sum())
                    out.append(
                        Gate(
                            cause="roller_lean_reversed",
                            wheel=names[best],
                            probability=probability,
                            magnitude=unknown,
                            evidence=f"sideways the motors push {100 * share:.0f} % of the weight "
                            "against one another (12-17 % is usual); with the lean of "
                            f"{names[best]} turned the forces balance",
                            void=True,
                        )
                    )
                elif share > 1.25 * SIDE_SHARE:
                    out.append(
                        Gate(
                            cause="roller_drag",
                            wheel=None,
                            probability=0.85,
                            magnitude=Estimate.of(share * weight, 0.05 * share * weight, "N"),
                            evidence=f"sideways the motors push {100 * share:.0f} % of the weight "
                            "(12-17 % is usual), alike on all wheels",
                            void=False,
                        )
                    )
    ratios = _launch_ratio(run, passes, rolled)
    lean = any(g.cause in {"roller_lean_reversed", "rotation_reversed"} for g in out)
    if motion.sliding_pair and not lean and share < SIDE_SHARE:
        # The other pair holds, so it is not the floor. Where these wheels still carry a little, the fit
        # finds the radius that is to blame.
        if motion.held_least < HARDLY_CARRIES or torques is None:
            out.append(_rocking(run, motion, torques is not None))
    elif ratios and not lean and (torques is None or share < SIDE_SHARE):
        # Accelerometer and reference must agree that the wheels run ahead of the base.
        ratio = float(np.mean(ratios)) if min(ratios) > 1.09 else float(min(ratios))
        sliding = 1 / (1 + math.exp(-(ratio - LAUNCH_SOUND) / 0.02)) if ratio < 3 else 1.0
        if sliding > 0.02:
            out.append(
                Gate(
                    cause="low_grip",
                    wheel=None,
                    probability=0.96 * sliding,
                    magnitude=Estimate.of(ratio, 0.05 * ratio, ""),
                    evidence=f"in sideways starts the wheels run {ratio:.2f} times as fast as the "
                    "base (0.95-1.07 with grip)",
                    void=sliding > 0.5,
                )
            )
    if torques is not None and sides and not lean:
        even = _even_force(run, motion, torques)
        size = float(np.hypot(*even))
        if size > SLOPE_SHARE:
            towards = math.degrees(math.atan2(even[1], even[0]))
            out.append(
                Gate(
                    cause="floor_slope",
                    wheel=None,
                    probability=min(0.95, size / SLOPE_SHARE - 0.4),
                    magnitude=Estimate.of(math.degrees(math.asin(min(1.0, size))), 0.3, "°"),
                    evidence=f"{100 * size:.1f} % of the weight pulls the same way whatever the "
                    f"direction of travel (uphill at {towards:+.0f}° from ahead)",
                    void=False,
                )
            )
    out += _gyro_gates(run, motion, turns_roll=not lean)
    return out


def _rocking(run: Run, motion: Motion, forces_known: bool) -> Gate:
    """Two wheels of a diagonal slide: which radius is to blame, as far as the loaded ones tell.

    The larger of the two loaded wheels shows ahead and astern, where both hold. Where they are alike,
    one of the sliding wheels is smaller or sits higher, and nothing of theirs tells which.
    """
    robot = run.robot
    names = robot.wheel_names
    loaded = [k for k, name in enumerate(names) if name not in motion.sliding_pair]
    first, second = (names[k] for k in loaded)
    sliding = " and ".join(motion.sliding_pair)
    evidence = (
        f"sideways {sliding} turn much further than the base goes, while {first} and {second} hold: "
        f"{sliding} hardly carry"
    )
    rows = list(compress(motion.passes, rolls_whole(robot, motion.passes)))
    ratio = Estimate.undetermined("%", "needs passes ahead and astern")
    if len(rows) >= 2:
        factor = radius_factors(robot, rows)[0]
        away = 100 * (factor[:, loaded[0]] / factor[:, loaded[1]] - 1)
        ratio = mean_estimate(away, "%", floor=0.2)
    value, error = ratio.value, ratio.std_error
    if value is None or error is None or abs(value) < max(0.3, 2.5 * error):
        evidence += "; one of them is smaller or sits higher, or the floor is uneven"
        if not forces_known:
            evidence += ", or one wheel's rollers lean the other way: currents or volts would tell"
        return Gate(
            cause="undetermined",
            wheel=None,
            probability=0.9,
            magnitude=Estimate.undetermined("", "a wheel that slides does not show its radius"),
            evidence=evidence,
            void=True,
        )
    larger, smaller = (first, second) if value > 0 else (second, first)
    return Gate(
        cause="radius_mismatch",
        wheel=larger,
        probability=0.85 if forces_known else 0.75,
        magnitude=Estimate.of(abs(value), error, "%"),
        evidence=f"{evidence}; {larger} rolls {abs(value):.1f} % further a turn than {smaller}: a larger "
        "wheel makes the base rock on its diagonal",
        void=True,
    )


def _flipped(run: Run, motion: Motion) -> list[str]:
    """Wheel whose turning, taken the other way round, makes the wheels agree with the reference.

    A motor and encoder reversed together count as asked while the wheel turns astern.
    """
    size = np.array([1.0, 1.0, run.robot.size])
    rows = [m for m in motion.passes if np.isfinite(m.path).all()]
    if run.reference is None or len(rows) < 4:
        return []
    inverse = odometry_matrix(run.robot.matrix)
    path = np.array([m.path for m in rows]) * size
    turns = np.array([m.turns for m in rows])

    def misfit(flip: int | None) -> float:
        taken = turns.copy()
        if flip is not None:
            taken[:, flip] *= -1
        return float(np.sum((taken @ inverse.T * size - path) ** 2))

    plain = misfit(None)
    flipped = [misfit(k) for k in range(turns.shape[1])]
    best = int(np.argmin(flipped))
    if plain > 0.15 * float(np.sum(path**2)) and flipped[best] < 0.4 * plain:
        return [run.robot.wheel_names[best]]
    return []


def _fighting(run: Run, groups: Sequence[Group]) -> dict[str, str]:
    """Without a reference: the wheel that works against the others when the base goes ahead.

    Rollers that lean the wrong way do not show ahead; a wheel that turns the wrong way, its encoder
    with it, slides there at the limit of grip, more than any other, and swings the base round to its
    own side.
    """
    ahead = next((g for g in groups if g.kind == "ahead"), None)
    if ahead is None or run.gyro_z is None or ahead.path <= 0:
        return {}
    robot = run.robot
    force = ahead.torque / robot.radius / (robot.mass_kg * GRAVITY)
    swing = float(ahead.twist[2]) / ahead.path
    share = float(np.abs(force).sum())
    if not (share > AHEAD_SHARE and abs(swing) > AHEAD_SWING):
        return {}
    wheel = int(np.argmax(np.abs(force)))
    if robot.y[wheel] * swing <= 0:
        return {}
    name = robot.wheel_names[wheel]
    return {
        name: f"going ahead the motors push {100 * share:.0f} % of the weight (3-6 % is usual), the base "
        f"swings {math.degrees(swing):+.0f} °/m while the wheels say straight, and {name} on that side "
        "pushes hardest"
    }


def _gyro_trend(motion: Motion, run: Run) -> tuple[float, float]:
    """Change of the gyro's bias from first to last pass against the wheels, and its error. [rad/s]

    What the base turns by slipping goes with the direction of a pass at its speed, or alike both
    ways with the speed; a bias goes with neither.
    """
    rows = [m for m in motion.passes if m.kind in STRAIGHT and not m.hard_start]
    if len(rows) < 8:
        return 0.0, math.inf
    rate = np.array([(m.path[2] - m.rolled[2]) / (m.t_end - m.t_start) for m in rows])
    middle = np.array([(m.t_start + m.t_end) / 2 for m in rows])
    columns = [np.ones(len(rows)), middle - middle.mean(), np.array([m.speed for m in rows])]
    for plus, minus in (("ahead", "astern"), ("left", "right")):
        sign = np.array([(m.kind == plus) - (m.kind == minus) for m in rows], dtype=float)
        own = np.flatnonzero(sign)
        for group in speed_groups(np.array([rows[i].speed for i in own]), 1.5) if own.size else []:
            column = np.zeros(len(rows))
            column[own[group]] = sign[own[group]]
            columns.append(column)
    design = np.stack(columns, axis=1)
    if not np.all(np.isfinite(rate)) or len(rows) < design.shape[1] + 3:
        return 0.0, math.inf
    solution, _, rank, _ = np.linalg.lstsq(design, rate, rcond=None)
    if rank < design.shape[1]:
        return 0.0, math.inf
    rest = rate - design @ solution
    variance = float(rest @ rest) / (len(rows) - design.shape[1])
    error = math.sqrt(variance * float(np.linalg.inv(design.T @ design)[1, 1]))
    span = float(np.ptp(middle))
    return float(solution[1]) * span, error * span


def _gyro_gates(run: Run, motion: Motion, *, turns_roll: bool) -> list[Gate]:
    if run.gyro_z is None:
        return []
    turns = [m for m in motion.passes if m.kind.startswith("turn_") and abs(m.rolled[2]) > 1.0]
    why, size = "", Estimate.undetermined("", "see the findings")
    scale = run.imu.get("gyro_scale")
    bias = run.imu.get("gyro_bias_rad_s")
    share = 0.0
    if run.gyro_stuck is not None and run.gyro_stuck.any():
        moving = np.max(np.abs(run.wheel_speed), axis=1) > 0.5
        share = float(np.mean(run.gyro_stuck[moving])) if moving.any() else 0.0
    if share > 0.1:
        why = f"the gyro does not change in {100 * share:.0f} % of the driving time"
    elif scale is not None and scale.value is not None and scale.std_error is not None:
        if abs(scale.value - 1) > 0.015 + 3 * scale.std_error:
            why = f"the gyro reads {100 * (scale.value - 1):+.1f} % against the reference heading"
            size = scale
    elif turns and turns_roll and run.yaw_source == "gyro":
        ratio = float(np.median([m.path[2] / m.rolled[2] for m in turns]))
        if not 0.85 < ratio < 1.12:
            why = f"in turns the gyro shows {ratio:.2f} of what the wheels roll (0.95-1.0 is usual)"
            size = Estimate.of(ratio, 0.03, "")
        else:
            change, error = _gyro_trend(motion, run)
            if abs(change) > max(2 * GYRO_WANDER, 5 * error):
                why = (
                    f"over the recording the gyro gains {math.degrees(change):+.2f} ± "
                    f"{2 * math.degrees(error):.2f} °/s against the wheels, whichever way the base goes"
                )
                size = Estimate.of(change, error, "rad/s")
    if not why and any(f.channel == "omega_z" and "wanders" in f.text for f in run.findings):
        why = next(f.text for f in run.findings if "wanders" in f.text)
        if bias is not None:
            size = bias
    if not why:
        return []
    return [
        Gate(
            cause="gyro_fault",
            wheel=None,
            probability=0.93,
            magnitude=size,
            evidence=why,
            void=False,
        )
    ]
