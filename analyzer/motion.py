"""What the base does: distances, yaw drift, closure, creep, slip, radii, lever, per pass.

Every figure is first worked out per pass, then averaged over passes: the pass is the
observation. Repeats that start alike share the rollers' phase, so each mean carries a floor.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import compress
from typing import overload

import numpy as np

from analyzer.kinematics import cosine_and_sine, odometry_matrix, plane_length
from analyzer.passes import span_sums
from analyzer.quantities import (
    Estimate,
    Finding,
    RecordingError,
    mean_estimate,
    quantile,
    student_quantile,
)
from analyzer.robot import Robot
from analyzer.run import TURNS, Pass, Run

SIDEWAYS = ("left", "right")
NO_CREEP = "needs an odometry reference or a tape; the wheels cannot see it"
HARDLY_CARRIES = 0.5
"""Share of its turning that a sliding wheel of a rocking base holds, below which neither its radius nor
the balance of forces can be had: bench bases with 0.66 and more were told right, one with 0.17 not [-]."""
NO_HEADING = "needs a gyro, a heading or an odometry reference; wheels alone show the rolled part"
STRAIGHT = ("left", "right", "ahead", "astern")
KIND_OF_SLIP = {
    "left": "left",
    "right": "right",
    "ahead": "ahead",
    "astern": "astern",
    "turn_left": "turn",
    "turn_right": "turn",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionConfig:
    """Floors and limits of the estimates, each with unit and origin."""

    yaw_floor: float = math.radians(0.05)
    """Shared bias of repeated passes [rad/m]: bench work saw up to 0.35 deg/m from the rollers'
    phase in the even part, a seventh of it in the median group."""
    yaw_floor_share: float = 0.01
    """Share of the drift that repeats do not show [-]."""
    path_floor: float = 0.6e-3
    """Shared bias of closure and creep per metre [m/m]: roller phase, bench work."""
    radius_floor: float = 0.9e-3
    """Relative radius: error of the rolling model with standing rollers [-], bench work."""
    creep_coefficient: float = 0.15
    """Creep speed over rolling speed, per force over load [-]: bench work, within 1.4."""
    speed_gap: float = 1.25
    """Ratio between neighbouring speeds above which they are different speeds [-]."""
    shortest_path: float = 0.3
    """Shortest straight pass that is measured [m]."""
    pose_window: float = 0.12
    """Time over which the reference is averaged at each end of a pass [s]."""


DEFAULT = MotionConfig()


@dataclass(frozen=True, slots=True, kw_only=True)
class PassMotion:
    """What one pass did.

    Attributes
    ----------
    kind : str
        Kind of the pass.
    start, stop : int
        Its grid indices, half open, as those of its `Pass`.
    t_start, t_end : float
        Time span. [s]
    hard_start : bool
        Whether it is a hard start, kept out of the drift figures.
    speed : float
        Median speed of the cruise as really driven: m/s, for turns rad/s.
    distance : float
        Straight distance between its ends. [m]
    path : ndarray, shape (3,)
        Path ahead and left along the turning body, heading change. [m, m, rad]
    rolled : ndarray, shape (3,)
        The same from the wheels by nominal rolling. [m, m, rad]
    turns : ndarray, shape (w,)
        Angle that each wheel turned. [rad]
    closure : float
        Path of the front wheels less that of the rear wheels that rolling forbids. [m]
    measured : bool
        Whether `path` is from a reference or a tape, not from the wheels.
    rest_share : ndarray, shape (w,)
        Mean motor torque over radius and load, signed by travel; NaN without motor data. [-]
    current, volt : ndarray, shape (w,)
        Mean current and voltage of the cruise; NaN where not logged. [A, V]
    battery : float
        Mean battery voltage; NaN where not logged. [V]
    command : float
        Median commanded speed of the cruise, m/s, for turns rad/s; NaN where not logged.
    """

    kind: str
    start: int
    stop: int
    t_start: float
    t_end: float
    hard_start: bool
    speed: float
    distance: float
    path: np.ndarray
    rolled: np.ndarray
    turns: np.ndarray
    closure: float
    measured: bool
    rest_share: np.ndarray
    current: np.ndarray
    volt: np.ndarray
    battery: float
    command: float

    @property
    def drift(self) -> float:
        """Heading change per metre. [rad/m]"""
        return float(self.path[2]) / self.distance

    @property
    def rolled_drift(self) -> float:
        """Part of the drift that the wheels rolled. [rad/m]"""
        return float(self.rolled[2]) / self.distance


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftBySpeed:
    """Yaw drift [rad/m] and creep [mm/m] of one kind of pass at one speed."""

    kind: str
    speed: float
    count: int
    total: Estimate
    rolled: Estimate
    slipped: Estimate
    creep: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """All estimates of how the base moves; see the words in README.md for their meaning."""

    passes: tuple[PassMotion, ...]
    by_speed: tuple[DriftBySpeed, ...]
    yaw_drift: dict[str, dict[str, Estimate]]
    closure: dict[str, Estimate]
    creep: dict[str, Estimate]
    arc_radius: dict[str, Estimate]
    sideways_ratio: Estimate
    yaw_lever: Estimate
    effective_radius: Estimate
    relative_radius: tuple[Estimate, ...]
    wheel_radius: tuple[Estimate, ...]
    slip_ratio: tuple[dict[str, Estimate], ...]
    roller_lean: tuple[str, ...]
    rotation_sense: tuple[str, ...]
    mounting_yaw: Estimate
    findings: tuple[Finding, ...]
    sliding_pair: tuple[str, ...] = ()
    """Two wheels of one diagonal that slide sideways while the other two hold."""
    held_least: float = 1.0
    """Way of the base over what the wheel turned, for the wheel that slides most sideways [-]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TapedPass:
    """One row of a taped or hand-timed table.

    Attributes
    ----------
    number : int
        Number of the pass, from 1.
    ahead, left : float
        Path. [m]
    turn : float
        Turn, counter-clockwise; NaN where it was not measured. [rad]
    seconds : float
        Time by hand; NaN where none was taken. [s]
    """

    number: int
    ahead: float
    left: float
    turn: float
    seconds: float = math.nan


