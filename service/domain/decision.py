"""The decision on one value against its limits, by a named rule, with the probability of conformity.

Rules of this file
- The outcome is decided with exact decimals; a mean of n is judged as a sum against n times the limit. Probabilities
  are only shown, so they may be floats.
- simple: on or inside a limit conforms (JCGM 106:2012, 8.2).
- guarded: a band of guard_factor u on each side of each limit (8.3).
- iso_14253_1: guarded by what the edition says: 1998 and 2013 a band of U = 2 u, 2017 the one-sided 95 % of a normal
  quantity, 1.65 u. Editions from memory; the wording of 2017 was not seen.
- ratio: simple acceptance by a measurement that is good enough, C_m = T/(4 u) at least `ratio` (7.6.2; the N:1 rule of
  ASME B89.7.3.1); by one that is not, or against one limit alone, nothing is decided.
"""

import re
from decimal import Decimal, localcontext
from typing import Final, Literal

from msgspec import Struct

from service.domain.distribution import normal_cdf
from service.domain.quantity import EXACT
from service.domain.uncertainty import NEAR

Decided = Literal["conforming", "nonconforming", "undecided"]
RuleName = Literal["simple", "guarded", "iso_14253_1", "ratio"]

GUARD_OF_EDITION: Final = {"1998": Decimal(2), "2013": Decimal(2), "2017": Decimal("1.65")}
"""ISO 14253-1, by the year of its edition: the factor on u of the band that the rule keeps from each limit."""


class Interval(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Limits in the unit of the value; an open side is None."""

    lower: Decimal | None
    upper: Decimal | None


class Decision(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What was decided. `outside` compares with the limits themselves, whatever the rule.

    `acceptance` is the interval within which the rule accepts: None where that is the limits, or u is unknown. Guard
    bands wider than the interval leave it empty, lower above upper. `consumer_risk` is the specific risk of accepting
    this value: that it does not conform (JCGM 106:2012, 9.3.2).
    """

    outcome: Decided
    outside: bool
    acceptance: Interval | None
    probability_of_conformity: str | None
    consumer_risk: str | None


def decide(
    *,
    total: Decimal,
    divisor: int = 1,
    u: Decimal | None,
    lower: Decimal | None,
    upper: Decimal | None,
    rule: RuleName,
    edition: str = "",
    guard_factor: Decimal = Decimal(0),
    ratio: Decimal | None = None,
) -> Decision:
    """Judges total/divisor against the limits, all in one unit; `u` is its standard uncertainty, None if unknown.

    With a guard band: at least a band inside conforms, more than a band outside does not conform, in between is
    undecided. Without u only a simple rule decides.
    """
    factor = guard_of(rule, edition, guard_factor)
    with localcontext(EXACT):
        band = Decimal(0) if factor is None else None if u is None else factor * u
        outside = _beyond(total, divisor, lower, upper, Decimal(0))
        outcome: Decided
        if band is None or (rule == "ratio" and not is_good_enough(u, lower, upper, ratio)):
            outcome = "undecided"
        elif _beyond(total, divisor, lower, upper, band):
            outcome = "nonconforming"
        elif _beyond(total, divisor, lower, upper, -band):
            outcome = "undecided"
        else:
            outcome = "conforming"
        acceptance = None
        if factor is not None and band is not None:
            acceptance = Interval(
                lower=None if lower is None else lower + band,
                upper=None if upper is None else upper - band,
            )
    probability = None if u is None else _conformity(total, divisor, u, lower, upper)
    return Decision(
        outcome=outcome,
        outside=outside,
        acceptance=acceptance,
        probability_of_conformity=None if probability is None else f"{probability:.6f}",
        consumer_risk=None if probability is None else f"{1 - probability:.6f}",
    )


def guard_of(rule: RuleName, edition: str, guard_factor: Decimal) -> Decimal | None:
    """The factor on u of the rule's guard band, None where the rule has none."""
    if rule == "guarded":
        return guard_factor
    if rule != "iso_14253_1":
        return None
    year = edition_year(edition)
    assert year is not None, edition
    return GUARD_OF_EDITION[year]


def edition_year(edition: str) -> str | None:
    """The year of an edition of ISO 14253-1, None where it names none that is known, or more than one."""
    years = set(re.findall(r"(?<!\d)\d{4}(?!\d)", edition)) & GUARD_OF_EDITION.keys()
    return years.pop() if len(years) == 1 else None


def capability(u: Decimal, lower: Decimal, upper: Decimal) -> Decimal:
    """The measurement capability index C_m = T/(4 u) (JCGM 106:2012, 7.6.2)."""
    return NEAR.divide(NEAR.subtract(upper, lower), NEAR.multiply(Decimal(4), u))


def is_good_enough(u: Decimal | None, lower: Decimal | None, upper: Decimal | None, ratio: Decimal | None) -> bool:
    """Whether C_m = T/(4 u) is at least the ratio; not where a limit or u is missing."""
    if u is None or lower is None or upper is None or ratio is None:
        return False
    with localcontext(EXACT):
        return u * 4 * ratio <= upper - lower


def _conformity(total: Decimal, divisor: int, u: Decimal, lower: Decimal | None, upper: Decimal | None) -> float:
    y = NEAR.divide(total, Decimal(divisor))
    return conformity_probability(y=y, u=u, lower=lower, upper=upper)


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
        return 1.0 if above is None else normal_cdf(above)
    if above is None:
        return normal_cdf(-below)
    return normal_cdf(above) - normal_cdf(below)


def _beyond(total: Decimal, divisor: int, lower: Decimal | None, upper: Decimal | None, band: Decimal) -> bool:
    """Whether the value lies further than `band` outside a limit (a negative band: not that far inside)."""
    with localcontext(EXACT):
        return (lower is not None and total < (lower - band) * divisor) or (
            upper is not None and total > (upper + band) * divisor
        )
