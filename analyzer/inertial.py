"""Gyro and headings of a run: bias, scale, jumps, and the heading that both make together."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analyzer.clocks import Grid
from analyzer.imu import GYRO_WANDER, WANDER_GAIN, bias_instability, random_walk
from analyzer.kinematics import odometry_matrix
from analyzer.quantities import Estimate, slope_through_origin
from analyzer.screening import stuck_spans, too_often
from analyzer.signals import (
    find_lag,
    grown,
    integrated,
    liveliest,
    slow_part,
    smooth,
    spans,
    unwrapped,
)

if TYPE_CHECKING:
    from analyzer.robot import Robot


@dataclass(slots=True, kw_only=True)
class Gyro:
    """Yaw rate on the grid and what is known of its sensor.

    Attributes
    ----------
    rate : ndarray, shape (n,), or None
        Less its bias; None where not logged. [rad/s]
    lag : float
        By which it was late, and is not any more. [s]
    stuck : ndarray of bool, shape (n,)
        Where it does not change.
    known : dict of str to Estimate
        Bias, noise and scale, by the names of the result file.
    """

    rate: np.ndarray | None
    lag: float
    stuck: np.ndarray
    known: dict[str, Estimate] = field(default_factory=dict)


def gyro_of(grid: Grid, robot: Robot, wheel_angle: np.ndarray) -> Gyro:
    """Bring the gyro onto the grid: late by nothing, less its bias.

    Parameters
    ----------
    grid : Grid
        With the wheels on it.
    robot : Robot
        The base.
    wheel_angle : ndarray, shape (n, w)
        [rad]

    Returns
    -------
    Gyro
        Without its scale.
    """
    t, dt, config = grid.t, grid.dt, grid.config
    out = Gyro(rate=grid.channel("omega_z"), lag=0.0, stuck=np.zeros(t.size, dtype=bool))
    if out.rate is None:
        return out
    rolled = grid.rolled[:, 2]
    lag_most = min(config.lag_most, t[-1] / 4)
    lively = liveliest(rolled, dt, lag_most)
    turning, seen = smooth(rolled[lively], dt), smooth(out.rate[lively], dt)
    trusted = grid.trusted_lag(find_lag(turning, seen, dt, lag_most), "omega_z", "gyro")
    if trusted is not None:
        out.rate, out.lag = grid.channel("omega_z", lag=trusted), trusted
    elif find_lag(-turning, seen, dt, lag_most)[1] > config.peak_least:
        text = (
            "gyro turns against the wheels' yaw rate: either its sign is wrong (set "
            "sign = -1 in the robot file) or the rollers lean the other way"
        )
        grid.tell("warning", "omega_z", text)
    assert out.rate is not None
    part = grid.where["omega_z"]
    ts, raw = part.series("omega_z")
    ts = ts + (grid.offset(part) - out.lag)
    out.stuck = stuck_spans(grid, out.rate, "omega_z")
    # A stuck gyro is as still as a rest: it tells nothing of the bias.
    at_rest = grid.still & ~grown(out.stuck, round(0.2 / dt))
    row = odometry_matrix(robot.matrix)[2]
    turn_quantum = robot.coarsest_count * float(np.linalg.norm(row))
    _take_bias_out(grid, out, at_rest, (ts, raw), wheel_angle @ row, turn_quantum)
    longest = max(spans(grid.still), key=lambda span: span[1] - span[0], default=(0, 0))
    a, b = (t[min(k, t.size - 1)] for k in longest)
    resting = (ts >= a + config.settle_time) & (ts < b)
    out.known["gyro_bias_instability"] = bias_instability(ts[resting], raw[resting])
    return out


def _take_bias_out(
    grid: Grid,
    gyro: Gyro,
    still: np.ndarray,
    samples: tuple[np.ndarray, np.ndarray],
    rolled_turn: np.ndarray,
    turn_quantum: float,
) -> None:
    """Take the bias out that the rests show, less what the wheels still creep there.

    `samples` are stamps and rates as logged; `rolled_turn` is what the wheels say of the heading.
    """
    t, dt, config = grid.t, grid.dt, grid.config
    assert gyro.rate is not None
    # After a pass the body still settles when the wheels already stand.
    settle, trim = max(1, round(config.settle_time / dt)), max(1, round(0.05 / dt))
    rests = [
        (a + settle, b - trim)
        for a, b in spans(still)
        if (b - a - settle - trim) * dt >= config.rest_time
    ]
    if not rests:
        why = "the base never rests for half a second; let it stand for 3 s at the start"
        grid.tell("warning", "omega_z", f"gyro bias: {why}")
        gyro.known["gyro_bias_rad_s"] = Estimate.undetermined("rad/s", why)
        gyro.known["gyro_noise_density"] = Estimate.undetermined("rad/s/sqrt(Hz)", why)
        return
    lengths = np.array([(b - a) * dt for a, b in rests])
    crept = np.array([rolled_turn[b - 1] - rolled_turn[a] for a, b in rests])
    means = np.array([gyro.rate[a:b].mean() for a, b in rests]) - crept / lengths
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
            text = (
                f"gyro bias wanders by {math.degrees(np.ptp(followed)):.2f} °/s between the "
                "rests; followed through the run"
            )
            grid.tell("warning", "omega_z", text)
        gyro.rate = gyro.rate - bias
    else:
        gyro.rate = gyro.rate - mean
    scatter = math.sqrt(float(weights @ (means - mean) ** 2) / max(1, len(rests) - 1))
    error = max(scatter, float(np.sum(expected**-2.0)) ** -0.5)
    count = int(sum((b - a) for a, b in rests))
    gyro.known["gyro_bias_rad_s"] = Estimate.of(mean, error, "rad/s", dof=max(1, len(rests) - 1))
    gyro.known["gyro_noise_density"] = Estimate.of(
        density, density / math.sqrt(2 * max(1, count - 1)), "rad/s/sqrt(Hz)"
    )


def imu_heading(grid: Grid, gyro: np.ndarray | None) -> tuple[np.ndarray | None, np.ndarray]:
    """Heading of the inertial unit, and where it is not to be believed.

    Parameters
    ----------
    grid : Grid
        With the wheels on it.
    gyro : ndarray, shape (n,), or None
        Yaw rate. [rad/s]

    Returns
    -------
    heading : ndarray, shape (n,), or None
        None where it is not logged, counts clockwise, jumps all the time or never changes. [rad]
    doubted : ndarray of bool, shape (n,)
        Where stuck or jumping.
    """
    t, dt, still, config = grid.t, grid.dt, grid.still, grid.config
    part = grid.where.get("yaw")
    ts, values = part.series("yaw") if part is not None else (np.empty(0), np.empty(0))
    if part is None or ts.size < 3:
        return None, np.zeros(t.size, dtype=bool)
    rolled = grid.rolled[:, 2]
    away = unwrapped(values)
    yaw = grid.placed(part, ts, away, grid.offset(part))
    ts = ts + grid.offset(part)
    doubted = stuck_spans(grid, yaw, "yaw")
    if doubted[~still].mean() > 0.9 if np.any(~still) else False:
        return None, doubted
    turned = np.interp(ts, t, np.concatenate([[0.0], np.cumsum(rolled[:-1] * dt)]))
    step = np.diff(away)
    extra = np.abs(step) - 1.5 * np.abs(np.diff(turned))
    leap = (extra > config.yaw_leap) & (np.diff(ts) < 1.0)
    if leap.any():
        from scipy import ndimage

        leap &= np.abs(step) > 4 * ndimage.median_filter(np.abs(step), size=5, mode="nearest")
    if often := too_often(grid, ts[:-1][leap]):
        grid.tell("error", "yaw", f"heading {often}; it is not used")
        return None, doubted
    places = []
    for i in np.flatnonzero(leap):
        a, b = np.searchsorted(t, [ts[i] - dt, ts[i + 1] + dt])
        known = doubted[max(0, a - 3) : b + 3].any()
        doubted[a:b] = True
        if known:
            continue  # the end of a stuck span, or the way back: already told
        text = f"heading jumps by {math.degrees(step[i]):+.1f}° between two samples; kept out of the fits"
        places.append((text, (ts[i], ts[i + 1])))
    grid.tell_places("warning", "yaw", places)
    mine = np.where(doubted, 0.0, np.gradient(smooth(yaw, dt, 0.1), dt))
    other, what = (rolled, "wheels") if gyro is None else (gyro, "gyro")
    other = smooth(np.where(doubted, 0.0, other), dt, 0.1)
    lag = min(config.lag_most, float(t[-1]) / 4)
    for_, against = find_lag(other, mine, dt, lag)[1], find_lag(-other, mine, dt, lag)[1]
    if against > config.peak_least and against > for_:
        text = (
            f"heading turns against the {what} (correlation {-against:.2f}), so it counts "
            "clockwise: set sign = -1 for it in the robot file. It is not used"
        )
        grid.tell("error", "yaw", text)
        return None, doubted
    return yaw, doubted


def blended_heading(grid: Grid, reference: np.ndarray, gyro: Gyro) -> np.ndarray:
    """Reference heading with the gyro's own between its samples, where the two agree.

    Parameters
    ----------
    grid : Grid
        With the wheels on it.
    reference : ndarray, shape (n,)
        Heading, NaN where unknown. [rad]
    gyro : Gyro
        Its scale against the reference is worked out, and told where it is wrong. Where it is stuck the
        reference stands in.

    Returns
    -------
    ndarray, shape (n,)
        [rad]

    Notes
    -----
    The gyro carries what is faster than a second, the reference what is slower
    (complementary filter). A gyro off by more than 5 % is left out.
    """
    dt = grid.dt
    if gyro.rate is None:
        return reference.copy()
    if gyro.stuck.any():
        rate = np.gradient(smooth(reference, dt, 0.06), dt)
        gyro.rate = np.where(gyro.stuck & np.isfinite(rate), rate, gyro.rate)
    turned = integrated(gyro.rate, dt)
    _compare(grid, gyro, turned, reference)
    known = np.isfinite(reference)
    scale = gyro.known["gyro_scale"].value
    if scale is not None and abs(scale - 1) > 0.05:
        return reference.copy()
    if scale is not None:
        turned = turned / scale
    away = reference - turned
    whole = bool(known.all())
    there = away if whole else away[known]
    slow = slow_part(there, dt)
    there -= slow
    if float(np.mean(np.abs(there, out=there) > 0.03)) > 0.05:
        return reference.copy()
    if whole:
        slow += turned
        return slow
    away[~known] = 0.0
    weight = slow_part(known.astype(float), dt)
    slow = slow_part(away, dt) / np.maximum(weight, 1e-6)
    return np.where(weight > 0.02, turned + slow, np.nan)


def _compare(grid: Grid, gyro: Gyro, turned: np.ndarray, yaw: np.ndarray) -> None:
    """Scale and sign of the gyro's own heading against the reference, over one-second steps."""
    dt = grid.dt
    step = max(1, round(1.0 / dt))
    a, b = np.diff(yaw[::step]), np.diff(turned[::step])
    use = np.isfinite(a) & np.isfinite(b)
    a, b = a[use], b[use]
    strong = np.abs(a) > 0.1
    if strong.sum() < 4:
        why = "too few turns; turn on the spot both ways"
        gyro.known["gyro_scale"] = Estimate.undetermined("", why)
        return
    gyro.known["gyro_scale"] = found = slope_through_origin(a, b, "")
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
            text = (
                f"gyro bias wanders by {math.degrees(np.ptp(followed)):.2f} °/s against the "
                "reference heading"
            )
            grid.tell("warning", "omega_z", text)
    if scale < 0:
        # The wheels have the third vote on which of the two counts clockwise.
        wheels = np.cumsum(grid.rolled[:, 2])[::step] * dt
        vote = float(np.diff(wheels)[use] @ a)
        channel, what = ("omega_z", "gyro") if vote >= 0 else ("ref_yaw", "reference heading")
        other = "reference heading" if vote >= 0 else "gyro"
        text = (
            f"{what} turns against {other} and wheels, so it counts clockwise: set sign = -1 "
            "for it in the robot file"
        ) + (" (and for ref_y, where the picture is mirrored)" if vote < 0 else "")
        grid.tell("error", channel, text)
    elif abs(scale - 1) > 0.02 + 3 * error:
        text = f"gyro reads {100 * (scale - 1):+.1f} % against the reference heading"
        grid.tell("warning", "omega_z", text)
