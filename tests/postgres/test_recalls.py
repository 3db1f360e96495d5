"""A recall beside writers held open and across a kill: nothing it concerns is missed, nothing is told twice."""

import asyncio
from collections.abc import AsyncIterator
from datetime import timedelta
from typing import Any

import pytest

from service import sweep
from service.postgres import Database
from service.record import record
from tests.domain import skerrow
from tests.postgres.holding import PATIENCE_S, Hold, holding
from tests.running import select
from tests.story.loading import ENDED, ago, assert_whole, event, load, load_running, measured, read

SPINDLES = [f"S{number}" for number in range(1, 6)]


@pytest.fixture
async def database(database_url: str) -> AsyncIterator[Database]:
    opened = await Database.open(database_url)
    yield opened
    await opened.close()


def found_out(error: str = "-0.02") -> dict[str, Any]:
    data = skerrow.CALIBRATION | {
        "as_found": skerrow.mm(error),
        "due": (ENDED + timedelta(days=200)).date().isoformat(),
    }
    return event("gauge.calibrated", "gauges/DG-03", ago(minutes=1), data)


async def outcomes(url: str) -> list[str]:
    return [row["outcome"] for row in await select(url, "SELECT outcome FROM derived.measurement ORDER BY subject")]


@pytest.mark.parametrize("first", ["the measurement", "the calibration"])
async def test_a_measurement_in_flight_while_its_gauge_is_found_out_is_not_missed(
    database: Database, database_url: str, first: str
) -> None:
    """The measurement, or the calibration, is held open in front of its last statement while the other comes."""
    key = await load_running(database, ["S1"])
    judged, known = read(measured("S1", ago(minutes=2), "11.44", "11.44")), read(found_out())
    subject = "spindles/S1" if first == "the measurement" else "gauges/DG-03"
    kind, _, name = subject.partition("/")
    log = f"SELECT FROM ledger.log JOIN ledger.subject USING (log) WHERE kind = '{kind}' AND key = '{name}' FOR UPDATE"
    hold = Hold(log)
    events = (judged, known) if first == "the measurement" else (known, judged)
    async with holding(database_url, hold) as holder:
        one = asyncio.create_task(record(database, events[0], key))
        await holder.blocked(one)
        other = asyncio.create_task(record(database, events[1], key))
        await holder.blocked(one, other)
        await holder.release(hold)
        async with asyncio.timeout(PATIENCE_S):
            await asyncio.gather(one, other)
    await sweep.sweep_once(database)
    assert await outcomes(database_url) == ["undecided"]
    await assert_whole(database, database_url)


async def test_a_recall_that_is_cut_short_goes_on_and_is_told_once(database: Database, database_url: str) -> None:
    """A sweep is ended after some spindles, as a kill would; another takes up the rest."""
    key = await load_running(database, SPINDLES)
    await load(database, key, [measured(spindle, ago(minutes=2), "11.44", "11.44") for spindle in SPINDLES])
    await load(database, key, [found_out()])
    first = await select(database_url, "SELECT subject FROM derived.to_settle ORDER BY subject LIMIT 2")
    for row in first:
        await sweep.settle(database, row["subject"])
    settled = await select(database_url, "SELECT subject, settlements FROM derived.spindle ORDER BY subject")
    assert sorted(await outcomes(database_url)) == ["conforming"] * 3 + ["undecided"] * 2
    assert await select(database_url, "SELECT FROM kept.notice WHERE type = 'gauge.suspect'") == []
    await asyncio.gather(*(sweep.sweep_once(database) for _ in range(3)))
    assert await outcomes(database_url) == ["undecided"] * 5
    (told,) = await select(database_url, "SELECT body FROM kept.notice WHERE type = 'gauge.suspect'")
    assert all(f'"spindle":"{spindle}"' in told["body"] for spindle in SPINDLES)
    after = await select(database_url, "SELECT subject, settlements FROM derived.spindle ORDER BY subject")
    done = {row["subject"] for row in first}
    assert [row for row in after if row["subject"] in done] == [row for row in settled if row["subject"] in done]
    await sweep.sweep_once(database)
    assert len(await select(database_url, "SELECT FROM kept.notice WHERE type = 'gauge.suspect'")) == 1
    await assert_whole(database, database_url)
