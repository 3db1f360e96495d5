"""A line through values that stand on different levels: one slope for all of them, the newest level's place.

Work shifts a value and does not change how it wears: so each level has its own mean and all share the slope (analysis
of covariance). With one level it is the plain least-squares line. Points that were bedding in, or stand out, are left
out; which, is said. The numbers are ours.
"""

from math import sqrt
from typing import Final, Literal

import numpy as np
from msgspec import Struct

from service.domain.distribution import coverage_factor
from service.domain.monotone import FEWEST, MannKendall, TheilSen, mann_kendall, theil_sen
from service.domain.question import Floats, QuestionRefused
from service.domain.regression import Regression

BED_IN_CYCLES: Final = 1000
"""Cycles after a rebuild or an adjustment in which a depth still beds in."""
_BEDS_IN: Final = 0.999
_STANDS_OUT: Final = 0.9999
_FREE_FEWEST: Final = 5
_LEFT_OUT_MAX: Final = 3

LeftOut = Literal["bed_in", "stands_out"]


class LevelLine(Regression, frozen=True, kw_only=True):
    """The line of the newest level; `free` degrees of freedom are left of all the points beside levels and slope."""

    free: int
    levels: int

    @property
    def dof(self) -> int:
        return self.free


class Fitted(Struct, frozen=True, kw_only=True):
    """The line, and what pairs of points say of its slope; `left_out` by the place of the point."""

    line: LevelLine
    theil_sen: TheilSen
    trend: MannKendall
    used: tuple[int, ...]
    left_out: dict[int, LeftOut]


def fit_levels(x: Floats, y: Floats, levels: Floats, floor: float) -> LevelLine:
    """One slope within the levels; `floor` is the least scatter believed. Raises QuestionRefused for too few points."""
    own: int = np.unique(levels).size
    off_x, off_y = _from_means(x, y, levels)
    spread, free = float(off_x @ off_x), len(y) - own - 1
    if free < 1 or spread == 0:
        raise QuestionRefused("a line with an interval needs more points than levels by two", pointer="/y")
    slope = float(off_x @ off_y) / spread
    left = off_y - slope * off_x
    squares, whole = float(left @ left), float(off_y @ off_y)
    newest = levels == levels[-1]
    return LevelLine(
        n=int(newest.sum()),
        mean_x=float(x[newest].mean()),
        mean_y=float(y[newest].mean()),
        slope=slope,
        s=max((squares / free) ** 0.5, floor),
        spread=spread,
        first=float(x.min()),
        last=float(x.max()),
        r_squared=None if whole == 0 else 1 - squares / whole,
        free=free,
        levels=own,
    )


def fitted(x: Floats, y: Floats, levels: Floats, floor: float) -> Fitted | None:
    """The line without what stands out or still beds in; None where too few points are left for one."""
    left_out: dict[int, LeftOut] = {}
    while True:
        used = [place for place in range(len(y)) if place not in left_out]
        at = (x[used], y[used], levels[used])
        if not enough(at[2]):
            return None
        found = _first_off(*at, floor) if len(left_out) < _LEFT_OUT_MAX else None
        if found is None:
            break
        left_out[used[found[0]]] = found[1]
    line = fit_levels(*at, floor)
    aligned = _aligned(*at)
    try:
        pairs, trend = theil_sen(*aligned), mann_kendall(*aligned)
    except QuestionRefused:
        return None
    return Fitted(line=line, theil_sen=pairs, trend=trend, used=tuple(used), left_out=left_out)


def enough(levels: Floats) -> bool:
    """Whether so many points on such levels carry a line with an interval and a trend."""
    own: int = np.unique(levels).size
    return len(levels) - own >= FEWEST - 1


def _aligned(x: Floats, y: Floats, levels: Floats) -> tuple[Floats, Floats]:
    """Values and counts from the means of their levels; as they are where there is but one."""
    kinds = np.unique(levels)
    if len(kinds) == 1:
        return x, y
    off_x, off_y = _from_means(x, y, levels)
    several = np.isin(levels, [kind for kind in kinds if (levels == kind).sum() > 1])
    return off_x[several], off_y[several]


def _first_off(x: Floats, y: Floats, levels: Floats, floor: float) -> tuple[int, LeftOut] | None:
    """The point furthest off the line of the others, as far as they make that sure: the first of a level beds in."""
    off_x, off_y = _from_means(x, y, levels)
    spread, free = float(off_x @ off_x), len(y) - np.unique(levels).size - 1
    if spread == 0 or free < _FREE_FEWEST:
        return None
    left = off_y - float(off_x @ off_y) / spread * off_x
    own = np.array([float((levels == level).sum()) for level in levels])
    kept = 1 - 1 / own - off_x**2 / spread
    alone = kept < 1e-9
    kept = np.where(alone, 1.0, kept)
    without = np.maximum(float(left @ left) - left**2 / kept, 0.0) / (free - 1)
    sigma = np.maximum(np.sqrt(without), floor)
    if (sigma == 0).any():
        return None
    far = np.where(alone, 0.0, np.abs(left) / (sigma * np.sqrt(kept)))
    begins = np.array([place == 0 or levels[place] != levels[place - 1] for place in range(len(y))])
    beyond = np.where(begins, coverage_factor(_BEDS_IN, free - 1), coverage_factor(_STANDS_OUT, free - 1))
    place = int(np.argmax(far / beyond))
    if far[place] <= beyond[place]:
        return None
    return place, "bed_in" if begins[place] else "stands_out"


def _from_means(x: Floats, y: Floats, levels: Floats) -> tuple[Floats, Floats]:
    """Both from the means of their levels."""
    off_x, off_y = x.copy(), y.copy()
    for level in np.unique(levels):
        here = levels == level
        off_x[here] -= x[here].mean()
        off_y[here] -= y[here].mean()
    return off_x, off_y


def told_from_level(line: Regression, confidence: float) -> bool:
    """Whether the slope can be told from a level line."""
    return abs(line.slope) > coverage_factor(confidence, line.dof) * line.s / sqrt(line.spread)
