"""What to drive next, in the order that removes most doubt per minute; sheets for the workshop.

The doubt is reckoned with a small linear model: unknowns with the spread they may have, and what
one pass of each kind would measure of them on this base (rolling matrix, force balance). What has
been recorded already counts as measured.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analyzer.kinematics import odometry_matrix
from analyzer.quantities import RobotFileError
from analyzer.robot import Robot
from analyzer.sheets import plan_html, service_html
from analyzer.stability import GRAVITY, TipLimit, centre_from_loads, tip_limits

__all__ = [
    "make_plan",
    "plan_html",
    "roller_lines",
    "service_html",
    "service_sheet",
    "stability_note",
    "wheel_directions",
]

SCHEMA = "crabwise-plan/1"

CAUTIONS = (
    "Clear and level floor, nobody and nothing in the way; a way to stop the robot at hand.",
    "First every motion slowly. Look on blocks that every wheel turns the right way before driving.",
    "Hands away from wheels and rollers while the battery is connected: pinch points.",
    "Lift with two people or a jack; batteries and loads secured before every pass.",
    "Local rules and trained people come first.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanConfig:
    """Speeds, repeats and the spreads of the doubt model, each with unit and origin."""

    slow: float = 0.3
    """Slow speed [m/s]: fast enough not to stall, bench work."""
    fast: float = 0.7
    """Fast speed [m/s]: more than twice the slow one, so that drag and speed come apart."""
    slow_turn: float = 1.2
    """Slow turn rate [rad/s]."""
    fast_turn: float = 2.5
    """Fast turn rate [rad/s]: force on the mass grows with its square; bench work."""
    turn_seconds: float = 10.0
    """Length of a turn [s]; bench work."""
    distance: float = 2.0
    """Length of a straight pass [m]."""
    acceleration: float = 1.0
    """Acceleration of ordinary passes [m/s^2]."""
    hard: float = 3.0
    """Acceleration of hard starts [m/s^2]; bench work."""
    lift_share: float = 0.5
    """Largest share of the acceleration at which a wheel lifts [-]; common practice, no source."""
    pause: float = 8.0
    """Stop, look, place anew, between passes [s]; common practice, no source."""
    repeats: int = 3
    """Repeats of ordinary passes: fewest that show a scatter with some certainty."""
    hard_repeats: int = 4
    """Hard starts to each side; bench work asks for eight in all."""
    drift_prior: float = 10.0
    """Yaw drift that a base may have [deg/m]; bench work."""
    drift_scatter: float = 0.3
    """Scatter of one pass's yaw drift [deg/m]; bench work."""
    drift_floor: float = 0.05
    """What repeats of it share [deg/m], as in `motion`."""
    drag_share: float = 0.065
    """Roller drag of a sound wheel over its load [-]; bench work."""
    axle_share: float = 0.025
    """Axle drag of a sound wheel, at the rim, over its load [-]; bench work."""
    torque_scatter: float = 0.1
    """Scatter of a wheel's torque in one pass, over its normal drag [-]; bench work."""
    torque_floor: float = 0.15
    """What repeats of it share [-]: 0.3 % of the weight sideways; bench work."""
    start_scatter: float = 0.03
    """Centre of mass from one sideways start and stop, times its acceleration [m * m/s^2]; from
    bench work."""
    start_floor: tuple[float, float] = (0.0035, 0.0017)
    """What repeats of it share, in `power` and `wheel_speed` mode [m]; bench work, on wheels that
    stand 0.244 m from the middle."""
    turn_scatter: float = 0.05
    """Centre of mass from one turn of 10 s, times the turn rate squared [m / s^2]; bench work."""
    turn_floor: tuple[tuple[float, float], tuple[float, float]] = (
        (0.0035, 0.0026),
        (0.0055, 0.0036),
    )
    """What repeats share for c_x and c_y, in `power` and `wheel_speed` mode [m]; bench work."""
    zero_prior: float = 0.1
    """Zero of a current sensor, over the torque of normal drag [-]; common practice, no source."""
    rise_prior: float = 0.3
    """Rise of roller drag from 0 to 0.5 m/s, over the drag [-]: grease; common practice, no
    source."""
    gain_prior: float = 0.03
    """Spread of torque per ampere between wheels [-]."""
    open_limit: float = 0.02
    """Share of the doubt below which a step is not worth its time [-]."""


