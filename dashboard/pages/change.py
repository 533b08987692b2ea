"""Change: what if?"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from dash import dcc, html

from analyzer.pipeline import RunAnalysis
from analyzer.quantities import rounded
from analyzer.report import PLACE, number
from dashboard import ids
from dashboard.components.hold import hold_section
from dashboard.components.pieces import BARE, GRAPH, answer, aria, term
from dashboard.components.states import without_analysis
from dashboard.components.trial import PARTS, SHIFT_ONLY, Trial, advised, as_it_is, read_trial

if TYPE_CHECKING:
    from dashboard.pages import Visit

FREE_SHIFT = 60.0
"""Reach of the sliders where the robot file names nothing that can be moved. [mm]"""


DRAGGED: Any = {"edits": {"shapePosition": True}}
"""Masses move at the first touch; a shape that is only editable would have to be clicked before."""


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
    head = html.H1("What if you change something?")
    analysis = visit.store.analysis(visit.case) if visit.case else None
    if analysis is None or visit.case is None:
        return [head, without_analysis(visit)]
    trial = read_trial(analysis, visit.query.get("set"))
    return [
        head,
        answer(analysis),
        advice(analysis),
        html.Section(
            [
                html.H2("Try it"),
                html.P(
                    "Move a slider, tick what you would service"
                    + (", or drag a mass in the drawing" if analysis.robot.masses else "")
                    + ": the passes are predicted anew from the forces of this recording.",
                    className="note",
                ),
                html.Div(id=ids.CHANGE_ANSWER, role="status", className="predicted"),
                html.Div(
                    [
                        html.Div(
                            [
                                html.Div(
                                    [
                                        html.Button("Set to the advice", id=ids.CHANGE_ADVISED, type="button"),
                                        html.Button("Back to as it is", id=ids.CHANGE_RESET, type="button", className="quiet"),
                                    ],
                                    className="row",
                                ),
                                html.Div(controls(analysis, trial), id="change-controls"),
                            ]
                        ),
                        html.Div(
                            [
                                html.Div(id=ids.CHANGE_NUMBERS),
                                html.Div(dcc.Graph(id=ids.CHANGE_FAN, config=GRAPH), role="group",
                                         **aria(label="Fan of sideways passes as driven, and after the change")),
                                html.Div(dcc.Graph(id=ids.CHANGE_BASE, config=BARE | DRAGGED), role="group",
                                         **aria(label="Plan of the base; masses can be dragged, the sliders do the same")),
                            ]
                        ),
                    ],
                    className="columns",
                ),
            ]
        ),
        hold_section(visit.store.hold(visit.case)),
        html.Section(
            [
                html.H2("Take it along"),
                html.P("Constants of the change above, to put into the program or on the bench:"),
                html.Pre(id=ids.CHANGE_CONSTANTS, tabIndex="0"),
                html.Div(
                    [
                        html.Button("Copy constants", id=ids.CHANGE_COPY, type="button", className="quiet"),
                        html.A("Download constants", id="change-constants-file", className="button quiet", href="#"),
                        html.A("Download report", className="button", href=f"/file/{visit.case.key}/report.html"),
                        html.A("Download result (JSON)", className="button quiet", href=f"/file/{visit.case.key}/result.json"),
                    ],
                    className="row",
                ),
            ]
        ),
    ]  # fmt: skip


def advice(analysis: RunAnalysis) -> html.Section:
    """What the analysis advises, in its order, with what each should bring.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    Section
        Numbered list with cautions.
    """
    items = []
    for remedy in analysis.result["remedies"]:
        effect = remedy["expected_effect"]
        rest = effect.get("yaw_drift_deg_per_m")
        place = PLACE.get(effect.get("place", ""), "")
        told: list[Any] = [html.Strong(remedy["text"])]
        if rest is not None:
            told.append(
                html.Div(
                    [
                        "Should leave ",
                        html.Strong(number(rest, 1 if rest.get("std_error", 1.0) > 0.05 else 3)),
                        " of yaw drift.",
                    ]
                )
            )
        told.append(html.Div(f"{place}. {effect['text']}", className="note"))
        told.append(html.Div([html.Strong("Caution: "), remedy["caution"]], className="caution"))
        items.append(html.Li(told))
    if not items:
        return html.Section([html.H2("Advice"), html.P("Nothing needs changing.")])
    return html.Section(
        [html.H2("Advice, what to do first is first"), html.Ol(items, className="advice")]
    )


def controls(analysis: RunAnalysis, trial: Trial) -> list[Any]:
    """Sliders and boxes, set to a trial, with the advised values marked.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    trial : Trial
        What they are set to.

    Returns
    -------
    list of components
        Field sets.
    """
    robot = analysis.robot
    best = advised(analysis)
    parts: list[Any] = []
    masses = [(m.name, m.x_range_m, m.y_range_m) for m in robot.masses] or [
        (SHIFT_ONLY, None, None)
    ]
    for k, (name, along, across) in enumerate(masses):
        sliders = []
        for axis, limits, label in (
            (0, along, "ahead of the middle"),
            (1, across, "left of the middle"),
        ):
            now, target = 1e3 * trial.places[k][axis], 1e3 * best.places[k][axis]
            if robot.masses:
                was = 1e3 * (robot.masses[k].x_m, robot.masses[k].y_m)[axis]
                low, high = (was, was) if limits is None else (1e3 * limits[0], 1e3 * limits[1])
            else:
                low, high, was = -FREE_SHIFT, FREE_SHIFT, 0.0
            if high - low < 1:
                continue
            sliders.append(
                slider({"type": ids.CHANGE_SHIFT, "mass": k, "axis": axis}, f"{label} [mm]",
                       (low, high, 1.0), now, was, target, name)
            )  # fmt: skip
        if sliders:
            parts.append(
                html.Fieldset(
                    [html.Legend(f"Move: {name}" if robot.masses else SHIFT_ONLY), *sliders]
                )
            )
    boxes = []
    for part, label in PARTS:
        held = [w for c, w in trial.serviced if c == part and w]
        boxes.append(
            html.Div(
                [
                    html.Span(label, className="label"),
                    dcc.Checklist(
                        id={"type": ids.CHANGE_SERVICE, "part": part},
                        options=[
                            {
                                "label": f" {w}"
                                + (" (advised)" if (part, w) in best.serviced else ""),
                                "value": w,
                            }
                            for w in robot.wheel_names
                        ],
                        value=held,
                        inline=True,
                        className="inline",
                    ),
                ],
                className="field",
            )
        )
    parts.append(html.Fieldset([html.Legend("Bring back to sound"), *boxes]))
    factors = [
        slider({"type": ids.CHANGE_FACTOR, "wheel": k}, f"{name}", (0.95, 1.05, 0.001),
               trial.factors[k], 1.0, best.factors[k], f"factor of wheel {name}")
        for k, name in enumerate(robot.wheel_names)
    ]  # fmt: skip
    parts.append(
        html.Fieldset(
            [
                html.Legend([term("wheel factors", "Wheel factors")]),
                html.Div(factors, className="sliders"),
            ]
        )
    )
    parts.append(_lever(trial.lever, as_it_is(analysis).lever, best.lever))
    return parts


def _lever(now: float, was: float, target: float) -> html.Fieldset:
    ends = sorted((was, target))
    reach = (round(850 * ends[0]), round(1150 * ends[1]), 0.5)
    return html.Fieldset(
        [
            html.Legend([term("yaw lever", "Yaw lever"), " in the program"]),
            html.P(
                "Changes how the program reads a turn off its wheels, and how far it turns when it is asked to. It does "
                "not straighten a sideways pass: no turn is asked for there, so the wheels get the same speeds with "
                "any lever.",
                className="note",
            ),
            slider({"type": ids.CHANGE_LEVER, "of": "base"}, "length [mm]", reach, 1e3 * now, 1e3 * was, 1e3 * target,
                   "yaw lever"),
            html.Div(id=ids.CHANGE_LEVER_TOLD, role="status"),
        ]
    )  # fmt: skip


def slider(
    identity: dict[str, Any], label: str, reach: tuple[float, float, float], now: float, was: float,
    target: float, name: str,
) -> html.Div:  # fmt: skip
    """Slider with marks at what is and at what is advised.

    Parameters
    ----------
    identity : dict
        Component id.
    label : str
        Name and unit.
    reach : (float, float, float)
        Lowest, highest, step.
    now, was, target : float
        Set to; as it is; advised.
    name : str
        What it moves, for screen readers.

    Returns
    -------
    Div
        Labelled slider.
    """
    low, high, step = reach
    digits = max(0, math.ceil(-math.log10(step)))
    room = 0.15 * (high - low)
    ends = (e for e in (low, high) if min(abs(e - was), abs(e - target)) > room)
    marks = {e: f"{e:.{digits}f}" for e in ends} | {was: "as is"}
    said = f"{label}: as is {rounded(was, digits)}"
    if abs(target - was) >= step:
        # Close together only one of the two has room.
        marks[was] = "as is" if abs(target - was) > 0.35 * (high - low) else ""
        marks[target] = "advised"
        said += f", advised {target:.{digits}f}"
    return html.Div(
        [
            html.Span(said, className="label", id=f"label-{'-'.join(str(v) for v in identity.values())}"),
            dcc.Slider(
                id=identity, min=low, max=high, step=step, value=round(now, digits), included=False,
                marks={round(float(k), digits): v for k, v in marks.items()},
            ),
        ],
        className="field slider",
        role="group",
        **aria(label=f"{name}, {label}"),
    )  # fmt: skip
