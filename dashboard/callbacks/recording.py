"""Bringing in a recording."""

from __future__ import annotations

import base64
import binascii
from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go
from dash import ALL, Dash, Input, Output, State, ctx, no_update

from analyzer.channels import units_for
from analyzer.figures import base_plan
from analyzer.quantities import CrabwiseError, RobotFileError
from analyzer.robot import parse_robot, robot_text
from dashboard import ids
from dashboard.callbacks.routing import read_query
from dashboard.components.pieces import error_box, on_page
from dashboard.components.robot_form import grown, read_form, robot_form
from dashboard.components.states import bar
from dashboard.pages.recording import correction, known_robot

if TYPE_CHECKING:
    from dashboard.jobs import Jobs
    from dashboard.settings import Settings
    from dashboard.store import Store


def decoded(contents: list[str], names: list[str]) -> list[tuple[str, bytes]]:
    """Turn what the browser sends into files.

    Parameters
    ----------
    contents : list of str
        Data addresses.
    names : list of str
        File names.

    Returns
    -------
    list of (str, bytes)
        Name and content.

    Raises
    ------
    CrabwiseError
        Where something is not what a browser sends.
    """
    files = []
    try:
        for content, name in zip(contents, names, strict=True):
            files.append((str(name), base64.b64decode(content.partition(",")[2], validate=True)))
    except (binascii.Error, ValueError, AttributeError, TypeError):
        msg = "The upload arrived damaged. Try again."
        raise CrabwiseError(msg) from None
    return files


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
        Output(ids.RECORDING_UPLOAD_ERROR, "children"),
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.RECORDING_UPLOAD, "contents"),
        State(ids.RECORDING_UPLOAD, "filename"),
        prevent_initial_call=True,
    )
    def upload(contents: list[str] | None, names: list[str]) -> Any:
        if not contents:
            return no_update, no_update
        try:
            case = store.bring_in(decoded(contents, names))
        except CrabwiseError as error:
            return error_box(str(error)), no_update
        jobs.submit(case.key, case.job("inspect"))
        return None, f"?case={case.key}"

    @app.callback(
        Output(ids.RECORDING_ROBOT_ERROR, "children"),
        Output(ids.REFRESH, "data", allow_duplicate=True),
        Input(ids.RECORDING_ROBOT_UPLOAD, "contents"),
        State(ids.RECORDING_ROBOT_UPLOAD, "filename"),
        State(ids.URL, "search"),
        State(ids.REFRESH, "data"),
        prevent_initial_call=True,
    )
    def robot(content: str | None, name: str, search: str, refresh: int) -> Any:
        case = store.find(read_query(search).get("case"))
        if not content or case is None:
            return no_update, no_update
        try:
            (_, text) = decoded([content], [name])[0]
        except CrabwiseError as error:
            return error_box(str(error)), no_update
        case.set_robot(text.decode("utf-8-sig", errors="replace"), name)
        jobs.submit(case.key, case.job("inspect"))
        return None, refresh + 1

    @app.callback(
        Output(ids.RECORDING_UPLOAD_ERROR, "children", allow_duplicate=True),
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.RECORDING_PICK_GO, "n_clicks"),
        State(ids.RECORDING_PICK, "value"),
        State(ids.RECORDING_PICK_ROBOT, "value"),
        prevent_initial_call=True,
    )
    def pick(clicks: int | None, names: list[str] | None, robot: str | None) -> Any:
        if not clicks:
            return no_update, no_update
        try:
            case = store.pick(names or [], robot or "")
        except CrabwiseError as error:
            return error_box(str(error)), no_update
        jobs.submit(case.key, case.job("inspect"))
        return None, f"?case={case.key}"

    @app.callback(
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.RECORDING_DEMO, "n_clicks"),
        prevent_initial_call=True,
    )
    def demo(clicks: int | None) -> Any:
        if not clicks:
            return no_update
        case = store.made_up()
        jobs.submit(case.key, case.job("demo"))
        return f"?case={case.key}"

    @app.callback(
        Output(ids.ROBOT_FORM, "children"),
        Input({"type": ids.ROBOT_ADD, "what": ALL}, "n_clicks"),
        State({"type": ids.ROBOT_FIELD, "path": ALL}, "value"),
        State({"type": ids.ROBOT_FIELD, "path": ALL}, "id"),
        State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    def grow(clicks: list[int | None], values: list[Any], names: list[Any], search: str) -> Any:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update
        fields, known = _form(values, names, search)
        return robot_form(grown(read_form(fields, known), ctx.triggered_id["what"], fields))

    @app.callback(
        Output(ids.ROBOT_DRAWING, "figure"),
        Output(ids.ROBOT_FAULTS, "children"),
        Output(ids.ROBOT_SAVE, "disabled"),
        Input({"type": ids.ROBOT_FIELD, "path": ALL}, "value"),
        State({"type": ids.ROBOT_FIELD, "path": ALL}, "id"),
        State(ids.URL, "search"),
    )
    def draw(values: list[Any], names: list[Any], search: str) -> Any:
        fields, known = _form(values, names, search)
        try:
            parse_robot(robot_text(read_form(fields, known)), "this form")
        except RobotFileError as error:
            faults = str(error).splitlines()
            shown = [*faults[:12], f"and {len(faults) - 12} more"] if len(faults) > 12 else faults
            told = error_box("\n".join(shown[1:]), "Still missing or wrong")
            return on_page(_drawing(read_form(fields, known))), told, True
        return on_page(_drawing(read_form(fields, known))), None, False

    @app.callback(
        Output(ids.REFRESH, "data", allow_duplicate=True),
        Input(ids.ROBOT_SAVE, "n_clicks"),
        State({"type": ids.ROBOT_FIELD, "path": ALL}, "value"),
        State({"type": ids.ROBOT_FIELD, "path": ALL}, "id"),
        State(ids.URL, "search"),
        State(ids.REFRESH, "data"),
        prevent_initial_call=True,
    )
    def save(
        clicks: int | None, values: list[Any], names: list[Any], search: str, refresh: int
    ) -> Any:
        case = store.find(read_query(search).get("case"))
        if not clicks or case is None:
            return no_update
        fields, known = _form(values, names, search)
        case.set_robot(robot_text(read_form(fields, known)), "by the form")
        jobs.submit(case.key, case.job("inspect"))
        return refresh + 1

    def _form(
        values: list[Any], names: list[Any], search: str
    ) -> tuple[dict[str, Any], dict[str, Any]]:
        case = store.find(read_query(search).get("case"))
        known = known_robot(None if case is None else case.robot_text())
        fields = {n["path"]: v for n, v in zip(names, values, strict=True)}
        return fields, known

    @app.callback(
        Output(ids.RECORDING_EDIT, "children"),
        Input({"type": ids.RECORDING_CORRECT, "column": ALL}, "n_clicks"),
        State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    def edit(clicks: list[int | None], search: str) -> Any:
        case = store.find(read_query(search).get("case"))
        if not any(clicks) or case is None or not isinstance(ctx.triggered_id, dict):
            return no_update
        robot = known_robot(case.robot_text())
        return correction(ctx.triggered_id["column"], robot)

    @app.callback(
        Output(ids.RECORDING_EDIT_UNIT, "options"),
        Input(ids.RECORDING_EDIT_CHANNEL, "value"),
    )
    def units(channel: str | None) -> Any:
        return [u.strip() for u in units_for(channel or "").split(",") if u.strip()]

    @app.callback(
        Output(ids.RECORDING_EDIT_ERROR, "children"),
        Output(ids.REFRESH, "data", allow_duplicate=True),
        Input(ids.RECORDING_EDIT_APPLY, "n_clicks"),
        State(ids.RECORDING_EDIT_COLUMN, "data"),
        State(ids.RECORDING_EDIT_CHANNEL, "value"),
        State(ids.RECORDING_EDIT_UNIT, "value"),
        State(ids.RECORDING_EDIT_SIGN, "value"),
        State(ids.URL, "search"),
        State(ids.REFRESH, "data"),
        prevent_initial_call=True,
    )
    def correct(
        clicks: int | None,
        column: str,
        channel: str | None,
        unit: str | None,
        sign: int,
        search: str,
        refresh: int,
    ) -> Any:
        case = store.find(read_query(search).get("case"))
        if not clicks or case is None:
            return no_update, no_update
        robot = known_robot(case.robot_text())
        channels = {k: v for k, v in robot.get("channels", {}).items() if k != column}
        if channel:
            spec = {"channel": channel, "sign": sign} | ({"unit": unit} if unit else {})
            channels[column] = spec
        text = robot_text({**robot, "channels": channels})
        try:
            parse_robot(text, "robot file")
        except RobotFileError as error:
            return error_box(str(error)), no_update
        case.set_robot(text, case.facts()["robot"])
        jobs.submit(case.key, case.job("inspect"))
        return None, refresh + 1

    @app.callback(
        Output(ids.REFRESH, "data", allow_duplicate=True),
        Output(ids.URL, "pathname"),
        Input(ids.RECORDING_ANALYZE, "n_clicks"),
        State(ids.URL, "search"),
        State(ids.REFRESH, "data"),
        prevent_initial_call=True,
    )
    def start(clicks: int | None, search: str, refresh: int) -> Any:
        case = store.find(read_query(search).get("case"))
        if not clicks or case is None:
            return no_update, no_update
        jobs.submit(case.key, case.job("analyze"))
        return refresh + 1, "/motion"

    @app.callback(
        Output(ids.REFRESH, "data", allow_duplicate=True),
        Input(ids.RECORDING_CANCEL, "n_clicks"),
        State(ids.URL, "search"),
        State(ids.REFRESH, "data"),
        prevent_initial_call=True,
    )
    def cancel(clicks: int | None, search: str, refresh: int) -> Any:
        if not clicks:
            return no_update
        jobs.cancel(read_query(search).get("case", ""))
        return refresh + 1

    @app.callback(
        Output(ids.RECORDING_PROGRESS, "children"),
        Output(ids.REFRESH, "data", allow_duplicate=True),
        Output(ids.RECORDING_CLOCK, "disabled"),
        Input(ids.RECORDING_CLOCK, "n_intervals"),
        State(ids.URL, "search"),
        State(ids.REFRESH, "data"),
        prevent_initial_call=True,
    )
    def follow(count: int | None, search: str, refresh: int) -> Any:
        if not count:
            # Called as the clock is put on the page: an answer now could stop it before it runs.
            return no_update, no_update, no_update
        job = jobs.state(read_query(search).get("case", ""))
        if job is not None and job.busy:
            return bar(job), no_update, no_update
        # The clock stops at once: each further tick would call for the page anew while it is drawn.
        return no_update, refresh + 1, True


def _drawing(data: dict[str, Any]) -> go.Figure:
    """Plan of the base as far as its wheels are told; what else is missing does not keep it away."""
    whole = {**data, "robot": {"name": "-", "mass_kg": 1.0, **data.get("robot", {})}}
    try:
        figure = base_plan(parse_robot(robot_text(whole), "this form"))
    except RobotFileError:
        figure = go.Figure()
        figure.update_xaxes(visible=False)
        figure.update_yaxes(visible=False)
        figure.add_annotation(
            text="The base is drawn here<br>once its wheels are told.",
            showarrow=False,
            font={"size": 14},
        )
    return figure.update_layout(height=400, margin={"l": 55, "r": 5, "t": 10, "b": 50})
