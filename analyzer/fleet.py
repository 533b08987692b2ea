"""A fleet's archive: one Dask task a recording, one row a recording, in a Parquet dataset.

Workers write the rows themselves, each to a file of its own whose name says which recording, in
which state and by which robot file was analysed. So nothing is lost when a worker, the scheduler or
this process dies, nothing is repeated when the run goes on, and writing twice changes nothing.
"""

from __future__ import annotations

import contextlib
import csv
import ctypes
import datetime as dt
import fnmatch
import functools
import hashlib
import io
import json
import os
import re
import socket
import tempfile
import time
import uuid
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import quote

import fsspec
import numpy as np
import pyarrow as pa
from pyarrow import parquet

from analyzer import __version__
from analyzer.quantities import CrabwiseError
from analyzer.readers import BAG_SUFFIXES, SKIPPED_STEMS
from analyzer.readers.tables import TABLE_SUFFIXES, TEXT_SUFFIXES
from analyzer.robot import parse_robot

SCHEMA = "crabwise-fleet/1"
ROWS = "rows"
LOG_SUFFIXES = TABLE_SUFFIXES | TEXT_SUFFIXES | BAG_SUFFIXES

MEASURES: dict[str, tuple[str, ...]] = {
    "yaw_drift_left_deg_per_m": ("yaw_drift_deg_per_m", "left", "total"),
    "yaw_drift_right_deg_per_m": ("yaw_drift_deg_per_m", "right", "total"),
    "closure_left_mm_per_m": ("closure_mm_per_m", "left"),
    "closure_right_mm_per_m": ("closure_mm_per_m", "right"),
    "creep_left_mm_per_m": ("creep_mm_per_m", "left"),
    "creep_right_mm_per_m": ("creep_mm_per_m", "right"),
    "sideways_ratio": ("chassis", "sideways_ratio"),
    "yaw_lever_m": ("chassis", "yaw_lever_m"),
    "centre_of_mass_x_m": ("chassis", "centre_of_mass_m", "x"),
    "centre_of_mass_y_m": ("chassis", "centre_of_mass_m", "y"),
    "yaw_inertia_kgm2": ("chassis", "yaw_inertia_kgm2"),
    "effective_radius_m": ("chassis", "effective_radius_m"),
    "gyro_bias_rad_s": ("imu", "gyro_bias_rad_s"),
}
"""Column of a row, and where the estimate stands in the result file."""

SERVICE = ("roller_drag", "axle_drag", "weak_motor", "radius_mismatch")
"""Causes that mean work on the wheel they name."""

_ESTIMATES = [
    column
    for name in (*MEASURES, "yaw_drift_odd_deg_per_m")
    for column in (name, f"{name}_std_error")
]
ROW_SCHEMA = pa.schema(
    [
        ("key", pa.string()),
        ("recording", pa.string()),
        ("status", pa.string()),
        ("message", pa.string()),
        ("recorded_at", pa.timestamp("us", tz="UTC")),
        ("date_from", pa.string()),
        ("robot_file", pa.string()),
        ("fingerprint", pa.string()),
        ("duration_s", pa.float64()),
        ("driven_m", pa.float64()),
        ("passes", pa.int32()),
        ("warnings", pa.int32()),
        *((name, pa.float64()) for name in _ESTIMATES),
        ("cause", pa.string()),
        ("cause_wheel", pa.string()),
        ("cause_probability", pa.float64()),
        (
            "causes",
            pa.list_(
                pa.struct(
                    [
                        ("cause", pa.string()),
                        ("wheel", pa.string()),
                        ("probability", pa.float64()),
                    ]
                )
            ),
        ),
        (
            "wheels",
            pa.list_(
                pa.struct(
                    [
                        ("wheel", pa.string()),
                        ("relative_radius", pa.float64()),
                        ("relative_radius_std_error", pa.float64()),
                        ("service_cause", pa.string()),
                        ("service_probability", pa.float64()),
                    ]
                )
            ),
        ),
        ("remedies", pa.list_(pa.string())),
        ("result", pa.string()),
    ],
    metadata={"schema": SCHEMA},
)
"""One row a recording; `robot` and `date` are the partitions and come from the path.
Estimates in the unit that the column's name ends in, null where undetermined; `status` is "ok" or
"failed", with the reason in `message`; `result` is the whole result file as JSON."""

PARTITIONS = pa.schema([("robot", pa.string()), ("date", pa.date32())])
SHORT_SCHEMA = pa.schema([*(f for f in ROW_SCHEMA if f.name != "result"), *PARTITIONS])
"""A row as it is read and as it comes home: without its large column, with its partitions."""

ORDER = ("robot", "recorded_at", "recording")
"""Columns that rows are sorted by."""

