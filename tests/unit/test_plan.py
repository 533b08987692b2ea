"""The plan, wheel directions, roller pictures, stability note and the sheets."""

import math
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from analyzer.demo import robot_text
from analyzer.pipeline import analyze
from analyzer.plan import (
    CAUTIONS,
    make_plan,
    plan_html,
    roller_lines,
    service_html,
    service_sheet,
    stability_note,
    wheel_directions,
)
from analyzer.quantities import RobotFileError
from analyzer.robot import parse_robot

SAMPLES = Path(__file__).parents[2] / "sample_logs"
ROBOT = parse_robot(robot_text(), "book_cart.toml")
WHEEL = """[wheels.{n}]
x_m = {x}
y_m = {y}
radius_m = 0.05
roller_angle_deg = {a}
heading_deg = {h}
"""
HEAD = '[robot]\nname = "made up"\nmass_kg = 20.0\ndrive_mode = "wheel_speed"\n'
SCALES = "\n[scales]\nloads_kg = { FL = 4.2, FR = 3.9, RL = 3.5, RR = 3.4 }\n"


def base(rows, extra=""):
    wheels = "".join(WHEEL.format(n=n, x=x, y=y, a=a, h=h) for n, x, y, a, h in rows)
    return parse_robot(HEAD + extra + wheels, "made_up.toml")


def eight():
    rows = []
    for k, x in enumerate((0.27, 0.09, -0.09, -0.27)):
        lean = -45 if k % 2 == 0 else 45
        rows += [(f"L{k}", x, 0.17, lean, 0), (f"R{k}", x, -0.17, -lean, 0)]
    return base(rows)


def three():
    return base(
        [
            (f"W{k}", 0.2 * math.cos(a), 0.2 * math.sin(a), 0, math.degrees(a) + 90)
            for k, a in enumerate((0.0, 2 * math.pi / 3, 4 * math.pi / 3))
        ]
    )


def turns(robot, motion):
    row = next(r for r in wheel_directions(robot) if r["motion"] == motion)
    return [w["turns"] for w in row["wheels"].values()]


def test_wheel_directions_of_four_wheels():
    """Table that every text on mecanum wheels gives (FL, FR, RL, RR); common practice, no source."""
    table = {
        "ahead": "++++",
        "left": "-++-",
        "right": "+--+",
        "ahead left": "0++0",
        "ahead right": "+00+",
        "turn left (anticlockwise)": "-+-+",
        "turn right (clockwise)": "+-+-",
    }
    words = {"+": "ahead", "-": "astern", "0": "stands"}
    for motion, signs in table.items():
        assert turns(ROBOT, motion) == [words[s] for s in signs]


@pytest.mark.parametrize("robot", [ROBOT, eight(), three()])
def test_directions_are_the_rolling_matrix(robot):
    for row in wheel_directions(robot):
        shares = np.array([w["share"] for w in row["wheels"].values()])
        assert np.abs(shares).max() == pytest.approx(1.0)
        assert len(shares) == robot.x.size
    ahead = next(r for r in wheel_directions(robot) if r["motion"] == "ahead")
    rim = robot.matrix[:, 0] * robot.radius
    got = np.array([w["share"] for w in ahead["wheels"].values()])
    assert got == pytest.approx(rim / np.abs(rim).max(), abs=1e-3)


def test_rollers_form_an_x_from_above_and_an_o_from_below():
    """Common practice, no source: seen from above a right base shows an X, its contacts form an O."""
    for view, towards in (("above", 1.0), ("below", 0.0)):
        for w in roller_lines(ROBOT)[view]:
            line = np.array([math.cos(w["lean"]), math.sin(w["lean"])])
            out = np.array([np.sign(w["x"]), np.sign(w["y"])]) / math.sqrt(2)
            # X: each roller points to the middle; O: it lies across.
            assert abs(line @ out) == pytest.approx(towards, abs=1e-9)
    assert roller_lines(ROBOT)["above"][0]["x"] < 0  # FL is on the left from above,
    assert roller_lines(ROBOT)["below"][0]["x"] > 0  # on the right from below


