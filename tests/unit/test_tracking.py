"""Free tracking wheels and tables by hand as reference, on a simulated drive with known truth."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from analyzer.cli import main
from analyzer.pipeline import analyze
from analyzer.robot import load_robot
from analyzer.simulate import Truth, drive, usual_script

SAMPLES = Path(__file__).parents[2] / "sample_logs"
TEXT = (SAMPLES / "book_cart.toml").read_text()
ROBOT = load_robot(SAMPLES / "book_cart.toml")
STEP = 0.01
RATIO = 1.02  # the real radius of the first tracking wheel over the described one
# Name, x, y, direction: two ahead, one sideways, as they sit on many bases.
PLACES = {"TL": (0.02, 0.12, 0.0), "TR": (0.02, -0.12, 0.0), "TS": (-0.15, 0.01, 90.0)}
RADIUS, COUNTS = 0.024, 8192


def tracking_text(names):
    return "".join(
        f'\n[[tracking_wheel]]\nname = "{n}"\nx_m = {x}\ny_m = {y}\nheading_deg = {h}\nradius_m = {RADIUS}\n'
        f"counts_per_turn = {COUNTS}\n"
        for n, (x, y, h) in PLACES.items()
        if n in names
    )


@pytest.fixture(scope="module")
def motion():
    return drive(ROBOT, Truth(c_x=-0.02), usual_script((0.35, 0.7)), STEP)


def wheels_and_gyro(motion, take, rng, *, gyro):
    t = motion.t[take]
    columns = {"time_s": t}
    for k, w in enumerate(ROBOT.wheel_names):
        columns[f"{w.lower()}_ticks"] = np.floor(
            motion.wheel_angle[take, k] * ROBOT.counts_per_turn[k] / (2 * math.pi)
        )
    if gyro:
        columns["gyro_z_rad_s"] = motion.twist[take, 2] + 0.003 + rng.normal(0, 0.002, t.size)
    return columns


def saved(folder, columns):
    table = np.column_stack(list(columns.values()))
    file = folder / "drive.csv"
    np.savetxt(file, table, delimiter=",", header=",".join(columns), comments="", fmt="%.9g")
    return file


def write_log(folder, motion, names=(), *, gyro=True, pose=False, step=2):
    take = slice(None, None, step)
    t = motion.t[take]
    rng = np.random.default_rng(3)
    columns = wheels_and_gyro(motion, take, rng, gyro=gyro)
    for n in names:
        x, y, heading = PLACES[n]
        c, s = math.cos(math.radians(heading)), math.sin(math.radians(heading))
        v, w, turn = motion.twist.T
        speed = c * (v - y * turn) + s * (w + x * turn)
        radius = RADIUS * (RATIO if n == "TL" else 1.0)
        columns[f"{n}_ticks"] = np.floor(np.cumsum(speed) * STEP / radius * COUNTS / (2 * math.pi))[
            take
        ]
    if pose:
        noise = rng.normal(0, 0.001, (t.size, 2))
        columns["mocap_x_m"], columns["mocap_y_m"] = (motion.pose[take, :2] + noise).T
        columns["mocap_yaw_rad"] = motion.pose[take, 2] + rng.normal(0, 0.001, t.size)
    return saved(folder, columns)


def result_of(folder, log, text, *more):
    robot = folder / "robot.toml"
    robot.write_text(text)
    return analyze([log, *more], robot)


def truth_of(run, motion, step=2):
    return motion.pose[::step][: run.t.size]


@pytest.mark.parametrize(("names", "gyro"), [(("TL", "TS"), True), (("TR", "TL", "TS"), False)])
def test_tracking_wheels_give_the_reference(names, gyro, tmp_path, motion, monkeypatch):
    monkeypatch.setitem(globals(), "RATIO", 1.0)
    log = write_log(tmp_path, motion, names, gyro=gyro)
    found = result_of(tmp_path, log, TEXT + tracking_text(names))
    assert found.run.reference_source == "tracking wheels"
    truth = truth_of(found.run, motion)
    seen = found.run.reference
    n = min(len(truth), len(seen))
    assert np.abs(seen[:n, 2] - truth[:n, 2]).max() < 0.06
    # The frame of the path turns with the heading's small error over the whole drive.
    path = np.hypot(*np.diff(truth[:, :2], axis=0).T).sum()
    assert np.hypot(*(seen[:n, :2] - truth[:n, :2]).T).max() < 0.01 * path
    ratio = found.motion.sideways_ratio
    # Truth.sideways is 0.98, creep (Truth.creep) takes up to 1.5 % more.
    assert 0.955 < ratio.value < 0.985
    assert found.motion.effective_radius.value == pytest.approx(0.05, rel=0.02)


def test_a_heading_that_is_the_gyros_own_does_not_judge_the_gyro(tmp_path, motion):
    log = write_log(tmp_path, motion, ("TL", "TS"))
    found = result_of(tmp_path, log, TEXT + tracking_text(("TL", "TS")))
    assert found.result["yaw_source"] == "gyro"
    assert "gyro_scale" not in found.result["imu"]


def write_speeds(folder, motion, *, own_rate, gyro, late=0.0, change=lambda columns: None):
    """A sensor that tells speeds along the base, 0.02 in SI beside the truth, and no position."""
    take = slice(None, None, 2)
    t = motion.t[take]
    rng = np.random.default_rng(9)
    columns = wheels_and_gyro(motion, take, rng, gyro=gyro)
    names = ["ref_v_x_m_s", "ref_v_y_m_s", *(["ref_omega_z_rad_s"] if own_rate else [])]
    for k, name in enumerate(names):
        seen = np.interp(t - late, motion.t, motion.twist[:, k])
        columns[name] = seen + 0.02 + rng.normal(0, (0.01, 0.01, 0.003)[k], t.size)
    change(columns)
    return saved(folder, columns)


@pytest.mark.parametrize(("own_rate", "gyro"), [(True, False), (True, True), (False, True)])
@pytest.mark.parametrize("late", [0.0, 0.12])
def test_speeds_of_a_reference_stand_in_for_its_pose(tmp_path, motion, own_rate, gyro, late):
    log = write_speeds(tmp_path, motion, own_rate=own_rate, gyro=gyro, late=late)
    found = result_of(tmp_path, log, TEXT)
    want = result_of(tmp_path, write_log(tmp_path, motion, pose=True), TEXT)
    assert found.run.reference_source == "speeds"
    assert found.result["yaw_source"] == ("reference" if own_rate else "gyro")
    assert ("gyro_scale" in found.result["imu"]) == (own_rate and gyro)
    ratio, radius = found.motion.sideways_ratio, found.motion.effective_radius
    assert ratio.value == pytest.approx(want.motion.sideways_ratio.value, abs=2e-3)
    assert radius.value == pytest.approx(want.motion.effective_radius.value, rel=1e-3)
    # What the base did from the start to the stop of each soft pass.
    for side in ("left", "right"):
        own = [m for m in found.motion.passes if m.kind == side and not m.hard_start]
        ends = np.array([(2 * m.start, min(2 * m.stop, len(motion.t) - 1)) for m in own])
        first, last = motion.pose[ends[:, 0]], motion.pose[ends[:, 1]]
        turned = np.degrees(np.sum(last[:, 2] - first[:, 2]))
        drift = turned / np.sum(np.hypot(*(last - first)[:, :2].T))
        assert found.motion.yaw_drift[side]["total"].value == pytest.approx(drift, abs=0.25)
        creep = [
            m.path[0] / m.distance - n.path[0] / n.distance
            for m, n in zip(
                own,
                (m for m in want.motion.passes if m.kind == side and not m.hard_start),
                strict=True,
            )
        ]
        # Noise of 0.01 m/s at 50 Hz: 3 mm in a pass of five seconds, of six passes of 0.9 m and more.
        assert abs(np.mean(creep)) < 5e-3
    said = " ".join(f.text for f in found.run.findings)
    assert ("lags the wheels by 12" in said) == (late > 0)
    assert found.result["causes"][0]["cause"] == want.result["causes"][0]["cause"]


def test_speeds_of_a_reference_are_left_out_where_they_cannot_tell(tmp_path, motion):
    log = write_speeds(tmp_path, motion, own_rate=False, gyro=False)
    found = result_of(tmp_path, log, TEXT)
    assert found.run.reference is None
    assert any("log ref_omega_z or a gyro" in f.text for f in found.run.findings)

    def gap(columns):  # in the middle of a pass, for a second
        p = next(p for p in whole.passes if p.kind == "left")
        at = float(whole.run.t[(p.start + p.stop) // 2])
        silent.append((p, at))
        for name in ("ref_v_x_m_s", "ref_v_y_m_s", "ref_omega_z_rad_s"):
            columns[name][np.abs(columns["time_s"] - at) < 0.5] = math.nan

    def glitch(columns):
        columns["ref_v_y_m_s"][columns["time_s"].size // 2] += 8.0

    def of_wheels(columns):
        step = np.gradient(
            np.array([columns[f"{w.lower()}_ticks"] for w in ROBOT.wheel_names]), axis=1
        )
        speed = step / (2 * STEP) * 2 * math.pi / ROBOT.counts_per_turn[:, None]
        twist = np.linalg.pinv(ROBOT.matrix) @ speed
        for name, values in zip(
            ("ref_v_x_m_s", "ref_v_y_m_s", "ref_omega_z_rad_s"), twist, strict=True
        ):
            columns[name] = values

    silent: list = []
    whole = result_of(tmp_path, write_speeds(tmp_path, motion, own_rate=True, gyro=True), TEXT)
    log = write_speeds(tmp_path, motion, own_rate=True, gyro=True, change=gap)
    found = result_of(tmp_path, log, TEXT)
    assert any("no reference speed for 1.0" in f.text for f in found.run.findings)
    starts = {round(m.t_start, 1) for m in found.motion.passes}
    (p, at), *_ = silent
    lost = {round(m.t_start, 1) for m in whole.motion.passes} - starts
    assert lost == {round(float(whole.run.t[p.start]), 1)}
    assert np.isnan(found.run.reference[np.abs(found.run.t - at) < 0.3]).all()

    log = write_speeds(tmp_path, motion, own_rate=True, gyro=True, change=glitch)
    found = result_of(tmp_path, log, TEXT)
    assert any("1 of" in f.text and f.channel == "ref_v_y" for f in found.run.findings)

    log = write_speeds(tmp_path, motion, own_rate=True, gyro=True, change=of_wheels)
    found = result_of(tmp_path, log, TEXT)
    assert found.run.reference is None
    assert any("tells nothing new" in f.text and f.channel == "ref_v_x" for f in found.run.findings)


def test_speeds_with_a_heading_of_the_reference(tmp_path, motion):
    def with_yaw(columns):
        yaw = motion.pose[::2, 2] + 1.0  # the frame of the path turns with it
        columns["ref_yaw_rad"] = yaw + np.random.default_rng(4).normal(0, 1e-3, yaw.size)

    log = write_speeds(tmp_path, motion, own_rate=False, gyro=True, change=with_yaw)
    found = result_of(tmp_path, log, TEXT)
    assert found.run.reference_source == "speeds"
    assert found.result["yaw_source"] == "reference"
    assert found.result["imu"]["gyro_scale"]["value"] == pytest.approx(1.0, abs=2e-3)
    assert any("turned by its own heading" in f.text for f in found.run.findings)
    seen, truth = found.run.reference, truth_of(found.run, motion)
    c, s = math.cos(1.0), math.sin(1.0)
    want = truth[:, :2] @ np.array([[c, s], [-s, c]])
    path = np.hypot(*np.diff(truth[:, :2], axis=0).T).sum()
    assert np.hypot(*(seen[:, :2] - want).T).max() < 0.01 * path


def test_speeds_beside_a_pose_that_begins_when_the_wheels_have_ended(tmp_path, motion):
    """A pose without a number within the drive has no heading to turn the speeds by."""

    def then_pose(columns):
        n = columns["time_s"].size
        for name, values in columns.items():
            columns[name] = np.concatenate([values, np.full(500, math.nan)])
        columns["time_s"][n:] = columns["time_s"][n - 1] + 10 + 0.02 * np.arange(500)
        for name in ("mocap_x_m", "mocap_y_m", "mocap_yaw_rad"):
            columns[name] = np.concatenate([np.full(n, math.nan), np.linspace(0, 1, 500)])

    log = write_speeds(tmp_path, motion, own_rate=False, gyro=True, change=then_pose)
    found = result_of(tmp_path, log, TEXT)
    assert found.run.reference_source == "speeds"
    assert found.result["yaw_source"] == "gyro"


def test_speeds_that_come_rarely_or_alone_are_not_used(tmp_path, motion):
    def rarely(columns):
        for name in ("ref_v_x_m_s", "ref_v_y_m_s"):
            columns[name][np.arange(columns[name].size) % 25 > 0] = math.nan  # 2 Hz

    def alone(columns):
        del columns["ref_v_y_m_s"]

    for change, said in ((rarely, "missing in more than half"), (alone, "together")):
        log = write_speeds(tmp_path, motion, own_rate=False, gyro=True, change=change)
        found = result_of(tmp_path, log, TEXT)
        assert found.run.reference is None
        assert found.run.reference_source == ""
        assert [f.text for f in found.run.findings if said in f.text and f.channel == "ref_v_x"]
        assert len(found.motion.passes) > 10  # by the wheels, as without them


def test_their_own_calibration_against_a_pose(tmp_path, motion):
    names = ("TL", "TR", "TS")
    log = write_log(tmp_path, motion, names, pose=True)
    found = result_of(tmp_path, log, TEXT + tracking_text(names))
    assert found.run.reference_source == "pose"
    wheels = found.result["tracking_wheels"]
    for name, ratio in (("TL", RATIO), ("TR", 1.0), ("TS", 1.0)):
        radius = wheels[name]["radius_m"]
        low, high = radius["interval95"]
        slack = 2e-3 * RADIUS  # ends of passes are read to a few mm
        assert low - slack < RADIUS * ratio < high + slack, (name, radius)
        assert radius["value"] == pytest.approx(RADIUS * ratio, rel=0.004)
        x, y, heading = PLACES[name]
        lever = x * math.sin(math.radians(heading)) - y * math.cos(math.radians(heading))
        assert wheels[name]["described_lever_m"]["value"] == pytest.approx(lever)
        assert wheels[name]["lever_m"]["value"] == pytest.approx(lever, abs=2e-3)


def test_their_levers_from_turns_and_the_gyro(tmp_path, motion):
    names = ("TL", "TS")
    wrong = tracking_text(names).replace("x_m = -0.15", "x_m = -0.17")
    log = write_log(tmp_path, motion, names)
    wheels = result_of(tmp_path, log, TEXT + wrong).result["tracking_wheels"]
    assert wheels["TS"]["described_lever_m"]["value"] == pytest.approx(-0.17)
    low, high = wheels["TS"]["lever_m"]["interval95"]
    assert low < -0.15 < high < -0.14
    assert low > -0.17
    assert "reference of another kind" in wheels["TL"]["radius_m"]["why"]


def test_two_wheels_without_a_gyro_are_not_enough(tmp_path, motion):
    log = write_log(tmp_path, motion, ("TL", "TS"), gyro=False)
    found = result_of(tmp_path, log, TEXT + tracking_text(("TL", "TS")))
    assert found.run.reference is None
    assert any("do not tell how the base moves" in f.text for f in found.run.findings)


def test_tracking_wheels_that_are_not_logged(tmp_path, motion):
    log = write_log(tmp_path, motion, ("TL",))
    found = result_of(tmp_path, log, TEXT + tracking_text(("TL", "TS")))
    assert any("TS are not in the recording" in f.text for f in found.run.findings)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (lambda t: t.replace('name = "TS"', 'name = "TL"'), "stands twice"),
        (lambda t: t.replace('name = "TS"', 'name = "FL"'), "stands twice"),
        (lambda t: t.replace("radius_m = 0.024", "radius_m = 0"), "radius_m"),
        (lambda t: t.replace("heading_deg = 90.0", 'heading_deg = "left"'), "heading_deg"),
        (lambda t: t[: t.rindex("[[")], "one wheel gives no path"),
    ],
)
def test_faults_of_the_robot_file(change, word, tmp_path, capsys):
    robot = tmp_path / "robot.toml"
    robot.write_text(TEXT + change(tracking_text(("TL", "TS"))))
    assert main(["analyze", str(SAMPLES / "book_cart_after"), "--robot", str(robot)]) == 1
    assert word in capsys.readouterr().err


# ---- tables by hand


@pytest.fixture(scope="module")
def taped(motion, tmp_path_factory):
    folder = tmp_path_factory.mktemp("tape")
    log = write_log(folder, motion)
    plain = result_of(folder, log, TEXT)
    rows = []
    moves = [p for p in plain.passes if p.kind != "rest"]
    for number, p in enumerate(moves, start=1):
        a, b = (motion.pose[min(2 * i, len(motion.pose) - 1)] for i in (p.start, p.stop))
        step = b[:2] - a[:2]
        c, s = math.cos(a[2]), math.sin(a[2])
        rows.append(
            (number, c * step[0] + s * step[1], -s * step[0] + c * step[1], math.degrees(b[2] - a[2]),
             (p.stop - p.start) * plain.run.dt)
        )  # fmt: skip
    return folder, log, rows


FORMS = {
    "plain": ("pass,ahead_m,left_m,turn_deg", lambda r: f"{r[0]},{r[1]:.4f},{r[2]:.4f},{r[3]:.2f}"),
    "timed": (
        "pass,ahead_m,left_m,turn_deg,time_s",
        lambda r: f"{r[0]},{r[1]:.4f},{r[2]:.4f},{r[3]:.2f},{r[4]:.1f}",
    ),
    "mm and semicolons": (
        "pass;left_mm;ahead_mm;turn_rad",
        lambda r: f"{r[0]};{1e3 * r[2]:.1f};{1e3 * r[1]:.1f};{math.radians(r[3]):.4f}",
    ),
    "turn not measured": (
        "pass,ahead_m,left_m,turn_deg",
        lambda r: f"{r[0]},{r[1]:.4f},{r[2]:.4f},",
    ),
}


@pytest.mark.parametrize("form", FORMS)
def test_taped_table_stands_in_for_the_reference(form, taped):
    folder, log, rows = taped
    header, line = FORMS[form]
    table = folder / "tape.csv"
    table.write_text("\n".join([header, *map(line, rows)]) + "\n")
    found = result_of(folder, log, TEXT, table)
    assert 0.955 < found.motion.sideways_ratio.value < 0.985
    assert not [f for f in found.run.findings if "timed by hand" in f.text]
    assert json.dumps(found.result["passes"])


def test_times_that_do_not_fit_are_said(taped):
    folder, log, rows = taped
    header, line = FORMS["timed"]
    table = folder / "tape.csv"
    shifted = [(*r[:4], 30.0) if r[0] == 3 else r for r in rows]
    table.write_text("\n".join([header, *map(line, shifted)]) + "\n")
    found = result_of(folder, log, TEXT, table)
    hit = [f for f in found.run.findings if "timed by hand" in f.text]
    assert len(hit) == 1
    assert "pass 3" in hit[0].text
    assert hit[0].t_start == pytest.approx(found.motion.passes[2].t_start)


@pytest.mark.parametrize(
    ("lines", "word"),
    [
        (["pass,ahead_m,left_m,turn_deg", "999,1,0,0"], "999"),
        (["pass,ahead_m,left_m,turn_deg", "1,1,0,0", "1,1,0,0"], "stands twice"),
        (["pass,ahead_m,left_m,turn_deg", "1,one,0,0"], "row 2"),
        (["pass,ahead_m,left_m,turn_deg", "1,1,0," + "0" * 200_000], "cannot be read as a taped"),
        (["pass,ahead_m,left_m,turn_deg", "0,1,0,0"], "row 2"),
        (["pass,ahead_m,left_m,turn_deg", "1,inf,0,0"], "row 2"),
        (["pass,ahead_m,left_m", "1,1,0"], "turn_deg"),
    ],
)
def test_faults_of_the_table(lines, word, taped, capsys):
    folder, log, _ = taped
    table = folder / "tape.csv"
    table.write_text("\n".join(lines) + "\n")
    (folder / "robot.toml").write_text(TEXT)
    assert main(["analyze", str(log), str(table), "--robot", str(folder / "robot.toml")]) == 1
    assert word in capsys.readouterr().err
