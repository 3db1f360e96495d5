"""Evaluations: what judges a spindle, asked with plain values and without recording anything.

What a recorded measurement finds on record (draw bar released, gauge zeroed, torque, running in, a complete rebuild) is
taken as in order where the question does not say it, and every such assumption is answered beside the verdict.
"""

from datetime import UTC, datetime
from decimal import Decimal, localcontext
from typing import Annotated, Final, Literal

import msgspec
from msgspec import Meta, Struct

from service.domain.admissibility import Preparation, TorqueRecord, setting_reasons
from service.domain.decision import decide
from service.domain.event import Fact
from service.domain.event.gauges import GaugeCalibrated, GaugeRegistered
from service.domain.event.sheets import Key, Name, NoseTorque, SheetIssued
from service.domain.event.spindles import Reading, SettingMeasured
from service.domain.gauge import CalibrationOfOtherKind, Gauge, apply_gauge
from service.domain.quantity import EXACT, UNITS, Quantity, ShownQuantity, check_unit, exact_decimal, shown
from service.domain.refusal import Refusal
from service.domain.sheet import CheckNotApplicable, Revision, SheetIncomplete
from service.domain.turn import Instruction, advise_setting, cure_reasons
from service.domain.verdict import SettingVerdict, judge_setting

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_ABSENT: Final = msgspec.Raw(b"null")
_ONE: Final = Decimal(1)
_BASE_UNIT: Final = {"length": "mm", "angle": "deg", "force": "N", "torque": "N.m", "pressure": "bar", "one": "1"}

SETTING_METHOD: Final = (
    "mean of opposed readings or least squares; uncertainty by JCGM 100:2008, 5.1.2, U = 2 u; decision by "
    "JCGM 106:2012, 8.2 (simple) or 8.3 and ISO 14253-1 (guarded); probability of conformity by JCGM 106:2012, 7.4"
)
CONFORMITY_METHOD: Final = (
    "decision by JCGM 106:2012, 8.2 (simple: on or inside the limits) or 8.3 and ISO 14253-1 (guarded: a band of "
    "guard_factor times u at each limit); probability of conformity of a normal quantity by JCGM 106:2012, 7.3.1 (one "
    "limit) or 7.4 (two), without prior knowledge; consumer_risk is 1 minus it (9.3.2): what is risked if y is accepted"
)


class QuestionRefused(Refusal):
    """A question that has no answer; the fault says what is wrong with it."""

    code = "evaluation_invalid"


