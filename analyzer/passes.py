"""Find the passes of a run: movements of one kind at about one speed, standstill to standstill."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analyzer.kinematics import plane_length
from analyzer.quantities import quantile
from analyzer.run import TURNS, Pass, PassKind, Run
from analyzer.signals import smooth, spans


@dataclass(frozen=True, slots=True, kw_only=True)
class PassConfig:
    """Thresholds that cut a run into passes, all absolute."""

    speed_start: float = 0.03
    """Rim speed at which a movement begins [m/s]: three times the creep of a worn gear train."""
    speed_stop: float = 0.012
    """Rim speed below which the base counts as standing [m/s]."""
    shortest: float = 0.35
    """Shortest movement that counts [s]."""
    shortest_rest: float = 0.12
    """Shortest standstill that parts two movements [s]."""
    hard_acceleration: float = 1.7
    """Launch acceleration of a hard start [m/s^2]: the plan asks for 3, ordinary passes use 1."""
    hard_duration: float = 2.2
    """Longest pass that counts as a hard start [s]."""
    cruise_share: float = 0.9
    """Share of the pass's upper speed that counts as cruise [-]."""


DEFAULT = PassConfig()


def span_sums(values: np.ndarray, start: np.ndarray, stop: np.ndarray) -> np.ndarray:
    """Sums over many spans of samples at once.

    Parameters
    ----------
    values : ndarray, shape (n,) or (n, k)
        Samples.
    start, stop : ndarray of int, shape (m,)
        Spans as in a slice, each with 0 <= start < stop <= n.

    Returns
    -------
    ndarray, shape (m,) or (m, k)
        Sum over each span.
    """
    if values.ndim == 2:
        # Column by column: that is how samples lie in memory.
        columns = [span_sums(values[:, k], start, stop) for k in range(values.shape[1])]
        return np.stack(columns, axis=1)
    if not start.size:
        return np.zeros(0)
    last = values.shape[0] - 1
    at_end = stop > last
    edges = np.stack([start, np.minimum(stop, last)], axis=1)
    lone = edges[:, 0] == edges[:, 1]  # the last sample alone
    sums = np.asarray(np.add.reduceat(values, edges.ravel())[::2], dtype=float)
    sums[at_end & ~lone] += values[last]
    return sums


def classify(twist: np.ndarray, size: float) -> PassKind:
    """Kind of movement of a twist.

    Parameters
    ----------
    twist : ndarray, shape (3,)
        v_x, v_y, omega_z, mean or sum. [m/s, m/s, rad/s]
    size : float
        Mean distance of the wheels from the origin, which makes turning comparable. [m]

    Returns
    -------
    str
        Kind; "mixed" where turning and moving weigh alike.
    """
    ahead, left, turn = float(twist[0]), float(twist[1]), float(twist[2]) * size
    plane = float(np.hypot(ahead, left))
    if abs(turn) > 1.6 * plane:
        return "turn_left" if turn > 0 else "turn_right"
    if abs(turn) > 0.9 * plane:
        return "mixed"
    # Within 25 degrees of an axis it is a pass along that axis; people's diagonals are 45.
    if abs(left) < 0.466 * abs(ahead):
        return "ahead" if ahead > 0 else "astern"
    if abs(ahead) < 0.466 * abs(left):
        return "left" if left > 0 else "right"
    return "diagonal"


