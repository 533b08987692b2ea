"""What is fuzzed: seeds, random damage, and one run that must end well.

A run ends well where it gives a result or raises a `CrabwiseError`. Anything else is a failure: any
other exception, a warning, a hang, more memory than the limit, a file written outside the run's own
folder, a process started.
"""

from __future__ import annotations

import io
import json
import random
import signal
import sys
import tempfile
import warnings
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np

from analyzer import shelf
from analyzer.pipeline import inspect
from analyzer.quantities import CrabwiseError
from analyzer.readers import parts
from tests.bags import write

SAMPLES = Path(__file__).parents[2] / "sample_logs"
LARGE_AND_PART = parts.LARGE, parts.PART
SECONDS = 60
"""Longest run, in processor time, which a pause of the machine does not count; sixty times that by
the clock, for a run that waits [s]: no file of these sizes takes two, on a busy machine ten."""


class Hang(BaseException):
    """A run that took too long; no `except Exception` may swallow it."""


class Escape(BaseException):
    """A run that touched what it must not."""


# ---- seeds


@cache
def _sample() -> list[str]:
    return (SAMPLES / "book_cart_after" / "drive.csv").read_text().splitlines()


def _lines(count: int) -> bytes:
    return "\n".join([*_sample()[: count + 1], ""]).encode()


@cache
def text_seeds() -> tuple[tuple[str, bytes], ...]:
    from tests.unit.test_headers import CASES, fill

    out = [("csv", _lines(400)), ("csv", _lines(1500)), ("tsv", _lines(300).replace(b",", b"\t"))]
    for case in CASES.values():
        rows = "\n".join([case.header, *fill(case.row, n=60, step=case.step), ""])
        out.append((case.ending, rows.encode()))
    head = _sample()[0].split(",")
    rows = [dict(zip(head, map(float, x.split(",")), strict=True)) for x in _sample()[1:300]]
    out.append(("jsonl", "\n".join(map(json.dumps, rows)).encode()))
    from pyarrow import Table, feather, parquet

    table = Table.from_pylist(rows)
    for ending, writer in (("parquet", parquet.write_table), ("feather", feather.write_feather)):
        sink = io.BytesIO()
        writer(table, sink)
        out.append((ending, sink.getvalue()))
    out.append(("csv", b"pass,ahead_m,left_m,turn_deg,time_s\n1,1.5,0.01,2.5,4\n2,-1.5,0,1,4.5\n"))
    tags = "".join(f"ENC,{20 * k},{k},{k},{k},{k}\nIMU,{20 * k},{k % 7}.5\n" for k in range(200))
    out.append(("txt", ("ENC,time_ms,fl_ticks,fr_ticks,rl_ticks,rr_ticks\n" + tags).encode()))
    return tuple(out)


@cache
def bag_seeds() -> tuple[tuple[str, bytes], ...]:
    out = []
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        for compression in (None, "bz2", "lz4"):
            path = base / f"{compression}.bag"
            write.write_ros1(path, write.messages(write.ROS1, 60), compression)
            out.append(("bag", path.read_bytes()))
        for compression in (None, "storage"):
            path = base / f"mcap_{compression}"
            write.write_ros2(path, write.messages(write.ROS2, 60), compression=compression)
            out.append(("mcap", next(path.glob("*.mcap")).read_bytes()))
        path = base / "sqlite"
        write.write_ros2(path, write.messages(write.ROS2, 60), storage="sqlite3")
        out.append(("db3", next(path.glob("*.db3")).read_bytes()))
        path = base / "packed"
        write.write_ros2(path, write.messages(write.ROS2, 40), compression="file")
        out.append(("mcap.zstd", next(path.glob("*.zstd")).read_bytes()))
    return tuple(out)


