"""What the rows of many recordings tell: worst drifts, wheels due, outliers, change with hours."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from analyzer.quantities import Estimate

SUMMARY_SCHEMA = "crabwise-fleet-summary/1"

SHOWN: dict[str, tuple[str, str, float]] = {
    "yaw_drift_left_deg_per_m": ("yaw drift to the left", "°/m", 1.0),
    "yaw_drift_right_deg_per_m": ("yaw drift to the right", "°/m", 1.0),
    "closure_left_mm_per_m": ("closure to the left", "mm/m", 1.0),
    "closure_right_mm_per_m": ("closure to the right", "mm/m", 1.0),
    "creep_left_mm_per_m": ("creep to the left", "mm/m", 1.0),
    "creep_right_mm_per_m": ("creep to the right", "mm/m", 1.0),
    "sideways_ratio": ("sideways ratio", "", 1.0),
    "yaw_lever_m": ("yaw lever", "mm", 1e3),
    "centre_of_mass_x_m": ("centre of mass ahead", "mm", 1e3),
    "centre_of_mass_y_m": ("centre of mass to the left", "mm", 1e3),
}
"""Measures held against the fleet: words, unit on the screen, factor from the row's unit."""

OUTLYING = 3.5
"""Modified z-score above which a robot stands out [-]: Iglewicz & Hoaglin (1993), "How to detect and
handle outliers", ASQC (value from memory, common practice)."""
FLEET_LEAST = 5
"""Robots below which a fleet has no spread to stand out from [-]."""
LATEST = 3
"""Recordings of a robot, the latest, on which its present state is judged [-]."""
LINES_MOST = 400
"""Measures of robots whose course over the hours is kept in the summary [-]."""
DUE = 0.5
"""Mean probability over the latest recordings at which a wheel is due for service [-]."""


