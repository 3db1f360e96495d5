"""Repeated failures of one thing that is put right each time: the power law (Crow-AMSAA), and tests for a trend.

Times are cumulative: running time since the beginning, at each failure. Either the watch ended at a stated time, or
with the last failure.
"""

from math import comb, erfc, exp, lgamma, log, sqrt
from typing import Final

import numpy as np
from msgspec import Struct

from service.domain.distribution import chi_square_cdf, chi_square_quantile, incomplete_gamma, normal_quantile
from service.domain.monotone import at_least_by_chance
from service.domain.question import Floats, QuestionRefused

FEWEST: Final = 3
"""Two failures leave the unbiased estimate of a watch that ended with the last without a degree of freedom."""
_LOG_MAX: Final = 690.0
_REACH: Final = 9.0
_PIECES: Final = 8
_NODES: Final = 16


class Watched(Struct, frozen=True, kw_only=True):
    """Failures in order, and the end of the watch. `to_failure` where it ended with the last failure."""

    times: Floats
    end: float
    to_failure: bool

    @property
    def n(self) -> int:
        return len(self.times)

    @property
    def free(self) -> int:
        """Failures whose times are left to chance, the end being given."""
        return self.n - 1 if self.to_failure else self.n

    @property
    def logs(self) -> float:
        """The sum of log(end / time)."""
        return float(np.log(self.end / self.times).sum())


class PowerLaw(Struct, frozen=True, kw_only=True):
    """Expected failures by t: scale (lambda) times t to the power of shape (beta); `mtbf` is that at the end."""

    shape: float
    scale: float
    mtbf: float


class TrendTests(Struct, frozen=True, kw_only=True):
    """p are two-sided. `reversals` counts the pairs of gaps of which the later is longer; `reversals_p_exact` is None
    with equal gaps or more than sixty failures. A negative `laplace`, a large `chi_square` and many reversals say that
    failures grow rarer."""

    gaps: Floats
    reversals: int
    reversals_z: float
    reversals_p: float
    reversals_p_exact: float | None
    chi_square: float
    chi_square_dof: int
    chi_square_below: float
    chi_square_p: float
    laplace: float
    laplace_p: float


def watched(times: Floats, end: float, *, to_failure: bool) -> Watched:
    """Raises QuestionRefused for fewer than three failures, times that fall, or failures all at the end."""
    if len(times) < FEWEST:
        text = f"{len(times)} failures are too few: a power law needs {FEWEST} or more"
        raise QuestionRefused(text, pointer="/times")
    for place in range(1, len(times)):
        if times[place] < times[place - 1]:
            raise QuestionRefused("cumulative times never fall", pointer=f"/times/{place}")
    if times[-1] > end:
        raise QuestionRefused("a failure lies after the end", pointer=f"/times/{len(times) - 1}")
    if times[0] == end:
        raise QuestionRefused("all failures are at the end: no course can be told", pointer="/times")
    return Watched(times=times, end=end, to_failure=to_failure)


def fit_power_law(seen: Watched, *, unbiased: bool = False) -> PowerLaw:
    """Maximum likelihood (Crow, 1974; MIL-HDBK-189, appendix C), or with the bias of the shape taken out.

    The shape is n divided by the sum of log(end / time); unbiased it is n - 1 by that (n - 2 where the watch ended
    with a failure): the modified maximum likelihood of the e-Handbook, 8.4.5.
    Raises QuestionRefused where the scale is beyond floats.
    """
    shape = (seen.free - 1 if unbiased else seen.n) / seen.logs
    log_scale = log(seen.n) - shape * log(seen.end)
    if abs(log_scale) > _LOG_MAX:
        raise QuestionRefused("the failures lie too close to the end: no course can be told", pointer="/times")
    scale = exp(log_scale)
    return PowerLaw(shape=shape, scale=scale, mtbf=seen.end / (seen.n * shape))


def shape_bounds(seen: Watched, confidence: float) -> tuple[float, float]:
    """Exact: 2 n shape / estimate is chi-square with 2 n degrees of freedom, 2 (n - 1) to a failure (Crow, 1974)."""
    outside, dof = (1 - confidence) / 2, 2 * seen.free
    low, high = (chi_square_quantile(p, dof) / (2 * seen.logs) for p in (outside, 1 - outside))
    return low, high


