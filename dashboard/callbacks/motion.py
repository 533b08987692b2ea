"""Choosing a pass and looking closer."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from dash import ALL, ClientsideFunction, Dash, Input, Output, Patch, State, ctx, no_update

from analyzer.figures import along_time, base_from_above, candidates, fan, pass_from_above
from analyzer.pipeline import RunAnalysis
from analyzer.traces import Panel, window
from dashboard import ids
from dashboard.callbacks.routing import read_query
from dashboard.components.pieces import on_page
from dashboard.pages.motion import base_text, chosen_pass, pass_table, span_of

if TYPE_CHECKING:
    from dashboard.jobs import Jobs
    from dashboard.settings import Settings
    from dashboard.store import Store


def asked_span(relayout: dict[str, Any] | None, whole: float) -> tuple[float, float] | None:
    """Span of time that the user zoomed to.

    Parameters
    ----------
    relayout : dict or None
        As the figure reports it.
    whole : float
        End of the recording. [s]

    Returns
    -------
    (float, float) or None
        Span [s]; None where the time axis did not change.
    """
    relayout = relayout or {}
    ends: dict[str, float] = {}
    for key, value in relayout.items():
        found = re.fullmatch(r"xaxis\d*\.range(?:\[([01])\])?", key)
        if found and found.group(1) is not None and isinstance(value, (int, float)):
            ends[found.group(1)] = float(value)
        elif found and isinstance(value, list) and len(value) == 2:
            ends = {"0": float(value[0]), "1": float(value[1])}
        elif re.fullmatch(r"xaxis\d*\.autorange", key):
            return 0.0, whole
    if set(ends) != {"0", "1"} or not ends["0"] < ends["1"]:
        return None
    return max(0.0, ends["0"]), min(whole, ends["1"])


def closer(panels: tuple[Panel, ...], span: tuple[float, float], bars: int) -> Patch:
    """New points for the lines of a zoomed figure.

    Parameters
    ----------
    panels : tuple of Panel
        Traces of the run.
    span : (float, float)
        Time shown. [s]
    bars : int
        Traces that come before the lines.

    Returns
    -------
    Patch
        Change to the figure.
    """
    patch = Patch()
    number = bars
    for panel in panels:
        for t, v in window(panel, *span):
            patch["data"][number]["x"] = t.round(5)
            patch["data"][number]["y"] = v
            number += 1
    for axis in range(len(panels) + 1):
        patch["layout"][f"xaxis{axis + 1 if axis else ''}"]["range"] = list(span)
        patch["layout"][f"xaxis{axis + 1 if axis else ''}"]["autorange"] = False
    return patch


def clicked_pass(analysis: RunAnalysis, click: dict[str, Any] | None) -> int | None:
    """Pass that a click on a figure means.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    click : dict or None
        As the figure reports it.

    Returns
    -------
    int or None
        Its number: what the point says, else the pass at that time.
    """
    points = (click or {}).get("points") or [{}]
    said = points[0].get("customdata")
    said = said[0] if isinstance(said, list) and said else said
    if isinstance(said, (int, float)):
        return int(said)
    moment = points[0].get("x")
    if not isinstance(moment, (int, float)):
        return None
    t = analysis.run.t
    for n, p, _ in analysis.movements():
        if t[p.start] <= moment <= t[min(p.stop, t.size - 1)]:
            return n
    return None


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

    @app.callback(
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.MOTION_PASS, "value"),
        Input(ids.MOTION_FAN, "clickData"),
        Input(ids.MOTION_TIME, "clickData"),
        Input({"type": ids.MOTION_ROW, "number": ALL}, "n_clicks"),
        State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    def choose(
        listed: int | None, fan_click: Any, time_click: Any, rows: list[int | None], search: str
    ) -> Any:
        query = read_query(search)
        case = store.find(query.get("case"))
        analysis = store.analysis(case) if case else None
        cause: Any = ctx.triggered_id
        if analysis is None or (isinstance(cause, dict) and not any(rows)):
            return no_update
        number = listed
        if cause == ids.MOTION_FAN:
            number = clicked_pass(analysis, fan_click)
        elif cause == ids.MOTION_TIME:
            number = clicked_pass(analysis, time_click)
        elif isinstance(cause, dict):
            number = cause["number"]
        wanted = {k: v for k, v in query.items() if k != "pass"}
        if number is not None:
            wanted["pass"] = str(number)
        elif cause != ids.MOTION_PASS:
            return no_update
        return no_update if wanted == query else "?" + urlencode(wanted)

    @app.callback(
        Output(ids.MOTION_PASS, "value"),
        Output(ids.MOTION_FAN, "figure"),
        Output(ids.MOTION_TIME, "figure"),
        Output(ids.MOTION_BASE, "figure"),
        Output(ids.MOTION_FACTS, "children"),
        Output(ids.MOTION_TABLE, "children"),
        Input(ids.URL, "search"),
        State(ids.URL, "pathname"),
        State(ids.MOTION_PASS, "value"),
        prevent_initial_call=True,
    )
    def bring_out(search: str, pathname: str, listed: int | None) -> Any:
        query = read_query(search)
        case = store.find(query.get("case")) if pathname == "/motion" else None
        analysis = store.analysis(case) if case else None
        if analysis is None or case is None:
            return (no_update,) * 6
        chosen = chosen_pass(analysis, query.get("pass"))
        span = span_of(analysis, chosen)
        base = base_from_above(analysis) if chosen is None else pass_from_above(analysis, chosen)
        return (
            no_update if chosen == listed else chosen,
            on_page(fan(analysis, chosen, candidates(analysis))),
            on_page(along_time(analysis, store.panels(case), span, chosen)),
            on_page(base),
            base_text(analysis, chosen),
            pass_table(analysis, chosen),
        )

    @app.callback(
        Output(ids.MOTION_TIME, "figure", allow_duplicate=True),
        Input(ids.MOTION_TIME, "relayoutData"),
        State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    def zoom(relayout: dict[str, Any] | None, search: str) -> Any:
        case = store.find(read_query(search).get("case"))
        analysis = store.analysis(case) if case else None
        if analysis is None or case is None:
            return no_update
        span = asked_span(relayout, float(analysis.run.t[-1]))
        if span is None:
            return no_update
        bars = len({p.kind for _, p, _ in analysis.movements()})
        return closer(store.panels(case), span, bars)

    app.clientside_callback(
        ClientsideFunction("crabwise", "place"),
        Output(ids.MOTION_PLAY, "title"),
        Input(ids.MOTION_MOMENT, "value"),
        State(ids.MOTION_POSES, "data"),
    )
    app.clientside_callback(
        ClientsideFunction("crabwise", "play"),
        Output(ids.MOTION_TICK, "disabled"),
        Output(ids.MOTION_PLAY, "children"),
        Input(ids.MOTION_PLAY, "n_clicks"),
        State(ids.MOTION_TICK, "disabled"),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction("crabwise", "advance"),
        Output(ids.MOTION_MOMENT, "value"),
        Input(ids.MOTION_TICK, "n_intervals"),
        State(ids.MOTION_MOMENT, "value"),
        State(ids.MOTION_MOMENT, "max"),
        prevent_initial_call=True,
    )
