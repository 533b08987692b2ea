"""Estimates with their uncertainty, findings about a recording, and the errors a user can cause."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeVar

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

T = TypeVar("T")

# NumPy and SciPy are imported where they are used: `crabwise --help` must not wait for them.


class CrabwiseError(Exception):
    """A fault of the recording, the robot file or the request, told in one message.

    The message names the file, the channel or key, what was found and what to do.
    """


class RobotFileError(CrabwiseError):
    """The robot file cannot be used; the message lists every fault in it."""


class RecordingError(CrabwiseError):
    """The recording cannot be read or lacks what the analysis needs."""


BEYOND = 1e15
"""Size beyond which a number is damage, SI: a counter of 50 bits, and more than any quantity here."""


def load_json(text: str) -> Any:
    """Parse JSON whose numbers must make sense.

    Parameters
    ----------
    text : str
        A result file.

    Returns
    -------
    Any
        As `json.loads`.

    Raises
    ------
    ValueError
        For broken JSON, infinities, and numbers beyond 1e15, which only damage makes.
    """
    import json

    def number(digits: str) -> float:
        value = float(digits)
        if not abs(value) < BEYOND:
            raise ValueError(f"the number {digits[:30]} is beyond all sense")
        return value

    def whole(digits: str) -> int:
        return int(number(digits)) if len(digits) > 15 else int(digits)

    return json.loads(text, parse_float=number, parse_int=whole, parse_constant=number)


def student_quantile(probability: float, dof: float) -> float:
    """Quantile of Student's t; of the normal distribution when `dof` is infinite.

    Parameters
    ----------
    probability : float
        Cumulative probability, between 0 and 1.
    dof : float
        Degrees of freedom; ``math.inf`` for the normal distribution.

    Returns
    -------
    float
        The quantile.
    """
    from scipy import special

    if math.isinf(dof):
        return float(special.ndtri(probability))
    return float(special.stdtrit(dof, probability))


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A number with its unit and uncertainty, or the reason why there is none.

    Attributes
    ----------
    value, std_error : float or None
        Estimate and its standard error; both None where undetermined.
    unit : str
        Unit as shown to the user; "" for a pure number.
    low, high : float or None
        Ends of the 95 % interval.
    why : str
        Why the value is undetermined; "" where it is determined.
    """

    value: float | None
    std_error: float | None
    unit: str
    low: float | None
    high: float | None
    why: str = ""

    @classmethod
    def of(cls, value: float, std_error: float, unit: str, *, dof: float = math.inf) -> Estimate:
        """Build an estimate whose 95 % interval is Student's t at `dof` degrees of freedom.

        Parameters
        ----------
        value, std_error : float
            Estimate and standard error, both finite.
        unit : str
            Unit of both.
        dof : float
            Degrees of freedom of the standard error.

        Returns
        -------
        Estimate
            The estimate; undetermined where value or error is not finite.
        """
        if not (math.isfinite(value) and math.isfinite(std_error)):
            return cls.undetermined(unit, "the fit gave no finite number")
        half = student_quantile(0.975, max(dof, 1.0)) * std_error
        return cls(
            value=float(value),
            std_error=float(std_error),
            unit=unit,
            low=float(value - half),
            high=float(value + half),
        )

    @classmethod
    def undetermined(cls, unit: str, why: str) -> Estimate:
        """State that the recording does not determine this quantity, and why.

        Parameters
        ----------
        unit : str
            Unit the quantity would have.
        why : str
            Reason in plain words, with what to record instead.

        Returns
        -------
        Estimate
            An estimate without a value.
        """
        return cls(value=None, std_error=None, unit=unit, low=None, high=None, why=why)

    @property
    def determined(self) -> bool:
        """Whether there is a value."""
        return self.value is not None

    def scaled(self, factor: float, unit: str) -> Estimate:
        """Express the estimate in another unit.

        Parameters
        ----------
        factor : float
            Factor from the old unit to the new.
        unit : str
            The new unit.

        Returns
        -------
        Estimate
            Value, error and interval multiplied.
        """
        if self.value is None or self.std_error is None or self.low is None or self.high is None:
            return Estimate.undetermined(unit, self.why)
        ends = sorted((self.low * factor, self.high * factor))
        return Estimate(
            value=self.value * factor,
            std_error=self.std_error * abs(factor),
            unit=unit,
            low=ends[0],
            high=ends[1],
        )

    def as_json(self) -> dict[str, Any]:
        """Give the estimate as the result file holds it (contract of ``crabwise-result/1``)."""
        if self.value is None:
            return {"value": None, "why": self.why}
        return {
            "value": self.value,
            "std_error": self.std_error,
            "interval95": [self.low, self.high],
            "unit": self.unit,
        }

    def __str__(self) -> str:
        """Round by the uncertainty: two digits of the standard error."""
        if self.value is None or self.std_error is None:
            return f"undetermined: {self.why}"
        if self.std_error > 0:
            digits = max(0, min(9, 1 - math.floor(math.log10(self.std_error))))
        else:
            digits = 4
        half = 0.0 if self.high is None else self.high - self.value
        return with_unit(f"{rounded(self.value, digits)} ± {half:.{digits}f}", self.unit)


def rounded(value: float, digits: int) -> str:
    """Write a number with fixed digits; a small negative must not read "-0.0".

    Parameters
    ----------
    value : float
        The number.
    digits : int
        Digits behind the point.

    Returns
    -------
    str
        For the screen.
    """
    return f"{round(value, digits) + 0.0:.{digits}f}"


