"""Known yaw plants come back from simulated turns: values, and intervals that hold what they say.

The simulation shares no code with the identification: commands held between ticks of a loop that
runs unsynchronised with the log, the plant stepped at 0.25 ms, rollers' ripple that differs from
turn to turn, gyro noise. `python -m tests.recovery.test_yaw_plant` prints the full figures.
"""

import math
import sys
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter, lsim

from analyzer.demo import robot_text
from analyzer.kinematics import odometry_matrix
from analyzer.passes import find_passes
from analyzer.quantities import RecordingError
from analyzer.robot import parse_robot
from analyzer.run import Run
from analyzer.yaw_plant import first_order, identify

ROBOT = parse_robot(robot_text(), "robot.toml")
FINE = 2.5e-4
LOG = 0.01


def turns(rng, rates=(0.4, 0.8, 1.2)):
    """Script of (v_y, omega_z, seconds): steps both ways, then two sideways passes."""
    script = [(0.0, 0.0, 1.5)]
    for rate in rates:
        for seconds in (0.6, 1.2, 2.0):
            for side in (1, -1):
                script += [(0.0, side * rate, seconds), (0.0, 0.0, 0.8 + 0.05 * rng.random())]
    for side in (1, -1, 1, -1):
        script += [(side * 0.5, 0.0, 2.5), (0.0, 0.0, 0.8)]
    return script


