"""Slip, clocks and counters against published values."""

import numpy as np
import pytest

from analyzer.counters import unwrap_counter
from analyzer.motion import slip_ratio
from analyzer.quantities import mean_estimate, student_quantile
from analyzer.signals import find_lag, parabolic_peak


def test_slip_of_sae_j670():
    """SAE J670e: (Omega - Omega0) / Omega0; calculator example 9 / 49.5 = 0.181818."""
    assert slip_ratio(58.5, 49.5) == pytest.approx(0.181818, abs=5e-7)
    assert slip_ratio(0.0, 3.0) == -1.0
    assert np.isnan(slip_ratio(1.0, 0.0))


@pytest.mark.parametrize(
    ("ideal", "seen", "percent"),
    [
        (439.82, 438.98, 0.191),
        (439.82, 433.57, 1.421),
        (219.91, 217.41, 1.137),
        (0.691, 0.685, 0.868),
    ],
)
def test_slip_of_a_multibody_simulation(ideal, seen, percent):
    """Journal of Robotics 2018, art. 9373580, Table 2: relative error of the ideal speed."""
    assert 100 * (ideal - seen) / ideal == pytest.approx(percent, abs=6e-4)
    wong = 1 - seen / ideal
    assert slip_ratio(ideal, seen) == pytest.approx(wong / (1 - wong), rel=1e-9)


def test_parabolic_peak():
    """p = (a - c) / (2 (a - 2b + c)): (3, 5, 4) gives +1/6 sample (value from memory)."""
    assert parabolic_peak(3, 5, 4) == pytest.approx(1 / 6)


def test_sixteen_bit_overflow():
    """RFC 1982 serial arithmetic: 65530 to 5 is a step of 11 (value from memory)."""
    up = np.concatenate([np.arange(0, 65531, 10.0), [5.0, 15.0]])
    out, bits, resets = unwrap_counter(up, 1000.0)
    assert bits == 16
    assert resets.size == 0
    assert out[-2] - out[-3] == 11


def test_lag_of_a_shifted_signal():
    t = np.arange(0, 30, 0.01)
    a = np.sin(t) + np.sin(2.7 * t)
    b = np.sin(t - 0.0234) + np.sin(2.7 * (t - 0.0234))
    lag, peak = find_lag(a, b, 0.01, 0.3)
    assert lag == pytest.approx(0.0234, abs=5e-4)
    assert peak > 0.99


def test_student_quantile():
    """Student's t 0.975 quantile at 9 degrees of freedom: 2.262 (handbook table)."""
    assert student_quantile(0.975, 9) == pytest.approx(2.262, abs=5e-4)


def test_mean_of_sleep_data():
    """Student's sleep data (R help), paired: CI of the difference -2.4598858, -0.7001142."""
    a = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
    b = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
    e = mean_estimate(a - b, "h")
    assert (e.low, e.high) == pytest.approx((-2.4598858, -0.7001142), abs=5e-7)


# RFC 3339, section 5.8: examples of stamps; POSIX seconds recomputed.
STAMPS = [
    ("1985-04-12T23:20:50.52Z", 482196050.52),
    ("1996-12-19T16:39:57-08:00", 851042397.0),
    ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
    ("2009-02-13T23:31:30Z", 1234567890.0),
]


@pytest.mark.parametrize(("stamp", "seconds"), STAMPS)
def test_stamps_of_rfc_3339(tmp_path, stamp, seconds):
    import re

    from analyzer.readers import read_recording

    zone = re.search(r"(Z|[+-]\d\d:\d\d)$", stamp).group(1)
    whole, _, part = stamp[: -len(zone)].partition(".")
    rows = [
        f"{whole}.{part.ljust(3, '0')}{zone},{k}" if k == 0 else f"{whole}.{900 + k:03d}{zone},{k}"
        for k in range(40)
    ]
    file = tmp_path / "log.csv"
    file.write_text("time,encoder_fl\n" + "\n".join(rows) + "\n")
    source = read_recording([str(file)], None).sources[0]
    assert source.epoch + source.t[0] == pytest.approx(seconds, abs=1e-3)


def test_quantum_of_an_encoder():
    # Worked example: 210 counts, 20 ms: 2 pi / N = 0.0299199 rad, over the period 1.495997 rad/s.
    # Derived from the definition (Brown, Schneider & Mulligan 1992, from memory).
    import math

    from analyzer.alignment import align
    from analyzer.robot import parse_robot
    from analyzer.run import ColumnUse, Recording, Source

    robot = parse_robot(
        '[robot]\nname="t"\nmass_kg=10\ndrive_mode="power"\n'
        + "".join(
            f"[wheels.{n}]\nx_m={x}\ny_m={y}\nradius_m=0.0753\nroller_angle_deg={g}\n"
            "counts_per_turn=210\n"
            for n, x, y, g in (
                ("FL", 0.2, 0.2, -45), ("FR", 0.2, -0.2, 45), ("RL", -0.2, 0.2, 45),
                ("RR", -0.2, -0.2, -45),
            )
        ),
        "t.toml",
    )  # fmt: skip
    t = np.arange(0, 20, 0.02)
    counts = np.maximum(np.arange(t.size) - 100.0, 0.0)  # one count a period
    channels = {f"count_{w}": counts for w in ("FL", "FR", "RL", "RR")}
    source = Source(
        name="t", t=t, epoch=0.0, absolute=False, channels=channels,
        columns=tuple(ColumnUse(column=c, channel=c, unit="", why="") for c in channels),
    )  # fmt: skip
    run = align(Recording(paths=("t",), sources=(source,), findings=()), robot)
    middle = run.wheel_speed[run.t.size // 2]
    assert middle == pytest.approx([1.495997] * 4, rel=1e-4)
    assert middle[0] * 0.0753 == pytest.approx(0.112649, rel=1e-4)
    step = np.diff(run.wheel_angle[run.t.size // 2 :, 0]).mean() * 0.02 / run.dt
    assert step == pytest.approx(2 * math.pi / 210, rel=1e-3)
