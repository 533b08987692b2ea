"""Bringing in the other recording."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from dash import Dash, Input, Output, State, html, no_update

from analyzer.quantities import CrabwiseError
from dashboard import ids
from dashboard.callbacks.recording import decoded
from dashboard.callbacks.routing import read_query
from dashboard.components.pieces import error_box

if TYPE_CHECKING:
    from dashboard.jobs import Jobs
    from dashboard.settings import Settings
    from dashboard.store import Case, Store


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

    def begin(case: Case, query: dict[str, str], mine: Case) -> str:
        if case.robot_text() is None:
            case.set_robot(mine.robot_text() or "", mine.facts()["robot"])
        jobs.submit(case.key, case.job("analyze"))
        return "?" + urlencode({**query, "other": case.key})

    @app.callback(
        Output(ids.PROOF_ERROR, "children"),
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.PROOF_UPLOAD, "contents"),
        State(ids.PROOF_UPLOAD, "filename"),
        State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    def upload(contents: list[str] | None, names: list[str], search: str) -> Any:
        query = read_query(search)
        mine = store.find(query.get("case"))
        if not contents or mine is None:
            return no_update, no_update
        try:
            return None, begin(store.bring_in(decoded(contents, names)), query, mine)
        except CrabwiseError as error:
            return error_box(str(error)), no_update

    @app.callback(
        Output(ids.PROOF_ERROR, "children", allow_duplicate=True),
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.PROOF_PICK_GO, "n_clicks"),
        State(ids.PROOF_PICK, "value"),
        State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    def pick(clicks: int | None, names: list[str] | None, search: str) -> Any:
        query = read_query(search)
        mine = store.find(query.get("case"))
        if not clicks or mine is None:
            return no_update, no_update
        try:
            return None, begin(store.pick(names or []), query, mine)
        except CrabwiseError as error:
            return error_box(str(error)), no_update

    @app.callback(
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.PROOF_SIDE, "value"),
        State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    def turn(side: str, search: str) -> Any:
        query = read_query(search)
        if query.get("is", "after") == side:
            return no_update
        return "?" + urlencode({**query, "is": side})

    @app.callback(
        Output(ids.PROOF_PROGRESS, "children"),
        Output(ids.REFRESH, "data", allow_duplicate=True),
        Output(ids.PROOF_CLOCK, "disabled"),
        Input(ids.PROOF_CLOCK, "n_intervals"),
        State(ids.URL, "search"),
        State(ids.REFRESH, "data"),
        prevent_initial_call=True,
    )
    def follow(_count: int, search: str, refresh: int) -> Any:
        job = jobs.state(read_query(search).get("other", ""))
        if job is not None and job.busy:
            words = html.P(f"Analysing the other recording: {job.step}")
            return [words, html.Progress(value=str(job.share), max="1")], no_update, False
        return no_update, refresh + 1, True

    @app.callback(
        Output(ids.REFRESH, "data", allow_duplicate=True),
        Input(ids.PROOF_CANCEL, "n_clicks"),
        State(ids.URL, "search"),
        State(ids.REFRESH, "data"),
        prevent_initial_call=True,
    )
    def cancel(clicks: int | None, search: str, refresh: int) -> Any:
        if not clicks:
            return no_update
        jobs.cancel(read_query(search).get("other", ""))
        return refresh + 1
