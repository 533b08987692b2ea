"""The command line: parse, one call, show. Exit 0 done, 1 input at fault, 2 wrong usage."""

from __future__ import annotations

import argparse
import atexit
import contextlib
import gc
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from analyzer import __version__
from analyzer.quantities import CrabwiseError

# Analysis modules are imported inside the commands: `crabwise --help` must not wait for SciPy.


def _console() -> Any:
    from rich.console import Console

    return Console()


def _with_progress(work: Callable[[Callable[[str, float], None]], Any]) -> Any:
    """Run `work` under a progress line on stderr, where a person is looking."""
    if not sys.stderr.isatty():
        return work(lambda _text, _share: None)
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=1.0)
        return work(lambda text, share: bar.update(task, description=text, completed=share))


def _analyze_with_bar(paths: Sequence[str], robot: str) -> Any:
    from analyzer.pipeline import analyze

    return _with_progress(lambda tell: analyze(paths, robot, progress=tell))


def _save(args: argparse.Namespace, text: Callable[[], str], page: Callable[[], str]) -> bool:
    """Write the files asked for; tell whether any was."""
    from analyzer.pipeline import write_atomically

    for path, content in ((args.json, text), (args.html, page)):
        if path:
            write_atomically(path, content())
            sys.stderr.write(f"wrote {path}\n")
    return bool(args.json or args.html)


def _inspect(args: argparse.Namespace) -> None:
    from analyzer.pipeline import inspect
    from analyzer.report import inspect_summary

    inspect_summary(inspect(args.recording, args.robot), _console())


def _analyze(args: argparse.Namespace) -> None:
    from analyzer.pipeline import result_text
    from analyzer.report import html_report, terminal_summary

    if not args.shelf and (args.note or args.service or args.date or args.hours is not None):
        raise CrabwiseError(
            "--note, --service, --date and --hours need --shelf DIR to file them in"
        )
    service = []
    if args.service:
        from analyzer.robot import load_robot
        from analyzer.shelf import parse_service

        names = load_robot(args.robot).wheel_names
        service = [parse_service(s, names) for s in args.service]
    analysis = _analyze_with_bar(args.recording, args.robot)
    saved = _save(args, lambda: result_text(analysis.result), lambda: html_report(analysis))
    if not saved:
        terminal_summary(analysis, _console())
    if args.shelf:
        from analyzer.shelf import add_result

        name = add_result(
            args.shelf,
            analysis.result,
            note=args.note,
            service=service,
            recorded_at=args.date,
            hours=args.hours,
        )
        sys.stderr.write(f"filed as {name} on {args.shelf}\n")


def _compare(args: argparse.Namespace) -> None:
    from analyzer.comparison import compare
    from analyzer.pipeline import load_results, result_text
    from analyzer.robot import load_robot
    from analyzer.season_report import comparison_html, comparison_summary

    robot = load_robot(args.robot)

    def read(paths: list[str]) -> Any:
        return _with_progress(lambda tell: load_results(paths, args.robot, progress=tell))

    found = compare(read(args.before), read(args.after), robot)
    if not _save(args, lambda: result_text(found), lambda: comparison_html(found)):
        comparison_summary(found, _console())


def _plan(args: argparse.Namespace) -> None:
    from analyzer.pipeline import load_results, result_text
    from analyzer.plan import make_plan, plan_html, service_html, service_sheet
    from analyzer.robot import load_robot
    from analyzer.season_report import plan_summary, service_summary

    robot = load_robot(args.robot)
    recorded = _with_progress(lambda tell: load_results(args.recorded, args.robot, progress=tell))
    made: dict[str, Any]
    show: Callable[[dict[str, Any], Any], None]
    page: Callable[[dict[str, Any]], str]
    if args.service:
        made = service_sheet(robot, args.service, recorded)
        page, show = service_html, service_summary
    else:
        made = make_plan(robot, recorded)
        page, show = plan_html, plan_summary
    if not _save(args, lambda: result_text(made), lambda: page(made)):
        show(made, _console())


def _shelf(args: argparse.Namespace) -> None:
    from analyzer.pipeline import write_atomically
    from analyzer.season_report import shelf_summary, trend_html, trend_summary, trends_summary
    from analyzer.shelf import list_measures, list_results, trend, trends

    span = {"robot": args.robot_name, "since": args.since, "until": args.until}
    if args.measures:
        sys.stdout.write(
            "".join(f"{m}\n" for m in list_measures(args.directory, robot=args.robot_name))
        )
        return
    if args.measure is None:
        if args.html or args.limit is not None:
            raise CrabwiseError(
                "--html and --limit need --measure NAME; --measures lists the names"
            )
        rows = list_results(
            args.directory, **span, text=args.text, cause=args.cause, newest=args.newest
        )
        shelf_summary(rows, _console())
        return
    if args.text or args.cause or args.newest is not None:
        raise CrabwiseError(
            "--text, --cause and --newest choose from the list; leave out --measure"
        )
    if "*" in args.measure:
        if args.html:
            raise CrabwiseError("--html draws one measure; name it without *")
        trends_summary(trends(args.directory, args.measure, **span, limit=args.limit), _console())
        return
    course = trend(args.directory, args.measure, **span, limit=args.limit)
    if args.html:
        write_atomically(args.html, trend_html(course))
        sys.stderr.write(f"wrote {args.html}\n")
    else:
        trend_summary(course, _console())


