"""Comparison, plan and shelf for people: terminal summaries and self-contained HTML pages."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from html import escape
from typing import TYPE_CHECKING, Any

from analyzer.figures import arcs, differences, paired_intervals, trend_figure
from analyzer.figures.causes import cause_name
from analyzer.page import document, drawn, table
from analyzer.quantities import rounded
from analyzer.sheets import turning

if TYPE_CHECKING:
    from analyzer.shelf import Trend

VERDICT = {
    "better": "better",
    "worse": "WORSE",
    "changed": "changed",
    "no_worse": "no worse than the tolerance",
    "cannot_tell": "cannot tell",
    "no_change": "no change",
}


def _p(value: float) -> str:
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def _size(value: float, tolerance: float) -> str:
    import math

    digits = max(0, min(6, 1 - math.floor(math.log10(tolerance)))) if tolerance > 0 else 3
    return rounded(value, digits)


def difference_text(m: dict[str, Any]) -> str:
    """Difference of a measure with its interval.

    Parameters
    ----------
    m : dict
        Measure of a comparison.

    Returns
    -------
    str
        Rounded by the tolerance.
    """
    d = m["difference"]
    low, high = d["interval95"]
    parts = [_size(v, m["tolerance"]) for v in (d["value"], low, high)]
    return f"{parts[0]} ({parts[1]} to {parts[2]}) {m['unit']}".strip()


def _grouped(entries: list[dict[str, Any]]) -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    for m in entries:
        out.setdefault(m["why"], []).append(m["label"])
    return out


def comparison_summary(comparison: dict[str, Any], console: Any) -> None:
    """Print the comparison.

    Parameters
    ----------
    comparison : dict
        Outcome of `comparison.compare`.
    console : rich.console.Console
        Where to print.
    """
    from rich.markup import escape as plain
    from rich.table import Table

    name = comparison["robot"]["name"]
    console.print(f"[bold]{plain(name)}[/bold]  {plain(comparison['headline'])}\n")
    grid = Table(title="Before against after", title_justify="left")
    for column in ("measure", "before → after", "difference (95 %)", "verdict"):
        grid.add_column(column, overflow="fold")
    grid.add_column("p, adjusted")
    for m in comparison["measures"]:
        style = {"better": "green", "worse": "bold red"}.get(m["verdict"], "")
        verdict = VERDICT[m["verdict"]]
        if m["verdict"] == "cannot_tell":
            shown = f"{_size(m['detectable_change'], m['tolerance'])} {m['unit']}".strip()
            verdict = f"cannot tell: under {shown} would not show"
        grid.add_row(
            plain(m["label"]),
            plain(
                " → ".join(_size(m[side]["value"], m["tolerance"]) for side in ("before", "after"))
                if m["before"]["value"] is not None and m["after"]["value"] is not None
                else "–"
            ),
            plain(difference_text(m)),
            f"[{style}]{verdict}[/{style}]" if style else verdict,
            _p(m["p_adjusted"]),
        )
    console.print(grid)
    for why, labels in _grouped(comparison["undetermined"]).items():
        console.print(f" undetermined, {plain(why)}: {plain(', '.join(labels))}")
    if comparison["causes"]:
        grid = Table(title="Causes", title_justify="left")
        for column in ("cause", "before", "after"):
            grid.add_column(column)
        for c in comparison["causes"][:8]:
            seen = (f"{100 * c['before']:.0f} %", f"{100 * c['after']:.0f} %")
            grid.add_row(plain(cause_name(c)), *seen)
        console.print(grid)
    for c in comparison["confounders"]:
        console.print(f" [yellow]not alike:[/yellow] {plain(c['text'])}")
    for text in comparison["unmatched"]:
        console.print(f" left out: {plain(text)}")


def comparison_html(comparison: dict[str, Any]) -> str:
    """One self-contained page with figures.

    Parameters
    ----------
    comparison : dict
        Outcome of `comparison.compare`.

    Returns
    -------
    str
        HTML; needs no network.
    """
    from plotly.offline import get_plotlyjs

    rows = [
        (
            m["label"],
            m["text"],
            difference_text(m),
            f"{_p(m['p_value'])} ({_p(m['p_adjusted'])})",
            m["test"],
            "–" if m["effect_size"] is None else f"{m['effect_size']['value']:.1f}",
            f"{_size(m['detectable_change'], m['tolerance'])} {m['unit']}".strip(),
            f"{m['passes']['before']}, {m['passes']['after']}",
        )
        for m in comparison["measures"]
    ]
    confounders = (
        "<ul>"
        + "".join(f"<li>{escape(c['text'])}</li>" for c in comparison["confounders"])
        + "</ul>"
        if comparison["confounders"]
        else "<p>Nothing found in these logs. They do not say which floor it was, or how warm.</p>"
    )
    left_out = [*comparison["unmatched"]] + [
        f"{why}: {', '.join(labels)}"
        for why, labels in _grouped(comparison["undetermined"]).items()
    ]
    sides = [
        (side, "; ".join(", ".join(r) for r in comparison[side]["recordings"]),
         ", ".join(t for t in comparison[side]["recorded_at"] if t) or "–",
         str(comparison[side]["passes"]))
        for side in ("before", "after")
    ]  # fmt: skip
    causes = [
        (cause_name(c), f"{100 * c['before']:.0f} %", f"{100 * c['after']:.0f} %")
        for c in comparison["causes"][:10]
    ]
    driven = all(a["as_driven"] for side in ("before", "after") for a in comparison["arcs"][side])
    name = comparison["robot"]["name"]
    sections = [
        f"<h1>{escape(name)}: before and after</h1>",
        f'<p class="answer">{escape(comparison["headline"])}</p>',
        table(("side", "recordings", "when", "passes"), sides),
        "<h2>Sideways passes</h2>",
        drawn(
            arcs(comparison),
            "From one origin, start heading up; before dashed, after full."
            + ("" if driven else " Drawn as circular arcs from distance and heading change."),
        ),
        "<h2>What changed</h2>",
        drawn(
            differences(comparison),
            "Difference over tolerance with 95 % interval; inside the band it makes no difference in "
            "use. The axis is squeezed by the cube root.",
        ),
        "<h2>What else was different</h2>",
        confounders,
        "<h2>Verdicts</h2>",
        table(
            (
                "measure", "verdict", "difference (95 % interval)", "p (adjusted)", "test",
                "effect size", "shows from", "passes",
            ),
            rows,
            "stack",
        ),
        '<p class="note">In brackets: p adjusted for the number of measures (Holm); effect size: Hedges’ g, in units '
        "of the scatter of passes; shows from: smallest change that would be seen with 80 % power at the "
        "adjusted level; passes before, after. Intervals hold what repeats of one sitting share.</p>",
        drawn(
            paired_intervals(comparison),
            "Every measure before and after with 95 % intervals.",
        ),
        "<h2>Causes</h2>",
        table(("cause", "before", "after"), causes),
        "<h2>Left out</h2>",
        "<ul>" + "".join(f"<li>{escape(t)}</li>" for t in left_out) + "</ul>"
        if left_out
        else "<p>Nothing: every speed found its partner and every measure was there.</p>",
    ]  # fmt: skip
    return document(f"{name}: before and after", sections, script=get_plotlyjs())


def service_summary(sheet: dict[str, Any], console: Any) -> None:
    """Print the service sheet.

    Parameters
    ----------
    sheet : dict
        Outcome of `plan.service_sheet`.
    console : rich.console.Console
        Where to print.
    """
    from rich.markup import escape as plain

    console.print(
        f"[bold]{plain(sheet['robot']['name'])}: service of wheel {plain(sheet['wheel'])}[/bold]"
    )
    for text in sheet["cautions"]:
        console.print(f" [yellow]Caution:[/yellow] {plain(text)}")
    for k, s in enumerate(sheet["steps"], start=1):
        console.print(f" {k}. {plain(s['text'])} ({plain(s['source'])})")
        if s["caution"]:
            console.print(f"    [yellow]Caution:[/yellow] {plain(s['caution'])}")
    console.print("Afterwards:")
    for text in sheet["afterwards"]:
        console.print(f" - {plain(text)}")


def plan_summary(plan: dict[str, Any], console: Any) -> None:
    """Print the plan.

    Parameters
    ----------
    plan : dict
        Outcome of `plan.make_plan`.
    console : rich.console.Console
        Where to print.
    """
    from rich.markup import escape as plain
    from rich.table import Table

    console.print(
        f"[bold]{plain(plan['robot']['name'])}[/bold]  {len(plan['steps'])} steps, about "
        f"{plan['minutes']:.0f} minutes; what tells most per minute comes first.\n"
    )
    for text in plan["cautions"]:
        console.print(f" [yellow]Caution:[/yellow] {plain(text)}")
    grid = Table(title="What to drive", title_justify="left")
    for column in ("", "passes", "how", "floor [m]", "decides"):
        grid.add_column(column, overflow="fold")
    for s in plan["steps"]:
        what = s["title"]
        if s["key"] != "rest":
            what += f"\n{s['speed']:.2f} {s['unit']}, {s['repeats']} each way"
            if s["recorded"]:
                what += f" ({s['recorded']} there already)"
        size = s["floor_m"]
        floor = f"{size['length']:.1f} × {size['width']:.1f}" if size["length"] else "–"
        grid.add_row(str(s["order"]), plain(what), plain(s["how"]), floor, plain(decided(s)))
    console.print(grid)
    for s in plan["enough"]:
        console.print(f" recorded well enough: {plain(s['title'])} ({s['recorded']} each way)")
    grid = Table(title="Which way each wheel turns (share of the fastest)", title_justify="left")
    grid.add_column("motion")
    for wheel in plan["robot"]["wheels"]:
        grid.add_column(plain(wheel))
    for row in plan["wheel_directions"]:
        grid.add_row(plain(row["motion"]), *(turning(w) for w in row["wheels"].values()))
    console.print(grid)
    console.print("Log: " + plain("; ".join(plan["channels"])) + ".")
    console.print(plain(plan["stability"]["text"]))


def decided(step: dict[str, Any]) -> str:
    """What a step decides, in a sentence.

    Parameters
    ----------
    step : dict
        Step of the plan.

    Returns
    -------
    str
        For the screen.
    """
    return "; ".join([step["tells"], *step["decides"]])


def shelf_summary(rows: list[dict[str, Any]], console: Any) -> None:
    """Print what stands on a shelf.

    Parameters
    ----------
    rows : list of dict
        Outcome of `shelf.list_results`.
    console : rich.console.Console
        Where to print.
    """
    from rich.markup import escape as plain

    console.print(f"[bold]{len(rows)} results[/bold], by time of recording (UTC)")
    for r in rows:
        cause = (
            ""
            if not r["cause"]
            else f"{r['cause'].replace('_', ' ')} {100 * (r['probability'] or 0):.0f} %"
        )
        hours = "" if r["hours"] is None else f"{r['hours']:.1f} h"
        parts = [f"{r['recorded_at']:%Y-%m-%d %H:%M}", hours, r["robot"], cause]
        console.print("[bold]" + plain("  ".join(p for p in parts if p)) + "[/bold]")
        for s in r["service"]:
            console.print(
                "    service: " + plain((f"{s['wheel']}: " if s["wheel"] else "") + s["what"])
            )
        if r["note"]:
            console.print("    note: " + plain(r["note"]))
        console.print(f"    results/{plain(r['id'])}.json", style="dim", highlight=False)


def trend_sentences(course: Trend) -> list[str]:
    """Tell a course in words: span, service, changes, slope, crossing.

    Parameters
    ----------
    course : Trend
        Outcome of `shelf.trend`.

    Returns
    -------
    list of str
        Sentences.
    """
    unit = f" {course.unit}" if course.unit else ""
    out = [
        f"{course.measure} of {course.robot}: {course.at.size} recordings from "
        f"{course.recorded_at[0]:%Y-%m-%d} to {course.recorded_at[-1]:%Y-%m-%d}; first "
        f"{course.value[0]:.3g}{unit}, last {course.value[-1]:.3g}{unit}."
    ]
    for s in course.services:
        wheel = f"{s['wheel']}: " if s["wheel"] else ""
        out.append(f"Service before {s['recorded_at']:%Y-%m-%d}: {wheel}{s['what']}.")
    for change in course.changes:
        out.append(
            f"The course breaks before the recording of {course.recorded_at[change]:%Y-%m-%d}."
        )
    out.append(f"Slope since the last service or break: {course.slope}.")
    if course.limit is not None:
        told = "is reached at " if course.crossing.value is not None else ""
        out.append(f"Limit {course.limit:g}{unit}: {told}{_reached(course)}.")
    return out


def _reached(course: Trend) -> str:
    """Where the limit is crossed, with its interval, or why nobody can say."""
    crossing = course.crossing
    if crossing.value is None or crossing.low is None or crossing.high is None:
        return crossing.why
    ends = (crossing.value, crossing.low, crossing.high)
    if course.axis == "hours":
        return "{:.1f} h ({:.1f} to {:.1f} h)".format(*ends)
    when = [f"{course.start + timedelta(days=min(v, 36500.0)):%Y-%m-%d}" for v in ends]
    return "{} ({} to {})".format(*when)


def trends_summary(courses: Sequence[Trend], console: Any) -> None:
    """Print several courses, a line each.

    Parameters
    ----------
    courses : sequence of Trend
        Outcome of `shelf.trends`.
    console : rich.console.Console
        Where to print.
    """
    from rich.markup import escape as plain
    from rich.table import Table

    limit = courses[0].limit
    grid = Table(title=f"{courses[0].robot}", title_justify="left")
    for column in (
        "measure",
        "last",
        "slope",
        "limit not asked" if limit is None else f"reaches {limit:g}",
    ):
        grid.add_column(column, overflow="fold")
    for c in courses:
        unit = f" {c.unit}" if c.unit else ""
        slope = str(c.slope) if c.slope.value is not None else "–"
        grid.add_row(
            *map(
                plain,
                (
                    c.measure,
                    f"{c.value[-1]:.4g}{unit}",
                    slope,
                    "" if limit is None else _reached(c),
                ),
            )
        )
    console.print(grid)


def trend_summary(course: Trend, console: Any) -> None:
    """Print a course.

    Parameters
    ----------
    course : Trend
        Outcome of `shelf.trend`.
    console : rich.console.Console
        Where to print.
    """
    from rich.markup import escape as plain

    for text in trend_sentences(course):
        console.print(plain(text))


def trend_html(course: Trend) -> str:
    """One self-contained page with the course.

    Parameters
    ----------
    course : Trend
        Outcome of `shelf.trend`.

    Returns
    -------
    str
        HTML; needs no network.
    """
    from plotly.offline import get_plotlyjs

    rows = [
        (f"{t:%Y-%m-%d %H:%M}", f"{a:.1f}", f"{v:.4g}", f"{low:.4g} to {high:.4g}")
        for t, a, v, low, high in list(
            zip(course.recorded_at, course.at, course.value, course.low, course.high, strict=True)
        )[-500:]
    ]
    words = trend_sentences(course)
    sections = [
        f"<h1>{escape(course.robot)}: {escape(course.measure)}</h1>",
        f'<p class="answer">{escape(words[-1])}</p>',
        "<ul>" + "".join(f"<li>{escape(t)}</li>" for t in words[:-1]) + "</ul>",
        drawn(
            trend_figure(course),
            "Bars are 95 % intervals; dashed upright lines: service; dotted: breaks of the course.",
        ),
        "<h2>Recordings</h2>",
        table(("recorded (UTC)", course.axis, f"value [{course.unit}]", "95 % interval"), rows),
    ]
    return document(f"{course.robot}: {course.measure}", sections, script=get_plotlyjs())
