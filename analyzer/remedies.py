"""What to change, by how much, and what it should bring. What to do first is first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from analyzer.causes import WOULD_DECIDE, Diagnosis
from analyzer.forward import Change
from analyzer.hypotheses import SERVICED
from analyzer.motion import Motion, nominal_lever
from analyzer.prediction import Predicted, by_speed, odd_part, predict
from analyzer.quantities import Estimate
from analyzer.robot import MovableMass, Robot

SHOWN_PATH = 2.0
"""Path sideways for which the heading error is given [m]."""

LIFT = (
    "Before hands go near wheels or rollers: power off, battery disconnected, robot lifted by two or "
    "with a jack and set on blocks so that no wheel touches. Local rules and trained people come first."
)
MOVE = (
    "Battery and loads are moved with power off and secured again before driving. First drive slowly, "
    "with a way to stop the robot and nobody in its path. Local rules and trained people come first."
)
DRIVE = "Clear the floor, keep a way to stop the robot at hand, nobody in its path. Local rules come first."


def plan_moves(masses: Sequence[MovableMass], robot: Robot, shift: np.ndarray) -> dict[str, Any]:
    """Choose which masses to move, and how far, to shift the centre of mass.

    Parameters
    ----------
    masses : sequence of MovableMass
        Things that can be moved, with their ranges.
    robot : Robot
        The base, for its whole mass.
    shift : ndarray, shape (2,)
        Wanted shift of the centre of mass. [m]

    Returns
    -------
    dict
        ``moves``: list of {name, x_m, y_m, from_x_m, from_y_m}; ``remaining_m``: shift that the
        ranges leave undone.

    Notes
    -----
    First moment: moving mass m by d shifts the centre of mass by m d / M. The heaviest thing
    moves first, so that few things move.
    """
    left = shift.astype(float).copy()
    moves = []
    for mass in sorted(masses, key=lambda m: -m.mass_kg):
        share = mass.mass_kg / robot.mass_kg
        target = [mass.x_m, mass.y_m]
        for axis, limits in enumerate((mass.x_range_m, mass.y_range_m)):
            if limits is None or abs(left[axis]) < 5e-4:
                continue
            wanted = target[axis] + left[axis] / share
            placed = min(max(wanted, limits[0]), limits[1])
            left[axis] -= (placed - target[axis]) * share
            target[axis] = placed
        if abs(target[0] - mass.x_m) > 1e-3 or abs(target[1] - mass.y_m) > 1e-3:
            moves.append(
                {
                    "name": mass.name,
                    "mass_kg": mass.mass_kg,
                    "from_x_m": mass.x_m,
                    "from_y_m": mass.y_m,
                    "x_m": round(target[0], 4),
                    "y_m": round(target[1], 4),
                }
            )
    return {"moves": moves, "remaining_m": {"x": float(left[0]), "y": float(left[1])}}


def shift_of(robot: Robot, places: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Shift of the centre of mass when the movable masses stand elsewhere.

    Parameters
    ----------
    robot : Robot
        The base, with its movable masses.
    places : sequence of (float, float)
        New x and y of each movable mass, in the robot file's order. [m]

    Returns
    -------
    (float, float)
        Shift ahead and left: sum of m d / M (first moment). [m]
    """
    moved = [
        (m.mass_kg * (x - m.x_m), m.mass_kg * (y - m.y_m))
        for m, (x, y) in zip(robot.masses, places, strict=True)
    ]
    return sum(x for x, _ in moved) / robot.mass_kg, sum(y for _, y in moved) / robot.mass_kg


def _effect(
    diagnosis: Diagnosis, motion: Motion, change: Change, text: str, place: str
) -> dict[str, Any]:
    """Yaw drift, creep and heading error expected afterwards, each with an interval."""
    after = predict(diagnosis, motion, change)
    out: dict[str, Any] = {"place": place, "text": text}
    if not after:
        why = "cannot be predicted from this recording: forces or heading are not known"
        return out | {"yaw_drift_deg_per_m": Estimate.undetermined("°/m", why).as_json()}
    return out | _numbers(after)


