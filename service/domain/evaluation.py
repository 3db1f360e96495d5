"""Evaluations: what judges a spindle, asked with plain values and without recording anything.

What a recorded measurement finds on record (draw bar released, gauge zeroed, torque, running in, a complete rebuild) is
taken as in order where the question does not say it, and every such assumption is answered beside the verdict.
"""

from datetime import UTC, datetime
from decimal import Decimal
from typing import Annotated, Final, Literal

from msgspec import Meta, Struct

from service.domain.admissibility import Preparation, TorqueRecord, setting_reasons
from service.domain.event import Fact
from service.domain.event.gauges import GaugeCalibrated, GaugeRegistered
from service.domain.event.sheets import Key, NoseTorque, SheetIssued
from service.domain.event.spindles import Reading, SettingMeasured
from service.domain.gauge import CalibrationOfOtherKind, Gauge, apply_gauge
from service.domain.quantity import Quantity
from service.domain.question import QuestionRefused
from service.domain.sheet import CheckNotApplicable, Revision, SheetIncomplete
from service.domain.turn import Instruction, advise_setting, cure_reasons
from service.domain.verdict import SettingVerdict, judge_setting

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

SETTING_METHOD: Final = (
    "mean of opposed readings or least squares; uncertainty by JCGM 100:2008, 5.1.2, U = 2 u; decision by "
    "JCGM 106:2012, 8.2 (simple) or 8.3 and ISO 14253-1 (guarded); probability of conformity by JCGM 106:2012, 7.4"
)


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
