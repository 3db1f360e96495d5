"""`POST /v1/events`: the one door for facts, one event, a batch, or lines."""

from typing import Any, Final

import msgspec
from litestar import Request, Response, Router, post
from litestar.di import NamedDependency
from msgspec import Struct

from service.access import Key
from service.api.content_encoding import whole
from service.api.door import ContentTypeUnknown, is_utf8
from service.api.event_lines import MEDIA_TYPE as LINES
from service.api.event_lines import take_lines
from service.api.feed import read_feed
from service.api.problems import Problem, problem_of
from service.domain.event.envelope import Malformed, decode, read_event
from service.domain.refusal import Refusal
from service.postgres import Database
from service.receipt import Receipt
from service.record import record

SINGLE: Final = frozenset({"application/cloudevents+json", "application/json"})
BATCH: Final = "application/cloudevents-batch+json"
BATCH_MAX: Final = 10_000
BODY_BYTES_MAX: Final = 16 * 1024 * 1024
"""Of one event or one batch; lines have no such limit."""


class BatchTooLong(Refusal):
    code = "batch_too_long"


class Refused(Struct, frozen=True, kw_only=True):
    """An item of a batch that was not taken; nothing of it is kept, its id may come again corrected."""

    status: str = "refused"
    problem: Problem


_ITEMS: Final = msgspec.json.Decoder(list[msgspec.Raw])


@post("/", status_code=201, request_max_body_size=None)
async def post_events(
    request: Request[Any, Any, Any], database: NamedDependency[Database], key: NamedDependency[Key]
) -> Response[Any]:
    """Takes one event (201 accepted, 200 duplicate), a batch (200, answered item by item, in order), or lines.

    Lines (`application/x-ndjson`, any number of them) are taken as they come and answered as lines, each a receipt or
    `refused` with its problem, with its number as `line`; blank ones are passed over. The body may come as `gzip` or
    `zstd`.
    """
    media, _, parameters = request.headers.get("content-type", "").partition(";")
    media = media.strip().lower()
    if media not in (*SINGLE, BATCH, LINES) or not is_utf8(parameters):
        raise ContentTypeUnknown(f"send {', '.join(sorted(SINGLE))}, {BATCH} or {LINES}, in UTF-8")
    if media == LINES:
        return await take_lines(request, database, key)
    body = await whole(request, BODY_BYTES_MAX)
    if media == BATCH:
        return Response(await _batch(body, database, key), status_code=200)
    if body.lstrip()[:1] == b"[":
        raise Malformed(f"an event is a JSON object; send several as {BATCH}", pointer="")
    receipt = await record(database, read_event(body), key)
    return Response(receipt, status_code=201 if receipt.status == "accepted" else 200)


async def _batch(body: bytes, database: Database, key: Key) -> list[Receipt | Refused]:
    items = decode(_ITEMS, body)
    if len(items) > BATCH_MAX:
        raise BatchTooLong(f"a batch has at most {BATCH_MAX} events; this one has {len(items)}")
    answers: list[Receipt | Refused] = []
    for item in items:
        try:
            answers.append(await record(database, read_event(bytes(item)), key))
        except Refusal as refusal:
            answers.append(Refused(problem=problem_of(refusal)))
    return answers


routes: Final = Router(
    path="/v1/events", route_handlers=[post_events, read_feed], opt={"scope": "events:write"}, tags=["events"]
)
