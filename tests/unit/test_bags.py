"""Bags of every kind against the general library's own decoding, message by message."""

import shutil
from pathlib import Path

import numpy as np
import pytest
from rosbags.highlevel import AnyReader

from analyzer.channels import tf_reference
from analyzer.quantities import RecordingError
from analyzer.readers import read_recording
from analyzer.readers.bags import _topic_columns, read_bag
from analyzer.readers.containers import unpack
from tests.bags import write

N = 300


def by_library(path):
    """Every wanted number by `rosbags`, one message after the other."""
    out = {}

    def add(name, value):
        out.setdefault(name, []).append(float(value))

    with AnyReader([path], default_typestore=write.ROS2) as reader:
        for connection, got, raw in reader.messages():
            m = reader.deserialize(raw, connection.msgtype)
            topic = connection.topic
            if topic == "/imu/data":
                for q in "xyz":
                    add(f"{topic}.angular_velocity.{q}", getattr(m.angular_velocity, q))
                    add(f"{topic}.linear_acceleration.{q}", getattr(m.linear_acceleration, q))
                for q in "xyzw":
                    add(f"{topic}.orientation.{q}", getattr(m.orientation, q))
            elif topic == "/wheel_states":
                for name, a, b in zip(m.name, m.position, m.velocity, strict=True):
                    add(f"{topic}.position[{name}]", a)
                    add(f"{topic}.velocity[{name}]", b)
            elif topic == "/cmd_vel":
                add(f"{topic}.linear.x", m.linear.x)
                add(f"{topic}.linear.y", m.linear.y)
                add(f"{topic}.angular.z", m.angular.z)
                add(f"{topic}.received", got)
            elif topic == "/robot/pose":
                add(f"{topic}.pose.position.x", m.pose.position.x)
                add(f"{topic}.pose.orientation.z", m.pose.orientation.z)
                add(f"{topic}.header.stamp", m.header.stamp.sec * 10**9 + m.header.stamp.nanosec)
            elif topic == "/odom":
                add(f"{topic}.pose.pose.position.y", m.pose.pose.position.y)
                add(f"{topic}.twist.twist.angular.z", m.twist.twist.angular.z)
            elif topic == "/tf":
                for t in m.transforms:
                    stem = f"{topic}.transform[{t.header.frame_id}>{t.child_frame_id}]"
                    add(f"{stem}.translation.x", t.transform.translation.x)
                    add(f"{stem}.rotation.z", t.transform.rotation.z)
                    add(f"{stem}.header.stamp", t.header.stamp.sec * 10**9 + t.header.stamp.nanosec)
            elif topic == "/duty":
                for k, v in enumerate(m.data):
                    add(f"{topic}.data[{k}]", v)
    return out


def ours(path, findings=None, **options):
    got = {}
    for columns in read_bag(path, [] if findings is None else findings, **options):
        for name in columns.names:
            assert name not in got
            got[name] = columns.get(name)
    return got


def assert_same(path):
    wanted, got = by_library(path), ours(path)
    assert set(wanted) <= set(got), set(wanted) - set(got)
    for name, values in wanted.items():
        assert np.array_equal(got[name].astype(float), np.array(values)), name
    assert sum(map(len, wanted.values())) > 20 * N


KINDS = {
    "ros1": ("bag", None), "ros1 bz2": ("bag", "bz2"), "ros1 lz4": ("bag", "lz4"),
    "mcap": ("mcap", None), "mcap zstd": ("mcap", "storage"),
    "sqlite": ("sqlite3", None), "sqlite file": ("sqlite3", "file"), "sqlite message": ("sqlite3", "message"),
    "mcap message": ("mcap", "message"), "mcap file": ("mcap", "file"),
}  # fmt: skip


def make(folder, kind):
    storage, compression = KINDS[kind]
    path = folder / ("one.bag" if storage == "bag" else "one")
    if storage == "bag":
        write.write_ros1(path, compression=compression)
    else:
        write.write_ros2(path, storage=storage, compression=compression)
    return path


@pytest.mark.parametrize("kind", KINDS)
def test_every_container_equals_the_library(kind, tmp_path):
    path = make(tmp_path, kind)
    assert_same(path)


