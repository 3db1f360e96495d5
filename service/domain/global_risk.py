"""Global risks (JCGM 106:2012, clause 9): what a way of accepting costs over all that a process makes.

The quantity and the error of measuring it are normal. Risks are only shown, so they are floats.
"""

from collections.abc import Callable, Iterable
from itertools import pairwise
from math import cos, exp, inf, pi, sqrt
from typing import Final

from msgspec import Struct

from service.domain.distribution import normal_cdf

_WIDEST: Final = 12.0
"""Standard deviations beyond which nothing is integrated: less than 1e-32 lies there."""
_STEPS: Final = (-8.0, -4.0, -2.0, -1.0, 0.0, 1.0, 2.0, 4.0, 8.0)
_NODES: Final = 10
_PARTS: Final = 4


class Span(Struct, frozen=True, kw_only=True):
    """From `lower` to `upper`, both of them in; an open side is infinite."""

    lower: float = -inf
    upper: float = inf

    def holds(self, value: float) -> bool:
        return self.lower <= value <= self.upper


class GlobalRisk(Struct, frozen=True, kw_only=True):
    """Of all items, the fractions accepted although they do not conform, rejected although they do, and conforming."""

    consumer_risk: float
    producer_risk: float
    conforming: float


def global_risk(*, mean: float, sd: float, u: float, tolerance: Span, acceptance: Span) -> GlobalRisk:
    """Consumer's and producer's risk (JCGM 106:2012, 9.5.3, equations 19 and 20).

    `mean` and `sd` describe the process, `u` is the standard uncertainty of measuring; neither is below zero.
    """
    conforming = _between(tolerance, mean, sd)
    if sd == 0:
        accepted = _accepted(acceptance, mean, u)
        inside = tolerance.holds(mean)
        return GlobalRisk(
            consumer_risk=0.0 if inside else accepted,
            producer_risk=1.0 - accepted if inside else 0.0,
            conforming=conforming,
        )

    def density(value: float) -> float:
        z = (value - mean) / sd
        return exp(-z * z / 2) / (sd * sqrt(2 * pi))

    consumer = producer = 0.0
    for low, high in _pieces(mean, sd, u, (tolerance, acceptance)):
        if tolerance.holds((low + high) / 2):
            producer += _integral(lambda value: density(value) * (1 - _accepted(acceptance, value, u)), low, high)
        else:
            consumer += _integral(lambda value: density(value) * _accepted(acceptance, value, u), low, high)
    return GlobalRisk(consumer_risk=consumer, producer_risk=producer, conforming=conforming)


def _between(limits: Span, mean: float, sd: float) -> float:
    """The probability that a normal value lies within limits."""
    if sd == 0:
        return float(limits.holds(mean))
    return normal_cdf((limits.upper - mean) / sd) - normal_cdf((limits.lower - mean) / sd)


def _accepted(acceptance: Span, value: float, u: float) -> float:
    """The probability that a measurement of this value is accepted; none where the interval is empty."""
    if acceptance.lower > acceptance.upper:
        return 0.0
    return _between(acceptance, value, u)


def _pieces(mean: float, sd: float, u: float, spans: Iterable[Span]) -> list[tuple[float, float]]:
    """The range of the process, cut where either factor changes quickly."""
    low, high = mean - _WIDEST * sd, mean + _WIDEST * sd
    edges = {edge for each in spans for edge in (each.lower, each.upper) if abs(edge) != inf}
    cuts = {edge + step * u for edge in edges for step in _STEPS} | {mean + step * sd for step in _STEPS}
    inside = sorted({low, high, *(cut for cut in cuts if low < cut < high)})
    return list(pairwise(inside))


def _integral(function: Callable[[float], float], low: float, high: float) -> float:
    """By ten points of Gauss and Legendre on each quarter."""
    step = (high - low) / _PARTS
    total = 0.0
    for part in range(_PARTS):
        middle, half = low + (part + 0.5) * step, step / 2
        total += half * sum(weight * function(middle + half * node) for node, weight in _LEGENDRE)
    return total


def _legendre(count: int) -> tuple[tuple[float, float], ...]:
    """Nodes and weights: the roots of the Legendre polynomial by Newton's method, from Tricomi's first guess."""
    found = []
    for number in range(1, count + 1):
        x = (1 - 1 / (8 * count**2) + 1 / (8 * count**3)) * cos(pi * (4 * number - 1) / (4 * count + 2))
        for _ in range(50):
            before, value = 1.0, x
            for degree in range(2, count + 1):
                before, value = value, ((2 * degree - 1) * x * value - (degree - 1) * before) / degree
            slope = count * (before - x * value) / (1 - x * x)
            x -= value / slope
        found.append((x, 2 / ((1 - x * x) * slope**2)))
    return tuple(found)


_LEGENDRE: Final = _legendre(_NODES)
