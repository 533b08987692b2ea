"""Stamps and clocks: sources of a recording on their way to one even grid."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from analyzer.quantities import Finding, extent
from analyzer.run import Source
from analyzer.signals import shifted, smooth, steps_in_pieces, unwrapped


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentConfig:
    """Thresholds of alignment, each with unit and origin."""

    shortest_step: float = 0.02
    """Finest grid step [s], about: the smoothing kernel passes nothing above 13 Hz (to 1 % of the
    power), half of what this step can carry; faster logs are averaged down to it, which keeps what
    their samples know of noise and encoder quanta."""
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
    leaps_apart: float = 5.0
    """Driving time from jump to jump below which a pose or heading is not used at all [s]: a pass
    takes about three seconds, and hardly one would be left."""
    join_margin: float = 0.4
    """Part of the pause between joined takes that stays usable at both ends [s]: the kernels of
    smoothing reach so far."""
    late_share: float = 0.3
    """Share of rows that follow at under a fifth of the mean step, from which stamps are those of
    arrival in bursts [-]."""


DEFAULT = AlignmentConfig()
TOLD = 20
"""Places of one kind and channel that are told one by one [-]; the others in one finding."""


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


@dataclass(slots=True, kw_only=True)
class Clocked:
    """A source whose stamps were looked at: `keep` are the rows that count, `whole` whether all do."""

    source: Source
    t: np.ndarray
    keep: np.ndarray
    whole: bool
    channels: dict[str, np.ndarray]
    thinning: Thinning | None = None
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

    def series(self, name: str) -> tuple[np.ndarray, np.ndarray]:
        """Stamps and values of a channel where it has numbers."""
        values = self.channels[name]
        if self.whole and self.full(name):
            return self.t, values
        use = self.keep & np.isfinite(values)
        return self.t[use], values[use]

    def full(self, name: str) -> bool:
        """Whether a channel has a number in every place."""
        return all(map(math.isfinite, self.extent(name)))

    def clean(self, name: str, bad: np.ndarray) -> None:
        """Take samples out of a channel."""
        cleaned = self.channels[name].astype(np.float64)
        cleaned[bad] = np.nan
        self.channels[name] = cleaned
        self.ends.pop(name, None)

    def thinned(self, ts: np.ndarray, dt: float) -> Thinning:
        """How stamps of it are thinned; worked out once for those of most channels."""
        if ts is not self.t:
            return Thinning.of(ts, dt)
        if self.thinning is None:
            self.thinning = Thinning.of(ts, dt)
        return self.thinning

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


def clocked(source: Source, findings: list[Finding], problems: list[str]) -> Clocked | None:
    """Look at the stamps of a source: what repeats or runs backwards is left out.

    Parameters
    ----------
    source : Source
        As read.
    findings, problems : list
        Added to: what was left out; why the source cannot be used.

    Returns
    -------
    Clocked or None
        None where there is a problem.
    """
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
    return Clocked(
        source=light,
        t=t,
        keep=keep,
        whole=whole,
        channels=dict(source.channels),
        ends=dict(source.extents),
    )


def samples_of(span: float, step: float) -> int:
    """Count the samples that a mean over a span takes in; a quarter of one may lie beyond it.

    Parameters
    ----------
    span, step : float
        Span and sample distance. [s]

    Returns
    -------
    int
        0 where the samples are farther apart.
    """
    return int(span / step + 0.25)


@dataclass(slots=True, kw_only=True)
class Thinning:
    """How samples that come faster than the grid are averaged, so that nothing folds into it."""

    size: int
    count: int
    whole: np.ndarray | None
    t: np.ndarray
    even: bool | None = None

    @classmethod
    def of(cls, ts: np.ndarray, dt: float) -> Thinning:
        """For stamps, shape (n,), on a grid of step `dt`. [s]"""
        step = float(np.median(np.diff(ts[:4000]))) if ts.size > 3 else 0.0
        size = samples_of(dt, step) if step > 0 else 1
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
        """Means of values, shape (n,), one for each thinned stamp."""
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


def gaps_in(t: np.ndarray, usual: float, config: AlignmentConfig) -> list[tuple[float, float]]:
    """Find the gaps of a clock.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Stamps, rising. [s]
    usual : float
        Their median step. [s]
    config : AlignmentConfig
        What counts as a gap.

    Returns
    -------
    list of (float, float)
        Stamps before and after. [s]
    """
    limit = max(config.gap_steps * usual, config.gap_least)
    long = [a + i for a, step in steps_in_pieces(t) for i in np.flatnonzero(step > limit).tolist()]
    return [(float(t[i]), float(t[i + 1])) for i in long]


def even_out_bursts(part: Clocked, findings: list[Finding], config: AlignmentConfig) -> None:
    """Put rows that arrive late in bursts back on the even clock they were sent by.

    Parameters
    ----------
    part : Clocked
        Changed in place.
    findings : list
        Added to.
    config : AlignmentConfig
        What counts as late.

    Notes
    -----
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