def _date(text: str) -> Any:
    from datetime import UTC, datetime

    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        msg = f"found {text!r}; write a date as 2026-03-08 or 2026-03-08T10:30"
        raise argparse.ArgumentTypeError(msg) from None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _heading(args: argparse.Namespace) -> None:
    from analyzer.heading_report import heading_page, heading_summary
    from analyzer.pipeline import result_text, tune_heading

    paths, robot = args.recording, args.robot
    analysis = _with_progress(lambda tell: tune_heading(paths, robot, progress=tell))
    saved = _save(args, lambda: result_text(analysis.result), lambda: heading_page(analysis))
    if not saved:
        heading_summary(analysis, _console())


def _fleet(args: argparse.Namespace) -> None:
    from analyzer.fleet import run_fleet, write_summary
    from analyzer.fleet_report import fleet_page, fleet_summary
    from analyzer.trends import summarise

    with _fleet_progress() as tell:
        end, rows = run_fleet(
            args.source,
            args.out,
            robot=args.robot,
            robots=args.robots,
            scheduler=args.scheduler,
            workers=args.workers,
            folders=args.folders,
            again=args.again,
            tell=tell,
        )
    summary = summarise(rows.to_pylist())
    for path in write_summary(args.out, summary, fleet_page(summary)):
        sys.stderr.write(f"wrote {path}\n")
    fleet_summary(summary, end, _console())


@contextlib.contextmanager
def _fleet_progress() -> Iterator[Callable[[Any], None]]:
    """Live line on a terminal; a plain line now and then where nobody may be looking."""
    if sys.stderr.isatty():
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
        with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
            line = bar.add_task("starting")
            yield lambda p: bar.update(
                line, completed=p.before + p.done, total=p.total, description=_said(p)
            )
        return
    last = 0.0

    def tell(p: Any) -> None:
        nonlocal last
        if time.monotonic() - last > 15 or p.before + p.done == p.total:
            last = time.monotonic()
            sys.stderr.write(f"{p.before + p.done} of {p.total}: {_said(p)}\n")
            sys.stderr.flush()

    yield tell


def _said(p: Any) -> str:
    parts = [f"{p.workers} workers" if p.workers else "no worker yet"]
    if p.failed:
        parts.append(f"{p.failed} failed")
    if p.before:
        parts.append(f"{p.before} from earlier runs")
    if p.seconds_left:
        minutes, seconds = divmod(round(p.seconds_left), 60)
        parts.append(f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d} left")
    return ", ".join(parts)


def _demo(args: argparse.Namespace) -> None:
    from analyzer.demo import write_demo

    for path in write_demo(args.directory):
        sys.stdout.write(f"{path}\n")


def _dashboard(args: argparse.Namespace) -> None:
    from dashboard.serve import serve

    serve(args.shelf, args.host, args.port, args.fleet)


