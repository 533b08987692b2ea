"""One clock, one even grid: from the recording as read to the run that is analysed.

Whatever is wrong with stamps, counters and sensors is found here, reported as a finding with
its time span and kept out of the fits (`Run.valid`, NaN in the reference); nothing is papered
over.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage, signal

from analyzer.kinematics import integrate_twist, odometry_matrix, tracking_rows
from analyzer.quantities import Estimate, Finding, RecordingError
from analyzer.run import Recording, Run, Source

if TYPE_CHECKING:
    from analyzer.robot import Robot


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentConfig:
    """Thresholds of alignment, each with unit and origin."""

    shortest_step: float = 0.005
    """Finest grid step [s]: faster logs carry nothing more about a base that weighs kilograms."""
    smoothing: float = 0.025
    """Gaussian kernel of every derivative [s]: below it encoder quanta dominate (bench work)."""
    gap_steps: float = 8.0
    """Sample distance that counts as a gap, in median steps [-]."""
    gap_least: float = 0.15
    """Least gap [s]: shorter ones are bridged by the smoothing kernel."""
    reference_gap: float = 0.35
    """Longest stretch over which the reference pose is interpolated [s]."""
    rest_speed: float = 0.05
    """Wheel speed below which a wheel counts as standing, times one encoder quantum or more
    [rad/s]."""
    rest_time: float = 0.25
    """Shortest rest used for gyro bias [s]."""
    settling: float = 1.2e-3
    """Turn of a base that settles after braking [rad]: 0.5 mm of lash at 0.4 m (bench work). Short
    rests know the gyro's bias no better than this angle over their length."""
    peak_least: float = 0.6
    """Least correlation at which a clock offset is believed [-]."""
    lag_most: float = 0.5
    """Longest latency searched between channels of one clock [s]."""
    wheel_speed_most: float = 400.0
    """Wheel speed above which a counter step is a reset or a fault [rad/s]: ~3800 rpm."""
    frozen_time: float = 0.5
    """Time without change, while the wheels turn, after which a sensor counts as stuck [s]."""
    wheel_leap: float = 25.0
    """Change of a wheel's speed from one sample to the next that no motor makes [rad/s]: full
    speed of a common gear motor."""
    stale_share: float = 0.3
    """Share of samples that repeat the one before, while moving, above which repeats are stale [-]:
    a live sensor with noise repeats far less, one read twice as often as it measures gives 0.5."""
    pose_leap: float = 0.08
    """Least step of a pose, beyond what the wheels rolled, that counts as a jump [m]."""
    yaw_leap: float = 0.15
    """Least step of a heading, beyond what the wheels rolled, that counts as a jump [rad]."""
    join_margin: float = 0.4
    """Part of the pause between joined takes that stays usable at both ends [s]: the kernels of
    smoothing reach so far."""
    late_share: float = 0.3
    """Share of rows that follow at under a fifth of the mean step, from which stamps are those of
    arrival in bursts [-]."""


DEFAULT = AlignmentConfig()


def smooth(values: np.ndarray, dt: float, sigma: float = DEFAULT.smoothing) -> np.ndarray:
    """Gaussian smoothing along the first axis.

    Parameters
    ----------
    values : ndarray, shape (n,) or (n, k)
        Values on an even grid.
    dt : float
        Grid step. [s]
    sigma : float
        Standard deviation of the kernel. [s]

    Returns
    -------
    ndarray
        Same shape. Nothing is done where the kernel is below a third of a step.
    """
    width = sigma / dt
    if width < 1 / 3:
        return values
    out = np.empty_like(values, order="F")
    if values.ndim == 1:
        ndimage.gaussian_filter1d(values, width, mode="nearest", output=out, truncate=3.0)
    else:
        for k in range(values.shape[1]):
            out[:, k] = ndimage.gaussian_filter1d(values[:, k], width, mode="nearest", truncate=3.0)
    return out


def clean_stamps(t: np.ndarray) -> tuple[np.ndarray, int, int]:
    """Choose the samples whose stamps run strictly forward.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Stamps as logged. [s]

    Returns
    -------
    keep : ndarray of bool, shape (n,)
        Samples later than every sample before them.
    repeated, backward : int
        How many were dropped for each reason.
    """
    finite = np.isfinite(t)
    filled = np.where(finite, t, -np.inf)
    highest = np.maximum.accumulate(filled)
    keep = finite.copy()
    keep[1:] &= filled[1:] > highest[:-1]
    repeated = int(np.sum(finite[1:] & (filled[1:] == highest[:-1])))
    return keep, repeated, int(np.sum(~keep)) - repeated


def unwrap_counter(
    count: np.ndarray, step_most: float, modulo: float | None = None
) -> tuple[np.ndarray, int, np.ndarray]:
    """Undo overflow of a counter and find its resets.

    Parameters
    ----------
    count : ndarray, shape (n,)
        Counter values without NaN. [counts]
    step_most : float
        Largest step that motion can explain. [counts]
    modulo : float, optional
        Value at which the counter starts again, where it is known (one turn of an absolute
        encoder, 2 pi of an angle); else the usual widths are tried. [counts]

    Returns
    -------
    unwrapped : ndarray, shape (n,)
        Counter that runs on through overflows and resets.
    bits : int
        15, 16 or 32 where overflows of that width were found (1 for `modulo`), else 0.
    resets : ndarray of int
        Indices after which the counter was set anew (the step there is taken as none).

    Notes
    -----
    Serial-number arithmetic of RFC 1982: a step is the smallest one modulo 2**bits.
    """
    step = np.diff(count)
    jumps = np.flatnonzero(np.abs(step) > step_most)
    bits = 0
    if jumps.size:
        widths = [(w, 2.0**w) for w in (15, 16, 32)] if modulo is None else [(1, modulo)]
        for width, modulus in widths:
            if np.abs(step[jumps]).max() > modulus or np.ptp(count) > modulus:
                continue
            folded = step[jumps] - modulus * np.round(step[jumps] / modulus)
            explained = np.abs(folded) <= step_most
            if np.ptp(count) > 0.8 * modulus and explained.mean() >= 0.5:
                step = step.copy()
                step[jumps[explained]] = folded[explained]
                jumps = jumps[~explained]
                bits = width
                break
    if jumps.size:
        step = step.copy()
        step[jumps] = 0.0
    out = np.empty_like(count)
    out[0] = count[0]
    out[1:] = count[0] + np.cumsum(step)
    return out, bits, jumps


LAG_SPAN = 30_000
"""Samples that suffice to find a short lag; a longer recording is searched where it moves most."""


def _liveliest(values: np.ndarray, span: int) -> slice:
    """Stretch of `span` samples with the most energy."""
    if values.size <= span:
        return slice(None)
    energy = np.concatenate([[0.0], np.cumsum(values**2)])
    inside = energy[span:] - energy[:-span]
    start = int(np.argmax(inside))
    return slice(start, start + span)


def find_lag(
    signal_a: np.ndarray, signal_b: np.ndarray, dt: float, lag_most: float
) -> tuple[float, float]:
    """Time by which `signal_b` lags `signal_a`, with the correlation there.

    Parameters
    ----------
    signal_a, signal_b : ndarray, shape (n,)
        Signals on one even grid, without NaN.
    dt : float
        Grid step. [s]
    lag_most : float
        Largest lag searched, either way. [s]

    Returns
    -------
    lag : float
        Positive where `signal_b` is late; sub-sample by a parabola through the peak. [s]
    peak : float
        Correlation coefficient at the peak, -1 to 1.

    Notes
    -----
    Knapp & Carter (1976); parabolic peak offset p = (a - c) / (2 (a - 2 b + c)) (value from
    memory, checked in tests).
    """
    if lag_most < LAG_SPAN * dt / 8:
        lively = _liveliest(signal_a, LAG_SPAN)
        signal_a, signal_b = signal_a[lively], signal_b[lively]
    a = signal_a - signal_a.mean()
    b = signal_b - signal_b.mean()
    scale = math.sqrt(float(a @ a) * float(b @ b))
    if scale <= 0:
        return 0.0, 0.0
    n = a.size
    most = min(n - 1, max(2, round(lag_most / dt)))
    if most * n < 4e7:
        full = np.array(
            [
                float(a[max(0, -k) : n - max(0, k)] @ b[max(0, k) : n - max(0, -k)])
                for k in range(-most, most + 1)
            ]
        )
    else:
        whole = signal.correlate(b, a, mode="full", method="fft")
        full = whole[n - 1 - most : n + most]
    top = int(np.argmax(full))
    lag = float(top - most)
    if 0 < top < full.size - 1:
        lag += parabolic_peak(full[top - 1], full[top], full[top + 1])
    return _refined(a, b, lag) * dt, float(full[top] / scale)