Severity = Literal["note", "warning", "error"]
Span = tuple[float, float]


@dataclass(slots=True, kw_only=True)
class Grid:
    """The even grid of a run in the making: what lies on it, and what is still to come onto it.

    Attributes
    ----------
    t : ndarray, shape (n,)
        Times. [s]
    dt : float
        Step. [s]
    valid : ndarray of bool, shape (n,)
        Samples that fits may use; fewer as faults are found.
    where : dict of str to Clocked
        Channel to the part that holds it.
    offsets : dict of int to float
        Per part (`id`), what brings its stamps onto the grid's clock. [s]
    findings : list of Finding
        Added to.
    config : AlignmentConfig
        Thresholds.
    still : ndarray of bool, shape (n,)
        Whether the wheels rest; empty before they are on the grid, as the next two.
    rolled : ndarray, shape (n, 3)
        Twist that the wheels roll. [m/s, m/s, rad/s]
    rolled_speed : ndarray, shape (n,)
        Its length in the plane. [m/s]
    """

    t: np.ndarray
    dt: float
    valid: np.ndarray
    where: dict[str, Clocked]
    offsets: dict[int, float]
    findings: list[Finding]
    config: AlignmentConfig
    still: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=bool))
    rolled: np.ndarray = field(default_factory=lambda: np.zeros((0, 3)))
    rolled_speed: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def tell(self, severity: Severity, channel: str, text: str, span: Span | None = None) -> None:
        """Add a finding, with its time span where it has one. [s]"""
        start, stop = (None, None) if span is None else (float(span[0]), float(span[1]))
        self.findings.append(
            Finding(severity=severity, channel=channel, text=text, t_start=start, t_end=stop)
        )

    def tell_places(
        self, severity: Severity, channel: str, places: Sequence[tuple[str, Span]]
    ) -> None:
        """Add what was found at many places, text and span each, in a number that can be read."""
        told = len(places) if len(places) <= TOLD + 1 else TOLD
        for text, span in places[:told]:
            self.tell(severity, channel, text, span)
        if told < len(places):
            (text, (start, _)), (_, (_, stop)) = places[told], places[-1]
            more = f"{len(places) - told} more such places, the first of them: {text}"
            self.tell(severity, channel, more, (start, stop))

    def block(self, start: float, stop: float) -> None:
        """Keep a span out of the fits. [s]"""
        first = max(0, math.floor(start / self.dt))
        self.valid[first : math.ceil(stop / self.dt) + 1] = False

    def offset(self, part: Clocked) -> float:
        """Seconds to add to a part's stamps to be on the grid's clock."""
        return self.offsets[id(part)]

    def placed(self, part: Clocked, ts: np.ndarray, values: np.ndarray, shift: float) -> np.ndarray:
        """Samples of a part thinned and brought onto the grid; `shift` is added to the stamps. [s]"""
        thin = part.thinned(ts, self.dt)
        return thin.on_grid(self.t, self.dt, thin.mean(values), shift)

    def channel(self, name: str, *, lag: float = 0.0, angle: bool = False) -> np.ndarray | None:
        """A channel on the grid, `lag` seconds earlier; None where there is hardly a sample."""
        part = self.where.get(name)
        if part is None:
            return None
        ts, values = part.series(name)
        if ts.size < 3:
            return None
        return self.placed(
            part, ts, unwrapped(values) if angle else values, self.offset(part) - lag
        )

    def last(self, name: str) -> np.ndarray | None:
        """A channel on the grid, for the last time: its samples go."""
        values = self.channel(name)
        if name in self.where:
            self.where.pop(name).channels.pop(name, None)
        return values

    def stacked(self, prefix: str, wheels: Sequence[str]) -> np.ndarray | None:
        """A channel of every wheel, shape (n, w), for the last time; None where one is missing."""
        if any(f"{prefix}_{w}" not in self.where for w in wheels):
            return None
        out = np.empty((self.t.size, len(wheels)), order="F")
        for k, w in enumerate(wheels):
            column = self.last(f"{prefix}_{w}")
            if column is None:
                return None
            out[:, k] = column
        return out

    def trusted_lag(
        self, found: tuple[float, float], channel: str, name: str, what: str = ""
    ) -> float | None:
        """A lag that stands out, not at the border of the search, told where it counts; else None."""
        lag, peak = found
        if peak < self.config.peak_least or abs(lag) >= 0.9 * self.config.lag_most:
            return None
        if abs(lag) > 0.002:
            way = "lags" if lag > 0 else "leads"
            text = (
                f"{name} {way} the wheels by {1e3 * abs(lag):.1f} ms; shifted "
                f"({what}correlation {peak:.3f})"
            )
            self.tell("note", channel, text)
        return lag
