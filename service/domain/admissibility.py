"""Whether a measurement may prove anything: the reasons against it, every one that holds.

Rules of this file: a condition counts only where the sheet states it and the event it speaks of is on record;
a missing statement about the measurement itself (zeroed, released) counts against it.
"""

from datetime import datetime
from decimal import Decimal, localcontext

from msgspec import Struct

from service.domain.event.gauges import GaugeKind
from service.domain.event.sheets import KitPart, NoseTorque
from service.domain.event.spindles import (
    ClampingSetReplaced,
    DrawForceMeasured,
    RunOutMeasured,
    SettingMeasured,
)
from service.domain.finding import in_order
from service.domain.force import kept_pulls, pulls_wanted
from service.domain.gauge import Gauge
from service.domain.quantity import EXACT, Quantity
from service.domain.setting import estimate_depth
from service.domain.sheet import Revision, force_limits, run_out_limit


class RebuildRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The last rebuild as it was recorded; None means that it was not stated (parts: the whole kit)."""

    sequence: int
    segments_seated: int | None = None
    o_ring_fitted: bool | None = None
    parts: tuple[KitPart, ...] | None = None


class TorqueDoubt(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The tool was found out afterwards: with the whole of that error the torque was `torque_nm`."""

    tool: str
    calibration: int
    found: datetime
    error_nm: Decimal
    torque_nm: Decimal


class TorqueRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The last torque since the last rebuild or adjustment."""

    sequence: int
    torque_nm: Decimal
    doubt: TorqueDoubt | None = None


class Preparation(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is on record about the spindle before a measurement.

    `needs_torque`: a rebuild, an adjustment or a replaced component happened and no torque since.
    `run_in_cycles`: the larger of the cycles exercised and the counter's rise since that torque, None where
    no torque is on record.
    """

    rebuild: RebuildRecord | None = None
    needs_torque: bool = False
    torque: TorqueRecord | None = None
    run_in_cycles: int | None = None


def setting_reasons(
    data: SettingMeasured,
    *,
    at: datetime,
    revision: Revision,
    gauge: Gauge | None,
    gauge_key_known: bool,
    preparation: Preparation,
) -> tuple[str, ...]:
    """Why a setting measured at `at` is not admissible; `gauge_not_capable` is found by the verdict."""
    reasons = [] if data.draw_bar == "released" else ["not_released"]
    reasons += _gauge_reasons(gauge, "depth", at, known=gauge_key_known, zeroed=data.gauge_zeroed is True)
    reasons += _reading_reasons(data, revision)
    reasons += _torque_reasons(revision, preparation)
    if preparation.rebuild is not None and rebuild_missing(preparation.rebuild, revision):
        reasons.append("rebuild_incomplete")
    return in_order(reasons)


def force_reasons(
    data: DrawForceMeasured, *, at: datetime, revision: Revision, gauge: Gauge | None, gauge_key_known: bool
) -> tuple[str, ...]:
    """Why a draw force measured at `at` is not admissible. Raises SheetIncomplete as `force_limits` does.

    A force gauge made for another interface than the sheet's is of the wrong kind.
    """
    reasons = [] if data.draw_bar == "clamped" else ["not_clamped"]
    reasons += _gauge_reasons(gauge, "force", at, known=gauge_key_known, zeroed=data.gauge_zeroed is True)
    if gauge is not None and gauge.registered is not None and "gauge_unknown" not in reasons:
        made_for, wanted = gauge.registered.data.interface, revision.issued.interface
        if made_for is not None and wanted is not None and made_for != wanted:
            reasons.append("gauge_wrong_kind")
    stated = force_limits(revision)
    if len(kept_pulls(data, stated)) < pulls_wanted(stated):
        reasons.append("too_few_pulls")
    return in_order(reasons)


