"""Plants made otherwise than the demo's, so that forecasts are not fitted to one simulator: five kinds of use.

Invented. They were looked at once while forecasts were made: that what no run tells is taken from shorter amounts
came of it. No constant was chosen by them.
"""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np

from service.demo.plant_use import Floats, ShownCount, Use
from tests.bench.foretold import Watched, seen

BEGIN = datetime(2024, 4, 1, tzinfo=UTC)
"""A Monday."""
WEEKS = 52


def _hours() -> tuple[Floats, Floats, Floats]:
    """Of each hour of the story: its week, its day of the week, its hour of the day."""
    number = np.arange(WEEKS * 168)
    return number // 168, number // 24 % 7, number % 24


def steady(random: np.random.Generator) -> Floats:
    """Two shifts, Poisson, weeks that differ by a sixth."""
    week, day, hour = _hours()
    level = random.gamma(40, 1 / 40, WEEKS)[week]
    return random.poisson(random.uniform(5, 80) * level * (day < 5) * (hour >= 6) * (hour < 22))


def bursty(random: np.random.Generator) -> Floats:
    """Round the clock, in runs of some hours with pauses between them."""
    _, day, _ = _hours()
    lasts = random.geometric(1 / random.uniform(3, 12), 8000)
    on = np.repeat(np.arange(8000) % 2 == 0, lasts)[: WEEKS * 168]
    return random.poisson(random.uniform(20, 150) * on * np.where(day < 6, 1.0, 0.3))


def rotating(random: np.random.Generator) -> Floats:
    """One shift that is early in one week and late in the next, with a day in fifteen lost."""
    week, day, hour = _hours()
    begin = np.where(week % 2 == 0, 6, 14)
    works = (random.random(WEEKS * 7) > 1 / 15)[np.arange(WEEKS * 168) // 24]
    return random.poisson(random.uniform(10, 60) * works * (day < 5) * (hour >= begin) * (hour < begin + 8))


def now_and_then(random: np.random.Generator) -> Floats:
    """Needed on two days in five, and then for jobs of very different length."""
    _, day, hour = _hours()
    job = (random.random(WEEKS * 7) < 0.4) * random.lognormal(0, 0.5, WEEKS * 7)
    return random.poisson(
        random.uniform(10, 60) * job[np.arange(WEEKS * 168) // 24] * (day < 5) * (hour >= 7) * (hour < 16)
    )


def drifting(random: np.random.Generator) -> Floats:
    """Three shifts, a level that wanders from week to week and does not come back, and a few days closed."""
    week, day, _ = _hours()
    level = np.exp(np.cumsum(random.normal(0, 0.07, WEEKS)))[week]
    opened = (random.random(WEEKS * 7) > 0.025)[np.arange(WEEKS * 168) // 24]
    return random.negative_binomial(4, 4 / (4 + np.maximum(random.uniform(10, 50) * level * opened * (day < 5), 1e-9)))


KINDS: dict[str, Callable[[np.random.Generator], Floats]] = {
    each.__name__.replace("_", " "): each for each in (steady, bursty, rotating, now_and_then, drifting)
}


def spindles_of(kind: str, seed: int, count: int) -> list[Watched]:
    """So many spindles of one kind, counters read every hour."""
    random = np.random.default_rng([seed, *kind.encode()])
    made = []
    for _ in range(count):
        use = Use(begin=BEGIN, before=np.concatenate([[0.0], np.cumsum(KINDS[kind](random))]))
        shown = ShownCount(start=int(random.integers(0, 90_000)), modulus=1_000_000, use=use)
        found, exchanged = seen(shown, timedelta(hours=1))
        made.append(Watched(hall="1", found=found, exchanged=exchanged, use=use))
    return made
