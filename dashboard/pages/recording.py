"""Recording: can I trust it?"""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from dash import dcc, html

from analyzer.channels import BODY_DIMENSION, WHEEL_DIMENSION, meaning_of
from analyzer.figures import sparkline
from analyzer.pipeline import ChannelSummary, Inspection
from analyzer.quantities import Finding
from analyzer.run import ColumnUse
from dashboard import ids
from dashboard.components.pieces import answer, aria, error_box, table, term
from dashboard.components.robot_form import EMPTY, robot_form
from dashboard.components.states import progress

if TYPE_CHECKING:
    from dashboard.pages import Visit

SHOWN_COLUMNS = 400


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
    head = html.H1("Can I trust this recording?")
    if visit.case is None:
        return [head, *_bring_in(visit)]
    if visit.job is not None and visit.job.busy:
        return [head, progress(visit.job)]
    inspection = visit.store.inspection(visit.case)
    parts: list[Any] = [
        head,
        *_verdict(visit, inspection),
        _files(visit),
        _robot(visit, inspection),
    ]
    if inspection is not None:
        parts += [_channels(visit, inspection), *_decides(inspection)]
    return parts


def _bring_in(visit: Visit) -> list[Any]:
    most = visit.settings.upload_bytes // 2**20
    parts: list[Any] = [
        html.Section(
            [
                html.H2("Bring in a recording"),
                dcc.Upload(
                    "Drop the logs of one sitting here, with the robot file, or choose them.",
                    id=ids.RECORDING_UPLOAD,
                    multiple=True,
                    max_size=visit.settings.upload_bytes,
                    className="drop",
                ),
                html.P(
                    f"CSV, JSON lines, Parquet, Arrow, Excel, ROS bags and MCAP; at most {most} MB "
                    "together. Larger ones: start the page with --shelf FOLDER and pick them there. "
                    "Nothing leaves this machine.",
                    className="note",
                ),
                html.Div(id=ids.RECORDING_UPLOAD_ERROR),
            ]
        )
    ]
    if visit.store.shelf is not None:
        logs, robots = visit.store.offered()
        parts.append(
            html.Section(
                [
                    html.H2("Or pick from the folder"),
                    html.P(f"{len(logs)} recordings in {visit.store.shelf.name}", className="note"),
                    html.Div(
                        [
                            _picker("Recording (several make one sitting)", ids.RECORDING_PICK, logs, True),
                            _picker("Robot file", ids.RECORDING_PICK_ROBOT, robots, False),
                        ],
                        className="columns",
                    ),
                    html.Button("Look at it", id=ids.RECORDING_PICK_GO, type="button"),
                ]
            )
        )  # fmt: skip
    parts.append(
        html.Section(
            [
                html.H2("No recording at hand?"),
                html.P(
                    "See how it works with a made-up book cart, whose front left rollers drag. "
                    "No such cart exists."
                ),
                html.Button(
                    "Try the made-up cart", id=ids.RECORDING_DEMO, type="button", className="quiet"
                ),
            ]
        )
    )
    return parts


def _picker(label: str, identity: str, names: list[str], many: bool) -> html.Div:
    return html.Div(
        [
            html.Span(label, id=f"{identity}-label", className="label"),
            dcc.Dropdown(id=identity, options=names, multi=many, placeholder="choose"),
        ],
        className="field",
    )


def _verdict(visit: Visit, inspection: Inspection | None) -> list[Any]:
    assert visit.case is not None
    parts: list[Any] = []
    job = visit.job
    if job is not None and job.error:
        parts.append(error_box(job.error, "This recording cannot be used as it is"))
    if job is not None and job.status == "cancelled":
        parts.append(html.P("Stopped. Start again when you like.", className="warning"))
    if inspection is None:
        return parts
    analysis = visit.store.analysis(visit.case)
    if analysis is not None:
        way_on = dcc.Link(
            "See what it does", href=f"/motion?case={visit.case.key}", className="button"
        )
        parts.append(answer(analysis, html.P(way_on)))
    if inspection.problems:
        parts.append(error_box("\n".join(inspection.problems), "This keeps it from being analysed"))
    elif inspection.run is None:
        parts.append(
            html.Div("Readable. Now describe the base: the robot file below.", className="warning")
        )
    else:
        yes = sum(a == "yes" for _, a in inspection.decides)
        of = len(inspection.decides)
        loud = [f for f in inspection.run.findings if f.severity != "note"]
        parts.append(
            html.Div(
                [
                    html.P(
                        f"It can answer {yes} of {of} questions"
                        + (f"; {len(loud)} findings to look at below." if loud else "; nothing stands out."),
                        className="sentence",
                    ),
                    html.Button(
                        "Find out why it arcs" if analysis is None else "Analyse again",
                        id=ids.RECORDING_ANALYZE,
                        type="button",
                        className="" if analysis is None else "quiet",
                    ),
                ],
                className="answer",
            )
        )  # fmt: skip
    return parts


