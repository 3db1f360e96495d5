"""Delivering: notices signed, posted and noted, beside bare posts of the same bodies to the same receiver.

    python -m tests.bench.delivering [notices, default 10000]

as a command: so many notices to 20 endpoints of which five are dead, beside the same without the five.
"""

import asyncio
import os
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from ipaddress import ip_network
from typing import Any, Final

import aiohttp
import asyncpg

from service import endpoints, outbox
from service.deliver import Dispatcher
from service.domain.notice import Notice, notice_id, webhook_body
from service.endpoints import Wanted
from service.postgres import Database, Statement
from tests.bench.ground import NOW, Ground, Row, ground, process
from tests.sealed import SEAL

NOTICES: Final = 20_000
AT_ONCE: Final = 32
TAKING: Final = [sys.executable, "-m", "tests.bench.taking"]
LOOPBACK: Final = (ip_network("127.0.0.0/8"),)
_WAITING: Final = Statement(
    "waiting",
    "SELECT count(*) FROM kept.delivery d JOIN kept.endpoint e USING (endpoint)"
    " WHERE d.state = 'waiting' AND e.url NOT LIKE '%/dead%'",
)
_EMPTY: Final = "TRUNCATE kept.attempt, kept.delivery, kept.notice, kept.signing, kept.endpoint CASCADE"


def _notice(number: int) -> Notice:
    """About as long as a real one."""
    reasons = [{"code": "recheck_due", "text": "The recheck of the setting depth is due.", "entry": 6}] * 2
    data: dict[str, Any] = {"spindle": f"H2-M{number % 97:02d}-S1", "plant": "skerrow", "reasons": reasons}
    data |= {"health": "maintenance_required", "clearance": "cleared", "count": 118_204 + number}
    return Notice(
        id=notice_id("recheck.due", "bench", number),
        type="recheck.due",
        subject=f"spindles/{data['spindle']}",
        spindle=data["spindle"],
        plant="skerrow",
        time=NOW,
        sequence=number,
        data=data,
    )


@asynccontextmanager
async def _laid_out(dsn: str, urls: list[str], notices: int) -> AsyncIterator[Database]:
    """A database in which so many notices wait for an endpoint at each of these addresses."""
    database = await Database.open(dsn)
    try:
        async with database.transaction() as tx:
            for url in urls:
                await endpoints.add(tx, SEAL, url=url, wanted=Wanted())
        for begin in range(0, notices, 1000):
            async with database.transaction() as tx:
                await outbox.put(tx, [_notice(number) for number in range(begin, min(begin + 1000, notices))])
        yield database
        await _clear(dsn)
    finally:
        await database.close()


async def _clear(dsn: str) -> None:
    connection = await asyncpg.connect(dsn)
    await connection.execute(_EMPTY)
    await connection.close()


async def _delivered(database: Database, **options: Any) -> float:
    """Seconds until nothing waits for a healthy endpoint any more."""
    stop = asyncio.Event()
    dispatcher = Dispatcher(database, SEAL, allowed=LOOPBACK, drain_s=0, **options)
    began = time.perf_counter()
    running = asyncio.create_task(dispatcher.run(stop))
    while (await database.look(_WAITING))["count"]:  # noqa: ASYNC110
        await asyncio.sleep(0.05)
    seconds = time.perf_counter() - began
    stop.set()
    await running
    return seconds


async def _posted(address: str, notices: int) -> float:
    """Seconds for bare posts of the same bodies, as many at once."""
    headers = {"Content-Type": "application/cloudevents+json"}
    bodies = iter([webhook_body(_notice(number)) for number in range(notices)])

    async def one(session: aiohttp.ClientSession) -> None:
        for body in bodies:
            async with session.post(f"{address}/bare", data=body, headers=headers) as answer:
                await answer.read()

    async with aiohttp.ClientSession(connector=aiohttp.TCPConnector(limit=0)) as session:
        began = time.perf_counter()
        await asyncio.gather(*(one(session) for _ in range(AT_ONCE)))
        return time.perf_counter() - began


async def deliveries(at: Ground) -> Row:
    """Four endpoints, eight posts at once to each."""
    with process(TAKING, dict(os.environ)) as taking:
        urls = [f"{taking}/alive-{number}" for number in range(4)]
        async with _laid_out(at.dsn, urls, NOTICES // 4) as database:
            ours = NOTICES / await _delivered(database)
        bare = NOTICES / await _posted(taking, NOTICES)
    return Row(
        name=f"deliveries, {NOTICES} to 4 endpoints",
        ours=f"{ours:,.0f}/s",
        bare=f"posts {bare:,.0f}/s",
        ratio=ours / bare,
        aim="0.4",
    )


MEASURES = (deliveries,)


async def _beside_dead_ones(dsn: str, notices: int) -> None:
    with process(TAKING, dict(os.environ)) as taking:
        taken: dict[str, float] = {}
        for name, dead in (("15 healthy endpoints", 0), ("with five dead ones", 5)):
            urls = [f"{taking}/alive-{dead}-{number}" for number in range(15)]
            urls += [f"{taking}/dead-{number}" for number in range(dead)]
            async with _laid_out(dsn, urls, notices) as database:
                taken[name] = await _delivered(database)
            print(f"{name}: {notices} notices each, {15 * notices} deliveries in {taken[name]:.1f} s", flush=True)
        async with aiohttp.ClientSession() as session, session.get(taking) as answer:
            counts = await answer.json(content_type=None)
    lone, beside = taken.values()
    arrived = {path: count for path, count in counts.items() if path.startswith("/alive")}
    print(f"every healthy endpoint had {min(arrived.values())} to {max(arrived.values())} of {notices} notices")
    print(f"dead endpoints were tried {sum(counts.values()) - sum(arrived.values())} times")
    print(f"ratio {beside / lone:.2f} (limit 1.20)")


def main(notices: int) -> None:
    with ground() as at:
        asyncio.run(_beside_dead_ones(at.dsn, notices))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
