"""The one place that knows the order of the steps: read, align, cut, estimate, diagnose.

Command line, report, dashboard and fleet all call it.
"""

from __future__ import annotations

import csv
import json
import math
import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from analyzer.alignment import UNUSED, align
from analyzer.causes import Diagnosis, diagnose
from analyzer.heading import HeadingHold, heading_remedy, heading_result, tune
from analyzer.motion import (
    Motion,
    PassMotion,
    TapedPass,
    describe_motion,
    radius_factors,
    rolls_whole,
    wheel_slips,
)
from analyzer.passes import find_passes
from analyzer.quantities import CrabwiseError, Estimate, Finding, RecordingError, load_json
from analyzer.readers import read_recording
from analyzer.remedies import find_remedies, mend_first
from analyzer.robot import Robot, load_robot
from analyzer.run import Pass, Recording, Run
from analyzer.tracking import calibrate_tracking

SCHEMA = "crabwise-result/1"
Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunAnalysis:
    """Everything the analysis of one recording gives.

    Attributes
    ----------
    robot : Robot
        The base.
    recording : Recording
        As read, with how each column was taken; its samples are dropped to save memory, all but the
        first stamp of each source.
    run : Run
        As aligned.
    passes : tuple of Pass
        Passes and rests.
    motion : Motion
        Estimates of how the base moves.
    diagnosis : Diagnosis
        Causes, and the model that predictions are made with.
    result : dict
        The result file's content, schema ``crabwise-result/1``.
    """

    robot: Robot
    recording: Recording
    run: Run
    passes: tuple[Pass, ...]
    motion: Motion
    diagnosis: Diagnosis
    result: dict[str, Any]

    def movements(self) -> list[tuple[int, Pass, dict[str, Any] | None]]:
        """Passes that are no rests, numbered from 1 as on the sheet of the plan.

        Returns
        -------
        list of (int, Pass, dict or None)
            Number, pass, and its row of the result file; None where it lies in data that is left
            out.
        """
        rows = {round(r["t_start"], 6): r for r in self.result["passes"]}
        moving = [p for p in self.passes if p.kind != "rest"]
        return [
            (n, p, rows.get(round(float(self.run.t[p.start]), 6)))
            for n, p in enumerate(moving, start=1)
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSummary:
    """One channel of a recording at a glance.

    Attributes
    ----------
    source, channel : str
        Where it comes from and what it is.
    rate : float
        Median rate of the samples that hold a value [Hz]; NaN with fewer than two.
    gaps : int
        Steps longer than five median steps and 0.1 s.
    longest : float
        Longest step between samples that hold a value. [s]
    blank : float
        Share of the source's samples without a value. [-]
    outline : ndarray, shape (k, 2)
        Time [s] and value [SI] of lows and highs in order of time, at most 120 points.
    """

    source: str
    channel: str
    rate: float
    gaps: int
    longest: float
    blank: float
    outline: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadingAnalysis:
    """Heading hold tuned from one recording.

    Attributes
    ----------
    run : Run
        As aligned.
    passes : tuple of Pass
        Passes and rests.
    hold : HeadingHold
        Plant, gains, margins, expected heading errors.
    result : dict
        The result file's content, schema ``crabwise-heading/1``.
    """

    run: Run
    passes: tuple[Pass, ...]
    hold: HeadingHold
    result: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """What a recording holds and what it can decide.

    Attributes
    ----------
    recording : Recording
        As read.
    rates : tuple of (str, int, float, float)
        Per source: name, samples, median rate [Hz], longest step [s].
    run : Run or None
        As aligned; None without a robot file or where alignment failed.
    passes : tuple of Pass
        Passes found.
    decides : tuple of (str, str)
        Question and whether this recording can answer it, with what is missing.
    problems : tuple of str
        Faults that keep the recording from being analysed.
    channels : tuple of ChannelSummary
        Every channel at a glance.
    """

    recording: Recording
    rates: tuple[tuple[str, int, float, float], ...]
    run: Run | None
    passes: tuple[Pass, ...]
    decides: tuple[tuple[str, str], ...]
    problems: tuple[str, ...]
    channels: tuple[ChannelSummary, ...] = ()


def write_atomically(path: str | Path, text: str | bytes) -> None:
    """Write a file so that a reader sees the old or the new one, never a half.

    Parameters
    ----------
    path : str or Path
        Target; replaced where it exists.
    text : str or bytes
        Content; text is written as UTF-8. It is on the disk before the name shows it.

    Raises
    ------
    CrabwiseError
        Where the folder is missing or cannot be written.
    """
    target = Path(path)
    try:
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(text.encode("utf-8") if isinstance(text, str) else text)
                file.flush()
                os.fsync(file.fileno())
            Path(name).chmod(0o644)
            Path(name).replace(target)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        msg = f"{path}: cannot write: {error.strerror}. Give a folder that exists and has room."
        raise CrabwiseError(msg) from None


TAPE_UNITS = {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "deg": math.pi / 180, "rad": 1.0, "s": 1.0}


def _tape_column(name: str) -> tuple[str, float] | None:
    """What a column of a taped table holds and its factor to SI; None where it is another table."""
    words = name.strip().lower().replace(" ", "_").split("_")
    if words == ["pass"]:
        return "pass", 1.0
    if words in (["seconds"], ["time", "s"], ["s"]):
        return "time", 1.0
    if len(words) == 2 and words[0] in {"ahead", "left", "turn"} and words[1] in TAPE_UNITS:
        fits = words[1] in {"deg", "rad"} if words[0] == "turn" else words[1] in {"m", "cm", "mm"}
        return (words[0], TAPE_UNITS[words[1]]) if fits else None
    return None


def _split_tape(paths: Sequence[str | Path]) -> tuple[list[str], list[TapedPass]]:
    """Part taped measurement tables from recordings, by their header."""
    logs: list[str] = []
    taped: list[TapedPass] = []
    faults: list[str] = []
    for path in paths:
        file = Path(path)
        header, delimiter = [], ","
        if file.is_file() and file.suffix.lower() in {".csv", ".txt", ".tsv"}:
            with file.open(encoding="utf-8-sig", errors="replace") as stream:
                first = stream.readline(4096)
            delimiter = max(",;\t", key=first.count)
            header = [c.strip().strip('"') for c in first.split(delimiter)]
        columns = {h: _tape_column(h) for h in header}
        names = [c[0] for c in columns.values() if c]
        if not {"ahead", "left"} <= set(names):
            logs.append(str(path))
            continue
        missing = [c for c in ("pass", "turn") if c not in names]
        if missing:
            wanted = ", ".join({"pass": "pass", "turn": "turn_deg"}[m] for m in missing)
            faults.append(f"{path}: taped table lacks {wanted}; add the column")
            continue
        with file.open(encoding="utf-8-sig", errors="replace", newline="") as stream:
            try:
                rows = list(csv.DictReader(stream, skipinitialspace=True, delimiter=delimiter))
            except csv.Error as error:
                faults.append(f"{path}: cannot be read as a taped table: {error}; mend the file")
                continue
        for number, raw in enumerate(rows, start=2):
            row = {str(k).strip(): v for k, v in raw.items()}
            try:
                found = _taped_row(row, columns)
            except (TypeError, ValueError):
                faults.append(
                    f"{path}: row {number}: found {str(list(row.values()))[:120]}; each row is the "
                    "number of the pass, metres ahead, metres to the left, degrees anticlockwise"
                )
                continue
            if found.number in {t.number for t in taped}:
                faults.append(f"{path}: row {number}: pass {found.number} stands twice; mend it")
            taped.append(found)
    if faults:
        raise RecordingError("\n".join(faults))
    return logs, taped


def _taped_row(row: dict[str, str], columns: dict[str, tuple[str, float] | None]) -> TapedPass:
    values = {"turn": math.nan, "time": math.nan}
    number = 0
    for name, meaning in columns.items():
        if meaning is None:
            continue
        what, factor = meaning
        cell = (row.get(name) or "").strip()
        if what == "pass":
            number = int(cell)
        elif cell or what in {"ahead", "left"}:
            values[what] = factor * float(cell)
            if not math.isfinite(values[what]):
                raise ValueError(cell)
    if number < 1:
        raise ValueError(number)
    return TapedPass(
        number=number,
        ahead=values["ahead"],
        left=values["left"],
        turn=values["turn"],
        seconds=values["time"],
    )


def _check_tape(taped: Sequence[TapedPass], run: Run, passes: Sequence[Pass]) -> list[Finding]:
    """Hold a taped table against the passes: a number too high, or times that do not fit."""
    moves = [p for p in passes if p.kind != "rest"]
    beyond = [t.number for t in taped if t.number > len(moves)]
    if beyond:
        raise RecordingError(
            f"taped table: it measures pass {', '.join(map(str, beyond))}, but the recording has "
            f"{len(moves)} passes. `crabwise inspect` lists them; number them in order of time from 1"
        )
    out = []
    for row in taped:
        p = moves[row.number - 1]
        lasted = (p.stop - p.start) * run.dt
        # A hand on a watch is good to half a second.
        if math.isfinite(row.seconds) and abs(row.seconds - lasted) > 0.5 + 0.15 * lasted:
            out.append(
                Finding(
                    severity="warning",
                    channel="ref_x",
                    text=f"pass {row.number} was timed by hand as {row.seconds:.1f} s, but the wheels "
                    f"turned for {lasted:.1f} s: is the table numbered as `crabwise inspect` lists?",
                    t_start=float(run.t[p.start]),
                    t_end=float(run.t[min(p.stop, run.t.size - 1)]),
                )
            )
    return out


def analyze(
    paths: Sequence[str | Path],
    robot_path: str | Path | Robot,
    *,
    progress: Progress | None = None,
) -> RunAnalysis:
    """Analyse one recording: the main job.

    Parameters
    ----------
    paths : sequence of str or Path
        Files or folders of one sitting; a taped table (`pass, ahead_m, left_m, turn_deg`) among
        them stands in for the odometry reference.
    robot_path : str, Path or Robot
        Robot file, or the robot read from it.
    progress : callable, optional
        Called with the step's name and the share done, 0 to 1.

    Returns
    -------
    RunAnalysis
        Run, passes, estimates, causes, remedies and the result file's content.

    Raises
    ------
    RobotFileError, RecordingError
        Each with one message that names everything at fault.
    """
    tell = progress or (lambda _text, _share: None)
    recording, taped, run, passes = _prepared(paths, robot_path, tell)
    robot = run.robot
    tell("estimating motion", 0.7)
    motion = describe_motion(run, passes, taped)
    tell("weighing causes", 0.8)
    diagnosis = diagnose(run, passes, motion)
    tell("predicting remedies", 0.95)
    remedies = find_remedies(robot, diagnosis, motion)
    hold = None if mend_first(diagnosis, motion) else heading_remedy(run, passes, motion)
    if hold is not None:
        remedies.append(hold)
    result = _result(robot, recording, run, motion, diagnosis, remedies)
    tracking = calibrate_tracking(run, motion.passes, taped=bool(taped))
    if tracking:
        result["tracking_wheels"] = _plain(tracking)
    tell("done", 1.0)
    return RunAnalysis(
        robot=robot,
        recording=recording,
        run=run,
        passes=passes,
        motion=motion,
        diagnosis=diagnosis,
        result=result,
    )


def load_results(
    paths: Sequence[str | Path], robot_path: str | Path, *, progress: Progress | None = None
) -> list[RunAnalysis | dict[str, Any]]:
    """Analyse several recordings, each path one; result files are taken as they are.

    Parameters
    ----------
    paths : sequence of str or Path
        Recordings: each a file, or a folder of the files of one sitting. A ``.json`` file with a
        result or an entry of a shelf stands for its recording. Where a path cannot be analysed by
        itself but all together can, they are files of one sitting.
    robot_path : str or Path
        Robot file.
    progress : callable, optional
        Called with the step's name and the share done, 0 to 1.

    Returns
    -------
    list of RunAnalysis or dict
        One a recording.

    Raises
    ------
    RobotFileError, RecordingError
        Each with one message that names everything at fault.
    """
    tell = progress or (lambda _text, _share: None)
    out: list[RunAnalysis | dict[str, Any]] = []
    for k, path in enumerate(paths):
        stored = _stored_result(Path(path))
        if stored is not None:
            out.append(stored)
            continue

        def step(text: str, share: float, k: int = k) -> None:
            tell(text, (k + share) / len(paths))

        try:
            out.append(analyze([path], robot_path, progress=step))
        except RecordingError as error:
            if len(paths) == 1:
                raise
            try:
                return [analyze(paths, robot_path, progress=tell)]
            except RecordingError:
                raise error from None
    return out


def _stored_result(path: Path) -> dict[str, Any] | None:
    """Result in a JSON file: as `analyze --json` writes it, or an entry of a shelf."""
    if path.suffix.lower() != ".json" or not path.is_file():
        return None
    try:
        data = load_json(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    if isinstance(data, dict) and str(data.get("schema", "")).startswith("crabwise-shelf/"):
        data = data.get("result")
    if isinstance(data, dict) and str(data.get("schema", "")).startswith("crabwise-result/"):
        return data
    return None


def tune_heading(
    paths: Sequence[str | Path], robot_path: str | Path, *, progress: Progress | None = None
) -> HeadingAnalysis:
    """Tune heading hold from one recording, with the proof.

    Parameters
    ----------
    paths : sequence of str or Path
        Files or folders of one sitting; turns on the spot give the gains, sideways passes the
        feed-forward and the heading error to expect.
    robot_path : str or Path
        Robot file; `loop_hz` and `heading_delay_s` describe the loop.
    progress : callable, optional
        Called with the step's name and the share done, 0 to 1.

    Returns
    -------
    HeadingAnalysis
        Gains, margins, replay and the result file's content.

    Raises
    ------
    RobotFileError, RecordingError, CrabwiseError
        Each with one message that says what to record or change.
    """
    tell = progress or (lambda _text, _share: None)
    recording, _, run, passes = _prepared(paths, robot_path, tell)
    tell("tuning", 0.7)
    hold = tune(run, passes)
    result: dict[str, Any] = _plain(heading_result(hold, run, recording.paths))
    tell("done", 1.0)
    return HeadingAnalysis(run=run, passes=passes, hold=hold, result=result)


def prepare(
    paths: Sequence[str | Path], robot_path: str | Path, *, progress: Progress | None = None
) -> tuple[Run, tuple[Pass, ...]]:
    """Read, align and cut a recording, without estimating anything.

    Parameters
    ----------
    paths : sequence of str or Path
        Files or folders of one sitting.
    robot_path : str or Path
        Robot file.
    progress : callable, optional
        Called with the step's name and the share done, 0 to 1.

    Returns
    -------
    run : Run
        The aligned run.
    passes : tuple of Pass
        Its passes.

    Raises
    ------
    RobotFileError, RecordingError
        Each with one message that names everything at fault.
    """
    _, _, run, passes = _prepared(paths, robot_path, progress or (lambda _text, _share: None))
    return run, passes


def _prepared(
    paths: Sequence[str | Path], robot_path: str | Path | Robot, tell: Progress
) -> tuple[Recording, list[TapedPass], Run, tuple[Pass, ...]]:
    robot = robot_path if isinstance(robot_path, Robot) else load_robot(robot_path)
    logs, taped = _split_tape(paths)
    tell("reading", 0.0)
    recording = read_recording(logs, robot, leave=UNUSED)
    light, whole = _without_samples(recording), [recording]
    del recording
    tell("aligning", 0.4)
    run = align(whole.pop(), robot)  # handed over: samples go as they come onto the grid
    tell("finding passes", 0.6)
    passes = find_passes(run)
    run = replace(run, findings=(*run.findings, *_check_tape(taped, run, passes)))
    return light, taped, run, passes


def _recorded_at(recording: Recording) -> str | None:
    """Start by the logged wall clock, ISO 8601 in UTC; None where no source has one."""
    starts = [s.epoch + float(np.nanmin(s.t)) for s in recording.sources if s.absolute and s.t.size]
    if not starts:
        return None
    try:
        moment = datetime.fromtimestamp(min(starts), UTC)
    except (OverflowError, OSError, ValueError):
        return None
    return moment.isoformat(timespec="seconds")


def _without_samples(recording: Recording) -> Recording:
    return replace(
        recording,
        sources=tuple(replace(s, t=s.t[:1].copy(), channels={}) for s in recording.sources),
    )


def _pass_rows(rows: Sequence[PassMotion], robot: Robot) -> list[dict[str, Any]]:
    factor = np.full((len(rows), robot.x.size), math.nan)
    whole = rolls_whole(robot, rows)
    known = np.isfinite(np.array([m.rest_share for m in rows]).reshape(factor.shape)).all(axis=1)
    # Creep is corrected for where torques are known, for all passes of one call alike.
    for at in (np.flatnonzero(whole & known), np.flatnonzero(whole & ~known)):
        if at.size:
            factor[at] = radius_factors(robot, [rows[k] for k in at.tolist()])[0]
    relative = factor / factor.mean(axis=1, keepdims=True)
    slips = wheel_slips(robot, rows)
    slips[[not m.measured for m in rows]] = math.nan
    current = np.array([m.current for m in rows]).reshape(slips.shape)
    of_wheels = [
        {"relative_radius": r, "slip_ratio": s, "current_a": c}
        for r, s, c in zip(*(_by_wheel(robot, v) for v in (relative, slips, current)), strict=True)
    ]
    closes = robot.x.size > 3  # three wheels leave no closure
    return [
        {**_pass_row(m, closes=closes), "wheels": own}
        for m, own in zip(rows, of_wheels, strict=True)
    ]


def _by_wheel(robot: Robot, values: np.ndarray) -> list[dict[str, float | None]]:
    """Rows of one value a wheel, by the wheels' names; null where one is not finite."""
    plain = values.astype(object)
    plain[~np.isfinite(values)] = None
    return [dict(zip(robot.wheel_names, row, strict=True)) for row in plain.tolist()]


def _pass_row(m: PassMotion, *, closes: bool) -> dict[str, Any]:
    turning = m.kind.startswith("turn_")
    sideways = m.kind in {"left", "right"} and m.measured
    straight = m.kind in {"ahead", "astern"} and m.measured
    per_metre = 1e3 / m.distance if not turning and m.distance > 0.05 else math.nan
    (ahead, left, turned), rolled = m.path.tolist(), m.rolled.tolist()
    heading, rolled_heading = math.degrees(turned), math.degrees(rolled[2])
    row = {
        "kind": m.kind,
        "t_start": m.t_start,
        "t_end": m.t_end,
        "speed_m_per_s": None if turning else m.speed,
        "turn_rate_rad_per_s": m.speed if turning else None,
        "commanded_speed": m.command,
        "hard_start": m.hard_start,
        "distance_m": m.distance,
        "heading_change_deg": heading,
        "rolled_deg": rolled_heading,
        "slipped_deg": heading - rolled_heading,
        "closure_mm_per_m": m.closure * per_metre if closes else math.nan,
        "creep_mm_per_m": ahead * per_metre if sideways else math.nan,
        "sideways_ratio": left / rolled[1] if sideways and rolled[1] else math.nan,
        "ahead_ratio": ahead / rolled[0] if straight and rolled[0] else math.nan,
        "battery_v": m.battery,
    }
    return {k: _plain(v) for k, v in row.items()}


def _plain(value: Any) -> Any:
    """Numbers that JSON can hold; what is not finite becomes null."""
    kind = type(value)
    if kind is float:
        return value if math.isfinite(value) else None
    if kind is str or kind is int or value is None:
        return value
    if isinstance(value, (np.floating, float)):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, Estimate):
        return value.as_json()
    if isinstance(value, Finding):
        return value.as_json()
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return value


def _result(
    robot: Robot,
    recording: Recording,
    run: Run,
    motion: Motion,
    diagnosis: Diagnosis,
    remedies: list[dict[str, Any]],
) -> dict[str, Any]:
    deg = 180 / math.pi
    reversed_lean = {
        c["wheel"]
        for c in diagnosis.causes
        if c["cause"] == "roller_lean_reversed" and c["probability"] > 0.5
    }
    lean = [
        "reversed"
        if name in reversed_lean or (None in reversed_lean)
        else ("as described" if seen == "reversed" and reversed_lean else seen)
        for name, seen in zip(robot.wheel_names, motion.roller_lean, strict=True)
    ]
    relative = diagnosis.relative_radius or motion.relative_radius
    wheels = {
        name: {
            "effective_radius_m": motion.wheel_radius[k],
            "relative_radius": relative[k],
            "slip_ratio": motion.slip_ratio[k],
            "roller_lean": lean[k],
            "rotation_sense": motion.rotation_sense[k],
        }
        for k, name in enumerate(robot.wheel_names)
    }
    result = {
        "schema": SCHEMA,
        "robot": {
            "name": robot.name,
            "file": robot.path,
            "mass_kg": robot.mass_kg,
            "drive_mode": robot.drive_mode,
            "wheels": list(robot.wheel_names),
        },
        "recordings": list(recording.paths),
        "recorded_at": _recorded_at(recording),
        "duration_s": float(run.t[-1]),
        "yaw_source": run.yaw_source,
        "columns": [
            {
                "source": s.name,
                "column": c.column,
                "channel": c.channel,
                "unit": c.unit,
                "why": c.why,
            }
            for s in recording.sources
            for c in s.columns
        ],
        "findings": [*run.findings, *motion.findings],
        "passes": [],
        "wheels": wheels,
        "chassis": {
            "yaw_lever_m": motion.yaw_lever,
            "centre_of_mass_m": {
                "x": diagnosis.centre_of_mass_x,
                "y": diagnosis.centre_of_mass_y,
            },
            "sideways_ratio": motion.sideways_ratio,
            "yaw_inertia_kgm2": diagnosis.yaw_inertia,
            "effective_radius_m": motion.effective_radius,
        },
        "yaw_drift_deg_per_m": {
            **motion.yaw_drift,
            "by_speed": [
                {
                    "kind": b.kind,
                    "speed_m_per_s": b.speed,
                    "passes": b.count,
                    "total": b.total.scaled(deg, "°/m"),
                    "rolled": b.rolled.scaled(deg, "°/m"),
                    "slipped": b.slipped.scaled(deg, "°/m"),
                    "creep_mm_per_m": b.creep,
                }
                for b in motion.by_speed
            ],
        },
        "arc_radius_m": motion.arc_radius,
        "closure_mm_per_m": motion.closure,
        "creep_mm_per_m": motion.creep,
        "imu": {**run.imu, "mounting_yaw_deg": motion.mounting_yaw},
        "causes": diagnosis.causes,
        "remedies": remedies,
        "notes": list(diagnosis.notes),
    }
    plain: dict[str, Any] = _plain(result)
    plain["passes"] = _pass_rows(motion.passes, robot)
    return plain


def result_text(result: dict[str, Any]) -> str:
    """Give the result file's text: JSON without NaN, indented.

    Parameters
    ----------
    result : dict
        Result of `analyze`.

    Returns
    -------
    str
        JSON text.
    """
    return json.dumps(result, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _summaries(recording: Recording) -> tuple[ChannelSummary, ...]:
    out = []
    for source in recording.sources:
        for channel, values in source.channels.items():
            known = np.flatnonzero(np.isfinite(values) & np.isfinite(source.t))
            t, held = source.t[known], values[known]
            step = np.diff(t)
            step = step[step > 0]
            middle = float(np.median(step)) if step.size else math.nan
            part = np.array_split(np.arange(t.size), min(60, max(1, t.size)))
            ends = sorted(
                {int(p[pick(held[p])]) for p in part if p.size for pick in (np.argmin, np.argmax)}
            )
            out.append(
                ChannelSummary(
                    source=source.name,
                    channel=channel,
                    rate=1 / middle if middle else math.nan,
                    gaps=int(np.sum(step > max(5 * middle, 0.1))) if step.size else 0,
                    longest=float(step.max()) if step.size else math.nan,
                    blank=1 - known.size / max(1, values.size),
                    outline=np.stack([t[ends], held[ends]], axis=1),
                )
            )
    return tuple(out)


def inspect(
    paths: Sequence[str | Path],
    robot_path: str | Path | None = None,
    *,
    progress: Progress | None = None,
) -> Inspection:
    """Look at a recording without analysing it: channels, rates, gaps, clocks, passes.

    Parameters
    ----------
    paths : sequence of str or Path
        Files or folders of one sitting.
    robot_path : str or Path, optional
        Robot file; without it columns are recognised by name only and nothing is aligned.
    progress : callable, optional
        Called with the step's name and the share done, 0 to 1.

    Returns
    -------
    Inspection
        What was found, and what it can decide.

    Raises
    ------
    RobotFileError, RecordingError
        Where nothing can be read at all.
    """
    tell = progress or (lambda _text, _share: None)
    robot = None if robot_path is None else load_robot(robot_path)
    logs, taped = _split_tape(paths)
    tell("reading", 0.0)
    recording = read_recording(logs, robot)
    tell("looking at channels", 0.5)
    channels = _summaries(recording)
    rates = []
    for source in recording.sources:
        step = np.diff(source.t)
        step = step[step > 0]
        middle = float(np.median(step)) if step.size else math.nan
        longest = float(step.max()) if step.size else math.nan
        rates.append((source.name, source.t.size, 1 / middle if middle else math.nan, longest))
    run = None
    passes: tuple[Pass, ...] = ()
    problems: tuple[str, ...] = ()
    if robot is not None:
        tell("aligning", 0.6)
        try:
            run = align(recording, robot)
            tell("finding passes", 0.9)
            passes = find_passes(run)
        except RecordingError as error:
            problems = tuple(str(error).splitlines())
    decides = () if run is None else _decides(run, passes, bool(taped))
    return Inspection(
        recording=_without_samples(recording),
        rates=tuple(rates),
        run=run,
        passes=passes,
        decides=decides,
        problems=problems,
        channels=channels,
    )


def _decides(run: Run, passes: Sequence[Pass], taped: bool) -> tuple[tuple[str, str], ...]:
    count: dict[str, int] = {}
    for p in passes:
        count[p.kind] = count.get(p.kind, 0) + 1
    left, right = count.get("left", 0), count.get("right", 0)
    turns = count.get("turn_left", 0) + count.get("turn_right", 0)
    straight = count.get("ahead", 0) + count.get("astern", 0)
    hard = sum(p.hard_start for p in passes)
    pose = run.places or taped
    torque = run.robot.has_motor and (run.current is not None or run.volt is not None)

    def answer(*needs: tuple[bool, str]) -> str:
        lacking = [text for held, text in needs if not held]
        return "yes" if not lacking else "no: needs " + "; ".join(lacking)

    heading = (run.yaw is not None or taped, "a gyro, a heading or a reference")
    sides = (left >= 2 and right >= 2, "two passes and more to each side")
    return (
        ("yaw drift left and right", answer(heading, sides)),
        (
            "distance really covered, creep, sideways ratio",
            answer((pose, "an odometry reference or a taped table"), sides),
        ),
        ("unequal radii", answer((straight >= 2, "passes ahead and astern"), heading)),
        ("yaw lever", answer((turns >= 2, "turns on the spot both ways"), heading)),
        (
            "mass, drag and motors told apart",
            answer(
                (torque, "currents or volts, with motor constants in the robot file"),
                sides,
                (turns >= 2, "turns both ways"),
                (hard >= 4, "four hard sideways starts and more"),
            ),
        ),
    )