@overload
def slip_ratio(rolled: float, true: float) -> float: ...
@overload
def slip_ratio(rolled: np.ndarray, true: np.ndarray) -> np.ndarray: ...
def slip_ratio(rolled: float | np.ndarray, true: float | np.ndarray) -> float | np.ndarray:
    """Longitudinal slip ratio: driving positive, free rolling 0, locked wheel -1.

    Parameters
    ----------
    rolled : float or ndarray
        Path or speed at the wheel's rim, radius times turning. [m or m/s]
    true : float or ndarray
        Path or speed that rolling without slip would need; of the same shape. [m or m/s]

    Returns
    -------
    float or ndarray
        (rolled - true) / true; NaN where `true` is zero (the low-speed case is not defined).

    Notes
    -----
    SAE J670e (1976), "longitudinal slip" in the driving-positive sense, also ISO 8855:2011.
    Some texts turn the sign around so that lock is +1; this one does not.
    """
    above, below = np.asarray(rolled - true, float), np.asarray(true, float)
    ratio = np.divide(above, below, out=np.full(below.shape, math.nan), where=below != 0)
    return ratio if ratio.ndim else float(ratio)


def _straight(run: Run, start: np.ndarray, stop: np.ndarray, config: MotionConfig) -> np.ndarray:
    """Straight distance between the poses before and after each pass; NaN where one is not known. [m]

    Poses are averaged over a short window outside the pass.
    """
    assert run.reference is not None
    n = run.t.size
    w = max(1, round(config.pose_window / run.dt))
    place = run.reference[:, :2]
    known = np.isfinite(place).all(axis=1)
    if not known.all():
        place = np.where(known[:, None], place, 0.0)
    poses = []
    for a, b in ((np.maximum(start - w, 0), start + 1), (stop - 1, np.minimum(stop + w, n))):
        count = span_sums(known, a, b)
        with np.errstate(invalid="ignore"):
            poses.append(span_sums(place, a, b) / count[:, None])
    distance: np.ndarray = np.hypot(*(poses[1] - poses[0]).T)
    return distance


@dataclass(frozen=True, slots=True)
class _Travel:
    """Path in the turning body frame, added up over the samples at which the pose is known."""

    known: np.ndarray
    path: np.ndarray

    @classmethod
    def of(cls, run: Run) -> _Travel:
        assert run.reference is not None
        assert run.yaw is not None
        pose, yaw = run.reference[:, :2], run.yaw
        known = np.flatnonzero(np.isfinite(pose[:, 0] + pose[:, 1] + yaw))
        x, y, turned = pose[known, 0], pose[known, 1], yaw[known]
        ahead, left = np.diff(x), np.diff(y)
        cosine, sine = cosine_and_sine((turned[1:] + turned[:-1]) / 2)
        path = np.zeros((known.size, 2))
        np.cumsum(cosine * ahead + sine * left, out=path[1:, 0])
        np.cumsum(cosine * left - sine * ahead, out=path[1:, 1])
        return cls(known, path)

    def between(self, a: np.ndarray, b: np.ndarray) -> np.ndarray:
        """Paths ahead and left over samples a to b, shape (m, 2); NaN where an end is not known."""
        if not self.known.size:
            return np.full((a.size, 2), math.nan)
        first, last = np.searchsorted(self.known, a), np.searchsorted(self.known, b)
        begins = self.known[np.minimum(first, self.known.size - 1)]
        gone = (last - first < 3) | (begins > a + 2) | (self.known[last - 1] < b - 3)
        path: np.ndarray = self.path[last - 1] - self.path[np.where(gone, 0, first)]
        path[gone] = math.nan
        return path


def closure_row(run: Run) -> np.ndarray:
    """Row that turns wheel angles into closure path. [m]

    Parameters
    ----------
    run : Run
        The run, for its robot.

    Returns
    -------
    ndarray, shape (w,)
        For four wheels (r, r, -r, -r) in the order FL, FR, RL, RR: the path of FL + FR - RL - RR.
        For other bases the front-against-rear pattern, less what rolling explains; zeros where
        three wheels leave no closure.
    """
    robot = run.robot
    front = np.sign(robot.x) * robot.radius
    matrix = robot.matrix
    row: np.ndarray = front - (front @ matrix) @ odometry_matrix(matrix)
    size = np.linalg.norm(front)
    if robot.x.size == 3 or np.linalg.norm(row) < 1e-6 * size:
        return np.zeros_like(row)
    return row * (4.0 / robot.x.size)


