"""The analysis for people: one sentence, a terminal summary, one self-contained HTML page."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING, Any

from analyzer.figures import (
    base_from_above,
    cause_bars,
    drift_by_speed,
    fan,
    fleet_causes,
    fleet_drift,
    fleet_spread,
    fleet_trend,
    path,
    timeline,
    wheel_bars,
)
from analyzer.figures.causes import cause_name

if TYPE_CHECKING:
    from analyzer.pipeline import Inspection, RunAnalysis

PLACE = {
    "mechanics": "Cures it (mechanics)",
    "software": "Hides it (software)",
    "record": "Tells more",
}


def number(entry: dict[str, Any], digits: int = 2, scale: float = 1.0, unit: str = "") -> str:
    """Estimate as text: value, half the interval, unit; or why there is none.

    Parameters
    ----------
    entry : dict
        Estimate of the result file.
    digits : int
        Digits behind the point.
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
    return (
        f"{entry['value'] * scale:.{digits}f} ± {half:.{digits}f} {unit or entry['unit']}".strip()
    )


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
    for side in ("left", "right"):
        drift = result["yaw_drift_deg_per_m"][side]["total"]
        if drift.get("value") is not None:
            turn = 2 * drift["value"]
            way = "anticlockwise" if turn > 0 else "clockwise"
            parts.append(f"going {side} 2.0 m it turns {abs(turn):.1f}° {way}")
    text = " and ".join(parts) if parts else "no sideways pass with a known heading"
    text = text[0].upper() + text[1:]
    causes = result["causes"]
    if not causes:
        return text + "."
    top = causes[0]
    if top["cause"] == "none":
        why = "nothing beyond tolerance is at fault"
    elif top["cause"] == "undetermined":
        why = "these logs cannot tell why"
    else:
        why = f"most likely {cause_name(top)}"
        if top["magnitude"].get("value") is not None:
            why += f" ({number(top['magnitude'], 1)})"
    text += f": {why} ({100 * top['probability']:.0f} %)."
    if result["remedies"]:
        first = result["remedies"][0]
        text += " " + first["text"]
        expected = first["expected_effect"].get("yaw_drift_deg_per_m")
        if expected and expected.get("value") is not None:
            text += f" That should leave {number(expected, 1)} of direction-odd yaw drift."
    return text


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
        rows.append((f"arc radius {side}", number(result["arc_radius_m"][side], 1)))
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
        rows.append((name.replace("_", " "), number(entry, 5)))
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
    table = Table(title="How it moves", show_header=False, title_justify="left")
    table.add_column("measure")
    table.add_column("value with 95 % interval", overflow="fold")
    for name, value in _rows(result):
        table.add_row(plain(name), plain(value))
    console.print(table)
    table = Table(title="Why", title_justify="left")
    for column in ("cause", "probability", "size", "evidence"):
        table.add_column(column, overflow="fold")
    for cause in [c for c in result["causes"] if c["probability"] >= 0.02][:8]:
        table.add_row(
            plain(cause_name(cause)),
            f"{100 * cause['probability']:.0f} %",
            plain(number(cause["magnitude"], 1)),
            plain("; ".join(cause["evidence_for"])),
        )
    console.print(table)
    console.print("[bold]What to do[/bold]")
    for k, remedy in enumerate(result["remedies"], start=1):
        expected = remedy["expected_effect"]
        effect = expected.get("yaw_drift_deg_per_m")
        console.print(f" {k}. {plain(remedy['text'])}")
        if effect is not None:
            console.print(f"    expected afterwards: yaw drift {plain(number(effect, 1))}")
        console.print(f"    {PLACE.get(expected.get('place', ''), '')}. {plain(expected['text'])}")
        console.print(f"    [yellow]Caution:[/yellow] {plain(remedy['caution'])}")
    if not result["remedies"]:
        console.print(" nothing to change")
    loud = [f for f in result["findings"] if f["severity"] != "note"]
    if loud:
        console.print("[bold]Findings about the recording[/bold]")
        for f in loud[:20]:
            when = "" if f["t_start"] is None else f" ({f['t_start']:.1f} s)"
            console.print(f" {f['severity']}: {plain(f['channel'])} {plain(f['text'])}{when}")


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

    table = Table(title="Sources", title_justify="left")
    for column in ("source", "samples", "rate [Hz]", "longest step [s]"):
        table.add_column(column)
    for name, count, rate, longest in inspection.rates:
        table.add_row(plain(name), str(count), f"{rate:.1f}", f"{longest:.3f}")
    console.print(table)
    table = Table(title="What was taken as what", title_justify="left")
    for column in ("source", "column", "channel", "unit", "why"):
        table.add_column(column, overflow="fold")
    for source in inspection.recording.sources:
        for use in source.columns:
            cells = (source.name, use.column, use.channel or "not used", use.unit, use.why)
            table.add_row(*map(plain, cells))
    console.print(table)
    if inspection.run is not None:
        kinds: dict[str, int] = {}
        for p in inspection.passes:
            kinds[p.kind] = kinds.get(p.kind, 0) + 1
        console.print(
            "Passes: " + ", ".join(f"{n} {k.replace('_', ' ')}" for k, n in kinds.items())
        )
        table = Table(title="What it can decide", title_justify="left", show_header=False)
        table.add_column("question")
        table.add_column("answer", overflow="fold")
        for question, answer in inspection.decides:
            table.add_row(plain(question), plain(answer))
        console.print(table)
    findings = inspection.recording.findings if inspection.run is None else inspection.run.findings
    for f in findings:
        console.print(f" {f.severity}: {plain(f.channel)} {plain(f.text)}")
    for problem in inspection.problems:
        console.print(f" [bold red]keeps it from being analysed:[/bold red] {plain(problem)}")