DEFAULT = PlanConfig()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    """A candidate: passes both ways of one kind at one speed."""

    key: str
    title: str
    kinds: tuple[str, ...]
    speed: float
    acceleration: float
    repeats: int
    seconds: float
    how: str
    tells: str


def _candidates(robot: Robot, hard: float, config: PlanConfig) -> list[_Step]:
    def straight(key: str, title: str, kinds: tuple[str, ...], speed: float, tells: str) -> _Step:
        seconds = config.distance / speed + speed / config.acceleration
        return _Step(
            key=key, title=title, kinds=kinds, speed=speed, acceleration=config.acceleration,
            repeats=config.repeats, seconds=seconds,
            how=f"{config.distance:.1f} m there, stop, the same way back; push the base on by a "
            "third of a roller before each repeat, so that other rollers touch the floor",
            tells=tells,
        )  # fmt: skip

    def turn(key: str, title: str, rate: float, tells: str) -> _Step:
        return _Step(
            key=key, title=title, kinds=("turn_left", "turn_right"), speed=rate, acceleration=1.0,
            repeats=1, seconds=config.turn_seconds,
            how=f"{config.turn_seconds:.0f} s on the spot, stop, the same the other way round",
            tells=tells,
        )  # fmt: skip

    lever = float(np.mean(np.abs(robot.matrix[:, 2] * robot.radius)))
    step_rate = min(1.0, 0.25 / lever)
    return [
        straight("sideways_slow", "left and right, slow", ("left", "right"), config.slow,
            "how far it arcs where drag weighs most; with the fast passes: drag against speed",
        ),
        straight("sideways_fast", "left and right, fast", ("left", "right"), config.fast,
            "how far it arcs, closure, creep, which wheel drags",
        ),
        straight("straight_slow", "ahead and astern, slow", ("ahead", "astern"), config.slow,
            "axle drag without rollers, at a second speed",
        ),
        straight("straight_fast", "ahead and astern, fast", ("ahead", "astern"), config.fast,
            "radii; stiff axles and weak motors, because the rollers stand still",
        ),
        turn("turn_slow", "turns on the spot, slow", config.slow_turn,
            "friction in turns, so that the force on the mass stands out in the fast ones",
        ),
        turn("turn_fast", "turns on the spot, fast", config.fast_turn,
            "place of the mass by its centrifugal force, yaw lever",
        ),
        _Step(
            key="hard_starts", title="hard starts sideways", kinds=("left", "right"),
            speed=config.fast, acceleration=hard, repeats=config.hard_repeats,
            seconds=2 * config.fast / hard + 0.6,
            how=f"full speed within {config.fast / hard:.1f} s, hold half a second, stop as hard; "
            "left and right in turn",
            tells="mass ahead or astern of the middle, by the turn that starts bring; grip",
        ),
        _Step(
            key="turn_steps", title="steps of the turn rate", kinds=("turn_left", "turn_right"),
            speed=step_rate, acceleration=math.inf, repeats=3, seconds=2.0,
            how=f"command {step_rate:.2f} rad/s at once, hold 1 s, command 0 at once, hold 1 s; then "
            "the other way round; the same at half and at one and a half times that rate, so that "
            "drag is told from gain. Heading hold off; log the command with the gyro",
            tells="gain, lag and delay of the yaw loop: what heading-hold gains rest on",
        ),
    ]  # fmt: skip


