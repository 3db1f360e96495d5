"""Kits that a plan needs: rebuilds to come by the rate of those of the past, and how many cover most courses of it."""

from math import exp, lgamma, log

from msgspec import Struct

SERVICE_LEVEL = 0.9


class KitsNeeded(Struct, frozen=True, kw_only=True):
    """`waiting` spindles need a set now; `expected` is how many more are rebuilt on average; `needed` covers both in
    `service_level` of all courses.
    """

    waiting: int
    expected: float
    needed: int
    service_level: float
    method: str


def kits_needed(rebuilds: int, seen_weeks: float, weeks: float, *, waiting: int) -> KitsNeeded:
    """Kits for `weeks` to come, after so many `rebuilds` in `seen_weeks` of the past.

    The rate has the gamma posterior of Jeffreys' prior, so that what is to come is negative binomial (Gelman and
    others, Bayesian Data Analysis, section 2.6): few rebuilds seen leave much open. Raises ValueError where nothing
    was seen of.
    """
    if seen_weeks <= 0 or weeks <= 0 or rebuilds < 0:
        raise ValueError("weeks seen and weeks to come are above zero, rebuilds zero or more")
    shape, part = rebuilds + 0.5, weeks / (weeks + seen_weeks)
    total, most = 0.0, 0
    while True:
        total += exp(lgamma(shape + most) - lgamma(shape) - lgamma(most + 1) + shape * log(1 - part) + most * log(part))
        if total >= SERVICE_LEVEL or most >= 100_000:
            break
        most += 1
    return KitsNeeded(
        waiting=waiting,
        expected=shape * weeks / seen_weeks,
        needed=waiting + most,
        service_level=SERVICE_LEVEL,
        method="rebuilds of the last year, negative binomial prediction",
    )
