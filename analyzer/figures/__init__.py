"""Pure functions from an analysis to Plotly figures."""

from analyzer.figures.causes import arcs_after, base_from_above, cause_bars, misfits
from analyzer.figures.fleet import fleet_causes, fleet_drift, fleet_spread, fleet_trend
from analyzer.figures.motion import drift_by_speed, fan, path, timeline, wheel_bars

__all__ = [
    "arcs_after",
    "base_from_above",
    "cause_bars",
    "drift_by_speed",
    "fan",
    "fleet_causes",
    "fleet_drift",
    "fleet_spread",
    "fleet_trend",
    "misfits",
    "path",
    "timeline",
    "wheel_bars",
]