def simulated(
    rng,
    gain,
    lag,
    delay,
    friction=0.0,
    *,
    noise=2e-3,
    ripple=0.01,
    drift=0.08,
    kp=0.0,
    rates=None,
    loop_hz=50.0,
):
    """A run with that plant; a heading loop of gain kp on top of the script where kp is given."""
    script = turns(rng) if rates is None else turns(rng, rates)
    ends = np.cumsum([s[2] for s in script])
    n = int(ends[-1] / FINE)
    tick = round(1 / (loop_hz * FINE))
    phase = int(rng.integers(tick))
    late = round(delay / FINE)
    asked = np.zeros((n, 3))
    rate, heading = np.zeros(n), np.zeros(n)
    keep = math.exp(-FINE / lag)
    segment = np.searchsorted(ends, np.arange(n) * FINE, side="right")
    tones = rng.uniform(4, 9, ends.size + 1), rng.uniform(0, 2 * np.pi, ends.size + 1)
    sizes = ripple * rng.uniform(0.5, 1.5, ends.size + 1)
    s = np.minimum(segment, sizes.size - 1)
    wave = sizes[s] * np.sin(2 * np.pi * tones[0][s] * np.arange(n) * FINE + tones[1][s])
    now = np.arange(n)
    ticks = np.maximum((now - phase) // tick * tick + phase, 0)  # the tick whose command is held
    wanted = np.array(script)[np.minimum(segment[ticks], len(script) - 1)]
    asked[:, 1:] = wanted[:, :2]
    asked[now < phase] = 0.0
    moving = np.any(asked != 0, axis=1)
    outside = moving * wave + drift * np.sign(asked[:, 1])

    def goal(u):
        return gain * u + friction * np.sign(u) * (np.abs(u) > 0.05)

    if kp == 0:
        late_goal = np.concatenate([np.zeros(late), goal(asked[:, 2])])[:n]
        state = lfilter([0.0, 1 - keep], [1.0, -keep], late_goal)
        rate = state + outside
        heading = np.cumsum(rate) * FINE
    else:
        state = yaw = reference = held = 0.0
        script_turn = asked[:, 2].copy()
        for k in range(n):
            if (k - phase) % tick == 0:
                reference += script_turn[k] * tick * FINE
                correction = kp * (reference - yaw) if moving[k] else 0.0
                held = script_turn[k] + correction + kp * 1e-3 * rng.standard_normal()
            asked[k, 2] = held
            rate[k] = state + outside[k]
            heading[k] = yaw
            u = asked[k - late, 2] if k >= late else 0.0
            state = keep * state + (1 - keep) * float(goal(u))
            yaw += rate[k] * FINE
    every = round(LOG / FINE)
    offset = int(rng.integers(every))
    at = np.arange(offset, n, every)
    command = asked[at]
    gyro = rate[at] + noise * rng.standard_normal(at.size)
    twist = np.stack([np.zeros(at.size), command[:, 1], rate[at]], axis=1)
    speed = twist @ ROBOT.matrix.T
    assert np.allclose(speed @ odometry_matrix(ROBOT.matrix).T, twist)
    t = np.arange(at.size) * LOG
    return Run(
        robot=ROBOT, t=t, dt=LOG, valid=np.ones(at.size, bool),
        wheel_angle=np.cumsum(speed, axis=0) * LOG, wheel_speed=speed, gyro_z=gyro,
        yaw=heading[at], yaw_source="gyro", command=command,
    )  # fmt: skip


def random_plant(rng):
    return {
        "gain": rng.uniform(0.6, 1.15),
        "lag": math.exp(rng.uniform(math.log(0.015), math.log(0.15))),
        "delay": rng.uniform(0.0, 0.08),
        "friction": -rng.uniform(0.0, 0.15),
    }


def tried(rng):
    truth = random_plant(rng)
    run = simulated(rng, **truth)
    found = identify(run, find_passes(run))
    return truth, found


def held(estimate, truth):
    return estimate.low <= truth <= estimate.high


def test_gain_lag_and_delay_come_back():
    rng = np.random.default_rng(5)
    inside = {"gain": [], "lag": [], "delay": [], "friction": []}
    for _ in range(16):
        truth, found = tried(rng)
        assert not found.closed_loop
        assert found.gain.value == pytest.approx(truth["gain"], rel=0.02)
        assert abs(found.lag.value - truth["lag"]) < max(0.1 * truth["lag"], 0.005)
        assert abs(found.delay.value - truth["delay"]) < max(0.1 * truth["delay"], 0.0055)
        assert found.friction.value == pytest.approx(truth["friction"], abs=0.012)
        for name in inside:
            inside[name].append(held(getattr(found, name), truth[name]))
    shares = {name: np.mean(v) for name, v in inside.items()}
    # 64 intervals of 95 %: fewer than 54 inside has a chance below one in ten thousand.
    assert sum(map(sum, inside.values())) >= 54, shares


def test_heading_loop_is_recognised_and_does_not_bias():
    rng = np.random.default_rng(6)
    for _ in range(4):
        truth = random_plant(rng)
        truth["lag"] = min(truth["lag"], 0.06)
        run = simulated(rng, **truth, kp=3.0)
        found = identify(run, find_passes(run))
        assert found.closed_loop
        assert found.gain.value == pytest.approx(truth["gain"], rel=0.03)
        assert abs(found.lag.value - truth["lag"]) < max(0.15 * truth["lag"], 0.006)
        assert abs(found.delay.value - truth["delay"]) < max(0.1 * truth["delay"], 0.006)


def test_one_turn_rate_widens_the_gain():
    rng = np.random.default_rng(7)
    run = simulated(rng, 0.9, 0.05, 0.02, -0.1, rates=(0.8,))
    found = identify(run, find_passes(run))
    assert not found.friction.determined
    assert held(found.gain, 0.9)
    assert found.gain.high - found.gain.low > 0.2
    assert any("two or three rates" in f.text for f in found.findings)


def test_lag_and_dead_time_are_read_off_the_steps_too():
    rng = np.random.default_rng(18)
    inside = []
    for _ in range(8):
        truth = random_plant(rng)
        run = simulated(rng, **truth)
        steps = identify(run, find_passes(run)).steps
        assert steps.turns == 12  # of 18; the others are too short
        assert steps.differs == ()
        assert abs(steps.lag.value - truth["lag"]) < max(0.1 * truth["lag"], 0.005)
        assert abs(steps.delay.value - truth["delay"]) < max(0.1 * truth["delay"], 0.0075)
        whole = truth["lag"] + truth["delay"]
        assert steps.apparent_delay.value == pytest.approx(whole, abs=0.008)
        inside += [held(steps.lag, truth["lag"]), held(steps.delay, truth["delay"])]
        inside.append(held(steps.apparent_delay, whole))
    assert sum(inside) >= 20


def swinging(run, frequency, damping, rng):
    """The run with a base that swings after each change of the turn command."""
    fine = np.arange(0, run.t[-1], 1e-3)
    asked = run.command[np.minimum(np.round(fine / LOG).astype(int), run.t.size - 1), 2]
    under = [1.0, 2 * damping * frequency, frequency**2]
    answer = lsim(([frequency**2], under), asked, fine)[1]
    gyro = np.interp(run.t - 0.02, fine, answer)
    return replace(run, gyro_z=gyro + 2e-3 * rng.standard_normal(gyro.size))


def test_second_opinion_tells_a_base_that_swings():
    rng = np.random.default_rng(19)
    run = simulated(rng, 1.0, 0.05, 0.02)
    found = identify(swinging(run, 15.0, 0.4, rng), ())
    assert any("lag" in text for text in found.steps.differs)
    (warning,) = [f for f in found.findings if "two ways of reading the turns" in f.text]
    assert found.steps.slower
    assert warning.severity == "warning"
    # A base that creeps up to its end rate: the steps read shorter than the fit, so a note will do.
    shares = ((0.8, 0.03), (0.2, 0.3))
    fine = np.repeat(run.command[:, 2], 10)
    answer = sum(share * first_order(fine, LOG / 10, lag) for share, lag in shares)[::10]
    gyro = answer + 2e-3 * rng.standard_normal(answer.size)
    creeping = identify(replace(run, gyro_z=gyro), ())
    assert creeping.steps.differs
    assert not creeping.steps.slower
    (note,) = [f for f in creeping.findings if "two ways of reading the turns" in f.text]
    assert note.severity == "note"
    # Well damped it answers as a lag with dead time does, nearly, and nothing is said.
    assert identify(swinging(run, 15.0, 1.0, rng), ()).steps.differs == ()


def test_steps_are_not_read_off_ramps_nor_behind_a_loop():
    rng = np.random.default_rng(20)
    run = simulated(rng, 0.9, 0.05, 0.02)
    smooth = np.convolve(run.command[:, 2], np.ones(20) / 20)[: run.t.size]
    ramped = with_command(run, smooth, 0.9, 0.05, 0.02, rng)
    steps = identify(ramped, ()).steps
    assert not steps.lag.determined
    assert "0 of 18 turns begin with a step" in steps.lag.why
    held_base = simulated(rng, 0.9, 0.05, 0.02, kp=3.0)
    steps = identify(held_base, find_passes(held_base)).steps
    assert not steps.delay.determined
    assert "heading loop was on" in steps.delay.why


def with_command(run, asked, gain, lag, delay, rng):
    """The run with another turn command and the exact answer to it."""
    t = run.t
    command = np.zeros((t.size, 3))
    command[:, 2] = asked
    fine = np.arange(0, t[-1], FINE)
    u = np.interp(fine - delay, t, asked)
    rate = np.zeros(fine.size)
    keep = math.exp(-FINE / lag)
    for k in range(1, fine.size):
        rate[k] = keep * rate[k - 1] + (1 - keep) * gain * u[k]
    gyro = np.interp(t, fine, rate) + 2e-3 * rng.standard_normal(t.size)
    speed = np.stack([0 * t, 0 * t, gyro], axis=1) @ ROBOT.matrix.T
    return replace(run, command=command, gyro_z=gyro, wheel_speed=speed, yaw=np.cumsum(gyro) * LOG)


def test_staircase_is_cut_at_its_steps():
    rng = np.random.default_rng(14)
    run = simulated(rng, 0.9, 0.05, 0.02)
    stairs = np.array([0, 0.4, 0.9, 1.3, 0.7, 0.3, -0.5, -1.0, 0, 0, 0])
    asked = stairs[np.minimum((run.t / 2).astype(int), stairs.size - 1)]
    found = identify(with_command(run, asked, 0.85, 0.06, 0.03, rng), ())
    assert len(found.windows) == 7
    assert held(found.gain, 0.85)
    assert found.gain.value == pytest.approx(0.85, rel=0.02)
    assert found.lag.value == pytest.approx(0.06, abs=0.006)
    assert found.delay.value == pytest.approx(0.03, abs=0.006)


@pytest.mark.parametrize("channel", ["target", "power", "volt"])
def test_without_a_turn_command_the_wheels_drive_stands_in(channel):
    rng = np.random.default_rng(15)
    run = simulated(rng, 1.0, 0.05, 0.02)
    wheels = run.command @ ROBOT.matrix.T
    full = 40.0
    drive = {"target": wheels, "power": wheels / full, "volt": wheels * 0.3}[channel]
    bare = replace(ROBOT, torque_per_ampere=np.full(4, np.nan)) if channel == "volt" else ROBOT
    found = identify(replace(run, command=None, robot=bare, **{channel: drive}), ())
    assert channel in found.signals.source
    # The scale of power or volts is read from fast driving, where these wheels follow exactly.
    assert found.gain.value == pytest.approx(1.0, rel=0.03)
    assert found.lag.value == pytest.approx(0.05, abs=0.006)
    assert found.delay.value == pytest.approx(0.02, abs=0.006)


def test_sweep_is_cut_into_observations():
    rng = np.random.default_rng(8)
    run = simulated(rng, 0.9, 0.05, 0.02)
    t = run.t
    sweep = np.where((t > 2) & (t < 26), 0.8 * np.sin(2 * np.pi * (0.2 * t + 0.03 * t**2)), 0.0)
    found = identify(with_command(run, sweep, 0.85, 0.06, 0.03, rng), ())
    assert len(found.windows) == 8
    assert found.gain.value == pytest.approx(0.85, rel=0.02)
    assert found.lag.value == pytest.approx(0.06, abs=0.006)
    assert found.delay.value == pytest.approx(0.03, abs=0.006)


@pytest.fixture(scope="module")
def sound():
    return simulated(np.random.default_rng(9), 0.9, 0.05, 0.02, -0.05)


def test_no_turn_is_refused(sound):
    command = sound.command.copy()
    command[:, 2] = np.where(np.abs(command[:, 1]) > 0, 1e-9, 0)
    with pytest.raises(RecordingError, match=r"found 0 turn\(s\) on the spot.*Record turns"):
        identify(replace(sound, command=command), ())


def test_no_command_is_refused(sound):
    with pytest.raises(
        RecordingError, match="cmd_omega_z: found no turn command.*Log the commanded"
    ):
        identify(replace(sound, command=None), ())


def test_no_gyro_is_refused(sound):
    with pytest.raises(RecordingError, match="omega_z: found neither a gyro nor a heading"):
        identify(replace(sound, gyro_z=None, yaw=None), ())


def test_frozen_gyro_is_refused(sound):
    with pytest.raises(RecordingError, match="gyro does not move in 18 of 18 turns.*frozen"):
        identify(replace(sound, gyro_z=np.full(sound.t.size, 0.01)), ())


def test_gyro_frozen_for_a_while_is_left_out(sound):
    gyro = sound.gyro_z.copy()
    gyro[900:1600] = gyro[900]
    found = identify(replace(sound, gyro_z=gyro), ())
    assert 3 <= len(found.windows) < 18
    assert any("does not move" in f.text for f in found.findings)
    assert found.gain.value == pytest.approx(0.9, rel=0.03)


def test_saturated_power_is_refused(sound):
    power = np.where(np.abs(sound.command[:, 2:]) > 0, 1.0, 0.0) * np.ones(4)
    with pytest.raises(
        RecordingError, match="saturated.*power stands at its limit.*half that rate"
    ):
        identify(replace(sound, power=power), ())


def test_saturated_answer_leaves_out_the_fast_turns(sound):
    gyro = np.clip(sound.gyro_z, -0.68, 0.68)
    found = identify(replace(sound, gyro_z=gyro), ())
    assert max(abs(w.command) for w in found.windows) < 1.0
    assert any("saturated" in f.text for f in found.findings)


def test_reversed_gyro_is_refused(sound):
    with pytest.raises(RecordingError, match="gyro turns against the wheels.*sign = -1"):
        identify(replace(sound, gyro_z=-sound.gyro_z), ())


def test_reversed_command_is_refused(sound):
    with pytest.raises(RecordingError, match="commanded turn rate points against the wheels"):
        identify(replace(sound, command=-sound.command), ())


def test_gyro_clipped_at_every_rate_is_refused(sound):
    with pytest.raises(RecordingError, match="saturated"):
        identify(replace(sound, gyro_z=np.clip(sound.gyro_z, -0.15, 0.15)), ())


def test_base_that_hardly_turns_is_refused():
    run = simulated(np.random.default_rng(16), 0.1, 0.05, 0.02)
    with pytest.raises(RecordingError, match="0.10 times as fast.*rollers that lean the wrong way"):
        identify(run, ())


def test_yaw_rate_that_has_other_causes_is_refused(sound):
    gyro = sound.gyro_z + 0.5 * np.sin(2 * np.pi * 1.7 * sound.t)
    with pytest.raises(RecordingError, match="explains only"):
        identify(replace(sound, gyro_z=gyro), ())


def test_loop_without_turns_is_refused():
    rng = np.random.default_rng(10)
    run = simulated(rng, 0.9, 0.05, 0.02, kp=3.0)
    late = int(np.flatnonzero(np.abs(run.command[:, 1]) > 0)[0]) - 60
    cut = {
        name: getattr(run, name)[late:]
        for name in ("command", "gyro_z", "wheel_speed", "wheel_angle", "yaw", "valid")
    }
    run = replace(run, t=np.arange(run.t.size - late) * LOG, **cut)
    with pytest.raises(RecordingError, match="heading loop or a hand steered"):
        identify(run, find_passes(run))


def main(count):
    rng = np.random.default_rng(11)
    inside = {"gain": [], "lag": [], "delay": [], "friction": []}
    bars = {"gain": [], "lag": [], "delay": []}
    for _ in range(count):
        truth, found = tried(rng)
        for name in inside:
            inside[name].append(held(getattr(found, name), truth[name]))
        bars["gain"].append(abs(found.gain.value / truth["gain"] - 1) < 0.02)
        for name in ("lag", "delay"):
            miss = abs(getattr(found, name).value - truth[name])
            bars[name].append(miss < max(0.1 * truth[name], 0.005))
    print({k: round(float(np.mean(v)), 3) for k, v in inside.items()}, "intervals hold the truth")
    print({k: round(float(np.mean(v)), 3) for k, v in bars.items()}, "within the bars")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)


