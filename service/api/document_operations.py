"""What is told of each operation beyond what its handler says: a line, its refusals, what is answered."""

from typing import Final

from service.api.clearances import ClearancesAsked
from service.api.counter_lines import OneReading
from service.api.counters import Readings
from service.api.document_members import any_of, ref
from service.api.document_systems import OF_SYSTEMS
from service.api.document_told import JSON, OF_THE_NEW, Answer, Told
from service.api.event_lines import MEDIA_TYPE as LINES
from service.api.events import BATCH, SINGLE
from service.api.probes import Readiness
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
_READY: Final = {
    200: Answer(text="Requests can be served; `findings` may still hold remarks."),
    503: Answer(text="Requests cannot be served; `findings` say why.", schemas={JSON: ref(Readiness.__name__)}),
}
_METRICS: Final = {"text/plain": {"type": "string"}}
_HTML: Final = {"text/html": {"type": "string"}}

OPERATIONS: Final[dict[str, Told]] = {
    **OF_SYSTEMS,
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
        line="Read when a spindle's rechecks are expected to fall due, what is wearing, and steps of its draw force",
        codes=("spindle_not_found", *_OF_THE_PAST),
    ),
    "read_charts": Told(
        line="Read what was measured of a spindle as charts",
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
    "read_life": Told(
        line="Read how long clamping sets last, and what to expect of those that run",
        codes=("sheet_not_found", "spindle_not_found", "reason_unknown", "cost_unfit"),
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
    "post_rehearsal": Told(
        line="Try another rule on the past without recording anything",
        codes=(
            *("json_malformed", "event_invalid", "sheet_not_found", "rule_unfit", "rehearsal_too_large"),
            *("evaluation_invalid", "sheet_incomplete", "check_not_applicable"),
        ),
        bodies={JSON: ref("RehearsalAsked")},
    ),
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
    "mint_key": Told(
        line="Mint a key",
        codes=("json_malformed", "time_invalid", "key_malformed", "scope_unknown", "key_reaches_too_far"),
        answers={201: Answer(text="The key and, this once, its token.", headers=OF_THE_NEW)},
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
