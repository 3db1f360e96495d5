"""What tests of delivery share: a notice, an endpoint, and what became of a first attempt."""

import asyncio
from datetime import UTC, datetime, timedelta
from ipaddress import ip_network
from typing import Any

import pytest

from service import deliveries as listed
from service import endpoints, outbox
from service.deliver import Dispatcher
from service.deliveries import Delivery
from service.domain.notice import Notice, notice_id
from service.endpoints import Endpoint, Wanted
from service.postgres import Database
from tests.sealed import SEAL
from tests.story.receiver import Receiver

LOOPBACK = (ip_network("127.0.0.0/8"),)
SECRET = bytes(range(32))
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def due(number: int = 1) -> Notice:
    return Notice(
        id=notice_id("recheck.due", "epi_x", number),
        type="recheck.due",
        subject="spindles/H2-M04-S1",
        time=NOON,
        data={"number": number},
    )


async def subscribe(database: Database, url: str, **wanted: Any) -> Endpoint:
    async with database.transaction() as tx:
        endpoint, _ = await endpoints.add(tx, SEAL, url=url, secret=SECRET, wanted=Wanted(**wanted))
        return endpoint


async def put(database: Database, *notices: Notice) -> None:
    async with database.transaction() as tx:
        await outbox.put(tx, notices)


async def deliveries(database: Database, endpoint: Endpoint) -> list[Delivery]:
    async with database.transaction() as tx:
        return (await listed.deliveries(tx, limit=1000, endpoint=endpoint.id))[0]


async def first_attempt(database: Database, one: Receiver, **options: Any) -> Delivery:
    """What became of one notice after one round at this receiver."""
    endpoint = await subscribe(database, one.url)
    await put(database, due())
    assert await Dispatcher(database, SEAL, **{"allowed": LOOPBACK, **options}).deliver_due() == 1
    return (await deliveries(database, endpoint))[-1]


def planned_delay(delivery: Delivery) -> timedelta:
    assert delivery.next_attempt is not None
    made = delivery.attempts[-1]
    return delivery.next_attempt - made.started - timedelta(milliseconds=made.duration_ms)


async def until_delivered(database: Database, endpoint: Endpoint, number: int) -> None:
    for _ in range(400):
        if sum(each.state == "delivered" for each in await deliveries(database, endpoint)) == number:
            return
        await asyncio.sleep(0.05)
    pytest.fail(f"{number} deliveries did not arrive in 20 s")
