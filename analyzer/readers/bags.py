"""Robot bags (ROS 1, ROS 2 in SQLite or MCAP) through the general reader library `rosbags`.

Columns are named ``topic.field``, with the joint's name or the element's number in brackets. One
topic gives one source. The header's stamp is the clock where a message has one, else the time at
which the message was received.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from analyzer.quantities import Finding, RecordingError
from analyzer.readers.columns import Columns

POSE = (
    "position.x",
    "position.y",
    "orientation.x",
    "orientation.y",
    "orientation.z",
    "orientation.w",
)
TWIST = ("linear.x", "linear.y", "angular.z")


def _pick(message: Any, names: tuple[str, ...], prefix: str) -> dict[str, float]:
    out = {}
    for name in names:
        value = message
        for part in name.split("."):
            value = getattr(value, part)
        out[f"{prefix}{name}"] = float(value)
    return out


def _imu(m: Any) -> dict[str, float]:
    names = tuple(f"angular_velocity.{q}" for q in "xyz")
    names += tuple(f"linear_acceleration.{q}" for q in "xyz")
    out = _pick(m, names, "")
    if m.orientation_covariance[0] != -1:  # sensor_msgs/Imu: -1 says that there is no orientation
        out |= _pick(m, tuple(f"orientation.{q}" for q in "xyzw"), "")
    return out


def _joints(m: Any) -> dict[str, float]:
    out = {}
    for field in ("position", "velocity", "effort"):
        for joint, value in zip(m.name, getattr(m, field), strict=False):
            out[f"{field}[{joint}]"] = float(value)
    return out


def _array(m: Any) -> dict[str, float]:
    return {f"data[{k}]": float(v) for k, v in enumerate(m.data)}


DECODERS: dict[str, Callable[[Any], dict[str, float]]] = {
    "sensor_msgs/msg/Imu": _imu,
    "sensor_msgs/msg/JointState": _joints,
    "nav_msgs/msg/Odometry": lambda m: (
        _pick(m.pose.pose, POSE, "pose.pose.") | _pick(m.twist.twist, TWIST, "twist.twist.")
    ),
    "geometry_msgs/msg/Twist": lambda m: _pick(m, TWIST, ""),
    "geometry_msgs/msg/TwistStamped": lambda m: _pick(m.twist, TWIST, "twist."),
    "geometry_msgs/msg/PoseStamped": lambda m: _pick(m.pose, POSE, "pose."),
    "geometry_msgs/msg/PoseWithCovarianceStamped": lambda m: _pick(m.pose.pose, POSE, "pose.pose."),
    "std_msgs/msg/Float64MultiArray": _array,
    "std_msgs/msg/Float32MultiArray": _array,
    "std_msgs/msg/Int32MultiArray": _array,
    "std_msgs/msg/Int64MultiArray": _array,
}


def read_bag(path: Path, findings: list[Finding]) -> list[Columns]:
    """Read a bag.

    Parameters
    ----------
    path : Path
        ROS 1 bag, MCAP file, SQLite file, or the folder of a ROS 2 bag.
    findings : list of Finding
        Topics that are not used and what was lost are noted here.

    Returns
    -------
    list of Columns
        One a topic.

    Raises
    ------
    RecordingError
        Where the bag cannot be opened or holds no message of a known kind.
    """
    from rosbags.highlevel import AnyReader
    from rosbags.typesys import Stores, get_typestore

    rows: dict[str, list[dict[str, float]]] = {}
    stamps: dict[str, list[int]] = {}
    unused: dict[str, str] = {}
    source = path
    if path.suffix in {".db3", ".mcap"} and (path.parent / "metadata.yaml").is_file():
        source = path.parent
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with AnyReader([source], default_typestore=get_typestore(Stores.ROS2_HUMBLE)) as reader:
                for connection in reader.connections:
                    if connection.msgtype not in DECODERS:
                        unused[connection.topic] = connection.msgtype
                chosen = [c for c in reader.connections if c.msgtype in DECODERS]
                try:
                    for connection, received, raw in reader.messages(chosen):
                        message = reader.deserialize(raw, connection.msgtype)
                        header = getattr(message, "header", None)
                        stamp = received
                        if header is not None and header.stamp.sec > 0:
                            stamp = header.stamp.sec * 10**9 + header.stamp.nanosec
                        rows.setdefault(connection.topic, []).append(
                            DECODERS[connection.msgtype](message)
                        )
                        stamps.setdefault(connection.topic, []).append(stamp)
                except Exception as error:
                    count = sum(map(len, rows.values()))
                    if not count:
                        raise
                    findings.append(
                        Finding(
                            severity="warning",
                            channel="",
                            text=f"{path.name}: damaged after {count} messages "
                            f"({type(error).__name__}: {str(error)[:80]}); what is whole is used",
                        )
                    )
    except RecordingError:
        raise
    except Exception as error:  # noqa: BLE001 - the library raises many kinds for broken files
        reason = (str(error).splitlines() or [type(error).__name__])[0][:160]
        raise RecordingError(
            f"{path}: cannot be read as a bag: {reason}. The file is damaged or of another kind; "
            "copy it again or record again"
        ) from None
    for topic, kind in unused.items():
        findings.append(Finding(severity="note", channel="", text=f"{topic} ({kind}) is not used"))
    out = []
    for topic, messages in rows.items():
        names = list(dict.fromkeys(n for m in messages[:50] for n in m))
        values = {f"{topic}.{n}": np.array([m.get(n, np.nan) for m in messages]) for n in names}
        clock = f"{topic}.header.stamp"
        values[clock] = np.array(stamps[topic], dtype=np.int64)
        out.append(
            Columns(
                name=f"{path.name}:{topic}",
                names=list(values),
                get=values.__getitem__,
                units={clock: "ns"},
            )
        )
    if not out:
        raise RecordingError(
            f"{path}: no message of a known kind; known are {', '.join(sorted(DECODERS))}"
        )
    return out
