"""Draw forces one after another: what each was expected to be, and how far off it came out.

The model: a level that wanders a little, wear in proportion to the count, and dryness that grows with the cycles since
greasing and levels out: y = m - b x - A (1 - exp(-d/T)). For each of some T and standard deviations of one measurement
m, b and A are followed by a Kalman filter; their predictions are weighted by how well they did (Bayes). Each force is
turned into the normal value of its chance under what was predicted before it (Dawid, 1984; Rosenblatt, 1952), so that
charts of independent normal values, and their run lengths, hold. Scales and priors are ours, in percent of the force.
"""

from collections.abc import Sequence
from datetime import datetime
from math import erfc, sqrt
from typing import Final

import numpy as np
from msgspec import Struct

from service.domain.distribution import normal_quantile
from service.domain.question import Floats

DRY_CYCLES: Final = (5_000.0, 15_000.0, 40_000.0, 100_000.0)
"""Cycles in which dryness takes two thirds of what it takes in the end."""
_SCALES: Final = (0.35, 0.7, 1.0, 1.5, 2.2, 3.5)
_SCALE_WEIGHTS: Final = (0.05, 0.2, 0.3, 0.25, 0.15, 0.05)
UNSTATED: Final = 0.7
"""Percent of the force that one measurement scatters by where its gauge states nothing."""
LEAST: Final = 0.15
"""Percent below which no scatter is believed, whatever is stated: two equal readings are no proof of none."""
# Wear in percent per 10,000 cycles and per year, what dryness takes in the end: what is usual, and how it varies.
_WEAR, _WEAR_U = 0.3, 0.3
_AGE, _AGE_U = 2.0, 4.0
_DRY, _DRY_U = 2.5, 2.5
_LEVEL_U: Final = 30.0
_SHORT: Final = 0.05
_IDLE: Final = 2.0
_WANDER: Final = 0.2
"""How far the level wanders from one measurement to the next, in standard deviations of a measurement."""
_FURTHEST: Final = 8.0


class Pull(Struct, frozen=True, kw_only=True):
    """One draw force: `count` and cycles since greasing (`dry`), N, its own standard uncertainty in N where stated.

    `level` changes with whatever may have moved the force; `fresh` where the set is new, so that it wears anew. `gauge`
    is the gauge with its calibration, `common` what that may be wrong by alike for all it measures (N, standard).
    """

    count: int
    time: datetime
    dry: int
    force: float
    u: float | None
    level: int
    fresh: bool = False
    gauge: str | None = None
    common: float = 0.0


class Followed(Struct, frozen=True, kw_only=True):
    """Of each force: its normal value (0 for the first of a level), and what was expected, with its standard deviation.

    `dryness` is by how much it was lowered, as is known at the end; `sigma` what one measurement scatters by. All in N.
    """

    z: tuple[float, ...]
    expected: tuple[float, ...]
    spread: tuple[float, ...]
    dryness: tuple[float, ...]
    sigma: float


