"""What is told of each operation beyond what its handler says: a line, its refusals, what is answered."""

from typing import Any, Final, Literal

from msgspec import Struct

from service.api.clearances import ClearancesAsked
from service.api.counter_lines import OneReading
from service.api.counters import Readings
from service.api.document_members import any_of, ref
from service.api.door import MERGE_PATCH
from service.api.event_lines import MEDIA_TYPE as LINES
from service.api.events import BATCH, SINGLE
from service.api.ingest import TAKEN as XML
from service.api.mappings import MappingChange
from service.api.planning import WorkOrderChange
from service.api.probes import Readiness
from service.api.webhooks import EndpointChange
from service.api.work_orders import B2MML
from service.domain.budget import BudgetAsked
from service.domain.chart import ChartAsked
from service.domain.conformity import ConformityAsked, GlobalRiskAsked
from service.domain.evaluation import SettingAsked
from service.domain.growth import GrowthAsked
from service.domain.life import LifeAsked
from service.domain.line import LineAsked
from service.domain.replacement import ReplacementAsked
from service.domain.spring import SpringAsked
from service.domain.study import StudyAsked
from service.domain.trend import TrendAsked

JSON: Final = "application/json"


class Answer(Struct, frozen=True, kw_only=True):
    """One answer of success. `schemas` by media type; without any, what the handler returns, or nothing at all."""

    text: str
    schemas: dict[str, Any] | None = None
    headers: tuple[str, ...] = ()


class Told(Struct, frozen=True, kw_only=True):
    """`codes` are the problems besides those that the key, parameters and body of any such operation can bring.

    `guarded` where If-Match may or must say what is to be changed; `streamed` says what the events are where the answer
    can be server-sent events too.
    """

    line: str
    codes: tuple[str, ...] = ()
    answers: dict[int, Answer] = {}
    bodies: dict[str, Any] | None = None
    conditional: bool = False
    without_database: bool = False
    paged: bool = False
    guarded: Literal["may", "must"] | None = None
    streamed: str | None = None


