"""Small robot bags, written by the general library `rosbags`, for tests, benchmarks and fuzzing."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from rosbags.rosbag1 import Writer as Writer1
from rosbags.rosbag2 import CompressionFormat, CompressionMode, StoragePlugin
from rosbags.rosbag2 import Writer as Writer2
from rosbags.typesys import Stores, get_types_from_msg, get_typestore

ROS2 = get_typestore(Stores.ROS2_HUMBLE)
ROS1 = get_typestore(Stores.ROS1_NOETIC)
ROS1.register(
    get_types_from_msg("geometry_msgs/TransformStamped[] transforms", "tf2_msgs/msg/TFMessage")
)
START = 1_770_000_000_000_000_000
JOINTS = ("front_left", "front_right", "rear_left", "rear_right")


def stamp(store, nanos):
    kind = store.types["builtin_interfaces/msg/Time"]
    return kind(sec=int(nanos // 10**9), nanosec=int(nanos % 10**9))


def header(store, nanos, frame, seq=0):
    kind = store.types["std_msgs/msg/Header"]
    extra = {"seq": seq} if store is ROS1 else {}
    return kind(stamp=stamp(store, nanos), frame_id=frame, **extra)


def vector(store, x, y, z):
    return store.types["geometry_msgs/msg/Vector3"](x=float(x), y=float(y), z=float(z))


def quaternion(store, yaw):
    kind = store.types["geometry_msgs/msg/Quaternion"]
    return kind(x=0.0, y=0.0, z=math.sin(yaw / 2), w=math.cos(yaw / 2))


def imu(store, nanos, k, frame="imu_link", variance=0.01):
    return store.types["sensor_msgs/msg/Imu"](
        header=header(store, nanos, frame, k),
        orientation=quaternion(store, 0.01 * k),
        orientation_covariance=np.full(9, variance),
        angular_velocity=vector(store, 0.1 * k, -0.2 * k, 0.3 * k),
        angular_velocity_covariance=np.zeros(9),
        linear_acceleration=vector(store, 0.5, -0.25 * k, 9.81),
        linear_acceleration_covariance=np.zeros(9),
    )


def joints(store, nanos, k, names=JOINTS):
    n = len(names)
    return store.types["sensor_msgs/msg/JointState"](
        header=header(store, nanos, "base_link", k),
        name=list(names),
        position=np.arange(n) * 100.0 + 7 * k,
        velocity=np.arange(n) * 1.5 - k,
        effort=np.empty(0),
    )


def pose(store, k):
    point = store.types["geometry_msgs/msg/Point"]
    return store.types["geometry_msgs/msg/Pose"](
        position=point(x=0.01 * k, y=-0.02 * k, z=0.3), orientation=quaternion(store, 0.02 * k)
    )


def twist(store, k):
    return store.types["geometry_msgs/msg/Twist"](
        linear=vector(store, 0.001 * k, 0.002 * k, 0), angular=vector(store, 0, 0, 0.003 * k)
    )


def odometry(store, nanos, k, variance=0.01):
    covariance = store.types["geometry_msgs/msg/PoseWithCovariance"]
    speed = store.types["geometry_msgs/msg/TwistWithCovariance"]
    matrix = np.zeros(36)
    matrix[::7] = variance
    return store.types["nav_msgs/msg/Odometry"](
        header=header(store, nanos, "odom", k),
        child_frame_id="base_link",
        pose=covariance(pose=pose(store, k), covariance=matrix),
        twist=speed(twist=twist(store, k), covariance=np.zeros(36)),
    )


def posed(store, nanos, k):
    return store.types["geometry_msgs/msg/PoseStamped"](
        header=header(store, nanos, "world", k), pose=pose(store, k)
    )


def transforms(store, nanos, k):
    kind = store.types["geometry_msgs/msg/TransformStamped"]
    move = store.types["geometry_msgs/msg/Transform"]
    pairs = [("world", "base_link"), ("base_link", "camera")][: 1 + k % 2]
    return store.types["tf2_msgs/msg/TFMessage"](
        transforms=[
            kind(
                header=header(store, nanos, parent, k),
                child_frame_id=child,
                transform=move(
                    translation=vector(store, 0.01 * k, 0.02 * k, 0),
                    rotation=quaternion(store, 0.03 * k),
                ),
            )
            for parent, child in pairs
        ]
    )


def array(store, k):
    layout = store.types["std_msgs/msg/MultiArrayLayout"](dim=[], data_offset=0)
    return store.types["std_msgs/msg/Float64MultiArray"](
        layout=layout, data=np.array([k, 2.0 * k, -3.0 * k, 0.5])
    )


def field_of(store, nanos, k):
    return store.types["sensor_msgs/msg/MagneticField"](
        header=header(store, nanos, "imu_link", k),
        magnetic_field=vector(store, 1, 2, 3),
        magnetic_field_covariance=np.zeros(9),
    )


def messages(store, count=300, rate=100.0):
    """Topic, message and time of receipt, in the order of receipt."""
    out = []
    for k in range(count):
        sent = START + round(k / rate * 1e9)
        got = sent + 3_000_000 + (k % 7) * 100_000
        # Frames of several lengths: the places of the numbers differ.
        frame = "imu_link" if k % 50 else "imu"
        out.append(("/imu/data", "sensor_msgs/msg/Imu", imu(store, sent, k, frame), got))
        names = JOINTS if k % 40 else JOINTS[::-1]
        out.append(
            ("/wheel_states", "sensor_msgs/msg/JointState", joints(store, sent, k, names), got)
        )
        out.append(("/cmd_vel", "geometry_msgs/msg/Twist", twist(store, k), got))
        if k % 2 == 0:
            out.append(("/robot/pose", "geometry_msgs/msg/PoseStamped", posed(store, sent, k), got))
            out.append(("/odom", "nav_msgs/msg/Odometry", odometry(store, sent, k), got))
            out.append(("/tf", "tf2_msgs/msg/TFMessage", transforms(store, sent, k), got))
            out.append(("/duty", "std_msgs/msg/Float64MultiArray", array(store, k), got))
            out.append(("/mag", "sensor_msgs/msg/MagneticField", field_of(store, sent, k), got))
    return out


def write_ros1(path, rows=None, compression=None):
    rows = messages(ROS1) if rows is None else rows
    writer = Writer1(Path(path))
    if compression:
        writer.set_compression(getattr(Writer1.CompressionFormat, compression.upper()))
    with writer:
        known = {}
        for topic, kind, message, got in rows:
            if topic not in known:
                known[topic] = writer.add_connection(topic, kind, typestore=ROS1)
            writer.write(known[topic], got, ROS1.serialize_ros1(message, kind))


def write_ros2(path, rows=None, storage="mcap", compression=None, little=True):
    rows = messages(ROS2) if rows is None else rows
    plugin = StoragePlugin.MCAP if storage == "mcap" else StoragePlugin.SQLITE3
    writer = Writer2(Path(path), version=9, storage_plugin=plugin)
    if compression:
        writer.set_compression(
            getattr(CompressionMode, compression.upper()), CompressionFormat.ZSTD
        )
    with writer:
        known = {}
        for topic, kind, message, got in rows:
            if topic not in known:
                known[topic] = writer.add_connection(topic, kind, typestore=ROS2)
            raw = (
                message
                if isinstance(message, bytes)
                else ROS2.serialize_cdr(message, kind, little_endian=little)
            )
            writer.write(known[topic], got, bytes(raw))
