"""Readers: the only code that opens logs. Each format gives named columns; one place takes them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from analyzer.quantities import Finding, RecordingError
from analyzer.readers.columns import Columns, looked_at, take_columns
from analyzer.readers.tables import TABLE_SUFFIXES, TEXT_SUFFIXES, read_table, read_text
from analyzer.run import Recording, Source

if TYPE_CHECKING:
    from analyzer.robot import Robot

BAG_SUFFIXES = {".bag", ".mcap", ".db3"}


def _is_bag(file: Path) -> bool:
    return Path(file.name.lower().removesuffix(".zstd")).suffix in BAG_SUFFIXES


SKIPPED_STEMS = ("truth", "notes", "readme", "license", "robot", "metadata")


def files_of(paths: Sequence[str | Path]) -> list[Path]:
    """List the log files that a user's paths stand for.

    Parameters
    ----------
    paths : sequence of str or Path
        Files, or folders whose log files are taken (a folder of a ROS 2 bag stands for itself).

    Returns
    -------
    list of Path
        Files and bag folders, in order.

    Raises
    ------
    RecordingError
        Naming every path that does not exist and every folder without a log.
    """
    known = TABLE_SUFFIXES | TEXT_SUFFIXES | BAG_SUFFIXES
    out: list[Path] = []
    faults = []
    for path in map(Path, paths):
        if path.is_file():
            out.append(path)
        elif path.is_dir():
            if (path / "metadata.yaml").is_file():
                out.append(path)
                continue
            inside = []
            for f in sorted(path.iterdir()):
                if f.name.startswith(".") or f.stem.lower().startswith(SKIPPED_STEMS):
                    continue
                if (f.is_file() and (f.suffix.lower() in known or _is_bag(f))) or (
                    f.is_dir() and (f / "metadata.yaml").is_file()
                ):
                    inside.append(f)
            if not inside:
                faults.append(
                    f"{path}: no log in this folder; readable are {', '.join(sorted(known))}"
                )
            out += inside
        else:
            faults.append(f"{path}: no such file or folder; check the path")
    if faults:
        raise RecordingError("\n".join(faults))
    return out


def read_recording(
    paths: Sequence[str | Path], robot: Robot | None, leave: Collection[str] = ()
) -> Recording:
    """Read all files of one sitting.

    Parameters
    ----------
    paths : sequence of str or Path
        Files or folders.
    robot : Robot or None
        Robot whose wheels and channel map apply; names alone decide without one.
    leave : collection of str
        Channels that are not wanted: their columns are listed, their values are not read.

    Returns
    -------
    Recording
        One source a file, or a topic of a bag; SI units, the robot's signs.

    Raises
    ------
    RecordingError
        With every fault of every file.
    """
    files = files_of(paths)
    if not files:
        raise RecordingError("no recording given; name a file or a folder")
    sources: list[Source] = []
    findings: list[Finding] = []
    faults: list[str] = []
    questions: list[Finding] = []
    seen: set[str] = set()
    for file in files:
        try:
            for columns in _open(file, robot, findings, leave):
                for name in columns.names:
                    seen.update(columns.also(name))
                source = take_columns(columns, robot, findings, questions, leave)
                if source is not None:
                    sources.append(source)
        except RecordingError as error:
            faults.append(str(error))
    if robot is not None:
        for column in robot.channels:
            if column not in seen and not faults:
                findings.append(
                    Finding(
                        severity="note",
                        channel=robot.channels[column].channel,
                        text=f"robot file maps column {column!r}, which this recording lacks",
                    )
                )
    if faults:
        raise RecordingError("\n".join(faults))
    if not sources:
        asked = [q.text.replace(": not used: ", ": ", 1) for q in questions]
        more = [f"and {len(asked) - 40} more columns"] if len(asked) > 40 else []
        raise RecordingError(
            f"{', '.join(map(str, files))}: nothing in it is a channel of this analysis. Name the "
            "columns in the robot file under [channels]"
            + "".join(f"\n  {line}" for line in [*asked[:40], *more])
        )
    findings += _weighed(questions, {c for s in sources for c in s.channels}, leave)
    return Recording(
        paths=tuple(map(str, files)),
        sources=tuple(_join_takes(sources, findings)),
        findings=tuple(findings),
    )


WANTED = ("ref_", "omega_", "yaw", "count_", "angle_", "f_", "current_", "volt_", "cmd_")
"""Channels, by how they begin, without which estimates are missing or worse."""


def _weighed(
    questions: Sequence[Finding], taken: Collection[str], leave: Collection[str]
) -> list[Finding]:
    """Questions as findings: a warning where nothing stands in for what was left out."""
    out = []
    for question in questions:
        channel = question.channel
        stand_in = {channel}
        if channel.startswith(("count_", "angle_", "omega_")):
            wheel = channel.partition("_")[2]
            stand_in |= {f"count_{wheel}", f"angle_{wheel}"}
        if channel.startswith(WANTED) and not stand_in & {*taken, *leave}:
            question = replace(question, severity="warning")
        out.append(question)
    return out


PAUSE = 3.0
"""Time put between takes whose clocks start anew [s]: longer than any gap counts as driving."""


def _join_takes(sources: list[Source], findings: list[Finding]) -> list[Source]:
    """Join files that hold the same channels one after the other (a log split, or several takes)."""
    groups: dict[tuple[str, ...], list[Source]] = {}
    for source in sources:
        groups.setdefault(tuple(sorted(source.channels)), []).append(source)
    out: list[Source] = []
    for group in groups.values():
        known = [s for s in group if np.isfinite(s.t).sum() >= 2]
        if len(group) == 1 or len(known) < len(group):
            out += group
        elif all(s.absolute for s in group):
            ordered = sorted(group, key=lambda s: s.epoch + float(np.nanmin(s.t)))
            ends = [s.epoch + float(np.nanmax(s.t)) for s in ordered]
            starts = [s.epoch + float(np.nanmin(s.t)) for s in ordered]
            if any(b < a - 0.5 for a, b in zip(ends[:-1], starts[1:], strict=True)):
                out += group
                continue
            zero = ordered[0].epoch
            out.append(_joined(ordered, [s.epoch - zero for s in ordered], findings))
        elif len(groups) == 1 and not any(s.absolute for s in group):
            shifts, at = [], 0.0
            for source in group:
                shifts.append(at - float(np.nanmin(source.t)))
                at += float(np.ptp(source.t[np.isfinite(source.t)])) + PAUSE
            out.append(_joined(group, shifts, findings))
        else:
            out += group
    return out


def _joined(parts: list[Source], shifts: list[float], findings: list[Finding]) -> Source:
    names = ", ".join(s.name for s in parts)
    starts = [float(np.nanmin(s.t)) + shift for s, shift in zip(parts, shifts, strict=True)]
    ends = [float(np.nanmax(s.t)) + shift for s, shift in zip(parts, shifts, strict=True)]
    findings.append(
        Finding(
            severity="note",
            channel="t",
            text=f"{names} hold the same channels: joined one after the other"
            + ("" if parts[0].absolute else ", in the order given"),
        )
    )
    return Source(
        name=parts[0].name,
        t=np.concatenate([s.t + shift for s, shift in zip(parts, shifts, strict=True)]),
        epoch=parts[0].epoch,
        absolute=parts[0].absolute,
        channels={c: np.concatenate([s.channels[c] for s in parts]) for c in parts[0].channels},
        columns=parts[0].columns,
        # A log that was only split goes on without a pause: no other take begins there.
        joins=tuple(b for a, b in zip(ends[:-1], starts[1:], strict=True) if b - a > 0.5 * PAUSE),
    )


def _open(
    file: Path, robot: Robot | None, findings: list[Finding], leave: Collection[str]
) -> list[Columns]:
    suffix = file.suffix.lower()
    if file.is_dir() or _is_bag(file):
        from analyzer.readers.bags import read_bag

        return read_bag(file, findings, None if robot is None else robot.log.stamp)
    needed = partial(looked_at, robot=robot, leave=leave)
    if suffix in TABLE_SUFFIXES:
        return [read_table(file, needed)]
    return read_text(file, findings, needed)
