"""How far everything committed has come, in a few numbers: what an answer was made from, and whether it still holds.

Rules of this file
- Every number is taken under a lock that its writer keeps until the end, and none ever falls (`position` of a log,
  `written` and `changed` of derived.change). So two beats with the same sum have seen the same commits.
- A beat that is asked for is as new as the question: it is looked up by a statement that begins after it. Those who ask
  while another is under way share the next one, so that thousands who ask at once cost a statement or two.
"""

import asyncio
from datetime import datetime, timedelta
from typing import Any, Final, Literal

from msgspec import Struct
from msgspec.structs import replace

from service.postgres import Database, Statements, Transaction

SQL: Final = Statements.beside(__file__)
AT_ONCE: Final = 2
"""How many statements may be under way: who has to wait for one to end waits for half of it on average."""

Depth = Literal["shown", "written", "read"]
"""What an answer is made from: what a list by health shows; every stored state; every reading too."""


class Beat(Struct, frozen=True, kw_only=True):
    """`now` is the clock, `next_look` when time alone next changes a state that is stored."""

    now: datetime
    positions: int
    written: int
    changed: int
    next_look: datetime | None

    @property
    def any_late(self) -> bool:
        """Whether time has changed a state and nobody has written it yet."""
        return self.next_look is not None and self.next_look <= self.now

    def mark(self, depth: Depth) -> tuple[int, ...] | None:
        """What tells an answer of this depth from the next one; None where time goes into it."""
        if self.any_late:
            return None
        if depth == "shown":
            return (self.changed,)
        return (self.written,) if depth == "written" else (self.written, self.positions)


class Pulse:
    """The beats of one process."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._next: asyncio.Task[Beat] | None = None
        self._turn = asyncio.Semaphore(AT_ONCE)
        self._newest: Beat | None = None
        self._begun = 0.0

    async def beat(self, stale_s: float = 0.0) -> Beat:
        """A beat that has seen whatever was committed before this call; or, for who takes one, an earlier one that
        began no longer ago than `stale_s`. Raises CannotConnect.
        """
        age = asyncio.get_running_loop().time() - self._begun
        if self._newest is not None and age < stale_s:
            return replace(self._newest, now=self._newest.now + timedelta(seconds=age))
        if self._next is None:
            self._next = asyncio.create_task(self._look())
        return await asyncio.shield(self._next)

    async def _look(self) -> Beat:
        async with self._turn:
            self._next = None  # who asks from here on may have seen a commit that this statement does not
            begun = asyncio.get_running_loop().time()
            beat = _beat(await self._database.look(SQL["beat"]), self._database)
        if begun > self._begun:
            self._newest, self._begun = beat, begun
        return beat


async def beat_of(tx: Transaction, database: Database) -> Beat:
    """The beat of a snapshot: what is read in it is made from just that."""
    return _beat(await tx.row(SQL["beat"]), database)


def _beat(row: Any, database: Database) -> Beat:
    return Beat(
        now=row["now"] + database.clock_shift,
        positions=row["positions"],
        written=row["written"],
        changed=row["changed"],
        next_look=row["next_look"],
    )
