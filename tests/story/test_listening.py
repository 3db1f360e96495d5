"""Listeners of a real service: they are told at once, come back after a cut, and do not keep it from ending."""

import asyncio
import signal
import tempfile
from collections.abc import AsyncIterator, Iterator
from datetime import timedelta
from pathlib import Path

import httpx
import pytest

from tests.story.day_one import ENDED, counter_read, event, story
from tests.story.serving import Served, post, serving


@pytest.fixture
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir="/var/tmp") as made:
        Path(made).chmod(0o755)
        yield Path(made) / "data"


async def ids(answer: httpx.Response) -> AsyncIterator[tuple[str, str]]:
    """The id and the data of each event, as they come."""
    last = ""
    async for line in answer.aiter_lines():
        name, _, value = line.partition(": ")
        if name == "id":
            last = value
        elif name == "data":
            yield last, value


async def test_listeners_are_told_and_let_go_when_the_service_is_told_to_end(folder: Path) -> None:
    async with serving(folder) as served, served.client() as client:
        for sent in story().values():
            await post(client, sent)
        streaming = {"Accept": "text/event-stream"}
        async with client.stream("GET", "/v1/events", headers=streaming) as first:
            heard = ids(first)
            last = [await anext(heard) for _ in range(5)][-1][0]
        await post(client, counter_read(ENDED + timedelta(hours=1), 118_215))
        async with (
            client.stream("GET", "/v1/events", headers=streaming | {"Last-Event-ID": last}) as events,
            client.stream("GET", "/v1/spindles?view=health", headers=streaming) as health,
        ):
            again, changes = ids(events), ids(health)
            rest = [await anext(again) for _ in range(len(story()) + 1 - 5)]
            assert '"count":118215' in rest[-1][1]
            assert '"health":"normal"' in (await anext(changes))[1]
            broken = {"component": "draw_bar", "code": "cracked", "unusable": True}
            async with asyncio.timeout(5):
                await post(client, event("condition.noted", ENDED + timedelta(hours=2), broken))
                assert '"health":"failure"' in (await anext(changes))[1]
                assert '"condition.noted"' in (await anext(again))[1]
            await _told_to_end(served, again, changes)


async def _told_to_end(served: Served, *streams: AsyncIterator[tuple[str, str]]) -> None:
    """Ends well within the time for which other requests would be waited for, each stream in order."""
    served.process.send_signal(signal.SIGTERM)
    async with asyncio.timeout(6):
        for stream in streams:
            assert [each async for each in stream] == []
    assert await served.ended(within_s=8) == 0