CSS = """
:root{color-scheme:light dark;--ink:#1b1b1b;--paper:#fff;--line:#ccc;--soft:#f4f4f2;--warn:#8a4b00}
@media (prefers-color-scheme:dark){:root{--ink:#eee;--paper:#16181a;--line:#444;--soft:#22262a;--warn:#ffb66b}}
body{font:16px/1.5 system-ui,sans-serif;color:var(--ink);background:var(--paper);margin:0 auto;max-width:1080px;padding:1rem}
h1{font-size:1.5rem;margin:.2rem 0}h2{font-size:1.2rem;margin-top:2rem;border-bottom:1px solid var(--line)}
.answer{font-size:1.15rem;background:var(--soft);border-left:6px solid #0072B2;padding:1rem}
table{border-collapse:collapse;width:100%;font-size:.93rem}td,th{border-bottom:1px solid var(--line);padding:.3rem .5rem;text-align:left;vertical-align:top;overflow-wrap:anywhere}th{overflow-wrap:normal}
.caution{color:var(--warn)}.figure{background:#fff;overflow-x:auto;margin:.5rem 0}.note{font-size:.9rem;opacity:.85}
@media (max-width:640px){table{display:block;overflow-x:auto}td,th{min-width:5.5rem;overflow-wrap:normal}}
@media print{body{max-width:none}.figure{break-inside:avoid}h2{break-after:avoid}}
"""


