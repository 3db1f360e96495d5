"""The outbox: endpoints, notices waiting for them, and the attempts made to tell them.

Rules of this file
- A notice is put in the transaction that changes the state it tells of. Its id decides whether it is new.
- A claim is a lease: nothing is held while a notice is on its way, and what a dead dispatcher had comes free by itself.
- Endpoints are locked before their deliveries, deliveries in ascending order.
- Every attempt made is noted, also one whose lease had run out; only the holder of the lease plans what follows, but
  an answer of success ends a delivery whoever received it.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from secrets import token_bytes
from typing import Any, Final, Literal

import msgspec
from msgspec import Struct, structs

from service.domain.notice import NOTICE_TYPES, Notice, notice_id, webhook_body
from service.domain.refusal import Fault, Refusal
from service.postgres import Statements, Transaction

_SQL: Final = Statements.beside(__file__)
_PAST_EVERY_NOTICE: Final = 2**63 - 1
SECRET_BYTES: Final = 32

State = Literal["waiting", "delivered", "failed", "dropped"]


class NoticeTypeUnknown(Refusal):
    """An endpoint asks for a type that no notice has."""

    code = "notice_type_unknown"


class Endpoint(Struct, frozen=True, kw_only=True):
    """A receiver. `types` and `plants` are None where it is told everything."""

    id: str
    url: str
    types: tuple[str, ...] | None
    plants: tuple[str, ...] | None
    description: str | None
    enabled: bool
    created: datetime
    disabled: datetime | None
    disabled_reason: str | None


class Claim(Struct, frozen=True, kw_only=True):
    """One notice for one endpoint, in this dispatcher's hands until `lease_until`; `attempts` were made before."""

    endpoint: str
    url: str
    secret: bytes
    notice: int
    id: str
    body: bytes
    attempts: int
    lease_until: datetime


class Attempt(Struct, frozen=True, kw_only=True):
    """One POST as it went, and what follows from it: the state, and the time of the next attempt while waiting.

    `answer` is the beginning of the body that came back, `error` why no whole answer came, `disable` why the
    endpoint is to be disabled.
    """

    claim: Claim
    started: datetime
    duration_ms: int
    status: int | None
    answer: str | None
    error: str | None
    state: State
    next_attempt: datetime | None
    disable: str | None = None


class AttemptMade(Struct, frozen=True, kw_only=True):
    """An attempt as it is listed. `duration_ms` is in milliseconds."""

    number: int
    started: datetime
    duration_ms: int
    status: int | None
    answer: str | None
    error: str | None


class Delivery(Struct, frozen=True, kw_only=True):
    """One notice on its way to one endpoint, with every attempt made. `place` orders the list and is its cursor."""

    place: int
    notice: str
    type: str
    subject: str
    time: datetime
    state: str
    next_attempt: datetime | None
    ended: datetime | None
    attempts: tuple[AttemptMade, ...]


async def put(tx: Transaction, notices: Sequence[Notice]) -> int:
    """Writes notices that are not there yet, and their deliveries; answers how many were new."""
    if not notices:
        return 0
    rows = await tx.rows(
        _SQL["put_notices"],
        now=tx.now,
        ids=[notice.id for notice in notices],
        types=[notice.type for notice in notices],
        subjects=[notice.subject for notice in notices],
        spindles=[notice.spindle for notice in notices],
        plants=[notice.plant for notice in notices],
        occurred=[notice.time for notice in notices],
        bodies=[webhook_body(notice).decode() for notice in notices],
    )
    for row in rows:
        tx.counted["notices", row["type"]] += row["fresh"]
    return sum(row["fresh"] for row in rows)


async def told_again(tx: Transaction, notices: Sequence[Notice], cause: str) -> list[Notice]:
    """The notices, those that were put before under ids of their own that follow from what made them true again."""
    rows = await tx.rows(_SQL["known_notices"], ids=[notice.id for notice in notices]) if notices else []
    known = {row["id"] for row in rows}
    return [
        structs.replace(notice, id=notice_id(notice.type, notice.id, cause)) if notice.id in known else notice
        for notice in notices
    ]


