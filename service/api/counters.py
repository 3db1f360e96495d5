"""`POST /v1/counter-readings`: the counters of thousands of spindles in one call."""

from typing import Annotated, Any, Final

import msgspec
from litestar import Request, Router, post
from litestar.di import NamedDependency
from msgspec import Meta, Struct

from service.access import Key
from service.api.door import JSON_BODY
from service.api.problems import Problem, problem_of
from service.count import count
from service.domain.event.envelope import Unreadable, decode, in_pointer, instant, refuse_nul
from service.domain.event.sheets import Count
from service.postgres import Database


class Readings(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Counters read at one time. A name is a spindle's key or `machine/position`."""

    source: Annotated[str, Meta(min_length=1, max_length=512)]
    time: Annotated[str, Meta(min_length=1, max_length=64)]
    readings: Annotated[
        dict[Annotated[str, Meta(min_length=1, max_length=130)], Count], Meta(min_length=1, max_length=20_000)
    ]


class NotAccepted(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A reading that moved nothing: late, or refused with its problem."""

    key: str
    status: str
    problem: Problem | None = None


class Counted(Struct, frozen=True, kw_only=True):
    """How many readings were taken, and what was not accepted by name."""

    accepted: int
    unchanged: int
    duplicate: int
    late: int
    refused: int
    items: list[NotAccepted]


_DECODER: Final = msgspec.json.Decoder(Readings)
_COUNT: Final = msgspec.json.Decoder(Count)


def _read(body: bytes) -> Readings:
    """Raises Unreadable or Malformed; of a count that is none the place names its key."""
    try:
        sent: Readings = decode(_DECODER, body)
    except Unreadable as refusal:
        if refusal.faults[0].pointer != "/readings/*":
            raise
        for name, raw in msgspec.json.decode(body, type=dict[str, msgspec.Raw]).items():
            if name == "readings":
                for key, count_raw in msgspec.json.decode(raw, type=dict[str, msgspec.Raw]).items():
                    decode(_COUNT, bytes(count_raw), f"/readings/{in_pointer(key)}")
        raise
    return sent


@post("/", status_code=200, opt={JSON_BODY: Readings})
async def post_readings(
    request: Request[Any, Any, Any], database: NamedDependency[Database], key: NamedDependency[Key]
) -> Counted:
    """Takes a snapshot of counters. Sent again it is a duplicate; one bad reading holds up no other."""
    body = await request.body()
    refuse_nul(body)
    sent = _read(body)
    answers = await count(database, source=sent.source, time=instant(sent.time), readings=sent.readings, key=key)
    counts = dict.fromkeys(("accepted", "unchanged", "duplicate", "late", "refused"), 0)
    for answer in answers:
        counts[answer.status] += 1
    for status, number in counts.items():
        database.metrics.add("readings", status, number)
    items = [
        NotAccepted(
            key=answer.named,
            status=answer.status,
            problem=None if answer.refusal is None else problem_of(answer.refusal),
        )
        for answer in answers
        if answer.status in ("late", "refused")
    ]
    return Counted(**counts, items=sorted(items, key=lambda item: item.key))


routes: Final = Router(
    path="/v1/counter-readings", route_handlers=[post_readings], opt={"scope": "counters:write"}, tags=["counters"]
)
