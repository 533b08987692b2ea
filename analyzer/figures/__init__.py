"""Pure functions from an analysis to Plotly figures."""

from analyzer.figures.causes import arcs_after, base_from_above, cause_bars, misfits
from analyzer.figures.motion import drift_by_speed, fan, path, timeline, wheel_bars

__all__ = [
    "arcs_after",
    "base_from_above",
    "cause_bars",
    "drift_by_speed",
    "fan",
    "misfits",
    "path",
    "timeline",
    "wheel_bars",
]
