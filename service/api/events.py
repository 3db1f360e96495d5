"""`POST /v1/events`: the one door for facts, one event or a batch."""

from typing import Any, Final

import msgspec
from litestar import Request, Response, Router, post
from litestar.di import NamedDependency
from msgspec import Struct

from service.access import Key
from service.api.feed import read_feed
from service.api.problems import Problem, problem_of
from service.domain.event.envelope import Malformed, decode, read_event
from service.domain.refusal import Refusal
from service.postgres import Database
from service.record import Receipt, record

SINGLE: Final = frozenset({"application/cloudevents+json", "application/json"})
BATCH: Final = "application/cloudevents-batch+json"
BATCH_MAX: Final = 10_000


class ContentTypeUnknown(Refusal):
    code = "content_type_unknown"


class BatchTooLong(Refusal):
    code = "batch_too_long"


class Refused(Struct, frozen=True, kw_only=True):
    """An item of a batch that was not taken; nothing of it is kept, its id may come again corrected."""

    status: str = "refused"
    problem: Problem


_ITEMS: Final = msgspec.json.Decoder(list[msgspec.Raw])


@post("/", status_code=201)
async def post_events(
    request: Request[Any, Any, Any], database: NamedDependency[Database], key: NamedDependency[Key]
) -> Response[Any]:
    """Takes one event (201 accepted, 200 duplicate) or a batch (200, answered item by item, in order)."""
    media, _, parameters = request.headers.get("content-type", "").partition(";")
    media = media.strip().lower()
    if (media not in SINGLE and media != BATCH) or not _is_utf8(parameters):
        raise ContentTypeUnknown(f"send {', '.join(sorted(SINGLE))} or {BATCH}, in UTF-8")
    body = await request.body()
    if media == BATCH:
        return Response(await _batch(body, database, key), status_code=200)
    if body.lstrip()[:1] == b"[":
        raise Malformed(f"an event is a JSON object; send several as {BATCH}", pointer="")
    receipt = await record(database, read_event(body), key)
    return Response(receipt, status_code=201 if receipt.status == "accepted" else 200)


def _is_utf8(parameters: str) -> bool:
    name, _, value = parameters.strip().lower().partition("=")
    return name != "charset" or value.strip('"') in ("utf-8", "utf8")


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