@pytest.mark.parametrize("kind", ["mcap zstd", "sqlite"])
def test_one_file_without_its_folder(kind, tmp_path):
    path = make(tmp_path, kind)
    wanted = by_library(path)
    (file,) = [f for f in path.iterdir() if f.suffix in {".mcap", ".db3"}]
    alone = tmp_path / f"alone{file.suffix}"
    shutil.copy(file, alone)
    got = ours(alone)
    assert np.array_equal(got["/cmd_vel.linear.x"], np.array(wanted["/cmd_vel.linear.x"]))
    (path / "metadata.yaml").unlink()
    assert np.array_equal(ours(path)["/cmd_vel.linear.x"], np.array(wanted["/cmd_vel.linear.x"]))


def test_split_folder_is_joined_and_a_missing_part_is_said(tmp_path):
    rows = write.messages(write.ROS2)
    half = len(rows) // 2
    whole, first, second = tmp_path / "whole", tmp_path / "first", tmp_path / "second"
    write.write_ros2(whole, rows)
    write.write_ros2(first, rows[:half])
    write.write_ros2(second, rows[half:])
    split = tmp_path / "split"
    split.mkdir()
    # Ten before two by letters, after it by number.
    shutil.copy(first / "first.mcap", split / "split_2.mcap")
    shutil.copy(second / "second.mcap", split / "split_10.mcap")
    (split / "metadata.yaml").write_text(
        "rosbag2_bagfile_information:\n  relative_file_paths:\n  - split_2.mcap\n  - split_10.mcap\n"
        "  - split_11.mcap\n  compression_mode: ''\n"
    )
    findings = []
    a, b = ours(whole), ours(split, findings)
    assert a.keys() == b.keys()
    for name in a:
        assert np.array_equal(a[name], b[name]), name
    assert any("split_11.mcap" in f.text and "missing" in f.text for f in findings)


def test_file_compressed_by_hand(tmp_path):
    from rosbags.rosbag2.storage_mcap import zstd

    path = make(tmp_path, "mcap")
    packed = tmp_path / "log.mcap.zstd"
    packed.write_bytes(zstd.compress((path / "one.mcap").read_bytes()))
    a, b = ours(path), ours(packed)
    assert all(np.array_equal(a[n], b[n]) for n in a)
    recording = read_recording([packed], None)
    assert any("omega_z" in s.channels for s in recording.sources)


def test_big_endian_messages(tmp_path):
    write.write_ros2(tmp_path / "big", write.messages(write.ROS2, 20), little=False)
    write.write_ros2(tmp_path / "little", write.messages(write.ROS2, 20))
    a, b = ours(tmp_path / "big"), ours(tmp_path / "little")
    assert set(a) == set(b)
    for name in a:
        assert np.array_equal(a[name], b[name], equal_nan=True), name


def test_channels_of_a_bag(tmp_path):
    path = make(tmp_path, "mcap")
    recording = read_recording([path], None)
    channels = {s.name.split(":")[1]: set(s.channels) for s in recording.sources}
    assert channels["/imu/data"] == {"yaw", *(f"{c}_{q}" for c in ("omega", "f") for q in "xyz")}
    assert channels["/wheel_states"] == {f"count_{w}" for w in ("FL", "FR", "RL", "RR")}
    assert channels["/cmd_vel"] == {"cmd_v_x", "cmd_v_y", "cmd_omega_z"}
    assert channels["/robot/pose"] == {"ref_x", "ref_y", "ref_yaw"}
    assert channels["/tf.transform[world>base_link]"] == {"ref_x", "ref_y", "ref_yaw"}
    said = [f.text for f in recording.findings]
    assert any("/mag" in t and "MagneticField" in t and "no heading" in t for t in said)
    assert any("/imu/data: header stamps are the clock" in t and "3.3 ms" in t for t in said)
    # Elements of a bare array cannot be told apart by name: asked for.
    assert any("/duty.data[0]" in t for t in said)