async def put_untold(tx: Transaction, notices: Sequence[Notice]) -> int:
    """Puts notices after history that may have moved the entries that crossed: no state of an episode is told anew."""
    episodes = [shown.episode for notice in notices if (shown := notice.data.get("recheck")) is not None]
    spindle = notices[0].spindle if notices else None
    rows = await tx.rows(_SQL["told_of_episodes"], spindle=spindle, episodes=episodes) if episodes else []
    told = {(row["type"], row["episode"]) for row in rows}

    def is_told(notice: Notice) -> bool:
        shown = notice.data.get("recheck")
        return shown is not None and (notice.type, shown.episode) in told

    return await put(tx, [notice for notice in notices if not is_told(notice)])


async def ping(tx: Transaction, endpoint: str) -> str:
    """Puts an `endpoint.ping` for one endpoint, whatever its types; answers the notice's id."""
    subject = f"webhook-endpoints/{endpoint}"
    notice = Notice(
        id=notice_id("endpoint.ping", subject, tx.now),
        type="endpoint.ping",
        subject=subject,
        time=tx.now,
        data={"endpoint": endpoint},
    )
    await tx.run(
        _SQL["put_for_endpoint"],
        id=notice.id,
        type=notice.type,
        subject=notice.subject,
        occurred=notice.time,
        now=tx.now,
        body=webhook_body(notice).decode(),
        endpoint=endpoint,
    )
    tx.counted["notices", notice.type] += 1
    return notice.id


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


async def add_endpoint(
    tx: Transaction,
    *,
    url: str,
    types: Sequence[str] | None = None,
    plants: Sequence[str] | None = None,
    description: str | None = None,
    secret: bytes | None = None,
    created_by: int | None = None,
) -> tuple[Endpoint, bytes]:
    """Adds a receiver and answers it with its secret, made here unless given. Raises NoticeTypeUnknown.

    The address is the caller's to check (`deliver.check_target`).
    """
    check_types(types)
    key = token_bytes(SECRET_BYTES) if secret is None else secret
    row = await tx.row(
        _SQL["add_endpoint"],
        url=url,
        types=None if types is None else sorted(set(types)),
        plants=None if plants is None else list(plants),
        description=description,
        secret=key,
        now=tx.now,
        created_by=created_by,
    )
    return _endpoint(row), key


async def endpoint(tx: Transaction, endpoint_id: str, *, to_change: bool = False) -> Endpoint | None:
    """One endpoint, or None where there is none or it was deleted; `to_change` lets nobody else change it meanwhile."""
    row = await tx.row(_SQL["endpoint_to_change" if to_change else "endpoint"], endpoint=endpoint_id)
    return None if row is None else _endpoint(row)


async def change_endpoint(tx: Transaction, changed: Endpoint) -> None:
    """Writes an endpoint's types and description; what waited for it is sent again where it is enabled."""
    types = None if changed.types is None else sorted(set(changed.types))
    values = {"types": types, "description": changed.description, "enabled": changed.enabled}
    await tx.run(_SQL["change_endpoint"], endpoint=changed.id, **values)


async def endpoints(
    tx: Transaction,
    *,
    limit: int,
    after: str | None = None,
    plants: Sequence[str] | None = None,
) -> list[Endpoint]:
    """Endpoints in order of creation, after one of them; with `plants`, those bound to no other plant."""
    rows = await tx.rows(
        _SQL["endpoints"],
        after=after,
        plants=None if plants is None else list(plants),
        limit=limit,
    )
    return [_endpoint(row) for row in rows]


async def delete_endpoint(tx: Transaction, endpoint_id: str) -> bool:
    """Deletes an endpoint; what waited for it is dropped. False where there was none."""
    if not await tx.run(_SQL["delete_endpoint"], endpoint=endpoint_id, now=tx.now):
        return False
    await tx.run(_SQL["drop_waiting"], endpoint=endpoint_id, now=tx.now)
    return True


async def disable_endpoint(tx: Transaction, endpoint_id: str, reason: str) -> bool:
    """Stops sending to an endpoint and tells the others. What waits for it is kept. False where it was done before."""
    if not await tx.run(_SQL["disable_endpoint"], endpoint=endpoint_id, now=tx.now, reason=reason):
        return False
    subject = f"webhook-endpoints/{endpoint_id}"
    notice = Notice(
        id=notice_id("endpoint.disabled", subject, tx.now),
        type="endpoint.disabled",
        subject=subject,
        time=tx.now,
        data={"endpoint": endpoint_id, "reason": reason},
    )
    await put(tx, [notice])
    return True