@cache
def robot_seeds() -> tuple[tuple[str, bytes], ...]:
    text = (SAMPLES / "book_cart.toml").read_text()
    more = (
        '\n[[tracking_wheel]]\nname = "TL"\nx_m = 0.1\ny_m = 0.1\nheading_deg = 0\nradius_m = 0.03\n'
        'counts_per_turn = 100\n[[tracking_wheel]]\nname = "TS"\nx_m = -0.1\ny_m = 0\nheading_deg = 90\n'
        'radius_m = 0.03\ncounts_per_turn = 100\n[log]\nrate_hz = 50\nstamp = "header"\n[channels]\n'
        '"fl_ticks" = "count_TL"\n"gyro_z_dps" = { channel = "omega_z", unit = "0.5 deg/s", sign = -1 }\n'
    )
    return (("toml", text.encode()), ("toml", (text + more).encode()))


@cache
def result_seeds() -> tuple[tuple[str, bytes], ...]:
    from analyzer.pipeline import analyze

    robot = SAMPLES / "book_cart.toml"
    found = analyze([SAMPLES / "book_cart_after"], robot)
    with tempfile.TemporaryDirectory() as folder:
        shelf.add_result(folder, found.result)
        entry = next((Path(folder) / "results").glob("*.json"))
        return (("json", entry.read_bytes()),)


# ---- damage

WORDS = [
    b"", b"nan", b"inf", b"-inf", b"1e400", b"-1e308", b"0", b"-0.0", b"1e-320", b"9223372036854775808",
    b"0x10", b"1,5", b"\xff\xfe", b"\x00", b"null", b"true", b'"', b"'", b"\r", b"\n\n", b",,,,", b";",
    b"[", b"{", b"}", b"]", b"=", b"#", b"\t", b" ", b"A" * 5000, b"1" * 400, b"%s%n", b"../../etc/passwd",
    "ü°²".encode(), b"\xe2\x80\xae", b"2026-02-30T25:61:61Z", b"9999-12-31T23:59:59Z", b"__import__('os')",
    b"[[[[[[[[[[" * 50, b'{"a":' * 300,
]  # fmt: skip
NUMBERS = [
    0,
    1,
    0x7F,
    0x80,
    0xFF,
    0x7FFF,
    0xFFFF,
    0x7FFFFFFF,
    0xFFFFFFFF,
    1 << 40,
    (1 << 63) - 1,
    (1 << 64) - 1,
]


