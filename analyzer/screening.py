"""Samples that a sensor cannot have meant: glitches, repeats, stuck spans, saturation, jumps."""

from __future__ import annotations

import math

import numpy as np

from analyzer.clocks import TOLD, Grid
from analyzer.signals import far_samples, spans, steps_in_pieces

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


def screen(grid: Grid, name: str) -> None:
    """Take samples out that a sensor cannot have meant: glitches, and repeats of stale values.

    Parameters
    ----------
    grid : Grid
        With the wheels on it; the channel's samples are changed.
    name : str
        Channel.
    """
    head = name.partition("_")[0]
    limits = LEAPS.get(name) or LEAPS.get(head)
    if limits is None or (head == "omega" and name[6:] not in {"x", "y", "z"}):
        return
    least, most = limits
    part = grid.where[name]
    offset = grid.offset(part)
    ts, seen = part.series(name)
    if seen.size < 20:
        return
    low, high = part.extent(name, seen)
    bad = far_samples(seen, least) if high - low > least else np.zeros(seen.size, dtype=bool)
    if max(high, -low) > most:
        bad |= np.abs(seen) > most
    odd = np.count_nonzero(bad)
    if 0 < odd < 0.1 * bad.size:
        when = ts[bad] + offset
        text = (
            f"{odd} of {bad.size} samples leap away and back (up to "
            f"{np.max(np.abs(seen[bad])):.3g}); left out"
        )
        grid.tell("warning", name, text, (when[0], when[-1]))
    else:
        bad[:] = False
    same = np.zeros(0, dtype=bool)
    if head in {"omega", "f", "current"}:
        same = seen[1:] == seen[:-1]
    if np.count_nonzero(same) > grid.config.stale_share / 2 * seen.size:
        same = np.insert(same, 0, values=False)
        moving = np.interp(ts + offset, grid.t, (~grid.still).astype(float)) > 0.5
        same &= moving & ~bad
        longest = max((b - a for a, b in spans(same)), default=0)
        share = float(same.sum()) / max(1.0, float(moving.sum()))
        usual = float(np.median(np.diff(ts)))
        if (
            moving.sum() > 50
            and share > grid.config.stale_share
            and longest * usual < grid.config.frozen_time
        ):
            text = (
                f"{100 * share:.0f} % of the samples repeat the one before while the base "
                "moves: the sensor is slower than the log; repeats are left out"
            )
            when = ts[same] + offset
            grid.tell("warning", name, text, (when[0], when[-1]))
            bad |= same
    if bad.any():
        part.clean(name, np.flatnonzero(part.keep & np.isfinite(part.channels[name]))[bad])


def stuck_spans(grid: Grid, values: np.ndarray, channel: str) -> np.ndarray:
    """Find spans without any change while the wheels turn, with the rests inside them.

    Parameters
    ----------
    grid : Grid
        With the wheels on it.
    values : ndarray, shape (n,)
        On the grid.
    channel : str
        For the findings.

    Returns
    -------
    ndarray of bool, shape (n,)
        Where stuck.
    """
    same = np.zeros(values.size, dtype=bool)
    for a, step in steps_in_pieces(values):
        same[a + 1 : a + 1 + step.size] = np.abs(step) < 1e-12
    for a, b in spans(~same):
        if a > 0 and b < same.size and b - a <= 3:
            same[a:b] = True  # a twitch between two stuck spans
    out = np.zeros(values.size, dtype=bool)
    for a, b in spans(same):
        if np.sum(~grid.still[a:b]) * grid.dt >= grid.config.frozen_time:
            out[a:b] = True
            text = f"does not change for {(b - a) * grid.dt:.1f} s while the wheels turn: stuck"
            grid.tell("warning", channel, text, (grid.t[a], grid.t[b - 1]))
    return out


def clipped(grid: Grid, values: np.ndarray, channel: str) -> np.ndarray:
    """Find where a channel stays at its largest value.

    Parameters
    ----------
    grid : Grid
        Told of it.
    values : ndarray, shape (n,)
        On the grid.
    channel : str
        For the finding.

    Returns
    -------
    ndarray of bool, shape (n,)
        Where saturated.
    """
    size = np.abs(values)
    top = float(size.max())
    at = size >= top * (1 - 1e-6)
    runs = [b - a for a, b in spans(at)]
    if top <= 0 or sum(r for r in runs if r >= 5) < 20:
        return np.zeros(values.size, dtype=bool)
    where = np.flatnonzero(at)
    text = f"stays at its largest value {top:.3g} for {int(at.sum())} samples: saturated"
    grid.tell("warning", channel, text, (grid.t[where[0]], grid.t[where[-1]]))
    return at


def too_often(grid: Grid, leaps: np.ndarray) -> str:
    """Say of jumps that they come too often for passes to be left between them.

    Parameters
    ----------
    grid : Grid
        With the wheels on it.
    leaps : ndarray, shape (k,)
        Times of the jumps. [s]

    Returns
    -------
    str
        How often; "" where they do not.
    """
    driving = grid.dt * float(np.count_nonzero(~grid.still))
    count = int(np.sum(np.interp(leaps, grid.t, (~grid.still).astype(float)) > 0.5))
    if count <= TOLD or driving / count > grid.config.leaps_apart:
        return ""
    return f"jumps at {leaps.size} places, once in {driving / count:.1f} s of driving"
