"""Crabwise: why a robot on mecanum wheels arcs when it drives sideways, and what to change."""

__version__ = "0.1.0"
