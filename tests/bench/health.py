"""Health out: ten thousand spindles beside the bare SELECT, 304 beside a bare route, two thousand listeners.

`python -m tests.bench.health` measures these alone, `… listeners memory` those that are named.
"""

import asyncio
import contextlib
import os
import subprocess
import sys
import time
from collections.abc import AsyncIterator
from typing import Any
from urllib.parse import urlsplit

import aiohttp
import asyncpg
import msgspec

from tests.bench.ground import KEY, Ground, Row, client, commission, event, ground, middle, send

SPINDLES = 10_000
LISTENERS = 2_000
AGAIN = 15
HEALTH = "/v1/spindles?view=health&limit=10000"
SELECT_HEALTH = "SELECT key, health, clearance, reasons FROM derived.spindle ORDER BY key LIMIT 10001"
MORE = """
    WITH made AS (
        INSERT INTO ledger.subject (kind, key, log, head)
        SELECT 'spindles', 'more-' || n, n % 16, '' FROM generate_series(1, $1::integer) AS n
        RETURNING subject, key, log
    ), spindles AS (
        INSERT INTO derived.spindle
        SELECT (jsonb_populate_record(NULL::derived.spindle, to_jsonb(one) || jsonb_build_object(
            'subject', made.subject, 'key', made.key, 'log', made.log, 'machine', made.key))).*
        FROM made, derived.spindle AS one WHERE one.key = $2
    )
    INSERT INTO derived.counter
    SELECT (jsonb_populate_record(NULL::derived.counter, to_jsonb(one) || jsonb_build_object(
        'subject', made.subject))).*
    FROM made, derived.counter AS one JOIN derived.spindle USING (subject) WHERE spindle.key = $2
"""
"""Rows like those of one that was commissioned: what is measured here reads them and records nothing of them."""
_ready: list[str] = []


async def _spindles(at: Ground, session: aiohttp.ClientSession) -> list[str]:
    """Ten thousand in all, made once: 120 that were commissioned and may change, and likenesses of one."""
    if not _ready:
        keys = await commission(session, "board", 120)
        environment = {**os.environ, "DATABASE_URL": at.dsn}
        sweep = [sys.executable, "-m", "service", "sweep", "--once"]
        await asyncio.to_thread(subprocess.run, sweep, env=environment, check=True, stdout=subprocess.DEVNULL)
        connection = await asyncpg.connect(at.dsn)
        there = await connection.fetchval("SELECT count(*) FROM derived.spindle")
        await connection.execute(MORE.replace("$1", str(SPINDLES - there)).replace("$2", f"'{keys[0]}'"))
        await connection.execute("VACUUM ANALYZE derived.spindle")
        await connection.close()
        _ready.extend(keys)
    return _ready


async def _change(session: aiohttp.ClientSession, key: str, number: int) -> None:
    broken = {"component": "draw_bar", "code": f"c-{number}", "unusable": True}
    await send(session, "/v1/events", event(f"health-{number}", "condition.noted", f"spindles/{key}", broken))


async def _get(
    session: aiohttp.ClientSession, path: str, etag: str | None = None, *, stale: bool = False
) -> tuple[int, str, bytes]:
    headers = {} if etag is None else {"If-None-Match": etag}
    if stale:
        headers["Cache-Control"] = "max-stale=1"
    async with session.get(path, headers=headers) as answer:
        return answer.status, answer.headers.get("ETag", ""), await answer.read()


async def lists(at: Ground) -> Row:
    anew, bare = [], []
    connection = await asyncpg.connect(at.dsn)
    async with client(at.service) as session:
        keys = await _spindles(at, session)
        for number in range(AGAIN):
            await _change(session, keys[number], number)
            began = time.perf_counter()
            status, _, body = await _get(session, HEALTH)
            anew.append(time.perf_counter() - began)
            began = time.perf_counter()
            rows = await connection.fetch(SELECT_HEALTH)
            same = msgspec.json.encode({"items": [dict(row) for row in rows], "next": None})
            bare.append(time.perf_counter() - began)
            assert status == 200
            assert len(rows) == SPINDLES
            assert len(body) == len(same)
    await connection.close()
    return Row(
        name=f"health of 10,000 after a change, {len(body) // 1000} kB",
        ours=f"{middle(anew) * 1e3:.1f} ms",
        bare=f"SELECT {middle(bare) * 1e3:.1f} ms",
        ratio=middle(anew) / middle(bare),
        aim="none stated",
    )


