"""What every verdict is made of: reason codes in their order, limits, shown uncertainty, rule and basis."""

from collections.abc import Iterable
from datetime import datetime
from decimal import Context, Decimal, Inexact, localcontext
from math import hypot
from typing import Final, Literal

from msgspec import Struct

from service.domain.decision import Interval, RuleName
from service.domain.quantity import EXACT, ShownQuantity, shown, shown_rounded
from service.domain.uncertainty import OWN, Budget

Outcome = Literal["conforming", "nonconforming", "undecided", "not_admissible"]

REASONS: Final = (
    "not_released",
    "gauge_unknown",
    "gauge_wrong_kind",
    "gauge_not_zeroed",
    "gauge_overdue",
    "gauge_withdrawn",
    "gauge_not_capable",
    "too_few_readings",
    "readings_not_opposed",
    "spread_too_wide",
    "not_torqued",
    "torque_out_of_limits",
    "not_run_in",
    "rebuild_incomplete",
    "too_few_pulls",
    "not_clamped",
)
"""Every reason why a measurement may not be admissible, in the order in which they are listed."""

_SHOWN_DECIMALS: Final = Decimal("1e-9")


def in_order(reasons: Iterable[str]) -> tuple[str, ...]:
    """The reasons in the order of REASONS, each once."""
    given = set(reasons)
    return tuple(code for code in REASONS if code in given)


class Finding(Struct, frozen=True, kw_only=True):
    """Something the person should know about what they have just recorded; refuses nothing."""

    code: str
    text: str


class Limits(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Limits as values of the measured quantity (not as deviations); an open side is None."""

    lower: ShownQuantity | None = None
    upper: ShownQuantity | None = None


class ShownComponent(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One line: `dof` is null where u is taken as known exactly; `averaged` says that each reading has it afresh."""

    source: str
    u: ShownQuantity
    dof: str | None = None
    averaged: bool = False


class ShownUncertainty(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The budget as answered: u of each source, combined u, U = k u, and what is not stated.

    `dof` are the effective degrees of freedom, null where they are without bound.
    """

    budget: tuple[ShownComponent, ...]
    u: ShownQuantity
    U: ShownQuantity
    k: str
    unstated: tuple[str, ...]
    dof: str | None = None
    confidence: str | None = None


class RuleUsed(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    name: RuleName
    edition: str


class Basis(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a verdict rests on: the sheet's revision, and the entries of sheet, gauge, calibration and torque."""

    sheet_revision: int
    sheet_sequence: int
    gauge_sequence: int | None = None
    calibration: int | None = None
    torque: int | None = None


class Recall(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A gauge or torque tool behind the verdict was found out afterwards, by `error`; when it arose is unknown.

    `without` is the outcome without that error, `with_error` the one with the whole of it; `value` is what was measured
    with it. Only where both agree is the verdict theirs.
    """

    gauge: str
    calibration: int
    found: datetime
    error: ShownQuantity
    value: ShownQuantity
    without: Outcome
    with_error: Outcome


def show_uncertainty(budget: Budget | None, unit: Literal["mm", "N"]) -> ShownUncertainty | None:
    """The budget with every value to six significant digits."""
    if budget is None:
        return None
    return ShownUncertainty(
        budget=tuple(
            ShownComponent(
                source=component.source,
                u=shown_rounded(component.u, unit),
                dof=_significant(component.dof),
                averaged=component.averaged,
            )
            for component in budget.components
        ),
        u=shown_rounded(budget.u, unit),
        U=shown_rounded(budget.expanded, unit),
        k=_significant(budget.k) or "",
        unstated=budget.unstated,
        dof=_significant(budget.dof),
        confidence=None if budget.confidence is None else format(budget.confidence, "f"),
    )


def own_part(uncertainty: ShownUncertainty) -> float:
    """The standard uncertainty that belongs to one measurement alone, in the unit of the budget (see `Budget.own`)."""
    return hypot(*(float(each.u.value) for each in uncertainty.budget if each.source in OWN))


def common_part(uncertainty: ShownUncertainty) -> float:
    """The standard uncertainty that acts alike on all measurements with one gauge (see `Budget.common`)."""
    return hypot(*(float(each.u.value) for each in uncertainty.budget if each.source not in OWN))


def _significant(value: Decimal | None) -> str | None:
    """A number that was never exact, to six significant digits."""
    return None if value is None else format(Context(prec=6).plus(value), "f")


def show_quotient(total: Decimal, divisor: int, unit: str, *, exact: bool = True) -> ShownQuantity:
    """total/divisor written plainly, or to nine decimals where it does not end or came from a fit."""
    with localcontext(EXACT):
        try:
            value = total / divisor
        except Inexact:
            exact = False
    if not exact:
        with localcontext(EXACT) as rounding:
            rounding.traps[Inexact] = False
            value = (total / divisor).quantize(_SHOWN_DECIMALS)
    return shown(value + 0 if value == 0 else value, unit)


def show_acceptance(acceptance: Interval | None, unit: Literal["mm", "N"]) -> Limits | None:
    """The acceptance interval of a guarded rule, to nine decimals."""
    if acceptance is None:
        return None
    lower, upper = acceptance.lower, acceptance.upper
    return Limits(
        lower=None if lower is None else show_quotient(lower, 1, unit, exact=False),
        upper=None if upper is None else show_quotient(upper, 1, unit, exact=False),
    )
