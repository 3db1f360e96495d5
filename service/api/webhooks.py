"""`/v1/webhook-endpoints`: who is told, a ping to try it, and what was sent."""

import re
from datetime import datetime
from typing import Any, Final

import msgspec
from litestar import Request, Response, Router, delete, get, patch, post
from litestar.di import NamedDependency
from litestar.params import FromPath, JSONBody, SkipValidation
from msgspec import UNSET, Struct, UnsetType
from msgspec.structs import replace

from service import outbox
from service.access import Key
from service.api.conditional import answer, check_unchanged, etag_of
from service.api.pages import Cursor, Limit, Page, cursor_after, paged, place_of
from service.deliver import check_target
from service.domain.address import Network
from service.domain.refusal import Refusal
from service.domain.signature import secret_bytes, secret_text
from service.outbox import AttemptMade, Delivery, Endpoint
from service.postgres import Database, Transaction

PATH: Final = "/v1/webhook-endpoints"
DESCRIPTION_CHARACTERS_MAX: Final = 500
_ENDPOINT: Final = r"whe_[0-9a-f]{32}"


class EndpointUnknown(Refusal):
    """There is no such endpoint, or it is not this key's to see."""

    code = "endpoint_unknown"


class DescriptionMalformed(Refusal):
    """A description that is too long or holds a NUL."""

    code = "description_malformed"


