"""A folder that keeps results, not logs: file, list, filter, follow a measure over a season.

Layout, readable with any JSON and Parquet reader::

    DIR/results/ID.json     one result with its note and service entries; never changed
    DIR/index/*.parquet     one row a result and measure; the row with measure "" is the result

Every file is written under a hidden name and renamed, so a reader sees whole files only. The JSON
files are what counts: the index can be built anew from them at any time, and a result whose index
row is missing (a writer was killed in between) is read from its JSON. Writers never change each
other's files; index files are joined under a lock.
"""

from __future__ import annotations

import fnmatch
import json
import math
import os
import re
import secrets
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import parquet

from analyzer.pipeline import write_atomically
from analyzer.quantities import CrabwiseError, Estimate, load_json, student_quantile
from analyzer.statistics import scatter_of_steps

try:
    import fcntl
except ImportError:  # not on this system: two joins at once do the work twice, and no harm
    fcntl = None  # type: ignore[assignment]

ENTRY = "crabwise-shelf/1"
VERSION = 1
"""Version of entries and index. 0 is a bare result file put there by hand; it is adopted."""
JOIN_AT = 64
"""Single index files above which a writer joins them."""
JOINED_MOST = 16
"""Joined index files above which these are joined too, so that none is rewritten often."""
STALE = 3600.0
"""Age above which a hidden file of a killed writer is swept away [s]."""

SCHEMA = pa.schema(
    [
        ("id", pa.string()),
        ("robot", pa.string()),
        ("recorded_at", pa.timestamp("us", tz="UTC")),
        ("filed_at", pa.timestamp("us", tz="UTC")),
        ("hours", pa.float64()),
        ("note", pa.string()),
        ("service", pa.string()),
        ("drive_mode", pa.string()),
        ("cause", pa.string()),
        ("probability", pa.float64()),
        ("recordings", pa.string()),
        ("measure", pa.string()),
        ("unit", pa.string()),
        ("value", pa.float64()),
        ("std_error", pa.float64()),
        ("low", pa.float64()),
        ("high", pa.float64()),
    ],
    metadata={"crabwise_shelf_version": str(VERSION)},
)
LISTED = ("id", "robot", "recorded_at", "filed_at", "hours", "note", "service", "drive_mode",
          "cause", "probability", "recordings")  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """Something done to the base before a recording.

    Attributes
    ----------
    wheel : str or None
        Which wheel; None for the whole base.
    what : str
        What was done.
    hours : float or None
        Operating hours at which it was done. [h]
    """

    wheel: str | None
    what: str
    hours: float | None = None


def parse_service(text: str, wheels: Sequence[str]) -> Service:
    """Read a service entry ``WHEEL: what was done @ 41.5 h``; wheel and hours may be left out.

    Parameters
    ----------
    text : str
        As typed.
    wheels : sequence of str
        Names of the base's wheels.

    Returns
    -------
    Service
        The entry.

    Raises
    ------
    CrabwiseError
        Where nothing was done, or what stands before the colon looks like a wheel and is none.
    """
    hours = None
    found = re.search(r"@\s*([0-9]+(?:\.[0-9]+)?)\s*h\s*$", text)
    if found:
        hours, text = float(found.group(1)), text[: found.start()]
    head, colon, tail = text.partition(":")
    wheel = None
    if colon and head.strip() in wheels:
        wheel, text = head.strip(), tail
    elif colon and " " not in head.strip():
        msg = (
            f"--service {text.strip()!r}: no wheel {head.strip()!r}; the robot file has "
            f"{', '.join(wheels)}. Write WHEEL: what was done, or only what was done"
        )
        raise CrabwiseError(msg)
    what = text.strip()
    if not what:
        msg = '--service: say what was done, as in "FL: rollers cleaned @ 41.5 h"'
        raise CrabwiseError(msg)
    return Service(wheel=wheel, what=what, hours=hours)


