"""One spindle type, one gauge and their measurements, all invented (Skerrow Pump Works), for the tests of the rules."""

import json
from datetime import UTC, datetime
from typing import Any

from service.domain.admissibility import Preparation, RebuildRecord, TorqueRecord
from service.domain.event import Fact, decode_data
from service.domain.event.spindles import DrawForceMeasured, RunOutMeasured, SettingMeasured
from service.domain.gauge import Gauge, apply_gauge
from service.domain.quantity import EXACT, Quantity, quantity
from service.domain.sheet import Revision, Sheet, apply_sheet
from service.domain.turn import Instruction, advise_setting
from service.domain.verdict import SettingVerdict, judge_setting

MEASURED_AT = datetime(2026, 3, 2, 6, 8, tzinfo=UTC)


def mm(value: str) -> dict[str, str]:
    return {"value": value, "unit": "mm"}


def q(value: str, unit: str) -> dict[str, str]:
    return {"value": value, "unit": unit}


def length(value: str) -> Quantity:
    return quantity(value, "mm")


THREAD: dict[str, Any] = {
    "by": "thread",
    "pitch": mm("1.5"),
    "starts": 1,
    "hand": "right",
    "turning_in": "increases_depth",
}
SHEET: dict[str, Any] = {
    "revision": 1,
    "valid_from": "2026-01-01T00:00:00Z",
    "interface": "HSK-A63",
    "setting_depth": {"quantity": "depth", "nominal": mm("11.40"), "lower": mm("-0.05"), "upper": mm("0.05")},
    "adjust": THREAD,
    "reading_spread_max": mm("0.06"),
    "nose_torque": {"nominal": q("37", "N.m"), "minimum": q("35", "N.m"), "maximum": q("39", "N.m")},
    "gripper_segments": 6,
    "run_in_cycles": 3,
    "draw_force": {
        "nominal": q("21", "kN"),
        "warning": q("18.5", "kN"),
        "minimum": q("16.5", "kN"),
        "pulls": 3,
        "discard_first": True,
        "judge": "mean",
    },
    "run_out": [{"place": "taper_bore", "distance": mm("0"), "limit": q("6", "um")}],
    "kit": [
        {"part": "gripper segment", "quantity": 6},
        {"part": "spring sleeve", "quantity": 1},
        {"part": "o-ring", "quantity": 1},
        {"part": "nose", "quantity": 1},
    ],
    "decision_rule": {"name": "simple", "edition": "JCGM 106:2012", "uncertainty_max": mm("0.0125")},
}
GAUGE: dict[str, Any] = {
    "kind": "depth",
    "resolution": mm("0.01"),
    "repeatability": mm("0.004"),
    "permitted_error": mm("0.01"),
    "zeroing": {"included": True},
}
CALIBRATION: dict[str, Any] = {
    "expanded_uncertainty": mm("0.006"),
    "k": "2",
    "correction": mm("0"),
    "due": "2027-01-05",
}


def fact(event_type: str, data: dict[str, Any], sequence: int, occurred: datetime) -> Fact:
    value = decode_data(event_type, json.dumps(data).encode())
    return Fact(sequence=sequence, occurred=occurred, type=event_type, data=value)


def without(data: dict[str, Any], *names: str) -> dict[str, Any]:
    return {name: value for name, value in data.items() if name not in names}


def sheet(data: dict[str, Any]) -> Sheet:
    return apply_sheet(None, "SKERROW-A", fact("sheet.issued", data, 1, datetime(2026, 1, 5, 8, tzinfo=UTC)))


def revision(*absent: str, **changes: Any) -> Revision:
    """The sheet's revision with members changed or left out."""
    return sheet(without(SHEET | changes, *absent)).at(MEASURED_AT)


def guarded(factor: str = "1.65") -> dict[str, Any]:
    return {"name": "guarded", "edition": "ISO 14253-1:2017", "guard_factor": factor}


def gauge(*absent: str, calibration: dict[str, Any] | None = CALIBRATION, **changes: Any) -> Gauge:
    """The gauge with members changed or left out, calibrated unless `calibration` is None."""
    registered = without(GAUGE | changes, *absent)
    made = apply_gauge(None, "DG-03", fact("gauge.registered", registered, 1, datetime(2026, 1, 5, 8, 10, tzinfo=UTC)))
    if calibration is None:
        return made
    return apply_gauge(made, "DG-03", fact("gauge.calibrated", calibration, 2, datetime(2026, 1, 5, 8, 20, tzinfo=UTC)))


def force_gauge(correction_n: str = "0", **changes: Any) -> Gauge:
    return gauge(
        "permitted_error",
        calibration={
            "expanded_uncertainty": q("200", "N"),
            "k": "2",
            "correction": q(correction_n, "N"),
            "due": "2027-01-05",
        },
        **{
            "kind": "force",
            "resolution": q("10", "N"),
            "repeatability": q("60", "N"),
            "interface": "HSK-A63",
        }
        | changes,
    )


def measured(*readings: tuple[str, str], **changes: Any) -> SettingMeasured:
    """Readings as (degrees, millimetres); zeroed and released unless changed."""
    data = {
        "readings": [{"angle": q(angle, "deg"), "depth": mm(depth)} for angle, depth in readings],
        "gauge": "DG-03",
        "gauge_zeroed": True,
        "draw_bar": "released",
    } | changes
    value = decode_data("setting.measured", json.dumps(data).encode())
    assert isinstance(value, SettingMeasured)
    return value


def opposed(first: str, second: str, **changes: Any) -> SettingMeasured:
    return measured(("0", first), ("180", second), **changes)


def pulled(*kilonewtons: str, **changes: Any) -> DrawForceMeasured:
    data = {
        "pulls": [{"value": q(value, "kN")} for value in kilonewtons],
        "gauge": "FG-01",
        "gauge_zeroed": True,
        "draw_bar": "clamped",
    } | changes
    value = decode_data("draw_force.measured", json.dumps(data).encode())
    assert isinstance(value, DrawForceMeasured)
    return value


def run_out(micrometres: str, **changes: Any) -> RunOutMeasured:
    data = {"place": "taper_bore", "distance": mm("0"), "run_out": q(micrometres, "um"), "gauge": "RG-02"} | changes
    value = decode_data("run_out.measured", json.dumps(data).encode())
    assert isinstance(value, RunOutMeasured)
    return value


REBUILT = RebuildRecord(sequence=3, segments_seated=6, o_ring_fitted=True)
TORQUED = TorqueRecord(sequence=4, torque_nm=EXACT.create_decimal("37"))
PREPARED = Preparation(rebuild=REBUILT, needs_torque=False, torque=TORQUED, run_in_cycles=3)


def judged(data: SettingMeasured, sheet_revision: Revision | None = None, by: Gauge | None = None) -> SettingVerdict:
    """The verdict on an admissible measurement."""
    return judge_setting(
        data,
        at=MEASURED_AT,
        revision=sheet_revision or revision(),
        gauge=by or gauge(),
        reasons=(),
        torque_sequence=4,
    )


def advised(data: SettingMeasured, sheet_revision: Revision, *, at_recheck: bool = False) -> Instruction:
    """The instruction that follows an admissible measurement which does not conform."""
    instruction = advise_setting(judged(data, sheet_revision), revision=sheet_revision, at_recheck=at_recheck)
    assert instruction is not None
    return instruction
