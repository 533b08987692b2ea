"""Before against after on the rigid-body bench, whose physics the analyzer does not share."""

from dataclasses import replace

import pytest

from analyzer.comparison import compare
from analyzer.pipeline import analyze
from analyzer.robot import load_robot
from tests.bench.cases import cases_of, simulate
from tests.bench.drive import standard_script
from tests.bench.record import write_case


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """One base: rollers of FL at five times their drag, then sound, twice with other seeds."""
    folder = tmp_path_factory.mktemp("bench")
    script = tuple(standard_script(distance=1.2))
    cases = {c.name: c for c in cases_of("small")}
    out = {}
    for key, name, seed in (
        ("stiff", "square_rollers_FL_x5__wheel_speed", 3),
        ("sound", "square_sound__power", 1),
        ("sound again", "square_sound__power", 2),
    ):
        case = replace(cases[name], mode="power", script=script, seed=seed)
        write_case(folder / key, *simulate(case))
        out[key] = analyze([folder / key / "log.parquet"], folder / key / "robot.toml").result
    return out, load_robot(folder / "sound" / "robot.toml")


def verdicts(found):
    return {m["key"]: m["verdict"] for m in found["measures"]}


def test_freed_rollers_read_as_better_and_radii_as_unchanged(bench):
    results, robot = bench
    word = verdicts(compare([results["stiff"]], [results["sound"]], robot))
    for key in (
        "yaw_drift.odd.total",
        "closure.odd",
        "creep.left",
        "closure.left",
        "closure.right",
    ):
        assert word[key] == "better", key
    assert all(
        w == "better"
        for k, w in word.items()
        if k.startswith(("yaw_drift.left", "yaw_drift.right"))
    )
    assert word["effective_radius"] == "no_worse"
    assert {word[f"relative_radius.{w}"] for w in robot.wheel_names} == {"no_worse"}
    # One stiff wheel loads its own motor and its neighbours (bench work: 1 : 1/2 : 1/2 : 0).
    assert word["current.FL.sideways"] == "better"


def test_the_other_way_round_reads_as_worse(bench):
    results, robot = bench
    word = verdicts(compare([results["sound"]], [results["stiff"]], robot))
    assert word["yaw_drift.odd.total"] == "worse"
    assert word["closure.odd"] == "worse"


def test_another_seed_of_the_same_base_is_unchanged(bench):
    results, robot = bench
    found = compare([results["sound"]], [results["sound again"]], robot)
    word = verdicts(found)
    assert set(word.values()) <= {"no_worse", "cannot_tell"}
    assert list(word.values()).count("no_worse") >= 0.9 * len(word)
    assert word["yaw_drift.odd.total"] == "no_worse"
    assert found["confounders"] == []