def measures(result: dict[str, Any]) -> dict[str, Estimate]:
    """Measures of one result that a season follows.

    Parameters
    ----------
    result : dict
        Result file, schema ``crabwise-result/1``.

    Returns
    -------
    dict of str to Estimate
        Determined ones only; names as ``yaw_drift.left``, ``relative_radius.FL``,
        ``slip_ratio.FL``, ``current.FL.sideways``, ``cause.roller_drag.FL`` (its probability).
    """
    out: dict[str, Estimate] = {}

    def add(name: str, entry: dict[str, Any] | None) -> None:
        if entry is None or entry.get("value") is None:
            return
        low, high = entry["interval95"]
        out[name] = Estimate(
            value=entry["value"],
            std_error=entry["std_error"],
            unit=entry["unit"],
            low=low,
            high=high,
        )

    for side in ("left", "right"):
        drift = result["yaw_drift_deg_per_m"][side]
        for part in ("total", "rolled", "slipped"):
            add(f"yaw_drift.{side}" + ("" if part == "total" else f".{part}"), drift[part])
        add(f"closure.{side}", result["closure_mm_per_m"][side])
        add(f"creep.{side}", result["creep_mm_per_m"][side])
    _odd(out, "yaw_drift")
    _odd(out, "closure")
    _odd(out, "creep")
    chassis = result["chassis"]
    for name in ("sideways_ratio", "effective_radius_m", "yaw_lever_m", "yaw_inertia_kgm2"):
        add(name, chassis.get(name))
    for axis in ("x", "y"):
        add(f"centre_of_mass_m.{axis}", chassis["centre_of_mass_m"][axis])
    for wheel, entry in result["wheels"].items():
        add(f"relative_radius.{wheel}", entry["relative_radius"])
        for kind, slip in entry["slip_ratio"].items():
            add(f"slip_ratio.{wheel}.{kind}", slip)
        for word, kinds in (("sideways", ("left", "right")), ("ahead", ("ahead", "astern"))):
            current = _current(result, wheel, kinds)
            if current is not None:
                out[f"current.{wheel}.{word}"] = current
    for cause in result["causes"]:
        name = f"cause.{cause['cause']}" + (f".{cause['wheel']}" if cause["wheel"] else "")
        p = float(cause["probability"])
        out[name] = Estimate(value=p, std_error=0.0, unit="", low=p, high=p)
    return out


def _odd(out: dict[str, Estimate], name: str) -> None:
    left, right = out.get(f"{name}.left"), out.get(f"{name}.right")
    if left is None or right is None or left.value is None or right.value is None:
        return
    error = math.hypot(left.std_error or 0.0, right.std_error or 0.0) / 2
    out[f"{name}.odd"] = Estimate.of((left.value - right.value) / 2, error, left.unit)


def _current(result: dict[str, Any], wheel: str, kinds: Sequence[str]) -> Estimate | None:
    values = [
        abs(p["wheels"]["current_a"][wheel])
        for p in result["passes"]
        if p["kind"] in kinds
        and not p["hard_start"]
        and p.get("wheels", {}).get("current_a", {}).get(wheel) is not None
    ]
    if len(values) < 2:
        return None
    a = np.array(values)
    return Estimate.of(
        float(a.mean()), float(a.std(ddof=1)) / math.sqrt(a.size), "A", dof=a.size - 1
    )


def _folder(directory: str | Path, *, make: bool = False) -> Path:
    shelf = Path(directory)
    if make:
        try:
            (shelf / "results").mkdir(parents=True, exist_ok=True)
            (shelf / "index").mkdir(exist_ok=True)
        except OSError as error:
            msg = f"{shelf}: cannot make the shelf: {error.strerror}. Give another folder."
            raise CrabwiseError(msg) from None
    elif not (shelf / "results").is_dir():
        msg = f"{shelf}: no shelf there. File a result first: crabwise analyze ... --shelf {shelf}"
        raise CrabwiseError(msg)
    return shelf


def add_result(
    directory: str | Path,
    result: dict[str, Any],
    *,
    note: str = "",
    service: Sequence[Service] = (),
    recorded_at: datetime | None = None,
    hours: float | None = None,
    now: datetime | None = None,
) -> str:
    """File a result.

    Parameters
    ----------
    directory : str or Path
        The shelf; made where it is missing.
    result : dict
        Result file, schema ``crabwise-result/1``.
    note : str
        Free text.
    service : sequence of Service
        What was done before this recording.
    recorded_at : datetime, optional
        When it was recorded; else the result's own clock, else the newest file's time of change,
        else now.
    hours : float, optional
        Operating hours at the recording. [h]
    now : datetime, optional
        Time of filing; the clock by default.

    Returns
    -------
    str
        Identity of the entry: file name without ``.json``.

    Raises
    ------
    CrabwiseError
        Where the folder cannot be written.
    """
    shelf = _folder(directory, make=True)
    now = now or datetime.now(UTC)
    moment, origin = _moment(result, recorded_at, now)
    slug = re.sub(r"[^a-z0-9]+", "-", result["robot"]["name"].lower()).strip("-")[:40] or "robot"
    name = f"{moment:%Y%m%dT%H%M%S}-{slug}-{secrets.token_hex(6)}"
    entry = {
        "schema": ENTRY,
        "id": name,
        "filed_at": now.isoformat(timespec="microseconds"),
        "recorded_at": moment.isoformat(timespec="microseconds"),
        "recorded_at_from": origin,
        "hours": hours,
        "note": note,
        "service": [{"wheel": s.wheel, "what": s.what, "hours": s.hours} for s in service],
        "result": result,
    }
    text = json.dumps(entry, ensure_ascii=False, allow_nan=False) + "\n"
    write_atomically(shelf / "results" / f"{name}.json", text)
    write_atomically(shelf / "index" / f"one-v{VERSION}-{name}.parquet", _bytes(index_rows(entry)))
    if sum(f.name.startswith("one-") for f in _index_files(shelf)) > JOIN_AT:
        join_index(shelf)
    return name


