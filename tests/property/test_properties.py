"""Properties of reading and alignment, for any input that Hypothesis thinks of."""

import math
import random

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from analyzer.channels import UNITS, dimension_of, parse_unit, recognise, unit_factor
from analyzer.clocks import clean_stamps
from analyzer.counters import unwrap_counter
from analyzer.kinematics import tracking_rows
from analyzer.readers.messages import TopicDecoder, gather, window
from tests.bags import write
from tests.fuzz.targets import TARGETS, damage, one

MANY = settings(max_examples=150, deadline=None)


@MANY
@given(st.text(max_size=60))
def test_any_name_is_taken_or_told(name):
    taken = recognise(name, None)
    assert taken.why
    assert not taken.channel or dimension_of(taken.channel)
    assert not (taken.asks and taken.channel)


@MANY
@given(st.sampled_from(sorted(UNITS)), st.floats(1e-6, 1e6))
def test_number_before_a_unit_scales_it(unit, scale):
    text = f"{scale!r} {unit}"
    if unit[0].isdigit():
        return  # 1 and 1/min have their own digit
    number, base = parse_unit(text)
    assert base == unit
    assert number == scale
    for channel in ("omega_FL", "ref_x", "yaw", "f_z", "t", "cmd_v_x", "battery", "current_FL"):
        plain = unit_factor(channel, unit)
        scaled = unit_factor(channel, text)
        assert (plain is None) == (scaled is None)
        if plain is not None:
            assert scaled == pytest.approx(scale * plain, rel=1e-12)


@MANY
@given(
    st.sampled_from((15, 16, 32)),
    hnp.arrays(np.int64, st.integers(30, 300), elements=st.integers(-300, 300)),
    st.integers(0, 2**33),
)
def test_overflow_is_undone(bits, steps, start):
    true = start + np.concatenate([[0], np.cumsum(steps)])
    wrapped = np.mod(true, 2**bits).astype(float)
    found, width, resets = unwrap_counter(wrapped, 500.0)
    jumps = np.abs(np.diff(wrapped)).max() > 500
    if np.ptp(wrapped) > 0.8 * 2**bits:
        assert width == bits or not jumps
        assert not resets.size
        assert np.array_equal(np.diff(found), steps)


@MANY
@given(
    hnp.arrays(
        np.float64, st.integers(1, 200), elements=st.floats(allow_nan=True, allow_infinity=True)
    )
)
def test_kept_stamps_run_forward(t):
    keep, repeated, backward = clean_stamps(t)
    assert np.all(np.diff(t[keep]) > 0)
    assert repeated >= 0
    assert backward >= 0
    assert keep.sum() + repeated + backward == t.size


@MANY
@given(
    st.lists(
        st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(-180, 180)), min_size=3, max_size=3
    ),
    st.tuples(st.floats(-2, 2), st.floats(-2, 2), st.floats(-3, 3)),
)
def test_free_wheels_tell_the_twist_back(places, twist):
    x, y, heading = (np.array(v) for v in zip(*places, strict=True))
    rows = tracking_rows(x, y, np.radians(heading))
    if np.linalg.cond(rows) > 1e4:
        return
    assert np.linalg.pinv(rows) @ (rows @ np.array(twist)) == pytest.approx(
        np.array(twist), abs=1e-8
    )


@MANY
@given(
    st.binary(min_size=16, max_size=200), st.sampled_from(("u1", "u2", "u4", "u8", "f8")), st.data()
)
def test_gathered_numbers_equal_slices(raw, code, data):
    buffer = np.frombuffer(raw, dtype=np.uint8)
    size = np.dtype(code).itemsize
    places = np.array(data.draw(st.lists(st.integers(0, len(raw) - size), min_size=1, max_size=30)))
    wanted = np.array([np.frombuffer(raw, "<" + code, 1, int(p))[0] for p in places])
    assert gather(buffer, code, places).tobytes() == wanted.tobytes()
    assert window(buffer, code).size == len(raw) - size + 1


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.text(st.characters(codec="ascii", exclude_characters="\x00"), max_size=12),
        min_size=1,
        max_size=25,
    )
)
def test_decoding_in_bulk_equals_the_library_for_any_frame(frames):
    kind = "sensor_msgs/msg/Imu"
    sent = [write.imu(write.ROS2, write.START + k, k, frame) for k, frame in enumerate(frames)]
    raws = [bytes(write.ROS2.serialize_cdr(m, kind)) for m in sent]
    sizes = np.array([len(r) for r in raws])
    names = ("orientation.w", "angular_velocity.y", "linear_acceleration.z", "header.stamp.nanosec")
    decoder = TopicDecoder(
        kind, write.ROS2.fielddefs, lambda _layout: {n: n for n in names}, ros1=False
    )
    decoder.feed(
        np.frombuffer(b"".join(raws), dtype=np.uint8),
        np.concatenate([[0], np.cumsum(sizes)[:-1]]),
        sizes,
        np.arange(len(raws)),
    )
    values, times = decoder.columns()
    assert decoder.bad == 0
    assert times.tolist() == list(range(len(raws)))
    again = [write.ROS2.deserialize_cdr(r, kind) for r in raws]
    assert values["orientation.w"].tolist() == [m.orientation.w for m in again]
    assert values["angular_velocity.y"].tolist() == [m.angular_velocity.y for m in again]
    assert values["header.stamp.nanosec"].tolist() == [m.header.stamp.nanosec for m in again]
    assert math.isclose(values["linear_acceleration.z"][0], 9.81)


@pytest.mark.parametrize("kind", TARGETS)
@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 2**32))
def test_damaged_input_ends_well(kind, seed):
    """The fuzzing of `tests/fuzz`, for a moment; an hour of it is a job of its own."""
    rng = random.Random(seed)
    seeds = TARGETS[kind][0]()
    ending, data = rng.choice(seeds)
    assert one(kind, ending, damage(data, rng.choice(seeds)[1], rng)) in {True, False}