_OF_EVENTS: Final = (
    *("json_malformed", "event_invalid", "time_in_future", "plant_not_allowed", "identity_conflict"),
    *("sequence_moved_on", "spindle_already_commissioned", "place_taken", "batch_too_long", "subject_unknown"),
    *("spindle_unknown", "spindle_retired", "spindle_not_installed", "spindle_still_installed", "sheet_unknown"),
    *("sheet_incomplete", "sheet_revision_exists", "check_not_applicable", "baseline_ahead", "recheck_unknown"),
    *("condition_unknown", "gauge_not_registered", "gauge_kind_changed", "unit_of_other_kind"),
    *("target_unknown", "target_of_other_subject", "target_is_itself", "target_not_correctable", "nothing_left"),
    *("study_incomplete", "history_contradicted"),
    *("calibration_due_too_early", "lot_not_received", "lot_sheet_changed", "until_passed", "old_end_contradicts"),
    "concession_not_for_check",
)
_OF_CODED_BODIES: Final = ("content_encoding_unknown", "content_encoding_malformed", "unpacks_too_far")
_OF_THE_PAST: Final = ("time_invalid", "time_to_come")
_OF_DELIVERIES: Final = ("notice_type_unknown", "time_invalid")
_OF_EVALUATIONS: Final = ("json_malformed", "evaluation_invalid")
_BATCH_ANSWER: Final = {"type": "array", "items": any_of(["Receipt", "Refused"])}
_EVENTS_TAKEN: Final = {
    201: Answer(text="The event is recorded. What it brought is in the receipt.", schemas={JSON: ref("Receipt")}),
    200: Answer(
        text="The event was recorded before (`duplicate`, with what is now known of it); or a batch, answered item by "
        "item, in order; or lines, each answered by a line: a receipt or a refusal, with the number of its `line`.",
        schemas={
            JSON: {"anyOf": [ref("Receipt"), _BATCH_ANSWER]},
            LINES: {"type": "string", "description": "NDJSON", "x-line": any_of(["ReceiptLine", "RefusedLine"])},
        },
    ),
}
_EVENT_BODIES: Final = {
    **{media: ref("Event") for media in sorted(SINGLE)},
    BATCH: {"type": "array", "maxItems": 10_000, "items": ref("Event")},
    LINES: {"type": "string", "description": "NDJSON: an event a line, at most 1 MiB each", "x-line": ref("Event")},
}
_READING_BODIES: Final = {
    JSON: any_of([Readings.__name__, OneReading.__name__]),
    LINES: {
        "type": "string",
        "description": "NDJSON: a reading a line, at most 4 KiB each, any number of them",
        "x-line": ref(OneReading.__name__),
    },
}
_FEED: Final = {
    200: Answer(
        text="A page; or, asked for with `Accept: application/x-ndjson`, every entry to the present end as a line, the "
        "last line carrying `next` alone.",
        schemas={
            JSON: ref("FeedPage"),
            LINES: {"type": "string", "description": "NDJSON", "x-line": any_of(["HistoryItem", "FeedEnd"])},
        },
        headers=("Link",),
    )
}
_XML: Final = {"type": "string", "description": "An MTConnectStreams document, at most 5 MiB"}
_OF_DOCUMENTS: Final = (
    "What became of its observations, and where the agent is to be asked on. What is refused of a document is answered "
    "for itself: `count_negative`, `count_not_a_number`, `count_not_whole`, `count_out_of_range`, "
    "`observation_not_a_count`, `sequence_invalid`, `sequence_conflict`, `timestamp_invalid`, `time_in_future`, "
    "`counter_implausible`, `spindle_unknown`, `spindle_not_installed`."
)
_READY: Final = {
    200: Answer(text="Requests can be served; `findings` may still hold remarks."),
    503: Answer(text="Requests cannot be served; `findings` say why.", schemas={JSON: ref(Readiness.__name__)}),
}
_B2MML: Final = {
    "type": "object",
    "description": "A document of the public B2MML JSON schema (MESA International): a WorkRequest, a JobResponse once "
    "the job is proven; of several orders a WorkSchedule and a JobResponseList.",
}
_PAGE_OF_ORDERS: Final = {
    "type": "object",
    "properties": {
        "items": {"type": "array", "items": ref("WorkOrderShown")},
        "next": {"type": ["string", "null"], "description": "the cursor to go on with"},
    },
    "required": ["items", "next"],
}
_ORDERS_TOLD: Final = {
    200: Answer(
        text="A page; with `after` the changes since, and a `next` that is never null.",
        schemas={JSON: _PAGE_OF_ORDERS, B2MML: _B2MML},
    )
}
_ORDER_TOLD: Final = {200: Answer(text="The order.", schemas={JSON: ref("WorkOrderShown"), B2MML: _B2MML})}
_OF_THE_NEW: Final = ("Location", "ETag", "CacheControl")
_METRICS: Final = {"text/plain": {"type": "string"}}
_HTML: Final = {"text/html": {"type": "string"}}

