"""Robot bags (ROS 1, ROS 2 in SQLite or MCAP): which message fields become columns, on which clock.

Columns are named ``topic.field``, with the joint's name or the element's number in brackets. One
topic gives one source. The header's stamp is the clock where it runs, else the time at which the
message was received; which one, and how far they lie apart, is said. Containers are read by
`containers`, messages are decoded by `messages`, with the type definitions of the general library
`rosbags`.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from analyzer.quantities import Finding, RecordingError
from analyzer.readers.columns import Columns
from analyzer.readers.containers import READERS, Block, Losses, Topic, spool, unpacked
from analyzer.readers.messages import Layout, TopicDecoder

POSE = ("position.x", "position.y") + tuple(f"orientation.{q}" for q in "xyzw")
TWIST = ("linear.x", "linear.y", "angular.z")
UNKNOWN_VARIANCE = 1e3
"""Variance from which a value counts as not measured [m², rad², (rad/s)², (m/s²)²]: senders write
1e6 or 99999 where they know nothing. Common practice, no source."""


def _plain(*names: str) -> Callable[[Layout], dict[str, str]]:
    return lambda layout: {n: n for n in names if n in layout.numbers}


def _joints(layout: Layout) -> dict[str, str]:
    out = {}
    for label in layout.numbers:
        found = re.fullmatch(r"(position|velocity|effort)\[(\d+)\]", label)
        if found:
            joint = layout.strings.get(f"name[{found.group(2)}]", found.group(2))
            out[f"{found.group(1)}[{joint}]"] = label
    return out


def _array(layout: Layout) -> dict[str, str]:
    return {n: n for n in layout.numbers if re.fullmatch(r"data(\[\d+\])?", n)}


def _transforms(layout: Layout) -> dict[str, str]:
    """Every transform under the names of its frames, with its own stamp."""
    out = {}
    for label, child in layout.strings.items():
        found = re.fullmatch(r"((?:transforms\[\d+\]\.)?)child_frame_id", label)
        if not found:
            continue
        stem = found.group(1)
        parent = layout.strings.get(f"{stem}header.frame_id", "")
        pair = f"transform[{parent.strip('/')}>{child.strip('/')}]"
        for part in ("translation.x", "translation.y", *(f"rotation.{q}" for q in "xyzw")):
            out[f"{pair}.{part}"] = f"{stem}transform.{part}"
        out[f"{pair}.header.stamp.sec"] = f"{stem}header.stamp.sec"
        out[f"{pair}.header.stamp.nanosec"] = f"{stem}header.stamp.nanosec"
    return {k: v for k, v in out.items() if v in layout.numbers}


COVARIANCES = {
    "orientation_covariance": "orientation.",
    "angular_velocity_covariance": "angular_velocity.",
    "linear_acceleration_covariance": "linear_acceleration.",
    "pose.covariance": "pose.pose.",
}
"""Covariance matrix to the fields it speaks of."""
DIAGONAL = {3: (0, 4, 8), 6: (0, 7, 35)}

PICKS: dict[str, Callable[[Layout], dict[str, str]]] = {
    "sensor_msgs/msg/Imu": _plain(
        *(f"angular_velocity.{q}" for q in "xyz"),
        *(f"linear_acceleration.{q}" for q in "xyz"),
        *(f"orientation.{q}" for q in "xyzw"),
        *(f"{name}[{k}]" for name in list(COVARIANCES)[:3] for k in DIAGONAL[3]),
    ),
    "sensor_msgs/msg/JointState": _joints,
    "nav_msgs/msg/Odometry": _plain(
        *(f"pose.pose.{q}" for q in POSE),
        *(f"twist.twist.{q}" for q in TWIST),
        *(f"pose.covariance[{k}]" for k in DIAGONAL[6]),
    ),
    "geometry_msgs/msg/Twist": _plain(*TWIST),
    "geometry_msgs/msg/TwistStamped": _plain(*(f"twist.{q}" for q in TWIST)),
    "geometry_msgs/msg/PoseStamped": _plain(*(f"pose.{q}" for q in POSE)),
    "geometry_msgs/msg/PoseWithCovarianceStamped": _plain(
        *(f"pose.pose.{q}" for q in POSE), *(f"pose.covariance[{k}]" for k in DIAGONAL[6])
    ),
    "geometry_msgs/msg/TransformStamped": _transforms,
    "tf2_msgs/msg/TFMessage": _transforms,
    "tf/msg/tfMessage": _transforms,
    **{
        f"std_msgs/msg/{kind}{shape}": _array
        for kind in (
            "Float32", "Float64", "Int8", "Int16", "Int32", "Int64", "UInt8", "UInt16", "UInt32", "UInt64",
        )
        for shape in ("", "MultiArray")
    },
}  # fmt: skip
IGNORED = {
    "sensor_msgs/msg/MagneticField": "a magnetic field beside motors tells no heading",
    "sensor_msgs/msg/BatteryState": "map the volts from another topic",
}
STAMP = ("header.stamp.sec", "header.stamp.nanosec")


def read_bag(path: Path, findings: list[Finding], stamp: str | None = None) -> list[Columns]:
    """Read a bag.

    Parameters
    ----------
    path : Path
        ROS 1 bag, MCAP file, SQLite file, or the folder of a ROS 2 bag.
    findings : list of Finding
        Topics that are not used, the clock of each topic, and what was lost are noted here.
    stamp : str, optional
        "header" or "received": the clock that the robot file asks for.

    Returns
    -------
    list of Columns
        One a topic.

    Raises
    ------
    RecordingError
        Where the bag cannot be opened or holds no message of a known kind.
    """
    decoders: dict[tuple[str, str, bool], tuple[TopicDecoder, _Covariances]] = {}
    unused: dict[str, str] = {}
    losses = Losses()
    files, packed = _files(path, losses)
    for file in files:
        try:
            for block in _blocks(file, losses, packed):
                topic = block.topic
                if topic.kind not in PICKS or topic.name.rstrip("/").endswith("tf_static"):
                    unused[topic.name] = topic.kind
                    continue
                key = (topic.name, topic.kind, topic.ros1)
                if key not in decoders:
                    decoders[key] = _decoder(topic)
                decoders[key][0].feed(block.buffer, block.starts, block.sizes, block.times)
        except (OSError, ValueError) as error:
            if isinstance(error, RecordingError):
                raise
            losses.add(f"{file.name}: {str(error)[:80]}")
    out = []
    for (name, kind, _), (decoder, covariances) in decoders.items():
        if decoder.bad:
            losses.add(
                f"{decoder.bad} messages of {name} are no {kind} ({decoder.reason})", decoder.bad
            )
        values, received = decoder.columns()
        if received.size:
            findings += covariances.findings(name)
            gone = tuple(p for p, n in covariances.unknown.items() if n == covariances.total)
            values = {k: v for k, v in values.items() if not k.startswith(gone)} if gone else values
            out += _topic_columns(path.name, name, kind, values, received, stamp, findings)
    findings += losses.finding(path.name)
    for topic_name, kind in unused.items():
        why = IGNORED.get(kind, "")
        findings.append(
            Finding(
                severity="note",
                channel="",
                text=f"{topic_name} ({kind}) is not used" + (f": {why}" if why else ""),
            )
        )
    if not out:
        damage = "".join(f"; {f.text}" for f in losses.finding(path.name))
        raise RecordingError(
            f"{path}: no message of a known kind{damage}. Topics: "
            f"{', '.join(f'{n} ({k})' for n, k in unused.items()) or 'none'}; known are "
            f"{', '.join(sorted(k for k in PICKS if not k.startswith('std_msgs')))} and numbers of std_msgs"
        )
    return out


def _files(path: Path, losses: Losses) -> tuple[list[Path], bool]:
    """Files of a bag in order, and whether each message is compressed on its own."""
    folder = path if path.is_dir() else path.parent
    metadata = folder / "metadata.yaml"
    text = ""
    if metadata.is_file() and metadata.stat().st_size < 1 << 22:
        text = metadata.read_text(encoding="utf-8", errors="replace")
    packed = re.search(r"(?im)^\s*compression_mode:\s*['\"]?message", text) is not None
    if path.is_file():
        return [path], packed
    found = [f for f in path.iterdir() if f.is_file() and _suffix(f) in READERS]
    # bag_2 before bag_10.
    found.sort(key=lambda f: [int(p) if p.isdigit() else p for p in re.split(r"(\d+)", f.name)])
    block = re.search(r"relative_file_paths:\s*\n((?:\s*-\s*.+\n?)+)", text)
    named = [] if block is None else re.findall(r"-\s*['\"]?([^'\"\n]+?)['\"]?\s*$", block[1], re.M)
    for name in named:
        if not any(f.name in {Path(name).name, Path(name).name + ".zstd"} for f in found):
            losses.add(f"metadata.yaml names {Path(name).name}, which is missing")
    if not found:
        raise RecordingError(f"{path}: no .db3 or .mcap file in this bag; copy the whole folder")
    return found, packed


def _suffix(file: Path) -> str:
    name = file.name.lower()
    return Path(name.removesuffix(".zstd")).suffix


def _blocks(file: Path, losses: Losses, packed: bool) -> Iterator[Block]:
    suffix = _suffix(file)
    if file.stat().st_size == 0:
        raise RecordingError(f"{file}: the file is empty; record again or give another file")
    if file.name.lower().endswith(".zstd"):
        with tempfile.NamedTemporaryFile(suffix=suffix) as target:
            spool(file, target)
            yield from _read(Path(target.name), suffix, losses, packed)
        return
    yield from _read(file, suffix, losses, packed)


def _read(file: Path, suffix: str, losses: Losses, packed: bool) -> Iterator[Block]:
    for block in READERS[suffix](file, losses):
        yield unpacked(block, losses, file) if packed else block


def _decoder(topic: Topic) -> tuple[TopicDecoder, _Covariances]:
    from rosbags.typesys import Stores, get_typestore

    store = get_typestore(Stores.ROS1_NOETIC if topic.ros1 else Stores.ROS2_HUMBLE)
    definitions: dict[str, Any] = dict(store.fielddefs)
    transforms = get_typestore(Stores.ROS2_HUMBLE).fielddefs["tf2_msgs/msg/TFMessage"]
    for name in ("tf2_msgs/msg/TFMessage", "tf/msg/tfMessage"):
        definitions.setdefault(name, transforms)
    if topic.definition and len(topic.definition) < 1 << 20:
        definitions |= _definitions(topic)
    pick = PICKS[topic.kind]

    def picked(layout: Layout) -> dict[str, str]:
        out = pick(layout)
        if all(name in layout.numbers for name in STAMP):
            out |= {name: name for name in STAMP}
        return out

    def slow(raw: bytes) -> dict[str, float]:
        # Big-endian CDR: the library decodes, and its own little-endian copy is walked.
        message = store.deserialize_cdr(raw, topic.kind)
        again = bytes(store.serialize_cdr(message, topic.kind, little_endian=True))
        one = TopicDecoder(topic.kind, definitions, picked, ros1=False)
        one.feed(
            np.frombuffer(again, dtype=np.uint8),
            np.zeros(1, dtype=np.int64),
            np.array([len(again)]),
            np.zeros(1, dtype=np.int64),
        )
        return {k: v[0] for k, v in one.columns()[0].items()}

    covariances = _Covariances()
    decoder = TopicDecoder(
        topic.kind, definitions, picked, ros1=topic.ros1, slow=slow, screen=covariances
    )
    return decoder, covariances


def _definitions(topic: Topic) -> dict[str, Any]:
    """Definitions that the bag itself brings; the library's own where they cannot be read."""
    from rosbags.typesys import get_types_from_msg

    try:
        return dict(get_types_from_msg(topic.definition, topic.kind))
    except Exception:  # noqa: BLE001 - the library raises many kinds
        return {}


