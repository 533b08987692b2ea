"""Sheets to print: passes with tick boxes, wheel directions, rollers, service of a wheel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import Any

from analyzer.page import document, table

STYLE = """
.tick{white-space:nowrap;font-size:1.15rem;letter-spacing:.15rem}.blank td{height:1.7rem}
.views{display:flex;flex-wrap:wrap;gap:1rem}.views figure{margin:0;flex:1 1 260px;max-width:420px}
svg{width:100%;height:auto}svg text{fill:currentColor;font:13px system-ui,sans-serif}
.narrow{width:auto;min-width:50%}ol.steps>li{margin:.5rem 0}
@media print{body{font-size:11pt}table,.views,li{break-inside:avoid}.steps-table tr{break-inside:avoid}.steps-table{break-inside:auto}h2{margin-top:1rem}a{color:inherit}}
"""
BOX = "\u2610"
ARROW = {
    "ahead": "\u25b2\u00a0ahead",
    "astern": "\u25bc\u00a0astern",
    "stands": "\u2013\u00a0stands",
}


def turning(wheel: dict[str, Any]) -> str:
    """Direction of one wheel with an arrow, so that no colour is needed.

    Parameters
    ----------
    wheel : dict
        Entry of `wheel_directions`.

    Returns
    -------
    str
        For the screen.
    """
    share = abs(wheel["share"])
    words = ARROW[wheel["turns"]]
    return words if share > 0.98 or wheel["turns"] == "stands" else f"{words} {share:.2f}"


def _view(lines: list[dict[str, Any]], title: str) -> str:
    """One view of the base as a drawing: wheels (enlarged), the rollers that show, ahead is up."""
    gaps = [
        math.hypot(a["x"] - b["x"], a["y"] - b["y"]) for k, a in enumerate(lines) for b in lines[:k]
    ]
    radius = max(max(w["radius"] for w in lines), 0.3 * min(gaps))
    radius = min(radius, 0.36 * min(gaps))
    reach_x = max(abs(w["x"]) for w in lines) + 2.2 * radius
    reach_y = max(abs(w["y"]) for w in lines) + 2.6 * radius
    scale = 180 / max(reach_x, reach_y)

    def at(x: float, y: float) -> str:
        return f"{200 + scale * x:.1f},{scale * (reach_y - y) + 24:.1f}"

    parts = []
    for w in lines:
        c, s = math.cos(w["heading"]), math.sin(w["heading"])
        long, wide = radius, 0.55 * radius
        corners = [
            at(w["x"] + c * u - s * v, w["y"] + s * u + c * v)
            for u, v in ((long, wide), (long, -wide), (-long, -wide), (-long, wide))
        ]
        parts.append(
            f'<polygon points="{" ".join(corners)}" fill="none" stroke="currentColor" stroke-width="2"/>'
        )
        dx, dy = 0.6 * wide * math.cos(w["lean"]), 0.6 * wide * math.sin(w["lean"])
        if abs(dx * -s + dy * c) < 1e-9:  # omniwheel: rollers lie along the rim
            dx, dy = 0.3 * long * c, 0.3 * long * s
        for step in (-0.62, 0.0, 0.62):
            x, y = w["x"] + c * step * long, w["y"] + s * step * long
            ends = at(x - dx, y - dy).split(",") + at(x + dx, y + dy).split(",")
            parts.append(
                '<line x1="{}" y1="{}" x2="{}" y2="{}" stroke="#0072B2" stroke-width="4" '
                'stroke-linecap="round"/>'.format(*ends)
            )
        x, y = at(w["x"], w["y"] + 1.25 * long).split(",")
        parts.append(f'<text x="{x}" y="{y}" text-anchor="middle">{escape(w["wheel"])}</text>')
    parts.append('<text x="200" y="16" text-anchor="middle">ahead \u2191</text>')
    height = 2 * scale * reach_y + 34
    return (
        f'<figure><svg viewBox="0 0 400 {height:.0f}" role="img" aria-label="{escape(title)}">'
        f"{''.join(parts)}</svg><figcaption>{escape(title)}</figcaption></figure>"
    )


def _blank(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    return table(head, rows, "blank")


def _list(items: Sequence[str], tag: str = "ul") -> str:
    return f"<{tag}>" + "".join(f"<li>{escape(t)}</li>" for t in items) + f"</{tag}>"


def _floor(step: dict[str, Any]) -> str:
    size = step["floor_m"]
    return f"{size['length']:.1f}\u00a0×\u00a0{size['width']:.1f}\u00a0m" if size["length"] else "–"


def _boxes(step: dict[str, Any]) -> str:
    return " ".join(f"{k.replace('_', ' ')}\u00a0{BOX * step['repeats']}" for k in step["kinds"])


def plan_html(plan: dict[str, Any]) -> str:
    """Sheet to print: passes with tick boxes, wheel directions, rollers, scale and tape columns.

    Parameters
    ----------
    plan : dict
        Outcome of `make_plan`.

    Returns
    -------
    str
        HTML that needs no network and prints on A4 or letter paper.
    """
    name = plan["robot"]["name"]
    steps = []
    for s in plan["steps"]:
        speed = "–"
        if s["speed"]:
            speed = f"{s['speed']:.2f}\u00a0{s['unit']}"
            if s["acceleration_m_per_s2"] and s["unit"] == "m/s":
                speed += f", {s['acceleration_m_per_s2']:.1f}\u00a0m/s²"
        drive = [f"{s['title']}: {speed}" if s["speed"] else s["title"]]
        drive += [f"floor {_floor(s)}"] if s["floor_m"]["length"] else []
        drive.append(f"{s['minutes']:.1f}\u00a0min")
        tells = "; ".join([s["tells"], *s["decides"]])
        steps.append((str(s["order"]), _boxes(s), "; ".join(drive), s["how"], tells))
    wheels = plan["robot"]["wheels"]
    directions = [
        (row["motion"], *(turning(w) for w in row["wheels"].values()))
        for row in plan["wheel_directions"]
    ]
    number = 0
    taped: list[tuple[str, ...]] = []
    for s in plan["steps"]:
        for _ in range(s["repeats"]):
            for kind in s["kinds"]:
                if kind in {"left", "right", "ahead", "astern"} and s["key"] != "hard_starts":
                    number += 1
                    what = f"{kind.replace('_', ' ')}, {s['speed']:.2f} m/s"
                    taped.append((str(number), what, "", "", "", ""))
    note = plan["stability"]
    limits = [
        (t["direction"], f"{t['first_lift_m_per_s2']:.1f}", t["wheel"], f"{t['tip_m_per_s2']:.1f}")
        for t in note["limits"]
    ]
    done = [f"{s['title']}: {s['recorded']} each way" for s in plan["enough"]]
    open_now = sorted(plan["doubt"]["now"].items(), key=lambda p: -p[1])
    doubts = [
        (g, f"{100 * share:.0f} %", f"{100 * plan['doubt']['afterwards'][g]:.0f} %")
        for g, share in open_now
    ]
    sections = [
        f"<h1>{escape(name)}: what to drive</h1>",
        f'<p class="answer">{len(plan["steps"])} steps, about {plan["minutes"]:.0f} minutes. What tells '
        "most per minute comes first; stop where time runs out.</p>",
        f'<h2>Before the first pass</h2><div class="caution">{_list(plan["cautions"])}</div>',
        "<h2>Log</h2>" + _list(plan["channels"]),
        "<h2>Passes</h2>",
        table(
            ("step", "done", "drive", "how", "what it tells"),
            steps,
            "stack steps-table",
        ),
        '<p class="note">Percent: share of the doubt still open (spread left over the spread that an '
        "unsound base may show). Each pass starts and ends at a standstill of half a second and "
        "more.</p>",
        "<h2>Recorded well enough already</h2>" + _list(done) if done else "",
        "<h2>What is open</h2>",
        table(("question", "open now", "open afterwards"), doubts),
        "<h2>Which way each wheel turns</h2>",
        table(("motion", *wheels), directions),
        '<p class="note">Seen from outside: ahead drives the base ahead. The number is the share of the '
        "fastest wheel’s speed. Check on blocks.</p>",
        "<h2>How the rollers lean</h2>",
        '<div class="views">'
        + _view(plan["rollers"]["above"], "From above: the upper rollers")
        + _view(plan["rollers"]["below"], "From below: the rollers on the floor")
        + "</div><p class=\"note\">Wheels are drawn larger than they are.</p>",
        "<h2>Scales</h2>",
        "<p>Base level, battery and loads as in use, every wheel on a scale at one height. Then raise "
        "one axle and read the axle that stays down.</p>",
        _blank(("", *wheels, "sum"), [("load [kg]", *([""] * len(wheels)), "")]),
        _blank(
            ("raised axle", "lift of the wheel centres [m]", "load on the axle that stays down [kg]"),
            [("", "", "")] * 2,
        ),
        '<p class="caution">Lift with two people or a jack, chock the wheels that stay down, battery '
        "secured, nobody under the base. Stop where it wants to roll or tip.</p>",
        "<h2>Stability</h2>",
        f"<p>{escape(note['text'])}</p>",
        table(("speeding up to", "first wheel lifts [m/s²]", "wheel", "tips [m/s²]"), limits)
        if limits
        else "",
        "<h2>Tape</h2>",
        "<p>Where no odometry reference is logged: mark the middle of the base and its heading on the "
        "floor before and after. Ahead and left count in the frame at the start, turn anticlockwise. "
        "The number counts all movements of the recording from 1; write the real one where others lie "
        "between.</p>",
        _blank(("pass", "drive", "ahead_m", "left_m", "turn_deg", "note"), taped),
    ]  # fmt: skip
    return document(f"{name}: what to drive", sections, style=STYLE)


def service_html(sheet: dict[str, Any]) -> str:
    """Service sheet to print.

    Parameters
    ----------
    sheet : dict
        Outcome of `service_sheet`.

    Returns
    -------
    str
        HTML that needs no network.
    """
    name, wheel = sheet["robot"]["name"], sheet["wheel"]
    steps = "".join(
        f'<li><span class="tick">{BOX}</span> {escape(s["text"])}'
        + (f' <span class="caution">Caution: {escape(s["caution"])}</span>' if s["caution"] else "")
        + f' <span class="note">({escape(s["source"])})</span></li>'
        for s in sheet["steps"]
    )
    passes = [
        (_boxes(s), s["title"], f"{s['speed']:.2f} {s['unit']}" if s["speed"] else "–", s["how"])
        for s in sheet["plan"]["steps"]
        if s["key"] != "turn_steps"
    ]
    sections = [
        f"<h1>{escape(name)}: service of wheel {escape(wheel)}</h1>",
        '<p class="answer">For a wheel whose rollers or axle drag. Local rules and trained people come '
        "first; this sheet does not replace the maker’s instructions.</p>",
        f'<h2>Cautions</h2><div class="caution">{_list(sheet["cautions"])}</div>',
        f'<h2>Order of work</h2><ol class="steps">{steps}</ol>',
        "<h2>Rollers found</h2>",
        _blank(("roller", "turns freely", "slow", "stuck", "wobbles", "replaced"),
               [(str(k), BOX, BOX, BOX, BOX, BOX) for k in range(1, sheet["roller_count"] + 1)]),
        "<h2>How the rollers lean</h2>",
        '<div class="views">'
        + _view(sheet["rollers"]["above"], "From above: the upper rollers")
        + _view(sheet["rollers"]["below"], "From below: the rollers on the floor")
        + "</div>",
        "<h2>What to record afterwards</h2>" + _list(sheet["afterwards"], "ol"),
        table(("done", "drive", "speed", "how"), passes, "stack"),
    ]  # fmt: skip
    return document(f"{name}: service of wheel {wheel}", sections, style=STYLE)