def _numbers(after: Sequence[Predicted]) -> dict[str, Any]:
    if not after:
        return {}
    drift = odd_part(after)
    return {
        "yaw_drift_deg_per_m": drift.as_json(),
        "creep_mm_per_m": odd_part(after, creep=True).as_json(),
        "heading_error_deg": drift.scaled(SHOWN_PATH, "°").as_json(),
        "heading_error_path_m": SHOWN_PATH,
        "by_speed": by_speed(after),
    }


ROCKING = {"radius_mismatch", "undetermined"}
"""First causes under which a sliding pair of wheels means that they carry too little."""


def find_remedies(robot: Robot, diagnosis: Diagnosis, motion: Motion) -> list[dict[str, Any]]:
    """List what to do, the most useful first.

    Parameters
    ----------
    robot : Robot
        The base.
    diagnosis : Diagnosis
        Causes with probabilities, centre of mass and the model for predictions.
    motion : Motion
        Estimates of the run.

    Returns
    -------
    list of dict
        Remedies as in the result file.
    """
    causes = diagnosis.causes
    centre_x, centre_y = diagnosis.centre_of_mass_x, diagnosis.centre_of_mass_y
    missing = diagnosis.missing
    out: list[dict[str, Any]] = []
    likely = [c for c in causes if c["probability"] >= 0.4]
    services = [c for c in likely if c["cause"] in SERVICED]
    undecided = any(
        c["cause"] == "undetermined" and (c is causes[0] or c["probability"] >= 0.5) for c in causes
    )
    for c in likely:
        wheel = c["wheel"]
        if c["cause"] == "roller_lean_reversed":
            pairs = {"FL": "FR", "FR": "FL", "RL": "RR", "RR": "RL"}
            text = (
                f"Look at wheel {wheel}: seen from above, the rollers of all wheels must show an X. "
                f"If {wheel}'s lean the other way, it is a wheel of the other hand: put one with the "
                "right lean there"
                + (f" (did it change places with {pairs[wheel]}?)." if wheel in pairs else ".")
                if wheel
                else "All rollers lean the other way: swap the wheels left against right (front pair "
                "and rear pair), so that they show an X seen from above."
            )
            out.append(
                {
                    "kind": "mounting",
                    "wheel": wheel,
                    "action": "swap_wheels",
                    "text": text,
                    "caution": LIFT,
                    "expected_effect": {
                        "place": "mechanics",
                        "text": "The wheels stop fighting one another; record again afterwards.",
                    },
                }
            )
        elif c["cause"] == "rotation_reversed":
            out.append(
                {
                    "kind": "mounting",
                    "wheel": wheel,
                    "action": "turn_leads",
                    "text": f"Wheel {wheel} counts or turns against the others. On blocks, drive each "
                    f"wheel ahead slowly: if {wheel} turns astern, exchange its two motor leads; if it "
                    "turns ahead but counts down, exchange its encoder channels or give its sign in "
                    "the robot file.",
                    "caution": LIFT,
                    "expected_effect": {
                        "place": "mechanics",
                        "text": "Odometry and motion agree again; record again afterwards.",
                    },
                }
            )
        elif c["cause"] == "gyro_fault":
            out.append(
                _record_more(
                    "Do not steer by this gyro: " + "; ".join(c["evidence_for"][:2]) + ". "
                    "Check its mounting, range and supply, then record 10 s at rest and two turns.",
                    "A sound gyro is needed before any heading hold.",
                    place="mechanics",
                )
            )
        elif c["cause"] in {"low_grip", "floor_slope"}:
            text = (
                "The wheels slide when they start: clean wheels and floor, start more gently, or "
                "drive on another floor, then record again."
                if c["cause"] == "low_grip"
                else "The floor slopes: drive the same passes on a level floor, or turned by 180°."
            )
            gain = "Other causes can be told apart only on a sound floor."
            out.append(_record_more(text, gain, place="mechanics"))
    if _rocks(diagnosis, motion):
        out.append(_level(robot, causes[0]["wheel"], motion.sliding_pair))
    out += [_service(diagnosis, motion, c["cause"], c["wheel"]) for c in services]
    suspect = None if services else _suspect(robot, diagnosis, motion)
    if suspect is not None:
        out.append(suspect)
    mass = next((c for c in likely if c["cause"] == "mass_off_centre"), None)
    shift = np.zeros(2)
    unknown = []
    if mass is not None:
        limit = robot.centre_tolerance
        for axis, (centre, way) in enumerate(((centre_x, "ahead or aft"), (centre_y, "to a side"))):
            if centre.value is None:
                unknown.append((way, centre.why))
            elif abs(centre.value) >= max(2 * (centre.std_error or 0.0), 0.5 * limit):
                shift[axis] = -centre.value
    # A mass that is at fault but not located is no small difference to be trimmed.
    trimmed = {"none"} if unknown else {"none", "mass_off_centre"}
    alone = bool(likely) and all(c["cause"] in trimmed for c in likely) and suspect is None
    trim = _trim(robot, diagnosis, motion, shift) if alone else 0.0
    if np.any(shift) or trim:
        move = _move(robot, diagnosis, motion, shift, trim)
        if np.any(shift) or _takes_away(diagnosis, move) > 0.3:
            out.append(move)
    doubts = [
        f"How far {way} the mass stands this recording does not tell: {why.removeprefix('needs: ')}."
        for way, why in unknown
    ]
    if mass is not None and not np.any(shift) and not unknown:
        doubts = [
            f"The centre of mass stands {centre_x} ahead and {centre_y} to the left of the middle: too "
            f"little or too uncertain to move anything by. {WOULD_DECIDE['repeat'].capitalize()}."
        ]
    out += [_record_more(text, "Tells how far to move the mass.") for text in doubts]
    out += _factors(robot, diagnosis, motion, likely)
    _add_up(robot, diagnosis, motion, out)
    if (undecided or not likely or missing) and missing:
        text = "To tell the open causes apart: " + "; ".join(missing) + "."
        out.append(_record_more(text, "Decides between the open causes."))
    if undecided:
        out.sort(key=lambda r: r["kind"] != "record_more")
    return out


