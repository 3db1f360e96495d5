"""Single readings from many callers at once, and readings as lines, each beside its bare limit."""

import asyncio
import time
from collections.abc import Awaitable, Callable
from datetime import timedelta
from typing import Any

import aiohttp
import msgspec
import zstandard

from tests.bench.ground import KEY, NOW, Ground, Row, client, commission, event, middle, send
from tests.bench.writing import copied, one_row_commits

CALLERS = 64
EACH = 40
ROUNDS = 5


async def _at_once(address: str, once: Callable[[aiohttp.ClientSession, int, int], Awaitable[Any]]) -> float:
    """Calls a second of so many callers, each sending its next when the last is answered; the middle of the rounds."""
    rates = []
    connector = aiohttp.TCPConnector(limit=CALLERS)
    headers = {"Authorization": f"Bearer {KEY}"}
    async with aiohttp.ClientSession(address, connector=connector, headers=headers) as session:

        async def caller(number: int, begin: int) -> None:
            for turn in range(begin, begin + EACH):
                await once(session, number, turn)

        for done in range(ROUNDS + 1):
            began = time.perf_counter()
            await asyncio.gather(*(caller(number, done * EACH) for number in range(CALLERS)))
            rates.append(CALLERS * EACH / (time.perf_counter() - began))
    return middle(rates[1:])


async def single_readings(at: Ground) -> list[Row]:
    async with client(at.service) as session:
        keys = await commission(session, "caller", CALLERS)
        first = dict.fromkeys(keys, 118000)
        body = {"source": "/bench/first", "time": (NOW - timedelta(hours=20)).isoformat(), "readings": first}
        await send(session, "/v1/counter-readings", body)

    async def ours(session: aiohttp.ClientSession, number: int, turn: int) -> None:
        at_time = NOW - timedelta(hours=19) + timedelta(minutes=turn)
        body = {"source": "/bench/callers", "time": at_time.isoformat(), "readings": {keys[number]: 118_001 + turn}}
        answer = await send(session, "/v1/counter-readings", body)
        assert answer["accepted"] == 1, answer

    async def bare(session: aiohttp.ClientSession, number: int, turn: int) -> None:
        await send(session, "/row", event(f"{number}-{turn}", "counter.read", keys[number], {"count": turn}))

    mine = await _at_once(at.service, ours)
    theirs = await _at_once(at.bare, bare)
    commits = 1 / await one_row_commits(at.dsn)
    return [
        Row(
            name=f"single readings, {CALLERS} callers at once, beside a bare POST route",
            ours=f"{mine:,.0f}/s",
            bare=f"{theirs:,.0f}/s",
            ratio=mine / theirs,
            aim="0.4 or more",
        ),
        Row(
            name=f"single readings, {CALLERS} callers at once, beside one-row commits",
            ours=f"{mine:,.0f}/s",
            bare=f"{commits:,.0f}/s",
            ratio=mine / commits,
            aim="1.0 or more",
        ),
    ]


async def reading_lines(at: Ground) -> list[Row]:
    """2,000 spindles, 10 readings of each, as lines in one call: plain, and packed by zstd."""
    async with client(at.service) as session:
        keys = await commission(session, "lines", 2000)
        body = {"source": "/bench/first", "time": (NOW - timedelta(hours=20)).isoformat()}
        await send(session, "/v1/counter-readings", body | {"readings": dict.fromkeys(keys, 118_000)})
        rates: dict[str, list[float]] = {"": [], "zstd": []}
        for turn in range(6):
            coding = ("", "zstd")[turn % 2]
            lines = _lines(keys, 10 * turn)
            headers = {"Content-Type": "application/x-ndjson"} | ({"Content-Encoding": coding} if coding else {})
            sent = zstandard.ZstdCompressor().compress(lines) if coding else lines
            began = time.perf_counter()
            async with session.post("/v1/counter-readings", data=sent, headers=headers) as answer:
                told = await answer.json()
            assert told["accepted"] == 20_000, {**told, "items": told["items"][:3]}
            rates[coding].append(20_000 / (time.perf_counter() - began))
    bare = await copied(at.dsn, 20_000, 1)
    return [
        Row(
            name=f"readings as lines, 20,000 a call{coding and f', {coding}'}",
            ours=f"{middle(found):,.0f}/s",
            bare=f"COPY {bare:,.0f}/s",
            ratio=middle(found) / bare,
            aim="none stated",
        )
        for coding, found in rates.items()
    ]


def _lines(keys: list[str], begin: int) -> bytes:
    encode = msgspec.json.Encoder().encode
    times = [(NOW - timedelta(hours=19) + timedelta(minutes=begin + n)).isoformat() for n in range(10)]
    return b"\n".join(
        encode({"source": "/bench/lines", "time": at, "spindle": key, "count": 118_001 + begin + n})
        for n, at in enumerate(times)
        for key in keys
    )


MEASURES = (single_readings, reading_lines)
