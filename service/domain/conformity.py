"""Does a value conform, and what does a way of deciding cost: the questions `conformity` and `global-risk`."""

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Final, Literal

from msgspec import Meta, Raw, Struct, field

from service.domain.decision import GUARD_OF_EDITION, capability, decide, edition_year, guard_of, is_good_enough
from service.domain.global_risk import Span, global_risk
from service.domain.line import mean_and_sd
from service.domain.quantity import EXACT, ShownQuantity
from service.domain.question import (
    Number,
    QuestionRefused,
    absent,
    in_one_unit,
    number,
    plain_list,
    plain_or_none,
    significant,
    written,
)

CONFORMITY_METHOD: Final = (
    "decision by JCGM 106:2012, 8.2 (simple: on or inside the limits), 8.3 (guarded: a band of guard_factor times u at "
    "each limit), ISO 14253-1 (iso_14253_1: a band of 2 u by the editions of 1998 and 2013, 1.65 u by that of 2017; "
    "from memory) or 7.6.2 (ratio: simple where T/(4 u) is at least ratio, else nothing is decided); probability of "
    "conformity of a normal quantity by 7.3.1 (one limit) or 7.4 (two), without prior knowledge; consumer_risk is 1 "
    "minus it (9.3.2): what is risked if y is accepted"
)
GLOBAL_RISK_METHOD: Final = (
    "JCGM 106:2012, 9.5.3, equations 19 and 20, by quadrature: a normal process, measured with a normal error of "
    "standard uncertainty u; accepted is what is measured within the acceptance interval, both ends in"
)
_ESTIMATED: Final = "; mean and sd of the process estimated from the values given, sd as observed, with n - 1"