def _torque_share(
    run: Run, current: np.ndarray, volt: np.ndarray, start: np.ndarray, stop: np.ndarray
) -> np.ndarray:
    """Motor torque over radius and static load of each pass and wheel, from its mean current or volts."""
    robot = run.robot
    w = robot.x.size
    if not robot.has_motor or (run.current is None and run.volt is None):
        return np.full(current.shape, math.nan)
    if run.current is not None:
        torque = robot.torque_per_ampere * current
    else:
        speed = _span_means(run.wheel_speed, start, stop, w)
        drop = volt - robot.volts_per_rad_s * speed
        torque = robot.torque_per_ampere * drop / robot.resistance_ohm
    load = robot.mass_kg * 9.81 / w
    share: np.ndarray = torque / robot.radius / load
    return share


def _span_means(
    values: np.ndarray | None, start: np.ndarray, stop: np.ndarray, width: int
) -> np.ndarray:
    if values is None:
        return np.full((start.size, width), math.nan)
    sums = span_sums(values, start, stop).reshape(start.size, width)
    return sums / (stop - start)[:, None]


def measure_passes(
    run: Run,
    passes: Sequence[Pass],
    taped: Sequence[TapedPass] = (),
    config: MotionConfig = DEFAULT,
) -> tuple[PassMotion, ...]:
    """Work out what every pass did.

    Parameters
    ----------
    run : Run
        The aligned run.
    passes : sequence of Pass
        Its passes; rests are left out of the answer.
    taped : sequence of TapedPass
        Measurements by tape that stand in for the reference, by number of the pass from 1.
    config : MotionConfig
        Floors and limits.

    Returns
    -------
    tuple of PassMotion
        One for each movement that lies in valid data, in order of time.
    """
    robot = run.robot
    inverse = odometry_matrix(robot.matrix)
    closing = closure_row(run)
    asked = None
    if run.command is not None and np.any(run.command):
        asked = plane_length(run.command[:, 0], run.command[:, 1]), np.abs(run.command[:, 2])
    tape = {row.number: row for row in taped}
    ratio = _sideways_guess(run)
    travel = None if run.reference is None or run.yaw is None else _Travel.of(run)
    n = run.t.size
    moves = [(k, p) for k, p in enumerate((p for p in passes if p.kind != "rest"), start=1)]
    start = np.array([p.start for _, p in moves], dtype=int)
    stop = np.minimum(np.array([p.stop for _, p in moves], dtype=int), n - 1)
    whole = span_sums(~run.valid, start, stop) == 0
    moves = [m for m, good in zip(moves, whole, strict=True) if good]
    start, stop = start[whole], stop[whole]
    # Cruise of each pass, two samples at the least.
    from_ = np.array([p.cruise_start for _, p in moves], dtype=int)
    to = np.array([max(p.cruise_stop, p.cruise_start + 2) for _, p in moves], dtype=int)
    every_turns = run.wheel_angle[stop] - run.wheel_angle[start]
    every_rolled = every_turns @ inverse.T
    cruise_rolled = (run.wheel_angle[to - 1] - run.wheel_angle[from_]) @ inverse.T
    heading = np.full(start.size, math.nan)
    body = cruise_body = np.full((start.size, 2), math.nan)
    straight = heading
    if run.yaw is not None:
        heading = run.yaw[stop] - run.yaw[start]
    if travel is not None:
        body, cruise_body = travel.between(start, stop), travel.between(from_, to)
        straight = _straight(run, start, stop, config)
    w = robot.x.size
    current = _span_means(run.current, from_, to, w)
    volt = _span_means(run.volt, from_, to, w)
    battery = _span_means(run.battery, from_, to, 1)[:, 0]
    share = _torque_share(run, current, volt, from_, to)
    path = np.column_stack([body, heading])
    distance = straight.copy()
    measured = np.isfinite(path[:, :2]).all(axis=1) & np.isfinite(distance)
    # Without a reference the wheels' own path stands in, sideways less the usual loss.
    bare = ~measured
    path[bare, :2] = every_rolled[bare, :2] * (1.0, ratio)
    bend = np.abs(np.nan_to_num(heading[bare])) / 2
    distance[bare] = plane_length(*path[bare, :2].T) * np.abs(np.sinc(bend / math.pi))
    for k, (number, _) in enumerate(moves):
        if number in tape:
            row = tape[number]
            path[k, :2] = (row.ahead, row.left)
            if math.isfinite(row.turn):
                path[k, 2] = row.turn
            distance[k], measured[k] = math.hypot(row.ahead, row.left), True
    turning = np.array([p.kind in TURNS for _, p in moves], dtype=bool)
    speed = np.array([p.speed for _, p in moves])
    span = (to - 1 - from_) * run.dt
    posed = measured & (travel is not None) & ~turning
    known = posed & np.isfinite(cruise_body[:, 0]) & (span > 0.2)
    speed[known] = plane_length(*cruise_body[known].T) / span[known]
    along = plane_length(every_rolled[:, 0], every_rolled[:, 1] * ratio)
    rolls = ~posed & ~turning & (along > 0) & (span > 0)
    rim, true, turned = (plane_length(*v[rolls, :2].T) for v in (cruise_rolled, path, every_rolled))
    speed[rolls] = rim / span[rolls] * true / np.maximum(turned, 1e-9)
    closure = every_turns @ closing
    begins, ends = run.t[start].tolist(), run.t[stop].tolist()
    out = []
    for k, (_, p) in enumerate(moves):
        out.append(
            PassMotion(
                kind=p.kind,
                start=p.start,
                stop=p.stop,
                t_start=begins[k],
                t_end=ends[k],
                hard_start=p.hard_start,
                speed=float(speed[k]),
                distance=float(distance[k]),
                path=path[k],
                rolled=every_rolled[k],
                turns=every_turns[k],
                closure=float(closure[k]),
                measured=bool(measured[k]),
                rest_share=share[k],
                current=current[k],
                volt=volt[k],
                battery=float(battery[k]),
                command=math.nan
                if asked is None
                else quantile(asked[p.kind.startswith("turn_")][from_[k] : to[k]], 0.5),
            )
        )
    return tuple(out)


