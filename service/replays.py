"""Replays: notices that are sent again, or at last, because an operator asks for it.

Rules of this file
- A replayed notice is the same notice under the same id; its attempts are numbered on, its schedule begins anew.
- What a dispatcher has in hand, and what is due anyway, is left alone: asking twice changes nothing.
- The endpoint is locked before its deliveries, deliveries in ascending order; each portion is a transaction.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final, Literal

from msgspec import Struct

from service.domain.health import WORST_FIRST
from service.postgres import Statements, Transaction

_SQL: Final = Statements.beside(__file__)
PORTION: Final = 5_000

Replayable = Literal["waiting", "delivered", "failed"]


class Wanted(Struct, frozen=True, kw_only=True):
    """What is to be sent again: deliveries in one of `states` (waiting: for a later attempt, which is made now).

    With `missed` also notices that were never put for the endpoint and fit what it wants now. `since` (inclusive) and
    `until` go by when a notice was made; `plants` are those of a bound key; None leaves a member open.
    """

    states: tuple[Replayable, ...] = ("failed",)
    missed: bool = False
    types: tuple[str, ...] | None = None
    since: datetime | None = None
    until: datetime | None = None
    spindle_prefix: str | None = None
    plants: tuple[str, ...] | None = None


class Found(Struct, frozen=True, kw_only=True):
    """How many deliveries there were before, how many notices were never put, and the place of the last of them."""

    again: int = 0
    missed: int = 0
    last: int | None = None


async def count(tx: Transaction, endpoint: str, wanted: Wanted, *, after: int = 0) -> Found:
    """How many match beyond a place; nothing is changed."""
    row = await _matching(tx, endpoint, wanted, after, None)
    return Found(again=row["again"], missed=row["missed"], last=row["last"])


async def replay(tx: Transaction, endpoint: str, wanted: Wanted, *, after: int = 0, limit: int = PORTION) -> Found:
    """Puts up to `limit` matching notices beyond a place, ascending, so that they are due now.

    The endpoint is locked by the caller. `last` is None where nothing is left beyond the place.
    """
    row = await _matching(tx, endpoint, wanted, after, limit)
    again = missed = 0
    if row["put_before"]:
        again = await put_again(tx, endpoint, row["put_before"], wanted.states)
    if row["never_put"]:
        missed = await tx.run(_SQL["put_missed"], endpoint=endpoint, notices=row["never_put"], now=tx.now)
    return Found(again=again, missed=missed, last=row["last"])


async def put_again(tx: Transaction, endpoint: str, notices: Sequence[int], states: Sequence[Replayable]) -> int:
    """Makes these deliveries due now, those that still are in one of these states; answers how many."""
    return await tx.run(_SQL["put_again"], endpoint=endpoint, notices=list(notices), states=list(states), now=tx.now)


async def replay_one(tx: Transaction, endpoint: str, notice: str) -> bool:
    """Makes one delivery due now, whatever it is; False where it waits to be sent anyway, or is in hand.

    The endpoint is locked by the caller.
    """
    number = await tx.value(_SQL["number_of"], notice=notice)
    return bool(await put_again(tx, endpoint, [number], ("waiting", "delivered", "failed")))


async def _matching(tx: Transaction, endpoint: str, wanted: Wanted, after: int, limit: int | None) -> Any:
    return await tx.row(
        _SQL["matching"],
        endpoint=endpoint,
        states=list(wanted.states),
        missed=wanted.missed,
        types=None if wanted.types is None else list(wanted.types),
        since=wanted.since,
        until=wanted.until,
        prefix=wanted.spindle_prefix,
        plants=None if wanted.plants is None else list(wanted.plants),
        worst_first=list(WORST_FIRST),
        after=after,
        limit=limit,
        now=tx.now,
    )
