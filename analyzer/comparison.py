"""Before against after: did the service, the moved battery, the new gains work?

Passes are matched by kind, direction and speed. Each measure gets its difference with interval,
p-value, Holm's adjustment for all measures asked, effect size and one plain verdict.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analyzer.motion import speed_groups
from analyzer.quantities import CrabwiseError, Estimate, rounded
from analyzer.robot import Robot
from analyzer.statistics import (
    Difference,
    Stratum,
    equivalence_p,
    hedges_g,
    holm,
    minimum_detectable_change,
    permutation_test,
    recording_means,
    smallest_p,
    stratified_difference,
    student,
)

SCHEMA = "crabwise-comparison/1"
Row = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonConfig:
    """Levels, floors and limits, each with unit and origin."""

    alpha: float = 0.05
    """Level of tests and one less the confidence of intervals [-]; common practice, no source."""
    speed_gap: float = 1.25
    """Ratio between neighbouring speeds above which they are different speeds [-]."""
    speed_match: float = 1.6
    """Largest ratio of driven speeds that still match where no command is logged [-]: below the
    2 : 1 that a plan asks for between its speeds."""
    speed_flag: float = 1.08
    """Ratio of driven speeds above which the pairing is flagged [-]."""
    battery_flag: float = 0.03
    """Share of battery voltage above which it is flagged [-]: about the scatter of a charge."""
    yaw_floor: float = 0.12
    """What repeats of one kind at one speed share within a recording [deg/m]: phase of the rollers.
    This and the floors below: scatter between 21 pairs of recordings of one base on the bench that
    differ in their seeds only. Other kinds and speeds share it by chance only, so that over n of
    them it shrinks by the root of n."""
    yaw_floor_share: float = 0.01
    """The same as a share of the drift, alike at all speeds [-]: scale of the gyro."""
    path_floor: float = 1.2
    """The same for closure and creep [mm/m]."""
    ratio_floor: float = 1.4e-3
    """The same for the sideways ratio [-]."""
    ahead_floor: float = 7e-4
    """The same for the effective radius over nominal [-]."""
    lever_floor: float = 1.5e-3
    """The same for yaw turned over yaw rolled [-]."""
    radius_floor: float = 7e-4
    """The same for a relative radius [-]: roller that the wheel happens to stand on."""
    slip_floor: float = 1.5e-3
    """The same for slip ratios [-]."""
    current_floor: float = 0.02
    """Share of a current that a sitting shares [-]: warmth of grease and windings; common practice,
    no source."""
    current_zero: float = 0.005
    """Zero of a current sensor between sittings [A]; common practice, no source."""


DEFAULT = ComparisonConfig()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measure:
    """What is compared: value of a pass, its passes, which way is better."""

    key: str
    label: str
    unit: str
    group: str
    kinds: tuple[str, ...]
    of: Callable[[Row], float]
    target: float | str | None
    tolerance: float
    floor: float
    floor_share: float = 0.0
    wheel: str | None = None
    speed_slope: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Match:
    """Passes of one kind at one speed, on both sides; (recording, row) pairs."""

    kind: str
    before: tuple[tuple[int, Row], ...]
    after: tuple[tuple[int, Row], ...]

    def speed(self, side: str) -> float:
        return float(np.median([_speed(row) for _, row in getattr(self, side)]))

    @property
    def name(self) -> str:
        """Kind and mean driven speed, for the screen."""
        middle = (self.speed("before") + self.speed("after")) / 2
        return f"{self.kind.replace('_', ' ')} {middle:.2f} {self.unit}"

    @property
    def unit(self) -> str:
        """Unit of the speed."""
        return "rad/s" if self.kind.startswith("turn_") else "m/s"


def _speed(row: Row) -> float:
    value = row["speed_m_per_s"]
    value = row.get("turn_rate_rad_per_s") if value is None else value
    return math.nan if value is None else abs(float(value))


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


def _per_metre(name: str, sign: dict[str, float]) -> Callable[[Row], float]:
    def of(row: Row) -> float:
        distance = _number(row["distance_m"])
        if not distance > 0.05:
            return math.nan
        return sign.get(row["kind"], 1.0) * _number(row[name]) / distance

    return of


def _of_wheel(name: str, wheel: str, absolute: bool = False) -> Callable[[Row], float]:
    def of(row: Row) -> float:
        value = _number(row.get("wheels", {}).get(name, {}).get(wheel))
        return abs(value) if absolute else value

    return of


def _plain(name: str) -> Callable[[Row], float]:
    return lambda row: _number(row.get(name))


def _signed(name: str, sign: dict[str, float]) -> Callable[[Row], float]:
    return lambda row: sign[row["kind"]] * _number(row.get(name))


def _turned(row: Row) -> float:
    rolled = _number(row["rolled_deg"])
    return _number(row["heading_change_deg"]) / rolled if abs(rolled) > 30 else math.nan


ODD = {"left": 1.0, "right": -1.0}
SIDES = ("left", "right")
STRAIGHT = ("ahead", "astern")


def _measures(robot: Robot, config: ComparisonConfig) -> list[_Measure]:
    t = robot.tolerance
    yaw: dict[str, Any] = {
        "unit": "°/m", "group": "yaw drift", "target": 0.0, "tolerance": t.yaw_drift_deg_per_m,
        "floor": config.yaw_floor, "floor_share": config.yaw_floor_share,
    }  # fmt: skip
    out = [
        _Measure(
            key=f"yaw_drift.odd.{part}",
            label=f"yaw drift sideways, direction-odd, {part}",
            kinds=SIDES,
            of=_per_metre(column, ODD),
            **yaw,
        )
        for part, column in (
            ("total", "heading_change_deg"),
            ("rolled", "rolled_deg"),
            ("slipped", "slipped_deg"),
        )
    ]
    for side in SIDES:
        out.append(
            _Measure(
                key=f"yaw_drift.{side}",
                label=f"yaw drift {side}",
                kinds=(side,),
                of=_per_metre("heading_change_deg", {}),
                **yaw,
            )
        )
    for name, tolerance in (("closure", t.closure_mm_per_m), ("creep", t.creep_mm_per_m)):
        column = f"{name}_mm_per_m"
        way: dict[str, Any] = {
            "unit": "mm/m", "group": name, "target": 0.0, "tolerance": tolerance,
            "floor": config.path_floor,
        }  # fmt: skip
        out.append(
            _Measure(
                key=f"{name}.odd",
                label=f"{name} sideways, direction-odd",
                kinds=SIDES,
                of=_signed(column, ODD),
                **way,
            )
        )
        out += [
            _Measure(
                key=f"{name}.{side}",
                label=f"{name} {side}",
                kinds=(side,),
                of=_plain(column),
                **way,
            )
            for side in SIDES
        ]
    ratio: dict[str, Any] = {"unit": "", "group": "base"}
    out += [
        _Measure(
            key="sideways_ratio", label="sideways path over rolled path", kinds=SIDES,
            of=_plain("sideways_ratio"), target="high", tolerance=t.sideways_ratio,
            floor=config.ratio_floor, **ratio,
        ),
        _Measure(
            key="effective_radius", label="effective radius over nominal, all wheels",
            kinds=STRAIGHT, of=_plain("ahead_ratio"), target=None, tolerance=t.relative_radius,
            floor=config.ahead_floor, **ratio,
        ),
        _Measure(
            key="turn_ratio", label="yaw turned over yaw rolled", kinds=("turn_left", "turn_right"),
            of=_turned, target=None, tolerance=t.sideways_ratio, floor=config.lever_floor, **ratio,
        ),
    ]  # fmt: skip
    for wheel in robot.wheel_names:
        out += [
            _Measure(
                key=f"relative_radius.{wheel}", label=f"radius of {wheel} over the mean", unit="",
                group="radius", kinds=STRAIGHT, of=_of_wheel("relative_radius", wheel), target=1.0,
                tolerance=t.relative_radius, floor=config.radius_floor, wheel=wheel,
            ),
            _Measure(
                key=f"slip_ratio.{wheel}", label=f"slip of {wheel} sideways", unit="",
                group="slip", kinds=SIDES, of=_of_wheel("slip_ratio", wheel), target=0.0,
                tolerance=t.slip_ratio, floor=config.slip_floor, wheel=wheel,
            ),
        ]  # fmt: skip
        for word, kinds in (("sideways", SIDES), ("ahead", STRAIGHT)):
            out.append(
                _Measure(
                    key=f"current.{wheel}.{word}",
                    label=f"current of {wheel} {word if word == 'sideways' else 'ahead and astern'}",
                    unit="A", group="current", kinds=kinds,
                    of=_of_wheel("current_a", wheel, absolute=True), target="low",
                    tolerance=t.current_share, floor=config.current_zero, floor_share=config.current_floor,
                    wheel=wheel, speed_slope=True,
                )
            )  # fmt: skip
    return out


def _results(side: Sequence[Any], name: str) -> list[dict[str, Any]]:
    out = [getattr(r, "result", r) for r in side]
    if not out:
        msg = f"{name}: no recording given; a comparison needs one and more on each side"
        raise CrabwiseError(msg)
    for r in out:
        if not isinstance(r, dict) or not str(r.get("schema", "")).startswith("crabwise-result/1"):
            msg = f"{name}: not a result of `crabwise analyze` (schema crabwise-result/1)"
            raise CrabwiseError(msg)
        if r["passes"] and "wheels" not in r["passes"][0]:
            files = ", ".join(r["recordings"])
            msg = f"{name}: the result of {files} is of an older version; analyze it again"
            raise CrabwiseError(msg)
    return out


def _rows(results: Sequence[dict[str, Any]], kinds: Sequence[str]) -> list[tuple[int, Row]]:
    return [
        (k, row)
        for k, r in enumerate(results)
        for row in r["passes"]
        if row["kind"] in kinds
        and not row["hard_start"]
        and math.isfinite(_speed(row))
        and (row["kind"].startswith("turn_") or _number(row["distance_m"]) >= 0.3)
    ]


def _groups(
    rows: list[tuple[int, Row]], commanded: bool, gap: float
) -> list[list[tuple[int, Row]]]:
    speeds = [_number(r["commanded_speed"]) if commanded else _speed(r) for _, r in rows]
    return [[rows[i] for i in g] for g in speed_groups(np.array(speeds), gap)]


def _match(
    kind: str,
    before: list[tuple[int, Row]],
    after: list[tuple[int, Row]],
    config: ComparisonConfig,
) -> tuple[list[_Match], list[str]]:
    """Pair the speeds of one kind; tell what finds no partner."""
    commanded = bool(before and after) and all(
        _number(r["commanded_speed"]) > 0 for _, r in before + after
    )

    def middle(group: list[tuple[int, Row]]) -> float:
        return float(
            np.median([_number(r["commanded_speed"]) if commanded else _speed(r) for _, r in group])
        )

    first = _groups(before, commanded, config.speed_gap)
    second = _groups(after, commanded, config.speed_gap)
    limit = config.speed_gap if commanded else config.speed_match
    matches, taken = [], set()
    lonely = []
    for group in first:
        gaps = [abs(math.log(middle(group) / max(middle(g), 1e-9))) for g in second]
        near = min((g, k) for k, g in enumerate(gaps)) if gaps else (math.inf, -1)
        back = (
            min(range(len(first)), key=lambda i: abs(math.log(middle(first[i]) / middle(second[near[1]]))))
            if near[1] >= 0
            else -1
        )  # fmt: skip
        if near[0] <= math.log(limit) and first[back] is group:
            taken.add(near[1])
            matches.append(_Match(kind=kind, before=tuple(group), after=tuple(second[near[1]])))
        else:
            lonely.append(("before", group))
    lonely += [("after", g) for k, g in enumerate(second) if k not in taken]
    words = [
        f"{len(g)} pass{'es' if len(g) > 1 else ''} {kind.replace('_', ' ')} at "
        f"{float(np.median([_speed(r) for _, r in g])):.2f} only {side}"
        for side, g in lonely
    ]
    return matches, words


def _strata(measure: _Measure, matches: Sequence[_Match]) -> tuple[list[Stratum], list[_Match]]:
    """Values of the matched passes; currents moved to the speed in the middle of the pair."""
    slope = _speed_slope(measure, matches) if measure.speed_slope else 0.0
    strata, used = [], []
    for m in matches:
        common = (m.speed("before") + m.speed("after")) / 2
        sides = []
        for rows in (m.before, m.after):
            kept = [
                (measure.of(r) - slope * (_speed(r) - common), k)
                for k, r in rows
                if math.isfinite(measure.of(r))
            ]
            sides.append(kept)
        if not sides[0] or not sides[1]:
            continue
        (bv, bk), (av, ak) = (
            (np.array([v for v, _ in s]), np.array([k for _, k in s])) for s in sides
        )
        strata.append(Stratum(before=bv, after=av, before_recording=bk, after_recording=ak))
        used.append(m)
    return strata, used


def _speed_slope(measure: _Measure, matches: Sequence[_Match]) -> float:
    """How the value rises with speed, within each side; 0 where only one speed was driven."""
    tops = bottoms = 0.0
    for side in ("before", "after"):
        rows = [r for m in matches for _, r in getattr(m, side) if math.isfinite(measure.of(r))]
        if not rows:
            continue
        speed = np.array([_speed(r) for r in rows])
        value = np.array([measure.of(r) for r in rows])
        if speed.max() < 1.3 * speed.min():
            return 0.0
        away = speed - speed.mean()
        tops += float(away @ (value - value.mean()))
        bottoms += float(away @ away)
    return tops / bottoms if bottoms > 0 else 0.0


def _badness(measure: _Measure, value: float) -> float:
    if measure.target == "low":
        return value
    if measure.target == "high":
        return -value
    assert isinstance(measure.target, float)
    return abs(value - measure.target)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tested:
    measure: _Measure
    strata: list[Stratum]
    used: list[_Match]
    difference: Difference
    p_value: float
    test: str
    before: float
    after: float
    floors: tuple[float, float]
    tolerance: float


def _test(
    measure: _Measure,
    strata: list[Stratum],
    used: list[_Match],
    questions: int,
    shared: bool,
    config: ComparisonConfig,
    rng: np.random.Generator,
) -> _Tested:
    weight = np.array([s.weight for s in strata])
    weight /= weight.sum()
    first = float(weight @ np.array([s.before.mean() for s in strata]))
    last = float(weight @ np.array([s.after.mean() for s in strata]))
    chance = float(np.linalg.norm(weight))
    floors = tuple(
        0.0 if shared else math.hypot(measure.floor * chance, measure.floor_share * abs(v))
        for v in (first, last)
    )
    floor = math.sqrt((floors[0] ** 2 + floors[1] ** 2) / 2)
    difference = stratified_difference(strata, floor=floor)
    p, test = difference.p_value, "Welch over passes"
    before_means, after_means = recording_means(strata)
    several = before_means.size + after_means.size > 2
    if several:
        test = "Welch over recordings"
        pairs = [(before_means, after_means)]
    else:
        pairs = [(s.before, s.after) for s in strata]
    counts = [(a.size, b.size) for a, b in pairs]
    if smallest_p(counts) <= config.alpha / questions:
        found = permutation_test(pairs, rng, studentised=all(min(c) > 1 for c in counts))
        # The regrouping does not know what repeats share, the floor does: the more doubtful counts.
        if found.p_value >= p:
            p = found.p_value
            test = f"permutation over {'recordings' if several else 'passes'}"
    tolerance = measure.tolerance
    if measure.group == "current":
        tolerance = max(measure.tolerance * abs(first), 0.02)
    return _Tested(
        measure=measure, strata=strata, used=used, difference=difference, p_value=p, test=test,
        before=first, after=last, floors=(floors[0], floors[1]), tolerance=tolerance,
    )  # fmt: skip


def _side_estimate(t: _Tested, side: str) -> Estimate:
    """Mean of one side over its strata, with the scatter within them and the floor."""
    weight = np.array([s.weight for s in t.strata])
    weight /= weight.sum()
    groups = [getattr(s, side) for s in t.strata]
    spare = sum(g.size - 1 for g in groups)
    pooled = sum(float(((g - g.mean()) ** 2).sum()) for g in groups) / spare if spare else math.nan
    variance = sum(w**2 * pooled / g.size for w, g in zip(weight, groups, strict=True))
    floor = t.floors[0 if side == "before" else 1]
    value = t.before if side == "before" else t.after
    if spare == 0:
        if floor == 0:
            return Estimate.undetermined(t.measure.unit, "a single pass has no scatter")
        return Estimate.of(value, floor, t.measure.unit)
    error = math.hypot(math.sqrt(variance), floor)
    dof = spare * (error**2 / variance) ** 2 if variance > 0 else math.inf
    return Estimate.of(value, error, t.measure.unit, dof=min(dof, 1e6))


def _verdict(
    t: _Tested, adjusted: float, detectable: float, config: ComparisonConfig
) -> tuple[str, str]:
    """One plain verdict, as a word and as a sentence."""
    m, d = t.measure, t.difference
    unit = f" {m.unit}" if m.unit else ""
    digits = _digits(t.tolerance)
    shown = f"{rounded(t.before, digits)} → {rounded(t.after, digits)}{unit}"
    limit = f"± {t.tolerance:.{digits}f}{unit}"
    if equivalence_p(d, -t.tolerance, t.tolerance) < config.alpha:
        return "no_worse", f"No worse than the tolerance: {shown}, a difference within {limit}."
    directed = m.target is not None
    gain = _badness(m, t.before) - _badness(m, t.after) if directed else 0.0
    if adjusted < config.alpha:
        secure = student(gain, d.std_error, d.dof).p_value < config.alpha if directed else False
        if secure:
            word = "better" if gain > 0 else "worse"
            return word, f"{word.capitalize()}: {shown}."
        why = (
            "no nearer to and no farther from where it should be" if directed else "no better side"
        )
        return "changed", f"Changed: {shown}; {why}."
    if directed:
        worst = student(gain + t.tolerance, d.std_error, d.dof)
        if worst.value > 0 and worst.p_value / 2 < config.alpha:
            return "no_worse", (
                f"No worse than the tolerance of {limit}: {shown}. A gain smaller than "
                f"{detectable:.{digits}f}{unit} could not have shown."
            )
    return (
        "cannot_tell",
        f"Cannot tell: {shown}. These passes could not have shown a change smaller than "
        f"{detectable:.{digits}f}{unit}.",
    )


def _digits(size: float) -> int:
    return max(0, min(6, 1 - math.floor(math.log10(size)))) if size > 0 else 3


def compare(
    before: Sequence[Any],
    after: Sequence[Any],
    robot: Robot,
    *,
    config: ComparisonConfig = DEFAULT,
    rng: np.random.Generator | None = None,
) -> dict[str, Any]:
    """Compare two sets of recordings of one base.

    Parameters
    ----------
    before, after : sequence of dict or RunAnalysis
        Results of `pipeline.analyze` (schema ``crabwise-result/1``), one a recording, one and more
        a side. With analyses the arcs are as driven, with results they are drawn from distance and
        heading change.
    robot : Robot
        The base: names of the wheels and what counts as tolerance.
    config : ComparisonConfig
        Levels and floors.
    rng : Generator, optional
        Source of random regroupings; a fixed seed by default, so that answers repeat.

    Returns
    -------
    dict
        Schema ``crabwise-comparison/1``, ready for JSON: ``headline``; ``measures[]`` {key, label,
        unit, group, wheel, passes, before, after, difference (estimates), p_value, p_adjusted,
        test, effect_size, detectable_change, tolerance, verdict, text, cautions[]};
        ``undetermined[]``; ``confounders[]``; ``unmatched[]``; ``causes[]``; ``arcs``.
        Verdicts: ``better``, ``worse``, ``changed`` (no better side), ``no_worse`` (than the
        tolerance), ``cannot_tell`` (with the smallest change that would have shown),
        ``no_change`` (the same recording on both sides).

    Raises
    ------
    CrabwiseError
        Where a side is empty, is no result, or the wheels differ.

    Notes
    -----
    Difference over matched strata with Welch's error in each; p by permutation within strata where
    the counts can give a p small enough for the number of questions, Welch's otherwise; Holm over
    all measures; equivalence by two one-sided tests at the tolerance. What repeats of one sitting
    share enters the error once for each recording (floors of `ComparisonConfig`), except where both
    sides are cut from the same files.
    """
    rng = np.random.default_rng(0) if rng is None else rng
    first, last = _results(before, "--before"), _results(after, "--after")
    names = list(robot.wheel_names)
    for side, results in (("--before", first), ("--after", last)):
        for r in results:
            if list(r["wheels"]) != names:
                msg = (
                    f"{side}: {', '.join(r['recordings'])} has wheels {', '.join(r['wheels'])}; "
                    f"the robot file has {', '.join(names)}. Only one base can be compared"
                )
                raise CrabwiseError(msg)
    same = [r["passes"] for r in first] == [r["passes"] for r in last]
    shared = any(_one_file(a, b) for a in first for b in last)
    matches: dict[str, list[_Match]] = {}
    unmatched: list[str] = []
    for kind in (*SIDES, *STRAIGHT, "turn_left", "turn_right"):
        pairs, words = _match(kind, _rows(first, (kind,)), _rows(last, (kind,)), config)
        matches[kind] = pairs
        unmatched += words
    asked: list[tuple[_Measure, list[Stratum], list[_Match]]] = []
    open_ones: list[dict[str, Any]] = []
    for measure in _split_by_speed(_measures(robot, config), matches):
        strata, used = _strata(measure[0], measure[1])
        spare = sum(s.before.size + s.after.size - 2 for s in strata)
        if not strata or (spare == 0 and shared):
            why = (
                "no passes of the same kind and speed with this measure on both sides"
                if not strata
                else "no pass is repeated"
            )
            open_ones.append({"key": measure[0].key, "label": measure[0].label, "why": why})
            continue
        asked.append((measure[0], strata, used))
    tested = [
        _test(m, strata, used, max(1, len(asked)), shared, config, rng) for m, strata, used in asked
    ]
    adjusted = holm([t.p_value for t in tested]) if tested else np.empty(0)
    measures = [
        _entry(t, float(p), len(tested), same, config)
        for t, p in zip(tested, adjusted, strict=True)
    ]
    result = {
        "schema": SCHEMA,
        "robot": {"name": robot.name, "file": robot.path, "wheels": names},
        "before": _side(first),
        "after": _side(last),
        "same_recording": same,
        "measures": measures,
        "undetermined": open_ones,
        "confounders": [] if same else _confounders(first, last, matches, measures, config),
        "unmatched": unmatched,
        "causes": _causes(first, last),
        "arcs": {"before": _arcs(before), "after": _arcs(after)},
    }
    return {**result, "headline": _headline(result)}


def _split_by_speed(
    measures: Sequence[_Measure], matches: dict[str, list[_Match]]
) -> list[tuple[_Measure, list[_Match]]]:
    """Pair each measure with its matches; yaw drift to a side is asked at each speed."""
    from dataclasses import replace

    out = []
    for m in measures:
        own = [p for kind in m.kinds for p in matches[kind]]
        if m.key in {"yaw_drift.left", "yaw_drift.right"} and own:
            for p in own:
                speed = (p.speed("before") + p.speed("after")) / 2
                out.append(
                    (replace(m, key=f"{m.key}@{speed:.2f}", label=f"{m.label} at {speed:.2f} m/s"), [p])
                )  # fmt: skip
        else:
            out.append((m, own))
    return out


def _entry(
    t: _Tested, adjusted: float, questions: int, same: bool, config: ComparisonConfig
) -> dict[str, Any]:
    d = t.difference
    detectable = minimum_detectable_change(d.std_error, d.dof, alpha=config.alpha / questions)
    verdict, text = _verdict(t, adjusted, detectable, config)
    if same:
        verdict, text = "no_change", "No change: it is the same recording on both sides."
    cautions = [
        f"driven at {m.speed('before'):.2f} before and {m.speed('after'):.2f} after ({m.kind})"
        for m in t.used
        if _ratio(m.speed("before"), m.speed("after")) > config.speed_flag
    ]
    before = np.concatenate([s.before for s in t.strata])
    after = np.concatenate([s.after for s in t.strata])
    return {
        "key": t.measure.key,
        "label": t.measure.label,
        "unit": t.measure.unit,
        "group": t.measure.group,
        "wheel": t.measure.wheel,
        "passes": {"before": int(before.size), "after": int(after.size)},
        "matched": [m.name for m in t.used],
        "before": _side_estimate(t, "before").as_json(),
        "after": _side_estimate(t, "after").as_json(),
        "difference": Estimate(
            value=d.value, std_error=d.std_error, unit=t.measure.unit, low=d.low, high=d.high
        ).as_json(),
        "p_value": t.p_value,
        "p_adjusted": adjusted,
        "test": t.test,
        "effect_size": _effect(t),
        "detectable_change": detectable,
        "tolerance": t.tolerance,
        "verdict": verdict,
        "text": text,
        "cautions": cautions,
    }


def _effect(t: _Tested) -> dict[str, Any] | None:
    """Hedges' g with the scatter within the strata; None where there is none."""
    sides = []
    for side, mean in (("before", t.before), ("after", t.after)):
        groups = [getattr(s, side) for s in t.strata]
        spare = sum(g.size - 1 for g in groups)
        within = sum(float(((g - g.mean()) ** 2).sum()) for g in groups)
        count = sum(g.size for g in groups)
        sides.append((mean, math.sqrt(within / spare) if spare else 0.0, count))
    try:
        g = hedges_g(sides[0], sides[1])
    except ValueError:
        return None
    return {"value": g.value, "std_error": g.std_error}


