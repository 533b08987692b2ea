"""Following a measure, filing a result."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from dash import Dash, Input, Output, State, html, no_update

from analyzer.quantities import CrabwiseError
from analyzer.shelf import add_result, parse_service
from dashboard import ids
from dashboard.callbacks.routing import read_query
from dashboard.components.pieces import error_box
from dashboard.pages.season import course, number_in

if TYPE_CHECKING:
    from dashboard.jobs import Jobs
    from dashboard.settings import Settings
    from dashboard.store import Store


def moment(text: str | None) -> datetime | None:
    """Date that a field holds.

    Parameters
    ----------
    text : str or None
        As typed, ISO 8601.

    Returns
    -------
    datetime or None
        None where the field is empty.

    Raises
    ------
    CrabwiseError
        Where it is no date.
    """
    if not (text or "").strip():
        return None
    try:
        found = datetime.fromisoformat(str(text).strip())
    except ValueError:
        msg = f"{text!r} is no date; write it as 2026-11-25 or 2026-11-25T14:30"
        raise CrabwiseError(msg) from None
    return found if found.tzinfo else found.replace(tzinfo=UTC)


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
        Output(ids.SEASON_COURSE, "children"),
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.SEASON_MEASURE, "value"),
        Input(ids.SEASON_LIMIT, "value"),
        State("season-robot", "data"),
        State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    def follow(measure: str | None, limit: str | None, robot: str, search: str) -> Any:
        if not measure or store.shelf is None:
            return no_update, no_update
        query = read_query(search)
        wanted = {k: v for k, v in query.items() if k not in {"measure", "limit"}}
        wanted["measure"] = measure
        line = number_in(limit)
        if line is not None:
            wanted["limit"] = f"{line:g}"
        address = no_update if wanted == query else "?" + urlencode(wanted)
        return course(store.shelf, measure, robot, line), address

    @app.callback(
        Output(ids.SEASON_FILED, "children"),
        Output(ids.REFRESH, "data", allow_duplicate=True),
        Input(ids.SEASON_FILE, "n_clicks"),
        State(ids.SEASON_SERVICE, "value"),
        State(ids.SEASON_NOTE, "value"),
        State(ids.SEASON_DATE, "value"),
        State(ids.SEASON_HOURS, "value"),
        State(ids.URL, "search"),
        State(ids.REFRESH, "data"),
        prevent_initial_call=True,
    )
    def file(
        clicks: int | None,
        service: str | None,
        note: str | None,
        date: str | None,
        hours: str | None,
        search: str,
        refresh: int,
    ) -> Any:
        case = store.find(read_query(search).get("case"))
        analysis = store.analysis(case) if case else None
        if not clicks or analysis is None or store.shelf is None:
            return no_update, no_update
        try:
            done = [parse_service(service, analysis.robot.wheel_names)] if service else []
            worked = number_in(hours)
            if hours and worked is None:
                msg = f"{hours!r} is no number of hours"
                raise CrabwiseError(msg)
            add_result(
                store.shelf, analysis.result, note=note or "", service=done,
                recorded_at=moment(date), hours=worked,
            )  # fmt: skip
        except CrabwiseError as error:
            return error_box(str(error)), no_update
        return html.P("Filed."), refresh + 1
