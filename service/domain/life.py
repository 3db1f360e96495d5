"""The question `life`: how long something lasts, from failures and from lives that were cut short."""

from typing import Annotated, Any, Final, Literal

import numpy as np
from msgspec import Meta, Raw, Struct, field

from service.domain.question import (
    Floats,
    QuestionRefused,
    above_zero,
    absent,
    confidence_of,
    rounded,
    rounded_or_none,
)
from service.domain.survival import Step, kaplan_meier
from service.domain.weibull import (
    FEWEST_FAILURES,
    Bounds,
    Weibull,
    WeibullFit,
    fisher_bounds,
    fit_weibull,
    likelihood_bounds,
    lives_of,
    log_likelihood,
    rank_regression,
    reliability_bounds,
)

_LIVES: Final = 10_000
_TENTH: Final = (0.1,)
FEW: Final = 10
"""Failures below which bounds cover markedly less than they say (simulated: `python -m tests.bench.lives`)."""

_KAPLAN_MEIER: Final = "; survival by Kaplan and Meier, bounds by Greenwood's variance of log(-log S)"
_METHOD: Final = {
    "mle": "mle: two-parameter Weibull by maximum likelihood with right censoring (Lawless, 5.2; NIST/SEMATECH "
    "e-Handbook 8.4.1.3); bounds by the likelihood ratio and, beside them, by the observed Fisher information, normal "
    "in logarithms; those of reliability by the latter" + _KAPLAN_MEIER,
    "rank_regression": "rank_regression: two-parameter Weibull by the line of log life on log(-log(1 - F)), F by "
    "Benard's median ranks, ranks adjusted for what was cut short (Abernethy, The New Weibull Handbook, chapter 2); no "
    "bounds: they belong to maximum likelihood (method mle)" + _KAPLAN_MEIER,
}
FEW_SAID: Final = (
    f"with fewer than {FEW} failures the bounds cover less than they say: simulated, bounds of 95 % by the likelihood "
    "ratio cover about 83 % with 3 failures, 89 % with 5 and 92 % with 10, those by Fisher's information less"
)


class LifeAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Lives above zero, in any unit: of what failed, and of what had not failed when it was last seen.

    `at` asks for what survives these lives.
    """

    failures: Annotated[list[Raw], Meta(max_length=_LIVES)]
    censored: Annotated[list[Raw], Meta(max_length=_LIVES)] = []
    method: Literal["mle", "rank_regression"] = "mle"
    confidence: Raw = field(default_factory=absent)
    at: Annotated[list[Raw], Meta(max_length=100)] = []


class LifeInterval(Struct, frozen=True, kw_only=True):
    """An end that cannot be told is null."""

    lower: str | None
    upper: str | None


class WeibullBounds(Struct, frozen=True, kw_only=True):
    shape: LifeInterval
    scale: LifeInterval
    b10: LifeInterval


class LifeBounds(Struct, frozen=True, kw_only=True):
    """Two-sided, by either method; the first is the better one with few failures."""

    confidence: str
    likelihood_ratio: WeibullBounds
    fisher: WeibullBounds


class Surviving(Struct, frozen=True, kw_only=True):
    """What the fitted distribution says of one life: the shares that survive and have failed, density and hazard."""

    life: str
    reliability: str
    bounds: LifeInterval | None
    failed: str
    density: str
    hazard: str


class SurvivalStep(Struct, frozen=True, kw_only=True):
    life: str
    at_risk: int
    failures: int
    survival: str
    lower: str | None
    upper: str | None


class LifeEvaluated(Struct, frozen=True, kw_only=True):
    """`b10` is the life by which a tenth has failed; `mean` is null where it is too long to be told.

    `r_squared` and `ranks` come with rank regression, `bounds` with maximum likelihood.
    """

    n: int
    failures: int
    censored: int
    fewest_failures: int
    shape: str
    scale: str
    b10: str
    median: str
    mean: str | None
    bounds: LifeBounds | None
    log_likelihood: str
    r_squared: str | None
    ranks: tuple[str, ...] | None
    at: tuple[Surviving, ...]
    kaplan_meier: tuple[SurvivalStep, ...]
    caution: str | None
    method: str


def evaluate_life(asked: LifeAsked) -> LifeEvaluated:
    """Raises QuestionRefused, naming the life that cannot be taken, or that there are too few failures."""
    confidence = confidence_of(asked.confidence)
    failures, censored = _lives(asked.failures, "/failures"), _lives(asked.censored, "/censored")
    places = [above_zero(raw, f"/at/{place}") for place, raw in enumerate(asked.at)]
    try:
        return _evaluated(asked, failures, censored, confidence, places)
    except OverflowError as error:
        raise QuestionRefused("these lives lie too far apart to be computed with", pointer="/failures") from error


def _lives(raws: list[Raw], pointer: str) -> Floats:
    return np.array([above_zero(raw, f"{pointer}/{place}") for place, raw in enumerate(raws)], dtype=np.float64)


def _evaluated(
    asked: LifeAsked, failures: Floats, censored: Floats, confidence: float, places: list[float]
) -> LifeEvaluated:
    fit: WeibullFit | None = None
    fitted: dict[str, Any]
    if asked.method == "mle":
        fit = fit_weibull(failures, censored)
        weibull = fit.weibull
        fitted = {"bounds": bounds_of(fit, confidence), "r_squared": None, "ranks": None}
    else:
        weibull, r_squared, ranks = rank_regression(failures, censored)
        fitted = {"bounds": None, "r_squared": rounded(r_squared), "ranks": tuple(rounded(rank) for rank in ranks)}
    mean = weibull.mean
    return LifeEvaluated(
        n=len(failures) + len(censored),
        failures=len(failures),
        censored=len(censored),
        fewest_failures=FEWEST_FAILURES,
        shape=rounded(weibull.shape),
        scale=rounded(weibull.scale),
        b10=rounded(weibull.life_of(_TENTH[0])),
        median=rounded(weibull.life_of(0.5)),
        mean=None if mean == float("inf") else rounded(mean),
        log_likelihood=rounded(log_likelihood(lives_of(failures, censored), weibull)),
        at=tuple(_surviving(weibull, fit, life, confidence) for life in places),
        kaplan_meier=tuple(step_shown(step) for step in kaplan_meier(failures, censored, confidence)),
        caution=FEW_SAID if fit is not None and len(failures) < FEW else None,
        method=_METHOD[asked.method],
        **fitted,
    )


def bounds_of(fit: WeibullFit, confidence: float) -> LifeBounds:
    """Of shape, scale and B10, by the likelihood ratio and by Fisher's information."""
    of = []
    for bounds in (likelihood_bounds, fisher_bounds):
        shape, scale, lives = bounds(fit, confidence, _TENTH)
        of.append(WeibullBounds(shape=_interval(shape), scale=_interval(scale), b10=_interval(lives[0])))
    return LifeBounds(confidence=rounded(confidence), likelihood_ratio=of[0], fisher=of[1])


def _interval(bounds: Bounds) -> LifeInterval:
    return LifeInterval(lower=rounded_or_none(bounds.lower), upper=rounded_or_none(bounds.upper))


def _surviving(weibull: Weibull, fit: WeibullFit | None, life: float, confidence: float) -> Surviving:
    failed = weibull.failed(life)
    return Surviving(
        life=rounded(life),
        reliability=rounded(1 - failed),
        bounds=None if fit is None else _interval(reliability_bounds(fit, confidence, life)),
        failed=rounded(failed),
        density=rounded(weibull.density(life)),
        hazard=rounded(weibull.hazard(life)),
    )


def step_shown(step: Step) -> SurvivalStep:
    return SurvivalStep(
        life=rounded(step.life),
        at_risk=step.at_risk,
        failures=step.failures,
        survival=rounded(step.survival),
        lower=rounded_or_none(step.lower),
        upper=rounded_or_none(step.upper),
    )
