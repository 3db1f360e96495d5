"""Endpoints that fail, and those beside them: order, pace, rest, announcement, and the end after days."""

import asyncio
from collections.abc import Sequence
from datetime import timedelta
from typing import Any

import pytest
from aiohttp import web

from service import endpoints, outbox
from service.deliver import Dispatcher
from service.domain.breaker import DISABLE_AFTER, FAILURES_TO_REST, REST_MIN
from service.domain.notice import Notice, notice_id
from service.endpoints import Endpoint, EndpointHealth
from service.postgres import Database, Statement
from tests.sealed import SEAL
from tests.story.delivering import LOOPBACK, NOON, SECRET, deliveries, due, put, subscribe, until_delivered
from tests.story.receiver import Receiver, receiver, status

_FAIL_SINCE = Statement(
    "fail_since",
    "UPDATE kept.endpoint SET failures = 1, failing = now() - CAST(:ago AS interval) WHERE endpoint = :endpoint",
)


def of_spindle(spindle: str, number: int, **more: Any) -> Notice:
    return Notice(
        id=notice_id("recheck.due", spindle, number),
        type="recheck.due",
        subject=f"spindles/{spindle}",
        spindle=spindle,
        plant="skerrow",
        time=NOON,
        data={"number": number},
        **more,
    )


async def health(database: Database, endpoint: Endpoint) -> EndpointHealth:
    async with database.transaction() as tx:
        (found,) = await endpoints.health(tx, [endpoint.id])
        return found


async def read(database: Database, endpoint: Endpoint) -> Endpoint:
    async with database.transaction() as tx:
        found = await endpoints.read(tx, endpoint.id)
        assert found is not None
        return found


def numbers(one: Receiver) -> list[tuple[str | None, int]]:
    """What was told of which subject, in the order it came."""
    return [(each.event(SECRET).get_subject(), each.data(SECRET)["number"]) for each in one.received]


def types(one: Receiver) -> list[str]:
    return [each.event(SECRET).get_type() for each in one.received]


async def rounds(database: Database, number: int, **options: Any) -> list[int]:
    """How many notices went out in each of some rounds."""
    dispatcher = Dispatcher(database, SEAL, allowed=LOOPBACK, **options)
    return [await dispatcher.deliver_due() for _ in range(number)]


async def test_an_endpoint_that_wants_order_gets_one_notice_of_a_spindle_after_the_other(database: Database) -> None:
    async with receiver() as one:
        await subscribe(database, one.url, order_wait_seconds=600)
        await put(database, *(of_spindle(spindle, number) for number in range(3) for spindle in ("A", "B")))
        assert await rounds(database, 4) == [2, 2, 2, 0]
    for spindle in ("A", "B"):
        assert [number for subject, number in numbers(one) if subject == f"spindles/{spindle}"] == [0, 1, 2]


async def test_a_notice_that_is_not_taken_holds_its_spindle_up_no_longer_than_the_wait(database: Database) -> None:
    async def answer(request: web.Request) -> web.StreamResponse:
        first = (await request.json())["data"]["number"] == 0
        return web.Response(status=500 if first else 204)

    async with receiver(answer) as one:
        await subscribe(database, one.url, order_wait_seconds=120)
        await put(database, of_spindle("A", 0), of_spindle("A", 1), of_spindle("B", 1))
        assert await rounds(database, 2) == [2, 0]
        database.clock_shift = timedelta(seconds=10)
        assert await rounds(database, 1) == [1]
        database.clock_shift = timedelta(seconds=121)
        assert await rounds(database, 1) == [1]
    told = numbers(one)
    assert sorted(told[:2]) == [("spindles/A", 0), ("spindles/B", 1)]
    assert told[2:] == [("spindles/A", 0), ("spindles/A", 1)]


async def test_without_order_a_spindles_notices_go_out_together(database: Database) -> None:
    async with receiver() as one:
        await subscribe(database, one.url)
        await put(database, *(of_spindle("A", number) for number in range(3)))
        assert await rounds(database, 1) == [3]


async def test_a_pace_is_kept_whoever_dispatches_and_is_not_saved_up(database: Database) -> None:
    async with receiver() as one:
        await subscribe(database, one.url, per_second=4, concurrency=64)
        await put(database, *(due(number) for number in range(30)))
        database.clock_shift = timedelta(hours=1)
        sent = []
        for _ in range(4):
            sent += await rounds(database, 2)
            database.clock_shift += timedelta(milliseconds=500)
    assert sent[0] == 4
    assert 4 + 6 <= sum(sent) <= 4 + 8


@pytest.mark.parametrize(
    ("wanted", "heard"),
    [
        ({"spindle_prefix": "H2-"}, ["H2-M04-S1 failure", "H2-M05-S1 None"]),
        ({"minimum_health": "out_of_specification"}, ["H2-M04-S1 failure", "H2-M05-S1 None", "None None"]),
        (
            {"minimum_health": "normal", "plants": ("skerrow",)},
            ["H1-M01-S1 normal", "H2-M04-S1 failure", "H2-M05-S1 None"],
        ),
        ({}, ["H1-M01-S1 normal", "H2-M04-S1 failure", "H2-M05-S1 None", "None None"]),
    ],
)
async def test_an_endpoint_hears_of_the_spindles_and_healths_it_asks_for(
    database: Database, wanted: dict[str, Any], heard: Sequence[str]
) -> None:
    endpoint = await subscribe(database, "https://receiver.example/", **wanted)
    told = {
        f"{spindle} {reported}": of_spindle(spindle, 1, health=reported)
        for spindle, reported in (("H1-M01-S1", "normal"), ("H2-M04-S1", "failure"), ("H2-M05-S1", None))
    }
    told["None None"] = due(7)
    await put(database, *told.values())
    found = {each.notice for each in await deliveries(database, endpoint)}
    assert sorted(name for name, notice in told.items() if notice.id in found) == sorted(heard)


