"""`/v1/keys`: mint a key, whose token is shown this once, list keys, and end them."""

from typing import Any, Final

import msgspec
from litestar import Request, Response, Router, delete, get, post
from litestar.di import NamedDependency
from litestar.params import FromPath, JSONBody
from msgspec import Struct

from service import access
from service.access import Key
from service.api.conditional import answer, check_unchanged, etag_of
from service.api.door import time_of
from service.api.pages import Cursor, Limit, Page, cursor_after, paged, place_of
from service.domain.refusal import Refusal
from service.postgres import Database, Transaction

PATH: Final = "/v1/keys"
_KEY_MAX: Final = 2**31 - 1


class KeyNotFound(Refusal):
    """There is no such key, or it reaches further than the key that asks."""

    code = "key_not_found"


class KeyWanted(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A key to mint. Without `plants` it reaches every plant; without `expires` (RFC 3339) it holds until revoked."""

    name: str
    scopes: list[str]
    plants: list[str] | None = None
    expires: str | None = None


class KeyMinted(Key, frozen=True, kw_only=True):
    """A new key with its token, which nobody can read again."""

    token: str


@post("/", status_code=201)
async def mint_key(
    data: JSONBody[KeyWanted], database: NamedDependency[Database], key: NamedDependency[Key]
) -> Response[KeyMinted]:
    """Mints a key that reaches no further than the one that asks: not to more plants, and not for longer."""
    async with database.transaction() as tx:
        minted, token = await access.mint(
            tx,
            name=data.name,
            scopes=data.scopes,
            plants=data.plants,
            expires=None if data.expires is None else time_of(data.expires, "/expires"),
            minted_by=key,
        )
    shown = KeyMinted(**msgspec.structs.asdict(minted), token=token)
    told = {"Location": f"{PATH}/{minted.key}", "ETag": etag_of(minted), "Cache-Control": "no-store"}
    return Response(shown, headers=told)


@get("/")
async def list_keys(
    request: Request[Any, Any, Any],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[Key]]:
    """Keys in the order they were made, ended ones too; a key bound to plants sees those bound to no others."""
    after = place_of(PATH, cursor, int) or 0
    async with database.transaction(snapshot=True) as tx:
        found = await access.keys(tx, limit=limit + 1, after=after, plants=key.plants)
    following = cursor_after(PATH, found[limit - 1].key) if len(found) > limit else None
    return paged(request, found[:limit], following)


@get("/{number:int}")
async def read_key(
    request: Request[Any, Any, Any],
    number: FromPath[int],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> Response[Key]:
    """One key, without its token."""
    async with database.transaction(snapshot=True) as tx:
        return answer(request, await _visible(tx, number, key))


@delete("/{number:int}", status_code=204)
async def revoke_key(
    request: Request[Any, Any, Any],
    number: FromPath[int],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> None:
    """Ends a key, at the latest a second later in every process. Ending it again changes nothing."""
    async with database.transaction() as tx:
        check_unchanged(request, await _visible(tx, number, key, to_change=True))
        await access.revoke(tx, number)


async def _visible(tx: Transaction, number: int, key: Key, *, to_change: bool = False) -> Key:
    found = None
    if 0 < number <= _KEY_MAX:
        if to_change:
            await access.lock(tx, number)
        found = next(iter(await access.keys(tx, limit=1, after=number - 1, plants=key.plants)), None)
    if found is None or found.key != number:
        raise KeyNotFound("there is no such key")
    return found


routes: Final = Router(
    path=PATH, route_handlers=[mint_key, list_keys, read_key, revoke_key], opt={"scope": "admin"}, tags=["keys"]
)