def _table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    top = "".join(f"<th>{escape(h)}</th>" for h in head)
    body = "".join("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in row) + "</tr>" for row in rows)
    return f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"


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
    result = analysis.result
    drawn = _drawn
    causes = [c for c in result["causes"] if c["probability"] >= 0.01][:10]
    why = _table(
        ("cause", "probability", "size", "for", "against", "would decide"),
        [
            (
                cause_name(c),
                f"{100 * c['probability']:.0f} %",
                number(c["magnitude"], 1),
                "; ".join(c["evidence_for"]),
                "; ".join(c["evidence_against"]) or "–",
                "; ".join(c["would_decide"]) or "–",
            )
            for c in causes
        ],
    )
    todo = []
    for remedy in result["remedies"]:
        expected = remedy["expected_effect"]
        effect = expected.get("yaw_drift_deg_per_m")
        after = f" Expected yaw drift afterwards: {number(effect, 1)}." if effect else ""
        todo.append(
            f"<li><strong>{escape(remedy['text'])}</strong>{escape(after)} "
            f"{escape(PLACE.get(expected.get('place', ''), ''))}. {escape(expected['text'])}"
            f'<br><span class="caution">Caution: {escape(remedy["caution"])}</span></li>'
        )
    passes = [
        (
            p["kind"].replace("_", " ") + (" (hard start)" if p["hard_start"] else ""),
            f"{p['t_start']:.1f}–{p['t_end']:.1f}",
            _cell(
                p["speed_m_per_s"] if p["speed_m_per_s"] is not None else p["turn_rate_rad_per_s"]
            ),
            _cell(p["distance_m"]),
            _cell(p["heading_change_deg"], 1),
            _cell(p["rolled_deg"], 1),
            _cell(p["slipped_deg"], 1),
            _cell(p["closure_mm_per_m"], 1),
            _cell(p["creep_mm_per_m"], 1),
        )
        for p in result["passes"][:200]
    ]
    findings = [
        (
            f["severity"],
            f["channel"],
            f["text"],
            "" if f["t_start"] is None else f"{f['t_start']:.1f}–{f['t_end'] or f['t_start']:.1f}",
        )
        for f in result["findings"]
    ]
    columns = [
        (c["source"], c["column"], c["channel"] or "not used", c["unit"], c["why"])
        for c in result["columns"]
    ]
    name = escape(result["robot"]["name"])
    sections = [
        f"<h1>{name}: how it moves, and why</h1>",
        f'<p class="answer">{escape(headline(result))}</p>',
        "<h2>What to do</h2><ol>" + ("".join(todo) or "<li>Nothing to change.</li>") + "</ol>",
        "<h2>Sideways passes</h2>",
        drawn(fan(analysis), "All sideways passes from one origin, start heading up."),
        drawn(drift_by_speed(analysis), "Heading change per metre; bars are 95 % intervals."),
        "<h2>Why</h2>",
        drawn(cause_bars(analysis), "Probabilities of single causes; a pair shows as two bars."),
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
        _table(("measure", "value with 95 % interval"), _rows(result)),
        "<h2>Can this recording be trusted?</h2>",
        drawn(timeline(analysis), "Passes along time, and findings that have a time."),
        _table(("severity", "channel", "finding", "time [s]"), findings)
        if findings
        else "<p>No findings.</p>",
        drawn(path(analysis), "Path of the whole recording."),
        "<h2>Passes</h2>",
        _table(
            (
                "kind", "time [s]", "speed [m/s, rad/s]", "distance [m]", "heading [°]", "rolled [°]",
                "slipped [°]", "closure [mm/m]", "creep [mm/m]",
            ),
            passes,
        ),
        "<h2>What was taken as what</h2>",
        _table(("source", "column", "channel", "unit", "why"), columns),
    ]  # fmt: skip
    return _page(f"{name}: Crabwise report", sections)


def _drawn(figure: Any, text: str) -> str:
    body = figure.to_html(
        full_html=False,
        include_plotlyjs=False,
        config={"responsive": True, "displaylogo": False},
    )
    return f'<div class="figure">{body}</div><p class="note">{escape(text)}</p>'


def _page(title: str, sections: Sequence[str]) -> str:
    from plotly.offline import get_plotlyjs

    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{title}</title><style>{CSS}</style>"
        f"<script>{get_plotlyjs()}</script></head><body>{''.join(sections)}</body></html>\n"
    )


def _cell(value: float | None, digits: int = 2) -> str:
    return "–" if value is None else f"{value:.{digits}f}"


SERVICE_CAUTION = (
    "Switch the robot off and secure it before wheels are touched; lift it with the means and people "
    "its weight asks for, support it, keep hands clear of rollers. Local rules and trained people "
    "come first."
)


