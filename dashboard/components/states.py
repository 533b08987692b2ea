"""What a page says while there is nothing, or not yet anything, to show."""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboard import ids
from dashboard.components.pieces import aria, empty, error_box
from dashboard.jobs import Job


def progress(job: Job) -> html.Section:
    """How far the work is, and a way to stop it.

    Parameters
    ----------
    job : Job
        The work.

    Returns
    -------
    Section
        Polled until the work is done.
    """
    return html.Section(
        [
            html.Div(bar(job), id=ids.RECORDING_PROGRESS, role="status"),
            html.Button("Stop", id=ids.RECORDING_CANCEL, type="button", className="quiet"),
            dcc.Interval(id=ids.RECORDING_CLOCK, interval=400),
        ],
        className="working",
    )


def bar(job: Job) -> list[Any]:
    """Step and share as text and bar.

    Parameters
    ----------
    job : Job
        The work.

    Returns
    -------
    list of components
        Text and bar.
    """
    doing = {
        "inspect": "Looking at the recording",
        "analyze": "Finding out",
        "demo": "Making up a recording",
    }[job.what]
    return [
        html.P(f"{doing}: {job.step}"),
        html.Progress(value=str(job.share), max="1", **aria(label=f"{doing}, share done")),
    ]


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
        return progress(job)
    if job is not None and job.error:
        return html.Div([error_box(job.error, "The analysis did not work"), back])
    return empty("This recording has not been analysed yet.", back)
