"""Why it arcs: gross faults first, then hypotheses weighed; each cause with size and evidence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analyzer.balances import Group, Model, pass_groups
from analyzer.deciding import advice, candidates
from analyzer.dynamics import Gauge, Inertia, Torques, inertia_and_gauges, motor_torques
from analyzer.forward import Change, changed, turned_by
from analyzer.gates import Gate, find_gates
from analyzer.hypotheses import (
    FAULT_PRIOR,
    PARAMETER,
    SERVICED,
    SOUND_PRIOR,
    WEAK_MOTOR,
    Fitted,
    averaged,
    share_outside,
    weigh,
)
from analyzer.motion import Motion
from analyzer.quantities import Estimate
from analyzer.run import TURNS, Pass, Run
from analyzer.stability import centre_error, centre_from_loads

MISFIT = 3.0
"""Sum of squared residuals over their number, above which something is at work that the hypotheses
do not hold [-]; bench bases whose faults they hold stay below 1.5."""
DRAG_LEVEL = 0.1
"""How far the level of all rollers' drag may be off, as share [-]: spinning up a roller at every
hand-over costs force too, on the bench a tenth."""

RADIUS_TURNS = 2.0
"""Yaw drift that one wheel's radius may bring a base driven by power, per size [deg/m per %]: on the
bench 0.1 to 2, and 5 where the base rocks on it."""
TURN_SHARE, TURN_FLOOR = 0.25, 0.5
"""Error of the yaw drift that mended faults take away, as share of it [-] and at least [deg/m]: twice
that of `prediction`, as here two things are taken to be so, equal power and the claimed fault."""
PAIR_ODDS = 0.2
"""Odds of a weak motor beside another fault [-]: about those that `hypotheses` gives a pair over mass
off centre alone, 0.03 to 0.14."""
HIDDEN_MOST = 0.75
"""Highest probability of a weak motor that cannot be seen [-]: not having seen it is no evidence that
would bear the confidence of a cause."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """Causes with probabilities, and what the forces tell of the base.

    Attributes
    ----------
    causes : list of dict
        As in the result file, most probable first.
    drift : Estimate
        Yaw drift that changes sign with the side. [deg/m]
    missing : tuple of str
        What to record so that open causes can be told apart.
    model : Model or None
        Balances of the run; None where forces are not known or the wheels slide.
    fits : tuple of Fitted
        Hypotheses after their fits, with posterior shares; empty without a model.
    centre_of_mass_x, centre_of_mass_y : Estimate
        [m]
    yaw_inertia : Estimate
        About the centre of the wheels. [kg m^2]
    relative_radius : tuple of Estimate or None
        Radius of each wheel over their mean; None where forces are not known.
    notes : tuple of str
        What limits the diagnosis.
    """

    causes: list[dict[str, Any]]
    drift: Estimate
    missing: tuple[str, ...]
    model: Model | None
    fits: tuple[Fitted, ...]
    centre_of_mass_x: Estimate
    centre_of_mass_y: Estimate
    yaw_inertia: Estimate
    relative_radius: tuple[Estimate, ...] | None
    notes: tuple[str, ...]


def drift_odd(motion: Motion) -> Estimate:
    """Part of the yaw drift that changes sign with the side: (left - right) / 2. [deg/m]

    Parameters
    ----------
    motion : Motion
        Estimates of the run.

    Returns
    -------
    Estimate
        Undetermined where a side or the heading is missing.
    """
    left, right = motion.yaw_drift["left"]["total"], motion.yaw_drift["right"]["total"]
    if (
        left.value is None
        or right.value is None
        or left.std_error is None
        or right.std_error is None
    ):
        return Estimate.undetermined("°/m", left.why or right.why)
    return Estimate.of(
        (left.value - right.value) / 2, math.hypot(left.std_error, right.std_error) / 2, "°/m"
    )


def find_inertia(run: Run, passes: Sequence[Pass]) -> tuple[Torques | None, Inertia | None]:
    """Torques, and what the ramps and turns tell.

    Parameters
    ----------
    run : Run
        The aligned run.
    passes : sequence of Pass
        Its passes.

    Returns
    -------
    torques : Torques or None
        None without motor data, or with wheels that do not point ahead.
    inertia : Inertia or None
        Likewise.
    """
    torques = motor_torques(run)
    if torques is None or _points_elsewhere(run):
        return None, None
    return torques, inertia_and_gauges(run, passes, torques)


def _points_elsewhere(run: Run) -> bool:
    """Whether wheels drive in other directions than ahead: the force balances do not hold there."""
    return bool(np.any(run.robot.heading != 0))


NO_BALANCE = (
    "forces are balanced only for wheels that point ahead (heading_deg = 0); this base is judged by its "
    "motion alone"
)
WOULD_DECIDE = {
    "repeat": "record the same passes again from other places on the floor: the mean of both halves "
    "the error that repeats share",
    "motors": "log motor currents and volts, with motor constants in the robot file",
    "volts": "log each motor's volts or duty beside its current (shows a weak motor)",
    "hard": "drive at least eight hard sideways starts, both ways (3 m/s²)",
    "turns": "turn on the spot both ways at two rates, 10 s each (up to 2.5-3 rad/s where safe)",
    "sides": "drive at least three passes to each side at two speeds, 2 : 1",
    "reference": "log an odometry reference, or tape where each pass ends",
}


def _missing(run: Run, passes: Sequence[Pass], torques: Torques | None) -> list[str]:
    kinds = [p.kind for p in passes]
    out = []
    if torques is None and not _points_elsewhere(run):
        out.append(WOULD_DECIDE["motors"])
    elif torques is not None and run.volt is None and run.power is None:
        out.append(WOULD_DECIDE["volts"])
    if sum(p.hard_start for p in passes) < 4 and not _points_elsewhere(run):
        out.append(WOULD_DECIDE["hard"])
    if not set(TURNS) <= set(kinds):
        out.append(WOULD_DECIDE["turns"])
    if min(kinds.count("left"), kinds.count("right")) < 3:
        out.append(WOULD_DECIDE["sides"])
    if not run.places:
        out.append(WOULD_DECIDE["reference"])
    return out


def diagnose(run: Run, passes: Sequence[Pass], motion: Motion) -> Diagnosis:
    """Rank the causes.

    Parameters
    ----------
    run : Run
        The aligned run.
    passes : sequence of Pass
        Its passes.
    motion : Motion
        Its measured motion.

    Returns
    -------
    Diagnosis
        Causes and centre of mass; each undetermined where the run cannot tell.
    """
    torques, inertia = find_inertia(run, passes)
    groups = [] if torques is None else pass_groups(run, motion, torques)
    gates = find_gates(run, passes, motion, torques, groups)
    missing = _missing(run, passes, torques)
    drift = drift_odd(motion)
    notes: list[str] = []
    entries: dict[tuple[str, str | None], dict[str, Any]] = {}

    def add(
        cause: str,
        wheel: str | None,
        probability: float,
        magnitude: Estimate,
        evidence: Sequence[str],
        against: Sequence[str] = (),
    ) -> None:
        key = (cause, wheel)
        if key in entries and entries[key]["probability"] >= probability:
            return
        entries[key] = {
            "cause": cause,
            "wheel": wheel,
            "probability": float(min(probability, 0.99)),
            "magnitude": magnitude.as_json(),
            "evidence_for": list(evidence),
            "evidence_against": list(against),
            "would_decide": list(missing),
        }

    no_number = "no currents or volts with motor constants: " + WOULD_DECIDE["motors"]
    if _points_elsewhere(run):
        no_number = NO_BALANCE
    centre_x = centre_y = Estimate.undetermined("m", no_number)
    yaw_inertia = Estimate.undetermined("kg m²", no_number)
    relative: tuple[Estimate, ...] | None = None
    void = max((g.probability for g in gates if g.void), default=0.0)
    others = 1.0 - max((g.probability for g in gates), default=0.0)
    fits: list[Fitted] = []
    model: Model | None = None
    if torques is not None and inertia is not None:
        yaw_inertia = inertia.yaw
        enough = any(g.kind == "side" for g in groups)
        if void < 0.5 and enough:
            gauges = [*inertia.gauges, *_scale_gauges(run)]
            model = Model(run.robot, groups, torques, gauges)
            seen = torques.source == "volt" or model.resistance is not None
            fits = weigh(model, motors_seen=seen)
            turned = _wrong_hand(run, groups, torques, fits)
            if turned is not None:
                gates.append(turned)
                fits, void, others = [], turned.probability, 1.0 - turned.probability
        if fits and model is not None:
            unseen = [0.0, 0.0]
            if not seen:
                fits, *unseen = _with_unseen_motors(model, fits, drift)
            centre_x, centre_y = (_centre(model, fits, gauges, axis) for axis in range(2))
            relative = _relative(model, fits)
            _add_fits(model, fits, others, unseen, drift, add)
        elif void < 0.5 and enough:
            notes.append("Forces and motion of this recording do not fit together at all.")
            add("undetermined", None, others, Estimate.undetermined("", notes[-1]), notes)
        elif void >= 0.5:
            why = "the wheels slide or fight one another; mend that first, then record again"
            centre_x = centre_y = Estimate.undetermined("m", why)
        else:
            notes.append("No sideways passes both ways: " + WOULD_DECIDE["sides"] + ".")
            add("undetermined", None, others, Estimate.undetermined("", "too few passes"), notes)
    if centre_x.value is None and run.robot.scale_loads_kg is not None:
        # Scales need no drive: they answer where the recording cannot.
        centre_x, centre_y = (Estimate.of(g.value, g.std_error, "m") for g in _scale_gauges(run))
    if torques is None and void < 0.5:
        _without_motors(run, motion, drift, others, add)
    for gate in gates:
        add(gate.cause, gate.wheel, gate.probability, gate.magnitude, [gate.evidence])
    if void >= 0.5:
        rest = max(0.0, 1.0 - sum(g.probability for g in gates if g.void))
        add(
            "undetermined", None, rest, Estimate.undetermined("", "hidden by the fault above"),
            ["other causes cannot be told apart until this is mended"],
        )  # fmt: skip
    causes = sorted(entries.values(), key=lambda c: -c["probability"])
    if fits and model is not None:
        missing = _would_decide(model, fits, causes, passes, missing)
    return Diagnosis(
        causes=causes,
        drift=drift,
        missing=tuple(missing),
        model=model if fits else None,
        fits=tuple(fits),
        centre_of_mass_x=centre_x,
        centre_of_mass_y=centre_y,
        yaw_inertia=yaw_inertia,
        relative_radius=relative,
        notes=tuple(notes),
    )


def _wrong_hand(
    run: Run, groups: Sequence[Group], torques: Torques, fits: Sequence[Fitted]
) -> Gate | None:
    """Where no hypothesis fits: the wheel with whose rollers leaning the other way all balances fit.

    On a base of many wheels one wrong one does not make the others slide, so the forces alone do not
    give it away.
    """
    best = min((f.misfit for f in fits), default=0.0)
    if best <= MISFIT:
        return None
    misfit, evidence = [], []
    for k in range(run.robot.x.size):
        angle = run.robot.roller_angle.copy()
        angle[k] *= -1
        model = Model(replace(run.robot, roller_angle=angle), groups, torques, [])
        mean, sd = model.sound_prior()
        _, _, logs, residuals = model.fit(mean[None], sd[None])
        misfit.append(float(residuals[0] @ residuals[0]) / residuals.shape[1])
        evidence.append(float(logs[0]))
    wheel = int(np.argmax(evidence))
    if not misfit[wheel] < 0.5 * min(best, 2 * MISFIT):
        return None
    shares = np.exp(np.array(evidence) - max(evidence))
    name = run.robot.wheel_names[wheel]
    return Gate(
        cause="roller_lean_reversed",
        wheel=name,
        probability=float(0.95 / shares.sum()),
        magnitude=Estimate.undetermined("", "a fault of mounting has no size"),
        evidence=f"no other fault explains forces and rolling (misfit {best:.0f} times what it should "
        f"be); with the lean of {name} turned they fit ({misfit[wheel]:.1f})",
        void=True,
    )


def _would_decide(
    model: Model,
    fits: Sequence[Fitted],
    causes: Sequence[dict[str, Any]],
    passes: Sequence[Pass],
    missing: Sequence[str],
) -> list[str]:
    """Fill in what would decide each open cause; gives what would decide most over all."""
    kinds = {p.kind for p in passes}
    options = candidates(
        model,
        hard_starts=sum(p.hard_start for p in passes) >= 4,
        turns=set(TURNS) <= kinds,
        scales=model.robot.scale_loads_kg is not None,
    )
    members = np.array(
        [[(c["cause"], c["wheel"]) in f.causes for f in fits] for c in causes], dtype=bool
    )
    each, overall = advice(fits, options, members)
    for cause, texts, held in zip(causes, each, members, strict=True):
        if held.any():
            open_still = 0.1 < cause["probability"] < 0.9
            cause["would_decide"] = texts or ([WOULD_DECIDE["repeat"]] if open_still else [])
    named = [text for text in missing if text == WOULD_DECIDE["volts"]]
    return list(dict.fromkeys([*overall, *named]))


def _scale_gauges(run: Run) -> list[Gauge]:
    """Corner scales as a measurement of the centre of mass (ISO 10392, moment balance)."""
    robot = run.robot
    loads = robot.scale_loads_kg
    if loads is None:
        return []
    centre = centre_from_loads(robot.x, robot.y, loads)
    error = centre_error(robot.x, robot.y, loads, robot.scale_error_kg)
    none = np.zeros(robot.x.size)
    return [
        Gauge(
            name="corner scales",
            axis=axis,
            value=centre[axis],
            # 2 mm: where on a wheel the load really stands; common practice, no source.
            std_error=math.hypot(0.002, error[axis]),
            slope=none,
        )
        for axis in range(2)
    ]


def _centre(model: Model, fits: Sequence[Fitted], gauges: Sequence[Gauge], axis: int) -> Estimate:
    if not any(g.axis == axis for g in gauges):
        name = "hard" if axis == 0 else "turns"
        return Estimate.undetermined("m", "needs: " + WOULD_DECIDE[name])
    # The sound prior would pull a small offset towards zero: the place is asked of the
    # hypotheses that leave the mass free, weighed among themselves.
    free = [f for f in fits if any(c == "mass_off_centre" for c, _ in f.causes)]
    pick = np.zeros(model.size)
    pick[axis] = 1.0
    share = sum(f.share for f in free)
    value, error = averaged(free if share > 1e-9 else fits, pick)
    return Estimate.of(value, math.hypot(error, 0.02 * value), "m")


def _relative(model: Model, fits: Sequence[Fitted]) -> tuple[Estimate, ...]:
    out = []
    for k in range(model.w):
        pick = np.zeros(model.size)
        at = model.index("eps")
        pick[at : at + model.w] = -1.0 / model.w
        pick[at + k] += 1.0
        value, error = averaged(fits, pick)
        out.append(Estimate.of(1 + value, math.hypot(error, 8e-4), ""))
    return tuple(out)


def _add_fits(
    model: Model,
    fits: Sequence[Fitted],
    others: float,
    unseen: Sequence[float],
    drift: Estimate,
    add: Any,
) -> None:
    """Marginal probabilities of single causes, with magnitude and evidence.

    `unseen` is the probability of a weak motor that cannot be seen: over all, and where no other
    fault is.
    """
    best = max(fits, key=lambda f: f.share)
    none = next(f for f in fits if f.sound)
    keys = sorted({c for f in fits for c in f.causes}, key=str)
    tolerance = model.robot.tolerance
    hidden, on_sound = unseen
    for cause, wheel in keys:
        own = [f for f in fits if (cause, wheel) in f.causes]
        share = sum(f.share for f in own)
        if cause == "none":
            # All wheels alike leave no pattern; only the level against other bases tells.
            level = model.drag0 * math.exp(float(none.z[model.index("delta")]))
            limit = tolerance.roller_drag_over_load
            stiff = 1 / (1 + math.exp(-min(50.0, (level / limit - 1) / 0.035)))
            if stiff > 0.02:
                force = level * model.weight / model.w
                error = math.sqrt(
                    float(none.covariance[model.index("delta"), model.index("delta")])
                )
                add(
                    "roller_drag",
                    None,
                    others * share * stiff,
                    Estimate.of(force, force * math.hypot(error, 0.05), "N"),
                    [
                        f"sideways every wheel's rollers drag alike, {100 * level:.1f} % of the load "
                        f"on the wheel (sound ones up to {100 * limit:.1f} %)"
                    ],
                )
                share *= 1 - stiff
            share *= 1 - on_sound / max(none.share, 1e-12)
            add(
                "none", None, others * share, Estimate.undetermined("", "nothing is at fault"),
                ["no fault beyond tolerance is needed to explain forces, rolling and turns"],
                [] if best is none else _why(model, best, none, against=True),
            )  # fmt: skip
            continue
        magnitude = _magnitude(model, own, cause, wheel)
        strongest = max(own, key=lambda f: f.share)
        rival = max((f for f in fits if (cause, wheel) not in f.causes), key=lambda f: f.share)
        for_it = _why(model, strongest, rival)
        if cause == "mass_off_centre":
            for_it += [
                f"{g.name}: {'x' if g.axis == 0 else 'y'} = {1e3 * g.value:+.0f} ± "
                f"{2e3 * g.std_error:.0f} mm"
                for g in model.gauges
            ]
        against = [] if best is strongest else _why(model, best, strongest, against=True)
        add(cause, wheel, others * share, magnitude, for_it, against)
    if hidden > 0:
        turned = f"the base turns {drift.value or 0.0:+.1f} °/m"
        if model.robot.drive_mode != "power":
            why = "wheels under speed control hide a weak motor; only volts or duty show it"
        elif abs(drift.value or 0.0) > 2 * tolerance.yaw_drift_deg_per_m:
            why = (
                f"{turned}, but nothing that forces and rolling show turns it: a weak motor would "
                "look so, and only volts or duty show it"
            )
        else:
            why = (
                f"{turned}, no more than sound motors may turn it; whether one is a little weak only "
                "volts or duty show"
            )
        unseen_motor = Estimate.undetermined("", "without volts a weak motor cannot be seen")
        add("undetermined", None, others * min(hidden, HIDDEN_MOST), unseen_motor, [why])
    if best.misfit > MISFIT:
        add(
            "undetermined", None, others * min(0.6, 0.1 * best.misfit),
            Estimate.undetermined("", "no hypothesis explains the recording well"),
            [
                f"best misfit {best.chi2:.0f} for {best.residuals.size} balances: something else is at "
                "work"
            ],
        )  # fmt: skip


def _with_unseen_motors(
    model: Model, fits: Sequence[Fitted], drift: Estimate
) -> tuple[list[Fitted], float, float]:
    """Hypotheses where a weak motor cannot be seen, for want of volts.

    Where all motors get the same power they are weighed by how much of the yaw drift they explain:
    what is left of it when the faults are mended comes from motors that differ, a little on any
    base, much where one of them is weak.

    Returns the hypotheses, and the probability of an unseen weak motor: over all, and of a base that
    is sound otherwise.
    """
    if model.robot.drive_mode != "power":
        # Wheels that hold their speed do not show it: the odds stay those of the priors.
        share = sum(f.share for f in fits if f.sound) * FAULT_PRIOR / (FAULT_PRIOR + SOUND_PRIOR)
        return list(fits), share, share
    sides = [g for g in model.groups if g.kind == "side"]
    if drift.value is None or not sides:
        return list(fits), 0.0, 0.0

    def turns(z: np.ndarray, after: np.ndarray) -> np.ndarray:
        each = [turned_by(model, g, z, after, np.ones(model.w))[0] for g in sides]
        return np.asarray(np.nan_to_num(np.mean(each, axis=0)))

    z = np.stack([f.z for f in fits])
    less = turns(z, np.concatenate([changed(model, f.z[None], _mending(f)) for f in fits]))
    names, eps = model.robot.wheel_names, model.index("eps")
    radius = [
        sum(abs(f.z[eps + names.index(w)]) for c, w in f.causes if c == "radius_mismatch" and w)
        for f in fits
    ]
    left = drift.value + less
    # What one motor's resistance turns: by the scatter of sound ones, and by a weak one's.
    best = max(fits, key=lambda f: f.share).z
    rho = model.index("rho")
    off = np.tile(best, (2 * model.w, 1))
    wheels = np.arange(model.w)
    off[wheels, rho + wheels] += model.sound_prior()[1][rho : rho + model.w]
    off[model.w + wheels, rho + wheels] += math.log(WEAK_MOTOR)
    each = turns(np.broadcast_to(best, off.shape), off).reshape(2, model.w)
    sound, weak = math.sqrt(np.sum(each[0] ** 2)), math.sqrt(np.mean(each[1] ** 2))
    narrow = np.sqrt(
        sound**2
        + (TURN_SHARE * less) ** 2
        + (100 * RADIUS_TURNS * np.array(radius)) ** 2
        + (drift.std_error or 0.0) ** 2
        + TURN_FLOOR**2
    )
    wide = np.hypot(narrow, weak)
    none = np.array([f.sound for f in fits])
    odds = np.where(none, FAULT_PRIOR / SOUND_PRIOR, PAIR_ODDS)
    unseen = np.log(odds / wide) - 0.5 * (left / wide) ** 2
    either = np.logaddexp(-np.log(narrow) - 0.5 * (left / narrow) ** 2, unseen)
    shares = np.array([f.share for f in fits]) * np.exp(either - either.max())
    shares /= shares.sum()
    hidden = shares * np.exp(unseen - either)
    return (
        [replace(f, share=float(s)) for f, s in zip(fits, shares, strict=True)],
        float(hidden.sum()),
        float(hidden[none].sum()),
    )


def _mending(fit: Fitted) -> Change:
    """The change that takes away what a hypothesis claims; a radius is left as it is."""
    named = {cause for cause, _ in fit.causes}
    shift = -fit.z[:2] if "mass_off_centre" in named else np.zeros(2)
    return Change(
        shift_x=float(shift[0]),
        shift_y=float(shift[1]),
        serviced=tuple(c for c in fit.causes if c[0] in SERVICED),
    )


def _why(model: Model, better: Fitted, worse: Fitted, *, against: bool = False) -> list[str]:
    """What speaks for one hypothesis against another: balances missed, tolerances stretched.

    With `against` the words are about the worse one, else they say what would be so otherwise.
    """
    start = "with it " if against else "otherwise "
    other = "otherwise" if against else "with it"
    lines = [
        (
            second**2 - first**2,
            f"{start}{kind} is {second:.1f} standard errors off ({other} {first:.1f})",
        )
        for kind, first, second in zip(
            model.kinds,
            *(model.by_kind(f.residuals).tolist() for f in (better, worse)),
            strict=True,
        )
    ]
    stretched = [((f.z - f.mean) / f.sd) ** 2 for f in (better, worse)]
    for k, word in enumerate(model.parameter_words()):
        times = 0.5 * math.sqrt(float(stretched[1][k]))
        # A fault's own prior is wide: only what must be sound can be stretched.
        if word and times > 0.7 and worse.sd[k] <= better.sd[k] * 1.001:
            text = f"{start}{word} would be {times:.1f} times the tolerance"
            lines.append((float(stretched[1][k] - stretched[0][k]), text))
    lines.sort(key=lambda line: -line[0])
    return [text for gain, text in lines[:3] if gain > 1.0]


def _magnitude(model: Model, own: Sequence[Fitted], cause: str, wheel: str | None) -> Estimate:
    pick = np.zeros(model.size)
    if cause == "mass_off_centre":
        place = [averaged(own, np.eye(model.size)[axis]) for axis in range(2)]
        size = math.hypot(place[0][0], place[1][0])
        error = math.hypot(place[0][0] * place[0][1], place[1][0] * place[1][1]) / max(size, 1e-6)
        return Estimate.of(1e3 * size, 1e3 * error, "mm")
    assert wheel is not None
    k = model.robot.wheel_names.index(wheel)
    if cause == "radius_mismatch":
        at = model.index("eps")
        pick[at : at + model.w] = -1.0 / model.w
        pick[at + k] += 1.0
        value, error = averaged(own, pick)
        return Estimate.of(100 * value, 100 * error, "%")
    pick[model.index(PARAMETER[cause], k)] = 1.0
    value, error = averaged(own, pick)
    if cause == "weak_motor":
        ratio = math.exp(value)
        return Estimate.of(100 * (ratio - 1), 100 * ratio * error, "% resistance above the others")
    if cause == "roller_drag":
        pick[model.index("delta")] = 1.0
        value, error = averaged(own, pick)
        force = model.drag0 * math.exp(value) * model.weight / model.w
        return Estimate.of(force, force * math.hypot(error, DRAG_LEVEL), "N")
    pick[model.index("axle")] = 1.0
    value, error = averaged(own, pick)
    torque = model.axle0 * math.exp(value)
    return Estimate.of(torque, torque * error, "N m")


def _weighed(run: Run) -> tuple[float | None, Estimate, str]:
    """Probability that the scales find the mass off centre, by how much, and in words."""
    gauges = _scale_gauges(run)
    if not gauges:
        return None, Estimate.undetermined("mm", "not weighed"), ""
    limit = np.full(2, run.robot.centre_tolerance)
    place, errors = np.array([(g.value, g.std_error) for g in gauges]).T
    off = share_outside(place, errors, -limit, limit)
    x, y = gauges
    size = math.hypot(x.value, y.value)
    error = math.hypot(x.value * x.std_error, y.value * y.std_error) / max(size, 1e-6)
    words = f"corner scales: x = {1e3 * x.value:+.0f}, y = {1e3 * y.value:+.0f} mm"
    return off, Estimate.of(1e3 * size, 1e3 * error, "mm"), words


def _without_motors(run: Run, motion: Motion, drift: Estimate, others: float, add: Any) -> None:
    """Without motor data: what motion alone can say, and the open group by name."""
    limit = run.robot.tolerance.yaw_drift_deg_per_m
    closure = [e.value for e in motion.closure.values() if e.value is not None]
    loud = drift.value is not None and abs(drift.value) > limit
    twisted = bool(closure) and abs(closure[0] - closure[-1]) / 2 > 6
    elsewhere = _points_elsewhere(run)
    blind = "wheels point elsewhere than ahead" if elsewhere else "without motor data"
    unknown = Estimate.undetermined("", blind if elsewhere else "needs motor currents or volts")
    off, weighed, told = _weighed(run)
    if off is not None:
        add("mass_off_centre", None, off * others, weighed, [told])
    level = 1 - (off or 0.0)
    group = "mass off centre, roller drag, axle drag and a weak motor look alike"
    if run.robot.drive_mode == "power" and not loud and not twisted and drift.value is not None:
        add(
            "none", None, 0.7 * level * others, unknown,
            [f"yaw drift {drift} and closure within tolerance"],
        )  # fmt: skip
        add("undetermined", None, 0.25 * level * others, unknown, [blind])
        return
    said = f"yaw drift {drift}" if drift.value is not None else "no heading in this recording"
    # A mass known to be off centre may explain the drift; drag and motors stay open beside it.
    still = 0.62 * (0.5 + 0.5 * level) * others
    add("undetermined", None, still, unknown, [f"{said}; {blind}: {group}"])
    add("none", None, 0.13 * level * others, unknown, [])
    if off is None:
        add("mass_off_centre", None, 0.14 * others, unknown, [f"open: {blind}"])
    for k, name in enumerate(run.robot.wheel_names):
        radius = motion.relative_radius[k]
        away = 0.0
        if radius.value is not None and radius.std_error:
            away = abs(radius.value - 1) / max(radius.std_error, 1e-6)
        if away > 2.5:
            add(
                "radius_mismatch", name, min(0.4, 0.1 * away) * others,
                radius, [f"effective radius {radius} of the mean"],
            )  # fmt: skip
        for kind in SERVICED:
            add(kind, name, 0.1 * others / run.robot.x.size, unknown, [f"open: {blind}"])
