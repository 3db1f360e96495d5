"""What lives of clamping sets amount to: a Weibull fit with bounds, survival, and when replacing pays, or what is
missing for it."""

from typing import Final

import numpy as np
from msgspec import Struct

from service.domain.growth import GrowthAsked, GrowthEvaluated, evaluate_growth
from service.domain.life import FEW, FEW_SAID, LifeBounds, SurvivalStep, bounds_of, step_shown
from service.domain.question import QuestionRefused, raw_of, rounded
from service.domain.replacement import ReplacementAsked, ReplacementEvaluated, evaluate_replacement
from service.domain.set_life import Parted
from service.domain.survival import kaplan_meier
from service.domain.weibull import FEWEST_FAILURES, WeibullFit, fit_weibull, lives_of, log_likelihood

METHOD: Final = (
    "two-parameter Weibull by maximum likelihood, sets cut short censored to the right, sets that were there before "
    "the ledger conditional on their age then (Lawless, 2.4 and 5.2); bounds by the likelihood ratio and by the "
    "observed Fisher information; survival by Kaplan and Meier with the sets at risk, bounds by Greenwood's variance "
    "of log(-log S)"
)
_SAID: Final = {
    "no_sets": "no set has been watched yet",
    "no_failures": "no set has failed: every one is cut short (censored), which tells no life",
    "too_few_failures": f"fewer than {FEWEST_FAILURES} sets have failed: two parameters fit any two failures",
}


class SetsFitted(Struct, frozen=True, kw_only=True):
    """`missing` names why there is no distribution, `detail` says it; the numbers of one are null then.

    `n` sets are `failures` and `censored`; of `entered_late` the age when the ledger began is known and conditioned on.
    """

    n: int
    failures: int
    censored: int
    entered_late: int
    failed_by: dict[str, int]
    censored_by: dict[str, int]
    left_out: dict[str, int]
    fewest_failures: int
    missing: str | None
    detail: str | None
    shape: str | None
    scale: str | None
    b10: str | None
    median: str | None
    mean: str | None
    bounds: LifeBounds | None
    log_likelihood: str | None
    kaplan_meier: tuple[SurvivalStep, ...]
    caution: str | None


class Costs(Struct, frozen=True, kw_only=True):
    """What a planned replacement and a failure cost, everything included."""

    planned: float
    failure: float


def fit_sets(lives: Parted, left_out: dict[str, int], confidence: float) -> tuple[SetsFitted, WeibullFit | None]:
    """The fit of some sets, None with what is missing."""
    fit, missing, detail = None, lives.missing, None if lives.missing is None else _SAID[lives.missing]
    if missing is None:
        try:
            fit = fit_weibull(lives.failures, lives.censored, lives.entered)
            bounds = bounds_of(fit, confidence)
        except (QuestionRefused, OverflowError) as refused:
            fit, missing, detail = None, "no_shape", str(refused)
    weibull = None if fit is None else fit.weibull
    steps = kaplan_meier(lives.failures, lives.censored, confidence, lives.entered) if len(lives.failures) else ()
    return SetsFitted(
        n=len(lives.failures) + len(lives.censored),
        failures=len(lives.failures),
        censored=len(lives.censored),
        entered_late=len(lives.entered),
        failed_by=lives.why_failed,
        censored_by=lives.why_censored,
        left_out=left_out,
        fewest_failures=FEWEST_FAILURES,
        missing=missing,
        detail=detail,
        shape=None if weibull is None else rounded(weibull.shape),
        scale=None if weibull is None else rounded(weibull.scale),
        b10=None if weibull is None else rounded(weibull.life_of(0.1)),
        median=None if weibull is None else rounded(weibull.life_of(0.5)),
        mean=None if weibull is None or not np.isfinite(weibull.mean) else rounded(weibull.mean),
        bounds=None if fit is None else bounds,
        log_likelihood=None
        if weibull is None
        else rounded(log_likelihood(lives_of(lives.failures, lives.censored, lives.entered), weibull)),
        kaplan_meier=tuple(step_shown(step) for step in steps),
        caution=FEW_SAID if fit is not None and len(lives.failures) < FEW else None,
    ), fit


def replacement_of(fit: WeibullFit, costs: Costs) -> ReplacementEvaluated | None:
    """When replacing pays, by the fit; None where its numbers lie too far apart to be computed with."""
    asked = ReplacementAsked(
        shape=raw_of(fit.weibull.shape),
        scale=raw_of(fit.weibull.scale),
        cost_planned=raw_of(costs.planned),
        cost_failure=raw_of(costs.failure),
    )
    try:
        return evaluate_replacement(asked)
    except QuestionRefused:
        return None


def growth_of(times: list[float], end: float, confidence: float) -> tuple[GrowthEvaluated | None, str | None]:
    """Whether the failures of one spindle's sets grow rarer or more frequent, or what is missing to tell."""
    if not times:
        return None, "no set that was watched from its fitting has failed in this spindle"
    try:
        asked = GrowthAsked(times=[raw_of(each) for each in times], end=raw_of(end), confidence=raw_of(confidence))
        return evaluate_growth(asked), None
    except QuestionRefused as refused:
        return None, str(refused)
