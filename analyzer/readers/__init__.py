"""Readers: the only code that opens logs. Each format gives named columns; one place takes them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from analyzer.quantities import Finding, RecordingError
from analyzer.readers.columns import Columns, take_columns
from analyzer.readers.tables import TABLE_SUFFIXES, TEXT_SUFFIXES, read_table, read_text
from analyzer.run import Recording, Source

if TYPE_CHECKING:
    from analyzer.robot import Robot

BAG_SUFFIXES = {".bag", ".mcap", ".db3"}
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
                if (f.is_file() and f.suffix.lower() in known) or (
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


def read_recording(paths: Sequence[str | Path], robot: Robot | None) -> Recording:
    """Read all files of one sitting.

    Parameters
    ----------
    paths : sequence of str or Path
        Files or folders.
    robot : Robot or None
        Robot whose wheels and channel map apply; names alone decide without one.

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
    questions: list[str] = []
    seen: set[str] = set()
    for file in files:
        try:
            for columns in _open(file, findings):
                for name in columns.names:
                    seen.update(columns.also(name))
                source = take_columns(columns, robot, findings, questions)
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
        raise RecordingError(
            f"{', '.join(map(str, files))}: nothing in it is a channel of this analysis. Name the "
            "columns in the robot file under [channels]"
            + "".join(f"\n  {q}" for q in questions[:40])
        )
    return Recording(paths=tuple(map(str, files)), sources=tuple(sources), findings=tuple(findings))


def _open(file: Path, findings: list[Finding]) -> list[Columns]:
    suffix = file.suffix.lower()
    if file.is_dir() or suffix in BAG_SUFFIXES:
        from analyzer.readers.bags import read_bag

        return read_bag(file, findings)
    if suffix in TABLE_SUFFIXES:
        return [read_table(file)]
    return read_text(file, findings)
