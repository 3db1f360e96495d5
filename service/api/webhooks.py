"""`/v1/webhook-endpoints`: who is told, and a ping to try it."""

import re
from typing import Annotated, Any, Final

import msgspec
from litestar import Request, Response, Router, delete, get, patch, post
from litestar.di import NamedDependency
from litestar.params import FromPath, JSONBody, SkipValidation
from msgspec import UNSET, Meta, Struct, UnsetType

from service import endpoints, outbox
from service.access import Key
from service.api.conditional import answer, check_unchanged, etag_of
from service.api.pages import Cursor, Limit, Page, cursor_after, paged, place_of
from service.domain.address import Network, target_of
from service.domain.health import Health
from service.domain.refusal import Fault, Refusal
from service.domain.signature import Scheme, SecretMalformed, secret_bytes, secret_text
from service.endpoints import Endpoint, Wanted
from service.outgoing import CertificateUnusable, check_target, tls_context
from service.postgres import Database, Transaction
from service.sealing import Seal

PATH: Final = "/v1/webhook-endpoints"
DESCRIPTION_CHARACTERS_MAX: Final = 500
_ENDPOINT: Final = r"whe_[0-9a-f]{32}"


class EndpointUnknown(Refusal):
    """There is no such endpoint, or it is not this key's to see."""

    code = "endpoint_unknown"


class PlantOutside(Refusal):
    """An endpoint is to be told of a plant that its key does not reach."""

    code = "plant_outside_key"


class DescriptionMalformed(Refusal):
    """A description that is too long or holds a NUL."""

    code = "description_malformed"


Prefix = Annotated[str, Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9._~-]{0,63}(?!\n)$")]
Pem = Annotated[str, Meta(max_length=32_768, pattern=r"^[\t\n\r -~]*(?!\n)$")]
Concurrency = Annotated[int, Meta(ge=1, le=64)]
PerSecond = Annotated[int, Meta(ge=1, le=10_000)]
OrderWait = Annotated[int, Meta(ge=1, le=86_400)]
Plants = Annotated[list[str], Meta(min_length=1, max_length=100)]