def _refined(a: np.ndarray, b: np.ndarray, lag: float) -> float:
    """Least-squares shift near `lag`: sums over a shrinking overlap pull slow signals to zero."""
    n = a.size
    slope = np.gradient(b)
    start = lag
    for _ in range(4):
        edge = math.ceil(abs(lag)) + 2
        if n <= 4 * edge:
            return start
        at = np.arange(edge, n - edge)
        low = math.floor(lag)
        part = lag - low
        late = b[at + low] * (1 - part) + b[at + low + 1] * part
        rate = slope[at + low] * (1 - part) + slope[at + low + 1] * part
        energy = float(rate @ rate)
        if energy <= 0:
            return start
        known = a[at]
        gain = float(known @ late) / max(float(known @ known), 1e-300)
        change = float(rate @ (gain * known - late)) / energy
        if abs(lag + change - start) > 3:
            return start
        lag += change
    return lag


def parabolic_peak(left: float, middle: float, right: float) -> float:
    """Offset of the vertex of the parabola through three equally spaced values.

    Parameters
    ----------
    left, middle, right : float
        Values at -1, 0, +1.

    Returns
    -------
    float
        Place of the vertex in steps; 0 where the three are in line.
    """
    bend = left - 2 * middle + right
    return 0.0 if bend == 0 else 0.5 * (left - right) / bend


@dataclass(slots=True, kw_only=True)
class _Clocked:
    source: Source
    t: np.ndarray
    keep: np.ndarray
    channels: dict[str, np.ndarray]


def _clocked(source: Source, findings: list[Finding], problems: list[str]) -> _Clocked | None:
    t = source.t + 0.0
    keep, repeated, backward = clean_stamps(t)
    n = t.size
    if n < 3:
        problems.append(f"{source.name}: {n} samples; a recording needs thousands. Log longer")
        return None
    falling = int(np.sum(np.diff(t) < 0))
    if (keep.sum() < 3 and falling < 0.2 * n) or np.ptp(t[np.isfinite(t)]) == 0:
        problems.append(
            f"{source.name}: channel t: the stamps do not advance ({n} rows, all about "
            f"{t[np.isfinite(t)][:1]} s). Log a running clock, or give the right time column"
        )
        return None
    if backward > 0.2 * n:
        at = int(np.flatnonzero(np.diff(t) < 0)[0]) + 1
        problems.append(
            f"{source.name}: channel t: time runs backwards (first at row {at + 1}); {backward} of "
            f"{n} rows lie before earlier ones. Several recordings in one file? Split them"
        )
        return None
    if repeated:
        findings.append(
            Finding(
                severity="note" if repeated < 0.05 * n else "warning",
                channel="t",
                text=f"{source.name}: {repeated} of {n} stamps repeat; the first of each is kept",
            )
        )
    if backward:
        findings.append(
            Finding(
                severity="warning",
                channel="t",
                text=f"{source.name}: {backward} of {n} stamps run backwards; those rows are left out",
            )
        )
    return _Clocked(source=source, t=t, keep=keep, channels=source.channels)


def _series(part: _Clocked, name: str) -> tuple[np.ndarray, np.ndarray]:
    values = part.channels[name]
    use = part.keep & np.isfinite(values)
    if use.all():
        return part.t, values
    return part.t[use], values[use]


