"""Before against after on made-up pass tables with known truth, and on the sample recordings."""

import copy
import json
import math
from pathlib import Path

import numpy as np
import pytest

from analyzer.comparison import DEFAULT, compare
from analyzer.demo import robot_text
from analyzer.quantities import CrabwiseError
from analyzer.robot import parse_robot

ROBOT = parse_robot(robot_text(), "book_cart.toml")
SAMPLES = Path(__file__).parents[2] / "sample_logs"
SCATTER = {"yaw": 0.25, "closure": 1.0, "creep": 2.0, "ratio": 0.001, "radius": 6e-4, "slip": 2e-3,
           "current": 0.01}  # fmt: skip
"""Scatter of passes about as the physics bench shows it."""


def passes(
    rng, *, repeats=3, yaw=0.0, scatter=SCATTER, shared=True, speeds=(0.3, 0.7), wheels=True
):
    """Pass rows of one recording; `shared` adds what its repeats have in common (floors)."""
    out = []
    t = 0.0
    bias = {}

    def value(name, floor, kind, speed):
        # One draw for each kind and speed of a recording, as the floors are meant.
        key = (name, kind, speed)
        if key not in bias:
            bias[key] = rng.normal(0, floor) if shared else 0.0
        return bias[key]

    for speed in speeds:
        for _ in range(repeats):
            for kind in ("ahead", "astern", "left", "right"):
                side = kind in ("left", "right")
                sign = {"left": 1, "right": -1}.get(kind, 0)
                drift = sign * yaw + value("yaw", DEFAULT.yaw_floor, kind, speed)
                drift += rng.normal(0, scatter["yaw"])
                closure = value("closure", DEFAULT.path_floor, kind, speed)
                creep = value("creep", DEFAULT.path_floor, kind, speed)
                # Rolled, slipped and their sum all with the same floor and scatter.
                split = value("split", DEFAULT.yaw_floor, kind, speed)
                rolled = 0.5 * drift + math.sqrt(0.75) * (split + rng.normal(0, scatter["yaw"]))
                names = ROBOT.wheel_names

                def each(name, middle, wanted=True, floor=0.0):
                    return {
                        w: middle + value(name + w, floor, kind, speed) + rng.normal(0, scatter[name])
                        if wanted and wheels else None
                        for w in names
                    }  # fmt: skip

                out.append(
                    {
                        "kind": kind,
                        "t_start": t,
                        "t_end": t + 4,
                        "speed_m_per_s": speed * rng.uniform(0.98, 1.02),
                        "turn_rate_rad_per_s": None,
                        "commanded_speed": speed,
                        "hard_start": False,
                        "distance_m": 1.5,
                        "heading_change_deg": 1.5 * drift,
                        "rolled_deg": 1.5 * rolled,
                        "slipped_deg": 1.5 * (drift - rolled),
                        "closure_mm_per_m": closure + rng.normal(0, scatter["closure"]),
                        "creep_mm_per_m": creep + rng.normal(0, scatter["creep"]) if side else None,
                        "sideways_ratio": 0.96 + value("ratio", DEFAULT.ratio_floor, kind, speed)
                        + rng.normal(0, scatter["ratio"]) if side else None,
                        "ahead_ratio": None,
                        "battery_v": 12.4,
                        "wheels": {
                            "relative_radius": each("radius", 1.0, not side, DEFAULT.radius_floor),
                            "slip_ratio": each("slip", 0.04, side, DEFAULT.slip_floor),
                            "current_a": each("current", 0.8 if side else 0.35),
                        },
                    }
                )  # fmt: skip
                t += 5
    return out


def result(rows, name="a.csv"):
    return {
        "schema": "crabwise-result/1",
        "robot": {"name": "cart", "mass_kg": 15.0, "drive_mode": "power"},
        "recordings": [name],
        "recorded_at": None,
        "yaw_source": "reference",
        "wheels": dict.fromkeys(ROBOT.wheel_names, {}),
        "passes": rows,
        "causes": [{"cause": "none", "wheel": None, "probability": 0.9}],
    }


def by_key(comparison):
    return {m["key"]: m for m in comparison["measures"]}


def test_the_same_recording_twice_is_no_change():
    one = result(passes(np.random.default_rng(0)))
    found = compare([one], [copy.deepcopy(one)], ROBOT)
    assert found["same_recording"]
    assert {m["verdict"] for m in found["measures"]} == {"no_change"}
    assert all(m["difference"]["value"] == 0 for m in found["measures"])
    assert found["confounders"] == []
    assert "No change" in found["headline"]


