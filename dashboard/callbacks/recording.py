"""Bringing in a recording."""

from __future__ import annotations

import base64
import binascii
from typing import TYPE_CHECKING, Any

from dash import Dash, Input, Output, State, no_update

from analyzer.quantities import CrabwiseError
from dashboard import ids
from dashboard.callbacks.routing import read_query
from dashboard.components.pieces import error_box
from dashboard.pages.recording import bar

if TYPE_CHECKING:
    from dashboard.jobs import Jobs
    from dashboard.settings import Settings
    from dashboard.store import Store


def decoded(contents: list[str], names: list[str]) -> list[tuple[str, bytes]]:
    """Turn what the browser sends into files.

    Parameters
    ----------
    contents : list of str
        Data addresses.
    names : list of str
        File names.

    Returns
    -------
    list of (str, bytes)
        Name and content.

    Raises
    ------
    CrabwiseError
        Where something is not what a browser sends.
    """
    files = []
    try:
        for content, name in zip(contents, names, strict=True):
            files.append((str(name), base64.b64decode(content.partition(",")[2], validate=True)))
    except (binascii.Error, ValueError, AttributeError, TypeError):
        msg = "The upload arrived damaged. Try again."
        raise CrabwiseError(msg) from None
    return files


def register(app: Dash, store: Store, jobs: Jobs, settings: Settings) -> None:
    """Bind the callbacks of the page.

    Parameters
    ----------
    app : Dash
        The page.
    store : Store
        Recordings.
    jobs : Jobs
        Background work.
    settings : Settings
        What it was started with.
    """

    @app.callback(
        Output(ids.RECORDING_UPLOAD_ERROR, "children"),
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.RECORDING_UPLOAD, "contents"),
        State(ids.RECORDING_UPLOAD, "filename"),
        prevent_initial_call=True,
    )
    def upload(contents: list[str] | None, names: list[str]) -> Any:
        if not contents:
            return no_update, no_update
        try:
            case = store.bring_in(decoded(contents, names))
        except CrabwiseError as error:
            return error_box(str(error)), no_update
        jobs.submit(case.key, case.job("inspect"))
        return None, f"?case={case.key}"

    @app.callback(
        Output(ids.RECORDING_ROBOT_ERROR, "children"),
        Output(ids.REFRESH, "data", allow_duplicate=True),
        Input(ids.RECORDING_ROBOT_UPLOAD, "contents"),
        State(ids.RECORDING_ROBOT_UPLOAD, "filename"),
        State(ids.URL, "search"),
        State(ids.REFRESH, "data"),
        prevent_initial_call=True,
    )
    def robot(content: str | None, name: str, search: str, refresh: int) -> Any:
        case = store.find(read_query(search).get("case"))
        if not content or case is None:
            return no_update, no_update
        try:
            (_, text) = decoded([content], [name])[0]
        except CrabwiseError as error:
            return error_box(str(error)), no_update
        case.set_robot(text.decode("utf-8-sig", errors="replace"), name)
        jobs.submit(case.key, case.job("inspect"))
        return None, refresh + 1

    @app.callback(
        Output(ids.REFRESH, "data", allow_duplicate=True),
        Input(ids.RECORDING_ANALYZE, "n_clicks"),
        State(ids.URL, "search"),
        State(ids.REFRESH, "data"),
        prevent_initial_call=True,
    )
    def start(clicks: int | None, search: str, refresh: int) -> Any:
        case = store.find(read_query(search).get("case"))
        if not clicks or case is None:
            return no_update
        jobs.submit(case.key, case.job("analyze"))
        return refresh + 1

    @app.callback(
        Output(ids.REFRESH, "data", allow_duplicate=True),
        Input(ids.RECORDING_CANCEL, "n_clicks"),
        State(ids.URL, "search"),
        State(ids.REFRESH, "data"),
        prevent_initial_call=True,
    )
    def cancel(clicks: int | None, search: str, refresh: int) -> Any:
        if not clicks:
            return no_update
        jobs.cancel(read_query(search).get("case", ""))
        return refresh + 1

    @app.callback(
        Output(ids.RECORDING_PROGRESS, "children"),
        Output(ids.REFRESH, "data", allow_duplicate=True),
        Output(ids.URL, "pathname"),
        Input(ids.RECORDING_CLOCK, "n_intervals"),
        State(ids.URL, "search"),
        State(ids.REFRESH, "data"),
        prevent_initial_call=True,
    )
    def follow(_count: int, search: str, refresh: int) -> Any:
        job = jobs.state(read_query(search).get("case", ""))
        if job is None:
            return no_update, refresh + 1, no_update
        if job.busy:
            return bar(job), no_update, no_update
        if job.what == "analyze" and job.status == "done":
            return no_update, refresh + 1, "/motion"
        return no_update, refresh + 1, no_update
