"""A fleet for people: a few sentences, a terminal summary, one self-contained HTML page."""

from __future__ import annotations

import math
from html import escape
from typing import Any

from analyzer.figures import fleet_causes, fleet_drift, fleet_spread, fleet_trend
from analyzer.figures.causes import cause_name
from analyzer.page import document, drawn, listed
from analyzer.report import cell, number

SERVICE_CAUTION = (
    "Switch the robot off and secure it before wheels are touched; lift it with the means and people "
    "its weight asks for, support it, keep hands clear of rollers. Local rules and trained people "
    "come first."
)


IN_FULL = "summary.json"
"""Where all rows of a table stand that the page cuts."""


def _named(cause: str | None, wheel: str | None) -> str:
    return "–" if cause is None else cause_name({"cause": cause, "wheel": wheel})


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
        more = f" and {len(odd) - 5} more" if len(odd) > 5 else ""
        text += f" {', '.join(odd[:5])}{more} stand{'s' if len(odd) == 1 else ''} out of the fleet."
    if counts["failed"]:
        text += f" Recordings that could not be analysed: {counts['failed']}."
    return text


def due_rows(summary: dict[str, Any]) -> list[tuple[str, ...]]:
    """Wheels due for service, for a table under `DUE_HEAD`.

    Parameters
    ----------
    summary : dict
        From `trends.summarise`.

    Returns
    -------
    list of tuple of str
        One row a wheel.
    """
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


def robot_rows(summary: dict[str, Any]) -> list[tuple[str, ...]]:
    """Robots by worst drift, for a table under `ROBOT_HEAD`.

    Parameters
    ----------
    summary : dict
        From `trends.summarise`.

    Returns
    -------
    list of tuple of str
        One row a robot.
    """
    rows = []
    for r in summary["robots"]:
        sides = (r["latest"][f"yaw_drift_{side}_deg_per_m"] for side in ("left", "right"))
        rows.append(
            (
                r["robot"],
                cell(r["worst_drift_deg_per_m"], 1),
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
    from plotly.offline import get_plotlyjs

    counts = summary["counts"]
    due = due_rows(summary)
    sections = [
        "<h1>The fleet: what drifts, what is due, what stands out</h1>",
        f'<p class="answer">{escape(fleet_headline(summary))}</p>',
        f'<p class="note">Recorded {counts["first_date"] or "–"} to {counts["last_date"] or "–"}; '
        f"{counts['driven_m'] / 1e3:.1f} km driven in passes.</p>",
        "<h2>Wheels due for service</h2>",
        (
            listed(DUE_HEAD, due, where=IN_FULL)
            + f'<p class="caution">Caution: {escape(SERVICE_CAUTION)}</p>'
        )
        if due
        else "<p>None: no wheel is named with a mean probability of 50 % over its robot's latest "
        "three recordings.</p>",
        "<h2>Robots by worst drift</h2>",
        drawn(
            fleet_drift(summary),
            "Now: mean of the latest three recordings, with 95 % intervals. At most thirty robots.",
        ),
        listed(ROBOT_HEAD, robot_rows(summary), where=IN_FULL),
        "<h2>Causes by count</h2>",
        drawn(fleet_causes(summary), "First cause of each recording that could be analysed."),
        "<h2>Robots that stand out</h2>",
    ]
    if summary["spread"]:
        sections.append(
            drawn(
                fleet_spread(summary),
                "Each robot's latest state against the median of the fleet, in units of its spread "
                "(1.4826 times the median distance) and the robot's own uncertainty together. Beyond "
                "3.5 a robot stands out. Values beyond 12 are drawn at 12.",
            )
        )
    sections.append(
        listed(
            ("robot", "measure", "value", "fleet's median", "spreads away"),
            [
                (
                    o["robot"],
                    o["words"],
                    _figured(o["value"]),
                    f"{o['median']:.3g} {o['unit']}".strip(),
                    f"{o['score']:+.1f}",
                )
                for o in summary["outliers"]
            ],
            where=IN_FULL,
        )
        if summary["outliers"]
        else f"<p>None. {escape(summary['outliers_why'])}</p>"
    )
    sections.append("<h2>Change with hours in service</h2>")
    for side in ("left", "right"):
        if any(t["measure"] == f"yaw_drift_{side}_deg_per_m" for t in summary["trends"]):
            sections.append(
                drawn(
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
        listed(
            ("robot", "measure", "change", "recordings"),
            [(t["robot"], t["words"], _figured(t["change"]), str(len(t["hours"]))) for t in steep],
            where=IN_FULL,
        )
        if steep
        else "<p>No measure of any robot changes by more than its uncertainty (four recordings of a "
        "robot are needed).</p>"
    )
    sections.append("<h2>Recordings that could not be analysed</h2>")
    sections.append(
        listed(
            ("robot", "date", "recording", "reason"),
            [(f["robot"], f["date"], f["recording"], f["message"]) for f in summary["failed"]],
            where=IN_FULL,
        )
        if summary["failed"]
        else "<p>None.</p>"
    )
    return document("Fleet: Crabwise summary", sections, script=get_plotlyjs())


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

    def more(count: int) -> None:
        if count > 0:
            console.print(f" and {count} more: see summary.html")

    console.print(
        f"{end.done} recordings analysed now, {end.before} in earlier runs, {end.failed} of the new "
        "ones failed\n"
    )
    console.print(plain(fleet_headline(summary)) + "\n")
    for title, head, rows in (
        ("Robots by worst drift", ROBOT_HEAD, robot_rows(summary)),
        ("Wheels due for service", DUE_HEAD, due_rows(summary)),
    ):
        if rows:
            grid = Table(title=title, title_justify="left")
            for column in head:
                grid.add_column(column, overflow="fold")
            for row in rows[:15]:
                grid.add_row(*map(plain, row))
            console.print(grid)
            more(len(rows) - 15)
    if summary["wheels_due"]:
        console.print(f"[yellow]Caution:[/yellow] {plain(SERVICE_CAUTION)}")
    for fault in summary["failed"][:10]:
        console.print(f" failed: {plain(fault['recording'])}: {plain(fault['message'])}")
    more(len(summary["failed"]) - 10)


def _figured(entry: dict[str, Any]) -> str:
    """Estimate with as many digits as its uncertainty is worth."""
    error = entry.get("std_error")
    if not error:
        return number(entry)
    return number(entry, max(0, min(6, 1 - math.floor(math.log10(error)))))
