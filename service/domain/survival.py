"""Life from failures and lives that were cut short, without a distribution: Kaplan and Meier, and adjusted ranks.

A life that was cut short (censored) had not failed by then. At one life, failures count before what was cut short.
"""

from math import exp, log, sqrt

import numpy as np
from msgspec import Struct

from service.domain.distribution import normal_quantile
from service.domain.question import Floats


class Step(Struct, frozen=True, kw_only=True):
    """The share that lives beyond `life`, with bounds; None where Greenwood's variance has none (all have failed)."""

    life: float
    at_risk: int
    failures: int
    survival: float
    lower: float | None
    upper: float | None


def kaplan_meier(
    failures: Floats, censored: Floats, confidence: float, entered: Floats | None = None
) -> tuple[Step, ...]:
    """The share surviving after each life at which something failed (Kaplan and Meier, 1958).

    `entered` has the ages above zero at which lives came under watch: before them they are not at risk.

    Bounds by Greenwood's variance of log(-log S), so that they stay within 0 and 1 (Kalbfleisch and Prentice).
    """
    z = normal_quantile(0.5 + confidence / 2)
    lives, counts = np.unique(failures, return_counts=True)
    begun = len(failures) + len(censored)
    gone_failed = np.searchsorted(np.sort(failures), lives, side="left")
    gone_censored = np.searchsorted(np.sort(censored), lives, side="left")
    survival, greenwood = 1.0, 0.0
    steps = []
    if entered is not None:
        gone_censored = gone_censored + len(entered) - np.searchsorted(np.sort(entered), lives, side="left")
    for life, failed, gone in zip(lives, counts, gone_failed + gone_censored, strict=True):
        at_risk = begun - int(gone)
        survival *= 1 - int(failed) / at_risk
        lower = upper = None
        if at_risk > failed:
            greenwood += int(failed) / (at_risk * (at_risk - int(failed)))
            half = z * sqrt(greenwood) / abs(log(survival))
            lower, upper = survival ** exp(half), survival ** exp(-half)
        else:
            survival = 0.0
        steps.append(
            Step(life=float(life), at_risk=at_risk, failures=int(failed), survival=survival, lower=lower, upper=upper)
        )
    return tuple(steps)


def adjusted_ranks(failures: Floats, censored: Floats) -> list[float]:
    """The rank of each failure, in order of life, moved up by what was cut short before it.

    Each is the one before plus (N + 1 - the one before) / (1 + those not yet gone): Johnson (1964), as in Abernethy,
    The New Weibull Handbook, chapter 2.
    """
    total = len(failures) + len(censored)
    ordered, cut = np.sort(failures), np.sort(censored)
    ranks, rank = [], 0.0
    for place, life in enumerate(ordered):
        left = total - place - int(np.searchsorted(cut, life, side="left"))
        rank += (total + 1 - rank) / (1 + left)
        ranks.append(rank)
    return ranks


def median_ranks(ranks: list[float], total: int) -> list[float]:
    """The share failed by each failure: Benard's approximation, (rank - 0.3) / (N + 0.4)."""
    return [(rank - 0.3) / (total + 0.4) for rank in ranks]
