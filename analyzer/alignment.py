"""One clock, one even grid: from the recording as read to the run that is analysed.

Whatever is wrong with stamps, counters and sensors is found here, reported as a finding with
its time span and kept out of the fits (`Run.valid`, NaN in the reference); nothing is papered
over.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analyzer.kinematics import odometry_matrix
from analyzer.quantities import Estimate, Finding, RecordingError
from analyzer.run import Recording, Run, Source

if TYPE_CHECKING:
    from analyzer.robot import Robot


GYRO_WANDER = 0.003
"""Change of the gyro's bias within a recording that counts as a fault [rad/s], 0.17 deg/s:
fifty times the bias instability of a usual small gyro (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentConfig:
    """Thresholds of alignment, each with unit and origin."""

    shortest_step: float = 0.01
    """Finest grid step [s]: the smoothing kernel passes nothing above 13 Hz (to 1 % of the power), a
    quarter of what this step can carry; faster logs are averaged down to it, which keeps what their
    samples know of noise and encoder quanta."""
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
    rest_time: float = 0.2
    """Shortest rest used for gyro bias, after settling [s]."""
    settle_time: float = 0.3
    """Time that a base takes to settle after its wheels stopped [s]: bench work."""
    peak_least: float = 0.6
    """Least correlation at which a clock offset is believed [-]."""
    lag_most: float = 0.5
    """Longest latency searched between channels of one clock [s]."""
    wheel_speed_most: float = 400.0
    """Wheel speed above which a counter step is a reset or a fault [rad/s]: ~3800 rpm."""
    frozen_time: float = 0.5
    """Time without change, while the wheels turn, after which a sensor counts as stuck [s]."""


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
    if values.ndim == 1:
        return _gaussian(values, width)
    out = np.empty(values.shape, order="F")
    for k in range(values.shape[1]):
        out[:, k] = _gaussian(values[:, k], width)
    return out


def _gaussian(values: np.ndarray, width: float) -> np.ndarray:
    """Convolve with a Gaussian cut at three standard deviations, the ends held. `width` in steps."""
    reach = int(3.0 * width + 0.5)
    kernel = np.exp(-0.5 * (np.arange(reach + 1) / width) ** 2)
    kernel /= 2 * kernel.sum() - kernel[0]
    n = values.size
    padded = np.pad(np.asarray(values, dtype=np.float64), reach, mode="edge")
    if reach > 24:
        size = _fast_length(padded.size + reach)
        wave = np.fft.rfft(padded - padded[0], size)
        whole = np.zeros(size)
        whole[: reach + 1] = kernel
        whole[-reach:] = kernel[:0:-1]
        back: np.ndarray = np.fft.irfft(wave * np.fft.rfft(whole), size)[reach : reach + n]
        return back + padded[0]
    out = np.empty(n)
    # Blocks that stay in the processor's cache: three times as fast as whole-length passes.
    for a in range(0, n, 16_384):
        b = min(n, a + 16_384)
        total = padded[a + reach : b + reach] * kernel[0]
        for j in range(1, reach + 1):
            pair = padded[a + reach - j : b + reach - j] + padded[a + reach + j : b + reach + j]
            pair *= kernel[j]
            total += pair
        out[a:b] = total
    return out


def _fast_length(least: int) -> int:
    """Smallest length of the form 2^a 3^b 5^c that holds `least`: Fourier transforms like these."""
    best = 1 << (least - 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            size = three << max(0, (-(-least // three) - 1).bit_length())
            best = min(best, size)
            three *= 3
        five *= 5
    return best


def unwrapped(angle: np.ndarray) -> np.ndarray:
    """Undo jumps of whole turns, as `numpy.unwrap` does, in a sixth of its time.

    Parameters
    ----------
    angle : ndarray, shape (n,)
        Without NaN. [rad]

    Returns
    -------
    ndarray, shape (n,)
        [rad]
    """
    step = np.diff(angle)
    jumps = np.flatnonzero(np.abs(step) > math.pi)
    if not jumps.size:
        return angle
    turns = np.zeros(angle.size)
    turns[jumps + 1] = -2 * math.pi * np.round(step[jumps] / (2 * math.pi))
    return angle + np.cumsum(turns)


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


def unwrap_counter(count: np.ndarray, step_most: float) -> tuple[np.ndarray, int, np.ndarray]:
    """Undo overflow of a counter and find its resets.

    Parameters
    ----------
    count : ndarray, shape (n,)
        Counter values without NaN. [counts]
    step_most : float
        Largest step that motion can explain. [counts]

    Returns
    -------
    unwrapped : ndarray, shape (n,)
        Counter that runs on through overflows and resets.
    bits : int
        15, 16 or 32 where overflows of that width were found, else 0.
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
        for width in (15, 16, 32):
            modulus = 2.0**width
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
    size = _fast_length(n + most)
    whole = np.fft.irfft(np.fft.rfft(b, size) * np.fft.rfft(a, size).conj(), size)
    full = np.concatenate([whole[size - most :], whole[: most + 1]])
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
        low = math.floor(lag)
        part = lag - low
        here = slice(edge + low, n - edge + low)
        after = slice(edge + low + 1, n - edge + low + 1)
        late = b[here] * (1 - part) + b[after] * part
        rate = slope[here] * (1 - part) + slope[after] * part
        energy = float(rate @ rate)
        if energy <= 0:
            return start
        known = a[edge : n - edge]
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
    thinning: _Thinning | None = None


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
    # The samples hang on this dict alone, so that a channel's memory goes when it is on the grid.
    light = replace(source, t=np.empty(0), channels={})
    return _Clocked(source=light, t=t, keep=keep, channels=dict(source.channels))


def _series(part: _Clocked, name: str) -> tuple[np.ndarray, np.ndarray]:
    values = part.channels[name]
    use = part.keep & np.isfinite(values)
    if use.all():
        return part.t, values
    return part.t[use], values[use]


@dataclass(slots=True, kw_only=True)
class _Thinning:
    """How samples that come faster than the grid are averaged, so that nothing folds into it."""

    size: int
    count: int
    whole: np.ndarray | None
    t: np.ndarray

    @classmethod
    def of(cls, ts: np.ndarray, dt: float) -> _Thinning:
        step = float(np.median(np.diff(ts[:4000]))) if ts.size > 3 else 0.0
        size = int(dt / step + 0.25) if step > 0 else 1
        if size < 2 or ts.size < 2 * size:
            return cls(size=1, count=ts.size, whole=None, t=ts)
        thin = cls(size=size, count=ts.size // size, whole=None, t=ts)
        end = thin.count * size
        # A mean over a gap would stand in the middle of it.
        whole = ts[size - 1 : end : size] - ts[:end:size] < 1.5 * size * step
        thin.t = thin.mean(ts)
        if not whole.all():
            thin.whole, thin.t = whole, thin.t[whole]
        return thin

    def mean(self, values: np.ndarray) -> np.ndarray:
        if self.size == 1:
            return values
        end = self.count * self.size
        total = values[: end : self.size] + values[1 : end : self.size]
        for k in range(2, self.size):
            total += values[k : end : self.size]
        total /= self.size
        return total if self.whole is None else total[self.whole]


def _thinned(
    part: _Clocked, ts: np.ndarray, values: np.ndarray, dt: float
) -> tuple[np.ndarray, np.ndarray]:
    if ts is not part.t:
        thin = _Thinning.of(ts, dt)
    else:
        if part.thinning is None:
            part.thinning = _Thinning.of(ts, dt)
        thin = part.thinning
    return thin.t, thin.mean(values)


def _on_grid(t: np.ndarray, ts: np.ndarray, values: np.ndarray, shift: float) -> np.ndarray:
    """Values at the grid's times, linear between samples; `shift` is added to the stamps."""
    dt = t[1] - t[0]
    if (
        ts.size == t.size
        and abs(ts[0] + shift) < 1e-3 * dt
        and float(np.max(np.abs(ts + shift - t))) < 1e-3 * dt
    ):
        return values  # an evenly stamped log: its samples are the grid
    return np.interp(t, ts + shift, values)


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
    paths, sources = recording.paths, [s.name for s in recording.sources]
    del recording
    names = robot.wheel_names
    missing = [w for w in names if f"count_{w}" not in where and f"omega_{w}" not in where]
    if missing:
        files = ", ".join(sources) or ", ".join(paths)
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
        and not np.isfinite(robot.counts_per_turn[k])
    ]
    if bare:
        problems.append(
            f"{robot.path}: counts_per_turn missing for {', '.join(bare)}; the recording holds "
            "counts. Add it under [wheels.…]"
        )
    if problems:
        raise RecordingError("\n".join(problems))

    def uses_count(k: int) -> bool:
        return f"count_{names[k]}" in where and bool(np.isfinite(robot.counts_per_turn[k]))

    first = names[0]
    lead = where[f"count_{first}" if uses_count(0) else f"omega_{first}"]
    lead_t = _series(lead, f"count_{first}" if uses_count(0) else f"omega_{first}")[0]
    if lead_t.size < 20:
        raise RecordingError(
            f"{lead.source.name}: {lead_t.size} samples of {first}; too few to analyse. Log at "
            "least some passes of several seconds"
        )
    dt = max(float(np.median(np.diff(lead_t))), config.shortest_step)
    dt = float(f"{dt:.3g}")
    fine = _thinned(lead, lead_t, lead_t, dt)[0]
    zero = float(fine[0])
    n = int((fine[-1] - zero) / dt + 1e-6) + 1
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
        name = f"count_{wheel}" if uses_count(k) else f"omega_{wheel}"
        part = where[name]
        ts, values = _series(part, name)
        if ts.size < 20:
            raise RecordingError(
                f"{part.source.name}: channel {name}: {ts.size} usable samples of "
                f"{values.size}; too few. Check the column"
            )
        offset = offsets[id(part)]
        if uses_count(k):
            per_turn = float(robot.counts_per_turn[k])
            most = (
                config.wheel_speed_most * per_turn / (2 * math.pi) * float(np.median(np.diff(ts)))
            )
            values, bits, resets = unwrap_counter(values, max(most, 50.0))
            if bits:
                findings.append(
                    Finding(
                        severity="note",
                        channel=name,
                        text=f"counter of {bits} bits overflows; taken as running on",
                    )
                )
            for at in resets:
                lo, hi = float(ts[at]) + offset, float(ts[at + 1]) + offset
                block(lo + zero, hi + zero)
                findings.append(
                    Finding(
                        severity="warning",
                        channel=name,
                        text="counter was set anew or jumped; the step is left out",
                        t_start=lo,
                        t_end=hi,
                    )
                )
            ts, values = _thinned(part, ts, values, dt)
            angle[:, k] = (_on_grid(t, ts, values, offset) + 0.5) * (2 * math.pi / per_turn)
            del part.channels[name], values
        else:
            speed = _on_grid(t, *_thinned(part, ts, values, dt), offset)
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
        return _on_grid(t, *_thinned(part, ts, values, dt), offsets[id(part)] - lag)

    def gridded_angle(part: _Clocked, name: str) -> np.ndarray | None:
        ts, values = _series(part, name)
        if ts.size < 3:
            return None
        return _on_grid(t, *_thinned(part, ts, unwrapped(values), dt), offsets[id(part)])

    # Clocks of their own: sources that do not share the wheels' clock are matched by motion.
    for part in parts:
        if part is lead or (part.source.absolute and lead.source.absolute):
            continue
        candidates = []
        span = max(float(t[-1]), float(np.ptp(part.t[part.keep])))
        if "omega_z" in part.channels and where.get("omega_z") is part:
            candidates.append((rolled[:, 2], gridded("omega_z"), "yaw rate"))
        if "yaw" in part.channels and where.get("yaw") is part:
            heading = gridded_angle(part, "yaw")
            if heading is not None:
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
    gyro_part = where.get("omega_z")
    gyro, gyro_lag = gridded("omega_z"), 0.0
    if gyro is not None and gyro_part is not None:
        lag, peak = find_lag(
            smooth(rolled[:, 2], dt), smooth(gyro, dt), dt, min(config.lag_most, t[-1] / 4)
        )
        if peak >= config.peak_least and abs(lag) < 0.9 * config.lag_most:
            gyro, gyro_lag = gridded("omega_z", lag=lag), lag
            if abs(lag) > 0.002:
                findings.append(
                    Finding(
                        severity="note",
                        channel="omega_z",
                        text=f"gyro lags the wheels by {1e3 * lag:.1f} ms; shifted "
                        f"(correlation {peak:.3f})",
                    )
                )
        elif (
            find_lag(smooth(-rolled[:, 2], dt), smooth(gyro, dt), dt, config.lag_most)[1]
            > config.peak_least
        ):
            findings.append(
                Finding(
                    severity="warning",
                    channel="omega_z",
                    text="gyro turns against the wheels' yaw rate: either its sign is wrong (set "
                    "sign = -1 in the robot file) or the rollers lean the other way",
                )
            )
        assert gyro is not None
        ts, raw = _series(gyro_part, "omega_z")
        moved = lag if peak >= config.peak_least else 0.0
        samples = (ts + (offsets[id(gyro_part)] - moved), raw)
        gyro, imu = _gyro_bias(gyro, t, dt, still, samples, findings, config)
        _stuck(gyro, "omega_z", t, dt, still, findings, config)
    reference, ref_problem = _reference(
        where, offsets, t, dt, rolled_speed, rolled[:, 2], gyro, still, findings, config
    )
    if ref_problem:
        findings.append(Finding(severity="warning", channel="ref_x", text=ref_problem))
    yaw_imu = None
    if "yaw" in where:
        yaw_imu = gridded_angle(where["yaw"], "yaw")

    yaw, yaw_source = None, ""
    if reference is not None and np.isfinite(reference[:, 2]).mean() > 0.3:
        _gyro_against(reference[:, 2], gyro, t, dt, imu, findings)
        yaw, yaw_source = _heading(reference[:, 2], gyro, dt, imu), "reference"
    elif gyro is not None:
        yaw, yaw_source = (
            np.concatenate([[0.0], np.cumsum((gyro[1:] + gyro[:-1]) * dt / 2)]),
            "gyro",
        )
    elif yaw_imu is not None:
        yaw, yaw_source = yaw_imu, "imu yaw"

    def last(name: str) -> np.ndarray | None:
        """A channel on the grid, for the last time: its samples go."""
        values = gridded(name)
        if name in where:
            where.pop(name).channels.pop(name, None)
        return values

    def stacked(prefix: str) -> np.ndarray | None:
        if any(f"{prefix}_{w}" not in where for w in names):
            return None
        out = np.empty((n, len(names)), order="F")
        for k, w in enumerate(names):
            column = last(f"{prefix}_{w}")
            if column is None:
                return None
            out[:, k] = column
        return out

    command = None
    if any(f"cmd_{q}" in where for q in ("v_x", "v_y", "omega_z")):
        command = np.zeros((n, 3), order="F")
        for k, q in enumerate(("v_x", "v_y", "omega_z")):
            asked = last(f"cmd_{q}")
            if asked is not None:
                command[:, k] = asked
    force = None
    axes = [last(f"f_{q}") for q in "xyz"]
    if axes[0] is not None and axes[1] is not None:
        up = axes[2] if axes[2] is not None else np.full(n, 9.81)
        force = np.array([axes[0], axes[1], up]).T
        if np.any(robot.imu_rpy):
            from scipy.spatial.transform import Rotation

            force = force @ Rotation.from_euler("ZYX", robot.imu_rpy[::-1]).as_matrix().T
    current = stacked("current")
    if current is not None:
        for k, wheel in enumerate(names):
            _clipped(current[:, k], f"current_{wheel}", t, findings)
    return Run(
        robot=robot,
        t=t,
        dt=dt,
        valid=valid,
        wheel_angle=angle,
        wheel_speed=wheel_speed,
        gyro_z=gyro,
        gyro_lag=gyro_lag,
        yaw=yaw,
        yaw_source=yaw_source,
        reference=reference,
        command=command,
        target=stacked("target"),
        power=stacked("power"),
        volt=stacked("volt"),
        current=current,
        specific_force=force,
        battery=last("battery"),
        findings=tuple(findings),
        imu=imu,
    )


def _spans(mask: np.ndarray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _stuck(
    values: np.ndarray,
    channel: str,
    t: np.ndarray,
    dt: float,
    still: np.ndarray,
    findings: list[Finding],
    config: AlignmentConfig,
) -> None:
    same = np.concatenate([[False], np.abs(np.diff(values)) < 1e-12]) & ~still
    for a, b in _spans(same):
        if (b - a) * dt >= config.frozen_time:
            findings.append(
                Finding(
                    severity="warning",
                    channel=channel,
                    text=f"does not change for {(b - a) * dt:.1f} s while the wheels turn: stuck",
                    t_start=float(t[a]),
                    t_end=float(t[b - 1]),
                )
            )


def _clipped(values: np.ndarray, channel: str, t: np.ndarray, findings: list[Finding]) -> None:
    size = np.abs(values)
    top = float(size.max())
    if top <= 0:
        return
    at = size >= top * (1 - 1e-6)
    runs = [b - a for a, b in _spans(at)]
    if sum(r for r in runs if r >= 5) >= 20:
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


def _gyro_bias(
    gyro: np.ndarray,
    t: np.ndarray,
    dt: float,
    still: np.ndarray,
    samples: tuple[np.ndarray, np.ndarray],
    findings: list[Finding],
    config: AlignmentConfig,
) -> tuple[np.ndarray, dict[str, Estimate]]:
    # After a pass the body still settles when the wheels already stand.
    settle, trim = max(1, round(config.settle_time / dt)), max(1, round(0.05 / dt))
    rests = [
        (a + settle, b - trim)
        for a, b in _spans(still)
        if (b - a - settle - trim) * dt >= config.rest_time
    ]
    if not rests:
        why = "the base never rests for half a second; let it stand for 3 s at the start"
        findings.append(Finding(severity="warning", channel="omega_z", text=f"gyro bias: {why}"))
        return gyro, {
            "gyro_bias_rad_s": Estimate.undetermined("rad/s", why),
            "gyro_noise_density": Estimate.undetermined("rad/s/sqrt(Hz)", why),
        }
    means = np.array([gyro[a:b].mean() for a, b in rests])
    lengths = np.array([(b - a) * dt for a, b in rests])
    middle = np.array([t[(a + b) // 2] for a, b in rests])
    # Noise is that of the samples as logged: the grid lies between them and is quieter.
    ts, raw = samples
    ends = np.searchsorted(ts, [(t[a], t[b - 1]) for a, b in rests])
    spread = np.array([raw[a:b].std() if b > a else 0.0 for a, b in ends])
    rate = 1.0 / float(np.median(np.diff(ts[:4000])))
    density = float(np.sqrt(np.average(spread**2, weights=lengths)) / math.sqrt(rate))
    # Rests are short: a rest of length T knows the bias to density / sqrt(T) (IEEE 952: white
    # noise averages so). Where the rests disagree by more than that, the bias wanders and is
    # followed; where they agree, one mean is better.
    weights = lengths / lengths.sum()
    mean = float(weights @ means)
    expected = density / np.sqrt(lengths)
    chi2 = float(np.sum(((means - mean) / np.maximum(expected, 1e-9)) ** 2))
    wanders = len(rests) >= 2 and chi2 > 2.0 * len(rests)
    if wanders:
        width = max(20.0, 3 * float(np.median(np.diff(middle))))
        kernel = np.exp(-0.5 * ((middle[:, None] - middle[None]) / width) ** 2) * lengths[None]
        followed = (kernel @ means) / kernel.sum(axis=1)
        bias = np.interp(t, middle, followed)
        if np.ptp(followed) > GYRO_WANDER:
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
    error = max(scatter, density / math.sqrt(float(lengths.sum())))
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
    t: np.ndarray,
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
    # What is left is the bias; over a quarter of a minute it must not move.
    parts = np.array_split(rest, max(1, rest.size // 15))
    if len(parts) >= 4:
        level = np.array([float(p.mean()) for p in parts]) / (step * dt)
        noise = float(np.median([p.std(ddof=1) / math.sqrt(p.size) for p in parts])) / (step * dt)
        if np.ptp(level) > max(GYRO_WANDER, 6 * noise):
            findings.append(
                Finding(
                    severity="warning",
                    channel="omega_z",
                    text=f"gyro bias wanders by {math.degrees(np.ptp(level)):.2f} °/s against the "
                    "reference heading",
                )
            )
    if scale < 0:
        text = "gyro turns against the reference heading: set sign = -1 for it in the robot file"
        findings.append(Finding(severity="error", channel="omega_z", text=text))
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
    whole = bool(known.all())
    there = away if whole else away[known]
    slow = smooth(there, dt, 1.0)
    if float(np.percentile(np.abs(there - slow), 95)) > 0.03:
        return reference.copy()
    if whole:
        return turned + slow
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
    findings: list[Finding],
    config: AlignmentConfig,
) -> tuple[np.ndarray | None, str]:
    if not ("ref_x" in where and "ref_y" in where):
        if "ref_yaw" not in where:
            return None, ""
        part = where["ref_yaw"]
        ts, raw = _series(part, "ref_yaw")
        pose = np.full((t.size, 3), np.nan, order="F")
        pose[:, 2] = _on_grid(t, *_thinned(part, ts, unwrapped(raw), dt), offsets[id(part)])
        return pose, ""
    part = where["ref_x"]
    use = part.keep.copy()
    columns = ["ref_x", "ref_y"] + (["ref_yaw"] if where.get("ref_yaw") is part else [])
    for name in columns:
        use &= np.isfinite(part.channels.get(name, np.nan))
    ts = part.t if use.all() else part.t[use]
    if ts.size < 10:
        return None, f"reference pose has {ts.size} usable samples only; not used"
    values = [part.channels[c] if use.all() else part.channels[c][use] for c in columns]
    if len(columns) == 3:
        values[2] = unwrapped(values[2])
    # Flicker: a sample far from the median of its neighbours, on a scale of what motion allows.
    limits = (0.03, 0.03, 0.1)[: len(columns)]
    if ts.size >= 7 and any(
        float(np.max(np.abs(np.diff(v)))) > limit / 2
        for v, limit in zip(values, limits, strict=True)
    ):  # smaller steps cannot leave a sample that far from its neighbours
        from scipy import ndimage

        flicker = np.zeros(ts.size, dtype=bool)
        for v, limit in zip(values, limits, strict=True):
            away = np.abs(v - ndimage.median_filter(v, size=5, mode="nearest"))
            flicker |= away > max(limit, 8 * 1.4826 * float(np.median(away)))
        if flicker.any():
            findings.append(
                Finding(
                    severity="warning",
                    channel="ref_x",
                    text=f"{int(flicker.sum())} of {ts.size} reference poses jump away and back; "
                    "left out",
                )
            )
            ts, values = ts[~flicker], [v[~flicker] for v in values]
    # Stale samples: the very same pose again while the wheels turn.
    same = np.zeros(ts.size, dtype=bool)
    same[1:] = values[0][1:] == values[0][:-1]
    for v in values[1:]:
        same[1:] &= v[1:] == v[:-1]
    at = np.flatnonzero(same)
    same[at] = np.interp(ts[at] + offsets[id(part)], t, (~still).astype(float)) > 0.5
    if same.sum() > 3:
        findings.append(
            Finding(
                severity="warning",
                channel="ref_x",
                text=f"{int(same.sum())} of {ts.size} reference poses repeat the one before while "
                "the base moves; left out",
            )
        )
        ts, values = ts[~same], [v[~same] for v in values]
    if ts.size < 10:
        return None, "reference pose is frozen; not used"
    thin = [_thinned(part, ts, v, dt) for v in values]
    ts, values = thin[0][0] + offsets[id(part)], [v for _, v in thin]

    def grid(lag: float) -> np.ndarray:
        pose = np.full((t.size, 3), np.nan, order="F")
        for k, v in enumerate(values):
            pose[:, k] = _on_grid(t, ts, v, -lag)
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
    unknown = (t < ts[0] - 0.1) | (t > ts[-1] + 0.1)
    for k in np.flatnonzero(np.diff(ts) > config.reference_gap):
        unknown[np.searchsorted(t, ts[k], "right") : np.searchsorted(t, ts[k + 1], "right")] = True
    pose[unknown] = np.nan
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
        tt, yaw = _thinned(heading, tt, unwrapped(yaw), dt)
        pose[:, 2] = _on_grid(t, tt, yaw, offsets[id(heading)] - lag)
    return pose, ""
