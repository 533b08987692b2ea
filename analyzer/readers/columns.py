"""From named columns to a source: which column is which channel, in which unit, and why."""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analyzer.channels import (
    ASK_MAP,
    REFERENCE,
    UNITS,
    Taken,
    dimension_of,
    parse_unit,
    recognise,
    scale_of_name,
    tf_reference,
    tokens_of,
    unit_dimension,
    unit_factor,
    units_for,
)
from analyzer.quantities import BEYOND, Finding, RecordingError, enough, extent
from analyzer.run import ColumnUse, Source

if TYPE_CHECKING:
    from analyzer.robot import ChannelSpec, Robot


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
    twice : dict of str to str
        Column whose name stands in the file before, to that earlier column.
    trouble : str
        Why these names cannot be trusted; an error unless the robot file maps columns.
    nameless : set of str
        Columns that the file does not name; their names here tell the place.
    forget : callable
        Told the name of a column that is not needed again, so that its memory can go.
    extents : dict of str to (float, float)
        `extent` of columns for which the reader worked it out while it read others.
    """

    name: str
    names: list[str]
    get: Callable[[str], np.ndarray]
    units: dict[str, str] = field(default_factory=dict)
    aliases: dict[str, list[str]] = field(default_factory=dict)
    rename: dict[str, str] = field(default_factory=dict)
    twice: dict[str, str] = field(default_factory=dict)
    trouble: str = ""
    nameless: set[str] = field(default_factory=set)
    forget: Callable[[str], object] = lambda _name: None
    extents: dict[str, tuple[float, float]] = field(default_factory=dict)

    def also(self, name: str) -> list[str]:
        """Every name by which the user may call a column.

        Parameters
        ----------
        name : str
            Column.

        Returns
        -------
        list of str
            Its own name first.
        """
        out = [name]
        if name in self.rename:
            out.append(self.rename[name])
        return out + self.aliases.get(name, [])


@dataclass(slots=True, kw_only=True)
class _Taking:
    """What has been taken of one source so far."""

    columns: Columns
    robot: Robot | None
    findings: list[Finding]
    mapped: dict[str, ChannelSpec]
    leave: Collection[str]
    channels: dict[str, np.ndarray] = field(default_factory=dict)
    extents: dict[str, tuple[float, float]] = field(default_factory=dict)
    uses: list[ColumnUse] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    asked: list[Finding] = field(default_factory=list)

    def ask(self, name: str, question: str, channel: str = "") -> None:
        """Leave a column out until the user answers; `channel` is what it would be."""
        self.uses.append(ColumnUse(column=name, channel="", unit="", why=question))
        column = self.columns.rename.get(name, name)
        text = f"{self.columns.name}: not used: {column!r}: {question}"
        self.asked.append(Finding(severity="note", channel=channel, text=text))

    def leave_out(self, name: str, channel: str, unit: str, why: str) -> None:
        why = f"{why}; no estimate uses it"
        self.uses.append(ColumnUse(column=name, channel=channel, unit=unit, why=why))

    def fault(self, name: str, text: str) -> None:
        self.faults.append(f"{self.columns.name}: column {name!r}: {text}")


def take_columns(
    columns: Columns,
    robot: Robot | None,
    findings: list[Finding],
    questions: list[Finding],
    leave: Collection[str] = (),
) -> Source | None:
    """Turn columns into a source.

    Parameters
    ----------
    columns : Columns
        Columns of one file or topic.
    robot : Robot or None
        Robot whose channel map and wheels apply.
    findings : list of Finding
        Notes are added here.
    questions : list of Finding
        What is asked of columns that are left out is added here, with the channel that each would be.
    leave : collection of str
        Channels whose values are not wanted.

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
    table: dict[str, ChannelSpec] = {} if robot is None else robot.channels
    mapped = {}
    for name in columns.names:
        for other in columns.also(name):
            if other in table:
                mapped[name] = table[other]
                break
    if columns.trouble and not mapped:
        raise RecordingError(columns.trouble)
    work = _Taking(columns=columns, robot=robot, findings=findings, mapped=mapped, leave=leave)
    clocks: list[tuple[int, str, str, str]] = []
    _quaternions(work)
    done = {u.column for u in work.uses}
    for name in columns.names:
        if name in done:
            continue
        spec = mapped.get(name)
        if spec is None:
            taken = _by_name(columns, name, robot)
            if taken.channel == "t" and name not in columns.nameless:
                rank = 1 if taken.unit == "stamp" else 2
                clocks.append((rank, name, taken.unit, taken.why))
            else:
                _take_named(work, name, taken)
        elif spec.channel == "ignore":
            work.uses.append(ColumnUse(column=name, channel="", unit="", why="robot file: ignored"))
        elif spec.channel == "t":
            clocks.append((0, name, spec.unit or columns.units.get(name, ""), "robot file"))
        else:
            _take_mapped(work, name, spec)
    if work.faults:
        raise RecordingError("\n".join(work.faults))
    _merge_acceleration_unit(work)
    questions += work.asked
    if not work.channels:
        if not clocks:
            text = f"{columns.name}: no time column: name it, or give [log] rate_hz"
            questions.append(Finding(severity="note", channel="t", text=text))
        return None
    t, epoch, absolute, clock = _clock(work, clocks)
    for _, name, _, _ in clocks:
        if name not in clock.column.split(" + "):
            work.uses.append(
                ColumnUse(column=name, channel="", unit="", why="another clock is used")
            )
    order = {n: i for i, n in enumerate(columns.names)}
    parts = set(clock.column.split(" + ")) if " + " in clock.column else set()
    uses = [u for u in work.uses if u.column not in parts] + [clock]
    uses.sort(key=lambda u: order.get(u.column, -1))
    return Source(
        name=columns.name,
        t=t,
        epoch=epoch,
        absolute=absolute,
        channels=work.channels,
        columns=tuple(uses),
        extents={c: e for c, e in work.extents.items() if c in work.channels},
    )


