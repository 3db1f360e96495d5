"""Examples for the document: one spindle of the Skerrow Pump Works, which is invented, as is every number here.

Sent in the order in which they stand, operation by operation, they are answered as the document says.
"""

import json
from pathlib import Path
from typing import Any, Final

import msgspec

from service.api.document_questions import QUESTIONS
from service.api.event_lines import MEDIA_TYPE as LINES
from service.api.events import BATCH

Json = dict[str, Any]
_JSON: Final = "application/json"


def _q(value: str, unit: str) -> Json:
    return {"value": value, "unit": unit}


def _mm(value: str) -> Json:
    return _q(value, "mm")


def _readings(first: str, second: str) -> list[Json]:
    return [{"angle": _q(angle, "deg"), "depth": _mm(depth)} for angle, depth in (("0", first), ("180", second))]


_SHEET: Final[Json] = {
    "revision": 1,
    "valid_from": "2026-01-01T00:00:00Z",
    "interface": "HSK-A63",
    "setting_depth": {"quantity": "depth", "nominal": _mm("11.40"), "lower": _mm("-0.05"), "upper": _mm("0.05")},
    "adjust": {
        "by": "thread",
        "pitch": _mm("1.5"),
        "starts": 1,
        "hand": "right",
        "turning_in": "increases_depth",
    },
    "reading_spread_max": _mm("0.06"),
    "nose_torque": {"nominal": _q("37", "N.m"), "minimum": _q("35", "N.m"), "maximum": _q("39", "N.m")},
    "gripper_segments": 6,
    "run_in_cycles": 3,
    "draw_force": {
        "nominal": _q("21", "kN"),
        "warning": _q("18.5", "kN"),
        "minimum": _q("16.5", "kN"),
        "pulls": 3,
        "discard_first": True,
        "judge": "mean",
    },
    "run_out": [{"place": "taper_bore", "distance": _mm("0"), "limit": _q("6", "um")}],
    "kit": [{"part": "gripper segment", "quantity": 6}, {"part": "o-ring", "quantity": 1}],
    "decision_rule": {"name": "simple", "edition": "JCGM 106:2012", "uncertainty_max": _mm("0.0125")},
    "rechecks": [
        {"code": "bed-in", "check": "setting", "after_cycles": 500, "since": "acceptance", "early_cycles": 50},
        {"code": "force-quarterly", "check": "draw_force", "after_days": 90, "since": "last_check", "repeat": True},
    ],
    "reference": "invented for the Skerrow scenario",
}
_PLACE: Final = {"plant": "skerrow", "hall": "1", "machine": "H1-M02", "position": "1"}
_COUNTER: Final = {"start": 52_000, "modulus": 1_000_000, "cycles_per_count": 1, "counts": "tool_changes"}
_TORQUED: Final = {"torque": _q("37", "N.m"), "how": "set", "tool": "TW-11"}