class EndpointWanted(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A receiver to add. Without `types` it is told everything; `secret` is made unless given (`whsec_…`, v1 only).

    `plants`, `spindle_prefix` and `minimum_health` narrow what it is told. With `order_wait_seconds` a spindle's notice
    waits for the one before it, but no longer than that. `certificate` with `certificate_key` is what it is shown as
    the client's, `authority` the only authorities its server is believed by, as PEM.
    """

    url: str
    types: list[str] | None = None
    plants: Plants | None = None
    spindle_prefix: Prefix | None = None
    minimum_health: Health | None = None
    description: str | None = None
    signature: Scheme = "v1"
    secret: str | None = None
    order_wait_seconds: OrderWait | None = None
    concurrency: Concurrency = 8
    per_second: PerSecond | None = None
    certificate: Pem | None = None
    certificate_key: Pem | None = None
    authority: Pem | None = None


class EndpointChange(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is to be otherwise; a member left out stays. Null is none, for what narrows: everything.

    While an endpoint is not `enabled` what it would be told waits; enabled again, it is told. A certificate is changed
    together with its key.
    """

    url: str | UnsetType = UNSET
    types: list[str] | UnsetType | None = UNSET
    plants: Plants | UnsetType | None = UNSET
    spindle_prefix: Prefix | UnsetType | None = UNSET
    minimum_health: Health | UnsetType | None = UNSET
    description: str | UnsetType | None = UNSET
    order_wait_seconds: OrderWait | UnsetType | None = UNSET
    concurrency: Concurrency | UnsetType = UNSET
    per_second: PerSecond | UnsetType | None = UNSET
    certificate: Pem | UnsetType | None = UNSET
    certificate_key: Pem | UnsetType | None = UNSET
    authority: Pem | UnsetType | None = UNSET
    enabled: bool | UnsetType = UNSET


class EndpointAdded(Endpoint, frozen=True, kw_only=True):
    """A new receiver with its secret, which is shown this once; null where it verifies with a public key."""

    secret: str | None


class NoticePut(Struct, frozen=True, kw_only=True):
    """The id under which a notice will arrive."""

    notice: str


@post("/", status_code=201)
async def add_endpoint(
    data: JSONBody[EndpointWanted],
    database: NamedDependency[Database],
    seal: NamedDependency[SkipValidation[Seal]],
    key: NamedDependency[Key],
    webhook_networks: NamedDependency[SkipValidation[tuple[Network, ...]]],
) -> Response[EndpointAdded]:
    """Adds a receiver. One added with a key that is bound to plants is told of those plants only."""
    endpoints.check_types(data.types)
    _check_description(data.description)
    _check_certificate(data.certificate, data.certificate_key, data.authority)
    secret = _secret_of(data)
    await check_target(data.url, webhook_networks)
    _check_encrypted(data.url, data.certificate, data.authority)
    wanted = Wanted(
        types=None if data.types is None else tuple(data.types),
        plants=_within(data.plants, key),
        spindle_prefix=data.spindle_prefix,
        minimum_health=data.minimum_health,
        description=data.description,
        order_wait_seconds=data.order_wait_seconds,
        concurrency=data.concurrency,
        per_second=data.per_second,
        certificate=data.certificate,
        authority=data.authority,
    )
    async with database.transaction() as tx:
        added, secret = await endpoints.add(
            tx,
            seal,
            url=data.url,
            wanted=wanted,
            scheme=data.signature,
            secret=secret,
            certificate_key=None if data.certificate_key is None else data.certificate_key.encode("ascii"),
            created_by=key.key,
        )
    shown = EndpointAdded(
        **msgspec.structs.asdict(added), secret=secret_text(secret) if data.signature == "v1" else None
    )
    told = {"Location": f"{PATH}/{added.id}", "ETag": etag_of(added), "Cache-Control": "no-store"}
    return Response(shown, headers=told)


def _secret_of(data: EndpointWanted) -> bytes | None:
    if data.secret is not None and data.signature != "v1":
        raise SecretMalformed("only v1 has a secret of yours: v1a signs with a key made here", pointer="/secret")
    return None if data.secret is None else secret_bytes(data.secret)


def _within(plants: list[str] | None, key: Key) -> tuple[str, ...] | None:
    """The plants an endpoint is told of: those asked for, which a key that is bound to plants must hold."""
    if plants is None or key.plants is None:
        return key.plants if plants is None else tuple(dict.fromkeys(plants))
    faults = [
        Fault(pointer=f"/plants/{place}", code=PlantOutside.code, detail=f"the key is not bound to {name!r}")
        for place, name in enumerate(plants)
        if name not in key.plants
    ]
    if faults:
        raise PlantOutside("an endpoint is told of no plant that its key does not reach", faults=faults)
    return tuple(dict.fromkeys(plants))


def _check_certificate(certificate: str | None, key: str | None, authority: str | None) -> None:
    """Raises CertificateUnusable where no TLS connection could be made with what was given."""
    if (certificate is None) != (key is None):
        raise CertificateUnusable(
            "a client certificate is given together with its key",
            pointer="/certificate_key" if key is None else "/certificate",
        )
    if certificate is not None or authority is not None:
        tls_context(certificate, None if key is None else key.encode("ascii"), authority)


def _check_encrypted(url: str, certificate: str | None, authority: str | None) -> None:
    """Raises CertificateUnusable where certificates would protect nothing: http shows and checks none."""
    if target_of(url).plain and (certificate is not None or authority is not None):
        pointer = "/certificate" if certificate is not None else "/authority"
        raise CertificateUnusable("certificates are for https: over http none is shown or checked", pointer=pointer)


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
        found = await endpoints.listed(tx, limit=limit + 1, after=after, plants=key.plants)
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
        return answer(request, await visible(tx, endpoint_id, key))


@patch("/{endpoint_id:str}")
async def change_endpoint(
    request: Request[Any, Any, Any],
    endpoint_id: FromPath[str],
    data: JSONBody[EndpointChange],
    database: NamedDependency[Database],
    seal: NamedDependency[SkipValidation[Seal]],
    key: NamedDependency[Key],
    webhook_networks: NamedDependency[SkipValidation[tuple[Network, ...]]],
) -> Response[Endpoint]:
    """Changes what a receiver is told and how, pauses it, or sends to it again; only from what was read (`If-Match`).

    The body is a merge patch (RFC 7396): a member left out stays as it is. A pause is told to the other endpoints.
    """
    if data.types is not UNSET:
        endpoints.check_types(data.types)
    if data.description is not UNSET:
        _check_description(data.description)
    if data.url is not UNSET:
        await check_target(data.url, webhook_networks)
    async with database.transaction() as tx:
        found = await visible(tx, endpoint_id, key, to_change=True)
        check_unchanged(request, found, needed=True)
        await _change(tx, seal, found, data, key)
        if data.enabled is True:
            await endpoints.enable(tx, endpoint_id)
        elif data.enabled is False:
            await outbox.disable(tx, endpoint_id, f"paused with key {key.key}")
        changed = await visible(tx, endpoint_id, key)
    return Response(changed, headers={"ETag": etag_of(changed), "Cache-Control": "private, no-cache"})


async def _change(tx: Transaction, seal: Seal, found: Endpoint, data: EndpointChange, key: Key) -> None:
    """Writes what is to be otherwise."""
    asked = {name: value for name, value in msgspec.structs.asdict(data).items() if value is not UNSET}
    if "plants" in asked:
        asked["plants"] = _within(asked["plants"], key)
    if asked.get("types") is not None:
        asked["types"] = tuple(asked["types"])
    private = asked.pop("certificate_key", None)
    certificate = asked.get("certificate", found.certificate if private is None else None)
    if "certificate" in asked or private is not None:
        _check_certificate(certificate, private, None)
        sealed = None if private is None else private.encode("ascii")
        await endpoints.change_certificate(tx, seal, found.id, certificate, sealed)
    if asked.get("authority") is not None:
        _check_certificate(None, None, asked["authority"])
    names = {name: asked.get(name, getattr(found, name)) for name in Wanted.__struct_fields__}
    url = asked.get("url", found.url)
    _check_encrypted(url, names["certificate"], names["authority"])
    await endpoints.change(tx, found.id, url=url, wanted=Wanted(**names))


@delete("/{endpoint_id:str}", status_code=204)
async def delete_endpoint(
    request: Request[Any, Any, Any],
    endpoint_id: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> None:
    """Deletes a receiver at once; what waited for it is dropped."""
    async with database.transaction() as tx:
        check_unchanged(request, await visible(tx, endpoint_id, key, to_change=True))
        if await endpoints.delete(tx, endpoint_id):
            await outbox.drop(tx, endpoint_id)


@post("/{endpoint_id:str}/ping", status_code=202)
async def ping_endpoint(
    endpoint_id: FromPath[str], database: NamedDependency[Database], key: NamedDependency[Key]
) -> NoticePut:
    """Sends a signed `endpoint.ping` the way every notice goes.

    What became of it is at `/deliveries/{notice}` below this endpoint.
    """
    async with database.transaction() as tx:
        await visible(tx, endpoint_id, key)
        return NoticePut(notice=await outbox.ping(tx, endpoint_id))


async def visible(tx: Transaction, endpoint_id: str, key: Key, *, to_change: bool = False) -> Endpoint:
    """The endpoint, or EndpointUnknown where there is none within the key's plants."""
    named = re.fullmatch(_ENDPOINT, endpoint_id)
    found = await endpoints.read(tx, endpoint_id, to_change=to_change) if named else None
    bound_elsewhere = (
        found is not None and key.plants is not None and not set(found.plants or [None]) <= set(key.plants)
    )
    if found is None or bound_elsewhere:
        raise EndpointUnknown("there is no such webhook endpoint")
    return found


routes: Final = Router(
    path=PATH,
    route_handlers=[
        *(add_endpoint, list_endpoints, read_endpoint, change_endpoint, delete_endpoint),
        ping_endpoint,
    ],
    opt={"scope": "webhooks:admin"},
    tags=["webhooks"],
)
