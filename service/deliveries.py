"""Deliveries as an operator sees them: what was and is to be sent, and every attempt made."""

from datetime import datetime
from typing import Final

import msgspec
from msgspec import Struct

from service.postgres import Statements, Transaction

SQL: Final = Statements.beside(__file__)
_PAST_EVERY_NOTICE: Final = 2**63 - 1


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
    """One notice on its way to one endpoint, with every attempt made. `place` orders the list and is its cursor."""

    place: int
    notice: str
    type: str
    subject: str
    time: datetime
    state: str
    next_attempt: datetime | None
    ended: datetime | None
    replayed: datetime | None
    attempts: tuple[AttemptMade, ...]


async def deliveries(tx: Transaction, endpoint_id: str, *, limit: int, before: int | None = None) -> list[Delivery]:
    """What was and is to be sent to an endpoint, the newest notice first, before a place."""
    rows = await tx.rows(
        SQL["deliveries"],
        endpoint=endpoint_id,
        before=_PAST_EVERY_NOTICE if before is None else before,
        limit=limit,
    )
    made: dict[int, list[AttemptMade]] = {row["notice"]: [] for row in rows}
    for each in await tx.rows(SQL["attempts"], endpoint=endpoint_id, notices=list(made)):
        values = {name: value for name, value in each.items() if name != "notice"}
        headers = None if each["headers"] is None else msgspec.json.decode(each["headers"])
        made[each["notice"]].append(AttemptMade(**{**values, "headers": headers}))
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
            replayed=row["replayed"],
            attempts=tuple(made[row["notice"]]),
        )
        for row in rows
    ]
