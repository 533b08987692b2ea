"""Motion: what does it do?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from analyzer.figures import (
    along_time,
    base_from_above,
    candidates,
    fan,
    pass_from_above,
    path,
    poses,
)
from analyzer.pipeline import RunAnalysis
from analyzer.report import cell, number
from dashboard import ids
from dashboard.components.pieces import answer, aria, facts, figure, table, term
from dashboard.components.states import without_analysis

if TYPE_CHECKING:
    from dashboard.pages import Visit

SHOWN_PASSES = 150
LISTED = 1000


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
    if analysis is None or visit.case is None:
        return [head, without_analysis(visit)]
    chosen = chosen_pass(analysis, visit.query.get("pass"))
    panels = visit.store.panels(visit.case)
    moves = analysis.movements()
    span = span_of(analysis, chosen)
    arcs = candidates(analysis)
    told = "All sideways passes laid on one origin, start heading up. "
    told += "Full: as driven. Dashed: as the wheels rolled. The tick shows where the base looks."
    if arcs:
        told += " Dotted with a number: what each advised change should give."
    base = base_from_above(analysis) if chosen is None else pass_from_above(analysis, chosen)
    track = visit.store.track(visit.case)
    held = poses(track, analysis.robot)
    return [
        head,
        answer(analysis),
        html.Section(
            [
                html.H2(["Every ", term("pass", "sideways pass"), ", left and right"]),
                picker(analysis, chosen),
                figure(
                    ids.MOTION_FAN,
                    fan(analysis, chosen, arcs),
                    told,
                    "Fan of all sideways passes. Choose a pass in the list above.",
                ),
            ]
        ),
        html.Div(
            [
                measures(analysis),
                html.Section(
                    [
                        html.H2("Wheel by wheel"),
                        figure(
                            ids.MOTION_BASE,
                            base,
                            html.Span(base_text(analysis, chosen), id=ids.MOTION_FACTS),
                            "Plan of the base, wheel by wheel",
                        ),
                    ]
                ),
            ],
            className="columns",
        ),
        html.Section(
            [
                html.H2("Along time"),
                figure(ids.MOTION_TIME, along_time(analysis, panels, span, chosen),
                       "Choose a bar or a moment to bring out its pass everywhere; draw a span to look closer, "
                       "double-click for all.", "Passes and traces along time"),
            ]
        ),
        html.Section(
            [
                html.H2("The path"),
                dcc.Store(id=ids.MOTION_POSES, data=held),
                dcc.Interval(id=ids.MOTION_TICK, interval=100, disabled=True),
                figure(ids.MOTION_PATH, path(track, analysis.robot),
                       "Dashed: as the wheels rolled. Full: as driven, by the reference.", "Path of the whole recording"),
                html.Div(
                    [
                        html.Button("Drive", id=ids.MOTION_PLAY, type="button", className="quiet"),
                        html.Label(
                            [
                                html.Span("moment [s]", className="label"),
                                dcc.Input(id=ids.MOTION_MOMENT, type="range", min=0, max=held["t"][-1],
                                          step=0.1, value=0),
                            ],
                            className="field wide",
                        ),
                    ],
                    className="row",
                ),
            ]
        ),
        html.Section(
            [
                html.H2("Passes"),
                html.Details(
                    [
                        html.Summary(f"All {len(moves)} passes in numbers"),
                        html.Div(pass_table(analysis, chosen), id=ids.MOTION_TABLE),
                    ],
                    className="more",
                ),
            ]
        ),
    ]  # fmt: skip


def chosen_pass(analysis: RunAnalysis, said: str | None) -> int | None:
    """Pass that the address names, where there is such a pass.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    said : str or None
        From the address.

    Returns
    -------
    int or None
        Its number.
    """
    if not said or not said.isdecimal() or len(said) > 6:
        return None
    return int(said) if 1 <= int(said) <= len(analysis.movements()) else None


def span_of(analysis: RunAnalysis, chosen: int | None) -> tuple[float, float]:
    """Time to show: a pass with some room, or all.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    chosen : int or None
        Number of the pass.

    Returns
    -------
    (float, float)
        Span. [s]
    """
    t = analysis.run.t
    if chosen is None:
        return 0.0, float(t[-1])
    _, p, _ = analysis.movements()[chosen - 1]
    a, b = float(t[p.start]), float(t[min(p.stop, t.size - 1)])
    room = max(0.5, 0.35 * (b - a))
    return max(0.0, a - room), min(float(t[-1]), b + room)


def base_text(analysis: RunAnalysis, chosen: int | None) -> str:
    """Caption of the plan of the base.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    chosen : int or None
        Number of the pass.

    Returns
    -------
    str
        What it shows.
    """
    if chosen is None:
        return (
            "The base from above, ahead is up: load and roller drag of each wheel, centre of mass with its 95 % "
            "ellipse. A thick rim is a suspect; the stronger the fill, the stiffer the wheel."
        )
    _, p, row = analysis.movements()[chosen - 1]
    run = analysis.run
    mean = "current" if run.current is not None else "voltage" if run.volt is not None else ""
    text = f"Pass {chosen}, {p.kind.replace('_', ' ')}: path each wheel rolled"
    text += f" and its mean {mean} in the cruise." if mean else "."
    if row is not None and row["heading_change_deg"] is not None:
        text += f" Heading {row['heading_change_deg']:+.1f}°"
        if row["rolled_deg"] is not None and row["slipped_deg"] is not None:
            text += f", of it rolled {row['rolled_deg']:+.1f}°, slipped {row['slipped_deg']:+.1f}°"
        text += "."
    return text


def picker(analysis: RunAnalysis, chosen: int | None) -> html.Div:
    """List to choose a pass from.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    chosen : int or None
        Number of the pass.

    Returns
    -------
    Div
        Labelled list.
    """
    t = analysis.run.t
    moves = analysis.movements()
    first = 0 if chosen is None else max(0, chosen - LISTED // 2)
    options = [
        {"label": f"{n}: {p.kind.replace('_', ' ')} at {float(t[p.start]):.1f} s", "value": n}
        for n, p, _ in moves[first : first + LISTED]
    ]
    return html.Div(
        [
            html.Span("Bring out one pass everywhere", className="label"),
            dcc.Dropdown(
                id=ids.MOTION_PASS, options=options, value=chosen, placeholder="all passes"
            ),
        ],
        className="field pick",
    )


def measures(analysis: RunAnalysis) -> html.Section:
    """What it does in numbers, each with its interval.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    Section
        Yaw drift, arc radius, closure, creep for both sides.
    """
    r = analysis.result
    rows = []
    for word, name, key, digits in (
        ("yaw drift", "yaw drift", None, 1),
        ("rolled", "of it rolled", "rolled", 1),
        ("slipped", "of it slipped", "slipped", 1),
    ):
        part = key or "total"
        rows.append(
            (
                term(word, name),
                *(number(r["yaw_drift_deg_per_m"][s][part], digits) for s in ("left", "right")),
            )
        )
    for word, key, digits in (
        ("arc radius", "arc_radius_m", 2),
        ("closure", "closure_mm_per_m", 1),
        ("creep", "creep_mm_per_m", 1),
    ):
        rows.append((term(word), *(number(r[key][s], digits) for s in ("left", "right"))))
    chassis = r["chassis"]
    others = (
        ("sideways ratio", number(chassis["sideways_ratio"], 3)),
        ("effective radius", number(chassis["effective_radius_m"], 2, 1e3, "mm")),
        ("yaw lever", number(chassis["yaw_lever_m"], 1, 1e3, "mm")),
    )
    return html.Section(
        [
            html.H2("In numbers"),
            table(("", "to the left", "to the right"), rows,
                  "Value ± half of the 95 % interval; anticlockwise and ahead are positive", "compact"),
            facts([(term(word), text) for word, text in others]),
        ]
    )  # fmt: skip


def pass_table(analysis: RunAnalysis, chosen: int | None) -> list[Any]:
    """All passes with what they did; a long list shows those around the chosen one.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    chosen : int or None
        Number of the pass.

    Returns
    -------
    list of components
        Table.
    """
    moves = analysis.movements()
    start = 0 if chosen is None else max(0, chosen - SHOWN_PASSES // 2)
    rows: list[tuple[Any, ...]] = []
    marked = None
    for n, p, row in moves[start : start + SHOWN_PASSES]:
        t = float(analysis.run.t[p.start])
        button = html.Button(
            str(n), id={"type": ids.MOTION_ROW, "number": n}, type="button", className="quiet small",
            **aria(label=f"Bring out pass {n}", pressed="true" if n == chosen else "false"),
        )  # fmt: skip
        if n == chosen:
            marked = len(rows)
        kind = p.kind.replace("_", " ") + (" (hard start)" if p.hard_start else "")
        if row is None:
            rows.append((button, kind, f"{t:.1f}", "left out: gap or bad data", *["–"] * 5))
            continue
        speed = row["speed_m_per_s"]
        shown = f"{row['turn_rate_rad_per_s']:.2f} rad/s" if speed is None else f"{speed:.2f} m/s"
        rows.append(
            (
                button, kind, f"{t:.1f}", shown, cell(row["distance_m"], 2), cell(row["heading_change_deg"], 1),
                cell(row["rolled_deg"], 1), cell(row["closure_mm_per_m"], 1), cell(row["creep_mm_per_m"], 1),
            )
        )  # fmt: skip
    head = (
        "pass",
        "kind",
        "start [s]",
        "speed",
        "way [m]",
        "heading [°]",
        "rolled [°]",
        "closure [mm/m]",
        "creep [mm/m]",
    )
    return [
        table(
            head,
            rows,
            "Choose a number to bring the pass out everywhere",
            "stacking passes",
            marked,
        )
    ]
