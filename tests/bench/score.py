"""Hold the diagnosis against bench cases with known truth: `python -m tests.bench.score CASE...`.

Prints the cases that came out wrong, then the share of right answers, calibration and errors.
"""

import json
import sys
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from analyzer.pipeline import analyze


def value(entry):
    return np.nan if entry is None or entry.get("value") is None else entry["value"]


def one(folder):
    truth = json.loads((folder / "truth.json").read_text())
    return folder.name, truth, analyze([folder / "log.parquet"], folder / "robot.toml").result


def judge(name, truth, result, score):
    real = {(c["cause"], c["wheel"]) for c in truth["causes"]}
    said = [(c["cause"], c["wheel"], c["probability"]) for c in result["causes"]]
    for cause, wheel, probability in said:
        hit = (cause, wheel) in real
        score["brier"].append((probability - hit) ** 2)
        if probability >= 0.8:
            score["said >= 0.8 right"].append(hit)
    right = said[0][:2] in real
    if len(real) == 2:
        right = {s[:2] for s in said[:2]} == real
        score["pair right"].append(right)
    elif real == {("none", None)}:
        score["sound right"].append(right)
    else:
        score["single right"].append(right)
    centre = result["chassis"]["centre_of_mass_m"]
    if min(truth["handed"]) > 0 and value(centre["x"]) == value(centre["x"]):
        low, high = centre["x"]["interval95"]
        score["interval holds x"].append(low <= truth["cg_dx"] <= high)
        score["x error mm"].append(1e3 * (value(centre["x"]) - truth["cg_dx"]))
        score["y error mm"].append(1e3 * (value(centre["y"]) - truth["cg_dy"]))
    if not right:
        shown = [(c, w, round(p, 2)) for c, w, p in said[:4]]
        print("WRONG", name, sorted(real, key=str), "said", shown, flush=True)


def main(folders):
    names = (
        "single right", "sound right", "pair right", "said >= 0.8 right", "brier",
        "interval holds x", "x error mm", "y error mm",
    )  # fmt: skip
    score = {name: [] for name in names}
    with Pool(2) as pool:
        for name, truth, result in pool.imap(one, folders):
            judge(name, truth, result, score)
    for name, values in score.items():
        rms = "error" in name
        figure = np.sqrt(np.nanmean(np.square(values))) if rms else np.mean(values or [np.nan])
        print(f"{name:20s} {figure:.3f}{' (rms)' if rms else ''}  n {len(values)}")


if __name__ == "__main__":
    main([Path(a) for a in sys.argv[1:]])
