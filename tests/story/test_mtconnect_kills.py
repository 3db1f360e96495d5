"""The service is killed again and again while documents come, by several callers; sent once more, all is counted."""

import asyncio
import shutil
import signal
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from random import Random

import httpx
import pytest

from tests.server import make_data_folder
from tests.story.agent_documents import DEVICE, SENT, document, series
from tests.story.loading import commissioned, references
from tests.story.serving import Served, commanded, post, serving

CYCLES = 120
RUN = 60
STARTED = 118_000
BEGIN = datetime.now(UTC) - timedelta(hours=6)


@pytest.fixture
def data() -> Iterator[Path]:
    folder = make_data_folder()
    yield folder
    shutil.rmtree(folder)


async def prepare(served: Served) -> None:
    """Two spindles, one counted by transitions and one by an absolute count that resets in the middle."""
    async with served.client() as client:
        for sent in references():
            await post(client, sent)
        for spindle, item, use in (("S1", "chuck", "transition"), ("S2", "act", "absolute")):
            await post(client, commissioned(spindle))
            states = ["CLOSED"] if use == "transition" else []
            wanted = {"device": DEVICE, "item": item, "use": use, "states": states, "spindle": spindle}
            answer = await client.post("/v1/mtconnect-mappings", json=wanted)
            assert answer.status_code == 201, answer.text


def documents(chance: Random) -> list[bytes]:
    """What the agent tells in two runs, cut, overlapping and shuffled."""
    chuck = series("ChuckState", "chuck", ["OPEN", "CLOSED"] * CYCLES, begin=BEGIN, apart=5)
    shown = [*range(STARTED + 1, STARTED + RUN + 1), *range(RUN)]
    act = series("ActivationCount", "act", shown, begin=BEGIN + timedelta(seconds=1), apart=10, first=2)
    made = [document(chuck[begin : begin + 45]) for begin in range(0, 2 * CYCLES, 30)]
    for run in (act[:RUN], act[RUN:]):
        instance = 1_790_000_000 + run[0].sequence
        made += [document(run[begin : begin + 15], instance=instance) for begin in range(0, RUN, 10)]
    chance.shuffle(made)
    return made


async def send_all(client: httpx.AsyncClient, waiting: Sequence[bytes], *, until_gone: bool) -> None:
    """Four callers send documents, over and over until nobody answers; or each once."""
    turns = count()

    async def send() -> None:
        while True:
            number = next(turns)
            if number >= len(waiting) and not until_gone:
                return
            try:
                body = waiting[number % len(waiting)]
                answer = await client.post("/v1/ingest/mtconnect", content=body, headers=SENT)
            except httpx.TransportError:
                return
            assert answer.status_code in (200, 503), answer.text

    async with asyncio.timeout(120):
        await asyncio.gather(*(send() for _ in range(4)))


async def test_a_service_that_is_killed_while_documents_come_counts_each_once(data: Path) -> None:
    chance = Random(5)
    told = documents(chance)
    async with serving(data) as served:
        await prepare(served)
        assert await served.told(signal.SIGTERM) == 0
    for _ in range(3):
        async with serving(data) as served, served.client() as client:
            sending = asyncio.create_task(send_all(client, chance.sample(told, 12), until_gone=True))
            await asyncio.sleep(0.3 + chance.random())
            await served.kill()
            await sending
    async with serving(data) as served:
        async with served.client() as client:
            await send_all(client, told, until_gone=False)
            counted = [(await client.get(f"/v1/spindles/{key}")).json()["count"] for key in ("S1", "S2")]
        assert counted == [STARTED + CYCLES, STARTED + RUN + RUN - 1]
        for command, ending in (("verify", "every hash is as it was written"), ("rebuild", "nothing differs")):
            status, words = await commanded(served.database_url, command)
            assert (status, words.rpartition(": ")[2]) == (0, ending)
