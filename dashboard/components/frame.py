"""What surrounds every page: name, ways to the pages, place for the page itself."""

from __future__ import annotations

from dash import dcc, html

from dashboard import ids
from dashboard.components.pieces import aria


def frame() -> html.Div:
    """Give the frame that stays while pages change.

    Returns
    -------
    Div
        Layout of the application.
    """
    return html.Div(
        [
            dcc.Location(id=ids.URL, refresh="callback-nav"),
            dcc.Store(id=ids.SHOWN),
            dcc.Store(id=ids.REFRESH, data=0),
            html.A("Skip to the page", href="#" + ids.BODY, className="skip"),
            html.Header(
                [
                    html.Div(
                        [
                            html.Img(src="/assets/mark.svg", alt="", className="mark"),
                            html.Span("Crabwise", className="name"),
                            html.Span(
                                "why it arcs sideways, and what to change", className="purpose"
                            ),
                        ],
                        className="brand",
                    ),
                    html.Button("Look", id="theme", type="button", className="quiet"),
                ],
                className="top",
            ),
            html.Nav(id=ids.NAVIGATION, **aria(label="Pages")),
            html.Main(
                html.P("One moment …", className="wait"),
                id=ids.BODY,
                tabIndex="-1",
            ),
        ],
        className="frame",
    )


def navigation(
    pages: list[tuple[str, str, str]], current: str, query: dict[str, str]
) -> list[html.Ol]:
    """Ways to the pages, in the order of the questions.

    Parameters
    ----------
    pages : list of (str, str, str)
        Path, name, question.
    current : str
        Path of the page that is shown.
    query : dict
        What goes along in the address.

    Returns
    -------
    list of Ol
        Children of the navigation.
    """
    from urllib.parse import urlencode

    search = "?" + urlencode(query) if query else ""
    items = []
    for path, name, question in pages:
        here = aria(current="page") if path == current else {}
        link = dcc.Link(
            [html.Span(name, className="page-name"), html.Span(question, className="question")],
            href=path + search,
            className="here" if here else "",
        )
        items.append(html.Li(link, **here))
    return [html.Ol(items)]
