"""Folding and verifying, on one core, and the same appends through a general event-sourcing library."""

import time
from datetime import timedelta

import msgspec

from service.demo import scenario
from service.domain.event import Fact, decode_data
from service.domain.fold import replay
from service.domain.sheet import apply_sheet
from service.domain.step import References
from service.postgres import Database, Statement
from service.verify import verify
from tests.bench.ground import NOW, Ground, Row

FACTS = 5000


async def folds(_at: Ground) -> Row:
    """Facts folded a second, beside only decoding the same data."""
    began = NOW - timedelta(days=300)
    issued = decode_data("sheet.issued", _json(scenario.sheet(began)))
    sheet = apply_sheet(None, "S", Fact(sequence=1, occurred=began, type="sheet.issued", data=issued))
    story = [("spindle.commissioned", scenario.commissioning("1", "S"))]
    story += [
        ("nose.torqued", scenario.TORQUE),
        ("clamp.exercised", scenario.RUN_IN),
        ("counter.read", {"count": 0}),
    ] * (FACTS // 3)
    raw = [
        (kind, _json({"count": scenario.START_COUNT + number} if kind == "counter.read" else data))
        for number, (kind, data) in enumerate(story)
    ]
    start = time.perf_counter()
    decoded = [decode_data(kind, data) for kind, data in raw]
    bare = len(decoded) / (time.perf_counter() - start)
    facts = [
        Fact(
            sequence=number + 1,
            occurred=began + timedelta(minutes=number),
            type=kind,
            data=data,
            reading=scenario.START_COUNT + number if kind == "counter.read" else None,
        )
        for number, ((kind, _), data) in enumerate(zip(raw, decoded, strict=True))
    ]
    start = time.perf_counter()
    steps = sum(1 for _ in replay("S1", facts, References(sheets={"S": sheet})))
    ours = steps / (time.perf_counter() - start)
    return Row(
        name="facts folded, one core",
        ours=f"{ours:,.0f}/s",
        bare=f"decoding {bare:,.0f}/s",
        ratio=ours / bare,
        aim="10,000/s",
    )


def _json(value: object) -> bytes:
    return msgspec.json.encode(value)


async def verifies(at: Ground) -> Row:
    """Entries verified a second, beside only reading the same rows."""
    database = await Database.open(at.dsn, size=2)
    start = time.perf_counter()
    tally = [found async for found in verify(database)][-1]
    seconds = time.perf_counter() - start
    assert not tally.faults, tally.faults[:3]
    start = time.perf_counter()
    async with database.transaction(snapshot=True) as tx:
        read = len(await tx.rows(_EVERYTHING))
    bare = read / (time.perf_counter() - start)
    await database.close()
    ours = (tally.facts + tally.readings) / seconds
    return Row(
        name="entries verified (mostly readings)",
        ours=f"{ours:,.0f}/s",
        bare=f"SELECT {bare:,.0f}/s",
        ratio=ours / bare,
        aim="100,000/s",
    )


_EVERYTHING = Statement("everything", "SELECT * FROM ledger.reading")
MEASURES = (folds, verifies)