def _moment(result: dict[str, Any], given: datetime | None, now: datetime) -> tuple[datetime, str]:
    if given is not None:
        return (given if given.tzinfo else given.replace(tzinfo=UTC)).astimezone(UTC), "given"
    if result.get("recorded_at"):
        return datetime.fromisoformat(result["recorded_at"]).astimezone(
            UTC
        ), "clock of the recording"
    times = []
    for path in result["recordings"]:
        with suppress(OSError):
            times.append(Path(path).stat().st_mtime)
    if times:
        return datetime.fromtimestamp(max(times), UTC), "time of the file"
    return now, "time of filing"


def _bytes(table: pa.Table) -> bytes:
    sink = pa.BufferOutputStream()
    parquet.write_table(table, sink, compression="zstd", row_group_size=20_000)
    return bytes(sink.getvalue())


def index_rows(entry: dict[str, Any]) -> pa.Table:
    """Rows of the index for one entry.

    Parameters
    ----------
    entry : dict
        Entry of the shelf, schema ``crabwise-shelf/1``.

    Returns
    -------
    pyarrow.Table
        Schema `SCHEMA`: first the result itself with measure "", then one row a measure.
    """
    result = entry["result"]
    nobody: dict[str, Any] = {"cause": "", "wheel": None, "probability": None}
    cause: dict[str, Any] = (result["causes"] or [nobody])[0]
    common = {
        "id": entry["id"],
        "robot": result["robot"]["name"],
        "recorded_at": datetime.fromisoformat(entry["recorded_at"]),
        "filed_at": datetime.fromisoformat(entry["filed_at"]),
        "hours": entry["hours"],
        "note": entry["note"],
        "service": json.dumps(entry["service"], ensure_ascii=False) if entry["service"] else "",
        "drive_mode": result["robot"]["drive_mode"],
        "cause": cause["cause"] + (f" {cause['wheel']}" if cause["wheel"] else ""),
        "probability": cause["probability"],
        "recordings": "\n".join(result["recordings"]),
    }
    nothing = {"unit": "", "value": None, "std_error": None, "low": None, "high": None}
    rows = [{**common, "measure": "", **nothing}]
    slim = {**common, "note": "", "recordings": ""}
    for name, e in measures(result).items():
        rows.append(
            {
                **slim, "measure": name, "unit": e.unit, "value": e.value, "std_error": e.std_error,
                "low": e.low, "high": e.high,
            }
        )  # fmt: skip
    return pa.Table.from_pylist(rows, schema=SCHEMA)


def _index_files(shelf: Path) -> list[Path]:
    """Files of the index; refuses those of a newer program, told by their names."""
    folder = shelf / "index"
    if not folder.is_dir():
        return []
    with os.scandir(folder) as found:
        names = [e.name for e in found if e.name.endswith(".parquet") and e.name[0] != "."]
    for name in names:
        version = re.match(r"(?:one|all)-v(\d+)-", name)
        if version and int(version.group(1)) > VERSION:
            msg = (
                f"{folder / name}: written by a newer Crabwise (index version {version.group(1)}, known "
                f"is {VERSION}); update Crabwise"
            )
            raise CrabwiseError(msg)
    return [folder / name for name in names]


@contextmanager
def _lock(shelf: Path) -> Iterator[bool]:
    """Hold the shelf's lock; gives False where another writer holds it."""
    if fcntl is None:
        yield True
        return
    with (shelf / ".lock").open("a") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            yield False
            return
        yield True


