"""The question `trend`: does a series rise or fall, how steeply, and when does it meet a limit."""

from decimal import Decimal
from typing import Annotated, Final, Literal

import numpy as np
from msgspec import Meta, Raw, Struct, field

from service.domain.monotone import MannKendall, TheilSen, mann_kendall, theil_sen
from service.domain.question import (
    Floats,
    QuestionRefused,
    absent,
    centred,
    confidence_of,
    plain_list,
    plain_or_none,
    rounded,
    rounded_or_none,
)
from service.domain.regression import SPANS_MAX, Regression, Way, fit_regression, meeting

METHOD: Final = (
    "Mann-Kendall (Mann 1945, Kendall 1975): variance with ties, z corrected for continuity, two-sided p; exact "
    "without ties up to 60 points; tau is S by all pairs, tau_b by those without ties. slope, intercept and interval "
    "by Theil and Sen (interval by ordered slopes, Hollander and Wolfe). least_squares: all points alike, intervals "
    "by Student's t with n - 2 degrees of freedom; where it meets the limit with Fieller's interval, x that is not "
    "given is 0, 1, 2 and so on. Points are taken as independent"
)
_POINTS: Final = 2000


class TrendAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Values y at x, or in their order where x is left out. `limit` asks where it is met, `predict_at` for a value."""

    y: Annotated[list[Raw], Meta(min_length=1, max_length=_POINTS)]
    x: Annotated[list[Raw], Meta(min_length=1, max_length=_POINTS)] | None = None
    confidence: Raw = field(default_factory=absent)
    limit: Raw = field(default_factory=absent)
    predict_at: Raw = field(default_factory=absent)


class TrendInterval(Struct, frozen=True, kw_only=True):
    """An open end is null."""

    lower: str | None
    upper: str | None


class Pairs(Struct, frozen=True, kw_only=True):
    """Pairs of points of which the later is higher, lower, or neither."""

    rising: int
    falling: int
    level: int


class ExactTrend(Struct, frozen=True, kw_only=True):
    p: str
    p_one_sided: str


class LeastSquares(Struct, frozen=True, kw_only=True):
    slope: str
    intercept: str
    s: str
    dof: int
    r_squared: str | None
    slope_interval: TrendInterval


class TrendPrediction(Struct, frozen=True, kw_only=True):
    """`interval` is that of the line at x, `new_value_interval` that of one value measured there.

    `spans` is how far x lies from the first observed, in spans of the observed; beyond two, `far_beyond` says so.
    """

    x: str
    y: str
    interval: TrendInterval
    new_value_interval: TrendInterval
    spans: str
    far_beyond: bool


class LimitMet(Struct, frozen=True, kw_only=True):
    """`at` is null where the line is not told from a level one, or moves away: `way` and `reason` say so.

    `interval` is that of the line, `new_value_interval` that of single values. `not_before` is the first x, from the
    last observed on, at which the limit is within the interval of the line; null: nowhere. `robust_at` is where the
    line of Theil and Sen meets the limit, null where its slope may be level, or where that was before the first x.
    """

    limit: str
    way: Way
    reason: str
    at: str | None
    interval: TrendInterval
    new_value_interval: TrendInterval
    not_before: str | None
    robust_at: str | None
    spans: str | None
    far_beyond: bool


class TrendEvaluated(Struct, frozen=True, kw_only=True):
    """`trend` is what p says at this confidence (the exact p where there is one)."""

    n: int
    S: int
    variance: str
    z: str
    p: str
    p_one_sided: str
    exact: ExactTrend | None
    tau: str
    tau_b: str
    pairs: Pairs
    trend: Literal["increasing", "decreasing", "none"]
    confidence: str
    slope: str
    intercept: str
    slope_interval: TrendInterval
    least_squares: LeastSquares
    prediction: TrendPrediction | None
    limit: LimitMet | None
    method: str = METHOD


class _Frame(Struct, frozen=True, kw_only=True):
    """Where x and y were counted from."""

    x: Decimal
    y: Decimal

    def intercept(self, slope: float, offset: float) -> str:
        """y at x = 0 of a line given from the origins."""
        return rounded(offset - slope * float(self.x), self.y)


def evaluate_trend(asked: TrendAsked) -> TrendEvaluated:
    """Raises QuestionRefused, naming the member that cannot be taken."""
    confidence = confidence_of(asked.confidence)
    origin_y, y = centred(plain_list(asked.y, "/y"))
    origin_x, x = Decimal(0), np.arange(len(y), dtype=np.float64)
    if asked.x is not None:
        if len(asked.x) != len(asked.y):
            raise QuestionRefused(f"x has {len(asked.x)} values and y has {len(asked.y)}", pointer="/x")
        origin_x, x = centred(plain_list(asked.x, "/x"))
    frame = _Frame(x=origin_x, y=origin_y)
    with np.errstate(over="raise", invalid="raise"):
        try:
            return _evaluated(asked, frame, x, y, confidence)
        except (FloatingPointError, OverflowError, ZeroDivisionError) as error:
            raise QuestionRefused("these numbers lie too far apart to be computed with", pointer="/y") from error


def _evaluated(asked: TrendAsked, frame: _Frame, x: Floats, y: Floats, confidence: float) -> TrendEvaluated:
    test, robust = mann_kendall(x, y), theil_sen(x, y, confidence)
    line = fit_regression(x, y)
    half = line.slope_half_width(confidence)
    p = test.p if test.p_exact is None else test.p_exact
    sign: Literal["increasing", "decreasing"] = "increasing" if test.s > 0 else "decreasing"
    return TrendEvaluated(
        n=test.n,
        S=test.s,
        variance=rounded(test.variance),
        z=rounded(test.z),
        p=rounded(test.p),
        p_one_sided=rounded(test.p_one_sided),
        exact=_exact(test),
        tau=rounded(test.tau_a),
        tau_b=rounded(test.tau_b),
        pairs=Pairs(rising=test.rising, falling=test.falling, level=test.level),
        trend=sign if p <= 1 - confidence else "none",
        confidence=rounded(confidence),
        slope=rounded(robust.slope),
        intercept=frame.intercept(robust.slope, robust.intercept),
        slope_interval=_interval(robust.lower, robust.upper),
        least_squares=LeastSquares(
            slope=rounded(line.slope),
            intercept=frame.intercept(line.slope, line.intercept),
            s=rounded(line.s),
            dof=line.dof,
            r_squared=rounded_or_none(line.r_squared),
            slope_interval=_interval(line.slope - half, line.slope + half),
        ),
        prediction=_prediction(asked.predict_at, frame, line, confidence),
        limit=_limit(asked.limit, frame, line, robust, confidence),
    )


def _exact(test: MannKendall) -> ExactTrend | None:
    if test.p_exact is None or test.p_exact_one_sided is None:
        return None
    return ExactTrend(p=rounded(test.p_exact), p_one_sided=rounded(test.p_exact_one_sided))


def _interval(lower: float | None, upper: float | None, origin: Decimal | None = None) -> TrendInterval:
    return TrendInterval(lower=rounded_or_none(lower, origin), upper=rounded_or_none(upper, origin))


def _prediction(raw: Raw, frame: _Frame, line: Regression, confidence: float) -> TrendPrediction | None:
    stated = plain_or_none(raw, "/predict_at")
    if stated is None:
        return None
    x = float(centred([stated], frame.x)[1][0])
    y = line.at(x)
    halves = [line.half_width(x, confidence, single=single) for single in (False, True)]
    around, single = (_interval(y - half, y + half, frame.y) for half in halves)
    return TrendPrediction(
        x=format(stated, "f"),
        y=rounded(y, frame.y),
        interval=around,
        new_value_interval=single,
        spans=rounded(line.spans(x)),
        far_beyond=_far(line, x),
    )


def _far(line: Regression, x: float) -> bool:
    return not 1 - SPANS_MAX <= line.spans(x) <= SPANS_MAX


_REASON: Final = {
    "ahead": "the line meets the limit at or after the last observed x",
    "within": "the line meets the limit within the observed x",
    "moves_away": "the line moves away from the limit: it would have met it before the first observed x",
    "not_told_from_level": "at this confidence the slope cannot be told from a level line: there is no x to tell",
}
_FAR: Final = "; that lies more than twice the observed span from its beginning, far beyond what was seen"


def _limit(raw: Raw, frame: _Frame, line: Regression, robust: TheilSen, confidence: float) -> LimitMet | None:
    stated = plain_or_none(raw, "/limit")
    if stated is None:
        return None
    limit = float(centred([stated], frame.y)[1][0])
    of_line, of_new = (meeting(line, limit, confidence, single=single) for single in (False, True))
    robust_at = _robust_at(robust, limit, line.first)
    far = of_line.at is not None and _far(line, of_line.at)
    return LimitMet(
        limit=format(stated, "f"),
        way=of_line.way,
        reason=_REASON[of_line.way] + (_FAR if far else ""),
        at=rounded_or_none(of_line.at, frame.x),
        interval=_interval(of_line.lower, of_line.upper, frame.x),
        new_value_interval=_interval(of_new.lower, of_new.upper, frame.x),
        not_before=rounded_or_none(of_line.not_before, frame.x),
        robust_at=rounded_or_none(robust_at, frame.x),
        spans=None if of_line.at is None else rounded(line.spans(of_line.at)),
        far_beyond=far,
    )


def _robust_at(robust: TheilSen, limit: float, first: float) -> float | None:
    """Where the robust line meets the limit, if its interval holds no level line and that is not before `first`."""
    if robust.lower is None or robust.upper is None or robust.lower <= 0 <= robust.upper:
        return None
    at = (limit - robust.intercept) / robust.slope
    return at if at >= first else None
