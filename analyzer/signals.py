"""Arrays on an even grid, and series before they are: smoothing, lags, spans, steps. Arrays only."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from functools import lru_cache

import numpy as np

SMOOTHING = 0.025
"""Gaussian kernel of every derivative [s]: below it encoder quanta dominate (bench work)."""
PIECE = 16_384
"""Samples at a time that stay in the processor's cache: long arrays go three times as fast."""
BLOCK = 16
"""Samples of a row where smoothing is a product of matrices."""


def smooth(
    values: np.ndarray, dt: float, sigma: float = SMOOTHING, *, every: int = 1
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


def slow_part(values: np.ndarray, dt: float) -> np.ndarray:
    """What is slower than a second: smoothed over means of a tenth, with straight lines between.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values on an even grid.
    dt : float
        Grid step. [s]

    Returns
    -------
    ndarray, shape (n,)
        In the unit of the values.

    Notes
    -----
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
    jumps = [a + np.flatnonzero(np.abs(step) > math.pi) for a, step in steps_in_pieces(angle)]
    at = np.concatenate([np.zeros(0, dtype=int), *jumps])
    if not at.size:
        return angle
    turns = np.round((angle[at + 1] - angle[at]) / (2 * math.pi))
    so_far = np.concatenate([[0.0], np.cumsum(turns)])
    edges = np.concatenate([[0], at + 1, [angle.size]])
    out = np.repeat(-2 * math.pi * so_far, np.diff(edges))
    out += angle
    return out


def steps_in_pieces(values: np.ndarray) -> Iterator[tuple[int, np.ndarray]]:
    """Go through the steps from each value to the next, by pieces that stay in the cache.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values.

    Yields
    ------
    (int, ndarray)
        Place of the first step of a piece, and its steps.
    """
    for a in range(0, values.size - 1, PIECE):
        piece = values[a : a + PIECE + 1]
        yield a, piece[1:] - piece[:-1]


def largest_step(values: np.ndarray) -> float:
    """Largest step between neighbours.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values.

    Returns
    -------
    float
        Its size; 0 for less than two values.
    """
    return max(
        (max(float(step.max()), -float(step.min())) for _, step in steps_in_pieces(values)),
        default=0.0,
    )


def any_step_beyond(series: Sequence[np.ndarray], limits: Sequence[float]) -> bool:
    """Tell whether any of some series has a step between neighbours beyond its limit.

    Parameters
    ----------
    series : sequence of ndarray
        Series.
    limits : sequence of float
        One for each, in its unit.

    Returns
    -------
    bool
        True at the first.
    """
    return any(largest_step(v) > limit for v, limit in zip(series, limits, strict=True))


def far_samples(values: np.ndarray, least: float) -> np.ndarray:
    """Find samples far from the median of their neighbours, beyond noise and beyond `least`.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Samples.
    least : float
        Least distance that counts, in the unit of the samples.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where far.
    """
    if values.size < 5 or not largest_step(values) > least / 2:
        return np.zeros(values.size, dtype=bool)  # smaller steps leave no sample that far off
    from scipy import ndimage

    away = np.abs(values - ndimage.median_filter(values, size=5, mode="nearest"))
    noise = 1.4826 * float(np.median(away[away > 0])) if np.any(away > 0) else 0.0
    out: np.ndarray = away > max(least, min(12 * noise, 4 * least))
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
    start, stop = edges_of(mask)
    return list(zip(start.tolist(), stop.tolist(), strict=True))


def edges_of(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Find where stretches of True begin and end.

    Parameters
    ----------
    mask : ndarray of bool, shape (n,)
        Samples.

    Returns
    -------
    (ndarray of int, ndarray of int), each of shape (k,)
        First places, and those after the last.
    """
    framed = np.concatenate([[False], mask, [False]])
    edges = np.flatnonzero(framed[1:] != framed[:-1])
    return edges[::2], edges[1::2]


def grown(mask: np.ndarray, width: int) -> np.ndarray:
    """Widen every span of a mask by `width` samples at both ends.

    Parameters
    ----------
    mask : ndarray of bool, shape (n,)
        Samples.
    width : int
        Samples.

    Returns
    -------
    ndarray of bool, shape (n,)
        The mask itself where nothing widens.
    """
    if width < 1 or not mask.any():
        return mask
    out = mask.copy()
    for a, b in spans(mask):
        out[max(0, a - width) : b + width] = True
    return out


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


LAG_SPAN = 30_000
"""Samples that suffice to find a short lag; a longer recording is searched where it moves most."""


def liveliest(values: np.ndarray, dt: float, lag_most: float) -> slice:
    """Choose the stretch with the most energy that suffices to find a lag.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values on an even grid.
    dt : float
        Grid step. [s]
    lag_most : float
        Largest lag that will be searched. [s]

    Returns
    -------
    slice
        Samples; all of them where the lag may be long.
    """
    if values.size <= LAG_SPAN or lag_most >= LAG_SPAN * dt / 8:
        return slice(None)
    many = 30  # blocks to a span: the stretch begins with one
    block = LAG_SPAN // many
    blocks = values[: values.size // block * block].reshape(-1, block)
    energy = np.concatenate([[0.0], np.cumsum(np.einsum("bk,bk->b", blocks, blocks))])
    start = block * int(np.argmax(energy[many:] - energy[:-many]))
    return slice(start, start + LAG_SPAN)


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
    lively = liveliest(signal_a, dt, lag_most)
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
