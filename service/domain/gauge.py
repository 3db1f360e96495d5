"""Gauges: what is on record about one, whether it was fit at a time, and its uncertainty budget."""

from datetime import UTC, datetime
from decimal import Decimal, localcontext
from typing import Final

from msgspec import Struct

from service.domain.event import Fact
from service.domain.event.gauges import (
    DIMENSION_OF_KIND,
    GaugeCalibrated,
    GaugeKind,
    GaugeRegistered,
    GaugeStudied,
    GaugeWithdrawn,
)
from service.domain.quantity import Quantity
from service.domain.question import QuestionRefused, root
from service.domain.refusal import Refusal
from service.domain.study import Cells, Trial, crossed, pooled, repeatability
from service.domain.uncertainty import NEAR, Budget, Expanded, from_half_width, measurement_budget, thermal
from service.domain.withdrawal import Withdrawal, earlier_withdrawal

_YEAR_S: Final = Decimal(31_557_600)


class GaugeNotRegistered(Refusal):
    """The first thing on record about a gauge is its registration."""

    code = "gauge_not_registered"


class GaugeKindChanged(Refusal):
    """A gauge keeps its kind; another kind is another gauge."""

    code = "gauge_kind_changed"


class CalibrationDueTooEarly(Refusal):
    """A calibration is due on its own day at the earliest."""

    code = "calibration_due_too_early"


class CalibrationOfOtherKind(Refusal):
    """A certificate is in a unit of what the gauge measures."""

    code = "unit_of_other_kind"


class StudyIncomplete(Refusal):
    """A study in which a cell is missing or stands twice, or that has too few of something."""

    code = "study_incomplete"