def find_passes(run: Run, config: PassConfig = DEFAULT) -> tuple[Pass, ...]:
    """Cut a run into passes and rests.

    Parameters
    ----------
    run : Run
        The aligned run. Commands decide the kind where they are logged, else the rolling twist.
    config : PassConfig
        Thresholds.

    Returns
    -------
    tuple of Pass
        In order of time; left and right as really travelled where a reference tells.
    """
    robot, dt, n = run.robot, run.dt, run.t.size
    rim = np.max(np.abs(run.wheel_speed) * robot.radius, axis=1)
    moving = rim > config.speed_stop
    command = run.command
    if command is not None and np.any(command):
        asked = plane_length(command[:, 0], command[:, 1]) + np.abs(command[:, 2]) * robot.size
        if np.mean((asked > 1e-3) == moving) < 0.5:
            command = None  # commands of another unit or clock: the wheels tell better
    for a, b in spans(~moving):
        if (b - a) * dt < config.shortest_rest and a > 0 and b < n:
            moving[a:b] = True
    rolled = run.rolled
    guide = rolled if command is None or not np.any(command) else command
    size = robot.size
    # One row a component: the loop below takes its parts from memory in one piece.
    direction = np.array(guide.T, order="C")  # a copy
    direction[2] *= size
    length = np.sqrt(np.einsum("ij,ij->j", direction, direction))
    direction /= np.maximum(length, 1e-9)
    # Per kind of movement, how fast the base goes.
    along = {True: np.abs(rolled[:, 2]), False: plane_length(rolled[:, 0], rolled[:, 1])}
    out: list[Pass] = []
    for a, b in spans(~moving):
        if (b - a) * dt >= config.shortest:
            out.append(Pass(kind="rest", start=a, stop=b, cruise_start=a, cruise_stop=b, speed=0.0))
    least = round(config.shortest / dt)
    parts = [
        (a + c, a + d)
        for a, b in spans(moving)
        if b - a >= least and rim[a:b].max() >= config.speed_start
        for c, d in _split(direction[:, a:b], length[a:b], dt)
        if d - c >= least
    ]
    start, stop = np.array(parts, dtype=int).reshape(-1, 2).T
    way = span_sums(guide, start, stop)
    idle = ~way.any(axis=1)
    way[idle] = span_sums(rolled, start[idle], stop[idle])
    side = np.zeros(start.size)  # really travelled to the left; 0 where it is not known
    if run.reference is not None and run.yaw is not None:
        step, yaw = run.reference[stop - 1, :2] - run.reference[start, :2], run.yaw[start]
        side = np.nan_to_num(np.cos(yaw) * step[:, 1] - np.sin(yaw) * step[:, 0])
    kinds = [classify(twist, size) for twist in way]
    for k, kind in enumerate(kinds):
        if kind in {"left", "right"} and abs(side[k]) > 0.1:
            kinds[k] = "left" if side[k] > 0 else "right"
    speeds = [along[k in TURNS][a:b] for k, (a, b) in zip(kinds, parts, strict=True)]
    for kind, (a, b), cruise in zip(kinds, parts, _cruises(speeds, dt, config), strict=True):
        first, last, speed, launch = cruise
        if last > first:
            hard = launch > config.hard_acceleration and (b - a) * dt < config.hard_duration
            out.append(
                Pass(
                    kind=kind,
                    start=a,
                    stop=b,
                    cruise_start=a + first,
                    cruise_stop=a + last,
                    speed=speed,
                    hard_start=hard and kind not in TURNS,
                )
            )
    out.sort(key=lambda p: p.start)
    return tuple(out)


def _split(direction: np.ndarray, length: np.ndarray, dt: float) -> list[tuple[int, int]]:
    """Cut a movement where its direction, shape (3, n), turns by more than 45 degrees for good."""
    n = length.size
    # As in its middle wherever it is under way: nothing to cut.
    aligned = direction[:, n // 2] @ direction > 0.95
    aligned |= length < 0.2 * length.max()
    if aligned.all():
        return [(0, n)]
    strong = length > 0.35 * np.partition(length, (9 * n) // 10)[(9 * n) // 10]
    if np.count_nonzero(strong) < 3:
        return [(0, n)]
    direction = smooth(direction.T, dt, 0.08)
    lag = max(1, round(0.3 / dt))
    if n <= 2 * lag:
        return [(0, n)]
    cosine = np.sum(direction[lag:] * direction[:-lag], axis=1) / np.maximum(
        np.linalg.norm(direction[lag:], axis=1) * np.linalg.norm(direction[:-lag], axis=1), 1e-9
    )
    both = strong[lag:] & strong[:-lag]
    turns = spans((cosine < 0.7) & (both | ~strong[lag // 2 : n - lag + lag // 2]))
    cuts = [0]
    for a, b in turns:
        if a < cuts[-1] or b + lag - 1 >= n:
            continue
        middle = (a + b) // 2 + lag // 2
        before = direction[max(cuts[-1], a - lag) : a + 1].mean(axis=0)
        after = direction[b + lag - 1 : b + 2 * lag].mean(axis=0)
        if before @ after < 0.7 * np.linalg.norm(before) * np.linalg.norm(after):
            cuts.append(middle)
    cuts.append(n)
    return [(a, b) for a, b in zip(cuts[:-1], cuts[1:], strict=True) if b > a]


def _cruises(
    speeds: Sequence[np.ndarray], dt: float, config: PassConfig
) -> list[tuple[int, int, float, float]]:
    """Per movement: its cruise, half open and empty where it never moves, speed there, launch acceleration."""
    if not speeds:
        return []
    size = np.array([s.size for s in speeds])
    stop = np.cumsum(size)
    start = stop - size
    every = np.concatenate(speeds)
    top = np.array([np.partition(s, (3 * s.size) // 4)[(3 * s.size) // 4] for s in speeds])
    fast = np.flatnonzero(every >= config.cruise_share * np.repeat(top, size))
    reached, last = fast[np.searchsorted(fast, start)], fast[np.searchsorted(fast, stop) - 1] + 1
    # The largest step up to there, within its last second.
    before = np.maximum(start, reached - round(1.0 / dt))
    edges = np.stack([before, np.maximum(reached, before + 1)], axis=1).ravel()
    launch = np.maximum.reduceat(np.diff(every, append=every[-1:].repeat(2)), edges)[::2] / dt
    launch[reached - before < 2] = 0.0
    trim = np.minimum(round(0.1 / dt), np.maximum(0, (last - reached - 3) // 4))
    first, last = reached + trim, last - trim
    last[top <= 0] = first[top <= 0]
    speed = [quantile(every[a:b], 0.5) if b > a else 0.0 for a, b in zip(first, last, strict=True)]
    ends = ((v - start).tolist() for v in (first, last))
    return list(zip(*ends, speed, launch.tolist(), strict=True))