class _Doubt:
    """Linear model of what passes tell of what is not known; spreads over prior spreads."""

    def __init__(self, robot: Robot, torque: bool, config: PlanConfig) -> None:
        w = robot.x.size
        t = robot.tolerance
        self.robot, self.torque, self.config = robot, torque, config
        self.names: list[str] = []
        self.group: list[str] = []
        prior: list[float] = []

        def add(group: str, names: Sequence[str], spread: float) -> None:
            self.names += names
            self.group += [group] * len(names)
            prior.extend([spread] * len(names))

        wheels = [f" {n}" for n in robot.wheel_names]
        # Three tolerances each: what an unsound base may show.
        add("yaw drift, slow", ["drift slow left", "drift slow right"], config.drift_prior)
        add("yaw drift, fast", ["drift fast left", "drift fast right"], config.drift_prior)
        add("centre of mass ahead or astern", ["c_x"], 3 * robot.centre_tolerance)
        add("centre of mass left or right", ["c_y"], 3 * robot.centre_tolerance)
        add("roller drag of each wheel", ["rollers" + n for n in wheels], 3 * t.roller_drag_share)
        add("axle drag of each wheel", ["axle" + n for n in wheels], 3 * t.axle_drag_share)
        add("motor of each wheel", ["motor" + n for n in wheels], 3 * t.motor_resistance_share)
        add("radius of each wheel", ["radius" + n for n in wheels], 3 * t.relative_radius)
        add("yaw lever and turning", ["lever"], 0.05)
        add("lag of the yaw loop", ["lag"], 0.1)
        add("", ["gain" + n for n in wheels], config.gain_prior)
        add("", ["drag in all rollers"], 0.3)
        add("", ["zero" + n for n in wheels], config.zero_prior)
        add("", ["rise" + n for n in wheels], config.rise_prior)
        self.prior = np.array(prior)
        self.information = np.diag(1 / self.prior**2)
        self.w = w
        if robot.scale_loads_kg is not None:
            for name in ("c_x", "c_y"):
                k = self.names.index(name)
                self.information[k, k] += 1 / 0.003**2

    def shares(self, information: np.ndarray) -> dict[str, float]:
        """Share of the prior standard deviation left, a group each."""
        left = np.sqrt(np.diag(np.linalg.inv(information))) / self.prior
        groups = list(dict.fromkeys(g for g in self.group if g))
        owner = np.array(self.group)
        return {g: float(left[owner == g].mean()) for g in groups}

    def gain(self, step: _Step, count: int) -> np.ndarray:
        """Information of `count` repeats each way."""
        total = np.zeros((self.prior.size, self.prior.size))
        for kind in step.kinds:
            rows, scatter, floor = self._measured(step, kind)
            if not rows.size:
                continue
            variance = scatter**2 / max(count, 1) + floor**2
            total += rows.T @ (rows / variance[:, None])
        return total

    def _measured(self, step: _Step, kind: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Derivatives of a pass's measures by the unknowns, their scatter, what repeats share."""
        c = self.config
        size = self.prior.size
        index = {n: k for k, n in enumerate(self.names)}
        rows: list[np.ndarray] = []
        errors: list[tuple[float, float]] = []

        def measure(parts: dict[str, float], scatter: float, floor: float) -> None:
            row = np.zeros(size)
            for name, value in parts.items():
                row[index[name]] = value
            rows.append(row)
            errors.append((scatter, floor))

        turning = kind.startswith("turn_")
        held = self.robot.drive_mode == "wheel_speed"
        scale = self.robot.size / 0.244
        if step.key == "turn_steps":
            measure({"lag": 1.0}, 0.02, 0.005)
            measure({"lever": 1.0}, 0.01, 0.005)
            return _stacked(rows, errors)
        if turning:
            measure({"lever": 1.0}, 0.003, 0.0015)
        elif kind in {"left", "right"} and step.key != "hard_starts":
            pace = "slow" if step.speed < 0.5 * (c.slow + c.fast) else "fast"
            measure({f"drift {pace} {kind}": 1.0}, c.drift_scatter, c.drift_floor)
        if kind in {"ahead", "astern"}:
            for n in self.robot.wheel_names:
                measure({f"radius {n}": 1.0}, 0.001, 0.001)
        if not self.torque:
            return _stacked(rows, errors)
        if turning:
            for name, floor in zip(("c_x", "c_y"), c.turn_floor[held], strict=True):
                measure({name: 1.0}, scale * c.turn_scatter / step.speed**2, scale * floor)
        elif kind in {"left", "right"}:
            scatter = scale * c.start_scatter / step.acceleration
            measure({"c_x": 1.0}, scatter, scale * c.start_floor[held])
        if step.key != "hard_starts":
            self._torques(step, kind, measure)
        return _stacked(rows, errors)

    def _torques(self, step: _Step, kind: str, measure: Any) -> None:
        """Torques of the wheels in the cruise: least-squares share of the force balance."""
        c, robot = self.config, self.robot
        way = {
            "left": (0, 1, 0), "right": (0, -1, 0), "ahead": (1, 0, 0), "astern": (-1, 0, 0),
            "turn_left": (0, 0, 1), "turn_right": (0, 0, -1),
        }[kind]  # fmt: skip
        v = np.array(way, dtype=float) * step.speed
        mean_drag = c.drag_share * robot.mass_kg * GRAVITY / self.w * float(robot.radius.mean())
        base = self._torque(v, {})
        at = 1e-3
        slopes = {
            n: (self._torque(v, {n: at}) - base) / at
            for n in self.names
            if n.split()[0] in {"rollers", "rise", "axle", "drag"}
        }
        for k, wheel in enumerate(robot.wheel_names):
            parts = {n: float(s[k]) for n, s in slopes.items()}
            parts |= {f"gain {wheel}": float(base[k]), f"zero {wheel}": mean_drag}
            measure(parts, c.torque_scatter * mean_drag, c.torque_floor * mean_drag)
            if abs(base[k]) > 0.1 * mean_drag:
                measure({f"motor {wheel}": 1.0}, 0.05, 0.03)

    def _torque(self, v: np.ndarray, off: dict[str, float]) -> np.ndarray:
        c, robot = self.config, self.robot
        load = robot.mass_kg * GRAVITY / self.w * np.ones(self.w)

        def share(part: str) -> np.ndarray:
            return np.array([off.get(f"{part} {n}", 0.0) for n in robot.wheel_names])

        # Rollers roll across their free direction's normal; on an omniwheel along the axle.
        lean = robot.heading + robot.roller_angle
        free = np.stack(
            [-np.sin(lean), np.cos(lean), robot.x * np.cos(lean) + robot.y * np.sin(lean)], axis=1
        )
        sliding = free @ v
        drag = c.drag_share * load * (1 + off.get("drag in all rollers", 0.0))
        drag = drag * (1 + share("rollers")) * (1 + share("rise") * np.abs(sliding) / 0.5)
        force = free.T @ (drag * np.tanh(sliding / 0.01))
        axle = c.axle_share * load * robot.radius * (1 + share("axle"))
        rubbed = axle * np.tanh((robot.matrix @ v) / 0.05)
        torque: np.ndarray = odometry_matrix(robot.matrix).T @ force + rubbed
        return torque


def _stacked(
    rows: list[np.ndarray], errors: list[tuple[float, float]]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    e = np.array(errors).reshape(-1, 2)
    return np.array(rows), e[:, 0], e[:, 1]


def _seen(results: Sequence[dict[str, Any]], step: _Step, config: PlanConfig) -> int:
    """Passes of a step's kind and speed that are recorded already, fewest of both ways.

    What counts as fast: above the geometric middle of the recorded speeds where they differ by
    more than 1.6 : 1, else above the middle of the planned ones.
    """
    hard, turning = step.key == "hard_starts", step.kinds[0].startswith("turn_")
    slow, fast = (config.slow_turn, config.fast_turn) if turning else (config.slow, config.fast)
    counts = []
    for kind in step.kinds:
        rows = [
            p for r in results for p in r["passes"] if p["kind"] == kind and p["hard_start"] == hard
        ]
        if step.key == "turn_steps":
            counts.append(sum(p["t_end"] - p["t_start"] < 2.5 for p in rows))
            continue
        if hard:
            counts.append(len(rows))
            continue
        speeds = [
            abs(p["commanded_speed"] or p["speed_m_per_s"] or p["turn_rate_rad_per_s"] or 0.0)
            for p in rows
        ]
        speeds = [v for v in speeds if v > 0]
        middle = math.sqrt(slow * fast)
        if speeds and max(speeds) > 1.6 * min(speeds):
            middle = math.sqrt(min(speeds) * max(speeds))
        counts.append(sum((v > middle) == (step.speed > math.sqrt(slow * fast)) for v in speeds))
    return min(counts)


def stability_note(robot: Robot) -> dict[str, Any]:
    """How hard the base may be accelerated before a wheel lifts.

    Parameters
    ----------
    robot : Robot
        Base; needs the height of its centre of mass (``centre_height_m`` or ``[tilt]``).

    Returns
    -------
    dict
        ``limits``: list of {direction, first_lift_m_per_s2, wheel, tip_m_per_s2}, empty where the
        height is not known; ``centre_m`` {x, y, from}; ``height_m``; ``text``.
    """
    centre, source = np.zeros(2), "middle of the wheels (not weighed)"
    if robot.scale_loads_kg is not None:
        centre = np.array(centre_from_loads(robot.x, robot.y, robot.scale_loads_kg))
        source = "corner scales"
    out: dict[str, Any] = {
        "centre_m": {"x": float(centre[0]), "y": float(centre[1]), "from": source},
        "height_m": robot.centre_height_m,
        "height_error_m": robot.centre_height_error_m,
        "limits": [],
    }
    if robot.centre_height_m is None:
        out["text"] = (
            "Height of the centre of mass is not known, so nobody can say how hard this base may be "
            "accelerated before a wheel lifts. Measure it by raising one axle ([tilt] in the robot "
            "file), or give centre_height_m."
        )
        return out
    limits = tip_limits(robot.x, robot.y, centre, robot.centre_height_m)
    out["limits"] = [
        {
            "direction": t.direction,
            "first_lift_m_per_s2": t.first_lift,
            "wheel": robot.wheel_names[t.wheel],
            "tip_m_per_s2": t.tip,
        }
        for t in limits
    ]
    side = _sideways(limits)
    out["text"] = (
        f"Speeding up sideways by {side.first_lift:.1f} m/s² lifts wheel "
        f"{robot.wheel_names[side.wheel]} (level floor, rigid frame, grip allowing); stay below half "
        "of it. Braking counts the other way round. Local rules and trained people come first."
    )
    return out


def _sideways(limits: Sequence[TipLimit]) -> TipLimit:
    return min((t for t in limits if t.direction in {"left", "right"}), key=lambda t: t.first_lift)


def make_plan(
    robot: Robot, recorded: Sequence[Any] = (), *, config: PlanConfig = DEFAULT
) -> dict[str, Any]:
    """Passes to drive next, those that remove most doubt per minute first.

    Parameters
    ----------
    robot : Robot
        The base.
    recorded : sequence of dict or RunAnalysis
        Results of what has been recorded so far (schema ``crabwise-result/1``).
    config : PlanConfig
        Speeds, repeats and spreads.

    Returns
    -------
    dict
        Schema ``crabwise-plan/1``, ready for JSON: ``steps[]`` {order, key, title, kinds, speed,
        unit, acceleration_m_per_s2, repeats, recorded, minutes, floor_m {length, width}, how,
        tells, decides[], doubt_removed, doubt_removed_per_minute}; ``enough[]``: the same of what is
        recorded well enough; ``doubt`` {question: share left of what was open at first} before and
        after; ``minutes``; ``wheel_directions[]``; ``channels[]``; ``stability``; ``cautions[]``.

    Notes
    -----
    Each step's information is J' S^-1 J with J the derivatives of what it measures and S its
    scatter over repeats plus what repeats share; steps are chosen one by one by the fall of the mean
    share of spread (standard deviation) left,
    per minute (greedy design of experiments). Spreads: `PlanConfig`.
    """
    results = [getattr(r, "result", r) for r in recorded]
    note = stability_note(robot)
    hard = config.hard
    limited = ""
    if note["limits"]:
        side = min(
            t["first_lift_m_per_s2"] for t in note["limits"] if t["direction"] in {"left", "right"}
        )
        if config.lift_share * side < hard:
            hard = max(0.5, config.lift_share * side)
            limited = f" (kept to {hard:.1f} m/s², half of what would lift a wheel)"
    torque = robot.has_motor and (not results or any(_has_current(r) for r in results))
    model = _Doubt(robot, robot.has_motor, config)
    past = _Doubt(robot, torque, config)
    steps = _candidates(robot, hard, config)
    info = model.information.copy()
    counts = {s.key: _seen(results, s, config) for s in steps}
    for s in steps:
        if counts[s.key]:
            info = info + past.gain(s, counts[s.key])
    first = model.shares(info)
    drift = _known_drift(results)
    todo = list(steps)
    chosen: list[dict[str, Any]] = []
    enough: list[dict[str, Any]] = []
    while todo:
        rated = []
        now = model.shares(info)
        for s in todo:
            after = model.shares(info + model.gain(s, s.repeats))
            fall = sum(now.values()) - sum(after.values())
            rated.append((fall / len(now) / _minutes(s, config), fall / len(now), s, after))
        rate, fall, s, after = max(rated, key=lambda r: r[0])
        entry = _entry(robot, s, counts[s.key], drift, config)
        entry |= {
            "doubt_removed": fall,
            "doubt_removed_per_minute": rate,
            "decides": _decides(now, after),
        }
        if s.key == "hard_starts":
            entry["how"] += limited
        if fall < config.open_limit and counts[s.key] >= min(2, s.repeats):
            enough.append(entry)
        else:
            chosen.append({"order": len(chosen) + 2, **entry})
            info = info + model.gain(s, s.repeats)
        todo.remove(s)
    rest = {
        "order": 1,
        "key": "rest",
        "title": "rest",
        "kinds": ["rest"],
        "speed": 0.0,
        "unit": "m/s",
        "acceleration_m_per_s2": 0.0,
        "repeats": 1,
        "recorded": sum(p["kind"] == "rest" for r in results for p in r["passes"]),
        "minutes": 0.2,
        "floor_m": {"length": 0.0, "width": 0.0},
        "how": "stand still for 5 s at the start, with everything switched on, and again at the end",
        "tells": "bias and noise of the gyro and zero of the currents: without it no heading counts",
        "decides": [],
        "doubt_removed": None,
        "doubt_removed_per_minute": None,
    }
    return {
        "schema": SCHEMA,
        "robot": {"name": robot.name, "file": robot.path, "wheels": list(robot.wheel_names)},
        "recorded": [r["recordings"] for r in results],
        "steps": [rest, *chosen],
        "enough": enough,
        "doubt": {"now": first, "afterwards": model.shares(info)},
        "minutes": 0.2 + sum(s["minutes"] for s in chosen),
        "wheel_directions": wheel_directions(robot),
        "rollers": roller_lines(robot),
        "channels": _channels(robot, results),
        "stability": note,
        "cautions": list(CAUTIONS),
    }


def _has_current(result: dict[str, Any]) -> bool:
    return any(
        v is not None
        for p in result["passes"]
        for v in p.get("wheels", {}).get("current_a", {}).values()
    ) or any(str(c["channel"]).startswith("volt_") for c in result.get("columns", []))


def _known_drift(results: Sequence[dict[str, Any]]) -> float:
    """Largest yaw drift recorded [deg/m]; 10 where nothing is known."""
    seen = [
        abs(p["heading_change_deg"] or 0.0) / p["distance_m"]
        for r in results
        for p in r["passes"]
        if p["kind"] in {"left", "right"} and not p["hard_start"] and (p["distance_m"] or 0) > 0.3
    ]
    return max(seen, default=DEFAULT.drift_prior)


def _minutes(step: _Step, config: PlanConfig) -> float:
    return len(step.kinds) * step.repeats * (step.seconds + config.pause) / 60


def _entry(
    robot: Robot, step: _Step, recorded: int, drift: float, config: PlanConfig
) -> dict[str, Any]:
    length = float(np.ptp(robot.x) + 2 * robot.radius.max())
    width = float(np.ptp(robot.y) + 2 * robot.radius.max())
    turning = step.kinds[0].startswith("turn_")
    if turning:
        side = math.hypot(length, width) + 1.0
        floor = (side, side)
    else:
        way = config.distance if step.key != "hard_starts" else step.speed * step.seconds
        # An arc of d rad/m leaves its line by d s^2 / 2; half a metre of room all round.
        aside = min(way, math.radians(drift) * way**2 / 2)
        sideways = step.kinds[0] == "left"
        floor = (
            way + (width if sideways else length) + 1.0,
            2 * aside + (length if sideways else width) + 1.0,
        )
    return {
        "key": step.key,
        "title": step.title,
        "kinds": list(step.kinds),
        "speed": step.speed,
        "unit": "rad/s" if turning else "m/s",
        "distance_m": None if turning or step.key == "hard_starts" else config.distance,
        "seconds": step.seconds,
        "acceleration_m_per_s2": None if math.isinf(step.acceleration) else step.acceleration,
        "repeats": step.repeats,
        "recorded": recorded,
        "minutes": _minutes(step, config),
        "floor_m": {
            "length": math.ceil(10 * floor[0]) / 10,
            "width": math.ceil(10 * floor[1]) / 10,
        },
        "how": step.how,
        "tells": step.tells,
    }


def _decides(now: dict[str, float], after: dict[str, float]) -> list[str]:
    """Questions that a step settles, those that it settles most first."""
    falls = sorted(((now[g] - after[g], g) for g in now), reverse=True)
    kept = [(f, g) for f, g in falls if f >= 0.03][:4]
    return [f"{g} ({100 * now[g]:.0f} → {100 * after[g]:.0f} % open)" for _, g in kept]


def _channels(robot: Robot, results: Sequence[dict[str, Any]]) -> list[str]:
    out = [
        "wheel counts or speeds of every wheel, 50 Hz and more",
        "gyro about the vertical axis, 50 Hz and more",
        "currents or volts of every motor, on the clock of the wheels; both are best",
        "an odometry reference (pose), or a tape: see the columns of the sheet",
        "commanded motion, battery volts",
    ]
    if not robot.has_motor:
        out.append(
            "the robot file lacks the motor constants: without them mass, drag and motors cannot be "
            "told apart, whatever is driven"
        )
    if results and not any(_has_current(r) for r in results):
        out.append("what was recorded so far has no currents and no volts: log them from now on")
    return out


MOTIONS = (
    ("ahead", (1, 0, 0)),
    ("astern", (-1, 0, 0)),
    ("left", (0, 1, 0)),
    ("right", (0, -1, 0)),
    ("ahead left", (1, 1, 0)),
    ("ahead right", (1, -1, 0)),
    ("astern left", (-1, 1, 0)),
    ("astern right", (-1, -1, 0)),
    ("turn left (anticlockwise)", (0, 0, 1)),
    ("turn right (clockwise)", (0, 0, -1)),
)


def wheel_directions(robot: Robot) -> list[dict[str, Any]]:
    """Which way every wheel turns in every motion, from the rolling matrix.

    Parameters
    ----------
    robot : Robot
        Base with any number of wheels.

    Returns
    -------
    list of dict
        {motion, wheels: {name: {turns: "ahead"|"astern"|"stands", share}}}: share of the fastest
        wheel's rim speed, ahead positive.
    """
    size = np.array([1.0, 1.0, 1.0 / robot.size])
    out = []
    for name, way in MOTIONS:
        rim = robot.matrix @ (np.array(way) * size) * robot.radius
        share = rim / np.abs(rim).max()
        out.append(
            {
                "motion": name,
                "wheels": {
                    n: {
                        "turns": "stands" if abs(s) < 0.02 else ("ahead" if s > 0 else "astern"),
                        "share": round(float(s), 3) + 0.0,
                    }
                    for n, s in zip(robot.wheel_names, share, strict=True)
                },
            }
        )
    return out


def roller_lines(robot: Robot) -> dict[str, list[dict[str, Any]]]:
    """Direction of the rollers that show, from above and from below.

    Parameters
    ----------
    robot : Robot
        The base.

    Returns
    -------
    dict
        ``above`` and ``below``: list of {wheel, x, y, lean, heading} in the picture's axes: x to the
        viewer's right, y up, ahead is up in both [m]; lean is the roller's direction in the picture
        [rad]. Omniwheels (roller angle 0) have rollers along the wheel's own heading.

    Notes
    -----
    On the floor a roller lies across its free direction, which is at `roller_angle` from the axle
    (Lynch & Park 2017, fig. 13.4). The upper rollers lean the other way. From below, left and right
    change places, so that both pictures of a right base differ: X above, O below.
    """
    views: dict[str, list[dict[str, Any]]] = {"above": [], "below": []}
    for k, name in enumerate(robot.wheel_names):
        heading, g = float(robot.heading[k]), float(robot.roller_angle[k])
        for view, lean, mirror in (("above", heading - g, 1.0), ("below", heading + g, -1.0)):
            # Picture axes: right = -y of the robot seen from above, +y seen from below; up = x.
            views[view].append(
                {
                    "wheel": name,
                    "x": -mirror * float(robot.y[k]),
                    "y": float(robot.x[k]),
                    "radius": float(robot.radius[k]),
                    "lean": math.atan2(math.cos(lean), -mirror * math.sin(lean)),
                    "heading": math.atan2(math.cos(heading), -mirror * math.sin(heading)),
                }
            )
    return views


COMMON = "common practice, no source"
SERVICE_STEPS = (
    (
        "Power off, battery out, wait until nothing moves. Put the base on blocks so that no wheel "
        "touches; check that it cannot slip off.",
        "Lift with two people or a jack. Batteries can burn: no tools near their terminals.",
    ),
    (
        "Take a picture of the wheel from outside and from above. Mark wheel, corner and which side "
        "points outwards.",
        "",
    ),
    (
        "Turn the whole wheel by hand and feel: rubbing against the frame, hair or thread round the "
        "axle, a rough gearbox. Compare with the wheel on the other side.",
        "Pinch points between rollers, plates and frame.",
    ),
    (
        "Spin each roller by hand, one after the other, and note for each: turns freely, slow, stuck, "
        "wobbles. Compare with a wheel that does not drag.",
        "Pinch points: fingers off the plates.",
    ),
    (
        "Look for flat spots, cracks, grit, thread and swarf at the ends of each roller. Blow or brush "
        "it out, away from the face.",
        "Eye protection.",
    ),
    (
        "Only if that does not help, take the wheel off. Before taking it apart, mark how the two side "
        "plates stand to one another: one line across both.",
        "Small parts: work over a tray.",
    ),
    (
        "Take out one roller after the other and lay parts down in order. Keep every spacer: those "
        "between a bearing’s inner race and the plate keep the roller from rubbing.",
        "Small parts roll away; keep them from children and animals.",
    ),
    (
        "Clean pins and bearings; replace bent pins, dry or gritty bearings and worn rollers. Grease or "
        "oil only as their maker says.",
        "Solvents: eye protection, gloves, fresh air, no flame; local rules for waste.",
    ),
    (
        "Put it together with the marks in line. Tighten until the plates sit, not until the rollers "
        "feel it: a screw that is too tight makes a roller drag. Spin every roller again after each "
        "screw.",
        "",
    ),
    (
        "Back to the same corner with the same lean: from above the rollers of a right base show an X.",
        "",
    ),
    (
        "Turn every wheel by hand, then drive slowly on blocks, each motion once, and compare with the "
        "table of wheel directions.",
        "Hands off while powered; a way to stop at hand.",
    ),
)


def service_sheet(
    robot: Robot, wheel: str, recorded: Sequence[Any] = (), *, config: PlanConfig = DEFAULT
) -> dict[str, Any]:
    """Order of work for a wheel that drags, and what to record afterwards.

    Parameters
    ----------
    robot : Robot
        The base.
    wheel : str
        Which wheel.
    recorded : sequence of dict or RunAnalysis
        Results before the service, so that the same speeds are driven afterwards.
    config : PlanConfig
        Speeds and repeats.

    Returns
    -------
    dict
        Schema ``crabwise-service-sheet/1``: ``steps[]`` {text, caution, source}; ``afterwards[]``
        sentences; ``plan``: the passes to drive afterwards, as `make_plan` gives them for a base of
        which nothing is known yet; ``rollers`` of that wheel's base and ``roller_count`` of the
        wheel (12 where unknown); ``cautions[]``.

    Raises
    ------
    RobotFileError
        Where the robot has no such wheel.
    """
    if wheel not in robot.wheel_names:
        msg = f"{robot.path}: no wheel {wheel!r}; it has {', '.join(robot.wheel_names)}"
        raise RobotFileError(msg)
    results = [getattr(r, "result", r) for r in recorded]
    speeds = sorted(
        {
            round(p["commanded_speed"] or p["speed_m_per_s"], 2)
            for r in results
            for p in r["passes"]
            if p["kind"] in {"left", "right"} and not p["hard_start"] and p["speed_m_per_s"]
        }
    )
    same = (
        f"Drive sideways both ways at the same speeds as before ({', '.join(f'{v:g}' for v in speeds)} "
        "m/s), on the same floor, with the battery charged alike, three passes each and more."
        if speeds
        else "Drive the same passes as before, at the same speeds, on the same floor, with the battery "
        "charged alike, three each way and more."
    )
    return {
        "schema": "crabwise-service-sheet/1",
        "robot": {"name": robot.name, "file": robot.path, "wheels": list(robot.wheel_names)},
        "wheel": wheel,
        "steps": [{"text": t, "caution": c, "source": COMMON} for t, c in SERVICE_STEPS],
        "afterwards": [
            same,
            f'File it: crabwise analyze RECORDING --robot {robot.path} --shelf DIR --service "{wheel}: '
            'what was done"',
            f"Ask whether it worked: crabwise compare --before OLD --after NEW --robot {robot.path}",
            "If yaw drift, closure and the currents sideways of this wheel and its neighbours fall, it was "
            "the rollers; if only the current ahead falls, it was the axle.",
        ],
        "plan": make_plan(robot, config=config),
        "rollers": roller_lines(robot),
        "roller_count": int(robot.rollers[robot.wheel_index(wheel)]) or 12,
        "cautions": list(CAUTIONS),
    }
