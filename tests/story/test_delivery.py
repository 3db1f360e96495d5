"""Delivery against real receivers on loopback: good, slow, broken, moved, throttling and hostile ones."""

import asyncio
import socket
from datetime import timedelta

import asyncpg
import pytest
from aiohttp import web

from service.deliver import ANSWER_BYTES_MAX, Dispatcher
from service.deliveries import Delivery
from service.domain.retry import SCHEDULE
from service.postgres import Database
from tests.sealed import SEAL
from tests.story.delivering import (
    LOOPBACK,
    SECRET,
    deliveries,
    due,
    first_attempt,
    planned_delay,
    put,
    subscribe,
    until_delivered,
)
from tests.story.receiver import Receiver, receiver, status


async def test_a_delivery_verifies_and_parses_and_ends(database: Database) -> None:
    async with receiver() as one:
        delivery = await first_attempt(database, one)
        assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == 0
    (received,) = one.received
    event = received.event(SECRET)
    assert (event.get_type(), event.get_subject()) == ("recheck.due", "spindles/H2-M04-S1")
    assert received.headers["content-type"].startswith("application/cloudevents+json")
    assert (delivery.state, delivery.next_attempt, len(delivery.attempts)) == ("delivered", None, 1)
    assert delivery.attempts[0].status == 204


async def test_a_notice_put_twice_is_delivered_once(database: Database) -> None:
    async with receiver() as one:
        await first_attempt(database, one)
        await put(database, due(), due())
        assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == 0
    assert one.ids == [due().id]


@pytest.mark.parametrize("code", [301, 400, 404, 500])
async def test_anything_but_success_is_tried_again_in_about_five_seconds(database: Database, code: int) -> None:
    async with receiver(status(code, "broken\0 today", Location="/elsewhere")) as one:
        delivery = await first_attempt(database, one)
    assert len(one.received) == 1, "a redirect was followed"
    assert (delivery.state, delivery.attempts[0].status) == ("waiting", code)
    assert delivery.attempts[0].answer == "broken\ufffd today"
    assert timedelta(seconds=4) <= planned_delay(delivery) <= timedelta(seconds=6.1)


async def test_the_whole_schedule_is_walked_and_then_it_has_failed(database: Database) -> None:
    async with receiver(status(500)) as one:
        endpoint = await subscribe(database, one.url)
        await put(database, due())
        dispatcher = Dispatcher(database, SEAL, allowed=LOOPBACK)
        for number, pause in enumerate(SCHEDULE, start=1):
            database.clock_shift += pause * 0.79
            assert await dispatcher.deliver_due() == (1 if number == 1 else 0), "it came early"
            database.clock_shift += pause * 0.42
            assert await dispatcher.deliver_due() == (0 if number == 1 else 1), "it did not come in time"
        database.clock_shift += timedelta(days=30)
        assert await dispatcher.deliver_due() == 0
        (delivery,) = await deliveries(database, endpoint)
    assert (delivery.state, delivery.next_attempt) == ("failed", None)
    assert [each.number for each in delivery.attempts] == list(range(1, 11))
    assert set(one.ids) == {due().id}
    assert len({each.headers["webhook-timestamp"] for each in one.received}) == 10


@pytest.mark.parametrize(
    ("code", "header", "least", "most"),
    [
        (429, "3600", 3600, 3600),
        (503, "3600", 3600, 3600),
        (429, "9999999", 86_400, 86_400),
        (429, "1", 4, 6),
        (500, "3600", 4, 6),
    ],
)
async def test_a_receiver_that_throttles_is_heard(
    database: Database, code: int, header: str, least: int, most: int
) -> None:
    async with receiver(status(code, Retry_After=header)) as one:
        delivery = await first_attempt(database, one)
    assert timedelta(seconds=least - 0.5) <= planned_delay(delivery) <= timedelta(seconds=most + 0.5)


async def test_gone_disables_and_is_announced_to_the_others(database: Database) -> None:
    async with receiver(status(410)) as gone, receiver() as other:
        await subscribe(database, other.url)
        delivery = await first_attempt_of_two(database, gone)
        dispatcher = Dispatcher(database, SEAL, allowed=LOOPBACK)
        await put(database, due(2))
        assert await dispatcher.deliver_due() == 2
    assert delivery.state == "failed"
    assert len(gone.received) == 1
    assert [each.event(SECRET).get_type() for each in other.received] == [
        "recheck.due",
        "endpoint.disabled",
        "recheck.due",
    ]


async def first_attempt_of_two(database: Database, one: Receiver) -> Delivery:
    endpoint = await subscribe(database, one.url)
    await put(database, due())
    assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == 2
    return (await deliveries(database, endpoint))[-1]


async def test_a_receiver_that_hangs_is_given_up(database: Database) -> None:
    async def hang(_: web.Request) -> web.StreamResponse:
        await asyncio.sleep(30)
        return web.Response()

    async with receiver(hang) as one:
        delivery = await first_attempt(database, one, timeout_s=0.3)
    (made,) = delivery.attempts
    assert (delivery.state, made.status, made.answer) == ("waiting", None, None)
    assert made.error is not None
    assert "within 0.3 s" in made.error
    assert 250 <= made.duration_ms < 3000


