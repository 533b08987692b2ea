"""What the page does when its user acts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.callbacks import change, downloads, fleet, motion, proof, recording, routing, season

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.jobs import Jobs
    from dashboard.settings import Settings
    from dashboard.store import Store


def register(app: Dash, store: Store, jobs: Jobs, settings: Settings) -> None:
    """Bind all callbacks.

    Parameters
    ----------
    app : Dash
        The page.
    store : Store
        Its recordings.
    jobs : Jobs
        Its background work.
    settings : Settings
        What it was started with.
    """
    routing.register(app, store, jobs, settings)
    for part in (recording, motion, change, proof, season, fleet, downloads):
        part.register(app, store, jobs, settings)
