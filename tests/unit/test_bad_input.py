"""Bad input: exit 1 and one message that names file, channel and remedy; never a traceback."""

from pathlib import Path

import pytest

from analyzer.cli import main

SAMPLES = Path(__file__).parents[2] / "sample_logs"
ROBOT_TEXT = (SAMPLES / "book_cart.toml").read_text()
LINES = (SAMPLES / "book_cart_after" / "drive.csv").read_text().splitlines()
SHORT = LINES[:1500]
HEAD = LINES[0].split(",")


def column(name, change):
    k = HEAD.index(name)
    out = [SHORT[0]]
    for row, line in enumerate(SHORT[1:]):
        cells = line.split(",")
        cells[k] = change(row, cells[k])
        out.append(",".join(cells))
    return "\n".join(out)


def without(*names):
    keep = [k for k, n in enumerate(HEAD) if n not in names]
    return "\n".join(",".join(x.split(",")[k] for k in keep) for x in SHORT)


LOGS = {
    "empty": (b"", "empty"),
    "blank": (b"\n\n  \n", "empty"),
    "binary": (b"\x00\x01\x02" * 400, "binary"),
    "header only": (SHORT[0].encode(), "no rows"),
    "no header": ("\n".join(SHORT[1:]).encode(), "header"),
    "two samples": ("\n".join(SHORT[:3]).encode(), "2 samples"),
    "five samples": ("\n".join(SHORT[:6]).encode(), "few"),
    "one column": (b"a\n1\n2\n3\n", "cell"),
    "latin-1 noise": (bytes(range(128, 256)) * 30, "UTF-8"),
    "png": (b"\x89PNG\r\n" + b"x" * 300, "binary"),
    "zip": (b"PK\x03\x04" + b"x" * 300, "binary"),
    "prose": (b"the robot, she arcs\nand we, do not know why\n" * 20, "no rows of numbers"),
    "no clock": (without("time_s").encode(), "time"),
    "no wheel FL": (without("fl_ticks").encode(), "count_FL"),
    "no wheels": (without(*[f"{w}_ticks" for w in ("fl", "fr", "rl", "rr")]).encode(), "count_RR"),
    "constant time": (column("time_s", lambda r, c: "5.0").encode(), "do not advance"),
    "time backwards": (column("time_s", lambda r, c: str(30 - 0.02 * r)).encode(), "backwards"),
    "sawtooth time": (column("time_s", lambda r, c: str(0.02 * (r % 100))).encode(), "backwards"),
    "over at once": (column("time_s", lambda r, c: str(3e-5 * r)).encode(), "too short to analyse"),
    "blank time": (column("time_s", lambda r, c: "").encode(), "t"),
    "text in time": (column("time_s", lambda r, c: "noon" if r == 7 else c).encode(), "noon"),
    "text in counts": (column("fl_ticks", lambda r, c: "oops" if r == 9 else c).encode(), "oops"),
    "all NaN counts": (column("rr_ticks", lambda r, c: "nan").encode(), "count_RR"),
    "counts with fractions": (column("rl_ticks", lambda r, c: c + ".37").encode(), "count_RL"),
    "never moves": (
        "\n".join([SHORT[0]] + [f"{0.02 * k}," + LINES[1].split(",", 1)[1] for k in range(600)]).encode(),
        "no pass",
    ),
    "ragged": (
        "\n".join([SHORT[0]] + [x if k % 3 else "1,2" for k, x in enumerate(SHORT[1:])]).encode(),
        "cells",
    ),
    "jumping stamps": (column("time_s", lambda r, c: str(0.02 * r + 9e5 * (r > 700))).encode(), "jump"),
}  # fmt: skip


@pytest.mark.parametrize("name", LOGS)
def test_bad_log(name, tmp_path, capsys):
    data, word = LOGS[name]
    log = tmp_path / "drive.csv"
    log.write_bytes(data)
    code = main(["analyze", str(log), "--robot", str(SAMPLES / "book_cart.toml")])
    said = capsys.readouterr()
    assert code == 1, said.out
    assert said.err.startswith("crabwise: ")
    assert "Traceback" not in said.err
    assert word.lower() in said.err.lower()
    assert "drive.csv" in said.err or "wheels" in said.err or "FL" in said.err