def _files(visit: Visit) -> html.Section:
    assert visit.case is not None
    return html.Section(
        [
            html.H2("Files"),
            html.P(", ".join(visit.case.facts().get("files", [])), className="files"),
            dcc.Link("Bring in another recording", href="/"),
        ]
    )


def _robot(visit: Visit, inspection: Inspection | None) -> html.Section:
    assert visit.case is not None
    name = visit.case.facts()["robot"]
    data = known_robot(visit.case.robot_text())
    usable = inspection is not None and bool(inspection.run)
    return html.Section(
        [
            html.H2("Robot"),
            html.P(f"Robot file: {name}" if name else "No robot file yet: choose one, or describe the base."),
            dcc.Upload(
                "Choose a robot file (TOML), or drop it here",
                id=ids.RECORDING_ROBOT_UPLOAD,
                className="drop slim",
                max_size=2**20,
            ),
            html.Div(id=ids.RECORDING_ROBOT_ERROR),
            html.Details(
                [
                    html.Summary("Describe the base by numbers" if not name else "See and change the numbers"),
                    html.Div(
                        [
                            html.Div(robot_form(data), id=ids.ROBOT_FORM),
                            html.Div(
                                [
                                    html.Div(
                                        dcc.Graph(id=ids.ROBOT_DRAWING, config={"displayModeBar": False, "responsive": True}),
                                        role="img",
                                        **aria(label="Drawing of the base from above, after the numbers"),
                                    ),
                                    html.Div(id=ids.ROBOT_FAULTS),
                                    html.Div(
                                        [
                                            html.Button("Take these numbers", id=ids.ROBOT_SAVE, type="button"),
                                            html.A("Download robot file", className="button quiet",
                                                   href=f"/file/{visit.case.key}/robot.toml") if name else None,
                                        ],
                                        className="row",
                                    ),
                                ],
                                className="beside",
                            ),
                        ],
                        className="form-and-drawing",
                    ),
                ],
                className="more",
                open=not name and not usable,
            ),
        ]
    )  # fmt: skip


def known_robot(text: str | None) -> dict[str, Any]:
    """Content of a robot file, as far as it can be read.

    Parameters
    ----------
    text : str or None
        TOML text.

    Returns
    -------
    dict
        An empty four-wheel base where there is none.
    """
    if not text:
        return EMPTY
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return EMPTY
    tables = ("robot", "wheels", "imu", "channels", "tolerance")
    if not all(isinstance(data.get(k, {}), dict) for k in tables):
        return EMPTY
    wheels = data.get("wheels", {}).values()
    masses = data.get("mass", [])
    sound = all(isinstance(w, dict) and isinstance(w.get("motor", {}), dict) for w in wheels)
    if not sound or not isinstance(masses, list) or not all(isinstance(m, dict) for m in masses):
        return EMPTY
    return {**data, "robot": data.get("robot", {}), "wheels": data.get("wheels", {})}


def _channels(visit: Visit, inspection: Inspection) -> html.Section:
    found = inspection.recording.findings if inspection.run is None else inspection.run.findings
    summaries = {(c.source, c.channel): c for c in inspection.channels}
    used, unused = [], []
    taken: set[str] = set()
    for source in inspection.recording.sources:
        for use in source.columns:
            beside = [f for f in found if f.channel and f.channel == use.channel]
            summary = summaries.get((source.name, use.channel))
            if use.channel:
                taken.add(use.channel)
                used.append(_used_row(source.name, use, summary, beside))
            else:
                unused.append((use.column, source.name, use.why, _correct(use)))
    loose = [f for f in found if f.channel not in taken]
    parts: list[Any] = [html.H2("What was taken as what"), *_findings(loose)]
    if visit.case is not None and visit.case.robot_text():
        parts.append(html.Div(id=ids.RECORDING_EDIT, **aria(live="polite")))
    head = ("channel", "column", "unit", "rate", "gaps", "course", "")
    caption = "Channels in use. A correction goes into the robot file."
    parts.append(table(head, used[:SHOWN_COLUMNS], caption, "stacking channels"))
    if unused:
        parts.append(
            html.Details(
                [
                    html.Summary(f"{len(unused)} columns not used, and why"),
                    table(
                        ("column", "file", "why", ""), unused[:SHOWN_COLUMNS], "Columns not used"
                    ),
                ],
                className="more",
            )
        )
    return html.Section(parts)