def run_out_reasons(
    data: RunOutMeasured, *, at: datetime, revision: Revision, gauge: Gauge | None, gauge_key_known: bool
) -> tuple[str, ...]:
    """Why a run-out measured at `at` is not admissible. Raises SheetIncomplete as `run_out_limit` does.

    A run-out is a difference of indications: only a gauge said not to be zeroed counts against it.
    """
    run_out_limit(revision, data.place, data.distance)
    zeroed = data.gauge_zeroed is not False
    return in_order(_gauge_reasons(gauge, "run_out", at, known=gauge_key_known, zeroed=zeroed))


def rebuild_missing(data: ClampingSetReplaced | RebuildRecord, revision: Revision) -> tuple[str, ...]:
    """What a rebuild lacks against the sheet, each a phrase: segments seated, o-ring, parts of the kit."""
    missing = []
    segments = revision.issued.gripper_segments
    if isinstance(segments, int) and data.segments_seated != segments:
        seated = "not stated" if data.segments_seated is None else str(data.segments_seated)
        missing.append(f"segments seated: {seated}, of {segments}")
    kit = revision.issued.kit
    if not isinstance(kit, tuple):
        return tuple(missing)
    if data.o_ring_fitted is not True and any(_is_o_ring(part.part) for part in kit):
        missing.append("o-ring: not stated as fitted" if data.o_ring_fitted is None else "o-ring: not fitted")
    if data.parts is not None:
        for part in kit:
            fitted = sum(used.quantity for used in data.parts if _same_part(used.part, part.part))
            if fitted < part.quantity:
                missing.append(f"{part.part}: {fitted}, of {part.quantity}")
    return tuple(missing)


def _gauge_reasons(gauge: Gauge | None, kind: GaugeKind, at: datetime, *, known: bool, zeroed: bool) -> list[str]:
    if not known or gauge is None or gauge.registered is None:
        return ["gauge_unknown"]
    found = {
        "gauge_wrong_kind": gauge.registered.data.kind != kind,
        "gauge_not_zeroed": not zeroed,
        "gauge_overdue": not gauge.in_calibration(at),
        "gauge_withdrawn": gauge.withdrawn_at(at),
    }
    return [code for code, holds in found.items() if holds]


def _reading_reasons(data: SettingMeasured, revision: Revision) -> list[str]:
    if len(data.readings) < 2:
        return ["too_few_readings"]
    estimate = estimate_depth(data)
    reasons = [] if estimate.opposed else ["readings_not_opposed"]
    widest = revision.issued.reading_spread_max
    if isinstance(widest, Quantity) and estimate.spread > widest.base:
        reasons.append("spread_too_wide")
    return reasons


def _torque_reasons(revision: Revision, preparation: Preparation) -> list[str]:
    """The first of: no torque where one is needed, one out of its limits, not run in since."""
    limits, torque = revision.issued.nose_torque, preparation.torque
    if isinstance(limits, NoseTorque) and preparation.needs_torque:
        return ["not_torqued"]
    if torque is None:
        return []
    if torque_out_of_limits(revision, torque.torque_nm):
        return ["torque_out_of_limits"]
    wanted = revision.issued.run_in_cycles
    if isinstance(wanted, int) and (preparation.run_in_cycles or 0) < wanted:
        return ["not_run_in"]
    return []


def torque_out_of_limits(revision: Revision, torque_nm: Decimal) -> bool:
    """Whether the sheet states limits for the nose torque, and this is outside them."""
    limits = revision.issued.nose_torque
    return isinstance(limits, NoseTorque) and not _within(torque_nm, limits)


def _within(torque_nm: Decimal, limits: NoseTorque) -> bool:
    with localcontext(EXACT):
        return (limits.minimum is None or torque_nm >= limits.minimum.base) and (
            limits.maximum is None or torque_nm <= limits.maximum.base
        )


def _same_part(one: str, other: str) -> bool:
    return _plain(one) == _plain(other)


def _is_o_ring(name: str) -> bool:
    return "oring" in _plain(name)


def _plain(name: str) -> str:
    """A part's name without case, blanks and punctuation, so that "O-Ring" and "o ring" are the same part."""
    return "".join(letter for letter in name.casefold() if letter.isalnum())
