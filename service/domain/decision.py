"""The decision on one value against its limits: simple acceptance or guard bands, with the probability of conformity.

Rules of this file: the outcome is decided with exact decimals; a mean of n is judged as a sum against n times
the limit. The probability is only shown, so it may be a float.
"""

from decimal import Decimal, localcontext
from math import erfc, sqrt
from typing import Literal

from msgspec import Struct

from service.domain.quantity import EXACT
from service.domain.uncertainty import NEAR

Decided = Literal["conforming", "nonconforming", "undecided"]
RuleName = Literal["simple", "guarded"]


class Interval(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Limits in the unit of the value; an open side is None."""

    lower: Decimal | None
    upper: Decimal | None


class Decision(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What was decided. `outside` compares with the limits themselves, whatever the rule.

    `acceptance` is the interval within which the rule accepts: None where the rule is simple (it is the
    limits) or u is unknown. Guard bands wider than the interval leave it empty, lower above upper.
    """

    outcome: Decided
    outside: bool
    acceptance: Interval | None
    probability_of_conformity: str | None


def decide(
    *,
    total: Decimal,
    divisor: int = 1,
    u: Decimal | None,
    lower: Decimal | None,
    upper: Decimal | None,
    rule: RuleName,
    guard_factor: Decimal = Decimal(0),
) -> Decision:
    """Judges total/divisor against the limits, all in one unit; `u` is its standard uncertainty, None if unknown.

    simple: on or inside a limit conforms (JCGM 106:2012, 8.2). guarded: a band of guard_factor*u on each side
    of each limit; at least a band inside conforms, more than a band outside does not conform, in between is
    undecided (JCGM 106:2012, 8.3; ISO 14253-1). Without u a guarded rule decides nothing.
    """
    with localcontext(EXACT):
        band = Decimal(0) if rule == "simple" else None if u is None else guard_factor * u
        outside = _beyond(total, divisor, lower, upper, Decimal(0))
        outcome: Decided
        if band is None:
            outcome = "undecided"
        elif _beyond(total, divisor, lower, upper, band):
            outcome = "nonconforming"
        elif _beyond(total, divisor, lower, upper, -band):
            outcome = "undecided"
        else:
            outcome = "conforming"
        acceptance = None
        if rule == "guarded" and band is not None:
            acceptance = Interval(
                lower=None if lower is None else lower + band,
                upper=None if upper is None else upper - band,
            )
    probability = None
    if u is not None:
        y = NEAR.divide(total, Decimal(divisor))
        probability = f"{conformity_probability(y=y, u=u, lower=lower, upper=upper):.6f}"
    return Decision(outcome=outcome, outside=outside, acceptance=acceptance, probability_of_conformity=probability)


def conformity_probability(
    *, y: Decimal, u: Decimal, lower: Decimal | None = None, upper: Decimal | None = None
) -> float:
    """The probability that a normal quantity of estimate y and standard uncertainty u lies within the limits.

    One limit: JCGM 106:2012, 7.3.1; two: 7.4, equation 11. With u = 0 it is 1 on or inside the limits, else 0.
    """
    if u == 0:
        return 0.0 if _beyond(y, 1, lower, upper, Decimal(0)) else 1.0
    with localcontext(NEAR):
        below = None if lower is None else float((lower - y) / u)
        above = None if upper is None else float((upper - y) / u)
    if below is None:
        return 1.0 if above is None else _normal(above)
    if above is None:
        return _normal(-below)
    return _normal(above) - _normal(below)


def _beyond(total: Decimal, divisor: int, lower: Decimal | None, upper: Decimal | None, band: Decimal) -> bool:
    """Whether the value lies further than `band` outside a limit (a negative band: not that far inside)."""
    with localcontext(EXACT):
        return (lower is not None and total < (lower - band) * divisor) or (
            upper is not None and total > (upper + band) * divisor
        )


def _normal(z: float) -> float:
    """The standard normal distribution function."""
    return 0.5 * erfc(-z / sqrt(2))
