"""Does the advice work? Follow it on the bench and drive again: ``python -m tests.bench.advice CASE...``.

For every case whose diagnosis advises something to change, the change is made to the bench's base
(mass moved, part back to sound, wheel factors) and sideways passes are driven: before, after the
first remedy, after all of them, and with the fault itself taken away. Prints what was predicted
and what happened, then the share of cases in which the advice held.
"""

from __future__ import annotations

import json
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from analyzer.pipeline import analyze
from tests.bench.base import Base, Faults
from tests.bench.cases import cases_of
from tests.bench.drive import WheelLoop, drive, sideways_script
from tests.bench.record import truth_table

PARTS = {"roller_drag": "roller_drag", "axle_drag": "axle_friction", "weak_motor": "motor_strength"}
LEAST_DRIFT = 2.0
"""Cases that drift less at both speeds have nothing to gain [deg/m]."""


def drift_of(base: Base, faults: Faults, mode: str, seed: int, factors: Any = None) -> np.ndarray:
    """Odd yaw drift at the slow and the fast speed, as really driven. [deg/m]"""
    rng = np.random.default_rng(seed)
    script = sideways_script(base.speeds, 1.5)
    trace = drive(base, faults, script, loop=WheelLoop.named(mode, base), rng=rng, factors=factors)
    table = truth_table(trace, base)
    sums: dict[tuple[float, float], list[float]] = {}
    for k, step in enumerate(script):
        part = table[table.seg == k]
        if step[1] and len(part) > 5:
            x, y, yaw = (part[c].to_numpy() for c in ("x", "y", "yaw"))
            entry = sums.setdefault((abs(step[1]), np.sign(step[1])), [0.0, 0.0])
            entry[0] += np.degrees(yaw[-1] - yaw[0])
            entry[1] += np.hypot(x[-1] - x[0], y[-1] - y[0])
    out = []
    for speed in sorted({s for s, _ in sums}):
        left, right = (sums[speed, side][0] / sums[speed, side][1] for side in (1.0, -1.0))
        out.append((left - right) / 2)
    return np.array(out)


def followed(
    faults: Faults, remedy: dict[str, Any], base: Base, *, whole: bool
) -> tuple[Faults, Any]:
    """The base after a remedy, and wheel factors where it gives some.

    `whole` moves the centre of mass as far as advised, else only as far as the listed masses reach.
    """
    if remedy["kind"] == "move_mass":
        left = remedy["remaining_m"] if remedy["moves"] and not whole else {"x": 0.0, "y": 0.0}
        return replace(
            faults,
            cg_dx=faults.cg_dx + remedy["shift_m"]["x"] - left["x"],
            cg_dy=faults.cg_dy + remedy["shift_m"]["y"] - left["y"],
        ), None  # fmt: skip
    if remedy["kind"] == "wheel_factors":
        return faults, np.array([remedy["factors"][w] for w in base.wheels])
    name = PARTS[remedy["part"]]
    values = np.ones(len(base.wheels)) if getattr(faults, name) is None else getattr(faults, name)
    values = values.copy()
    if remedy["wheel"] is None:
        values[:] = 1.0
    else:
        values[base.wheels.index(remedy["wheel"])] = 1.0
    return replace(faults, **{name: values}), None


def without_fault(faults: Faults, kind: str, causes: list[dict[str, Any]], base: Base) -> Faults:
    """The base with its planted faults taken away; natural spread stays."""
    out = faults
    for c in causes:
        if c["cause"] == "mass_off_centre":
            out = replace(out, cg_dx=0.0, cg_dy=0.0)
        name = {**PARTS, "radius_mismatch": "radius_scale"}.get(c["cause"])
        if name:
            values = getattr(out, name).copy()
            index = slice(None) if c["wheel"] is None else base.wheels.index(c["wheel"])
            values[index] = 1.0
            out = replace(out, **{name: values})
    return out


