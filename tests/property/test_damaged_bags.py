"""120 damaged bags: a finding or one clear error, and never a wrong number in what is intact."""

import random
import struct
import zlib

import numpy as np
import pytest

from analyzer.quantities import RecordingError
from analyzer.readers.bags import read_bag
from tests.bags import write

COUNT = 24


def with_checksums(data, raw_of):
    """Put the checksum into every chunk, as recorders do and the library's writer does not."""
    out, at = bytearray(data), 8
    while at + 9 <= len(out):
        op, length = struct.unpack_from("<BQ", out, at)
        if op == 6:
            name = struct.unpack_from("<I", out, at + 9 + 28)[0]
            begin = at + 9 + 32 + name
            packed = struct.unpack_from("<Q", out, begin)[0]
            raw = raw_of(bytes(out[begin + 8 : begin + 8 + packed]))
            struct.pack_into("<I", out, at + 9 + 24, zlib.crc32(raw))
        at += 9 + length
    return bytes(out)


def bag_bytes(kind, folder):
    from rosbags.rosbag2.storage_mcap import zstd

    store = write.ROS1 if kind.startswith("ros1") else write.ROS2
    rows = write.messages(store, 400)
    path = folder / ("one.bag" if kind.startswith("ros1") else "one")
    if kind.startswith("ros1"):
        write.write_ros1(path, rows, "bz2" if "bz2" in kind else None)
        return path.read_bytes(), ".bag"
    if kind == "sqlite":
        write.write_ros2(path, rows, storage="sqlite3")
        return next(path.glob("*.db3")).read_bytes(), ".db3"
    packed = "zstd" in kind
    write.write_ros2(path, rows, compression="storage" if packed else None)
    data = next(path.glob("*.mcap")).read_bytes()
    return with_checksums(data, zstd.decompress if packed else bytes), ".mcap"


@pytest.fixture(scope="module")
def bags(tmp_path_factory):
    out = {}
    for kind in ("mcap", "mcap zstd", "ros1", "ros1 bz2", "sqlite"):
        folder = tmp_path_factory.mktemp(kind.replace(" ", "_"))
        data, ending = bag_bytes(kind, folder)
        file = folder / f"whole{ending}"
        file.write_bytes(data)
        out[kind] = (data, ending, columns_of(file, []))
    return out


def columns_of(file, findings):
    return {
        c.name.split(":", 1)[1]: {n: c.get(n) for n in c.names} for c in read_bag(file, findings)
    }


def wrong_rows(got, whole):
    """Rows of a topic that are in neither recording alike; by the topic's clock."""
    clock = next((n for n in got if n.endswith(("header.stamp", ".received"))), "")
    if clock not in whole:
        return 0
    place = {int(t): k for k, t in enumerate(whole[clock])}
    rows = np.array([place.get(int(t), -1) for t in got[clock]])
    bad = rows < 0
    for name in set(got) & set(whole):
        bad |= ~(
            (got[name] == whole[name][rows]) | (np.isnan(got[name]) & np.isnan(whole[name][rows]))
        )
    return int(bad.sum())


def hurt(data, rng):
    """Flip up to three bytes near one another, or cut, or both."""
    out = bytearray(data)
    at = rng.randrange(20, len(out))
    how = rng.randrange(3)
    if how != 1:
        for k in range(rng.choice((1, 2, 3))):
            if at + k < len(out):
                out[at + k] ^= rng.randrange(1, 256)
    if how != 0:
        del out[rng.randrange(len(out) // 10, len(out)) :]
    return bytes(out)


@pytest.mark.parametrize("number", range(COUNT))
@pytest.mark.parametrize("kind", ["mcap", "mcap zstd", "ros1", "ros1 bz2", "sqlite"])
def test_damaged_bag(kind, number, bags, tmp_path):
    data, ending, whole = bags[kind]
    rng = random.Random(f"{kind} {number}")
    file = tmp_path / f"log{ending}"
    file.write_bytes(hurt(data, rng))
    findings = []
    try:
        got = columns_of(file, findings)
    except RecordingError as error:
        assert "log" in str(error)
        return
    wrong = {t: wrong_rows(v, whole[t]) for t, v in got.items() if t in whole}
    hit = {t: n for t, n in wrong.items() if n}
    # Damage of three bytes reaches two messages at most; all others must be as they were. Where the
    # container has checksums, not one number may be wrong.
    if kind in {"mcap", "mcap zstd", "ros1 bz2"}:
        assert not hit
    assert len(hit) <= 2, hit
    assert all(n <= 2 for n in hit.values()), hit
    lost = sum(len(next(iter(v.values()))) for v in whole.values()) - sum(
        len(next(iter(got[t].values()))) for t in whole if t in got
    )
    if lost > 0:
        assert any("damaged" in f.text or "is not used" in f.text for f in findings), lost
