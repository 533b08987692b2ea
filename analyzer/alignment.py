"""One clock, one even grid: from the recording as read to the run that is analysed.

Whatever is wrong with stamps, counters and sensors is found here and in the modules below, reported
as a finding with its time span and kept out of the fits (`Run.valid`, NaN in the reference); nothing
is papered over.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from analyzer.clocks import (
    DEFAULT,
    AlignmentConfig,
    Clocked,
    Grid,
    clocked,
    even_out_bursts,
    gaps_in,
    samples_of,
)
from analyzer.counters import leave_out_stale_rows, reversed_wheels, unbroken, without_leaps
from analyzer.inertial import Gyro, blended_heading, gyro_of, imu_heading
from analyzer.kinematics import odometry_matrix, plane_length
from analyzer.quantities import Finding, RecordingError
from analyzer.references import Reference, reference_of, tracking_paths
from analyzer.run import Recording, Run
from analyzer.screening import clipped, screen
from analyzer.signals import find_lag, integrated, smooth

if TYPE_CHECKING:
    from analyzer.robot import Robot

UNUSED = frozenset({"omega_x", "omega_y"})
"""Channels that a recording may hold and no estimate uses: reading may leave them."""


def align(recording: Recording, robot: Robot, config: AlignmentConfig = DEFAULT) -> Run:
    """Bring a recording onto one clock and one even grid.

    Parameters
    ----------
    recording : Recording
        Sources as read.
    robot : Robot
        The base.
    config : AlignmentConfig
        Thresholds.

    Returns
    -------
    Run
        Wheel angles and speeds, gyro, reference and the rest on the wheels' clock.

    Raises
    ------
    RecordingError
        Naming every wheel channel that is missing and every clock that cannot be used.
    """
    findings = list(recording.findings)
    parts, where, wheels = _usable(recording, robot, findings)
    del recording  # the memory of a channel goes when it is on the grid
    for part in {id(where[name]): where[name] for name in wheels}.values():
        even_out_bursts(part, findings, config)
    leave_out_stale_rows([(where[name], name) for name in wheels], findings)
    grid = _new_grid(parts, where, wheels[0], findings, config)
    angle = _wheel_angles(grid, robot, wheels)
    wheel_speed = _roll(grid, robot, angle)
    for name in list(where):
        screen(grid, name)
    _match_clocks(grid, parts, where[wheels[0]])
    gyro = gyro_of(grid, robot, angle)
    tracking = tracking_paths(grid, robot)
    reference = reference_of(grid, robot, gyro.rate, tracking)
    yaw, yaw_source = _yaw(grid, gyro, reference)
    command, force = _command(grid), _specific_force(grid, robot)
    current = _current(grid, robot)
    backwards = reversed_wheels(grid, robot, angle, gyro.rate, reference.pose, yaw)
    for wheel, evidence in backwards.items():
        text = (
            f"{wheel} turns against the base: {evidence}. Where the base drives well and only "
            "the encoder is mounted the other way round, set sign = -1 for its column in the robot "
            "file; else motor and encoder are wired backwards"
        )
        grid.tell("error", wheels[robot.wheel_names.index(wheel)], text)
    return Run(
        robot=robot,
        t=grid.t,
        dt=grid.dt,
        valid=grid.valid,
        wheel_angle=angle,
        wheel_speed=wheel_speed,
        gyro_z=gyro.rate,
        gyro_lag=gyro.lag,
        gyro_stuck=gyro.stuck,
        yaw=yaw,
        yaw_source=yaw_source,
        reference=reference.pose,
        command=command,
        target=grid.stacked("target", robot.wheel_names),
        power=grid.stacked("power", robot.wheel_names),
        volt=grid.stacked("volt", robot.wheel_names),
        current=current,
        specific_force=force,
        battery=grid.last("battery"),
        findings=tuple(findings),
        imu=gyro.known,
        reversed_wheels=tuple(backwards),
        tracking_path=tracking,
        reference_source=reference.source,
    )


def _usable(
    recording: Recording, robot: Robot, findings: list[Finding]
) -> tuple[list[Clocked], dict[str, Clocked], list[str]]:
    """Parts with a clock, the part of each channel, the channel of each wheel."""
    problems: list[str] = []
    parts = [c for s in recording.sources if (c := clocked(s, findings, problems)) is not None]
    where: dict[str, Clocked] = {}
    for part in parts:
        for name, values in part.channels.items():
            if not (np.isfinite(values[:100]).any() or np.isfinite(values).any()):
                text = f"{part.source.name}: no number in the whole column; not used"
                findings.append(Finding(severity="warning", channel=name, text=text))
            elif name not in where:
                where[name] = part
            else:
                text = f"also in {part.source.name}; the one of {where[name].source.name} is used"
                findings.append(Finding(severity="note", channel=name, text=text))
    names = robot.wheel_names
    kinds = ("count", "angle", "omega")
    missing = [w for w in names if not any(f"{q}_{w}" in where for q in kinds)]
    if missing:
        files = ", ".join(s.name for s in recording.sources) or ", ".join(recording.paths)
        got = ", ".join(sorted(where)) or "no channel"
        wanted = ", ".join(f"count_{w} or omega_{w}" for w in missing)
        problems.append(
            f"{files}: wheel channels missing: {wanted}. Found: {got}. Log them, or map the "
            "columns in the robot file under [channels]"
        )
    wheels, bare = [], []
    for wheel, per_turn in zip(names, robot.counts_per_turn, strict=True):
        counted, own = f"count_{wheel}" in where, [f"angle_{wheel}", f"omega_{wheel}"]
        if counted and np.isfinite(per_turn):
            own.insert(0, f"count_{wheel}")
        elif counted and not set(own) & set(where):
            bare.append(wheel)
        wheels.append(next((name for name in own if name in where), ""))
    if bare:
        problems.append(
            f"{robot.path}: counts_per_turn missing for {', '.join(bare)}; the recording holds "
            "counts. Add it under [wheels.…]"
        )
    if problems:
        raise RecordingError("\n".join(problems))
    return parts, where, wheels


def _new_grid(
    parts: list[Clocked],
    where: dict[str, Clocked],
    first: str,
    findings: list[Finding],
    config: AlignmentConfig,
) -> Grid:
    """The grid, on the clock of the part that holds the first wheel; gaps of that are left out."""
    lead = where[first]
    lead_t = lead.series(first)[0]
    if lead_t.size < 20:
        raise RecordingError(
            f"{lead.source.name}: {lead_t.size} samples of {first.partition('_')[2]}; too few to "
            "analyse. Log at least some passes of several seconds"
        )
    usual = lead.pace(lead_t)[0]
    dt = usual * max(1, samples_of(config.shortest_step, usual))
    dt = float(f"{dt:.3g}")
    fine = lead.thinned(lead_t, dt).t
    zero = float(fine[0])
    n = int((fine[-1] - zero) / dt + 1e-6) + 1
    if n < 20:
        raise RecordingError(
            f"{lead.source.name}: channel t: {lead_t.size} samples within "
            f"{lead_t[-1] - lead_t[0]:.3g} s; too short to analyse. Log at least some passes of "
            "several seconds, or give the right unit of the time column"
        )
    if n > 40 * lead_t.size:
        raise RecordingError(
            f"{lead.source.name}: channel t: {lead_t.size} samples over "
            f"{lead_t[-1] - zero:.0f} s; the stamps jump. Check the unit of the time column"
        )

    def on_lead_clock(part: Clocked) -> float:
        if part is lead:
            return -zero
        if part.source.absolute and lead.source.absolute:
            return part.source.epoch - lead.source.epoch - zero
        return -float(part.t[part.keep][0])

    grid = Grid(
        t=np.arange(n) * dt,
        dt=dt,
        valid=np.ones(n, dtype=bool),
        where=where,
        offsets={id(part): on_lead_clock(part) for part in parts},
        findings=findings,
        config=config,
    )
    for lo, hi in gaps_in(lead_t, usual, config):
        if hi - lo < config.reference_gap and np.any((lead.t > lo) & (lead.t < hi) & lead.keep):
            continue  # stale rows left out: the counters say how far the wheels came
        if any(lo < at <= hi for at in lead.source.joins):
            # Wheels are taken to stand between two takes, so a pass cut by their end is whole.
            grid.block(lo - zero + config.join_margin, hi - zero - config.join_margin)
            continue
        grid.block(lo - zero, hi - zero)
        text = f"{lead.source.name}: no wheel sample for {hi - lo:.2f} s; kept out of the fits"
        grid.tell("warning", "t", text, (lo - zero, hi - zero))
    return grid


def _wheel_angles(grid: Grid, robot: Robot, wheels: list[str]) -> np.ndarray:
    """Angles of the wheels from zero on, shape (n, w). [rad]"""
    angle = np.empty((grid.t.size, len(wheels)), order="F")
    for k, name in enumerate(wheels):
        part = grid.where[name]
        ts, values = part.series(name)
        if ts.size < 20:
            raise RecordingError(
                f"{part.source.name}: channel {name}: {ts.size} usable samples of "
                f"{part.channels[name].size}; too few. Check the column"
            )
        offset = grid.offset(part)
        if not name.startswith("omega_"):
            counting = name.startswith("count_")
            per_turn = float(robot.counts_per_turn[k]) if counting else 2 * math.pi
            ts, values = unbroken(grid, part, name, (ts, values), per_turn)
            angle[:, k] = grid.placed(part, ts, values, offset)
            angle[:, k] += 0.5 if counting else 0.0
            angle[:, k] *= 2 * math.pi / per_turn
            del part.channels[name], values
        else:
            ts, values = without_leaps(grid, part, name, (ts, values))
            angle[:, k] = integrated(grid.placed(part, ts, values, offset), grid.dt)
        if np.ptp(angle[:, k]) == 0:
            text = (
                f"{part.source.name}: {robot.wheel_names[k]} never turns in this recording; "
                "check its encoder and wire"
            )
            grid.tell("error", name, text)
        angle[:, k] -= angle[0, k]
    return angle


def _roll(grid: Grid, robot: Robot, angle: np.ndarray) -> np.ndarray:
    """Speeds of the wheels, shape (n, w) [rad/s]; what they roll and where they rest to the grid."""
    wheel_speed = smooth(np.asarray(np.gradient(angle, grid.dt, axis=0)), grid.dt)
    grid.rolled = (odometry_matrix(robot.matrix) @ wheel_speed.T).T
    grid.rolled_speed = plane_length(grid.rolled[:, 0], grid.rolled[:, 1])
    grid.still = grid.valid.copy()
    least = max(grid.config.rest_speed, 2.0 * robot.coarsest_count)
    for speed in wheel_speed.T:
        grid.still &= np.abs(speed) < least
    return wheel_speed


def _match_clocks(grid: Grid, parts: list[Clocked], lead: Clocked) -> None:
    """Sources that do not share the wheels' clock are matched by motion."""
    dt = grid.dt
    for part in parts:
        if part is lead or (part.source.absolute and lead.source.absolute):
            continue
        span = max(float(grid.t[-1]), float(np.ptp(part.t[part.keep])))
        best = (0.0, 0.0, "")
        step = max(1, round(0.02 / dt))
        for mine, other, what in _same_motion(grid, part):
            lag, peak = find_lag(
                smooth(mine, dt, 0.05)[::step], smooth(other, dt, 0.05)[::step], dt * step, span
            )
            if peak > best[1]:
                best = (lag, peak, what)
        if best[1] >= grid.config.peak_least:
            grid.offsets[id(part)] -= best[0]
            text = (
                f"{part.source.name} has a clock of its own: shifted by "
                f"{-best[0]:+.3f} s to match {best[2]} (correlation {best[1]:.2f})"
            )
            grid.tell("note", "t", text)
        else:
            text = (
                f"{part.source.name} has a clock of its own and nothing in it matches the "
                "wheels sharply; both are taken to start together"
            )
            grid.tell("warning", "t", text)