def _service(diagnosis: Diagnosis, motion: Motion, cause: str, wheel: str | None) -> dict[str, Any]:
    """Service of a wheel, or of all, with what it should bring."""
    name = "all wheels" if wheel is None else f"wheel {wheel}"
    what = {
        "roller_drag": f"Service the rollers of {name}: spin each by hand, clean, mend or "
        "replace those that drag.",
        "axle_drag": f"Service the axle of {name}: bearing, rub against the frame, gearbox.",
        "weak_motor": f"Check the motor of {name}: leads and plugs first, then brushes, gearbox, "
        "controller.",
    }[cause]
    return {
        "kind": "service_wheel",
        "wheel": wheel,
        "part": cause,
        "text": what,
        "caution": LIFT,
        "expected_effect": _effect(
            diagnosis,
            motion,
            Change(serviced=((cause, wheel),)),
            "Takes the cause away; a heading hold or wheel factors would only hide it.",
            "mechanics",
        ),
    }


def _takes_away(diagnosis: Diagnosis, remedy: dict[str, Any]) -> float:
    """Share of the yaw drift that a remedy is predicted to take away; 0 where none is."""
    now = diagnosis.drift.value
    after = remedy["expected_effect"].get("yaw_drift_deg_per_m", {}).get("value")
    return 0.0 if after is None or not now else 1.0 - abs(after / now)


SUSPECT_LEAST = 0.08
"""Probability from which one wheel is worth a look though most likely no part is at fault: bench bases
with a dragging wheel that were called sound gave it 0.09 to 0.38, sound ones with one exception 0.02."""


def _suspect(robot: Robot, diagnosis: Diagnosis, motion: Motion) -> dict[str, Any] | None:
    """The wheel to look at first where a base drifts and no part is likely beyond tolerance.

    A look at one wheel takes minutes, trimming with masses an afternoon, and it would hide the wheel.
    """
    now = diagnosis.drift
    limit = 2 * robot.tolerance.yaw_drift_deg_per_m
    if not diagnosis.causes or diagnosis.causes[0]["cause"] != "none" or now.value is None:
        return None
    if abs(now.value) < max(limit, 2 * (now.std_error or math.inf)):
        return None
    parts = {
        "roller_drag": "rollers drag",
        "axle_drag": "axle is stiff",
        "weak_motor": "motor is weak",
    }
    for c in diagnosis.causes:
        if c["cause"] not in parts or c["wheel"] is None or c["probability"] < SUSPECT_LEAST:
            continue
        service = _service(diagnosis, motion, c["cause"], c["wheel"])
        if _takes_away(diagnosis, service) < 0.3:
            continue
        service["text"] = (
            f"Look at wheel {c['wheel']} first: with a probability of {100 * c['probability']:.0f} % its "
            f"{parts[c['cause']]} beyond tolerance, and much of the drift hangs on that. "
            + service["text"]
        )
        return service
    return None


