"""Colours and layout that all figures share: the Okabe-Ito palette, with a second cue each."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go
import plotly.io

# As the default it is looked up once; given to each figure it takes as long as the rest of it.
plotly.io.templates.default = "plotly_white"

LEFT, RIGHT = "#0072B2", "#D55E00"
SIDE = {"left": LEFT, "right": RIGHT}
KIND = {
    "left": LEFT,
    "right": RIGHT,
    "ahead": "#009E73",
    "astern": "#CC79A7",
    "turn_left": "#56B4E9",
    "turn_right": "#E69F00",
    "diagonal": "#999999",
    "mixed": "#999999",
    "rest": "#DDDDDD",
}
WHEELS = ("#000000", "#E69F00", "#56B4E9", "#009E73", "#CC79A7", "#0072B2", "#D55E00", "#999999")
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot", "solid", "dash")
POINTS_MOST = 4000


def styled(figure: go.Figure, x: str, y: str, *, height: int = 380) -> go.Figure:
    """Give a figure the common layout.

    Parameters
    ----------
    figure : Figure
        Figure to lay out; changed in place.
    x, y : str
        Axis titles with units.
    height : int
        Height. [px]

    Returns
    -------
    Figure
        The same figure.
    """
    figure.update_layout(
        height=height,
        margin={"l": 65, "r": 20, "t": 20, "b": 60},
        legend={"orientation": "h", "yanchor": "bottom", "y": 1.02, "x": 0},
        font={"size": 13},
    )
    figure.update_xaxes(title=x, zeroline=True)
    figure.update_yaxes(title=y, zeroline=True)
    return figure


def rows_named(figure: go.Figure, names: Sequence[str], **cell: int) -> None:
    """Name rows above them instead of beside them: a phone has no room at the side.

    Parameters
    ----------
    figure : Figure
        Figure whose rows stand at y = 0, 1, 2 …; changed in place.
    names : sequence of str
        Names, from the lowest row up.
    **cell : int
        ``row`` and ``col`` of a figure of several panels.
    """
    axes = next(figure.select_xaxes(**cell)).plotly_name.removeprefix("xaxis")
    for k, name in enumerate(names):
        figure.add_annotation(
            x=0, xref=f"x{axes} domain", y=k, yref=f"y{axes}", xshift=3, yshift=14, text=name,
            showarrow=False, xanchor="left", font={"size": 12}, bgcolor="rgba(255,255,255,0.5)",
            borderpad=0,
        )  # fmt: skip
    figure.update_yaxes(
        tickvals=list(range(len(names))), showticklabels=False, zeroline=False,
        range=[-0.5, len(names) - 0.15], **cell,
    )  # fmt: skip


def thinned(count: int, most: int = POINTS_MOST) -> slice:
    """Stride that keeps at most `most` points.

    Parameters
    ----------
    count : int
        Points there are.
    most : int
        Points to keep.

    Returns
    -------
    slice
        To index with.
    """
    return slice(None, None, max(1, -(-count // most)))


def error_bar(entry: dict) -> tuple[float, float, float]:
    """Value with the distances to both ends of its interval; NaN where undetermined.

    Parameters
    ----------
    entry : dict
        Estimate of the result file.

    Returns
    -------
    value, above, below : float
        As Plotly's error bars want them.
    """
    if entry.get("value") is None:
        return (np.nan, 0.0, 0.0)
    value = entry["value"]
    low, high = entry["interval95"]
    return value, high - value, value - low


def sparkline(outline: np.ndarray, width: int = 120, height: int = 26) -> str:
    """Small line without axes, as a picture that needs no script.

    Parameters
    ----------
    outline : ndarray, shape (k, 2)
        Time and value.
    width, height : int
        Size. [px]

    Returns
    -------
    str
        SVG text; an empty picture where there is nothing to draw.
    """
    points = ""
    if outline.shape[0] > 1:
        low, high = outline.min(axis=0), outline.max(axis=0)
        span = np.where(high > low, high - low, 1.0)
        unit = (outline - low) / span
        if high[1] == low[1]:
            unit[:, 1] = 0.5
        x, y = 1 + unit[:, 0] * (width - 2), height - 2 - unit[:, 1] * (height - 4)
        points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}">'
        f'<polyline points="{points}" fill="none" stroke="#7a8288" stroke-width="1.3"/></svg>'
    )