def _gaps(t: np.ndarray, config: AlignmentConfig) -> list[tuple[float, float]]:
    step = np.diff(t)
    limit = max(config.gap_steps * float(np.median(step)), config.gap_least)
    return [(float(t[i]), float(t[i + 1])) for i in np.flatnonzero(step > limit)]


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
    problems: list[str] = []
    parts = [c for s in recording.sources if (c := _clocked(s, findings, problems)) is not None]
    where: dict[str, _Clocked] = {}
    for part in parts:
        for name, values in part.channels.items():
            if not np.isfinite(values).any():
                findings.append(
                    Finding(
                        severity="warning",
                        channel=name,
                        text=f"{part.source.name}: no number in the whole column; not used",
                    )
                )
            elif name not in where:
                where[name] = part
            else:
                findings.append(
                    Finding(
                        severity="note",
                        channel=name,
                        text=f"also in {part.source.name}; the one of "
                        f"{where[name].source.name} is used",
                    )
                )
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
    bare = [
        w
        for k, w in enumerate(names)
        if f"count_{w}" in where
        and f"omega_{w}" not in where
        and f"angle_{w}" not in where
        and not np.isfinite(robot.counts_per_turn[k])
    ]
    if bare:
        problems.append(
            f"{robot.path}: counts_per_turn missing for {', '.join(bare)}; the recording holds "
            "counts. Add it under [wheels.…]"
        )
    if problems:
        raise RecordingError("\n".join(problems))

    def wheel_channel(k: int) -> str:
        wheel = names[k]
        if f"count_{wheel}" in where and np.isfinite(robot.counts_per_turn[k]):
            return f"count_{wheel}"
        return f"angle_{wheel}" if f"angle_{wheel}" in where else f"omega_{wheel}"

    first = names[0]
    for part in {
        id(where[wheel_channel(k)]): where[wheel_channel(k)] for k in range(len(names))
    }.values():
        _even_out_bursts(part, findings, config)
    stale = [(where[wheel_channel(k)], wheel_channel(k)) for k in range(len(names))]
    _stale_counters(stale, findings, config)
    lead = where[wheel_channel(0)]
    lead_t = _series(lead, wheel_channel(0))[0]
    if lead_t.size < 20:
        raise RecordingError(
            f"{lead.source.name}: {lead_t.size} samples of {first}; too few to analyse. Log at "
            "least some passes of several seconds"
        )
    dt = max(float(np.median(np.diff(lead_t))), config.shortest_step)
    dt = float(f"{dt:.3g}")
    zero = float(lead_t[0])
    n = int((lead_t[-1] - zero) / dt) + 1
    if n > 40 * lead_t.size:
        raise RecordingError(
            f"{lead.source.name}: channel t: {lead_t.size} samples over "
            f"{lead_t[-1] - zero:.0f} s; the stamps jump. Check the unit of the time column"
        )
    t = np.arange(n) * dt
    valid = np.ones(n, dtype=bool)

    def block(lo: float, hi: float) -> None:
        valid[max(0, math.floor((lo - zero) / dt)) : math.ceil((hi - zero) / dt) + 1] = False

    for lo, hi in _gaps(lead_t, config):
        if hi - lo < config.reference_gap and np.any((lead.t > lo) & (lead.t < hi) & lead.keep):
            continue  # stale rows left out: the counters say how far the wheels came
        if any(lo < at <= hi for at in lead.source.joins):
            # Wheels are taken to stand between two takes, so a pass cut by their end is whole.
            block(lo + config.join_margin, hi - config.join_margin)
            continue
        block(lo, hi)
        findings.append(
            Finding(
                severity="warning",
                channel="t",
                text=f"{lead.source.name}: no wheel sample for {hi - lo:.2f} s; kept out of the fits",
                t_start=lo - zero,
                t_end=hi - zero,
            )
        )

    def on_lead_clock(part: _Clocked) -> float:
        """Seconds to add to a source's stamps to be on the run's clock."""
        if part is lead:
            return -zero
        if part.source.absolute and lead.source.absolute:
            return part.source.epoch - lead.source.epoch - zero
        return -float(part.t[part.keep][0])

    offsets = {id(part): on_lead_clock(part) for part in parts}

    angle = np.empty((n, len(names)), order="F")
    for k, wheel in enumerate(names):
        name = wheel_channel(k)
        part = where[name]
        ts, values = _series(part, name)
        if ts.size < 20:
            raise RecordingError(
                f"{part.source.name}: channel {name}: {ts.size} usable samples of "
                f"{values.size}; too few. Check the column"
            )
        ts = ts + offsets[id(part)]
        if not name.startswith("omega_"):
            counting = name.startswith("count_")
            per_turn = float(robot.counts_per_turn[k]) if counting else 2 * math.pi
            ts, values = _unbroken(
                ts, values, name, per_turn, counting, zero, block, findings, config
            )
            values = (values + (0.5 if counting else 0.0)) * (2 * math.pi / per_turn)
            angle[:, k] = np.interp(t, ts, values)
        else:
            ts, values = _without_leaps(ts, values, name, zero, block, findings, config)
            speed = np.interp(t, ts, values)
            angle[:, k] = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) * (dt / 2))])
        if np.ptp(angle[:, k]) == 0:
            findings.append(
                Finding(
                    severity="error",
                    channel=name,
                    text=f"{part.source.name}: {wheel} never turns in this recording; "
                    "check its encoder and wire",
                )
            )
        angle[:, k] -= angle[0, k]
    wheel_speed = smooth(np.asarray(np.gradient(angle, dt, axis=0)), dt)
    rolled = wheel_speed @ odometry_matrix(robot.matrix).T
    rolled_speed = np.hypot(rolled[:, 0], rolled[:, 1])
    quantum = (
        np.nanmax(2 * math.pi / robot.counts_per_turn)
        if np.isfinite(robot.counts_per_turn).any()
        else 0.0
    )
    still = np.all(np.abs(wheel_speed) < max(config.rest_speed, 2.0 * quantum), axis=1) & valid

    def gridded(name: str, *, lag: float = 0.0) -> np.ndarray | None:
        part = where.get(name)
        if part is None:
            return None
        ts, values = _series(part, name)
        if ts.size < 3:
            return None
        return np.interp(t, ts + offsets[id(part)] - lag, values)

    moving_at = (~still).astype(float)
    for name, part in where.items():
        _screen(part, name, offsets[id(part)], t, moving_at, findings, config)

    # Clocks of their own: sources that do not share the wheels' clock are matched by motion.
    for part in parts:
        if part is lead or (part.source.absolute and lead.source.absolute):
            continue
        candidates = []
        span = max(float(t[-1]), float(np.ptp(part.t[part.keep])))
        if "omega_z" in part.channels and where.get("omega_z") is part:
            candidates.append((rolled[:, 2], gridded("omega_z"), "yaw rate"))
        if "yaw" in part.channels and where.get("yaw") is part:
            heading = gridded("yaw")
            if heading is not None:
                ts, values = _series(part, "yaw")
                heading = np.interp(t, ts + offsets[id(part)], np.unwrap(values))
                candidates.append((rolled[:, 2], np.gradient(heading, dt), "yaw rate"))
        if "ref_x" in part.channels and where.get("ref_x") is part:
            rx, ry = gridded("ref_x"), gridded("ref_y")
            if rx is not None and ry is not None:
                speed = np.hypot(
                    np.gradient(smooth(rx, dt, 0.05), dt), np.gradient(smooth(ry, dt, 0.05), dt)
                )
                candidates.append((rolled_speed, speed, "speed"))
        if "cmd_v_x" in part.channels and where.get("cmd_v_x") is part:
            cx, cy = gridded("cmd_v_x"), gridded("cmd_v_y")
            if cx is not None and cy is not None:
                candidates.append((rolled_speed, np.hypot(cx, cy), "commanded speed"))
        best = (0.0, 0.0, "")
        step = max(1, round(0.02 / dt))
        for mine, other, what in candidates:
            if other is None:
                continue
            lag, peak = find_lag(
                smooth(mine, dt, 0.05)[::step], smooth(other, dt, 0.05)[::step], dt * step, span
            )
            if peak > best[1]:
                best = (lag, peak, what)
        if best[1] >= config.peak_least:
            offsets[id(part)] -= best[0]
            findings.append(
                Finding(
                    severity="note",
                    channel="t",
                    text=f"{part.source.name} has a clock of its own: shifted by "
                    f"{-best[0]:+.3f} s to match {best[2]} (correlation {best[1]:.2f})",
                )
            )
        else:
            findings.append(
                Finding(
                    severity="warning",
                    channel="t",
                    text=f"{part.source.name} has a clock of its own and nothing in it matches the "
                    "wheels sharply; both are taken to start together",
                )
            )

    imu: dict[str, Estimate] = {}
    stuck = np.zeros(n, dtype=bool)
    gyro_part = where.get("omega_z")
    gyro = gridded("omega_z")
    if gyro is not None and gyro_part is not None:
        lag, peak = find_lag(
            smooth(rolled[:, 2], dt), smooth(gyro, dt), dt, min(config.lag_most, t[-1] / 4)
        )
        opposite = find_lag(smooth(-rolled[:, 2], dt), smooth(gyro, dt), dt, config.lag_most)[1]
        if peak >= config.peak_least and abs(lag) < 0.9 * config.lag_most:
            gyro = gridded("omega_z", lag=lag)
            if abs(lag) > 0.002:
                findings.append(
                    Finding(
                        severity="note",
                        channel="omega_z",
                        text=f"gyro lags the wheels by {1e3 * lag:.1f} ms; shifted "
                        f"(correlation {peak:.3f})",
                    )
                )
        elif opposite > config.peak_least:
            findings.append(
                Finding(
                    severity="warning",
                    channel="omega_z",
                    text="gyro turns against the wheels' yaw rate: either its sign is wrong (set "
                    "sign = -1 in the robot file) or the rollers lean the other way",
                )
            )
        assert gyro is not None
        stuck = _stuck(gyro, "omega_z", t, dt, still, findings, config)
        gyro, imu = _gyro_bias(
            gyro,
            t,
            dt,
            still & ~_grown(stuck, round(0.2 / dt)),
            _rate(gyro_part, "omega_z"),
            angle @ odometry_matrix(robot.matrix)[2],
            quantum * float(np.linalg.norm(odometry_matrix(robot.matrix)[2])),
            findings,
            config,
        )
    reference, ref_problem = _reference(
        where, offsets, t, dt, rolled_speed, rolled[:, 2], gyro, still, valid, findings, config
    )
    if ref_problem:
        findings.append(Finding(severity="warning", channel="ref_x", text=ref_problem))
    if reference is not None:
        reference = _own_reference(reference, rolled, dt, still, where, findings)
    source = "" if reference is None else "pose"
    tracking = _tracking_paths(robot, where, offsets, t, zero, block, findings, config)
    if tracking is not None and (reference is None or not np.isfinite(reference[:, 0]).any()):
        found = _tracked_pose(robot, tracking, gyro, dt, findings)
        if found is not None:
            reference, source = found, "tracking wheels"
    yaw_imu = None
    if "yaw" in where:
        ts, values = _series(where["yaw"], "yaw")
        if ts.size >= 3:
            yaw_imu, doubted = _imu_yaw(
                ts + offsets[id(where["yaw"])],
                values,
                t,
                dt,
                rolled[:, 2],
                gyro,
                still,
                findings,
                config,
            )
            if reference is None and gyro is None and yaw_imu is not None:
                valid &= ~doubted

    yaw, yaw_source = None, ""
    if reference is not None and np.isfinite(reference[:, 2]).mean() > 0.3:
        if gyro is not None and stuck.any():
            # The reference heading stands in where the gyro is stuck.
            rate = np.gradient(smooth(reference[:, 2], dt, 0.06), dt)
            gyro = np.where(stuck & np.isfinite(rate), rate, gyro)
        _gyro_against(reference[:, 2], gyro, rolled[:, 2], dt, imu, findings)
        yaw, yaw_source = _heading(reference[:, 2], gyro, dt, imu), "reference"
    elif gyro is not None:
        valid &= ~stuck
        yaw, yaw_source = (
            np.concatenate([[0.0], np.cumsum((gyro[1:] + gyro[:-1]) * dt / 2)]),
            "gyro",
        )
    elif yaw_imu is not None:
        yaw, yaw_source = yaw_imu, "imu yaw"

    def stacked(prefix: str) -> np.ndarray | None:
        columns = [gridded(f"{prefix}_{w}") for w in names]
        if any(c is None for c in columns):
            return None
        out = np.empty((n, len(names)), order="F")
        for k, c in enumerate(columns):
            out[:, k] = c
        return out

    command = None
    if any(f"cmd_{q}" in where for q in ("v_x", "v_y", "omega_z")):
        command = np.zeros((n, 3))
        for k, q in enumerate(("v_x", "v_y", "omega_z")):
            asked = gridded(f"cmd_{q}")
            if asked is not None:
                command[:, k] = asked
    force = None
    axes = [gridded(f"f_{q}") for q in "xyz"]
    if axes[0] is not None and axes[1] is not None:
        up = axes[2] if axes[2] is not None else np.full(n, 9.81)
        force = np.stack([axes[0], axes[1], up], axis=1)
        if np.any(robot.imu_rpy):
            from scipy.spatial.transform import Rotation

            force = force @ Rotation.from_euler("ZYX", robot.imu_rpy[::-1]).as_matrix().T
    current = stacked("current")
    if current is not None:
        clipped = np.zeros(n, dtype=bool)
        for k, wheel in enumerate(names):
            clipped |= _clipped(current[:, k], f"current_{wheel}", t, findings)
        if np.sum(clipped & ~still) > 0.1 * max(1, np.sum(~still)):
            current = None
            text = "saturated in more than a tenth of the driving time; currents are not used"
            findings.append(Finding(severity="warning", channel=f"current_{first}", text=text))
        else:
            valid &= ~clipped
    turned = _reversed_wheels(robot, wheel_speed, gyro, reference, yaw, dt, still, valid)
    for wheel, evidence in turned.items():
        findings.append(
            Finding(
                severity="error",
                channel=wheel_channel(names.index(wheel)),
                text=f"{wheel} turns against the base: {evidence}. Where the base drives well and only "
                "the encoder is mounted the other way round, set sign = -1 for its column in the robot "
                "file; else motor and encoder are wired backwards",
            )
        )
    return Run(
        robot=robot,
        t=t,
        dt=dt,
        valid=valid,
        wheel_angle=angle,
        wheel_speed=wheel_speed,
        gyro_z=gyro,
        yaw=yaw,
        yaw_source=yaw_source,
        reference=reference,
        command=command,
        target=stacked("target"),
        power=stacked("power"),
        volt=stacked("volt"),
        current=current,
        specific_force=force,
        battery=gridded("battery"),
        findings=tuple(findings),
        imu=imu,
        reversed_wheels=tuple(turned),
        tracking_path=tracking,
        reference_source=source,
    )


