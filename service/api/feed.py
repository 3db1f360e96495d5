"""`GET /v1/events`: everything recorded, read on from a cursor, as pages, as lines, or as it comes."""

from collections.abc import AsyncIterator
from typing import Annotated, Any, Final
from urllib.parse import urlencode

import msgspec
from litestar import Request, Response, get
from litestar.di import NamedDependency
from litestar.openapi.datastructures import ResponseSpec
from litestar.params import QueryParameter
from litestar.response import Stream
from msgspec import Struct

from service.access import Key
from service.api.event_stream import EventStream, last_event_id, wants_events
from service.api.streams import Streams
from service.domain.event import KINDS
from service.domain.notice import NOTICE_TYPES
from service.domain.refusal import Refusal
from service.feed import Cursor, Found, HistoryItem, Wanted, cursor_text, read_cursor, read_on
from service.postgres import Database

LINES: Final = "application/x-ndjson"
END: Final = "end"
PAGE: Final = 100
LINES_AT_ONCE: Final = 500
_KEY: Final = "[A-Za-z0-9][A-Za-z0-9._~-]{0,63}"
_encode: Final = msgspec.json.Encoder().encode

After = Annotated[
    str | None,
    QueryParameter(
        max_length=4_000,
        description="the `next` of an earlier answer, or `end` for what comes from now on; absent: the beginning",
    ),
]
FeedLimit = Annotated[
    int | None,
    QueryParameter(ge=1, le=1000, description=f"how many items at most: {PAGE} in a page, and in lines all there are"),
]
Types = Annotated[
    list[str] | None, QueryParameter(max_items=100, description="types of event; given several times, any of them")
]
SubjectName = Annotated[
    str | None,
    QueryParameter(pattern=f"^(spindles|sheets|gauges|lots)/{_KEY}$", description="one subject, kind and key"),
]
SpindleName = Annotated[str | None, QueryParameter(pattern=f"^{_KEY}$", description="one spindle, by its key")]
Plant = Annotated[str | None, QueryParameter(pattern=f"^{_KEY}$", description="spindles that are in this plant now")]


_UNKNOWN: Final = "is not a type of event of this service"
_NOTICE: Final = (
    "is a type of notice, and notices are no entries: webhook endpoints are sent them, and "
    "/v1/webhook-endpoints/{id}/deliveries lists them; what is due now is at /v1/rechecks"
)


class EventTypeUnknown(Refusal):
    """A filter asks for a type of event that there is not."""

    code = "type_unknown"


class FeedPage(Struct, frozen=True, kw_only=True):
    """Some entries, and the cursor to read on with: never null. The end is reached where `next` is what was sent."""

    items: list[HistoryItem]
    next: str


@get(
    "/",
    opt={"scope": "read"},
    responses={
        200: ResponseSpec(
            FeedPage, generate_examples=False, description="A page; or lines, the last of which has `next` alone"
        )
    },
)
async def read_feed(
    request: Request[Any, Any, Any],
    database: NamedDependency[Database],
    streams: NamedDependency[Streams],
    key: NamedDependency[Key],
    after: After = None,
    limit: FeedLimit = None,
    types: Types = None,
    subject: SubjectName = None,
    spindle: SpindleName = None,
    plant: Plant = None,
) -> Response[Any]:
    """Everything recorded after a cursor, sheets, gauges and lots included: in each log in the order of recording.

    What a reader has passed never grows: no entry appears later behind a cursor, and what a filter leaves out moves
    the cursor too: whoever cannot be called by webhooks polls here, for facts, which notices follow from. With
    `Accept: application/x-ndjson` every entry to the present end is a line, and the last line carries the cursor. With
    `Accept: text/event-stream` every entry is an event, and the stream goes on with what is recorded from then on; its
    ids are cursors, and `Last-Event-ID` reads on as `after` does. A key that is bound to plants sees their spindles.
    """
    for name in types or ():
        if name not in KINDS:
            raise EventTypeUnknown(f"{name!r} {_NOTICE if name in NOTICE_TYPES else _UNKNOWN}", parameter="types")
    named = subject or (None if spindle is None else f"spindles/{spindle}")
    kind, _, subject_key = (named or "").partition("/")
    wanted = Wanted(
        types=None if types is None else tuple(types),
        subject=None if named is None else (kind, subject_key),
        plant=plant,
        reaches=key.plants,
    )
    if wants_events(request):
        after = last_event_id(request) or after
    cursor = await _cursor(after, streams)
    if wants_events(request):
        return EventStream(await streams.events.open(cursor, wanted))
    if _wants_lines(request.headers.get("accept", "")):
        first = await _read(database, cursor, wanted, LINES_AT_ONCE if limit is None else limit)
        return Stream(_lines(database, first, wanted, limit), media_type=LINES, status_code=200)
    found = await _read(database, cursor, wanted, limit or PAGE)
    page = FeedPage(items=found.items, next=cursor_text(found.cursor))
    return Response(page, headers={"Link": f'<{_following(request, page.next)}>; rel="next"'})


async def _cursor(after: str | None, streams: Streams) -> Cursor:
    if after == END:
        return await streams.events.place_at_end()
    return {} if after is None else read_cursor(after)


def _following(request: Request[Any, Any, Any], cursor: str) -> str:
    """The address that reads on (RFC 8288), with the same filters."""
    kept = [(name, value) for name, value in request.query_params.multi_items() if name != "after"]
    return f"{request.url.path}?{urlencode([*kept, ('after', cursor)])}"


def _wants_lines(accept: str) -> bool:
    return any(part.partition(";")[0].strip().lower() == LINES for part in accept.split(","))


async def _read(database: Database, cursor: Cursor, wanted: Wanted, limit: int) -> Found:
    async with database.transaction(snapshot=True) as tx:
        return await read_on(tx, cursor, wanted, limit=limit)


async def _lines(database: Database, found: Found, wanted: Wanted, limit: int | None) -> AsyncIterator[bytes]:
    """Portion by portion, a snapshot each, so that a slow reader holds neither memory nor a connection."""
    left = None if limit is None else limit - len(found.items)
    yield b"".join(_encode(item) + b"\n" for item in found.items)
    while not found.at_end and left != 0:
        found = await _read(database, found.cursor, wanted, LINES_AT_ONCE if left is None else left)
        left = None if left is None else left - len(found.items)
        yield b"".join(_encode(item) + b"\n" for item in found.items)
    yield _encode({"next": cursor_text(found.cursor)}) + b"\n"