def one(folder: Path) -> dict[str, Any] | None:
    """Analyse, follow the advice, drive; None where nothing is advised."""
    truth = json.loads((folder / "truth.json").read_text())
    case = next(
        c
        for s in ("tuning", "held_back", "fresh", "uneven", "small")
        for c in cases_of(s)
        if c.name == truth["case"]
    )
    result = analyze([folder / "log.parquet"], folder / "robot.toml").result
    kinds = {"move_mass", "service_wheel"} | ({"wheel_factors"} if case.mode != "power" else set())
    advised = [r for r in result["remedies"] if r["kind"] in kinds]
    if not advised:
        return None
    base, mode, seed = case.base, case.mode, case.seed + 1
    before = drift_of(base, case.faults, mode, seed)
    sound = drift_of(base, without_fault(case.faults, case.kind, truth["causes"], base), mode, seed)
    changed, factors = followed(case.faults, advised[0], base, whole=False)
    after_first = drift_of(base, changed, mode, seed, factors)
    changed, factors = case.faults, None
    for remedy in advised:
        changed, more = followed(changed, remedy, base, whole=True)
        factors = more if more is not None else factors
    after_all = drift_of(base, changed, mode, seed, factors)
    rows = advised[0]["expected_effect"].get("by_speed", [])
    predicted = []
    for speed in sorted({r["speed_m_per_s"] for r in rows if r["kind"] == "left"}):
        left = next(r for r in rows if r["kind"] == "left" and r["speed_m_per_s"] == speed)
        right = min(
            (r for r in rows if r["kind"] == "right"),
            key=lambda r: abs(r["speed_m_per_s"] - speed),
            default=None,
        )
        if right is None:
            continue
        values = [r["yaw_drift_deg_per_m"] for r in (left, right)]
        if any(v.get("value") is None for v in values):
            continue
        middle = (values[0]["value"] - values[1]["value"]) / 2
        half = max((v["interval95"][1] - v["interval95"][0]) / 2 for v in values)
        predicted.append((middle, half))
    return {
        "name": folder.name, "causes": truth["causes"], "advised": advised, "before": before,
        "sound": sound, "after_first": after_first, "after_all": after_all, "predicted": predicted,
    }  # fmt: skip


def main(folders: list[Path]) -> int:
    """Print a line a case and the shares."""
    worked: list[bool] = []
    held: list[bool] = []
    errors: list[float] = []
    left: list[float] = []
    with ProcessPoolExecutor(max_workers=2) as pool:
        for row in pool.map(one, folders):
            if row is None:
                continue
            at = int(np.argmax(np.abs(row["before"])))
            gain = ""
            drifts = [abs(row[k][at]) for k in ("before", "sound", "after_all")]
            # Where the base without its fault drifts more, the fault had nothing to be taken away.
            removable = drifts[0] - drifts[1]
            if drifts[0] > LEAST_DRIFT:
                left.append(drifts[2] / drifts[0])
            if drifts[0] > LEAST_DRIFT and removable > 0.5:
                share = (drifts[0] - drifts[2]) / removable
                worked.append(share >= 0.8)
                gain = f"{100 * share:.0f} % of the removable part"
            if len(row["predicted"]) == len(row["after_first"]):
                for (middle, half), seen in zip(row["predicted"], row["after_first"], strict=True):
                    held.append(abs(seen - middle) <= half)
                    errors.append(abs(seen - middle) / half)
            print(
                row["name"], [(r["kind"], r.get("wheel")) for r in row["advised"]],
                "before", row["before"].round(1), "predicted",
                [f"{m:.1f}±{h:.1f}" for m, h in row["predicted"]], "after first",
                row["after_first"].round(1), "after all", row["after_all"].round(1), "sound",
                row["sound"].round(1), gain, flush=True,
            )  # fmt: skip
    print(f"advice takes away 80 % of the removable part: {np.mean(worked):.3f} of {len(worked)}")
    print(
        f"drift left after all advice: median {np.median(left):.2f}, most {np.max(left):.2f} of {len(left)}"
    )
    print(f"interval of the prediction held: {np.mean(held):.3f} of {len(held)}")
    print(f"error over half the interval, median {np.median(errors):.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main([Path(a) for a in sys.argv[1:]]))