def _topic_columns(
    bag: str,
    topic: str,
    kind: str,
    values: dict[str, np.ndarray],
    received: np.ndarray,
    stamp: str | None,
    findings: list[Finding],
) -> list[Columns]:
    """Columns of a topic; every pair of frames of a transform is a source of its own."""
    groups: dict[str, dict[str, np.ndarray]] = {}
    for name, array in values.items():
        found = re.match(r"(transform\[.*?\])\.(.*)", name)
        prefix, rest = (found.group(1) + ".", found.group(2)) if found else ("", name)
        groups.setdefault(prefix, {})[rest] = array
    out = []
    for prefix, fields in groups.items():
        label = f"{topic}.{prefix}" if prefix else f"{topic}."
        shown = label.rstrip(".")
        sec, nanosec = fields.pop(STAMP[0], None), fields.pop(STAMP[1], None)
        clock, times, keep = f"{label}received", received, None
        if prefix:
            numbers = next(iter(fields.values()), None)
            if numbers is None:  # where the bag's own definition of the message is damaged
                text = f"{shown}: holds stamps but no numbers; left out"
                findings.append(Finding(severity="warning", channel="", text=text))
                continue
            keep = np.isfinite(numbers)
            times = received[keep]
            fields = {k: v[keep] for k, v in fields.items()}
        if sec is not None and nanosec is not None:
            header = sec.astype(np.int64) * 10**9 + nanosec.astype(np.int64)
            header = header if keep is None else header[keep]
            if _use_header(shown, header, times, stamp, findings):
                clock, times = f"{label}header.stamp", header
        named = {f"{label}{n}": a for n, a in fields.items()}
        named[clock] = times
        columns = Columns(
            name=f"{bag}:{shown}",
            names=list(named),
            get=named.__getitem__,
            units={clock: "ns"},
        )
        if kind == "sensor_msgs/msg/JointState":
            _joint_units(columns, times)
        out.append(columns)
    return out