async def lists_kept(at: Ground) -> Row:
    ours, bare = [], []
    connection = await asyncpg.connect(at.dsn)
    async with client(at.service) as session:
        await _spindles(at, session)
        await _get(session, HEALTH)
        for _ in range(AGAIN):
            began = time.perf_counter()
            await _get(session, HEALTH)
            ours.append(time.perf_counter() - began)
            began = time.perf_counter()
            msgspec.json.encode([dict(row) for row in await connection.fetch(SELECT_HEALTH)])
            bare.append(time.perf_counter() - began)
    await connection.close()
    return Row(
        name="health of 10,000, nothing changed, without its ETag",
        ours=f"{middle(ours) * 1e3:.1f} ms",
        bare=f"SELECT {middle(bare) * 1e3:.1f} ms",
        ratio=middle(ours) / middle(bare),
        aim="none stated",
    )


async def _per_second(
    session: aiohttp.ClientSession, path: str, etag: str, *, calls: int, at_once: int, stale: bool = False
) -> float:
    left = iter(range(calls))

    async def worker() -> None:
        for _ in left:
            status, _, body = await _get(session, path, etag, stale=stale)
            assert (status, body) == (304, b"")

    began = time.perf_counter()
    await asyncio.gather(*(worker() for _ in range(at_once)))
    return calls / (time.perf_counter() - began)


async def _unchanged(at: Ground, at_once: int, *, stale: bool = False) -> Row:
    ours, bare = [], []
    async with client(at.service) as session, client(at.bare) as other:
        await _spindles(at, session)
        _, etag, _ = await _get(session, HEALTH)
        for _ in range(3):
            ours.append(await _per_second(session, HEALTH, etag, calls=3000, at_once=at_once, stale=stale))
            bare.append(await _per_second(other, "/unchanged", '"a"', calls=3000, at_once=at_once))
    return Row(
        name=f"304 to the health of 10,000, {at_once} at once{', max-stale=1' if stale else ''}",
        ours=f"{middle(ours):,.0f}/s",
        bare=f"bare route {middle(bare):,.0f}/s",
        ratio=middle(ours) / middle(bare),
        aim="0.7 or more",
    )


async def unchanged_many(at: Ground) -> Row:
    return await _unchanged(at, 16)


async def unchanged_stale(at: Ground) -> Row:
    return await _unchanged(at, 16, stale=True)


async def unchanged_one_stale(at: Ground) -> Row:
    return await _unchanged(at, 1, stale=True)


async def unchanged_one(at: Ground) -> Row:
    return await _unchanged(at, 1)


