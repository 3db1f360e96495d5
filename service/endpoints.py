"""Endpoints: who is told, what they want to hear, what signs for them, and how they are doing.

Rules of this file
- Secrets and the keys of client certificates are sealed before they are written, and shown once.
- While a secret runs out and the next is there, both sign.
- An endpoint is locked before its deliveries.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from secrets import token_bytes
from typing import Any, Final

from msgspec import Struct
from msgspec.structs import asdict

from service.domain.breaker import STATUSES, Standing, Status, status
from service.domain.health import Health
from service.domain.notice import NOTICE_TYPES
from service.domain.refusal import Fault, Refusal
from service.domain.signature import SEED_BYTES, Scheme, public_of, public_text
from service.postgres import Statements, Transaction
from service.sealing import Seal

SQL: Final = Statements.beside(__file__)
SECRET_BYTES: Final = 32
SIGNING_MAX: Final = 4


class NoticeTypeUnknown(Refusal):
    """An endpoint asks for a type that no notice has."""

    code = "notice_type_unknown"


class TooManySecrets(Refusal):
    """An endpoint has had so many rotations that each notice would carry more signatures than receivers look at."""

    code = "too_many_secrets"


class Wanted(Struct, frozen=True, kw_only=True):
    """What an endpoint is told and how; None is every type, plant, spindle and health, no order and no pace.

    `order_wait_seconds` is how long a spindle's notice waits for the one before it, `per_second` how many POSTs begin
    in a second, `concurrency` how many are on their way at once. `certificate` is what the endpoint is shown as the
    client's, `authority` the only authorities its server is believed by, each as PEM.
    """

    types: tuple[str, ...] | None = None
    plants: tuple[str, ...] | None = None
    spindle_prefix: str | None = None
    minimum_health: Health | None = None
    description: str | None = None
    order_wait_seconds: int | None = None
    concurrency: int = 8
    per_second: int | None = None
    certificate: str | None = None
    authority: str | None = None


class SigningKey(Struct, frozen=True, kw_only=True):
    """What signs for an endpoint until `expires`; `public_key` (`whpk_…`) where the scheme has one."""

    number: int
    scheme: Scheme
    public_key: str | None
    created: datetime
    expires: datetime | None


class Endpoint(Wanted, frozen=True, kw_only=True):
    """A receiver. `signing` is what signs for it now, the newest first."""

    id: str
    url: str
    signature: Scheme
    signing: tuple[SigningKey, ...]
    enabled: bool
    created: datetime
    disabled: datetime | None
    disabled_reason: str | None


class EndpointHealth(Struct, frozen=True, kw_only=True):
    """How an endpoint is doing, in a word and in full.

    It had so many `failures` in a row since `failing`, was `announced` as failing, and is sent nothing before
    `rests_until`; so many notices wait for it, the longest since `oldest_waiting`.
    """

    id: str
    status: Status
    failures: int
    failing: datetime | None
    announced: datetime | None
    rests_until: datetime | None
    disabled: datetime | None
    waiting: int
    oldest_waiting: datetime | None


def check_types(types: Sequence[str] | None, pointer: str = "/types") -> None:
    """Raises NoticeTypeUnknown, naming each place, where a type is not in the closed list or the list is empty."""
    if types is None:
        return
    known = "the types are " + " ".join(NOTICE_TYPES)
    if not types:
        raise NoticeTypeUnknown(f"name at least one type, or leave types out for all; {known}", pointer=pointer)
    faults = [
        Fault(pointer=f"{pointer}/{place}", code=NoticeTypeUnknown.code, detail=f"{name!r} is no type of notice")
        for place, name in enumerate(types)
        if name not in NOTICE_TYPES
    ]
    if faults:
        raise NoticeTypeUnknown(known, faults=faults)


async def add(
    tx: Transaction,
    seal: Seal,
    *,
    url: str,
    wanted: Wanted | None = None,
    scheme: Scheme = "v1",
    secret: bytes | None = None,
    certificate_key: bytes | None = None,
    created_by: int | None = None,
) -> tuple[Endpoint, bytes]:
    """Adds a receiver and answers it with its secret, made here unless given. Raises NoticeTypeUnknown.

    The address is the caller's to check (`outgoing.check_target`).
    """
    wanted = wanted or Wanted()
    check_types(wanted.types)
    sealed = None if certificate_key is None else seal.close(certificate_key)
    endpoint = await tx.value(
        SQL["add_endpoint"],
        **_columns(wanted),
        url=url,
        scheme=scheme,
        certificate=wanted.certificate,
        certificate_key=sealed,
        sealed_by=None if sealed is None else seal.name,
        now=tx.now,
        created_by=created_by,
    )
    key = await _add_signing(tx, seal, endpoint, scheme, secret)
    added = await read(tx, endpoint)
    assert added is not None
    return added, key


async def _add_signing(tx: Transaction, seal: Seal, endpoint: str, scheme: Scheme, secret: bytes | None) -> bytes:
    key = token_bytes(SECRET_BYTES if scheme == "v1" else SEED_BYTES) if secret is None else secret
    await tx.run(
        SQL["add_signing"],
        endpoint=endpoint,
        scheme=scheme,
        secret=seal.close(key),
        sealed_by=seal.name,
        public=public_of(key) if scheme == "v1a" else None,
        now=tx.now,
    )
    return key


async def rotate(tx: Transaction, seal: Seal, endpoint: Endpoint, *, overlap: timedelta, secret: bytes | None) -> bytes:
    """A new secret for a receiver, answered once; the one before signs beside it for `overlap`.

    Raises TooManySecrets where too many would sign at once.
    """
    if len(endpoint.signing) >= SIGNING_MAX and overlap:
        raise TooManySecrets(
            f"{SIGNING_MAX} secrets sign for it already: wait until one has run out, or rotate with an overlap of 0",
            pointer="/overlap_seconds",
        )
    await tx.run(SQL["expire_signing"], endpoint=endpoint.id, expires=tx.now + overlap, now=tx.now)
    await tx.run(SQL["drop_expired_signing"], endpoint=endpoint.id, now=tx.now)
    return await _add_signing(tx, seal, endpoint.id, endpoint.signature, secret)


async def read(tx: Transaction, endpoint: str, *, to_change: bool = False) -> Endpoint | None:
    """One endpoint, or None where there is none or it was deleted; `to_change` lets nobody else change it meanwhile."""
    if to_change and await tx.value(SQL["lock_endpoint"], endpoint=endpoint) is None:
        return None
    found = await _found(tx, endpoint=endpoint, after=None, plants=None, limit=1)
    return found[0] if found else None


async def listed(
    tx: Transaction, *, limit: int, after: str | None = None, plants: Sequence[str] | None = None
) -> list[Endpoint]:
    """Endpoints in order of creation, after one of them; with `plants`, those bound to no other plant."""
    bound = None if plants is None else list(plants)
    return await _found(tx, endpoint=None, after=after, plants=bound, limit=limit)


async def _found(tx: Transaction, **which: Any) -> list[Endpoint]:
    rows = await tx.rows(SQL["endpoints"], **which)
    signing: dict[str, list[SigningKey]] = {row["endpoint"]: [] for row in rows}
    for each in await tx.rows(SQL["signing"], endpoints=list(signing), now=tx.now):
        signing[each["endpoint"]].append(_signing_key(each))
    return [_endpoint(row, signing[row["endpoint"]]) for row in rows]


async def public_keys(tx: Transaction) -> list[tuple[str, bytes]]:
    """Every public key that receivers may have to verify with, each with its name."""
    return [
        (f"{row['endpoint']}.{row['number']}", row["public"]) for row in await tx.rows(SQL["public_keys"], now=tx.now)
    ]


async def change(tx: Transaction, endpoint: str, *, url: str, wanted: Wanted) -> None:
    """Writes where an endpoint is and what it is told, its client certificate apart. Raises NoticeTypeUnknown."""
    check_types(wanted.types)
    await tx.run(SQL["change_endpoint"], endpoint=endpoint, url=url, **_columns(wanted))


async def change_certificate(
    tx: Transaction, seal: Seal, endpoint: str, certificate: str | None, key: bytes | None
) -> None:
    """Writes what the endpoint is shown as the client's certificate, with its key."""
    await tx.run(
        SQL["change_certificate"],
        endpoint=endpoint,
        certificate=certificate,
        certificate_key=None if key is None else seal.close(key),
        sealed_by=None if key is None else seal.name,
    )