def _use_header(
    topic: str, header: np.ndarray, received: np.ndarray, stamp: str | None, findings: list[Finding]
) -> bool:
    """Choose between the header's stamp and the time of receipt, and say which."""
    if stamp == "received":
        text = "time of receipt is the clock, as the robot file says"
        findings.append(Finding(severity="note", channel="t", text=f"{topic}: {text}"))
        return False
    step = np.diff(header)
    runs = header.size < 2 or (np.mean(step > 0) > 0.5 and np.mean(step < 0) < 0.2)
    thin = max(1, header.size // 20_000)
    late = (received[::thin] - header[::thin]) * 1e-9
    near = abs(float(np.median(late))) < 3600.0
    if stamp == "header" or (runs and near and np.all(header >= 0)):
        low, middle, high = (1e3 * float(q) for q in np.percentile(late, (5, 50, 95)))
        findings.append(
            Finding(
                severity="note",
                channel="t",
                text=f"{topic}: header stamps are the clock; messages were received {middle:.1f} ms later "
                f"in the median (5 to 95 %: {low:.1f} to {high:.1f} ms)",
            )
        )
        return True
    why = (
        "are never set"
        if not np.any(header)
        else "do not run forward"
        if not runs
        else f"lie {float(np.median(late)):.0f} s from the time of receipt"
    )
    findings.append(
        Finding(
            severity="warning",
            channel="t",
            text=f"{topic}: header stamps {why}; the time of receipt is the clock",
        )
    )
    return False


class _Covariances:
    """Takes out, block by block, what the sender itself says it does not know."""

    def __init__(self) -> None:
        self.total = 0
        self.unknown: dict[str, int] = {}

    def __call__(self, arrays: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
        diagonals: dict[str, list[np.ndarray]] = {}
        for name, array in arrays.items():
            matrix = name.partition("[")[0]
            if matrix in COVARIANCES:
                diagonals.setdefault(matrix, []).append(array)
        kept = {n: a for n, a in arrays.items() if n.partition("[")[0] not in COVARIANCES}
        self.total += next(iter(arrays.values())).size if arrays else 0
        for matrix, parts in diagonals.items():
            # sensor_msgs/Imu: element 0 is -1 where there is no such measurement.
            unknown = parts[0] == -1
            for part in parts:
                unknown |= ~(part < UNKNOWN_VARIANCE)
            count = int(np.count_nonzero(unknown))
            if not count:
                continue
            prefix = COVARIANCES[matrix]
            self.unknown[prefix] = self.unknown.get(prefix, 0) + count
            for name in kept:
                if name.startswith(prefix):
                    kept[name] = np.where(unknown, np.nan, kept[name])
        return kept

    def findings(self, topic: str) -> list[Finding]:
        return [
            Finding(
                severity="note" if count == self.total else "warning",
                channel="",
                text=f"{topic}: {count} of {self.total} messages say by their covariance that "
                f"{prefix.rstrip('.')} is not known; left out",
            )
            for prefix, count in self.unknown.items()
        ]


def _joint_units(columns: Columns, times: np.ndarray) -> None:
    """Radians of sensor_msgs/JointState, where position and speed bear each other out.

    The message is defined in rad and rad/s, but many write ticks or rpm into it. Where the position
    is no whole number and its slope is the speed, both are what the definition says.
    """
    t = (times - times[0]) * 1e-9 if times.size else np.empty(0)
    for name in columns.names:
        found = re.fullmatch(r"(.*)\.position\[(.*)\]", name)
        speed_name = f"{found.group(1)}.velocity[{found.group(2)}]" if found else ""
        if not found or speed_name not in columns.names:
            continue
        position, speed = columns.get(name), columns.get(speed_name)
        good = (np.abs(position) < 1e9) & (np.abs(speed) < 1e6)
        if good.sum() < 50 or np.all(position[good] == np.round(position[good])):
            continue
        x, v, when = position[good], speed[good], t[good]
        step = np.diff(x)
        move = np.diff(when)
        mean = (v[1:] + v[:-1]) / 2 * move
        use = (move > 0) & (np.abs(step) < 3.0)
        energy = float(mean[use] @ mean[use])
        if energy <= 0:
            continue
        ratio = float(step[use] @ mean[use]) / energy
        fit = float(step[use] @ mean[use]) / np.sqrt(
            energy * max(float(step[use] @ step[use]), 1e-30)
        )
        if abs(ratio - 1) < 0.05 and fit > 0.9:
            columns.units[name], columns.units[speed_name] = "rad", "rad/s"
