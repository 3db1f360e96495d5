"""What a struct does not say of its members: raw bytes that are decimals, words of a closed list, kinds of quantity."""

from collections.abc import Iterable
from typing import Any, Final

import msgspec

from service.access import SCOPES
from service.api import document_codes
from service.api.narrowing import Lifecycle
from service.api.rechecks import State
from service.domain.event import KINDS
from service.domain.event.sheets import Check
from service.domain.finding import REASONS, Outcome
from service.domain.health import Clearance, Health
from service.domain.quantity import UNITS
from service.domain.signature import SECRET_PREFIX

Schema = dict[str, Any]
REFERENCE: Final = "#/components/schemas/{name}"

_DECIMAL: Final = r"^-?(0|[1-9][0-9]{0,14})(\.[0-9]{1,15})?$"
_SHOWN: Final = r"^-?[0-9]+(\.[0-9]+)?$"
KINDS_OF_QUANTITY: Final = {
    "Length": "length",
    "Angle": "angle",
    "Force": "force",
    "Torque": "torque",
    "Temperature": "temperature",
}
QUANTITIES: Final = {
    "SettingDepth": {"Length": "nominal lower upper target"},
    "ThreadAdjust": {"Length": "pitch"},
    "ShimAdjust": {"Length": "step"},
    "NoseTorque": {"Torque": "nominal minimum maximum"},
    "DrawForce": {"Force": "nominal warning minimum maximum"},
    "RunOutLimit": {"Length": "distance limit"},
    "DecisionRule": {"Length": "uncertainty_max"},
    "SheetIssued": {"Length": "reading_spread_max"},
    "SheetStated": {"Length": "reading_spread_max"},
    "Shims": {"Length": "out in"},
    "NoseAdjusted": {"Angle": "turn"},
    "NoseTorqued": {"Torque": "torque"},
    "Reading": {"Angle": "angle", "Length": "depth"},
    "SettingMeasured": {"Temperature": "temperature"},
    "Pull": {"Force": "value"},
    "RunOutMeasured": {"Length": "distance run_out reversed_run_out"},
    "SettingAsked": {"Torque": "torque"},
}
"""Which members are of one kind of quantity only; the others take any unit, or one that another member decides."""


def ref(name: str) -> Schema:
    return {"$ref": REFERENCE.format(name=name)}


def or_null(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}


def of(kind: Any) -> Schema:
    """The schema of a type that holds no struct."""
    return msgspec.json.schema(kind)


def any_of(names: Iterable[str]) -> Schema:
    return {"anyOf": [ref(name) for name in names]}


_VERDICTS: Final = ("SettingVerdict", "ForceVerdict", "RunOutVerdict")
_MEASURED: Final = {
    "entry": {"type": "integer"},
    "time": {"type": "string", "format": "date-time"},
    "count": {"type": ["integer", "null"]},
    "stands": {"type": "boolean", "description": "whether it is still proof"},
}
_PLAIN: Final = {"type": "string", "pattern": _SHOWN, "description": "a decimal, written plainly"}
_EVENT_DATA: Final = [kind.data.__name__ for kind in KINDS.values()]
_NUMBER_ASKED: Final = ref("PlainNumber")
_NUMBER_IF_ANY: Final = or_null(_NUMBER_ASKED)
_NUMBER_OR_QUANTITY: Final = {"anyOf": [_NUMBER_ASKED, ref("Quantity")]}
_ASKED: Final = r"^-?(0|[1-9][0-9]{0,19})(\.[0-9]{1,30})?([eE][+-]?[0-9]{1,2})?$"


def _numbers(most: int, *, least: int = 0) -> Schema:
    """A list of numbers of a question."""
    return {"type": "array", **({"minItems": least} if least else {}), "maxItems": most, "items": _NUMBER_ASKED}


def _standing(verdict: str) -> Schema:
    return {"type": "object", "properties": {**_MEASURED, "verdict": ref(verdict)}}


def _numbered(name: str) -> Schema:
    """The answer to a line: with its number."""
    line = {"type": "object", "properties": {"line": {"type": "integer", "minimum": 1}}, "required": ["line"]}
    return {"allOf": [ref(name), line]}