def summarise(rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Sum up a fleet.

    Parameters
    ----------
    rows : sequence of dict
        Rows of `fleet.read_fleet` (``table.to_pylist()``), with `robot` and `date`.

    Returns
    -------
    dict
        Schema ``crabwise-fleet-summary/1``: `counts`, `robots` (worst drift first), `wheels_due`,
        `causes` (count of first causes), `outliers`, `spread`, `trends`, `failed`. Estimates as in
        the result file.
    """
    good = [r for r in rows if r["status"] == "ok"]
    failed = [r for r in rows if r["status"] != "ok"]
    robots: dict[str, list[dict[str, Any]]] = {}
    for row in sorted(rows, key=lambda r: (r["robot"], r["recorded_at"], r["recording"])):
        robots.setdefault(row["robot"], []).append(row)
    hours = {name: _hours(own) for name, own in robots.items()}
    outliers, spread, why = _outliers(robots)
    causes: dict[str, int] = {}
    for row in good:
        causes[row["cause"] or "undetermined"] = causes.get(row["cause"] or "undetermined", 0) + 1
    dates = [r["date"].isoformat() for r in rows]
    return {
        "schema": SUMMARY_SCHEMA,
        "counts": {
            "recordings": len(rows),
            "failed": len(failed),
            "robots": len(robots),
            "hours": sum(r["duration_s"] or 0.0 for r in good) / 3600,
            "driven_m": sum(r["driven_m"] or 0.0 for r in good),
            "first_date": min(dates, default=None),
            "last_date": max(dates, default=None),
        },
        "robots": sorted(
            (_robot(name, own, hours[name]) for name, own in robots.items()),
            key=lambda r: -(r["worst_drift_deg_per_m"] or 0.0),
        ),
        "wheels_due": _wheels_due(robots),
        "causes": [
            {"cause": c, "recordings": n} for c, n in sorted(causes.items(), key=lambda i: -i[1])
        ],
        "outliers": outliers,
        "outliers_why": why,
        "spread": spread,
        "trends": _trends(robots, hours),
        "failed": [
            {q: r[q] for q in ("robot", "recording", "message")} | {"date": r["date"].isoformat()}
            for r in failed
        ],
    }


def _hours(own: Sequence[dict[str, Any]]) -> list[float]:
    """Recorded hours of a robot up to the end of each recording."""
    return [float(h) for h in np.cumsum([r["duration_s"] or 0.0 for r in own]) / 3600]


def _mean(rows: Sequence[dict[str, Any]], name: str) -> Estimate:
    """Mean of a measure over recordings: weighed by 1/std_error², never better than their scatter."""
    pairs = [
        (r[name], r[f"{name}_std_error"])
        for r in rows
        if r.get(name) is not None and r.get(f"{name}_std_error")
    ]
    if not pairs:
        return Estimate.undetermined("", "no recording tells it")
    values, errors = (np.array(p) for p in zip(*pairs, strict=True))
    weight = 1 / errors**2
    value = float(weight @ values / weight.sum())
    error = float(weight.sum() ** -0.5)
    if values.size > 1:
        chi2 = float(weight @ (values - value) ** 2) / (values.size - 1)
        error *= math.sqrt(max(1.0, chi2))  # Birge ratio: common practice
    return Estimate.of(
        value, error, "", dof=max(1, values.size - 1) if values.size > 1 else math.inf
    )


def _robot(name: str, own: Sequence[dict[str, Any]], hours: Sequence[float]) -> dict[str, Any]:
    good = [r for r in own if r["status"] == "ok"]
    sides = ("yaw_drift_left_deg_per_m", "yaw_drift_right_deg_per_m")
    drifts = [(abs(r[s]), r) for r in good for s in sides if r[s] is not None]
    worst = max(drifts, key=lambda d: d[0], default=(None, None))
    latest = good[-LATEST:]
    last = good[-1] if good else None
    return {
        "robot": name,
        "recordings": len(own),
        "failed": len(own) - len(good),
        "hours": hours[-1] if hours else 0.0,
        "first_date": own[0]["date"].isoformat(),
        "last_date": own[-1]["date"].isoformat(),
        "worst_drift_deg_per_m": worst[0],
        "worst_recording": worst[1]["recording"] if worst[1] else None,
        "latest": {s: _mean(latest, s).scaled(1.0, "°/m").as_json() for s in sides},
        "cause": None if last is None else last["cause"],
        "cause_wheel": None if last is None else last["cause_wheel"],
        "cause_probability": None if last is None else last["cause_probability"],
    }


def _wheels_due(robots: dict[str, list[dict[str, Any]]]) -> list[dict[str, Any]]:
    due = []
    for name, own in robots.items():
        latest = [r for r in own if r["status"] == "ok"][-LATEST:]
        seen: dict[str, list[tuple[float, str | None]]] = {}
        for row in latest:
            for wheel in row["wheels"] or []:
                seen.setdefault(wheel["wheel"], []).append(
                    (wheel["service_probability"] or 0.0, wheel["service_cause"])
                )
        for wheel, said in seen.items():
            mean = sum(p for p, _ in said) / len(latest)
            if mean < DUE:
                continue
            weights: dict[str, float] = {}
            for p, cause in said:
                if cause:
                    weights[cause] = weights.get(cause, 0.0) + p
            since = _since(own, wheel)
            due.append(
                {
                    "robot": name,
                    "wheel": wheel,
                    "cause": max(weights, key=lambda c: weights[c]),
                    "probability": mean,
                    "recordings": len(latest),
                    "since": since,
                }
            )
    return sorted(due, key=lambda d: -d["probability"])


def _since(own: Sequence[dict[str, Any]], wheel: str) -> str | None:
    """Date from which on every recording says that the wheel is due."""
    since = None
    for row in reversed([r for r in own if r["status"] == "ok"]):
        said = [w["service_probability"] or 0.0 for w in row["wheels"] or [] if w["wheel"] == wheel]
        if not said or said[0] < DUE:
            break
        since = row["date"].isoformat()
    return since


def _outliers(
    robots: dict[str, list[dict[str, Any]]],
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], str]:
    """Robots whose latest state lies outside the spread of the others."""
    out: list[dict[str, Any]] = []
    spread: list[dict[str, Any]] = []
    if len(robots) < FLEET_LEAST:
        return [], [], f"Robots here: {len(robots)}; a spread needs {FLEET_LEAST} at least."
    for name, (words, unit, factor) in SHOWN.items():
        means = {
            robot: _mean([r for r in own if r["status"] == "ok"][-LATEST:], name)
            for robot, own in robots.items()
        }
        known = {q: e for q, e in means.items() if e.value is not None and e.std_error is not None}
        if len(known) < FLEET_LEAST:
            continue
        values = np.array([float(e.value or 0.0) for e in known.values()])
        middle = float(np.median(values))
        scale = 1.4826 * float(np.median(np.abs(values - middle)))
        # A robot must leave the spread by more than its own uncertainty explains: half its interval,
        # as a normal quantity's would be, since a standard error from three recordings says little.
        own = {q: (float(e.high or 0.0) - float(e.low or 0.0)) / 3.92 for q, e in known.items()}
        scores = {
            robot: (float(e.value or 0.0) - middle) / max(math.hypot(scale, own[robot]), 1e-12)
            for robot, e in known.items()
        }
        spread.append(
            {
                "measure": name,
                "words": words,
                "unit": unit,
                "median": middle * factor,
                "spread": scale * factor,
                "robots": {q: float(e.value or 0.0) * factor for q, e in known.items()},
                "scores": scores,
            }
        )
        for robot, e in known.items():
            score = scores[robot]
            if abs(score) > OUTLYING:
                out.append(
                    {
                        "robot": robot,
                        "measure": name,
                        "words": words,
                        "value": e.scaled(factor, unit).as_json(),
                        "median": middle * factor,
                        "unit": unit,
                        "score": score,
                    }
                )
    out.sort(key=lambda o: -abs(float(o["score"])))
    return out, spread, ""


def _trends(
    robots: dict[str, list[dict[str, Any]]], hours: dict[str, list[float]]
) -> list[dict[str, Any]]:
    """Measures against recorded hours: points and slope."""
    out = []
    for robot, own in robots.items():
        for name, (words, unit, factor) in SHOWN.items():
            rows = [
                (h, r[name] * factor, r[f"{name}_std_error"] * factor, r["recording"])
                for h, r in zip(hours[robot], own, strict=True)
                if r.get(name) is not None and r.get(f"{name}_std_error")
            ]
            if len(rows) < 2:
                continue
            at, value, error = (np.array([r[k] for r in rows], float) for k in range(3))
            # Not further ahead than the hours that were seen, by much.
            span = 100.0 if np.ptp(at) > 20 else 1.0
            per = f"{unit} per 100 h" if span > 1 else f"{unit} per h"
            out.append(
                {
                    "robot": robot,
                    "measure": name,
                    "words": words,
                    "unit": unit,
                    "hours": at.tolist(),
                    "values": value.tolist(),
                    "std_errors": error.tolist(),
                    "recordings": [r[3] for r in rows],
                    "change": slope(at, value, error, per).scaled(span, per.strip()).as_json(),
                }
            )
    # What changes most, in units of its uncertainty: a fleet of thousands must stay readable.
    out.sort(key=lambda t: -float(np.ptp(t["values"]) / max(np.median(t["std_errors"]), 1e-12)))
    return out[:LINES_MOST]


def slope(at: np.ndarray, value: np.ndarray, error: np.ndarray, unit: str) -> Estimate:
    """Slope of a weighted straight line.

    Parameters
    ----------
    at, value, error : ndarray, shape (n,)
        Abscissa, ordinate, standard error of the ordinate.
    unit : str
        Unit of the slope.

    Returns
    -------
    Estimate
        Undetermined with fewer than four points or all at one place.

    Notes
    -----
    Weighted least squares (from memory):
    b = sum w (x - xm)(y - ym) / sum w (x - xm)², s_b² = 1 / sum w (x - xm)², times the reduced chi²
    where that exceeds one. Held against statsmodels in the tests.
    """
    if at.size < 4 or np.ptp(at) == 0:
        return Estimate.undetermined(unit, "needs four recordings at least")
    weight = 1 / error**2
    weight = weight / weight.max()
    x = at - weight @ at / weight.sum()
    y = value - weight @ value / weight.sum()
    energy = float(weight @ x**2)
    steep = float(weight @ (x * y)) / energy
    rest = y - steep * x
    chi2 = float(np.sum((rest / error) ** 2)) / (at.size - 2)
    sigma = float(error.min()) / math.sqrt(energy) * math.sqrt(max(1.0, chi2))
    return Estimate.of(steep, sigma, unit, dof=at.size - 2)