def test_first_steps_tell_most_and_rest_comes_first():
    plan = make_plan(ROBOT)
    keys = [s["key"] for s in plan["steps"]]
    assert keys[0] == "rest"
    assert set(keys) == {
        "rest", "sideways_slow", "sideways_fast", "straight_slow", "straight_fast", "turn_slow",
        "turn_fast", "hard_starts", "turn_steps",
    }  # fmt: skip
    rates = [s["doubt_removed_per_minute"] for s in plan["steps"][1:]]
    assert rates == sorted(rates, reverse=True)
    # Bench work: fast turns tell most about the centre of mass, and by far.
    assert keys.index("turn_fast") == 1
    assert any("centre of mass" in d for d in plan["steps"][1]["decides"])
    hard = next(s for s in plan["steps"] if s["key"] == "hard_starts")
    assert 2 * hard["repeats"] >= 8
    fast, slow = (
        next(s for s in plan["steps"] if s["key"] == f"sideways_{p}") for p in ("fast", "slow")
    )
    assert fast["speed"] >= 2 * slow["speed"]
    assert all(0 <= v <= 1 for v in plan["doubt"]["afterwards"].values())
    assert all(plan["doubt"]["afterwards"][g] < v for g, v in plan["doubt"]["now"].items())


def test_what_is_recorded_is_not_asked_again():
    result = analyze([SAMPLES / "book_cart_before"], SAMPLES / "book_cart.toml").result
    plan = make_plan(ROBOT, [result])
    enough = {s["key"] for s in plan["enough"]}
    assert {"sideways_fast", "sideways_slow", "straight_fast"} <= enough
    asked = [s["key"] for s in plan["steps"]]
    assert "turn_steps" in asked
    assert not enough & set(asked)
    assert plan["minutes"] < make_plan(ROBOT)["minutes"]
    # A longer arc needs more room: the stiff cart turns by tens of degrees a metre.
    wide = next(s for s in plan["enough"] if s["key"] == "sideways_fast")["floor_m"]["width"]
    usual = next(s for s in make_plan(ROBOT)["steps"] if s["key"] == "sideways_fast")
    assert wide > usual["floor_m"]["width"]


def test_recordings_without_currents_say_so():
    result = analyze([SAMPLES / "book_cart_before"], SAMPLES / "book_cart.toml").result
    result["columns"] = []
    for p in result["passes"]:
        p["wheels"]["current_a"] = dict.fromkeys(ROBOT.wheel_names)
    plan = make_plan(ROBOT, [result])
    assert any("no currents and no volts" in text for text in plan["channels"])
    assert plan["doubt"]["now"]["centre of mass ahead or astern"] > 0.9
    assert "turn_fast" in [s["key"] for s in plan["steps"]]


@pytest.mark.parametrize("robot", [ROBOT, eight(), three()])
def test_sheets_of_three_four_and_eight_wheels(robot):
    page = plan_html(make_plan(robot))
    for name in robot.wheel_names:
        assert page.count(f">{name}<") >= 3  # directions, both pictures
    assert page.count("\u2610") >= 20
    assert "http" not in page  # needs no network
    for text in CAUTIONS:
        assert text in page
    for column in ("ahead_m", "left_m", "turn_deg", "load [kg]"):
        assert column in page
    _well_formed(page)


def test_service_sheet():
    sheet = service_sheet(ROBOT, "RL")
    words = " ".join(s["text"] + s["caution"] for s in sheet["steps"])
    for needed in (
        "Power off", "battery out", "blocks", "mark how the two side plates stand", "spacer",
        "inner race", "Spin each roller", "too tight", "same lean", "Pinch points", "Small parts",
        "Eye protection",
    ):  # fmt: skip
        assert needed.lower() in words.lower()
    assert {s["source"] for s in sheet["steps"]} == {"common practice, no source"}
    assert any("compare --before" in text for text in sheet["afterwards"])
    assert "local rules" in " ".join(sheet["cautions"]).lower()
    page = service_html(sheet)
    assert "wheel RL" in page
    _well_formed(page)
    with pytest.raises(RobotFileError, match="no wheel 'XX'"):
        service_sheet(ROBOT, "XX")