def test_topics_are_corrected_in_the_robot_file(tmp_path):
    from tests.unit.test_headers import FOUR, robot_of

    path = make(tmp_path, "mcap")
    extra = (
        '[log]\nstamp = "received"\n[channels]\n"/robot/pose.pose.position.x" = "ignore"\n'
        '"/duty.data[3]" = { channel = "power_FL", unit = "1" }\n'
        '"/wheel_states.velocity[front_left]" = { channel = "omega_FL", unit = "rad/min" }\n'
    )
    recording = read_recording([path], robot_of(FOUR, extra))
    by = {s.name.split(":")[1]: s for s in recording.sources}
    assert "ref_x" not in by["/robot/pose"].channels
    assert by["/duty"].channels["power_FL"][0] == 0.5
    assert by["/wheel_states"].channels["omega_FL"][1] == pytest.approx(-1 / 60)
    assert any(
        "time of receipt is the clock, as the robot file says" in f.text for f in recording.findings
    )
    assert by["/imu/data"].epoch == pytest.approx((write.START + 3_000_000) * 1e-9, abs=1e-6)


def test_header_stamps_that_are_never_set(tmp_path):
    rows = [
        ("/imu", "sensor_msgs/msg/Imu", write.imu(write.ROS2, 0, k), write.START + k * 10**7)
        for k in range(50)
    ]
    write.write_ros2(tmp_path / "bag", rows)
    findings = []
    got = ours(tmp_path / "bag", findings)
    assert "/imu.received" in got
    assert "/imu.header.stamp" not in got
    assert any("never set" in f.text for f in findings)


def test_header_stamps_of_another_clock(tmp_path):
    rows = [
        (
            "/imu",
            "sensor_msgs/msg/Imu",
            write.imu(write.ROS2, (k + 1) * 10**7, k),
            write.START + k * 10**7,
        )
        for k in range(50)
    ]
    write.write_ros2(tmp_path / "bag", rows)
    findings = []
    got = ours(tmp_path / "bag", findings)
    assert "/imu.received" in got
    assert any("from the time of receipt" in f.text for f in findings)


@pytest.mark.parametrize("variance", [1e6, np.nan, -1.0])
def test_covariances_that_say_unknown(variance, tmp_path):
    rows = []
    for k in range(60):
        at = write.START + k * 10**7
        bad = variance if k < 20 else 0.01
        rows.append(("/imu", "sensor_msgs/msg/Imu", write.imu(write.ROS2, at, k, variance=bad), at))
        rows.append(
            ("/odom", "nav_msgs/msg/Odometry", write.odometry(write.ROS2, at, k, variance=bad), at)
        )
    write.write_ros2(tmp_path / "bag", rows)
    findings = []
    got = ours(tmp_path / "bag", findings)
    assert np.isnan(got["/imu.orientation.w"]).sum() == 20
    assert np.isfinite(got["/imu.angular_velocity.z"]).all()
    assert np.isnan(got["/odom.pose.pose.position.x"]).sum() == 20
    assert any("20 of 60" in f.text and "orientation" in f.text for f in findings)


def test_radians_of_joint_states_by_evidence(tmp_path):
    rows = []
    for k in range(200):
        at = write.START + k * 10**7
        m = write.joints(write.ROS2, at, k)
        phase = 0.01 * k
        m.position[:] = np.sin(3 * phase) * 2 + 0.123 * np.arange(4)
        m.velocity[:] = 6 * np.cos(3 * phase)
        rows.append(("/joint_states", "sensor_msgs/msg/JointState", m, at))
    write.write_ros2(tmp_path / "bag", rows)
    (source,) = read_recording([tmp_path / "bag"], None).sources
    assert set(source.channels) == {
        f"{c}_{w}" for c in ("angle", "omega") for w in ("FL", "FR", "RL", "RR")
    }
    assert source.channels["omega_FL"][0] == 6.0
    # Degrees per second beside radians do not bear each other out: asked for.
    for _, _, m, _ in rows:
        m.velocity[:] *= 57.3
    write.write_ros2(tmp_path / "other", rows)
    with pytest.raises(RecordingError, match="counts or an angle"):
        read_recording([tmp_path / "other"], None)


def test_transforms_that_are_a_reference():
    assert tf_reference("/tf.transform[world>base_link].translation.x")
    assert tf_reference("/tf.transform[map>base_footprint].translation.x")
    assert not tf_reference("/tf.transform[odom>base_link].translation.x")
    assert not tf_reference("/tf.transform[map>odom].translation.x")


