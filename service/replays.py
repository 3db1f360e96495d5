"""Replays: notices that are sent again, or at last, because an operator asks for it.

Rules of this file
- A replayed notice is the same notice under the same id; its attempts are numbered on, its schedule begins anew.
- What a dispatcher has in hand, and what is due anyway, is left alone: asking twice changes nothing.
- What matches is looked for before anything is locked, and looked at once more under the lock, so that dispatchers wait
  for the writing alone. The endpoint is locked before its deliveries, deliveries in ascending order.
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


class Portion(Struct, frozen=True, kw_only=True):
    """Some notices to put, by their places in ascending order; `last` is None where there are none."""

    states: tuple[Replayable, ...]
    put_before: tuple[int, ...]
    never_put: tuple[int, ...]
    last: int | None


async def count(tx: Transaction, endpoint: str, wanted: Wanted, *, after: int = 0) -> Found:
    """How many match beyond a place; nothing is changed."""
    row = await _matching(tx, endpoint, wanted, after, None)
    return Found(again=row["again"], missed=row["missed"], last=row["last"])


async def find(tx: Transaction, endpoint: str, wanted: Wanted, *, after: int = 0, limit: int = PORTION) -> Portion:
    """The first that match beyond a place, at most `limit`."""
    row = await _matching(tx, endpoint, wanted, after, limit)
    return Portion(
        states=wanted.states,
        put_before=tuple(row["put_before"] or ()),
        never_put=tuple(row["never_put"] or ()),
        last=row["last"],
    )


async def replay(tx: Transaction, endpoint: str, portion: Portion) -> Found:
    """Makes these due now, those that still match; answers how many. The endpoint is locked by the caller."""
    again = missed = 0
    if portion.put_before:
        again = await _put_again(tx, endpoint, portion.put_before, portion.states)
    if portion.never_put:
        missed = await tx.run(_SQL["put_missed"], endpoint=endpoint, notices=list(portion.never_put), now=tx.now)
    return Found(again=again, missed=missed, last=portion.last)


async def _put_again(tx: Transaction, endpoint: str, notices: Sequence[int], states: Sequence[Replayable]) -> int:
    return await tx.run(_SQL["put_again"], endpoint=endpoint, notices=list(notices), states=list(states), now=tx.now)


async def replay_one(tx: Transaction, endpoint: str, notice: str) -> bool:
    """Makes one delivery due now, whatever it is; False where it waits to be sent anyway, or is in hand.

    The endpoint is locked by the caller.
    """
    number = await tx.value(_SQL["number_of"], notice=notice)
    return bool(await _put_again(tx, endpoint, [number], ("waiting", "delivered", "failed")))


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