def looked_at(
    name: str, others: Sequence[str], robot: Robot | None, leave: Collection[str]
) -> bool:
    """Whether `take_columns` will ask for the values of a column, as far as its name tells.

    Parameters
    ----------
    name : str
        Column.
    others : sequence of str
        Other names that the file gives it.
    robot : Robot or None
        Robot whose channel map and wheels apply.
    leave : collection of str
        Channels whose values are not wanted.

    Returns
    -------
    bool
        False for what is no channel and for channels that are left.
    """
    for other in (name, *others):
        if robot is not None and other in robot.channels:
            return robot.channels[other].channel not in {"ignore", *leave}
    if QUATERNION_PART.match(name) or JOINT_NAME.fullmatch(name):
        return True
    channel = _first_channel([name, *others], robot).channel
    return bool(channel) and channel not in leave


def _by_name(columns: Columns, name: str, robot: Robot | None) -> Taken:
    names = [columns.rename.get(name, name), *columns.aliases.get(name, [])]
    return _first_channel(names, robot)


def _first_channel(names: Sequence[str], robot: Robot | None) -> Taken:
    """What the first of several names that is a channel says, else what the first says."""
    first: Taken | None = None
    for alias in names:
        taken = recognise(alias, robot)
        if taken.channel:
            return taken
        if first is None or (taken.asks and not first.asks):
            first = taken
    assert first is not None
    return first


