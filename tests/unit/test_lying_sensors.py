"""Sensors that lie: each fault is found with its time, and the estimates stay right.

One simulated drive (`analyzer.simulate`, known truth) is corrupted in one way a test. The estimates
must stay within the intervals of the clean recording, which are themselves checked for the truth.
"""

import math
import re
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analyzer.alignment import align
from analyzer.counters import unwrap_counter
from analyzer.motion import describe_motion
from analyzer.passes import find_passes
from analyzer.pipeline import _decides, analyze
from analyzer.robot import load_robot
from analyzer.run import Recording, Source
from analyzer.simulate import Truth, drive, usual_script
from analyzer.traces import driven_pose

SAMPLES = Path(__file__).parents[2] / "sample_logs"
ROBOT = load_robot(SAMPLES / "book_cart.toml")
STEP = 0.01
RATE = 50
WHEELS = ROBOT.wheel_names
TRUTH = Truth(c_x=-0.02, radius=np.array([1.0, 1.0, 1.0, 0.99]))


@pytest.fixture(scope="module")
def motion():
    return drive(ROBOT, TRUTH, usual_script((0.35, 0.7)), STEP)


@pytest.fixture(scope="module")
def clean(motion):
    """Channels of a sound recording at 50 Hz, pose at 25 Hz."""
    rng = np.random.default_rng(4)
    take = slice(None, None, round(1 / STEP / RATE))
    t = motion.t[take]
    n = t.size
    wheels = {
        f"count_{w}": np.floor(
            motion.wheel_angle[take, k] * ROBOT.counts_per_turn[k] / (2 * math.pi)
        )
        for k, w in enumerate(WHEELS)
    }
    wheels |= {
        f"current_{w}": motion.current[take, k] + rng.normal(0, 0.02, n)
        for k, w in enumerate(WHEELS)
    }
    wheels |= {f"volt_{w}": motion.volt[take, k] for k, w in enumerate(WHEELS)}
    wheels["omega_z"] = motion.twist[take, 2] + 0.004 + rng.normal(0, 0.002, n)
    wheels["yaw"] = motion.pose[take, 2] + rng.normal(0, 0.002, n)
    wheels |= {f"cmd_{q}": motion.command[take, k] for k, q in enumerate(("v_x", "v_y", "omega_z"))}
    half = slice(None, None, 2 * round(1 / STEP / RATE))
    pose = motion.pose[half] + rng.normal(0, (0.001, 0.001, 0.002), (motion.pose[half].shape))
    reference = {f"ref_{q}": pose[:, k].copy() for k, q in enumerate(("x", "y", "yaw"))}
    return {"t": t, "wheels": wheels, "ref_t": motion.t[half], "ref": reference}


def copy_of(clean):
    return {
        "t": clean["t"].copy(),
        "ref_t": clean["ref_t"].copy(),
        "wheels": {k: v.copy() for k, v in clean["wheels"].items()},
        "ref": {k: v.copy() for k, v in clean["ref"].items()},
    }


def estimates(log):
    sources = []
    for name, clock in (("wheels", "t"), ("ref", "ref_t")):
        if log[name]:
            sources.append(
                Source(
                    name=f"{name}.csv", t=log[clock], epoch=1.7e9, absolute=True,
                    channels=log[name], columns=(),
                )
            )  # fmt: skip
    run = align(Recording(paths=("log",), sources=tuple(sources)), ROBOT)
    passes = find_passes(run)
    return run, describe_motion(run, passes)


@pytest.fixture(scope="module")
def sound(clean):
    return estimates(copy_of(clean))


MEASURES = {
    "sideways ratio": lambda m: m.sideways_ratio,
    "effective radius": lambda m: m.effective_radius,
    "yaw lever": lambda m: m.yaw_lever,
    "radius of RR": lambda m: m.wheel_radius[3],
}


def assert_drift_right(found, sound):
    """Drift at each speed: the mean over speeds changes with the passes that are left."""
    seen = 0
    for mine in found.by_speed:
        for whole in sound.by_speed:
            near = abs(mine.speed - whole.speed) < 0.05
            if mine.kind == whole.kind and near and mine.kind in {"left", "right"}:
                allowed = 2.0 * math.hypot(mine.total.std_error, whole.total.std_error)
                assert abs(mine.total.value - whole.total.value) <= allowed, (mine, whole)
                seen += 1
    assert seen == 4