@pytest.mark.parametrize("lag", [1e-4, 0.004, 0.08, 2.0])
def test_first_order_agrees_with_scipy(lag):
    # scipy.signal.lfilter with the coefficients of a first-order hold.

    values = np.random.default_rng(1).standard_normal(1001)
    keep = math.exp(-0.004 / lag)
    slope = lag / 0.004 * (1 - keep)
    expected = lfilter([1 - slope, slope - keep], [1.0, -keep], values)
    assert first_order(values, 0.004, lag) == pytest.approx(expected, abs=1e-12)


def test_fit_agrees_with_scipy_least_squares():
    # The same residuals through scipy.optimize. The answer has corners where the held command
    # changes, and ours takes its slope across them: sums of squares agree to 1e-7, parameters to a
    # sixth of their standard error.
    from scipy.optimize import least_squares

    from analyzer.yaw_plant import _least_squares, _Model

    rng = np.random.default_rng(17)
    t = np.arange(0, 40, 0.01)
    command = np.repeat(rng.choice([-1.2, -0.8, -0.4, 0.0, 0.4, 0.8, 1.2], 50), 80)
    model = _Model(command, np.arange(t.size), 0.01)
    truth = np.array([0.85, -0.06, 0.09, 0.06**2])
    rate = model.answer(truth) + 0.01 * rng.standard_normal(t.size)
    rate[500:510] += 2.0  # outliers
    start = np.array([1.0, 0.0, 0.12, 0.04**2])
    for free in ([0, 1, 2, 3], [0, 2, 3]):
        bounds = np.array([-10, -5, -0.03, 1e-6])[free], np.array([10.0, 5, 3, 4])[free]

        def answer(q, free=free):
            values = start.copy()
            values[free] = q
            return model.answer(values)

        usual = np.std(rate - answer(start[free]))
        for robust in (True, False):
            ours = _least_squares(model, rate, start, free, bounds, robust=robust)
            theirs = least_squares(
                lambda q: answer(q) - rate, ours[free] * 1.03, bounds=bounds, x_scale=0.01,
                loss="soft_l1" if robust else "linear", f_scale=usual,
                xtol=1e-14, ftol=1e-14, gtol=1e-14,
            )  # fmt: skip
            errors = 0.01 * np.sqrt(np.diag(np.linalg.inv(theirs.jac.T @ theirs.jac)))
            assert np.all(np.abs(ours[free] - theirs.x) < errors / 6)
            if not robust:
                assert np.sum((model.answer(ours) - rate) ** 2) < 2 * theirs.cost * (1 + 1e-7)
