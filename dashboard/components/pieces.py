"""Small pieces that every page uses."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, cast

import plotly.graph_objects as go
from dash import dcc, html

from analyzer.channels import WORDS
from analyzer.pipeline import RunAnalysis
from analyzer.report import headline

GRAPH: Any = {
    "displaylogo": False,
    "responsive": True,
    "modeBarButtonsToRemove": ["select2d", "lasso2d", "autoScale2d"],
}


BARE: Any = {"displayModeBar": False, "responsive": True}


def aria(**names: str) -> dict[str, Any]:
    """Attributes for assistive technology.

    Parameters
    ----------
    **names : str
        Attribute without its prefix, and value.

    Returns
    -------
    dict
        To hand to a component.
    """
    return {f"aria-{name}": value for name, value in names.items()}


def error_box(message: str, title: str = "This did not work") -> html.Div:
    """Box for what went wrong, every fault on a line of its own.

    Parameters
    ----------
    message : str
        What was found and what to do.
    title : str
        Heading.

    Returns
    -------
    Div
        Announced by screen readers.
    """
    lines = [line.strip() for line in message.splitlines() if line.strip()]
    return html.Div(
        [html.Strong(title), html.Ul([html.Li(line) for line in lines])],
        className="error",
        role="alert",
    )


def empty(text: str, *children: Any) -> html.Section:
    """What a page says while it has nothing to show.

    Parameters
    ----------
    text : str
        Why there is nothing, and what to do.
    *children : component
        Ways on.

    Returns
    -------
    Section
        The empty state.
    """
    return html.Section([html.P(text), *children], className="empty")


def term(word: str, shown: str | None = None) -> html.Details:
    """Word of the glossary that explains itself.

    Parameters
    ----------
    word : str
        Entry of the glossary.
    shown : str, optional
        Text shown in its stead.

    Returns
    -------
    Details
        Opens by click, touch or key.
    """
    return html.Details(
        [html.Summary(shown or word), html.Span(WORDS[word], className="meaning")],
        className="term",
    )


def figure(
    graph: str | dict[str, str], drawn: go.Figure, text: Any, label: str, **more: Any
) -> html.Figure:
    """Figure with its caption.

    Parameters
    ----------
    graph : str or dict
        Component id.
    drawn : Figure
        What to draw.
    text : component or str
        Caption.
    label : str
        What a screen reader says.
    **more : object
        Further properties of the graph.

    Returns
    -------
    Figure
        HTML figure.
    """
    return html.Figure(
        [
            html.Div(
                dcc.Graph(id=graph, figure=on_page(drawn), config=GRAPH, **more),
                role="group",
                **aria(label=label),
            ),
            html.Figcaption(text),
        ],
        className="drawn",
    )


def on_page(drawn: go.Figure) -> go.Figure:
    """Let the page's own ground show through; ink and lines follow light and dark by style sheet.

    Parameters
    ----------
    drawn : Figure
        Figure; changed in place.

    Returns
    -------
    Figure
        The same figure.
    """
    clear = "rgba(0,0,0,0)"
    drawn.update_layout(paper_bgcolor=clear, plot_bgcolor=clear, modebar={"bgcolor": clear})
    return drawn


def answer(analysis: RunAnalysis, *more: Any) -> html.Div:
    """Answer in one sentence, with numbers.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    *more : component
        Ways on.

    Returns
    -------
    Div
        First thing on the page.
    """
    return html.Div(
        [
            html.P(analysis.robot.name, className="whose"),
            html.P(headline(analysis.result), className="sentence"),
            *more,
        ],
        className="answer",
    )


def table(
    head: Sequence[Any],
    rows: Iterable[Sequence[Any]],
    caption: str,
    name: str = "stacking",
    marked: int | None = None,
) -> html.Table:
    """Table for wide screens and narrow ones.

    Parameters
    ----------
    head : sequence of str or component
        Column headings.
    rows : iterable of sequences
        Cells.
    caption : str
        What the table holds.
    name : str
        Class names; with "stacking" the cells of a row stand under one another where the screen is
        narrow, with "compact" the columns stay.
    marked : int, optional
        Row to bring out.

    Returns
    -------
    Table
        HTML table.
    """
    labels = [h if isinstance(h, str) else h.children[0].children for h in head]
    body = []
    for number, row in enumerate(rows):
        cells = [
            html.Td(_whole(cell), **cast("dict[str, Any]", {"data-label": label}))
            for cell, label in zip(row, labels, strict=True)
        ]
        body.append(html.Tr(cells, className="chosen" if number == marked else ""))
    return html.Table(
        [
            html.Caption(caption),
            html.Thead(html.Tr([html.Th(h, scope="col") if h else html.Td() for h in head])),
            html.Tbody(body),
        ],
        className=name,
    )


def _whole(cell: Any) -> Any:
    """Keep a short value and its unit on one line, and several parts in one piece."""
    if isinstance(cell, str) and "±" in cell and len(cell) < 28:
        return html.Span(cell, className="whole")
    return html.Div(cell) if isinstance(cell, list) else cell


def facts(pairs: Iterable[tuple[Any, str]]) -> html.Div:
    """Few numbers side by side.

    Parameters
    ----------
    pairs : iterable of (component or str, str)
        Name and value.

    Returns
    -------
    Div
        One box a number.
    """
    return html.Div(
        [
            html.Div([html.Div(name, className="label"), html.Div(value, className="value")])
            for name, value in pairs
        ],
        className="facts",
    )
