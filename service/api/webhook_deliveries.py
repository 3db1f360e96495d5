"""What was and is to be sent to webhook endpoints: lists with filters, one delivery, every attempt."""

import re
from typing import Annotated, Any, Final

from litestar import Request, Response, Router, get
from litestar.di import NamedDependency
from litestar.params import FromPath, QueryParameter
from msgspec import Meta

from service import deliveries
from service.access import Key
from service.api.conditional import answer
from service.api.door import time_of
from service.api.pages import Cursor, Limit, Name, Page, paged
from service.api.webhooks import PATH, visible
from service.deliveries import AttemptListed, AttemptsWanted, Delivery, DeliveryState, Outcome
from service.domain.notice import NOTICE_TYPES
from service.domain.refusal import Refusal
from service.endpoints import NoticeTypeUnknown
from service.postgres import Database, Transaction

_NOTICE: Final = "^ntc_[a-z2-7]{32}$"
_SINCE: Final = "RFC 3339: what was made then or later"
_UNTIL: Final = "RFC 3339: what was made before then"

EndpointId = Annotated[
    str | None, QueryParameter(pattern="^whe_[0-9a-f]{32}$", description="only what goes to this endpoint")
]
States = Annotated[list[DeliveryState] | None, QueryParameter(name="state", description="any of these")]
Types = Annotated[
    list[str] | None, QueryParameter(name="type", max_items=100, description="types of notice; any of these")
]
NoticeId = Annotated[str | None, QueryParameter(pattern=_NOTICE, description="only this notice")]
Since = Annotated[str | None, QueryParameter(description=_SINCE, max_length=64)]
Until = Annotated[str | None, QueryParameter(description=_UNTIL, max_length=64)]
Outcomes = Annotated[
    list[Outcome] | None,
    QueryParameter(
        name="outcome",
        description="succeeded (2xx), refused (answered otherwise), unanswered (no whole answer); any of these",
    ),
]
Statuses = Annotated[
    list[Annotated[int, Meta(ge=100, le=999)]] | None,
    QueryParameter(name="status", max_items=100, description="statuses of HTTP; any of these"),
]


class DeliveryUnknown(Refusal):
    """This notice was never put for this endpoint, or it is not this key's to see."""

    code = "delivery_unknown"


@get("/{endpoint_id:str}/deliveries")
async def list_deliveries(
    request: Request[Any, Any, Any],
    endpoint_id: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    standing: States = None,
    types: Types = None,
    notice: NoticeId = None,
    spindle: Name = None,
    plant: Name = None,
    since: Since = None,
    until: Until = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[Delivery]]:
    """What was and is to be sent to an endpoint, the newest notice first, with every attempt and its answer.

    Whatever is written meanwhile, a walk meets everything once that was there when it began and still fits.
    """
    filters = _filters(standing, types, notice, spindle, plant, since, until, key)
    async with database.transaction(snapshot=True) as tx:
        await visible(tx, endpoint_id, key)
        items, following = await deliveries.deliveries(tx, limit=limit, cursor=cursor, endpoint=endpoint_id, **filters)
    return paged(request, items, following)


@get("/")
async def list_every_delivery(
    request: Request[Any, Any, Any],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    endpoint: EndpointId = None,
    standing: States = None,
    types: Types = None,
    notice: NoticeId = None,
    spindle: Name = None,
    plant: Name = None,
    since: Since = None,
    until: Until = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[Delivery]]:
    """What was and is to be sent to any endpoint that the key may see, the newest notice first.

    With `notice`, who was told of it and how that went. What a deleted endpoint was sent stays; what waited is dropped.
    """
    filters = _filters(standing, types, notice, spindle, plant, since, until, key)
    async with database.transaction(snapshot=True) as tx:
        items, following = await deliveries.deliveries(tx, limit=limit, cursor=cursor, endpoint=endpoint, **filters)
    return paged(request, items, following)


def _filters(
    standing: list[DeliveryState] | None,
    types: list[str] | None,
    notice: str | None,
    spindle: str | None,
    plant: str | None,
    since: str | None,
    until: str | None,
    key: Key,
) -> dict[str, Any]:
    """The filters of `listed_deliveries`. Raises NoticeTypeUnknown, TimeMalformed."""
    for name in types or ():
        if name not in NOTICE_TYPES:
            raise NoticeTypeUnknown(
                f"{name!r} is no type of notice: they are {' '.join(NOTICE_TYPES)}", parameter="type"
            )
    return {
        "state": standing,
        "type": types,
        "notice": notice,
        "spindle": spindle,
        "plant": plant,
        "since": None if since is None else time_of(since, parameter="since"),
        "until": None if until is None else time_of(until, parameter="until"),
        "plants": key.plants,
    }


@get("/{endpoint_id:str}/deliveries/{notice:str}")
async def read_delivery(
    request: Request[Any, Any, Any],
    endpoint_id: FromPath[str],
    notice: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> Response[Delivery]:
    """One notice on its way to one endpoint, with every attempt; the notice itself is at `/v1/notices/{notice}`."""
    async with database.transaction(snapshot=True) as tx:
        await visible(tx, endpoint_id, key)
        return answer(request, await delivery_of(tx, endpoint_id, notice, key))


async def delivery_of(tx: Transaction, endpoint_id: str, notice: str, key: Key) -> Delivery:
    """The delivery, or DeliveryUnknown."""
    named = re.fullmatch(_NOTICE, notice)
    found = await deliveries.delivery(tx, endpoint_id, notice, key.plants) if named else None
    if found is None:
        raise DeliveryUnknown("this notice was never put for this endpoint")
    return found


@get("/{endpoint_id:str}/attempts")
async def list_attempts(
    request: Request[Any, Any, Any],
    endpoint_id: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    outcomes: Outcomes = None,
    statuses: Statuses = None,
    notice: NoticeId = None,
    since: Annotated[str | None, QueryParameter(description="RFC 3339: begun then or later", max_length=64)] = None,
    until: Annotated[str | None, QueryParameter(description="RFC 3339: begun before then", max_length=64)] = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[AttemptListed]]:
    """Every attempt at an endpoint in the order of time, the newest first: how it went, what came back, how long."""
    wanted = AttemptsWanted(
        outcomes=None if outcomes is None else tuple(outcomes),
        statuses=None if statuses is None else tuple(statuses),
        notice=notice,
        since=None if since is None else time_of(since, parameter="since"),
        until=None if until is None else time_of(until, parameter="until"),
        plants=key.plants,
    )
    async with database.transaction(snapshot=True) as tx:
        await visible(tx, endpoint_id, key)
        items, following = await deliveries.attempts(tx, endpoint_id, wanted, limit=limit, cursor=cursor)
    return paged(request, items, following)


_OPT: Final = {"scope": "webhooks:admin"}
routes: Final = Router(
    path="/",
    route_handlers=[
        Router(path=PATH, route_handlers=[list_deliveries, read_delivery, list_attempts]),
        Router(path="/v1/webhook-deliveries", route_handlers=[list_every_delivery]),
    ],
    opt=_OPT,
    tags=["webhooks"],
)
