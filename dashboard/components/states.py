"""What a page says while there is nothing, or not yet anything, to show."""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboard.components.pieces import empty, error_box


def without_analysis(visit: Any) -> html.Section | html.Div:
    """Say why there is no analysis, and where to go.

    Parameters
    ----------
    visit : Visit
        What the page is asked to show.

    Returns
    -------
    Section or Div
        Empty, working or error state.
    """
    if visit.case is None:
        return empty(
            "There is no recording yet.", dcc.Link("Bring one in", href="/", className="button")
        )
    back = dcc.Link("To the recording", href=f"/?case={visit.case.key}", className="button")
    job = visit.job
    if job is not None and job.busy:
        return empty(f"The analysis is under way ({job.step}).", back)
    if job is not None and job.error:
        return html.Div([error_box(job.error, "The analysis did not work"), back])
    return empty("This recording has not been analysed yet.", back)