Tell = Callable[["FleetProgress"], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetProgress:
    """How far a run is.

    Attributes
    ----------
    total, before, done, failed : int
        Recordings of the archive; with a row before this run; rows written by it; of those failed.
    seconds_left : float or None
        Expected; None before the first row.
    workers : int
        Workers at hand.
    """

    total: int
    before: int
    done: int
    failed: int
    seconds_left: float | None
    workers: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetTask:
    """One recording to analyse: all that a worker needs to know, as plain data.

    Attributes
    ----------
    source : str
        Address of the archive.
    recording : str
        Path of the recording below it.
    files : tuple of str
        Its files, as the file system names them.
    is_bag : bool
        Whether the folder itself is the recording.
    key : str
        Name of the row: hash of `recording`.
    fingerprint : str
        Hash of what the row depends on: files, robot file, schema, version.
    robot, robot_file, robot_text : str
        Name of the robot, path and content of its file.
    modified : float
        Latest change of the files, Unix time. [s]
    out : str
        Address of the fleet's folder.
    version : str
        Of the command; a worker of another version would write rows under a wrong fingerprint.
    """

    source: str
    recording: str
    files: tuple[str, ...]
    is_bag: bool
    key: str
    fingerprint: str
    robot: str
    robot_file: str
    robot_text: str
    modified: float
    out: str
    version: str = __version__


@dataclass(frozen=True, slots=True)
class RowHome:
    """A row on its way home, column to value, without `result`.

    A class of its own because Dask takes a dict apart: 47 messages a row.
    """

    row: dict[str, Any]


@dataclass(slots=True)
class _Rule:
    glob: str
    robot_file: str
    robot_text: str
    name: str


def _hash(*parts: str) -> str:
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:16]


def _open(address: str, what: str) -> tuple[Any, str]:
    """File system and path of an fsspec address."""
    try:
        fs, path = fsspec.core.url_to_fs(address)
    except (ValueError, ImportError) as error:
        msg = (
            f"{address}: {what} cannot be opened: {error}. Give a folder or an fsspec address such "
            "as s3://bucket/folder (object storage: pip install 'crabwise[object-storage]')"
        )
        raise CrabwiseError(msg) from None
    return fs, path.rstrip("/") or "/"


def open_fleet(out: str) -> tuple[Any, str]:
    """Open a fleet's folder.

    Parameters
    ----------
    out : str
        Folder or fsspec address.

    Returns
    -------
    fs : fsspec.AbstractFileSystem
        Its file system, which sees what was written meanwhile.
    root : str
        Its path in it.

    Raises
    ------
    CrabwiseError
        Where there is no such kind of address.
    """
    fs, root = _open(out, "the fleet's folder")
    fs.invalidate_cache()
    return fs, root


def _is_local(fs: Any) -> bool:
    return "file" in ([fs.protocol] if isinstance(fs.protocol, str) else fs.protocol)


def read_robots(
    robot: str | Path | None, table: str | Path | None, faults: list[str]
) -> list[_Rule]:
    """Read which robot file belongs to which recordings.

    Parameters
    ----------
    robot : str, Path or None
        Robot file of every recording that no row of the table names.
    table : str, Path or None
        CSV with columns `glob`, `robot_file` and, if wanted, `name`. The glob is held against the
        recording's path below the archive; the first row that fits counts. Paths of robot files
        count from the table's folder. A name of `{folder}` stands for the first folder of the
        recording's path; without a name the robot file's own counts.
    faults : list of str
        Faults of the table and the robot files are added here.

    Returns
    -------
    list of rules
        In order.
    """
    rows: list[tuple[str, Path, str]] = []
    if table is not None:
        try:
            text = Path(table).read_text(encoding="utf-8-sig")
            reader = csv.DictReader(io.StringIO(text), skipinitialspace=True)
            told, names = list(reader), list(reader.fieldnames or [])
        except (OSError, UnicodeDecodeError, csv.Error) as error:
            faults.append(f"{table}: cannot read the table of robots: {error}")
            told, names = [], ["glob", "robot_file"]
        missing = [c for c in ("glob", "robot_file") if c not in names]
        if missing:
            faults.append(
                f"{table}: columns missing: {', '.join(missing)}; found "
                f"{', '.join(names or ['nothing'])}. Write glob,robot_file,name"
            )
        else:
            for number, row in enumerate(told, start=2):
                if not row["glob"] or not row["robot_file"]:
                    faults.append(f"{table}: row {number}: glob or robot_file is empty; fill it in")
                    continue
                place = Path(table).parent / row["robot_file"]
                rows.append((row["glob"].strip(), place, (row.get("name") or "").strip()))
    if robot is not None:
        rows.append(("*", Path(robot), ""))
    rules = []
    texts: dict[Path, tuple[str, str]] = {}
    for glob, path, name in rows:
        if path not in texts:
            try:
                content = path.read_text(encoding="utf-8-sig")
                texts[path] = content, parse_robot(content, str(path)).name
            except (OSError, UnicodeDecodeError) as error:
                faults.append(f"{path}: cannot read the robot file: {error}")
                texts[path] = "", ""
            except CrabwiseError as error:
                faults.append(str(error))
                texts[path] = "", ""
        content, own = texts[path]
        rules.append(_Rule(glob=glob, robot_file=str(path), robot_text=content, name=name or own))
    return rules


