"""The outbox: notices waiting to be told, and the attempts made to tell them.

Rules of this file
- A notice is put in the transaction that changes the state it tells of. Its id decides whether it is new.
- A claim is a lease: nothing is held while a notice is on its way, and what a dead dispatcher had comes free by itself.
- Endpoints are locked before their deliveries, deliveries in ascending order.
- Every attempt made is noted, also one whose lease had run out; only the holder of the lease plans what follows, but
  an answer of success ends a delivery whoever received it.
"""

import logging
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final, Literal

import msgspec
from msgspec import Struct, structs
from msgspec.structs import asdict

from service import endpoints
from service.domain.breaker import DISABLE_AFTER, Tried, after, at_once
from service.domain.health import WORST_FIRST
from service.domain.notice import Notice, notice_id, utc_text, webhook_body
from service.domain.notice_data import NOTICE_DATA, bodies_of, episode_told
from service.domain.signature import Scheme
from service.postgres import Statements, Transaction
from service.sealing import Seal, SealedOtherwise

LOG: Final = logging.getLogger(__name__)
_SQL: Final = Statements.beside(__file__)
_ANY_PACE: Final = 1_000_000
_MANY: Final = 4
"""An endpoint that takes fewer at once may be one that must not get more."""

State = Literal["waiting", "delivered", "failed", "dropped"]


class Route(Struct, frozen=True, kw_only=True):
    """How an endpoint is reached: where, by how many posts at once, signed by what, with which certificates (PEM)."""

    endpoint: str
    url: str
    signing: tuple[tuple[Scheme, bytes], ...]
    at_once: int = 1
    failing: bool = False
    certificate: str | None = None
    certificate_key: bytes | None = None
    authority: str | None = None


class Claim(Struct, frozen=True, kw_only=True):
    """One notice for one endpoint, in this dispatcher's hands until `lease_until`.

    `attempts` were made before, `tried` of them since it was put or last replayed.
    """

    route: Route
    notice: int
    id: str
    body: bytes
    attempts: int
    tried: int
    lease_until: datetime

    @property
    def endpoint(self) -> str:
        return self.route.endpoint


class Attempt(Struct, frozen=True, kw_only=True):
    """One POST as it went, and what follows from it: the state, and the time of the next attempt while waiting.

    `answer` is the beginning of the body that came back, `headers` some of its headers, `error` why no whole answer
    came, `asked` how long the endpoint asked to be left in peace, `disable` why it is to be disabled.
    """

    claim: Claim
    started: datetime
    duration_ms: int
    status: int | None
    answer: str | None
    error: str | None
    state: State
    next_attempt: datetime | None
    headers: dict[str, str] | None = None
    asked: timedelta = timedelta(0)
    disable: str | None = None


async def put(tx: Transaction, notices: Sequence[Notice]) -> int:
    """Writes notices that are not there yet, and their deliveries; answers how many were new."""
    if not notices:
        return 0
    bodies = [bodies_of(notice) for notice in notices]
    rows = await tx.rows(
        _SQL["put_notices"],
        now=tx.now,
        ids=[notice.id for notice in notices],
        types=[notice.type for notice in notices],
        subjects=[notice.subject for notice in notices],
        spindles=[notice.spindle for notice in notices],
        plants=[notice.plant for notice in notices],
        occurred=[notice.time for notice in notices],
        bodies=[each.sent.decode() for each in bodies],
        wholes=[None if each.whole is None else each.whole.decode() for each in bodies],
        healths=[notice.health for notice in notices],
        worst_first=list(WORST_FIRST),
    )
    for row in rows:
        tx.counted["notices", row["type"]] += row["fresh"]
    return sum(row["fresh"] for row in rows)


async def notice_body(tx: Transaction, notice: str, plants: Sequence[str] | None) -> bytes | None:
    """A notice whole, to the letter; None where there is none of this id or it is of no plant of these."""
    row = await tx.row(_SQL["notice_body"], id=notice)
    hidden = row is None or (plants is not None and row["plant"] not in plants)
    return None if hidden else row["body"].encode()


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
    episodes = [shown.episode for notice in notices if (shown := episode_told(notice)) is not None]
    spindle = notices[0].spindle if notices else None
    rows = await tx.rows(_SQL["told_of_episodes"], spindle=spindle, episodes=episodes) if episodes else []
    told = {(row["type"], row["episode"]) for row in rows}

    def is_told(notice: Notice) -> bool:
        shown = episode_told(notice)
        return shown is not None and (notice.type, shown.episode) in told

    return await put(tx, [notice for notice in notices if not is_told(notice)])


