"""A change that is tried: from the advice, from the sliders, from the address, and back."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from analyzer.forward import Change
from analyzer.motion import nominal_lever
from analyzer.pipeline import RunAnalysis
from analyzer.remedies import advised_lever, shift_of

PARTS = (("roller_drag", "rollers of"), ("axle_drag", "axle of"), ("weak_motor", "motor of"))
SHIFT_ONLY = "Shift of the centre of mass"
LEVER_DIGITS = 4
"""Digits of the yaw lever: tenths of a millimetre."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What is tried.

    Attributes
    ----------
    places : tuple of (float, float)
        x and y of each movable mass, or one shift of the centre of mass where the robot file
        names nothing that can be moved. [m]
    serviced : tuple of (str, str or None)
        Cause word and wheel.
    factors : tuple of float
        Factor of each wheel.
    lever : float
        Yaw lever of the program; it changes no sideways pass. [m]
    """

    places: tuple[tuple[float, float], ...]
    serviced: tuple[tuple[str, str | None], ...] = ()
    factors: tuple[float, ...] = ()
    lever: float

    def shift(self, analysis: RunAnalysis) -> tuple[float, float]:
        """Shift of the centre of mass. [m]

        Parameters
        ----------
        analysis : RunAnalysis
            The analysis.

        Returns
        -------
        (float, float)
            Ahead and left.
        """
        return shift_of(analysis.robot, self.places) if analysis.robot.masses else self.places[0]

    def change(self, analysis: RunAnalysis) -> Change:
        """Change as the prediction takes it.

        Parameters
        ----------
        analysis : RunAnalysis
            The analysis.

        Returns
        -------
        Change
            The change.
        """
        x, y = self.shift(analysis)
        plain = all(f == 1.0 for f in self.factors)
        return Change(
            shift_x=x, shift_y=y, serviced=self.serviced, factors=None if plain else self.factors
        )


def as_it_is(analysis: RunAnalysis) -> Trial:
    """No change.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    Trial
        Everything where it is.
    """
    places = tuple((m.x_m, m.y_m) for m in analysis.robot.masses) or ((0.0, 0.0),)
    return Trial(
        places=places,
        factors=(1.0,) * len(analysis.robot.wheel_names),
        lever=round(nominal_lever(analysis.robot), LEVER_DIGITS),
    )


def advised(analysis: RunAnalysis) -> Trial:
    """Everything that the analysis advises, at once.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.

    Returns
    -------
    Trial
        The remedies of the result.
    """
    trial = as_it_is(analysis)
    lever = advised_lever(analysis.robot, analysis.motion.yaw_lever, analysis.result["causes"])
    if lever is not None:
        trial = replace(trial, lever=round(lever, LEVER_DIGITS))
    names = [m.name for m in analysis.robot.masses]
    for remedy in analysis.result["remedies"]:
        if remedy["kind"] == "move_mass":
            places = list(trial.places)
            if names:
                for move in remedy["moves"]:
                    places[names.index(move["name"])] = (move["x_m"], move["y_m"])
            else:
                places[0] = (remedy["shift_m"]["x"], remedy["shift_m"]["y"])
            trial = replace(trial, places=tuple(places))
        elif remedy["kind"] == "service_wheel" and remedy["part"] in dict(PARTS):
            wheels = (remedy["wheel"],) if remedy["wheel"] else analysis.robot.wheel_names
            more = tuple((remedy["part"], w) for w in wheels)
            trial = replace(trial, serviced=trial.serviced + more)
        elif remedy["kind"] == "wheel_factors":
            factors = tuple(remedy["factors"][w] for w in analysis.robot.wheel_names)
            trial = replace(trial, factors=factors)
    return trial


def write_trial(analysis: RunAnalysis, trial: Trial) -> str:
    """Put a trial into an address.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    trial : Trial
        The trial.

    Returns
    -------
    str
        Short text; "" where nothing is changed.
    """
    if trial == as_it_is(analysis):
        return ""
    names = analysis.robot.wheel_names
    places = ",".join(f"{1e3 * x:.4g},{1e3 * y:.4g}" for x, y in trial.places)
    parts = [p for p, _ in PARTS]
    served = ",".join(f"{parts.index(c)}{names.index(w)}" for c, w in trial.serviced if w in names)
    factors = ",".join(f"{f:.5g}" for f in trial.factors)
    return ";".join((places, served, factors, f"{1e3 * trial.lever:.5g}"))


def read_trial(analysis: RunAnalysis, text: str | None) -> Trial:
    """Read a trial from an address.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysis.
    text : str or None
        What `write_trial` gave.

    Returns
    -------
    Trial
        As it is, where the text does not fit this robot.
    """
    plain = as_it_is(analysis)
    names = analysis.robot.wheel_names
    try:
        places, served, factors, said = (text or "").split(";")
        numbers = [float(v) / 1e3 for v in places.split(",")]
        held = tuple(float(v) for v in factors.split(","))
        lever = round(float(said) / 1e3, LEVER_DIGITS)
        parts = tuple((PARTS[int(v[0])][0], names[int(v[1:])]) for v in served.split(",") if v)
    except (ValueError, IndexError):
        return plain
    fits = len(numbers) == 2 * len(plain.places) and len(held) == len(names)
    if not fits or not all(math.isfinite(v) and abs(v) < 10 for v in (*numbers, *held, lever)):
        return plain
    if lever <= 0:
        return plain
    pairs = tuple(zip(numbers[::2], numbers[1::2], strict=True))
    return Trial(places=pairs, serviced=parts, factors=held, lever=lever)
