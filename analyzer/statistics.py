"""Before against after: difference with interval, permutation, effect size, Holm, equivalence.

Arrays in, frozen results out. The observation is the pass; where a side has several recordings
the recording is the observation, because passes of one sitting share whatever that sitting had.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special, stats

EXACT_MOST = 20_000
"""Most regroupings that are counted one by one."""
DRAWS = 4_999
"""Regroupings drawn where there are more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """After less before, with what is known about its error.

    Attributes
    ----------
    value, std_error : float
        Difference of the means and its standard error. [unit of the values]
    dof : float
        Degrees of freedom of the standard error; infinite where it is known.
    statistic, p_value : float
        Student's t and its two-sided p.
    low, high : float
        95 % interval.
    """

    value: float
    std_error: float
    dof: float
    statistic: float
    p_value: float
    low: float
    high: float


def student(value: float, std_error: float, dof: float) -> Difference:
    """Interval and two-sided p of a difference with a known form of error.

    Parameters
    ----------
    value, std_error : float
        Difference and its standard error.
    dof : float
        Degrees of freedom; ``math.inf`` for the normal distribution.

    Returns
    -------
    Difference
        With Student's t at `dof`. A zero error with a zero difference gives p = 1.
    """
    if std_error == 0:
        p = 1.0 if value == 0 else 0.0
        t = 0.0 if value == 0 else math.copysign(math.inf, value)
        return Difference(
            value=value, std_error=0.0, dof=dof, statistic=t, p_value=p, low=value, high=value
        )
    t = value / std_error
    half = _quantile(0.975, dof) * std_error
    return Difference(
        value=value,
        std_error=std_error,
        dof=dof,
        statistic=t,
        p_value=float(2 * _tail(abs(t), dof)),
        low=value - half,
        high=value + half,
    )


def _quantile(probability: float, dof: float) -> float:
    if math.isinf(dof):
        return float(special.ndtri(probability))
    return float(special.stdtrit(dof, probability))


def _tail(t: float, dof: float) -> float:
    """P(T > t)."""
    if math.isinf(dof):
        return float(special.ndtr(-t))
    return float(special.stdtr(dof, -t))


def welch_from_summary(
    before: tuple[float, float, int], after: tuple[float, float, int]
) -> Difference:
    """Welch's test from mean, standard deviation and count of each side.

    Parameters
    ----------
    before, after : tuple of (mean, standard deviation, count)
        Summary of each side; counts of two and more.

    Returns
    -------
    Difference
        After less before.

    Raises
    ------
    ValueError
        Where a side has fewer than two values.

    Notes
    -----
    Welch, Biometrika 34 (1947) 28; degrees of freedom after Satterthwaite (1946).
    """
    if min(before[2], after[2]) < 2:
        msg = "Welch's test needs two values and more on each side"
        raise ValueError(msg)
    parts = [(sd**2 / n, n - 1) for _, sd, n in (before, after)]
    return _satterthwaite(after[0] - before[0], [(v, d) for v, d in parts])


def _satterthwaite(value: float, parts: Sequence[tuple[float, float]]) -> Difference:
    """Sum variances (variance, degrees of freedom); those with infinite dof count as known."""
    variance = sum(v for v, _ in parts)
    uncertain = sum(v**2 / d for v, d in parts if not math.isinf(d))
    dof = variance**2 / uncertain if uncertain > 0 else math.inf
    return student(value, math.sqrt(variance), min(dof, 1e6) if uncertain > 0 else math.inf)