async def test_an_answer_that_breaks_off_is_no_success(database: Database) -> None:
    async def break_off(request: web.Request) -> web.StreamResponse:
        answer = web.StreamResponse(headers={"Content-Length": "100"})
        await answer.prepare(request)
        await answer.write(b"half")
        assert request.transport is not None
        request.transport.close()
        return answer

    async with receiver(break_off) as one:
        delivery = await first_attempt(database, one)
    assert (delivery.state, delivery.attempts[0].status) == ("waiting", 200)
    assert delivery.attempts[0].error is not None


async def test_of_an_endless_answer_four_kilobytes_are_kept(database: Database) -> None:
    written = 0

    async def flood(request: web.Request) -> web.StreamResponse:
        nonlocal written
        answer = web.StreamResponse()
        await answer.prepare(request)
        while True:
            await answer.write(b"x" * 65_536)
            written += 65_536

    async with receiver(flood) as one:
        delivery = await first_attempt(database, one)
    assert delivery.state == "delivered"
    assert delivery.attempts[0].answer == "x" * ANSWER_BYTES_MAX
    assert written < 20_000_000


async def test_nobody_listening_is_a_failure_like_any_other(database: Database) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        closed = Receiver(status(204))
        closed.url = f"http://127.0.0.1:{taken.getsockname()[1]}/"
        delivery = await first_attempt(database, closed)
    assert delivery.state == "waiting"
    assert "ClientConnector" in str(delivery.attempts[0].error)


async def test_two_dispatchers_lose_nothing_and_use_no_second_id(database: Database) -> None:
    notices = [due(number) for number in range(200)]
    stop = asyncio.Event()
    async with receiver() as one:
        endpoint = await subscribe(database, one.url)
        dispatchers = [Dispatcher(database, SEAL, allowed=LOOPBACK) for _ in range(2)]
        running = [asyncio.create_task(each.run(stop)) for each in dispatchers]
        for start in range(0, 200, 20):
            await put(database, *notices[start : start + 20])
            dispatchers[0].wake()
        await until_delivered(database, endpoint, 200)
        stop.set()
        await asyncio.gather(*running)
    assert sorted(one.ids) == sorted(notice.id for notice in notices)
    for received in one.received:
        received.event(SECRET)


async def test_a_receiver_that_hangs_holds_only_its_own(database: Database) -> None:
    released = asyncio.Event()

    async def hang(_: web.Request) -> web.StreamResponse:
        await released.wait()
        return web.Response()

    stop = asyncio.Event()
    async with receiver(hang) as slow, receiver() as quick:
        slow_endpoint, quick_endpoint = (
            await subscribe(database, slow.url, concurrency=4),
            await subscribe(database, quick.url),
        )
        await put(database, *(due(number) for number in range(40)))
        dispatcher = Dispatcher(database, SEAL, allowed=LOOPBACK, concurrency=20)
        running = asyncio.create_task(dispatcher.run(stop))
        await until_delivered(database, quick_endpoint, 40)
        assert len(slow.received) == 4
        released.set()
        await until_delivered(database, slow_endpoint, 40)
        stop.set()
        await running


async def test_stopping_lets_what_is_on_its_way_end_and_notes_it(database: Database) -> None:
    async def think(_: web.Request) -> web.StreamResponse:
        await asyncio.sleep(0.3)
        return web.Response(text="taken")

    stop = asyncio.Event()
    async with receiver(think) as one:
        endpoint = await subscribe(database, one.url)
        await put(database, due())
        running = asyncio.create_task(Dispatcher(database, SEAL, allowed=LOOPBACK).run(stop))
        await one.arrived.wait()
        stop.set()
        await running
    (delivery,) = await deliveries(database, endpoint)
    assert (delivery.state, delivery.attempts[0].answer) == ("delivered", "taken")


async def test_what_a_dispatcher_gave_up_goes_out_again_under_the_same_id(database: Database) -> None:
    async def hang(_: web.Request) -> web.StreamResponse:
        await asyncio.sleep(30)
        return web.Response()

    async with receiver(hang) as one:
        endpoint = await subscribe(database, one.url)
        await put(database, due())
        running = asyncio.create_task(Dispatcher(database, SEAL, allowed=LOOPBACK).run(asyncio.Event()))
        await one.arrived.wait()
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        one.answer = status(204)
        assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == 0
        database.clock_shift = timedelta(seconds=61)
        assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == 1
    assert one.ids == [due().id, due().id]
    (delivery,) = await deliveries(database, endpoint)
    assert (delivery.state, len(delivery.attempts)) == ("delivered", 1)


async def test_delivery_goes_on_when_the_database_was_away(database: Database, database_url: str) -> None:
    stop = asyncio.Event()
    async with receiver() as one:
        endpoint = await subscribe(database, one.url)
        own = await Database.open(database_url, size=2)
        running = asyncio.create_task(Dispatcher(own, SEAL, allowed=LOOPBACK).run(stop))
        await put(database, due(1))
        await until_delivered(database, endpoint, 1)
        operator = await asyncpg.connect(database_url)
        ended = await operator.fetchval(
            "SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity"
            " WHERE datname = current_database() AND pid <> pg_backend_pid()"
        )
        await operator.close()
        await database.close()
        again = await Database.open(database_url)
        await put(again, due(2))
        await until_delivered(again, endpoint, 2)
        stop.set()
        await running
        await own.close()
        await again.close()
    assert ended >= 2
    assert one.ids == [due(1).id, due(2).id]


def test_a_schedule_that_does_not_begin_at_once_is_refused(database: Database) -> None:
    with pytest.raises(ValueError, match="begins with 0"):
        Dispatcher(database, SEAL, schedule=[timedelta(seconds=1)])