class SheetStated(SheetIssued, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A sheet given with the question: as in `sheet.issued`, whose revision and validity may be left out."""

    revision: Annotated[int, Meta(ge=1, le=1_000_000)] = 1
    valid_from: Annotated[datetime, Meta(tz=True)] = _EPOCH


class GaugeStated(GaugeRegistered, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A gauge given with the question: as in `gauge.registered`, with the calibration that holds."""

    calibration: GaugeCalibrated | None = None


class SettingAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Readings to judge by a sheet and a gauge, each by key or stated; what is left out is assumed to be in order."""

    readings: Annotated[tuple[Reading, ...], Meta(min_length=1, max_length=360)]
    sheet: Key | SheetStated
    gauge: Key | GaugeStated | None = None
    at: Annotated[str, Meta(min_length=1, max_length=64)] | None = None
    gauge_zeroed: bool | None = None
    draw_bar: Literal["released", "clamped"] | None = None
    torque: Quantity | None = None
    run_in_cycles: Annotated[int, Meta(ge=0, le=100_000)] | None = None

    def __post_init__(self) -> None:
        if self.torque is not None and self.torque.dimension != "torque":
            raise ValueError(f"unit_of_other_kind: /torque/unit: torque is a torque, {self.torque.unit!r} is not")


class Assumption(Struct, frozen=True, kw_only=True):
    """What was not said, and is taken to be so."""

    member: str
    text: str


class SettingEvaluated(Struct, frozen=True, kw_only=True):
    verdict: SettingVerdict
    instruction: Instruction | None
    assumed: tuple[Assumption, ...]


def evaluate_setting(asked: SettingAsked, *, at: datetime, revision: Revision, gauge: Gauge | None) -> SettingEvaluated:
    """The verdict and the instruction that recording these readings would bring, at `at`.

    Raises SheetIncomplete or CheckNotApplicable as the verdict does.
    """
    data = SettingMeasured(
        readings=asked.readings,
        gauge=None if gauge is None else gauge.key,
        gauge_zeroed=asked.gauge_zeroed is not False,
        draw_bar=asked.draw_bar or "released",
    )
    reasons = setting_reasons(
        data,
        at=at,
        revision=revision,
        gauge=gauge,
        gauge_key_known=gauge is not None,
        preparation=_preparation(asked, revision),
    )
    try:
        verdict = judge_setting(data, at=at, revision=revision, gauge=gauge, reasons=reasons, torque_sequence=None)
    except (SheetIncomplete, CheckNotApplicable) as refusal:
        member = "" if isinstance(asked.sheet, str) else "".join(fault.pointer or "" for fault in refusal.faults)
        raise type(refusal)(refusal.detail, pointer=f"/sheet{member}") from refusal
    if verdict.admissible:
        instruction = advise_setting(verdict, revision=revision, at_recheck=False)
    else:
        instruction = Instruction(then=cure_reasons(verdict.reasons, revision=revision))
    return SettingEvaluated(verdict=verdict, instruction=instruction, assumed=_assumed(asked, at, revision))


def stated_revision(sheet: SheetStated) -> Revision:
    """A sheet given with the question; it has no entry, which the basis of the verdict shows as 0."""
    return Revision(sequence=0, issued=sheet)


def stated_gauge(gauge: GaugeStated) -> Gauge:
    """A gauge given with the question, calibrated long ago where a calibration is stated. Raises QuestionRefused."""
    registered = GaugeRegistered(**{name: getattr(gauge, name) for name in GaugeRegistered.__struct_fields__})
    made = apply_gauge(None, "stated", Fact(sequence=1, occurred=_EPOCH, type="gauge.registered", data=registered))
    if gauge.calibration is None:
        return made
    calibrated = Fact(sequence=2, occurred=_EPOCH, type="gauge.calibrated", data=gauge.calibration)
    try:
        return apply_gauge(made, "stated", calibrated)
    except CalibrationOfOtherKind as refusal:
        raise QuestionRefused(refusal.detail, pointer="/gauge/calibration") from refusal


def _preparation(asked: SettingAsked, revision: Revision) -> Preparation:
    limits, wanted = revision.issued.nose_torque, revision.issued.run_in_cycles
    if asked.torque is not None:
        torque_nm = asked.torque.base
    else:
        stated = (limits.minimum, limits.maximum, limits.nominal) if isinstance(limits, NoseTorque) else ()
        torque_nm = next((limit.base for limit in stated if limit is not None), Decimal(0))
    run_in = asked.run_in_cycles
    if run_in is None:
        run_in = wanted if isinstance(wanted, int) else 0
    return Preparation(torque=TorqueRecord(sequence=0, torque_nm=torque_nm), run_in_cycles=run_in)


def _assumed(asked: SettingAsked, at: datetime, revision: Revision) -> tuple[Assumption, ...]:
    texts = {
        "draw_bar": "The draw bar was released.",
        "gauge_zeroed": "The gauge was zeroed before.",
        "torque": "The nose was torqued within the sheet's limits since the last rebuild or adjustment.",
        "run_in_cycles": "The set was run in since, by as many cycles as the sheet asks.",
        "at": f"Measured at {at.isoformat()}: the sheet and the gauge are taken as they hold then.",
    }
    needed = {
        "torque": isinstance(revision.issued.nose_torque, NoseTorque),
        "run_in_cycles": isinstance(revision.issued.run_in_cycles, int),
        "gauge_zeroed": asked.gauge is not None,
    }
    found = [
        Assumption(member=member, text=text)
        for member, text in texts.items()
        if getattr(asked, member) is None and needed.get(member, True)
    ]
    return (*found, Assumption(member="rebuild", text="The last rebuild was complete: segments, o-ring and parts."))


class Rule(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which rule decides; `guard_factor` multiplies u at each limit (guarded only)."""

    name: Literal["simple", "guarded"]
    guard_factor: msgspec.Raw = msgspec.field(default_factory=lambda: _ABSENT)
    edition: Name | None = None


class ConformityAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An estimate y with its standard uncertainty u, and one limit or two: all plain numbers, or all quantities."""

    y: msgspec.Raw
    u: msgspec.Raw
    lower: msgspec.Raw = msgspec.field(default_factory=lambda: _ABSENT)
    upper: msgspec.Raw = msgspec.field(default_factory=lambda: _ABSENT)
    rule: Rule


class Acceptance(Struct, frozen=True, kw_only=True):
    """Where the rule accepts; an open side is null. Guard bands wider than the limits leave lower above upper."""

    lower: str | ShownQuantity | None
    upper: str | ShownQuantity | None


class ConformityEvaluated(Struct, frozen=True, kw_only=True):
    outcome: str
    probability_of_conformity: str
    consumer_risk: str
    acceptance: Acceptance
    method: str = CONFORMITY_METHOD


class _Number(Struct, frozen=True, kw_only=True):
    """A value as it was written; `unit` is None for a plain number."""

    value: Decimal
    unit: str | None


def evaluate_conformity(asked: ConformityAsked) -> ConformityEvaluated:
    """The decision on y. Raises QuestionRefused, naming each member that cannot be taken."""
    given = {name: _number(getattr(asked, name), f"/{name}") for name in ("y", "u", "lower", "upper")}
    if given["y"] is None or given["u"] is None:
        raise QuestionRefused("y and u are needed", pointer="/y" if given["y"] is None else "/u")
    values, unit = _in_one_unit({name: number for name, number in given.items() if number is not None})
    lower, upper, u = values.get("lower"), values.get("upper"), values["u"]
    if lower is None and upper is None:
        raise QuestionRefused("state lower, upper or both", pointer="/lower")
    if lower is not None and upper is not None and lower > upper:
        raise QuestionRefused("lower is above upper", pointer="/lower")
    if u < 0:
        raise QuestionRefused("a standard uncertainty is zero or more", pointer="/u")
    factor = _number(asked.rule.guard_factor, "/rule/guard_factor")
    if asked.rule.name == "guarded" and factor is None:
        raise QuestionRefused("a guarded rule states its guard_factor", pointer="/rule/guard_factor")
    if factor is not None and (factor.unit is not None or factor.value < 0):
        raise QuestionRefused("guard_factor is a plain number, zero or more", pointer="/rule/guard_factor")
    guard = Decimal(0) if factor is None else factor.value
    decision = decide(total=values["y"], u=u, lower=lower, upper=upper, rule=asked.rule.name, guard_factor=guard)
    probability = decision.probability_of_conformity
    assert probability is not None
    accepts = decision.acceptance
    ends = (lower, upper) if accepts is None else (accepts.lower, accepts.upper)
    with localcontext(EXACT):
        risk = _ONE - Decimal(probability)
    return ConformityEvaluated(
        outcome=decision.outcome,
        probability_of_conformity=probability,
        consumer_risk=f"{risk:.6f}",
        acceptance=Acceptance(lower=_written(ends[0], unit), upper=_written(ends[1], unit)),
    )


def _number(raw: msgspec.Raw, pointer: str) -> _Number | None:
    """A plain number or a quantity, exactly as written; None where it was left out."""
    written = bytes(raw).strip()
    if written == b"null":
        return None
    try:
        if written.startswith(b"{"):
            stated = msgspec.json.decode(written, type=Quantity)
            return _Number(value=stated.value, unit=check_unit(stated.unit))
        return _Number(value=exact_decimal(written), unit=None)
    except (ValueError, msgspec.MsgspecError) as error:
        text = str(error).partition(" - at `")[0]
        raise QuestionRefused(f"{pointer[1:]}: {text.partition(': ')[2] or text}", pointer=pointer) from error


def _in_one_unit(given: dict[str, _Number]) -> tuple[dict[str, Decimal], str | None]:
    """All values in one unit, exactly: as written where all have the same, else in the unit of their kind."""
    units = {number.unit for number in given.values()}
    if len(units) == 1:
        return {name: number.value for name, number in given.items()}, units.pop()
    kinds = {None if unit is None else UNITS[unit][0] for unit in units}
    kind = kinds.pop()
    if kinds or kind is None or kind == "temperature":
        place = next(name for name, number in given.items() if number.unit != next(iter(given.values())).unit)
        raise QuestionRefused("the values are all plain numbers, or all of one kind of unit", pointer=f"/{place}")
    return {
        name: EXACT.multiply(number.value, UNITS[number.unit or "1"][1]) for name, number in given.items()
    }, _BASE_UNIT[kind]


def _written(value: Decimal | None, unit: str | None) -> str | ShownQuantity | None:
    if value is None:
        return None
    return format(value, "f") if unit is None else shown(value, unit)