class Registration(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    sequence: int
    occurred: datetime
    data: GaugeRegistered


class Calibration(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    sequence: int
    occurred: datetime
    data: GaugeCalibrated


class StudyMade(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    sequence: int
    occurred: datetime
    data: GaugeStudied

    def cells(self) -> Cells:
        """The trials of each part and person, in mm, N or N.m. Raises StudyIncomplete."""
        rows = [
            Trial(part=each.part, person=each.person, trial=str(each.trial), value=each.value.base)
            for each in self.data.measurements
        ]
        try:
            return crossed(rows)
        except QuestionRefused as refusal:
            raise StudyIncomplete(refusal.detail, pointer=f"/data{refusal.faults[0].pointer}") from refusal


class Repeatability(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The standard deviation of one reading, with its degrees of freedom where they are known."""

    s: Decimal
    dof: int | None


class Gauge(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A gauge as its facts say; `sequence` is the newest of them. Calibrations stand in order of time."""

    key: str
    sequence: int
    registered: Registration | None = None
    calibrations: tuple[Calibration, ...] = ()
    withdrawn: Withdrawal | None = None
    studies: tuple[StudyMade, ...] = ()

    def repeatability_at(self, when: datetime) -> Repeatability | None:
        """Pooled from the studies made by then (JCGM 100:2008, H.3.6), else what the registration states."""
        made = [repeatability(study.cells()) for study in self.studies if study.occurred <= when]
        if made:
            s, dof = pooled([(root(variance), dof) for variance, dof in made])
            return Repeatability(s=NEAR.plus(s), dof=dof)
        stated = None if self.registered is None else self.registered.data
        if stated is None or stated.repeatability is None:
            return None
        return Repeatability(s=stated.repeatability.base, dof=stated.repeatability_dof)

    def calibration_at(self, when: datetime) -> Calibration | None:
        """The newest calibration made by then, None before the first."""
        made = [calibration for calibration in self.calibrations if calibration.occurred <= when]
        return made[-1] if made else None

    def in_calibration(self, when: datetime) -> bool:
        """Whether that calibration holds: to the end of its due day, 24:00 UTC.

        Past that day it still held where the next calibration found the gauge within its permitted error.
        """
        calibration = self.calibration_at(when)
        if calibration is None:
            return False
        return when.astimezone(UTC).date() <= calibration.data.due or self._found_within(self.next_calibration(when))

    def next_calibration(self, when: datetime) -> Calibration | None:
        """The first calibration made after then."""
        return next((calibration for calibration in self.calibrations if calibration.occurred > when), None)

    def sequence_for(self, when: datetime) -> int:
        """The newest of the entries that its use at `when` is judged by: what comes later changes nothing there."""
        known: list[Registration | Calibration | StudyMade | Withdrawal | None] = [
            self.registered,
            self.calibration_at(when),
            self.next_calibration(when),
            *(study for study in self.studies if study.occurred <= when),
        ]
        if self.withdrawn_at(when):
            known.append(self.withdrawn)
        return max((each.sequence for each in known if each is not None), default=self.sequence)

    def recall_at(self, when: datetime) -> Calibration | None:
        """The calibration that found the gauge out after it was used at `when`, and none before it did not.

        When the error arose between two calibrations is unknown.
        """
        found = self.next_calibration(when)
        return found if found is not None and self.found_out(found) else None

    def found_out(self, calibration: Calibration) -> bool:
        """Whether it was found beyond its permitted error; not known where either is not stated."""
        error, permitted = calibration.data.as_found, self._permitted
        return error is not None and permitted is not None and abs(error.base) > permitted

    def _found_within(self, calibration: Calibration | None) -> bool:
        error = None if calibration is None else calibration.data.as_found
        return error is not None and self._permitted is not None and abs(error.base) <= self._permitted

    @property
    def _permitted(self) -> Decimal | None:
        stated = None if self.registered is None else self.registered.data.permitted_error
        return None if stated is None else stated.base

    def is_of(self, kind: GaugeKind) -> bool:
        """Whether it measures this at all."""
        return self.registered is not None and self.registered.data.kind == kind

    def withdrawn_at(self, when: datetime) -> bool:
        """Whether it had been withdrawn by then."""
        return self.withdrawn is not None and self.withdrawn.occurred <= when


def apply_gauge(gauge: Gauge | None, key: str, fact: Fact) -> Gauge:
    """The gauge after one of its facts; the result does not depend on the order of the facts.

    A certificate may be older than the registration, so only a gauge whose very first entry is something
    else than its registration is refused (GaugeNotRegistered). Of two withdrawals the earlier holds. Raises
    GaugeKindChanged, CalibrationDueTooEarly and CalibrationOfOtherKind as their names say.
    """
    if gauge is None:
        if fact.sequence == 1 and not isinstance(fact.data, GaugeRegistered):
            raise GaugeNotRegistered(f"gauge {key} has not been registered", pointer="/subject")
        gauge = Gauge(key=key, sequence=fact.sequence)
    registered, calibrations, withdrawn = gauge.registered, gauge.calibrations, gauge.withdrawn
    studies = gauge.studies
    match fact.data:
        case GaugeRegistered() as data:
            registered = _registered(gauge, fact, data)
        case GaugeCalibrated() as data:
            made = Calibration(sequence=fact.sequence, occurred=fact.occurred, data=data)
            calibrations = tuple(sorted([*calibrations, made], key=lambda each: (each.occurred, each.sequence)))
            if data.due < fact.occurred.astimezone(UTC).date():
                raise CalibrationDueTooEarly(
                    f"due on {data.due}, before the calibration's own day {fact.occurred.astimezone(UTC).date()}",
                    pointer="/data/due",
                )
        case GaugeStudied() as data:
            study = StudyMade(sequence=fact.sequence, occurred=fact.occurred, data=data)
            study.cells()
            studies = tuple(sorted([*studies, study], key=lambda each: (each.occurred, each.sequence)))
        case GaugeWithdrawn(reason=reason):
            withdrawn = earlier_withdrawal(withdrawn, fact, reason)
        case _:
            raise AssertionError(fact.type)
    if registered is not None:
        _check_units(registered.data, calibrations, studies)
    return Gauge(
        key=key,
        sequence=max(gauge.sequence, fact.sequence),
        registered=registered,
        calibrations=calibrations,
        withdrawn=withdrawn,
        studies=studies,
    )


def _registered(gauge: Gauge, fact: Fact, data: GaugeRegistered) -> Registration:
    """The newer of two registrations of the same kind."""
    known = gauge.registered
    entered = Registration(sequence=fact.sequence, occurred=fact.occurred, data=data)
    if known is None:
        return entered
    if known.data.kind != data.kind:
        raise GaugeKindChanged(
            f"gauge {gauge.key} is registered as a {known.data.kind} gauge; a {data.kind} gauge needs its own key",
            pointer="/data/kind",
        )
    return max(known, entered, key=lambda each: (each.occurred, each.sequence))


def _check_units(
    registered: GaugeRegistered, calibrations: tuple[Calibration, ...], studies: tuple[StudyMade, ...]
) -> None:
    wanted = DIMENSION_OF_KIND[registered.kind]
    for study in studies:
        for place, each in enumerate(study.data.measurements):
            if each.value.dimension != wanted:
                raise CalibrationOfOtherKind(
                    f"a {registered.kind} gauge does not measure in {each.value.unit}",
                    pointer=f"/data/measurements/{place}/value/unit",
                )
    for calibration in calibrations:
        for name in ("expanded_uncertainty", "correction", "as_found", "as_left"):
            value: Quantity | None = getattr(calibration.data, name)
            if value is not None and value.dimension != wanted:
                raise CalibrationOfOtherKind(
                    f"{name} of a {registered.kind} gauge is not given in {value.unit}", pointer=f"/data/{name}"
                )


def correction_of(gauge: Gauge | None, when: datetime) -> Decimal:
    """What is added to a reading in mm, N or N.m: the correction of the calibration that held, else zero."""
    calibration = None if gauge is None else gauge.calibration_at(when)
    if calibration is None or calibration.data.correction is None:
        return Decimal(0)
    return calibration.data.correction.base


def budget_of(
    gauge: Gauge | None,
    when: datetime,
    weight_squares: Decimal,
    *,
    difference: bool = False,
    length: Decimal | None = None,
    confidence: Decimal | None = None,
    observed: tuple[Decimal, int] | None = None,
) -> Budget | None:
    """The budget of a weighted mean of this gauge's readings at `when`, in mm, N or N.m.

    None where there is no gauge, or its repeatability is not known: neither stated nor studied, nor `observed` in the
    readings themselves as (s, degrees of freedom). `difference` says that what is read is a
    difference of indications (a run-out): zeroing and correction then cancel. Temperature acts on a `length` in mm.
    """
    found = None if gauge is None else gauge.repeatability_at(when)
    if found is None and observed is not None:
        found = Repeatability(s=observed[0], dof=observed[1])
    if gauge is None or gauge.registered is None or found is None:
        return None
    stated = gauge.registered.data
    zeroing, calibration = stated.zeroing, gauge.calibration_at(when)
    master = None if zeroing is None or difference else zeroing.master
    certificate = None if calibration is None else calibration.data
    heat = stated.temperature
    return measurement_budget(
        repeatability=found.s,
        repeatability_dof=None if found.dof is None else Decimal(found.dof),
        resolution=None if stated.resolution is None else stated.resolution.base,
        weight_squares=weight_squares,
        calibration=None if certificate is None else Expanded(U=certificate.expanded_uncertainty.base, k=certificate.k),
        correction_stated=difference or (certificate is not None and certificate.correction is not None),
        zeroing_included=difference or (zeroing is not None and zeroing.included is True),
        master=None if master is None else Expanded(U=master.expanded_uncertainty.base, k=master.k),
        temperature=None if heat is None or length is None else thermal(length, heat.expansion, heat.half_width.value),
        drift=_drifted(stated, calibration, when),
        confidence=confidence,
    )


def _drifted(stated: GaugeRegistered, calibration: Calibration | None, when: datetime) -> Decimal | None:
    """u of the drift since the calibration: anywhere within the bound stated for a year is equally likely."""
    if stated.drift_per_year is None or calibration is None:
        return None
    with localcontext(NEAR):
        years = Decimal(str((when - calibration.occurred).total_seconds())) / _YEAR_S
        return from_half_width(stated.drift_per_year.base * years)
