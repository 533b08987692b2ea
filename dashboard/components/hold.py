"""Heading hold to try: gains, what they bring, how safe they are."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from dash import dcc, html

from analyzer.control import sampled_margins, sampled_stable
from analyzer.figures.heading import replayed_pass
from analyzer.heading import CAUTIONS, HeadingHold, constants_text, law_text
from analyzer.heading import replay as replay_gains
from analyzer.heading_report import headline
from dashboard import ids
from dashboard.components.pieces import aria, error_box, figure, table, term

WAYS = (
    ("without", "without hold"),
    ("with_hold", "with these gains"),
    ("with_feedforward", "and feed-forward"),
)


def hold_section(hold: HeadingHold | str) -> html.Section:
    """Section of the page on heading hold.

    Parameters
    ----------
    hold : HeadingHold or str
        The tuning, or why there is none.

    Returns
    -------
    Section
        Sliders of the gains with what they bring.
    """
    head = html.H2(["Or hold the heading: software that hides it"])
    if isinstance(hold, str):
        return html.Section(
            [head, html.P("No gains can be advised from this recording."), error_box(hold, "Why")]
        )
    gains = hold.advised.gains
    steps = (
        ("kp", "kp [1/s]", gains.kp, max(2.5 * gains.kp, 1.0)),
        ("ki", "ki [1/s²]", gains.ki, max(2.5 * gains.ki, 2.0)),
        ("kd", "kd", gains.kd, max(2.5 * gains.kd, 0.5)),
    )
    sliders = [
        html.Div(
            [
                html.Span(label, className="label"),
                dcc.Slider(
                    id={"type": ids.HOLD_GAIN, "name": name}, min=0, max=round(most, 2), step=0.01,
                    value=round(advised, 2), included=False,
                    marks={0: "0", round(advised, 2): "advised", round(most, 2): f"{most:.1f}"},
                ),
            ],
            className="field slider",
            role="group",
            **aria(label=label),
        )
        for name, label, advised, most in steps
    ]  # fmt: skip
    return html.Section(
        [
            head,
            html.P(headline(hold)),
            html.P([html.Code(law_text(hold))], className="law"),
            html.Div(
                [
                    html.Fieldset([html.Legend("Gains"), *sliders]),
                    html.Div(hold_answer(hold, gains.kp, gains.ki, gains.kd), id=ids.HOLD_ANSWER, role="status"),
                ],
                className="columns",
            ),
            html.Details(
                [html.Summary("Advised constants"), html.Pre(constants_text(hold), tabIndex="0")],
                className="more",
            ),
            html.Div([html.Strong("Caution: "), " ".join(CAUTIONS)], className="caution"),
        ]
    )  # fmt: skip


def hold_answer(hold: HeadingHold, kp: float, ki: float, kd: float) -> list[Any]:
    """What gains bring: margins and heading errors.

    Parameters
    ----------
    hold : HeadingHold
        The tuning, for plant, loop and passes.
    kp, ki, kd : float
        Gains. [1/s, 1/s^2, -]

    Returns
    -------
    list of components
        Margins, expected heading errors, the replayed passes.
    """
    gains = replace(hold.advised.gains, kp=kp, ki=ki, kd=kd)
    if kp <= 0:
        return [html.P("Without kp nothing holds the heading.", className="warning")]
    if not sampled_stable(hold.plant, gains) or not all(
        sampled_stable(p, gains) for p in hold.plants
    ):
        return [
            error_box(
                "The base would sway more and more with these gains. Lower them.", "Not stable"
            )
        ]
    found = sampled_margins(hold.plant, gains)
    parts: list[Any] = [
        table(
            (term("phase margin"), term("gain margin"), term("delay margin")),
            [(f"{math.degrees(found.phase_margin):.0f}°", f"{found.gain_margin:.1f}", f"{1e3 * found.delay_margin:.0f} ms")],
            "How far from swaying",
            "compact",
        )
    ]  # fmt: skip
    if hold.replay is None or hold.feedforward is None:
        return [*parts, html.P(hold.why_no_replay)]
    again = replay_gains(hold.identified, hold.loop, gains, hold.replay.passes, hold.feedforward)
    rows = [
        (text, *(str(again.summary[way][what]) for what in ("end", "peak"))) for way, text in WAYS
    ]
    parts += [
        table(("", "heading error at the end", "at most"), rows,
              "Sideways passes of this recording, driven again in the model; ± half of the 95 % interval",
              "compact"),
        figure(ids.HOLD_REPLAY, replayed_pass(replace(hold, replay=again)), "The passes that drift most to each side.",
               "Heading error of the worst passes without and with hold"),
    ]  # fmt: skip
    return parts
