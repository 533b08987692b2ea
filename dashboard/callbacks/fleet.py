"""Choosing a fleet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from dash import Dash, Input, Output, State, no_update

from dashboard import ids
from dashboard.callbacks.routing import read_query

if TYPE_CHECKING:
    from dashboard.jobs import Jobs
    from dashboard.settings import Settings
    from dashboard.store import Store


def register(app: Dash, store: Store, jobs: Jobs, settings: Settings) -> None:
    """Bind the callback of the page.

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
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.FLEET_WHICH, "value"),
        State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    def choose(name: str, search: str) -> Any:
        query = read_query(search)
        if not name or query.get("fleet") == name:
            return no_update
        return "?" + urlencode({**query, "fleet": name})
