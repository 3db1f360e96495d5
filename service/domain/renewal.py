"""Rebuilds to come: sets of known age and use, each replaced when it fails or for other reasons, again and again.

Rules of this file
- A set fails by its Weibull distribution given the age it has reached; for other reasons it is replaced at a constant
  rate, as often per running as was seen. Fit, rates and use are taken as certain: what they may be off by is not in it.
- Time goes by in steps; a set that fails in one is replaced at its end. How many rebuilds each spindle has is exact by
  convolution over these steps, and so is their sum over spindles up to a variance; beyond it the sum is normal.
"""

from math import ceil, sqrt
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from service.domain.distribution import normal_quantile
from service.domain.question import Floats
from service.domain.weibull import Weibull

STEPS_A_MONTH: Final = 4
DAYS_A_MONTH: Final = 365.25 / 12
_MOST: Final = 6
"""Rebuilds of one spindle beyond which the rest is counted as this many."""
_EXACT_TO: Final = 400.0
_PORTION: Final = 500
METHOD: Final = (
    "each running set by its Weibull distribution given its present age and its spindle's rate of use, other reasons "
    "at the constant rate seen; rebuilds of a spindle by convolution over quarters of a month, the sum over spindles "
    f"exact (Poisson binomial, by its characteristic function) up to a variance of {_EXACT_TO:.0f}, normal beyond; "
    "the fit, the rates and the use are taken as certain"
)


class Running(Struct, frozen=True, kw_only=True):
    """Sets that run: their ages, their use a day, and which have failed already and wait for their rebuild."""

    ages: Floats
    use: Floats
    waiting: NDArray[np.bool_]


class MonthExpected(Struct, frozen=True, kw_only=True):
    """Rebuilds expected within a month to come, until its end, and the kits that cover that share of courses."""

    month: int
    rebuilds: float
    rebuilds_until: float
    kits_until: int


def expected(
    weibull: Weibull, other_rate: float, running: Running, months: int, service_level: float
) -> list[MonthExpected]:
    """Month by month from now on, a month being a twelfth of a year. `other_rate` is per unit of running."""
    found, before = [], 0.0
    counts = [_counts(weibull, other_rate, _part(running, at), months) for at in range(0, len(running.ages), _PORTION)]
    every = np.concatenate(counts) if counts else np.zeros((0, months, _MOST + 1))
    numbers = np.arange(_MOST + 1)
    for month in range(months):
        shares = every[:, month, :]
        means = shares @ numbers
        mean, variance = float(means.sum()), float((shares @ numbers**2 - means**2).sum())
        kits = _quantile(shares, mean, max(variance, 0.0), service_level)
        found.append(MonthExpected(month=month + 1, rebuilds=mean - before, rebuilds_until=mean, kits_until=kits))
        before = mean
    return found


def _part(running: Running, at: int) -> Running:
    cut = slice(at, at + _PORTION)
    return Running(ages=running.ages[cut], use=running.use[cut], waiting=running.waiting[cut])


def _counts(weibull: Weibull, other_rate: float, running: Running, months: int) -> Floats:
    """The probabilities of 0, 1, … rebuilds of each spindle until the end of each month."""
    steps = months * STEPS_A_MONTH
    grid = np.arange(steps + 1) * (DAYS_A_MONTH / STEPS_A_MONTH)

    def survival(ages: Floats) -> Floats:
        ran = ages[:, None] + running.use[:, None] * grid
        log_hazards = weibull.shape * np.log(np.maximum(ran, 1e-12) / weibull.scale)
        hazards = np.exp(np.minimum(log_hazards, 600.0)) + other_rate * ran
        share: Floats = np.exp(-(hazards - hazards[:, :1]))
        return share

    new, old = survival(np.zeros_like(running.ages)), survival(running.ages)
    old = np.where(running.waiting[:, None], 0.0, old)
    fails_new = -np.diff(new, axis=1, prepend=1.0)
    fails_old = -np.diff(old, axis=1, prepend=1.0)
    found = np.zeros((len(running.ages), steps + 1, _MOST + 1))
    since_new = new
    found[:, :, 0] = old
    for number in range(1, _MOST + 1):
        if number == _MOST:
            found[:, :, number] = 1 - found[:, :, :number].sum(axis=2)
            break
        found[:, :, number] = _convolved(fails_old, since_new)
        since_new = _convolved(fails_new, since_new)
    return np.maximum(found[:, STEPS_A_MONTH::STEPS_A_MONTH, :], 0.0)


def _convolved(fails: Floats, then: Floats) -> Floats:
    """What follows a failure in each step, up to each step."""
    found = np.zeros_like(then)
    for step in range(then.shape[1]):
        found[:, step:] += fails[:, step, None] * then[:, : then.shape[1] - step]
    return found


def _quantile(shares: Floats, mean: float, variance: float, level: float) -> int:
    """The least number that the sum over spindles stays within with that probability."""
    if variance > _EXACT_TO:
        return max(ceil(mean + normal_quantile(level) * sqrt(variance) - 0.5), 0)
    size = 2 ** ceil(np.log2(mean + 12 * sqrt(variance) + 4 * _MOST))
    angles = np.exp(-2j * np.pi * np.arange(size) / size)
    powers = angles[:, None] ** np.arange(_MOST + 1)
    product = np.ones(size, dtype=complex)
    for at in range(0, len(shares), _PORTION):
        product *= np.prod(powers @ shares[at : at + _PORTION].T, axis=1)
    sums = np.cumsum(np.fft.ifft(product).real)
    return int(np.searchsorted(sums, level - 1e-12))