def _ratio(a: float, b: float) -> float:
    low, high = sorted((abs(a), abs(b)))
    return high / low if low > 0 else math.inf


def _side(results: Sequence[dict[str, Any]]) -> dict[str, Any]:
    return {
        "recordings": [r["recordings"] for r in results],
        "recorded_at": [r.get("recorded_at") for r in results],
        "passes": sum(len(r["passes"]) for r in results),
    }


def _causes(
    first: Sequence[dict[str, Any]], last: Sequence[dict[str, Any]]
) -> list[dict[str, Any]]:
    """Probability of each cause on both sides: mean over the recordings."""
    keys: dict[tuple[str, str | None], list[float]] = {}
    for side, results in enumerate((first, last)):
        for r in results:
            for c in r["causes"]:
                entry = keys.setdefault((c["cause"], c["wheel"]), [0.0, 0.0])
                entry[side] += c["probability"] / len(results)
    rows = [
        {"cause": c, "wheel": w, "before": p[0], "after": p[1]}
        for (c, w), p in keys.items()
        if max(p) >= 0.02
    ]
    return sorted(rows, key=lambda r: -max(float(r["before"] or 0), float(r["after"] or 0)))


def _mean(values: list[float]) -> float:
    kept = [v for v in values if math.isfinite(v)]
    return sum(kept) / len(kept) if kept else math.nan