class Rule(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which rule decides; `guard_factor` multiplies u at each limit (guarded), `ratio` is the least T/(4 u) (ratio)."""

    name: Literal["simple", "guarded", "iso_14253_1", "ratio"]
    guard_factor: Raw = field(default_factory=absent)
    ratio: Raw = field(default_factory=absent)
    edition: str | None = None


class ConformityAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An estimate y with its standard uncertainty u, and one limit or two: all plain numbers, or all quantities."""

    y: Raw
    u: Raw
    lower: Raw = field(default_factory=absent)
    upper: Raw = field(default_factory=absent)
    rule: Rule


class Acceptance(Struct, frozen=True, kw_only=True):
    """Where the rule accepts; an open side is null. Guard bands wider than the limits leave lower above upper."""

    lower: str | ShownQuantity | None
    upper: str | ShownQuantity | None


class ConformityEvaluated(Struct, frozen=True, kw_only=True):
    """`acceptance` is null where the rule, by a measurement like this, accepts nothing.

    `capability` is C_m = T/(4 u) (JCGM 106:2012, 7.6.2), null with one limit or without uncertainty.
    """

    outcome: str
    probability_of_conformity: str
    consumer_risk: str
    acceptance: Acceptance | None
    capability: str | None
    method: str = CONFORMITY_METHOD


class Process(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is made before anything is accepted or rejected: the mean and the standard deviation of the quantity."""

    mean: Raw
    sd: Raw


class AcceptanceAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    lower: Raw = field(default_factory=absent)
    upper: Raw = field(default_factory=absent)


class GlobalRiskAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A process by its mean and sd, or by `values` it has made, such as the depths first measured after a rebuild.

    Accepted is what is measured within `acceptance`, or what `rule` accepts; without either what is within the limits.
    """

    process: Process | None = None
    values: Annotated[list[Raw], Meta(max_length=10_000)] | None = None
    u: Raw
    lower: Raw = field(default_factory=absent)
    upper: Raw = field(default_factory=absent)
    acceptance: AcceptanceAsked | None = None
    rule: Rule | None = None


class ProcessShown(Struct, frozen=True, kw_only=True):
    mean: str
    sd: str


class GlobalRiskEvaluated(Struct, frozen=True, kw_only=True):
    """Fractions of all items: accepted although they do not conform, rejected although they do, and conforming."""

    consumer_risk: str
    producer_risk: str
    conforming: str
    acceptance: Acceptance
    process: ProcessShown
    method: str = GLOBAL_RISK_METHOD


def evaluate_conformity(asked: ConformityAsked) -> ConformityEvaluated:
    """The decision on y. Raises QuestionRefused, naming each member that cannot be taken."""
    given = {name: number(getattr(asked, name), f"/{name}") for name in ("y", "u", "lower", "upper")}
    if given["y"] is None or given["u"] is None:
        raise QuestionRefused("y and u are needed", pointer="/y" if given["y"] is None else "/u")
    values, unit = in_one_unit({name: each for name, each in given.items() if each is not None})
    lower, upper, u = values.get("lower"), values.get("upper"), values["u"]
    _check_limits(lower, upper)
    _check_not_negative(u, "/u")
    guard, ratio = _of_rule(asked.rule)
    decision = decide(
        total=values["y"],
        u=u,
        lower=lower,
        upper=upper,
        rule=asked.rule.name,
        edition=asked.rule.edition or "",
        guard_factor=guard,
        ratio=ratio,
    )
    assert decision.probability_of_conformity is not None
    assert decision.consumer_risk is not None
    accepts = decision.acceptance
    ends = (lower, upper) if accepts is None else (accepts.lower, accepts.upper)
    nowhere = asked.rule.name == "ratio" and decision.outcome == "undecided"
    return ConformityEvaluated(
        outcome=decision.outcome,
        probability_of_conformity=decision.probability_of_conformity,
        consumer_risk=decision.consumer_risk,
        acceptance=None if nowhere else Acceptance(lower=written(ends[0], unit), upper=written(ends[1], unit)),
        capability=None if lower is None or upper is None or u == 0 else significant(capability(u, lower, upper)),
    )


def evaluate_global_risk(asked: GlobalRiskAsked) -> GlobalRiskEvaluated:
    """The risks of a process. Raises QuestionRefused, naming each member that cannot be taken."""
    lower, upper = plain_or_none(asked.lower, "/lower"), plain_or_none(asked.upper, "/upper")
    _check_limits(lower, upper)
    u = plain_or_none(asked.u, "/u")
    if u is None:
        raise QuestionRefused("u is needed", pointer="/u")
    _check_not_negative(u, "/u")
    mean, sd = _process(asked)
    low, high = _accepted(asked, u, lower, upper)
    middle = Fraction(mean)
    risk = global_risk(
        mean=0.0,
        sd=float(sd),
        u=float(u),
        tolerance=_span(lower, upper, middle),
        acceptance=_span(low, high, middle),
    )
    return GlobalRiskEvaluated(
        consumer_risk=f"{risk.consumer_risk:.9f}",
        producer_risk=f"{risk.producer_risk:.9f}",
        conforming=f"{risk.conforming:.9f}",
        acceptance=Acceptance(lower=written(low, None), upper=written(high, None)),
        process=ProcessShown(mean=significant(mean), sd=significant(sd)),
        method=GLOBAL_RISK_METHOD + (_ESTIMATED if asked.process is None else ""),
    )


def _process(asked: GlobalRiskAsked) -> tuple[Decimal | Fraction, Decimal]:
    if (asked.process is None) == (asked.values is None):
        raise QuestionRefused("state either the process or values that it has made", pointer="/process")
    if asked.process is None:
        values = plain_list(asked.values or [], "/values")
        if len(values) < 2:
            raise QuestionRefused("a spread is estimated from two values or more", pointer="/values")
        return mean_and_sd(values)
    mean = plain_or_none(asked.process.mean, "/process/mean")
    sd = plain_or_none(asked.process.sd, "/process/sd")
    for name, value in (("mean", mean), ("sd", sd)):
        if value is None:
            raise QuestionRefused(f"{name} is needed", pointer=f"/process/{name}")
    assert mean is not None
    assert sd is not None
    _check_not_negative(sd, "/process/sd")
    return mean, sd


def _accepted(
    asked: GlobalRiskAsked, u: Decimal, lower: Decimal | None, upper: Decimal | None
) -> tuple[Decimal | None, Decimal | None]:
    if asked.acceptance is not None and asked.rule is not None:
        raise QuestionRefused("state either the acceptance interval or a rule", pointer="/rule")
    if asked.acceptance is not None:
        low, high = (
            plain_or_none(getattr(asked.acceptance, name), f"/acceptance/{name}") for name in ("lower", "upper")
        )
        if low is None and high is None:
            raise QuestionRefused("state lower, upper or both", pointer="/acceptance")
        if low is not None and high is not None and low > high:
            raise QuestionRefused("lower is above upper", pointer="/acceptance/lower")
        return low, high
    if asked.rule is None:
        return lower, upper
    guard, ratio = _of_rule(asked.rule)
    if asked.rule.name == "ratio" and not is_good_enough(u, lower, upper, ratio):
        raise QuestionRefused("by this rule, a measurement with this u decides nothing", pointer="/rule/ratio")
    factor = guard_of(asked.rule.name, asked.rule.edition or "", guard)
    band = EXACT.multiply(Decimal(0) if factor is None else factor, u)
    return (
        None if lower is None else EXACT.add(lower, band),
        None if upper is None else EXACT.subtract(upper, band),
    )


def _of_rule(rule: Rule) -> tuple[Decimal, Decimal | None]:
    """Guard factor and ratio. Raises QuestionRefused where the rule lacks what it needs."""
    factor, ratio = number(rule.guard_factor, "/rule/guard_factor"), number(rule.ratio, "/rule/ratio")
    needed: Sequence[tuple[str, str, Number | None]] = (
        ("guarded", "guard_factor", factor),
        ("ratio", "ratio", ratio),
    )
    for name, member, value in needed:
        if rule.name == name and value is None:
            raise QuestionRefused(f"a rule {name!r} states its {member}", pointer=f"/rule/{member}")
        if value is not None and (value.unit is not None or value.value < 0 or (name == "ratio" and value.value == 0)):
            raise QuestionRefused(f"{member} is a plain number, not below zero", pointer=f"/rule/{member}")
        if value is not None and rule.name != name:
            raise QuestionRefused(f"a rule {rule.name!r} has no {member}", pointer=f"/rule/{member}")
    if rule.name == "iso_14253_1" and edition_year(rule.edition or "") is None:
        known = ", ".join(GUARD_OF_EDITION)
        raise QuestionRefused(f"the edition of ISO 14253-1 names one of the years {known}", pointer="/rule/edition")
    return Decimal(0) if factor is None else factor.value, None if ratio is None else ratio.value


def _check_limits(lower: Decimal | None, upper: Decimal | None) -> None:
    if lower is None and upper is None:
        raise QuestionRefused("state lower, upper or both", pointer="/lower")
    if lower is not None and upper is not None and lower > upper:
        raise QuestionRefused("lower is above upper", pointer="/lower")


def _check_not_negative(value: Decimal, pointer: str) -> None:
    if value < 0:
        raise QuestionRefused(f"{pointer.rpartition('/')[2]} is zero or more", pointer=pointer)


def _span(lower: Decimal | None, upper: Decimal | None, middle: Fraction) -> Span:
    """Limits from the middle of the process, subtracted exactly: far from zero nothing is lost to rounding."""
    ends = {"lower": lower, "upper": upper}
    return Span(**{name: float(Fraction(end) - middle) for name, end in ends.items() if end is not None})