def _take_named(work: _Taking, name: str, taken: Taken) -> None:
    """Take a column by what its name says, or ask."""
    columns = work.columns
    if name in columns.nameless:
        cells = columns.get(name)
        if cells.dtype.kind == "f" and not np.isfinite(cells).any():
            work.uses.append(ColumnUse(column=name, channel="", unit="", why="empty"))
        else:
            work.ask(name, "has no name in the file; " + ASK_MAP)
        return
    if not taken.channel:
        if taken.asks:
            work.ask(name, taken.why)
        else:
            work.uses.append(ColumnUse(column=name, channel="", unit="", why=taken.why))
        return
    if taken.channel in work.leave:
        work.leave_out(name, taken.channel, taken.unit or columns.units.get(name, ""), taken.why)
        return
    values = columns.get(name)
    if taken.channel in {s.channel for s in work.mapped.values()}:
        why = f"the robot file maps another column to {taken.channel}"
        work.uses.append(ColumnUse(column=name, channel="", unit="", why=why))
        return
    earlier = columns.twice.get(name)
    if earlier is not None and earlier not in work.mapped:
        first = columns.get(earlier)
        if first.dtype.kind in "fiu" and values.dtype.kind in "fiu":
            same = np.array_equal(first, values, equal_nan=first.dtype.kind == "f")
            if not same:
                _drop(work, earlier, taken)
                return
    if taken.channel in work.channels:
        why = f"second column for {taken.channel}; the first is used"
        work.uses.append(ColumnUse(column=name, channel="", unit="", why=why))
        work.findings.append(
            Finding(
                severity="note",
                channel=taken.channel,
                text=f"{columns.name}: {name!r} speaks of {taken.channel} too; the column before "
                "it is used. Map the one that is meant in the robot file",
            )
        )
        return
    if not _numbers(work, name, taken.channel, values, must=False):
        return
    unit, why, question = _unit_of(taken, values, columns.units.get(name, ""))
    if question:
        work.ask(name, question, taken.channel)
        return
    _store(work, name, taken.channel, unit, why, values, 1)


def _drop(work: _Taking, earlier: str, taken: Taken) -> None:
    work.channels.pop(taken.channel, None)
    work.extents.pop(taken.channel, None)
    work.uses = [u for u in work.uses if u.column != earlier]
    for name in (n for n in work.columns.names if work.columns.twice.get(n, n) == earlier):
        if name not in {u.column for u in work.uses}:
            work.ask(
                name,
                f"this name stands twice with different numbers; which is {taken.channel}? Map it "
                "in the robot file",
                taken.channel,
            )


def _take_mapped(work: _Taking, name: str, spec: ChannelSpec) -> None:
    """Take a column as the robot file says."""
    problem = _known(spec.channel, work.robot)
    if problem:
        work.fault(name, problem)
        return
    if spec.channel in work.channels:
        work.fault(name, f"second column for {spec.channel}; map only one of them")
        return
    stated = work.columns.units.get(name, "")
    unit = spec.unit or stated
    scale = scale_of_name(name)
    if scale != 1.0 and spec.unit and parse_unit(spec.unit)[1] == spec.unit.strip():
        work.fault(
            name,
            f"the name says that whole numbers stand for {scale:g}; write unit = "
            f'"{scale:g} {spec.unit}", or "1 {spec.unit}" if that is not so',
        )
        return
    if spec.channel in work.leave:
        work.leave_out(name, spec.channel, unit, "robot file")
        return
    values = work.columns.get(name)
    if not _numbers(work, name, spec.channel, values, must=True):
        return
    taken = Taken(channel=spec.channel, unit=unit, why="robot file", scale=scale)
    unit, why, question = _unit_of(taken, values, stated)
    if question:
        work.ask(name, question, taken.channel)
        return
    _store(work, name, spec.channel, unit, why, values, spec.sign)


def _numbers(work: _Taking, name: str, channel: str, values: np.ndarray, *, must: bool) -> bool:
    if values.dtype.kind in "fiu":
        return True
    row = _first_text(values)
    if not must and row is None:
        work.uses.append(ColumnUse(column=name, channel="", unit="", why="holds text"))
        return False
    where = "" if row is None else f" (first at data row {row[0]}: {row[1]!r})"
    work.faults.append(
        f"{work.columns.name}: channel {channel} (column {name!r}): found text where "
        f"numbers belong{where}. Mend those cells, or leave them blank"
    )
    return False