def welch(before: np.ndarray, after: np.ndarray) -> Difference:
    """Welch's test of two samples with unequal variances.

    Parameters
    ----------
    before, after : ndarray, shape (n,) and (m,)
        Values, two and more each.

    Returns
    -------
    Difference
        After less before.
    """
    return welch_from_summary(
        (float(before.mean()), float(before.std(ddof=1)), before.size),
        (float(after.mean()), float(after.std(ddof=1)), after.size),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stratum:
    """Matched passes: one kind, one direction, one speed.

    Attributes
    ----------
    before, after : ndarray, shape (n,) and (m,)
        One value a pass.
    before_recording, after_recording : ndarray of int
        Number of the recording that each pass stems from.
    """

    before: np.ndarray
    after: np.ndarray
    before_recording: np.ndarray
    after_recording: np.ndarray

    @property
    def weight(self) -> float:
        """Harmonic count: what this stratum can tell about the difference."""
        n, m = self.before.size, self.after.size
        return n * m / (n + m)


def stratified_difference(strata: Sequence[Stratum], *, floor: float = 0.0) -> Difference:
    """Difference over matched strata, Welch within each, with a floor for what repeats share.

    Parameters
    ----------
    strata : sequence of Stratum
        One and more; each with at least one pass a side, and two in some.
    floor : float
        Standard error, of one recording's mean, that its own repeats do not show. It counts as
        known and enters once for each recording. Zero where both sides are of one recording.

    Returns
    -------
    Difference
        Weighted by harmonic counts. Where a side has several recordings the error is that of
        their means, if larger.

    Raises
    ------
    ValueError
        Where no pass is repeated, so that there is no scatter and no floor either.
    """
    weights = np.array([s.weight for s in strata])
    weights = weights / weights.sum()
    steps = np.array([s.after.mean() - s.before.mean() for s in strata])
    value = float(weights @ steps)
    groups = [
        (w, side) for w, s in zip(weights, strata, strict=True) for side in (s.before, s.after)
    ]
    spare = sum(g.size - 1 for _, g in groups)
    if spare == 0 and floor == 0:
        msg = "no pass is repeated: no scatter to judge by"
        raise ValueError(msg)
    pooled = sum(float(((g - g.mean()) ** 2).sum()) for _, g in groups) / max(spare, 1)
    parts: list[tuple[float, float]] = []
    lone = 0.0
    for w, g in groups:
        if g.size > 1:
            parts.append((w**2 * float(g.var(ddof=1)) / g.size, g.size - 1))
        else:
            lone += w**2 * pooled
    if lone > 0:
        parts.append((lone, spare))
    counts = _recordings(strata)
    parts.append((floor**2 * sum(1 / c for c in counts), math.inf))
    plain = _satterthwaite(value, parts)
    clustered = _clustered(strata, value)
    if clustered is None or clustered.std_error < plain.std_error:
        return plain
    return clustered


def _recordings(strata: Sequence[Stratum]) -> tuple[int, int]:
    before = np.unique(np.concatenate([s.before_recording for s in strata])).size
    after = np.unique(np.concatenate([s.after_recording for s in strata])).size
    return before, after


def recording_means(strata: Sequence[Stratum]) -> tuple[np.ndarray, np.ndarray]:
    """Mean of each recording, each pass taken from the middle of its stratum.

    Parameters
    ----------
    strata : sequence of Stratum
        Matched passes.

    Returns
    -------
    before, after : ndarray
        One value a recording.
    """
    sides: list[np.ndarray] = []
    for name in ("before", "after"):
        values, owners = [], []
        for s in strata:
            middle = (s.before.mean() + s.after.mean()) / 2
            values.append(getattr(s, name) - middle)
            owners.append(getattr(s, f"{name}_recording"))
        value, owner = np.concatenate(values), np.concatenate(owners)
        sides.append(np.array([value[owner == k].mean() for k in np.unique(owner)]))
    return sides[0], sides[1]


def _clustered(strata: Sequence[Stratum], value: float) -> Difference | None:
    """Pooled t over recordings; None where neither side has several."""
    before, after = recording_means(strata)
    dof = before.size + after.size - 2
    if dof < 1:
        return None
    spread = sum(float(((m - m.mean()) ** 2).sum()) for m in (before, after)) / dof
    return student(value, math.sqrt(spread * (1 / before.size + 1 / after.size)), dof)


@dataclass(frozen=True, slots=True, kw_only=True)
class Permutation:
    """Outcome of a permutation test.

    Attributes
    ----------
    p_value : float
        Two-sided.
    exact : bool
        Whether all regroupings were counted.
    smallest : float
        Smallest p that these counts can give.
    """

    p_value: float
    exact: bool
    smallest: float


def regroupings(counts: Sequence[tuple[int, int]]) -> int:
    """Count the ways to part the values of every stratum anew.

    Parameters
    ----------
    counts : sequence of (int, int)
        Values before and after, a stratum each.

    Returns
    -------
    int
        Product of the binomial coefficients.
    """
    return math.prod(math.comb(n + m, n) for n, m in counts)


def smallest_p(counts: Sequence[tuple[int, int]]) -> float:
    """Smallest two-sided p that a permutation test of these counts can give.

    Parameters
    ----------
    counts : sequence of (int, int)
        Values before and after, a stratum each.

    Returns
    -------
    float
        Two mirror-like regroupings over all where every stratum is balanced, else one.
    """
    ways = regroupings(counts)
    ends = 2 if all(n == m for n, m in counts) else 1
    return ends / ways if ways <= EXACT_MOST else max(ends / ways, 1 / (DRAWS + 1))


def permutation_test(
    pairs: Sequence[tuple[np.ndarray, np.ndarray]],
    rng: np.random.Generator,
    *,
    studentised: bool = True,
) -> Permutation:
    """Regroup passes within their strata and see how often the difference is as large.

    Parameters
    ----------
    pairs : sequence of (ndarray, ndarray)
        Values before and after, a stratum each.
    rng : Generator
        Source of the random regroupings, used above `EXACT_MOST` of them.
    studentised : bool
        Whether the difference is divided by its standard error in each regrouping, which keeps the
        test right for unequal scatter (Janssen, Stat. Probab. Lett. 36 (1997) 9).

    Returns
    -------
    Permutation
        Two-sided p; with random regroupings (b + 1) / (m + 1), Phipson & Smyth (2010).

    Notes
    -----
    Efron & Tibshirani, *An Introduction to the Bootstrap* (1993), chapter 15.
    """
    counts = [(b.size, a.size) for b, a in pairs]
    ways = regroupings(counts)
    exact = ways <= EXACT_MOST
    weight = np.array([n * m / (n + m) for n, m in counts])
    weight /= weight.sum()
    seen, seen_var = np.zeros(1), np.zeros(1)
    drawn, drawn_var = np.zeros(1), np.zeros(1)
    for w, (before, after) in zip(weight, pairs, strict=True):
        every = np.concatenate([before, after])
        every = every - every.mean()
        size, n = every.size, before.size
        own = np.zeros((1, size), dtype=bool)
        own[0, :n] = True
        if exact:
            masks = _all_masks(size, n)
        else:
            order = rng.random((DRAWS, size)).argpartition(n - 1, axis=1)[:, :n]
            masks = np.zeros((DRAWS, size), dtype=bool)
            np.put_along_axis(masks, order, True, axis=1)
        step, var = _split_moments(every, own)
        seen, seen_var = seen + w * step, seen_var + w**2 * var
        step, var = _split_moments(every, masks)
        if exact:
            drawn = (drawn[:, None] + w * step[None, :]).ravel()
            drawn_var = (drawn_var[:, None] + w**2 * var[None, :]).ravel()
        else:
            drawn, drawn_var = drawn + w * step, drawn_var + w**2 * var
    if studentised:
        tiny = 1e-12 * float(seen_var[0] + drawn_var.mean()) + 1e-300
        seen = seen / np.sqrt(seen_var + tiny)
        drawn = drawn / np.sqrt(drawn_var + tiny)
    limit = abs(float(seen[0])) * (1 - 1e-10) - 1e-14
    hits = int(np.count_nonzero(np.abs(drawn) >= limit))
    p = hits / drawn.size if exact else (hits + 1) / (drawn.size + 1)
    return Permutation(p_value=p, exact=exact, smallest=smallest_p(counts))


def _all_masks(size: int, n: int) -> np.ndarray:
    from itertools import combinations

    picks = np.array(list(combinations(range(size), n)))
    masks = np.zeros((picks.shape[0], size), dtype=bool)
    np.put_along_axis(masks, picks, True, axis=1)
    return masks


def _split_moments(every: np.ndarray, masks: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Difference of the means and its Welch variance, for each way to part the values."""
    n = int(masks[0].sum())
    m = every.size - n
    first, first_sq = masks @ every, masks @ every**2
    second, second_sq = every.sum() - first, (every**2).sum() - first_sq
    step = second / m - first / n
    var = np.zeros(step.size)
    if n > 1:
        var += np.maximum(first_sq - first**2 / n, 0) / (n - 1) / n
    if m > 1:
        var += np.maximum(second_sq - second**2 / m, 0) / (m - 1) / m
    return step, var


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectSize:
    """Hedges' g with its standard error; pure numbers."""

    value: float
    std_error: float


def hedges_g(before: tuple[float, float, int], after: tuple[float, float, int]) -> EffectSize:
    """Difference in units of the pooled scatter of passes, without the bias of small samples.

    Parameters
    ----------
    before, after : tuple of (mean, standard deviation, count)
        Summary of each side.

    Returns
    -------
    EffectSize
        After less before.

    Raises
    ------
    ValueError
        With fewer than three values in all, or no scatter.

    Notes
    -----
    Borenstein, Hedges, Higgins & Rothstein, *Introduction to Meta-Analysis* (2009), eqs.
    (4.18)-(4.24); J = 1 - 3 / (4 dof - 1).
    """
    (m1, s1, n1), (m2, s2, n2) = before, after
    dof = n1 + n2 - 2
    if dof < 1:
        msg = "the effect size needs three values and more"
        raise ValueError(msg)
    pooled = math.sqrt(((n1 - 1) * s1**2 + (n2 - 1) * s2**2) / dof)
    if pooled == 0:
        msg = "without scatter there is no effect size"
        raise ValueError(msg)
    d = (m2 - m1) / pooled
    correction = 1 - 3 / (4 * dof - 1)
    variance = (n1 + n2) / (n1 * n2) + d**2 / (2 * (n1 + n2))
    return EffectSize(value=correction * d, std_error=correction * math.sqrt(variance))


def holm(p_values: Sequence[float]) -> np.ndarray:
    """Adjust p-values for the number of questions asked.

    Parameters
    ----------
    p_values : sequence of float
        One a question.

    Returns
    -------
    ndarray
        Adjusted, in the same order.

    Notes
    -----
    Holm, Scand. J. Statist. 6 (1979) 65: the k-th smallest of m times (m - k + 1), never falling.
    """
    p = np.asarray(p_values, dtype=float)
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    out = np.empty(p.size)
    out[order] = np.minimum(stepped, 1.0)
    return out


def equivalence_p(difference: Difference, low: float, high: float) -> float:
    """Two one-sided tests: is the difference within two limits?

    Parameters
    ----------
    difference : Difference
        What was found.
    low, high : float
        Limits that still count as the same.

    Returns
    -------
    float
        The larger of the two one-sided p; below 0.05 the difference lies within the limits.

    Notes
    -----
    Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657.
    """
    if difference.std_error == 0:
        return 0.0 if low <= difference.value <= high else 1.0
    t_low = (difference.value - low) / difference.std_error
    t_high = (high - difference.value) / difference.std_error
    return max(_tail(t_low, difference.dof), _tail(t_high, difference.dof))


def minimum_detectable_change(
    std_error: float, dof: float, *, alpha: float = 0.05, power: float = 0.8, assurance: float = 0.8
) -> float:
    """Smallest change that passes like these would have shown.

    Parameters
    ----------
    std_error : float
        Standard error of the difference.
    dof : float
        Its degrees of freedom.
    alpha : float
        Level of the two-sided test, already divided by the number of questions.
    power : float
        Probability with which the change is to be seen.
    assurance : float
        Probability that the true scatter is no larger than reckoned with: the scatter of few passes
        is itself uncertain, so its upper limit is used (Browne, Statist. Med. 14 (1995) 1933).

    Returns
    -------
    float
        Change in the unit of `std_error`.

    Notes
    -----
    Power of the t test by the noncentral t distribution.
    """
    if std_error == 0:
        return 0.0
    if math.isinf(dof) or dof > 1e5:
        return float(std_error * (special.ndtri(1 - alpha / 2) + special.ndtri(power)))
    critical = float(special.stdtrit(dof, 1 - alpha / 2))
    upper = std_error * math.sqrt(dof / float(stats.chi2.ppf(1 - assurance, dof)))

    def lack(shift: float) -> float:
        return float(special.nctdtr(dof, shift, critical)) - (1 - power)

    end = 2 * critical + 10
    shift = optimize.brentq(lack, 0.0, end, xtol=1e-6)
    return float(shift) * upper


def scatter_of_steps(values: np.ndarray) -> float:
    """Scatter of a series around its slow course, from successive differences.

    Parameters
    ----------
    values : ndarray, shape (n,)
        The series.

    Returns
    -------
    float
        Standard deviation; NaN with fewer than three values.

    Notes
    -----
    Median of absolute successive differences over sqrt(2), as a normal standard deviation
    (0.6745: upper quartile of the normal distribution). A step spoils one difference only.
    """
    if values.size < 3:
        return math.nan
    return float(np.median(np.abs(np.diff(values)))) / 0.67448975 / math.sqrt(2)