def _sideways_guess(run: Run) -> float:
    """Sideways path per rolled path without a reference: sin(pi/N) / (pi/N) for N rollers."""
    rollers = run.robot.rollers
    if np.all(rollers >= 3):
        corner = math.pi / float(np.mean(rollers))
        return math.sin(corner) / corner
    return 0.98


def speed_groups(speeds: np.ndarray, gap: float) -> list[np.ndarray]:
    """Group passes of about one speed.

    Parameters
    ----------
    speeds : ndarray, shape (n,)
        Speeds of the passes.
    gap : float
        Ratio between neighbours above which a new group begins.

    Returns
    -------
    list of ndarray of int
        Indices into `speeds`, slowest group first.
    """
    order = np.argsort(speeds)
    if order.size == 0:
        return []
    ranked = speeds[order]
    cuts = np.flatnonzero(ranked[1:] > gap * np.maximum(ranked[:-1], 1e-6)) + 1
    return [np.asarray(g) for g in np.split(order, cuts)]


def _ratio(
    top: np.ndarray, path: np.ndarray, unit: str, scale: float, floor: float, share: float = 0.0
) -> Estimate:
    """Sum over sum, with the error of the passes' scatter and a floor."""
    good = np.isfinite(top) & np.isfinite(path) & (path > 0)
    top, path = top[good], path[good]
    if top.size == 0:
        return Estimate.undetermined(unit, "no such pass in this recording")
    value = float(top.sum() / path.sum())
    each = mean_estimate(top / path, unit, floor=math.hypot(floor, share * abs(value)))
    if each.std_error is None or each.high is None or each.value is None:
        return Estimate.undetermined(unit, "a single pass has no scatter; drive at least three")
    half = each.high - each.value
    return Estimate(
        value=value * scale,
        std_error=each.std_error * scale,
        unit=unit,
        low=(value - half) * scale,
        high=(value + half) * scale,
    )


def describe_motion(
    run: Run,
    passes: Sequence[Pass],
    taped: Sequence[TapedPass] = (),
    config: MotionConfig = DEFAULT,
) -> Motion:
    """Estimate how the base moves, with intervals over passes.

    Parameters
    ----------
    run : Run
        The aligned run.
    passes : sequence of Pass
        Its passes.
    taped : sequence of TapedPass
        Measurements by tape in place of a reference.
    config : MotionConfig
        Floors and limits.

    Returns
    -------
    Motion
        All estimates; what the recording does not excite is undetermined, with the reason.

    Raises
    ------
    RecordingError
        Where no pass is found at all.
    """
    measured = measure_passes(run, passes, taped, config)
    if not measured:
        raise RecordingError(
            f"{', '.join(run.robot.wheel_names)}: no pass found in {run.t[-1]:.1f} s: the wheels "
            "never drive the base for longer than a third of a second in whole data. Check the "
            "wheel channels with `crabwise inspect`, or record passes"
        )
    findings: list[Finding] = []
    if not run.places and not taped:
        findings.append(
            Finding(
                severity="note",
                channel="ref_x",
                text="no odometry reference: distances are the wheels' own (sideways times "
                f"{_sideways_guess(run):.3f}), so radii are relative only and creep, sideways "
                "ratio and slip ratio are not measured",
            )
        )
    absolute = run.places or bool(taped)
    groups = {
        kind: [
            m
            for m in measured
            if m.kind == kind and not m.hard_start and m.distance >= config.shortest_path
        ]
        for kind in STRAIGHT
    }
    by_speed: list[DriftBySpeed] = []
    same_speed: dict[str, list[list[PassMotion]]] = {kind: [] for kind in STRAIGHT}
    for kind in STRAIGHT:
        rows = groups[kind]
        for index in speed_groups(np.array([m.speed for m in rows]), config.speed_gap):
            chosen = [rows[i] for i in index]
            by_speed.append(_drift(kind, chosen, absolute, config))
            same_speed[kind].append(chosen)
    yaw_drift, closure, creep, arc = {}, {}, {}, {}
    for kind in SIDEWAYS:
        rows = groups[kind]
        speeds = same_speed[kind]
        floors = (config.yaw_floor, config.yaw_floor_share)
        turned = {
            "total": _heading_change,
            "rolled": _rolled_change,
            "slipped": lambda m: _heading_change(m) - _rolled_change(m),
        }
        yaw_drift[kind] = {
            part: _pooled(speeds, of, "°/m", 180 / math.pi, *floors) for part, of in turned.items()
        }
        if rows and run.yaw is None and not taped:
            unknown = Estimate.undetermined("°/m", NO_HEADING)
            yaw_drift[kind] |= {"total": unknown, "slipped": unknown}
        if run.robot.x.size == 3:
            closure[kind] = Estimate.undetermined("mm/m", "three wheels leave no closure")
        else:
            closure[kind] = _pooled(speeds, lambda m: m.closure, "mm/m", 1e3, config.path_floor)
        creep[kind] = (
            _pooled(speeds, lambda m: float(m.path[0]), "mm/m", 1e3, config.path_floor)
            if absolute
            else Estimate.undetermined("mm/m", NO_CREEP)
        )
        arc[kind] = _arc(yaw_drift[kind]["total"])
    sideways = [m for k in SIDEWAYS for m in groups[k]]
    if absolute and sideways:
        ratio = mean_estimate(np.array([m.path[1] / m.rolled[1] for m in sideways]), "", floor=5e-4)
    else:
        ratio = Estimate.undetermined(
            "", "needs sideways passes and an odometry reference or a tape"
        )
    lever = _lever(run, measured, absolute)
    held = _held(run, [m for k in SIDEWAYS for m in groups[k]]) if absolute else None
    pair = () if held is None else _sliding_pair(run, held)
    least = 1.0 if held is None else float(held.min())
    if held is not None and pair:
        slide = " and ".join(run.robot.wheel_names[k] for k in pair)
        carry = " and ".join(n for k, n in enumerate(run.robot.wheel_names) if k not in pair)
        findings.append(
            Finding(
                severity="warning",
                channel="",
                text=f"sideways the base goes {100 * held[list(pair)].min():.0f} % of the way that {slide} "
                f"turn, and {100 * held.max():.0f} % of the way that {carry} turn: {slide} carry little, "
                "the base rocks on a diagonal",
            )
        )
    common, relative, each = _radii(
        run,
        groups,
        absolute,
        config,
        [m for m in measured if m.kind == "diagonal" and m.distance >= config.shortest_path],
        pair,
        hardly=least < HARDLY_CARRIES,
    )
    return Motion(
        passes=measured,
        by_speed=tuple(by_speed),
        yaw_drift=yaw_drift,
        closure=closure,
        creep=creep,
        arc_radius=arc,
        sideways_ratio=ratio,
        yaw_lever=lever,
        effective_radius=common,
        relative_radius=relative,
        wheel_radius=each,
        slip_ratio=_slip(run, measured, absolute),
        roller_lean=_lean(run, groups, measured),
        rotation_sense=_sense(run, groups),
        mounting_yaw=_mounting(run, passes),
        findings=tuple(findings),
        sliding_pair=tuple(run.robot.wheel_names[k] for k in pair),
        held_least=least,
    )


