"""When to replace what wears before it fails: at a fixed age, or at fixed intervals with small repairs in between.

Lives are Weibull. A planned replacement costs less than a failure, or it never pays.
"""

from math import exp, gamma, log
from typing import Final

from service.domain.distribution import incomplete_gamma
from service.domain.weibull import Weibull

NEVER_BELOW: Final = 1e-9
"""Where fewer than this share would live to be replaced, replacing at that age is running to failure."""
_RARE: Final = 1e-9


def mean_life_to(weibull: Weibull, age: float) -> float:
    """The mean running time until failure or this age, whichever comes first."""
    power, hazards = 1 / weibull.shape, weibull.hazards(age)
    if hazards < _RARE:
        # Where hardly anything fails; the gamma function's terms would underflow.
        return age * (1 - hazards / (weibull.shape + 1))
    return weibull.scale * gamma(1 + power) * incomplete_gamma(power, hazards)


def cost_rate(weibull: Weibull, age: float, planned: float, failure: float) -> float:
    """Cost per running time when replaced at this age or on failure (Barlow and Proschan, Mathematical Theory of
    Reliability, chapter 4)."""
    failed = weibull.failed(age)
    return (planned * (1 - failed) + failure * failed) / mean_life_to(weibull, age)


def run_to_failure_rate(weibull: Weibull, failure: float) -> float:
    return failure / weibull.mean


def best_age(weibull: Weibull, planned: float, failure: float) -> float | None:
    """The age of least cost; None where none is better than running to failure.

    The root of hazard(T) * mean_life_to(T) - failed(T) = planned / (failure - planned); the left side rises steadily
    from 0 for a shape above 1 and falls for one below, so nothing pays then, nor where planned costs no less.
    """
    if weibull.shape <= 1 or planned >= failure:
        return None
    wanted = planned / (failure - planned)

    def gain(log_age: float) -> float:
        age = weibull.scale * exp(log_age)
        return weibull.hazard(age) * mean_life_to(weibull, age) - weibull.failed(age) - wanted

    low, high = log(1e-12) / weibull.shape - 60, log(-log(NEVER_BELOW)) / weibull.shape
    if gain(high) < 0:
        return None
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        low, high = (middle, high) if gain(middle) < 0 else (low, middle)
    return weibull.scale * exp((low + high) / 2)


def best_block(weibull: Weibull, planned: float, repair: float) -> tuple[float, float] | None:
    """The interval, and its cost rate, when failures in between are only repaired and stay as old (Barlow and Hunter,
    1960, policy II; from memory): scale * (planned / (repair (shape - 1)))^(1 / shape). None for a shape of 1 or less.
    """
    if weibull.shape <= 1:
        return None
    interval = weibull.scale * exp(log(planned / (repair * (weibull.shape - 1))) / weibull.shape)
    return interval, (planned + repair * weibull.hazards(interval)) / interval


def ages(weibull: Weibull, best: float | None, count: int = 41) -> list[float]:
    """Ages to draw the cost over: evenly in ratio, from a fifth of the best age to five times (else of the scale)."""
    middle = weibull.scale if best is None else best
    return [middle * 5 ** (2 * place / (count - 1) - 1) for place in range(count)]
