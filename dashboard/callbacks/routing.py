"""From the address to the page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl

from dash import Dash, Input, Output, State, dcc, html, no_update

from analyzer.quantities import CrabwiseError
from dashboard import ids
from dashboard.components.frame import navigation
from dashboard.components.pieces import empty, error_box
from dashboard.pages import PAGES, Visit

if TYPE_CHECKING:
    from dashboard.jobs import Jobs
    from dashboard.settings import Settings
    from dashboard.store import Store


def read_query(search: str | None) -> dict[str, str]:
    """Read the part of an address behind the question mark.

    Parameters
    ----------
    search : str or None
        As the browser gives it.

    Returns
    -------
    dict
        Names and values, each once.
    """
    return dict(parse_qsl((search or "").lstrip("?"), max_num_fields=20))


def register(app: Dash, store: Store, jobs: Jobs, settings: Settings) -> None:
    """Bind the callback that shows a page.

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
        Output(ids.BODY, "children"),
        Output(ids.NAVIGATION, "children"),
        Output(ids.SHOWN, "data"),
        Input(ids.URL, "pathname"),
        Input(ids.URL, "search"),
        Input(ids.REFRESH, "data"),
        State(ids.SHOWN, "data"),
    )
    def show(pathname: str, search: str, refresh: int, shown: list[Any] | None) -> Any:
        page = next((p for p in PAGES if p.path == pathname), None)
        query = read_query(search)
        case = store.find(query.get("case"))
        carried = query if case else {k: v for k, v in query.items() if k != "case"}
        listed = [(p.path, p.name, p.question) for p in PAGES]
        ways = navigation(listed, pathname, carried)
        if page is None:
            return empty("There is no such page. Take one of those above."), ways, None
        identity = [page.path, refresh, *(query.get(n, "") for n in page.needs)]
        if identity == shown:
            return no_update, no_update, no_update
        job = jobs.state(case.key) if case else None
        visit = Visit(store=store, settings=settings, jobs=jobs, case=case, job=job, query=query)
        try:
            content = page.layout(visit)
        except CrabwiseError as error:
            content = [html.H1(page.question), error_box(str(error), "This page cannot be shown")]
        if "case" in query and case is None:
            gone = (
                "This recording is not here (any more): it was let go after a day without use, or "
            )
            gone += "the page was started anew. Bring it in again."
            if page.path == "/":
                content[1:1] = [empty(gone)]
            else:
                content = [
                    content[0],
                    empty(gone, dcc.Link("Bring one in", href="/", className="button")),
                ]
        return content, ways, identity
