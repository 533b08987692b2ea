"""The analysis for people: one sentence, a terminal summary, one self-contained HTML page."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING, Any

from analyzer.figures import (
    base_from_above,
    candidates,
    cause_bars,
    drift_by_speed,
    fan,
    misfits,
    path,
    timeline,
    wheel_bars,
)
from analyzer.figures.causes import cause_name
from analyzer.page import document, drawn, listed, print_findings, table
from analyzer.quantities import rounded, with_unit
from analyzer.traces import run_track

if TYPE_CHECKING:
    from analyzer.pipeline import Inspection, RunAnalysis

PATH_SHOWN = 2.0
"""Path sideways that the first sentence speaks of [m]."""
PLACE = {
    "mechanics": "Cures it (mechanics)",
    "trim": "Balances it (mechanics)",
    "software": "Hides it (software)",
    "record": "Tells more",
}


IN_FULL = "the result (--json FILE)"
"""Where all rows of a table stand that a report cuts."""


def number(entry: dict[str, Any], digits: int = 2, scale: float = 1.0, unit: str = "") -> str:
    """Estimate as text: value, half the interval, unit; or why there is none.

    Parameters
    ----------
    entry : dict
        Estimate of the result file.
    digits : int
        Digits behind the point; more where half the interval would read 0.
    scale : float
        Factor to the unit shown.
    unit : str
        Unit shown; the estimate's own by default.

    Returns
    -------
    str
        For the screen.
    """
    if entry.get("value") is None:
        return f"undetermined: {entry.get('why', '')}"
    low, high = entry["interval95"]
    half = (high - low) / 2 * scale
    if 0 < half < 0.5 * 10**-digits:
        digits = min(9, math.ceil(-math.log10(half)))
    value = rounded(entry["value"] * scale, digits)
    return with_unit(f"{value} ± {half:.{digits}f}", unit or entry["unit"])


def cause_size(cause: dict[str, Any]) -> str:
    """Magnitude of a cause as text, in the units of the screen.

    Parameters
    ----------
    cause : dict
        Entry of the result file's `causes`.

    Returns
    -------
    str
        Value, half the interval, unit; or why there is none.
    """
    size = cause["magnitude"]
    if size.get("unit") == "rad/s":
        return number(size, 2, 180 / math.pi, "°/s")
    return number(size, 1 if size.get("unit") else 2)


def headline(result: dict[str, Any]) -> str:
    """Answer in one sentence: what it does, why, and what to do.

    Parameters
    ----------
    result : dict
        Result file.

    Returns
    -------
    str
        One or two sentences with numbers.
    """
    parts = []
    shown: dict[str, Any] | None = None
    for side in ("left", "right"):
        rows = [
            b
            for b in result["yaw_drift_deg_per_m"]["by_speed"]
            if b["kind"] == side and b["total"].get("value") is not None
        ]
        if not rows:
            continue
        # The speed at which most of the way was driven: nearly stalled passes say less.
        row = max(rows, key=lambda b: _way_at(result, side, b["speed_m_per_s"], rows))
        shown = shown or row
        turn = PATH_SHOWN * row["total"]["value"]
        way = "anticlockwise" if turn > 0 else "clockwise"
        parts.append(
            f"going {side} {PATH_SHOWN:.1f} m at {row['speed_m_per_s']:.2f} m/s it turns "
            f"{abs(turn):.1f}° {way}"
        )
    text = " and ".join(parts) if parts else "no sideways pass with a known heading"
    text = text[0].upper() + text[1:]
    causes = result["causes"]
    if not causes:
        return text + "."
    top = causes[0]
    if top["cause"] == "none":
        why = f"nothing beyond tolerance is at fault ({100 * top['probability']:.0f} %)"
    elif top["cause"] == "undetermined":
        why = f"these logs cannot tell why ({100 * top['probability']:.0f} %)"
    else:
        known = [c for c in causes if c["cause"] != "undetermined"][:2]
        why = "most likely " + " and ".join(
            _named(c) for c in known if c is top or c["probability"] >= 0.5
        )
        unknown = next((c for c in causes if c["cause"] == "undetermined"), None)
        if unknown is not None and unknown["probability"] >= 0.5:
            why += (
                ", but something else is at work that these logs cannot tell "
                f"({100 * unknown['probability']:.0f} %)"
            )
    text += f": {why}."
    if not result["remedies"]:
        return text
    first = result["remedies"][0]
    text += " " + first["text"]
    changes = [r for r in result["remedies"] if "by_speed" in r["expected_effect"]]
    if first not in changes or shown is None:
        return text
    last = changes[-1]["expected_effect"]
    after = last.get("together_with_earlier", last)["by_speed"]
    left = next(
        (
            e["yaw_drift_deg_per_m"]
            for e in after
            if e["kind"] == shown["kind"] and e["speed_m_per_s"] == shown["speed_m_per_s"]
        ),
        None,
    )
    if left is not None and left.get("value") is not None:
        what = "With all remedies below that" if len(changes) > 1 else "That"
        text += f" {what} should leave {number(left, 1, PATH_SHOWN, '°')} there."
    return text


def constants_text(
    analysis: RunAnalysis,
    places: Sequence[tuple[float, float]],
    serviced: Sequence[tuple[str, str | None]],
    factors: Sequence[float],
    lever: float,
) -> str:
    """Constants of a change, as TOML to copy into a program or take to the bench.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    places : sequence of (float, float)
        x and y of each movable mass, or the shift of the centre of mass where none is named. [m]
    serviced : sequence of (str, str or None)
        Cause word and wheel that is serviced.
    factors : sequence of float
        Factor of each wheel.
    lever : float
        Yaw lever for the program. [m]

    Returns
    -------
    str
        TOML text.
    """
    robot, chassis = analysis.robot, analysis.result["chassis"]
    lines = [
        f"# {robot.name!r}: change worked out by Crabwise from {', '.join(analysis.recording.paths)}"
    ]
    lines += [f"# service: {cause_name({'cause': c, 'wheel': w})}" for c, w in serviced]
    measured = number(chassis["yaw_lever_m"], 4)
    lines.append(f"yaw_lever_m = {lever:.4f}  # for odometry and turns; measured: {measured}")
    lines.append("[wheel_factors]  # multiply each wheel's target or power")
    lines += [f"{name} = {f:.5g}" for name, f in zip(robot.wheel_names, factors, strict=True)]
    lines.append("[effective_radius_m]")
    for name, wheel in analysis.result["wheels"].items():
        value = wheel["effective_radius_m"].get("value")
        lines.append(f"# {name}: undetermined" if value is None else f"{name} = {value:.5f}")
    if robot.masses:
        for mass, (x, y) in zip(robot.masses, places, strict=True):
            lines += [
                "[[mass]]",
                f"name = {json.dumps(mass.name)}",
                f"x_m = {x:.4f}",
                f"y_m = {y:.4f}",
            ]
    elif any(places[0]):
        lines += ["[centre_of_mass_shift_m]", f"x = {places[0][0]:.4f}", f"y = {places[0][1]:.4f}"]
    return "\n".join(lines) + "\n"


def _way_at(
    result: dict[str, Any], side: str, speed: float, rows: Sequence[dict[str, Any]]
) -> float:
    """Path of all plain passes to a side that belong to one of the speeds. [m]"""
    speeds = [b["speed_m_per_s"] for b in rows]
    return sum(
        p["distance_m"] or 0.0
        for p in result["passes"]
        if p["kind"] == side
        and not p["hard_start"]
        and p["speed_m_per_s"]
        and min(speeds, key=lambda v: abs(v - p["speed_m_per_s"])) == speed
    )


def _afterwards(expected: dict[str, Any]) -> list[str]:
    """What a remedy should bring, by speed: alone, and with those before it."""
    lines = []
    for name, effect in (
        ("Expected afterwards", expected),
        ("Together with the remedies above", expected.get("together_with_earlier", {})),
    ):
        rows = [e for e in effect.get("by_speed", []) if e["kind"] == "left"]
        if rows:
            lines.append(
                f"{name}, going left: "
                + "; ".join(
                    f"at {e['speed_m_per_s']:.2f} m/s "
                    f"{number(e['yaw_drift_before_deg_per_m'], 1, 1.0, '°/m')} becomes "
                    f"{number(e['yaw_drift_deg_per_m'], 1, 1.0, '°/m')}"
                    for e in rows
                )
                + "."
            )
    return lines


def _named(cause: dict[str, Any]) -> str:
    size = cause["magnitude"]
    shown = f"{cause_size(cause)}, " if size.get("value") is not None else ""
    return f"{cause_name(cause)} ({shown}{100 * cause['probability']:.0f} %)"


def _rows(result: dict[str, Any]) -> list[tuple[str, str]]:
    chassis = result["chassis"]
    rows = []
    for side in ("left", "right"):
        for part in ("total", "rolled", "slipped"):
            rows.append(
                (f"yaw drift {side}, {part}", number(result["yaw_drift_deg_per_m"][side][part]))
            )
        rows.append((f"closure {side}", number(result["closure_mm_per_m"][side], 1)))
        rows.append((f"creep {side} (ahead positive)", number(result["creep_mm_per_m"][side], 1)))
        rows.append((f"arc radius {side}", number(result["arc_radius_m"][side])))
    rows += [
        ("sideways ratio (true over rolled)", number(chassis["sideways_ratio"], 4)),
        ("effective radius ahead", number(chassis["effective_radius_m"], 2, 1e3, "mm")),
        ("yaw lever", number(chassis["yaw_lever_m"], 4)),
        (
            "centre of mass ahead of the middle",
            number(chassis["centre_of_mass_m"]["x"], 1, 1e3, "mm"),
        ),
        (
            "centre of mass left of the middle",
            number(chassis["centre_of_mass_m"]["y"], 1, 1e3, "mm"),
        ),
        ("yaw inertia", number(chassis["yaw_inertia_kgm2"], 3)),
    ]
    for name, wheel in result["wheels"].items():
        rows.append((f"radius of {name} over the mean", number(wheel["relative_radius"], 4)))
    for name, entry in result["imu"].items():
        bare = name.removesuffix("_rad_s").removesuffix("_deg")  # the value shows its unit
        rows.append((bare.replace("_", " "), number(entry, 5)))
    return rows


def terminal_summary(analysis: RunAnalysis, console: Any) -> None:
    """Print the readable summary.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    console : rich.console.Console
        Where to print.
    """
    from rich.markup import escape as plain
    from rich.table import Table

    result = analysis.result
    console.print(f"[bold]{plain(result['robot']['name'])}[/bold]  {plain(headline(result))}\n")
    grid = Table(title="How it moves", show_header=False, title_justify="left")
    grid.add_column("measure")
    grid.add_column("value with 95 % interval", overflow="fold")
    for name, value in _rows(result):
        grid.add_row(plain(name), plain(value))
    console.print(grid)
    grid = Table(title="Why", title_justify="left")
    for column in ("cause", "probability", "size", "evidence"):
        grid.add_column(column, overflow="fold")
    for cause in [c for c in result["causes"] if c["probability"] >= 0.02][:8]:
        grid.add_row(
            plain(cause_name(cause)),
            f"{100 * cause['probability']:.0f} %",
            plain(cause_size(cause)),
            plain("; ".join(cause["evidence_for"])),
        )
    console.print(grid)
    console.print("[bold]What to do[/bold]")
    for k, remedy in enumerate(result["remedies"], start=1):
        expected = remedy["expected_effect"]
        console.print(f" {k}. {plain(remedy['text'])}")
        for line in _afterwards(expected):
            console.print(f"    {plain(line)}")
        console.print(f"    {PLACE.get(expected.get('place', ''), '')}. {plain(expected['text'])}")
        console.print(f"    [yellow]Caution:[/yellow] {plain(remedy['caution'])}")
    if not result["remedies"]:
        console.print(" nothing to change")
    loud = [f for f in result["findings"] if f["severity"] != "note"]
    if loud:
        console.print("[bold]Findings about the recording[/bold]")
        rows = []
        for f in loud:
            when = "" if f["t_start"] is None else f" ({f['t_start']:.1f} s)"
            rows.append((f["severity"], f["channel"], f["text"] + when))
        print_findings(rows, console)


def inspect_summary(inspection: Inspection, console: Any) -> None:
    """Print what a recording holds and what it can decide.

    Parameters
    ----------
    inspection : Inspection
        Outcome of `pipeline.inspect`.
    console : rich.console.Console
        Where to print.
    """
    from rich.markup import escape as plain
    from rich.table import Table

    grid = Table(title="Sources", title_justify="left")
    for column in ("source", "samples", "rate [Hz]", "longest step [s]"):
        grid.add_column(column)
    for name, count, rate, longest in inspection.rates:
        grid.add_row(plain(name), str(count), f"{rate:.1f}", f"{longest:.3f}")
    console.print(grid)
    grid = Table(title="What was taken as what", title_justify="left")
    for column in ("source", "column", "channel", "unit", "why"):
        grid.add_column(column, overflow="fold")
    for source in inspection.recording.sources:
        for use in source.columns:
            cells = (source.name, use.column, use.channel or "not used", use.unit, use.why)
            grid.add_row(*map(plain, cells))
    console.print(grid)
    if inspection.run is not None:
        kinds: dict[str, int] = {}
        for p in inspection.passes:
            kinds[p.kind] = kinds.get(p.kind, 0) + 1
        console.print(
            "Passes: " + ", ".join(f"{n} {k.replace('_', ' ')}" for k, n in kinds.items())
        )
        grid = Table(title="What it can decide", title_justify="left", show_header=False)
        grid.add_column("question")
        grid.add_column("answer", overflow="fold")
        for question, answer in inspection.decides:
            grid.add_row(plain(question), plain(answer))
        console.print(grid)
    findings = inspection.recording.findings if inspection.run is None else inspection.run.findings
    for f in findings:
        console.print(f" {f.severity}: {plain(f.channel)} {plain(f.text)}")
    for problem in inspection.problems:
        console.print(f" [bold red]keeps it from being analysed:[/bold red] {plain(problem)}")


def html_report(analysis: RunAnalysis) -> str:
    """One self-contained page with figures.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    str
        HTML; needs no network.
    """
    from plotly.offline import get_plotlyjs

    result = analysis.result

    causes = [c for c in result["causes"] if c["probability"] >= 0.01][:10]
    why = "".join(
        f"<h3>{escape(cause_name(c))}: {100 * c['probability']:.0f} %, size "
        f"{escape(cause_size(c))}</h3>"
        + "".join(
            f"<p><em>{word}</em></p><ul>{''.join(f'<li>{escape(t)}</li>' for t in c[key])}</ul>"
            for word, key in (
                ("For it", "evidence_for"),
                ("Against it", "evidence_against"),
                ("What would decide", "would_decide"),
            )
            if c[key]
        )
        for c in causes
    )
    todo = []
    for remedy in result["remedies"]:
        expected = remedy["expected_effect"]
        after = "".join(f"<br>{escape(line)}" for line in _afterwards(expected))
        todo.append(
            f"<li><strong>{escape(remedy['text'])}</strong>{after}<br>"
            f"{escape(PLACE.get(expected.get('place', ''), ''))}. {escape(expected['text'])}"
            f'<br><span class="caution">Caution: {escape(remedy["caution"])}</span></li>'
        )
    passes = [
        (
            p["kind"].replace("_", " ") + (" (hard start)" if p["hard_start"] else ""),
            f"{p['t_start']:.1f}–{p['t_end']:.1f}",
            cell(
                p["speed_m_per_s"] if p["speed_m_per_s"] is not None else p["turn_rate_rad_per_s"]
            ),
            cell(p["distance_m"]),
            cell(p["heading_change_deg"], 1),
            cell(p["rolled_deg"], 1),
            cell(p["slipped_deg"], 1),
            cell(p["closure_mm_per_m"], 1),
            cell(p["creep_mm_per_m"], 1),
        )
        for p in result["passes"]
    ]
    findings = [
        (
            f["severity"],
            f["channel"],
            f["text"],
            "" if f["t_start"] is None else f"{f['t_start']:.1f}–{f['t_end'] or f['t_start']:.1f}",
        )
        for f in sorted(result["findings"], key=lambda f: f["severity"] != "error")
    ]
    columns = [
        (c["source"], c["column"], c["channel"] or "not used", c["unit"], c["why"])
        for c in result["columns"]
    ]
    name = escape(result["robot"]["name"])
    arcs, balances = candidates(analysis), misfits(analysis)
    seen = "All sideways passes from one origin, start heading up. Full: as driven; dashed: as the wheels rolled."
    if arcs:
        seen += (
            " Dotted: as predicted after the remedies, by their number in the list above; the predicted "
            "yaw drift with its interval stands there."
        )
    sections = [
        f"<h1>{name}: how it moves, and why</h1>",
        f'<p class="answer">{escape(headline(result))}</p>',
        "<h2>What to do</h2><ol>" + ("".join(todo) or "<li>Nothing to change.</li>") + "</ol>",
        "<h2>Sideways passes</h2>",
        drawn(fan(analysis, None, arcs), seen),
        drawn(drift_by_speed(analysis), "Heading change per metre; bars are 95 % intervals."),
        "<h2>Why</h2>",
        drawn(cause_bars(analysis), "Probabilities of single causes; a pair shows as two bars."),
        ""
        if balances is None
        else drawn(
            balances,
            "Predicted against seen: how far each balance is off under the likeliest hypotheses and "
            "a sound base, and (lowest row) how far each has to stretch what sound parts are like. All "
            "marks in the green band: it explains the recording.",
        ),
        drawn(
            base_from_above(analysis),
            "The base from above, ahead is up; suspicious wheels have a thick rim.",
        ),
        why,
        "<h2>Measures</h2>",
        drawn(
            wheel_bars(analysis),
            "Wheel by wheel; the band is the tolerance of the radius. Slip: driving positive "
            "(SAE J670 sense).",
        ),
        table(("measure", "value with 95 % interval"), _rows(result)),
        "<h2>Can this recording be trusted?</h2>",
        drawn(timeline(analysis), "Passes along time, and findings that have a time."),
        listed(("severity", "channel", "finding", "time [s]"), findings, where=IN_FULL)
        if findings
        else "<p>No findings.</p>",
        drawn(path(run_track(analysis.run)), "Path of the whole recording."),
        "<h2>Passes</h2>",
        listed(
            (
                "kind", "time [s]", "speed [m/s, rad/s]", "distance [m]", "heading [°]", "rolled [°]",
                "slipped [°]", "closure [mm/m]", "creep [mm/m]",
            ),
            passes,
            where=IN_FULL,
        ),
        "<h2>What was taken as what</h2>",
        table(("source", "column", "channel", "unit", "why"), columns),
    ]  # fmt: skip
    title = f"{result['robot']['name']}: Crabwise report"
    return document(title, sections, script=get_plotlyjs())


def cell(value: float | None, digits: int = 2) -> str:
    """Number for a table.

    Parameters
    ----------
    value : float or None
        The number.
    digits : int
        Digits behind the point.

    Returns
    -------
    str
        A dash where there is none.
    """
    return "–" if value is None else rounded(value, digits)
