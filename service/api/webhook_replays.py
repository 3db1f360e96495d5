"""Notices sent again, or at last, on request: one, or those of a range, counted first where that is wanted."""

from typing import Annotated, Any, Final

import msgspec
from litestar import Response, Router, post
from litestar.di import NamedDependency
from litestar.params import FromPath, JSONBody
from msgspec import Meta, Struct

from service import endpoints, replays
from service.access import Key
from service.api.door import time_of
from service.api.webhook_deliveries import delivery_of
from service.api.webhooks import PATH, Prefix, visible
from service.cursors import CursorMalformed, read_cursor, write_cursor
from service.deliveries import Delivery
from service.postgres import Database
from service.replays import PORTION, Found, Replayable, Wanted

REPLAYED_MAX: Final = 100_000
"""So many notices one call puts at most."""


class ReplayWanted(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is to be sent again. `states` of the deliveries: `waiting` are those that wait for a later attempt.

    With `missed` also notices that the endpoint was never to get, because it was added later or wanted less then, and
    that it wants now. `since` (inclusive) and `until` (RFC 3339) go by when a notice was made. With `dry` nothing is
    put, only counted; `cursor` goes on with a replay that has some left.
    """

    states: Annotated[tuple[Replayable, ...], Meta(max_length=3)] = ("failed",)
    missed: bool = False
    types: list[str] | None = None
    since: str | None = None
    until: str | None = None
    spindle_prefix: Prefix | None = None
    dry: bool = False
    cursor: str | None = None


class Replayed(Struct, frozen=True, kw_only=True):
    """How many deliveries were put `again` and how many `missed` notices for the first time; in a dry run, would be.

    So many are `left` beyond what one call puts, to go on with from `next`. Where the endpoint is not `enabled`, what
    was put waits until it is.
    """

    dry: bool
    again: int
    missed: int
    left: int
    next: str | None
    enabled: bool


@post("/{endpoint_id:str}/deliveries/{notice:str}/replay", status_code=202)
async def replay_delivery(
    endpoint_id: FromPath[str],
    notice: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> Response[Delivery]:
    """Sends one notice to one endpoint again, now, under its id, with the whole schedule before it.

    Attempts made before stay and are numbered on. What is due anyway, or on its way, is left alone, so asking twice
    changes nothing.
    """
    async with database.transaction() as tx:
        await visible(tx, endpoint_id, key, to_change=True)
        await delivery_of(tx, endpoint_id, notice, key)
        await replays.replay_one(tx, endpoint_id, notice)
        return Response(await delivery_of(tx, endpoint_id, notice, key), status_code=202)


@post("/{endpoint_id:str}/replay", status_code=200)
async def replay_deliveries(
    endpoint_id: FromPath[str],
    data: JSONBody[ReplayWanted],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> Replayed:
    """Sends an endpoint again what failed, or whatever else is asked for, under the ids that the notices have.

    At most 100,000 a call, the oldest first. Receivers tell a notice that they have by its id. What is due anyway, or
    on its way, is left alone, so asking twice changes nothing while it waits.
    """
    wanted = _wanted(data, key)
    after = _place_of(endpoint_id, wanted, data.cursor)
    async with database.transaction() as tx:
        found = await visible(tx, endpoint_id, key)
        if data.dry:
            there = await replays.count(tx, endpoint_id, wanted, after=after)
            left = max(there.again + there.missed - REPLAYED_MAX, 0)
            return Replayed(
                dry=True, again=there.again, missed=there.missed, left=left, next=None, enabled=found.enabled
            )
    done = await _replay(database, endpoint_id, wanted, key, after)
    async with database.transaction() as tx:
        found = await visible(tx, endpoint_id, key)
        rest = Found() if done.last is None else await replays.count(tx, endpoint_id, wanted, after=done.last)
    left = rest.again + rest.missed
    return Replayed(
        dry=False,
        again=done.again,
        missed=done.missed,
        left=left,
        next=write_cursor(_question(endpoint_id, wanted), [done.last]) if left and done.last is not None else None,
        enabled=found.enabled,
    )


async def _replay(database: Database, endpoint_id: str, wanted: Wanted, key: Key, after: int) -> Found:
    """Portion by portion, a transaction each, so that dispatchers go on meanwhile; `last` is None at the end.

    An endpoint that was changed while a portion was looked for is looked at anew.
    """
    again = missed = 0
    last: int | None = after
    while last is not None and again + missed < REPLAYED_MAX:
        async with database.transaction() as tx:
            seen = await visible(tx, endpoint_id, key)
            limit = min(PORTION, REPLAYED_MAX - again - missed)
            portion = await replays.find(tx, endpoint_id, wanted, after=last, limit=limit)
            if await visible(tx, endpoint_id, key, to_change=True) != seen:
                continue
            put = await replays.replay(tx, endpoint_id, portion)
        again, missed, last = again + put.again, missed + put.missed, put.last
    return Found(again=again, missed=missed, last=last)


def _wanted(data: ReplayWanted, key: Key) -> Wanted:
    endpoints.check_types(data.types)
    return Wanted(
        states=tuple(dict.fromkeys(data.states)),
        missed=data.missed,
        types=None if data.types is None else tuple(data.types),
        since=None if data.since is None else time_of(data.since, "/since"),
        until=None if data.until is None else time_of(data.until, "/until"),
        spindle_prefix=data.spindle_prefix,
        plants=key.plants,
    )


def _question(endpoint_id: str, wanted: Wanted) -> list[Any]:
    return ["replay", endpoint_id, msgspec.json.encode(wanted).decode()]


def _place_of(endpoint_id: str, wanted: Wanted, cursor: str | None) -> int:
    if cursor is None:
        return 0
    try:
        return int(read_cursor(_question(endpoint_id, wanted), [int], cursor)[0])
    except CursorMalformed as refusal:
        raise CursorMalformed(refusal.detail, pointer="/cursor") from refusal


routes: Final = Router(
    path=PATH,
    route_handlers=[replay_delivery, replay_deliveries],
    opt={"scope": "webhooks:admin"},
    tags=["webhooks"],
)