def follow(pulls: Sequence[Pull]) -> Followed:
    """Goes through forces of one spindle in their order. At least one; forces above zero."""
    unit, stated = pulls[0].force / 100, _stated(pulls)
    scales = np.repeat(np.array(_SCALES), len(DRY_CYCLES))
    times = np.tile(np.array(DRY_CYCLES), len(_SCALES))
    weights = np.log(np.repeat(np.array(_SCALE_WEIGHTS), len(DRY_CYCLES)) / len(DRY_CYCLES))
    wear_u = _WEAR_U + _AGE_U * (aged := _years_of_10k(pulls))
    mean, cov = _begun(len(scales), _WEAR + _AGE * aged, wear_u)
    sigma = scales * stated / unit
    z, expected, spread = [], [], []
    for place, pull in enumerate(pulls):
        begins = place == 0 or pull.level != pulls[place - 1].level
        if begins and place:
            cov = _level_again(cov, wear_u if pull.fresh else 0.0, _DRY_U if pull.fresh else 0.0)
        elif place and pull.gauge != pulls[place - 1].gauge:
            cov[:, 0, 0] += (pull.common**2 + pulls[place - 1].common ** 2) / unit**2
        row = np.stack([np.ones_like(times), np.full_like(times, -pull.count / 10_000), -_dried(pull.dry, times)], 1)
        cov[:, 0, 0] += (_WANDER * sigma) ** 2
        gain = np.einsum("kij,kj->ki", cov, row)
        variance = np.einsum("kj,kj->k", gain, row) + sigma**2
        predicted = np.einsum("kj,kj->k", mean, row)
        off = pull.force / unit - predicted
        share = np.exp(weights - weights.max())
        share /= share.sum()
        middle = float(share @ predicted)
        expected.append(middle * unit)
        spread.append(unit * sqrt(float(share @ (variance + (predicted - middle) ** 2))))
        z.append(0.0 if begins else _normal(share, off / np.sqrt(variance)))
        if not begins:
            weights = weights - np.log(variance) / 2 - off**2 / variance / 2
        mean = mean + gain * (off / variance)[:, None]
        cov = cov - np.einsum("ki,kj->kij", gain, gain) / variance[:, None, None]
    share = np.exp(weights - weights.max())
    share /= share.sum()
    takes = np.maximum(mean[:, 2], 0.0)
    return Followed(
        z=tuple(z),
        expected=tuple(expected),
        spread=tuple(spread),
        dryness=tuple(unit * float(share @ (takes * _dried(pull.dry, times))) for pull in pulls),
        sigma=stated * float(share @ scales),
    )


def _stated(pulls: Sequence[Pull]) -> float:
    """What the gauges say one measurement scatters by, in N, over all of them."""
    known = [pull.u for pull in pulls if pull.u is not None]
    stated = sqrt(sum(u * u for u in known) / len(known)) if known else UNSTATED * pulls[0].force / 100
    return max(stated, LEAST * pulls[0].force / 100)


def _years_of_10k(pulls: Sequence[Pull]) -> float:
    """The years in which this spindle makes 10,000 cycles: what little runs may age all the same."""
    years = (pulls[-1].time - pulls[0].time).total_seconds() / (365 * 86_400)
    cycles = max(each.count for each in pulls) - min(each.count for each in pulls)
    return 0.0 if years < _SHORT else min(years / max(cycles / 10_000, 1e-3), _IDLE)


def _begun(filters: int, wear: float, wear_u: float) -> tuple[Floats, Floats]:
    mean = np.tile(np.array([100.0, wear, _DRY]), (filters, 1))
    cov = np.tile(np.diag([_LEVEL_U**2, wear_u**2, _DRY_U**2]), (filters, 1, 1))
    return mean, cov


def _level_again(cov: Floats, wear_u: float, dry_u: float) -> Floats:
    """The level no longer known; a new set wears, and dries, by about as much as the one before it."""
    cov = cov.copy()
    cov[:, 0, :] = 0.0
    cov[:, :, 0] = 0.0
    cov[:, 0, 0] = _LEVEL_U**2 * 100
    cov[:, 1, 1] += wear_u**2 / 4
    cov[:, 2, 2] += dry_u**2 / 4
    return cov


def _dried(cycles: int, times: Floats) -> Floats:
    found: Floats = 1 - np.exp(-max(cycles, 0) / times)
    return found


def _normal(share: Floats, off: Floats) -> float:
    """The normal value of the same chance as the predictions, mixed by their shares, give to so little or less."""
    below = sum(float(part) * erfc(-float(each) / sqrt(2)) / 2 for part, each in zip(share, off, strict=True))
    above = sum(float(part) * erfc(float(each) / sqrt(2)) / 2 for part, each in zip(share, off, strict=True))
    least = erfc(_FURTHEST / sqrt(2)) / 2
    if below < above:
        return max(normal_quantile(max(below, least)), -_FURTHEST)
    return -normal_quantile(max(above, least))
