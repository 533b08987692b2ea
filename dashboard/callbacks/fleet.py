"""Choosing a fleet, and recordings of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from dash import Dash, Input, Output, State, no_update

from dashboard import ids
from dashboard.callbacks.routing import read_query
from dashboard.pages.fleet import recordings

if TYPE_CHECKING:
    from dashboard.jobs import Jobs
    from dashboard.settings import Settings
    from dashboard.store import Store


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
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.FLEET_WHICH, "value"),
        State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    def choose(name: str, search: str) -> Any:
        query = read_query(search)
        if not name or query.get("fleet") == name:
            return no_update
        kept = {k: v for k, v in query.items() if k not in {"robot", "cause"}}
        return "?" + urlencode({**kept, "fleet": name})

    @app.callback(
        Output(ids.FLEET_ROWS, "children"),
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.FLEET_ROBOT, "value"),
        Input(ids.FLEET_CAUSE, "value"),
        State(ids.FLEET_NAME, "data"),
        State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    def narrow(robot: str | None, cause: str | None, name: str, search: str) -> Any:
        query = read_query(search)
        wanted = {k: v for k, v in query.items() if k not in {"robot", "cause"}}
        wanted |= {k: v for k, v in (("robot", robot), ("cause", cause)) if v}
        address = no_update if wanted == query else "?" + urlencode(wanted)
        return recordings(store.fleets, name, robot or "", cause or ""), address
