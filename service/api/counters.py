"""`POST /v1/counter-readings`: a snapshot of many counters, one reading, or any number of them as lines."""

from typing import Annotated, Any, Final, cast

import msgspec
from litestar import Request, Response, Router, post
from litestar.di import NamedDependency
from litestar.response import Stream
from msgspec import Meta, Struct

from service.access import Key
from service.api.content_encoding import whole
from service.api.counter_lines import MEDIA_TYPE as LINES
from service.api.counter_lines import NAME_SHOWN, ReadingLines, take_counter_lines
from service.api.counter_tally import Counted, Tally
from service.api.door import ContentTypeUnknown, is_utf8
from service.api.repeated import OF_SNAPSHOT, pairs, refuse_repeated
from service.domain.event.envelope import TimeInFuture, Unreadable, decode, in_pointer, instant, refuse_nul
from service.domain.event.sheets import Count
from service.domain.refusal import Refusal
from service.gather import Gathering
from service.reading_names import Reading, snapshot

JSON: Final = "application/json"
READINGS_MAX: Final = 20_000
BODY_BYTES_MAX: Final = 16 * 1024 * 1024
"""Of one snapshot; lines have no such limit."""
Source = Annotated[str, Meta(min_length=1, max_length=512)]
Named = Annotated[str, Meta(min_length=1, max_length=130)]
Time = Annotated[str, Meta(min_length=1, max_length=64)]


class Readings(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Counters read at one time. A name is a spindle's key or `machine/position`."""

    source: Source
    time: Time
    readings: Annotated[dict[Named, Count], Meta(min_length=1, max_length=READINGS_MAX)]


class _Body(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The same with its readings unread, so that one of them cannot spoil the others."""

    source: Source
    time: Time
    readings: msgspec.Raw


_DECODER: Final = msgspec.json.Decoder(_Body)
_READINGS: Final = msgspec.json.Decoder(Annotated[dict[Named, Count], Meta(min_length=1, max_length=READINGS_MAX)])
_LOOSE: Final = msgspec.json.Decoder(Annotated[dict[str, msgspec.Raw], Meta(min_length=1, max_length=READINGS_MAX)])
_NAMED: Final = msgspec.json.Decoder(Named)
_COUNT: Final = msgspec.json.Decoder(Count)


@post("/", status_code=200, request_max_body_size=None)
async def post_readings(request: Request[Any, Any, Any], key: NamedDependency[Key]) -> Response[Counted]:
    """Takes a snapshot of counters, one reading, or any number of readings as lines (`application/x-ndjson`).

    Sent again they are duplicates; one bad reading holds up no other. The body may come as `gzip` or `zstd`. Of a body
    of lines that ends in a problem, what stood before may have been taken: send it again.
    """
    media, _, parameters = request.headers.get("content-type", "").partition(";")
    media = media.strip().lower()
    if media not in (JSON, LINES) or not is_utf8(parameters):
        raise ContentTypeUnknown(f"send {JSON} or {LINES}, in UTF-8")
    gathering: Gathering = request.app.state.gathering
    if media == LINES:
        tally = await take_counter_lines(request, gathering.database, key)
    else:
        tally = Tally()
        await _take(await whole(request, BODY_BYTES_MAX), key, gathering, tally)
        tally.tell(gathering.database.metrics)
    content: Any = Stream(tally.portions(), media_type=JSON)
    return cast(Response[Counted], content if tally.spooled else Response(tally.told(), media_type=JSON))


async def _take(body: bytes, key: Key, gathering: Gathering, tally: Tally) -> None:
    """One snapshot or one reading. Raises a Refusal of the whole."""
    refuse_nul(body)
    if b'"spindle"' in body and b'"readings"' not in body:
        readings = [ReadingLines(key).read(body)]
    else:
        readings = _snapshot(body, key, tally)
    answers = await gathering.count(readings) if readings else []
    if answers and isinstance(answers[0], TimeInFuture):
        raise answers[0]
    tally.add_all([reading.named for reading in readings], answers)


def _snapshot(body: bytes, key: Key, tally: Tally) -> list[Reading]:
    """The readings of a snapshot; those that are none are refused in the tally. Raises Unreadable or Malformed."""
    sent: _Body = decode(_DECODER, body)
    refuse_repeated(body, OF_SNAPSHOT)
    time, raw = instant(sent.time), bytes(sent.readings)
    try:
        known: dict[str, int] = decode(_READINGS, raw, "/readings")
        if raw.count(b":") == len(known):
            return snapshot(sent.source, time, known.items(), key)
    except Unreadable:
        decode(_LOOSE, raw, "/readings")
    taken = []
    for name, written in pairs(raw):
        try:
            pointer = f"/readings/{in_pointer(name)}"
            decode(_NAMED, msgspec.json.encode(name), pointer)
            taken.append((name, decode(_COUNT, written, pointer)))
        except Refusal as refusal:
            tally.add(name[:NAME_SHOWN], refusal)
    return snapshot(sent.source, time, taken, key)


routes: Final = Router(
    path="/v1/counter-readings", route_handlers=[post_readings], opt={"scope": "counters:write"}, tags=["counters"]
)