_STORY: Final[list[tuple[str, str, str, Json]]] = [
    ("2026-01-05T08:00:00Z", "sheets/SKERROW-D", "sheet.issued", _SHEET),
    (
        "2026-01-05T08:10:00Z",
        "gauges/DG-07",
        "gauge.registered",
        {
            "kind": "depth",
            "resolution": _mm("0.01"),
            "repeatability": _mm("0.004"),
            "permitted_error": _mm("0.01"),
            "zeroing": {"included": True},
        },
    ),
    (
        "2026-01-05T08:20:00Z",
        "gauges/DG-07",
        "gauge.calibrated",
        {"expanded_uncertainty": _mm("0.006"), "k": "2", "correction": _mm("0"), "due": "2027-01-05"},
    ),
    (
        "2026-01-05T08:30:00Z",
        "gauges/FG-02",
        "gauge.registered",
        {"kind": "force", "resolution": _q("10", "N"), "repeatability": _q("60", "N"), "zeroing": {"included": True}},
    ),
    (
        "2026-01-05T08:40:00Z",
        "gauges/FG-02",
        "gauge.calibrated",
        {"expanded_uncertainty": _q("120", "N"), "k": "2", "due": "2027-01-05", "certificate": "SKR-CAL-0131"},
    ),
    ("2026-01-05T09:00:00Z", "lots/L-2304", "lot.received", {"sheet": "SKERROW-D", "quantity": 20}),
    (
        "2026-01-06T06:00:00Z",
        "spindles/H1-M02-S1",
        "spindle.commissioned",
        {"serial": "SP-0207", **_PLACE, "sheet": "SKERROW-D", "counter": _COUNTER},
    ),
    ("2026-03-02T05:30:00Z", "spindles/H1-M02-S1", "counter.read", {"count": 52_310}),
    (
        "2026-03-02T05:40:00Z",
        "spindles/H1-M02-S1",
        "clamping_set.replaced",
        {
            "lot": "L-2304",
            "segments_seated": 6,
            "o_ring_fitted": True,
            "reason": "worn",
            "found": "two segments scored",
        },
    ),
    ("2026-03-02T05:52:00Z", "spindles/H1-M02-S1", "nose.torqued", _TORQUED),
    ("2026-03-02T05:54:00Z", "spindles/H1-M02-S1", "clamp.exercised", {"cycles": 3}),
    (
        "2026-03-02T05:57:00+00:00",
        "spindles/H1-M02-S1",
        "setting.measured",
        {
            "readings": _readings("11.52", "11.48"),
            "gauge": "DG-07",
            "gauge_zeroed": True,
            "draw_bar": "released",
            "count": 52_313,
        },
    ),
    (
        "2026-03-02T06:01:00Z",
        "spindles/H1-M02-S1",
        "nose.adjusted",
        {"turn": _q("24", "deg"), "direction": "out"},
    ),
    ("2026-03-02T06:03:00Z", "spindles/H1-M02-S1", "nose.torqued", _TORQUED),
    ("2026-03-02T06:05:00Z", "spindles/H1-M02-S1", "clamp.exercised", {"cycles": 3}),
    (
        "2026-03-02T06:08:00Z",
        "spindles/H1-M02-S1",
        "setting.measured",
        {"readings": _readings("11.41", "11.39"), "gauge": "DG-07", "gauge_zeroed": True, "draw_bar": "released"},
    ),
    (
        "2026-03-02T06:15:00Z",
        "spindles/H1-M02-S1",
        "draw_force.measured",
        {
            "pulls": [{"value": _q(pull, "kN")} for pull in ("21.2", "20.8", "20.7")],
            "gauge": "FG-02",
            "gauge_zeroed": True,
            "draw_bar": "clamped",
            "phase": "as_left",
        },
    ),
    (
        "2026-03-02T06:20:00Z",
        "spindles/H1-M02-S1",
        "run_out.measured",
        {"place": "taper_bore", "distance": _mm("0"), "run_out": _q("3", "um")},
    ),
    ("2026-03-02T06:22:00Z", "spindles/H1-M02-S1", "visual.checked", {"findings": ["no coolant on the cone"]}),
    ("2026-03-02T06:24:00Z", "spindles/H1-M02-S1", "clamping_set.greased", {"grease": "as in the kit"}),
    (
        "2026-03-09T10:00:00Z",
        "spindles/H1-M02-S1",
        "condition.noted",
        {"component": "release_unit", "code": "LEAK", "scheme": "skerrow", "text": "oil at the piston"},
    ),
    (
        "2026-03-09T11:00:00Z",
        "spindles/H1-M02-S1",
        "component.replaced",
        {"component": "o_ring", "text": "at the release piston"},
    ),
    (
        "2026-03-09T11:10:00Z",
        "spindles/H1-M02-S1",
        "condition.resolved",
        {
            "component": "release_unit",
            "code": "LEAK",
            "scheme": "skerrow",
            "done": "o-ring replaced, dry after twenty cycles",
        },
    ),
    (
        "2026-03-10T07:00:00Z",
        "spindles/H1-M02-S1",
        "recheck.deferred",
        {
            "recheck": "force-quarterly",
            "until": "2026-06-15T00:00:00Z",
            "reason": "with the summer shutdown",
            "approved_by": "e.b. planner",
        },
    ),
    (
        "2026-03-10T07:05:00Z",
        "spindles/H1-M02-S1",
        "concession.granted",
        {"until_count": 60_000, "reason": "roughing only", "approved_by": "e.b. planner"},
    ),
    ("2026-03-11T06:00:00Z", "spindles/H1-M02-S1", "counter.replaced", {"old_end": 52_400, "new_start": 0}),
    (
        "2026-03-11T06:30:00Z",
        "spindles/H1-M02-S1",
        "counter.missed",
        {"counts": 12, "reason": "the control was told of late"},
    ),
    ("2026-03-12T06:00:00Z", "spindles/H1-M02-S1", "spindle.removed", {"to": "store", "reason": "machine overhaul"}),
    ("2026-03-20T06:00:00Z", "spindles/H1-M02-S1", "spindle.installed", {**_PLACE, "counter": {"start": 10}}),
    ("2026-03-20T06:05:00Z", "spindles/H1-M02-S1", "spindle.sheet_assigned", {"sheet": "SKERROW-D"}),
    (
        "2026-03-29T06:00:00Z",
        "gauges/DG-07",
        "gauge.studied",
        {
            "measurements": [
                {"part": part, "person": person, "trial": trial, "value": _mm(f"11.{40 + 3 * place + trial % 2}")}
                for place, part in enumerate(("A", "B", "C"))
                for person in ("k.m. fitter", "r.t. engineer")
                for trial in (1, 2)
            ],
            "tolerance": _mm("0.10"),
        },
    ),
    ("2026-03-30T06:00:00Z", "gauges/DG-07", "gauge.withdrawn", {"reason": "dropped"}),
    ("2026-03-30T06:10:00Z", "lots/L-2304", "lot.withdrawn", {"reason": "hardness out of limits"}),
    (
        "2026-03-30T07:00:00Z",
        "spindles/H1-M02-S1",
        "entry.corrected",
        {
            "target": {"source": "/skerrow/hall-1/tablet-2", "id": "document-19"},
            "data": {"findings": ["a trace of coolant on the cone"]},
            "reason": "written down for the spindle beside it",
        },
    ),
    (
        "2026-03-30T07:05:00Z",
        "spindles/H1-M02-S1",
        "entry.voided",
        {"target": {"source": "/skerrow/hall-1/tablet-2", "id": "document-20"}, "reason": "another spindle's"},
    ),
    ("2026-04-01T06:00:00Z", "spindles/H1-M02-S1", "spindle.retired", {"reason": "bearing worn"}),
]


