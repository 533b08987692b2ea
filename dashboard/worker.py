"""The process that reads and analyses: `python -m dashboard.worker`.

A hostile file can hang a parser, eat the memory or crash a native library; here that costs a
process, not the server. Jobs come in as lines of JSON, progress and outcome go out as such.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import sys
import tempfile
from pathlib import Path
from typing import Any, TextIO

from analyzer.demo import write_demo
from analyzer.heading import tune
from analyzer.pipeline import Progress, analyze, inspect
from analyzer.quantities import CrabwiseError
from analyzer.traces import run_panels, run_track
from dashboard import bundle


def run_job(job: dict[str, Any], progress: Progress) -> None:
    """Do one job and leave its result in a folder.

    Parameters
    ----------
    job : dict
        ``what`` ("inspect", "analyze", or "demo"), ``folder`` to work in, ``paths`` and ``robot`` within
        it, ``out`` folder of the result.
    progress : callable
        Told the step's name and the share done.
    """
    os.chdir(job["folder"])  # messages then name files as the user knows them
    if job["what"] == "demo":
        progress("driving the made-up cart", 0.1)
        with tempfile.TemporaryDirectory(dir=".") as made:
            write_demo(made)
            (Path(made) / "book_cart_before" / "drive.csv").rename("drive.csv")
            (Path(made) / "book_cart.toml").rename(job["robot"])
    if job["what"] in {"demo", "inspect"}:
        bundle.save(inspect(job["paths"], job["robot"], progress=progress), Path(job["out"]))
        return
    analysis = analyze(job["paths"], job["robot"], progress=progress)
    # Traces are laid down ready to draw, so that zooming reads no more than it shows.
    hold: Any
    try:
        hold = tune(analysis.run, analysis.passes)
    except CrabwiseError as error:
        hold = str(error)
    held = {
        "analysis": analysis,
        "panels": run_panels(analysis.run),
        "track": run_track(analysis.run),
        "hold": hold,
    }
    bundle.save(held, Path(job["out"]))


def serve(lines: TextIO, answers: TextIO) -> None:
    """Do the jobs that come in, one after the other.

    Parameters
    ----------
    lines : file
        One job a line.
    answers : file
        Gets one object a line: ``progress``, then ``done`` or ``error``.
    """

    def tell(answer: dict[str, Any]) -> None:
        answers.write(json.dumps(answer) + "\n")
        answers.flush()

    for line in lines:
        job = json.loads(line)
        try:
            run_job(job, lambda text, share: tell({"progress": [text, share]}))
        except CrabwiseError as error:
            tell({"error": str(error)})
        except MemoryError:
            tell({"error": "This file needs more memory than the page may use. Cut it into parts."})
        else:
            tell({"done": True})


def main() -> None:
    """Serve on standard input and output, within a memory limit."""
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # what libraries print must not mix with the answers
    most = int(sys.argv[1])
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl+C is the server's; it ends its workers
    resource.setrlimit(resource.RLIMIT_DATA, (most, most))
    serve(sys.stdin, answers)


if __name__ == "__main__":
    main()