def _same_motion(grid: Grid, part: Clocked) -> Iterator[tuple[np.ndarray, np.ndarray, str]]:
    """What the wheels roll beside the same as a part shows it."""

    def held(name: str) -> bool:
        return name in part.channels and grid.where.get(name) is part

    rate = grid.channel("omega_z") if held("omega_z") else None
    if rate is not None:
        yield grid.rolled[:, 2], rate, "yaw rate"
    heading = grid.channel("yaw", angle=True) if held("yaw") else None
    if heading is not None:
        yield grid.rolled[:, 2], np.gradient(heading, grid.dt), "yaw rate"
    for x, y, what in (
        ("ref_x", "ref_y", "speed"),
        ("ref_v_x", "ref_v_y", "speed"),
        ("cmd_v_x", "cmd_v_y", "commanded speed"),
    ):
        ahead, left = (grid.channel(x), grid.channel(y)) if held(x) else (None, None)
        if ahead is None or left is None:
            continue
        if x == "ref_x":
            ahead, left = (np.gradient(smooth(v, grid.dt, 0.05), grid.dt) for v in (ahead, left))
        yield grid.rolled_speed, plane_length(ahead, left), what


def _yaw(grid: Grid, gyro: Gyro, reference: Reference) -> tuple[np.ndarray | None, str]:
    """The best heading there is, and where it comes from."""
    heading, doubted = imu_heading(grid, gyro.rate)
    if reference.pose is None and gyro.rate is None and heading is not None:
        grid.valid &= ~doubted
    if reference.pose is not None and reference.turns and not reference.heading_is_gyros:
        return blended_heading(grid, reference.pose[:, 2], gyro), "reference"
    if gyro.rate is not None:
        grid.valid &= ~gyro.stuck
        return integrated(gyro.rate, grid.dt), "gyro"
    return heading, "" if heading is None else "imu yaw"