def _named(cause: str | None, wheel: str | None) -> str:
    return "–" if cause is None else cause.replace("_", " ") + (f" {wheel}" if wheel else "")


def fleet_headline(summary: dict[str, Any]) -> str:
    """Answer for a fleet in a few sentences.

    Parameters
    ----------
    summary : dict
        From `trends.summarise`.

    Returns
    -------
    str
        What to look at first.
    """
    counts = summary["counts"]
    text = f"Recordings: {counts['recordings']}, robots: {counts['robots']}, hours: {counts['hours']:.1f}."
    due = summary["wheels_due"]
    if due:
        first = "; ".join(
            f"{d['wheel']} of {d['robot']} ({_named(d['cause'], None)}, {100 * d['probability']:.0f} %)"
            for d in due[:3]
        )
        more = f" and {len(due) - 3} more" if len(due) > 3 else ""
        text += f" Wheels due for service: {first}{more}."
    else:
        text += " No wheel is due for service."
    worst = next((r for r in summary["robots"] if r["worst_drift_deg_per_m"] is not None), None)
    if worst is not None:
        text += f" Worst yaw drift: {worst['robot']}, {worst['worst_drift_deg_per_m']:.1f} °/m."
    if summary["outliers"]:
        odd = sorted({o["robot"] for o in summary["outliers"]})
        text += f" {', '.join(odd[:5])} stand{'s' if len(odd) == 1 else ''} out of the fleet."
    if counts["failed"]:
        text += f" {counts['failed']} recordings could not be analysed."
    return text


def _due_rows(summary: dict[str, Any]) -> list[tuple[str, ...]]:
    return [
        (
            d["robot"],
            d["wheel"],
            _named(d["cause"], None),
            f"{100 * d['probability']:.0f} %",
            str(d["recordings"]),
            d["since"] or "–",
        )
        for d in summary["wheels_due"]
    ]


DUE_HEAD = ("robot", "wheel", "cause", "probability", "over recordings", "since")


def _robot_rows(summary: dict[str, Any], most: int) -> list[tuple[str, ...]]:
    rows = []
    for r in summary["robots"][:most]:
        sides = (r["latest"][f"yaw_drift_{side}_deg_per_m"] for side in ("left", "right"))
        rows.append(
            (
                r["robot"],
                _cell(r["worst_drift_deg_per_m"], 1),
                *(number(e) if e.get("value") is not None else "–" for e in sides),
                _named(r["cause"], r["cause_wheel"]),
                f"{r['hours']:.2f}",
                str(r["recordings"]) + (f" ({r['failed']} failed)" if r["failed"] else ""),
                r["last_date"],
            )
        )
    return rows


ROBOT_HEAD = (
    "robot", "worst drift [°/m]", "left now", "right now", "first cause, last time", "hours",
    "recordings", "last",
)  # fmt: skip


