"""Reading: a state beside a bare route, a history and the feed beside the bare SELECT."""

import asyncio
import time
from typing import Any

import aiohttp
import asyncpg
import msgspec

from tests.bench.ground import Ground, Row, client, commission, event, middle, send

HISTORY = 1000
SELECT_HISTORY = """
SELECT entry.sequence, entry.log, entry.position, entry.occurred, entry.recorded, entry.type, entry.id,
       entry.data::text, encode(entry.hash, 'hex') AS hash
FROM ledger.entry JOIN ledger.subject USING (subject)
WHERE subject.kind = 'spindles' AND subject.key = $1
ORDER BY entry.sequence
"""
SELECT_FEED = """
SELECT sequence, log, position, occurred, recorded, type, id, data::text, encode(hash, 'hex') AS hash
FROM ledger.entry ORDER BY log, position LIMIT 1000
"""


async def _per_second(session: aiohttp.ClientSession, path: str, *, calls: int = 2000, at_once: int = 16) -> float:
    left = iter(range(calls))

    async def worker() -> None:
        for _ in left:
            async with session.get(path) as answer:
                await answer.read()
                assert answer.status == 200, answer.status

    began = time.perf_counter()
    await asyncio.gather(*(worker() for _ in range(at_once)))
    return calls / (time.perf_counter() - began)


async def states(at: Ground) -> Row:
    async with client(at.service) as session:
        keys = await commission(session, "read", 1)
        ours = await _per_second(session, f"/v1/spindles/{keys[0]}")
    async with client(at.bare) as session:
        bare = await _per_second(session, "/state")
    return Row(
        name="reads of a state, key checked, 16 at once",
        ours=f"{ours:,.0f}/s",
        bare=f"bare route {bare:,.0f}/s",
        ratio=ours / bare,
        aim="0.3 or more",
    )


async def _median_get(session: aiohttp.ClientSession, path: str) -> float:
    seconds = []
    for _ in range(30):
        began = time.perf_counter()
        async with session.get(path) as answer:
            body = await answer.read()
            assert answer.status == 200, body
        seconds.append(time.perf_counter() - began)
    return middle(seconds)


async def _median_select(dsn: str, sql: str, *arguments: Any) -> float:
    connection = await asyncpg.connect(dsn)
    seconds = []
    for _ in range(30):
        began = time.perf_counter()
        rows = await connection.fetch(sql, *arguments)
        msgspec.json.encode([dict(row) for row in rows])
        seconds.append(time.perf_counter() - began)
    await connection.close()
    return middle(seconds)


async def history(at: Ground) -> Row:
    async with client(at.service) as session:
        keys = await commission(session, "history", 1)
        batch = [
            event(f"h-{number}", "clamp.exercised", f"spindles/{keys[0]}", {"cycles": 1}, hours=20 - number / 100)
            for number in range(HISTORY)
        ]
        await send(session, "/v1/events", batch, "application/cloudevents-batch+json")
        ours = await _median_get(session, f"/v1/spindles/{keys[0]}/events?limit=1000")
    bare = await _median_select(at.dsn, SELECT_HISTORY, keys[0])
    return Row(
        name="history of 1,000 entries",
        ours=f"{ours * 1e3:.1f} ms",
        bare=f"SELECT {bare * 1e3:.1f} ms",
        ratio=ours / bare,
        aim="at most 2.5",
    )


async def feed(at: Ground) -> Row:
    async with client(at.service) as session:
        ours = await _median_get(session, "/v1/events?limit=1000")
    bare = await _median_select(at.dsn, SELECT_FEED)
    return Row(
        name="feed, a page of 1,000",
        ours=f"{ours * 1e3:.1f} ms",
        bare=f"SELECT {bare * 1e3:.1f} ms",
        ratio=ours / bare,
        aim="at most 2",
    )


MEASURES = (states, history, feed)
