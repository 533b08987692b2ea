"""The command line: parse, one call, show. Exit 0 done, 1 input at fault, 2 wrong usage."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
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

    analysis = _analyze_with_bar(args.recording, args.robot)
    saved = _save(args, lambda: result_text(analysis.result), lambda: html_report(analysis))
    if not saved:
        terminal_summary(analysis, _console())
    if args.shelf:
        from analyzer.shelf import file_result

        kept = file_result(args.shelf, analysis.result, note=args.note)
        sys.stderr.write(f"filed {kept}\n")


def _compare(args: argparse.Namespace) -> None:
    from analyzer.comparison import compare
    from analyzer.comparison_report import comparison_html, comparison_summary
    from analyzer.pipeline import result_text
    from analyzer.robot import load_robot

    before = [_analyze_with_bar([path], args.robot).result for path in args.before]
    after = [_analyze_with_bar([path], args.robot).result for path in args.after]
    comparison = compare(before, after, load_robot(args.robot))
    if not _save(
        args, lambda: result_text(comparison.as_json()), lambda: comparison_html(comparison)
    ):
        _console().print(comparison_summary(comparison))


def _heading(args: argparse.Namespace) -> None:
    from analyzer.heading import tune_heading
    from analyzer.heading_report import heading_html, heading_summary
    from analyzer.pipeline import prepare, result_text

    run, passes = _with_progress(
        lambda tell: prepare(args.recording, args.robot, progress=tell)
    )
    result = tune_heading(run, passes)
    if not _save(args, lambda: result_text(result.as_json()), lambda: heading_html(result)):
        _console().print(heading_summary(result))


def _plan(args: argparse.Namespace) -> None:
    from analyzer.pipeline import write_atomically
    from analyzer.plan import make_plan, plan_html
    from analyzer.robot import load_robot

    plan = make_plan(load_robot(args.robot))
    if args.html:
        write_atomically(args.html, plan_html(plan))
        sys.stderr.write(f"wrote {args.html}\n")
    else:
        _console().print(plan.as_text())


def _demo(args: argparse.Namespace) -> None:
    from analyzer.demo import write_demo

    for path in write_demo(args.directory):
        sys.stdout.write(f"{path}\n")


def _fleet(args: argparse.Namespace) -> int:
    from analyzer.fleet import fleet_summary, run_fleet

    summary = run_fleet(args.source, args.robot, args.out, scheduler=args.scheduler)
    _console().print(fleet_summary(summary))
    return 0


def _dashboard(args: argparse.Namespace) -> None:
    from dashboard import serve

    serve(host=args.host, port=args.port, shelf=args.shelf)


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

    recording = {"nargs": "+", "metavar": "RECORDING", "help": "file or folder of one sitting"}
    robot = {"required": True, "metavar": "FILE", "help": "robot file (TOML)"}
    sub = command("inspect", _inspect, "is it usable: channels, rates, gaps, clocks, passes")
    sub.add_argument("recording", **recording)
    sub.add_argument("--robot", metavar="FILE", help="robot file (TOML)")
    sub = command("analyze", _analyze, "how the base moves, why it arcs and what to change")
    sub.add_argument("recording", **recording)
    sub.add_argument("--robot", **robot)
    outputs(sub)
    sub.add_argument("--shelf", metavar="DIR", help="also file the result on this shelf")
    sub.add_argument("--note", default="", metavar="TEXT", help="note kept with the result")
    sub = command("compare", _compare, "did the service or the change work: before against after")
    sub.add_argument("--before", nargs="+", required=True, metavar="RECORDING")
    sub.add_argument("--after", nargs="+", required=True, metavar="RECORDING")
    sub.add_argument("--robot", **robot)
    outputs(sub)
    sub = command("heading", _heading, "heading-hold gains and the proof that they are safe")
    sub.add_argument("recording", **recording)
    sub.add_argument("--robot", **robot)
    outputs(sub)
    sub = command("plan", _plan, "the passes to drive, and what each decides")
    sub.add_argument("--robot", **robot)
    sub.add_argument("--html", metavar="FILE", help="write a sheet to print")
    sub = command("demo", _demo, "write the made-up sample recordings")
    sub.add_argument("directory", metavar="DIR")
    sub = command("fleet", _fleet, "analyse a whole archive of recordings")
    sub.add_argument("source", metavar="SOURCE", help="folder or fsspec address")
    sub.add_argument("--robot", **robot)
    sub.add_argument("--out", required=True, metavar="DIR", help="folder or fsspec address")
    sub.add_argument("--scheduler", metavar="ADDRESS", help="address of a Dask scheduler")
    sub = command("dashboard", _dashboard, "the web page")
    sub.add_argument("--shelf", metavar="DIR", help="shelf of results to show")
    sub.add_argument("--host", default="127.0.0.1", help="address to listen on")
    sub.add_argument("--port", type=int, default=8060, help="port to listen on")
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