def _store(
    work: _Taking, name: str, channel: str, unit: str, why: str, values: np.ndarray, sign: int
) -> None:
    """Convert to SI and keep, under the channel that fits the unit."""
    dimension = unit_dimension(unit)
    radius = 1.0
    if channel.startswith("count_") and dimension == "angle":
        channel = "angle_" + channel.removeprefix("count_")
    elif dimension_of(channel) == "rate" and dimension == "speed" and "_z" not in channel:
        wheel = channel.partition("_")[2]
        if work.robot is None or wheel not in work.robot.wheel_names:
            text = "speed of the rim: give --robot, whose radius turns it into rad/s"
            work.ask(name, text, channel)
            return
        radius = float(work.robot.radius[work.robot.wheel_index(wheel)])
        scale, base = parse_unit(unit)
        factor: float | None = (
            scale * UNITS.get(base, UNITS.get(base.lower(), ("", 1.0)))[1] / radius
        )
        why = f"{why}; speed of the rim over the radius"
    if radius == 1.0:
        factor = unit_factor(channel, unit)
    if factor is None:
        if why.startswith("robot file"):
            work.fault(
                name,
                f"unit {unit!r} does not fit {channel}; allowed are {units_for(channel)}",
            )
        else:
            text = f"unit {unit!r}: give it as one of {units_for(channel)}{_pixels(unit)}"
            work.ask(name, text, channel)
        return
    factor *= sign
    values = values.astype(np.float64, copy=False)
    if values.size:
        top = BEYOND / max(abs(factor), 1e-300)
        low, high = work.columns.extents.get(name) or extent(values)
        gaps = math.isnan(low)
        if gaps:
            with np.errstate(invalid="ignore"):
                # Signalling NaNs warn until a sum makes them quiet.
                values = values + 0.0
                low, high = (
                    float(np.nanmin(values, initial=0.0)),
                    float(np.nanmax(values, initial=0.0)),
                )
        if high > top or low < -top:
            absurd = np.abs(values) > top
            values = np.where(absurd, np.nan, values)
            work.findings.append(
                Finding(
                    severity="warning",
                    channel=channel,
                    text=f"{work.columns.name}: {int(absurd.sum())} values of {name!r} are beyond all "
                    "sense (damaged numbers); left out",
                )
            )
        elif not gaps:
            low, high = sorted((low * factor, high * factor))
            work.extents[channel] = (low, high)
    work.channels[channel] = values if factor == 1.0 else values * factor
    if name not in work.columns.twice.values():
        work.columns.forget(name)
    work.uses.append(ColumnUse(column=name, channel=channel, unit=unit, why=why))


def _pixels(unit: str) -> str:
    if unit.lower() in {"px", "pix", "pixel", "pixels"}:
        return ', with the size of a pixel before it, such as unit = "1.84 mm"'
    return ""


