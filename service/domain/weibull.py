"""The Weibull distribution: its functions, fits by maximum likelihood and by median ranks, and bounds.

Lives are above zero, failures or cut short (censored to the right). Everything is computed in logarithms from the
longest life, so that neither large lives nor steep shapes leave the range of floats.
"""

from collections.abc import Callable
from math import exp, expm1, gamma, inf, log, log1p, sqrt
from typing import Final

import numpy as np
from msgspec import Struct

from service.domain.distribution import chi_square_quantile, normal_quantile
from service.domain.question import Floats, QuestionRefused
from service.domain.survival import adjusted_ranks, median_ranks

FEWEST_FAILURES: Final = 3
"""Two failures fit two parameters whatever they are; with three the likelihood-ratio bounds begin to hold."""
SHAPE_MAX: Final = 1e6
NONE_ENTERED: Final[Floats] = np.empty(0)
"""All lives watched from their beginning."""
_ROUNDS: Final = 200


class Weibull(Struct, frozen=True, kw_only=True):
    """The distribution: shape (beta) and scale (eta, the life by which 63.2 % have failed)."""

    shape: float
    scale: float

    def hazards(self, life: float) -> float:
        """The cumulative hazard, -log of what survives."""
        return exp(min(self.shape * log(life / self.scale), 700.0))

    def failed(self, life: float) -> float:
        """The share that has failed by a life above zero (NIST/SEMATECH e-Handbook, 8.1.6.2)."""
        return -expm1(-self.hazards(life))

    def hazard(self, life: float) -> float:
        """The rate of failing of what has lived so long."""
        return self.shape / life * self.hazards(life)

    def density(self, life: float) -> float:
        return self.hazard(life) * exp(-self.hazards(life))

    def life_of(self, failed: float) -> float:
        """The life by which this share has failed, such as B10 for 0.1."""
        return self.scale * exp(log(-log1p(-failed)) / self.shape)

    @property
    def mean(self) -> float:
        """inf where no float holds it."""
        try:
            return self.scale * gamma(1 + 1 / self.shape)
        except OverflowError:
            return inf


class Lives(Struct, frozen=True, kw_only=True):
    """Logarithms of all lives and of the failures, from that of the longest life: none above zero.

    `entered` are those of the ages at which some of them came under watch: what had failed before was not seen.
    """

    longest: float
    every: Floats
    failed: Floats
    entered: Floats

    @property
    def failures(self) -> int:
        return len(self.failed)


class WeibullFit(Struct, frozen=True, kw_only=True):
    """The likeliest distribution. `covariance` is that of (log scale, log shape), by the observed information."""

    weibull: Weibull
    log_likelihood: float
    covariance: tuple[float, float, float]
    """Variance of log scale, covariance, variance of log shape."""
    lives: Lives


class Bounds(Struct, frozen=True, kw_only=True):
    """None: the likelihood falls off too slowly for a bound."""

    lower: float | None
    upper: float | None


def lives_of(failures: Floats, censored: Floats, entered: Floats = NONE_ENTERED) -> Lives:
    """Raises QuestionRefused for too few failures, or failures all at the longest life: any shape would do.

    `entered` has the ages above zero, each below its life, at which lives came under watch (truncated to the left).
    """
    if len(failures) < FEWEST_FAILURES:
        text = f"{len(failures)} are too few failures: it takes {FEWEST_FAILURES} or more; two parameters fit any two"
        raise QuestionRefused(text, pointer="/failures")
    every = np.concatenate((failures, censored))
    longest = float(every.max())
    if (failures == longest).all():
        text = "all failures are at one life, and nothing lived longer: no shape is steep enough"
        raise QuestionRefused(text, pointer="/failures")
    logs = _logs(every, longest)
    return Lives(longest=longest, every=logs, failed=logs[: len(failures)], entered=_logs(entered, longest))


def fit_weibull(failures: Floats, censored: Floats, entered: Floats = NONE_ENTERED) -> WeibullFit:
    """Maximum likelihood with right censoring, by the profile of the shape (Lawless, Statistical Models and Methods
    for Lifetime Data, 5.2; e-Handbook 8.4.1.3); with truncation to the left by what is seen from each entry on
    (Lawless, 2.4): the hazards of the ages at entry are taken off those of the lives.

    Without truncation the profile's slope falls steadily, so there is one solution. Raises QuestionRefused as
    `lives_of` does, and where what was seen after entry tells no shape.
    """
    lives = lives_of(failures, censored, entered)
    r, every, signs = lives.failures, *_signed(lives)
    mean_failed = float(lives.failed.mean())

    def slope(shape: float) -> tuple[float, float]:
        weights = signs * np.exp(shape * every)
        total = float(weights.sum())
        if total <= 0:
            return inf, 0.0  # rounding: as for a shape far too small
        mean = _sum_of(weights, every) / total
        return 1 / shape + mean_failed - mean, -1 / shape**2 - _sum_of(weights, (every - mean) ** 2) / total

    shape = _falling_root(slope, start=1.0)
    if shape is None or shape > SHAPE_MAX:
        raise QuestionRefused("the failures lie too close together: no shape can be told", pointer="/failures")
    log_scale = _log_scale(lives, shape)
    z = shape * (every - log_scale)
    weights = signs * np.exp(z)
    first, second = _sum_of(weights, z), _sum_of(weights, z * z)
    scale_scale, scale_shape, shape_shape = shape**2 * r, -shape * first, r + second
    determinant = scale_scale * shape_shape - scale_shape**2
    if determinant <= 0:
        raise QuestionRefused("what was seen after the ages at entry tells no shape", pointer="/entered")
    return WeibullFit(
        weibull=Weibull(shape=shape, scale=lives.longest * exp(log_scale)),
        log_likelihood=_profile(lives, shape),
        covariance=(shape_shape / determinant, -scale_shape / determinant, scale_scale / determinant),
        lives=lives,
    )


