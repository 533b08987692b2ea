"""What would tell open causes apart: expected information of a measurement not yet made.

A candidate is a linear measurement m = M z + noise of the parameter vector. Under hypothesis h it
is normal with mean M z_h and covariance M C_h M' + R, so the expected drop of entropy over the
hypotheses follows by drawing m from their mixture (Lindley, "On a measure of the information
provided by an experiment", Ann. Math. Stat. 27 (1956) 986; title from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analyzer.balances import Model
from analyzer.hypotheses import Fitted

DRAWS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A measurement that could be made.

    Attributes
    ----------
    text : str
        What to do, for the user.
    row : ndarray, shape (k, parameters)
        What it measures of the parameter vector.
    std_error : ndarray, shape (k,)
        Its standard error.
    """

    text: str
    row: np.ndarray
    std_error: np.ndarray


def candidates(model: Model, *, hard_starts: bool, turns: bool, scales: bool) -> list[Candidate]:
    """List the measurements that this recording lacks, with what each would tell.

    Parameters
    ----------
    model : Model
        Balances of the run.
    hard_starts, turns, scales : bool
        Whether the run holds enough hard sideways starts, enough turns, and corner loads.

    Returns
    -------
    list of Candidate
        Standard errors are those of the gauges on the bench, and for looks at a wheel common
        practice, no source.
    """
    unit = np.eye(model.size)
    size = model.robot.size / 0.244
    w = model.w

    def wheelwise(name: str) -> np.ndarray:
        at = model.index(name)
        rows = unit[at : at + w].copy()
        rows[:, at : at + w] -= 1.0 / w
        return rows

    out = []
    if not scales:
        out.append(
            Candidate(
                text="weigh the four corners on scales and give [scales] loads_kg",
                row=unit[:2],
                std_error=np.full(2, 0.003),
            )
        )
    if not hard_starts:
        out.append(
            Candidate(
                text="drive at least eight hard sideways starts, both ways (3 m/s²)",
                row=unit[:1],
                std_error=np.array([0.002 * size]),
            )
        )
    if not turns:
        out.append(
            Candidate(
                text="turn on the spot both ways at two rates, 10 s each (up to 2.5-3 rad/s where safe)",
                row=unit[:2],
                std_error=np.array([0.003, 0.003]) * size,
            )
        )
    if model.resistance is None:
        out.append(
            Candidate(
                text="log each motor's volts and current together (shows a weak motor)",
                row=wheelwise("rho"),
                std_error=np.full(w, 0.01),
            )
        )
    out.append(
        Candidate(
            text="power off, robot on blocks: spin every roller of each wheel by hand and compare",
            row=wheelwise("q"),
            std_error=np.full(w, 0.35),
        )
    )
    out.append(
        Candidate(
            text="power off, robot on blocks: turn each wheel by hand and compare how stiff it is",
            row=wheelwise("b"),
            std_error=np.full(w, 0.3),
        )
    )
    out.append(
        Candidate(
            text="tape how far each wheel rolls in ten turns (its radius)",
            row=wheelwise("eps"),
            std_error=np.full(w, 0.0015),
        )
    )
    return out


def _entropy(p: np.ndarray) -> np.ndarray:
    """Of yes or no. [bit]"""
    p = np.clip(p, 1e-9, 1 - 1e-9)
    return -(p * np.log2(p) + (1 - p) * np.log2(1 - p))


def gains(fits: Sequence[Fitted], options: Sequence[Candidate], members: np.ndarray) -> np.ndarray:
    """Expected drop of the entropy of each cause, by each measurement.

    Parameters
    ----------
    fits : sequence of Fitted
        Hypotheses with their shares.
    options : sequence of Candidate
        Measurements.
    members : ndarray of bool, shape (causes, hypotheses)
        Which hypotheses hold which cause.

    Returns
    -------
    ndarray, shape (options, causes)
        [bit]
    """
    shares = np.array([f.share for f in fits])
    shares = shares / shares.sum()
    keep = shares > 2e-3
    if keep.sum() < 2:
        return np.zeros((len(options), members.shape[0]))
    chosen = [f for f, k in zip(fits, keep, strict=True) if k]
    p = shares[keep] / shares[keep].sum()
    held = members[:, keep].astype(float)
    rng = np.random.default_rng(7)
    before = _entropy(held @ p)
    out = np.zeros((len(options), members.shape[0]))
    which = rng.choice(len(chosen), size=DRAWS, p=p)
    for i, option in enumerate(options):
        noise = np.diag(option.std_error**2)
        means = np.array([option.row @ f.z for f in chosen])
        covers = [option.row @ f.covariance @ option.row.T + noise for f in chosen]
        roots = [np.linalg.cholesky(c) for c in covers]
        inverse = np.array([np.linalg.inv(r) for r in roots])
        logdet = np.array([float(np.sum(np.log(np.diag(r)))) for r in roots])
        draws = means[which] + np.einsum(
            "nij,nj->ni", np.array(roots)[which], rng.standard_normal((DRAWS, means.shape[1]))
        )
        away = np.einsum("hij,nhj->nhi", inverse, draws[:, None] - means[None])
        log = np.log(p) - logdet - 0.5 * np.sum(away**2, axis=2)
        after = np.exp(log - log.max(axis=1, keepdims=True))
        after /= after.sum(axis=1, keepdims=True)
        out[i] = before - _entropy(after @ held.T).mean(axis=0)
    return np.maximum(out, 0.0)


def advice(
    fits: Sequence[Fitted], options: Sequence[Candidate], members: np.ndarray
) -> tuple[list[list[str]], list[str]]:
    """Words for what would decide each cause, and all of them together.

    Parameters
    ----------
    fits : sequence of Fitted
        Hypotheses with their shares.
    options : sequence of Candidate
        Measurements.
    members : ndarray of bool, shape (causes, hypotheses)
        Which hypotheses hold which cause.

    Returns
    -------
    each : list of list of str
        Per cause: up to three measurements that would settle a good part of it, best first.
    overall : list of str
        The same over all causes together.
    """
    gained = gains(fits, options, members)
    shares = np.array([f.share for f in fits])
    doubt = _entropy(members.astype(float) @ (shares / shares.sum()))
    each = []
    for k in range(members.shape[0]):
        order = np.argsort(-gained[:, k])[:3]
        each.append(
            [
                f"{options[i].text} (settles {100 * gained[i, k] / doubt[k]:.0f} % of the doubt)"
                for i in order
                if doubt[k] > 0.08 and gained[i, k] > 0.1 * doubt[k]
            ]
        )
    total = gained.sum(axis=1)
    whole = float(doubt.sum())
    overall = [
        options[i].text for i in np.argsort(-total) if whole > 0.25 and total[i] > 0.1 * whole
    ]
    return each, overall[:3]
