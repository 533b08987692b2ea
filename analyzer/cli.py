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


def _heading(args: argparse.Namespace) -> None:
    from analyzer.heading_report import heading_page, heading_summary
    from analyzer.pipeline import result_text, tune_heading

    paths, robot = args.recording, args.robot
    analysis = _with_progress(lambda tell: tune_heading(paths, robot, progress=tell))
    saved = _save(args, lambda: result_text(analysis.result), lambda: heading_page(analysis))
    if not saved:
        heading_summary(analysis, _console())


def _demo(args: argparse.Namespace) -> None:
    from analyzer.demo import write_demo

    for path in write_demo(args.directory):
        sys.stdout.write(f"{path}\n")


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
    sub = command("heading", _heading, "heading-hold gains, and the proof that they will work")
    sub.add_argument("recording", **recording)
    sub.add_argument("--robot", **robot)
    outputs(sub)
    sub = command("demo", _demo, "write the made-up sample recordings")
    sub.add_argument("directory", metavar="DIR")
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
