"""Deliveries as an operator sees them: what was and is to be sent, and every attempt made."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final, Literal

import msgspec
from msgspec import Struct

from service import lists
from service.cursors import CursorMalformed, read_cursor, write_cursor
from service.listed_deliveries import DELIVERIES
from service.postgres import Statements, Transaction

SQL: Final = Statements.beside(__file__)
_EPOCH: Final = datetime(2000, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)

DeliveryState = Literal["waiting", "delivered", "failed", "dropped"]
Outcome = Literal["succeeded", "refused", "unanswered"]


class AttemptMade(Struct, frozen=True, kw_only=True):
    """An attempt as it is listed. `duration_ms` is in milliseconds."""

    number: int
    started: datetime
    duration_ms: int
    status: int | None
    answer: str | None
    headers: dict[str, str] | None
    error: str | None


class Delivery(Struct, frozen=True, kw_only=True):
    """One notice on its way to one endpoint, with every attempt made: waiting, delivered, failed or dropped.

    `time` is when it came true, `created` when the notice was made, `replayed` when it was last asked to be sent again.
    """

    endpoint: str
    notice: str
    type: str
    subject: str
    time: datetime
    created: datetime
    state: DeliveryState
    next_attempt: datetime | None
    ended: datetime | None
    replayed: datetime | None
    attempts: tuple[AttemptMade, ...]


class AttemptListed(AttemptMade, frozen=True, kw_only=True):
    """An attempt with its notice, and how it went: succeeded, refused by an answer, or unanswered."""

    notice: str
    type: str
    outcome: Outcome


class AttemptsWanted(Struct, frozen=True, kw_only=True):
    """Which attempts are listed; None leaves a member open. `since` is inclusive, `until` is not."""

    outcomes: tuple[Outcome, ...] | None = None
    statuses: tuple[int, ...] | None = None
    notice: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    plants: tuple[str, ...] | None = None


async def deliveries(
    tx: Transaction, *, limit: int = 100, cursor: str | None = None, **filters: Any
) -> tuple[list[Delivery], str | None]:
    """A page of what was and is to be sent, the newest notice first, and the next page's cursor.

    `filters` are those of `listed_deliveries`. Raises CursorMalformed.
    """
    asked = lists.Asked(listing=DELIVERIES, filters=filters, sort="newest", limit=limit, cursor=cursor)
    rows, following = await lists.page(tx, asked, lambda row: row)
    made: dict[tuple[str, int], list[AttemptMade]] = {(row["endpoint"], row["notice"]): [] for row in rows}
    endpoints, notices = [key[0] for key in made], [key[1] for key in made]
    for each in await tx.rows(SQL["attempts"], endpoints=endpoints, notices=notices) if rows else ():
        made[each["endpoint"], each["notice"]].append(AttemptMade(**_attempt(each)))
    return [_delivery(row, made[row["endpoint"], row["notice"]]) for row in rows], following


async def delivery(tx: Transaction, endpoint: str, notice: str, plants: Sequence[str] | None = None) -> Delivery | None:
    """One notice on its way to one endpoint, or None where it was never put for it."""
    found, _ = await deliveries(tx, limit=1, endpoint=endpoint, notice=notice, plants=plants)
    return found[0] if found else None


async def attempts(
    tx: Transaction, endpoint: str, wanted: AttemptsWanted, *, limit: int, cursor: str | None = None
) -> tuple[list[AttemptListed], str | None]:
    """A page of the attempts at an endpoint, the newest first, and the next page's cursor. Raises CursorMalformed."""
    question = ["attempts", endpoint, msgspec.json.encode(wanted).decode()]
    until = datetime.max.replace(tzinfo=UTC) if wanted.until is None else wanted.until
    before: tuple[datetime, int, int] = (until, 0, 0)
    if cursor is not None:
        at, notice, number = (int(each) for each in read_cursor(question, [int, int, int], cursor))
        before = (_instant(at), notice, number)
    rows = await tx.rows(
        SQL["attempts_made"],
        endpoint=endpoint,
        since=datetime.min.replace(tzinfo=UTC) if wanted.since is None else wanted.since,
        started=before[0],
        before=before[1],
        number=before[2],
        outcomes=None if wanted.outcomes is None else list(wanted.outcomes),
        statuses=None if wanted.statuses is None else list(wanted.statuses),
        notice=wanted.notice,
        plants=None if wanted.plants is None else list(wanted.plants),
        limit=limit + 1,
    )
    shown = [
        AttemptListed(**_attempt(row), notice=row["id"], type=row["type"], outcome=row["outcome"])
        for row in rows[:limit]
    ]
    if len(rows) <= limit:
        return shown, None
    last = rows[limit - 1]
    return shown, write_cursor(question, [(last["started"] - _EPOCH) // _MICROSECOND, last["notice"], last["number"]])


def _instant(microseconds: int) -> datetime:
    try:
        return _EPOCH + microseconds * _MICROSECOND
    except OverflowError as error:
        raise CursorMalformed("this cursor leads to no time that can be", parameter="cursor") from error


def _attempt(row: Mapping[str, Any]) -> dict[str, Any]:
    values = {name: row[name] for name in AttemptMade.__struct_fields__}
    return {**values, "headers": None if row["headers"] is None else msgspec.json.decode(row["headers"])}


def _delivery(row: Mapping[str, Any], made: Sequence[AttemptMade]) -> Delivery:
    return Delivery(
        notice=row["id"],
        time=row["occurred"],
        attempts=tuple(made),
        **{
            name: row[name]
            for name in ("endpoint", "type", "subject", "created", "state", "next_attempt", "ended", "replayed")
        },
    )
