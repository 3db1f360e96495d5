"""Replays: what is put again, what is left alone, and that what was missed is what would have been put."""

import asyncio
import itertools
import re
from datetime import timedelta
from pathlib import Path
from typing import Any

from service import deliveries, endpoints, outbox, replays
from service.deliveries import Delivery
from service.domain.notice import Notice, notice_id
from service.endpoints import Endpoint
from service.outbox import Claim
from service.postgres import Database, Statement
from service.replays import Found, Wanted
from tests.postgres.test_outbox import NOON, add, attempt, claim, due, listed, note, put
from tests.running import running, select
from tests.story.day_one import story

MIGRATION = Path(__file__).parents[2] / "migrations" / "versions" / "0004_deliveries.sql"
FAILED = Wanted(states=("failed",))


async def replay(database: Database, endpoint: Endpoint, wanted: Wanted, **page: int) -> Found:
    async with database.transaction() as tx:
        portion = await replays.find(tx, endpoint.id, wanted, **page)
        await endpoints.read(tx, endpoint.id, to_change=True)
        return await replays.replay(tx, endpoint.id, portion)


async def count(database: Database, endpoint: Endpoint, wanted: Wanted, after: int = 0) -> tuple[int, int]:
    async with database.transaction() as tx:
        found = await replays.count(tx, endpoint.id, wanted, after=after)
    return found.again, found.missed


async def one(database: Database, endpoint: Endpoint) -> Delivery:
    (found,) = await listed(database, endpoint)
    return found


async def failed(database: Database, *notices: Notice) -> list[Claim]:
    """Puts notices, each of which then fails for good at every endpoint."""
    await put(database, *notices)
    claims = await claim(database)
    await note(database, *(attempt(each, "failed") for each in sorted(claims, key=lambda c: (c.endpoint, c.notice))))
    return claims


async def test_a_failed_notice_is_due_again_under_its_id_with_its_schedule_before_it(database: Database) -> None:
    endpoint = await add(database)
    await failed(database, due())
    assert (await one(database, endpoint)).state == "failed"
    assert await replay(database, endpoint, FAILED) == Found(again=1, missed=0, last=1)
    waiting = await one(database, endpoint)
    assert (waiting.state, waiting.ended, waiting.next_attempt) == ("waiting", None, waiting.replayed)
    assert waiting.replayed is not None
    (claimed,) = await claim(database)
    assert (claimed.id, claimed.attempts, claimed.tried) == (due().id, 1, 0)
    await note(database, attempt(claimed, "delivered"))
    done = await one(database, endpoint)
    assert (done.state, [each.number for each in done.attempts]) == ("delivered", [1, 2])


async def test_asking_twice_changes_nothing_and_what_is_in_hand_is_not_disturbed(database: Database) -> None:
    endpoint = await add(database)
    every = Wanted(states=("waiting", "delivered", "failed"))
    await failed(database, due())
    await replay(database, endpoint, FAILED)
    once = await select_delivery(database)
    database.clock_shift += timedelta(minutes=1)
    assert await replay(database, endpoint, every) == Found(again=0, missed=0, last=None)
    assert await select_delivery(database) == once
    (in_hand,) = await claim(database)
    held = await select_delivery(database)
    assert await replay(database, endpoint, every) == Found(again=0, missed=0, last=None)
    async with database.transaction() as tx:
        assert not await replays.replay_one(tx, endpoint.id, due().id)
    assert await select_delivery(database) == held
    await note(database, attempt(in_hand, "delivered"))
    assert (await one(database, endpoint)).state == "delivered"


async def select_delivery(database: Database) -> list[tuple[Any, ...]]:
    async with database.transaction() as tx:
        return [tuple(row) for row in await tx.rows(Statement("all", "SELECT * FROM kept.delivery"))]


async def test_what_waits_for_a_later_attempt_is_tried_now_and_keeps_how_long_it_has_waited(
    database: Database,
) -> None:
    endpoint = await add(database)
    await put(database, due())
    (claimed,) = await claim(database)
    async with database.transaction() as tx:
        later = tx.now + timedelta(hours=14)
    await note(database, attempt(claimed, "waiting", next_attempt=later))
    async with database.transaction() as tx:
        (before,) = await endpoints.health(tx, [endpoint.id])
    assert await count(database, endpoint, FAILED) == (0, 0)
    assert await claim(database) == []
    database.clock_shift += timedelta(minutes=1)
    async with database.transaction() as tx:
        assert await replays.replay_one(tx, endpoint.id, due().id)
        (after,) = await endpoints.health(tx, [endpoint.id])
    assert after.oldest_waiting == before.oldest_waiting
    assert [(each.id, each.tried) for each in await claim(database)] == [(due().id, 0)]


async def test_of_two_who_ask_at_once_the_second_looks_again_under_the_lock(database: Database) -> None:
    endpoint = await add(database)
    await failed(database, due())

    async def ask() -> Found:
        async with database.transaction() as tx:
            return await replays.replay(tx, endpoint.id, await replays.find(tx, endpoint.id, FAILED))

    async with database.transaction() as first:
        assert (await replays.replay(first, endpoint.id, await replays.find(first, endpoint.id, FAILED))).again == 1
        second = asyncio.create_task(ask())
        done, _ = await asyncio.wait({second}, timeout=0.3)
        assert not done, "the second did not wait for the first"
    assert (await second).again == 0


