"""`POST /v1/ingest/mtconnect`: one document of an MTConnect agent, as its /current or /sample answers it."""

import asyncio
from typing import Any, Final

from litestar import Request, Router, post
from litestar.di import NamedDependency
from msgspec import Struct

from service.access import Key
from service.api.door import ContentTypeUnknown
from service.api.problems import Problem, problem_of
from service.domain.mtconnect import BYTES_MAX
from service.ingest import CountedFor, Unmapped, ingest
from service.postgres import Database

TAKEN: Final = ("application/xml", "text/xml")
AT_ONCE: Final = 2
"""Documents that one process reads at a time; the others wait, so that memory stays bounded."""


class ObservationRefused(Struct, frozen=True, kw_only=True):
    """An observation that is not taken, or what it counts; without a sequence it is about several."""

    device: str
    item: str
    sequence: str | None
    problem: Problem


class Ignored(Struct, frozen=True, kw_only=True):
    """Observations that count nothing: unavailable, from before the mapping's start, older than what is remembered, or
    of a mapping that is not enabled.
    """

    unavailable: int
    before_start: int
    forgotten: int
    paused: int


class DocumentTaken(Struct, frozen=True, kw_only=True):
    """What became of a document's observations, each in one of these numbers; `refused` has besides what observations
    count and the ledger does not take. `next` is the sequence to ask the agent for, `instance` the run of the agent it
    is of; both as the document's header says.

    `counted` is what was added to spindles; `refusals` and `unmapped_items` name at most a hundred.
    """

    instance: str
    next: int | None
    accepted: int
    duplicate: int
    ignored: int
    unmapped: int
    refused: int
    why_ignored: Ignored
    counted: list[CountedFor]
    refusals: list[ObservationRefused]
    unmapped_items: list[Unmapped]


@post("/mtconnect", status_code=200, request_max_body_size=BYTES_MAX)
async def post_document(
    request: Request[Any, Any, Any], database: NamedDependency[Database], key: NamedDependency[Key]
) -> DocumentTaken:
    """Takes one MTConnectStreams document. Sent again, out of order or overlapping, it counts once."""
    media = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if media not in TAKEN:
        raise ContentTypeUnknown(f"send {' or '.join(TAKEN)}")
    reading: asyncio.Semaphore = request.app.state.documents
    body = await request.body()
    async with reading:
        found = await ingest(database, body, key)
    for status in ("accepted", "duplicate", "refused"):
        database.metrics.add("readings", status, getattr(found, status))
    why = Ignored(
        unavailable=found.unavailable,
        before_start=found.before_start,
        forgotten=found.forgotten,
        paused=found.paused,
    )
    return DocumentTaken(
        instance=found.instance,
        next=found.next,
        accepted=found.accepted,
        duplicate=found.duplicate,
        ignored=found.unavailable + found.before_start + found.forgotten + found.paused,
        unmapped=found.unmapped,
        refused=found.refused,
        why_ignored=why,
        counted=found.counted,
        refusals=[
            ObservationRefused(
                device=each.device, item=each.item, sequence=each.sequence, problem=problem_of(each.refusal)
            )
            for each in found.not_taken
        ],
        unmapped_items=list(found.unmapped_items.values()),
    )


routes: Final = Router(
    path="/v1/ingest", route_handlers=[post_document], opt={"scope": "counters:write"}, tags=["mtconnect"]
)
