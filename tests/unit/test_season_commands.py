"""compare, plan and shelf from the command line, and compare through the whole pipeline."""

import itertools
import json
from pathlib import Path

import numpy as np
import pytest

from analyzer.cli import main
from analyzer.comparison import compare
from analyzer.demo import _csv, robot_text, sensed
from analyzer.pipeline import analyze, load_results
from analyzer.robot import load_robot, parse_robot
from analyzer.season_report import comparison_html
from analyzer.simulate import Truth, drive, usual_script

SAMPLES = Path(__file__).parents[2] / "sample_logs"
ROBOT = str(SAMPLES / "book_cart.toml")
BEFORE, AFTER = str(SAMPLES / "book_cart_before"), str(SAMPLES / "book_cart_after")


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """Results of the two sample recordings as files."""
    folder = tmp_path_factory.mktemp("stored")
    paths = {}
    for name, source in (("before", BEFORE), ("after", AFTER)):
        paths[name] = str(folder / f"{name}.json")
        assert main(["analyze", source, "--robot", ROBOT, "--json", paths[name]]) == 0
    return paths


def verdicts(found):
    return {m["key"]: m["verdict"] for m in found["measures"]}


def test_service_of_the_sample_cart_reads_as_better(tmp_path):
    target = tmp_path / "compare.json"
    page = tmp_path / "compare.html"
    code = main(
        ["compare", "--before", BEFORE, "--after", AFTER, "--robot", ROBOT, "--json", str(target),
         "--html", str(page)]
    )  # fmt: skip
    assert code == 0
    found = json.loads(target.read_text())
    assert found["schema"] == "crabwise-comparison/1"
    word = verdicts(found)
    for key in ("yaw_drift.odd.total", "closure.odd", "closure.left", "creep.odd", "creep.left"):
        assert word[key] == "better", key
    assert {word[f"relative_radius.{w}"] for w in ("FL", "FR", "RL", "RR")} == {"no_worse"}
    assert word["effective_radius"] == "no_worse"
    assert word["current.FL.sideways"] == "better"
    drag = next(c for c in found["causes"] if (c["cause"], c["wheel"]) == ("roller_drag", "FL"))
    assert drag["before"] > 0.6 > 0.2 > drag["after"]
    assert all(a["as_driven"] for a in found["arcs"]["before"])
    text = page.read_text()
    assert text.count("Plotly.newPlot") == 3
    assert "yaw drift left at" in text


def test_stored_results_compare_like_recordings(stored, capsys):
    args = ["compare", "--before", stored["before"], "--after", stored["after"], "--robot", ROBOT]
    assert main(args) == 0
    shown = capsys.readouterr().out
    assert "better" in shown
    assert "not alike" in shown  # the stiff cart drove slower at the same command
    found = compare(
        *(load_results([stored[k]], ROBOT) for k in ("before", "after")), load_robot(ROBOT)
    )
    assert not any(a["as_driven"] for a in found["arcs"]["before"])
    # An arc drawn from distance and heading change ends where the pass ended.
    rows = json.loads(Path(stored["before"]).read_text())["passes"]
    sideways = [p for p in rows if p["kind"] in {"left", "right"} and not p["hard_start"]]
    for arc, p in zip(found["arcs"]["before"], sideways, strict=True):
        assert np.hypot(arc["ahead_m"][-1], arc["left_m"][-1]) == pytest.approx(
            p["distance_m"], abs=2e-4
        )


def test_the_same_recording_twice_from_the_command_line(stored, capsys):
    args = ["compare", "--before", stored["after"], "--after", stored["after"], "--robot", ROBOT]
    assert main(args) == 0
    assert "No change: it is the same recording" in capsys.readouterr().out


def test_files_of_one_sitting_count_as_one_recording():
    folder = SAMPLES / "book_cart_three_clocks"
    files = [str(f) for f in sorted(folder.iterdir())]
    found = load_results(files, ROBOT)
    assert len(found) == 1
    assert len(found[0].recording.sources) == 3


def test_compare_tells_what_is_wrong(tmp_path, capsys, stored):
    assert main(["compare", "--before", "nowhere.csv", "--after", AFTER, "--robot", ROBOT]) == 1
    assert "nowhere.csv" in capsys.readouterr().err
    with pytest.raises(SystemExit) as stop:
        main(["compare", "--before", BEFORE, "--robot", ROBOT])
    assert stop.value.code == 2
    other = tmp_path / "other.toml"
    other.write_text(Path(ROBOT).read_text().replace("[wheels.FL", "[wheels.F1"))
    args = [
        "compare",
        "--before",
        stored["before"],
        "--after",
        stored["after"],
        "--robot",
        str(other),
    ]
    assert main(args) == 1
    assert "Only one base" in capsys.readouterr().err


def test_page_of_a_comparison_without_measures(stored):
    result = json.loads(Path(stored["before"]).read_text())
    empty = {**result, "passes": []}
    found = compare([result], [empty], load_robot(ROBOT))
    assert found["measures"] == []
    assert "Nothing can be compared" in found["headline"]
    assert "crabwise plan" in comparison_html(found)