def test_tilt_gives_the_height_and_the_note():
    rows = [("FL", 0.2, 0.169, -45, 0), ("FR", 0.2, -0.169, 45, 0), ("RL", -0.2, 0.169, 45, 0),
            ("RR", -0.2, -0.169, -45, 0)]  # fmt: skip
    wheels = "".join(WHEEL.format(n=n, x=x, y=y, a=a, h=h) for n, x, y, a, h in rows)
    head = HEAD.replace("20.0", "15.0")
    tilt = '\n[tilt]\nraised = "rear"\nlift_m = 0.1\nload_kg = 8.9\n'
    robot = parse_robot(head + wheels + SCALES + tilt, "made_up.toml")
    # h = r + L (W' - W_0) / (W tan asin(H / L)), front axle 8.1 kg level, 8.9 raised.
    angle = math.asin(0.1 / 0.4)
    height = 0.05 + 0.4 * (8.9 - 8.1) / (15.0 * math.tan(angle))
    assert robot.centre_height_m == pytest.approx(height, rel=1e-12)
    assert 0.005 < robot.centre_height_error_m < 0.05
    note = stability_note(robot)
    assert note["centre_m"]["from"] == "corner scales"
    assert note["centre_m"]["x"] == pytest.approx(0.2 * (8.1 - 6.9) / 15.0)
    left = next(t for t in note["limits"] if t["direction"] == "left")
    assert left["first_lift_m_per_s2"] < left["tip_m_per_s2"]
    assert "lifts wheel" in note["text"]


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ('[tilt]\nraised = "rear"\nlift_m = 0.1\nload_kg = 8.9\n', "level_load_kg: missing"),
        ('[tilt]\nraised = "rear"\nlift_m = 0.5\nload_kg = 8.9\nlevel_load_kg = 8\n', "lift_m: found 0.5"),
        ('[tilt]\nraised = "top"\nlift_m = 0.1\nload_kg = 8.9\n', "tilt.raised"),
        ('[tilt]\nraised = "rear"\nlift_m = 0.1\nload_kg = 1.0\nlevel_load_kg = 8\n', "above the floor"),
        ("[scales]\nloads_kg = { FL = 9.0, FR = 9.0, RL = 9.0, RR = 9.0 }\n", "weigh again"),
    ],
)  # fmt: skip
def test_faulty_scales_and_tilts_are_told(extra, words):
    text = robot_text().replace("centre_height_m = 0.12\n", "")
    with pytest.raises(RobotFileError, match=words):
        parse_robot(text + extra, "book_cart.toml")


def test_low_tip_limit_tames_the_hard_starts():
    tall = parse_robot(robot_text().replace("centre_height_m = 0.12", "centre_height_m = 0.9"), "x")
    hard = next(s for s in make_plan(tall)["steps"] if s["key"] == "hard_starts")
    limit = min(t["first_lift_m_per_s2"] for t in make_plan(tall)["stability"]["limits"])
    assert hard["acceleration_m_per_s2"] <= 0.5 * limit + 1e-9
    assert "half of what would lift a wheel" in hard["how"]


def test_unknown_height_is_said():
    text = robot_text().replace("centre_height_m = 0.12\n", "")
    note = stability_note(parse_robot(text, "x"))
    assert note["limits"] == []
    assert "[tilt]" in note["text"]


VOID = {"meta", "br", "line", "polygon", "input", "hr", "img", "link"}


class _Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open = []

    def handle_starttag(self, tag, attrs):
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        pass

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def _well_formed(page):
    parser = _Tags()
    parser.feed(page)
    parser.close()
    assert parser.open == []


def test_scales_answer_where_the_recording_has_no_currents(tmp_path):
    """Four corner loads give the centre of mass directly (ISO 10392, level part)."""
    log = (SAMPLES / "book_cart_after" / "drive.csv").read_text().splitlines()
    head = log[0].split(",")
    keep = [k for k, name in enumerate(head) if "current" not in name and "volts" not in name]
    bare = tmp_path / "bare.csv"
    bare.write_text("\n".join(",".join(row.split(",")[k] for k in keep) for row in log) + "\n")
    cart = tmp_path / "cart.toml"
    cart.write_text(robot_text() + SCALES)
    result = analyze([bare], cart).result
    centre = result["chassis"]["centre_of_mass_m"]
    assert centre["x"]["value"] == pytest.approx(0.2 * (8.1 - 6.9) / 15.0)
    assert centre["y"]["value"] == pytest.approx(0.18 * (7.7 - 7.3) / 15.0)
    first = result["causes"][0]
    assert (first["cause"], first["probability"] > 0.9) == ("mass_off_centre", True)
    assert any(r["kind"] == "move_mass" for r in result["remedies"])


def test_scales_weigh_in_beside_currents(tmp_path):
    cart = tmp_path / "cart.toml"
    source = [SAMPLES / "book_cart_after"]
    cart.write_text(robot_text())
    without = analyze(source, cart).result["chassis"]["centre_of_mass_m"]["x"]
    cart.write_text(robot_text() + SCALES)
    with_them = analyze(source, cart).result["chassis"]["centre_of_mass_m"]["x"]
    # The scales say 16 mm ahead, the drive -4 mm: the answer lies between, and is surer.
    assert without["value"] < with_them["value"] < 0.016
    assert with_them["std_error"] < without["std_error"]