def damage(data: bytes, other: bytes, rng: random.Random) -> bytes:
    """One to eight random changes."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        n = len(out)
        at = rng.randrange(n + 1)
        end = min(n, at + rng.choice((1, 1, 2, 4, 8, 30, 300, 3000)))
        how = rng.randrange(12)
        if how == 0 and n:
            out[rng.randrange(n)] ^= 1 << rng.randrange(8)
        elif how == 1:
            out[at:end] = rng.randbytes(end - at)
        elif how == 2:
            del out[at:end]
        elif how == 3:
            out[at:at] = out[at:end] * rng.choice((1, 2, 20))
        elif how == 4:
            out[at:at] = rng.choice(WORDS)
        elif how == 5:
            size = rng.choice((1, 2, 4, 8))
            value = rng.choice(NUMBERS) % (1 << (8 * size))
            out[at : at + size] = value.to_bytes(size, rng.choice(("little", "big")))
        elif how == 6:
            del out[at:]
        elif how == 7:
            a = rng.randrange(len(other) + 1)
            out[at:end] = other[a : a + rng.choice((10, 200, 4000))]
        elif how == 8:
            lines = bytes(out).split(b"\n")
            k = rng.randrange(len(lines))
            lines[k] = rng.choice(
                (b"", lines[rng.randrange(len(lines))], lines[k] * 2, lines[k][::-1])
            )
            out = bytearray(b"\n".join(lines))
        elif how == 9:
            mark = rng.choice((b",", b";", b" ", b"=", b"\n", b'"', b"."))
            cells = bytes(out).split(mark)
            cells[rng.randrange(len(cells))] = rng.choice(WORDS)
            out = bytearray(mark.join(cells))
        elif how == 10:
            out = bytearray(bytes(out).replace(*rng.choice(SWAPS)))
        else:
            out[at:end] = bytes(rng.choice((0, 255, 48, 44))) * (end - at)
        if len(out) > 4_000_000:
            del out[4_000_000:]
    return bytes(out)


SWAPS = [
    (b",", b";"), (b",", b"\t"), (b".", b","), (b"\n", b"\r\n"), (b"\n", b"\r"), (b"0", b""), (b"=", b":"),
    (b"time", b"t"), (b"_m", b"_mm"), (b"1", b"-1"), (b"true", b"1"), (b"\n", b""), (b'"', b""),
]  # fmt: skip


# ---- runs


def _tolerated(work: Callable[[], object]) -> bool:
    try:
        work()
    except CrabwiseError as error:
        assert str(error).strip(), "an error without words"
        return False
    return True


def run_log(ending: str, data: bytes, folder: Path) -> bool:
    log = folder / f"log.{ending}"
    log.write_bytes(data)
    return _tolerated(lambda: inspect([log], SAMPLES / "book_cart.toml"))


def run_text(ending: str, data: bytes, folder: Path) -> bool:
    """Every second one in parts, as only long texts are read otherwise."""
    parts.LARGE, parts.PART = (2000, 4096) if len(data) % 2 else LARGE_AND_PART
    return run_log(ending, data, folder)


def run_robot(ending: str, data: bytes, folder: Path) -> bool:
    robot, log = folder / "robot.toml", folder / "drive.csv"
    robot.write_bytes(data)
    log.write_bytes(_lines(600))
    return _tolerated(lambda: inspect([log], robot))


def run_result(ending: str, data: bytes, folder: Path) -> bool:
    results = folder / "shelf" / "results"
    results.mkdir(parents=True)
    (results / "one.json").write_bytes(data)
    good = _tolerated(lambda: shelf.measures(shelf.load_entry(folder / "shelf", "one")["result"]))
    _tolerated(lambda: shelf.refresh(folder / "shelf"))
    _tolerated(lambda: shelf.list_results(folder / "shelf"))
    for name in ("sideways_ratio", "drift_left"):
        _tolerated(lambda n=name: shelf.trend(folder / "shelf", n))
    return good


TARGETS = {
    "text": (text_seeds, run_text),
    "bag": (bag_seeds, run_log),
    "robot": (robot_seeds, run_robot),
    "result": (result_seeds, run_result),
}
_guarded: list[Path] = []


def _watch(event: str, args: tuple) -> None:
    """Audit hook (PEP 578): while a run is guarded, it may write in its folder only."""
    if not _guarded:
        return
    if event in {
        "subprocess.Popen",
        "os.system",
        "os.exec",
        "os.posix_spawn",
        "socket.connect",
        "pickle.find_class",
    }:
        raise Escape(f"{event} {args[:1]}")
    names = []
    if event == "open" and isinstance(args[0], (str, bytes)) and isinstance(args[1], str):
        names = [args[0]] if set(args[1]) & set("wax+") else []
    elif event in {
        "os.remove",
        "os.rename",
        "os.mkdir",
        "os.rmdir",
        "os.truncate",
        "os.symlink",
        "os.link",
    }:
        names = [a for a in args[:2] if isinstance(a, (str, bytes))]
    for name in names:
        text = name.decode(errors="replace") if isinstance(name, bytes) else name
        path = Path(text).resolve()
        if not any(path.is_relative_to(f) for f in (*_guarded, Path("/dev"), Path("/proc"))):
            raise Escape(f"{event} {path}")


def _too_long(_signal: int, _frame: object) -> None:
    raise Hang(f"more than {SECONDS} s")


@cache
def _install() -> None:
    sys.addaudithook(_watch)


def one(kind: str, ending: str, data: bytes) -> bool:
    """One guarded run; True where the input was accepted, False where it was refused in words."""
    _install()
    _, work = TARGETS[kind]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name).resolve()
        before = tempfile.tempdir
        tempfile.tempdir = str(folder)
        signal.signal(signal.SIGPROF, _too_long)
        signal.signal(signal.SIGALRM, _too_long)
        signal.setitimer(signal.ITIMER_PROF, SECONDS)
        signal.alarm(60 * SECONDS)
        _guarded.append(folder)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                with np.errstate(all="warn", under="ignore"):
                    return work(ending, data, folder)
        finally:
            _guarded.pop()
            signal.setitimer(signal.ITIMER_PROF, 0)
            signal.alarm(0)
            tempfile.tempdir = before