def _rocks(diagnosis: Diagnosis, motion: Motion) -> bool:
    """Whether the base stands on a diagonal, as far as the first cause allows."""
    causes = diagnosis.causes
    return bool(motion.sliding_pair and causes) and causes[0]["cause"] in ROCKING


def _level(robot: Robot, wheel: str | None, sliding: Sequence[str]) -> dict[str, Any]:
    """Make all wheels carry, where the base stands on a diagonal."""
    loaded = " and ".join(n for n in robot.wheel_names if n not in sliding)
    light = " and ".join(sliding)
    first = (
        f"Compare the diameter of {wheel} with the others' and replace it if it differs. "
        if wheel
        else ""
    )
    return {
        "kind": "mounting",
        "wheel": wheel,
        "action": "even_load",
        "text": f"Make all wheels carry: {light} carry little, the base stands on {loaded}. {first}With power "
        f"off, on a level floor, press on the corners at {light}: where the base rocks, measure all "
        "wheels' diameters and the heights of their mounts, and even them out until a strip of paper is "
        "held under every wheel. Uneven floor does the same: try another place.",
        "caution": f"Press with flat hands, fingers clear of wheels and frame. {LIFT}",
        "expected_effect": {
            "place": "mechanics",
            "text": "The base goes where its wheels roll; record again afterwards.",
        },
    }


def _record_more(text: str, gain: str, *, place: str = "record") -> dict[str, Any]:
    return {
        "kind": "record_more",
        "text": text,
        "caution": DRIVE,
        "expected_effect": {"place": place, "text": gain},
    }


def _trim(robot: Robot, diagnosis: Diagnosis, motion: Motion, shift: np.ndarray) -> float:
    """Shift ahead that takes out the drift which small differences between sound wheels leave.

    Under `power` the wheels yield to load, so the base turns about as much as its mass stands ahead:
    what is left after `shift` is predicted, and how it changes with the place of the mass. Zero where
    that drift is within tolerance (twice that where nothing else is to be moved) or uncertain, where
    the trim would be larger than a fifth of the
    base, or where it would take away less than half. [m]
    """
    if robot.drive_mode != "power":
        return 0.0

    def left_over(ahead: float) -> Estimate:
        change = Change(shift_x=float(shift[0]) + ahead, shift_y=float(shift[1]))
        return odd_part(predict(diagnosis, motion, change))

    now = left_over(0.0)
    limit = robot.tolerance.yaw_drift_deg_per_m * (1.0 if np.any(shift) else 2.0)
    if now.value is None or abs(now.value) < max(limit, 2 * (now.std_error or math.inf)):
        return 0.0
    most = 0.2 * robot.size
    low, high = left_over(-most).value, left_over(most).value
    if low is None or high is None or low * high >= 0:
        return 0.0
    ends = np.array([-most, most])
    values = np.array([low, high])
    for _ in range(8):
        # False position, halved where one end stays: the answer bends with the load.
        ahead = float(ends[0] - values[0] * (ends[1] - ends[0]) / (values[1] - values[0]))
        found = left_over(ahead)
        if found.value is None:
            return 0.0
        if abs(found.value) < 0.1 * limit:
            break
        end = int(found.value * values[1] > 0)
        ends[end], values[end] = ahead, found.value
        values[1 - end] /= 2
    return ahead if abs(found.value or 0.0) < 0.5 * abs(now.value) else 0.0


