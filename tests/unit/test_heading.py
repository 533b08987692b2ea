"""Heading hold: design, replay, refusals, result file, command."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analyzer.cli import main
from analyzer.control import HeadingGains, YawPlant, sampled_margins
from analyzer.heading import (
    DEFAULT,
    DriftPass,
    Loop,
    classical,
    classical_text,
    contract,
    design,
    feed_forward,
    heading_result,
    prove,
    simulate_loop,
    tune,
)
from analyzer.passes import find_passes
from analyzer.pipeline import analyze, tune_heading
from analyzer.quantities import CrabwiseError, Estimate
from tests.recovery.test_yaw_plant import ROBOT, simulated, swinging

SAMPLES = Path(__file__).parents[2] / "sample_logs"
CART = SAMPLES / "book_cart.toml"


def sideways_pass(rate, v=0.5, seconds=3.0, dt=0.01, side=1, shape=None):
    t = np.arange(0, seconds + 0.3, dt)
    ramp = np.clip(np.minimum(t, seconds - t) / 0.3, 0, 1)
    v_y = side * v * ramp
    return DriftPass(
        kind="left" if side > 0 else "right", t_start=0.0, speed=v, distance=v * (seconds - 0.3),
        t=t, rate=side * rate * ramp if shape is None else shape(t) * (ramp > 0), v_y=v_y,
    )  # fmt: skip


def stepped(plant, gains, age, p, forward, fine=1e-4):
    """The same loop by brute force: every tenth of a millisecond, delays as queues."""
    n = int(p.t[-1] / fine)
    tick = round(gains.period / fine)
    heading, rate, command = np.zeros(n), np.zeros(n), np.zeros(n)
    keep = math.exp(-fine / plant.lag)
    seen_keep = math.exp(-gains.period / gains.rate_filter) if gains.rate_filter else 0.0
    late, old = round(plant.delay / fine), round(age / fine)
    state = yaw = integral = filtered = out = 0.0
    for k in range(n):
        if k % tick == 0:
            t = k * fine
            v_y = np.interp(t, p.t, p.v_y)
            e = -(heading[k - 1 - old] if k > old else 0.0)
            w = rate[k - 1 - old] if k > old else 0.0
            filtered = seen_keep * filtered + (1 - seen_keep) * w
            if abs(v_y) > 1e-3:
                integral += e * gains.period
                out = gains.kp * e + gains.ki * integral - gains.kd * filtered + forward * v_y
            else:
                out = 0.0
        command[k] = out
        u = command[k - late] if k >= late else 0.0
        state = keep * state + (1 - keep) * plant.gain * u
        rate[k] = state + np.interp(k * fine, p.t, p.rate)
        yaw += rate[k] * fine
        heading[k] = yaw
    return np.arange(n) * fine, -np.degrees(heading)


@pytest.mark.parametrize(
    ("kp", "ki", "kd", "rate_filter", "forward"),
    [(6, 0, 0, 0, 0), (5, 8, 0, 0, -0.1), (8, 0, 0.5, 0.01, -0.1)],
)
def test_replay_agrees_with_a_loop_stepped_by_brute_force(kp, ki, kd, rate_filter, forward):
    plant = YawPlant(gain=0.9, lag=0.06, delay=0.013)
    gains = HeadingGains(kp=kp, ki=ki, kd=kd, rate_filter=rate_filter, period=0.02)
    age = 0.027
    passes = [
        sideways_pass(0.08),
        sideways_pass(0.05, side=-1, shape=lambda t: 0.1 * np.sin(7 * t) - 0.05),
    ]
    other = HeadingGains(kp=2.0, kd=0.1, rate_filter=0.02, period=0.02)  # must not be mixed up
    laws = [(other, None), (gains, [(forward, 0.0)] * 2)]
    t, error, _, free = simulate_loop([plant], laws, age, passes)
    for k, p in enumerate(passes):
        fine_t, fine_error = stepped(plant, gains, age, p, forward)
        ours = np.degrees(error[1, 0, k])
        use = np.isfinite(ours) & (t < fine_t[-1])
        theirs = np.interp(t[use], fine_t, fine_error)
        # 0.02 degrees: the grid of the pass (10 ms) is interpolated differently at its corners.
        assert np.max(np.abs(ours[use] - theirs)) < 0.02
        assert np.nanmax(np.abs(free[k])) > 0.05


@pytest.mark.parametrize("structure", ["P", "PD", "PI"])
def test_design_keeps_to_its_sensitivities(structure):
    rng = np.random.default_rng(3)
    for _ in range(12):
        plant = YawPlant(
            gain=rng.uniform(0.5, 1.1), lag=rng.uniform(0.01, 0.12), delay=rng.uniform(0.01, 0.08)
        )
        loop = Loop(loop_hz=rng.uniform(20, 100), age=0.02, age_known=True, loop_known=True)
        near = [
            replace(plant, gain=plant.gain * g, delay=plant.delay * d)
            for g in (0.8, 1.25)
            for d in (0.7, 1.3)
        ]
        proof = prove(design(structure, plant, near, loop), plant, near)
        assert proof.nominal.stable
        assert proof.nominal.max_sensitivity <= DEFAULT.max_sensitivity + 2e-3
        assert proof.worst.max_sensitivity <= DEFAULT.worst_sensitivity + 2e-3
        # Skogestad's bound, p. 297, for Ms < 1.7; here 1.6: GM > Ms/(Ms-1), PM > 2 asin(1/2Ms).
        ms = proof.nominal.max_sensitivity
        assert proof.nominal.gain_margin >= ms / (ms - 1) - 1e-3
        assert proof.nominal.phase_margin >= 2 * math.asin(1 / (2 * ms)) - 1e-3
        for p in near:
            assert sampled_margins(p, proof.gains).stable


def test_design_with_little_lag_is_the_rule_itself():
    # Fast loop, no lag, sensitivity free: tau_c = delay gives kp = 0.5 / (gain delay).
    plant = YawPlant(gain=0.8, lag=1e-6, delay=0.1)
    loop = Loop(loop_hz=2000, age=0, age_known=True, loop_known=True)
    proof = prove(design("P", plant, (), loop), plant, ())
    assert proof.gains.kp == pytest.approx(0.5 / (0.8 * 0.1), rel=0.02)


def test_feed_forward_recovers_what_cancels_the_drift():
    rng = np.random.default_rng(4)
    plant = YawPlant(gain=0.8, lag=0.05, delay=0.01)
    inside = 0
    for _ in range(40):
        passes = []
        for side in (1, -1, 1, -1, 1, -1):
            v = rng.uniform(0.3, 0.8)
            scatter = 0.004 * rng.standard_normal()
            passes.append(sideways_pass(0.1 * v + scatter, v=v, side=side))
        found = feed_forward(passes, plant)
        # 0.1 rad/m over a gain of 0.8; passes here lack the plant's lag in their ramps.
        assert found.per_speed.value == pytest.approx(-0.125, abs=0.02)
        inside += found.per_speed.low - 2e-3 <= -0.125 <= found.per_speed.high + 2e-3
    assert inside >= 34


@pytest.fixture(scope="module")
def sound():
    return simulated(np.random.default_rng(12), 0.9, 0.05, 0.02, -0.05)


@pytest.fixture(scope="module")
def hold(sound):
    return tune(sound, find_passes(sound))


def test_result_carries_the_contract(sound, hold):
    result = heading_result(hold, sound, ["a.csv"])
    for key in (
        "kp", "ki", "kd", "feedforward_omega_z_per_v_y", "loop_hz", "delay_s", "phase_margin_deg",
        "gain_margin", "max_sensitivity",
    ):  # fmt: skip
        assert math.isfinite(result[key]), key
    assert result["schema"] == "crabwise-heading/1"
    expected = result["expected_heading_error_deg"]
    assert expected["interval95"][0] <= expected["value"] <= expected["interval95"][1]
    for way in ("without", "with_hold", "with_feedforward"):
        assert set(expected[way]) == {"end", "peak", "rms"}
    assert expected["with_hold"]["end"]["value"] < 0.2 * expected["without"]["end"]["value"]
    assert result["remedies"][0]["kind"] == "heading_hold"
    assert result["loop_hz"] == 50
    # Dead time of the base, and one period: the robot file says nothing of the heading's age.
    assert result["delay_s"] == pytest.approx(0.02 + 0.02, abs=0.006)
    assert "local rules" in " ".join(result["cautions"]).lower()


def test_classical_rule_is_shown_and_not_advised(sound, hold):
    proof = hold.alternatives[-1]
    assert proof.structure == "PID (step response)"
    assert hold.advised is not proof
    assert "PID (step response)" not in hold.expected
    # K = 1.2/(slope L), Ti = 2 L, Td = L/2; L from the simulated plant: lag, dead time, age of one
    # period and half a period of holding; slope: gain less drag over the rates driven.
    delay = 0.05 + 0.02 + 0.02 + 0.01
    gains = proof.gains
    assert gains.ki / gains.kp == pytest.approx(1 / (2 * delay), rel=0.08)
    assert gains.kd / gains.kp == pytest.approx(delay / 2, rel=0.08)
    slope = np.mean([0.9 - 0.05 / rate for rate in (0.4, 0.8, 1.2)])
    assert gains.kp == pytest.approx(1.2 / (slope * delay), rel=0.08)
    assert proof.nominal.max_sensitivity > DEFAULT.max_sensitivity
    text = classical_text(hold)
    assert f"{proof.nominal.max_sensitivity:.2f}" in text
    shaky = replace(proof, nominal=replace(proof.nominal, stable=False))
    other = replace(hold, alternatives=(*hold.alternatives[:-1], shaky))
    assert "sway more and more" in classical_text(other)
    calm = replace(proof, nominal=hold.advised.nominal, worst=hold.advised.nominal)
    other = replace(hold, alternatives=(*hold.alternatives[:-1], calm))
    assert "tolerable on this base" in classical_text(other)
    assert "tolerable" not in text
    steps = heading_result(hold, sound, [])["plant"]["step_answers"]
    assert steps["turns"] == 12
    assert steps["differs"] == []


def test_classical_rule_takes_no_dead_time_below_zero(hold):
    below = Estimate.of(-0.02, 0.003, "s")  # logged late: the answer seems to come first
    found = replace(hold.identified, steps=replace(hold.identified.steps, apparent_delay=below))
    loop = replace(hold.loop, age=0.0)
    gains = classical(found, hold.plant, (), loop).gains
    slope = hold.identified.steps.slope.value
    assert gains.kp == pytest.approx(1.2 / (slope * loop.period / 2))


def test_gains_hold_for_both_readings_where_they_disagree():
    rng = np.random.default_rng(19)
    run = swinging(simulated(rng, 1.0, 0.05, 0.02), 15.0, 0.4, rng)
    hold = tune(run, find_passes(run))
    steps = hold.identified.steps
    assert steps.differs
    read = replace(
        hold.identified.plant, lag=steps.lag.value, delay=steps.delay.value + hold.loop.age
    )
    assert read in hold.plants
    assert sampled_margins(read, hold.advised.gains).max_sensitivity <= 2.0 + 2e-3
    assert any("two ways of reading" in f.text for f in hold.findings)


def test_drift_of_the_simulation_is_what_is_replayed(hold):
    # drift 0.08 rad/s for 2.5 s: 11.5 degrees without hold
    assert hold.replay.summary["without"]["end"].value == pytest.approx(
        math.degrees(0.08 * 2.5), rel=0.03
    )
    # P leaves drift / (gain kp) while driving, whatever the feed-forward leaves off
    left = math.degrees(0.08) / (0.9 * hold.advised.gains.kp)
    if hold.advised.structure == "P":
        assert hold.replay.summary["with_hold"]["peak"].value > 0.8 * left
    # feed-forward of -drift / (gain v)
    assert hold.feedforward.per_speed.value == pytest.approx(-0.08 / (0.9 * 0.5), rel=0.05)


def test_drift_is_found_behind_a_heading_loop():
    run = simulated(np.random.default_rng(13), 0.9, 0.05, 0.02, kp=3.0)
    hold = tune(run, find_passes(run))
    assert hold.identified.closed_loop
    # What the base would do alone, though the recording shows a held heading.
    assert hold.replay.summary["without"]["end"].value == pytest.approx(
        math.degrees(0.08 * 2.5), rel=0.12
    )


def test_slow_loop_is_refused(sound):
    run = replace(sound, robot=replace(ROBOT, loop_hz=2.0))
    with pytest.raises(
        CrabwiseError, match=r"loop_hz: found 2 Hz.*below twice.*Run the heading loop at"
    ):
        tune(run, find_passes(run))


def test_assumed_age_is_said_and_widens_the_set(sound):
    told = replace(sound, robot=replace(ROBOT, heading_delay=0.02))
    passes = find_passes(sound)
    known, assumed = tune(told, passes), tune(sound, passes)
    assert len(assumed.plants) == len(known.plants) + 2
    assert any("heading_delay_s" in f.text for f in assumed.findings)
    assert not any("heading_delay_s" in f.text for f in known.findings)
    assert assumed.advised.worst.delay_margin < known.advised.worst.delay_margin


def test_gains_that_would_saturate_are_refused(sound):
    # The wheels reach little more than the sideways speed asks for.
    most = 0.52 * float(np.max(np.abs(ROBOT.matrix[:, 1])))
    power = np.clip(sound.wheel_speed / most * 1.02, -0.98, 0.98)
    run = replace(sound, power=power)
    with pytest.raises(CrabwiseError, match="saturate the wheels.*Drive sideways at"):
        tune(run, find_passes(run))


def test_correction_is_limited_to_what_the_wheels_have_left(sound):
    most = 0.75 * float(np.max(np.abs(ROBOT.matrix[:, 1])))
    run = replace(sound, power=sound.wheel_speed / most)
    hold = tune(run, find_passes(run))
    lever = float(np.max(np.abs(ROBOT.matrix[:, 2])))
    speed = 0.5 * float(np.max(np.abs(ROBOT.matrix[:, 1])))
    assert speed + lever * hold.correction_limit <= most


def test_without_sideways_passes_gains_come_but_no_promise(sound):
    command = sound.command.copy()
    late = int(np.flatnonzero(np.abs(command[:, 1]) > 0)[0]) - 20
    cut = {
        name: getattr(sound, name)[:late]
        for name in ("t", "command", "gyro_z", "wheel_speed", "wheel_angle", "yaw", "valid")
    }
    run = replace(sound, **cut)
    hold = tune(run, find_passes(run))
    fields = contract(hold)
    assert fields["kp"] > 0
    assert fields["expected_heading_error_deg"]["value"] is None
    assert "no sideways pass" in fields["expected_heading_error_deg"]["why"]
    assert fields["feedforward_omega_z_per_v_y"] == 0


def test_command_writes_both_files(tmp_path, capsys):
    out = tmp_path / "h.json", tmp_path / "h.html"
    recording = str(SAMPLES / "book_cart_before")
    code = main(
        ["heading", recording, "--robot", str(CART), "--json", str(out[0]), "--html", str(out[1])]
    )
    assert code == 0
    result = json.loads(out[0].read_text())
    assert result["schema"] == "crabwise-heading/1"
    page = out[1].read_text()
    assert "HEADING_KP" in page
    assert "Caution" in page
    assert "http://" not in page.split("</script>")[-1]
    assert main(["heading", recording, "--robot", str(CART)]) == 0
    assert "To paste" in capsys.readouterr().out


def test_command_refuses_in_one_message(tmp_path, capsys):
    log = tmp_path / "no_turn.csv"
    rows = ["t,cmd_vy,cmd_wz,enc_FL,enc_FR,enc_RL,enc_RR,gyro_z"]
    for k in range(900):
        t = k / 100
        v = 0.4 if 2 < t < 7 else 0.0
        x = 0.4 * min(max(t - 2, 0), 5) / 0.05 / (2 * math.pi) * 537.7
        rows.append(f"{t:.2f},{v},0,{-x:.0f},{x:.0f},{x:.0f},{-x:.0f},{0.001 * ((k * 7) % 5 - 2)}")
    log.write_text("\n".join(rows))
    robot = tmp_path / "robot.toml"
    robot.write_text(
        CART.read_text().split("[channels]")[0]
        + '[channels]\ncmd_vy = { channel = "cmd_v_y", unit = "m/s" }\n'
        'cmd_wz = { channel = "cmd_omega_z", unit = "rad/s" }\n'
        'gyro_z = { channel = "omega_z", unit = "rad/s" }\n'
    )
    assert main(["heading", str(log), "--robot", str(robot)]) == 1
    said = capsys.readouterr().err
    assert "Record turns on the spot" in said
    assert "Traceback" not in said


def test_frozen_gyro_is_refused_though_a_reference_stands_in(tmp_path, capsys):
    lines = (SAMPLES / "book_cart_before" / "drive.csv").read_text().splitlines()
    head = lines[0].split(",")
    k = next(i for i, name in enumerate(head) if "gyro" in name.lower())
    rows = [line.split(",") for line in lines[1:]]
    for row in rows:
        row[k] = rows[0][k]
    log = tmp_path / "frozen.csv"
    log.write_text("\n".join([lines[0], *(",".join(r) for r in rows)]))
    assert main(["heading", str(log), "--robot", str(CART)]) == 1
    said = capsys.readouterr().err
    assert "gyro does not move" in said
    assert "record again" in said


def test_analyze_offers_heading_hold_where_the_base_drifts():
    before = analyze([SAMPLES / "book_cart_before"], CART).result
    last = before["remedies"][-1]
    assert last["kind"] == "heading_hold"
    assert last["kp"] > 0
    assert "Local rules" in last["caution"]
    assert last["expected_effect"]["place"] == "software"
    after = analyze([SAMPLES / "book_cart_after"], CART).result
    assert all(r["kind"] != "heading_hold" for r in after["remedies"])


def test_heading_and_analyze_give_the_same_gains():
    alone = tune_heading([SAMPLES / "book_cart_before"], CART).result
    within = analyze([SAMPLES / "book_cart_before"], CART).result["remedies"][-1]
    assert within["kp"] == alone["kp"]
    assert within["expected_heading_error_deg"] == alone["expected_heading_error_deg"]