def test_two_recordings_of_one_name_are_two_sittings():
    rng = np.random.default_rng(3)
    one, other = (result(passes(rng), "drive.csv") | {"duration_s": s} for s in (151.2, 150.9))
    named = compare([one | {"recordings": ["a.csv"]}], [other | {"recordings": ["b.csv"]}], ROBOT)
    found = compare([one], [other], ROBOT)
    assert found["measures"] == named["measures"]
    # Halves of one recording share what repeats of a sitting share: narrower.
    halves = compare([one], [other | {"duration_s": 151.2}], ROBOT)
    wide, narrow = (
        by_key(c)["yaw_drift.odd.total"]["difference"]["std_error"] for c in (found, halves)
    )
    assert wide > 1.2 * narrow


def false_alarms(pairs, seed, make):
    rng = np.random.default_rng(seed)
    hits = []
    said = 0
    for _ in range(pairs):
        found = compare(*make(rng), ROBOT)
        hits.append([m["p_value"] < 0.05 for m in found["measures"]])
        said += any(m["verdict"] in {"better", "worse", "changed"} for m in found["measures"])
    return np.array(hits, dtype=float).mean(axis=0), said / pairs, found["measures"]


def test_false_alarms_between_recordings_are_nominal():
    """Bar: 3 to 7 % at nominal 5 % over 500 pairs without change (recordings with shared bias)."""

    def make(rng):
        return [
            [result(passes(rng, wheels=False), "a.csv")],
            [result(passes(rng, wheels=False), "b.csv")],
        ]

    rate, said, _ = false_alarms(500, 7, make)
    assert 0.03 <= rate.mean() <= 0.07
    # Each measure alone: binomial scatter of 500 is 1 %, two of them about the bar.
    assert np.all((rate > 0.01) & (rate < 0.09))
    assert said <= 0.07  # Holm: any false verdict at all


def test_false_alarms_of_halves_of_one_recording_are_nominal():
    def make(rng):
        rows = passes(rng, repeats=6, wheels=False)
        for kind in ("left", "right", "ahead", "astern"):
            own = [r for r in rows if r["kind"] == kind]
            for speed in (0.3, 0.7):
                some = [r for r in own if r["commanded_speed"] == speed]
                for k, r in enumerate(rng.permutation(np.array(some, dtype=object))):
                    r["half"] = k % 2
        return [[result([r for r in rows if r["half"] == h])] for h in (0, 1)]

    rate, said, _ = false_alarms(300, 8, make)
    assert 0.03 <= rate.mean() <= 0.07
    assert said <= 0.07


def test_false_alarms_with_several_recordings_a_side():
    """Recordings that differ more than their passes tell: the recording is the observation."""

    def make(rng):
        def side(name):
            out = []
            for k in range(4):
                rows = passes(rng, wheels=False, yaw=rng.normal(0, 0.6))
                out.append(result(rows, f"{name}{k}.csv"))
            return out

        return [side("a"), side("b")]

    rng = np.random.default_rng(9)
    p = []
    for _ in range(250):
        p.append(by_key(compare(*make(rng), ROBOT))["yaw_drift.odd.total"]["p_value"])
    assert 0.02 <= np.mean(np.array(p) < 0.05) <= 0.08  # binomial scatter of 250: 1.4 %


def test_what_was_said_to_be_seen_is_seen():
    """Bar: power of 80 % and more where compare said that a change of that size would show."""
    rng = np.random.default_rng(10)
    seen, asked = [], 0
    for _ in range(300):
        change = rng.uniform(0.2, 1.6)
        before = result(passes(rng, wheels=False, yaw=3.0), "a.csv")
        after = result(passes(rng, wheels=False, yaw=3.0 - change), "b.csv")
        entry = by_key(compare([before], [after], ROBOT))["yaw_drift.odd.total"]
        if entry["detectable_change"] <= change:
            asked += 1
            seen.append(entry["p_adjusted"] < 0.05)
    assert asked > 100
    assert np.mean(seen) >= 0.8


def test_small_change_is_no_worse_and_open_case_names_its_limit():
    rng = np.random.default_rng(11)
    quiet = {**SCATTER, "yaw": 0.05}
    found = by_key(
        compare(
            [result(passes(rng, yaw=2.0, scatter=quiet), "a.csv")],
            [result(passes(rng, yaw=2.2, scatter=quiet), "b.csv")],
            ROBOT,
        )
    )["yaw_drift.odd.total"]
    assert found["verdict"] == "no_worse"
    loud = {**SCATTER, "yaw": 3.0}
    found = by_key(
        compare(
            [result(passes(rng, yaw=2.0, scatter=loud), "a.csv")],
            [result(passes(rng, yaw=2.5, scatter=loud), "b.csv")],
            ROBOT,
        )
    )["yaw_drift.odd.total"]
    assert found["verdict"] == "cannot_tell"
    assert found["detectable_change"] > 3
    assert "smaller than" in found["text"]


@pytest.mark.parametrize(("first", "last", "word"), [(6.0, 1.0, "better"), (1.0, 6.0, "worse"),
                                                     (-5.0, 5.0, "changed")])  # fmt: skip
