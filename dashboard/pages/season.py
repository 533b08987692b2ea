"""Season: how does it go on?"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from dash import dcc, html

from analyzer.figures import measure_words, trend_figure
from analyzer.figures.causes import cause_name
from analyzer.quantities import CrabwiseError
from analyzer.season_report import trend_sentences
from analyzer.shelf import list_measures, list_results, trend
from dashboard import ids
from dashboard.components.pieces import empty, error_box, figure, table

if TYPE_CHECKING:
    from pathlib import Path

    from dashboard.pages import Visit

SHOWN = 100


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
    head = html.H1("How does it go over the season?")
    shelf = visit.store.shelf
    if shelf is None:
        return [
            head,
            empty(
                "The season is kept in a folder. Start the page with crabwise dashboard --shelf FOLDER; results "
                "filed there, here or by crabwise analyze --shelf FOLDER, show up on this page."
            ),
        ]
    parts: list[Any] = [head]
    robot = _robot(visit)
    try:
        rows = list_results(shelf, newest=SHOWN) if begun(shelf) else []
        names = list_measures(shelf, robot=robot) if rows else []
    except CrabwiseError as error:
        return [head, error_box(str(error), "The folder cannot be read")]
    if rows:
        parts.append(_course(visit, shelf, names, robot or rows[-1]["robot"]))
        parts.append(html.Section([html.H2("Filed so far"), _list(rows)]))
    else:
        parts.append(empty("Nothing is filed in this folder yet."))
    parts.append(_filing(visit))
    return parts


def begun(shelf: Path) -> bool:
    """Whether any result was filed in a folder.

    Parameters
    ----------
    shelf : Path
        The folder.

    Returns
    -------
    bool
        False for a folder that holds recordings only.
    """
    return (shelf / "results").is_dir()


def _robot(visit: Visit) -> str | None:
    analysis = visit.store.analysis(visit.case) if visit.case else None
    if analysis is None or visit.store.shelf is None or not begun(visit.store.shelf):
        return None
    known = list_results(visit.store.shelf, robot=analysis.robot.name, newest=1)
    return analysis.robot.name if known else None


def _course(visit: Visit, shelf: Path, names: list[str], robot: str) -> html.Section:
    asked = visit.query.get("measure", "")
    drift = [n for n in names if n.startswith("yaw_drift")]
    measure = asked if asked in names else (drift or names or [""])[0]
    limit = number_in(visit.query.get("limit"))
    return html.Section(
        [
            html.H2("Course of a measure"),
            html.Div(
                [
                    html.Div(
                        [
                            html.Span("measure", className="label"),
                            dcc.Dropdown(
                                id=ids.SEASON_MEASURE, value=measure, clearable=False,
                                options=[{"label": measure_words(n), "value": n} for n in names],
                            ),
                        ],
                        className="field wide",
                    ),
                    html.Label(
                        [
                            html.Span("limit that must not be crossed, in the unit of the axis", className="label"),
                            dcc.Input(id=ids.SEASON_LIMIT, type="text", debounce=True,
                                      value="" if limit is None else f"{limit:g}"),
                        ],
                        className="field",
                    ),
                ],
                className="row",
            ),
            html.Div(course(shelf, measure, robot, limit), id=ids.SEASON_COURSE),
            dcc.Store(id="season-robot", data=robot),
        ]
    )  # fmt: skip


def course(shelf: Path, measure: str, robot: str, limit: float | None) -> list[Any]:
    """Figure and sentences of a measure over the season.

    Parameters
    ----------
    shelf : Path
        The folder.
    measure, robot : str
        What to follow.
    limit : float or None
        Limit to forecast.

    Returns
    -------
    list of components
        Or the error box.
    """
    try:
        followed = trend(shelf, measure, robot=robot, limit=limit)
    except CrabwiseError as error:
        return [error_box(str(error), "This course cannot be shown")]
    return [
        figure(ids.SEASON_FIGURE, trend_figure(followed),
               "Bars are 95 % intervals. Dashed lines with a text are services; dotted lines are breaks that the course shows.", "Course of the measure over the season"),
        html.Ul([html.Li(s.replace(measure, measure_words(measure))) for s in trend_sentences(followed)]),
    ]  # fmt: skip


def number_in(text: str | None) -> float | None:
    """Number that a field holds.

    Parameters
    ----------
    text : str or None
        As typed.

    Returns
    -------
    float or None
        None where it is no number.
    """
    try:
        value = float(str(text or "").replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _list(rows: list[dict[str, Any]]) -> html.Table:
    shown = []
    for r in reversed(rows):
        done = "; ".join(
            (f"{s['wheel']}: " if s["wheel"] else "") + s["what"] for s in r["service"]
        )
        word, _, wheel = (r["cause"] or "").partition(" ")
        cause = cause_name({"cause": word, "wheel": wheel or None}) if word else "–"
        if r["cause"] and r["probability"] is not None:
            cause += f" {100 * r['probability']:.0f} %"
        hours = "–" if r["hours"] is None else f"{r['hours']:.1f}"
        shown.append(
            (
                f"{r['recorded_at']:%Y-%m-%d %H:%M}",
                hours,
                r["robot"],
                cause,
                done or "–",
                r["note"] or "–",
            )
        )
    head = ("recorded (UTC)", "hours", "robot", "most likely cause", "service before", "note")
    return table(head, shown, f"The newest {len(shown)}")  # fmt: skip


def _filing(visit: Visit) -> html.Section:
    analysis = visit.store.analysis(visit.case) if visit.case else None
    if analysis is None:
        return empty("Analyse a recording, then file its result here.")
    fields = (
        (ids.SEASON_SERVICE, "service before it, as in: FL: rollers cleaned"),
        (ids.SEASON_NOTE, "note"),
        (ids.SEASON_DATE, "recorded on (2026-11-25), if not logged"),
        (ids.SEASON_HOURS, "operating hours"),
    )
    return html.Section(
        [
            html.H2("File this result"),
            html.Div(
                [
                    html.Label(
                        [html.Span(label, className="label"), dcc.Input(id=identity, type="text", maxLength=300)],
                        className="field",
                    )
                    for identity, label in fields
                ],
                className="fields broad",
            ),
            html.Button("File it", id=ids.SEASON_FILE, type="button"),
            html.Div(id=ids.SEASON_FILED, role="status"),
        ]
    )  # fmt: skip
