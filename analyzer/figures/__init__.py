"""Pure functions from an analysis to Plotly figures."""

from analyzer.figures.base import sparkline
from analyzer.figures.causes import (
    base_from_above,
    base_plan,
    base_with_change,
    cause_bars,
    gauges,
    misfits,
    pass_from_above,
    wheel_state,
)
from analyzer.figures.comparison import arcs, differences, paired_intervals
from analyzer.figures.fleet import fleet_causes, fleet_drift, fleet_spread, fleet_trend
from analyzer.figures.motion import (
    Candidate,
    along_time,
    candidates,
    changed_arcs,
    drift_by_speed,
    fan,
    path,
    poses,
    timeline,
    wheel_bars,
)
from analyzer.figures.season import measure_words, trend_figure

__all__ = [
    "Candidate",
    "along_time",
    "arcs",
    "base_from_above",
    "base_plan",
    "base_with_change",
    "candidates",
    "cause_bars",
    "changed_arcs",
    "differences",
    "drift_by_speed",
    "fan",
    "fleet_causes",
    "fleet_drift",
    "fleet_spread",
    "fleet_trend",
    "gauges",
    "measure_words",
    "misfits",
    "paired_intervals",
    "pass_from_above",
    "path",
    "poses",
    "sparkline",
    "timeline",
    "trend_figure",
    "wheel_bars",
    "wheel_state",
]