@contextlib.asynccontextmanager
async def _listening(address: str, path: str, headers: str) -> AsyncIterator[list[asyncio.StreamReader]]:
    """So many connections, each of which has been told that it is listened to."""
    host, port = urlsplit(address).hostname, urlsplit(address).port
    asked = f"GET {path} HTTP/1.1\r\nHost: x\r\nAccept: text/event-stream\r\n{headers}\r\n".encode()
    writers: list[asyncio.StreamWriter] = []

    async def one() -> asyncio.StreamReader:
        reader, writer = await asyncio.open_connection(host, port, limit=2**22)
        writers.append(writer)
        writer.write(asked)
        await reader.readuntil(b"id: ")
        return reader

    try:
        readers: list[asyncio.StreamReader] = []
        for _ in range(LISTENERS // 100):
            readers += await asyncio.gather(*(one() for _ in range(100)))
        yield readers
    finally:
        for writer in writers:
            writer.close()


async def _until_all_are_told(readers: list[asyncio.StreamReader], mark: bytes, tell: Any) -> float:
    """Seconds from the call that tells to the last listener that was told."""
    waiting = [asyncio.create_task(reader.readuntil(mark)) for reader in readers]
    await asyncio.sleep(0.5)
    began = time.perf_counter()
    await tell()
    await asyncio.gather(*waiting)
    return time.perf_counter() - began


async def _memory(session: aiohttp.ClientSession) -> float:
    _, _, body = await _get(session, "/metrics")
    (line,) = [line for line in body.decode().splitlines() if line.startswith("process_resident_memory_bytes ")]
    return float(line.split()[1])


_told: dict[str, float] = {}


async def listeners(at: Ground) -> Row:
    ours: list[float] = []
    key = f"Authorization: Bearer {KEY}\r\nLast-Event-ID: {{}}\r\n"
    async with client(at.service) as session, client(at.bare) as other:
        keys = await _spindles(at, session)
        last = await _last_id(at.service)
        before = await _memory(session)
        async with _listening(at.service, "/v1/spindles?view=health", key.format(last)) as readers:
            await asyncio.sleep(1)
            _told["ours"] = (await _memory(session) - before) / LISTENERS
            for number in range(5):
                told = keys[100 + number]
                mark = f'{{"key":"{told}"'.encode()
                spoken = _change(session, told, 1000 + number)
                ours.append(await _until_all_are_told(readers, mark, lambda spoken=spoken: spoken))
        before = float((await _get(other, "/memory"))[2])
        async with _listening(at.bare, "/wait", "") as readers:
            await asyncio.sleep(1)
            _told["bare"] = (float((await _get(other, "/memory"))[2]) - before) / LISTENERS
            bare = [await _until_all_are_told(readers, b'"padding"', lambda: _post(other, "/tell")) for _ in range(5)]
    return Row(
        name="2,000 listeners, the last is told",
        ours=f"{middle(ours) * 1e3:,.0f} ms, at most {max(ours) * 1e3:,.0f}",
        bare=f"bare stream {middle(bare) * 1e3:,.0f} ms",
        ratio=middle(ours) / middle(bare),
        aim="within 1,000 ms",
    )


async def _post(session: aiohttp.ClientSession, path: str) -> None:
    async with session.post(path) as answer:
        assert answer.status == 201


async def _last_id(address: str) -> str:
    """The id behind everything there is now: who begins there is told of changes alone."""
    headers = {"Authorization": f"Bearer {KEY}", "Accept": "text/event-stream"}
    async with (
        aiohttp.ClientSession(address, headers=headers) as session,
        session.get("/v1/spindles?view=health") as answer,
    ):
        last = ""
        async for line in answer.content:
            if line.startswith(b"id: "):
                last = line[4:].strip().decode()
            if line.startswith(b": here") and last:
                line = await answer.content.readline()
                if not line.startswith(b"id: "):
                    continue
                here = line[4:].strip().decode()
                if here == last:
                    return last
                last = here
    raise AssertionError("the stream has ended")


async def memory(at: Ground) -> Row:
    return Row(
        name="memory of one of 2,000 listeners",
        ours=f"{_told['ours'] / 1e3:.1f} kB",
        bare=f"bare stream {_told['bare'] / 1e3:.1f} kB",
        ratio=_told["ours"] / _told["bare"],
        aim="none stated",
    )


MEASURES = (lists, lists_kept, unchanged_many, unchanged_stale, unchanged_one, unchanged_one_stale, listeners, memory)


async def _alone(at: Ground) -> None:
    named = sys.argv[1:]
    for measure in MEASURES:
        if named and measure.__name__ not in named:
            continue
        row = await measure(at)
        print(f"{row.name}: {row.ours} against {row.bare}: {row.ratio:.2f} ({row.aim})", flush=True)


if __name__ == "__main__":
    with ground() as there:
        asyncio.run(_alone(there))