def mtbf_bounds(seen: Watched, confidence: float) -> tuple[float, float | None]:
    """Of the mean time between failures at the end.

    Ended at a time: the approximation that the e-Handbook uses for its modified estimate (8.4.5; the formula as
    read in a script in its form); it has no upper bound for very few failures. Ended with a failure: exact, the
    estimate by the true value times n squared is the product of two gamma values, of n and n - 1 (Lee and Lee, 1978).
    """
    n, estimate = seen.n, seen.end * seen.logs / seen.n**2
    if seen.to_failure:
        outside = (1 - confidence) / 2
        high, low = (_gamma_product_quantile(n, p) for p in (outside, 1 - outside))
        return estimate * n**2 / low, estimate * n**2 / high
    z = normal_quantile(0.5 + confidence / 2)
    below = n + z * z / 4 + sqrt(n * z * z / 2 + z**4 / 16)
    above = n - z * sqrt(n / 2)
    return estimate * (n / below) ** 2, None if above <= 0 else estimate * (n / above) ** 2


def cramer_von_mises(seen: Watched) -> float:
    """How far the failures lie from the fitted law, by its unbiased shape (MIL-HDBK-189, appendix C)."""
    m, shape = seen.free, (seen.free - 1) / seen.logs
    fitted = (seen.times[:m] / seen.end) ** shape
    steps = (2 * np.arange(1, m + 1) - 1) / (2 * m)
    return 1 / (12 * m) + float(((fitted - steps) ** 2).sum())


def trend_tests(seen: Watched) -> TrendTests:
    """Reverse arrangement, military handbook and Laplace (e-Handbook 8.2.3.4; MIL-HDBK-189)."""
    n, m = seen.n, seen.free
    gaps = np.diff(seen.times, prepend=0.0)
    reversals = sum(int((gaps[place + 1 :] > gaps[place]).sum()) for place in range(n - 1))
    off = reversals - n * (n - 1) / 4
    sigma = sqrt((2 * n + 5) * (n - 1) * n / 72)
    # The handbook adds one half to the count whichever way it lies; so does z, for its figures to come out. p takes
    # the half towards the middle.
    z, towards = (off + 0.5) / sigma, max(abs(off) - 0.5, 0.0) / sigma
    exact = None if len(np.unique(gaps)) < n else at_least_by_chance(n, abs(2 * reversals - comb(n, 2)))
    chi_square = 2 * float(np.log(seen.end / seen.times[:m]).sum())
    below = chi_square_cdf(chi_square, 2 * m)
    laplace = sqrt(12 * m) * (float((seen.times[:m] / seen.end).mean()) - 0.5)
    return TrendTests(
        gaps=gaps,
        reversals=reversals,
        reversals_z=z,
        reversals_p=_two_sided(towards),
        reversals_p_exact=None if exact is None else min(1.0, 2 * exact),
        chi_square=chi_square,
        chi_square_dof=2 * m,
        chi_square_below=below,
        chi_square_p=min(1.0, 2 * min(below, 1 - below)),
        laplace=laplace,
        laplace_p=_two_sided(laplace),
    )


def _two_sided(z: float) -> float:
    return erfc(abs(z) / sqrt(2))


def _gamma_product_quantile(n: int, p: float) -> float:
    """The value that the product of independent gamma values, of n and of n - 1, stays below with probability p."""
    a = n - 1
    spread = 1 / sqrt(a)
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    # Over the logarithm of the smaller gamma value, from where it is next to nothing to where it is again.
    low, high = log(a) - _REACH * spread - 6 / a, log(a) + _REACH * spread
    edges = np.linspace(low, high, _PIECES + 1)
    places = ((edges[1:] + edges[:-1])[:, None] + (edges[1:] - edges[:-1])[:, None] * nodes) / 2
    masses = ((edges[1:] - edges[:-1])[:, None] / 2 * weights).ravel()
    logs = places.ravel()
    masses = masses * np.exp(a * logs - np.exp(logs) - lgamma(a))

    def below(log_value: float) -> float:
        return sum(
            float(mass) * incomplete_gamma(n, exp(min(log_value - float(at), 700.0)))
            for mass, at in zip(masses, logs, strict=True)
            if mass > 1e-18
        )

    start, end = 2 * low - 2, 2 * high + 2
    while end - start > 1e-10:
        middle = (start + end) / 2
        start, end = (middle, end) if below(middle) < p else (start, middle)
    return exp((start + end) / 2)