def _count(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError("one worker at least")
    return number


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="crabwise",
        description="Why a robot on mecanum wheels arcs when it drives sideways, and what to "
        "change, from the logs it records.",
    )
    parser.add_argument("--version", action="version", version=f"crabwise {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    def command(name: str, work: Callable[..., Any], text: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        sub.set_defaults(work=work)
        return sub

    def outputs(sub: argparse.ArgumentParser) -> None:
        sub.add_argument("--json", metavar="FILE", help="write the result as JSON")
        sub.add_argument("--html", metavar="FILE", help="write a report with figures")

    recording: dict[str, Any] = {
        "nargs": "+",
        "metavar": "RECORDING",
        "help": "file or folder of one sitting",
    }
    robot: dict[str, Any] = {"required": True, "metavar": "FILE", "help": "robot file (TOML)"}
    sub = command("inspect", _inspect, "is it usable: channels, rates, gaps, clocks, passes")
    sub.add_argument("recording", **recording)
    sub.add_argument("--robot", metavar="FILE", help="robot file (TOML)")
    sub = command("analyze", _analyze, "how the base moves, why it arcs and what to change")
    sub.add_argument("recording", **recording)
    sub.add_argument("--robot", **robot)
    outputs(sub)
    sub.add_argument("--shelf", metavar="DIR", help="file the result in this folder")
    sub.add_argument("--note", default="", metavar="TEXT", help="note filed with it")
    sub.add_argument(
        "--service",
        action="append",
        default=[],
        metavar='"WHEEL: WHAT"',
        help='what was done before, as in "FL: rollers cleaned @ 41.5 h"; may be repeated',
    )
    sub.add_argument(
        "--date", type=_date, metavar="DATE", help="when it was recorded (ISO 8601), if not logged"
    )
    sub.add_argument("--hours", type=float, metavar="H", help="operating hours at the recording")
    sub = command("heading", _heading, "heading-hold gains, and the proof that they will work")
    sub.add_argument("recording", **recording)
    sub.add_argument("--robot", **robot)
    outputs(sub)
    sub = command("compare", _compare, "did it work: before against after, measure by measure")
    several = "recordings (each a file or a folder), or results written with --json"
    sub.add_argument("--before", nargs="+", required=True, metavar="RECORDING", help=several)
    sub.add_argument("--after", nargs="+", required=True, metavar="RECORDING", help=several)
    sub.add_argument("--robot", **robot)
    outputs(sub)
    sub = command("plan", _plan, "the passes to drive next, and what each decides")
    sub.add_argument("--robot", **robot)
    sub.add_argument(
        "--recorded",
        nargs="+",
        default=[],
        metavar="RECORDING",
        help="what has been recorded so far",
    )
    sub.add_argument("--service", metavar="WHEEL", help="instead, the service sheet of this wheel")
    outputs(sub)
    sub = command("shelf", _shelf, "list filed results, or follow a measure over the season")
    sub.add_argument("directory", metavar="DIR")
    sub.add_argument("--robot-name", metavar="NAME", help="only this robot")
    sub.add_argument("--since", type=_date, metavar="DATE", help="recorded on or after")
    sub.add_argument("--until", type=_date, metavar="DATE", help="recorded on or before")
    sub.add_argument("--text", metavar="TEXT", help="note or service holds this text")
    sub.add_argument("--cause", metavar="WORD", help="first cause, as in roller_drag")
    sub.add_argument("--newest", type=int, metavar="N", help="only the newest so many")
    sub.add_argument(
        "--measures", action="store_true", help="list the measures that can be followed"
    )
    sub.add_argument("--measure", metavar="NAME", help="follow this measure; with * several")
    sub.add_argument("--limit", type=float, metavar="VALUE", help="when is this value crossed?")
    sub.add_argument("--html", metavar="FILE", help="write the course as a page")
    sub = command("fleet", _fleet, "a whole archive: one row a recording, and a summary")
    sub.add_argument("source", metavar="SOURCE", help="folder or fsspec address of the archive")
    sub.add_argument("--out", required=True, metavar="DIR", help="folder or address of the rows")
    sub.add_argument("--robot", metavar="FILE", help="robot file of all recordings (TOML)")
    sub.add_argument(
        "--robots", metavar="TABLE", help="CSV of robots: glob,robot_file,name; first fit counts"
    )
    where = sub.add_mutually_exclusive_group()
    where.add_argument("--scheduler", metavar="ADDRESS", help="Dask scheduler; else this machine")
    where.add_argument("--workers", type=_count, metavar="N", help="workers on this machine")
    sub.add_argument(
        "--folders", action="store_true", help="the files of one folder are one recording"
    )
    sub.add_argument("--again", action="store_true", help="analyse failed recordings once more")
    sub = command("demo", _demo, "write the made-up sample recordings")
    sub.add_argument("directory", metavar="DIR")
    sub = command("dashboard", _dashboard, "the web page, on this machine")
    sub.add_argument("--shelf", metavar="DIR", help="folder with recordings to pick from")
    sub.add_argument("--fleet", metavar="DIR", help="result of `crabwise fleet` to show")
    sub.add_argument("--host", default="127.0.0.1", metavar="ADDRESS", help="address to listen on")
    sub.add_argument("--port", type=int, default=8050, help="port to listen on")
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments; those of the process by default.

    Returns
    -------
    int
        Exit code: 0 done, 1 recording or robot file at fault. Wrong usage exits with 2.
    """
    args = _parser().parse_args(argv)
    # The process ends: looking through all objects for rings once more takes a tenth of a second.
    atexit.register(gc.freeze)
    try:
        return int(args.work(args) or 0)
    except CrabwiseError as error:
        sys.stderr.write(f"crabwise: {error}\n")
        return 1
    except KeyboardInterrupt:
        sys.stderr.write("crabwise: stopped\n")
        return 130
    except BrokenPipeError:
        return 0


if __name__ == "__main__":
    sys.exit(main())
