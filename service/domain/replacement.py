"""The question `replacement`: at which age replacing pays, before it fails, and what each age costs."""

from math import isfinite
from typing import Annotated, Final

from msgspec import Meta, Raw, Struct

from service.domain.age_replacement import ages, best_age, best_block, cost_rate, run_to_failure_rate
from service.domain.question import QuestionRefused, above_zero, rounded, rounded_or_none
from service.domain.weibull import Weibull

_METHOD: Final = (
    "age replacement of Weibull lives: least of [planned R(T) + failure F(T)] / mean running time to T (Barlow and "
    "Proschan, Mathematical Theory of Reliability, chapter 4), the root found exactly; minimal_repair: replaced at "
    "fixed intervals, failures in between repaired to as old as before at cost_failure each (Barlow and Hunter, "
    "policy II). shape and scale are taken as certain"
)
_SHAPE_MIN: Final = 0.05
_SHAPE_MAX: Final = 1000.0
_MEMORYLESS: Final = "a shape of 1 or less: what is old fails no sooner than what is new, so run to failure"
_DEAR: Final = "a planned replacement costs no less than a failure, so run to failure"
_LATE: Final = "the best age lies where next to nothing lives to be replaced, so run to failure"


class ReplacementAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Weibull lives by shape and scale, and what a planned replacement and a failure cost, everything included.

    `at` asks for the cost of these intervals, beside the curve.
    """

    shape: Raw
    scale: Raw
    cost_planned: Raw
    cost_failure: Raw
    at: Annotated[list[Raw], Meta(max_length=200)] = []


class CostAt(Struct, frozen=True, kw_only=True):
    """`survives` is the share that lives to be replaced as planned."""

    interval: str
    cost_rate: str
    survives: str


class MinimalRepair(Struct, frozen=True, kw_only=True):
    interval: str
    cost_rate: str


class ReplacementEvaluated(Struct, frozen=True, kw_only=True):
    """`interval` is null where none pays: `reason` says why, and `cost_rate` is then that of running to failure.

    Costs are per unit of running time. `saving` is the share saved against running to failure.
    """

    pays: bool
    reason: str
    interval: str | None
    cost_rate: str
    run_to_failure_cost_rate: str
    saving: str
    survives: str | None
    minimal_repair: MinimalRepair | None
    curve: tuple[CostAt, ...]
    at: tuple[CostAt, ...]
    method: str = _METHOD


def evaluate_replacement(asked: ReplacementAsked) -> ReplacementEvaluated:
    """Raises QuestionRefused, naming the member that cannot be taken."""
    shape = above_zero(asked.shape, "/shape")
    if not _SHAPE_MIN <= shape <= _SHAPE_MAX:
        raise QuestionRefused(f"a shape lies between {_SHAPE_MIN} and {_SHAPE_MAX:.0f}", pointer="/shape")
    weibull = Weibull(shape=shape, scale=above_zero(asked.scale, "/scale"))
    planned = above_zero(asked.cost_planned, "/cost_planned")
    failure = above_zero(asked.cost_failure, "/cost_failure")
    stated = [above_zero(raw, f"/at/{place}") for place, raw in enumerate(asked.at)]
    try:
        return _evaluated(weibull, planned, failure, stated)
    except (OverflowError, ZeroDivisionError) as error:
        raise QuestionRefused("these numbers lie too far apart to be computed with", pointer="") from error


def _evaluated(weibull: Weibull, planned: float, failure: float, stated: list[float]) -> ReplacementEvaluated:
    best = best_age(weibull, planned, failure)
    to_failure = run_to_failure_rate(weibull, failure)
    rate = to_failure if best is None else cost_rate(weibull, best, planned, failure)
    block = best_block(weibull, planned, failure)

    def at(age: float) -> CostAt:
        return CostAt(
            interval=rounded(age),
            cost_rate=rounded(cost_rate(weibull, age, planned, failure)),
            survives=rounded(1 - weibull.failed(age)),
        )

    if best is not None:
        reason = "replacing at this age costs least"
    elif weibull.shape <= 1:
        reason = _MEMORYLESS
    else:
        reason = _DEAR if planned >= failure else _LATE
    return ReplacementEvaluated(
        pays=best is not None,
        reason=reason,
        interval=rounded_or_none(best),
        cost_rate=rounded(rate),
        run_to_failure_cost_rate=rounded(to_failure),
        saving=rounded(1 - rate / to_failure),
        survives=None if best is None else rounded(1 - weibull.failed(best)),
        minimal_repair=None
        if block is None or not isfinite(block[0])
        else MinimalRepair(interval=rounded(block[0]), cost_rate=rounded(block[1])),
        curve=tuple(at(age) for age in ages(weibull, best)),
        at=tuple(at(age) for age in stated),
    )
