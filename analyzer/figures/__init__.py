"""Pure functions from an analysis to Plotly figures."""

from analyzer.figures.causes import base_from_above, cause_bars
from analyzer.figures.motion import drift_by_speed, fan, path, timeline, wheel_bars

__all__ = [
    "base_from_above",
    "cause_bars",
    "drift_by_speed",
    "fan",
    "path",
    "timeline",
    "wheel_bars",
]
