"""Free tracking wheels: their own calibration against a reference or a tape, over passes."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analyzer.kinematics import tracking_rows
from analyzer.motion import PassMotion
from analyzer.quantities import Estimate, mean_estimate
from analyzer.run import Run

LEAST_TURN = 1.0
"""Turn from which a pass tells the lever of a tracking wheel [rad]."""


def calibrate_tracking(
    run: Run, passes: Sequence[PassMotion], *, taped: bool
) -> dict[str, dict[str, Estimate]]:
    """Radius factor and lever of every tracking wheel.

    Parameters
    ----------
    run : Run
        The aligned run.
    passes : sequence of PassMotion
        Measured passes.
    taped : bool
        Whether the paths of the passes come from a tape.

    Returns
    -------
    dict of str to dict
        Per wheel: ``radius_m`` as measured, and ``lever_m``, its path per turn of the base
        (x sin h - y cos h), with the described lever in ``described_lever_m``.

    Notes
    -----
    Least squares over passes of s = a (cos h X + sin h Y) + b Psi, s being the wheel's path at its
    described radius; the radius is the described one over a, the lever b over a. Where the
    reference comes from these very wheels, only the turns tell anything: b = (s - rolled path) / Psi,
    with a third of the rolled path as error, for the wheels slip in turns.
    """
    wheels = run.robot.tracking_wheels
    if run.tracking_path is None or not wheels:
        return {}
    heading = np.radians([w.heading_deg for w in wheels])
    rows = tracking_rows(
        np.array([w.x_m for w in wheels]), np.array([w.y_m for w in wheels]), heading
    )
    independent = taped or run.reference_source in {"pose", "speeds"}
    at = [(m.start, min(m.stop, run.t.size - 1)) for m in passes]
    turn = np.array([m.path[2] for m in passes])
    out: dict[str, dict[str, Estimate]] = {}
    for k, wheel in enumerate(wheels):
        gone = np.array([run.tracking_path[b, k] - run.tracking_path[a, k] for a, b in at])
        described = float(rows[k, 2])
        entry = {"described_lever_m": Estimate.of(described, 0.0, "m")}
        along = np.array([float(rows[k, :2] @ m.path[:2]) for m in passes])
        good = np.isfinite(gone) & np.isfinite(along) & np.isfinite(turn)
        spread = np.abs(along[good]).max(initial=0.0)
        if independent and good.sum() >= 4 and spread > 0.2:
            entry |= _fitted(gone[good], along[good], turn[good], wheel.radius_m)
        else:
            why = "needs a reference of another kind, or taped passes along the wheel's direction"
            entry["radius_m"] = Estimate.undetermined("m", why)
            spun = good & (np.abs(turn) > LEAST_TURN)
            # The base does not turn about its very centre; the driven wheels tell by how much.
            aside = np.array([float(rows[k, :2] @ m.rolled[:2]) for m in passes])
            away = float(np.mean(np.abs(aside[spun] / turn[spun]))) if spun.any() else 0.0
            entry["lever_m"] = (
                mean_estimate(
                    (gone[spun] - aside[spun]) / turn[spun], "m", floor=max(1e-3, 0.3 * away)
                )
                if spun.sum() >= 2
                else Estimate.undetermined("m", "needs turns on the spot, at least two, both ways")
            )
        out[wheel.name] = entry
    return out


def _fitted(
    gone: np.ndarray, along: np.ndarray, turn: np.ndarray, radius: float
) -> dict[str, Estimate]:
    turns = np.abs(turn).max() > LEAST_TURN
    design = np.column_stack([along, turn]) if turns else along[:, None]
    solution = np.linalg.lstsq(design, gone, rcond=None)[0]
    dof = gone.size - design.shape[1]
    residual = gone - design @ solution
    covariance = float(residual @ residual) / dof * np.linalg.inv(design.T @ design)
    a = float(solution[0])
    if a <= 0:
        why = "the wheel counts against its described direction: set sign = -1 for its column"
        nothing = Estimate.undetermined("m", why)
        return {"radius_m": nothing, "lever_m": nothing}
    out = {
        "radius_m": Estimate.of(
            radius / a, radius * math.sqrt(float(covariance[0, 0])) / a**2, "m", dof=dof
        )
    }
    if not turns:
        out["lever_m"] = Estimate.undetermined("m", "needs turns of a radian and more")
        return out
    b = float(solution[1])
    slope = np.array([-b / a**2, 1 / a])
    out["lever_m"] = Estimate.of(b / a, math.sqrt(float(slope @ covariance @ slope)), "m", dof=dof)
    return out