async def claim(
    tx: Transaction,
    *,
    limit: int,
    lease_until: datetime,
    per_endpoint: int,
    busy: Mapping[str, int] | None = None,
) -> list[Claim]:
    """Takes up to `limit` deliveries that are due, the longest due first, and at most `per_endpoint` of one endpoint.

    `busy` says how many of an endpoint this dispatcher already has in hand. Never waits for another dispatcher.
    """
    taken = busy or {}
    rows = await tx.rows(
        _SQL["claim"],
        now=tx.now,
        lease_until=lease_until,
        limit=limit,
        per_endpoint=per_endpoint,
        busy_endpoints=list(taken),
        busy_counts=list(taken.values()),
    )
    return [
        Claim(
            endpoint=row["endpoint"],
            url=row["url"],
            secret=row["secret"],
            notice=row["notice"],
            id=row["id"],
            body=row["body"].encode(),
            attempts=row["attempts"],
            lease_until=lease_until,
        )
        for row in rows
    ]


async def note_attempts(tx: Transaction, attempts: Sequence[Attempt]) -> None:
    """Notes attempts that were made and what follows from each; disables the endpoints that ask for it."""
    if not attempts:
        return
    for endpoint_id, reason in sorted({(each.claim.endpoint, each.disable) for each in attempts if each.disable}):
        await disable_endpoint(tx, endpoint_id, str(reason))
    rows = await tx.rows(
        _SQL["lock_deliveries"],
        endpoints=[attempt.claim.endpoint for attempt in attempts],
        notices=[attempt.claim.notice for attempt in attempts],
    )
    stored = {(row["endpoint"], row["notice"]): row for row in rows}
    plans: list[dict[str, Any]] = []
    made: list[dict[str, Any]] = []
    for attempt in attempts:
        row = stored[attempt.claim.endpoint, attempt.claim.notice]
        plans.append(_plan(row, attempt, tx.now))
        made.append(_made(row["attempts"] + 1, attempt))
        tx.counted["attempts", attempt.state] += 1
    await tx.each(_SQL["plan_delivery"], plans)
    await tx.each(_SQL["add_attempt"], made)


def _plan(row: Any, attempt: Attempt, now: datetime) -> dict[str, Any]:
    """What a delivery's row becomes. `row` is the row as locked."""
    holds = row["lease_until"] == attempt.claim.lease_until
    decides = row["state"] == "waiting" and (holds or attempt.state == "delivered")
    return {
        "endpoint": row["endpoint"],
        "notice": row["notice"],
        "attempts": row["attempts"] + 1,
        "state": attempt.state if decides else row["state"],
        "next_attempt": attempt.next_attempt if decides else row["next_attempt"],
        "ended": (now if attempt.state != "waiting" else None) if decides else row["ended"],
        "lease_until": None if holds or decides else row["lease_until"],
    }


def _made(number: int, attempt: Attempt) -> dict[str, Any]:
    return {
        "endpoint": attempt.claim.endpoint,
        "notice": attempt.claim.notice,
        "number": number,
        "started": attempt.started,
        "duration_ms": attempt.duration_ms,
        "status": attempt.status,
        "answer": attempt.answer,
        "error": attempt.error,
    }


async def deliveries(tx: Transaction, endpoint_id: str, *, limit: int, before: int | None = None) -> list[Delivery]:
    """What was and is to be sent to an endpoint, the newest notice first, before a place."""
    rows = await tx.rows(
        _SQL["deliveries"],
        endpoint=endpoint_id,
        before=_PAST_EVERY_NOTICE if before is None else before,
        limit=limit,
    )
    made: dict[int, list[AttemptMade]] = {row["notice"]: [] for row in rows}
    for each in await tx.rows(_SQL["attempts"], endpoint=endpoint_id, notices=list(made)):
        values = {name: value for name, value in each.items() if name != "notice"}
        made[each["notice"]].append(msgspec.convert(values, AttemptMade))
    return [
        Delivery(
            place=row["notice"],
            notice=row["id"],
            type=row["type"],
            subject=row["subject"],
            time=row["occurred"],
            state=row["state"],
            next_attempt=row["next_attempt"],
            ended=row["ended"],
            attempts=tuple(made[row["notice"]]),
        )
        for row in rows
    ]


def _endpoint(row: Any) -> Endpoint:
    return Endpoint(
        id=row["endpoint"],
        url=row["url"],
        types=None if row["types"] is None else tuple(row["types"]),
        plants=None if row["plants"] is None else tuple(row["plants"]),
        description=row["description"],
        enabled=row["disabled"] is None,
        created=row["created"],
        disabled=row["disabled"],
        disabled_reason=row["disabled_reason"],
    )