OPERATIONS: Final[dict[str, Told]] = {
    "post_events": Told(
        line="Take in one event, a batch, or lines",
        codes=(*_OF_EVENTS, *_OF_CODED_BODIES),
        answers=_EVENTS_TAKEN,
        bodies=_EVENT_BODIES,
    ),
    "read_feed": Told(
        line="Read everything recorded, on from a cursor",
        codes=("cursor_malformed", "type_unknown"),
        answers=_FEED,
        streamed="Each event's data is an entry (HistoryItem), its id the cursor behind it.",
    ),
    "post_readings": Told(
        line="Take in the counters of many spindles at once, one reading, or lines",
        codes=("json_malformed", "event_invalid", "time_in_future", "member_repeated", *_OF_CODED_BODIES),
        answers={200: Answer(text="How many were taken, and each that was not, by name; of lines with its `line`.")},
        bodies=_READING_BODIES,
    ),
    "post_document": Told(
        line="Take in one document of an MTConnect agent",
        codes=(
            *("xml_malformed", "xml_not_allowed", "document_wrong", "document_incomplete", "agent_said_error"),
            *("content_type_unknown", "body_too_large"),
        ),
        answers={200: Answer(text=_OF_DOCUMENTS)},
        bodies={
            media: {"type": "string", "description": "An MTConnectStreams document, at most 5 MiB"} for media in XML
        },
    ),
    "add_mapping": Told(
        line="Tie a data item of an MTConnect device to a spindle",
        codes=("json_malformed", "mapping_invalid", "spindle_unknown", "already_tied"),
        answers={201: Answer(text="The mapping.", headers=("Location", "ETag"))},
    ),
    "list_mappings": Told(line="List mappings of MTConnect data items", paged=True),
    "read_mapping": Told(line="Read a mapping", codes=("mapping_not_found",), conditional=True),
    "change_mapping": Told(
        line="Change a mapping",
        codes=("mapping_not_found", "mapping_invalid", "spindle_unknown", "already_tied"),
        guarded="must",
        answers={200: Answer(text="The mapping as it is now.", headers=("ETag", "CacheControl"))},
        bodies={media: ref(MappingChange.__name__) for media in (JSON, MERGE_PATCH)},
    ),
    "delete_mapping": Told(
        line="End a mapping",
        codes=("mapping_not_found",),
        guarded="may",
        answers={204: Answer(text="It is ended; what it counted stays.")},
    ),
    "list_spindles": Told(
        line="List spindles, or their health alone, or hear how it changes",
        codes=(*_OF_THE_PAST, "not_for_a_stream"),
        paged=True,
        streamed="Each event's data is a spindle as it is now (SpindleHealth); an event `left` has the `key` of one "
        "that is no longer among those asked for. A counter's reading is no change of health.",
    ),
    "read_overview": Told(line="Count spindles by health, clearance, plant and hall", conditional=True),
    "post_clearances": Told(
        line="Ask whether spindles may be used, up to 500 at once; advice, never a safety release",
        codes=("event_invalid", "too_many_spindles"),
        answers={200: Answer(text="What holds of each, in the order they were asked for.")},
        bodies={JSON: ref(ClearancesAsked.__name__)},
    ),
    "read_spindle": Told(line="Read one spindle", codes=("spindle_not_found", *_OF_THE_PAST), conditional=True),
    "read_clearance": Told(
        line="Ask whether a spindle may be used; advice, never a safety release",
        codes=("spindle_not_found", *_OF_THE_PAST),
    ),
    "read_forecast": Told(
        line="Read when a spindle's rechecks are expected to fall due",
        codes=("spindle_not_found", *_OF_THE_PAST),
    ),
    "read_history": Told(line="Read everything recorded of a spindle", codes=("spindle_not_found",), paged=True),
    "read_measurements": Told(
        line="Read a spindle's measurements with their verdicts",
        codes=("spindle_not_found", *_OF_THE_PAST),
        paged=True,
    ),
    "list_rechecks": Told(
        line="List rechecks: what is due, was done, or waits", codes=("spindle_needed", *_OF_THE_PAST), paged=True
    ),
    "read_plan": Told(line="Read what falls due in the coming weeks, and what is needed for it"),
    "list_work_orders": Told(
        line="List work orders, or read on what has changed of them",
        codes=("not_acceptable", "not_with_after", "time_invalid"),
        paged=True,
        answers=_ORDERS_TOLD,
    ),
    "read_work_order": Told(
        line="Read a work order",
        codes=("work_order_not_found", "not_acceptable"),
        conditional=True,
        answers=_ORDER_TOLD,
    ),
    "plan_work_order": Told(
        line="Say what is planned of a work order, or that it was closed outside",
        codes=(
            *("work_order_not_found", "member_of_the_ledger", "work_order_ended", "planning_invalid"),
            *("planned_times_reversed", "time_invalid"),
        ),
        guarded="must",
        answers={200: Answer(text="The order as it is now.", headers=("ETag", "CacheControl"))},
        bodies={media: ref(WorkOrderChange.__name__) for media in (JSON, MERGE_PATCH)},
    ),
    "list_sheets": Told(line="List setting sheets", paged=True),
    "read_sheet": Told(
        line="Read a setting sheet with all its revisions", codes=("sheet_not_found",), conditional=True
    ),
    "list_gauges": Told(line="List gauges", paged=True),
    "read_gauge": Told(line="Read a gauge with its calibrations", codes=("gauge_not_found",), conditional=True),
    "read_reach_of_gauge": Told(
        line="Read what a gauge judged between two times", codes=("time_invalid", "gauge_not_found"), paged=True
    ),
    "read_reach_of_lot": Told(line="Read which spindles a lot went into", codes=("lot_not_found",), paged=True),
    "post_preview": Told(
        line="Try out a revision of a sheet without recording it",
        codes=("json_malformed", "event_invalid", "sheet_revision_exists", "cursor_malformed", "sheet_not_found"),
        bodies={JSON: ref("SheetIssued")},
    ),
    "read_study": Told(
        line="Read a repeatability study of a gauge", codes=("gauge_not_found", "not_found"), conditional=True
    ),
    "list_lots": Told(line="List lots of kits", paged=True),
    "read_lot": Told(line="Read a lot of kits", codes=("lot_not_found",), conditional=True),
    "post_setting": Told(
        line="Judge a setting without recording it",
        codes=(*_OF_EVALUATIONS, "time_invalid", "sheet_unknown", "sheet_incomplete", "check_not_applicable"),
        bodies={JSON: ref(SettingAsked.__name__)},
    ),
    "post_conformity": Told(
        line="Decide whether a value conforms, and at what risk",
        codes=_OF_EVALUATIONS,
        bodies={JSON: ref(ConformityAsked.__name__)},
    ),
    "post_global_risk": Told(
        line="Ask what a way of accepting costs over all that a process makes",
        codes=_OF_EVALUATIONS,
        bodies={JSON: ref(GlobalRiskAsked.__name__)},
    ),
    "post_budget": Told(
        line="Combine contributions to an uncertainty", codes=_OF_EVALUATIONS, bodies={JSON: ref(BudgetAsked.__name__)}
    ),
    "post_line": Told(line="Fit a straight line", codes=_OF_EVALUATIONS, bodies={JSON: ref(LineAsked.__name__)}),
    "post_study": Told(
        line="Judge a gauge by a repeatability study", codes=_OF_EVALUATIONS, bodies={JSON: ref(StudyAsked.__name__)}
    ),
    "post_chart": Told(
        line="Put a series on a control chart", codes=_OF_EVALUATIONS, bodies={JSON: ref(ChartAsked.__name__)}
    ),
    "post_trend": Told(
        line="Ask for a trend, and when it meets a limit",
        codes=_OF_EVALUATIONS,
        bodies={JSON: ref(TrendAsked.__name__)},
    ),
    "post_life": Told(
        line="Ask how long something lasts", codes=_OF_EVALUATIONS, bodies={JSON: ref(LifeAsked.__name__)}
    ),
    "post_growth": Told(
        line="Ask whether repeated failures grow rarer",
        codes=_OF_EVALUATIONS,
        bodies={JSON: ref(GrowthAsked.__name__)},
    ),
    "post_replacement": Told(
        line="Ask at which age replacing pays",
        codes=_OF_EVALUATIONS,
        bodies={JSON: ref(ReplacementAsked.__name__)},
    ),
    "post_spring": Told(
        line="Ask for the force of disc springs", codes=_OF_EVALUATIONS, bodies={JSON: ref(SpringAsked.__name__)}
    ),
    "add_endpoint": Told(
        line="Add a webhook endpoint",
        codes=(
            *("json_malformed", "notice_type_unknown", "description_malformed", "secret_malformed", "url_malformed"),
            *("url_has_credentials", "address_not_allowed", "certificate_unusable", "plant_outside_key"),
        ),
        answers={201: Answer(text="The endpoint and, this once, its secret.", headers=_OF_THE_NEW)},
    ),
    "list_endpoints": Told(line="List webhook endpoints", paged=True),
    "read_endpoint": Told(line="Read a webhook endpoint", codes=("endpoint_unknown",), conditional=True),
    "change_endpoint": Told(
        line="Change a webhook endpoint: where it is, what it is told and how, or a pause",
        codes=(
            *("endpoint_unknown", "notice_type_unknown", "description_malformed", "url_malformed"),
            *("url_has_credentials", "address_not_allowed", "certificate_unusable", "plant_outside_key"),
        ),
        guarded="must",
        answers={200: Answer(text="The endpoint as it is now.", headers=("ETag", "CacheControl"))},
        bodies={media: ref(EndpointChange.__name__) for media in (JSON, MERGE_PATCH)},
    ),
    "delete_endpoint": Told(
        line="Delete a webhook endpoint",
        codes=("endpoint_unknown",),
        guarded="may",
        answers={204: Answer(text="It is deleted; what waited for it is dropped.")},
    ),
    "rotate_secret": Told(
        line="Sign for a webhook endpoint with a new secret",
        codes=("json_malformed", "endpoint_unknown", "secret_malformed", "too_many_secrets"),
        answers={200: Answer(text="What signs now and, this once, the new secret.")},
    ),
    "read_public_keys": Told(
        line="Read the public keys of signatures",
        conditional=True,
        answers={200: Answer(text="A JSON Web Key Set (RFC 7517) of ed25519 keys (RFC 8037).")},
    ),
    "ping_endpoint": Told(
        line="Send a signed ping to a webhook endpoint",
        codes=("endpoint_unknown",),
        answers={202: Answer(text="The ping waits to be sent under this id.")},
    ),
    "list_deliveries": Told(
        line="List what was sent to a webhook endpoint, with every attempt",
        codes=("endpoint_unknown", *_OF_DELIVERIES),
        paged=True,
    ),
    "list_every_delivery": Told(line="List what was sent to any webhook endpoint", codes=_OF_DELIVERIES, paged=True),
    "read_delivery": Told(
        line="Read what became of one notice at one webhook endpoint",
        codes=("endpoint_unknown", "delivery_unknown", "not_found"),
        conditional=True,
    ),
    "list_attempts": Told(
        line="List every attempt at a webhook endpoint", codes=("endpoint_unknown", "time_invalid"), paged=True
    ),
    "replay_delivery": Told(
        line="Send one notice to a webhook endpoint again",
        codes=("endpoint_unknown", "delivery_unknown", "not_found"),
        answers={202: Answer(text="The delivery as it stands: due now, unless it was on its way.")},
    ),
    "replay_deliveries": Told(
        line="Send a webhook endpoint again what failed, or what it missed; or count it first",
        codes=("json_malformed", "endpoint_unknown", "notice_type_unknown", "time_invalid", "cursor_malformed"),
        answers={200: Answer(text="How many were put, or would be, and how many are left.")},
    ),
    "read_endpoint_health": Told(
        line="Read how a webhook endpoint is doing", codes=("endpoint_unknown",), conditional=True
    ),
    "list_endpoint_health": Told(line="List how webhook endpoints are doing", paged=True),
    "read_notice": Told(
        line="Read a notice whole, where a webhook was sent thin",
        codes=("notice_not_found",),
        conditional=True,
        answers={200: Answer(text="The notice, to the letter.", schemas={JSON: ref("Notice")})},
    ),
    "mint_key": Told(
        line="Mint a key",
        codes=("json_malformed", "time_invalid", "key_malformed", "scope_unknown", "key_reaches_too_far"),
        answers={201: Answer(text="The key and, this once, its token.", headers=_OF_THE_NEW)},
    ),
    "list_keys": Told(line="List keys, without their tokens", paged=True),
    "read_key": Told(line="Read a key, without its token", codes=("key_not_found", "not_found"), conditional=True),
    "revoke_key": Told(
        line="End a key",
        codes=("key_not_found", "not_found"),
        guarded="may",
        answers={204: Answer(text="It is ended, or was before.")},
    ),
    "livez": Told(line="Ask whether the process runs", without_database=True, answers={200: Answer(text="It runs.")}),
    "readyz": Told(line="Ask whether requests can be served", without_database=True, answers=_READY),
    "read_metrics": Told(
        line="Read metrics",
        without_database=True,
        answers={200: Answer(text="Metrics in the Prometheus text format.", schemas=_METRICS)},
    ),
    "read_document": Told(
        line="Read this document",
        without_database=True,
        conditional=True,
        answers={200: Answer(text="OpenAPI 3.1.", schemas={JSON: {"type": "object"}})},
    ),
    "read_async_document": Told(
        line="Read what webhooks carry, as a document",
        without_database=True,
        conditional=True,
        answers={200: Answer(text="AsyncAPI 3.0.", schemas={JSON: {"type": "object"}})},
    ),
    "read_page": Told(
        line="Read this document as a page",
        without_database=True,
        answers={200: Answer(text="A page that needs no script and nothing from elsewhere.", schemas=_HTML)},
    ),
}
"""By the name of the handler, which is the operation's id."""

TAGS: Final = {
    "events": "The one door for facts, and everything recorded, read on from a cursor.",
    "counters": "The counters of thousands of spindles in one call.",
    "mtconnect": "Documents of MTConnect agents, and which of their data items count for which spindle.",
    "spindles": "Spindles as they are now, how many stand how, their history, measurements and clearance.",
    "rechecks": "What is to be checked again, and when.",
    "work-orders": "What is to be done, for the maintenance system: it plans, the ledger says when it is proven.",
    "sheets": "What the maker says for a spindle type, in revisions.",
    "gauges": "Gauges, their calibrations, and whether they may judge.",
    "lots": "Deliveries of kits.",
    "evaluations": "What judges a spindle, asked without recording anything.",
    "webhooks": "Who is told, how that goes, what was sent, and sending it again. What a webhook carries stands under "
    "`webhooks` in `/openapi.json`.",
    "keys": "Who may do what, and for how long.",
    "running": "Whether the process runs and can keep its promises; and this document. These need no key.",
}
