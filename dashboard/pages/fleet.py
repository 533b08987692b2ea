"""Fleet: which one needs me?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from analyzer.figures import fleet_causes, fleet_drift, fleet_spread, fleet_trend
from analyzer.fleet_report import (
    DUE_HEAD,
    ROBOT_HEAD,
    SERVICE_CAUTION,
    due_rows,
    fleet_headline,
    robot_rows,
)
from dashboard import ids
from dashboard.components.pieces import empty, figure, table

if TYPE_CHECKING:
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
    head = html.H1("Which robot needs me?")
    names = visit.store.fleets()
    if not names:
        return [
            head,
            empty(
                "A fleet is analysed by the command line: crabwise fleet SOURCE --robot FILE --out FOLDER. Start "
                "this page with --shelf FOLDER, or with a folder that holds it, and the summary shows up here."
            ),
        ]
    wanted = visit.query.get("fleet", "")
    name = wanted if wanted in names else names[0]
    summary = visit.store.fleet(name)
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
    parts.append(
        html.Div(html.P(fleet_headline(summary), className="sentence"), className="answer")
    )
    due = due_rows(summary)
    parts.append(
        html.Section(
            [
                html.H2("Wheels due for service"),
                table(DUE_HEAD, due[:SHOWN], "By mean probability over the latest recordings") if due else html.P("None."),
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
                        html.Summary(f"All {len(summary['robots'])} robots in numbers"),
                        table(ROBOT_HEAD, robot_rows(summary, SHOWN), "Worst drift first"),
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
                           "Against the median of the fleet, in units of its spread; beyond 3.5 a robot stands out.",
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
    if summary["failed"]:
        rows = [(f["robot"], f["recording"], f["message"]) for f in summary["failed"][:SHOWN]]
        parts.append(
            html.Section(
                [
                    html.H2("Recordings that could not be analysed"),
                    table(
                        ("robot", "recording", "reason"), rows, f"{len(summary['failed'])} in all"
                    ),
                ]
            )
        )
    return parts