def assert_right(found, sound, *, without=()):
    assert_drift_right(found, sound)
    for name, pick in MEASURES.items():
        if name in without:
            continue
        mine, whole = pick(found), pick(sound)
        assert mine.value is not None, (name, mine.why)
        allowed = 2.0 * math.hypot(mine.std_error, whole.std_error)
        assert abs(mine.value - whole.value) <= allowed, (name, mine, whole)


def said(run, channel, word):
    hits = [f for f in run.findings if f.channel == channel and word in f.text]
    assert hits, [(f.channel, f.text) for f in run.findings]
    return hits


def test_the_sound_recording_is_right(sound):
    run, motion = sound
    assert not [f for f in run.findings if f.severity != "note"]
    ratio = motion.sideways_ratio
    assert ratio.low <= TRUTH.sideways * 1.005
    # Creep (Truth.creep) takes a little more off than the sideways factor alone.
    assert ratio.value == pytest.approx(TRUTH.sideways, abs=0.02)
    assert motion.effective_radius.value == pytest.approx(ROBOT.radius.mean() * 0.9975, rel=0.01)
    assert len([p for p in motion.passes if p.kind == "left"]) >= 6


# ---- counters


@pytest.mark.parametrize("bits", [15, 16, 32])
@pytest.mark.parametrize("signed", [False, True])
def test_counters_overflow(clean, sound, bits, signed):
    log = copy_of(clean)
    start = 2.0**bits - 300
    for w in WHEELS:
        count = np.mod(log["wheels"][f"count_{w}"] + start, 2.0**bits)
        log["wheels"][f"count_{w}"] = np.where(
            signed & (count >= 2.0 ** (bits - 1)), count - 2.0**bits, count
        )
    run, motion = estimates(log)
    if not signed:
        assert any(f"{bits} bits" in f.text for f in run.findings)
    assert run.valid.all()
    assert np.abs(run.wheel_angle - sound[0].wheel_angle).max() < 1e-7


def test_counter_arithmetic_of_rfc_1982():
    # RFC 1982 serial number arithmetic, 16 bits: 65530 -> 5 is +11 (value from memory).
    up, bits, resets = unwrap_counter(np.array([65500.0, 65530, 5, 20, 40]), 500)
    assert bits == 16
    assert not resets.size
    assert np.diff(up).tolist() == [30, 11, 15, 20]


def test_absolute_encoder_of_one_turn(clean, sound):
    log = copy_of(clean)
    for k, w in enumerate(WHEELS):
        log["wheels"][f"count_{w}"] = np.mod(log["wheels"][f"count_{w}"], ROBOT.counts_per_turn[k])
    run, _ = estimates(log)
    assert np.abs(run.wheel_angle - sound[0].wheel_angle).max() < 1e-7
    said(run, "count_FL", "one turn")


@pytest.mark.parametrize("wrapped", ["plain", "0..2pi", "-pi..pi"])
def test_wheel_angles_in_radians(clean, sound, wrapped):
    log = copy_of(clean)
    for k, w in enumerate(WHEELS):
        angle = log["wheels"].pop(f"count_{w}") * (2 * math.pi / ROBOT.counts_per_turn[k])
        if wrapped == "0..2pi":
            angle = np.mod(angle, 2 * math.pi)
        if wrapped == "-pi..pi":
            angle = np.mod(angle + math.pi, 2 * math.pi) - math.pi
        log["wheels"][f"angle_{w}"] = angle
    run, _ = estimates(log)
    assert np.abs(run.wheel_angle - sound[0].wheel_angle).max() < 1e-6


