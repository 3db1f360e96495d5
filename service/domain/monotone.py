"""Does a series rise or fall, and how steeply: Mann-Kendall's test and the line of Theil and Sen.

Both look only at pairs of points, so that single wild values do not carry them. Points at one x are not compared.
"""

from functools import cache
from itertools import accumulate
from math import comb, erfc, factorial, sqrt
from typing import Final

import numpy as np
from msgspec import Struct

from service.domain.distribution import normal_quantile
from service.domain.question import Floats, QuestionRefused

FEWEST: Final = 4
"""With three points even the steepest order comes about by chance once in six (1/3!): no trend can be told."""
EXACT_UP_TO: Final = 60
"""Points up to which the distribution of S is counted out; beyond, the normal approximation holds to four digits."""


class MannKendall(Struct, frozen=True, kw_only=True):
    """S is the pairs that rise minus those that fall. `p_exact` is None with ties, or with more than sixty points.

    p are two-sided; `p_one_sided` is the chance of an S at least so far on its own side. `tau_a` is S by all pairs,
    `tau_b` S by the pairs without ties (Kendall).
    """

    n: int
    s: int
    rising: int
    falling: int
    level: int
    variance: float
    z: float
    p: float
    p_one_sided: float
    p_exact: float | None
    p_exact_one_sided: float | None
    tau_a: float
    tau_b: float


class TheilSen(Struct, frozen=True, kw_only=True):
    """The median of the slopes of all pairs. An end of the interval is None where no pair is far enough out."""

    slope: float
    intercept: float
    lower: float | None
    upper: float | None


def check_series(x: Floats, y: Floats) -> None:
    """Raises QuestionRefused where a trend cannot be told: too few points, all at one x, or all y equal."""
    if len(y) < FEWEST:
        text = f"a trend needs {FEWEST} points or more: the order of fewer comes about by chance too often"
        raise QuestionRefused(text, pointer="/y")
    if (x == x[0]).all():
        raise QuestionRefused("all points are at one x", pointer="/x")
    if (y == y[0]).all():
        raise QuestionRefused("all values are equal: there is nothing that could rise or fall", pointer="/y")


def mann_kendall(x: Floats, y: Floats) -> MannKendall:
    """Mann-Kendall's test against x in any order (Mann, 1945; Kendall, 1975), z corrected for continuity.

    The variance is that of Kendall's S with ties in either (Kendall, Rank Correlation Methods, 4th ed., 4.9 and 5.3;
    from memory). Raises QuestionRefused as `check_series` does.
    """
    check_series(x, y)
    n = len(y)
    rising = falling = 0
    for place in range(n - 1):
        signs = np.sign(x[place + 1 :] - x[place]) * np.sign(y[place + 1 :] - y[place])
        rising += int((signs > 0).sum())
        falling += int((signs < 0).sum())
    s, pairs = rising - falling, comb(n, 2)
    ties_x, ties_y = _ties(x), _ties(y)
    variance = _variance(n, ties_x, ties_y)
    z = 0.0 if s == 0 else (abs(s) - 1) / sqrt(variance) * (1 if s > 0 else -1)
    exact = None if ties_x or ties_y or n > EXACT_UP_TO else _at_least(n, abs(s))
    tied = [sum(comb(size, 2) for size in ties) for ties in (ties_x, ties_y)]
    return MannKendall(
        n=n,
        s=s,
        rising=rising,
        falling=falling,
        level=pairs - rising - falling,
        variance=variance,
        z=z,
        p=erfc(abs(z) / sqrt(2)),
        p_one_sided=erfc(abs(z) / sqrt(2)) / 2,
        p_exact=None if exact is None else min(1.0, 2 * exact),
        p_exact_one_sided=exact,
        tau_a=s / pairs,
        tau_b=s / sqrt((pairs - tied[0]) * (pairs - tied[1])),
    )


def theil_sen(x: Floats, y: Floats, confidence: float = 0.95) -> TheilSen:
    """The median slope (Theil, 1950; Sen, 1968) and its interval; intercept: median y - slope times median x.

    The interval is by the ordered slopes (Hollander and Wolfe, Nonparametric Statistical Methods, 9.3; from memory):
    with the exact distribution of S up to sixty points without ties, else with its variance. Raises QuestionRefused
    as `check_series` does.
    """
    check_series(x, y)
    slopes = np.sort(_slopes(x, y))
    slope = float(np.median(slopes))
    ties_x, ties_y = _ties(x), _ties(y)
    outside = (1 - confidence) / 2
    if not ties_x and not ties_y and len(y) <= EXACT_UP_TO:
        c = _critical(len(y), outside)
        low = (len(slopes) - c) // 2 - 1 if c is not None else -1
        high = len(slopes) - 1 - low
    else:
        half = normal_quantile(1 - outside) * sqrt(_variance(len(y), ties_x, ties_y))
        low = round((len(slopes) - half) / 2) - 1
        high = round((len(slopes) + half) / 2)
    inside = low >= 0 and high < len(slopes)
    return TheilSen(
        slope=slope,
        intercept=float(np.median(y)) - slope * float(np.median(x)),
        lower=float(slopes[low]) if inside else None,
        upper=float(slopes[high]) if inside else None,
    )


def _slopes(x: Floats, y: Floats) -> Floats:
    """Of every pair at two different x."""
    order = np.argsort(x, kind="stable")
    x, y = x[order], y[order]
    found = []
    for place in range(len(x) - 1):
        apart = x[place + 1 :] - x[place]
        there = apart > 0
        found.append((y[place + 1 :][there] - y[place]) / apart[there])
    return np.concatenate(found)


def _ties(values: Floats) -> list[int]:
    """How many values are alike, of each value that stands more than once."""
    return [int(size) for size in np.unique(values, return_counts=True)[1] if size > 1]


def _variance(n: int, ties_x: list[int], ties_y: list[int]) -> float:
    whole = n * (n - 1) * (2 * n + 5)
    for ties in (ties_x, ties_y):
        whole -= sum(size * (size - 1) * (2 * size + 5) for size in ties)
    pairs = [sum(size * (size - 1) for size in ties) for ties in (ties_x, ties_y)]
    triples = [sum(size * (size - 1) * (size - 2) for size in ties) for ties in (ties_x, ties_y)]
    return whole / 18 + pairs[0] * pairs[1] / (2 * n * (n - 1)) + triples[0] * triples[1] / (9 * n * (n - 1) * (n - 2))


@cache
def _orders(n: int) -> tuple[int, ...]:
    """How many orders of n have each number of pairs that fall (Mann, 1945)."""
    counts = [1]
    for size in range(2, n + 1):
        sums = [0, *accumulate(counts)]
        length = len(counts) + size - 1
        counts = [sums[min(place + 1, len(counts))] - sums[max(0, place + 1 - size)] for place in range(length)]
    return tuple(counts)


def _at_least(n: int, s: int) -> float:
    """The chance that S is s or more where every order is alike likely."""
    counts, pairs = _orders(n), comb(n, 2)
    return sum(counts[: (pairs - s) // 2 + 1]) / factorial(n)


@cache
def _critical(n: int, outside: float) -> int | None:
    """C of Hollander and Wolfe: two less than the smallest S that chance reaches at most so often; or None."""
    s = comb(n, 2)
    if _at_least(n, s) > outside:
        return None
    while _at_least(n, s - 2) <= outside:
        s -= 2
    return s - 2


def at_least_by_chance(n: int, s: int) -> float | None:
    """The exact chance of S >= s among n different values, None for more values than are counted out."""
    return None if n > EXACT_UP_TO else _at_least(n, s)
