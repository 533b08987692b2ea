"""What a change would bring to the passes of a recording, as a difference to what was seen.

The balances are solved `forward` for draws from the hypotheses, before and after the change.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analyzer.balances import Group
from analyzer.causes import Diagnosis
from analyzer.forward import Change, changed, turned_by
from analyzer.hypotheses import Fitted
from analyzer.motion import Motion
from analyzer.quantities import Estimate

DRAWS = 120
MODEL_SHARE = 0.12
"""Error of a predicted change, as share of the change [-]: bench work."""
DRIFT_FLOOR = 0.35
"""Error of a predicted yaw drift that no change explains [deg/m]: bench work, roller phase."""
CREEP_FLOOR = 2.0
"""The same of a predicted creep [mm/m]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Predicted:
    """Sideways passes of one side and speed, as seen and as they should be after a change.

    Attributes
    ----------
    kind : str
        "left" or "right".
    speed : float
        Speed before the change. [m/s]
    yaw_drift_before, yaw_drift_after : Estimate
        Heading change per metre. [deg/m]
    creep_before, creep_after : Estimate
        Path ahead per metre sideways; undetermined without a reference. [mm/m]
    """

    kind: str
    speed: float
    yaw_drift_before: Estimate
    yaw_drift_after: Estimate
    creep_before: Estimate
    creep_after: Estimate


def by_speed(predicted: Sequence[Predicted]) -> list[dict[str, Any]]:
    """Predictions as the result file holds them.

    Parameters
    ----------
    predicted : sequence of Predicted
        Outcome of `predict`.

    Returns
    -------
    list of dict
        One entry a side and speed.
    """
    return [
        {
            "kind": p.kind,
            "speed_m_per_s": p.speed,
            "yaw_drift_before_deg_per_m": p.yaw_drift_before.as_json(),
            "yaw_drift_deg_per_m": p.yaw_drift_after.as_json(),
            "creep_mm_per_m": p.creep_after.as_json(),
        }
        for p in predicted
    ]


def arc_path(kind: str, drift: float, creep: float, distance: float) -> np.ndarray:
    """Path and heading of a sideways pass of constant yaw drift and creep.

    Parameters
    ----------
    kind : str
        "left" or "right".
    drift : float
        Heading change per metre. [deg/m]
    creep : float
        Path ahead per metre sideways. [mm/m]
    distance : float
        Path driven sideways. [m]

    Returns
    -------
    ndarray, shape (41, 3)
        x, y and heading from the start. [m, m, rad]
    """
    s = np.linspace(0.0, distance, 41)
    heading = math.radians(drift) * s
    side = 1.0 if kind == "left" else -1.0
    ahead = creep / 1e3
    step = np.diff(s)
    middle = (heading[1:] + heading[:-1]) / 2
    x = np.cumsum((ahead * np.cos(middle) - side * np.sin(middle)) * step)
    y = np.cumsum((ahead * np.sin(middle) + side * np.cos(middle)) * step)
    return np.stack([np.concatenate([[0.0], x]), np.concatenate([[0.0], y]), heading], axis=1)