def _held(rows: Sequence[Row]) -> bool | None:
    """Whether the base drove as fast as commanded; None where that is neither so nor far from it."""
    share: dict[bool, list[float]] = {True: [], False: []}
    for r in rows:
        asked = _number(r["commanded_speed"])
        if asked > 0:
            share[r["kind"] in SIDES].append(_speed(r) / asked)
    if not share[True] or not share[False]:
        return None
    ahead, sideways = float(np.median(share[False])), float(np.median(share[True]))
    # Under wheel-speed control creep and the rollers' hand-over cost up to a tenth sideways.
    if ahead > 0.97 and sideways > 0.9:
        return True
    return False if sideways < 0.85 else None


def _confounders(
    first: Sequence[dict[str, Any]],
    last: Sequence[dict[str, Any]],
    matches: dict[str, list[_Match]],
    measures: Sequence[dict[str, Any]],
    config: ComparisonConfig,
) -> list[dict[str, str]]:
    """What differs between the sides besides what was meant to."""
    out: list[dict[str, str]] = []

    def flag(kind: str, text: str) -> None:
        out.append({"kind": kind, "text": text})

    asked_otherwise, driven_otherwise = [], []
    for pairs in matches.values():
        for m in pairs:
            kind = m.kind.replace("_", " ")
            asked = [
                _mean([_number(r["commanded_speed"]) for _, r in rows])
                for rows in (m.before, m.after)
            ]
            if all(math.isfinite(v) and v > 0 for v in asked) and _ratio(*asked) > 1.03:
                asked_otherwise.append(f"{kind} {asked[0]:.2f} → {asked[1]:.2f} {m.unit}")
            elif _ratio(m.speed("before"), m.speed("after")) > config.speed_flag:
                driven_otherwise.append(
                    f"{kind} {m.speed('before'):.2f} → {m.speed('after'):.2f} {m.unit}"
                )
    if asked_otherwise:
        flag("speed", f"commanded speeds: {', '.join(asked_otherwise)}")
    if driven_otherwise:
        flag(
            "speed",
            f"driven speeds, though matched: {', '.join(driven_otherwise)}; yaw drift and slip depend on "
            "speed",
        )
    for key, word in (
        ("drive_mode", "drive mode"),
        ("name", "robot"),
        ("mass_kg", "mass in the robot file"),
    ):
        unit = " kg" if key == "mass_kg" else ""
        values = [sorted({f"{r['robot'].get(key)}{unit}" for r in side}) for side in (first, last)]
        if values[0] != values[1] or len(values[0]) > 1:
            flag(key, f"{word}: {', '.join(values[0])} before, {', '.join(values[1])} after")
    held = [_held([r for _, r in _rows(side, (*SIDES, *STRAIGHT))]) for side in (first, last)]
    if None not in held and held[0] != held[1]:
        words = {True: "held the commanded speed", False: "fell short of the commanded speed"}
        flag(
            "drive_mode",
            f"the wheels {words[bool(held[0])]} before and {words[bool(held[1])]} after: another drive "
            "mode would look so",
        )
    volts = [
        _mean([_number(p.get("battery_v")) for r in side for p in r["passes"]])
        for side in (first, last)
    ]
    if all(math.isfinite(v) for v in volts):
        if abs(volts[1] / volts[0] - 1) > config.battery_flag:
            flag("battery", f"battery {volts[0]:.2f} V before, {volts[1]:.2f} V after")
    elif any(math.isfinite(v) for v in volts):
        flag("battery", "battery voltage is logged on one side only")
    for cause, word in (("low_grip", "poor grip"), ("floor_slope", "a sloping floor")):
        seen = [
            max((c["probability"] for r in side for c in r["causes"] if c["cause"] == cause), default=0.0)
            for side in (first, last)
        ]  # fmt: skip
        if abs(seen[0] - seen[1]) > 0.3:
            flag(
                "floor",
                f"{word} {100 * seen[0]:.0f} % likely before, {100 * seen[1]:.0f} % after: another "
                "floor or dirty wheels would look so",
            )
    for word in ("sideways", "ahead"):
        rows = [m for m in measures if m["group"] == "current" and m["key"].endswith(f".{word}")]
        if len(rows) < 3:
            continue
        shares = np.array(
            [
                m["difference"]["value"] / max(abs(m["before"]["value"]), 0.02)
                for m in rows
                if m["before"]["value"] is not None
            ]
        )
        # Alike on every wheel: within a quarter of their mean. One stiff wheel loads 1 : 1/2 : 1/2 : 0.
        if shares.size and abs(shares.mean()) > max(0.05, 4 * float(shares.std())):
            middle = float(np.median(shares))
            flag(
                "floor",
                f"all wheels draw {abs(100 * middle):.0f} % {'more' if middle > 0 else 'less'} {word}: "
                "another floor, another load, or warmth of grease and motors would look so",
            )
    sources = [sorted({str(r.get("yaw_source")) for r in side}) for side in (first, last)]
    if sources[0] != sources[1]:
        flag(
            "reference",
            f"heading from {', '.join(sources[0])} before, {', '.join(sources[1])} after",
        )
    return out