def find_tasks(
    source: str, out: str, rules: Sequence[_Rule], *, folders: bool, faults: list[str]
) -> list[FleetTask]:
    """List the recordings of an archive.

    Parameters
    ----------
    source : str
        Folder or fsspec address.
    out : str
        Address of the fleet's folder; left out where it lies inside the archive.
    rules : sequence of rules
        From `read_robots`.
    folders : bool
        True where the files of one folder are one sitting; else each file is a recording. A folder
        of a ROS 2 bag is one recording either way.
    faults : list of str
        Recordings that no rule names are added here.

    Returns
    -------
    list of FleetTask
        In order of path.

    Raises
    ------
    CrabwiseError
        Where the archive cannot be opened or holds no log.
    """
    fs, root = _open(source, "the archive")
    fs.invalidate_cache()
    try:
        found = fs.find(root, detail=True)
    except (OSError, ValueError) as error:
        msg = f"{source}: the archive cannot be listed: {error}. Check address and rights"
        raise CrabwiseError(msg) from None
    _, out_root = _open(out, "the fleet's folder")
    bags = {str(PurePosixPath(f).parent) for f in found if f.endswith("/metadata.yaml")}
    sittings: dict[str, list[str]] = {}
    for file in sorted(found):
        path = PurePosixPath(file)
        below = str(path.relative_to(root)) if file != root else path.name
        if file.startswith(out_root + "/") or any(p.startswith(".") for p in Path(below).parts):
            continue
        folder = str(path.parent)
        if folder in bags:
            sittings.setdefault(folder, []).append(file)
        elif path.suffix.lower() in LOG_SUFFIXES and not path.stem.lower().startswith(
            SKIPPED_STEMS
        ):
            together = folders and folder != root
            sittings.setdefault(folder if together else file, []).append(file)
    if not sittings:
        msg = (
            f"{source}: no log below it; readable are {', '.join(sorted(LOG_SUFFIXES))} and folders "
            "of bags"
        )
        raise CrabwiseError(msg)
    tasks = []
    orphans = []
    for place, files in sorted(sittings.items()):
        below = str(PurePosixPath(place).relative_to(root)) if place != root else Path(root).name
        rule = next((r for r in rules if fnmatch.fnmatchcase(below, r.glob)), None)
        if rule is None:
            orphans.append(below)
            continue
        stamps = [f"{f}|{found[f].get('size')}|{_modified(found[f])}" for f in files]
        first = PurePosixPath(below).parts[0]
        tasks.append(
            FleetTask(
                source=source,
                recording=below,
                files=tuple(files),
                is_bag=place in bags,
                key=_hash(below),
                fingerprint=_hash(*stamps, rule.robot_text, rule.name, SCHEMA, __version__),
                robot=rule.name.replace("{folder}", first),
                robot_file=rule.robot_file,
                robot_text=rule.robot_text,
                modified=max(_modified(found[f]) for f in files),
                out=out,
            )
        )
    if orphans:
        faults.append(
            f"{source}: no robot file for {len(orphans)} of {len(sittings)} recordings, the first "
            f"being {orphans[0]}. Add a row to the table of robots, or give --robot"
        )
    return tasks


def _modified(info: dict[str, Any]) -> float:
    stamp = info.get("mtime") or info.get("LastModified") or info.get("created") or 0.0
    return stamp.timestamp() if isinstance(stamp, dt.datetime) else float(stamp)


# Work of one task, on a worker.


@functools.cache
def _keep_freed_memory() -> None:
    """Let the C library keep what arrays leave behind for the next ones.

    Dask starts its workers with MALLOC_TRIM_THRESHOLD_ set; glibc then asks the system for every larger
    array anew, which takes as long as the analysis. Arrays of hours still go back at once.
    """
    trim_threshold, mmap_threshold = -1, -3  # M_TRIM_THRESHOLD, M_MMAP_THRESHOLD of malloc.h
    with contextlib.suppress(OSError, AttributeError, TypeError):  # other systems do without
        library = ctypes.CDLL(None)
        library.mallopt(mmap_threshold, 4 << 20)
        library.mallopt(trim_threshold, 64 << 20)


def analyse_one(task: FleetTask) -> RowHome:
    """Analyse one recording and write its row; runs on a worker.

    Parameters
    ----------
    task : FleetTask
        The recording.

    Returns
    -------
    RowHome
        The row without its large column.

    Raises
    ------
    CrabwiseError
        Where the worker has another version or the row cannot be written; whatever is wrong with the
        recording becomes a row.
    """
    from analyzer.pipeline import analyze

    if task.version != __version__:
        raise _elsewhere(f"the worker on {socket.gethostname()}", __version__, task.version)
    pa.set_cpu_count(1)
    _keep_freed_memory()
    robot = parse_robot(task.robot_text, task.robot_file)
    with tempfile.TemporaryDirectory(prefix="crabwise-") as folder:
        prefix = ("", "")
        try:
            paths, prefix = _fetched(task, folder)
            analysis = analyze(paths, robot)
        except CrabwiseError as error:
            row = _failed(task, _told(str(error), prefix))
        except Exception as error:  # noqa: BLE001  one bad recording must not stop an archive
            row = _failed(task, f"unexpected {type(error).__name__}: {_told(str(error), prefix)}")
        else:
            row = _row(task, analysis, prefix)
    write_row(task, row)
    return RowHome({name: value for name, value in row.items() if name != "result"})


def _told(text: str, prefix: tuple[str, str]) -> str:
    """Text with the archive's address in place of the worker's folder."""
    return text.replace(*prefix) if prefix[0] else text


def _fetched(task: FleetTask, folder: str) -> tuple[list[str], tuple[str, str]]:
    """Local paths of a recording, and how to turn what is said of them back into the archive's."""
    fs, root = _open(task.source, "the archive")
    inside = PurePosixPath(task.files[0]).parent
    if _is_local(fs):
        return [str(inside)] if task.is_bag else list(task.files), ("", "")
    target = Path(folder) / inside.name
    target.mkdir()
    paths = []
    for file in task.files:
        to = target / PurePosixPath(file).name
        for attempt in range(3):
            try:
                fs.get_file(file, str(to))
                break
            except OSError as error:
                if attempt == 2:
                    msg = f"{file}: cannot be fetched: {error}. Run again with --again"
                    raise CrabwiseError(msg) from None
                time.sleep(0.5 * 4**attempt)
        paths.append(str(to))
    source = task.source.rstrip("/")
    if task.files[0] == root:
        address = source.rpartition("/")[0]
    else:
        address = f"{source}/{inside.relative_to(root)}".removesuffix("/.")
    return [str(target)] if task.is_bag else paths, (str(target), address)