def join_index(directory: str | Path) -> None:
    """Join index files, sorted by measure, robot and time: the single ones, now and then all.

    Safe at any moment: the joined file is there before the single ones go, and rows that stand in
    both are counted once. Where another writer is at it, nothing is done.

    Parameters
    ----------
    directory : str or Path
        The shelf.
    """
    shelf = _folder(directory)
    with _lock(shelf) as mine:
        if not mine:
            return
        files = _index_files(shelf)
        single = [f for f in files if f.name.startswith("one-")]
        if len(files) - len(single) < JOINED_MOST:
            files = single
        tables = []
        joined = []
        for f in files:
            with suppress(FileNotFoundError, pa.ArrowInvalid):
                tables.append(_upgraded(parquet.read_table(f)))
                joined.append(f)
        if not tables:
            return
        table = _once(pa.concat_tables(tables))
        table = table.sort_by(
            [("measure", "ascending"), ("robot", "ascending"), ("recorded_at", "ascending")]
        )
        write_atomically(
            shelf / "index" / f"all-v{VERSION}-{secrets.token_hex(8)}.parquet", _bytes(table)
        )
        for f in joined:
            f.unlink(missing_ok=True)
        _sweep(shelf)


def _sweep(shelf: Path) -> None:
    """Remove hidden files that killed writers left behind."""
    for folder in ("results", "index"):
        for f in (shelf / folder).glob(".*"):
            with suppress(OSError):
                if time.time() - f.stat().st_mtime > STALE:
                    f.unlink()


def _upgraded(table: pa.Table, names: Sequence[str] = tuple(SCHEMA.names)) -> pa.Table:
    """Bring an index table of an older version to the present schema: new columns are null."""
    fields = [SCHEMA.field(n) for n in names]
    columns = [
        table[f.name].cast(f.type) if f.name in table.column_names else pa.nulls(len(table), f.type)
        for f in fields
    ]
    return pa.table(columns, schema=pa.schema(fields, metadata=SCHEMA.metadata))


def _once(table: pa.Table) -> pa.Table:
    """Keep one of each (id, measure)."""
    if len(table) == 0:
        return table
    key = pc.binary_join_element_wise(table["id"], table["measure"], "\n")
    numbered = pa.table({"key": key, "row": pa.array(np.arange(len(table)))})
    first = numbered.group_by("key", use_threads=False).aggregate([("row", "min")])["row_min"]
    if len(first) == len(table):
        return table
    return table.take(np.sort(first.to_numpy()))


Condition = tuple[str, str, Any]
"""Column, one of ==, <=, >=, and the value it is held against."""
COMPARE = {"==": pc.equal, "<=": pc.less_equal, ">=": pc.greater_equal}


def _holding(table: pa.Table, where: Sequence[Condition]) -> pa.Table:
    """Rows that meet all conditions."""
    for name, sign, value in where:
        table = table.filter(COMPARE[sign](table[name], pa.scalar(value, SCHEMA.field(name).type)))
    return table


def _may_hold(group: parquet.RowGroupMetaData, where: Sequence[Condition]) -> bool:
    """Whether the least and the largest value of a group of rows leave room for what must be equal."""
    asked = {name: value for name, sign, value in where if sign == "=="}
    for k in range(group.num_columns):
        column = group.column(k)
        if column.path_in_schema not in asked:
            continue
        known = column.statistics
        value = asked[column.path_in_schema]
        if known is not None and known.has_min_max and not known.min <= value <= known.max:
            return False
    return True


def _scan(path: Path, columns: Sequence[str], where: Sequence[Condition]) -> Iterator[pa.Table]:
    """Rows of one index file, some thousands at a time; a column that it lacks is null.

    Groups of rows that cannot hold what must be equal are passed over.
    """
    needed = list(dict.fromkeys([*columns, *(name for name, _, _ in where)]))
    with parquet.ParquetFile(path) as file:
        there = [n for n in needed if n in file.schema_arrow.names]
        groups = [
            k for k in range(file.num_row_groups) if _may_hold(file.metadata.row_group(k), where)
        ]
        for batch in file.iter_batches(20_000, row_groups=groups, columns=there, use_threads=False):
            whole = _upgraded(pa.Table.from_batches([batch]), needed)
            yield _holding(whole, where).select(columns)


def _read(shelf: Path, columns: Sequence[str], where: Sequence[Condition] = ()) -> pa.Table:
    """Read rows of the index; tried again where a writer joins files meanwhile."""
    for _ in range(20):
        files = _index_files(shelf)
        try:
            parts = [part for f in files for part in _scan(f, columns, where)]
            return pa.concat_tables([SCHEMA.empty_table().select(columns), *parts])
        except FileNotFoundError:
            continue
        except (pa.ArrowException, OSError) as error:
            reason = str(error).partition("\n")[0]
            msg = (
                f"{shelf / 'index'}: a file of the index is damaged ({reason}). Remove "
                "the .parquet files there: the index is built anew from the results"
            )
            raise CrabwiseError(msg) from None
    msg = f"{shelf}: the index changes faster than it can be read; try again"
    raise CrabwiseError(msg)


