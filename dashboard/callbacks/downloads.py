"""Files to take along: robot file, result, report."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Response, abort, request

from analyzer.comparison import compare
from analyzer.pipeline import RunAnalysis, result_text
from analyzer.plan import make_plan, plan_html, service_html, service_sheet
from analyzer.quantities import CrabwiseError
from analyzer.report import html_report
from analyzer.robot import parse_robot
from analyzer.season_report import comparison_html
from dashboard.callbacks.change import constants_of

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.jobs import Jobs
    from dashboard.settings import Settings
    from dashboard.store import Case, Store


def _sheet(case: Case, name: str, analysis: RunAnalysis | None, wheel: str) -> str | None:
    """Plan, or service sheet of the wheel with that number."""
    text = case.robot_text()
    if text is None:
        return None
    robot = parse_robot(text, "robot file")
    seen = [] if analysis is None else [analysis]
    if name == "plan.html":
        return plan_html(make_plan(robot, seen))
    if not wheel.isdecimal() or int(wheel) >= len(robot.wheel_names):
        return None
    return service_html(service_sheet(robot, robot.wheel_names[int(wheel)], seen))


def register(app: Dash, store: Store, jobs: Jobs, settings: Settings) -> None:
    """Bind the addresses of files.

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

    def file(key: str, name: str) -> Response:
        case = store.find(key)
        if case is None:
            abort(404, "This recording is not here (any more).")
        text, kind = None, "text/plain"
        if name == "robot.toml":
            text, kind = case.robot_text(), "application/toml"
        elif name in {"report.html", "result.json"}:
            analysis = store.analysis(case)
            if analysis is not None and name == "report.html":
                text, kind = html_report(analysis), "text/html"
            elif analysis is not None:
                text, kind = result_text(analysis.result), "application/json"
        elif name == "constants.txt":
            analysis = store.analysis(case)
            text = None if analysis is None else constants_of(analysis, request.args.get("set"))
        elif name in {"plan.html", "service.html"}:
            kind = "text/html"
            text = _sheet(case, name, store.analysis(case), request.args.get("wheel", ""))
        elif name == "comparison.html":
            kind, other = "text/html", store.find(request.args.get("other"))
            pair = [store.analysis(case), None if other is None else store.analysis(other)]
            if request.args.get("is") != "before":
                pair.reverse()
            if pair[0] is not None and pair[1] is not None:
                text = comparison_html(compare([pair[0]], [pair[1]], pair[0].robot))
        if text is None:
            abort(404, "There is no such file of this recording.")
        head = {"Content-Disposition": f'attachment; filename="{name}"'}
        return Response(text, content_type=f"{kind}; charset=utf-8", headers=head)

    def at_fault(error: CrabwiseError) -> Response:
        return Response(str(error), status=422, content_type="text/plain; charset=utf-8")

    app.server.register_error_handler(CrabwiseError, at_fault)
    app.server.add_url_rule("/file/<key>/<name>", view_func=file)