def _held(run: Run, rows: Sequence[PassMotion]) -> np.ndarray | None:
    """Way that each wheel should have turned for what the base did sideways, over what it turned."""
    turned = np.array([m.turns for m in rows])
    if len(rows) < 4 or len({m.kind for m in rows}) < 2 or np.any(np.abs(turned) < 1.0):
        return None
    held: np.ndarray = np.median(
        np.array([m.path for m in rows]) @ run.robot.matrix.T / turned, axis=0
    )
    return held


def _sliding_pair(run: Run, held: np.ndarray) -> tuple[int, ...]:
    """Wheels of one diagonal that slide on sideways passes while those of the other hold.

    A rigid base on four wheels of which one is larger or sits lower stands on a diagonal, and the other
    two wheels hardly carry: they turn further than the base goes. Wheels of bench bases hold 0.93 to
    0.97 of what they turn; on poor floor all of them less; with radii that differ by 1 to 2 % one
    diagonal 0.96 to 1.00 and the other 0.15 to 0.93.
    """
    lean = np.sign(run.robot.roller_angle)
    for sign in (1, -1):
        loaded, other = held[lean == sign], held[lean == -sign]
        if loaded.size != 2 or other.size != 2:
            continue
        if loaded.min() > 0.95 and loaded.max() < 1.06 and other.max() < 0.9:
            return tuple(int(k) for k in np.flatnonzero(lean == -sign))
    return ()


def _heading_change(m: PassMotion) -> float:
    return float(m.path[2])


def _rolled_change(m: PassMotion) -> float:
    return float(m.rolled[2])


def _drift(
    kind: str, rows: Sequence[PassMotion], absolute: bool, config: MotionConfig
) -> DriftBySpeed:
    distance = np.array([m.distance for m in rows])

    def part(values: np.ndarray) -> Estimate:
        return _ratio(values, distance, "rad/m", 1.0, config.yaw_floor, config.yaw_floor_share)

    total = np.array([m.path[2] for m in rows])
    rolled = np.array([m.rolled[2] for m in rows])
    unknown = Estimate.undetermined("rad/m", NO_HEADING)
    seen = bool(np.isfinite(total).any())
    return DriftBySpeed(
        kind=kind,
        speed=float(np.median([m.speed for m in rows])),
        count=len(rows),
        total=part(total) if seen else unknown,
        rolled=part(rolled),
        slipped=part(total - rolled) if seen else unknown,
        creep=(
            _ratio(np.array([m.path[0] for m in rows]), distance, "mm/m", 1e3, config.path_floor)
            if absolute and kind in SIDEWAYS
            else Estimate.undetermined("mm/m", NO_CREEP if kind in SIDEWAYS else "sideways only")
        ),
    )


