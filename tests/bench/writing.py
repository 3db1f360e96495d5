"""Writing: bulk readings beside COPY, single events beside one committed row."""

import asyncio
import time
from datetime import timedelta
from typing import Any

import asyncpg

from tests.bench.ground import NOW, Ground, Row, client, commission, event, high, in_parallel, middle, send, timed

ROUNDS = 8
BARE_TABLE = """
CREATE SCHEMA IF NOT EXISTS bare;
DROP TABLE IF EXISTS bare.reading;
CREATE TABLE bare.reading (LIKE ledger.reading INCLUDING DEFAULTS);
CREATE UNIQUE INDEX ON bare.reading (log, position, recorded);
CREATE INDEX ON bare.reading (subject, occurred, sequence);
"""
COLUMNS = [
    *("position", "sequence", "occurred", "recorded", "reading", "subject", "source", "key", "log", "form", "hash"),
]


async def copied(dsn: str, rows: int, connections: int) -> float:
    """Readings a second by COPY of the same rows into a table with the same indexes, a transaction a round."""
    pool = await asyncpg.create_pool(dsn, min_size=connections, max_size=connections)
    await pool.execute(BARE_TABLE)
    share = rows // connections

    async def one(connection_number: int, round_number: int) -> None:
        begin = (round_number * connections + connection_number) * share
        records = [
            (begin + n, round_number, NOW, NOW, 118_000 + n, n, 1, 1, connection_number, 2, b"h" * 32)
            for n in range(share)
        ]
        async with pool.acquire() as connection:
            await connection.copy_records_to_table("reading", schema_name="bare", records=records, columns=COLUMNS)

    seconds = [await in_parallel(*(one(number, done) for number in range(connections))) for done in range(ROUNDS)]
    await pool.close()
    return rows / middle(seconds)


async def _bulk(at: Ground, prefix: str, groups: list[list[str]]) -> float:
    """Readings a second through HTTP; each group is a call, all groups of a round at once."""
    async with client(at.service) as session:

        async def call(group: list[str], round_number: int) -> None:
            moment = NOW - timedelta(hours=2) + timedelta(minutes=round_number)
            readings = dict.fromkeys(group, 118000 + 10 * (round_number + 1))
            body = {"source": f"/bench/{prefix}", "time": moment.isoformat(), "readings": readings}
            answer = await send(session, "/v1/counter-readings", body)
            assert answer["accepted"] == len(group), answer

        await asyncio.gather(*(call(group, 0) for group in groups))
        seconds = [await in_parallel(*(call(group, done) for group in groups)) for done in range(1, ROUNDS + 1)]
    return sum(map(len, groups)) / middle(seconds)


async def bulk_thousand(at: Ground) -> Row:
    async with client(at.service) as session:
        keys = await commission(session, "bulk", 1000)
    ours = await _bulk(at, "bulk", [keys])
    bare = await copied(at.dsn, 1000, 1)
    return Row(
        name="bulk readings, 1,000 a call",
        ours=f"{ours:,.0f}/s",
        bare=f"COPY {bare:,.0f}/s",
        ratio=ours / bare,
        aim="0.25 or more",
    )


async def bulk_ten_thousand(at: Ground) -> Row:
    async with client(at.service) as session:
        keys = await commission(session, "many", 10_000)
    groups = await _by_log(at.dsn, keys, 4)
    ours = await _bulk(at, "many", groups)
    bare = await copied(at.dsn, 10_000, 4)
    return Row(
        name="bulk readings, 10,000 split by log over 4 connections",
        ours=f"{ours:,.0f}/s",
        bare=f"COPY {bare:,.0f}/s",
        ratio=ours / bare,
        aim="0.4 or more",
    )


async def _by_log(dsn: str, keys: list[str], groups: int) -> list[list[str]]:
    connection = await asyncpg.connect(dsn)
    rows = await connection.fetch("SELECT key, log FROM ledger.subject WHERE key = ANY ($1::text[])", keys)
    await connection.close()
    split: list[list[str]] = [[] for _ in range(groups)]
    for row in rows:
        split[row["log"] % groups].append(row["key"])
    return split


async def single_events(at: Ground) -> Row:
    async with client(at.service) as session:
        keys = await commission(session, "single", 500)

        async def ours(number: int) -> Any:
            data = {"cycles": 3}
            return await send(
                session, "/v1/events", event(f"s-{number}", "clamp.exercised", f"spindles/{keys[number]}", data)
            )

        seconds = await timed(500, ours)
    async with client(at.bare) as session:
        bare = await timed(500, lambda number: send(session, "/row", event(f"b-{number}", "clamp.exercised", "x", {})))
    commits = await one_row_commits(at.dsn)
    return Row(
        name=f"single event, p50 (p99 {high(seconds) * 1e3:.1f} against {high(bare) * 1e3:.1f} ms)",
        ours=f"{middle(seconds) * 1e3:.2f} ms",
        bare=f"{middle(bare) * 1e3:.2f} ms, commit {commits * 1e3:.2f} ms",
        ratio=middle(seconds) / middle(bare),
        aim=f"at most 3.5 (in one-row commits {middle(seconds) / commits:.1f})",
    )


async def one_row_commits(dsn: str) -> float:
    connection = await asyncpg.connect(dsn)
    seconds = []
    for number in range(300):
        began = time.perf_counter()
        await connection.execute("INSERT INTO bare.row (body) VALUES ($1)", f'{{"n": {number}}}')
        seconds.append(time.perf_counter() - began)
    await connection.close()
    return middle(seconds)


MEASURES = (bulk_thousand, bulk_ten_thousand, single_events)