def _move(
    robot: Robot, diagnosis: Diagnosis, motion: Motion, shift: np.ndarray, trim: float
) -> dict[str, Any]:
    """Move of the masses: `shift` brings the centre to the middle, `trim` ahead comes on top."""
    cure = bool(np.any(shift))
    shift = shift + np.array([trim, 0.0])
    chosen = plan_moves(robot.masses, robot, shift)
    done = shift - np.array([chosen["remaining_m"]["x"], chosen["remaining_m"]["y"]])
    sentences = [
        f"Move {m['name']} ({m['mass_kg']:.2f} kg) "
        f"{_way(m['x_m'] - m['from_x_m'], m['y_m'] - m['from_y_m'])}, to "
        f"{_way(m['x_m'], m['y_m'], place=True)}."
        for m in chosen["moves"]
    ]
    if not sentences:
        sentences = [
            "The robot file lists no [[mass]] that can be moved so; the centre of mass has to "
            f"move {_way(float(shift[0]), float(shift[1]))}."
        ]
    elif np.any(np.abs(shift - done) > 0.002):
        rest = shift - done
        sentences.append(
            f"That leaves {_way(float(rest[0]), float(rest[1]))} that other things have to shift "
            "the centre of mass."
        )
    if trim and cure:
        sentences.append(
            f"{_way(trim, 0.0)} of the shift is trim against small differences between the wheels."
        )
    elif trim:
        first = sentences[0]
        sentences[0] = (
            f"Trim what small differences between the wheels add up to: {first[0].lower()}{first[1:]}"
        )
    return {
        "kind": "move_mass",
        "shift_m": {"x": float(shift[0]), "y": float(shift[1])},
        "trim_m": trim,
        "moves": chosen["moves"],
        "remaining_m": chosen["remaining_m"],
        "text": " ".join(sentences),
        "caution": MOVE,
        "expected_effect": _effect(
            diagnosis,
            motion,
            Change(
                shift_x=float((done if robot.masses else shift)[0]),
                shift_y=float((done if robot.masses else shift)[1]),
            ),
            "Takes the cause away."
            if not trim
            else "Takes the cause away and trims the rest. After a service of wheels or motors, record "
            "again."
            if cure
            else "No part is beyond tolerance, so there is nothing to cure. After a service of wheels or "
            "motors, record again.",
            "mechanics" if cure else "trim",
        ),
    }


def _way(x: float, y: float, *, place: bool = False) -> str:
    """Distance ahead or aft and to a side, in words; a place is counted from the middle."""
    parts = []
    for value, plus, minus in ((x, "ahead", "aft"), (y, "to the left", "to the right")):
        if abs(value) >= 5e-4:
            of = " of the middle" if place and plus == "ahead" else ""
            parts.append(f"{1e3 * abs(value):.0f} mm {plus if value > 0 else minus}{of}")
    return " and ".join(parts) if parts else ("the middle" if place else "0 mm")


def change_of(robot: Robot, remedy: dict[str, Any]) -> Change | None:
    """The change that a remedy makes to the base.

    Parameters
    ----------
    robot : Robot
        The base.
    remedy : dict
        Remedy of the result file.

    Returns
    -------
    Change or None
        None for remedies whose effect is not predicted.
    """
    if remedy["kind"] == "service_wheel":
        return Change(serviced=((remedy["part"], remedy["wheel"]),))
    if remedy["kind"] == "wheel_factors":
        # Factors on power do not straighten a base: they are for the odometry.
        if robot.drive_mode == "power":
            return None
        return Change(factors=tuple(remedy["factors"][name] for name in robot.wheel_names))
    if remedy["kind"] == "move_mass":
        # Without a list of masses the whole shift is what is advised.
        left = remedy["remaining_m"] if robot.masses else {"x": 0.0, "y": 0.0}
        return Change(
            shift_x=remedy["shift_m"]["x"] - left["x"], shift_y=remedy["shift_m"]["y"] - left["y"]
        )
    return None


