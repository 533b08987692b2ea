"""Hold the diagnosis against bench cases with known truth: `python -m tests.bench.score CASE...`.

Prints the cases that came out wrong, the confusion of causes, calibration, errors and coverage.
Cases without any motor data are judged apart: there "undetermined" is the right answer.
"""

import json
import sys
from collections import Counter
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from analyzer.pipeline import analyze
from tests.bench.base import roller_half_length
from tests.bench.cases import BASES

MOTOR_CAUSES = {"mass_off_centre", "roller_drag", "axle_drag", "weak_motor"}


def value(entry):
    return np.nan if entry is None or entry.get("value") is None else entry["value"]


def one(folder):
    truth = json.loads((folder / "truth.json").read_text())
    return folder.name, truth, analyze([folder / "log.parquet"], folder / "robot.toml").result


def roller_arm(base):
    """Mean distance of the contact from the roller's axis, as it acts on the drag. [m]

    The bench's rollers are ellipsoids at 45 degrees: at wheel angle p from mid-roller the contact
    lies mid^2 n / h from the axis, n the floor's normal across the axis, h the support function.
    """
    mid = base.radius * base.roller_radius_share
    length = roller_half_length(base.radius, mid, base.rollers)
    p = np.linspace(0, np.pi / base.rollers, 400)
    across = np.sqrt(1 - np.sin(p) ** 2 / 2)
    support = np.sqrt(mid**2 * across**2 + length**2 * np.sin(p) ** 2 / 2)
    return 1 / np.mean(support / (mid**2 * across))


def roller_force(truth, k):
    """Drag of a wheel's rollers along their rolling direction: bearing and tyre part. [N]"""
    base, contact = BASES[truth["base"]], truth["contact"]
    load = truth["mass_kg"] * 9.80665 / len(truth["wheels"])
    bearing = contact["bearing_constant"] + contact["bearing_per_load"] * load
    moment = truth["roller_drag"][k] * bearing + contact["tyre_per_load"] * load
    return moment / roller_arm(base)


def judge(name, truth, result, score, confusion):
    real = {(c["cause"], c["wheel"]) for c in truth["causes"]}
    said = [(c["cause"], c["wheel"], c["probability"]) for c in result["causes"]]
    sensors = truth["sensors"]
    if not (sensors["currents"] or sensors["volts"]):
        loud = [s for s in said if s[0] in MOTOR_CAUSES and s[2] > 0.5]
        score["without motor data: no cause of the motors above 0.5"].append(not loud)
        return
    listed = {(c, w): p for c, w, p in said}
    for key in set(listed) | real:
        score["Brier score of an entry"].append((listed.get(key, 0.0) - (key in real)) ** 2)
    score["right where 0.8 or more was said"] += [(c, w) in real for c, w, p in said if p >= 0.8]
    right = said[0][:2] in real
    if len(real) == 2:
        right = {s[:2] for s in said[:2]} == real
        score["both causes of a pair on top"].append(right)
    elif real == {("none", None)}:
        score["sound bases called none"].append(right)
    else:
        score["single cause first"].append(right)
        if not sensors["currents"] or not sensors["volts"]:
            score["single cause first, volts or currents alone"].append(right)
    main = sorted(real, key=str)[0][0] if len(real) == 1 else "a pair"
    confusion[main, "the pair" if len(real) == 2 and right else said[0][0]] += 1
    centre = result["chassis"]["centre_of_mass_m"]
    if min(truth["handed"]) > 0:
        for axis, key in (("x", "cg_dx"), ("y", "cg_dy")):
            if np.isfinite(value(centre[axis])):
                low, high = centre[axis]["interval95"]
                score[f"interval of the centre of mass holds, {axis}"].append(
                    low <= truth[key] <= high
                )
                score[f"centre of mass {axis}, error [mm]"].append(
                    1e3 * (value(centre[axis]) - truth[key])
                )
    fought = min(truth["handed"] + truth["motor_sense"] + truth["encoder_sense"]) < 0
    radius = np.array(truth["radius_scale"])
    for k, wheel in enumerate(result["wheels"].values()):
        if not fought and truth["mu"] > 0.3 and np.isfinite(value(wheel["relative_radius"])):
            entry, true = wheel["relative_radius"], radius[k] / radius.mean()
            score["relative radius, error [%]"].append(100 * (entry["value"] - true))
            low, high = entry["interval95"]
            score["interval of the relative radius holds"].append(low <= true <= high)
    for c in result["causes"]:
        if (c["cause"], c["wheel"]) not in real or not np.isfinite(value(c["magnitude"])):
            continue
        if c["cause"] == "roller_drag" and c["wheel"] and c["probability"] > 0.5:
            true = roller_force(truth, truth["wheels"].index(c["wheel"]))
            score["roller drag, relative error"].append(value(c["magnitude"]) / true - 1)
            low, high = c["magnitude"]["interval95"]
            score["interval of the roller drag holds"].append(low <= true <= high)
        if c["cause"] == "weak_motor" and c["probability"] > 0.5:
            ohm = 1 / np.array(truth["motor_strength"])
            true = ohm[truth["wheels"].index(c["wheel"])] / np.median(ohm)
            known = sensors["currents"] and sensors["volts"]
            score[
                f"resistance, relative error [%], {'volts and currents' if known else 'volts alone'}"
            ].append(100 * ((1 + value(c["magnitude"]) / 100) / true - 1))
    for k, wheel in enumerate(truth["wheels"]):
        drags = np.array([roller_force(truth, j) for j in range(len(truth["wheels"]))])
        if ("roller_drag", wheel) in real and drags[k] >= 2 * np.delete(drags, k).mean():
            score["rollers of twice the others' drag or more named"].append(
                ("roller_drag", wheel) in [s[:2] for s in said[: len(real)]]
            )
    if not right:
        shown = [(c, w, round(p, 2)) for c, w, p in said[:4]]
        print("WRONG", name, sorted(real, key=str), "said", shown, flush=True)


class _Lists(dict):
    def __missing__(self, key):
        self[key] = []
        return self[key]


def main(folders):
    score, confusion = _Lists(), Counter()
    with Pool(2) as pool:
        for name, truth, result in pool.imap(one, folders):
            judge(name, truth, result, score, confusion)
    print("\n| figure | value | of |\n| --- | --- | --- |")
    for name, values in score.items():
        if "error" in name:
            figure = f"rms {np.sqrt(np.nanmean(np.square(values))):.2f}, 95 % within "
            figure += f"{np.nanpercentile(np.abs(values), 95):.2f}"
        else:
            figure = f"{np.mean(values):.3f}"
        print(f"| {name} | {figure} | {len(values)} |")
    columns = sorted({said for _, said in confusion})
    print("\n| planted, said first | " + " | ".join(columns) + " |")
    print("| --- " * (len(columns) + 1) + "|")
    for real in sorted({r for r, _ in confusion}):
        row = [str(confusion[real, c] or "") for c in columns]
        print(f"| {real} | " + " | ".join(row) + " |")


if __name__ == "__main__":
    main([Path(a) for a in sys.argv[1:]])