async def test_dispatchers_and_replays_at_once_end_without_a_deadlock_and_lose_nothing(database: Database) -> None:
    endpoint = await add(database, concurrency=64)
    await put(database, *(due(number) for number in range(60)))
    replayed: list[int] = []

    async def dispatch() -> None:
        for turn in range(12):
            claims = sorted(await claim(database, limit=30), key=lambda each: each.notice)
            state: outbox.State = "failed" if turn % 2 else "delivered"
            await note(database, *(attempt(each, state) for each in claims))

    async def ask() -> None:
        for _ in range(12):
            found = await replay(database, endpoint, Wanted(states=("failed", "delivered")), limit=25)
            replayed.append(found.again)

    async with asyncio.timeout(30):
        await asyncio.gather(dispatch(), dispatch(), ask(), ask())
    found = await listed(database, endpoint)
    assert len(found) == 60
    assert sum(replayed) > 0
    for each in found:
        assert [made.number for made in each.attempts] == list(range(1, len(each.attempts) + 1))


FILTERS: list[dict[str, Any]] = [
    {"types": types, "plants": plants, "spindle_prefix": prefix, "minimum_health": health}
    for types, plants, prefix, health in itertools.product(
        (None, ("recheck.due", "gauge.suspect", "endpoint.disabled")),
        (None, ("skerrow",)),
        (None, "H2-"),
        (None, "function_check", "normal"),
    )
]


def of_every_kind() -> list[Notice]:
    spindles = [
        Notice(
            id=notice_id(kind, f"{key} {plant} {health}", 1),
            type=kind,
            subject=f"spindles/{key}",
            spindle=key,
            plant=plant,
            health=health,
            time=NOON,
            data={},
        )
        for kind, key, plant, health in itertools.product(
            ("recheck.due", "setting.rejected"),
            ("H2-M04-S1", "W1"),
            ("skerrow", "fell"),
            (None, "normal", "function_check", "failure"),
        )
    ]
    gauge = Notice(id=notice_id("gauge.suspect", "g", 1), type="gauge.suspect", subject="gauges/g", time=NOON, data={})
    return [*spindles, gauge]


async def test_what_was_missed_is_what_would_have_been_put_and_never_a_ping(database: Database) -> None:
    """Every endpoint has a twin that was added later; the twin misses what the first was put."""
    early = [await add(database, **wanted) for wanted in FILTERS]
    await put(database, *of_every_kind())
    async with database.transaction() as tx:
        await outbox.ping(tx, early[0].id)
        assert await outbox.disable(tx, early[0].id, "paused")
    late = [await add(database, **wanted) for wanted in FILTERS]
    sizes = set()
    for first, twin in zip(early, late, strict=True):
        assert await listed(database, twin) == []
        wanted = {each.notice for each in await listed(database, first) if each.type != "endpoint.ping"}
        if first is early[0]:
            wanted |= {each.notice for each in await all_of(database, "endpoint.disabled")}
        assert await count(database, twin, Wanted(states=(), missed=True)) == (0, len(wanted))
        found = await replay(database, twin, Wanted(states=(), missed=True))
        assert (found.again, found.missed) == (0, len(wanted))
        put_now = await listed(database, twin)
        assert {each.notice for each in put_now} == wanted
        assert all(each.state == "waiting" and each.replayed is not None for each in put_now)
        assert await replay(database, twin, Wanted(states=(), missed=True)) == Found()
        sizes.add(len(wanted))
    assert len(sizes) > 6, "the filters are told apart"


async def all_of(database: Database, notice_type: str) -> list[Delivery]:
    async with database.transaction() as tx:
        return (await deliveries.deliveries(tx, limit=1000, type=[notice_type]))[0]


async def test_a_range_is_narrowed_by_type_time_spindle_and_place(database: Database) -> None:
    endpoint = await add(database)
    await failed(database, due(1), due(2, "recheck.overdue"))
    async with database.transaction() as tx:
        between = tx.now + timedelta(minutes=1)
    database.clock_shift += timedelta(minutes=2)
    await failed(database, due(3))
    for wanted, matching in (
        (Wanted(), 3),
        (Wanted(types=("recheck.due",)), 2),
        (Wanted(since=between), 1),
        (Wanted(until=between), 2),
        (Wanted(spindle_prefix="H2-"), 3),
        (Wanted(spindle_prefix="H2-M05"), 0),
        (Wanted(states=("delivered",)), 0),
        (Wanted(plants=("skerrow",)), 3),
        (Wanted(plants=("fell",)), 0),
    ):
        assert await count(database, endpoint, wanted) == (matching, 0), wanted
    assert await count(database, endpoint, Wanted(), after=2) == (1, 0)
    first = await replay(database, endpoint, Wanted(), limit=2)
    assert first == Found(again=2, missed=0, last=2)
    assert await replay(database, endpoint, Wanted(), after=2) == Found(again=1, missed=0, last=3)


async def test_the_health_of_notices_made_before_is_found_in_their_bodies(database_url: str) -> None:
    update = re.search(r"^UPDATE kept\.notice n.*?;", MIGRATION.read_text("utf-8"), re.MULTILINE | re.DOTALL)
    assert update is not None
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        # Work orders were not told yet where that revision finds anything to fill.
        await select(database_url, "DELETE FROM kept.notice WHERE type = 'work_order.changed'")
        told = await select(database_url, "SELECT notice, health FROM kept.notice ORDER BY notice")
        assert len({row["health"] for row in told}) >= 2
        await select(database_url, "UPDATE kept.notice SET health = NULL")
        await select(database_url, update.group(0))
        assert await select(database_url, "SELECT notice, health FROM kept.notice ORDER BY notice") == told
