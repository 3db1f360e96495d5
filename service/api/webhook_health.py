"""How webhook endpoints are doing, apart from the endpoints themselves, whose ETag a change is decided on."""

from typing import Any, Final

from litestar import Request, Response, Router, get
from litestar.di import NamedDependency
from litestar.params import FromPath

from service import endpoints
from service.access import Key
from service.api.conditional import answer
from service.api.pages import Cursor, Limit, Page, cursor_after, paged, place_of
from service.api.webhooks import PATH, visible
from service.endpoints import EndpointHealth
from service.postgres import Database


@get("/{endpoint_id:str}/health")
async def read_endpoint_health(
    request: Request[Any, Any, Any],
    endpoint_id: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> Response[EndpointHealth]:
    """How an endpoint is doing: well, failing, resting (left in peace for a while) or disabled, and what waits for it.

    What waits for a disabled endpoint is kept and goes out when it is enabled again.
    """
    async with database.transaction() as tx:
        await visible(tx, endpoint_id, key)
        (found,) = await endpoints.health(tx, [endpoint_id])
    return answer(request, found)


@get("/")
async def list_endpoint_health(
    request: Request[Any, Any, Any],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[EndpointHealth]]:
    """How every endpoint that the key may see is doing, in the order they were added."""
    after = place_of(request.url.path, cursor, str)
    async with database.transaction(snapshot=True) as tx:
        named = [each.id for each in await endpoints.listed(tx, limit=limit + 1, after=after, plants=key.plants)]
        found = await endpoints.health(tx, named[:limit])
    more = len(named) > limit
    return paged(request, found, cursor_after(request.url.path, named[limit - 1]) if more else None)


routes: Final = Router(
    path="/",
    route_handlers=[
        Router(path=PATH, route_handlers=[read_endpoint_health]),
        Router(path="/v1/webhook-health", route_handlers=[list_endpoint_health]),
    ],
    opt={"scope": "webhooks:admin"},
    tags=["webhooks"],
)
