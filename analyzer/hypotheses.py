"""Hypotheses about the base, each a prior of its own on the parameter vector, and their weights.

Evidence is Laplace's approximation, -cost/2 - log det(Hessian)/2. Sound spreads are the tolerance:
a fault has to exceed them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analyzer.balances import Model

SOUND_PRIOR = 0.2
FAULT_PRIOR = 0.125
"""Prior of a sound base, and of each kind of fault over all wheels."""
WEAK_MOTOR = 1.6
"""Resistance of a weak motor over the others', middle of what is expected [-]."""
PARAMETER = {"roller_drag": "q", "axle_drag": "b", "weak_motor": "rho", "radius_mismatch": "eps"}
"""Faults of one wheel, and the parameter that each changes."""
SERVICED = ("roller_drag", "axle_drag", "weak_motor")
"""Those that service of the wheel takes away."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """One hypothesis after its fit.

    Attributes
    ----------
    causes : tuple of (str, str or None)
        Cause words with their wheels.
    share : float
        Posterior share among all hypotheses. [-]
    z, covariance : ndarray
        Most probable parameters and their covariance.
    mean, sd : ndarray
        Its normal prior.
    residuals : ndarray, shape (residuals,)
        Whitened data residuals at the most probable parameters.
    """

    causes: tuple[tuple[str, str | None], ...]
    share: float
    z: np.ndarray
    covariance: np.ndarray
    mean: np.ndarray
    sd: np.ndarray
    residuals: np.ndarray

    @property
    def sound(self) -> bool:
        """Whether it claims that nothing is at fault."""
        return self.causes == (("none", None),)

    @property
    def chi2(self) -> float:
        """Sum of squared data residuals."""
        return float(self.residuals @ self.residuals)

    @property
    def misfit(self) -> float:
        """Sum of squared data residuals over their number; about one where the model holds."""
        return self.chi2 / self.residuals.size


def weigh(model: Model, *, motors_seen: bool) -> list[Fitted]:
    """Fit every hypothesis and give each its posterior share.

    Parameters
    ----------
    model : Model
        Balances of the run.
    motors_seen : bool
        Whether volts are known, so that a weak motor can show.

    Returns
    -------
    list of Fitted
        Shares sum to one.
    """
    robot = model.robot
    names = robot.wheel_names
    w = len(names)
    mean0, sd0 = model.sound_prior()
    base = math.log

    def with_mass(mean: np.ndarray, sd: np.ndarray) -> None:
        sd[0] = 0.3 * float(np.mean(np.abs(robot.x)))
        sd[1] = 0.3 * float(np.mean(np.abs(robot.y)))

    def with_fault(kind: str, k: int, mean: np.ndarray, sd: np.ndarray) -> None:
        at = model.index(PARAMETER[kind], k)
        mean[at], sd[at] = {
            "roller_drag": (base(2.5), base(1.7)),
            "axle_drag": (base(2.5), base(1.6)),
            "weak_motor": (base(WEAK_MOTOR), base(1.35)),
            "radius_mismatch": (0.0, 0.01),
        }[kind]

    plans: list[tuple[tuple[tuple[str, str | None], ...], float]] = [
        ((("none", None),), SOUND_PRIOR),
        ((("mass_off_centre", None),), 0.14),
    ]
    kinds = [k for k in PARAMETER if k != "weak_motor" or motors_seen]
    for kind in kinds:
        for name in names:
            plans.append((((kind, name),), FAULT_PRIOR / w))
            plans.append(((("mass_off_centre", None), (kind, name)), 0.03 / w))
    means, sds = np.tile(mean0, (len(plans), 1)), np.tile(sd0, (len(plans), 1))
    for (causes, _), mean, sd in zip(plans, means, sds, strict=True):
        for kind, wheel in causes:
            if kind == "mass_off_centre":
                with_mass(mean, sd)
            elif wheel is not None:
                with_fault(kind, names.index(wheel), mean, sd)
    z, covariance, evidence, residuals = model.fit(means, sds)
    fits: list[tuple[float, Fitted]] = []
    for i, (causes, prior) in enumerate(plans):
        if not (math.isfinite(evidence[i]) and np.all(np.isfinite(covariance[i]))):
            continue
        weight = math.log(prior) + float(evidence[i])
        for kind, wheel in causes:
            at, *within = _claimed(model, kind, wheel)
            if not at:
                continue
            # A fault lies beyond tolerance: its prior, and so its evidence, has no share within.
            spread = np.sqrt(np.diag(covariance[i])[at])
            reached = share_outside(z[i][at], spread, *within)
            reached /= share_outside(means[i][at], sds[i][at], *within)
            weight += math.log(max(reached, 1e-9))
        fit = Fitted(
            causes=causes, share=0.0, z=z[i], covariance=covariance[i], mean=means[i], sd=sds[i],
            residuals=residuals[i],
        )  # fmt: skip
        fits.append((weight, fit))
    if not any(fit.sound for _, fit in fits):
        return []
    best = max(fits, key=lambda f: f[0])[1]
    # A best fit far above its degrees of freedom means that something is not in the model:
    # every probability is lowered by the ratio (a tempered posterior).
    logs = np.array([weight for weight, _ in fits]) / max(1.0, best.misfit)
    shares = np.exp(logs - logs.max())
    shares /= shares.sum()
    return [replace(fit, share=float(s)) for (_, fit), s in zip(fits, shares, strict=True)]


def _claimed(
    model: Model, kind: str, wheel: str | None
) -> tuple[list[int], np.ndarray, np.ndarray]:
    """Places of the parameters that a cause says are beyond tolerance, and the range within."""
    if kind == "mass_off_centre":
        limit = np.full(2, model.robot.centre_tolerance)
        return [0, 1], -limit, limit
    if wheel is None:
        return [], np.empty(0), np.empty(0)
    tolerance = model.robot.tolerance
    # One wheel that differs pulls the mean of all radii along.
    radius = tolerance.relative_radius * model.w / (model.w - 1)
    low, high = {
        "roller_drag": (-math.inf, math.log1p(tolerance.roller_drag_share)),
        "axle_drag": (-math.inf, math.log1p(tolerance.axle_drag_share)),
        "weak_motor": (-math.inf, math.log1p(tolerance.motor_resistance_share)),
        "radius_mismatch": (-radius, radius),
    }[kind]
    at = model.index(PARAMETER[kind], model.robot.wheel_names.index(wheel))
    return [at], np.array([low]), np.array([high])


def share_outside(mean: np.ndarray, sd: np.ndarray, low: np.ndarray, high: np.ndarray) -> float:
    """Chance that one or more of several independent normal quantities lie outside their ranges.

    Parameters
    ----------
    mean, sd : ndarray, shape (n,)
        Of the quantities.
    low, high : ndarray, shape (n,)
        Ends of the ranges; infinite where a range has none.

    Returns
    -------
    float
        Between 0 and 1.
    """
    inside = 1.0
    for m, s, a, b in zip(mean, sd * math.sqrt(2), low, high, strict=True):
        inside *= 0.5 * (math.erf((b - m) / s) - math.erf((a - m) / s))
    return 1.0 - inside


def averaged(fits: Sequence[Fitted], pick: np.ndarray) -> tuple[float, float]:
    """Model average of a linear combination of parameters, with the spread between models.

    Parameters
    ----------
    fits : sequence of Fitted
        Hypotheses with their shares.
    pick : ndarray, shape (parameters,)
        Combination.

    Returns
    -------
    value, std_error : float
        Mean and standard deviation of the mixture.
    """
    values = np.array([float(f.z @ pick) for f in fits])
    variances = np.array([float(pick @ f.covariance @ pick) for f in fits])
    # What is as good as ruled out may have shares too small for a number.
    shares = np.maximum([f.share for f in fits], 1e-300)
    shares = shares / shares.sum()
    mean = float(shares @ values)
    return mean, math.sqrt(float(shares @ (variances + (values - mean) ** 2)))