def test_a_transform_that_holds_stamps_only_is_said():
    """Found by fuzzing: the definition that a bag brings was damaged."""
    stamps = np.arange(5.0)
    values = {
        "transform[odom>base].header.stamp.sec": stamps,
        "transform[odom>base].header.stamp.nanosec": stamps,
        "transform[map>odom].translation.x": stamps,
    }
    findings = []
    (columns,) = _topic_columns("a.bag", "/tf", "", values, stamps, None, findings)
    assert columns.name == "a.bag:/tf.transform[map>odom]"
    assert [f.text for f in findings if f.severity == "warning"] == [
        "/tf.transform[odom>base]: holds stamps but no numbers; left out"
    ]


@pytest.mark.parametrize("kind", ["ros1", "ros1 bz2", "mcap", "mcap zstd", "sqlite"])
def test_cut_short_at_any_place(kind, tmp_path):
    """What is read of a cut file is the beginning of the whole one, and the loss is said."""
    path = make(tmp_path, kind)
    file = (
        path if path.is_file() else next(f for f in path.iterdir() if f.suffix in {".mcap", ".db3"})
    )
    whole = ours(file)
    raw = file.read_bytes()
    cut = tmp_path / f"cut{file.suffix}"
    read = 0
    for share in np.linspace(0.02, 0.98, 17):
        cut.write_bytes(raw[: int(share * len(raw))])
        findings = []
        try:
            got = ours(cut, findings)
        except RecordingError as error:
            assert "cut" in str(error)
            continue
        if not any("damaged" in f.text for f in findings):
            # Only the summary behind the data is gone.
            assert share > 0.5
            assert all(got[n].size == whole[n].size for n in whole)
        for name, values in got.items():
            n = values.size
            assert np.array_equal(values, whole[name][:n], equal_nan=True), (share, name)
            read += n
    assert read > 0 or kind == "sqlite"


def test_damaged_chunk_in_the_middle_is_left_out(tmp_path):
    rows = write.messages(write.ROS2, 4000)
    write.write_ros2(tmp_path / "bag", rows, compression="storage")
    file = tmp_path / "bag" / "bag.mcap"
    whole = ours(file)
    raw = bytearray(file.read_bytes())
    at = raw.find(b"\x28\xb5\x2f\xfd", len(raw) // 3)
    raw[at : at + 8] = b"\x00" * 8
    file.write_bytes(raw)
    findings = []
    got = ours(file, findings)
    assert any(
        "does not unpack" in f.text and "messages known to be lost" in f.text for f in findings
    )
    clock, kept = whole["/imu/data.header.stamp"], got["/imu/data.header.stamp"]
    assert 0.2 < kept.size / clock.size < 1.0
    for name in ("/imu/data.angular_velocity.z", "/wheel_states.position[front_left]"):
        topic = name.split(".")[0]
        at = np.searchsorted(whole[f"{topic}.header.stamp"], got[f"{topic}.header.stamp"])
        assert np.array_equal(whole[name][at], got[name])


def test_absurd_ratio_is_refused(tmp_path):
    from rosbags.rosbag2.storage_mcap import zstd

    bomb = zstd.compress(b"\x00" * (200 << 20), 19)
    with pytest.raises(RecordingError, match="refused"):
        unpack(bomb, "zstd", 200 << 20, "log.mcap")
    with pytest.raises(RecordingError, match="refused"):
        unpack(b"x" * 100, "lz4", 1 << 40, "log.mcap")
    file = tmp_path / "log.mcap.zstd"
    file.write_bytes(bomb)
    with pytest.raises(RecordingError, match="refused"):
        read_bag(file, [])


def test_wrong_files_say_so(tmp_path):
    for name in ("a.mcap", "a.bag", "a.db3"):
        (tmp_path / name).write_bytes(b"something else altogether, but long enough" * 10)
        with pytest.raises(RecordingError, match=name):
            read_bag(tmp_path / name, [])
    empty = tmp_path / "bag"
    empty.mkdir()
    (empty / "metadata.yaml").write_text("nothing: 1\n")
    with pytest.raises(RecordingError, match="copy the whole folder"):
        read_bag(Path(empty), [])
