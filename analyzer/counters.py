"""Wheels: counters that overflow, are set anew, stand still or jump; speeds and signs that are wrong."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analyzer.clocks import Clocked, Grid
from analyzer.kinematics import body_twist, odometry_matrix
from analyzer.quantities import Finding
from analyzer.signals import edges_of, far_samples, largest_step, spans

if TYPE_CHECKING:
    from analyzer.robot import Robot


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
    if largest_step(count) <= step_most:
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


def leave_out_stale_rows(wheels: list[tuple[Clocked, str]], findings: list[Finding]) -> None:
    """Leave rows out in which all counters stand still in mid-motion and then catch up: not read.

    Parameters
    ----------
    wheels : list of (Clocked, str)
        Part and channel of each wheel; samples are taken out of them.
    findings : list
        Added to.
    """
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
    start, stop = edges_of(same)
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


def unbroken(
    grid: Grid, part: Clocked, name: str, samples: tuple[np.ndarray, np.ndarray], per_turn: float
) -> tuple[np.ndarray, np.ndarray]:
    """Counter or angle of a part that runs on through overflows and resets; glitches left out.

    Parameters
    ----------
    grid : Grid
        Told of them; spans of resets are kept out of its fits.
    part : Clocked
        Part that holds it.
    name : str
        Channel.
    samples : (ndarray, ndarray), each of shape (n,)
        Its stamps [s] and values, as `Clocked.series` gives them.
    per_turn : float
        One turn, in its unit.

    Returns
    -------
    (ndarray, ndarray), each of shape (m,)
        Stamps [s] and values.
    """
    ts, values = samples
    offset = grid.offset(part)
    joins = part.source.joins
    counting = name.startswith("count_")
    middle, long = part.pace(ts)
    most = max(
        grid.config.wheel_speed_most * per_turn / (2 * math.pi) * middle, 50.0 if counting else 0
    )
    low, high = part.extent(name, values)
    top = high - low
    modulo = None
    if 0.8 * per_turn < top <= per_turn * (1 + 1e-9):
        modulo, most = per_turn, min(most, 0.5 * per_turn)
    unwrapped, bits, resets = unwrap_counter(values, most, modulo)
    if bits:
        wide = f"of {bits} bits" if modulo is None else "of one turn"
        grid.tell("note", name, f"counter {wide} overflows; taken as running on")
    rate = np.diff(unwrapped)
    if joins:
        # Between two takes the wheels are taken to stand, whatever the counter did.
        rate[[k - 1 for k in np.searchsorted(ts, np.array(joins) - 1e-9) if 0 < k < ts.size]] = 0.0
        unwrapped = unwrapped[0] + np.concatenate([[0.0], np.cumsum(rate)])
    # Smaller jumps than the fastest wheel makes: far from the steps around them.
    # Over a gap the wheel turns on: steps are compared as speeds.
    rate /= long
    floor = grid.config.wheel_leap * per_turn / (2 * math.pi) * middle + (3.0 if counting else 0.0)
    leap = np.flatnonzero(far_samples(rate, floor))
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
    breaks = [(float(ts[at]) + offset, float(ts[at + 1]) + offset) for at in gone]
    for start, stop in breaks:
        grid.block(start, stop)
    text = "counter was set anew or jumped; the step is left out"
    grid.tell_places("warning", name, [(text, span) for span in breaks])
    if not back.size:
        return ts, unwrapped
    text = f"{back.size} of {ts.size} counter values jump away and back; left out"
    grid.tell("warning", name, text, (ts[back[0]] + offset, ts[back[-1] + 2] + offset))
    keep = np.ones(ts.size, dtype=bool)
    keep[back + 1] = False
    return ts[keep], unwrapped[keep]


def without_leaps(
    grid: Grid, part: Clocked, name: str, samples: tuple[np.ndarray, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Wheel speeds of a part without the values that no wheel can have.

    Parameters
    ----------
    grid : Grid
        Told of them; longer spans are kept out of its fits.
    part : Clocked
        Part that holds them.
    name : str
        Channel.
    samples : (ndarray, ndarray), each of shape (n,)
        Its stamps [s] and speeds [rad/s], as `Clocked.series` gives them.

    Returns
    -------
    (ndarray, ndarray), each of shape (m,)
        Stamps [s] and speeds. [rad/s]
    """
    ts, values = samples
    config = grid.config
    bad = (np.abs(values) > config.wheel_speed_most) | far_samples(values, config.wheel_leap)
    if not bad.any() or bad.mean() > 0.2:
        return ts, values
    when = ts + grid.offset(part)
    for a, b in spans(bad):
        if b - a > 3:
            grid.block(float(when[a]), float(when[b - 1]))
    text = (
        f"{int(bad.sum())} of {bad.size} wheel speeds leap beyond what a wheel can do (up to "
        f"{np.max(np.abs(values[bad])):.0f} rad/s); left out"
    )
    grid.tell("warning", name, text, (when[bad][0], when[bad][-1]))
    return ts[~bad], values[~bad]


def reversed_wheels(
    grid: Grid,
    robot: Robot,
    wheel_angle: np.ndarray,
    gyro: np.ndarray | None,
    reference: np.ndarray | None,
    yaw: np.ndarray | None,
) -> dict[str, str]:
    """Find wheels whose counts run against the base, with the evidence.

    Parameters
    ----------
    grid : Grid
        With all channels looked at.
    robot : Robot
        The base.
    wheel_angle : ndarray, shape (n, w)
        [rad]
    gyro : ndarray, shape (n,), or None
        Yaw rate. [rad/s]
    reference : ndarray, shape (n, 3), or None
        Pose. [m, m, rad]
    yaw : ndarray, shape (n,), or None
        Heading. [rad]

    Returns
    -------
    dict of str to str
        Name of the wheel to what speaks against it.

    Notes
    -----
    All 2^w choices of sign are tried. With a reference, the wheels must turn as its twist asks;
    without one they must agree with one another (closure) and with the gyro.
    """
    dt = grid.dt
    w = robot.x.size
    use = ~grid.still & grid.valid
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
        twist = body_twist(reference, yaw, dt, step)
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
