"""Notices sent again through real receivers, and `spindle-ledger deliver` beside a service."""

import asyncio
import shutil
import signal
import sys
from collections import Counter
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any, Final

import pytest

from service.deliver import Dispatcher
from service.postgres import Database
from tests.sealed import SEAL
from tests.server import make_data_folder
from tests.story.delivering import LOOPBACK, SECRET, deliveries, due, put, subscribe
from tests.story.receiver import receiver, status
from tests.story.serving import PROJECT, Served, outside, serving
from tests.story.test_webhook_endpoints import PATH, caller


async def test_what_a_receiver_lost_is_sent_again_under_the_same_id_and_verifies(database_url: str) -> None:
    database = await Database.open(database_url)
    dispatcher = Dispatcher(database, SEAL, allowed=LOOPBACK, schedule=[timedelta(0)])
    async with receiver(status(500)) as one, caller(database_url) as client:
        endpoint = await subscribe(database, one.url)
        place = f"{PATH}/{endpoint.id}"
        await put(database, due(1), due(2))
        assert await dispatcher.deliver_due() == 2
        assert {each.state for each in await deliveries(database, endpoint)} == {"failed"}
        one.answer = status(204)
        dry = await client.post(f"{place}/replay", json={"dry": True})
        assert (dry.json()["again"], await dispatcher.deliver_due()) == (2, 0)
        assert (await client.post(f"{place}/replay", json={})).json()["again"] == 2
        assert await dispatcher.deliver_due() == 2
        assert (await client.post(f"{place}/replay", json={})).json()["again"] == 0
        again = await client.post(f"{place}/deliveries/{due(1).id}/replay")
        assert (again.status_code, again.json()["state"]) == (202, "waiting")
        assert await dispatcher.deliver_due() == 1
    await database.close()
    assert Counter(one.ids) == {due(1).id: 3, due(2).id: 2}
    for each in one.received:
        each.event(SECRET)


async def test_what_is_put_for_a_disabled_endpoint_goes_out_when_it_is_enabled(database_url: str) -> None:
    database = await Database.open(database_url)
    dispatcher = Dispatcher(database, SEAL, allowed=LOOPBACK)
    async with receiver(status(410)) as one, caller(database_url) as client:
        endpoint = await subscribe(database, one.url)
        place = f"{PATH}/{endpoint.id}"
        await put(database, due())
        assert await dispatcher.deliver_due() == 1
        assert (await client.get(f"{place}/health")).json()["status"] == "disabled"
        replayed = (await client.post(f"{place}/replay", json={})).json()
        assert (replayed["again"], replayed["enabled"]) == (1, False)
        one.answer = status(204)
        assert await dispatcher.deliver_due() == 0
        await client.patch(place, json={"enabled": True}, headers={"If-Match": "*"})
        assert await dispatcher.deliver_due() == 1
    await database.close()
    assert one.ids == [due().id, due().id]


@pytest.fixture
def data() -> Iterator[Path]:
    folder = make_data_folder()
    yield folder
    shutil.rmtree(folder)


PINGS: Final = 80


@asynccontextmanager
async def delivering(served: Served) -> AsyncIterator[asyncio.subprocess.Process]:
    """A `spindle-ledger deliver` that runs beside a service, killed at the end where it still runs."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-B", "-m", "service", "deliver"),
        cwd=PROJECT,
        env=outside() | {"DATABASE_URL": served.database_url, "SPINDLE_LEDGER_WEBHOOK_CIDRS": "127.0.0.0/8"},
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    try:
        assert process.stdout is not None
        async with asyncio.timeout(30):
            assert (await process.stdout.readline()).decode().strip() == "spindle-ledger delivers"
        yield process
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()


async def _waiting(client: Any) -> int:
    (found,) = (await client.get("/v1/webhook-health")).json()["items"]
    number: int = found["waiting"]
    return number


async def test_two_that_deliver_apart_and_a_service_send_each_notice_once_and_end_when_told(data: Path) -> None:
    async with receiver() as one, serving(data) as served, served.client() as client:
        added = (await client.post(PATH, json={"url": one.url, "concurrency": 4})).json()
        pinged: list[str] = []
        async with delivering(served) as first, delivering(served) as second:
            for _ in range(PINGS // 8):
                put_now = await asyncio.gather(*(client.post(f"{PATH}/{added['id']}/ping") for _ in range(8)))
                pinged += [each.json()["notice"] for each in put_now]
            first.send_signal(signal.SIGTERM)
            async with asyncio.timeout(30):
                assert await first.wait() == 0
                while await _waiting(client):  # noqa: ASYNC110
                    await asyncio.sleep(0.1)
            second.send_signal(signal.SIGINT)
            async with asyncio.timeout(30):
                assert await second.wait() == 0
        made = (await client.get(f"{PATH}/{added['id']}/attempts", params={"limit": 1000})).json()["items"]
        assert await served.told(signal.SIGTERM) == 0
    assert {each["outcome"] for each in made} == {"succeeded"}
    assert sorted(one.ids) == sorted(set(pinged)) == sorted(each["notice"] for each in made)


async def test_one_that_delivers_apart_does_it_alone(data: Path) -> None:
    async with receiver() as one, serving(data, "--without", "deliver") as served, served.client() as client:
        added = (await client.post(PATH, json={"url": one.url})).json()
        await client.post(f"{PATH}/{added['id']}/ping")
        await asyncio.sleep(0.6)
        assert one.received == []
        async with delivering(served):
            async with asyncio.timeout(20):
                await one.arrived.wait()