def _when(task: FleetTask, epochs: Iterable[float]) -> tuple[dt.datetime, str]:
    """Time of a recording: its own stamps, else its name, else the date of its file."""
    absolute = [e for e in epochs if e > 3e8]
    if absolute:
        return dt.datetime.fromtimestamp(min(absolute), dt.UTC), "stamps"
    pattern = r"(20\d\d)[-_.]?(\d\d)[-_.]?(\d\d)(?:[T_ -]?(\d\d)[-_:.h]?(\d\d)(?:[-_:.m]?(\d\d))?)?"
    for found in reversed(list(re.finditer(pattern, task.recording))):
        try:
            parts = [int(g or 0) for g in found.groups()]
            return dt.datetime(*parts, tzinfo=dt.UTC), "name"  # type: ignore[misc,arg-type]
        except ValueError:
            continue
    return dt.datetime.fromtimestamp(task.modified, dt.UTC), "file date"


def _base(task: FleetTask, epochs: Iterable[float] = ()) -> dict[str, Any]:
    when, date_from = _when(task, epochs)
    return {
        "key": task.key,
        "recording": task.recording,
        "status": "ok",
        "message": "",
        "recorded_at": when,
        "date_from": date_from,
        "robot_file": task.robot_file,
        "fingerprint": task.fingerprint,
    }


def _failed(task: FleetTask, message: str) -> dict[str, Any]:
    return _base(task) | {"status": "failed", "message": message}


def _row(task: FleetTask, analysis: Any, prefix: tuple[str, str]) -> dict[str, Any]:
    result = analysis.result
    epochs = [s.epoch for s in analysis.recording.sources if s.absolute]
    row = _base(task, epochs)
    moved = [p["distance_m"] for p in result["passes"] if p["speed_m_per_s"] is not None]
    row |= {
        "duration_s": float(analysis.run.t[-1]),
        "driven_m": float(sum(m for m in moved if m is not None)),
        "passes": len(result["passes"]),
        "warnings": sum(f["severity"] != "note" for f in result["findings"]),
    }
    for name, place in MEASURES.items():
        entry: Any = result
        for step in place:
            entry = entry.get(step) or {}
        row[name], row[f"{name}_std_error"] = entry.get("value"), entry.get("std_error")
    left, right = (f"yaw_drift_{side}_deg_per_m" for side in ("left", "right"))
    if row[left] is not None and row[right] is not None:
        row["yaw_drift_odd_deg_per_m"] = (row[left] - row[right]) / 2
        errors = row[f"{left}_std_error"], row[f"{right}_std_error"]
        row["yaw_drift_odd_deg_per_m_std_error"] = (errors[0] ** 2 + errors[1] ** 2) ** 0.5 / 2
    causes = result["causes"]
    if causes:
        top = causes[0]
        row |= {
            "cause": top["cause"],
            "cause_wheel": top["wheel"],
            "cause_probability": top["probability"],
        }
    row["causes"] = [{q: c[q] for q in ("cause", "wheel", "probability")} for c in causes]
    row["wheels"] = []
    for wheel, entry in result["wheels"].items():
        own = [c for c in causes if c["wheel"] == wheel and c["cause"] in SERVICE]
        worst = max(own, key=lambda c: c["probability"], default=None)
        row["wheels"].append(
            {
                "wheel": wheel,
                "relative_radius": entry["relative_radius"].get("value"),
                "relative_radius_std_error": entry["relative_radius"].get("std_error"),
                "service_cause": worst["cause"] if worst else None,
                "service_probability": worst["probability"] if worst else 0.0,
            }
        )
    row["remedies"] = [r["kind"] for r in result["remedies"]]
    text = json.dumps(result, ensure_ascii=False, separators=(",", ":"))
    row["result"] = _told(text, prefix)
    return row


def row_path(task: FleetTask, row: dict[str, Any]) -> str:
    """Path of a row below the fleet's folder; the same for the same recording, robot and state."""
    day = row["recorded_at"].date().isoformat()
    end = "-failed" if row["status"] == "failed" else ""
    robot = quote(task.robot, safe="")
    return f"{ROWS}/robot={robot}/date={day}/{task.key}-{task.fingerprint}{end}.parquet"


def write_row(task: FleetTask, row: dict[str, Any]) -> None:
    """Write one row so that a reader sees all of it or nothing.

    Parameters
    ----------
    task : FleetTask
        The recording.
    row : dict
        Column to value.

    Raises
    ------
    CrabwiseError
        Where there is no room or no right to write.
    """
    fs, root = _open(task.out, "the fleet's folder")
    path = f"{root}/{row_path(task, row)}"
    buffer = io.BytesIO()
    table = pa.Table.from_pylist([row], schema=ROW_SCHEMA)
    # Of a single row only the large column gains by compression; the rest would only be slower to
    # write and to read. Statistics would tell a filter no more than the value itself.
    parquet.write_table(
        table, buffer, compression={"result": "zstd"}, use_dictionary=False, write_statistics=False
    )
    _write(fs, path, buffer.getvalue())


