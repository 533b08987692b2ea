"""Pure functions from an analysis to Plotly figures."""

from analyzer.figures.causes import arcs_after, base_from_above, cause_bars, misfits
from analyzer.figures.comparison import arcs, differences, paired_intervals
from analyzer.figures.motion import drift_by_speed, fan, path, timeline, wheel_bars
from analyzer.figures.season import trend_figure

__all__ = [
    "arcs",
    "arcs_after",
    "base_from_above",
    "cause_bars",
    "differences",
    "drift_by_speed",
    "fan",
    "misfits",
    "paired_intervals",
    "path",
    "timeline",
    "trend_figure",
    "wheel_bars",
]
