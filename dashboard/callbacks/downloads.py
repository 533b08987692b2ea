"""Files to take along: robot file, result, report."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Response, abort, request

from analyzer.pipeline import result_text
from analyzer.report import html_report
from dashboard.callbacks.change import constants_of

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.jobs import Jobs
    from dashboard.settings import Settings
    from dashboard.store import Store


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
        if text is None:
            abort(404, "There is no such file of this recording.")
        head = {"Content-Disposition": f'attachment; filename="{name}"'}
        return Response(text, content_type=f"{kind}; charset=utf-8", headers=head)

    app.server.add_url_rule("/file/<key>/<name>", view_func=file)
