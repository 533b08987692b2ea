"""Reading an MCAP of Imu messages, side by side with the general library and with unpacking alone.

Run: ``python -m tests.benchmarks.bags [MESSAGES]`` (2 million without a number; needs 1 GB of room in
the folder for temporary files). Prints message rates and their ratios, all of one run:

- the library's own loop, `rosbags` reading and decoding message by message, over the first part of
  the same file;
- unpacking the chunks of the file, nothing else;
- the project's reader, from the file to columns.
"""

from __future__ import annotations

import struct
import sys
import tempfile
import time
from itertools import islice
from pathlib import Path

import numpy as np
from rosbags.highlevel import AnyReader
from rosbags.rosbag2.storage_mcap import zstd

from analyzer.readers.bags import read_bag
from tests.bags import write

LIBRARY_PART = 100_000


def raw_messages(count: int, seed: int = 1):
    """Serialised Imu messages with noise in every number that a sensor gives."""
    rng = np.random.default_rng(seed)
    kind = "sensor_msgs/msg/Imu"
    template = bytes(write.ROS2.serialize_cdr(write.imu(write.ROS2, write.START, 1), kind))
    first = template.find(struct.pack("<d", 0.1))  # angular_velocity.x of message 1
    pose = template.find(struct.pack("<d", 0.01)) - 32  # orientation before its covariance
    acceleration = first + 12 * 8
    for begin in range(0, count, 20_000):
        n = min(20_000, count - begin)
        rows = np.tile(np.frombuffer(template, dtype=np.uint8), (n, 1))
        at = write.START + (begin + np.arange(n)) * 2_500_000
        rows[:, 4:8] = (at // 10**9).astype("<u4")[:, None].view(np.uint8)
        rows[:, 8:12] = (at % 10**9).astype("<u4")[:, None].view(np.uint8)
        for place, width in ((pose, 4), (first, 3), (acceleration, 3)):
            # Sensors have 16 bits; full random doubles would not pack at all.
            noise = rng.integers(-32768, 32768, (n, width)) / 1024.0
            rows[:, place : place + 8 * width] = noise.astype("<f8").view(np.uint8)
        for k in range(n):
            yield int(at[k]), rows[k].tobytes()


def make(path: Path, count: int) -> None:
    rows = (("/imu/data", "sensor_msgs/msg/Imu", raw, at) for at, raw in raw_messages(count))
    write.write_ros2(path, rows, storage="mcap", compression="storage")


def unpack_only(file: Path) -> float:
    """Seconds to unpack every chunk, packed bytes being in memory already."""
    data = file.read_bytes()
    chunks = []
    at = 8
    while at + 9 <= len(data):
        op, length = struct.unpack_from("<BQ", data, at)
        if op == 6:
            size = struct.unpack_from("<I", data, at + 9 + 28)[0]
            begin = at + 9 + 32 + size
            packed = struct.unpack_from("<Q", data, begin)[0]
            chunks.append(data[begin + 8 : begin + 8 + packed])
        if op == 0x0F:
            break
        at += 9 + length
    start = time.perf_counter()
    total = sum(len(zstd.decompress(c)) for c in chunks)
    spent = time.perf_counter() - start
    print(f"{len(chunks)} chunks, {len(data) / 1e6:.0f} MB packed, {total / 1e6:.0f} MB unpacked")
    return spent


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2_000_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "imu"
        make(path, count)
        (file,) = path.glob("*.mcap")
        part = min(count, LIBRARY_PART)
        ours, unpacking, library = [], [], []
        for _ in range(3):
            start = time.perf_counter()
            (columns,) = read_bag(file, [])
            ours.append(time.perf_counter() - start)
            unpacking.append(unpack_only(file))
            start = time.perf_counter()
            with AnyReader([path], default_typestore=write.ROS2) as reader:
                total = 0.0
                for connection, _, raw in islice(reader.messages(), part):
                    total += reader.deserialize(raw, connection.msgtype).angular_velocity.z
            library.append((time.perf_counter() - start) / part)
        wanted = columns.get("/imu/data.angular_velocity.z")
        assert wanted.size == count
        assert abs(float(wanted[:part].sum()) - total) < 1e-6 * part, "not the library's numbers"
        best, bare, loop = min(ours), min(unpacking), min(library)
        print(f"library's own loop: {1 / loop:,.0f} messages/s (over {part})")
        print(f"this reader:        {count / best:,.0f} messages/s ({best:.2f} s for {count})")
        print(f"unpacking alone:    {count / bare:,.0f} messages/s ({bare:.2f} s)")
        print(f"ratio to the library's loop: {loop * count / best:.1f} (bar: at least 10)")
        print(f"ratio to unpacking alone:    {best / bare:.2f} (bar: at most 3)")


if __name__ == "__main__":
    main()