def test_plan_command(tmp_path, capsys, stored):
    page, data = tmp_path / "plan.html", tmp_path / "plan.json"
    assert main(["plan", "--robot", ROBOT, "--html", str(page), "--json", str(data)]) == 0
    assert json.loads(data.read_text())["schema"] == "crabwise-plan/1"
    assert "<svg" in page.read_text()
    assert main(["plan", "--robot", ROBOT, "--recorded", stored["before"]]) == 0
    shown = capsys.readouterr().out
    assert "recorded well enough" in shown
    assert "Which way each wheel turns" in shown
    assert main(["plan", "--robot", ROBOT, "--service", "FL"]) == 0
    assert "spacer" in capsys.readouterr().out
    assert main(["plan", "--robot", ROBOT, "--service", "XX"]) == 1
    assert "no wheel 'XX'" in capsys.readouterr().err


def test_shelf_from_the_command_line(tmp_path, capsys):
    shelf = str(tmp_path / "shelf")
    for date, source, extra in (
        ("2026-03-01", BEFORE, ["--note", "as delivered"]),
        ("2026-03-08T10:30", AFTER, ["--service", "FL: rollers cleaned", "--hours", "12.5"]),
    ):
        args = ["analyze", source, "--robot", ROBOT, "--shelf", shelf, "--date", date, *extra]
        assert main(args) == 0
    out = capsys.readouterr()
    assert out.err.count("filed as") == 2
    assert main(["shelf", shelf]) == 0
    shown = capsys.readouterr().out
    assert "2 results" in shown
    assert "FL: rollers" in shown
    assert main(["shelf", shelf, "--measures"]) == 0
    assert "yaw_drift.odd\n" in capsys.readouterr().out
    page = tmp_path / "trend.html"
    assert main(["shelf", shelf, "--measure", "yaw_drift.odd", "--limit", "5"]) == 0
    shown = capsys.readouterr().out
    assert "Service before 2026-03-08" in shown
    assert "needs four recordings" in shown
    assert main(["shelf", shelf, "--measure", "yaw_drift.odd", "--html", str(page)]) == 0
    assert "Plotly.newPlot" in page.read_text()
    entry = next((tmp_path / "shelf" / "results").glob("20260301*.json"))
    assert main(["compare", "--before", str(entry), "--after", AFTER, "--robot", ROBOT]) == 0


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["shelf", "nowhere"], "no shelf there"),
        (["analyze", BEFORE, "--robot", ROBOT, "--note", "x"], "need --shelf"),
        (["shelf", "x", "--measure", "y", "--newest", "3"], "leave out --measure"),
        (["shelf", "x", "--measure", "y*", "--html", "z"], "without"),
        (["shelf", "x", "--limit", "3"], "need --measure"),
    ],
)
def test_faults_are_one_message(args, words, capsys):
    assert main(args) == 1
    assert words in capsys.readouterr().err


def test_wrong_service_entry_is_told_before_the_work(tmp_path, capsys):
    args = [
        "analyze",
        "nowhere.csv",
        "--robot",
        ROBOT,
        "--shelf",
        str(tmp_path),
        "--service",
        "XX: y",
    ]
    assert main(args) == 1
    assert "no wheel 'XX'" in capsys.readouterr().err


@pytest.fixture(scope="module")
def carts(tmp_path_factory):
    """Analyses of simulated carts: four sound recordings, three with FL dragging a little."""
    folder = tmp_path_factory.mktemp("carts")
    robot_file = folder / "cart.toml"
    robot_file.write_text(robot_text())
    robot = parse_robot(robot_text(), "cart.toml")
    out = {}
    for name, truth, seeds in (
        ("sound", Truth(), range(4)),
        ("stiff", Truth(roller_drag=np.array([1.3, 1, 1, 1])), range(10, 13)),
    ):
        motion = drive(robot, truth, usual_script(), 0.01)
        out[name] = []
        for seed in seeds:
            log = folder / f"{name}{seed}.csv"
            log.write_text(_csv(sensed(motion, np.random.default_rng(seed), 50)))
            out[name].append(analyze([log], robot_file).result)
    return out, robot


def test_sound_cart_against_itself_is_unchanged(carts):
    results, robot = carts
    p = []
    for a, b in itertools.combinations(results["sound"], 2):
        found = compare([a], [b], robot)
        assert set(verdicts(found).values()) <= {"no_worse", "cannot_tell"}
        p += [m["p_value"] for m in found["measures"]]
    assert np.mean(np.array(p) < 0.05) < 0.1


def test_small_service_is_seen_where_it_was_said_to_be_seen(carts):
    """Whole pipeline: 30 % more drag in one wheel, below what the diagnosis can name."""
    results, robot = carts
    seen = []
    for a, b in itertools.product(results["stiff"], results["sound"][:3]):
        entry = {m["key"]: m for m in compare([a], [b], robot)["measures"]}["yaw_drift.odd.total"]
        change = abs(entry["difference"]["value"])
        if entry["detectable_change"] <= 0.8 * change:
            seen.append(entry["verdict"] == "better")
    assert len(seen) >= 5
    assert np.mean(seen) >= 0.8


def test_several_recordings_a_side(carts):
    results, robot = carts
    found = compare(results["stiff"], results["sound"], robot)
    entry = {m["key"]: m for m in found["measures"]}["yaw_drift.odd.total"]
    assert entry["verdict"] == "better"
    assert "recordings" in entry["test"]
    assert len(found["before"]["recordings"]) == 3