class EndpointWanted(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A receiver to add. Without `types` it is told everything; `secret` is made unless given (`whsec_…`)."""

    url: str
    types: list[str] | None = None
    description: str | None = None
    secret: str | None = None


class EndpointChange(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is to be otherwise; a member left out stays. `types` null is every type, `description` null is none.

    While an endpoint is not `enabled` what it would be told waits; enabled again, it is told.
    """

    types: list[str] | UnsetType | None = UNSET
    description: str | UnsetType | None = UNSET
    enabled: bool | UnsetType = UNSET


class EndpointAdded(Endpoint, frozen=True, kw_only=True):
    """A new receiver with its secret, which is shown this once."""

    secret: str


class DeliveryShown(Struct, frozen=True, kw_only=True):
    """One notice on its way to this endpoint: waiting, delivered, failed or dropped, with every attempt made."""

    notice: str
    type: str
    subject: str
    time: datetime
    state: str
    next_attempt: datetime | None
    ended: datetime | None
    attempts: tuple[AttemptMade, ...]


class NoticePut(Struct, frozen=True, kw_only=True):
    """The id under which a notice will arrive."""

    notice: str


@post("/", status_code=201)
async def add_endpoint(
    data: JSONBody[EndpointWanted],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    webhook_networks: NamedDependency[SkipValidation[tuple[Network, ...]]],
) -> Response[EndpointAdded]:
    """Adds a receiver. One added with a key that is bound to plants is told of those plants only."""
    outbox.check_types(data.types)
    _check_description(data.description)
    secret = None if data.secret is None else secret_bytes(data.secret)
    await check_target(data.url, webhook_networks)
    async with database.transaction() as tx:
        added, secret = await outbox.add_endpoint(
            tx,
            url=data.url,
            types=data.types,
            plants=key.plants,
            description=data.description,
            secret=secret,
            created_by=key.key,
        )
    shown = EndpointAdded(**msgspec.structs.asdict(added), secret=secret_text(secret))
    told = {"Location": f"{PATH}/{added.id}", "ETag": etag_of(added), "Cache-Control": "no-store"}
    return Response(shown, headers=told)


def _check_description(text: str | None) -> None:
    if text is not None and (len(text) > DESCRIPTION_CHARACTERS_MAX or "\0" in text):
        raise DescriptionMalformed(
            f"a description has at most {DESCRIPTION_CHARACTERS_MAX} characters and no NUL", pointer="/description"
        )


@get("/")
async def list_endpoints(
    request: Request[Any, Any, Any],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[Endpoint]]:
    """Receivers in the order they were added, without their secrets."""
    after = place_of(request.url.path, cursor, str)
    async with database.transaction() as tx:
        found = await outbox.endpoints(tx, limit=limit + 1, after=after, plants=key.plants)
    more = len(found) > limit
    return paged(request, found[:limit], cursor_after(request.url.path, found[limit - 1].id) if more else None)


@get("/{endpoint_id:str}")
async def read_endpoint(
    request: Request[Any, Any, Any],
    endpoint_id: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> Response[Endpoint]:
    """One receiver, without its secret."""
    async with database.transaction() as tx:
        return answer(request, await _visible(tx, endpoint_id, key))


@patch("/{endpoint_id:str}")
async def change_endpoint(
    request: Request[Any, Any, Any],
    endpoint_id: FromPath[str],
    data: JSONBody[EndpointChange],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> Response[Endpoint]:
    """Changes what a receiver is told, pauses it, or sends to it again; only from what was read (`If-Match`).

    The body is a merge patch (RFC 7396): a member left out stays as it is. A pause is told to the other endpoints.
    """
    if data.types is not UNSET:
        outbox.check_types(data.types)
    if data.description is not UNSET:
        _check_description(data.description)
    async with database.transaction() as tx:
        found = await _visible(tx, endpoint_id, key, to_change=True)
        check_unchanged(request, found, needed=True)
        types = found.types if data.types is UNSET else data.types and tuple(data.types)
        description = found.description if data.description is UNSET else data.description
        await outbox.change_endpoint(
            tx, replace(found, types=types, description=description, enabled=data.enabled is True)
        )
        if data.enabled is False:
            await outbox.disable_endpoint(tx, endpoint_id, f"paused with key {key.key}")
        changed = await _visible(tx, endpoint_id, key)
    return Response(changed, headers={"ETag": etag_of(changed), "Cache-Control": "private, no-cache"})


@delete("/{endpoint_id:str}", status_code=204)
async def delete_endpoint(
    request: Request[Any, Any, Any],
    endpoint_id: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> None:
    """Deletes a receiver at once; what waited for it is dropped."""
    async with database.transaction() as tx:
        check_unchanged(request, await _visible(tx, endpoint_id, key, to_change=True))
        await outbox.delete_endpoint(tx, endpoint_id)


@post("/{endpoint_id:str}/ping", status_code=202)
async def ping_endpoint(
    endpoint_id: FromPath[str], database: NamedDependency[Database], key: NamedDependency[Key]
) -> NoticePut:
    """Sends a signed `endpoint.ping` the way every notice goes; look at the deliveries for what became of it."""
    async with database.transaction() as tx:
        await _visible(tx, endpoint_id, key)
        return NoticePut(notice=await outbox.ping(tx, endpoint_id))


@get("/{endpoint_id:str}/deliveries")
async def list_deliveries(
    request: Request[Any, Any, Any],
    endpoint_id: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[DeliveryShown]]:
    """What was and is to be sent to a receiver, the newest notice first, with every attempt and its answer."""
    before = place_of(request.url.path, cursor, int)
    async with database.transaction() as tx:
        await _visible(tx, endpoint_id, key)
        found = await outbox.deliveries(tx, endpoint_id, limit=limit + 1, before=before)
    more = len(found) > limit
    following = cursor_after(request.url.path, found[limit - 1].place) if more else None
    return paged(request, [_shown(each) for each in found[:limit]], following)


async def _visible(tx: Transaction, endpoint_id: str, key: Key, *, to_change: bool = False) -> Endpoint:
    """The endpoint, or EndpointUnknown where there is none within the key's plants."""
    named = re.fullmatch(_ENDPOINT, endpoint_id)
    found = await outbox.endpoint(tx, endpoint_id, to_change=to_change) if named else None
    bound_elsewhere = (
        found is not None and key.plants is not None and not set(found.plants or [None]) <= set(key.plants)
    )
    if found is None or bound_elsewhere:
        raise EndpointUnknown("there is no such webhook endpoint")
    return found


def _shown(delivery: Delivery) -> DeliveryShown:
    values = msgspec.structs.asdict(delivery)
    del values["place"]
    return DeliveryShown(**values)


routes: Final = Router(
    path=PATH,
    route_handlers=[
        *(add_endpoint, list_endpoints, read_endpoint, change_endpoint, delete_endpoint),
        *(ping_endpoint, list_deliveries),
    ],
    opt={"scope": "webhooks:admin"},
    tags=["webhooks"],
)