def rank_regression(failures: Floats, censored: Floats) -> tuple[Weibull, float, list[float]]:
    """Median-rank regression of log life on log(-log(1 - F)) ("X on Y"): the distribution, r squared, the ranks.

    Adjusted ranks and Benard's approximation (Abernethy, The New Weibull Handbook, chapter 2). Raises QuestionRefused
    as `lives_of` does, and for failures all at one life.
    """
    lives = lives_of(failures, censored)
    if (failures == failures[0]).all():
        raise QuestionRefused("all failures are at one life: no line goes through them", pointer="/failures")
    ranks = adjusted_ranks(failures, censored)
    shares = np.array(median_ranks(ranks, len(lives.every)))
    y, x = np.log(-np.log1p(-shares)), np.sort(lives.failed)
    off_y, off_x = y - y.mean(), x - x.mean()
    slope = _sum_of(off_y, off_x) / _sum_of(off_y, off_y)
    level = float(x.mean()) - slope * float(y.mean())
    r_squared = _sum_of(off_y, off_x) ** 2 / (_sum_of(off_y, off_y) * _sum_of(off_x, off_x))
    if 1 / slope > SHAPE_MAX:
        raise QuestionRefused("the failures lie too close together: no shape can be told", pointer="/failures")
    return Weibull(shape=1 / slope, scale=lives.longest * exp(level)), r_squared, ranks


def log_likelihood(lives: Lives, weibull: Weibull) -> float:
    """Of any distribution, not only the likeliest: failures by their density, the others by what survives."""
    z = weibull.shape * (lives.every - log(weibull.scale / lives.longest))
    logs = log(weibull.shape) * lives.failures + float(z[: lives.failures].sum()) - float(lives.failed.sum())
    before = weibull.shape * (lives.entered - log(weibull.scale / lives.longest))
    hazards = float(np.exp(np.minimum(z, 700)).sum()) - float(np.exp(np.minimum(before, 700)).sum())
    return logs - lives.failures * log(lives.longest) - hazards


def fisher_bounds(fit: WeibullFit, confidence: float, failed: tuple[float, ...]) -> tuple[Bounds, Bounds, list[Bounds]]:
    """Of shape, scale and the lives by which shares have failed: normal in their logarithms (Lawless, 5.2.2)."""
    z = normal_quantile(0.5 + confidence / 2)
    var_scale, covariance, var_shape = fit.covariance
    shape, scale = fit.weibull.shape, fit.weibull.scale
    lives = []
    for share in failed:
        c = log(-log1p(-share)) / shape
        variance = var_scale + c * c * var_shape - 2 * c * covariance
        lives.append(_around(fit.weibull.life_of(share), z * sqrt(max(variance, 0.0))))
    return _around(shape, z * sqrt(var_shape)), _around(scale, z * sqrt(var_scale)), lives


def reliability_bounds(fit: WeibullFit, confidence: float, life: float) -> Bounds:
    """Of the share that survives a life: normal in log(-log R), by the delta method."""
    z = normal_quantile(0.5 + confidence / 2)
    var_scale, covariance, var_shape = fit.covariance
    shape = fit.weibull.shape
    at = shape * log(life / fit.weibull.scale)
    half = z * sqrt(max(shape**2 * var_scale + at * at * var_shape - 2 * shape * at * covariance, 0.0))
    low, high = (exp(-exp(min(at + side * half, 700.0))) for side in (1, -1))
    return Bounds(lower=low, upper=high)


def likelihood_bounds(
    fit: WeibullFit, confidence: float, failed: tuple[float, ...]
) -> tuple[Bounds, Bounds, list[Bounds]]:
    """Of shape, scale and lives: every value whose likelihood, the other parameter at its best, is not too small.

    Twice the fall of the log-likelihood is at most chi-square with one degree of freedom (Lawless, 5.2.3).
    """
    depth = chi_square_quantile(confidence, 1) / 2
    floor = fit.log_likelihood - depth
    lives, shape = fit.lives, fit.weibull.shape
    var_scale, covariance, var_shape = fit.covariance

    def of_shape(log_shape: float) -> float:
        return _profile(lives, exp(log_shape)) - floor

    shape_bounds = _crossings(of_shape, log(shape), sqrt(var_shape))
    found = []
    for share in (1 - exp(-1), *failed):
        k = -log1p(-share)
        c = log(k) / shape
        spread = sqrt(max(var_scale + c * c * var_shape - 2 * c * covariance, 1e-30))
        middle = log(fit.weibull.scale / lives.longest) + c
        inside = _crossings(_QuantileProfile(lives, k, shape, floor), middle, spread)
        found.append(_scaled(inside, lives.longest))
    return _scaled(shape_bounds, 1.0), found[0], found[1:]