def _headline(result: dict[str, Any]) -> str:
    """Answer in one or two sentences."""
    if result["same_recording"]:
        return "No change: it is the same recording on both sides."
    measures = result["measures"]
    if not measures:
        return (
            "Nothing can be compared: no passes of the same kind and speed on both sides. "
            "`crabwise plan` tells what to drive."
        )
    by_word: dict[str, list[str]] = {}
    for m in measures:
        by_word.setdefault(m["verdict"], []).append(m["label"])
    text = ""
    for side in SIDES:
        at = [m for m in measures if m["key"].startswith(f"yaw_drift.{side}@")]
        if at:
            m = at[-1]  # the fastest that both sides drove
            turns = [_turn(m[when]["value"]) for when in ("before", "after")]
            speed = m["key"].split("@")[1]
            text += f"Going {side} 2.0 m at {speed} m/s it turned {turns[0]} before and {turns[1]} after. "
    main = next((m for m in measures if m["key"] == "yaw_drift.odd.total"), None)
    if main is not None:
        text += f"Yaw drift sideways: {main['text'][0].lower()}{main['text'][1:]} "
    counts = [
        f"{len(by_word[w])} {say}"
        for w, say in (
            ("better", "better"),
            ("worse", "worse"),
            ("changed", "changed"),
            ("no_worse", "no worse than the tolerance"),
            ("cannot_tell", "undecided"),
        )
        if w in by_word
    ]
    many = f"{len(measures)} measure" + ("" if len(measures) == 1 else "s")
    text += f"Of {many}: {', '.join(counts)}."
    if by_word.get("worse"):
        text += f" Worse: {', '.join(by_word['worse'][:6])}."
    return text


