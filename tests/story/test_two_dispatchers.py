"""Two dispatchers in processes of their own, one of which is killed: nothing is lost, nothing has a second id."""

import asyncio
import os
import sys
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta

from aiohttp import web

from service.deliver import Dispatcher
from service.postgres import Database, Statement
from tests.sealed import KEYS, SEAL
from tests.story.delivering import LOOPBACK, SECRET, due, put, subscribe
from tests.story.receiver import receiver

NOTICES = 600
_STATES = Statement("states", "SELECT state, count(*) FROM kept.delivery GROUP BY state")


@asynccontextmanager
async def delivering(database_url: str) -> AsyncIterator[asyncio.subprocess.Process]:
    """A `spindle-ledger deliver` on this database."""
    environment = {
        **os.environ,
        "DATABASE_URL": database_url,
        "SPINDLE_LEDGER_WEBHOOK_CIDRS": "127.0.0.0/8",
        "SPINDLE_LEDGER_SECRET_KEYS": KEYS[0],
    }
    process = await asyncio.create_subprocess_exec(sys.executable, "-m", "service", "deliver", env=environment)
    try:
        yield process
    finally:
        if process.returncode is None:
            process.terminate()
        await process.wait()


async def waiting(database: Database) -> int:
    async with database.transaction() as tx:
        return sum(row["count"] for row in await tx.rows(_STATES) if row["state"] == "waiting")


async def test_one_of_two_dispatchers_is_killed_in_the_middle(database: Database, database_url: str) -> None:
    busy = asyncio.Event()

    async def take(request: web.Request) -> web.StreamResponse:
        await asyncio.sleep(0.02)
        if len(one.received) > NOTICES // 4:
            busy.set()
        return web.Response(status=204)

    async with receiver(take) as one:
        for place in ("a", "b"):
            await subscribe(database, f"{one.url}/{place}")
        async with delivering(database_url), delivering(database_url) as killed:
            await put(database, *(due(number) for number in range(NOTICES)))
            async with asyncio.timeout(60):
                await busy.wait()
            killed.kill()
            await killed.wait()
            held = await settled(database)
        database.clock_shift = timedelta(minutes=2)
        while await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due():
            pass
        assert await waiting(database) == 0
    arrived = Counter(each.headers["webhook-id"] for each in one.received)
    assert set(arrived) == {due(number).id for number in range(NOTICES)}
    assert min(arrived.values()) >= 2, "a notice did not reach both endpoints"
    twice = sum(count - 2 for count in arrived.values())
    assert twice <= held, "a notice was sent again that was not in the hands of the dispatcher that was killed"
    for each in one.received[:50]:
        each.event(SECRET)


async def settled(database: Database) -> int:
    """How many deliveries wait for the killed dispatcher's leases, once the other has done all else."""
    left = await waiting(database)
    async with asyncio.timeout(60):
        while True:
            await asyncio.sleep(1)
            now = await waiting(database)
            if now == left:
                return now
            left = now