WRITTEN: Final[dict[str, Schema]] = {
    "Decimal": {
        "description": "An exact decimal: a string, or a JSON number, which is read exactly as it is written. At most "
        "15 digits on either side of the point.",
        "anyOf": [
            {"type": "string", "pattern": _DECIMAL},
            {"type": "number", "exclusiveMinimum": -(10**15), "exclusiveMaximum": 10**15},
        ],
    },
    "PlainNumber": {
        "description": "A number of a question: a string, or a JSON number, which is read exactly as it is written. At "
        "most 20 digits before the point and 30 behind.",
        "anyOf": [
            {"type": "string", "pattern": _ASKED},
            {"type": "number", "exclusiveMinimum": -(10**20), "exclusiveMaximum": 10**20},
        ],
    },
    "ProblemCode": {
        "description": "What a problem is, as a stable word.",
        "type": "string",
        "oneOf": document_codes.told(document_codes.PROBLEMS),
    },
    "FaultCode": {
        "description": "What is wrong at one place, as a stable word.",
        "type": "string",
        "oneOf": document_codes.told(document_codes.PROBLEMS | document_codes.PLACES),
    },
    "NoticeType": {
        "description": "What a notice tells. Notices are no events of the ledger: webhook endpoints are sent them.",
        "type": "string",
        "oneOf": document_codes.told(document_codes.NOTICES),
    },
    "Verdict": any_of(_VERDICTS),
    "ReceiptLine": _numbered("Receipt"),
    "RefusedLine": _numbered("LineRefused"),
    "FeedEnd": {
        "type": "object",
        "description": "The last line of a feed that is read as lines.",
        "properties": {"next": {"type": "string", "description": "the cursor to read on with"}},
    },
    "EventData": {"description": "The data of an event of the item's type.", **any_of(_EVENT_DATA)},
    "SettingStanding": _standing("SettingVerdict"),
    "ForceStanding": _standing("ForceVerdict"),
    "RunOutStanding": _standing("RunOutVerdict"),
    "ClampingSet": {
        "type": "object",
        "description": "The set that is fitted: its rebuild, what the record of it lacks, and when it was accepted.",
        "properties": {
            "entry": {"type": "integer"},
            "rebuilt": {"type": "string", "format": "date-time"},
            "rebuilt_at_count": {"type": ["integer", "null"]},
            "lot": {"type": ["string", "null"]},
            "reason": {"type": "string"},
            "missing": {"type": "array", "items": {"type": "string"}},
            "accepted": or_null(ref("MomentShown")),
        },
    },
    "OpenCondition": {
        "type": "object",
        "properties": {
            "component": {"type": "string"},
            "code": {"type": "string"},
            "scheme": {"type": ["string", "null"]},
            "text": {"type": ["string", "null"]},
            "unusable": {"type": "boolean"},
            "entry": {"type": "integer"},
            "time": {"type": "string", "format": "date-time"},
        },
    },
    "StandingFinding": {
        "type": "object",
        "properties": {"code": {"type": "string"}, "entry": {"type": ["integer", "null"]}},
    },
}
"""Shapes that no struct has."""