def test_verdict_knows_which_way_is_better(first, last, word):
    rng = np.random.default_rng(12)
    found = compare(
        [result(passes(rng, yaw=first), "a.csv")], [result(passes(rng, yaw=last), "b.csv")], ROBOT
    )
    entry = by_key(found)["yaw_drift.odd.total"]
    assert entry["verdict"] == word
    low, high = entry["difference"]["interval95"]
    assert low <= last - first <= high


def test_confounders_are_flagged():
    rng = np.random.default_rng(13)
    before, after = result(passes(rng), "a.csv"), result(passes(rng), "b.csv")
    for row in after["passes"]:
        row["battery_v"] = 11.2
        row["commanded_speed"] *= 1.1
        row["speed_m_per_s"] *= 1.1
        row["wheels"]["current_a"] = {k: 1.3 * v for k, v in row["wheels"]["current_a"].items()}
    after["robot"]["drive_mode"] = "wheel_speed"
    after["causes"] = [{"cause": "low_grip", "wheel": None, "probability": 0.8}]
    kinds = {c["kind"] for c in compare([before], [after], ROBOT)["confounders"]}
    assert {"battery", "speed", "drive_mode", "floor"} <= kinds


def test_another_drive_mode_shows_in_the_speeds():
    rng = np.random.default_rng(18)
    before, after = result(passes(rng), "a.csv"), result(passes(rng), "b.csv")
    for row in before["passes"]:
        row["speed_m_per_s"] *= 0.6 if row["kind"] in {"left", "right"} else 0.9
    flagged = compare([before], [after], ROBOT)["confounders"]
    assert any(c["kind"] == "drive_mode" and "fell short" in c["text"] for c in flagged)


def test_speeds_match_without_commands():
    """A serviced base drives faster at the same power: groups pair by rank, and it is flagged."""
    rng = np.random.default_rng(19)
    before, after = result(passes(rng), "a.csv"), result(passes(rng), "b.csv")
    for row in before["passes"]:
        row["speed_m_per_s"] *= 0.75
    for row in before["passes"] + after["passes"]:
        row["commanded_speed"] = None
    found = compare([before], [after], ROBOT)
    assert found["unmatched"] == []
    assert by_key(found)["closure.left"]["passes"] == {"before": 6, "after": 6}
    (flagged,) = found["confounders"]
    assert flagged["kind"] == "speed"
    assert flagged["text"].count("→") == 8


def test_currents_are_compared_at_the_same_speed():
    """Current that rises with speed alone is no change, though one side drove faster."""
    rng = np.random.default_rng(20)
    before, after = result(passes(rng), "a.csv"), result(passes(rng), "b.csv")
    for side, factor in ((before, 0.8), (after, 1.0)):
        for row in side["passes"]:
            row["speed_m_per_s"] *= factor
            row["wheels"]["current_a"] = {
                w: 0.5 + 1.0 * row["speed_m_per_s"] + rng.normal(0, 0.003)
                for w in ROBOT.wheel_names
            }
    entry = by_key(compare([before], [after], ROBOT))["current.FL.sideways"]
    assert entry["verdict"] == "no_worse"
    assert abs(entry["difference"]["value"]) < 0.02  # unmoved it would be 0.1 A


def test_quiet_pair_flags_nothing():
    rng = np.random.default_rng(14)
    pair = [result(passes(rng), "a.csv")], [result(passes(rng), "b.csv")]
    assert compare(*pair, ROBOT)["confounders"] == []


def test_speeds_without_partner_are_told_and_left_out():
    rng = np.random.default_rng(15)
    found = compare(
        [result(passes(rng, speeds=(0.3, 0.7)), "a.csv")],
        [result(passes(rng, speeds=(0.3, 1.4)), "b.csv")],
        ROBOT,
    )
    assert any("only before" in text for text in found["unmatched"])
    assert any("only after" in text for text in found["unmatched"])
    assert by_key(found)["closure.left"]["passes"] == {"before": 3, "after": 3}


def test_single_passes_are_still_answered_with_wide_intervals():
    rng = np.random.default_rng(16)
    found = compare(
        [result(passes(rng, repeats=1), "a.csv")], [result(passes(rng, repeats=1), "b.csv")], ROBOT
    )
    json.dumps(found, allow_nan=False)
    assert found["measures"]


def test_wrong_wheels_and_old_results_are_refused():
    rng = np.random.default_rng(17)
    good = result(passes(rng))
    bad = {**good, "wheels": {"A": {}, "B": {}, "C": {}}}
    with pytest.raises(CrabwiseError, match="wheels A, B, C"):
        compare([good], [bad], ROBOT)
    old = copy.deepcopy(good)
    for row in old["passes"]:
        del row["wheels"]
    with pytest.raises(CrabwiseError, match="analyze it again"):
        compare([old], [good], ROBOT)
    with pytest.raises(CrabwiseError, match="--after"):
        compare([good], [], ROBOT)