def _write(fs: Any, path: str, content: bytes) -> None:
    """Write a file whole: under another name and renamed, where the store knows of renaming."""
    folder, _, name = path.rpartition("/")
    local = _is_local(fs)
    part = f"{folder}/.{name}.{uuid.uuid4().hex[:8]}" if local else path
    try:
        fs.makedirs(folder, exist_ok=True)
        try:
            fs.pipe_file(part, content)
            if local:
                Path(part).replace(path)
        except BaseException:
            if local:
                Path(part).unlink(missing_ok=True)
            raise
    except OSError as error:
        msg = (
            f"{path}: cannot write: {error.strerror or error}. Rows written before are whole; make "
            "room or mend the rights, then run the same command again: it goes on where it stopped"
        )
        raise CrabwiseError(msg) from None


# The run, on the machine of the user.


@dataclass(frozen=True, slots=True)
class _Known:
    """One row that stands in the folder: in a file of its own, or in one that holds many."""

    path: str
    fingerprint: str
    failed: bool
    packed: bool


def _known_rows(fs: Any, root: str) -> dict[str, list[_Known]]:
    """Rows by key."""
    fs.invalidate_cache()
    out: dict[str, list[_Known]] = {}
    try:
        found = fs.find(f"{root}/{ROWS}")
    except FileNotFoundError:
        return out
    for path in found:
        name = path.rpartition("/")[2].removesuffix(".parquet")
        if not path.endswith(".parquet") or name.startswith("."):
            continue
        if name.startswith(PACKED):
            with fs.open(path, "rb") as file:
                table = parquet.ParquetFile(file).read(["key", "fingerprint", "status"])
            for row in table.to_pylist():
                known = _Known(path, row["fingerprint"], row["status"] == "failed", True)
                out.setdefault(row["key"], []).append(known)
            continue
        key, fingerprint, *end = name.split("-")
        out.setdefault(key, []).append(_Known(path, fingerprint, bool(end), False))
    return out


def _open_tasks(tasks: Sequence[FleetTask], *, again: bool) -> list[FleetTask]:
    """Tasks without a row; rows of other states of their recordings go."""
    if not tasks:
        return []
    fs, root = _open(tasks[0].out, "the fleet's folder")
    known = _known_rows(fs, root)
    todo: list[FleetTask] = []
    alone: set[str] = set()
    within: dict[str, set[str]] = {}
    for task in tasks:
        mine = known.get(task.key, [])
        if any(k.fingerprint == task.fingerprint and not (again and k.failed) for k in mine):
            continue
        todo.append(task)
        for row in mine:
            if row.packed:
                within.setdefault(row.path, set()).add(task.key)
            else:
                alone.add(row.path)
    for path in alone:
        fs.rm_file(path)
    for path, keys in within.items():
        _pack(fs, path.rpartition("/")[0], [path], without=keys)
    return todo


PACKED = "packed-"
PACK_LEAST = 16
"""Row files in one partition above which they are packed into one [-]: opening a file costs as much
as reading thousands of rows."""


def pack_partition(out: str, partition: str) -> int:
    """Pack the row files of one partition into one; runs on a worker.

    The packed file is written before the others go, and only those go that are in it: whatever dies
    in between leaves rows twice, which `read_fleet` and the next packing see, and none lost.

    Parameters
    ----------
    out : str
        The fleet's folder.
    partition : str
        Path of the partition below it.

    Returns
    -------
    int
        Rows in the packed file.
    """
    fs, root = _open(out, "the fleet's folder")
    for _ in range(3):
        fs.invalidate_cache()
        place = f"{root}/{partition}"
        members = sorted(
            p
            for p in fs.ls(place, detail=False)
            if p.endswith(".parquet") and not p.rpartition("/")[2].startswith(".")
        )
        try:
            return _pack(fs, place, members)
        except FileNotFoundError:
            continue  # another worker packs it as well: look again
    return 0


def _pack(fs: Any, place: str, members: Sequence[str], without: Iterable[str] = ()) -> int:
    drop = set(without)
    tables = []
    for path in members:
        with fs.open(path, "rb") as file:
            tables.append(parquet.ParquetFile(file).read())
    table = pa.concat_tables(tables)
    seen: set[tuple[str, str]] = set()
    keep = []
    for k, row in enumerate(
        zip(*(table[c].to_pylist() for c in ("key", "fingerprint")), strict=True)
    ):
        if row not in seen and row[0] not in drop:
            keep.append(k)
        seen.add(row)
    names = _hash(*members, *sorted(drop))
    target = f"{place}/{PACKED}{names}.parquet"
    if keep:
        buffer = io.BytesIO()
        parquet.write_table(table.take(keep), buffer, compression="zstd")
        _write(fs, target, buffer.getvalue())
    for path in members:
        if path != target:
            with contextlib.suppress(FileNotFoundError):
                fs.rm_file(path)
    return len(keep)


def _to_pack(fs: Any, root: str, least: int) -> list[str]:
    """Partitions with many row files, below the fleet's folder."""
    fs.invalidate_cache()
    count: dict[str, int] = {}
    for path in fs.find(f"{root}/{ROWS}"):
        place, _, name = path.rpartition("/")
        if name.endswith(".parquet") and not name.startswith("."):
            count[place] = count.get(place, 0) + 1
    return [place.removeprefix(f"{root}/") for place, n in sorted(count.items()) if n >= least]