def _command(grid: Grid) -> np.ndarray | None:
    """Commanded twist, shape (n, 3); what is not logged of it is zero. [m/s, m/s, rad/s]"""
    names = ("cmd_v_x", "cmd_v_y", "cmd_omega_z")
    if not any(name in grid.where for name in names):
        return None
    command = np.zeros((grid.t.size, 3), order="F")
    for k, name in enumerate(names):
        asked = grid.last(name)
        if asked is not None:
            command[:, k] = asked
    return command


def _specific_force(grid: Grid, robot: Robot) -> np.ndarray | None:
    """Specific force along the axes of the base, shape (n, 3). [m/s^2]"""
    ahead, left, up = (grid.last(f"f_{q}") for q in "xyz")
    if ahead is None or left is None:
        return None
    force = np.array([ahead, left, up if up is not None else np.full(grid.t.size, 9.81)]).T
    if np.any(robot.imu_rpy):
        from scipy.spatial.transform import Rotation

        force = force @ Rotation.from_euler("ZYX", robot.imu_rpy[::-1]).as_matrix().T
    return force


def _current(grid: Grid, robot: Robot) -> np.ndarray | None:
    """Motor currents, shape (n, w), where they are not saturated all the time. [A]"""
    current = grid.stacked("current", robot.wheel_names)
    if current is None:
        return None
    saturated = np.zeros(grid.t.size, dtype=bool)
    for k, wheel in enumerate(robot.wheel_names):
        saturated |= clipped(grid, current[:, k], f"current_{wheel}")
    driving = ~grid.still
    if np.sum(saturated & driving) > 0.1 * max(1, np.sum(driving)):
        text = "saturated in more than a tenth of the driving time; currents are not used"
        grid.tell("warning", f"current_{robot.wheel_names[0]}", text)
        return None
    grid.valid &= ~saturated
    return current