async def enable(tx: Transaction, endpoint: str) -> None:
    """Sends to an endpoint again, with a fresh start; what waited for it is sent."""
    await tx.run(SQL["enable_endpoint"], endpoint=endpoint)


async def delete(tx: Transaction, endpoint: str) -> bool:
    """Deletes an endpoint and its secrets. False where there was none."""
    if not await tx.run(SQL["delete_endpoint"], endpoint=endpoint, now=tx.now):
        return False
    await tx.run(SQL["forget_signing"], endpoint=endpoint)
    return True


async def health(tx: Transaction, endpoints: Sequence[str]) -> list[EndpointHealth]:
    """How these endpoints are doing, in order of their creation."""
    return [
        EndpointHealth(
            id=row["endpoint"],
            status=status(standing(row), disabled=row["disabled"] is not None, now=tx.now),
            failures=row["failures"],
            failing=row["failing"],
            announced=row["told_failing"],
            rests_until=None if row["rests_until"] is None or row["rests_until"] <= tx.now else row["rests_until"],
            disabled=row["disabled"],
            waiting=row["waiting"],
            oldest_waiting=row["oldest"],
        )
        for row in await tx.rows(SQL["health"], endpoints=list(endpoints))
    ]


async def statuses(tx: Transaction) -> dict[str, int]:
    """How many endpoints there are of each status."""
    found: dict[str, int] = dict.fromkeys(STATUSES, 0)
    for row in await tx.rows(SQL["every_standing"]):
        found[status(standing(row), disabled=row["disabled"] is not None, now=tx.now)] += 1
    return found


def standing(row: Mapping[str, Any]) -> Standing:
    """An endpoint's standing from its row."""
    return Standing(
        failures=row["failures"], failing=row["failing"], told=row["told_failing"], rests=row["rests_until"]
    )


def _columns(wanted: Wanted) -> dict[str, Any]:
    values = asdict(wanted)
    del values["certificate"]
    types, plants = wanted.types, wanted.plants
    return {
        **values,
        "types": None if types is None else sorted(set(types)),
        "plants": None if plants is None else list(plants),
    }


def _signing_key(row: Mapping[str, Any]) -> SigningKey:
    return SigningKey(
        number=row["number"],
        scheme=row["scheme"],
        public_key=None if row["public"] is None else public_text(row["public"]),
        created=row["created"],
        expires=row["expires"],
    )


def _endpoint(row: Mapping[str, Any], signing: Sequence[SigningKey]) -> Endpoint:
    values = {name: value for name, value in row.items() if name != "endpoint"}
    return Endpoint(
        **{
            **values,
            "types": None if row["types"] is None else tuple(row["types"]),
            "plants": None if row["plants"] is None else tuple(row["plants"]),
        },
        id=row["endpoint"],
        signing=tuple(signing),
        enabled=row["disabled"] is None,
    )