def _sweep(fs: Any, root: str) -> None:
    """Drop half-written files that a killed worker left an hour ago or earlier."""
    if not _is_local(fs):
        return
    for part in Path(root, ROWS).glob("*/*/.*.parquet.*"):
        try:
            if time.time() - part.stat().st_mtime > 3600:
                part.unlink()
        except OSError:
            continue


class _SchedulerGoneError(Exception):
    pass


@dataclass(slots=True)
class _Run:
    """State of one run over all its connections."""

    total: int
    before: int
    tell: Tell
    started: float = field(default_factory=time.monotonic)
    done: int = 0
    failed: int = 0
    workers: int = 0
    attempts: dict[str, int] = field(default_factory=dict)
    rows: list[pa.Table] = field(default_factory=list)
    """Those that came home; where a worker took its word along, a row stands in the folder alone."""

    def home(self, tasks: Iterable[FleetTask], rows: Sequence[dict[str, Any]]) -> None:
        """Take rows of these tasks, as many as came."""
        robots = {task.key: task.robot for task in tasks}
        whole = [
            row | {"robot": robots[row["key"]], "date": row["recorded_at"].date()} for row in rows
        ]
        self.failed += sum(row["status"] == "failed" for row in rows)
        self.rows.append(pa.Table.from_pylist(whole, schema=SHORT_SCHEMA))

    def say(self) -> None:
        left = self.total - self.before - self.done
        took = time.monotonic() - self.started
        self.tell(
            FleetProgress(
                total=self.total,
                before=self.before,
                done=self.done,
                failed=self.failed,
                seconds_left=took / self.done * left if self.done else None,
                workers=self.workers,
            )
        )


def _pack_all(client: Any, out: str) -> None:
    """Pack what has many files; where this fails the rows are whole, only slower to read."""
    fs, root = _open(out, "the fleet's folder")
    places = _to_pack(fs, root, PACK_LEAST)
    futures = client.map(pack_partition, [out] * len(places), places, pure=False, retries=2)
    while any(f.status == "pending" for f in futures):
        if client.status != "running":
            return
        time.sleep(0.05)


ATTEMPTS = 4
"""How often a recording may take its worker down before it counts as failed."""


AHEAD = 32
"""Recordings of each worker that the scheduler knows of."""

LOOK = 0.5
"""Pause between looks at what is done: each look and each sending costs, however many tasks it
settles, and takes processor time from workers of the same machine. [s]"""


def _work_off(client: Any, tasks: Sequence[FleetTask], run: _Run) -> None:
    """Keep tasks ahead of every worker, until all are done."""
    from distributed import KilledWorker

    waiting = deque(tasks)
    running: dict[Any, FleetTask] = {}
    looked = 0.0
    checked: set[str] = set()
    while waiting or running:
        if client.status != "running":
            raise _SchedulerGoneError
        if time.monotonic() - looked > (2 if run.workers else 0.5):
            try:
                workers = set(client.nthreads())
                _check_workers(client, workers - checked)
            except (OSError, TimeoutError, ValueError, AttributeError) as error:
                raise _SchedulerGoneError from error
            checked |= workers
            run.workers = len(workers)
            looked = time.monotonic()
            run.say()
        # None goes out to nobody: a worker that cannot load a task ends, and would be gone unseen.
        room = AHEAD * run.workers - len(running)
        batch = [waiting.popleft() for _ in range(min(room, len(waiting)))]
        if batch:
            keys = [f"crabwise-{task.key}-{uuid.uuid4().hex[:8]}" for task in batch]
            futures = client.map(analyse_one, batch, key=keys, pure=False)
            running.update(zip(futures, batch, strict=True))
        time.sleep(LOOK if waiting else 0.03)
        states = {f: f.status for f in running}
        settled = {f: running.pop(f) for f, state in states.items() if state != "pending"}
        if not settled:
            continue
        finished = {f: task for f, task in settled.items() if states[f] == "finished"}
        run.done += len(finished)
        _take_home(client, finished, run)
        for future, task in settled.items():
            if future in finished:
                continue
            if states[future] != "error":  # cancelled, or lost with its worker or scheduler
                waiting.append(task)
                continue
            fault = future.exception()
            if isinstance(fault, ImportError) or "deserialization" in str(fault):
                fault = _elsewhere("the scheduler or a worker", fault)
            if isinstance(fault, CrabwiseError):
                client.cancel(list(running))
                raise fault
            run.attempts[task.key] = run.attempts.get(task.key, 0) + 1
            if run.attempts[task.key] < ATTEMPTS:
                waiting.append(task)
                continue
            why = (
                f"the worker died {ATTEMPTS} times over this recording: out of memory, or "
                "killed from outside. Give the workers more memory, then run with --again"
                if isinstance(fault, KilledWorker)
                else f"unexpected {type(fault).__name__}: {fault}"
            )
            row = _failed(task, why)
            write_row(task, row)
            run.done += 1
            run.home([task], [row])
        run.say()


def _check_workers(client: Any, workers: set[str]) -> None:
    """Whether workers have the same crabwise as this command; CrabwiseError where one has not."""
    if not workers:
        return
    # Asked in words that a worker understands without having it. One that is slow to answer is
    # let work: a task looks at the version by itself.
    ask = "__import__('analyzer.fleet').__version__"
    try:
        answers = client.run(
            eval, ask, workers=list(workers), on_error="return", callback_timeout=30
        )
    except TimeoutError:
        return
    for worker, answer in answers.items():
        if isinstance(answer, ImportError) or (isinstance(answer, str) and answer != __version__):
            raise _elsewhere(f"the worker at {worker}", answer)


