"""Every kind of event, by its type: which subject it belongs to, its data, and the layout that is current."""

from datetime import datetime
from typing import Any, Final, Literal, TypeAlias

import msgspec
from msgspec import Struct

from service.domain.event import entries, gauges, sheets, spindles

SubjectKind = Literal["spindles", "sheets", "gauges", "lots"]

SheetData: TypeAlias = sheets.SheetIssued
GaugeData: TypeAlias = gauges.GaugeRegistered | gauges.GaugeCalibrated | gauges.GaugeStudied | gauges.GaugeWithdrawn
LotData: TypeAlias = gauges.LotReceived | gauges.LotWithdrawn
SpindleData: TypeAlias = (
    spindles.Commissioned
    | spindles.Removed
    | spindles.Installed
    | spindles.SheetAssigned
    | spindles.Retired
    | spindles.ClampingSetReplaced
    | spindles.ComponentReplaced
    | spindles.NoseAdjusted
    | spindles.NoseTorqued
    | spindles.ClampExercised
    | spindles.SettingMeasured
    | spindles.DrawForceMeasured
    | spindles.RunOutMeasured
    | spindles.VisualChecked
    | spindles.ClampingSetGreased
    | spindles.ConditionNoted
    | spindles.ConditionResolved
    | spindles.CounterRead
    | spindles.CounterReplaced
    | spindles.CounterMissed
    | spindles.RecheckDeferred
    | spindles.ConcessionGranted
)
EntryData: TypeAlias = entries.Corrected | entries.Voided
EventData: TypeAlias = SheetData | GaugeData | LotData | SpindleData | EntryData


class Kind(Struct, frozen=True, kw_only=True):
    """A type of event. `schema` counts the layouts its data has had; older ones are lifted when read.

    `subject` is None where it may speak of any.
    """

    subject: SubjectKind | None
    data: Any
    schema: int = 1


KINDS: Final[dict[str, Kind]] = {
    "sheet.issued": Kind(subject="sheets", data=sheets.SheetIssued),
    "gauge.registered": Kind(subject="gauges", data=gauges.GaugeRegistered),
    "gauge.calibrated": Kind(subject="gauges", data=gauges.GaugeCalibrated),
    "gauge.studied": Kind(subject="gauges", data=gauges.GaugeStudied),
    "gauge.withdrawn": Kind(subject="gauges", data=gauges.GaugeWithdrawn),
    "lot.received": Kind(subject="lots", data=gauges.LotReceived),
    "lot.withdrawn": Kind(subject="lots", data=gauges.LotWithdrawn),
    "spindle.commissioned": Kind(subject="spindles", data=spindles.Commissioned),
    "spindle.removed": Kind(subject="spindles", data=spindles.Removed),
    "spindle.installed": Kind(subject="spindles", data=spindles.Installed),
    "spindle.sheet_assigned": Kind(subject="spindles", data=spindles.SheetAssigned),
    "spindle.retired": Kind(subject="spindles", data=spindles.Retired),
    "clamping_set.replaced": Kind(subject="spindles", data=spindles.ClampingSetReplaced),
    "component.replaced": Kind(subject="spindles", data=spindles.ComponentReplaced),
    "nose.adjusted": Kind(subject="spindles", data=spindles.NoseAdjusted),
    "nose.torqued": Kind(subject="spindles", data=spindles.NoseTorqued),
    "clamp.exercised": Kind(subject="spindles", data=spindles.ClampExercised),
    "setting.measured": Kind(subject="spindles", data=spindles.SettingMeasured),
    "draw_force.measured": Kind(subject="spindles", data=spindles.DrawForceMeasured),
    "run_out.measured": Kind(subject="spindles", data=spindles.RunOutMeasured),
    "visual.checked": Kind(subject="spindles", data=spindles.VisualChecked),
    "clamping_set.greased": Kind(subject="spindles", data=spindles.ClampingSetGreased),
    "condition.noted": Kind(subject="spindles", data=spindles.ConditionNoted),
    "condition.resolved": Kind(subject="spindles", data=spindles.ConditionResolved),
    "counter.read": Kind(subject="spindles", data=spindles.CounterRead),
    "counter.replaced": Kind(subject="spindles", data=spindles.CounterReplaced),
    "counter.missed": Kind(subject="spindles", data=spindles.CounterMissed),
    "recheck.deferred": Kind(subject="spindles", data=spindles.RecheckDeferred),
    "concession.granted": Kind(subject="spindles", data=spindles.ConcessionGranted),
    "entry.corrected": Kind(subject=None, data=entries.Corrected),
    "entry.voided": Kind(subject=None, data=entries.Voided),
}

_DECODERS: Final = {name: msgspec.json.Decoder(kind.data) for name, kind in KINDS.items()}


class SchemaTooNew(Exception):
    """What is stored is in a layout that this release does not know: a newer release wrote it. It is left as it is."""


def decode_data(event_type: str, data: bytes, schema: int | None = None) -> EventData:
    """The data of one event as a value.

    Raises msgspec.ValidationError or DecodeError where the data does not fit, SchemaTooNew where the stored
    layout is newer than this release.
    """
    kind = KINDS.get(event_type)
    if kind is None or (schema is not None and schema > kind.schema):
        raise SchemaTooNew(f"{event_type} in layout {schema} was written by a newer release than this one")
    value: EventData = _DECODERS[event_type].decode(data)
    return value


class Fact(Struct, frozen=True, kw_only=True):
    """One entry as the folds see it. `reading` is the counter that held then; times are UTC.

    `corrected` is the sequence of the correction whose data stands in it.
    """

    sequence: int
    occurred: datetime
    type: str
    data: EventData
    reading: int | None = None
    corrected: int | None = None
