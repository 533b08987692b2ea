"""Motion: what does it do?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import html

from analyzer.figures import fan
from dashboard.components.pieces import answer, empty, figure

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
    head = html.H1("What does it do?")
    analysis = visit.store.analysis(visit.case) if visit.case else None
    if analysis is None:
        return [head, empty("No analysis yet. Bring in a recording first.")]
    return [
        head,
        answer(analysis),
        figure("motion-fan", fan(analysis), "All sideways passes from one origin.", "Fan"),
    ]