def _rate(part: _Clocked, name: str) -> float:
    ts, _ = _series(part, name)
    return 1.0 / float(np.median(np.diff(ts)))


def _spans(mask: np.ndarray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _grown(mask: np.ndarray, width: int) -> np.ndarray:
    """Widen every span of a mask by `width` samples at both ends."""
    if width < 1 or not mask.any():
        return mask
    out: np.ndarray = ndimage.binary_dilation(mask, iterations=width)
    return out


def _even_out_bursts(part: _Clocked, findings: list[Finding], config: AlignmentConfig) -> None:
    """Rows that arrive late in bursts: put them back on the even clock they were sent by.

    A row can only be late, so the clock is the line below all stamps; it is followed over
    stretches of rows because two clocks never run quite alike.
    """
    t = part.t[part.keep]
    if t.size < 200:
        return
    step = np.diff(t)
    mean = (t[-1] - t[0]) / (t.size - 1)
    late = step < 0.2 * mean
    # Lost rows would stretch the even clock: only recordings without long gaps are mended.
    if late.mean() < config.late_share or step.max() > 0.5:
        return
    k = np.arange(t.size)
    slope = np.polyfit(k, t, 1)[0]
    away = t - slope * k
    width = max(50, round(2.0 / mean))
    lowest = ndimage.minimum_filter1d(away, width, mode="nearest")
    even = smooth(lowest, 1.0, width / 2) + slope * k
    if np.any(np.diff(even) <= 0) or np.max(np.abs(t - even)) > 1.0:
        return
    part.t = part.t.copy()
    part.t[part.keep] = even
    findings.append(
        Finding(
            severity="warning",
            channel="t",
            text=f"{part.source.name}: {int(late.sum())} of {t.size} rows arrive late, in bursts; "
            f"taken as sent evenly at {1 / slope:.1f} Hz (stamps up to {np.max(t - even):.2f} s late)",
            t_start=0.0,
            t_end=float(t[-1] - t[0]),
        )
    )


def _stale_counters(
    wheels: list[tuple[_Clocked, str]], findings: list[Finding], config: AlignmentConfig
) -> None:
    """Rows in which all counters stand still in mid-motion and then catch up: repeated, not read."""
    part = wheels[0][0]
    names = [n for p, n in wheels if p is part and not n.startswith("omega_")]
    if len(names) < len(wheels):
        return
    counts = np.stack([part.channels[n] for n in names], axis=1)
    use = np.flatnonzero(part.keep & np.isfinite(counts).all(axis=1))
    if use.size < 50:
        return
    step, when = np.diff(counts[use], axis=0), part.t[use]
    same = np.concatenate([[False], np.all(step == 0, axis=1)])
    usual = float(np.median(np.diff(when)))
    bad = np.zeros(use.size, dtype=bool)
    stands: list[list[int]] = []
    for a, b in _spans(same):
        if b - a < 3:
            continue
        if stands and a - stands[-1][1] <= 2:
            stands[-1][1] = b
        else:
            stands.append([a, b])
    for a, b in stands:
        # The wheels went on: the step after the stand makes up for the time it took.
        if b >= use.size or a < 9 or (b - a) * usual > 5.0:
            continue
        after = np.abs(counts[use[b]] - counts[use[a - 1]])
        before = np.median(np.abs(step[a - 9 : a - 1]), axis=0)
        lead = int(np.argmax(after))
        rows = b - a + 1
        leap = abs(step[b - 1][lead]) > 2.5 * before[lead] > 0
        if leap and 0.4 * rows < after[lead] / before[lead] < 2.0 * rows:
            bad[a:b] = True
            spell = (float(when[a - 1] - when[0]), float(when[b] - when[0]))
            findings.append(
                Finding(
                    severity="warning",
                    channel=names[lead],
                    text=f"{part.source.name}: all counters stand for {spell[1] - spell[0]:.2f} s and "
                    "then catch up: stale rows, left out",
                    t_start=spell[0],
                    t_end=spell[1],
                )
            )
    if bad.any():
        # Only the wheels' rows are stale; other columns of the same rows may be good.
        for name in names:
            cleaned = part.channels[name].astype(np.float64)
            cleaned[use[bad]] = np.nan
            part.channels = {**part.channels, name: cleaned}


def _leaps(rate: np.ndarray, least: float) -> np.ndarray:
    """Samples far from the median of their neighbours, beyond noise and beyond `least`."""
    away = np.abs(rate - ndimage.median_filter(rate, size=5, mode="nearest"))
    noise = 1.4826 * float(np.median(away[away > 0])) if np.any(away > 0) else 0.0
    out: np.ndarray = away > max(least, min(12 * noise, 4 * least))
    return out


Block = Callable[[float, float], None]


def _unbroken(
    ts: np.ndarray,
    values: np.ndarray,
    name: str,
    per_turn: float,
    counting: bool,
    zero: float,
    block: Block,
    findings: list[Finding],
    config: AlignmentConfig,
) -> tuple[np.ndarray, np.ndarray]:
    """Counter that runs on through overflows and resets; glitches left out."""
    middle = float(np.median(np.diff(ts)))
    most = max(config.wheel_speed_most * per_turn / (2 * math.pi) * middle, 50.0 if counting else 0)
    top = float(np.ptp(values))
    modulo = None
    if 0.8 * per_turn < top <= per_turn * (1 + 1e-9):
        modulo, most = per_turn, min(most, 0.5 * per_turn)
    unwrapped, bits, resets = unwrap_counter(values, most, modulo)
    if bits:
        wide = f"of {bits} bits" if modulo is None else "of one turn"
        findings.append(
            Finding(
                severity="note",
                channel=name,
                text=f"counter {wide} overflows; taken as running on",
            )
        )
    # Smaller jumps than the fastest wheel makes: far from the steps around them.
    step = np.diff(unwrapped)
    # Over a gap the wheel turns on: steps are compared as speeds.
    long = np.maximum(1.0, np.diff(ts) / middle)
    floor = config.wheel_leap * per_turn / (2 * math.pi) * middle + (3.0 if counting else 0.0)
    leap = np.flatnonzero(_leaps(step / long, floor))
    keep = np.ones(ts.size, dtype=bool)
    back = [i for i in leap if i + 1 in set(leap.tolist()) and step[i] * step[i + 1] < 0]
    for i in back:
        keep[i + 1] = False
    # A glitch of one row: away and back. After a reset the step is taken as none.
    lone = np.array([i for i in leap if i not in back and i - 1 not in back], dtype=int)
    if lone.size:
        step[lone] = 0.0
        unwrapped = unwrapped[0] + np.concatenate([[0.0], np.cumsum(step)])
    gone = np.union1d(resets, lone).astype(int)
    for at in gone[ts[gone + 1] - ts[gone] < 1.0][:50]:
        findings.append(
            Finding(
                severity="warning",
                channel=name,
                text="counter was set anew or jumped; the step is left out",
                t_start=float(ts[at]),
                t_end=float(ts[at + 1]),
            )
        )
    for at in gone[ts[gone + 1] - ts[gone] < 1.0]:
        block(float(ts[at]) + zero, float(ts[at + 1]) + zero)
    if back:
        findings.append(
            Finding(
                severity="warning",
                channel=name,
                text=f"{len(back)} of {ts.size} counter values jump away and back; left out",
                t_start=float(ts[back[0]]),
                t_end=float(ts[back[-1] + 2]),
            )
        )
    return ts[keep], unwrapped[keep]


def _without_leaps(
    ts: np.ndarray,
    values: np.ndarray,
    name: str,
    zero: float,
    block: Block,
    findings: list[Finding],
    config: AlignmentConfig,
) -> tuple[np.ndarray, np.ndarray]:
    """Wheel speeds without the values that no wheel can have."""
    bad = (np.abs(values) > config.wheel_speed_most) | _leaps(values, config.wheel_leap)
    if not bad.any() or bad.mean() > 0.2:
        return ts, values
    for a, b in _spans(bad):
        if b - a > 3:
            block(float(ts[a]) + zero, float(ts[b - 1]) + zero)
    findings.append(
        Finding(
            severity="warning",
            channel=name,
            text=f"{int(bad.sum())} of {bad.size} wheel speeds leap beyond what a wheel can do (up to "
            f"{np.max(np.abs(values[bad])):.0f} rad/s); left out",
            t_start=float(ts[bad][0]),
            t_end=float(ts[bad][-1]),
        )
    )
    return ts[~bad], values[~bad]


LEAPS = {
    "omega": (1.5, 60.0),
    "f": (40.0, 320.0),
    "current": (20.0, 1000.0),
    "volt": (math.inf, 1000.0),
    "battery": (8.0, 1000.0),
}
"""Per kind of channel: least leap of one sample that is a glitch (controllers make volts leap in
earnest), and what no sensor of a base
reads; SI units. Common practice, no source: 60 rad/s and 320 m/s^2 are beyond the ranges of usual
inertial sensors (2000 °/s, 32 g)."""


def _screen(
    part: _Clocked,
    name: str,
    offset: float,
    t: np.ndarray,
    moving_at: np.ndarray,
    findings: list[Finding],
    config: AlignmentConfig,
) -> None:
    """Take out samples that a sensor cannot have meant: glitches, and repeats of stale values."""
    head = name.partition("_")[0]
    if head not in LEAPS or (head == "omega" and name[6:] not in {"x", "y", "z"}):
        return
    least, most = LEAPS[head]
    values = part.channels[name]
    use = np.flatnonzero(part.keep & np.isfinite(values))
    if use.size < 20:
        return
    seen = values[use]
    bad = (np.abs(seen) > most) | _leaps(seen, least)
    when = part.t[use] + offset
    if bad.any() and bad.mean() < 0.1:
        findings.append(
            Finding(
                severity="warning",
                channel=name,
                text=f"{int(bad.sum())} of {bad.size} samples leap away and back (up to "
                f"{np.max(np.abs(seen[bad])):.3g}); left out",
                t_start=float(when[bad][0]),
                t_end=float(when[bad][-1]),
            )
        )
    else:
        bad[:] = False
    moving = np.interp(when, t, moving_at) > 0.5
    same = np.concatenate([[False], np.diff(seen) == 0]) & moving & ~bad
    longest = max((b - a for a, b in _spans(same)), default=0)
    if head in {"omega", "f", "current"} and moving.sum() > 50:
        share = float(same.sum()) / float(moving.sum())
        rate = float(np.median(np.diff(when)))
        if share > config.stale_share and longest * rate < config.frozen_time:
            findings.append(
                Finding(
                    severity="warning",
                    channel=name,
                    text=f"{100 * share:.0f} % of the samples repeat the one before while the base "
                    "moves: the sensor is slower than the log; repeats are left out",
                    t_start=float(when[same][0]),
                    t_end=float(when[same][-1]),
                )
            )
            bad |= same
    if bad.any():
        cleaned = values.astype(np.float64)
        cleaned[use[bad]] = np.nan
        part.channels = {**part.channels, name: cleaned}


def _stuck(
    values: np.ndarray,
    channel: str,
    t: np.ndarray,
    dt: float,
    still: np.ndarray,
    findings: list[Finding],
    config: AlignmentConfig,
) -> np.ndarray:
    """Spans without any change while the wheels turn, with the rests inside them."""
    same = np.concatenate([[False], np.abs(np.diff(values)) < 1e-12])
    for a, b in _spans(~same):
        if a > 0 and b < same.size and b - a <= 3:
            same[a:b] = True  # a twitch between two stuck spans
    out = np.zeros(t.size, dtype=bool)
    for a, b in _spans(same):
        if np.sum(~still[a:b]) * dt >= config.frozen_time:
            out[a:b] = True
            findings.append(
                Finding(
                    severity="warning",
                    channel=channel,
                    text=f"does not change for {(b - a) * dt:.1f} s while the wheels turn: stuck",
                    t_start=float(t[a]),
                    t_end=float(t[b - 1]),
                )
            )
    return out


def _clipped(
    values: np.ndarray, channel: str, t: np.ndarray, findings: list[Finding]
) -> np.ndarray:
    size = np.abs(values)
    top = float(size.max())
    at = size >= top * (1 - 1e-6)
    runs = [b - a for a, b in _spans(at)]
    if top <= 0 or sum(r for r in runs if r >= 5) < 20:
        return np.zeros(values.size, dtype=bool)
    where = np.flatnonzero(at)
    findings.append(
        Finding(
            severity="warning",
            channel=channel,
            text=f"stays at its largest value {top:.3g} for {int(at.sum())} samples: saturated",
            t_start=float(t[where[0]]),
            t_end=float(t[where[-1]]),
        )
    )
    return at


def _imu_yaw(
    ts: np.ndarray,
    values: np.ndarray,
    t: np.ndarray,
    dt: float,
    rolled_yaw_rate: np.ndarray,
    gyro: np.ndarray | None,
    still: np.ndarray,
    findings: list[Finding],
    config: AlignmentConfig,
) -> tuple[np.ndarray | None, np.ndarray]:
    """Heading of the inertial unit on the grid, and where it is not to be believed.

    None where it counts clockwise or never changes.
    """
    away = np.unwrap(values)
    yaw = np.interp(t, ts, away)
    doubted = _stuck(yaw, "yaw", t, dt, still, findings, config)
    if doubted[~still].mean() > 0.9 if np.any(~still) else False:
        return None, doubted
    turned = np.interp(ts, t, np.concatenate([[0.0], np.cumsum(rolled_yaw_rate[:-1] * dt)]))
    step = np.diff(away)
    extra = np.abs(step) - 1.5 * np.abs(np.diff(turned))
    near = ndimage.median_filter(np.abs(step), size=5, mode="nearest")
    leap = (extra > config.yaw_leap) & (np.abs(step) > 4 * near) & (np.diff(ts) < 1.0)
    for i in np.flatnonzero(leap)[:50]:
        a, b = np.searchsorted(t, [ts[i] - dt, ts[i + 1] + dt])
        if doubted[max(0, a - 3) : b + 3].any():
            continue  # the end of a stuck span, already told
        findings.append(
            Finding(
                severity="warning",
                channel="yaw",
                text=f"heading jumps by {math.degrees(step[i]):+.1f}° between two samples; kept out of "
                "the fits",
                t_start=float(ts[i]),
                t_end=float(ts[i + 1]),
            )
        )
        doubted[a:b] = True
    mine = np.where(doubted, 0.0, np.gradient(smooth(yaw, dt, 0.1), dt))
    other, what = (rolled_yaw_rate, "wheels") if gyro is None else (gyro, "gyro")
    other = smooth(np.where(doubted, 0.0, other), dt, 0.1)
    lag = min(config.lag_most, float(t[-1]) / 4)
    for_, against = find_lag(other, mine, dt, lag)[1], find_lag(-other, mine, dt, lag)[1]
    if against > config.peak_least and against > for_:
        findings.append(
            Finding(
                severity="error",
                channel="yaw",
                text=f"heading turns against the {what} (correlation {-against:.2f}), so it counts "
                "clockwise: set sign = -1 for it in the robot file. It is not used",
            )
        )
        return None, doubted
    return yaw, doubted


def _pose_leaps(
    ts: np.ndarray,
    values: np.ndarray,
    t: np.ndarray,
    dt: float,
    rolled_speed: np.ndarray,
    rolled_yaw_rate: np.ndarray,
    valid: np.ndarray,
    findings: list[Finding],
    config: AlignmentConfig,
) -> None:
    """Reference that jumps for good: passes over the jump are kept out (`valid`)."""
    run = np.concatenate([[0.0], np.cumsum(rolled_speed[:-1] * dt)])
    spun = np.concatenate([[0.0], np.cumsum(np.abs(rolled_yaw_rate[:-1]) * dt)])
    path = np.diff(np.interp(ts, t, run))
    jump = np.hypot(np.diff(values[:, 0]), np.diff(values[:, 1])) - 1.5 * path > config.pose_leap
    if values.shape[1] == 3:
        turn = 1.5 * np.diff(np.interp(ts, t, spun))
        jump |= np.abs(np.diff(values[:, 2])) - turn > config.yaw_leap
    jump &= np.diff(ts) < 1.0  # over a longer silence nothing can be said, nor need be
    for i in np.flatnonzero(jump)[:50]:
        a, b = np.searchsorted(t, [ts[i] - dt, ts[i + 1] + dt])
        valid[max(0, a) : b + 1] = False
        step = values[i + 1] - values[i]
        findings.append(
            Finding(
                severity="warning",
                channel="ref_x",
                text=f"reference jumps by {1e3 * math.hypot(step[0], step[1]):.0f} mm"
                + (f" and {math.degrees(step[2]):+.1f}°" if step.size == 3 else "")
                + " between two samples; kept out of the fits",
                t_start=float(ts[i]),
                t_end=float(ts[i + 1]),
            )
        )


def _tracking_paths(
    robot: Robot,
    where: dict[str, _Clocked],
    offsets: dict[int, float],
    t: np.ndarray,
    zero: float,
    block: Block,
    findings: list[Finding],
    config: AlignmentConfig,
) -> np.ndarray | None:
    """Path of each free wheel on the grid; None where one is not logged."""
    wheels = robot.tracking_wheels
    if not wheels:
        return None
    missing = [w.name for w in wheels if not {f"count_{w.name}", f"angle_{w.name}"} & set(where)]
    if missing:
        findings.append(
            Finding(
                severity="warning",
                channel=f"count_{missing[0]}",
                text=f"tracking wheels {', '.join(missing)} are not in the recording; none is used",
            )
        )
        return None
    out = np.empty((t.size, len(wheels)))
    for k, wheel in enumerate(wheels):
        counting = f"count_{wheel.name}" in where
        name = f"count_{wheel.name}" if counting else f"angle_{wheel.name}"
        part = where[name]
        ts, values = _series(part, name)
        if ts.size < 20:
            return None
        per_turn = wheel.counts_per_turn if counting else 2 * math.pi
        ts, values = _unbroken(
            ts + offsets[id(part)], values, name, per_turn, counting, zero, block, findings, config
        )
        path = (values + (0.5 if counting else 0.0)) * (2 * math.pi / per_turn * wheel.radius_m)
        out[:, k] = np.interp(t, ts, path - path[0])
    return out


def _tracked_pose(
    robot: Robot,
    tracking: np.ndarray,
    gyro: np.ndarray | None,
    dt: float,
    findings: list[Finding],
) -> np.ndarray | None:
    """Pose from free wheels: three tell the twist, two the path with the gyro's yaw rate."""
    wheels = robot.tracking_wheels
    rows = tracking_rows(
        np.array([w.x_m for w in wheels]),
        np.array([w.y_m for w in wheels]),
        np.radians([w.heading_deg for w in wheels]),
    )
    speed = np.diff(tracking, axis=0) / dt
    scaled = rows * np.array([1.0, 1.0, 1.0 / robot.size])
    if len(wheels) >= 3 and np.linalg.cond(scaled) < 50:
        twist = speed @ np.linalg.pinv(rows).T
        how = "they alone"
    elif gyro is not None and np.linalg.cond(rows[:, :2]) < 20:
        rate = (gyro[1:] + gyro[:-1]) / 2
        plane = (speed - rate[:, None] * rows[None, :, 2]) @ np.linalg.pinv(rows[:, :2]).T
        twist = np.column_stack([plane, rate])
        how = "with the gyro's yaw rate"
    else:
        findings.append(
            Finding(
                severity="warning",
                channel=f"count_{wheels[0].name}",
                text="these tracking wheels do not tell how the base moves: it takes three in different "
                "directions and places, or two in different directions and a gyro",
            )
        )
        return None
    findings.append(
        Finding(
            severity="note",
            channel=f"count_{wheels[0].name}",
            text=f"the reference comes from {len(wheels)} tracking wheels, {how}",
        )
    )
    return integrate_twist(twist, dt)


def _own_reference(
    reference: np.ndarray,
    rolled: np.ndarray,
    dt: float,
    still: np.ndarray,
    where: dict[str, _Clocked],
    findings: list[Finding],
) -> np.ndarray | None:
    """Tell a reference that was computed from the wheels, or has another unit; None for the first."""
    moving = ~still & np.isfinite(reference).all(axis=1)
    if moving.sum() * dt < 5.0:
        return reference
    pose = reference.copy()
    mid = smooth(np.where(np.isfinite(pose[:, 2]), pose[:, 2], 0.0), dt, 0.0)
    world = np.gradient(smooth(pose[:, :2], dt, 0.06), dt, axis=0)
    cosine, sine = np.cos(mid), np.sin(mid)
    body = np.stack(
        [
            cosine * world[:, 0] + sine * world[:, 1],
            -sine * world[:, 0] + cosine * world[:, 1],
            np.gradient(smooth(pose[:, 2], dt, 0.06), dt),
        ],
        axis=1,
    )
    use = moving & np.isfinite(body).all(axis=1)
    mine = smooth(rolled, dt, 0.06)[use]
    body = body[use]
    speed = np.hypot(mine[:, 0], mine[:, 1])
    fast = speed > 0.5 * np.percentile(speed, 90) if speed.size else np.zeros(0, dtype=bool)
    if fast.sum() * dt > 2.0:
        ratio = float(np.median(np.hypot(body[fast, 0], body[fast, 1]) / speed[fast]))
        if not 0.4 < ratio < 2.5 and ratio > 0:
            near = min(
                (1e3, 1e2, 1e-3, 1e-2, 39.37, 1 / 39.37), key=lambda r: abs(math.log(r / ratio))
            )
            unit = {1e3: "mm", 1e2: "cm", 1e-3: "km", 1e-2: "hundreds of m"}.get(near, "inches")
            hint = f"; is its unit {unit}?" if abs(math.log(near / ratio)) < 0.4 else ""
            findings.append(
                Finding(
                    severity="error",
                    channel="ref_x",
                    text=f"reference covers {ratio:.3g} of the distance that the wheels roll{hint} Give "
                    "its unit in the robot file, or mend radius_m and counts_per_turn",
                )
            )
    sideways, turning = np.abs(mine[:, 1]) > 0.05, np.abs(mine[:, 2]) > 0.1
    energy = np.sum(mine**2, axis=0)
    if sideways.sum() * dt > 2.0 and np.all(energy[:2] > 0):
        # Rollers hand over and creep, so a base never goes as far sideways as its wheels say.
        away = np.sqrt(np.sum((body - mine) ** 2, axis=0) / energy)
        same = away[:2].max() < 4e-3 and (turning.sum() * dt < 2.0 or away[2] < 4e-3)
        if same:
            findings.append(
                Finding(
                    severity="error",
                    channel="ref_x",
                    text="reference follows the wheels to "
                    f"{100 * away[:2].max():.2f} %, sideways too: it is computed from them and tells "
                    f"nothing new ({where['ref_x'].source.name if 'ref_x' in where else ''}). Not used",
                )
            )
            return None
    return reference


def _frame_explains(speed: np.ndarray, twist: np.ndarray, rows: np.ndarray) -> bool:
    """Tell whether a reference mounted at another heading explains the wheels as they are."""
    energy = float(np.sum(speed**2))
    for angle in np.radians(np.arange(0, 360, 5)):
        cosine, sine = math.cos(angle), math.sin(angle)
        turned = np.stack(
            [
                cosine * twist[:, 0] - sine * twist[:, 1],
                sine * twist[:, 0] + cosine * twist[:, 1],
                twist[:, 2],
            ],
            axis=1,
        )
        if float(np.sum((speed - turned @ rows.T) ** 2)) < 0.25 * energy:
            return True
    return False


def _reversed_wheels(
    robot: Robot,
    wheel_speed: np.ndarray,
    gyro: np.ndarray | None,
    reference: np.ndarray | None,
    yaw: np.ndarray | None,
    dt: float,
    still: np.ndarray,
    valid: np.ndarray,
) -> dict[str, str]:
    """Wheels whose counts run against the base, with the evidence.

    All 2^w choices of sign are tried. With a reference, the wheels must turn as its twist asks;
    without one they must agree with one another (closure) and with the gyro.
    """
    w = robot.x.size
    use = ~still & valid
    if w > 6 or use.sum() * dt < 5.0:
        return {}
    rows = robot.matrix
    inverse = odometry_matrix(rows)
    step = max(1, round(0.1 / dt))
    speed = smooth(wheel_speed, dt, 0.1)
    twist = None
    if reference is not None and yaw is not None:
        world = np.gradient(smooth(reference[:, :2], dt, 0.1), dt, axis=0)
        cosine, sine = np.cos(yaw), np.sin(yaw)
        twist = np.stack(
            [
                cosine * world[:, 0] + sine * world[:, 1],
                -sine * world[:, 0] + cosine * world[:, 1],
                np.gradient(smooth(yaw, dt, 0.1), dt),
            ],
            axis=1,
        )
        use &= np.isfinite(twist).all(axis=1)
    elif gyro is None:
        return {}
    speed = speed[use][::step]
    if speed.shape[0] < 30:
        return {}
    energy = float(np.sum(speed**2))
    choices = np.array(np.meshgrid(*[[1.0, -1.0]] * w, indexing="ij")).reshape(w, -1).T
    if twist is not None:
        seen = twist[use][::step]
        asked = seen @ rows.T
        # Ahead and astern alone: sideways a wrong lean looks like a wrong sign.
        straight = np.abs(seen[:, 0]) > 2 * np.abs(seen[:, 1])
        straight &= np.abs(asked).max(axis=1) > 1.0
        if straight.sum() < 20 or _frame_explains(speed, seen, rows):
            return {}
        a, b = speed[straight], asked[straight]
        agree = np.sum(a * b, axis=0) / np.sqrt(np.sum(a**2, axis=0) * np.sum(b**2, axis=0) + 1e-30)
        return {
            robot.wheel_names[
                k
            ]: "ahead and astern its speed and the speed that the reference asks of "
            f"it have correlation {agree[k]:+.2f}, the best wheel {agree.max():+.2f}"
            for k in np.flatnonzero(agree < -0.7)
        }
    rate = smooth(gyro, dt, 0.1)[use][::step] if gyro is not None else np.zeros(speed.shape[0])
    costs = []
    for signs in choices:
        turned = speed * signs
        rolled = turned @ inverse.T
        slip = turned - rolled @ rows.T
        cost = float(np.sum(slip**2))
        cost += float(np.sum((rolled[:, 2] - rate) ** 2)) * float(np.mean(rows[:, 2] ** 2)) * w
        costs.append(cost / energy)
    best = int(np.argmin(costs))
    ranked = np.sort(costs)
    # Every choice but one must be clearly worse, or the recording cannot tell.
    if best == 0 or costs[best] > 0.25 * costs[0] or costs[best] > 0.5 * ranked[1]:
        return {}
    return {
        robot.wheel_names[k]: f"as logged the wheels disagree with one another and the gyro by "
        f"{100 * math.sqrt(costs[0]):.0f} % of their speed, with this sign turned by "
        f"{100 * math.sqrt(costs[best]):.0f} %"
        for k in np.flatnonzero(choices[best] < 0)
    }


def _gyro_bias(
    gyro: np.ndarray,
    t: np.ndarray,
    dt: float,
    still: np.ndarray,
    rate: float,
    rolled_turn: np.ndarray,
    turn_quantum: float,
    findings: list[Finding],
    config: AlignmentConfig,
) -> tuple[np.ndarray, dict[str, Estimate]]:
    """Take the bias out that the rests show, less what the wheels still creep there.

    `still` leaves out where the gyro is stuck: as still as a rest, it tells nothing of the bias.
    """
    trim = max(1, round(0.1 / dt))
    rests = [
        (a + trim, b - trim)
        for a, b in _spans(still)
        if (b - a - 2 * trim) * dt >= config.rest_time
    ]
    if not rests:
        why = "the base never rests for half a second; let it stand for 3 s at the start"
        findings.append(Finding(severity="warning", channel="omega_z", text=f"gyro bias: {why}"))
        return gyro, {
            "gyro_bias_rad_s": Estimate.undetermined("rad/s", why),
            "gyro_noise_density": Estimate.undetermined("rad/s/sqrt(Hz)", why),
        }
    lengths = np.array([(b - a) * dt for a, b in rests])
    crept = np.array([rolled_turn[b - 1] - rolled_turn[a] for a, b in rests])
    means = np.array([gyro[a:b].mean() for a, b in rests]) - crept / lengths
    middle = np.array([t[(a + b) // 2] for a, b in rests])
    spread = np.array([gyro[a:b].std() for a, b in rests])
    density = float(np.sqrt(np.average(spread**2, weights=lengths)) / math.sqrt(rate))
    # Rests are short: a rest of length T knows the bias to density / sqrt(T) (IEEE 952: white
    # noise averages so). Where the rests disagree by more than that, the bias wanders and is
    # followed; where they agree, one mean is better.
    # A turn read from counts is known to the rounding of both ends, a quantum / sqrt(6); and a base
    # that just braked settles by a little in its lash.
    rounding = math.hypot(turn_quantum / math.sqrt(6.0), config.settling) / lengths
    expected = np.sqrt(density**2 / lengths + rounding**2)
    weights = 1.0 / np.maximum(expected, 1e-9) ** 2
    weights /= weights.sum()
    mean = float(weights @ means)
    chi2 = float(np.sum(((means - mean) / np.maximum(expected, 1e-9)) ** 2))
    wanders = len(rests) >= 2 and chi2 > 2.0 * len(rests)
    if wanders:
        width = max(20.0, 3 * float(np.median(np.diff(middle))))
        kernel = np.exp(-0.5 * ((middle[:, None] - middle[None]) / width) ** 2) * weights[None]
        followed = (kernel @ means) / kernel.sum(axis=1)
        bias = np.interp(t, middle, followed)
        if np.ptp(followed) > 0.002:
            findings.append(
                Finding(
                    severity="warning",
                    channel="omega_z",
                    text=f"gyro bias wanders by {math.degrees(np.ptp(followed)):.2f} °/s between the "
                    "rests; followed through the run",
                )
            )
        gyro = gyro - bias
    else:
        gyro = gyro - mean
    scatter = math.sqrt(float(weights @ (means - mean) ** 2) / max(1, len(rests) - 1))
    error = max(scatter, float(np.sum(expected**-2.0)) ** -0.5 if np.all(expected > 0) else 0.0)
    count = int(sum((b - a) for a, b in rests))
    return gyro, {
        "gyro_bias_rad_s": Estimate.of(mean, error, "rad/s", dof=max(1, len(rests) - 1)),
        "gyro_noise_density": Estimate.of(
            density, density / math.sqrt(2 * max(1, count - 1)), "rad/s/sqrt(Hz)"
        ),
    }


def _gyro_against(
    yaw: np.ndarray,
    gyro: np.ndarray | None,
    rolled_yaw_rate: np.ndarray,
    dt: float,
    imu: dict[str, Estimate],
    findings: list[Finding],
) -> None:
    """Scale and sign of the gyro against the reference heading, over one-second steps."""
    if gyro is None:
        return
    turned = np.concatenate([[0.0], np.cumsum((gyro[1:] + gyro[:-1]) * dt / 2)])
    step = max(1, round(1.0 / dt))
    a, b = np.diff(yaw[::step]), np.diff(turned[::step])
    use = np.isfinite(a) & np.isfinite(b)
    a, b = a[use], b[use]
    strong = np.abs(a) > 0.1
    if strong.sum() < 4:
        imu["gyro_scale"] = Estimate.undetermined("", "too few turns; turn on the spot both ways")
        return
    scale = float(a @ b / (a @ a))
    rest = b - scale * a
    blocks = np.array_split(np.arange(a.size), min(10, a.size))
    score = np.array([float(a[k] @ rest[k]) for k in blocks])
    error = math.sqrt(float(score @ score)) / float(a @ a)
    imu["gyro_scale"] = Estimate.of(scale, error, "", dof=len(blocks) - 1)
    if scale < 0:
        # The wheels have the third vote on which of the two counts clockwise.
        wheels = np.cumsum(rolled_yaw_rate)[::step] * dt
        vote = float(np.diff(wheels)[use] @ a)
        channel, what = ("omega_z", "gyro") if vote >= 0 else ("ref_yaw", "reference heading")
        other = "reference heading" if vote >= 0 else "gyro"
        findings.append(
            Finding(
                severity="error",
                channel=channel,
                text=f"{what} turns against {other} and wheels, so it counts clockwise: set sign = -1 "
                "for it in the robot file"
                + (" (and for ref_y, where the picture is mirrored)" if vote < 0 else ""),
            )
        )
    elif abs(scale - 1) > 0.02 + 3 * error:
        findings.append(
            Finding(
                severity="warning",
                channel="omega_z",
                text=f"gyro reads {100 * (scale - 1):+.1f} % against the reference heading",
            )
        )


def _heading(
    reference: np.ndarray, gyro: np.ndarray | None, dt: float, imu: dict[str, Estimate]
) -> np.ndarray:
    """Reference heading with the gyro between its samples, where the two agree.

    The gyro carries what is faster than a second, the reference what is slower
    (complementary filter). A gyro off by more than 5 % is left out.
    """
    known = np.isfinite(reference)
    scale = imu.get("gyro_scale")
    if gyro is None or (
        scale is not None and scale.value is not None and abs(scale.value - 1) > 0.05
    ):
        return reference.copy()
    turned = np.concatenate([[0.0], np.cumsum((gyro[1:] + gyro[:-1]) * dt / 2)])
    if scale is not None and scale.value is not None:
        turned /= scale.value
    away = np.where(known, reference - turned, 0.0)
    rough = away[known] - smooth(away[known], dt, 1.0)
    if float(np.percentile(np.abs(rough), 95)) > 0.03:
        return reference.copy()
    weight = smooth(known.astype(float), dt, 1.0)
    slow = smooth(away, dt, 1.0) / np.maximum(weight, 1e-6)
    return np.where(weight > 0.02, turned + slow, np.nan)


def _reference(
    where: dict[str, _Clocked],
    offsets: dict[int, float],
    t: np.ndarray,
    dt: float,
    rolled_speed: np.ndarray,
    rolled_yaw_rate: np.ndarray,
    gyro: np.ndarray | None,
    still: np.ndarray,
    valid: np.ndarray,
    findings: list[Finding],
    config: AlignmentConfig,
) -> tuple[np.ndarray | None, str]:
    if not ("ref_x" in where and "ref_y" in where):
        if "ref_yaw" not in where:
            return None, ""
        part = where["ref_yaw"]
        ts, values = _series(part, "ref_yaw")
        pose = np.full((t.size, 3), np.nan)
        pose[:, 2] = np.interp(t, ts + offsets[id(part)], np.unwrap(values))
        return pose, ""
    part = where["ref_x"]
    use = part.keep.copy()
    columns = ["ref_x", "ref_y"] + (["ref_yaw"] if where.get("ref_yaw") is part else [])
    for name in columns:
        use &= np.isfinite(part.channels.get(name, np.nan))
    ts = part.t[use] + offsets[id(part)]
    if ts.size < 10:
        return None, f"reference pose has {ts.size} usable samples only; not used"
    values = np.stack([part.channels[c][use] for c in columns], axis=1)
    if len(columns) == 3:
        values[:, 2] = np.unwrap(values[:, 2])
    # Flicker: a sample far from the median of its neighbours, on a scale of what motion allows.
    if ts.size >= 7:
        middle = ndimage.median_filter(values, size=(5, 1), mode="nearest")
        away = np.abs(values - middle)
        limits = np.array([0.03, 0.03, 0.1])[: len(columns)]
        spread = 1.4826 * np.median(away, axis=0)
        flicker = np.any(away > np.maximum(limits, 8 * spread), axis=1)
        if flicker.any():
            findings.append(
                Finding(
                    severity="warning",
                    channel="ref_x",
                    text=f"{int(flicker.sum())} of {ts.size} reference poses jump away and back; "
                    "left out",
                    t_start=float(ts[flicker][0]),
                    t_end=float(ts[flicker][-1]),
                )
            )
            ts, values = ts[~flicker], values[~flicker]
    # Stale samples: the very same pose again while the wheels turn.
    moving = np.interp(ts, t, (~still).astype(float)) > 0.5
    same = np.concatenate([[False], np.all(np.diff(values, axis=0) == 0, axis=1)]) & moving
    if same.sum() > 3:
        frozen = [s for s in _spans(same) if ts[s[1] - 1] - ts[s[0]] >= config.frozen_time]
        for a, b in frozen[:20]:
            findings.append(
                Finding(
                    severity="warning",
                    channel="ref_x",
                    text=f"reference pose is frozen for {ts[b - 1] - ts[a]:.2f} s while the wheels turn; "
                    "left out",
                    t_start=float(ts[a]),
                    t_end=float(ts[b - 1]),
                )
            )
        lone = int(same.sum()) - sum(b - a for a, b in frozen)
        if lone > 3:
            findings.append(
                Finding(
                    severity="warning",
                    channel="ref_x",
                    text=f"{lone} of {ts.size} reference poses repeat the one before while "
                    "the base moves; left out",
                    t_start=float(ts[same][0]),
                    t_end=float(ts[same][-1]),
                )
            )
        ts, values = ts[~same], values[~same]
    if ts.size < 10:
        return None, "reference pose is frozen; not used"

    def grid(lag: float) -> np.ndarray:
        pose = np.full((t.size, 3), np.nan)
        for k in range(len(columns)):
            pose[:, k] = np.interp(t, ts - lag, values[:, k])
        return pose

    pose = grid(0.0)
    rate = np.hypot(
        np.gradient(smooth(pose[:, 0], dt, 0.06), dt), np.gradient(smooth(pose[:, 1], dt, 0.06), dt)
    )
    best = (*find_lag(smooth(rolled_speed, dt, 0.06), rate, dt, config.lag_most), "speed")
    if len(columns) == 3:
        turn = np.gradient(smooth(pose[:, 2], dt, 0.06), dt)
        # Two true yaw rates match better than a true one and a rolled one, which slip parts.
        rate_known = rolled_yaw_rate if gyro is None else gyro
        other = find_lag(smooth(rate_known, dt, 0.06), turn, dt, config.lag_most)
        if other[1] > max(best[1], 0.9):
            best = (*other, "yaw rate")
    lag, peak, what = best
    if peak >= config.peak_least and abs(lag) < 0.9 * config.lag_most:
        pose = grid(lag)
        ts = ts - lag
        if abs(lag) > 0.002:
            findings.append(
                Finding(
                    severity="note",
                    channel="ref_x",
                    text=f"reference lags the wheels by {1e3 * lag:.1f} ms; shifted ({what}, "
                    f"correlation {peak:.3f})",
                )
            )
    elif peak < config.peak_least:
        findings.append(
            Finding(
                severity="warning",
                channel="ref_x",
                text=f"reference and wheels agree badly (correlation {peak:.2f}); its latency is "
                "not corrected",
            )
        )
    _pose_leaps(ts, values, t, dt, rolled_speed, rolled_yaw_rate, valid, findings, config)
    after = np.searchsorted(ts, t)
    left = ts[np.clip(after - 1, 0, ts.size - 1)]
    right = ts[np.clip(after, 0, ts.size - 1)]
    unknown = (right - left > config.reference_gap) | (t < ts[0] - 0.1) | (t > ts[-1] + 0.1)
    pose[unknown] = np.nan
    # Between joined takes the wheels are taken to stand, and so is the reference.
    for join in np.array(part.source.joins) + offsets[id(part)]:
        for at in (ts[ts < join - 1e-9][-1:], ts[ts >= join - 1e-9][:1]):
            near = np.abs(t - at) <= config.join_margin if at.size else np.zeros(t.size, dtype=bool)
            near &= unknown
            for k in range(len(columns)):
                pose[near, k] = np.interp(at, ts, values[:, k]) if at.size else math.nan
            unknown &= ~near
    holes = [s for s in _spans(unknown) if (s[1] - s[0]) * dt > config.reference_gap]
    for a, b in holes[:20]:
        findings.append(
            Finding(
                severity="warning",
                channel="ref_x",
                text=f"no reference pose for {(b - a) * dt:.2f} s",
                t_start=float(t[a]),
                t_end=float(t[b - 1]),
            )
        )
    if len(columns) == 2 and "ref_yaw" in where:
        heading = where["ref_yaw"]
        tt, yaw = _series(heading, "ref_yaw")
        pose[:, 2] = np.interp(t, tt + offsets[id(heading)] - lag, np.unwrap(yaw))
    return pose, ""
