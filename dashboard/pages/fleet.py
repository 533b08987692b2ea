"""Fleet: which one needs me?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from dash import dcc, html

from analyzer.figures import fleet_causes, fleet_drift, fleet_spread, fleet_trend
from analyzer.figures.causes import cause_name
from analyzer.fleet_report import (
    DUE_HEAD,
    ROBOT_HEAD,
    SERVICE_CAUTION,
    due_rows,
    fleet_headline,
    robot_rows,
)
from analyzer.page import SHOWN as AT_ONCE
from analyzer.quantities import CrabwiseError, Estimate
from dashboard import ids
from dashboard.components.pieces import empty, error_box, figure, table
from dashboard.fleets import DEPTH, Fleets

if TYPE_CHECKING:
    from dashboard.pages import Visit

SHOWN = 100


def _listed(
    head: Sequence[Any], rows: Sequence[Sequence[Any]], caption: str, kind: str = "stacking named"
) -> list[Any]:
    """Table of the first rows; those beyond `AT_ONCE` open on a click, those beyond `SHOWN` are told."""
    told = f"{caption}; the first {SHOWN} of {len(rows)}" if len(rows) > SHOWN else caption
    out: list[Any] = [table(head, rows[:AT_ONCE], told, kind)]
    rest = rows[AT_ONCE:SHOWN]
    if rest:
        summary = html.Summary(f"{len(rest)} more")
        out.append(html.Details([summary, table(head, rest, "Continued", kind)], className="more"))
    return out


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
    head = html.H1("Which robot needs me?")
    fleets = visit.store.fleets
    names = fleets.names()
    if not names:
        return [head, _none(visit)]
    wanted = visit.query.get("fleet", "")
    name = wanted if wanted in names else names[0]
    parts: list[Any] = [head]
    if len(names) > 1:
        parts.append(
            html.Div(
                [
                    html.Span("fleet", className="label"),
                    dcc.Dropdown(id=ids.FLEET_WHICH, options=names, value=name, clearable=False),
                ],
                className="field pick",
            )
        )
    try:
        summary, finished = fleets.summary(name)
    except CrabwiseError as error:
        return [*parts, error_box(str(error), "This fleet cannot be shown")]
    if not finished:
        words = (
            "This fleet is still being worked on, or was stopped: these are the recordings so far. "
        )
        words += "The same crabwise fleet command goes on where it stopped."
        parts.append(html.P(words, className="warning"))
    parts.append(
        html.Div(
            [
                html.P(name, className="whose"),
                html.P(fleet_headline(summary), className="sentence"),
            ],
            className="answer",
        )
    )
    due = due_rows(summary)
    parts.append(
        html.Section(
            [
                html.H2("Wheels due for service"),
                *(_listed(DUE_HEAD, due, "By mean probability over the latest recordings", "stacking") if due else [html.P("None.")]),
                html.Div([html.Strong("Caution: "), SERVICE_CAUTION], className="caution") if due else None,
            ]
        )
    )  # fmt: skip
    parts.append(
        html.Section(
            [
                html.H2("Robots by worst drift"),
                figure(ids.FLEET_DRIFT, fleet_drift(summary), "Mean of the latest three recordings, with 95 % intervals.",
                       "Yaw drift of the robots"),
                html.Details(
                    [
                        html.Summary("Every robot in numbers"),
                        *_listed(ROBOT_HEAD, robot_rows(summary), "Worst drift first", "stacking"),
                    ],
                    className="more",
                ),
            ]
        )
    )  # fmt: skip
    parts.append(
        html.Section(
            [
                html.H2("Causes by count"),
                figure(ids.FLEET_CAUSES, fleet_causes(summary), "First cause of each recording.", "Causes by count"),
            ]
        )
    )  # fmt: skip
    if summary["spread"]:
        parts.append(
            html.Section(
                [
                    html.H2("Robots that stand out"),
                    figure(ids.FLEET_SPREAD, fleet_spread(summary),
                           "Against the median of the fleet, in units of its spread; beyond 3.5 a robot stands out. Values beyond 12 are drawn at 12.",
                           "Robots against the spread of the fleet"),
                ]
            )
        )  # fmt: skip
    measures = [t["measure"] for t in summary["trends"] if t["measure"].startswith("yaw_drift")]
    if measures:
        parts.append(
            html.Section(
                [
                    html.H2("Change with hours in service"),
                    figure(ids.FLEET_TREND, fleet_trend(summary, measures[0]),
                           "The eight robots that change most; bars are 95 % intervals.", "Yaw drift over hours"),
                ]
            )
        )  # fmt: skip
    parts.append(_recordings(visit, name, summary))
    if summary["failed"]:
        rows = [(f["robot"], f["recording"], f["message"]) for f in summary["failed"]]
        parts.append(
            html.Section(
                [
                    html.H2("Recordings that could not be analysed"),
                    *_listed(("robot", "recording", "reason"), rows, f"{len(rows)} in all"),
                ]
            )
        )
    return parts


def _none(visit: Visit) -> html.Section:
    told = "A fleet is analysed by the command line; a result of it can be shown here:"
    searched = ""
    if visit.store.shelf is not None:
        searched = f"No result of a fleet was found in {visit.store.shelf.name} or up to {DEPTH} folders below it. "
    return empty(
        searched + told,
        html.Pre(
            "crabwise fleet ARCHIVE --robot FILE --out RESULT\ncrabwise dashboard --fleet RESULT",
            tabIndex="0",
        ),
        html.P(
            "A result in the folder that the page is started with (--shelf) is found by itself."
        ),
    )


def _recordings(visit: Visit, name: str, summary: dict[str, Any]) -> html.Section:
    robots = [r["robot"] for r in summary["robots"]]
    causes = [c["cause"] for c in summary["causes"]]
    asked = (visit.query.get("robot", ""), visit.query.get("cause", ""))
    robot = asked[0] if asked[0] in robots else ""
    cause = asked[1] if asked[1] in causes else ""
    named = {c: cause_name({"cause": c, "wheel": None}) for c in causes}
    return html.Section(
        [
            html.H2("Recording by recording"),
            html.Div(
                [
                    html.Div(
                        [
                            html.Span(label, className="label"),
                            dcc.Dropdown(id=identity, options=options, value=value or None, placeholder=every),
                        ],
                        className="field wide",
                    )
                    for label, identity, options, value, every in (
                        ("robot", ids.FLEET_ROBOT, robots, robot, "all robots"),
                        ("first cause", ids.FLEET_CAUSE,
                         [{"label": words, "value": c} for c, words in named.items()], cause, "any cause"),
                    )
                ],
                className="row",
            ),
            html.Div(recordings(visit.store.fleets, name, robot, cause), id=ids.FLEET_ROWS, role="status"),
            dcc.Store(id=ids.FLEET_NAME, data=name),
        ]
    )  # fmt: skip


def recordings(fleets: Fleets, name: str, robot: str, cause: str) -> list[Any]:
    """Recordings of a fleet, the newest first.

    Parameters
    ----------
    fleets : Fleets
        Fleets of the page.
    name : str
        One of them.
    robot, cause : str
        Only those; "" for all.

    Returns
    -------
    list of components
        Table, or the error box.
    """
    try:
        found = fleets.recordings(name, robot, cause)
    except CrabwiseError as error:
        return [error_box(str(error), "The recordings cannot be shown")]
    if not found.num_rows:
        return [html.P("There is no such recording.")]
    rows = []
    for row in found.slice(0, SHOWN).to_pylist():
        if row["status"] == "ok":
            first = (
                cause_name({"cause": row["cause"], "wheel": row["cause_wheel"]})
                if row["cause"]
                else "–"
            )
            if row["cause_probability"] is not None:
                first += f" {100 * row['cause_probability']:.0f} %"
            sides = [_drift(row, side) for side in ("left", "right")]
        else:
            told = row["message"].splitlines()[0] if row["message"] else ""
            told = told if len(told) < 100 else f"{told[:99]}…"
            first, sides = f"could not be analysed: {told}", ["–", "–"]
        where = f"{row['robot']}, {row['recorded_at']:%Y-%m-%d %H:%M} UTC"
        rows.append(([row["recording"], html.Div(where, className="note")], *sides, first))
    head = ("recording", "yaw drift left", "yaw drift right", "first cause")
    count = f"{found.num_rows} recording" + ("" if found.num_rows == 1 else "s")
    if found.num_rows > SHOWN:
        count = f"The newest {SHOWN} of {count}"
    caption = f"{count}; values ± half of the 95 % interval, anticlockwise positive"
    return _listed(head, rows, caption)


def _drift(row: dict[str, Any], side: str) -> str:
    value, error = (row[f"yaw_drift_{side}_deg_per_m{part}"] for part in ("", "_std_error"))
    return "–" if value is None or error is None else str(Estimate.of(value, error, "°/m"))