def _event(number: str, time: str, subject: str, event_type: str, data: Json) -> Json:
    return {
        "specversion": "1.0",
        "id": f"document-{number}",
        "source": "/skerrow/hall-1/tablet-2",
        "type": event_type,
        "subject": subject,
        "time": time,
        "actor": "k.m. fitter",
        "data": data,
    }


_EVENTS: Final = [_event(f"{number:02}", *told) for number, told in enumerate(_STORY, start=1)]
_SECOND: Final = [
    _event(
        "41",
        "2026-01-06T06:30:00Z",
        "spindles/H1-M02-S2",
        "spindle.commissioned",
        {"serial": "SP-0208", **_PLACE, "position": "2", "sheet": "SKERROW-D", "counter": _COUNTER},
    ),
    _event("42", "2026-03-02T05:30:00Z", "spindles/H1-M02-S2", "counter.read", {"count": 52_120}),
]
_LINE: Final = _event("43", "2026-03-03T05:30:00Z", "spindles/H1-M02-S2", "counter.read", {"count": 52_180})
_READING: Final = {"source": "/skerrow/mes", "time": "2026-03-04T06:01:00Z", "spindle": "H1-M02-S2", "count": 52_241}


def _named(events: list[Json]) -> dict[str, Json]:
    """Examples by their place and type, so that their order is plain."""
    return {
        f"{event['id'].removeprefix('document-')} {event['type']}": {
            "summary": f"{event['type']} (invented)",
            "value": event,
        }
        for event in events
    }


