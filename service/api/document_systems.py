"""What is told of the operations for other systems: MTConnect agents, maintenance systems, receivers of webhooks."""

from typing import Final

from service.api.document_members import ref
from service.api.document_told import JSON, OF_THE_NEW, Answer, Told
from service.api.door import MERGE_PATCH
from service.api.ingest import TAKEN as XML
from service.api.mappings import MappingChange
from service.api.planning import WorkOrderChange
from service.api.webhooks import EndpointChange
from service.api.work_orders import B2MML

_OF_DELIVERIES: Final = ("notice_type_unknown", "time_invalid")
_XML: Final = {"type": "string", "description": "An MTConnectStreams document, at most 5 MiB"}
_OF_DOCUMENTS: Final = (
    "What became of its observations, and where the agent is to be asked on. What is refused of a document is answered "
    "for itself: `count_negative`, `count_not_a_number`, `count_not_whole`, `count_out_of_range`, "
    "`observation_not_a_count`, `sequence_invalid`, `sequence_conflict`, `timestamp_invalid`, `time_in_future`, "
    "`counter_implausible`, `spindle_unknown`, `spindle_not_installed`."
)
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

OF_SYSTEMS: Final[dict[str, Told]] = {
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
    "add_endpoint": Told(
        line="Add a webhook endpoint",
        codes=(
            *("json_malformed", "notice_type_unknown", "description_malformed", "secret_malformed", "url_malformed"),
            *("url_has_credentials", "address_not_allowed", "certificate_unusable", "plant_outside_key"),
        ),
        answers={201: Answer(text="The endpoint and, this once, its secret.", headers=OF_THE_NEW)},
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
}
"""By the name of the handler, which is the operation's id."""
