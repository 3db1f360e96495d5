"""Spindles as they were, or as they were known to be: folded from the ledger each time, never read from a copy.

Rules of this file
- `as_of` is what had happened by then, as it is known now: corrections and late entries count where they belong.
- `known_at` is what had been recorded by then; without an `as_of` beside it, it is seen at that same time, and is what
  was answered then.
- Calibrations and withdrawals are taken by the same two times; a sheet, a gauge or a lot is what it says of itself.
"""

from collections.abc import AsyncIterator
from datetime import datetime
from typing import Final

from msgspec import Struct

from service import ledger, projections
from service.domain.event.envelope import FUTURE
from service.domain.fold import View, view
from service.domain.refusal import Refusal
from service.postgres import Transaction
from service.refold import Folded, fold_as_known

PORTION: Final = 100


class TimeToCome(Refusal):
    """What has not happened yet cannot be looked back on."""

    code = "time_to_come"


class Asked(Struct, frozen=True, kw_only=True):
    """Seen at `as_of`; of what had been recorded by `known_at`, or of all that is known where that is None."""

    as_of: datetime
    known_at: datetime | None


class Past(Struct, frozen=True, kw_only=True):
    """A spindle's history as far as was asked, and how it is seen at that time. `sequence` is its newest entry then."""

    folded: Folded
    seen: View
    sequence: int


def asked_for(as_of: datetime | None, known_at: datetime | None, now: datetime) -> Asked | None:
    """The two times of a question, None where it asks for now. Raises TimeToCome."""
    for name, time in (("as_of", as_of), ("known_at", known_at)):
        if time is not None and time > now + FUTURE:
            raise TimeToCome(f"{time.isoformat()} has not been yet", parameter=name)
    when = as_of or known_at
    return None if when is None else Asked(as_of=when, known_at=known_at)


async def look_back(tx: Transaction, subject: int, key: str, asked: Asked) -> Past | None:
    """The spindle as asked, None where it had not been commissioned or nobody had said so."""
    folded = await fold_as_known(tx, subject, key, as_of=asked.as_of, known_at=asked.known_at)
    if folded is None:
        return None
    seen = view(folded.final.state, asked.as_of, folded.newest)
    if seen.quiet is not None and seen.quiet <= asked.as_of:
        usual = await ledger.usual_pause(tx, subject, seen.counted_at, known_at=asked.known_at)
        seen = view(folded.final.state, asked.as_of, folded.newest, usual)
    plain = await ledger.newest_plain_entry(tx, subject, folded.gone, until=asked.as_of, known_at=asked.known_at)
    return Past(folded=folded, seen=seen, sequence=max(folded.sequence, plain))


async def walk_back(tx: Transaction, asked: Asked, *, after: str) -> AsyncIterator[tuple[str, Past]]:
    """Every spindle that was known then whose key comes after `after`, in the order of keys."""
    while rows := await tx.rows(projections.SQL["keys_after"], key=after, limit=PORTION):
        for row in rows:
            after = row["key"]
            then = await look_back(tx, row["subject"], after, asked)
            if then is not None:
                yield after, then
