"""Whatever is killed, what was acknowledged is there, every notice arrives once by its id, and no server is left."""

import asyncio
import json
import os
import shutil
import signal
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from itertools import count
from pathlib import Path
from typing import Any, Final

import asyncpg
import httpx
import pytest
from msgspec import Struct

from service.domain.signature import secret_bytes
from tests.domain import skerrow
from tests.server import make_data_folder
from tests.story.loading import ENDED, ago, commissioned, counter_read, event, measured, rebuild, references
from tests.story.receiver import Receiver, receiver
from tests.story.serving import Served, commanded, post, serving, starting

SPINDLES: Final = ("S1", "S2", "S3")
WRITERS: Final = 4
ENOUGH: Final = 50
"""So many entries are acknowledged before anything is killed."""


SUSPECT: Final = "SELECT count(*) FROM kept.notice WHERE type = 'gauge.suspect'"
FOUND_OUT: Final = skerrow.CALIBRATION | {
    "as_found": skerrow.mm("-0.02"),
    "due": (ENDED + timedelta(days=200)).date().isoformat(),
}


class Acknowledged(Struct, frozen=True):
    """An entry that a writer was told of."""

    subject: str
    sequence: int
    hash: str


@pytest.fixture
def data() -> Iterator[Path]:
    folder = make_data_folder()
    yield folder
    shutil.rmtree(folder)


async def load_spindles(served: Served) -> None:
    async with served.client() as client:
        for sent in references():
            await post(client, sent)
        for spindle in SPINDLES:
            await post(client, commissioned(spindle))
            await post(client, counter_read(spindle, ago(minutes=600), 118_010))


