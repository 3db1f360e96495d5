"""What receivers verify with: the rotation of an endpoint's secret, and every public key at the well-known address."""

from base64 import urlsafe_b64encode
from datetime import timedelta
from typing import Annotated, Any, Final

from litestar import Request, Response, Router, get, post
from litestar.di import NamedDependency
from litestar.params import FromPath, JSONBody, SkipValidation
from msgspec import Meta, Struct

from service import endpoints
from service.access import Key
from service.api.conditional import answer
from service.api.door import PUBLIC
from service.api.webhooks import PATH, visible
from service.domain.signature import SecretMalformed, secret_bytes, secret_text
from service.endpoints import SigningKey
from service.postgres import Database
from service.sealing import Seal

OVERLAP_SECONDS_MAX: Final = 7 * 86_400
OVERLAP_SECONDS: Final = 86_400


class Rotation(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How a secret follows another: for `overlap_seconds` both sign; `secret` is made unless given (v1 only)."""

    overlap_seconds: Annotated[int, Meta(ge=0, le=OVERLAP_SECONDS_MAX)] = OVERLAP_SECONDS
    secret: str | None = None


class Rotated(Struct, frozen=True, kw_only=True):
    """What signs now, the newest first, and the new secret, which is shown this once (null for v1a)."""

    signing: tuple[SigningKey, ...]
    secret: str | None


class PublicKey(Struct, frozen=True, kw_only=True):
    """An ed25519 public key as a JSON Web Key (RFC 8037, 2); `kid` is the endpoint's id and the key's number."""

    x: str
    kid: str
    kty: str = "OKP"
    crv: str = "Ed25519"
    alg: str = "EdDSA"
    use: str = "sig"


class PublicKeys(Struct, frozen=True, kw_only=True):
    """A JSON Web Key Set (RFC 7517, 5)."""

    keys: tuple[PublicKey, ...]


@post("/{endpoint_id:str}/rotate", status_code=200)
async def rotate_secret(
    endpoint_id: FromPath[str],
    data: JSONBody[Rotation],
    database: NamedDependency[Database],
    seal: NamedDependency[SkipValidation[Seal]],
    key: NamedDependency[Key],
) -> Response[Rotated]:
    """Signs with a new secret from now on, and with the one before beside it until the overlap has run out."""
    async with database.transaction() as tx:
        found = await visible(tx, endpoint_id, key, to_change=True)
        if data.secret is not None and found.signature != "v1":
            raise SecretMalformed("only v1 has a secret of yours: v1a signs with a key made here", pointer="/secret")
        secret = None if data.secret is None else secret_bytes(data.secret)
        overlap = timedelta(seconds=data.overlap_seconds)
        made = await endpoints.rotate(tx, seal, found, overlap=overlap, secret=secret)
        changed = await visible(tx, endpoint_id, key)
    shown = Rotated(signing=changed.signing, secret=secret_text(made) if found.signature == "v1" else None)
    return Response(shown, headers={"Cache-Control": "no-store"})


@get("/.well-known/jwks.json")
async def read_public_keys(
    request: Request[Any, Any, Any], database: NamedDependency[Database]
) -> Response[PublicKeys]:
    """Every key that a notice signed `v1a` may have to be verified with."""
    async with database.transaction() as tx:
        found = await endpoints.public_keys(tx)
    keys = [PublicKey(kid=name, x=urlsafe_b64encode(public).decode("ascii").rstrip("=")) for name, public in found]
    return answer(request, PublicKeys(keys=tuple(keys)))


routes: Final = Router(
    path="/",
    route_handlers=[
        Router(path=PATH, route_handlers=[rotate_secret], opt={"scope": "webhooks:admin"}, tags=["webhooks"]),
        Router(path="/", route_handlers=[read_public_keys], opt=PUBLIC, tags=["running"]),
    ],
)