def fleet_page(summary: dict[str, Any]) -> str:
    """One self-contained page on a fleet.

    Parameters
    ----------
    summary : dict
        From `trends.summarise`.

    Returns
    -------
    str
        HTML; needs no network.
    """
    counts = summary["counts"]
    due = _due_rows(summary)
    sections = [
        "<h1>The fleet: what drifts, what is due, what stands out</h1>",
        f'<p class="answer">{escape(fleet_headline(summary))}</p>',
        f'<p class="note">Recorded {counts["first_date"] or "–"} to {counts["last_date"] or "–"}; '
        f"{counts['driven_m'] / 1e3:.1f} km driven in passes.</p>",
        "<h2>Wheels due for service</h2>",
        (_table(DUE_HEAD, due) + f'<p class="caution">Caution: {escape(SERVICE_CAUTION)}</p>')
        if due
        else "<p>None: no wheel is named with a mean probability of 50 % over its robot's latest "
        "three recordings.</p>",
        "<h2>Robots by worst drift</h2>",
        _drawn(
            fleet_drift(summary),
            "Now: mean of the latest three recordings, with 95 % intervals. At most thirty robots.",
        ),
        _table(ROBOT_HEAD, _robot_rows(summary, 200)),
        "<h2>Causes by count</h2>",
        _drawn(fleet_causes(summary), "First cause of each recording that could be analysed."),
        "<h2>Robots that stand out</h2>",
    ]
    if summary["spread"]:
        sections.append(
            _drawn(
                fleet_spread(summary),
                "Each robot's latest state against the median of the fleet, in units of its spread "
                "(1.4826 times the median distance) and the robot's own uncertainty together. Beyond "
                "3.5 a robot stands out. Values beyond 12 are drawn at 12.",
            )
        )
    sections.append(
        _table(
            ("robot", "measure", "value", "fleet's median", "spreads away"),
            [
                (
                    o["robot"],
                    o["words"],
                    number(o["value"]),
                    f"{o['median']:.2f} {o['unit']}".strip(),
                    f"{o['score']:+.1f}",
                )
                for o in summary["outliers"][:100]
            ],
        )
        if summary["outliers"]
        else f"<p>None. {escape(summary['outliers_why'])}</p>"
    )
    sections.append("<h2>Change with hours in service</h2>")
    for side in ("left", "right"):
        if any(t["measure"] == f"yaw_drift_{side}_deg_per_m" for t in summary["trends"]):
            sections.append(
                _drawn(
                    fleet_trend(summary, f"yaw_drift_{side}_deg_per_m"),
                    f"Yaw drift to the {side} over the hours recorded; the eight robots that change "
                    "most, bars are 95 % intervals.",
                )
            )
    steep = [
        t
        for t in summary["trends"]
        if t["change"].get("value") is not None
        and not t["change"]["interval95"][0] <= 0 <= t["change"]["interval95"][1]
    ]
    steep.sort(key=lambda t: -abs(t["change"]["value"] / t["change"]["std_error"]))
    sections.append(
        _table(
            ("robot", "measure", "change", "recordings"),
            [
                (t["robot"], t["words"], number(t["change"], 1), str(len(t["hours"])))
                for t in steep[:50]
            ],
        )
        if steep
        else "<p>No measure of any robot changes by more than its uncertainty (four recordings of a "
        "robot are needed).</p>"
    )
    sections.append("<h2>Recordings that could not be analysed</h2>")
    sections.append(
        _table(
            ("robot", "date", "recording", "reason"),
            [
                (f["robot"], f["date"], f["recording"], f["message"])
                for f in summary["failed"][:200]
            ],
        )
        if summary["failed"]
        else "<p>None.</p>"
    )
    return _page("Fleet: Crabwise summary", sections)


def fleet_summary(summary: dict[str, Any], end: Any, console: Any) -> None:
    """Print what matters of a fleet.

    Parameters
    ----------
    summary : dict
        From `trends.summarise`.
    end : FleetProgress
        State of the run that made the rows.
    console : rich.console.Console
        Where to print.
    """
    from rich.markup import escape as plain
    from rich.table import Table

    console.print(
        f"{end.done} recordings analysed now, {end.before} in earlier runs, {end.failed} of the new "
        "ones failed\n"
    )
    console.print(plain(fleet_headline(summary)) + "\n")
    for title, head, rows in (
        ("Robots by worst drift", ROBOT_HEAD, _robot_rows(summary, 15)),
        ("Wheels due for service", DUE_HEAD, _due_rows(summary)[:15]),
    ):
        if rows:
            table = Table(title=title, title_justify="left")
            for column in head:
                table.add_column(column, overflow="fold")
            for row in rows:
                table.add_row(*map(plain, row))
            console.print(table)
    if summary["wheels_due"]:
        console.print(f"[yellow]Caution:[/yellow] {plain(SERVICE_CAUTION)}")
    for fault in summary["failed"][:10]:
        console.print(f" failed: {plain(fault['recording'])}: {plain(fault['message'])}")