def _turn(drift: float | None) -> str:
    """Heading change on 2 m, in words."""
    if drift is None:
        return "by an unknown angle"
    angle = round(2 * drift, 1)
    return f"{abs(angle):.1f}°" + (
        "" if angle == 0 else (" anticlockwise" if angle > 0 else " clockwise")
    )


def _one_file(one: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether two results are cut from a file in common: the name alone may come twice."""
    if not set(one["recordings"]) & set(other["recordings"]):
        return False
    return all(one.get(q) == other.get(q) for q in ("duration_s", "imu", "chassis"))


def _arcs(side: Sequence[Any]) -> list[dict[str, Any]]:
    """Plan view of the sideways passes, each from its start, heading up."""
    out = []
    for item in side:
        run = getattr(item, "run", None)
        result = getattr(item, "result", item)
        tracks = _driven(item) if run is not None else {}
        for row in result["passes"]:
            if row["kind"] not in SIDES or row["hard_start"] or _number(row["distance_m"]) < 0.3:
                continue
            line = tracks.get(round(row["t_start"], 6), _arc_of(row))
            if line is None:
                continue
            out.append(
                {
                    "kind": row["kind"],
                    "speed_m_per_s": row["speed_m_per_s"],
                    "ahead_m": [round(float(v), 4) for v in line[:, 0]],
                    "left_m": [round(float(v), 4) for v in line[:, 1]],
                    "as_driven": round(row["t_start"], 6) in tracks,
                }
            )
    return out


def _driven(analysis: Any) -> dict[float, np.ndarray]:
    run = analysis.run
    if run.reference is None or run.yaw is None:
        return {}
    out = {}
    for p in analysis.passes:
        a, b = p.start, min(p.stop, run.t.size - 1)
        pick = np.unique(np.linspace(a, b - 1, 25).astype(int))
        step = run.reference[pick, :2] - run.reference[a, :2]
        c, s = math.cos(run.yaw[a]), math.sin(run.yaw[a])
        line = np.stack([c * step[:, 0] + s * step[:, 1], -s * step[:, 0] + c * step[:, 1]], axis=1)
        if np.isfinite(line).all():
            out[round(float(run.t[a]), 6)] = line
    return out


def _arc_of(row: Row) -> np.ndarray | None:
    """Circular arc with the pass's distance between ends, heading change and creep."""
    distance, turn = _number(row["distance_m"]), math.radians(_number(row["heading_change_deg"]))
    if not (math.isfinite(distance) and math.isfinite(turn)):
        return None
    side = 1.0 if row["kind"] == "left" else -1.0
    creep = _number(row.get("creep_mm_per_m"))
    start = math.atan2(side, 0.0 if math.isnan(creep) else creep / 1e3)
    along = np.linspace(0, 1, 25)
    direction = start + turn * (along[1:] + along[:-1]) / 2
    steps = np.stack([np.cos(direction), np.sin(direction)], axis=1)
    line = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
    return line * (distance / float(np.hypot(*line[-1])))
