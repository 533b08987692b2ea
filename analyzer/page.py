"""What all HTML pages share: look, tables, one self-contained document; findings on a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

CSS = """
:root{color-scheme:light dark;--ink:#1b1b1b;--paper:#fff;--line:#ccc;--soft:#f4f4f2;--warn:#8a4b00}
@media (prefers-color-scheme:dark){:root{--ink:#eee;--paper:#16181a;--line:#444;--soft:#22262a;--warn:#ffb66b}}
body{font:16px/1.5 system-ui,sans-serif;color:var(--ink);background:var(--paper);margin:0 auto;max-width:1080px;padding:1rem}
h1{font-size:1.5rem;margin:.2rem 0}h2{font-size:1.2rem;margin-top:2rem;border-bottom:1px solid var(--line)}
.answer{font-size:1.15rem;background:var(--soft);border-left:6px solid #0072B2;padding:1rem}
table{border-collapse:collapse;width:100%;font-size:.93rem}td,th{border-bottom:1px solid var(--line);padding:.3rem .5rem;text-align:left;vertical-align:top}td.long{overflow-wrap:anywhere}
.caution{color:var(--warn)}.figure{background:#fff;overflow-x:auto;margin:.5rem 0}.note{font-size:.9rem;opacity:.85}
@media (max-width:640px){table{display:block;overflow-x:auto}td,th{min-width:5.5rem}td.long{min-width:12rem}}
@media (max-width:640px){.stack,.stack tbody,.stack tr,.stack td{display:block}.stack thead{display:none}.stack tr{border-bottom:2px solid var(--line);padding:.4rem 0}.stack td{border:0;padding:.1rem .3rem}.stack td:empty{display:none}.stack td::before{content:attr(data-head);font-weight:600;margin-right:.5rem}}
@media print{body{max-width:none}.figure{break-inside:avoid}h2{break-after:avoid}details::details-content{content-visibility:visible;height:auto}summary{display:none}}
"""


WORD_MOST = 24
"""Letters of a word above which it may be broken in a table [-]."""


def table(head: Sequence[str], rows: Sequence[Sequence[str]], kind: str = "") -> str:
    """HTML table of plain text.

    Parameters
    ----------
    head : sequence of str
        Column names.
    rows : sequence of sequence of str
        Cells.
    kind : str
        CSS classes; "stack" lays the cells of a row under one another on a narrow screen, each with
        its column's name.

    Returns
    -------
    str
        HTML; every cell escaped.
    """
    top = "".join(f"<th>{escape(h)}</th>" for h in head)
    label = [f' data-head="{escape(h)}"' if "stack" in kind else "" for h in head]
    body = "".join(
        "<tr>"
        + "".join(
            f"<td{name}{_long(c)}>{escape(c)}</td>" for name, c in zip(label, row, strict=True)
        )
        + "</tr>"
        for row in rows
    )
    named = f' class="{kind}"' if kind else ""
    return f"<table{named}><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"


SHOWN = 20
"""Rows of a long table that are seen at once [-]."""
MOST = 200
"""Rows of it that a page holds [-]."""


def listed(head: Sequence[str], rows: Sequence[Sequence[str]], *, where: str) -> str:
    """Table that may be long: its first rows, the next behind a click, and what is left out told.

    Parameters
    ----------
    head : sequence of str
        Column names.
    rows : sequence of sequence of str
        Cells of all rows.
    where : str
        Where all of them stand.

    Returns
    -------
    str
        HTML; every cell escaped.
    """
    out = table(head, rows[:SHOWN])
    rest = rows[SHOWN:MOST]
    if rest:
        out += f"<details><summary>{len(rest)} more</summary>{table(head, rest)}</details>"
    if len(rows) > MOST:
        out += f'<p class="note">The first {MOST} of {len(rows)}; all stand in {escape(where)}.</p>'
    return out


def _long(cell: str) -> str:
    """Mark a cell with a word that no column is wide enough for: a path, say. Others never break."""
    return ' class="long"' if max(map(len, cell.split()), default=0) > WORD_MOST else ""


def drawn(figure: Any, text: str) -> str:
    """Plotly figure with the sentence under it.

    Parameters
    ----------
    figure : Figure
        Plotly figure.
    text : str
        What it shows.

    Returns
    -------
    str
        HTML.
    """
    body = figure.to_html(
        full_html=False,
        include_plotlyjs=False,
        config={"responsive": True, "displayModeBar": False},
    )
    return f'<div class="figure">{body}</div><p class="note">{escape(text)}</p>'


def document(title: str, sections: Sequence[str], *, style: str = "", script: str = "") -> str:
    """Whole page that needs no network.

    Parameters
    ----------
    title : str
        Title, as plain text.
    sections : sequence of str
        HTML of the body, in order.
    style : str
        CSS beyond the common look.
    script : str
        JavaScript for the head.

    Returns
    -------
    str
        HTML document.
    """
    code = f"<script>{script}</script>" if script else ""
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{escape(title)}</title><style>{CSS}{style}</style>{code}</head>"
        f"<body>{''.join(sections)}</body></html>\n"
    )


FINDINGS_MOST = 20
"""Findings that the terminal shows [-]."""


def print_findings(rows: Sequence[tuple[str, str, str]], console: Any) -> None:
    """Print findings, errors first, and how many more there are.

    Parameters
    ----------
    rows : sequence of (severity, channel, text)
        Errors and warnings.
    console : rich.console.Console
        Where to print.
    """
    from rich.markup import escape as plain

    for severity, channel, text in sorted(rows, key=lambda r: r[0] != "error")[:FINDINGS_MOST]:
        console.print(f" {severity}: {plain(channel)} {plain(text)}")
    if len(rows) > FINDINGS_MOST:
        console.print(f" and {len(rows) - FINDINGS_MOST} more: see --html FILE or --json FILE")