class Load:
    """Writers that post until nobody answers: events one by one and in batches, and counters in bulk."""

    def __init__(self, served: Served, name: str) -> None:
        self._served, self._name = served, name
        self._numbers = count(1)
        self.acknowledged: list[Acknowledged] = []
        self.counted = 0

    async def run(self) -> None:
        async with asyncio.timeout(60):
            await asyncio.gather(*(self._write(writer) for writer in range(WRITERS)))

    async def under_way(self) -> None:
        async with asyncio.timeout(30):
            while len(self.acknowledged) < ENOUGH or self.counted < len(SPINDLES):  # noqa: ASYNC110
                await asyncio.sleep(0.05)

    async def _write(self, writer: int) -> None:
        async with self._served.client() as client:
            while True:
                try:
                    await self._one(client, writer)
                except (httpx.TransportError, ConnectionError):
                    return

    async def _one(self, client: httpx.AsyncClient, writer: int) -> None:
        number = next(self._numbers)
        at = ago(minutes=500 - number / 60)
        if writer == 0 and number % 3 == 0:
            readings = dict.fromkeys(SPINDLES, 118_011 + number // 3)
            body = {"source": f"/mes/{self._name}", "time": at.isoformat(), "readings": readings}
            answer = await client.post("/v1/counter-readings", json=body)
            if answer.status_code == 200:
                self.counted += answer.json()["accepted"] + answer.json()["late"]
            return
        spindle = SPINDLES[number % len(SPINDLES)]
        sent = event("clamp.exercised", f"spindles/{spindle}", at, {"cycles": 1}, name=f"{self._name} {number}")
        answer = await client.post("/v1/events", json=sent)
        if answer.status_code == 201:
            entry = answer.json()["entry"]
            self.acknowledged.append(Acknowledged(entry["subject"], entry["sequence"], entry["hash"]))


async def stored(served: Served) -> tuple[set[Acknowledged], dict[str, list[int]]]:
    """Every entry of the spindles, and their sequences in order."""
    found: set[Acknowledged] = set()
    sequences: dict[str, list[int]] = {}
    async with served.client() as client:
        for spindle in SPINDLES:
            subject, cursor = f"spindles/{spindle}", None
            while True:
                wanted = {"limit": "1000"} if cursor is None else {"limit": "1000", "cursor": str(cursor)}
                page = (await client.get(f"/v1/{subject}/events", params=wanted)).json()
                found |= {Acknowledged(subject, item["sequence"], item["hash"]) for item in page["items"]}
                sequences.setdefault(subject, []).extend(item["sequence"] for item in page["items"])
                cursor = page["next"]
                if cursor is None:
                    break
    return found, sequences


async def assert_nothing_is_lost(data: Path, load: Load) -> None:
    """Starts again at once; then stops and proves."""
    assert len(load.acknowledged) >= ENOUGH
    assert load.counted > 0
    async with serving(data) as again:
        found, sequences = await stored(again)
        assert set(load.acknowledged) <= found
        for dense in sequences.values():
            assert dense == list(range(1, len(dense) + 1))
        readings = await select(again, "SELECT count(*) FROM ledger.reading")
        facts = await select(again, "SELECT count(*) FROM ledger.entry WHERE id LIKE 'reading:%'")
        assert readings + facts >= load.counted
        await assert_proven(again)
        assert await again.told(signal.SIGTERM) == 0


async def assert_proven(served: Served) -> None:
    """Nothing in the ledger was altered, and all that is derived is what its facts make of it."""
    for command, proof in (("verify", "every hash is as it was written"), ("rebuild", "nothing differs")):
        status, said = await commanded(served.database_url, command)
        assert (status, said.rpartition(": ")[2]) == (0, proof), said


async def select(served: Served, sql: str) -> Any:
    connection = await asyncpg.connect(served.database_url)
    try:
        return await connection.fetchval(sql)
    finally:
        await connection.close()


async def test_a_service_killed_under_load_has_everything_that_it_acknowledged(data: Path) -> None:
    async with serving(data) as served:
        await load_spindles(served)
        load = Load(served, "service killed")
        running = asyncio.create_task(load.run())
        await load.under_way()
        await served.kill()
        await running
        await assert_nothing_is_lost(data, load)


async def test_a_service_whose_server_is_killed_under_load_ends_with_a_sentence_and_loses_nothing(data: Path) -> None:
    async with serving(data) as served:
        await load_spindles(served)
        load = Load(served, "server killed")
        running = asyncio.create_task(load.run())
        await load.under_way()
        os.kill(served.server, signal.SIGKILL)
        assert await served.ended() == 1
        assert "The embedded PostgreSQL has died; the service ends with it." in served.said
        await running
    await assert_nothing_is_lost(data, load)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
async def test_a_service_told_to_end_ends_with_0_and_leaves_no_server(data: Path, number: signal.Signals) -> None:
    async with serving(data) as served:
        async with served.client() as client:
            await post(client, references()[0])
            assert (await client.get("/readyz")).json() == {"ready": True, "findings": []}
        assert await served.told(number) == 0
        assert not (data / "cluster" / "postmaster.pid").exists()
        assert served.said[0].startswith("spindle-ledger serves at http://127.0.0.1:")
        assert served.said[1:] == []


async def test_a_service_told_to_end_while_it_starts_ends_with_0_and_leaves_no_server(data: Path) -> None:
    async with starting(data) as served:
        await served.server_started()
        assert await served.told(signal.SIGTERM) == 0
        assert not (data / "cluster" / "postmaster.pid").exists()
        assert served.said == []


async def tell_until_due(client: httpx.AsyncClient) -> None:
    """Day one's work, and the counter up to the recheck after 500 cycles."""
    for sent in (*references(), commissioned("S1"), *rebuild("S1")):
        await post(client, sent)
    for minutes, reading in ((10, 118_709), (11, 118_710)):
        body = {"source": "/mes", "time": ago(minutes=-minutes).isoformat(), "readings": {"S1": reading}}
        assert (await client.post("/v1/counter-readings", json=body)).json()["accepted"] == 1


async def notices(served: Served) -> set[str]:
    connection = await asyncpg.connect(served.database_url)
    try:
        rows = await connection.fetch("SELECT id FROM kept.delivery JOIN kept.notice USING (notice)")
        return {row["id"] for row in rows}
    finally:
        await connection.close()


async def hear_all(heard: Receiver, wanted: set[str]) -> None:
    async with asyncio.timeout(20):
        while not wanted <= set(heard.ids):
            heard.arrived.clear()
            await heard.arrived.wait()


async def test_every_notice_arrives_under_one_id_whenever_the_service_is_killed(data: Path) -> None:
    async with receiver() as heard:
        async with serving(data, "--without", "deliver") as served, served.client() as client:
            made = (await client.post("/v1/webhook-endpoints", json={"url": heard.url})).json()
            await tell_until_due(client)
            before = await notices(served)
            await served.kill()
        assert heard.received == []
        async with serving(data) as served:
            async with asyncio.timeout(20):
                await heard.arrived.wait()
            await served.kill()
        async with serving(data) as served, served.client() as client:
            await minute_passes(served)
            await hear_all(heard, before)
            await post(client, measured("S1", ago(minutes=-30), "11.40", "11.41"))
            after = await notices(served)
            await hear_all(heard, after)
            await assert_proven(served)
            assert await served.told(signal.SIGTERM) == 0
    assert set(heard.ids) == after
    assert before < after
    told = {each.event(secret_bytes(made["secret"])).get_id(): each for each in heard.received}
    types = Counter(json.loads(each.body)["type"] for each in told.values())
    assert [types[f"recheck.{name}"] for name in ("opened", "due", "satisfied")] == [1, 1, 1]
    assert types["setting.rejected"] == 1


async def minute_passes(served: Served) -> None:
    """As if a minute had passed: what the killed service had in hand comes free."""
    connection = await asyncpg.connect(served.database_url)
    await connection.execute("UPDATE kept.delivery SET lease_until = now() WHERE state = 'waiting'")
    await connection.close()


async def test_a_recall_that_a_kill_cuts_short_is_ended_and_told_once(data: Path) -> None:
    """The service is killed while its sweep judges spindles again, one after the other; the next one goes on."""
    spindles = [f"R{number}" for number in range(40)]
    async with serving(data, "--without", "sweep") as served, served.client() as client:
        headers = {"Content-Type": "application/cloudevents-batch+json"}
        told = [*references(), *(commissioned(spindle) for spindle in spindles)]
        told += [
            measured(spindle, ago(minutes=90 - number), "11.44", "11.44") for spindle in spindles for number in range(8)
        ]
        answer = await client.post("/v1/events", content=json.dumps(told), headers=headers)
        assert {each["status"] for each in answer.json()} == {"accepted"}
        await post(client, event("gauge.calibrated", "gauges/DG-03", ago(minutes=1), FOUND_OUT))
        assert await served.told(signal.SIGTERM) == 0
    left = len(spindles)
    async with serving(data) as served:
        async with asyncio.timeout(30):
            while left == len(spindles):
                left = await select(served, "SELECT count(*) FROM derived.to_settle")
        await served.kill()
    async with serving(data) as again:
        assert 0 < await select(again, "SELECT 1 + count(*) FROM derived.to_settle") <= left + 1
        async with asyncio.timeout(30):
            heard = 0
            while not heard:
                heard = await select(again, SUSPECT)
        await asyncio.sleep(1.5)
        assert await select(again, SUSPECT) == 1
        body = await select(again, "SELECT body FROM kept.notice WHERE type = 'gauge.suspect'")
        assert json.loads(body)["data"]["in_doubt"] == len(spindles)
        in_doubt = "SELECT count(*) FROM derived.spindle WHERE health = 'function_check' AND clearance = 'restricted'"
        assert await select(again, in_doubt) == len(spindles)
        for command, proof in (("verify", "every hash is as it was written"), ("rebuild", "nothing differs")):
            status, said = await commanded(again.database_url, command)
            assert (status, said.rpartition(": ")[2]) == (0, proof), said
        assert await again.told(signal.SIGTERM) == 0
