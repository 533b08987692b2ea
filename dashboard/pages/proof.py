"""Proof: did it work?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from analyzer.comparison import compare
from analyzer.figures import arcs, differences, paired_intervals
from analyzer.figures.causes import cause_name
from analyzer.quantities import CrabwiseError
from analyzer.season_report import VERDICT, difference_text
from dashboard import ids
from dashboard.components.pieces import aria, error_box, figure, table, term
from dashboard.components.states import without_analysis

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
    head = html.H1("Did it work?")
    analysis = visit.store.analysis(visit.case) if visit.case else None
    if analysis is None or visit.case is None:
        return [head, without_analysis(visit)]
    other = visit.store.find(visit.query.get("other"))
    choice = _choice(visit)
    if other is None:
        gone = "other" in visit.query
        words = "The other recording is not here (any more)." if gone else (
            "One recording is here. Bring the other one, from before or after the change, to compare the two: "
            "the same robot, best with the same passes."
        )  # fmt: skip
        return [head, html.Section(html.P(words), className="empty"), choice]
    job = visit.jobs.state(other.key)
    if job is not None and job.busy:
        return [
            head,
            html.Section(
                [
                    html.Div(html.P(f"Analysing the other recording: {job.step}"), id=ids.PROOF_PROGRESS, role="status"),
                    html.Button("Stop", id=ids.PROOF_CANCEL, type="button", className="quiet"),
                    dcc.Interval(id=ids.PROOF_CLOCK, interval=400),
                ],
                className="working",
            ),
        ]  # fmt: skip
    second = visit.store.analysis(other)
    if second is None:
        told = job.error if job is not None and job.error else "Its analysis was stopped."
        return [head, error_box(told, "The other recording cannot be used"), choice]
    before, after = (second, analysis) if visit.query.get("is") != "before" else (analysis, second)
    try:
        found = compare([before], [after], analysis.robot)
    except CrabwiseError as error:
        return [head, error_box(str(error), "These two cannot be compared"), choice]
    return [head, *_shown(found, visit), choice]


def _choice(visit: Visit) -> html.Section:
    assert visit.case is not None
    files = ", ".join(visit.case.facts().get("files", []))
    parts: list[Any] = [
        html.H2("The two recordings"),
        html.Div(
            [
                html.Span(f"{files} is the recording", className="label"),
                dcc.RadioItems(
                    id=ids.PROOF_SIDE,
                    options=[
                        {"label": " after the change", "value": "after"},
                        {"label": " before the change", "value": "before"},
                    ],
                    value="before" if visit.query.get("is") == "before" else "after",
                    inline=True,
                    className="inline",
                ),
            ],
            className="field",
        ),
        dcc.Upload(
            "Drop the other recording here, or choose it",
            id=ids.PROOF_UPLOAD,
            multiple=True,
            max_size=visit.settings.upload_bytes,
            className="drop slim",
        ),
    ]
    if visit.store.shelf is not None:
        logs, _ = visit.store.offered()
        parts += [
            html.Div(
                [
                    html.Span("or pick it from the folder", className="label"),
                    dcc.Dropdown(id=ids.PROOF_PICK, options=logs, multi=True, placeholder="choose"),
                ],
                className="field pick",
            ),
            html.Button("Compare with it", id=ids.PROOF_PICK_GO, type="button"),
        ]
    parts.append(html.Div(id=ids.PROOF_ERROR))
    return html.Section(parts)


def _shown(found: dict[str, Any], visit: Visit) -> list[Any]:
    assert visit.case is not None
    rows = [
        (
            m["label"],
            html.Span(VERDICT[m["verdict"]], className=f"verdict {m['verdict']}"),
            difference_text(m),
            m["text"],
        )
        for m in found["measures"]
    ]
    doubts = [html.Li(c["text"]) for c in found["confounders"]]
    left_out = [*found["unmatched"], *(f"{m['label']}: {m['why']}" for m in found["undetermined"])]
    causes = [
        (cause_name(c), f"{100 * c['before']:.0f} %", f"{100 * c['after']:.0f} %")
        for c in found["causes"][:8]
    ]
    query = f"other={visit.query['other']}&is={visit.query.get('is', 'after')}"
    return [
        html.Div(
            [
                html.P(found["robot"]["name"], className="whose"),
                html.P(found["headline"], className="sentence"),
            ],
            className="answer",
        ),
        html.Section(
            [
                html.H2("Sideways passes, before and after"),
                figure(ids.PROOF_ARCS, arcs(found), "From one origin, start heading up; before dashed, after full.",
                       "Fan of sideways passes before and after"),
            ]
        ),
        html.Section(
            [
                html.H2("What changed"),
                figure(ids.PROOF_DIFFERENCES, differences(found),
                       ["Difference over tolerance with its ", term("95 % interval"), "; inside the band it makes no "
                        "difference in use. The axis is squeezed by the cube root."], "Differences of all measures"),
                html.H3("What else was different"),
                html.Ul(doubts) if doubts else html.P("Nothing found in these logs. They do not say which floor it was."),
            ]
        ),
        html.Section(
            [
                html.H2("Measure by measure"),
                html.Details(
                    [
                        html.Summary("Every measure in words"),
                        table(("measure", "verdict", "difference (95 % interval)", "in words"), rows,
                              "Verdicts hold for all measures together (Holm's adjustment)"),
                    ],
                    className="more",
                ),
                html.Details(
                    [
                        html.Summary("Every measure before and after"),
                        figure(ids.PROOF_PAIRS, paired_intervals(found), "With 95 % intervals.",
                               "Every measure before and after"),
                    ],
                    className="more",
                ),
            ]
        ),
        html.Section(
            [
                html.H2("Causes"),
                table(("cause", "before", "after"), causes, "Probability of each cause", "compact"),
                html.H3("Left out"),
                html.Ul([html.Li(t) for t in left_out]) if left_out else html.P("Nothing."),
            ]
        ),
        html.P(html.A("Download comparison", className="button", href=f"/file/{visit.case.key}/comparison.html?{query}",
                      **aria(label="Download the comparison as a page"))),
    ]  # fmt: skip
