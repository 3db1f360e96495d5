"""Verdicts on a setting, a draw force and a run-out: what was measured, what it may deviate, and the outcome."""

from datetime import datetime
from decimal import Decimal, localcontext
from typing import Final, Literal

from msgspec import Struct

from service.domain.decision import Decision, decide
from service.domain.doubt import agreed, doubt_of, fits
from service.domain.event.sheets import DecisionRule
from service.domain.event.spindles import DrawForceMeasured, RunOutMeasured, SettingMeasured
from service.domain.finding import (
    Basis,
    Finding,
    Limits,
    Outcome,
    Recall,
    RuleUsed,
    ShownUncertainty,
    in_order,
    show_acceptance,
    show_quotient,
    show_uncertainty,
)
from service.domain.force import estimate_force
from service.domain.gauge import Gauge, budget_of, correction_of
from service.domain.quantity import EXACT, ShownQuantity, shown, shown_rounded
from service.domain.setting import estimate_depth
from service.domain.sheet import Revision, depth_limits, force_limits, rule_of, run_out_limit
from service.domain.uncertainty import NEAR, Budget, combined

_ONE_READING: Final = Decimal(1)


class MeasuredDepth(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A depth kept for later comparison: total_mm/divisor, exactly, with what belongs to this measurement alone.

    `u_own_mm` combines repeatability, resolution and zeroing; `u_common_mm` the rest, which cancels against
    another measurement under the same `calibration` (its entry in the gauge's stream).
    """

    total_mm: Decimal
    divisor: int
    gauge: str | None
    u_own_mm: Decimal | None
    u_common_mm: Decimal | None = None
    calibration: int | None = None


class SettingVerdict(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The verdict on a setting depth; quantities in mm. `outside` holds whether or not it is admissible."""

    outcome: Outcome
    admissible: bool
    reasons: tuple[str, ...]
    mean: ShownQuantity
    deviation: ShownQuantity
    half_difference: ShownQuantity | None
    uncertainty: ShownUncertainty | None
    probability_of_conformity: str | None
    consumer_risk: str | None = None
    rule: RuleUsed
    limits: Limits
    acceptance: Limits | None
    basis: Basis
    outside: bool
    recall: Recall | None = None
    findings: tuple[Finding, ...] = ()
    depth: MeasuredDepth


class ForceVerdict(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The verdict on a draw force; quantities in N. `limits.lower` is the minimum, `upper` the maximum.

    `low` says that the force lies from the minimum to below the warning, `below_minimum` that it lies below
    the minimum; both compare the value itself, whatever the rule.
    """

    outcome: Outcome
    admissible: bool
    reasons: tuple[str, ...]
    force: ShownQuantity
    judged: Literal["mean", "lowest"]
    kept: int
    uncertainty: ShownUncertainty | None
    probability_of_conformity: str | None
    consumer_risk: str | None = None
    rule: RuleUsed
    limits: Limits
    warning: ShownQuantity | None
    acceptance: Limits | None
    basis: Basis
    outside: bool
    low: bool
    below_minimum: bool
    recall: Recall | None = None
    findings: tuple[Finding, ...] = ()


class RunOutVerdict(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The verdict on a total indicated run-out at one place; quantities in mm."""

    outcome: Outcome
    admissible: bool
    reasons: tuple[str, ...]
    place: Literal["taper_bore", "face", "arbor"]
    distance: ShownQuantity | None
    run_out: ShownQuantity
    uncertainty: ShownUncertainty | None
    probability_of_conformity: str | None
    consumer_risk: str | None = None
    rule: RuleUsed
    limits: Limits
    acceptance: Limits | None
    basis: Basis
    outside: bool
    recall: Recall | None = None
    findings: tuple[Finding, ...] = ()


class Shift(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How far the depth moved between two measurements (mm), and whether that is more than the gauge's doubt."""

    difference: ShownQuantity
    u: ShownQuantity
    moved: bool


def judge_setting(
    data: SettingMeasured,
    *,
    at: datetime,
    revision: Revision,
    gauge: Gauge | None,
    reasons: tuple[str, ...],
    torque_sequence: int | None,
) -> SettingVerdict:
    """The verdict on a setting. `reasons` are those of admissibility; `gauge_not_capable` is added here.

    A gauge is not capable where U exceeds the rule's `uncertainty_max`. Raises SheetIncomplete or
    CheckNotApplicable where the sheet states no depth or no rule.
    """
    stated, rule = depth_limits(revision), rule_of(revision)
    estimate = estimate_depth(data, _correction(gauge, "depth", at))
    budget = _budget(gauge, "depth", at, estimate.weight_squares, rule, length=stated.nominal.base)
    with localcontext(EXACT):
        nominal = stated.nominal.base
        lower, upper = nominal + stated.lower.base, nominal + stated.upper.base
        deviation = estimate.total - nominal * estimate.divisor
    decision = _decide(estimate.total, estimate.divisor, budget, lower, upper, rule)
    if budget is not None and rule.uncertainty_max is not None and budget.expanded > rule.uncertainty_max.base:
        reasons = (*reasons, "gauge_not_capable")
    half = estimate.half_difference
    basis = _basis(revision, gauge, at, torque_sequence)
    recall = None
    if (doubt := doubt_of(gauge, "depth", at)) is not None:
        other = estimate_depth(data, doubt.correction)
        again = _decide(other.total, other.divisor, budget, lower, upper, rule)
        recall = doubt.recall(show_quotient(other.total, other.divisor, "mm", exact=other.exact), decision, again)
    return SettingVerdict(
        outcome="not_admissible" if reasons else agreed(decision, recall),
        admissible=not reasons,
        reasons=in_order(reasons),
        mean=show_quotient(estimate.total, estimate.divisor, "mm", exact=estimate.exact),
        deviation=show_quotient(deviation, estimate.divisor, "mm", exact=estimate.exact),
        half_difference=None if half is None else show_quotient(half, estimate.divisor, "mm"),
        uncertainty=show_uncertainty(budget, "mm"),
        probability_of_conformity=decision.probability_of_conformity,
        consumer_risk=decision.consumer_risk,
        rule=RuleUsed(name=rule.name, edition=rule.edition),
        limits=Limits(lower=shown(lower, "mm"), upper=shown(upper, "mm")),
        acceptance=show_acceptance(decision.acceptance, "mm"),
        basis=basis,
        outside=decision.outside,
        depth=_kept(estimate.total, estimate.divisor, data.gauge, budget, basis.calibration),
        recall=recall,
    )


def depth_shift(before: MeasuredDepth, after: MeasuredDepth) -> Shift | None:
    """Whether the depth moved between two measurements with the same gauge: |d| > 2 u_d.

    What is common to both cancels (JCGM 100:2008, 5.2.2); where the gauge was calibrated in between, the
    common parts count too. None with different gauges, or where an uncertainty is not stated.
    """
    if before.gauge is None or before.gauge != after.gauge or before.u_own_mm is None or after.u_own_mm is None:
        return None
    parts = [before.u_own_mm, after.u_own_mm]
    if before.calibration != after.calibration:
        parts += [part for part in (before.u_common_mm, after.u_common_mm) if part is not None]
    u = combined(parts)
    divisor = before.divisor * after.divisor
    with localcontext(EXACT):
        difference = after.total_mm * before.divisor - before.total_mm * after.divisor
        moved = abs(difference) > 2 * u * divisor
    return Shift(difference=show_quotient(difference, divisor, "mm"), u=shown_rounded(u, "mm"), moved=moved)


def judge_draw_force(
    data: DrawForceMeasured,
    *,
    at: datetime,
    revision: Revision,
    gauge: Gauge | None,
    reasons: tuple[str, ...],
) -> ForceVerdict:
    """The verdict on a draw force: mean or lowest of the kept pulls against minimum and maximum.

    Raises SheetIncomplete where the sheet states no minimum or no rule, CheckNotApplicable where it says that
    draw force does not apply.
    """
    stated, rule = force_limits(revision), rule_of(revision)
    estimate = estimate_force(data, stated, _correction(gauge, "force", at))
    weights = NEAR.divide(_ONE_READING, Decimal(estimate.divisor))
    budget = _budget(gauge, "force", at, weights, rule, observed=estimate.observed)
    minimum = None if stated.minimum is None else stated.minimum.base
    maximum = None if stated.maximum is None else stated.maximum.base
    decision = _decide(estimate.total, estimate.divisor, budget, minimum, maximum, rule)
    with localcontext(EXACT):
        below_minimum = minimum is not None and estimate.total < minimum * estimate.divisor
        below_warning = stated.warning is not None and estimate.total < stated.warning.base * estimate.divisor
    recall = None
    if (doubt := doubt_of(gauge, "force", at)) is not None:
        other = estimate_force(data, stated, doubt.correction)
        again = _decide(other.total, other.divisor, budget, minimum, maximum, rule)
        recall = doubt.recall(show_quotient(other.total, other.divisor, "N"), decision, again)
    return ForceVerdict(
        outcome="not_admissible" if reasons else agreed(decision, recall),
        admissible=not reasons,
        reasons=in_order(reasons),
        force=show_quotient(estimate.total, estimate.divisor, "N"),
        judged=estimate.judged,
        kept=estimate.kept,
        uncertainty=show_uncertainty(budget, "N"),
        probability_of_conformity=decision.probability_of_conformity,
        consumer_risk=decision.consumer_risk,
        rule=RuleUsed(name=rule.name, edition=rule.edition),
        limits=Limits(lower=_shown_or_none(minimum), upper=_shown_or_none(maximum)),
        warning=_shown_or_none(None if stated.warning is None else stated.warning.base),
        acceptance=show_acceptance(decision.acceptance, "N"),
        basis=_basis(revision, gauge, at, None),
        outside=decision.outside,
        low=below_warning and not below_minimum,
        below_minimum=below_minimum,
        recall=recall,
    )


def _shown_or_none(force: Decimal | None) -> ShownQuantity | None:
    return None if force is None else shown(force, "N")


def judge_run_out(
    data: RunOutMeasured,
    *,
    at: datetime,
    revision: Revision,
    gauge: Gauge | None,
    reasons: tuple[str, ...],
) -> RunOutVerdict:
    """The verdict on a run-out against the limit at its place.

    With the arbor's reversal the larger indication is judged: two magnitudes cannot tell the arbor's part from
    the spindle's. A run-out is a difference of indications, so a correction cancels. Raises SheetIncomplete
    where the sheet states no limit there or no rule, CheckNotApplicable where run-out does not apply.
    """
    stated, rule = run_out_limit(revision, data.place, data.distance), rule_of(revision)
    indicated = data.run_out.base
    if data.reversed_run_out is not None:
        indicated = max(indicated, data.reversed_run_out.base)
    budget = _budget(gauge, "run_out", at, _ONE_READING, rule)
    decision = _decide(indicated, 1, budget, None, stated.limit.base, rule)
    distance = data.distance if data.distance is not None else stated.distance
    recall = None
    if (doubt := doubt_of(gauge, "run_out", at)) is not None:
        with localcontext(EXACT):
            other = indicated + abs(doubt.correction)
        again = _decide(other, 1, budget, None, stated.limit.base, rule)
        recall = doubt.recall(shown(other, "mm"), decision, again)
    return RunOutVerdict(
        outcome="not_admissible" if reasons else agreed(decision, recall),
        admissible=not reasons,
        reasons=in_order(reasons),
        place=data.place,
        distance=None if distance is None else shown(distance.base, "mm"),
        run_out=shown(indicated, "mm"),
        uncertainty=show_uncertainty(budget, "mm"),
        probability_of_conformity=decision.probability_of_conformity,
        consumer_risk=decision.consumer_risk,
        rule=RuleUsed(name=rule.name, edition=rule.edition),
        limits=Limits(upper=shown(stated.limit.base, "mm")),
        acceptance=show_acceptance(decision.acceptance, "mm"),
        basis=_basis(revision, gauge, at, None),
        outside=decision.outside,
        recall=recall,
    )


def _correction(gauge: Gauge | None, kind: Literal["depth", "force"], at: datetime) -> Decimal:
    return correction_of(gauge, at) if fits(gauge, kind) else Decimal(0)


def _budget(
    gauge: Gauge | None,
    kind: Literal["depth", "force", "run_out"],
    at: datetime,
    weight_squares: Decimal,
    rule: DecisionRule,
    *,
    length: Decimal | None = None,
    observed: tuple[Decimal, int] | None = None,
) -> Budget | None:
    if not fits(gauge, kind):
        return None
    difference = kind == "run_out"
    return budget_of(
        gauge,
        at,
        weight_squares,
        difference=difference,
        length=length,
        confidence=rule.confidence,
        observed=observed,
    )


def _decide(
    total: Decimal,
    divisor: int,
    budget: Budget | None,
    lower: Decimal | None,
    upper: Decimal | None,
    rule: DecisionRule,
) -> Decision:
    return decide(
        total=total,
        divisor=divisor,
        u=None if budget is None else budget.u,
        lower=lower,
        upper=upper,
        rule=rule.name,
        edition=rule.edition,
        guard_factor=rule.guard_factor,
        ratio=rule.ratio,
    )


def _basis(revision: Revision, gauge: Gauge | None, at: datetime, torque: int | None) -> Basis:
    calibration = None if gauge is None else gauge.calibration_at(at)
    return Basis(
        sheet_revision=revision.issued.revision,
        sheet_sequence=revision.sequence,
        gauge_sequence=None if gauge is None else gauge.sequence_for(at),
        calibration=None if calibration is None else calibration.sequence,
        torque=torque,
    )


def _kept(
    total: Decimal, divisor: int, gauge: str | None, budget: Budget | None, calibration: int | None
) -> MeasuredDepth:
    return MeasuredDepth(
        total_mm=total,
        divisor=divisor,
        gauge=gauge,
        u_own_mm=None if budget is None else budget.own,
        u_common_mm=None if budget is None else budget.common,
        calibration=calibration,
    )
