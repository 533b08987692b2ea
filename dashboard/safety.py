"""What keeps the page safe: who may ask, what the browser may do with the answer."""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from flask import Flask, Response, abort, request

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.settings import Settings


def content_security_policy(hashes: Sequence[str]) -> str:
    """Policy that lets scripts in from this server only.

    Parameters
    ----------
    hashes : sequence of str
        Hashes of the inline scripts that start the page, each in quotes.

    Returns
    -------
    str
        Value of the header. Plotly writes its styles at run time and Dash sets inline styles,
        hence 'unsafe-inline' for styles alone; pictures of figures are data and blob addresses.
    """
    return "; ".join(
        (
            "default-src 'none'",
            "script-src 'self' " + " ".join(hashes),
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "font-src 'self'",
            "connect-src 'self'",
            "manifest-src 'self'",
            "base-uri 'none'",
            "form-action 'none'",
            "frame-ancestors 'none'",
        )
    )


def _named(host: str) -> str:
    """Host name of a Host or Origin header, without port."""
    return (urlsplit(f"//{host}").hostname or "").lower()


def _allowed(host: str, hosts: frozenset[str]) -> bool:
    if host in hosts:
        return True
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def protect(app: Dash, settings: Settings) -> None:
    """Check every request and give every answer its headers.

    Parameters
    ----------
    app : Dash
        The page; its callbacks must all be registered.
    settings : Settings
        Host names and upload limit.

    Notes
    -----
    A foreign site can point its own name at this machine and so read what is served here (DNS
    rebinding): a name we do not know gets no answer. A request that changes things must come
    from this very page.
    """
    server: Flask = app.server
    # An upload arrives as text, four characters for three bytes; the rest is room for the frame.
    server.config["MAX_CONTENT_LENGTH"] = settings.upload_bytes * 4 // 3 + 2**20
    policy = content_security_policy(app.csp_hashes())

    @server.before_request
    def check() -> None:
        if not _allowed(_named(request.host), settings.hosts):
            abort(421, "This name does not belong to the page; ask for it by its address.")
        origin = request.headers.get("Origin")
        if origin is not None and urlsplit(origin).netloc != request.host:
            abort(403, "Requests from other pages are not answered.")

    @server.after_request
    def head(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = policy
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["X-Frame-Options"] = "DENY"
        response.headers["Referrer-Policy"] = "no-referrer"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        response.headers["Permissions-Policy"] = "camera=(), microphone=(), geolocation=()"
        if not request.path.startswith(("/_dash-component-suites/", "/assets/")):
            response.headers["Cache-Control"] = "no-store"
        return response