async def test_an_endpoint_that_fails_again_and_again_rests_is_announced_once_and_comes_back(
    database: Database,
) -> None:
    async with receiver(status(500)) as broken, receiver() as other:
        endpoint = await subscribe(database, broken.url)
        await subscribe(database, other.url, types=("endpoint.failing",))
        await put(database, *(due(number) for number in range(FAILURES_TO_REST + 3)))
        assert (await rounds(database, 1))[0] == 8
        await rounds(database, 4)
        assert len(broken.received) == FAILURES_TO_REST, "a resting endpoint was called"
        resting = await health(database, endpoint)
        assert (resting.failures, resting.waiting) == (FAILURES_TO_REST, FAILURES_TO_REST + 3)
        assert resting.failing is not None
        assert resting.rests_until is not None
        database.clock_shift = REST_MIN + timedelta(seconds=2)
        assert await rounds(database, 2) == [1, 0]
        broken.answer = status(204)
        database.clock_shift = timedelta(minutes=10)
        await rounds(database, 12)
        well = await health(database, endpoint)
    assert (well.failures, well.failing, well.rests_until, well.waiting) == (0, None, None, 0)
    assert types(other) == ["endpoint.failing"]
    assert other.received[0].data(SECRET)["endpoint"] == endpoint.id


async def test_an_endpoint_that_asks_for_peace_is_left_in_peace_with_all_that_waits(database: Database) -> None:
    async with receiver(status(429, Retry_After="600")) as one:
        await subscribe(database, one.url, concurrency=1)
        await put(database, due(1), due(2))
        assert await rounds(database, 3) == [1, 0, 0]
        database.clock_shift = timedelta(seconds=590)
        assert await rounds(database, 1) == [0]
        one.answer = status(204)
        database.clock_shift = timedelta(seconds=602)
        assert await rounds(database, 3) == [1, 1, 0]


async def test_a_ping_is_sent_also_to_an_endpoint_that_rests(database: Database) -> None:
    async with receiver(status(503, Retry_After="600")) as one:
        endpoint = await subscribe(database, one.url)
        await put(database, due(1))
        assert await rounds(database, 2) == [1, 0]
        one.answer = status(204)
        async with database.transaction() as tx:
            await outbox.ping(tx, endpoint.id)
        assert await rounds(database, 2) == [1, 0]
    assert types(one) == ["recheck.due", "endpoint.ping"]


async def test_after_days_without_a_success_the_next_used_up_notice_disables_the_endpoint(database: Database) -> None:
    async with receiver(status(500)) as broken, receiver() as other:
        endpoint = await subscribe(database, broken.url)
        await subscribe(database, other.url, types=("endpoint.disabled", "endpoint.failing"))
        schedule = [timedelta(0), timedelta(seconds=5)]
        for notice, disabled in ((due(1), False), (due(2), True)):
            await put(database, notice)
            await rounds(database, 1, schedule=schedule)
            database.clock_shift += timedelta(seconds=20)
            await rounds(database, 1, schedule=schedule)
            assert (await read(database, endpoint)).enabled is not disabled
            async with database.transaction() as tx:
                await tx.run(_FAIL_SINCE, ago=DISABLE_AFTER, endpoint=endpoint.id)
            database.clock_shift += timedelta(seconds=10)
        await put(database, due(3))
        await rounds(database, 2)
        shown = await read(database, endpoint)
        assert "no attempt has succeeded since" in str(shown.disabled_reason)
        assert [each.state for each in await deliveries(database, endpoint)] == ["waiting", "failed", "failed"]
        async with database.transaction() as tx:
            await endpoints.enable(tx, endpoint.id)
        broken.answer = status(204)
        assert await rounds(database, 1) == [1]
    assert types(other)[-1] == "endpoint.disabled"
    assert (await health(database, endpoint)).failures == 0


async def test_many_dead_endpoints_leave_the_others_their_share(database: Database) -> None:
    async def hang(_: web.Request) -> web.StreamResponse:
        await asyncio.sleep(60)
        return web.Response()

    stop = asyncio.Event()
    async with receiver(hang) as dead, receiver() as alive:
        for _ in range(3):
            await subscribe(database, dead.url)
        healthy = await subscribe(database, alive.url)
        await put(database, *(due(number) for number in range(60)))
        dispatcher = Dispatcher(database, SEAL, allowed=LOOPBACK, concurrency=32, timeout_s=30, drain_s=0)
        running = asyncio.create_task(dispatcher.run(stop))
        await until_delivered(database, healthy, 60)
        stop.set()
        await running
    assert len(dead.received) == 3 * 8


async def test_a_pause_and_a_410_are_told_to_the_others_and_what_waits_is_kept(database: Database) -> None:
    async with receiver() as other:
        paused = await subscribe(database, "https://receiver.example/")
        await subscribe(database, other.url, types=("endpoint.disabled",))
        async with database.transaction() as tx:
            assert await outbox.disable(tx, paused.id, "paused with key 1")
            assert not await outbox.disable(tx, paused.id, "paused with key 1")
        await put(database, due())
        assert await rounds(database, 1) == [1]
    assert types(other) == ["endpoint.disabled"]
    assert (await health(database, paused)).waiting == 1
