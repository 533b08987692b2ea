"""Crabwise: why a robot on mecanum wheels arcs when it drives sideways, and what to change."""

__version__ = "0.1.0"

import os

# The matrices here are small: threads of the linear algebra only wait for one another.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