def draws_of(fits: Sequence[Fitted], count: int = DRAWS) -> np.ndarray:
    """Draw parameter vectors from the mixture of hypotheses, the same ones every time.

    Parameters
    ----------
    fits : sequence of Fitted
        Hypotheses with their shares.
    count : int
        Number of draws.

    Returns
    -------
    ndarray, shape (count, parameters)
        Draws; a hypothesis gets its share of them.
    """
    rng = np.random.default_rng(20260101)
    shares = np.array([f.share for f in fits])
    order = np.argsort(-shares)
    edges = np.cumsum(shares[order]) / shares.sum()
    which = order[np.searchsorted(edges, (np.arange(count) + 0.5) / count).clip(0, len(fits) - 1)]
    out = np.empty((count, fits[0].z.size))
    for k in np.unique(which):
        mine = which == k
        values, vectors = np.linalg.eigh(fits[k].covariance)
        # The symmetric root: the signs of eigenvectors are chance, and the draws must not hang on them.
        root = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
        # In pairs to both sides, so that chance does not move the middle.
        size = int(mine.sum())
        half = rng.standard_normal(((size + 1) // 2, fits[0].z.size)) @ root
        out[mine] = fits[k].z + np.concatenate([half, -half])[:size]
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class LeverEffect:
    """What a program makes of turns and sideways passes with some yaw lever.

    Attributes
    ----------
    believed : Estimate
        What its wheel odometry says of one full turn really made. [deg]
    turned : Estimate
        What the base really turns where the program asks for one full turn, and the wheels keep
        the speeds they are asked for. [deg]
    sideways : tuple of (str, float, Estimate, Estimate)
        Side, speed [m/s], heading change per metre as wheel odometry says, and as it really
        is. [deg/m]
    """

    believed: Estimate
    turned: Estimate
    sideways: tuple[tuple[str, float, Estimate, Estimate], ...]


def with_lever(motion: Motion, nominal: float, lever: float) -> LeverEffect:
    """Say what another yaw lever in the program changes: its belief, not the sideways passes.

    Parameters
    ----------
    motion : Motion
        Motion of the recording.
    nominal : float
        Yaw lever that the recording was analysed with. [m]
    lever : float
        Yaw lever that the program is to use. [m]

    Returns
    -------
    LeverEffect
        Full turns are undetermined where the recording does not measure the lever.

    Notes
    -----
    The third column of the rolling matrix is proportional to the lever, so the third row of its
    pseudoinverse goes with the inverse of the lever, and the wheel speeds of a turn with the lever
    [derived]. No turn is asked for in a sideways pass: its wheel speeds do not hold the lever.
    """
    true, full = motion.yaw_lever, 360.0
    turned = true.scaled(1.0, "°")
    if true.value and true.std_error is not None and true.low and true.high:
        turned = Estimate(
            value=full * lever / true.value,
            std_error=full * lever * true.std_error / true.value**2,
            unit="°",
            low=full * lever / true.high,
            high=full * lever / true.low,
        )
    degrees = 180 / math.pi
    return LeverEffect(
        believed=true.scaled(full / lever, "°"),
        turned=turned,
        sideways=tuple(
            (b.kind, b.speed, b.rolled.scaled(degrees * nominal / lever, "°/m"), b.total.scaled(degrees, "°/m"))
            for b in motion.by_speed
            if b.kind in {"left", "right"}
        ),
    )  # fmt: skip


def _nearest(groups: Sequence[Group], speed: float) -> Group:
    return min(groups, key=lambda g: abs(math.log(max(g.speed, 1e-3) / max(speed, 1e-3))))


def predict(diagnosis: Diagnosis, motion: Motion, change: Change) -> tuple[Predicted, ...]:
    """Predict the sideways passes after a change.

    Parameters
    ----------
    diagnosis : Diagnosis
        Diagnosis of the recording.
    motion : Motion
        Its motion.
    change : Change
        What is changed.

    Returns
    -------
    tuple of Predicted
        One for each side and speed that was driven; empty where forces are not known, the wheels
        slide or no heading is known.
    """
    model = diagnosis.model
    rows = [b for b in motion.by_speed if b.kind in {"left", "right"} and b.total.value is not None]
    sides = [] if model is None else [g for g in model.groups if g.kind == "side"]
    if model is None or not sides or not rows:
        return ()
    z = draws_of(diagnosis.fits)
    after = changed(model, z, change)
    factors = np.ones(model.w) if change.factors is None else np.array(change.factors)
    moved: dict[int, tuple[np.ndarray, np.ndarray]] = {}
    out = []
    for row in rows:
        group = _nearest(sides, row.speed)
        if id(group) not in moved:
            # The group is the odd part, for a pass to the left; the other side mirrors it.
            moved[id(group)] = turned_by(model, group, z, after, factors)
        yaw, ahead = moved[id(group)]
        side = 1.0 if row.kind == "left" else -1.0
        before = row.total.scaled(180 / math.pi, "°/m")
        creep = row.creep
        out.append(
            Predicted(
                kind=row.kind,
                speed=row.speed,
                yaw_drift_before=before,
                yaw_drift_after=_after(before, side * yaw, DRIFT_FLOOR),
                creep_before=creep,
                creep_after=_after(creep, side * ahead, CREEP_FLOOR),
            )
        )
    return tuple(out)


def _after(before: Estimate, shift: np.ndarray, floor: float) -> Estimate:
    if before.value is None or before.std_error is None:
        return before
    moved = float(np.median(shift))
    # Quantiles, not the standard deviation: draws of a linearised fit have wild tails.
    low, high = np.percentile(shift, [16, 84])
    spread = (float(high) - float(low)) / 2
    if moved == 0.0 and spread == 0.0:
        return before
    error = math.sqrt(before.std_error**2 + spread**2 + (MODEL_SHARE * moved) ** 2 + floor**2)
    return Estimate.of(before.value + moved, error, before.unit)


def odd_part(predicted: Sequence[Predicted], *, creep: bool = False) -> Estimate:
    """Mean over speeds of the part that changes sign with the side, after the change.

    Parameters
    ----------
    predicted : sequence of Predicted
        Outcome of `predict`.
    creep : bool
        Creep instead of yaw drift.

    Returns
    -------
    Estimate
        (left - right) / 2 [deg/m, or mm/m]; undetermined where a side is missing.
    """
    unit = "mm/m" if creep else "°/m"
    means = []
    for kind in ("left", "right"):
        rows = [p.creep_after if creep else p.yaw_drift_after for p in predicted if p.kind == kind]
        known = [e for e in rows if e.value is not None and e.std_error is not None]
        if not known:
            return Estimate.undetermined(unit, rows[0].why if rows else f"no pass to the {kind}")
        means.append(
            (
                float(np.mean([e.value for e in known if e.value is not None])),
                math.sqrt(float(np.mean([(e.std_error or 0.0) ** 2 for e in known]))),
            )
        )
    (left, left_error), (right, right_error) = means
    return Estimate.of((left - right) / 2, max(left_error, right_error), unit)
