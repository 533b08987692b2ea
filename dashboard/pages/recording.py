"""Recording: can I trust it?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard import ids
from dashboard.components.pieces import aria, error_box, table
from dashboard.jobs import Job

if TYPE_CHECKING:
    from dashboard.pages import Visit


def layout(visit: Visit) -> list[Any]:
    """Give the page.

    Parameters
    ----------
    visit : Visit
        What it is asked to show.

    Returns
    -------
    list of components
        Content.
    """
    head = html.H1("Can I trust this recording?")
    if visit.case is None:
        return [head, _bring_in(visit)]
    if visit.job is not None and visit.job.busy:
        return [head, progress(visit.job)]
    parts: list[Any] = [head]
    if visit.job is not None and visit.job.error:
        parts.append(error_box(visit.job.error))
    inspection = visit.store.inspection(visit.case)
    parts.append(_robot(visit))
    if inspection is not None:
        rows = [
            (s.name, c.column, c.channel or "not used", c.unit, c.why)
            for s in inspection.recording.sources
            for c in s.columns
        ]
        parts.append(table(("source", "column", "channel", "unit", "why"), rows, "Channels"))
        if inspection.problems:
            parts.append(error_box("\n".join(inspection.problems), "This keeps it from analysis"))
        parts.append(html.Button("Find out why it arcs", id=ids.RECORDING_ANALYZE))
    return parts


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
            html.Button("Stop", id=ids.RECORDING_CANCEL, type="button"),
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
    doing = "Looking at the recording" if job.what == "inspect" else "Analysing"
    return [
        html.P(f"{doing}: {job.step}"),
        html.Progress(value=str(job.share), max="1", **aria(label=f"{doing}, share done")),
    ]


def _bring_in(visit: Visit) -> html.Section:
    most = visit.settings.upload_bytes // 2**20
    return html.Section(
        [
            dcc.Upload(
                "Drop the files of one sitting here, or choose them: logs and the robot file.",
                id=ids.RECORDING_UPLOAD,
                multiple=True,
                max_size=visit.settings.upload_bytes,
                className="drop",
            ),
            html.P(f"At most {most} MB together."),
            html.Div(id=ids.RECORDING_UPLOAD_ERROR),
        ]
    )


def _robot(visit: Visit) -> html.Section:
    assert visit.case is not None
    return html.Section(
        [
            html.H2("Robot"),
            html.P(visit.case.facts()["robot"] or "No robot file yet."),
            dcc.Upload("Choose a robot file", id=ids.RECORDING_ROBOT_UPLOAD, className="drop"),
            html.Div(id=ids.RECORDING_ROBOT_ERROR),
        ]
    )