def _known(channel: str, robot: Robot | None) -> str:
    """Say what is wrong with a channel name of the robot file; "" where nothing is."""
    if not dimension_of(channel):
        return f"the robot file maps it to {channel!r}, which is no channel; see the channel list"
    head, _, wheel = channel.partition("_")
    if (
        robot is not None
        and head in {"count", "angle", "omega", "target", "power", "volt", "current"}
        and channel not in {"omega_x", "omega_y", "omega_z"}
        and wheel not in robot.wheel_names
        and not (head in {"count", "angle"} and wheel in {w.name for w in robot.tracking_wheels})
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
    if taken.unit == "count" and why != "robot file" and values.dtype.kind == "f":
        whole = values[np.isfinite(values)][:5000]
        if np.any(whole != np.round(whole)):
            return "", "", "not whole numbers: counts or an angle? Give the unit in the robot file"
    if taken.unit:
        return taken.unit, why, ""
    fits = {dimension_of(taken.channel)}
    if taken.channel.startswith("count_"):
        fits.add("angle")
    if taken.channel.startswith(("omega_", "target_")) and taken.channel[6:] not in {"x", "y", "z"}:
        fits.add("speed")
    if stated and unit_dimension(stated) in fits:
        return stated, f"{why}; unit from the file", ""
    if stated and not (taken.channel.startswith("power_") and stated in {"-", ""}):
        return (
            "",
            "",
            f"the file states unit {stated!r}, which is none of {units_for(taken.channel)}"
            f"{_pixels(stated)}",
        )
    dimension = dimension_of(taken.channel)
    if taken.scale != 1.0:
        si = {"rate": "rad/s", "speed": "m/s", "length": "m", "angle": "rad", "share": "%",
              "acceleration": "m/s^2", "current": "A", "voltage": "V"}.get(dimension, "…")  # fmt: skip
        return (
            "",
            "",
            f"its whole numbers stand for {taken.scale:g} of which unit? Give it in the robot file, "
            f'such as unit = "{taken.scale:g} {si}"',
        )
    finite = values
    if values.dtype.kind == "f" and not (known := np.isfinite(values)).all():
        finite = values[known]
    top = max(float(finite.max()), -float(finite.min())) if finite.size else 0.0
    if dimension == "count":
        whole = finite[:5000]
        if whole.size and np.all(whole == np.round(whole)):
            return "count", f"{why}; whole numbers", ""
        return "", "", "not whole numbers: counts or an angle? Give the unit in the robot file"
    if dimension in {"length", "voltage", "current", "time"}:
        si = {"length": "m", "voltage": "V", "current": "A", "time": "s"}[dimension]
        limit = {"length": 200.0, "voltage": 100.0, "current": 200.0}.get(dimension, math.inf)
        if top > limit:
            other = {"length": "m, mm or pixels", "voltage": "V or mV", "current": "A or mA"}
            return (
                "",
                "",
                f"values reach {top:.0f}: {other[dimension]}? Give the unit in the robot file",
            )
        return si, f"{why}; SI unit taken", ""
    if dimension == "share":
        if top <= 1.0001:
            return "1", f"{why}; within -1..1", ""
        return (
            "",
            "",
            f'duty reaches {top:.0f}: of how much? Give the unit in the robot file: "%", or one '
            'over the full value, such as unit = "0.00392157 1" for 255',
        )
    if dimension == "angle":
        if top > 2 * math.pi * 1.05:
            return "deg", f"{why}; reaches {top:.0f}, so degrees", ""
        wraps = np.abs(np.diff(finite))
        wraps = wraps[wraps > 4.0]
        if wraps.size and np.all(np.abs(wraps - 2 * math.pi) < 0.9) and np.ptp(finite) > 5.5:
            return "rad", f"{why}; wraps by 2 pi, so radians", ""
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


def _merge_acceleration_unit(work: _Taking) -> None:
    """Accelerometers whose unit no name says: gravity tells g from m/s^2, or the user is asked."""
    open_ = [k for k, u in enumerate(work.uses) if u.channel[:2] == "f_" and "gravity" in u.why]
    axes = [work.channels[f"f_{q}"] for q in "xyz" if f"f_{q}" in work.channels]
    if open_:
        size = math.nan
        if len(axes) == 3 and len(open_) == 3:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", RuntimeWarning)
                size = float(np.linalg.norm([np.nanmedian(a) for a in axes]))
        unit = "g" if 0.7 < size < 1.3 else "m/s^2" if 7.0 < size < 13.0 else ""
        for at in open_:
            use = work.uses[at]
            if unit:
                work.channels[use.channel] = work.channels[use.channel] * UNITS[unit][1]
                work.extents.pop(use.channel, None)
                why = f"gravity reads {size:.2f}, so {unit}"
                work.uses[at] = ColumnUse(
                    column=use.column, channel=use.channel, unit=unit, why=why
                )
                continue
            del work.channels[use.channel]
        if not unit:
            seen = "" if math.isnan(size) else f" (gravity would read {size:.3g})"
            asked = [work.uses[k] for k in open_]
            work.uses = [u for k, u in enumerate(work.uses) if k not in open_]
            for use in asked:
                question = f"m/s^2 or g{seen}? Give the unit in the robot file"
                work.ask(use.column, question, use.channel)
    if "f_z" in work.channels:
        reading = work.channels["f_z"]
        reading = reading[np.isfinite(reading)]
        few = reading[enough(reading.size)]
        up = float(np.median(few)) if few.size else 0.0
        if up < -7.0:
            work.findings.append(
                Finding(
                    severity="warning",
                    channel="f_z",
                    text=f"{work.columns.name}: reads {up:.1f} m/s^2 at rest, so its z axis points "
                    "down; give the mounting under [imu], or sign = -1 where only z is turned",
                )
            )


JOINT_NAME = re.compile(r"(.*)name(\d+)")
QUATERNION_PART = re.compile(r"^(.*?)(orientation|rotation|quaternion|quat|q)[._ ]?([xyzw])$", re.I)


def _quaternions(work: _Taking) -> None:
    """Yaw from quaternion columns, atan2(2(wz + xy), 1 - 2(y² + z²)) (z-y-x Euler angles)."""
    columns = work.columns
    groups: dict[str, dict[str, str]] = {}
    for name in columns.names:
        found = QUATERNION_PART.match(columns.rename.get(name, name))
        if found and name not in work.mapped:
            stem = found.group(1) + found.group(2)
            groups.setdefault(stem, {})[found.group(3).lower()] = name
    inertial = any("gyro" in n.lower() or "angular_velocity" in n.lower() for n in columns.names)
    for stem, parts in groups.items():
        words = set(tokens_of(stem))
        if set(parts) != {"x", "y", "z", "w"}:
            continue
        if "transform" in words and not tf_reference(stem):
            continue
        if words & (REFERENCE | {"transform"}):
            channel = "ref_yaw"
        elif inertial or words & {"imu", "gyro", "orientation"}:
            channel = "yaw"
        else:
            for name in parts.values():
                work.ask(name, "orientation of what? Give a heading column instead")
            continue
        if channel in work.channels or channel in {s.channel for s in work.mapped.values()}:
            continue
        cells = [columns.get(parts[q]) for q in "xyzw"]
        if any(c.dtype.kind not in "fiu" for c in cells):
            continue
        x, y, z, w = (np.clip(c.astype(np.float64), -1e3, 1e3) for c in cells)
        norm = np.sqrt(x * x + y * y + z * z + w * w)
        # A unit quaternion has length 1; zeros are sent where there is no orientation.
        good = np.abs(norm - 1.0) < 0.1
        if not good.any():
            continue
        norm[~good] = np.nan
        x, y, z, w = x / norm, y / norm, z / norm, w / norm
        work.channels[channel] = np.arctan2(2 * (w * z + x * y), 1 - 2 * (y * y + z * z))
        work.uses += [
            ColumnUse(column=p, channel=channel, unit="1", why="quaternion, turned into yaw")
            for p in parts.values()
        ]


SECONDS = re.compile(r"^(.*?)(secs?|seconds)$", re.I)
NANOS = ("nsecs", "nsec", "nanosec", "nanosecs", "nanoseconds")


def _paired_stamps(work: _Taking) -> list[tuple[str, str, np.ndarray]]:
    """Clocks that are told in two columns, whole seconds and nanoseconds."""
    out = []
    # What was taken as a channel is no clock, and its cells are gone.
    gone = {use.column for use in work.uses if use.channel in work.channels}
    names = {work.columns.rename.get(n, n): n for n in work.columns.names if n not in gone}
    for label, name in names.items():
        found = SECONDS.match(label)
        if not found:
            continue
        for other in NANOS:
            partner = names.get(found.group(1) + other)
            if partner is None or name in work.mapped or partner in work.mapped:
                continue
            whole, part = work.columns.get(name), work.columns.get(partner)
            if whole.dtype.kind in "fiu" and part.dtype.kind in "fiu":
                # Seconds of the years 1970 to 2262, which 64 bits of nanoseconds hold.
                known = np.isfinite(whole) & np.isfinite(part)
                known &= (np.abs(whole) < 9.2e9) & (part >= 0) & (part < 1e10)
                nanos = np.where(known, whole, 0).astype(np.int64) * 10**9
                nanos += np.where(known, part, 0).astype(np.int64)
                values = nanos if known.all() else np.where(known, nanos, np.nan)
                out.append((f"{name} + {partner}", label, values))
            break
    return out


def _clock(
    work: _Taking, clocks: list[tuple[int, str, str, str]]
) -> tuple[np.ndarray, float, bool, ColumnUse]:
    columns, robot = work.columns, work.robot
    rows = len(next(iter(work.channels.values())))
    choices: list[tuple[int, str, str, str, np.ndarray]] = [
        (1, name, "ns", "seconds and nanoseconds of the stamp", values)
        for name, _, values in _paired_stamps(work)
    ]
    choices += [(rank, name, unit, why, columns.get(name)) for rank, name, unit, why in clocks]
    choices.sort(key=lambda c: c[0])
    if not choices:
        if robot is not None and robot.log.rate_hz is not None:
            rate = robot.log.rate_hz
            use = ColumnUse(
                column="", channel="t", unit="s", why=f"row number over rate_hz = {rate:g}"
            )
            work.findings.append(
                Finding(
                    severity="note",
                    channel="t",
                    text=f"{columns.name}: no time column; the rows are taken as {rate:g} Hz, as the "
                    "robot file says. Lost rows cannot be seen",
                )
            )
            return np.arange(rows) / rate, 0.0, False, use
        more = f" and {len(columns.names) - 12} more" if len(columns.names) > 12 else ""
        raise RecordingError(
            f"{columns.name}: channel t: no time column among {', '.join(columns.names[:12])}{more}. "
            'Log stamps, or name the column in the robot file: "NAME" = { channel = "t", unit = '
            '"s" }, or give the rate there: [log] rate_hz = 50'
        )
    runs = [c for c in choices if c[0] == 0 or _advances(c[4])]
    best = (runs or choices)[0]
    if best is not choices[0]:
        work.findings.append(
            Finding(
                severity="note",
                channel="t",
                text=f"{columns.name}: column {choices[0][1]!r} does not advance; {best[1]!r} is the "
                "clock",
            )
        )
    _, name, unit, why, values = best
    if values.dtype.kind not in "fiuM":
        cell = _first_text(values)
        if cell is not None:
            raise RecordingError(
                f"{columns.name}: channel t (column {name!r}): found text where numbers belong "
                f"(first at data row {cell[0]}: {cell[1]!r}). Mend those cells"
            )
        if _first_filled(values, TIME_OF_DAY):
            return _time_of_day(work, name, why, values)
        t, epoch = _iso(values, columns.name, name)
        use = ColumnUse(column=name, channel="t", unit="ISO 8601", why=why)
        return t, epoch, epoch > 3e8, use
    if values.dtype.kind == "M":
        stamps = values.astype("datetime64[ns]")
        missing = np.isnat(stamps)
        if missing.all():
            raise RecordingError(f"{columns.name}: channel t (column {name!r}): no stamp at all")
        nanos = stamps.astype(np.int64)
        epoch_ns = int(nanos[~missing][0])
        t = np.where(missing, np.nan, (nanos - epoch_ns) * 1e-9)
        use = ColumnUse(column=name, channel="t", unit="ISO 8601", why=why)
        return t, epoch_ns * 1e-9, epoch_ns > 3e17, use
    finite = values[np.isfinite(values)] if values.dtype.kind == "f" else values
    if finite.size < 2:
        raise RecordingError(
            f"{columns.name}: channel t (column {name!r}): {finite.size} stamps in "
            f"{values.size} rows; a recording needs a running clock"
        )
    hint = f'Give the unit in the robot file: "{name}" = {{ channel = "t", unit = "ms" }}'
    said = columns.units.get(name, "")
    if unit in {"", "stamp"} and unit_factor("t", said) is not None:
        unit, why = said, f"{why}; unit from the file"
    if unit in {"", "stamp"}:
        unit, reason = _guess_time_unit(finite)
        if not unit:
            raise RecordingError(f"{columns.name}: channel t (column {name!r}): {reason}. {hint}")
        why = f"{why}; {reason}"
    factor = unit_factor("t", unit)
    if factor is None:
        raise RecordingError(
            f"{columns.name}: channel t (column {name!r}): unit {unit!r} is none of "
            f"{units_for('t')}"
        )
    if why != "robot file":
        step = np.diff(finite[:20000].astype(np.float64)) * factor
        step = step[step > 0]
        middle = float(np.median(step)) if step.size else 0.1
        if not SHORTEST_STEP <= middle <= LONGEST_STEP:
            raise RecordingError(
                f"{columns.name}: channel t (column {name!r}): in {unit} its rows are "
                f"{middle:.3g} s apart, which no log of a base has. {hint}"
            )
    first = finite[0]
    absolute = float(first) * factor > 3e8
    epoch = float(first) * factor if absolute else 0.0
    with np.errstate(invalid="ignore", over="ignore"):  # signalling NaNs of a damaged file
        t = (values - first if absolute else values).astype(np.float64) * factor
    return t, epoch, absolute, ColumnUse(column=name, channel="t", unit=unit, why=why)


SHORTEST_STEP, LONGEST_STEP = 2e-5, 6.0
"""Median steps between which a column of stamps is believed [s]: 50 kHz to ten rows a minute."""
TIME_OF_DAY = re.compile(r"\s*\d{1,2}:\d\d:\d\d([.,]\d+)?\s*$")


def _advances(values: np.ndarray) -> bool:
    """Tell whether a column can be a clock: text, or numbers that mostly change."""
    if values.dtype.kind not in "fiu":
        return True
    finite = values[np.isfinite(values)] if values.dtype.kind == "f" else values
    return finite.size >= 2 and bool(np.ptp(finite) > 0)


def _first_filled(values: np.ndarray, pattern: re.Pattern[str]) -> bool:
    for cell in values[:1000]:
        if cell is not None and str(cell).strip():
            return pattern.match(str(cell)) is not None
    return False


def _time_of_day(
    work: _Taking, name: str, why: str, values: np.ndarray
) -> tuple[np.ndarray, float, bool, ColumnUse]:
    """Clock of hours, minutes and seconds; with a date beside it where a column is called so."""
    columns = work.columns
    days = [n for n in columns.names if tokens_of(n) == ["date"]]
    if days:
        dates = columns.get(days[0])
        if dates.dtype.kind == "M":
            dates = np.array([str(d)[:10] for d in dates], dtype=object)
        joined = np.array(
            [
                None if d is None or c is None else f"{d}T{c}"
                for d, c in zip(dates, values, strict=True)
            ],
            dtype=object,
        )
        t, epoch = _iso(joined, columns.name, name)
        use = ColumnUse(column=name, channel="t", unit="ISO 8601", why=f"{why}; with {days[0]!r}")
        work.uses = [u for u in work.uses if u.column != days[0]]
        work.uses.append(ColumnUse(column=days[0], channel="t", unit="ISO 8601", why="date"))
        return t, epoch, epoch > 3e8, use
    t = np.full(values.size, np.nan)
    for row, cell in enumerate(values):
        if cell is None or not str(cell).strip():
            continue
        if TIME_OF_DAY.match(str(cell)) is None:
            raise RecordingError(
                f"{columns.name}: channel t (column {name!r}): data row {row + 1}: {cell!r} is no "
                "time of day; use seconds, or ISO 8601"
            )
        hours, minutes, seconds = str(cell).strip().replace(",", ".").split(":")
        t[row] = 3600 * int(hours) + 60 * int(minutes) + float(seconds)
    known = np.isfinite(t)
    days_passed = np.concatenate([[0], np.cumsum(np.diff(t[known]) < -43200)])
    t[known] += 86400.0 * days_passed
    use = ColumnUse(column=name, channel="t", unit="time of day", why=why)
    return t, 0.0, False, use


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
    stamps = stamps.where((stamps.dt.year > 1900) & (stamps.dt.year < 2200))
    bad = stamps.isna() & text.notna() & (text != "")
    if stamps.isna().all() or bad.sum() > 0.02 * len(text) + 1:
        at = int(np.flatnonzero(stamps.isna().to_numpy())[0])
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
        found = JOINT_NAME.fullmatch(name)
        if found is None:
            continue
        cells = columns.get(name)
        if cells.dtype.kind in "fiu" or cells.size == 0 or len(set(cells[:1000].tolist())) != 1:
            continue
        joint = str(cells[0])
        for part in ("position", "velocity", "effort"):
            other = f"{found.group(1)}{part}{found.group(2)}"
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
    word = text.strip().strip("[]()")
    return (
        word in UNITS
        or word.lower() in UNITS
        or word.lower() in {"pix", "px", "-"}
        or (len(tokens_of(word)) == 2 and "/" in word)
    )