def with_unit(text: str, unit: str) -> str:
    """Put a unit behind a number.

    Parameters
    ----------
    text : str
        The number.
    unit : str
        Its unit; "" for none.

    Returns
    -------
    str
        With a space between, but for the degree of an angle: SI Brochure (9th edition), 5.4.3.
    """
    return f"{text}{unit}" if unit in {"", "°"} else f"{text} {unit}"


def mean_estimate(values: np.ndarray, unit: str, *, floor: float = 0.0) -> Estimate:
    """Mean of independent observations (one a pass) with Student's t interval.

    Parameters
    ----------
    values : ndarray, shape (n,)
        One value a pass; NaNs are left out.
    unit : str
        Unit of the values.
    floor : float
        Standard error below which repeats cannot be trusted, added in quadrature
        (repeats that start alike share a bias). [same unit]

    Returns
    -------
    Estimate
        Undetermined with fewer than one value; with a single value the error is the floor,
        or undetermined where there is no floor.

    Notes
    -----
    Standard error of the mean s / sqrt(n): GUM (JCGM 100:2008) 4.2.3, eq. (5).
    """
    import numpy as np

    values = values[np.isfinite(values)]
    n = values.size
    if n == 0:
        return Estimate.undetermined(unit, "no such pass in this recording")
    if n == 1:
        if floor > 0:
            return Estimate.of(float(values[0]), floor, unit)
        return Estimate.undetermined(unit, "a single pass has no scatter; drive at least three")
    scatter = float(values.std(ddof=1)) / math.sqrt(n)
    error = math.hypot(scatter, floor)
    # Welch-Satterthwaite: the floor counts as known, only the scatter has n - 1 degrees.
    dof = (n - 1) * (error / scatter) ** 4 if scatter > 0 else math.inf
    return Estimate.of(float(values.mean()), error, unit, dof=min(dof, 1e6))


def quantile(values: np.ndarray, share: float) -> float:
    """Quantile as `numpy.quantile` gives it, several times as fast for the few values of a pass.

    Parameters
    ----------
    values : ndarray, shape (n,)
        At least one value; with a NaN the answer is NaN.
    share : float
        From 0 to 1; 0.5 gives the median.

    Returns
    -------
    float
        Linear between the sorted values.
    """
    import numpy as np

    ordered = np.sort(values)
    last = ordered.size - 1
    if math.isnan(ordered.item(last)):
        return math.nan
    at = share * last
    low = min(int(at), max(last - 1, 0))
    below, above = float(ordered.item(low)), float(ordered.item(min(low + 1, last)))
    return below + (at - low) * (above - below)


def extent(values: np.ndarray) -> tuple[float, float]:
    """Least and largest of some numbers.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Numbers.

    Returns
    -------
    (float, float)
        NaN twice where one is NaN or there is none.
    """
    import numpy as np

    if not values.size:
        return math.nan, math.nan
    with np.errstate(invalid="ignore"):  # a damaged file may hold signalling NaNs
        return float(values.min()), float(values.max())


def enough(size: int) -> slice:
    """Every so many samples: a median over twenty thousand is as good as over more.

    Parameters
    ----------
    size : int
        Samples there are.

    Returns
    -------
    slice
        Of twenty to forty thousand of them, of all where these are fewer.
    """
    return slice(None, None, max(1, size // 20_000))


def in_lot_order(items: Sequence[T]) -> list[T]:
    """Things in an order drawn by lot, the same every time.

    Parameters
    ----------
    items : sequence
        Passes, say, of which the first so many are to stand for all: no repeating script favours one
        kind.

    Returns
    -------
    list
        All of them.
    """
    import numpy as np

    return [items[k] for k in np.random.default_rng(0).permutation(len(items))]


def slope_through_origin(
    x: np.ndarray, y: np.ndarray, unit: str, *, blocks: int = 10, floor_share: float = 0.0
) -> Estimate:
    """Least squares slope of a line through the origin, with an error that allows for correlation.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Abscissa and ordinate, in order of time.
    unit : str
        Unit of the slope.
    blocks : int
        Stretches of time whose residuals count as independent of one another.
    floor_share : float
        Error that the method itself leaves, as share of the slope.

    Returns
    -------
    Estimate
        sum(x y) / sum(x^2); error by blocks of scores (Liang & Zeger, Biometrika 73 (1986) 13,
        formula from memory). Undetermined where x is zero throughout.
    """
    import numpy as np

    size = float(x @ x)
    if size <= 0:
        return Estimate.undetermined(unit, "nothing varies in this recording")
    slope = float(x @ y) / size
    parts = np.array_split(x * (y - slope * x), min(blocks, x.size))
    score = np.array([float(p.sum()) for p in parts])
    error = math.sqrt(float(score @ score)) / size
    dof = max(1, len(parts) - 1)
    return Estimate.of(slope, math.hypot(error, floor_share * slope), unit, dof=dof)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something about the recording that its user should know.

    Attributes
    ----------
    severity : {"note", "warning", "error"}
        "error" means that results depending on the channel are missing.
    channel : str
        Channel it concerns; "" for the whole recording.
    text : str
        What was found and what was done about it.
    t_start, t_end : float or None
        Time span in the run. [s]
    """

    severity: Literal["note", "warning", "error"]
    channel: str
    text: str
    t_start: float | None = None
    t_end: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Give the finding as the result file holds it."""
        return {
            "severity": self.severity,
            "channel": self.channel,
            "text": self.text,
            "t_start": self.t_start,
            "t_end": self.t_end,
        }
