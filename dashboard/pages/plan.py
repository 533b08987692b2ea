"""Plan: what to drive next?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import html

from analyzer.plan import make_plan
from analyzer.quantities import RobotFileError
from analyzer.robot import parse_robot
from analyzer.season_report import decided
from analyzer.sheets import turning
from dashboard import ids
from dashboard.components.pieces import empty, error_box, table

if TYPE_CHECKING:
    from dashboard.pages import Visit


def _minutes(minutes: float) -> str:
    whole = max(1, round(minutes))
    return "a minute" if whole == 1 else f"{whole} minutes"


def _enough(steps: list[dict[str, Any]]) -> list[Any]:
    if not steps:
        return []
    items = [html.Li(f"{s['title']} ({s['recorded']} each way)") for s in steps]
    return [html.H3("Recorded well enough"), html.Ul(items)]


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
    head = html.H1("What to drive next?")
    text = visit.case.robot_text() if visit.case else None
    if visit.case is None or text is None:
        return [
            head,
            empty(
                "The plan follows the robot file. Bring in a recording, or a robot file with it."
            ),
        ]
    try:
        robot = parse_robot(text, "robot file")
    except RobotFileError as error:
        return [head, error_box(str(error), "The robot file is at fault")]
    analysis = visit.store.analysis(visit.case)
    plan = make_plan(robot, [] if analysis is None else [analysis])
    steps = []
    for s in plan["steps"]:
        what: list[Any] = [html.Strong(s["title"])]
        if s["key"] != "rest":
            what.append(html.Div(f"{s['speed']:.2f} {s['unit']}, {s['repeats']} each way"
                                 + (f" ({s['recorded']} there already)" if s["recorded"] else "")))  # fmt: skip
        size = s["floor_m"]
        floor = f"{size['length']:.1f} × {size['width']:.1f} m" if size["length"] else "–"
        steps.append((str(s["order"]), what, s["how"], floor, decided(s)))
    wheels = [
        (row["motion"], *(turning(w).replace("\u00a0", " ") for w in row["wheels"].values()))
        for row in plan["wheel_directions"]
    ]
    key = visit.case.key
    return [
        head,
        html.Div(
            [
                html.P(robot.name, className="whose"),
                html.P(
                    f"{len(plan['steps'])} step{'' if len(plan['steps']) == 1 else 's'}, about {_minutes(plan['minutes'])}; what tells most per minute "
                    "comes first." + ("" if analysis is None else " What is recorded well enough is left out."),
                    className="sentence",
                ),
                html.Div(
                    [
                        html.Button("Print", id=ids.PLAN_PRINT, type="button"),
                        html.A("Download plan sheet", className="button quiet", href=f"/file/{key}/plan.html"),
                    ],
                    className="row",
                ),
            ],
            className="answer",
        ),
        html.Div([html.Strong("Caution"), html.Ul([html.Li(t) for t in plan["cautions"]])], className="warning"),
        html.Section(
            [
                html.H2("Passes"),
                table(("step", "what", "how", "floor", "tells"), steps, "In this order"),
                *_enough(plan["enough"]),
            ]
        ),
        html.Section(
            [
                html.H2("Which way each wheel turns"),
                table(("motion", *plan["robot"]["wheels"]), wheels, "Share of the fastest wheel, where it is not all", "compact"),
            ]
        ),
        html.Section(
            [
                html.H2("Log this"),
                html.P("; ".join(plan["channels"]) + "."),
                html.P(plan["stability"]["text"]),
            ]
        ),
        html.Section(
            [
                html.H2("Service sheets"),
                html.P("Steps and cautions for the wheel on the bench."),
                html.Div(
                    [
                        html.A(f"Wheel {name}", className="button quiet", href=f"/file/{key}/service.html?wheel={k}")
                        for k, name in enumerate(robot.wheel_names)
                    ],
                    className="row",
                ),
            ],
            className="screen",
        ),
    ]  # fmt: skip