def _elsewhere(who: str, theirs: str | BaseException, wanted: str = __version__) -> CrabwiseError:
    """What is told where another version of crabwise runs, or where it cannot be loaded."""
    found = (
        f"has crabwise {theirs}, this command is {wanted}"
        if isinstance(theirs, str)
        else f"cannot load crabwise: {theirs}"
    )
    return CrabwiseError(
        f"{who} {found}. Install crabwise {wanted} where scheduler and workers run and start them "
        "anew, then run the same command again"
    )


def _take_home(client: Any, finished: dict[Any, FleetTask], run: _Run) -> None:
    """Fetch the rows of finished tasks; those of a worker that is gone stay in the folder."""
    from concurrent.futures import CancelledError

    if not finished:
        return
    ask = functools.partial(client.gather, list(finished), errors="skip", asynchronous=True)
    with contextlib.suppress(OSError, TimeoutError, CancelledError):
        answers = client.sync(ask, callback_timeout=10)
        run.home(finished.values(), [answer.row for answer in answers])


SETTINGS: dict[str, Any] = {
    # A worker may be killed by the system any number of times; `ATTEMPTS` is our limit.
    "distributed.scheduler.allowed-failures": 3,
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    # What scheduler, workers and their keepers do every so many milliseconds, as they come, takes
    # a tenth of the processor time of a fleet: nobody looks at these figures.
    "distributed.worker.profile.enabled": False,
    "distributed.worker.memory.monitor-interval": "500ms",
    "distributed.admin.tick.interval": "500ms",
    "distributed.admin.system-monitor.interval": "5s",
}
"""Dask's configuration for workers of this machine; a cluster of the user's own has its own."""


def _embedded(workers: int | None) -> Any:
    import dask
    import distributed

    dask.config.set(SETTINGS)
    make: Any = distributed.LocalCluster
    return make(
        n_workers=workers or os.cpu_count() or 1,
        threads_per_worker=1,
        memory_limit="auto",
        dashboard_address=None,
        # The scheduler serves its state by HTTP even so, by itself on every address and on one port.
        scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
        silence_logs=50,
    )


def run_fleet(
    source: str,
    out: str,
    *,
    robot: str | Path | None = None,
    robots: str | Path | None = None,
    scheduler: str | None = None,
    workers: int | None = None,
    folders: bool = False,
    again: bool = False,
    tell: Tell = lambda _progress: None,
    patience: float = 300.0,
) -> tuple[FleetProgress, pa.Table]:
    """Analyse an archive: one row a recording, going on where an earlier run stopped.

    Parameters
    ----------
    source : str
        Archive: folder or fsspec address. Credentials of object storage come from the environment,
        of the workers too.
    out : str
        The fleet's folder: likewise.
    robot, robots : str or Path, optional
        Robot file of all recordings; table of robots (see `read_robots`). One of them at least.
    scheduler : str, optional
        Address of a Dask scheduler; workers of this machine by default.
    workers : int, optional
        How many of these; one a processor by default.
    folders : bool
        The files of one folder are one sitting.
    again : bool
        Analyse recordings whose row says "failed" once more.
    tell : callable
        Called with a `FleetProgress` whenever it changes.
    patience : float
        How long a lost scheduler is waited for. [s]

    Returns
    -------
    progress : FleetProgress
        At the end.
    rows : pyarrow.Table
        All that stand in the fleet's folder, as `read_fleet` gives them.

    Raises
    ------
    CrabwiseError
        Archive, robots or scheduler at fault, or no room for the rows.
    """
    faults: list[str] = []
    rules = read_robots(robot, robots, faults)
    if not rules and not faults:
        faults.append("no robot file given: use --robot FILE, --robots TABLE or both")
    tasks = [] if faults else find_tasks(source, out, rules, folders=folders, faults=faults)
    if faults:
        raise CrabwiseError("\n".join(faults))
    fs, root = _open(out, "the fleet's folder")
    _sweep(fs, root)
    todo = _open_tasks(tasks, again=again)
    run = _Run(total=len(tasks), before=len(tasks) - len(todo), tell=tell)
    run.say()
    if todo:
        _connected(scheduler, workers, todo, run, patience)
    known = _known_rows(fs, root)
    run.failed = sum(
        any(k.failed and k.fingerprint == t.fingerprint for k in known.get(t.key, [])) for t in todo
    )
    run.say()
    end = FleetProgress(
        total=run.total,
        before=run.before,
        done=run.done,
        failed=run.failed,
        seconds_left=0.0,
        workers=run.workers,
    )
    # Opening thousands of files takes seconds, in object storage minutes: only where they say more.
    home = pa.concat_tables([SHORT_SCHEMA.empty_table(), *run.rows])
    stand = {(key, row.fingerprint) for key, rows in known.items() for row in rows}
    if stand == set(zip(*(home[c].to_pylist() for c in ("key", "fingerprint")), strict=True)):
        return end, _in_order(home)
    return end, read_fleet(out)