ROBOTS = {
    "negative radius": ("radius_m = 0.05", "radius_m = -0.05", "radius_m"),
    "unknown key": ("mass_kg = 15.0", "mass_kg = 15.0\nmas = 2", "unknown key"),
    "missing mass": ("mass_kg = 15.0\n", "", "robot.mass_kg: missing"),
    "text mass": ("mass_kg = 15.0", 'mass_kg = "heavy"', "mass_kg"),
    "bad mode": ('drive_mode = "power"', 'drive_mode = "magic"', "drive_mode"),
    "not TOML": ("[robot]", "[robot", "TOML"),
    "all rollers alike": ("roller_angle_deg = -45", "roller_angle_deg = 45", "cannot drive"),
    "steep rollers": ("roller_angle_deg = -45", "roller_angle_deg = 90", "roller_angle_deg"),
    "same place": ("x_m = -0.2\n", "x_m = 0.2\n", "same place"),
    "zero resistance": ("resistance_ohm = 1.2", "resistance_ohm = 0", "resistance_ohm"),
    "no size at all": ("counts_per_turn = 1440", "counts_per_turn = 14401e-320", "counts_per_turn"),
    "hundreds of digits": ("counts_per_turn = 1440", f"counts_per_turn = {'9' * 400}", "counts_per_turn"),
    "beyond all size": ("mass_kg = 15.0", "mass_kg = 1e300", "mass_kg"),
    "infinite": ("mass_kg = 15.0", "mass_kg = inf", "mass_kg"),
    "range turned": ("x_range_m = [-0.18, 0.18]", "x_range_m = [0.18, -0.18]", "x_range_m"),
    "no counts": ("counts_per_turn = 1440\n", "", "counts_per_turn"),
    "unknown channel": ("[imu]", '[channels]\n"fl_ticks" = "wheel_FL"\n[imu]', "no channel"),
    "unknown wheel": ("[imu]", '[channels]\n"fl_ticks" = "count_XX"\n[imu]', "no wheel"),
    "wrong unit": (
        "[imu]", '[channels]\n"gyro_z_dps" = { channel = "omega_z", unit = "A" }\n[imu]', "unit"
    ),
    "mapped twice": (
        "[imu]", '[channels]\n"fl_ticks" = "count_FL"\n"fr_ticks" = "count_FL"\n[imu]', "second"
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", ROBOTS)
def test_bad_robot_file(name, tmp_path, capsys):
    old, new, word = ROBOTS[name]
    assert old in ROBOT_TEXT
    robot = tmp_path / "robot.toml"
    robot.write_text(ROBOT_TEXT.replace(old, new))
    code = main(["analyze", str(SAMPLES / "book_cart_after"), "--robot", str(robot)])
    said = capsys.readouterr()
    assert code == 1, said.out
    assert word in said.err
    assert "Traceback" not in said.err


def test_all_faults_at_once(tmp_path, capsys):
    robot = tmp_path / "robot.toml"
    text = ROBOT_TEXT.replace("mass_kg = 15.0", "mass_kg = -1").replace('"power"', '"x"')
    robot.write_text(text)
    assert main(["analyze", str(SAMPLES), "--robot", str(robot)]) == 1
    said = capsys.readouterr().err
    assert "robot.mass_kg" in said
    assert "robot.drive_mode" in said


@pytest.mark.parametrize("path", ["nowhere.csv", "nowhere/"])
def test_missing_paths(path, capsys):
    assert main(["analyze", path, "--robot", str(SAMPLES / "book_cart.toml")]) == 1
    assert "no such file" in capsys.readouterr().err


def test_missing_robot_file(capsys):
    assert main(["analyze", str(SAMPLES / "book_cart_after"), "--robot", "nowhere.toml"]) == 1
    assert "--robot" in capsys.readouterr().err


@pytest.mark.parametrize("suffix", [".parquet", ".feather", ".jsonl", ".bag", ".mcap", ".db3"])
def test_damaged_formats(suffix, tmp_path, capsys):
    log = tmp_path / f"drive{suffix}"
    log.write_bytes(b"not at all that" * 20)
    assert main(["analyze", str(log), "--robot", str(SAMPLES / "book_cart.toml")]) == 1
    assert "drive" in capsys.readouterr().err


def test_wrong_usage():
    with pytest.raises(SystemExit) as stop:
        main(["analyze"])
    assert stop.value.code == 2
