"""Files that should not exist: broken, lying, huge when unpacked, or out to run something."""

import gzip
import io
import json
import random
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
from pyarrow import parquet

SUFFIXES = (
    ".csv",
    ".parquet",
    ".mcap",
    ".bag",
    ".db3",
    ".jsonl",
    ".xlsx",
    ".feather",
    ".txt",
    ".json",
)
NAMES = (
    "<script>alert(1)</script>",
    "../../../tmp/x",
    "a\nb",
    "=cmd()",
    "x" * 400,
    "CON",
    "run; rm -rf x",
    "%00",
    "é\u202e",
)
HEAD = "time_s,fl_ticks,fr_ticks,rl_ticks,rr_ticks\n"


def _parquet(table: pa.Table, **options) -> bytes:
    out = io.BytesIO()
    parquet.write_table(table, out, **options)
    return out.getvalue()


def _sound_parquet() -> bytes:
    n = 500
    return _parquet(pa.table({"time_s": [k / 50 for k in range(n)], "fl_ticks": list(range(n))}))


def _bomb() -> bytes:
    """Some kilobytes that unpack to 2.4 GB."""
    column = pa.DictionaryArray.from_arrays(
        pa.array([0] * 100_000, pa.int32()), pa.array(["9" * 24_000])
    )
    return _parquet(pa.table({"time_s": column, "fl_ticks": column}), compression="zstd")


def _sheet(rows: int) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("xl/worksheets/sheet1.xml", "<row><c>1</c></row>" * rows)
    return out.getvalue()


def _database(text: str) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.db3"
        with sqlite3.connect(path) as base:
            base.execute(
                "create table topics(id int, name text, type text, serialization_format text)"
            )
            base.execute("insert into topics values(1, ?, 'sensor_msgs/msg/Imu', 'cdr')", (text,))
            base.execute("create table messages(id int, topic_id int, timestamp int, data blob)")
            base.execute("insert into messages values(1, 1, 5, ?)", (b"\xff" * 9,))
        base.close()
        return path.read_bytes()


def hostile_files(count: int) -> Iterator[tuple[str, bytes]]:
    """Give names and contents, the same ones every time."""
    rng = random.Random(20261125)
    sound = _sound_parquet()
    for number in range(count):
        suffix = SUFFIXES[number % len(SUFFIXES)]
        noise = rng.randbytes(rng.randrange(0, 4000))
        rows = "".join(f"{k / 50},{k},{k},{k},{k}\n" for k in range(200))
        kinds = (
            lambda: noise,
            lambda: b"",
            lambda: sound[: rng.randrange(4, len(sound))],
            lambda: sound[:40] + noise + sound[60:],
            lambda: (
                HEAD
                + rows.replace(
                    "7", rng.choice(["nan", "1e400", "''", "\0", "=1+1", "<b>", "-" * 5000])
                )
            ).encode(),
            lambda: (HEAD + "1,2\n" * 50 + "1,2,3,4,5,6,7,8\n" * 50).encode(),
            lambda: (
                ",".join(f"c{k}" for k in range(20_000))
                + "\n"
                + ",".join("1" for _ in range(20_000))
            ).encode(),
            lambda: (HEAD + ("9" * 4000 + ",") * 5 + "\n").encode(),
            lambda: (HEAD * 300).encode(),
            lambda: ("[" * 50_000).encode(),
            lambda: (json.dumps({"time_s": 1, "fl_ticks": {"$ref": "#"}}) + "\n").encode() * 40,
            lambda: ('{"time_s": 1e999, "a": ' * 2000).encode(),
            lambda: _sheet(1000),
            lambda: gzip.compress(b"0" * 5_000_000),
            lambda: _database("<img src=x onerror=alert(1)>"),
            lambda: b"\x89MCAP0\r\n" + noise,
            lambda: b"#ROSBAG V2.0\n" + noise,
            lambda: b"ARROW1\x00\x00" + noise,
            lambda: "\ufeff".encode() + HEAD.encode("utf-16") + noise,
            lambda: _bomb() if number < 40 else noise[::-1],
        )
        yield (
            f"{NAMES[number % len(NAMES)]}{suffix}",
            kinds[(number * 7 + number // 20) % len(kinds)](),
        )
