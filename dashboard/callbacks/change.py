"""Trying a change."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from dash import ALL, Dash, Input, Output, State, ctx, html, no_update

from analyzer.figures import base_with_change, changed_arcs, fan
from analyzer.figures.causes import cause_name
from analyzer.motion import nominal_lever
from analyzer.pipeline import RunAnalysis
from analyzer.prediction import Predicted, odd_part, predict, with_lever
from analyzer.remedies import lever_doubts
from analyzer.report import constants_text, number
from dashboard import ids
from dashboard.callbacks.routing import read_query
from dashboard.components.hold import hold_answer
from dashboard.components.pieces import empty, on_page, table
from dashboard.components.trial import (
    LEVER_DIGITS,
    Trial,
    advised,
    as_it_is,
    read_trial,
    write_trial,
)
from dashboard.pages.change import controls

if TYPE_CHECKING:
    from dashboard.jobs import Jobs
    from dashboard.settings import Settings
    from dashboard.store import Store

SHOWN_PATH = 2.0
"""Sideways way for which heading errors are told. [m]"""


def told(predicted: tuple[Predicted, ...], *, unchanged: bool) -> tuple[Any, Any]:
    """Prediction in a sentence and in numbers.

    Parameters
    ----------
    predicted : tuple of Predicted
        Outcome of the prediction.
    unchanged : bool
        Whether nothing is changed yet.

    Returns
    -------
    sentence, numbers : component
        The sentence stays in sight while sliders are moved.
    """
    if not predicted:
        return empty(
            "No prediction: forces or the heading are not known from this recording, or its wheels slide. Log currents "
            "or volts, give the motors' constants in the robot file, and first mend what makes wheels slide."), None  # fmt: skip
    rest = odd_part(predicted)
    rows = [
        (
            f"{p.kind} at {p.speed:.2f} m/s",
            str(p.yaw_drift_before.scaled(SHOWN_PATH, "")),
            str(p.yaw_drift_after.scaled(SHOWN_PATH, "")),
            str(replace(p.creep_after, unit="")) if p.creep_after.determined else "–",
        )
        for p in predicted
    ]
    return (
        html.P(
            [
                "As it is: " if unchanged else "Should leave ",
                html.Strong(str(rest)),
                " of yaw drift that changes sign with the side, mean over the speeds driven.",
            ],
            className="sentence",
        ),
        table(
            ("pass", "now [°]", "then [°]", "creep then [mm/m]"),
            rows,
            f"Heading change on {SHOWN_PATH:.0f} m, and creep; values ± half of the 95 % interval",
            "compact",
        ),
    )


def trial_of(
    analysis: RunAnalysis,
    shifts: list[tuple[dict[str, Any], float | None]],
    serviced: list[tuple[dict[str, Any], list[str] | None]],
    factors: list[float | None],
    lever: float | None,
) -> Trial:
    """Read the sliders and boxes.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    shifts : list of (dict, float)
        Id and value [mm] of each slider of a place.
    serviced : list of (dict, list of str)
        Id and ticked wheels of each list.
    factors : list of float
        Value of each wheel's slider.
    lever : float or None
        Value of the yaw lever's slider. [mm]

    Returns
    -------
    Trial
        What is tried.
    """
    plain = as_it_is(analysis)
    places = [list(p) for p in plain.places]
    for where, value in shifts:
        if value is not None and where["mass"] < len(places):
            was = places[where["mass"]][where["axis"]]
            # A slider knows whole millimetres only: left alone it must not move anything.
            if abs(value - 1e3 * was) > 0.5:
                places[where["mass"]][where["axis"]] = value / 1e3
    parts = tuple((i["part"], w) for i, wheels in serviced for w in wheels or [])
    held = tuple(float(f or 1.0) for f in factors)
    if len(held) != len(plain.factors):
        held = plain.factors
    return Trial(
        places=tuple((x, y) for x, y in places),
        serviced=parts,
        factors=held,
        lever=plain.lever if not lever else round(lever / 1e3, LEVER_DIGITS),
    )


def lever_told(analysis: RunAnalysis, lever: float) -> list[Any]:
    """What the program believes with a yaw lever, against what is so.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    lever : float
        The lever. [m]

    Returns
    -------
    list of components
        Sentence and table.
    """
    nominal = nominal_lever(analysis.robot)
    effect = with_lever(analysis.motion, nominal, lever)
    rows: list[tuple[str, ...]] = []
    if effect.believed.determined:
        rows.append(("a full turn made", str(effect.believed), "360°"))
        if analysis.robot.drive_mode == "wheel_speed":
            rows.append(("a full turn asked for", "360°", str(effect.turned)))
    rows += [
        (f"{kind} {SHOWN_PATH:.0f} m at {speed:.2f} m/s", *(str(e.scaled(SHOWN_PATH, "°")) for e in both))
        for kind, speed, *both in effect.sideways
    ]  # fmt: skip
    measured = number(analysis.result["chassis"]["yaw_lever_m"], 1, 1e3, "mm")
    words = f"Measured in the turns: {measured}; by the robot file: {1e3 * nominal:.1f} mm."
    doubts = lever_doubts(analysis.result["causes"])
    if doubts:
        words += f" First mend or rule out what keeps turns from telling it: {', '.join(map(cause_name, doubts))}."
    if lever != as_it_is(analysis).lever:
        words += " A heading hold that was tuned with another lever must be tuned anew."
    head = ("", "heading by wheel odometry", "really")
    return [
        html.P(words, className="note"),
        table(head, rows, "Values ± half of the 95 % interval", "compact"),
    ]


def register(app: Dash, store: Store, jobs: Jobs, settings: Settings) -> None:
    """Bind the callbacks of the page.

    Parameters
    ----------
    app : Dash
        The page.
    store : Store
        Recordings.
    jobs : Jobs
        Background work.
    settings : Settings
        What it was started with.
    """

    def analysis_of(search: str) -> RunAnalysis | None:
        case = store.find(read_query(search).get("case"))
        return store.analysis(case) if case else None

    @app.callback(
        Output("change-controls", "children"),
        Input(ids.CHANGE_ADVISED, "n_clicks"),
        Input(ids.CHANGE_RESET, "n_clicks"),
        State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    def preset(_advised: int | None, _reset: int | None, search: str) -> Any:
        analysis = analysis_of(search)
        if analysis is None or not (_advised or _reset):
            return no_update
        wanted = advised if ctx.triggered_id == ids.CHANGE_ADVISED else as_it_is
        return controls(analysis, wanted(analysis))

    @app.callback(
        Output(ids.CHANGE_ANSWER, "children"),
        Output(ids.CHANGE_NUMBERS, "children"),
        Output(ids.CHANGE_FAN, "figure"),
        Output(ids.CHANGE_BASE, "figure"),
        Output(ids.CHANGE_CONSTANTS, "children"),
        Output("change-constants-file", "href"),
        Output(ids.CHANGE_LEVER_TOLD, "children"),
        Output(ids.URL, "search", allow_duplicate=True),
        Input({"type": ids.CHANGE_SHIFT, "mass": ALL, "axis": ALL}, "value"),
        Input({"type": ids.CHANGE_SERVICE, "part": ALL}, "value"),
        Input({"type": ids.CHANGE_FACTOR, "wheel": ALL}, "value"),
        Input({"type": ids.CHANGE_LEVER, "of": ALL}, "value"),
        State({"type": ids.CHANGE_SHIFT, "mass": ALL, "axis": ALL}, "id"),
        State({"type": ids.CHANGE_SERVICE, "part": ALL}, "id"),
        State(ids.URL, "search"),
        prevent_initial_call="initial_duplicate",
    )
    def respond(
        shifts: list[Any],
        serviced: list[Any],
        factors: list[Any],
        lever: list[Any],
        shift_ids: list[Any],
        service_ids: list[Any],
        search: str,
    ) -> Any:
        query = read_query(search)
        case = store.find(query.get("case"))
        analysis = store.analysis(case) if case else None
        if analysis is None or case is None or not factors:
            return (no_update,) * 8
        trial = trial_of(
            analysis,
            list(zip(shift_ids, shifts, strict=True)),
            list(zip(service_ids, serviced, strict=True)),
            factors,
            lever[0],
        )
        predicted = predict(analysis.diagnosis, analysis.motion, trial.change(analysis))
        plain = as_it_is(analysis)
        unchanged = replace(trial, lever=plain.lever) == plain  # the lever changes no pass
        sentence, numbers = told(predicted, unchanged=unchanged)
        arcs = [changed_arcs(analysis, predicted, "this change")] if predicted else []
        base = base_with_change(
            analysis, trial.places if analysis.robot.masses else (), trial.shift(analysis)
        )
        wanted = {k: v for k, v in query.items() if k != "set"}
        short = write_trial(analysis, trial)
        if short:
            wanted["set"] = short
        address = "?" + urlencode(wanted)
        return (
            sentence,
            numbers,
            on_page(fan(analysis, None, arcs)),
            on_page(base),
            constants(analysis, trial),
            f"/file/{case.key}/constants.txt?" + urlencode({"set": short}),
            lever_told(analysis, trial.lever),
            no_update if wanted == query else address,
        )

    @app.callback(
        Output(ids.HOLD_ANSWER, "children"),
        Input({"type": ids.HOLD_GAIN, "name": ALL}, "value"),
        State({"type": ids.HOLD_GAIN, "name": ALL}, "id"),
        State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    def hold(values: list[float | None], names: list[Any], search: str) -> Any:
        case = store.find(read_query(search).get("case"))
        tuned = store.hold(case) if case else ""
        if isinstance(tuned, str) or not names:
            return no_update
        gains = {n["name"]: float(v or 0.0) for n, v in zip(names, values, strict=True)}
        return hold_answer(tuned, gains["kp"], gains["ki"], gains["kd"])

    @app.callback(
        Output({"type": ids.CHANGE_SHIFT, "mass": ALL, "axis": ALL}, "value"),
        Input(ids.CHANGE_BASE, "relayoutData"),
        State({"type": ids.CHANGE_SHIFT, "mass": ALL, "axis": ALL}, "id"),
        State({"type": ids.CHANGE_SHIFT, "mass": ALL, "axis": ALL}, "value"),
        State({"type": ids.CHANGE_SHIFT, "mass": ALL, "axis": ALL}, "min"),
        State({"type": ids.CHANGE_SHIFT, "mass": ALL, "axis": ALL}, "max"),
        prevent_initial_call=True,
    )
    def drag(
        moved: dict[str, Any] | None,
        names: list[Any],
        values: list[Any],
        low: list[Any],
        high: list[Any],
    ) -> Any:
        ends: dict[int, dict[str, float]] = {}
        for key, value in (moved or {}).items():
            found = re.fullmatch(r"shapes\[(\d+)\]\.([xy][01])", key)
            if found and isinstance(value, (int, float)):
                ends.setdefault(int(found.group(1)), {})[found.group(2)] = float(value)
        if not ends or not names:
            return [no_update] * len(names)
        # What was pulled at a corner only gets its size back with the next drawing.
        out = list(values)
        for k, name in enumerate(names):
            e = ends.get(name["mass"], {})
            if len(e) == 4:
                # The drawing has ahead upwards and right to the right.
                place = (e["y0"] + e["y1"]) / 2 if name["axis"] == 0 else -(e["x0"] + e["x1"]) / 2
                out[k] = round(min(max(1e3 * place, low[k]), high[k]))
        return out


def constants(analysis: RunAnalysis, trial: Trial) -> str:
    """Text of the constants of a trial.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    trial : Trial
        The trial.

    Returns
    -------
    str
        For the page and the file.
    """
    return constants_text(analysis, trial.places, trial.serviced, trial.factors, trial.lever)


def constants_of(analysis: RunAnalysis, text: str | None) -> str:
    """Text of the constants of a trial in an address.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    text : str or None
        The trial.

    Returns
    -------
    str
        For the file.
    """
    return constants(analysis, read_trial(analysis, text))
