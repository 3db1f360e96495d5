"""Gauges: what is on record about one, whether it was fit at a time, and its uncertainty budget."""

from datetime import UTC, datetime
from decimal import Decimal

from msgspec import Struct

from service.domain.event import Fact
from service.domain.event.gauges import (
    DIMENSION_OF_KIND,
    GaugeCalibrated,
    GaugeKind,
    GaugeRegistered,
    GaugeWithdrawn,
)
from service.domain.quantity import Quantity
from service.domain.refusal import Refusal
from service.domain.uncertainty import Budget, Expanded, measurement_budget


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


class Registration(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    sequence: int
    occurred: datetime
    data: GaugeRegistered


class Calibration(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    sequence: int
    occurred: datetime
    data: GaugeCalibrated


class Withdrawal(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    sequence: int
    occurred: datetime
    reason: str


class Gauge(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A gauge as its facts say; `sequence` is the newest of them. Calibrations stand in order of time."""

    key: str
    sequence: int
    registered: Registration | None = None
    calibrations: tuple[Calibration, ...] = ()
    withdrawn: Withdrawal | None = None

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
        known: list[Registration | Calibration | Withdrawal | None] = [
            self.registered,
            self.calibration_at(when),
            self.next_calibration(when),
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
        case GaugeWithdrawn(reason=reason):
            taken = Withdrawal(sequence=fact.sequence, occurred=fact.occurred, reason=reason)
            known = [taken] if withdrawn is None else [taken, withdrawn]
            withdrawn = min(known, key=lambda each: (each.occurred, each.sequence))
        case _:
            raise AssertionError(fact.type)
    if registered is not None:
        _check_units(registered.data, calibrations)
    return Gauge(
        key=key,
        sequence=max(gauge.sequence, fact.sequence),
        registered=registered,
        calibrations=calibrations,
        withdrawn=withdrawn,
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


def _check_units(registered: GaugeRegistered, calibrations: tuple[Calibration, ...]) -> None:
    wanted = DIMENSION_OF_KIND[registered.kind]
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
    gauge: Gauge | None, when: datetime, weight_squares: Decimal, *, difference: bool = False
) -> Budget | None:
    """The budget of a weighted mean of this gauge's readings at `when`, in mm, N or N.m.

    None where there is no gauge or its repeatability is not stated. `difference` says that what is read is a
    difference of indications (a run-out): zeroing and correction then cancel.
    """
    if gauge is None or gauge.registered is None or gauge.registered.data.repeatability is None:
        return None
    stated = gauge.registered.data
    zeroing, calibration = stated.zeroing, gauge.calibration_at(when)
    master = None if zeroing is None or difference else zeroing.master
    certificate = None if calibration is None else calibration.data
    return measurement_budget(
        repeatability=stated.repeatability.base if stated.repeatability is not None else Decimal(0),
        resolution=None if stated.resolution is None else stated.resolution.base,
        weight_squares=weight_squares,
        calibration=None if certificate is None else Expanded(U=certificate.expanded_uncertainty.base, k=certificate.k),
        correction_stated=difference or (certificate is not None and certificate.correction is not None),
        zeroing_included=difference or (zeroing is not None and zeroing.included is True),
        master=None if master is None else Expanded(U=master.expanded_uncertainty.base, k=master.k),
    )