def _pooled(
    speeds: Sequence[Sequence[PassMotion]],
    of: Callable[[PassMotion], float],
    unit: str,
    scale: float,
    floor: float,
    share: float = 0.0,
) -> Estimate:
    """All speeds together, sum over sum: the scatter counts within a speed only.

    What passes do differs between speeds for good reason; that difference is no error of the mean.
    """
    rows = [
        (float(of(m)) / m.distance, m.distance, k)
        for k, chosen in enumerate(speeds)
        for m in chosen
        if math.isfinite(of(m)) and m.distance > 0
    ]
    if not rows:
        return Estimate.undetermined(unit, "no such pass in this recording")
    each, path, group = (np.array(column) for column in zip(*rows, strict=True))
    weight = path / path.sum()
    value = float(weight @ each)
    dof = each.size - np.unique(group).size
    if dof < 1:
        # No repeat shows the scatter: a wide floor stands in.
        return Estimate.of(value * scale, 3 * math.hypot(floor, share * abs(value)) * scale, unit)
    spread = 0.0
    for k in np.unique(group):
        own = each[group == k]
        spread += float(np.sum((own - own.mean()) ** 2))
    scatter = math.sqrt(spread / dof * float(weight @ weight))
    still = math.hypot(floor, share * abs(value))
    half = math.hypot(student_quantile(0.975, dof) * scatter, student_quantile(0.975, 1e9) * still)
    return Estimate(
        value=value * scale,
        std_error=math.hypot(scatter, still) * scale,
        unit=unit,
        low=(value - half) * scale,
        high=(value + half) * scale,
    )


def _arc(drift: Estimate) -> Estimate:
    """Radius of the arc: one over the yaw drift; undetermined where that may be zero."""
    if drift.value is None or drift.low is None or drift.high is None or drift.std_error is None:
        return Estimate.undetermined("m", drift.why)
    if drift.low <= 0 <= drift.high:
        return Estimate.undetermined("m", "straight within the uncertainty of the yaw drift")
    turn = math.radians(drift.value)
    return Estimate(
        value=1 / turn,
        std_error=math.radians(drift.std_error) / turn**2,
        unit="m",
        low=1 / math.radians(drift.high),
        high=1 / math.radians(drift.low),
    )


def _lever(run: Run, measured: Sequence[PassMotion], absolute: bool) -> Estimate:
    """Yaw lever from the turns: nominal lever times rolled over true yaw."""
    if run.yaw is None:
        return Estimate.undetermined("m", "needs a gyro, a heading or an odometry reference")
    rows = [m for m in measured if m.kind.startswith("turn_") and abs(m.path[2]) > math.radians(60)]
    if len(rows) < 2:
        return Estimate.undetermined(
            "m", "needs turns on the spot of 60° and more, at least two, both ways"
        )
    values = np.array([m.rolled[2] / m.path[2] for m in rows])
    scale = mean_estimate(values, "", floor=1.5e-3)
    return scale.scaled(nominal_lever(run.robot), "m")


def nominal_lever(robot: Robot) -> float:
    """Yaw lever that the robot file's numbers give.

    Parameters
    ----------
    robot : Robot
        The base.

    Returns
    -------
    float
        Mean of |x tan(roller angle) - y| over the wheels that drive straight ahead: l_x + l_y for
        rollers that lean the right way (Lynch & Park, *Modern Robotics*, eq. 13.10). [m]
    """
    row = robot.x * np.tan(robot.roller_angle + 0.0) - robot.y
    direct = robot.heading == 0
    return float(np.mean(np.abs(row[direct]))) if direct.any() else robot.size


def joint_radii(
    robot: Robot, rows: Sequence[PassMotion]
) -> tuple[Estimate, tuple[Estimate, ...], tuple[Estimate, ...]] | None:
    """Effective radii of wheels that point in several directions.

    Parameters
    ----------
    robot : Robot
        The base.
    rows : sequence of PassMotion
        Passes with a measured path, in two directions or more.

    Returns
    -------
    tuple or None
        Common radius, radius of each wheel over their mean, radius of each wheel; None where the
        passes do not tell the unknowns apart.

    Notes
    -----
    Least squares over passes p and wheels i of r_i theta_pi = row_i R(psi) path_p, row_i being the
    rolling row times the nominal radius (Lynch & Park, eq. 13.5), psi the heading at which the
    reference is mounted. Errors from the residual, n - w - 1 degrees of freedom.
    """
    rows = [m for m in rows if np.isfinite(m.path).all()]
    w = robot.x.size
    dof = w * len(rows) - w - 1
    if len(rows) < 2 or dof < 2:
        return None
    matrix = robot.matrix * robot.radius[:, None]
    turns = np.array([m.turns for m in rows])
    paths = np.array([m.path for m in rows])

    def turned(psi: float) -> np.ndarray:
        cosine, sine = math.cos(psi), math.sin(psi)
        spin = np.array([[cosine, -sine, 0], [sine, cosine, 0], [0, 0, 1.0]])
        return paths @ spin.T @ matrix.T

    def residual(x: np.ndarray) -> np.ndarray:
        return (turns * x[:w] - turned(float(x[w]))).ravel()

    starts = np.radians(np.arange(0, 360, 15))
    best = min(starts, key=lambda q: float(np.sum(residual(np.append(robot.radius, q)) ** 2)))
    x = np.append(robot.radius, best)
    jacobian = np.zeros((turns.size, w + 1))
    for _ in range(30):
        here = residual(x)
        for k in range(w):
            jacobian[:, k] = (turns * np.eye(w)[k]).ravel()
        jacobian[:, w] = (residual(x + np.eye(w + 1)[w] * 1e-6) - here) / 1e-6
        change = np.linalg.lstsq(jacobian, -here, rcond=None)[0]
        x = x + change
        if np.abs(change).max() < 1e-10:
            break
    scaled = jacobian * np.append(robot.radius, 1.0)
    if np.linalg.cond(scaled) > 1e3 or np.any(x[:w] <= 0):
        return None
    variance = float(np.sum(residual(x) ** 2)) / dof
    covariance = variance * np.linalg.inv(jacobian.T @ jacobian)
    mean = float(x[:w].mean())
    common = Estimate.of(mean, math.sqrt(float(covariance[:w, :w].sum())) / w, "m", dof=dof)
    relative, each = [], []
    for k in range(w):
        pick = (np.eye(w)[k] - x[k] / (w * mean)) / mean
        error = math.sqrt(float(pick @ covariance[:w, :w] @ pick))
        relative.append(Estimate.of(float(x[k] / mean), error, "", dof=dof))
        each.append(Estimate.of(float(x[k]), math.sqrt(float(covariance[k, k])), "m", dof=dof))
    return common, tuple(relative), tuple(each)


