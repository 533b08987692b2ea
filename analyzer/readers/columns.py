"""From named columns to a source: which column is which channel, in which unit, and why."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analyzer.channels import (
    Taken,
    dimension_of,
    recognise,
    tokens_of,
    unit_factor,
    units_for,
)
from analyzer.quantities import Finding, RecordingError
from analyzer.run import ColumnUse, Source

if TYPE_CHECKING:
    from analyzer.robot import ChannelSpec, Robot

QUATERNION = ("x", "y", "z", "w")


@dataclass(slots=True, kw_only=True)
class Columns:
    """Named columns of one file or topic, before they are taken.

    Attributes
    ----------
    name : str
        File or topic, for messages.
    names : list of str
        Column names, each once.
    units : dict of str to str
        Units that the file itself states.
    aliases : dict of str to list of str
        Other names that the file gives a column (further header rows).
    get : callable
        Column name to values; float64, or strings where the cells are text.
    rename : dict of str to str
        Column to the name by which it is recognised (joint names told by other columns).
    forget : callable
        Told the name of a column that is not needed again, so that its memory can go.
    """

    name: str
    names: list[str]
    get: Callable[[str], np.ndarray]
    units: dict[str, str] = field(default_factory=dict)
    aliases: dict[str, list[str]] = field(default_factory=dict)
    rename: dict[str, str] = field(default_factory=dict)
    forget: Callable[[str], object] = lambda _name: None


def take_columns(columns: Columns, robot: Robot | None, findings: list[Finding]) -> Source | None:
    """Turn columns into a source.

    Parameters
    ----------
    columns : Columns
        Columns of one file or topic.
    robot : Robot or None
        Robot whose channel map and wheels apply.
    findings : list of Finding
        Questions and notes are added here.

    Returns
    -------
    Source or None
        None where no column is a channel.

    Raises
    ------
    RecordingError
        Naming every column that is mapped wrongly or cannot be read as numbers, and a missing
        clock.
    """
    mapped: dict[str, ChannelSpec] = {} if robot is None else robot.channels
    faults: list[str] = []
    uses: list[ColumnUse] = []
    channels: dict[str, np.ndarray] = {}
    clocks: list[tuple[int, str, str, str]] = []
    _quaternions(columns, mapped, channels, uses)
    done = {u.column for u in uses}
    bare: list[str] = []
    for name in columns.names:
        if name in done:
            continue
        spec = mapped.get(name)
        if spec is not None:
            problem = _known(spec.channel, robot)
            if problem:
                faults.append(f"{columns.name}: column {name!r}: {problem}")
                continue
            if spec.channel == "t":
                clocks.append((0, name, spec.unit or "", "robot file"))
                continue
            unit = spec.unit or columns.units.get(name, "")
            taken = Taken(channel=spec.channel, unit=unit, why="robot file")
            sign = spec.sign
        else:
            taken = _by_name(columns, name, robot)
            sign = 1
            if taken.channel == "t":
                rank = 1 if taken.unit == "stamp" else 2
                clocks.append((rank, name, taken.unit, taken.why))
                continue
        if not taken.channel:
            uses.append(ColumnUse(column=name, channel="", unit="", why=taken.why))
            if taken.asks:
                bare.append(f"{name!r}: {taken.why}")
            continue
        if taken.channel in channels:
            why = f"second column for {taken.channel}; the first is used"
            if spec is None:
                uses.append(ColumnUse(column=name, channel="", unit="", why=why))
                continue
            faults.append(f"{columns.name}: column {name!r}: {why}; map only one of them")
            continue
        values = columns.get(name)
        if values.dtype.kind not in "fiu":
            row = _first_text(values)
            if spec is None and row is None:
                uses.append(ColumnUse(column=name, channel="", unit="", why="holds text"))
                continue
            where = "" if row is None else f" (first at data row {row[0]}: {row[1]!r})"
            faults.append(
                f"{columns.name}: channel {taken.channel} (column {name!r}): found text where "
                f"numbers belong{where}. Mend those cells, or leave them blank"
            )
            continue
        unit, why, question = _unit_of(taken, values, columns.units.get(name, ""))
        if question:
            uses.append(ColumnUse(column=name, channel="", unit="", why=question))
            bare.append(f"{name!r}: {question}")
            continue
        base, _, scale = unit.partition("*")
        factor = unit_factor(taken.channel, base)
        if factor is None:
            faults.append(
                f"{columns.name}: column {name!r}: unit {base!r} does not fit {taken.channel}; "
                f"allowed are {units_for(taken.channel)}"
            )
            continue
        factor *= sign * (float(scale) if scale else 1.0)
        values = values.astype(np.float64, copy=False)
        channels[taken.channel] = values if factor == 1.0 else values * factor
        columns.forget(name)
        uses.append(ColumnUse(column=name, channel=taken.channel, unit=unit, why=why))
    if faults:
        raise RecordingError("\n".join(faults))
    findings += [
        Finding(severity="note", channel="", text=f"{columns.name}: not used: {text}")
        for text in bare
    ]
    if not channels:
        return None
    _merge_acceleration_unit(channels, uses)
    t, epoch, absolute, use = _clock(columns, clocks)
    for _, name, _, _ in clocks:
        if name != use.column:
            uses.append(ColumnUse(column=name, channel="", unit="", why="another clock is used"))
    order = {n: i for i, n in enumerate(columns.names)}
    uses.append(use)
    uses.sort(key=lambda u: order.get(u.column, -1))
    return Source(
        name=columns.name,
        t=t,
        epoch=epoch,
        absolute=absolute,
        channels=channels,
        columns=tuple(uses),
    )


def _by_name(columns: Columns, name: str, robot: Robot | None) -> Taken:
    first: Taken | None = None
    for alias in [columns.rename.get(name, name), *columns.aliases.get(name, [])]:
        taken = recognise(alias, robot)
        if taken.channel:
            return taken
        if first is None or (taken.asks and not first.asks):
            first = taken
    assert first is not None
    return first


def _known(channel: str, robot: Robot | None) -> str:
    """Say what is wrong with a channel name of the robot file; "" where nothing is."""
    if not dimension_of(channel):
        return f"the robot file maps it to {channel!r}, which is no channel; see the channel list"
    head, _, wheel = channel.partition("_")
    if (
        robot is not None
        and head in {"count", "omega", "target", "power", "volt", "current"}
        and channel not in {"omega_x", "omega_y", "omega_z"}
        and wheel not in robot.wheel_names
    ):
        return (
            f"the robot file maps it to {channel!r}, but there is no wheel {wheel!r}; wheels are "
            f"{', '.join(robot.wheel_names)}"
        )
    return ""


def _first_text(values: np.ndarray) -> tuple[int, str] | None:
    """First cell that is no number, where most are numbers; None where the column is text."""
    numbers = 0
    first: tuple[int, str] | None = None
    for row, cell in enumerate(values[:20000], start=1):
        text = "" if cell is None else str(cell).strip()
        if not text:
            continue
        try:
            float(text)
            numbers += 1
        except ValueError:
            if first is None:
                first = (row, text[:40])
    return first if numbers else None


def _unit_of(taken: Taken, values: np.ndarray, stated: str) -> tuple[str, str, str]:
    """Unit, reason, and the question where the unit cannot be told."""
    why = taken.why
    if taken.unit == "count" and why != "robot file":
        whole = values[np.isfinite(values)][:5000]
        if np.any(whole != np.round(whole)):
            return "", "", "not whole numbers: counts or an angle? Give the unit in the robot file"
    if taken.unit:
        return taken.unit, why, ""
    if stated and unit_factor(taken.channel, stated) is not None:
        return stated, f"{why}; unit from the file", ""
    if stated and taken.why != "robot file":
        return (
            "",
            "",
            f"the file states unit {stated!r}, which is none of {units_for(taken.channel)}",
        )
    dimension = dimension_of(taken.channel)
    finite = values[np.isfinite(values)] if values.dtype.kind == "f" else values
    top = float(np.max(np.abs(finite))) if finite.size else 0.0
    if dimension == "count":
        whole = finite[:5000]
        if whole.size and np.all(whole == np.round(whole)):
            return "count", f"{why}; whole numbers", ""
        return "", "", "not whole numbers: counts or an angle? Give the unit in the robot file"
    if dimension in {"length", "voltage", "current", "time"}:
        si = {"length": "m", "voltage": "V", "current": "A", "time": "s"}[dimension]
        if dimension == "length" and top > 500:
            return "", "", f"values reach {top:.0f}: m, mm or pixels? Give the unit"
        return si, f"{why}; SI unit taken", ""
    if dimension == "share":
        if top <= 1.0001:
            return "1", f"{why}; within -1..1", ""
        return "", "", f"duty reaches {top:.0f}; log it as -1..1 or %, or give the unit"
    if dimension == "angle":
        if top > 2 * math.pi * 1.05:
            return "deg", f"{why}; reaches {top:.0f}, so degrees", ""
        return "", "", "degrees or radians? Give the unit in the robot file"
    if dimension == "rate":
        if taken.channel in {"omega_x", "omega_y", "omega_z"}:
            if top > 35:
                return "deg/s", f"{why}; reaches {top:.0f}, so degrees", ""
            return "", "", "rad/s or deg/s? Give the unit in the robot file"
        if taken.channel == "cmd_omega_z":
            if top <= 6.5:
                return "rad/s", f"{why}; within 6.5, so radians", ""
            return "deg/s", f"{why}; reaches {top:.0f}, so degrees", ""
        return "", "", "rad/s, deg/s or rpm? Give the unit in the robot file"
    if dimension == "speed":
        if top <= 10:
            return "m/s", f"{why}; within 10, so m/s", ""
        return "", "", f"reaches {top:.0f}: mm/s or cm/s? Give the unit in the robot file"
    if dimension == "acceleration":
        return "m/s^2", f"{why}; unit to be checked against gravity", ""
    return "", "", "give the unit in the robot file"


def _merge_acceleration_unit(channels: dict[str, np.ndarray], uses: list[ColumnUse]) -> None:
    """Accelerometers whose unit no name says: gravity tells g from m/s^2."""
    if "f_z" not in channels:
        return
    for at, use in enumerate(uses):
        if use.channel in {"f_x", "f_y", "f_z"} and "gravity" in use.why:
            up = abs(float(np.nanmedian(channels["f_z"])))
            if 0.5 < up < 1.5:
                channels[use.channel] = channels[use.channel] * 9.80665
            unit = "g" if 0.5 < up < 1.5 else "m/s^2"
            uses[at] = ColumnUse(
                column=use.column,
                channel=use.channel,
                unit=unit,
                why=f"f_z rests at {up:.2f}, so {unit}",
            )
            if unit == "g" and use.channel == "f_z":
                up = 0.0
    for channel in ("f_x", "f_y", "f_z"):
        if channel in channels:
            continue


def _quaternions(
    columns: Columns,
    mapped: dict[str, ChannelSpec],
    channels: dict[str, np.ndarray],
    uses: list[ColumnUse],
) -> None:
    """Yaw from quaternion columns, atan2(2(wz + xy), 1 - 2(y² + z²)) (z-y-x Euler angles)."""
    for name in columns.names:
        if not name.endswith("orientation.w") or name in mapped:
            continue
        stem = name[:-1]
        parts = [stem + q for q in QUATERNION]
        if any(p not in columns.names for p in parts):
            continue
        x, y, z, w = (columns.get(p).astype(np.float64) for p in parts)
        norm = np.sqrt(x * x + y * y + z * z + w * w)
        with np.errstate(invalid="ignore", divide="ignore"):
            x, y, z, w = x / norm, y / norm, z / norm, w / norm
        yaw = np.arctan2(2 * (w * z + x * y), 1 - 2 * (y * y + z * z))
        channel = "ref_yaw" if "pose" in stem or "transform" in stem else "yaw"
        if channel in channels:
            continue
        channels[channel] = yaw
        uses += [
            ColumnUse(column=p, channel=channel, unit="1", why="quaternion, turned into yaw")
            for p in parts
        ]


def _clock(
    columns: Columns, clocks: list[tuple[int, str, str, str]]
) -> tuple[np.ndarray, float, bool, ColumnUse]:
    if not clocks:
        raise RecordingError(
            f"{columns.name}: channel t: no time column among {', '.join(columns.names[:12])}. "
            'Log stamps, or name the column in the robot file: "NAME" = { channel = "t", unit = "s" }'
        )
    clocks = sorted(clocks, key=lambda c: c[0])
    _, name, unit, why = clocks[0]
    values = columns.get(name)
    if values.dtype.kind not in "fiuM":
        cell = _first_text(values)
        if cell is not None:
            raise RecordingError(
                f"{columns.name}: channel t (column {name!r}): found text where numbers belong "
                f"(first at data row {cell[0]}: {cell[1]!r}). Mend those cells"
            )
        t, epoch = _iso(values, columns.name, name)
        use = ColumnUse(column=name, channel="t", unit="ISO 8601", why=why)
        return t, epoch, epoch > 3e8, use
    if values.dtype.kind == "M":
        nanos = values.astype("datetime64[ns]").astype(np.int64)
        epoch_ns = int(nanos[0])
        t = (nanos - epoch_ns) * 1e-9
        use = ColumnUse(column=name, channel="t", unit="ISO 8601", why=why)
        return t, epoch_ns * 1e-9, epoch_ns > 3e17, use
    finite = values[np.isfinite(values)] if values.dtype.kind == "f" else values
    if finite.size < 2:
        raise RecordingError(
            f"{columns.name}: channel t (column {name!r}): {finite.size} stamps in "
            f"{values.size} rows; a recording needs a running clock"
        )
    if unit in {"", "stamp"}:
        unit, reason = _guess_time_unit(finite)
        if not unit:
            raise RecordingError(
                f"{columns.name}: channel t (column {name!r}): {reason}. Give the unit in the "
                f'robot file: "{name}" = {{ channel = "t", unit = "ms" }}'
            )
        why = f"{why}; {reason}"
    factor = unit_factor("t", unit)
    if factor is None:
        raise RecordingError(
            f"{columns.name}: channel t (column {name!r}): unit {unit!r} is none of "
            f"{units_for('t')}"
        )
    first = finite[0]
    absolute = float(first) * factor > 3e8
    if absolute:
        t = (values - first).astype(np.float64) * factor
        epoch = float(first) * factor
    else:
        t, epoch = values.astype(np.float64) * factor, 0.0
    return t, epoch, absolute, ColumnUse(column=name, channel="t", unit=unit, why=why)


def _guess_time_unit(values: np.ndarray) -> tuple[str, str]:
    top = float(np.max(np.abs(values[:1000])))
    for limit, unit in ((1e17, "ns"), (1e14, "us"), (1e11, "ms"), (1e9, "s")):
        if top > limit and float(values[0]) > limit / 10:
            return unit, f"size of the stamps: Unix time in {unit}"
    step = np.diff(values[:20000].astype(np.float64))
    step = step[step > 0]
    if step.size == 0:
        return "s", "stamps do not advance"
    middle = float(np.median(step))
    if middle <= 0.6:
        return "s", f"steps of {middle:.3g}, so seconds"
    if middle < 2:
        return "", f"steps of {middle:.3g}: seconds or milliseconds?"
    if middle <= 600:
        return "ms", f"steps of {middle:.3g}, so milliseconds"
    if middle <= 6e5:
        return "us", f"steps of {middle:.3g}, so microseconds"
    return "ns", f"steps of {middle:.3g}, so nanoseconds"


def _iso(values: np.ndarray, source: str, name: str) -> tuple[np.ndarray, float]:
    """Stamps of RFC 3339 or of the date/time form with slashes, to seconds."""
    import pandas as pd

    text = pd.Series(values, dtype="str").str.strip()
    text = text.str.replace(r"^(\d{4})/(\d\d)/(\d\d)/", r"\1-\2-\3T", regex=True)
    stamps = pd.to_datetime(text, errors="coerce", utc=True, format="ISO8601")
    bad = stamps.isna() & text.notna() & (text != "")
    if bad.all() or bad.sum() > 0.02 * len(text) + 1:
        at = int(np.flatnonzero(bad.to_numpy())[0])
        raise RecordingError(
            f"{source}: channel t (column {name!r}): data row {at + 1}: {text.iloc[at]!r} is no "
            "stamp; use seconds, or ISO 8601 such as 2026-05-04T10:00:00.250Z"
        )
    nanos = stamps.astype("datetime64[ns, UTC]").to_numpy(dtype="datetime64[ns]").astype(np.int64)
    missing = stamps.isna().to_numpy()
    first = int(nanos[~missing][0])
    t = (nanos - first) * 1e-9
    t[missing] = np.nan
    return t, first * 1e-9


def joint_names(columns: Columns) -> None:
    """Read joint names that stand in columns of their own (`name0` beside `position0`).

    Parameters
    ----------
    columns : Columns
        Columns of a text file; its `rename` is filled.
    """
    for name in columns.names:
        head, digits = name.rstrip("0123456789"), name[len(name.rstrip("0123456789")) :]
        if not digits or not head.endswith("name"):
            continue
        cells = columns.get(name)
        if cells.dtype.kind in "fiu" or cells.size == 0 or len(set(cells[:1000].tolist())) != 1:
            continue
        joint = str(cells[0])
        for part in ("position", "velocity", "effort"):
            other = f"{head[:-4]}{part}{digits}"
            if other in columns.names:
                columns.rename[other] = f"{joint} {part}"


def is_unit(text: str) -> bool:
    """Tell whether a header cell is a unit.

    Parameters
    ----------
    text : str
        Header cell.

    Returns
    -------
    bool
        True for known units, "pix" and the like.
    """
    from analyzer.channels import UNITS

    word = text.strip().strip("[]()")
    return (
        word in UNITS
        or word.lower() in UNITS
        or word.lower() in {"pix", "px", "-"}
        or (len(tokens_of(word)) == 2 and "/" in word)
    )