async def ping(tx: Transaction, endpoint: str) -> str:
    """Puts an `endpoint.ping` for one endpoint, whatever its types and its rest; answers the notice's id."""
    await tx.run(endpoints.SQL["end_rest"], endpoint=endpoint)
    notice = _about(endpoint, "endpoint.ping", tx.now, {})
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


async def drop(tx: Transaction, endpoint: str) -> None:
    """What waited for an endpoint that was deleted is not sent any more."""
    await tx.run(_SQL["drop_waiting"], endpoint=endpoint, now=tx.now)


async def disable(tx: Transaction, endpoint: str, reason: str) -> bool:
    """Stops sending to an endpoint and tells the others. What waits for it is kept. False where it was done before."""
    if not await tx.run(endpoints.SQL["disable_endpoint"], endpoint=endpoint, now=tx.now, reason=reason):
        return False
    await put(tx, [_about(endpoint, "endpoint.disabled", tx.now, {"reason": reason})])
    return True


def _about(endpoint: str, notice_type: str, at: datetime, more: Mapping[str, Any]) -> Notice:
    subject = f"webhook-endpoints/{endpoint}"
    return Notice(
        id=notice_id(notice_type, subject, at),
        type=notice_type,
        subject=subject,
        time=at,
        data=NOTICE_DATA[notice_type](endpoint=endpoint, **more),
    )


async def claim(tx: Transaction, seal: Seal, *, limit: int, lease_until: datetime, ahead: int = 1) -> list[Claim]:
    """Takes up to `limit` deliveries that are due, the longest due first, within what each endpoint takes.

    `ahead` times as many as an endpoint takes at once are held for it, but for one that takes few: that limit holds
    for all dispatchers together.
    Never waits for another dispatcher: an endpoint is one's for the length of this transaction. An endpoint whose
    secrets cannot be opened is left alone until a process comes that can.
    """
    to_tell = {row["endpoint"]: row for row in await tx.rows(endpoints.SQL["to_tell"], now=tx.now)}
    if not to_tell:
        return []
    routes = await _routes(tx, seal, to_tell)
    reached = [to_tell[endpoint] for endpoint in routes]
    paces = [_pace(row, tx.now) for row in reached]
    rows = await tx.rows(
        _SQL["claim"],
        now=tx.now,
        lease_until=lease_until,
        limit=limit,
        endpoints=list(routes),
        in_hand=[_held(route.at_once, ahead) for route in routes.values()],
        paces=paces,
        order_waits=[row["order_wait"] for row in reached],
    )
    await _note_pace(tx, reached, Counter(row["endpoint"] for row in rows))
    return [
        Claim(
            route=routes[row["endpoint"]],
            notice=row["notice"],
            id=row["id"],
            body=row["body"].encode(),
            attempts=row["attempts"],
            tried=row["tried"],
            lease_until=lease_until,
        )
        for row in rows
    ]


async def _routes(tx: Transaction, seal: Seal, to_tell: Mapping[str, Any]) -> dict[str, Route]:
    """How these endpoints are reached; one that is sealed otherwise is left out, and logged."""
    signing: dict[str, list[Any]] = {endpoint: [] for endpoint in to_tell}
    for row in await tx.rows(endpoints.SQL["signing"], endpoints=list(to_tell), now=tx.now):
        signing[row["endpoint"]].append(row)
    routes: dict[str, Route] = {}
    for endpoint, row in to_tell.items():
        try:
            key = row["certificate_key"]
            routes[endpoint] = Route(
                endpoint=endpoint,
                url=row["url"],
                at_once=at_once(row["failures"], row["concurrency"]),
                failing=row["failures"] > 0,
                signing=tuple(
                    (each["scheme"], seal.open(each["secret"], each["sealed_by"])) for each in signing[endpoint]
                ),
                certificate=row["certificate"],
                certificate_key=None if key is None else seal.open(key, row["certificate_key_sealed_by"]),
                authority=row["authority"],
            )
        except SealedOtherwise as error:
            LOG.warning("%s is not told: its secrets are %s", endpoint, error)
    return routes


def _held(taken_at_once: int, ahead: int) -> int:
    return taken_at_once * ahead if taken_at_once >= _MANY else taken_at_once


def _pace(row: Mapping[str, Any], now: datetime) -> int:
    """How many POSTs an endpoint's pace leaves: what has been saved up, at most a second's worth."""
    if row["per_second"] is None:
        return _ANY_PACE
    return int(min((now - row["paced"]) / timedelta(seconds=1), 1.0) * row["per_second"])


