"""Control charts of single values: individuals with moving ranges, exponentially weighted means, cumulative sums.

Series come in the order in which they were measured; points are counted from 0.
"""

from typing import Final

import numpy as np
from msgspec import Struct

from service.domain.question import Floats, QuestionRefused

D2: Final = 1.128
"""The mean range of two normal values in standard deviations, as tables print it (2 divided by the root of pi)."""
D4: Final = 3.267
"""The upper limit of ranges of two values, in mean ranges, as tables print it."""


class Individuals(Struct, frozen=True, kw_only=True):
    """A chart of single values. `beyond` are the points outside the limits, `jumps` those whose range is too large."""

    centre: float
    sigma: float
    lower: float
    upper: float
    ranges: Floats
    mean_range: float
    range_upper: float
    beyond: tuple[int, ...]
    jumps: tuple[int, ...]


class Ewma(Struct, frozen=True, kw_only=True):
    """Weighted means with the limits of each point, and those that the limits settle at."""

    values: Floats
    lower: Floats
    upper: Floats
    settled: tuple[float, float]
    beyond: tuple[int, ...]


class Crossing(Struct, frozen=True, kw_only=True):
    """A cumulative sum beyond the decision interval: `began` is the first point since the sum was last zero.

    `mean` is what the mean has been since then, by the sum itself (it assumes one step, at `began`).
    """

    point: int
    upward: bool
    value: float
    began: int
    mean: float


class Cusum(Struct, frozen=True, kw_only=True):
    """One-sided sums upward and downward, neither below zero, and the plain sum of what lies off the target."""

    upper: Floats
    lower: Floats
    cumulative: Floats
    crossings: tuple[Crossing, ...]


def moving_ranges(x: Floats) -> Floats:
    """The range of each two values that follow each other; one fewer than there are values."""
    return np.abs(np.diff(x))


def sigma_of_ranges(x: Floats, d2: float = D2) -> float:
    """The standard deviation between neighbours: the mean moving range divided by d2. At least two values."""
    return float(moving_ranges(x).mean()) / d2


def individuals(
    x: Floats,
    *,
    d2: float = D2,
    d4: float = D4,
    width: float = 3.0,
    target: float | None = None,
    sigma: float | None = None,
) -> Individuals:
    """Individuals and moving ranges (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2).

    Centre and spread are those of the series unless `target` and `sigma` are stated; `width` is in standard
    deviations. Raises QuestionRefused for fewer than two values, or for values without any spread to judge by.
    """
    if len(x) < 2:
        raise QuestionRefused("a chart of individuals needs two values or more", pointer="/x")
    ranges = moving_ranges(x)
    mean_range = float(ranges.mean())
    spread = mean_range / d2 if sigma is None else sigma
    if spread == 0:
        raise QuestionRefused("all values are equal: there is no spread to judge them by; state sigma", pointer="/x")
    centre = float(x.mean()) if target is None else target
    lower, upper = centre - width * spread, centre + width * spread
    range_upper = d4 * (mean_range if sigma is None else d2 * spread)
    return Individuals(
        centre=centre,
        sigma=spread,
        lower=lower,
        upper=upper,
        ranges=ranges,
        mean_range=mean_range,
        range_upper=range_upper,
        beyond=_places((x < lower) | (x > upper)),
        jumps=tuple(place + 1 for place in _places(ranges > range_upper)),
    )


def ewma(x: Floats, *, weight: float, target: float, sigma: float, width: float, settled: bool = False) -> Ewma:
    """Exponentially weighted moving average from the target (e-Handbook 6.3.2.4; Lucas and Saccucci, 1990).

    The limits are exact for each point, or `settled`: those that they approach. 0 < weight <= 1, sigma above zero.
    """
    values = np.empty(len(x))
    before = target
    for place, value in enumerate(x):
        before += weight * (float(value) - before)
        values[place] = before
    last = width * sigma * (weight / (2 - weight)) ** 0.5
    steps = np.arange(1, len(x) + 1)
    half = np.full(len(x), last) if settled else last * np.sqrt(1 - (1 - weight) ** (2 * steps))
    lower, upper = target - half, target + half
    return Ewma(
        values=values,
        lower=lower,
        upper=upper,
        settled=(target - last, target + last),
        beyond=_places((values < lower) | (values > upper)),
    )


def cusum(x: Floats, *, target: float, k: float, h: float, restart: bool = False) -> Cusum:
    """Tabular cumulative sums, upward and downward (e-Handbook 6.3.2.3), with k and h in the unit of x.

    A sum beyond h crosses. With `restart` it begins again at zero afterwards, so that each step crosses anew.
    """
    off = x - target
    upper, lower = np.zeros(len(x)), np.zeros(len(x))
    crossings = []
    sums, began = [0.0, 0.0], [0, 0]
    for place, value in enumerate(off):
        for side, (sign, kept) in enumerate(((1.0, upper), (-1.0, lower))):
            if sums[side] == 0:
                began[side] = place
            sums[side] = max(0.0, sums[side] + sign * float(value) - k)
            kept[place] = sums[side]
            if sums[side] > h:
                since = place - began[side] + 1
                mean = target + sign * (k + sums[side] / since)
                crossings.append(
                    Crossing(point=place, upward=side == 0, value=sums[side], began=began[side], mean=mean)
                )
                if restart:
                    sums[side] = 0.0
    return Cusum(upper=upper, lower=lower, cumulative=np.cumsum(off), crossings=tuple(crossings))


def _places(outside: "np.typing.NDArray[np.bool_]") -> tuple[int, ...]:
    return tuple(int(place) for place in np.flatnonzero(outside))