def radius_factors(
    robot: Robot, rows: Sequence[PassMotion], config: MotionConfig = DEFAULT
) -> tuple[np.ndarray, np.ndarray]:
    """Effective over nominal radius of each wheel, pass by pass ahead or astern.

    There the rollers stand still and each wheel rolls like an ordinary one:
    r_i (1 + e_i) theta_i = X - y_i Psi + creep. Wheels that push against one another creep by
    coefficient * force / load, which motor currents (or volts) tell; without them half of an
    unequal radius may hide in creep, so the error is widened by it.

    Parameters
    ----------
    robot : Robot
        The base.
    rows : sequence of PassMotion
        Passes ahead or astern, one and more.
    config : MotionConfig
        Creep coefficient and floors.

    Returns
    -------
    factor : ndarray, shape (n, w)
        Effective over nominal radius; absolute only where a reference was there. [-]
    creep_error : ndarray, shape (w,)
        Standard error from creep. [-]
    """
    paths = np.array([m.path for m in rows])
    rim = np.array([m.turns for m in rows]) * robot.radius
    yaw = np.where(np.isfinite(paths[:, 2]), paths[:, 2], np.array([m.rolled[2] for m in rows]))
    hub = paths[:, :1] - robot.y * yaw[:, None]
    share = np.array([m.rest_share for m in rows]) * np.sign(paths[:, :1])
    if np.isfinite(share).all():
        away = share - share.mean(axis=1, keepdims=True)
        hub = hub * (1 + config.creep_coefficient * away)
        creep_error = 0.4 * config.creep_coefficient * np.abs(away).mean(axis=0)
    else:
        creep_error = np.full(robot.x.size, 0.0025)
    return hub / rim, creep_error


def rolls_whole(robot: Robot, rows: Sequence[PassMotion]) -> np.ndarray:
    """Whether every wheel took part in a pass ahead or astern, so that its radius shows.

    Parameters
    ----------
    robot : Robot
        The base.
    rows : sequence of PassMotion
        Passes.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where each rim covered 0.3 of the distance and more and all wheels point ahead.
    """
    straight = np.array([m.kind in {"ahead", "astern"} for m in rows], dtype=bool)
    if np.any(robot.heading != 0):
        return np.zeros_like(straight)
    rim = np.abs(np.array([m.turns for m in rows]).reshape(-1, robot.x.size) * robot.radius)
    whole = rim > 0.3 * np.array([m.distance for m in rows]).reshape(-1, 1)
    return straight & whole.all(axis=1)


def wheel_slips(robot: Robot, rows: Sequence[PassMotion]) -> np.ndarray:
    """Slip ratio of each wheel, pass by pass.

    Parameters
    ----------
    robot : Robot
        The base.
    rows : sequence of PassMotion
        Passes.

    Returns
    -------
    ndarray, shape (n, w)
        As `slip_ratio`; NaN where rolling would ask for less than 0.1 m of this wheel.
    """
    true = np.array([m.path for m in rows]).reshape(-1, 3) @ robot.matrix.T * robot.radius
    rim = np.array([m.turns for m in rows]).reshape(true.shape) * robot.radius
    return np.where(np.abs(true) > 0.1, slip_ratio(rim, true), math.nan)


def _radii(
    run: Run,
    groups: dict[str, list[PassMotion]],
    absolute: bool,
    config: MotionConfig,
    diagonal: list[PassMotion],
    pair: tuple[int, ...] = (),
    *,
    hardly: bool = False,
) -> tuple[Estimate, tuple[Estimate, ...], tuple[Estimate, ...]]:
    """Effective radii from the straight passes ahead and astern.

    `pair` are wheels that slide sideways, `hardly` tells that they carry next to nothing.
    """
    robot = run.robot
    w = robot.x.size

    def refused(why: str) -> tuple[Estimate, tuple[Estimate, ...], tuple[Estimate, ...]]:
        nothing = Estimate.undetermined("m", why)
        return nothing, (Estimate.undetermined("", why),) * w, (nothing,) * w

    rows = [m for k in ("ahead", "astern") for m in groups[k]]
    why = "needs straight passes ahead or astern"
    if np.any(robot.heading != 0) and absolute:
        joint = joint_radii(robot, [m for kind in STRAIGHT for m in groups[kind]] + diagonal)
        if joint is not None:
            return joint
    if np.any(robot.heading != 0) and rows:
        why = "wheels that do not point ahead are told apart by all kinds of passes only"
    rows = list(compress(rows, rolls_whole(robot, rows)))
    if len(rows) < 2:
        return refused(why)
    factor, creep_error = radius_factors(robot, rows, config)
    if pair and (hardly or np.any(np.abs(factor[:, pair].mean(axis=0) - 1) > 0.015)):
        names = " and ".join(robot.wheel_names[k] for k in pair)
        return refused(
            f"{names} slide and carry too little: what they turn does not tell their radius"
        )
    paths = np.array([m.path for m in rows])
    extra = config.radius_floor
    relative = factor / factor.mean(axis=1, keepdims=True)
    each_relative = []
    for k in range(w):
        floor = math.hypot(extra, float(creep_error[k]))
        each_relative.append(mean_estimate(relative[:, k], "", floor=floor))
    if not absolute:
        unknown = Estimate.undetermined(
            "m", "absolute size needs an odometry reference or a tape; relative sizes are given"
        )
        return unknown, tuple(each_relative), (unknown,) * w
    forward = np.array([m.rolled[0] for m in rows])
    nominal = float(robot.radius.mean())
    common = mean_estimate(paths[:, 0] / forward * nominal, "m", floor=3e-4 * nominal)
    each = []
    for k in range(w):
        floor = math.hypot(extra, float(creep_error[k])) * float(robot.radius[k])
        each.append(mean_estimate(factor[:, k] * robot.radius[k], "m", floor=floor))
    return common, tuple(each_relative), tuple(each)


