"""Puts the page together."""

from __future__ import annotations

from pathlib import Path

from dash import Dash

from dashboard import callbacks
from dashboard.components.frame import frame
from dashboard.jobs import Jobs
from dashboard.safety import protect
from dashboard.settings import Settings
from dashboard.store import Store

INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
{%favicon%}
{%css%}
</head>
<body>
{%app_entry%}
<noscript>This page needs JavaScript, which your browser has switched off.</noscript>
<footer>{%config%}{%scripts%}{%renderer%}</footer>
</body>
</html>"""


def create_app(settings: Settings) -> tuple[Dash, Jobs]:
    """Build the page; nothing is shared between two of them.

    Parameters
    ----------
    settings : Settings
        What it is started with.

    Returns
    -------
    app : Dash
        The page; `app.server` is the WSGI application.
    jobs : Jobs
        Its background work, to be closed at the end.
    """
    app = Dash(
        "dashboard",
        assets_folder=str(Path(__file__).parent / "assets"),
        serve_locally=True,
        title="Crabwise",
        update_title="",
        index_string=INDEX,
        suppress_callback_exceptions=True,
        meta_tags=[
            {"name": "viewport", "content": "width=device-width, initial-scale=1"},
            {"name": "color-scheme", "content": "light dark"},
        ],
    )
    store = Store(settings.root, settings.shelf, fleet=settings.fleet)
    jobs = Jobs(settings.workers, settings.worker_memory)
    app.layout = frame()
    callbacks.register(app, store, jobs, settings)
    protect(app, settings)
    return app, jobs