def _connected(
    scheduler: str | None, workers: int | None, todo: list[FleetTask], run: _Run, patience: float
) -> None:
    """Work the tasks off; connect anew where the scheduler goes and comes back."""
    import logging

    import distributed

    connect: Any = distributed.Client
    # What these say of lost connections is no news to the user: `_work_off` deals with them.
    names = ["distributed", "asyncio", "tornado", *logging.root.manager.loggerDict]
    for name in names:
        if name.partition(".")[0] in names[:3]:
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    cluster = None if scheduler else _embedded(workers)
    lost_at: float | None = None
    try:
        while todo:
            try:
                client = connect(cluster or scheduler, timeout=10, set_as_default=False)
            except (OSError, TimeoutError, ValueError) as error:
                if lost_at is not None and time.monotonic() - lost_at < patience:
                    time.sleep(1.0)
                    continue
                state = "does not answer" if lost_at is None else "went away and did not come back"
                msg = (
                    f"{scheduler}: the scheduler {state} ({error}). Check the address; rows written "
                    "so far are whole, and the same command goes on where it stopped"
                )
                raise CrabwiseError(msg) from None
            lost_at, done_before = None, run.done
            try:
                _work_off(client, todo, run)
                _pack_all(client, todo[0].out)
                return
            except _SchedulerGoneError:
                lost_at = time.monotonic()
            finally:
                with contextlib.suppress(OSError, TimeoutError):
                    client.close(timeout=2)
            # What was done in the meantime stands in the folder, whoever still knows of it.
            still_open = _open_tasks(todo, again=False)
            run.done = done_before + len(todo) - len(still_open)
            todo = still_open
    finally:
        if cluster is not None:
            cluster.close()


def _row_files() -> Any:
    """Parquet for scans, without reading ahead in the background.

    Nor with threads (`use_threads=False`): a scan here is short, and many pages may ask at once.
    """
    from pyarrow import dataset

    options = dataset.ParquetFragmentScanOptions(pre_buffer=False)
    return dataset.ParquetFileFormat(default_fragment_scan_options=options)


def read_fleet(
    out: str,
    filters: Any = None,
    columns: Sequence[str] | None = None,
) -> pa.Table:
    """Read rows of a fleet.

    Parameters
    ----------
    out : str
        The fleet's folder or fsspec address.
    filters : pyarrow.dataset.Expression or list of tuple, optional
        Which rows, as `pyarrow.parquet.filters_to_expression` takes them, such as
        ``[("robot", "=", "cart 7"), ("date", ">=", datetime.date(2026, 5, 1))]``. Conditions on
        `robot` and `date` leave whole partitions unread.
    columns : sequence of str, optional
        Which columns of `ROW_SCHEMA`, `robot` and `date`; all but the large `result` by default.

    Returns
    -------
    pyarrow.Table
        One row a recording, in order of robot, time and recording.

    Raises
    ------
    CrabwiseError
        Where there is no fleet, one of another schema, or a damaged file.
    """
    from pyarrow import dataset

    fs, root = open_fleet(out)
    place = f"{root}/{ROWS}"
    if not fs.exists(place):
        msg = f"{out}: no rows of a fleet in it. Make them with `crabwise fleet SOURCE --out {out}`"
        raise CrabwiseError(msg)
    parts = dataset.partitioning(PARTITIONS, flavor="hive")
    try:
        rows = dataset.dataset(place, filesystem=fs, format=_row_files(), partitioning=parts)
    except (pa.ArrowException, OSError) as error:
        raise _unreadable(out, error) from error
    schema = (rows.schema.metadata or {}).get(b"schema", b"").decode()
    if schema != SCHEMA:
        msg = (
            f"{out}: rows of schema {schema or 'unknown'!r}; this version reads {SCHEMA}. Run "
            "`crabwise fleet` on the archive again with another --out"
        )
        raise CrabwiseError(msg)
    if isinstance(filters, list):
        filters = parquet.filters_to_expression(filters)
    names = list(columns or SHORT_SCHEMA.names)
    columns = [*names, *(o for o in ORDER if o not in names)]
    try:
        table = rows.to_table(filter=filters, columns=columns, use_threads=False)
    except (pa.ArrowException, OSError) as error:
        raise _unreadable(out, error) from error
    return _in_order(table).select(names)


def _in_order(table: pa.Table) -> pa.Table:
    """Rows in order of robot, time and recording, each once."""
    import pyarrow.compute as pc

    table = table.take(pc.sort_indices(table, sort_keys=[(o, "ascending") for o in ORDER]))
    # A packing that was cut short leaves rows twice: side by side in this order.
    twin = np.zeros(table.num_rows, dtype=bool)
    if table.num_rows > 1:
        same = [np.asarray(table[o].combine_chunks().to_numpy(zero_copy_only=False)) for o in ORDER]
        twin[1:] = np.logical_and.reduce([v[1:] == v[:-1] for v in same])
    return table.filter(pa.array(~twin)) if twin.any() else table


def _unreadable(out: str, error: Exception) -> CrabwiseError:
    return CrabwiseError(
        f"{out}: rows cannot be read: {error}. Delete a damaged file; `crabwise fleet` then makes its row again"
    )


def write_summary(out: str, summary: dict[str, Any], page: str) -> list[str]:
    """Write the summary beside the rows.

    Parameters
    ----------
    out : str
        The fleet's folder.
    summary : dict
        From `trends.summarise`.
    page : str
        HTML.

    Returns
    -------
    list of str
        Paths written.

    Raises
    ------
    CrabwiseError
        Where there is no room or no right to write.
    """
    fs, root = _open(out, "the fleet's folder")
    text = json.dumps(summary, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    for name, content in (("summary.json", text), ("summary.html", page)):
        _write(fs, f"{root}/{name}", content.encode())
    return [f"{out.rstrip('/')}/{name}" for name in ("summary.json", "summary.html")]