def _add_up(
    robot: Robot, diagnosis: Diagnosis, motion: Motion, remedies: Sequence[dict[str, Any]]
) -> None:
    """Say what remedies bring together, and warn of one that alone makes the drift larger."""
    together = Change()
    count = 0
    for remedy in remedies:
        change = change_of(robot, remedy)
        if change is None:
            continue
        count += 1
        together = together.plus(change)
        effect = remedy["expected_effect"]
        alone = effect.get("yaw_drift_deg_per_m", {}).get("value")
        now = diagnosis.drift.value
        if count > 1:
            effect["together_with_earlier"] = _numbers(predict(diagnosis, motion, together))
        worse = alone is not None and now is not None and abs(alone) > abs(now) + 1.0
        if worse and sum(change_of(robot, r) is not None for r in remedies) > 1:
            effect["text"] += (
                " On its own it makes the drift larger, because two faults hide one another: do it "
                "together with the other remedies."
            )
        elif worse:
            effect["text"] += (
                " The drift grows all the same: this fault hides another one, which the next "
                "recording will show."
            )


GROSS = {"roller_lean_reversed", "rotation_reversed", "gyro_fault", "low_grip"}
"""Causes under which wheels slide or the gyro may lie."""


def mend_first(diagnosis: Diagnosis, motion: Motion) -> bool:
    """Whether a fault has to be mended before a heading hold can be tuned.

    Parameters
    ----------
    diagnosis : Diagnosis
        Causes with probabilities.
    motion : Motion
        Estimates of the run.

    Returns
    -------
    bool
        True where the base will answer otherwise once mended, or the gyro to hold by is at fault.
    """
    return _rocks(diagnosis, motion) or any(
        c["cause"] in GROSS and c["probability"] >= 0.5 for c in diagnosis.causes
    )


def lever_doubts(causes: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Causes under which turns do not tell the yaw lever: wheels slide, or the gyro may lie.

    Parameters
    ----------
    causes : sequence of dict
        Causes of the result.

    Returns
    -------
    list of dict
        Those that are likely enough to mind.
    """
    return [c for c in causes if c["cause"] in GROSS and c["probability"] >= 0.2]


def advised_lever(
    robot: Robot, measured: Estimate, causes: Sequence[dict[str, Any]]
) -> float | None:
    """Yaw lever that the program should use in place of the robot file's.

    Parameters
    ----------
    robot : Robot
        The base.
    measured : Estimate
        Yaw lever that the turns show. [m]
    causes : sequence of dict
        Causes of the result.

    Returns
    -------
    float or None
        None where the robot file's is within the interval, none is measured, or a fault first has
        to be mended under which turns do not tell it. [m]
    """
    if measured.value is None or measured.low is None or measured.high is None:
        return None
    if lever_doubts(causes) or measured.low <= nominal_lever(robot) <= measured.high:
        return None
    return measured.value


def _factors(
    robot: Robot, diagnosis: Diagnosis, motion: Motion, likely: Sequence[dict[str, Any]]
) -> list[dict[str, Any]]:
    """Wheel factors for the kinematics where a radius differs beyond its own uncertainty."""
    relative_radius = diagnosis.relative_radius or motion.relative_radius
    if motion.sliding_pair or not any(c["cause"] == "radius_mismatch" for c in likely):
        return []  # wheels that slide do not go by their radius
    values = [e.value for e in relative_radius]
    if any(v is None for v in values):
        return []
    factors = {
        name: round(1.0 / float(v or 1.0), 5)
        for name, v in zip(robot.wheel_names, values, strict=True)
    }
    shown = ", ".join(f"{k} {v:.4f}" for k, v in factors.items())
    held = robot.drive_mode == "wheel_speed"
    return [
        {
            "kind": "wheel_factors",
            "factors": factors,
            "yaw_lever_m": motion.yaw_lever.as_json(),
            "text": f"Multiply each wheel's target by its factor: {shown}. A worn or undersized wheel "
            "is better replaced."
            if held
            else f"Replace the wheel that differs. Until then use the factors in the odometry only "
            f"(divide each wheel's path by its factor): {shown}. On the motors' power they would not "
            "straighten the base.",
            "caution": DRIVE if held else LIFT,
            "expected_effect": _effect(
                diagnosis,
                motion,
                Change(factors=tuple(factors[name] for name in robot.wheel_names))
                if held
                else Change(),
                "Hides the unequal radius; a new wheel cures it."
                if held
                else "Mends the odometry; the drift stays until the wheel is replaced.",
                "software",
            ),
        }
    ]