def _slip(
    run: Run, measured: Sequence[PassMotion], absolute: bool
) -> tuple[dict[str, Estimate], ...]:
    robot = run.robot
    soft = [m for m in measured if not m.hard_start]
    each = [
        (KIND_OF_SLIP.get(m.kind), s) for m, s in zip(soft, wheel_slips(robot, soft), strict=True)
    ]
    unseen = Estimate.undetermined(
        "", "needs an odometry reference or a tape; the wheels cannot see it"
    )
    names = ("left", "right", "ahead", "astern", "turn")
    return tuple(
        {
            name: mean_estimate(np.array([v[k] for n, v in each if n == name]), "", floor=1e-3)
            if absolute
            else unseen
            for name in names
        }
        for k in range(robot.x.size)
    )


def _sense(run: Run, groups: dict[str, list[PassMotion]]) -> tuple[str, ...]:
    """Rotation sense: in passes ahead and astern every wheel must turn as its direction asks."""
    rows = [m for k in ("ahead", "astern") for m in groups[k]]
    w = run.robot.x.size
    ahead = run.robot.matrix[:, 0] * run.robot.radius
    gone = np.array([m.path[0] if math.isfinite(m.path[0]) else m.rolled[0] for m in rows])
    turns = np.array([m.turns for m in rows]).reshape(-1, w)
    distance = np.array([m.distance for m in rows]).reshape(-1, 1)
    far = np.abs(turns * run.robot.radius) > 0.2 * distance
    with_base = np.sign(turns * ahead * gone[:, None])
    out = []
    for k in range(w):
        if run.robot.wheel_names[k] in run.reversed_wheels:
            out.append("reversed")
            continue
        own = with_base[far[:, k], k]
        if abs(ahead[k]) <= 0.2 or own.size < 2:
            out.append("undetermined")
        elif np.mean(own) < -0.5:
            out.append("reversed")
        else:
            out.append("as described")
    return tuple(out)


def _lean(
    run: Run, groups: dict[str, list[PassMotion]], measured: Sequence[PassMotion]
) -> tuple[str, ...]:
    """Roller lean from the sideways passes: does each wheel turn as its lean asks?

    A single wheel in the wrong corner is forced by its controller to turn as asked; that case
    is for the force balance of the diagnosis, which has the last word.
    """
    rows = [m for k in SIDEWAYS for m in groups[k] if np.isfinite(m.path[1])]
    w = run.robot.x.size
    if not rows:
        return ("undetermined",) * w
    matrix = run.robot.matrix
    out = []
    for k in range(w):
        if abs(matrix[k, 1] * run.robot.radius[k]) < 0.2:
            out.append("as described")
            continue
        same = np.mean(
            [np.sign(m.turns[k]) * np.sign(m.path[1]) * np.sign(matrix[k, 1]) for m in rows]
        )
        out.append("reversed" if same < -0.5 else "as described")
    return tuple(out)


def _mounting(run: Run, passes: Sequence[Pass]) -> Estimate:
    """Yaw of the accelerometer's axes against the robot's, from ramps ahead and astern."""
    force = run.specific_force
    if force is None:
        return Estimate.undetermined("°", "no accelerometer in this recording")
    ramped = [
        p
        for p in passes
        if p.kind in {"ahead", "astern"}
        and min(p.cruise_start - p.start, p.stop - p.cruise_stop) >= 5
    ]

    edges = [(p.start, p.cruise_start, p.cruise_stop, p.stop) for p in ramped]
    a, b, c, d = np.array(edges, dtype=int).reshape(-1, 4).T
    push = (_span_means(force[:, :2], a, b, 2) - _span_means(force[:, :2], c, d, 2)).T
    push *= [1.0 if p.kind == "ahead" else -1.0 for p in ramped]
    push = push[:, plane_length(*push) > 0.3]
    if push.shape[1] < 3:
        return Estimate.undetermined("°", "needs three brisk starts ahead or astern")
    # From the direction of their sum, so that none jumps by a turn.
    middle = math.atan2(float(push[1].sum()), float(push[0].sum()))
    across = math.cos(middle) * push[1] - math.sin(middle) * push[0]
    along = math.cos(middle) * push[0] + math.sin(middle) * push[1]
    values = np.degrees(middle + np.arctan2(across, along))
    return mean_estimate(values, "°", floor=0.3)
