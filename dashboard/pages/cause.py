"""Cause: why?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from analyzer.figures import base_from_above, drift_by_speed, gauges, misfits
from analyzer.figures.causes import cause_name
from analyzer.pipeline import RunAnalysis
from analyzer.report import cause_size
from dashboard import ids
from dashboard.components.pieces import answer, aria, figure, term
from dashboard.components.states import without_analysis

if TYPE_CHECKING:
    from dashboard.pages import Visit

WORTH_NAMING = 0.01
MOST = 8


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
    head = html.H1("Why does it do that?")
    analysis = visit.store.analysis(visit.case) if visit.case else None
    if analysis is None or visit.case is None:
        return [head, without_analysis(visit)]
    causes = [c for c in analysis.result["causes"] if c["probability"] >= WORTH_NAMING]
    parts: list[Any] = [
        head,
        answer(analysis),
        html.Div(
            [
                html.Section(
                    [
                        html.H2(["Causes, by ", term("probability")]),
                        *[cause(c) for c in causes[:MOST]],
                        html.P("Single causes; two at once show as two high entries.", className="note"),
                    ]
                ),
                html.Section(
                    [
                        html.H2("The base from above"),
                        figure(ids.CAUSE_BASE, base_from_above(analysis),
                               ["Load and roller drag of each wheel, ", term("centre of mass"), " with its 95 % ellipse. A thick "
                                "rim is a suspect; the stronger the fill, the stiffer the wheel."],
                               "Plan of the base with its wheels, loads and centre of mass"),
                    ]
                ),
            ],
            className="columns",
        ),
    ]  # fmt: skip
    parts += _evidence(analysis)
    parts.append(
        html.Section(
            [
                html.H2([term("yaw drift", "Yaw drift"), " at each speed"]),
                figure(ids.CAUSE_DRIFT, drift_by_speed(analysis),
                       [term("rolled", "Rolled"), " is what the wheels turned, ", term("slipped"), " what the floor did "
                        "not follow; anticlockwise is positive. Bars are 95 % intervals."], "Yaw drift of each kind of pass at each speed"),
            ]
        )
    )  # fmt: skip
    if analysis.result["notes"]:
        parts.append(
            html.Section(
                [html.H2("Limits"), html.Ul([html.Li(n) for n in analysis.result["notes"]])]
            )
        )
    parts.append(
        html.P(
            dcc.Link(
                "Try what would change it",
                href=f"/change?case={visit.case.key}",
                className="button",
            )
        )
    )
    return parts


def cause(entry: dict[str, Any]) -> html.Div:
    """One cause with what speaks for it, against it, and what would decide.

    Parameters
    ----------
    entry : dict
        Entry of the result file.

    Returns
    -------
    Div
        For the list.
    """
    share = 100 * entry["probability"]
    size = entry["magnitude"]
    head = [
        html.Span(f"{share:.0f} %", className="probability"),
        html.Strong(cause_name(entry)),
    ]
    if size.get("value") is not None:
        head.append(html.Span(cause_size(entry), className="size"))
    marks = [html.Li(t, className="for") for t in entry["evidence_for"]]
    marks += [html.Li(t, className="against") for t in entry["evidence_against"]]
    marks += [html.Li(f"would decide: {t}", className="open") for t in entry["would_decide"]]
    return html.Div(
        [
            html.Div(head, className="cause-head"),
            html.Div(
                html.Div(style={"width": f"{max(share, 0.5):.1f}%"}, className="share"),
                className="track",
                **aria(hidden="true"),
            ),
            html.Ul(marks, className="marks"),
        ],
        className="cause",
    )


def _evidence(analysis: RunAnalysis) -> list[Any]:
    drawn = misfits(analysis)
    if drawn is None:
        why = "There are no currents or volts with motor constants in this recording, or the wheels slide: "
        why += "the forces that tell the causes apart are not known."
        return [html.Section([html.H2("What each cause predicts"), html.P(why)])]
    parts: list[Any] = [
        html.H2("What was measured against what each cause predicts"),
        figure(ids.CAUSE_EVIDENCE, drawn,
               "How far each explanation misses each kind of measurement, in standard errors, and (lowest row) how far it has to "
               "stretch what sound parts are like. All marks in the green band: it explains the recording.",
               "Misfit of each hypothesis by kind of measurement"),
    ]  # fmt: skip
    weighed = gauges(analysis)
    if weighed is not None:
        parts.append(
            figure(ids.CAUSE_GAUGES, weighed,
                   ["Each independent measurement of the ", term("centre of mass"), ", and where the likeliest "
                    "explanations put it."], "Measurements of the centre of mass")
        )  # fmt: skip
    return [html.Section(parts)]