class _QuantileProfile:
    """How far the likelihood of a log life, by which -log(1 - share) = k, lies above the floor, at its best shape."""

    def __init__(self, lives: Lives, k: float, shape: float, floor: float) -> None:
        self._lives, self._k, self._shape, self._floor = lives, k, shape, floor

    def __call__(self, life: float) -> float:
        lives, k, r = self._lives, self._k, self._lives.failures
        every, signs = _signed(lives)
        off = every - life
        failed = float(off[:r].sum())

        def slope(shape: float) -> tuple[float, float]:
            weighted = signs * off * np.exp(np.minimum(shape * off, 600.0))
            return r / shape + failed - k * float(weighted.sum()), -r / shape**2 - k * _sum_of(weighted, off)

        shape = _falling_root(slope, start=self._shape)
        if shape is None:
            return -inf
        self._shape = shape
        hazards = k * _sum_of(signs, np.exp(np.minimum(shape * off, 600.0)))
        logs = r * (log(k) + log(shape) - log(lives.longest)) + shape * failed - float(lives.failed.sum())
        return logs - hazards - self._floor


def _logs(lives: Floats, longest: float) -> Floats:
    """log(life / longest), exact also where lives differ by very little."""
    near = lives > longest / 2
    logs: Floats = np.where(near, np.log1p(np.where(near, lives - longest, 0.0) / longest), np.log(lives / longest))
    return logs


def _signed(lives: Lives) -> tuple[Floats, Floats]:
    """Every life and every age at entry, with the sign by which its hazard counts."""
    both = np.concatenate((lives.every, lives.entered))
    return both, np.concatenate((np.ones(len(lives.every)), np.full(len(lives.entered), -1.0)))


def _sum_of(weights: Floats, values: Floats) -> float:
    """The sum of products, in one thread: a product of long vectors would wait for another core that may be busy."""
    return float((weights * values).sum())


def _log_scale(lives: Lives, shape: float) -> float:
    """The likeliest log scale, from the longest life, for a shape."""
    every, signs = _signed(lives)
    return log(max(_sum_of(signs, np.exp(shape * every)), 1e-300) / lives.failures) / shape


def _profile(lives: Lives, shape: float) -> float:
    """The log-likelihood of a shape with the scale at its best."""
    r = lives.failures
    logs = r * (log(shape) - shape * _log_scale(lives, shape) - log(lives.longest))
    return logs + (shape - 1) * float(lives.failed.sum()) - r


def _falling_root(function: Callable[[float], tuple[float, float]], *, start: float) -> float | None:
    """Where a function that falls steadily over what is above zero is zero: Newton's steps in the logarithm, kept
    within what is known. `function` answers its value and its slope. None where no root is found."""
    low, high, at = 0.0, inf, start
    for _ in range(_ROUNDS):
        value, slope = function(at)
        if value == 0:
            return at
        low, high = (at, high) if value > 0 else (low, at)
        step = exp(max(-2.0, min(2.0, -value / (slope * at)))) * at if slope < 0 else at * (2 if value > 0 else 0.5)
        if not low < step < high:
            step = low * 4 if high == inf else (high / 4 if low == 0 else sqrt(low * high))
        if abs(step - at) <= 1e-14 * at:
            return step
        at = step
        if not 1e-12 < at < 1e12:
            return None
    return at


def _crossings(above: Callable[[float], float], middle: float, spread: float) -> Bounds:
    """Where a function that is above zero in the middle falls below it on either side."""
    ends: list[float | None] = []
    for side in (-1.0, 1.0):
        inside, step = middle, spread
        for _ in range(60):
            outside = middle + side * step
            if above(outside) < 0:
                break
            inside, step = outside, 2 * step
        else:
            ends.append(None)
            continue
        while abs(outside - inside) > 1e-11 * max(1.0, abs(inside)):
            between = (outside + inside) / 2
            if between in (inside, outside):
                break
            inside, outside = (inside, between) if above(between) < 0 else (between, outside)
        ends.append((inside + outside) / 2)
    return Bounds(lower=ends[0], upper=ends[1])


def _scaled(logs: Bounds, unit: float) -> Bounds:
    """Bounds of a value from those of its logarithm; None where no float holds it."""
    ends = [None if end is None or end > 600 else unit * exp(end) for end in (logs.lower, logs.upper)]
    return Bounds(lower=ends[0], upper=ends[1])


def _around(value: float, half: float) -> Bounds:
    return Bounds(lower=value * exp(-min(half, 600.0)), upper=value * exp(half) if half < 600 else None)
