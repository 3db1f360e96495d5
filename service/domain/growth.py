"""The question `growth`: whether the failures of one thing that is put right each time grow rarer or more frequent."""

from typing import Annotated, Final, Literal

import numpy as np
from msgspec import Meta, Raw, Struct, field

from service.domain.power_law import (
    PowerLaw,
    TrendTests,
    Watched,
    cramer_von_mises,
    fit_power_law,
    mtbf_bounds,
    shape_bounds,
    trend_tests,
    watched,
)
from service.domain.question import (
    QuestionRefused,
    above_zero,
    absent,
    confidence_of,
    rounded,
    rounded_or_none,
)

_METHOD: Final = (
    "power law (Crow-AMSAA), beta, lambda and mtbf at the end by maximum likelihood (MIL-HDBK-189, appendix C), in "
    "`modified` with the bias of beta taken out (NIST/SEMATECH e-Handbook 8.4.5); bounds of beta exact (chi-square), "
)
_MTBF: Final = {
    "time": "of mtbf by the e-Handbook's approximation for a watch that ended at a time",
    "failure": "of mtbf exact for a watch that ended with a failure (product of two gamma values)",
}
_TESTS: Final = (
    "; trend tests: reverse arrangement (z with one half added as the e-Handbook does, p with the half towards the "
    "middle), military handbook and Laplace; p two-sided, against failures at a constant rate"
)


class GrowthAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Cumulative times of failure in order. `end` is when the watch ended; with truncation `failure` the last time."""

    times: Annotated[list[Raw], Meta(min_length=1, max_length=1000)]
    end: Raw = field(default_factory=absent)
    truncation: Literal["time", "failure"] = "time"
    confidence: Raw = field(default_factory=absent)


class GrowthInterval(Struct, frozen=True, kw_only=True):
    """An end that cannot be told is null."""

    lower: str
    upper: str | None


class GrowthBounds(Struct, frozen=True, kw_only=True):
    """Two-sided; those of mtbf hold for either estimate."""

    confidence: str
    beta: GrowthInterval
    mtbf: GrowthInterval


class GrowthEstimate(Struct, frozen=True, kw_only=True):
    """Expected failures by t are lambda times t to the power of beta; `mtbf` and `intensity` are those at the end."""

    beta: str
    lambda_: str = field(name="lambda")
    mtbf: str
    intensity: str


class ReverseArrangement(Struct, frozen=True, kw_only=True):
    """`R` counts pairs of gaps of which the later is longer: many where failures grow rarer."""

    R: int
    z: str
    p: str
    p_exact: str | None


class MilitaryHandbook(Struct, frozen=True, kw_only=True):
    """`cdf` is the share of chi-square below: near one where failures grow rarer."""

    chi_square: str
    dof: int
    cdf: str
    p: str


class Laplace(Struct, frozen=True, kw_only=True):
    """`z` is negative where failures grow rarer."""

    z: str
    p: str


class GrowthTests(Struct, frozen=True, kw_only=True):
    reverse_arrangement: ReverseArrangement
    military_handbook: MilitaryHandbook
    laplace: Laplace


class GrowthEvaluated(Struct, frozen=True, kw_only=True):
    """`gaps` are the times between failures. `cramer_von_mises` is the distance from the law, by its modified beta.

    `trend` is what the military handbook's test says at this confidence.
    """

    n: int
    end: str
    truncation: str
    beta: str
    lambda_: str = field(name="lambda")
    mtbf: str
    intensity: str
    modified: GrowthEstimate
    bounds: GrowthBounds
    gaps: tuple[str, ...]
    trend: Literal["rarer", "more_frequent", "none"]
    trend_tests: GrowthTests
    cramer_von_mises: str
    method: str


def evaluate_growth(asked: GrowthAsked) -> GrowthEvaluated:
    """Raises QuestionRefused, naming the time that cannot be taken."""
    confidence = confidence_of(asked.confidence)
    times = np.array([above_zero(raw, f"/times/{place}") for place, raw in enumerate(asked.times)], dtype=np.float64)
    end = None if asked.end == absent() else above_zero(asked.end, "/end")
    if asked.truncation == "time" and end is None:
        raise QuestionRefused("a watch that ended at a time needs its end", pointer="/end")
    if asked.truncation == "failure" and end is not None and end != times[-1]:
        raise QuestionRefused("a watch that ended with a failure ends at the last time", pointer="/end")
    seen = watched(times, float(times[-1]) if end is None else end, to_failure=asked.truncation == "failure")
    try:
        return _evaluated(seen, asked.truncation, confidence)
    except (OverflowError, ZeroDivisionError) as error:
        raise QuestionRefused("these times lie too far apart to be computed with", pointer="/times") from error


def _evaluated(seen: Watched, truncation: Literal["time", "failure"], confidence: float) -> GrowthEvaluated:
    law, tests = fit_power_law(seen), trend_tests(seen)
    beta, mtbf = shape_bounds(seen, confidence), mtbf_bounds(seen, confidence)
    way: Literal["rarer", "more_frequent"] = "rarer" if tests.chi_square_below > 0.5 else "more_frequent"
    estimate = _estimate(law)
    return GrowthEvaluated(
        n=seen.n,
        end=rounded(seen.end),
        truncation=truncation,
        beta=estimate.beta,
        lambda_=estimate.lambda_,
        mtbf=estimate.mtbf,
        intensity=estimate.intensity,
        modified=_estimate(fit_power_law(seen, unbiased=True)),
        bounds=GrowthBounds(
            confidence=rounded(confidence),
            beta=GrowthInterval(lower=rounded(beta[0]), upper=rounded(beta[1])),
            mtbf=GrowthInterval(lower=rounded(mtbf[0]), upper=rounded_or_none(mtbf[1])),
        ),
        gaps=tuple(rounded(gap) for gap in tests.gaps),
        trend=way if tests.chi_square_p <= 1 - confidence else "none",
        trend_tests=_tests(tests),
        cramer_von_mises=rounded(cramer_von_mises(seen)),
        method=_METHOD + _MTBF[truncation] + _TESTS,
    )


def _estimate(law: PowerLaw) -> GrowthEstimate:
    return GrowthEstimate(
        beta=rounded(law.shape),
        lambda_=rounded(law.scale),
        mtbf=rounded(law.mtbf),
        intensity=rounded(1 / law.mtbf),
    )


def _tests(tests: TrendTests) -> GrowthTests:
    return GrowthTests(
        reverse_arrangement=ReverseArrangement(
            R=tests.reversals,
            z=rounded(tests.reversals_z),
            p=rounded(tests.reversals_p),
            p_exact=rounded_or_none(tests.reversals_p_exact),
        ),
        military_handbook=MilitaryHandbook(
            chi_square=rounded(tests.chi_square),
            dof=tests.chi_square_dof,
            cdf=rounded(tests.chi_square_below),
            p=rounded(tests.chi_square_p),
        ),
        laplace=Laplace(z=rounded(tests.laplace), p=rounded(tests.laplace_p)),
    )
