"""A second connection that holds something, so that writers wait in front of a chosen statement."""

import asyncio
from collections.abc import AsyncIterator, Awaitable
from contextlib import asynccontextmanager
from typing import Any, Final, TypeVar

import asyncpg
from msgspec import Struct

from service.domain.refusal import Refusal
from service.receipt import Receipt
from tests.story.loading import Counted

Outcome = Receipt | Refusal | list[Counted]
Written = TypeVar("Written", Receipt, list[Counted])
PATIENCE_S: Final = 30.0
_WAITING: Final = """
    SELECT count(*) FROM pg_stat_activity
    WHERE datname = current_database() AND application_name = 'spindle-ledger' AND wait_event_type = 'Lock'
"""


class Hold(Struct, frozen=True):
    """What is held, and how the holder ends: what it did stays, or never was."""

    sql: str
    commits: bool = False


class Holder:
    """Holds from `holding` on; `release` lets the writers go."""

    def __init__(self, connection: Any, watching: Any) -> None:
        self._connection, self._watching = connection, watching

    async def release(self, hold: Hold) -> None:
        await self._connection.execute("COMMIT" if hold.commits else "ROLLBACK")

    async def blocked(self, *writers: "asyncio.Task[Any]", others: int = 0) -> None:
        """Waits until each of the writers waits for a lock or has ended, and at least one waits."""
        async with asyncio.timeout(PATIENCE_S):
            while True:
                waiting = await self._watching.fetchval(_WAITING) - others
                if waiting >= max(1, sum(not each.done() for each in writers)):
                    return
                await asyncio.sleep(0.01)


@asynccontextmanager
async def holding(url: str, hold: Hold) -> AsyncIterator[Holder]:
    """Opens a transaction that holds what `hold` says, and ends it whatever happens."""
    connection, watching = await asyncpg.connect(url), await asyncpg.connect(url)
    others = asyncio.all_tasks()
    try:
        await connection.execute("BEGIN")
        await connection.execute(hold.sql)
        yield Holder(connection, watching)
    finally:
        for writer in asyncio.all_tasks() - others:
            writer.cancel()
        await watching.close()
        await connection.close()


async def outcome(writing: Awaitable[Written]) -> Written | Refusal:
    """What a writer is answered; anything but an answer or a refusal fails the test."""
    async with asyncio.timeout(PATIENCE_S):
        try:
            return await writing
        except Refusal as refusal:
            return refusal