_STATE: Final = {"health": of(Health | None), "clearance": of(Clearance), "lifecycle": of(Lifecycle)}
_SPINDLE: Final = _STATE | {
    "last_setting": or_null(ref("SettingStanding")),
    "last_draw_force": or_null(ref("ForceStanding")),
    "last_run_out": or_null(ref("RunOutStanding")),
    "clamping_set": or_null(ref("ClampingSet")),
    "conditions": {"type": "array", "items": ref("OpenCondition")},
    "findings": {"type": "array", "items": ref("StandingFinding")},
}
_OF_A_STATE: Final = {"health": of(Health | None), "clearance": of(Clearance)}
_REASONS_OF_VERDICT: Final = {"type": "array", "items": {"enum": list(REASONS)}}
_OF_VERDICT: Final = {
    "reasons": _REASONS_OF_VERDICT,
    "probability_of_conformity": or_null(_PLAIN),
}
_NOTICE_TYPE: Final = ref("NoticeType")
_SCOPES: Final = {"type": "array", "items": {"type": "string", "enum": list(SCOPES)}}
_HASH: Final = {"type": "string", "pattern": "^[0-9a-f]{64}$", "description": "SHA-256 in the subject's chain"}
_SUBJECT: Final = {"type": "string", "pattern": r"^(spindles|sheets|gauges|lots)/[A-Za-z0-9][A-Za-z0-9._~-]{0,63}$"}
MEMBERS: Final[dict[str, dict[str, Schema]]] = {
    "Envelope": {
        "time": {
            "type": "string",
            "format": "date-time",
            "description": "When it happened: RFC 3339 with an offset, from 1970 on and at most five minutes ahead. "
            "More than six fractional digits are cut.",
        },
        "type": {"type": "string", "enum": list(KINDS)},
        "subject": _SUBJECT,
        "data": {"type": "object"},
        "actor": or_null(
            {"type": "string", "minLength": 1, "maxLength": 256, "description": "who did it, as a pseudonym"}
        ),
    },
    "Readings": {"time": {"type": "string", "format": "date-time"}},
    "OneReading": {"time": {"type": "string", "format": "date-time"}},
    "Quantity": {"value": ref("Decimal"), "unit": {"type": "string", "enum": list(UNITS)}},
    "ShownQuantity": {"value": _PLAIN, "unit": {"type": "string", "enum": list(UNITS)}},
    "Master": {"k": ref("Decimal")},
    "GaugeCalibrated": {"k": ref("Decimal")},
    "Temperature": {"expansion_per_kelvin": ref("Decimal")},
    "DecisionRule": {name: or_null(ref("Decimal")) for name in ("guard_factor", "ratio", "confidence")},
    "Rule": {name: or_null(_NUMBER_ASKED) for name in ("guard_factor", "ratio")},
    "GlobalRiskAsked": {
        "u": _NUMBER_ASKED,
        "lower": or_null(_NUMBER_ASKED),
        "upper": or_null(_NUMBER_ASKED),
        "values": or_null({"type": "array", "maxItems": 10_000, "items": _NUMBER_ASKED}),
    },
    "Process": {"mean": _NUMBER_ASKED, "sd": _NUMBER_ASKED},
    "AcceptanceAsked": {"lower": or_null(_NUMBER_ASKED), "upper": or_null(_NUMBER_ASKED)},
    "BudgetAsked": {"confidence": or_null(_NUMBER_ASKED)},
    "ComponentAsked": {name: or_null(_NUMBER_ASKED) for name in ("u", "dof", "reliability", "sensitivity")},
    "ExpandedAsked": {"U": _NUMBER_ASKED, "k": _NUMBER_ASKED},
    "BoundsAsked": {"below": _NUMBER_ASKED, "above": _NUMBER_ASKED},
    "IntervalAsked": {"half_width": _NUMBER_ASKED, "confidence": _NUMBER_ASKED},
    "CorrelationAsked": {
        "between": {"type": "array", "minItems": 2, "maxItems": 2, "items": {"type": "string"}},
        "r": _NUMBER_ASKED,
    },
    "LineAsked": {
        **{name: {"type": "array", "minItems": 1, "maxItems": 10_000, "items": _NUMBER_ASKED} for name in "xy"},
        "predict_at": or_null(_NUMBER_ASKED),
    },
    "ControlAsked": {
        "alpha": _NUMBER_ASKED,
        "points": {
            "type": "array",
            "minItems": 1,
            "maxItems": 10_000,
            "items": {"type": "array", "minItems": 2, "maxItems": 2, "items": _NUMBER_ASKED},
        },
    },
    "ChartAsked": {"x": _numbers(10_000, least=1)},
    "ChartParameters": {
        **dict.fromkeys(("target", "sigma", "L", "d2", "D4", "lambda", "k", "h"), _NUMBER_IF_ANY),
        "shifts": or_null(_numbers(20)),
    },
    "TrendAsked": {
        "y": _numbers(2000, least=1),
        "x": or_null(_numbers(2000, least=1)),
        **dict.fromkeys(("confidence", "limit", "predict_at"), _NUMBER_IF_ANY),
    },
    "LifeAsked": {
        **{name: _numbers(10_000) for name in ("failures", "censored")},
        "confidence": _NUMBER_IF_ANY,
        "at": _numbers(100),
    },
    "GrowthAsked": {"times": _numbers(1000, least=1), "end": _NUMBER_IF_ANY, "confidence": _NUMBER_IF_ANY},
    "ReplacementAsked": {
        **dict.fromkeys(("shape", "scale", "cost_planned", "cost_failure"), _NUMBER_ASKED),
        "at": _numbers(200),
    },
    "SpringAsked": {
        **dict.fromkeys(("De", "Di", "t", "s", "E", "nu"), _NUMBER_ASKED),
        **dict.fromkeys(("h0", "l0", "t_reduced"), _NUMBER_IF_ANY),
    },
    "StackAsked": {"w_M": _NUMBER_IF_ANY, "w_R": _NUMBER_IF_ANY},
    "StudyAsked": {"tolerance": or_null(_NUMBER_ASKED)},
    "StudyMeasurement": {"value": _NUMBER_ASKED},
    "ConformityAsked": {
        "y": _NUMBER_OR_QUANTITY,
        "u": _NUMBER_OR_QUANTITY,
        "lower": or_null(_NUMBER_OR_QUANTITY),
        "upper": or_null(_NUMBER_OR_QUANTITY),
    },
    "ConformityEvaluated": {"outcome": of(Outcome), "probability_of_conformity": _PLAIN, "consumer_risk": _PLAIN},
    "SettingAsked": {"at": or_null({"type": "string", "format": "date-time"})},
    "SettingAnswer": {"verdict": ref("SettingVerdict")},
    "Problem": {
        "type": {"type": "string", "pattern": "^urn:spindle-ledger:problem:[a-z0-9_]+$"},
        "code": ref("ProblemCode"),
    },
    "Fault": {
        "code": ref("FaultCode"),
        "pointer": {"type": "string", "description": "JSON pointer (RFC 6901) into the body; empty: all of it"},
        "parameter": {"type": "string", "description": "the name of a query parameter"},
    },
    "Place": {"subject": _SUBJECT, "hash": _HASH},
    "Receipt": {
        "verdict": or_null(ref("Verdict")),
        "instruction": or_null(ref("Instruction")),
        "shift": or_null(ref("Shift")),
        "findings": {"type": "array", "items": ref("Finding")},
    },
    "SettingVerdict": _OF_VERDICT,
    "ForceVerdict": _OF_VERDICT,
    "RunOutVerdict": _OF_VERDICT,
    "StateShown": _STATE,
    "SpindleShown": _SPINDLE,
    "SpindleNow": _SPINDLE,
    "WorkOrderShown": {"health": of(Health), "check": of(Check | None)},
    "PlanningChange": {name: or_null({"type": "string", "format": "date-time"}) for name in ("start", "end")},
    "SpindleHealth": {"health": of(Health | None), "clearance": of(Clearance)},
    "ClearanceAnswered": {"clearance": of(Clearance | None)},
    "Clearance": {"clearance": of(Clearance)},
    "RecheckShown": {"state": of(State), "check": of(Check)},
    "RecheckListed": {"state": of(State), "check": of(Check)},
    "MeasurementShown": {
        "verdict": ref("Verdict"),
        "outcome": of(Outcome),
        "check": {"enum": ["setting", "draw_force", "run_out"]},
    },
    "HistoryItem": {
        "type": {"type": "string", "enum": list(KINDS)},
        "subject": _SUBJECT,
        "data": ref("EventData"),
        "hash": _HASH,
    },
    "StatementShown": {"data": any_of(["GaugeRegistered", "GaugeCalibrated"])},
    "NotAccepted": {"status": {"type": "string", "enum": ["late", "refused"]}},
    "Refused": {"status": {"const": "refused"}},
    "LineRefused": {"status": {"const": "refused"}},
    "EndpointWanted": {
        "url": {"type": "string", "format": "uri", "description": "http or https; where it may lead, see the README"},
        "types": or_null({"type": "array", "minItems": 1, "items": _NOTICE_TYPE}),
        "description": or_null({"type": "string", "maxLength": 500}),
        "secret": or_null({"type": "string", "pattern": f"^{SECRET_PREFIX}[A-Za-z0-9+/]+=*$"}),
    },
    "EndpointChange": {
        "types": or_null({"type": "array", "minItems": 1, "items": _NOTICE_TYPE}),
        "description": or_null({"type": "string", "maxLength": 500}),
    },
    "Endpoint": {"types": or_null({"type": "array", "items": _NOTICE_TYPE})},
    "EndpointAdded": {"types": or_null({"type": "array", "items": _NOTICE_TYPE})},
    "Delivery": {"type": _NOTICE_TYPE},
    "AttemptListed": {"type": _NOTICE_TYPE},
    "ReplayWanted": {
        "types": or_null({"type": "array", "minItems": 1, "items": _NOTICE_TYPE}),
        **{name: or_null({"type": "string", "format": "date-time"}) for name in ("since", "until")},
    },
    **dict.fromkeys(("RecheckNotice", "CounterSilent", "SpindleInDoubt"), _OF_A_STATE),
    "SettingRejected": {**_OF_A_STATE, "verdict": ref("SettingVerdict")},
    "DrawForceLow": {**_OF_A_STATE, "verdict": ref("ForceVerdict")},
    "CounterBackward": {**_OF_A_STATE, "code": {"enum": ["counter_backward", "counter_implausible"]}},
    "HealthChanged": {**_OF_A_STATE, "from": of(Health | None), "to": of(Health | None)},
    "VerdictChanged": {"was": of(Outcome), "now": of(Outcome), "check": {"enum": ["setting", "draw_force", "run_out"]}},
    "KeyWanted": {
        "name": {"type": "string", "minLength": 1, "maxLength": 200},
        "scopes": {**_SCOPES, "minItems": 1},
        "plants": or_null({"type": "array", "minItems": 1, "items": {"type": "string"}}),
        "expires": or_null({"type": "string", "format": "date-time"}),
    },
    "Key": {"scopes": _SCOPES},
    "KeyMinted": {"scopes": _SCOPES},
}
"""Members that are said more closely than their struct says them."""

OMITTED_WHERE_EMPTY: Final = frozenset({"Problem", "NotAccepted", "Fault", "ThinData"})
