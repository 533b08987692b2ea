"""The main job on the sample recordings, whose truth is known because we made them."""

import json
from pathlib import Path

import numpy as np
import pytest

from analyzer.cli import main
from analyzer.demo import write_demo
from analyzer.pipeline import analyze, inspect, result_text
from analyzer.report import headline, html_report

SAMPLES = Path(__file__).parents[2] / "sample_logs"
ROBOT = SAMPLES / "book_cart.toml"


@pytest.fixture(scope="module")
def before():
    return analyze([SAMPLES / "book_cart_before"], ROBOT)


def top(analysis):
    first = analysis.result["causes"][0]
    return first["cause"], first["wheel"], first["probability"]


def test_dragging_rollers_are_named(before):
    cause, wheel, probability = top(before)
    assert (cause, wheel) == ("roller_drag", "FL")
    assert probability > 0.6
    assert before.result["remedies"][0]["kind"] == "service_wheel"
    assert "blocks" in before.result["remedies"][0]["caution"]


def test_dragging_front_left_turns_clockwise_going_left(before):
    """Sign table of the physics bench: one dragging wheel FL gives yaw -, closure + (power mode)."""
    drift = before.result["yaw_drift_deg_per_m"]
    by_speed = [b for b in drift["by_speed"] if b["kind"] in {"left", "right"}]
    assert len(by_speed) == 4
    for entry in by_speed:
        sign = -1 if entry["kind"] == "left" else 1
        assert sign * entry["total"]["value"] > 1
    assert before.result["closure_mm_per_m"]["left"]["value"] > 5


def test_serviced_cart_is_sound():
    analysis = analyze([SAMPLES / "book_cart_after"], ROBOT)
    assert top(analysis)[0] == "none"
    assert (
        analysis.result["remedies"] == [] or analysis.result["remedies"][0]["kind"] != "move_mass"
    )


def test_mass_aft_from_three_clocks():
    analysis = analyze([SAMPLES / "book_cart_three_clocks"], ROBOT)
    assert top(analysis)[:2] == ("mass_off_centre", None)
    centre = analysis.result["chassis"]["centre_of_mass_m"]["x"]
    assert centre["interval95"][0] <= -0.030 <= centre["interval95"][1]
    move = next(r for r in analysis.result["remedies"] if r["kind"] == "move_mass")
    # First moment: 2.4 kg of 15 kg must go 0.030 * 15 / 2.4 = 0.1875 m ahead.
    assert move["moves"][0]["x_m"] - (-0.10) == pytest.approx(0.1875, abs=0.03)
    clocks = [f for f in analysis.result["findings"] if "clock of its own" in f["text"]]
    assert len(clocks) == 2


def test_sound_cart_has_right_radii_and_ratio():
    result = analyze([SAMPLES / "book_cart_sound.parquet"], ROBOT).result
    for wheel in result["wheels"].values():
        low, high = wheel["relative_radius"]["interval95"]
        assert low <= 1.0 <= high
    ratio = result["chassis"]["sideways_ratio"]["value"]
    assert ratio == pytest.approx(0.98, abs=0.03)  # creep lowers it a little


def test_result_is_plain_json_and_report_stands_alone(before):
    text = result_text(before.result)
    assert json.loads(text)["schema"] == "crabwise-result/1"
    page = html_report(before)
    assert page.count("Plotly.newPlot") >= 6
    assert 'src="http' not in page
    assert "FL" in headline(before.result)


def test_names_are_escaped_in_the_report(tmp_path):
    robot = tmp_path / "evil.toml"
    robot.write_text(ROBOT.read_text().replace("book cart (made up)", "<script>alert(1)</script>"))
    page = html_report(analyze([SAMPLES / "book_cart_sound.parquet"], robot))
    assert "<script>alert(1)" not in page


def test_command_line_writes_files(tmp_path, capsys):
    target = tmp_path / "r.json"
    code = main(
        ["analyze", str(SAMPLES / "book_cart_after"), "--robot", str(ROBOT), "--json", str(target)]
    )
    assert code == 0
    assert json.loads(target.read_text())["robot"]["name"].startswith("book cart")
    assert [p.name for p in tmp_path.iterdir()] == ["r.json"]


def test_summary_and_inspect_print(capsys):
    assert main(["analyze", str(SAMPLES / "book_cart_before"), "--robot", str(ROBOT)]) == 0
    out = capsys.readouterr().out
    assert "rollers drag" in out
    assert "Caution" in out
    assert main(["inspect", str(SAMPLES / "book_cart_before"), "--robot", str(ROBOT)]) == 0
    assert "What it can decide" in capsys.readouterr().out


def test_inspect_says_what_is_missing():
    seen = inspect([SAMPLES / "book_cart_three_clocks" / "wheels.csv"], ROBOT)
    answers = dict(seen.decides)
    assert answers["yaw drift left and right"].startswith("no: needs a gyro")


def test_demo_is_what_is_stored(tmp_path):
    write_demo(tmp_path)
    new = (tmp_path / "book_cart_after" / "drive.csv").read_text().splitlines()
    old = (SAMPLES / "book_cart_after" / "drive.csv").read_text().splitlines()
    assert len(new) == len(old)
    a = np.array([x.split(",") for x in new[1:]], float)
    b = np.array([x.split(",") for x in old[1:]], float)
    assert np.percentile(np.abs(a - b), 99.9) < 1e-2  # other machines may round otherwise


def test_tape_stands_in_for_the_reference(tmp_path):
    """Without pose and gyro a taped table gives distance and turn."""
    lines = (SAMPLES / "book_cart_after" / "drive.csv").read_text().splitlines()
    keep = [k for k, n in enumerate(lines[0].split(",")) if not n.startswith(("mocap", "gyro"))]
    log = tmp_path / "drive.csv"
    log.write_text("\n".join(",".join(x.split(",")[k] for k in keep) for x in lines))
    tape = tmp_path / "tape.csv"
    rows = ["pass,ahead_m,left_m,turn_deg"]
    for k in range(3):
        rows += [f"{4 * k + 3},0.0,1.5,4.0", f"{4 * k + 4},0.0,-1.5,-4.0"]
    tape.write_text("\n".join(rows))
    result = analyze([log, tape], ROBOT).result
    slow = [b for b in result["yaw_drift_deg_per_m"]["by_speed"] if b["kind"] == "left"][0]
    assert slow["total"]["value"] == pytest.approx(4.0 / 1.5, rel=1e-6)


def test_small_negative_numbers_are_shown_without_a_sign():
    from analyzer.report import number

    entry = {"value": -0.04, "std_error": 1.1, "interval95": [-2.2, 2.12], "unit": "°/m"}
    assert number(entry, 1) == "0.0 ± 2.2 °/m"
    assert number(entry | {"value": -0.06}, 1) == "-0.1 ± 2.2 °/m"