def _one(value: Any, summary: str = "invented") -> dict[str, Json]:
    return {"invented": {"summary": summary, "value": value}}


_DATA: Final = {event["type"]: event["data"] for event in reversed(_EVENTS)}

EXAMPLES: Final[dict[str, dict[str, dict[str, Json]]]] = {
    "post_events": {
        _JSON: _named(_EVENTS),
        BATCH: _one(_SECOND, "a second spindle (invented)"),
        LINES: _one(msgspec.json.encode(_LINE).decode() + "\n", "a line (invented)"),
    },
    "post_readings": {
        _JSON: _one(
            {"source": "/skerrow/mes", "time": "2026-03-04T06:00:00Z", "readings": {"H1-M02-S2": 52_240, "H9/1": 7}},
            "one known, one not (invented)",
        ),
        LINES: _one(msgspec.json.encode(_READING).decode() + "\n", "a line (invented)"),
    },
    "post_setting": {
        _JSON: _one(
            {
                "readings": _readings("11.52", "11.48"),
                "sheet": "SKERROW-D",
                "gauge": {**_DATA["gauge.registered"], "calibration": _DATA["gauge.calibrated"]},
                "at": "2026-03-02T05:57:00Z",
            }
        )
    },
    "post_conformity": {
        _JSON: _one(
            {
                "y": _mm("11.44"),
                "u": _mm("0.004"),
                "lower": _mm("11.35"),
                "upper": _mm("11.45"),
                "rule": {"name": "guarded", "guard_factor": "2"},
            }
        )
    },
    "post_global_risk": {
        _JSON: _one(
            {
                "process": {"mean": "11.40", "sd": "0.016"},
                "u": "0.005",
                "lower": "11.35",
                "upper": "11.45",
                "rule": {"name": "guarded", "guard_factor": "1.65"},
            }
        )
    },
    "post_budget": {
        _JSON: _one(
            {
                "components": [
                    {"source": "repeatability", "u": "0.0028", "dof": 9},
                    {"source": "calibration", "u": "0.003"},
                    {"source": "master", "u": "0.001"},
                ],
                "correlations": [{"between": ["calibration", "master"], "r": "0.5"}],
                "confidence": "0.95",
            }
        )
    },
    "post_line": {
        _JSON: _one({"x": [0, 12, 24, 36], "y": ["0.001", "0.003", "0.004", "0.007"], "predict_at": 48}),
    },
    "post_study": {
        _JSON: _one(
            {
                "measurements": [
                    {"part": part, "person": person, "trial": trial, "value": f"11.{40 + 3 * part + trial % part}"}
                    for part in (1, 2, 3)
                    for person in ("k.m.", "r.t.")
                    for trial in (1, 2)
                ],
                "tolerance": "0.10",
            }
        )
    },
    **{name: {_JSON: _one(question)} for name, question in QUESTIONS.items()},
    "add_endpoint": {_JSON: _one({"url": "https://127.0.0.1:8443/hooks", "types": ["recheck.due", "recheck.overdue"]})},
    "mint_key": {
        _JSON: _one({"name": "the tablet of hall 1", "scopes": ["events:write", "read"], "plants": ["skerrow"]})
    },
}
"""Bodies to send, by the operation's id and their media type."""

ANSWERS: Final[dict[str, dict[str, dict[str, dict[str, Json]]]]] = {
    name: {status: {_JSON: _one(value)} for status, value in by_status.items()}
    for name, by_status in json.loads(Path(__file__).with_suffix(".json").read_text("utf-8")).items()
}
"""What some of them are answered with, by the operation's id and the status; places in the ledger differ."""