def _used_row(
    source: str, use: ColumnUse, summary: ChannelSummary | None, beside: list[Finding]
) -> tuple[Any, ...]:
    name: list[Any] = [
        html.Strong(use.channel),
        html.Div(meaning_of(use.channel), className="note"),
    ]
    name += _findings(beside)
    column = [use.column, html.Div(f"{source}; by {use.why}", className="note")]
    if summary is None:
        return name, column, use.unit, "–", "–", "–", _correct(use)
    gaps = "none"
    if summary.gaps:
        gaps = f"{summary.gaps}, longest {summary.longest:.2f} s"
    if summary.blank > 0.001:
        gaps += f"; {100 * summary.blank:.1f} % blank"
    picture = html.Img(
        src="data:image/svg+xml," + quote(sparkline(summary.outline)),
        alt=f"course of {use.channel}",
        className="spark",
    )
    rate = f"{summary.rate:.1f} Hz" if summary.rate == summary.rate else "–"
    return name, column, use.unit or "–", rate, gaps, picture, _correct(use)


def _correct(use: ColumnUse) -> html.Button:
    return html.Button(
        "Correct",
        id={"type": ids.RECORDING_CORRECT, "column": use.column},
        type="button",
        className="quiet small",
        **aria(label=f"Correct what {use.column} is taken as"),
    )


def _findings(findings: list[Finding]) -> list[Any]:
    out = []
    for severity, name in (("error", "error"), ("warning", "warning"), ("note", "note")):
        own = [f for f in findings if f.severity == severity]
        if own:
            lines = [_told(f) for f in own[:30]]
            if own[30:]:
                lines.append(f"and {len(own) - 30} more: all stand in the report")
            out.append(html.Div(html.Ul([html.Li(line) for line in lines]), className=name))
    return out


def _told(f: Finding) -> str:
    when = "" if f.t_start is None else f" ({f.t_start:.1f} s)"
    return f"{f.channel + ': ' if f.channel else ''}{f.text}{when}"


def _decides(inspection: Inspection) -> list[Any]:
    if not inspection.decides:
        return []
    kinds: dict[str, int] = {}
    for p in inspection.passes:
        kinds[p.kind] = kinds.get(p.kind, 0) + 1
    counted = ", ".join(f"{n} {k.replace('_', ' ')}" for k, n in kinds.items())
    return [
        html.Section(
            [
                html.H2("What it can decide"),
                html.P(["Each ", term("pass"), f" counts once: {counted or 'none found'}."]),
                table(
                    ("question", "answer"),
                    [(q, "yes" if a == "yes" else a) for q, a in inspection.decides],
                    "What this recording can tell, and what it lacks",
                ),
            ]
        )
    ]


def correction(column: str, robot: dict[str, Any]) -> html.Div:
    """Form that says what a column really is.

    Parameters
    ----------
    column : str
        Column of the recording.
    robot : dict
        Content of the robot file, for the wheels' names and what was said before.

    Returns
    -------
    Div
        Channel, unit and sign to choose.
    """
    said = robot.get("channels", {}).get(column, {})
    said = {"channel": said} if isinstance(said, str) else said
    wheels = list(robot["wheels"])
    channels = [*BODY_DIMENSION, *(f"{stem}_{w}" for stem in WHEEL_DIMENSION for w in wheels)]
    options = [{"label": f"{c}: {meaning_of(c)}", "value": c} for c in channels]
    return html.Div(
        [
            html.H3(["What is ", html.Code(column), "?"]),
            dcc.Store(id=ids.RECORDING_EDIT_COLUMN, data=column),
            html.Div(
                [
                    html.Div(
                        [
                            html.Span("channel (none: by name again)", className="label"),
                            dcc.Dropdown(
                                id=ids.RECORDING_EDIT_CHANNEL, options=options,
                                value=said.get("channel"), placeholder="by its name",
                            ),
                        ],
                        className="field wide",
                    ),
                    html.Div(
                        [
                            html.Span("unit (none: as found)", className="label"),
                            dcc.Dropdown(
                                id=ids.RECORDING_EDIT_UNIT, options=[],
                                value=said.get("unit"), placeholder="as found",
                            ),
                        ],
                        className="field",
                    ),
                    html.Div(
                        [
                            html.Span("sign", className="label"),
                            dcc.RadioItems(
                                id=ids.RECORDING_EDIT_SIGN,
                                options=[
                                    {"label": " as logged", "value": 1},
                                    {"label": " turned round", "value": -1},
                                ],
                                value=said.get("sign", 1),
                            ),
                        ],
                        className="field",
                    ),
                ],
                className="row",
            ),
            html.Button("Apply and look again", id=ids.RECORDING_EDIT_APPLY, type="button"),
            html.Div(id=ids.RECORDING_EDIT_ERROR),
        ],
        className="card",
    )  # fmt: skip