async def _note_pace(tx: Transaction, reached: Sequence[Mapping[str, Any]], taken: Mapping[str, int]) -> None:
    for row in reached:
        if row["per_second"] is not None and taken.get(row["endpoint"]):
            begun = max(row["paced"], tx.now - timedelta(seconds=1))
            used = timedelta(seconds=taken[row["endpoint"]] / row["per_second"])
            await tx.run(endpoints.SQL["pace"], endpoint=row["endpoint"], paced=begun + used)


async def give_back(tx: Transaction, claims: Sequence[Claim]) -> None:
    """Lets go of claims that nothing was done with, where they are still held."""
    if claims:
        await tx.run(
            _SQL["give_back"],
            endpoints=[each.endpoint for each in claims],
            notices=[each.notice for each in claims],
            leases=[each.lease_until for each in claims],
        )


async def note_attempts(
    tx: Transaction, attempts: Sequence[Attempt], *, disable_after: timedelta = DISABLE_AFTER
) -> None:
    """Notes attempts that were made and what follows from each, for the delivery and for its endpoint."""
    if not attempts:
        return
    await _note_standings(tx, attempts, disable_after)
    rows = await tx.rows(
        _SQL["lock_deliveries"],
        endpoints=[attempt.claim.endpoint for attempt in attempts],
        notices=[attempt.claim.notice for attempt in attempts],
    )
    stored = {(row["endpoint"], row["notice"]): row for row in rows}
    plans = [_plan(stored[each.claim.endpoint, each.claim.notice], each, tx.now) for each in attempts]
    await tx.run(_SQL["plan_deliveries"], **_columns(plans))
    made = [_made(plan["attempts"], each) for plan, each in zip(plans, attempts, strict=True)]
    await tx.run(_SQL["add_attempts"], **_columns(made))
    for attempt in attempts:
        tx.counted["attempts", attempt.state] += 1


async def _note_standings(tx: Transaction, attempts: Sequence[Attempt], disable_after: timedelta) -> None:
    """What the attempts say of their endpoints: failing ones rest, are announced, and in the end are given up."""
    by_endpoint: dict[str, list[Attempt]] = {}
    for attempt in attempts:
        by_endpoint.setdefault(attempt.claim.endpoint, []).append(attempt)
    failed = [name for name, made in by_endpoint.items() if any(each.state != "delivered" for each in made)]
    if not failed and not any(each.claim.route.failing for each in attempts):
        return
    for row in await tx.rows(endpoints.SQL["standings"], endpoints=list(by_endpoint), failed=failed):
        endpoint = row["endpoint"]
        before = endpoints.standing(row)
        made = by_endpoint[endpoint]
        change = after(before, [_tried(each, tx.now) for each in made], disable_after=disable_after)
        if change.standing != before:
            await tx.run(endpoints.SQL["put_standing"], endpoint=endpoint, **asdict(change.standing))
        if change.announce:
            told = {"failures": change.standing.failures, "failing_since": change.standing.failing}
            await put(tx, [_about(endpoint, "endpoint.failing", tx.now, told)])
        reasons = [each.disable for each in made if each.disable is not None]
        if change.give_up:
            reasons.append(f"no attempt has succeeded since {utc_text(change.standing.failing or tx.now)}")
        if reasons:
            await disable(tx, endpoint, reasons[0])


def _tried(attempt: Attempt, now: datetime) -> Tried:
    return Tried(
        noted=now,
        delivered=attempt.state == "delivered",
        asked=attempt.asked,
        exhausted=attempt.state == "failed",
    )


def _plan(row: Any, attempt: Attempt, now: datetime) -> dict[str, Any]:
    """What a delivery's row becomes. `row` is the row as locked."""
    holds = row["lease_until"] == attempt.claim.lease_until
    decides = row["state"] == "waiting" and (holds or attempt.state == "delivered")
    return {
        "endpoint": row["endpoint"],
        "notice": row["notice"],
        "attempts": row["attempts"] + 1,
        "tried": row["tried"] + 1,
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
        "headers": None if attempt.headers is None else msgspec.json.encode(attempt.headers).decode(),
        "error": attempt.error,
    }


def _columns(rows: Sequence[Mapping[str, Any]]) -> dict[str, list[Any]]:
    """Rows as the columns that one statement takes."""
    return {name: [row[name] for row in rows] for name in rows[0]}