def _known_ids(shelf: Path) -> set[str]:
    return set(_read(shelf, ["id"], [("measure", "==", "")])["id"].to_pylist())


def _names(shelf: Path) -> list[str]:
    with os.scandir(shelf / "results") as found:
        return [e.name[:-5] for e in found if e.name.endswith(".json") and e.name[0] != "."]


def _unindexed(shelf: Path) -> list[str]:
    known = _known_ids(shelf)
    return [n for n in _names(shelf) if n not in known]


def load_entry(directory: str | Path, name: str) -> dict[str, Any]:
    """Read one entry with its whole result.

    Parameters
    ----------
    directory : str or Path
        The shelf.
    name : str
        Identity, as `list_results` gives it.

    Returns
    -------
    dict
        Entry, schema ``crabwise-shelf/1``; older ones are brought up to it.

    Raises
    ------
    CrabwiseError
        Where there is no such entry, it is not readable, or of a newer version.
    """
    return _whole_entry(directory, name)[0]


def _whole_entry(directory: str | Path, name: str) -> tuple[dict[str, Any], pa.Table]:
    """Entry and its rows of the index: whatever the shelf reads of a result must be there."""
    path = _folder(directory) / "results" / f"{name}.json"
    try:
        entry = load_json(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        msg = f"{path}: no such result on this shelf; `crabwise shelf {directory}` lists them"
        raise CrabwiseError(msg) from None
    except (OSError, ValueError, RecursionError) as error:
        msg = f"{path}: not readable as a result: {error}. Restore it or move it away."
        raise CrabwiseError(msg) from None
    try:
        entry = migrate(entry, name, path)
        rows = index_rows(entry)
    except (LookupError, TypeError, ValueError, AttributeError, pa.ArrowException) as error:
        msg = (
            f"{path}: not whole as a result: {type(error).__name__}: {str(error)[:80]}. Restore it or "
            "move it away."
        )
        raise CrabwiseError(msg) from None
    return entry, rows


def migrate(entry: dict[str, Any], name: str, path: Path) -> dict[str, Any]:
    """Bring an entry of an older version up to the present one.

    Parameters
    ----------
    entry : dict
        As read.
    name : str
        Identity it stands under.
    path : Path
        Its file, for messages and its time of change.

    Returns
    -------
    dict
        Entry of schema ``crabwise-shelf/1``.

    Raises
    ------
    CrabwiseError
        Where it is of a newer version or no result at all.
    """
    schema = str(entry.get("schema", "")) if isinstance(entry, dict) else ""
    if schema == ENTRY:
        return entry
    if schema.startswith("crabwise-result/1"):
        # Version 0: a bare result file, written with --json and put here by hand.
        now = datetime.fromtimestamp(path.stat().st_mtime, UTC)
        moment, origin = _moment(entry, None, now)
        return {
            "schema": ENTRY,
            "id": name,
            "filed_at": now.isoformat(timespec="microseconds"),
            "recorded_at": moment.isoformat(timespec="microseconds"),
            "recorded_at_from": origin,
            "hours": None,
            "note": "",
            "service": [],
            "result": entry,
        }
    if schema.startswith("crabwise-shelf/"):
        msg = f"{path}: written by a newer Crabwise ({schema}, known is {ENTRY}); update Crabwise"
    else:
        msg = f"{path}: not a Crabwise result; move it away from the shelf"
    raise CrabwiseError(msg)


def refresh(directory: str | Path) -> int:
    """Index every result that lacks its rows: after a kill, or put there by hand.

    Parameters
    ----------
    directory : str or Path
        The shelf.

    Returns
    -------
    int
        Entries taken in.
    """
    shelf = _folder(directory, make=True)
    missing = _unindexed(shelf)
    for k in range(0, len(missing), 500):
        tables = [_whole_entry(shelf, n)[1] for n in missing[k : k + 500]]
        name = f"all-v{VERSION}-{secrets.token_hex(8)}.parquet"
        write_atomically(shelf / "index" / name, _bytes(pa.concat_tables(tables)))
    if missing:
        join_index(shelf)
    return len(missing)


def _conditions(
    robot: str | None, since: datetime | None, until: datetime | None, measure: str
) -> list[Condition]:
    where: list[Condition] = [("measure", "==", measure)]
    if robot is not None:
        where.append(("robot", "==", robot))
    if since is not None:
        where.append(("recorded_at", ">=", since.astimezone(UTC)))
    if until is not None:
        where.append(("recorded_at", "<=", until.astimezone(UTC)))
    return where


def _rows(
    shelf: Path, columns: Sequence[str], robot: str | None, since: datetime | None,
    until: datetime | None, measure: str,
) -> pa.Table:  # fmt: skip
    """Rows of one measure, those of unindexed entries included, one a result, by time."""
    where = _conditions(robot, since, until, measure)
    wanted = list(dict.fromkeys(["id", "measure", "recorded_at", *columns]))
    table = _read(shelf, wanted, where)
    missing = _unindexed(shelf)
    if len(missing) > JOIN_AT:
        refresh(shelf)
        table = _read(shelf, wanted, where)
    elif missing:
        more = pa.concat_tables([_whole_entry(shelf, n)[1] for n in missing])
        table = pa.concat_tables([table, _holding(more, where).select(wanted)])
    return _once(table).sort_by([("recorded_at", "ascending"), ("id", "ascending")])


def list_results(
    directory: str | Path,
    *,
    robot: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    text: str | None = None,
    cause: str | None = None,
    newest: int | None = None,
) -> list[dict[str, Any]]:
    """List what stands on the shelf.

    Parameters
    ----------
    directory : str or Path
        The shelf.
    robot : str, optional
        Only this robot.
    since, until : datetime, optional
        Only recordings of this span, both ends included.
    text : str, optional
        Only entries whose note or service holds this text, in any case.
    cause : str, optional
        Only entries whose first cause begins with this word, as ``roller_drag`` or
        ``roller_drag FL``.
    newest : int, optional
        At most so many, the newest.

    Returns
    -------
    list of dict
        By time of recording: id, robot, recorded_at, filed_at (datetime), hours, note, service
        (list of {wheel, what, hours}), drive_mode, cause, probability, recordings (list).

    Raises
    ------
    CrabwiseError
        Where there is no shelf.
    """
    shelf = _folder(directory)
    table = _rows(shelf, LISTED, robot, since, until, "")
    if text is not None:
        table = table.filter(
            pc.or_(
                pc.match_substring(table["note"], text, ignore_case=True),
                pc.match_substring(table["service"], text, ignore_case=True),
            )
        )
    if cause is not None:
        table = table.filter(pc.starts_with(table["cause"], cause))
    if newest is not None:
        table = table.slice(max(0, len(table) - newest))
    rows = table.select(list(LISTED)).to_pylist()
    for row in rows:
        row["service"] = json.loads(row["service"]) if row["service"] else []
        row["recordings"] = row["recordings"].split("\n") if row["recordings"] else []
    return rows


def list_measures(directory: str | Path, *, robot: str | None = None) -> list[str]:
    """Names of the measures that can be followed.

    Parameters
    ----------
    directory : str or Path
        The shelf.
    robot : str, optional
        Only those of this robot.

    Returns
    -------
    list of str
        Sorted.
    """
    shelf = _folder(directory)
    _rows(shelf, ("id",), robot, None, None, "")  # takes in what is not indexed yet
    where = [] if robot is None else [("robot", "==", robot)]
    names = pc.unique(_read(shelf, ["measure"], where)["measure"]).to_pylist()
    return sorted(n for n in names if n)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Course of one measure over the recordings of one robot.

    Attributes
    ----------
    measure, unit, robot : str
        What is followed.
    axis : {"hours", "days"}
        Meaning of `at`: operating hours where every recording has them, else days since the first.
    start : datetime
        First recording.
    ids : tuple of str
        Entries.
    recorded_at : tuple of datetime
        When.
    at, value, low, high : ndarray, shape (n,)
        Place on the axis [h or d], values and 95 % intervals.
    services : tuple of dict
        {at, recorded_at, wheel, what}: drawn at the first recording after it, or at its own hours.
    changes : tuple of int
        Index of the first recording after each change point.
    limit : float or None
        Limit asked for.
    slope : Estimate
        Change per hour or day since the last change or service.
    crossing : Estimate
        Where the limit is crossed, on the axis; undetermined with the reason.
    """

    measure: str
    unit: str
    robot: str
    axis: str
    start: datetime
    ids: tuple[str, ...]
    recorded_at: tuple[datetime, ...]
    at: np.ndarray
    value: np.ndarray
    low: np.ndarray
    high: np.ndarray
    services: tuple[dict[str, Any], ...]
    changes: tuple[int, ...]
    limit: float | None
    slope: Estimate
    crossing: Estimate


def trend(
    directory: str | Path,
    measure: str,
    *,
    robot: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    limit: float | None = None,
) -> Trend:
    """Follow one measure over the recordings, with service marks, changes and a forecast.

    Parameters
    ----------
    directory : str or Path
        The shelf.
    measure : str
        Name as `list_measures` gives it.
    robot : str, optional
        Which robot; may be left out where the shelf holds one only.
    since, until : datetime, optional
        Span of recordings.
    limit : float, optional
        Value that must not be crossed; asks for the forecast. [unit of the measure]

    Returns
    -------
    Trend
        The course.

    Raises
    ------
    CrabwiseError
        Where the measure is unknown or the robot has to be named.
    """
    shelf = _folder(directory)
    columns = ("robot", "hours", "service", "unit", "value", "std_error", "low", "high")
    table = _rows(shelf, columns, robot, since, until, measure)
    if len(table) == 0:
        known = list_measures(shelf, robot=robot)
        shown = ", ".join(known[:40]) or "none"
        msg = f"{shelf}: nothing filed for measure {measure!r} of {robot or 'any robot'}. Known are: {shown}"
        raise CrabwiseError(msg)
    robots = sorted(set(table["robot"].to_pylist()))
    if len(robots) > 1:
        msg = f"{shelf}: several robots stand here; name one with --robot-name: {', '.join(robots)}"
        raise CrabwiseError(msg)
    times = table["recorded_at"].to_pylist()
    hours = table["hours"].to_numpy(zero_copy_only=False).astype(float)
    if np.all(np.isfinite(hours)):
        order = np.argsort(hours, kind="stable")
        table, times, at, axis = table.take(order), [times[k] for k in order], hours[order], "hours"
    else:
        at = np.array([(t - times[0]).total_seconds() / 86400 for t in times])
        axis = "days"
    value = table["value"].to_numpy(zero_copy_only=False).astype(float)
    services = []
    for k, text in enumerate(table["service"].to_pylist()):
        for s in json.loads(text) if text else []:
            own = s["hours"] if axis == "hours" and s["hours"] is not None else float(at[k])
            services.append(
                {
                    "at": own,
                    "before": k,
                    "recorded_at": times[k],
                    "wheel": s["wheel"],
                    "what": s["what"],
                }
            )
    changes = change_points(at, value)
    wheel = next(
        (part for part in measure.split(".")[1:] if any(s["wheel"] == part for s in services)), None
    )
    touched = [s["before"] for s in services if wheel is None or s["wheel"] in {None, wheel}]
    start = max([0, *changes, *touched])
    unit = str(table["unit"][0])
    error = table["std_error"].to_numpy(zero_copy_only=False).astype(float)
    slope, crossing = forecast(at[start:], value[start:], error[start:], limit, unit, axis)
    return Trend(
        measure=measure,
        unit=unit,
        robot=robots[0],
        axis=axis,
        start=times[0],
        ids=tuple(table["id"].to_pylist()),
        recorded_at=tuple(times),
        at=at,
        value=value,
        low=table["low"].to_numpy(zero_copy_only=False).astype(float),
        high=table["high"].to_numpy(zero_copy_only=False).astype(float),
        services=tuple(services),
        changes=changes,
        limit=limit,
        slope=slope,
        crossing=crossing,
    )


def trends(
    directory: str | Path,
    pattern: str,
    *,
    robot: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    limit: float | None = None,
) -> list[Trend]:
    """Follow every measure that a pattern names, as each wheel's slip: which reaches a limit first?

    Parameters
    ----------
    directory : str or Path
        The shelf.
    pattern : str
        Shell pattern of measures, as ``relative_radius.*``.
    robot : str, optional
        Which robot; may be left out where the shelf holds one only.
    since, until : datetime, optional
        Span of recordings.
    limit : float, optional
        Value that must not be crossed. [unit of the measures]

    Returns
    -------
    list of Trend
        Those whose crossing comes soonest first, then by name.

    Raises
    ------
    CrabwiseError
        Where no measure matches or the robot has to be named.
    """
    names = fnmatch.filter(list_measures(directory, robot=robot), pattern)
    if not names:
        msg = f"{directory}: no measure matches {pattern!r}; --measures lists the names"
        raise CrabwiseError(msg)
    found = [trend(directory, n, robot=robot, since=since, until=until, limit=limit) for n in names]
    return sorted(
        found, key=lambda t: (math.inf if t.crossing.value is None else t.crossing.value, t.measure)
    )


def change_points(at: np.ndarray, value: np.ndarray) -> tuple[int, ...]:
    """Find where the course of a series breaks: another level or another slope.

    Parameters
    ----------
    at, value : ndarray, shape (n,)
        Place on the axis, rising, and values.

    Returns
    -------
    tuple of int
        Index of the first value of each new piece; none with fewer than eight values.

    Notes
    -----
    Binary segmentation into straight pieces (package ruptures; Bai, 1997). A break must lower the
    sum of squares by more than 6 s^2 ln n, with s from successive differences: three numbers more
    (place, level, slope), each with the Bayesian penalty ln n, and that doubled because s is itself
    uncertain. Long series are searched in at most 200 block means.
    """
    n = value.size
    if n < 8:
        return ()
    import ruptures

    block = -(-n // 200)
    whole = n // block * block
    y = value[:whole].reshape(-1, block).mean(axis=1)
    t = at[:whole].reshape(-1, block).mean(axis=1)
    scatter = scatter_of_steps(y)
    span = float(np.ptp(t))
    if not scatter > 0 or span == 0:
        return ()
    place = (t - t[0]) / span
    signal = np.stack([y / scatter, np.ones_like(place), place], axis=1)
    search = ruptures.Binseg(model="linear", min_size=3, jump=1).fit(signal)
    ends = search.predict(pen=6 * math.log(y.size))
    return tuple(int(e) * block for e in ends[:-1])


def forecast(
    at: np.ndarray, value: np.ndarray, error: np.ndarray, limit: float | None, unit: str, axis: str
) -> tuple[Estimate, Estimate]:
    """Straight line through a course, and where it crosses a limit.

    Parameters
    ----------
    at, value, error : ndarray, shape (n,)
        Place on the axis, values and their standard errors.
    limit : float or None
        Limit; None asks for the slope only.
    unit, axis : str
        Unit of the values; "hours" or "days".

    Returns
    -------
    slope, crossing : Estimate
        Change per hour or day; where on the axis the limit is crossed, interval by Fieller's
        theorem. Undetermined with the reason where the course does not tell.

    Notes
    -----
    Weighted least squares with the scatter around the line, or the stated errors if larger. Fieller,
    J. R. Statist. Soc. B 16 (1954) 175: all places where the line's interval holds the limit.
    """
    short = {"hours": "h", "days": "d"}[axis]
    per = f"{unit}/{short}" if unit else f"1/{short}"
    why = "needs four recordings and more since the last service or change"
    if at.size < 4 or np.ptp(at) == 0:
        return Estimate.undetermined(per, why), Estimate.undetermined(short, why)
    middle = float(at.mean())
    x = at - middle
    known = np.where(np.isfinite(error) & (error > 0), error, 0.0)
    weight = (
        1 / np.maximum(known, max(1e-12, float(np.median(known)))) ** 2
        if known.any()
        else np.ones(x.size)
    )
    rows = np.stack([np.ones_like(x), x], axis=1)
    covariance = np.linalg.inv(rows.T @ (rows * weight[:, None]))
    line = covariance @ (rows.T @ (weight * value))
    dof = at.size - 2
    rest = value - rows @ line
    scale = float(weight @ rest**2) / dof
    covariance = covariance * (max(scale, 1.0) if known.any() else scale)
    slope = Estimate.of(float(line[1]), math.sqrt(float(covariance[1, 1])), per, dof=dof)
    if limit is None:
        return slope, Estimate.undetermined(short, "no limit given")
    if slope.low is None or slope.high is None or slope.low <= 0 <= slope.high:
        return slope, Estimate.undetermined(
            short, "the course is level within its uncertainty: no crossing can be foretold"
        )
    gap = limit - line[0]
    place = float(gap / line[1])
    last = float(value[-1])
    if (limit - last) * line[1] < 0 and place + middle < at[-1]:
        return slope, Estimate.undetermined(
            short, "the limit is crossed already or lies the other way"
        )
    t2 = student_quantile(0.975, dof) ** 2
    a = line[1] ** 2 - t2 * covariance[1, 1]
    b = -2 * (line[1] * gap + t2 * covariance[0, 1])
    c = gap**2 - t2 * covariance[0, 0]
    root = math.sqrt(max(0.0, float(b**2 - 4 * a * c)))
    ends = sorted(((-b - root) / (2 * a), (-b + root) / (2 * a)))
    gradient = np.array([-1 / line[1], -gap / line[1] ** 2])
    sd = math.sqrt(float(gradient @ covariance @ gradient))
    return slope, Estimate(
        value=place + middle, std_error=sd, unit=short,
        low=float(ends[0]) + middle, high=float(ends[1]) + middle,
    )  # fmt: skip
