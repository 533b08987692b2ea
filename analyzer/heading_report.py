"""Heading hold for people: one sentence, a terminal summary, one self-contained HTML page."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

from analyzer.heading import (
    CANNOT,
    CAUTIONS,
    DEGREES,
    HeadingHold,
    classical_text,
    constants_text,
    law_text,
    law_words,
    magnitude,
    promise,
)
from analyzer.page import document, drawn, print_findings, table

if TYPE_CHECKING:
    from analyzer.control import Margins
    from analyzer.pipeline import HeadingAnalysis
    from analyzer.yaw_plant import StepReading

WAYS = (
    ("without", "without hold"),
    ("with_hold", "with hold"),
    ("with_feedforward", "with hold and feed-forward"),
)
STYLE = """
pre{background:var(--soft);border:1px solid var(--line);padding:.8rem;overflow-x:auto;font-size:.9rem;line-height:1.45}
.law{font-family:ui-monospace,monospace;background:var(--soft);padding:.6rem .8rem;overflow-wrap:anywhere}
.care{border-left:6px solid var(--warn);padding:.2rem 1rem}
"""


def headline(hold: HeadingHold) -> str:
    """Answer in one or two sentences.

    Parameters
    ----------
    hold : HeadingHold
        The tuning.

    Returns
    -------
    str
        Gains, what they bring, how safe they are.
    """
    gains, nominal, worst = hold.advised.gains, hold.advised.nominal, hold.advised.worst
    used = [f"kp = {gains.kp:.2f} 1/s"]
    if gains.ki:
        used.append(f"ki = {gains.ki:.2f} 1/s²")
    if gains.kd:
        used.append(f"kd = {gains.kd:.2f}")
    text = f"Hold the heading with {', '.join(used)} at {hold.loop.loop_hz:g} Hz"
    if hold.replay is not None and hold.feedforward is not None:
        if hold.feedforward.used:
            text += f" and a feed-forward of {hold.feedforward.used:+.3f} rad/m"
        text += f". {promise(hold)}".rstrip(".")
    return (
        f"{text}. The loop keeps a phase margin of {nominal.phase_margin * DEGREES:.0f}° and stays "
        f"stable with {1e3 * nominal.delay_margin:.0f} ms more delay; over everything the recording "
        f"allows, at least {worst.phase_margin * DEGREES:.0f}° and "
        f"{1e3 * worst.delay_margin:.0f} ms."
    )


def _expected_rows(hold: HeadingHold) -> list[tuple[str, ...]]:
    if hold.replay is None:
        return []
    summary = hold.replay.summary
    return [
        (text, *(magnitude(summary[way][what]) for what in ("end", "peak", "rms")))
        for way, text in WAYS
    ]


def _margin_rows(hold: HeadingHold) -> list[tuple[str, ...]]:
    def cells(m: Margins) -> tuple[str, ...]:
        return (
            f"{m.phase_margin * DEGREES:.1f}°",
            f"{m.gain_margin:.2f}",
            f"{m.max_sensitivity:.2f}",
            f"{1e3 * m.delay_margin:.0f} ms",
            f"{m.crossover / 6.283185307:.2f} Hz",
        )

    return [
        ("identified plant", *cells(hold.advised.nominal)),
        (f"worst of {len(hold.plants)} plants", *cells(hold.advised.worst)),
    ]


def _plant_rows(hold: HeadingHold) -> list[tuple[str, str]]:
    found, loop = hold.identified, hold.loop
    forward = hold.feedforward
    rows = [
        ("gain, yaw rate over command", str(found.gain)),
        ("lag", str(found.lag.scaled(1e3, "ms"))),
        (
            "dead time from command to rotation",
            str(found.delay.scaled(1e3, "ms")) + ("; taken as 0" if found.plant.delay == 0 else ""),
        ),
        ("lag and dead time read off the steps, no model fitted", _steps_text(found.steps)),
        ("drag while turning on the spot", str(found.friction)),
        (
            "age of heading and yaw rate when used",
            f"{1e3 * loop.age:.1f} ms, "
            + ("from the robot file" if loop.age_known else "assumed: gyro lag and one period"),
        ),
        (
            "rate of the loop",
            f"{loop.loop_hz:g} Hz, " + ("from the robot file" if loop.loop_known else "assumed"),
        ),
        ("dead time the gains are for", f"{1e3 * hold.plant.delay:.1f} ms"),
        ("turns used", f"{len(found.windows)}, from the {found.signals.source}"),
        (
            "heading loop while recording",
            "on, taken out with the turn commands as instrument" if found.closed_loop else "off",
        ),
    ]
    if forward is not None:
        used = "" if forward.used else "; not told from none, so 0 is used"
        rows.append(("feed-forward per sideways speed", f"{forward.per_speed}{used}"))
        rows.append(("feed-forward per sideways acceleration", str(forward.per_acceleration)))
    return rows


def _steps_text(steps: StepReading) -> str:
    if not steps.lag.determined:
        return str(steps.lag)
    agrees = (
        "; differs from the fit: see the findings" if steps.differs else "; agrees with the fit"
    )
    return (
        f"{steps.lag.scaled(1e3, 'ms')}, {steps.delay.scaled(1e3, 'ms')}, from {steps.turns} turns"
        + agrees
    )


def _law_rows(hold: HeadingHold) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for p in hold.alternatives:
        expected = hold.expected.get(p.structure)
        end = "–" if expected is None else magnitude(expected["with_feedforward"]["end"])
        rows.append(
            (
                p.structure + (" (advised)" if p is hold.advised else ""),
                f"{p.gains.kp:.2f}",
                f"{p.gains.ki:.2f}",
                f"{p.gains.kd:.2f}",
                *(
                    (
                        f"{p.nominal.phase_margin * DEGREES:.0f}°",
                        f"{p.nominal.gain_margin:.2f}",
                        f"{p.nominal.max_sensitivity:.2f}",
                    )
                    if p.nominal.stable
                    else ("not stable",) * 3
                ),
                f"{p.worst.max_sensitivity:.2f}" if p.worst.stable else "not stable",
                end,
            )
        )
    return rows


LAW_HEAD = (
    "law", "kp [1/s]", "ki [1/s²]", "kd [-]", "phase margin", "gain margin", "sensitivity",
    "worst sensitivity", "end of pass with feed-forward",
)  # fmt: skip
NARROW_HEAD = ("law", "kp", "ki", "kd", "margin", "worst Ms", "end of pass")
MARGIN_HEAD = (
    "",
    "phase margin",
    "gain margin",
    "largest sensitivity",
    "delay margin",
    "crossover",
)
EXPECTED_HEAD = ("heading error", "end of the pass", "peak", "rms")


def heading_summary(analysis: HeadingAnalysis, console: Any) -> None:
    """Print the readable summary.

    Parameters
    ----------
    analysis : HeadingAnalysis
        The tuning with its run.
    console : rich.console.Console
        Where to print.
    """
    from rich.markup import escape as plain
    from rich.table import Table

    hold = analysis.hold

    def show(title: str, head: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
        shown = Table(title=title, title_justify="left")
        for name in head:
            shown.add_column(plain(name), overflow="fold")
        for row in rows:
            shown.add_row(*map(plain, row))
        console.print(shown)

    console.print(f"[bold]{plain(analysis.run.robot.name)}[/bold]  {plain(headline(hold))}\n")
    console.print("[bold]To paste[/bold]")
    console.print(plain(constants_text(hold)), highlight=False, soft_wrap=True)
    console.print(f"\n {plain(law_text(hold))}")
    for k, words in enumerate(law_words(hold), start=1):
        console.print(f" {k}. {plain(words)}")
    console.print("\n[bold yellow]Caution[/bold yellow]")
    for text in CAUTIONS:
        console.print(f" {plain(text)}")
    console.print()
    if hold.replay is not None:
        show("Expected, with 95 % interval", EXPECTED_HEAD, _expected_rows(hold))
    else:
        console.print(f" Expected heading error: {plain(hold.why_no_replay)}")
    show("Margins of the sampled loop", MARGIN_HEAD, _margin_rows(hold))
    show("What the gains rest on", ("measure", "value with 95 % interval"), list(_plant_rows(hold)))
    show("Laws compared", NARROW_HEAD, [(*r[:5], *r[7:]) for r in _law_rows(hold)])
    console.print(f" {plain(classical_text(hold))}\n")
    console.print("[bold]What heading hold cannot do[/bold]")
    for text in CANNOT:
        console.print(f" {plain(text)}")
    loud = [f for f in (*analysis.run.findings, *hold.findings) if f.severity != "note"]
    notes = [f for f in hold.findings if f.severity == "note"]
    if loud or notes:
        console.print("[bold]Findings[/bold]")
        rows = [(f.severity, f.channel, f.text) for f in loud]
        print_findings(rows, console)
        for f in notes:
            console.print(f" {f.severity}: {plain(f.channel)} {plain(f.text)}")


def heading_page(analysis: HeadingAnalysis) -> str:
    """One self-contained page with figures.

    Parameters
    ----------
    analysis : HeadingAnalysis
        The tuning with its run.

    Returns
    -------
    str
        HTML; needs no network.
    """
    from plotly.offline import get_plotlyjs

    from analyzer.figures.heading import answer, nyquist, replayed_pass, sensitivity

    hold, run = analysis.hold, analysis.run
    name = run.robot.name
    care = "".join(f"<li>{escape(c)}</li>" for c in CAUTIONS)
    words = "".join(f"<li>{escape(w)}</li>" for w in law_words(hold))
    sections = [
        f"<h1>{escape(name)}: heading hold</h1>",
        f'<p class="answer">{escape(headline(hold))}</p>',
        "<h2>To paste</h2>",
        f"<pre>{escape(constants_text(hold))}</pre>",
        f'<p class="law">{escape(law_text(hold))}</p><ol>{words}</ol>',
        f'<div class="care caution"><strong>Caution</strong><ol>{care}</ol></div>',
        "<h2>What it should bring</h2>",
    ]
    if hold.replay is not None:
        sections += [
            table(EXPECTED_HEAD, _expected_rows(hold)),
            '<p class="note">Magnitudes, mean over the sideways passes of this recording, each '
            "replayed as a disturbance through the sampled loop; 95 % intervals over passes and "
            "plants. Each pass gets the feed-forward of the others.</p>",
            drawn(
                replayed_pass(hold),
                "The pass to each side that drifts most, replayed (thick: left, thin: right). Below: "
                "the same with hold, enlarged.",
            ),
        ]
    else:
        sections.append(f"<p>{escape(hold.why_no_replay[0].upper() + hold.why_no_replay[1:])}.</p>")
    sections += [
        "<h2>How safe it is</h2>",
        table(MARGIN_HEAD, _margin_rows(hold)),
        drawn(
            nyquist(hold),
            "Loop in the complex plane (Nyquist): the black line keeps out of the dashed circle "
            "around −1, and all lines pass −1 on the right. Thin lines are plants on the border of "
            "what the recording allows.",
        ),
        drawn(
            sensitivity(hold),
            "What is left of a disturbance, by frequency: below 1 the loop takes it away, above 1 it "
            "adds to it. The dashed line is the largest sensitivity chosen.",
        ),
        "<h2>What it rests on</h2>",
        drawn(
            answer(hold, run.dt),
            "Yaw rate after turn commands on the spot: points measured, lines as the identified "
            "plant answers; turns to the right are mirrored.",
        ),
        table(("measure", "value with 95 % interval"), _plant_rows(hold)),
        "<h2>Laws compared</h2>",
        table(LAW_HEAD, _law_rows(hold)),
        '<p class="note">P, PD and PI by Skogestad\'s rule (J. Process Control 13, 2003), slowed '
        "until the sampled loop keeps to its largest sensitivity; AMIGO (Åström and Hägglund, 2006) "
        "as a second opinion. Advised is the simplest law whose heading error is within 0.1° of the "
        f"best. {escape(classical_text(hold))}</p>",
        "<h2>What heading hold cannot do</h2><ul>"
        + "".join(f"<li>{escape(c)}</li>" for c in CANNOT)
        + "</ul>",
    ]
    if hold.replay is not None:
        sections += [
            "<h2>Passes replayed</h2>",
            table(
                (
                    "kind",
                    "start [s]",
                    "speed [m/s]",
                    "path [m]",
                    *(f"end {w} [°]" for _, w in WAYS),
                ),
                [
                    (
                        r["kind"],
                        f"{r['t_start']:.1f}",
                        f"{r['speed_m_per_s']:.2f}",
                        f"{r['distance_m']:.2f}",
                        *(f"{r[f'{way}_end_deg']:.2f}" for way, _ in WAYS),
                    )
                    for r in hold.replay.rows
                ],
            ),
        ]
    findings = [*run.findings, *hold.findings]
    if findings:
        sections += [
            "<h2>Can this recording be trusted?</h2>",
            table(
                ("severity", "channel", "finding"),
                [(f.severity, f.channel, f.text) for f in findings],
            ),
        ]
    return document(f"{name}: heading hold", sections, style=STYLE, script=get_plotlyjs())
