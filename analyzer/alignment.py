"""One clock, one even grid: from the recording as read to the run that is analysed.

Whatever is wrong with stamps, counters and sensors is found here, reported as a finding with
its time span and kept out of the fits (`Run.valid`, NaN in the reference); nothing is papered
over.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from analyzer.imu import bias_instability
from analyzer.kinematics import integrate_twist, odometry_matrix, plane_length, tracking_rows
from analyzer.quantities import Estimate, Finding, RecordingError, extent, slope_through_origin
from analyzer.run import Recording, Run, Source

if TYPE_CHECKING:
    from analyzer.robot import Robot


WANDER_GAIN = 6.0
"""Twice the log likelihood ratio of a wandering to a standing bias, from which it is taken to wander:
1 in 70 standing ones would reach it (chi-squared, one degree of freedom). [-]"""
GYRO_WANDER = 0.003
"""Change of the gyro's bias within a recording that counts as a fault [rad/s], 0.17 deg/s:
fifty times the bias instability of a usual small gyro (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentConfig:
    """Thresholds of alignment, each with unit and origin."""

    shortest_step: float = 0.02
    """Finest grid step [s], about: the smoothing kernel passes nothing above 13 Hz (to 1 % of the
    power), half of what this step can carry; faster logs are averaged down to it, which keeps what
    their samples know of noise and encoder quanta."""
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
    settling: float = 2e-4
    """Turn of a base within a rest that its wheels do not show, after `settle_time` [rad]: bench
    work. A rest knows the gyro's bias no better than this angle over its length."""
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


def smooth(
    values: np.ndarray, dt: float, sigma: float = DEFAULT.smoothing, *, every: int = 1
) -> np.ndarray:
    """Gaussian smoothing along the first axis.

    Parameters
    ----------
    values : ndarray, shape (n,) or (n, k)
        Values on an even grid.
    dt : float
        Grid step. [s]
    sigma : float
        Standard deviation of the kernel. [s]
    every : int
        Return every so many.

    Returns
    -------
    ndarray
        Same shape, or shorter by `every`. Nothing is done where the kernel is below a third of a step.
    """
    width = sigma / dt
    if width < 1 / 3:
        return values[::every]
    if values.ndim == 1:
        return _gaussian(values, width, every)
    out = np.empty((-(-values.shape[0] // every), values.shape[1]), order="F")
    for k in range(values.shape[1]):
        out[:, k] = _gaussian(values[:, k], width, every)
    return out


PIECE = 16_384
"""Samples at a time that stay in the processor's cache: long arrays go three times as fast."""
BLOCK = 16
"""Samples of a row where smoothing is a product of matrices."""


@lru_cache(maxsize=32)
def _kernel(width: float) -> tuple[int, np.ndarray, np.ndarray]:
    """A Gaussian cut at three standard deviations: its reach, its right half and all of it."""
    reach = int(3.0 * width + 0.5)
    kernel = np.exp(-0.5 * (np.arange(reach + 1) / width) ** 2)
    kernel /= 2 * kernel.sum() - kernel[0]
    both = np.concatenate([kernel[:0:-1], kernel])
    kernel.flags.writeable = both.flags.writeable = False
    return reach, kernel, both


def _gaussian(values: np.ndarray, width: float, every: int) -> np.ndarray:
    """Convolve with a Gaussian, the ends held. `width` in steps."""
    reach, kernel, both = _kernel(width)
    n = values.size
    blocks = -(-n // BLOCK)
    filled = np.empty(blocks * BLOCK + 2 * reach)
    filled[:reach], filled[reach : reach + n], filled[reach + n :] = values[0], values, values[-1]
    padded = filled[: n + 2 * reach]
    if every > 1:
        windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)[::every]
        return np.asarray(windows @ both)
    if reach <= 24 and n < 4096:
        short: np.ndarray = np.convolve(padded, both, "valid")
        return short
    if reach > 24:
        size = _fast_length(padded.size + reach)
        wave = np.fft.rfft(padded - padded[0], size)
        whole = np.zeros(size)
        whole[: reach + 1] = kernel
        whole[-reach:] = kernel[:0:-1]
        back: np.ndarray = np.fft.irfft(wave * np.fft.rfft(whole), size)[reach : reach + n]
        return back + padded[0]
    # As products of matrices: a row is a block with its margins, a column a place in the block.
    band = np.zeros(2 * (reach + BLOCK) - 1)
    band[BLOCK - 1 : -(BLOCK - 1)] = both
    places = np.lib.stride_tricks.sliding_window_view(band, BLOCK)[:, ::-1].copy()
    rows = np.lib.stride_tricks.sliding_window_view(filled, BLOCK + 2 * reach)[::BLOCK]
    out = np.empty((blocks, BLOCK))
    for a in range(0, blocks, 256):  # small enough to stay in the cache, and on one thread
        out[a : a + 256] = rows[a : a + 256] @ places
    return out.reshape(-1)[:n]


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


def _steps(values: np.ndarray) -> Iterator[tuple[int, np.ndarray]]:
    """Steps from each value to the next, by pieces, with the place of the first."""
    for a in range(0, values.size - 1, PIECE):
        piece = values[a : a + PIECE + 1]
        yield a, piece[1:] - piece[:-1]


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
    jumps = [a + np.flatnonzero(np.abs(step) > math.pi) for a, step in _steps(angle)]
    at = np.concatenate([np.zeros(0, dtype=int), *jumps])
    if not at.size:
        return angle
    turns = np.round((angle[at + 1] - angle[at]) / (2 * math.pi))
    so_far = np.concatenate([[0.0], np.cumsum(turns)])
    edges = np.concatenate([[0], at + 1, [angle.size]])
    out = np.repeat(-2 * math.pi * so_far, np.diff(edges))
    out += angle
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
    if t.size and np.isfinite(t[[0, -1]]).all() and np.all(t[1:] > t[:-1]):
        return np.ones(t.size, dtype=bool), 0, 0
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
    if _largest_step(count) <= step_most:
        return count, 0, np.zeros(0, dtype=int)
    step = np.diff(count)
    jumps = np.flatnonzero(np.abs(step) > step_most)
    bits = 0
    widths = [(w, 2.0**w) for w in (15, 16, 32)] if modulo is None else [(1, modulo)]
    for width, modulus in widths:
        if np.abs(step[jumps]).max() > modulus or np.ptp(count) > modulus:
            continue
        folded = step[jumps] - modulus * np.round(step[jumps] / modulus)
        explained = np.abs(folded) <= step_most
        if np.ptp(count) > 0.8 * modulus and explained.mean() >= 0.5:
            step[jumps[explained]] = folded[explained]
            jumps = jumps[~explained]
            bits = width
            break
    step[jumps] = 0.0
    out = np.empty_like(count)
    out[0] = count[0]
    out[1:] = count[0] + np.cumsum(step)
    return out, bits, jumps


LAG_SPAN = 30_000
"""Samples that suffice to find a short lag; a longer recording is searched where it moves most."""


def _liveliest(values: np.ndarray, dt: float, lag_most: float) -> slice:
    """Stretch with the most energy that suffices to find a lag; all where the lag may be long."""
    if values.size <= LAG_SPAN or lag_most >= LAG_SPAN * dt / 8:
        return slice(None)
    many = 30  # blocks to a span: the stretch begins with one
    block = LAG_SPAN // many
    blocks = values[: values.size // block * block].reshape(-1, block)
    energy = np.concatenate([[0.0], np.cumsum(np.einsum("bk,bk->b", blocks, blocks))])
    start = block * int(np.argmax(energy[many:] - energy[:-many]))
    return slice(start, start + LAG_SPAN)


def _lagging(lag: float) -> str:
    """A lag in words, whichever way it goes."""
    way = "lags" if lag > 0 else "leads"
    return f"{way} the wheels by {1e3 * abs(lag):.1f} ms"


def _trusted_lag(
    found: tuple[float, float],
    channel: str,
    name: str,
    what: str,
    findings: list[Finding],
    config: AlignmentConfig,
) -> float | None:
    """A lag that stands out and not at the border of the search, told where it counts; else None."""
    lag, peak = found
    if peak < config.peak_least or abs(lag) >= 0.9 * config.lag_most:
        return None
    if abs(lag) > 0.002:
        findings.append(
            Finding(
                severity="note",
                channel=channel,
                text=f"{name} {_lagging(lag)}; shifted ({what}correlation {peak:.3f})",
            )
        )
    return lag


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
    lively = _liveliest(signal_a, dt, lag_most)
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
    whole: bool
    channels: dict[str, np.ndarray]
    thinning: _Thinning | None = None
    paced: tuple[float, np.ndarray] | None = None
    ends: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Per channel, least and largest value."""

    def extent(self, name: str, usable: np.ndarray | None = None) -> tuple[float, float]:
        """Least and largest value of a channel, NaN where it holds one; looked at once.

        `usable` are its values without those that are left out.
        """
        values = self.channels[name]
        if usable is not None and usable is not values:
            return extent(usable)
        if name not in self.ends:
            self.ends[name] = extent(values)
        return self.ends[name]

    def full(self, name: str) -> bool:
        """Whether a channel has a number in every place."""
        return all(map(math.isfinite, self.extent(name)))

    def clean(self, name: str, bad: np.ndarray) -> None:
        """Take samples out of a channel."""
        cleaned = self.channels[name].astype(np.float64)
        cleaned[bad] = np.nan
        self.channels[name] = cleaned
        self.ends.pop(name, None)

    def pace(self, ts: np.ndarray) -> tuple[float, np.ndarray]:
        """Median step of stamps, and every step over it, 1 or more; the same for most channels."""
        if ts is not self.t:
            return _pace(ts)
        if self.paced is None:
            self.paced = _pace(ts)
        return self.paced


def _pace(ts: np.ndarray) -> tuple[float, np.ndarray]:
    step = np.diff(ts)
    middle = float(np.median(step))
    step /= middle
    return middle, np.maximum(step, 1.0, out=step)


def _clocked(source: Source, findings: list[Finding], problems: list[str]) -> _Clocked | None:
    t = np.asarray(source.t, dtype=np.float64)
    keep, repeated, backward = clean_stamps(t)
    n = t.size
    if n < 3:
        problems.append(f"{source.name}: {n} samples; a recording needs thousands. Log longer")
        return None
    whole = bool(keep.all())
    finite = t if whole else t[np.isfinite(t)]
    falling = 0 if whole else int(np.sum(np.diff(t) < 0))
    if (keep.sum() < 3 and falling < 0.2 * n) or finite.size < 3 or np.ptp(finite) == 0:
        problems.append(
            f"{source.name}: channel t: the stamps do not advance ({n} rows, all about "
            f"{finite[:1]} s). Log a running clock, or give the right time column"
        )
        return None
    if backward > 0.2 * n:
        falls = np.flatnonzero(np.diff(t) < 0)
        first = f"first at row {int(falls[0]) + 2}" if falls.size else "or stands blank"
        problems.append(
            f"{source.name}: channel t: time runs backwards ({first}); {backward} of "
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
    return _Clocked(
        source=light,
        t=t,
        keep=keep,
        whole=whole,
        channels=dict(source.channels),
        ends=dict(source.extents),
    )


def _series(part: _Clocked, name: str) -> tuple[np.ndarray, np.ndarray]:
    values = part.channels[name]
    if part.whole and part.full(name):
        return part.t, values
    use = part.keep & np.isfinite(values)
    return part.t[use], values[use]


def _largest_step(values: np.ndarray) -> float:
    """Largest step between neighbours."""
    return max(
        (max(float(step.max()), -float(step.min())) for _, step in _steps(values)), default=0.0
    )


def _any_step_beyond(series: Sequence[np.ndarray], limits: Sequence[float]) -> bool:
    """Whether any of some series has a step between neighbours beyond its limit."""
    return any(_largest_step(v) > limit for v, limit in zip(series, limits, strict=True))


def _samples_of(span: float, step: float) -> int:
    """How many samples a mean over a span takes in; a quarter of one may lie beyond it."""
    return int(span / step + 0.25)


@dataclass(slots=True, kw_only=True)
class _Thinning:
    """How samples that come faster than the grid are averaged, so that nothing folds into it."""

    size: int
    count: int
    whole: np.ndarray | None
    t: np.ndarray
    even: bool | None = None

    @classmethod
    def of(cls, ts: np.ndarray, dt: float) -> _Thinning:
        step = float(np.median(np.diff(ts[:4000]))) if ts.size > 3 else 0.0
        size = _samples_of(dt, step) if step > 0 else 1
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
        rows = values[: self.count * self.size].reshape(self.count, self.size)
        means: np.ndarray = rows @ np.full(self.size, 1 / self.size)  # twice as fast as a mean
        return means if self.whole is None else means[self.whole]

    def is_even(self, dt: float) -> bool:
        """Whether the thinned stamps are a grid of this step, wherever it begins; looked at once."""
        if self.even is None:
            away = self.t - self.t[0]
            away -= dt * np.arange(away.size)
            self.even = max(float(away.max()), -float(away.min())) < 1e-3 * dt
        return self.even

    def on_grid(self, t: np.ndarray, dt: float, means: np.ndarray, shift: float) -> np.ndarray:
        """Means at the grid's times, linear between them; `shift` is added to the stamps."""
        if not self.is_even(dt):
            return np.interp(t, self.t + shift, means)
        steps = -float(self.t[0] + shift) / dt
        near = round(steps)
        if abs(steps - near) < 1e-3:
            if near == 0 and means.size == t.size:
                return means
            steps = near
        return shifted(means, steps, size=t.size)


def _thinning(part: _Clocked, ts: np.ndarray, dt: float) -> _Thinning:
    """How stamps of a part are thinned; worked out once for all of them."""
    if ts is not part.t:
        return _Thinning.of(ts, dt)
    if part.thinning is None:
        part.thinning = _Thinning.of(ts, dt)
    return part.thinning


def shifted(
    values: np.ndarray, steps: float, *, stride: int = 1, size: int | None = None
) -> np.ndarray:
    """Values of an even grid, some steps later brought forward: `numpy.interp` by slices.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values on an even grid.
    steps : float
        Steps by which to go on; linear between values, beyond the ends the end values hold.
    stride : int
        Take every so many.
    size : int, optional
        How many to return, n over the stride where not given.

    Returns
    -------
    ndarray, shape (size,)
        Place k holds the value at k stride + steps.
    """
    n = values.size
    whole = math.floor(steps)
    part = steps - whole
    out = np.empty(-(-n // stride) if size is None else size)
    # Places `first` to `last` have both neighbours inside.
    first = min(max(0, -(whole // stride)), out.size)
    last = min(max(first, -((whole - n + 1) // stride)), out.size)
    at = first * stride + whole
    inner = out[first:last]
    np.multiply(values[at : n - 1 : stride][: inner.size], 1 - part, out=inner)
    if part:
        inner += values[at + 1 :: stride][: inner.size] * part
    out[:first], out[last:] = values[0], values[-1]
    return out


def _gridded(
    t: np.ndarray, part: _Clocked, ts: np.ndarray, values: np.ndarray, dt: float, shift: float
) -> np.ndarray:
    """Samples of a part thinned and brought onto the grid."""
    thin = _thinning(part, ts, dt)
    return thin.on_grid(t, dt, thin.mean(values), shift)


def _gaps(t: np.ndarray, usual: float, config: AlignmentConfig) -> list[tuple[float, float]]:
    limit = max(config.gap_steps * usual, config.gap_least)
    long = [a + i for a, step in _steps(t) for i in np.flatnonzero(step > limit).tolist()]
    return [(float(t[i]), float(t[i + 1])) for i in long]


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
    problems: list[str] = []
    parts = [c for s in recording.sources if (c := _clocked(s, findings, problems)) is not None]
    where: dict[str, _Clocked] = {}
    for part in parts:
        for name, values in part.channels.items():
            if not (np.isfinite(values[:100]).any() or np.isfinite(values).any()):
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
    kinds = ("count", "angle", "omega")
    missing = [w for w in names if not any(f"{q}_{w}" in where for q in kinds)]
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
    usual = lead.pace(lead_t)[0]
    dt = usual * max(1, _samples_of(config.shortest_step, usual))
    dt = float(f"{dt:.3g}")
    fine = _thinning(lead, lead_t, dt).t
    zero = float(fine[0])
    n = int((fine[-1] - zero) / dt + 1e-6) + 1
    if n < 20:
        raise RecordingError(
            f"{lead.source.name}: channel t: {lead_t.size} samples within {lead_t[-1] - lead_t[0]:.3g} s; "
            "too short to analyse. Log at least some passes of several seconds, or give the right unit "
            "of the time column"
        )
    if n > 40 * lead_t.size:
        raise RecordingError(
            f"{lead.source.name}: channel t: {lead_t.size} samples over "
            f"{lead_t[-1] - zero:.0f} s; the stamps jump. Check the unit of the time column"
        )
    t = np.arange(n) * dt
    valid = np.ones(n, dtype=bool)

    def block(lo: float, hi: float) -> None:
        valid[max(0, math.floor((lo - zero) / dt)) : math.ceil((hi - zero) / dt) + 1] = False

    for lo, hi in _gaps(lead_t, usual, config):
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
        offset = offsets[id(part)]
        if not name.startswith("omega_"):
            counting = name.startswith("count_")
            per_turn = float(robot.counts_per_turn[k]) if counting else 2 * math.pi
            shift = (offset, zero)
            ts, values = _unbroken(part, name, ts, values, per_turn, shift, block, findings, config)
            angle[:, k] = _gridded(t, part, ts, values, dt, offset)
            angle[:, k] += 0.5 if counting else 0.0
            angle[:, k] *= 2 * math.pi / per_turn
            del part.channels[name], values
        else:
            ts, values = _without_leaps(ts, values, name, (offset, zero), block, findings, config)
            speed = _gridded(t, part, ts, values, dt, offset)
            angle[:, k] = integrated(speed, dt)
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
    rolled = (odometry_matrix(robot.matrix) @ wheel_speed.T).T
    rolled_speed = plane_length(rolled[:, 0], rolled[:, 1])
    quantum = (
        np.nanmax(2 * math.pi / robot.counts_per_turn)
        if np.isfinite(robot.counts_per_turn).any()
        else 0.0
    )
    still = valid.copy()
    for speed in wheel_speed.T:
        still &= np.abs(speed) < max(config.rest_speed, 2.0 * quantum)

    def gridded(name: str, *, lag: float = 0.0) -> np.ndarray | None:
        part = where.get(name)
        if part is None:
            return None
        ts, values = _series(part, name)
        if ts.size < 3:
            return None
        return _gridded(t, part, ts, values, dt, offsets[id(part)] - lag)

    def gridded_angle(part: _Clocked, name: str) -> np.ndarray | None:
        ts, values = _series(part, name)
        if ts.size < 3:
            return None
        return _gridded(t, part, ts, unwrapped(values), dt, offsets[id(part)])

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
            heading = gridded_angle(part, "yaw")
            if heading is not None:
                candidates.append((rolled[:, 2], np.gradient(heading, dt), "yaw rate"))
        if "ref_x" in part.channels and where.get("ref_x") is part:
            rx, ry = gridded("ref_x"), gridded("ref_y")
            if rx is not None and ry is not None:
                speed = plane_length(
                    np.gradient(smooth(rx, dt, 0.05), dt), np.gradient(smooth(ry, dt, 0.05), dt)
                )
                candidates.append((rolled_speed, speed, "speed"))
        if "ref_v_x" in part.channels and where.get("ref_v_x") is part:
            vx, vy = gridded("ref_v_x"), gridded("ref_v_y")
            if vx is not None and vy is not None:
                candidates.append((rolled_speed, plane_length(vx, vy), "speed"))
        if "cmd_v_x" in part.channels and where.get("cmd_v_x") is part:
            cx, cy = gridded("cmd_v_x"), gridded("cmd_v_y")
            if cx is not None and cy is not None:
                candidates.append((rolled_speed, plane_length(cx, cy), "commanded speed"))
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
    gyro, gyro_lag = gridded("omega_z"), 0.0
    if gyro is not None and gyro_part is not None:
        lag_most = min(config.lag_most, t[-1] / 4)
        lively = _liveliest(rolled[:, 2], dt, lag_most)
        turning, seen = smooth(rolled[lively, 2], dt), smooth(gyro[lively], dt)
        behind = find_lag(turning, seen, dt, lag_most)
        trusted = _trusted_lag(behind, "omega_z", "gyro", "", findings, config)
        if trusted is not None:
            gyro, gyro_lag = gridded("omega_z", lag=trusted), trusted
        elif find_lag(-turning, seen, dt, lag_most)[1] > config.peak_least:
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
        samples = (ts + (offsets[id(gyro_part)] - gyro_lag), raw)
        stuck = _stuck(gyro, "omega_z", t, dt, still, findings, config)
        # A stuck gyro is as still as a rest: it tells nothing of the bias.
        at_rest = still & ~_grown(stuck, round(0.2 / dt))
        row = odometry_matrix(robot.matrix)[2]
        gyro, imu = _gyro_bias(
            gyro,
            t,
            dt,
            at_rest,
            samples,
            angle @ row,
            quantum * float(np.linalg.norm(row)),
            findings,
            config,
        )
    if gyro is not None:
        longest = max(spans(still), key=lambda span: span[1] - span[0], default=(0, 0))
        a, b = (t[min(k, t.size - 1)] for k in longest)
        resting = (samples[0] >= a + config.settle_time) & (samples[0] < b)
        imu["gyro_bias_instability"] = bias_instability(samples[0][resting], samples[1][resting])
    reference, ref_problem = _reference(
        where, offsets, t, dt, rolled_speed, rolled[:, 2], gyro, still, valid, findings, config
    )
    if ref_problem:
        findings.append(Finding(severity="warning", channel="ref_x", text=ref_problem))
    if reference is not None:
        reference = _own_reference(reference, rolled, dt, still, findings)
    source, heading_is_gyros = "" if reference is None else "pose", False

    def no_position() -> bool:
        return reference is None or not np.isfinite(reference[:, 0]).any()

    tracking = _tracking_paths(robot, where, offsets, t, zero, block, findings, config)
    if tracking is not None and no_position():
        found = _tracked_pose(robot, tracking, gyro, dt, findings)
        if found is not None:
            (reference, heading_is_gyros), source = found, "tracking wheels"
    speeds = [c for c in ("ref_v_x", "ref_v_y", "ref_omega_z") if c in where]
    if no_position() and {"ref_v_x", "ref_v_y"} <= set(speeds):
        own = None if reference is None else reference[:, 2]
        if own is not None and not np.isfinite(own).any():
            own = None
        turned = None if gyro is None else integrated(gyro, dt)
        added = _added_up(
            where, offsets, t, dt, rolled_speed, (own, turned), still, valid, findings, config
        )
        if added is not None:
            added = _own_reference(added, rolled, dt, still, findings, "ref_v_x")
        if added is not None:
            reference, source = added, "speeds"
            heading_is_gyros = own is None and "ref_omega_z" not in where
    elif no_position() and speeds:
        text = "a reference's speed is used with ref_v_x and ref_v_y together; not used"
        findings.append(Finding(severity="note", channel=speeds[0], text=text))
    yaw_imu = None
    if "yaw" in where:
        part = where["yaw"]
        ts, values = _series(part, "yaw")
        if ts.size >= 3:
            yaw_imu, doubted = _imu_yaw(
                part,
                ts,
                values,
                offsets[id(part)],
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
    told = reference is not None and np.isfinite(reference[:, 2]).mean() > 0.3
    if reference is not None and told and not heading_is_gyros:
        if gyro is not None and stuck.any():
            # The reference heading stands in where the gyro is stuck.
            rate = np.gradient(smooth(reference[:, 2], dt, 0.06), dt)
            gyro = np.where(stuck & np.isfinite(rate), rate, gyro)
        turned = None if gyro is None else integrated(gyro, dt)
        if turned is not None:
            _gyro_against(reference[:, 2], turned, rolled[:, 2], dt, imu, findings)
        yaw, yaw_source = _heading(reference[:, 2], turned, dt, imu), "reference"
    elif gyro is not None:
        valid &= ~stuck
        yaw, yaw_source = integrated(gyro, dt), "gyro"
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
        clipped = np.zeros(n, dtype=bool)
        for k, wheel in enumerate(names):
            clipped |= _clipped(current[:, k], f"current_{wheel}", t, findings)
        if np.sum(clipped & ~still) > 0.1 * max(1, np.sum(~still)):
            current = None
            text = "saturated in more than a tenth of the driving time; currents are not used"
            findings.append(Finding(severity="warning", channel=f"current_{first}", text=text))
        else:
            valid &= ~clipped
    reversed_wheels = _reversed_wheels(robot, angle, gyro, reference, yaw, dt, still, valid)
    for wheel, evidence in reversed_wheels.items():
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
        gyro_lag=gyro_lag,
        gyro_stuck=stuck,
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
        reversed_wheels=tuple(reversed_wheels),
        tracking_path=tracking,
        reference_source=source,
    )


def integrated(rate: np.ndarray, dt: float) -> np.ndarray:
    """Integral from the first sample on, by the trapezoidal rule.

    Parameters
    ----------
    rate : ndarray, shape (n,)
        Rate on an even grid.
    dt : float
        Grid step. [s]

    Returns
    -------
    ndarray, shape (n,)
        In the unit of the rate times seconds, 0 at the first sample.
    """
    out = np.empty(rate.size)
    out[0] = 0.0
    step = rate[1:] + rate[:-1]
    step *= dt / 2
    np.cumsum(step, out=out[1:])
    return out


def spans(mask: np.ndarray) -> list[tuple[int, int]]:
    """Stretches of True in a mask.

    Parameters
    ----------
    mask : ndarray of bool, shape (n,)
        Samples.

    Returns
    -------
    list of (int, int)
        First sample and the one after the last, in order.
    """
    start, stop = _edges(mask)
    return list(zip(start.tolist(), stop.tolist(), strict=True))


def _edges(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First places of the stretches of True, and those after their last."""
    framed = np.concatenate([[False], mask, [False]])
    edges = np.flatnonzero(framed[1:] != framed[:-1])
    return edges[::2], edges[1::2]


def _grown(mask: np.ndarray, width: int) -> np.ndarray:
    """Widen every span of a mask by `width` samples at both ends."""
    if width < 1 or not mask.any():
        return mask
    out = mask.copy()
    for a, b in spans(mask):
        out[max(0, a - width) : b + width] = True
    return out


def _even_out_bursts(part: _Clocked, findings: list[Finding], config: AlignmentConfig) -> None:
    """Rows that arrive late in bursts: put them back on the even clock they were sent by.

    A row can only be late, so the clock is the line below all stamps; it is followed over
    stretches of rows because two clocks never run quite alike.
    """
    t = part.t if part.whole else part.t[part.keep]
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
    from scipy import ndimage

    lowest = ndimage.minimum_filter1d(away, width, mode="nearest")
    even = smooth(lowest, 1.0, width / 2) + slope * k
    if np.any(np.diff(even) <= 0) or np.max(np.abs(t - even)) > 1.0:
        return
    part.t = part.t.copy()
    part.t[part.keep] = even
    part.paced = None
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
    counts = [part.channels[n] for n in names]
    good = part.keep.copy()
    for name, count in zip(names, counts, strict=True):
        if not part.full(name):
            good &= np.isfinite(count)
    when = part.t
    if not good.all():
        counts, when = [count[good] for count in counts], when[good]
    if when.size < 50:
        return
    same = counts[0][1:] == counts[0][:-1]
    for count in counts[1:]:
        same &= count[1:] == count[:-1]
    usual = part.pace(when)[0]
    bad = np.zeros(when.size, dtype=bool)
    start, stop = _edges(same)
    long = stop - start >= 3
    start, stop = start[long] + 1, stop[long] + 1  # rows that are the row before
    joined = np.flatnonzero(start[1:] - stop[:-1] <= 2)
    start, stop = np.delete(start, joined + 1), np.delete(stop, joined)
    inside = (stop < when.size) & (start >= 9) & ((stop - start) * usual <= 5.0)
    start, stop = start[inside], stop[inside]
    # The wheels went on: the step after the stand makes up for the time it took.
    after = np.abs([count[stop] - count[start - 1] for count in counts])
    lead = np.argmax(after, axis=0)
    stale: list[tuple[int, int, str]] = []
    for k, count in enumerate(counts):
        mine = np.flatnonzero(lead == k)
        a, b = start[mine], stop[mine]
        run_up = np.abs(np.diff(count[a[:, None] + np.arange(-9, 0)], axis=1))
        before = np.median(run_up, axis=1)
        leap = (np.abs(count[b] - count[b - 1]) > 2.5 * before) & (before > 0)
        rows, caught = b - a + 1, after[k, mine]
        leap &= (0.4 * rows * before < caught) & (caught < 2.0 * rows * before)
        stale += [
            (*span, names[k]) for span in zip(a[leap].tolist(), b[leap].tolist(), strict=True)
        ]
    for first, last, name in sorted(stale):
        bad[first:last] = True
        spell = (float(when[first - 1] - when[0]), float(when[last] - when[0]))
        findings.append(
            Finding(
                severity="warning",
                channel=name,
                text=f"{part.source.name}: all counters stand for {spell[1] - spell[0]:.2f} s and "
                "then catch up: stale rows, left out",
                t_start=spell[0],
                t_end=spell[1],
            )
        )
    if bad.any():
        # Only the wheels' rows are stale; other columns of the same rows may be good.
        for name in names:
            part.clean(name, np.flatnonzero(good)[bad])


def _leaps(rate: np.ndarray, least: float) -> np.ndarray:
    """Samples far from the median of their neighbours, beyond noise and beyond `least`."""
    if rate.size < 5 or not _largest_step(rate) > least / 2:
        return np.zeros(rate.size, dtype=bool)  # smaller steps leave no sample that far off
    from scipy import ndimage

    away = np.abs(rate - ndimage.median_filter(rate, size=5, mode="nearest"))
    noise = 1.4826 * float(np.median(away[away > 0])) if np.any(away > 0) else 0.0
    out: np.ndarray = away > max(least, min(12 * noise, 4 * least))
    return out


Block = Callable[[float, float], None]


def _unbroken(
    part: _Clocked,
    name: str,
    ts: np.ndarray,
    values: np.ndarray,
    per_turn: float,
    shift: tuple[float, float],
    block: Block,
    findings: list[Finding],
    config: AlignmentConfig,
) -> tuple[np.ndarray, np.ndarray]:
    """Counter or angle of a part that runs on through overflows and resets; glitches left out.

    `shift` is what brings the stamps onto the run's clock, and that clock's zero for `block`.
    """
    offset, zero = shift
    joins = part.source.joins
    counting = name.startswith("count_")
    middle, long = part.pace(ts)
    most = max(config.wheel_speed_most * per_turn / (2 * math.pi) * middle, 50.0 if counting else 0)
    low, high = part.extent(name, values)
    top = high - low
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
    rate = np.diff(unwrapped)
    if joins:
        # Between two takes the wheels are taken to stand, whatever the counter did.
        rate[[k - 1 for k in np.searchsorted(ts, np.array(joins) - 1e-9) if 0 < k < ts.size]] = 0.0
        unwrapped = unwrapped[0] + np.concatenate([[0.0], np.cumsum(rate)])
    # Smaller jumps than the fastest wheel makes: far from the steps around them.
    # Over a gap the wheel turns on: steps are compared as speeds.
    rate /= long
    floor = config.wheel_leap * per_turn / (2 * math.pi) * middle + (3.0 if counting else 0.0)
    leap = np.flatnonzero(_leaps(rate, floor))
    # A glitch of one row goes away and back. After a reset the step is taken as none.
    follows = np.isin(leap + 1, leap)
    back = leap[follows]
    back = back[rate[back] * rate[back + 1] < 0]
    lone = np.setdiff1d(leap, np.concatenate([back, back + 1]))
    if lone.size:
        step = np.diff(unwrapped)
        step[lone] = 0.0
        unwrapped = unwrapped[0] + np.concatenate([[0.0], np.cumsum(step)])
    gone = np.union1d(resets, lone).astype(int)
    gone = gone[ts[gone + 1] - ts[gone] < 1.0]  # over a longer silence nothing is left out
    for at in gone:
        lo, hi = float(ts[at]) + offset, float(ts[at + 1]) + offset
        block(lo + zero, hi + zero)
        if at in gone[:50]:
            findings.append(
                Finding(
                    severity="warning",
                    channel=name,
                    text="counter was set anew or jumped; the step is left out",
                    t_start=lo,
                    t_end=hi,
                )
            )
    if not back.size:
        return ts, unwrapped
    findings.append(
        Finding(
            severity="warning",
            channel=name,
            text=f"{back.size} of {ts.size} counter values jump away and back; left out",
            t_start=float(ts[back[0]]) + offset,
            t_end=float(ts[back[-1] + 2]) + offset,
        )
    )
    keep = np.ones(ts.size, dtype=bool)
    keep[back + 1] = False
    return ts[keep], unwrapped[keep]


def _without_leaps(
    ts: np.ndarray,
    values: np.ndarray,
    name: str,
    shift: tuple[float, float],
    block: Block,
    findings: list[Finding],
    config: AlignmentConfig,
) -> tuple[np.ndarray, np.ndarray]:
    """Wheel speeds without the values that no wheel can have."""
    bad = (np.abs(values) > config.wheel_speed_most) | _leaps(values, config.wheel_leap)
    if not bad.any() or bad.mean() > 0.2:
        return ts, values
    offset, zero = shift
    for a, b in spans(bad):
        if b - a > 3:
            block(float(ts[a]) + offset + zero, float(ts[b - 1]) + offset + zero)
    findings.append(
        Finding(
            severity="warning",
            channel=name,
            text=f"{int(bad.sum())} of {bad.size} wheel speeds leap beyond what a wheel can do (up to "
            f"{np.max(np.abs(values[bad])):.0f} rad/s); left out",
            t_start=float(ts[bad][0]) + offset,
            t_end=float(ts[bad][-1]) + offset,
        )
    )
    return ts[~bad], values[~bad]


LEAPS = {
    "omega": (1.5, 60.0),
    "f": (40.0, 320.0),
    "current": (20.0, 1000.0),
    "volt": (math.inf, 1000.0),
    "battery": (8.0, 1000.0),
    "ref_v_x": (0.5, 20.0),
    "ref_v_y": (0.5, 20.0),
    "ref_omega_z": (1.5, 60.0),
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
    limits = LEAPS.get(name) or LEAPS.get(head)
    if limits is None or (head == "omega" and name[6:] not in {"x", "y", "z"}):
        return
    least, most = limits
    ts, seen = _series(part, name)
    if seen.size < 20:
        return
    low, high = part.extent(name, seen)
    bad = _leaps(seen, least) if high - low > least else np.zeros(seen.size, dtype=bool)
    if max(high, -low) > most:
        bad |= np.abs(seen) > most
    odd = np.count_nonzero(bad)
    if 0 < odd < 0.1 * bad.size:
        when = ts[bad] + offset
        findings.append(
            Finding(
                severity="warning",
                channel=name,
                text=f"{odd} of {bad.size} samples leap away and back (up to "
                f"{np.max(np.abs(seen[bad])):.3g}); left out",
                t_start=float(when[0]),
                t_end=float(when[-1]),
            )
        )
    else:
        bad[:] = False
    same = np.zeros(0, dtype=bool)
    if head in {"omega", "f", "current"}:
        same = seen[1:] == seen[:-1]
    if np.count_nonzero(same) > config.stale_share / 2 * seen.size:
        same = np.insert(same, 0, values=False)
        moving = np.interp(ts + offset, t, moving_at) > 0.5
        same &= moving & ~bad
        longest = max((b - a for a, b in spans(same)), default=0)
        share = float(same.sum()) / max(1.0, float(moving.sum()))
        usual = float(np.median(np.diff(ts)))
        if (
            moving.sum() > 50
            and share > config.stale_share
            and longest * usual < config.frozen_time
        ):
            findings.append(
                Finding(
                    severity="warning",
                    channel=name,
                    text=f"{100 * share:.0f} % of the samples repeat the one before while the base "
                    "moves: the sensor is slower than the log; repeats are left out",
                    t_start=float(ts[same][0]) + offset,
                    t_end=float(ts[same][-1]) + offset,
                )
            )
            bad |= same
    if bad.any():
        part.clean(name, np.flatnonzero(part.keep & np.isfinite(part.channels[name]))[bad])


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
    same = np.zeros(values.size, dtype=bool)
    for a, step in _steps(values):
        same[a + 1 : a + 1 + step.size] = np.abs(step) < 1e-12
    for a, b in spans(~same):
        if a > 0 and b < same.size and b - a <= 3:
            same[a:b] = True  # a twitch between two stuck spans
    out = np.zeros(t.size, dtype=bool)
    for a, b in spans(same):
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
    runs = [b - a for a, b in spans(at)]
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
    part: _Clocked,
    ts: np.ndarray,
    values: np.ndarray,
    offset: float,
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
    away = unwrapped(values)
    yaw = _gridded(t, part, ts, away, dt, offset)
    ts = ts + offset
    doubted = _stuck(yaw, "yaw", t, dt, still, findings, config)
    if doubted[~still].mean() > 0.9 if np.any(~still) else False:
        return None, doubted
    turned = np.interp(ts, t, np.concatenate([[0.0], np.cumsum(rolled_yaw_rate[:-1] * dt)]))
    step = np.diff(away)
    extra = np.abs(step) - 1.5 * np.abs(np.diff(turned))
    leap = (extra > config.yaw_leap) & (np.diff(ts) < 1.0)
    if leap.any():
        from scipy import ndimage

        leap &= np.abs(step) > 4 * ndimage.median_filter(np.abs(step), size=5, mode="nearest")
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
    values: list[np.ndarray],
    t: np.ndarray,
    dt: float,
    rolled_speed: np.ndarray,
    rolled_yaw_rate: np.ndarray,
    valid: np.ndarray,
    findings: list[Finding],
    config: AlignmentConfig,
) -> None:
    """Reference that jumps for good: passes over the jump are kept out (`valid`)."""
    limits = (config.pose_leap / 2, config.pose_leap / 2, config.yaw_leap)
    if not _any_step_beyond(values, limits[: len(values)]):
        return
    length = plane_length(np.diff(values[0]), np.diff(values[1]))
    far = length > config.pose_leap
    if len(values) == 3:
        far |= np.abs(np.diff(values[2])) > config.yaw_leap
    if not far.any():
        return
    run = np.concatenate([[0.0], np.cumsum(rolled_speed[:-1] * dt)])
    spun = np.concatenate([[0.0], np.cumsum(np.abs(rolled_yaw_rate[:-1]) * dt)])
    path = np.diff(np.interp(ts, t, run))
    jump = length - 1.5 * path > config.pose_leap
    if len(values) == 3:
        turn = 1.5 * np.diff(np.interp(ts, t, spun))
        jump |= np.abs(np.diff(values[2])) - turn > config.yaw_leap
    jump &= np.diff(ts) < 1.0  # over a longer silence nothing can be said, nor need be
    for i in np.flatnonzero(jump)[:50]:
        a, b = np.searchsorted(t, [ts[i] - dt, ts[i + 1] + dt])
        valid[max(0, a) : b + 1] = False
        step = np.array([v[i + 1] - v[i] for v in values])
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
        shift = (offsets[id(part)], zero)
        ts, values = _unbroken(part, name, ts, values, per_turn, shift, block, findings, config)
        path = (values + (0.5 if counting else 0.0)) * (2 * math.pi / per_turn * wheel.radius_m)
        out[:, k] = np.interp(t, ts + offsets[id(part)], path - path[0])
    return out


def _tracked_pose(
    robot: Robot,
    tracking: np.ndarray,
    gyro: np.ndarray | None,
    dt: float,
    findings: list[Finding],
) -> tuple[np.ndarray, bool] | None:
    """Pose from free wheels: three tell the twist, two the path with the gyro's yaw rate.

    With it whether its heading is the gyro's.
    """
    wheels = robot.tracking_wheels
    rows = tracking_rows(
        np.array([w.x_m for w in wheels]),
        np.array([w.y_m for w in wheels]),
        np.radians([w.heading_deg for w in wheels]),
    )
    speed = np.diff(tracking, axis=0) / dt
    scaled = rows * np.array([1.0, 1.0, 1.0 / robot.size])
    alone = len(wheels) >= 3 and np.linalg.cond(scaled) < 50
    if alone:
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
    return integrate_twist(twist, dt), not alone


def _reference_lag(
    found: tuple[float, float],
    what: str,
    channel: str,
    findings: list[Finding],
    config: AlignmentConfig,
) -> float:
    """Seconds by which a reference lags the wheels; 0 where they do not match."""
    if found[1] < config.peak_least:
        findings.append(
            Finding(
                severity="warning",
                channel=channel,
                text=f"reference and wheels agree badly (correlation {found[1]:.2f}); its latency is "
                "not corrected",
            )
        )
    return _trusted_lag(found, channel, "reference", f"{what}, ", findings, config) or 0.0


def _silent(
    t: np.ndarray, ts: np.ndarray, config: AlignmentConfig
) -> tuple[np.ndarray, np.ndarray]:
    """Where samples tell nothing of the grid: beyond their ends, and in their gaps."""
    gaps = np.zeros(t.size, dtype=bool)
    for k in np.flatnonzero(np.diff(ts) > config.reference_gap):
        gaps[np.searchsorted(t, ts[k], "right") : np.searchsorted(t, ts[k + 1], "right")] = True
    return (t < ts[0] - 0.1) | (t > ts[-1] + 0.1), gaps


def _tell_holes(
    holes: Sequence[tuple[int, int]],
    what: str,
    then: str,
    channel: str,
    t: np.ndarray,
    dt: float,
    findings: list[Finding],
) -> None:
    """Say where a reference is missing."""
    for a, b in holes[:20]:
        findings.append(
            Finding(
                severity="warning",
                channel=channel,
                text=f"no reference {what} for {(b - a) * dt:.2f} s{then}",
                t_start=float(t[a]),
                t_end=float(t[b - 1]),
            )
        )


def _added_up(
    where: dict[str, _Clocked],
    offsets: dict[int, float],
    t: np.ndarray,
    dt: float,
    rolled_speed: np.ndarray,
    headings: tuple[np.ndarray | None, np.ndarray | None],
    still: np.ndarray,
    valid: np.ndarray,
    findings: list[Finding],
    config: AlignmentConfig,
) -> np.ndarray | None:
    """Pose from speeds along the base, turned by the reference's heading, its yaw rate or the gyro.

    `headings` are the reference's and the gyro's. After a gap nothing tells where the base is: `valid`
    leaves gaps out, so that no pass has one.
    """

    def tell(text: str, severity: Literal["warning", "note"] = "warning") -> None:
        findings.append(Finding(severity=severity, channel="ref_v_x", text=text))

    yaw, turned = headings
    axes = ["ref_v_x", "ref_v_y", *(["ref_omega_z"] if "ref_omega_z" in where else [])]
    if yaw is None and turned is None and len(axes) == 2:
        tell("reference speeds are added up along a heading: log ref_omega_z or a gyro. Not used")
        return None
    series = [_series(where[name], name) for name in axes]
    shifts = [offsets[id(where[name])] for name in axes]
    usable = min(ts.size for ts, _ in series)
    if usable < 10:
        tell(f"reference speeds have {usable} usable samples only; not used")
        return None

    def gridded(lag: float) -> np.ndarray:
        columns = [
            _gridded(t, where[name], ts, values, dt, shift - lag)
            for name, (ts, values), shift in zip(axes, series, shifts, strict=True)
        ]
        return np.array(columns).T

    twist = gridded(0.0)
    lively = _liveliest(rolled_speed, dt, config.lag_most)
    known, seen = rolled_speed[lively], plane_length(twist[lively, 0], twist[lively, 1])
    found = find_lag(smooth(known, dt), smooth(seen, dt), dt, config.lag_most)
    lag = _reference_lag(found, "speed", "ref_v_x", findings, config)
    silent = [
        _silent(t, ts + (shift - lag), config)
        for (ts, _), shift in zip(series, shifts, strict=True)
    ]
    ends, unknown = (np.logical_or.reduce(each) for each in zip(*silent, strict=True))
    if np.sum((unknown | ends) & ~still) > 0.5 * np.sum(~still):
        tell("reference speeds are missing in more than half of the driving time; not used")
        return None
    valid &= ~unknown
    _tell_holes(spans(unknown), "speed", "; kept out of the fits", "ref_v_x", t, dt, findings)
    if lag:
        twist = gridded(lag)
    rests = still & valid
    if rests.sum() * dt >= config.rest_time:
        twist -= np.median(twist[rests], axis=0)  # what it reads at rest is bias
    if yaw is not None:
        seen = np.flatnonzero(np.isfinite(yaw))
        heading, turned_by = np.interp(t, t[seen], yaw[seen]), "its own heading"
    elif len(axes) == 3:
        heading, turned_by = integrated(twist[:, 2], dt), "its own yaw rate"
    else:
        assert turned is not None
        heading, turned_by = turned, "the gyro's yaw rate"
    plane = (twist[1:, :2] + twist[:-1, :2]) / 2
    pose = integrate_twist(np.column_stack([plane, np.diff(heading) / dt]), dt)
    c, s = math.cos(heading[0]), math.sin(heading[0])  # it begins with no turn
    pose = np.column_stack([pose[:, :2] @ np.array([[c, s], [-s, c]]), heading])
    pose[unknown | ends] = math.nan
    tell(f"the reference is added up from its speeds, turned by {turned_by}", "note")
    return pose


def _twist_of(pose: np.ndarray, yaw: np.ndarray, dt: float, step: int) -> np.ndarray:
    """Body twist of a pose over steps of `step` samples, by differences."""
    ends = pose[::step, :2]
    turn = yaw[::step]
    world = np.diff(ends, axis=0) / (step * dt)
    mid = (turn[1:] + turn[:-1]) / 2
    cosine, sine = np.cos(mid), np.sin(mid)
    return np.stack(
        [
            cosine * world[:, 0] + sine * world[:, 1],
            -sine * world[:, 0] + cosine * world[:, 1],
            np.diff(turn) / (step * dt),
        ],
        axis=1,
    )


def _own_reference(
    reference: np.ndarray,
    rolled: np.ndarray,
    dt: float,
    still: np.ndarray,
    findings: list[Finding],
    channel: str = "ref_x",
) -> np.ndarray | None:
    """Tell a reference that was computed from the wheels, or has another unit; None for the first."""
    moving = ~still & np.isfinite(reference).all(axis=1)
    if moving.sum() * dt < 5.0:
        return reference
    step = max(1, round(0.5 / dt))
    body = _twist_of(reference, reference[:, 2], dt, step)
    mine = np.add.reduceat(rolled, np.arange(0, rolled.shape[0], step), axis=0)[: len(body)] / step
    use = moving[: len(body) * step : step][: len(body)] & np.isfinite(body).all(axis=1)
    mine, body = mine[use], body[use]
    dt = step * dt
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
                    channel=channel,
                    text=f"reference covers {ratio:.3g} of the distance that the wheels roll{hint} Give "
                    "its unit in the robot file, or mend radius_m and counts_per_turn",
                )
            )
    # Rollers hand over and creep, and a pose has noise of its own: no base goes just as its wheels say.
    away = []
    for axis, least in ((0, 0.05), (1, 0.05), (2, 0.2)):
        strong = np.abs(mine[:, axis]) > max(
            least, 0.5 * float(np.max(np.abs(mine[:, axis]), initial=0.0))
        )
        if strong.sum() * dt < 2.0:
            if axis == 2:
                continue
            return reference
        ratio = body[strong, axis] / mine[strong, axis]
        middle = float(np.median(ratio))
        away.append(max(abs(middle - 1), float(np.median(np.abs(ratio - middle)))))
    if max(away) < 3e-3:
        findings.append(
            Finding(
                severity="error",
                channel=channel,
                text=f"reference follows the wheels to {100 * max(away):.2f} %, sideways too: it is "
                "computed from them and tells nothing new. Not used",
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
    wheel_angle: np.ndarray,
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
    speed = np.diff(wheel_angle[::step], axis=0) / (step * dt)
    count = speed.shape[0]
    good = use[::step][:count] & use[step::step][:count]
    twist = None
    if reference is not None and yaw is not None:
        twist = _twist_of(reference, yaw, dt, step)
        good &= np.isfinite(twist).all(axis=1)
        twist = twist[good]
    speed = speed[good]
    if speed.shape[0] < 30:
        return {}
    energy = float(np.sum(speed**2))
    choices = np.array(np.meshgrid(*[[1.0, -1.0]] * w, indexing="ij")).reshape(w, -1).T
    if twist is not None:
        seen = twist
        asked = rows @ seen.T  # a row a wheel
        # Ahead and astern alone: sideways a wrong lean looks like a wrong sign.
        straight = np.abs(seen[:, 0]) > 2 * np.abs(seen[:, 1])
        straight &= np.abs(asked).max(axis=0) > 1.0
        if straight.sum() < 20:
            return {}
        a, b = speed.T[:, straight], asked[:, straight]
        agree = np.sum(a * b, axis=1) / np.sqrt(np.sum(a**2, axis=1) * np.sum(b**2, axis=1) + 1e-30)
        against = np.flatnonzero(agree < -0.7)
        if not against.size or _frame_explains(speed, seen, rows):
            return {}
        said = "ahead and astern its speed and the speed that the reference asks of it have correlation"
        return {
            robot.wheel_names[k]: f"{said} {agree[k]:+.2f}, the best wheel {agree.max():+.2f}"
            for k in against
        }
    if gyro is None:
        return {}
    turns = np.add.reduceat(gyro, np.arange(0, gyro.size, step))[:count] / step
    rate = turns[good]
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
    samples: tuple[np.ndarray, np.ndarray],
    rolled_turn: np.ndarray,
    turn_quantum: float,
    findings: list[Finding],
    config: AlignmentConfig,
) -> tuple[np.ndarray, dict[str, Estimate]]:
    """Take the bias out that the rests show, less what the wheels still creep there.

    `still` leaves out where the gyro is stuck: as still as a rest, it tells nothing of the bias.
    """
    # After a pass the body still settles when the wheels already stand.
    settle, trim = max(1, round(config.settle_time / dt)), max(1, round(0.05 / dt))
    rests = [
        (a + settle, b - trim)
        for a, b in spans(still)
        if (b - a - settle - trim) * dt >= config.rest_time
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
    # Noise is that of the samples as logged: the grid lies between them and is quieter.
    ts, raw = samples
    ends = np.searchsorted(ts, [(t[a], t[b - 1]) for a, b in rests])
    spread = np.array([raw[a:b].std() if b > a else 0.0 for a, b in ends])
    rate = 1.0 / float(np.median(np.diff(ts[:4000])))
    density = float(np.sqrt(np.average(spread**2, weights=lengths)) / math.sqrt(rate))
    # Rests are short: a rest of length T knows the bias to density / sqrt(T) (IEEE 952: white
    # noise averages so). Where the rests disagree by more than that, the bias wanders and is
    # followed; where they agree, one mean is better.
    # A turn read from counts is known to the rounding of both ends, a quantum / sqrt(6); and a base
    # settles a little in its lash and on its rollers while the wheels stand.
    rounding = math.hypot(turn_quantum / math.sqrt(6.0), config.settling) / lengths
    expected = np.maximum(np.sqrt(density**2 / lengths + rounding**2), 1e-9)
    weights = expected**-2.0 / np.sum(expected**-2.0)
    mean = float(weights @ means)
    chi2 = float(np.sum(((means - mean) / expected) ** 2))
    wanders = len(rests) >= 2 and chi2 > 2.0 * len(rests)
    if wanders:
        followed, gain = random_walk(middle, means, expected)
        wanders = gain > WANDER_GAIN
    if wanders:
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
    error = max(scatter, float(np.sum(expected**-2.0)) ** -0.5)
    count = int(sum((b - a) for a, b in rests))
    return gyro, {
        "gyro_bias_rad_s": Estimate.of(mean, error, "rad/s", dof=max(1, len(rests) - 1)),
        "gyro_noise_density": Estimate.of(
            density, density / math.sqrt(2 * max(1, count - 1)), "rad/s/sqrt(Hz)"
        ),
    }


def random_walk(t: np.ndarray, seen: np.ndarray, error: np.ndarray) -> tuple[np.ndarray, float]:
    """A value that wanders, from readings that scatter at least by their known errors.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Times of the readings, rising. [s]
    seen, error : ndarray, shape (n,)
        Readings and their standard errors.

    Returns
    -------
    value : ndarray, shape (n,)
        The value at the readings: smoothed over all of them for a random walk (IEEE 952, rate
        random walk). Strength of the walk, and a factor of one or more on the errors, are those that
        make the readings most likely: scatter without memory is not followed.
    gain : float
        Twice the log likelihood ratio to a value that stands still. [-]

    Notes
    -----
    Kalman filter and Rauch-Tung-Striebel smoother of the local level model.
    """
    wide = float(np.ptp(seen)) ** 2 + float(np.max(error)) ** 2
    # From a walk that adds nothing to one that alone explains the range within a second.
    strength, factor = (
        g.ravel() for g in np.meshgrid(wide * np.logspace(-8, 0, 25), 1.4 ** np.arange(13))
    )
    steps = np.diff(t)
    mean, var = np.full(strength.size, seen[0]), (factor * error[0]) ** 2
    cost = np.zeros(strength.size)
    level, spread, ahead = [mean], [var], []
    for step, value, sd in zip(steps.tolist(), seen[1:].tolist(), error[1:].tolist(), strict=True):
        before = var + strength * step
        total = before + (factor * sd) ** 2
        cost += np.log(total) + (value - mean) ** 2 / total
        gain = before / total
        mean, var = mean + gain * (value - mean), (1 - gain) * before
        level.append(mean)
        spread.append(var)
        ahead.append(before)
    best = int(np.argmin(cost))
    out = np.array([m[best] for m in level])
    for k in range(len(ahead) - 1, -1, -1):
        out[k] += spread[k][best] / ahead[k][best] * (out[k + 1] - out[k])
    return out, float(np.min(cost[strength == strength.min()]) - cost[best])


def _gyro_against(
    yaw: np.ndarray,
    turned: np.ndarray,
    rolled_yaw_rate: np.ndarray,
    dt: float,
    imu: dict[str, Estimate],
    findings: list[Finding],
) -> None:
    """Scale and sign of the gyro's own heading against the reference, over one-second steps."""
    step = max(1, round(1.0 / dt))
    a, b = np.diff(yaw[::step]), np.diff(turned[::step])
    use = np.isfinite(a) & np.isfinite(b)
    a, b = a[use], b[use]
    strong = np.abs(a) > 0.1
    if strong.sum() < 4:
        imu["gyro_scale"] = Estimate.undetermined("", "too few turns; turn on the spot both ways")
        return
    imu["gyro_scale"] = found = slope_through_origin(a, b, "")
    scale, error = float(found.value or 0.0), float(found.std_error or 0.0)
    rest = b - scale * a
    # What is left is the bias; over a quarter of a minute it must not move.
    edges = np.linspace(0, rest.size, max(1, rest.size // 15) + 1).astype(int)
    size = np.diff(edges)
    level = np.add.reduceat(rest, edges[:-1]) / size
    # A walk that is followed keeps within the levels.
    if size.size >= 4 and np.ptp(level) / (step * dt) > GYRO_WANDER:
        spread = np.add.reduceat((rest - np.repeat(level, size)) ** 2, edges[:-1]) / (size - 1)
        noise = float(np.median(np.sqrt(spread / size))) / (step * dt)
        level /= step * dt
        scatter = np.full(level.size, max(noise, 1e-9))
        # A part that ends within a turn is off by the reference's delay: that has no memory.
        followed, gain = random_walk(np.arange(level.size, dtype=float), level, scatter)
        if gain > WANDER_GAIN and np.ptp(followed) > GYRO_WANDER:
            findings.append(
                Finding(
                    severity="warning",
                    channel="omega_z",
                    text=f"gyro bias wanders by {math.degrees(np.ptp(followed)):.2f} °/s against the "
                    "reference heading",
                )
            )
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


def _slow(values: np.ndarray, dt: float) -> np.ndarray:
    """What is slower than a second: smoothed over means of a tenth, with straight lines between.

    What means and lines smooth by themselves comes off the kernel's variance [derived: m values
    spread by (m^2 - 1) / 12, a triangle of that foot by m^2 / 6].
    """
    m = max(1, round(0.1 / dt))
    if m == 1 or values.size < 10 * m:
        return smooth(values, dt, 1.0)
    n, full = values.size, values.size // m
    means = np.empty(-(-n // m) + 2)
    means[1 : full + 1] = values[: full * m].reshape(full, m).mean(axis=1)
    means[0], means[full + 1 :] = values[0], values[-1]
    if full * m < n:  # the last block, filled up with the last value
        means[full + 1] += (values[full * m :] - values[-1]).sum() / m
    sigma = math.sqrt(1.0 - ((m**2 - 1) / 12 + m**2 / 6) * dt**2)
    means = smooth(means, m * dt, sigma)
    # A block of m lies between the middles of three means.
    at = (np.arange(m) + (m + 1) / 2) / m
    weight = np.maximum(1 - np.abs(at - np.arange(3)[:, None]), 0)
    triples = np.lib.stride_tricks.sliding_window_view(means, 3)
    return np.asarray(triples @ weight).reshape(-1)[:n]


def _heading(
    reference: np.ndarray, turned: np.ndarray | None, dt: float, imu: dict[str, Estimate]
) -> np.ndarray:
    """Reference heading with the gyro's own between its samples, where the two agree.

    The gyro carries what is faster than a second, the reference what is slower
    (complementary filter). A gyro off by more than 5 % is left out.
    """
    known = np.isfinite(reference)
    scale = imu.get("gyro_scale")
    if turned is None or (
        scale is not None and scale.value is not None and abs(scale.value - 1) > 0.05
    ):
        return reference.copy()
    if scale is not None and scale.value is not None:
        turned = turned / scale.value
    away = reference - turned
    whole = bool(known.all())
    there = away if whole else away[known]
    slow = _slow(there, dt)
    there -= slow
    if float(np.mean(np.abs(there, out=there) > 0.03)) > 0.05:
        return reference.copy()
    if whole:
        slow += turned
        return slow
    away[~known] = 0.0
    weight = _slow(known.astype(float), dt)
    slow = _slow(away, dt) / np.maximum(weight, 1e-6)
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
        ts, raw = _series(part, "ref_yaw")
        pose = np.full((t.size, 3), np.nan, order="F")
        pose[:, 2] = _gridded(t, part, ts, unwrapped(raw), dt, offsets[id(part)])
        return pose, ""
    part = where["ref_x"]
    use = part.keep.copy()
    columns = ["ref_x", "ref_y"] + (["ref_yaw"] if where.get("ref_yaw") is part else [])
    for name in columns:
        if name not in part.channels:
            use[:] = False
        elif not part.full(name):
            use &= np.isfinite(part.channels[name])
    ts = part.t if use.all() else part.t[use]
    if ts.size < 10:
        return None, f"reference pose has {ts.size} usable samples only; not used"
    values = [part.channels[c] if use.all() else part.channels[c][use] for c in columns]
    if len(columns) == 3:
        values[2] = unwrapped(values[2])
    # Flicker: a sample far from the median of its neighbours, on a scale of what motion allows.
    limits = (0.03, 0.03, 0.1)[: len(columns)]
    # Steps below half of it cannot leave a sample that far from its neighbours.
    if ts.size >= 7 and _any_step_beyond(values, [limit / 2 for limit in limits]):
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
                    t_start=float(ts[flicker][0] + offsets[id(part)]),
                    t_end=float(ts[flicker][-1] + offsets[id(part)]),
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
        frozen = [s for s in spans(same) if ts[s[1] - 1] - ts[s[0]] >= config.frozen_time]
        for a, b in frozen[:20]:
            findings.append(
                Finding(
                    severity="warning",
                    channel="ref_x",
                    text=f"reference pose is frozen for {ts[b - 1] - ts[a]:.2f} s while the wheels turn; "
                    "left out",
                    t_start=float(ts[a] + offsets[id(part)]),
                    t_end=float(ts[b - 1] + offsets[id(part)]),
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
                    t_start=float(ts[same][0] + offsets[id(part)]),
                    t_end=float(ts[same][-1] + offsets[id(part)]),
                )
            )
        ts, values = ts[~same], [v[~same] for v in values]
    if ts.size < 10:
        return None, "reference pose is frozen; not used"
    thin, offset = _thinning(part, ts, dt), offsets[id(part)]
    values = [thin.mean(v) for v in values]

    def grid(axis: int, stretch: slice, lag: float) -> np.ndarray:
        there = t[stretch]
        return thin.on_grid(there - there[0], dt, values[axis], offset - lag - float(there[0]))

    def sought(known: np.ndarray, seen: Callable[[slice], np.ndarray]) -> tuple[float, float]:
        stretch = _liveliest(known, dt, config.lag_most)
        return find_lag(smooth(known[stretch], dt, 0.06), seen(stretch), dt, config.lag_most)

    def rate(axis: int, stretch: slice) -> np.ndarray:
        return np.asarray(np.gradient(smooth(grid(axis, stretch, 0.0), dt, 0.06), dt))

    best = (*sought(rolled_speed, lambda s: plane_length(rate(0, s), rate(1, s))), "speed")
    if len(columns) == 3:
        # Two true yaw rates match better than a true one and a rolled one, which slip parts.
        rate_known = rolled_yaw_rate if gyro is None else gyro
        other = sought(rate_known, lambda s: rate(2, s))
        if other[1] > max(best[1], 0.9):
            best = (*other, "yaw rate")
    lag = _reference_lag(best[:2], best[2], "ref_x", findings, config)
    ts = thin.t + (offset - lag)
    pose = np.full((t.size, 3), np.nan, order="F")
    for axis in range(len(values)):
        pose[:, axis] = grid(axis, slice(None), lag)
    _pose_leaps(ts, values, t, dt, rolled_speed, rolled_yaw_rate, valid, findings, config)
    unknown = np.logical_or(*_silent(t, ts, config))
    pose[unknown] = np.nan
    # Between joined takes the wheels are taken to stand, and so is the reference.
    for join in np.array(part.source.joins) + offsets[id(part)]:
        for at in (ts[ts < join - 1e-9][-1:], ts[ts >= join - 1e-9][:1]):
            near = np.abs(t - at) <= config.join_margin if at.size else np.zeros(t.size, dtype=bool)
            near &= unknown
            for axis in range(len(columns)):
                pose[near, axis] = np.interp(at, ts, values[axis]) if at.size else math.nan
            unknown &= ~near
    holes = [s for s in spans(unknown) if (s[1] - s[0]) * dt > config.reference_gap]
    _tell_holes(holes, "pose", "", "ref_x", t, dt, findings)
    if len(columns) == 2 and "ref_yaw" in where:
        heading = where["ref_yaw"]
        tt, yaw = _series(heading, "ref_yaw")
        shift = offsets[id(heading)] - lag
        pose[:, 2] = _gridded(t, heading, tt, unwrapped(yaw), dt, shift)
    return pose, ""