@pytest.mark.parametrize("what", ["all to zero", "one to zero", "near zero"])
def test_counter_reset_in_mid_run(clean, sound, what):
    log = copy_of(clean)
    moving = np.flatnonzero(np.abs(np.diff(log["wheels"]["count_FL"])) > 5)
    at = int(moving[moving.size // 2])
    for w in WHEELS if what == "all to zero" else WHEELS[:1]:
        count = log["wheels"][f"count_{w}"]
        # A counter at 400 looks, set to zero, much like a wheel at 27 turns a second.
        base = count[at] - 400 if what == "near zero" else 0.0
        count[:] -= base
        count[at:] -= count[at]
    run, motion = estimates(log)
    hit = said(run, "count_FL", "set anew")[0]
    assert hit.t_start <= log["t"][at] <= hit.t_end + 1e-6
    assert not run.valid[round(log["t"][at] / run.dt)]
    assert len(motion.passes) == len(sound[1].passes) - 1
    assert_right(motion, sound[1])


def test_counter_glitches(clean, sound):
    log = copy_of(clean)
    rows = np.arange(500, 6000, 501)
    log["wheels"]["count_RR"][rows] += 700
    run, motion = estimates(log)
    hit = said(run, "count_RR", "away and back")[0]
    assert f"{rows.size} of" in hit.text
    assert hit.t_start <= log["t"][rows[0]] <= hit.t_end
    assert_right(motion, sound[1])


def test_outlier_speeds(clean, sound):
    log = copy_of(clean)
    t = log["t"]
    for k, w in enumerate(WHEELS):
        angle = log["wheels"].pop(f"count_{w}") * (2 * math.pi / ROBOT.counts_per_turn[k])
        log["wheels"][f"omega_{w}"] = np.gradient(angle, t)
    rows = np.arange(300, 6000, 397)
    log["wheels"]["omega_FL"][rows] = 78.5
    log["wheels"]["omega_FL"][rows[3]] = 1e9
    run, motion = estimates(log)
    assert f"{rows.size} of" in said(run, "omega_FL", "wheel speeds leap")[0].text
    assert_right(motion, sound[1])


# ---- gyro and heading


def jumping(values, rows):
    for n, at in enumerate(rows):
        values[at:] += 0.3 * (-1) ** n


def rests(run, clock):
    """Rows at which the wheels rest."""
    turning = np.abs(run.wheel_speed).max(axis=1) > 0.05
    return np.flatnonzero(np.interp(clock, run.t, turning.astype(float)) == 0.0)


def test_frozen_gyro_with_a_reference(clean, sound):
    log = copy_of(clean)
    a, b = 2000, 2600
    log["wheels"]["omega_z"][a:b] = log["wheels"]["omega_z"][a]
    run, motion = estimates(log)
    hit = said(run, "omega_z", "stuck")[0]
    assert hit.t_start == pytest.approx(log["t"][a], abs=0.1)
    assert hit.t_end == pytest.approx(log["t"][b], abs=0.1)
    assert_right(motion, sound[1])


def test_frozen_gyro_without_a_reference(clean):
    log = copy_of(clean)
    log["ref"] = {}
    log["wheels"].pop("yaw")
    _, whole = estimates(copy_of(log))
    a, b = 2000, 2600
    log["wheels"]["omega_z"][a:b] = log["wheels"]["omega_z"][a]
    run, motion = estimates(log)
    said(run, "omega_z", "stuck")
    assert not run.valid[a + 10 : b - 10].any()
    assert len(motion.passes) < len(whole.passes)
    assert_drift_right(motion, whole)


def test_gyro_that_is_frozen_half_of_the_drive_is_the_fault_and_how_much_is_told(tmp_path):
    table = pq.read_table(SAMPLES / "book_cart_sound.parquet")
    rate = table.column("gyro_z_dps").to_numpy().copy()
    ticks = np.stack([table.column(f"{w}_ticks").to_numpy() for w in ("fl", "fr", "rl", "rr")])
    moving = np.abs(np.gradient(ticks.astype(float), axis=1)).max(axis=0) > 0
    half = int(np.searchsorted(np.cumsum(moving), moving.sum() / 2))
    rate[half:] = rate[half]
    at = table.column_names.index("gyro_z_dps")
    pq.write_table(table.set_column(at, "gyro_z_dps", pa.array(rate)), tmp_path / "frozen.parquet")
    done = analyze([tmp_path / "frozen.parquet"], SAMPLES / "book_cart.toml")
    best = done.result["causes"][0]
    assert best["cause"] == "gyro_fault"
    share = re.search(r"does not change in (\d+) % of the driving time", str(best))
    assert share
    assert float(share.group(1)) == pytest.approx(50.0, abs=1.5)


def test_gyro_slower_than_the_log(clean, sound):
    log = copy_of(clean)
    log["wheels"]["omega_z"] = np.repeat(log["wheels"]["omega_z"][::3], 3)[: log["t"].size]
    run, motion = estimates(log)
    said(run, "omega_z", "slower than the log")
    assert_right(motion, sound[1])


def test_gyro_glitches_and_startup_garbage(clean, sound):
    log = copy_of(clean)
    gyro = log["wheels"]["omega_z"]
    gyro[:3] = (327.67, -327.68, 99.0)
    rows = np.arange(700, 6000, 333)
    gyro[rows] += np.where(np.arange(rows.size) % 2, 20.0, -20.0)
    run, motion = estimates(log)
    hit = said(run, "omega_z", "leap away and back")[0]
    assert hit.t_start <= 0.05
    bias, whole = run.imu["gyro_bias_rad_s"], sound[0].imu["gyro_bias_rad_s"]
    assert abs(bias.value - whole.value) < bias.std_error
    assert bias.low < 0.004 < bias.high
    assert_right(motion, sound[1])


def test_gyro_clockwise_and_reference_clockwise(clean):
    log = copy_of(clean)
    log["wheels"]["omega_z"] *= -1
    run, _ = estimates(log)
    assert said(run, "omega_z", "counts clockwise")
    log = copy_of(clean)
    log["ref"]["ref_yaw"] *= -1
    log["ref"]["ref_y"] *= -1
    run, _ = estimates(log)
    assert said(run, "ref_yaw", "counts clockwise")[0].severity == "error"


def test_a_position_that_matches_nothing_does_not_shift_a_heading_of_another_source(clean, motion):
    log = copy_of(clean)
    heading = motion.pose[:: round(1 / STEP / RATE), 2]
    log["wheels"]["ref_yaw"] = heading.copy()
    del log["ref"]["ref_yaw"]
    for axis in ("ref_x", "ref_y"):
        log["ref"][axis] = log["ref"][axis][::-1].copy()  # as of another drive
    run, _ = estimates(log)
    assert "latency is not corrected" in said(run, "ref_x", "agree badly")[0].text
    np.testing.assert_allclose(run.reference[:, 2], heading[: run.t.size], atol=1e-9)


HEADINGS = {
    "-180..180": lambda y: np.mod(y + math.pi, 2 * math.pi) - math.pi,
    "0..360": lambda y: np.mod(y, 2 * math.pi),
    "offset": lambda y: np.mod(y + 3.0, 2 * math.pi),
}


@pytest.mark.parametrize("how", HEADINGS)
def test_heading_wraps(clean, how):
    log = copy_of(clean)
    log["ref"] = {}
    log["wheels"].pop("omega_z")
    plain, _ = estimates(copy_of(log))
    log["wheels"]["yaw"] = HEADINGS[how](log["wheels"]["yaw"])
    run, _ = estimates(log)
    assert np.abs((run.yaw - run.yaw[0]) - (plain.yaw - plain.yaw[0])).max() < 1e-9


def test_heading_clockwise_is_not_used(clean):
    log = copy_of(clean)
    log["ref"] = {}
    log["wheels"]["yaw"] *= -1
    run, _ = estimates(log)
    assert "sign = -1" in said(run, "yaw", "clockwise")[0].text
    log["wheels"].pop("omega_z")
    run, motion = estimates(log)
    said(run, "yaw", "clockwise")
    assert run.yaw is None
    assert motion.yaw_drift["left"]["total"].value is None


def test_frozen_and_jumping_heading(clean):
    log = copy_of(clean)
    log["ref"] = {}
    log["wheels"].pop("omega_z")
    _, whole = estimates(copy_of(log))
    yaw = log["wheels"]["yaw"]
    a, b = 2000, 2500
    yaw[a:b] = yaw[a]
    moving = np.flatnonzero(np.abs(np.diff(log["wheels"]["count_FL"])) > 5)
    at = int(moving[(3 * moving.size) // 4])
    yaw[at:] += 0.5
    run, motion = estimates(log)
    hit = said(run, "yaw", "stuck")[0]
    assert hit.t_start == pytest.approx(log["t"][a], abs=0.1)
    jump = said(run, "yaw", "jumps")
    assert any(f.t_start <= log["t"][at] + 0.01 and log["t"][at] - 0.03 <= f.t_end for f in jump)
    assert_drift_right(motion, whole)


def test_heading_that_jumps_at_many_places_is_left_out_at_all_of_them(clean):
    log = copy_of(clean)
    log["ref"] = {}
    log["wheels"].pop("omega_z")
    run, whole = estimates(copy_of(log))
    rested = rests(run, log["t"])
    passes = [round((p.t_start + p.t_end) / 2 * RATE) for p in whole.passes[-6:]]
    jumping(log["wheels"]["yaw"], np.concatenate([rested[rested < passes[0]][20::7][:60], passes]))
    run, motion = estimates(log)
    told = said(run, "yaw", "heading jumps")
    assert len(told) == 21
    assert "46 more such places" in told[-1].text
    assert not run.valid[np.round(log["t"][passes] / run.dt).astype(int)].any()
    assert_drift_right(motion, whole)


def test_heading_that_jumps_all_the_time_is_not_used(clean):
    log = copy_of(clean)
    log["ref"] = {}
    log["wheels"].pop("omega_z")
    jumping(log["wheels"]["yaw"], np.arange(200, log["t"].size - 10, 60))
    run, motion = estimates(log)
    assert "it is not used" in said(run, "yaw", "heading jumps at")[0].text
    assert run.yaw is None
    assert motion.yaw_drift["left"]["total"].value is None


# ---- reference


def test_pose_flicker(clean, sound):
    log = copy_of(clean)
    rng = np.random.default_rng(1)
    rows = np.sort(rng.choice(np.arange(50, log["ref_t"].size - 50), 60, replace=False))
    log["ref"]["ref_x"][rows] += 0.5
    log["ref"]["ref_yaw"][rows] += 2.0
    run, motion = estimates(log)
    hit = said(run, "ref_x", "jump away and back")[0]
    assert hit.t_start <= log["ref_t"][rows[1]] < log["ref_t"][rows[-2]] <= hit.t_end
    assert_right(motion, sound[1])


def test_pose_jump_that_stays(clean, sound):
    log = copy_of(clean)
    at = log["ref_t"].size // 2
    log["ref"]["ref_x"][at:] += 0.4
    log["ref"]["ref_y"][at:] -= 0.2
    run, motion = estimates(log)
    hit = said(run, "ref_x", "jumps by 4")[0]
    assert hit.t_start == pytest.approx(log["ref_t"][at], abs=0.1)
    assert_right(motion, sound[1])


def test_a_pose_that_jumps_at_many_places_is_left_out_at_all_of_them(clean, sound):
    log = copy_of(clean)
    rested = rests(sound[0], log["ref_t"])
    passes = [round((p.t_start + p.t_end) / 2 * RATE / 2) for p in sound[1].passes[-6:]]
    rows = np.concatenate([rested[rested < passes[0]][10::3][:60], passes])
    assert rows.size == 66
    jumping(log["ref"]["ref_x"], rows)
    run, motion = estimates(log)
    left_out = run.valid[np.round(log["ref_t"][rows] / run.dt).astype(int)]
    assert not left_out.any()
    told = said(run, "ref_x", "reference jumps by")
    assert len(told) == 21
    assert "46 more such places" in told[-1].text
    assert told[-1].t_end == pytest.approx(log["ref_t"][rows[-1]], abs=0.05)
    assert len(motion.passes) == len(sound[1].passes) - 6


def test_a_pose_that_jumps_all_the_time_is_not_used(clean, sound):
    log = copy_of(clean)
    jumping(log["ref"]["ref_x"], np.arange(100, log["ref_t"].size - 1, 25))  # every second
    run, motion = estimates(log)
    said(run, "ref_x", "it is not used")
    assert motion.sideways_ratio.value is None
    assert len(motion.passes) == len(sound[1].passes)
    assert_drift_right(motion, sound[1])


def test_pose_frozen_and_stale(clean, sound):
    log = copy_of(clean)
    a, b = 1000, 1100
    for c in log["ref"].values():
        c[a:b] = c[a]
        c[2001:2600:2] = c[2000:2599:2]
    run, motion = estimates(log)
    hit = [f for f in said(run, "ref_x", "frozen")]
    assert any(abs(f.t_end - log["ref_t"][b]) < 0.3 for f in hit)
    said(run, "ref_x", "repeat")
    assert_right(motion, sound[1])


@pytest.mark.parametrize(
    ("factor", "unit"),
    [(1000, "mm"), (100, "cm"), (39.37, "inches"), (0.001, "km"), (4.0, ". Give")],
)
def test_pose_of_another_unit_is_told_and_not_used(clean, sound, factor, unit):
    log = copy_of(clean)
    log["ref"]["ref_x"] *= factor
    log["ref"]["ref_y"] *= factor
    run, motion = estimates(log)
    assert unit in said(run, "ref_x", "of the distance")[0].text
    assert len([f for f in run.findings if f.channel == "ref_x"]) == 1
    # Its heading is as good as ever.
    assert run.yaw_source == "reference"
    assert np.isnan(run.reference[:, :2]).all()
    assert not run.places
    assert driven_pose(run, 0, 100) is None  # no path is drawn that nobody measured
    answers = dict(_decides(run, find_passes(run), taped=False))
    assert answers["distance really covered, creep, sideways ratio"].startswith(
        "no: needs an odometry"
    )
    assert answers["yaw drift left and right"] == "yes"
    assert motion.sideways_ratio.value is None
    assert len(motion.passes) == len(sound[1].passes)
    assert_drift_right(motion, sound[1])
    lag = run.reference[:, 2] - sound[0].reference[:, 2]
    assert np.nanmax(np.abs(lag)) < 0.01


def test_odometry_of_the_wheels_is_no_reference(clean):
    from analyzer.kinematics import integrate_twist, odometry_matrix

    log = copy_of(clean)
    angle = np.stack([log["wheels"][f"count_{w}"] for w in WHEELS], axis=1) * (
        2 * math.pi / ROBOT.counts_per_turn
    )
    dt = float(np.median(np.diff(log["t"])))
    twist = np.gradient(angle, dt, axis=0) @ odometry_matrix(ROBOT.matrix).T
    pose = integrate_twist(twist, dt)[1:]
    log["ref_t"] = log["t"]
    log["ref"] = {f"ref_{q}": pose[:, k] for k, q in enumerate(("x", "y", "yaw"))}
    run, motion = estimates(log)
    said(run, "ref_x", "computed from them")
    assert run.reference is None
    assert motion.sideways_ratio.value is None


# ---- currents, clocks, wheels


def test_clipped_currents(clean, sound):
    log = copy_of(clean)
    top = float(np.percentile(np.abs(log["wheels"]["current_FL"]), 99.5))
    for w in WHEELS:
        log["wheels"][f"current_{w}"] = np.clip(log["wheels"][f"current_{w}"], -top, top)
    run, motion = estimates(log)
    hit = said(run, "current_FL", "saturated")[0]
    assert hit.t_start is not None
    at = np.abs(run.current[:, 0]) >= top * (1 - 1e-6)
    assert not run.valid[at].any()
    assert_right(motion, sound[1])


def test_currents_clipped_for_long_are_not_used(clean, sound):
    log = copy_of(clean)
    top = float(np.percentile(np.abs(log["wheels"]["current_FL"]), 60))
    for w in WHEELS:
        log["wheels"][f"current_{w}"] = np.clip(log["wheels"][f"current_{w}"], -top, top)
    run, motion = estimates(log)
    said(run, "current_FL", "not used")
    assert run.current is None
    assert_right(motion, sound[1], without=("effective radius", "radius of RR"))


def test_rows_late_in_bursts(clean, sound):
    log = copy_of(clean)
    t = log["t"]
    # Rows are sent evenly and handed over five at a time.
    log["t"] = t[np.minimum((np.arange(t.size) // 5) * 5 + 4, t.size - 1)] + 1e-4 * (
        np.arange(t.size) % 5
    )
    run, motion = estimates(log)
    hit = said(run, "t", "bursts")[0]
    assert hit.t_end > 50
    assert_right(motion, sound[1])


def test_startup_garbage_of_counters(clean, sound):
    log = copy_of(clean)
    for w in WHEELS:
        log["wheels"][f"count_{w}"] += 17000
        log["wheels"][f"count_{w}"][:3] = (0, -1, 0)
    run, motion = estimates(log)
    assert all(f.t_end < 0.2 for f in said(run, "count_FL", "set anew"))
    assert_right(motion, sound[1])


@pytest.mark.parametrize("which", [("FR", "RR"), ("FL",), ("FL", "FR", "RL", "RR")])
@pytest.mark.parametrize("reference", [True, False])
@pytest.mark.parametrize("command", [True, False])
def test_mirrored_wheels_are_found(clean, which, reference, command):
    log = copy_of(clean)
    if not reference:
        log["ref"] = {}
    if not command:
        for q in ("v_x", "v_y", "omega_z"):
            log["wheels"].pop(f"cmd_{q}")
    for w in which:
        log["wheels"][f"count_{w}"] *= -1
    run, motion = estimates(log)
    assert set(run.reversed_wheels) == set(which)
    for w in which:
        hit = said(run, f"count_{w}", "turns against the base")[0]
        assert hit.severity == "error"
        assert "sign = -1" in hit.text
        assert motion.rotation_sense[WHEELS.index(w)] == "reversed"


def test_a_sound_recording_has_no_mirrored_wheel(sound, clean):
    assert sound[0].reversed_wheels == ()
    log = copy_of(clean)
    log["ref"] = {}
    assert estimates(log)[0].reversed_wheels == ()


def test_counters_that_stand_and_catch_up(clean, sound):
    log = copy_of(clean)
    fast = np.flatnonzero(np.abs(np.diff(log["wheels"]["count_FL"])) > 40)
    spots = [int(fast[fast.size // 3]) + 12, int(fast[(2 * fast.size) // 3]) + 12]
    for at in spots:
        for w in WHEELS:
            log["wheels"][f"count_{w}"][at : at + 10] = log["wheels"][f"count_{w}"][at]
    run, motion = estimates(log)
    hits = [f for f in run.findings if "stand for" in f.text]
    assert len(hits) == 2
    for hit, at in zip(hits, spots, strict=True):
        assert hit.t_start == pytest.approx(log["t"][at], abs=0.03)
        assert hit.t_end - hit.t_start == pytest.approx(0.2, abs=0.05)
    # Two tenths of a second are bridged: the counters say how far the wheels came.
    assert np.abs(run.wheel_angle[-1] - sound[0].wheel_angle[-1]).max() < 1e-9
    assert_right(motion, sound[1])


# ---- several takes


OMNI = """
[robot]
name = "three wheels"
mass_kg = 10.0
drive_mode = "wheel_speed"
"""
RADII = (1.0, 0.98, 1.02)


def takes(folder, directions, turned=0.3):
    """Passes of an omniwheel base, a file each, every clock from zero; the camera turned by `turned`."""
    from analyzer.robot import parse_robot

    text = OMNI
    for k in range(3):
        place = math.radians(60 + 120 * k)
        text += (
            f"[wheels.W{k + 1}]\nx_m = {0.125 * math.cos(place):.6f}\ny_m = {0.125 * math.sin(place):.6f}\n"
            f"radius_m = 0.04\nroller_angle_deg = 0\nheading_deg = {(150 + 120 * k) % 360}\ncounts_per_turn = 4000\n"
        )
    robot = parse_robot(text, "robot.toml")
    rng = np.random.default_rng(5)
    files = []
    for number, direction in enumerate(directions):
        t = np.arange(0, 6, 0.02)
        speed = 0.2 * np.clip(np.minimum(t - 0.5, 5.2 - t), 0, 0.5) / 0.5
        path = np.cumsum(speed) * 0.02
        c, s = math.cos(direction), math.sin(direction)
        turns = np.outer(path, robot.matrix @ np.array([c, s, 0.0])) / np.array(RADII)
        counts = np.floor(turns * 4000 / (2 * math.pi)) + 500 * number
        x, y = path * math.cos(direction + turned), path * math.sin(direction + turned)
        table = np.column_stack([t, counts, x + rng.normal(0, 3e-4, t.size), y + rng.normal(0, 3e-4, t.size),
                                 rng.normal(0, 3e-4, t.size)])  # fmt: skip
        file = folder / f"take{number}.csv"
        names = "time_s,W1_ticks,W2_ticks,W3_ticks,mocap_x_m,mocap_y_m,mocap_yaw_rad"
        np.savetxt(file, table, delimiter=",", header=names, comments="", fmt="%.7g")
        files.append(file)
    return robot, files


def test_takes_are_joined_and_radii_of_omniwheels_told(tmp_path):
    from analyzer.readers import read_recording

    robot, files = takes(tmp_path, np.radians([0, 45, 90, 200, 300]))
    recording = read_recording(files, robot)
    assert len(recording.sources) == 1
    assert any("joined" in f.text for f in recording.findings)
    run = align(recording, robot)
    passes = find_passes(run)
    assert len([p for p in passes if p.kind != "rest"]) == 5
    motion = describe_motion(run, passes)
    mean = np.mean(RADII)
    for k in range(3):
        relative = motion.relative_radius[k]
        assert relative.low < RADII[k] / mean < relative.high
        assert relative.value == pytest.approx(RADII[k] / mean, abs=4e-3)
        assert motion.wheel_radius[k].value == pytest.approx(0.04 * RADII[k], rel=5e-3)


def test_a_split_log_goes_on_as_if_it_were_whole(tmp_path):
    from analyzer.readers import read_recording

    lines = (
        (Path(__file__).parents[2] / "sample_logs" / "book_cart_after" / "drive.csv")
        .read_text()
        .splitlines()
    )
    start = 1_770_000_000.0
    head, rows = lines[0], []
    for line in lines[1:3001]:
        at, rest = line.split(",", 1)
        rows.append(f"{start + float(at):.4f},{rest}")
    (tmp_path / "whole.csv").write_text("\n".join([head, *rows, ""]))
    (tmp_path / "b.csv").write_text("\n".join([head, *rows[:1400], ""]))
    (tmp_path / "a.csv").write_text("\n".join([head, *rows[1400:], ""]))
    whole = align(read_recording([tmp_path / "whole.csv"], ROBOT), ROBOT)
    split = align(read_recording([tmp_path / "a.csv", tmp_path / "b.csv"], ROBOT), ROBOT)
    assert split.valid.all()
    assert np.array_equal(whole.wheel_angle, split.wheel_angle)
    assert np.allclose(whole.reference, split.reference, equal_nan=True, atol=1e-12)


def test_takes_of_one_direction_do_not_tell_radii(tmp_path):
    from analyzer.readers import read_recording

    robot, files = takes(tmp_path, [0.0, 0.0, 0.0])
    run = align(read_recording(files, robot), robot)
    motion = describe_motion(run, find_passes(run))
    assert all(r.value is None for r in motion.relative_radius)


def test_wheels_that_point_elsewhere_are_neither_called_reversed_nor_balanced(tmp_path):
    # Ahead, the wheels at 150 and 270 degrees turn astern, as their direction asks.
    from analyzer.causes import diagnose
    from analyzer.readers import read_recording

    robot, files = takes(tmp_path, np.radians([0, 180, 0, 180, 90, 270]))
    run = align(read_recording(files, robot), robot)
    passes = find_passes(run)
    motion = describe_motion(run, passes)
    assert "reversed" not in motion.rotation_sense
    diagnosis = diagnose(run, passes, motion)
    assert not any(c["cause"] == "rotation_reversed" for c in diagnosis.causes)
    assert diagnosis.centre_of_mass_x.value is None
    assert "point ahead" in diagnosis.centre_of_mass_x.why
    assert not any("currents" in text for text in diagnosis.missing)
    # One counter the other way round is still found.
    robot, files = takes(tmp_path, np.radians([0, 180, 0, 180]))
    for file in files:
        text = file.read_text().splitlines()
        rows = [line.split(",") for line in text]
        for row in rows[1:]:
            row[1] = f"{-float(row[1]):.7g}"
        file.write_text("\n".join([",".join(r) for r in rows]) + "\n")
    run = align(read_recording(files, robot), robot)
    motion = describe_motion(run, find_passes(run))
    assert motion.rotation_sense[0] == "reversed"
