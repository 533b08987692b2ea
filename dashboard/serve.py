"""Serve the page: `crabwise dashboard`."""

from __future__ import annotations

import socket
import sys
import tempfile
from pathlib import Path

from analyzer.quantities import CrabwiseError
from dashboard.app import create_app
from dashboard.fleets import Fleets
from dashboard.settings import Settings

LOCAL = {"127.0.0.1", "localhost", "::1"}


def _listening(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_STREAM)
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((host, port))
    except (OSError, OverflowError) as error:
        sock.close()
        reason = error.strerror if isinstance(error, OSError) else "no such port"
        msg = f"cannot serve on {host} port {port}: {reason}. Choose another with --host, --port."
        raise CrabwiseError(msg) from None
    return sock


def serve(
    shelf: str | None = None,
    host: str = "127.0.0.1",
    port: int = 8050,
    fleet: str | None = None,
) -> None:
    """Serve until interrupted.

    Parameters
    ----------
    shelf : str, optional
        Folder from which recordings may be picked.
    host : str
        Address to listen on.
    port : int
        Port; 0 takes a free one.
    fleet : str, optional
        Folder or fsspec address of a fleet's result to show.

    Raises
    ------
    CrabwiseError
        Where a folder does not exist or the address cannot be had.
    """
    import waitress

    folder = None if shelf is None else Path(shelf)
    if folder is not None and not folder.is_dir():
        msg = f"{shelf}: no such folder; give --shelf a folder with recordings"
        raise CrabwiseError(msg)
    if fleet is not None:
        # The fault is told here rather than on the page.
        Fleets(given=fleet).summary(fleet)
    sock = _listening(host, port)
    shown = f"[{host}]" if ":" in host else host
    with tempfile.TemporaryDirectory(prefix="crabwise-") as root:
        names = {"localhost", host.lower(), socket.gethostname().lower(), socket.getfqdn().lower()}
        settings = Settings(root=Path(root), shelf=folder, fleet=fleet, hosts=frozenset(names))
        app, jobs = create_app(settings)
        server = waitress.create_server(
            app.server,
            sockets=[sock],
            threads=8,
            max_request_body_size=settings.upload_bytes * 4 // 3 + 2**20,
            ident="",
        )
        sys.stdout.write(f"Crabwise is at http://{shown}:{sock.getsockname()[1]}/ (stop: Ctrl+C)\n")
        if host not in LOCAL:
            sys.stdout.write(
                f"Listening on {host}: everyone who reaches this machine over the network can open "
                "the page, upload files and"
                + (" read the recordings in the folder given." if folder else " use its processor.")
                + (" The fleet's result is open to them, too." if fleet else "")
                + " There is no password and no encryption; recordings brought in by others stay "
                "hidden behind long random addresses.\n"
            )
        sys.stdout.flush()
        try:
            server.run()
        finally:
            server.close()
            jobs.close()
