"""Short words for the door of the work orders, as a maintenance system knocks there."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, Final

import httpx

from tests.running import Json, Running
from tests.story.every_kind import Story, telling
from tests.story.loading import ago

PATH: Final = "/v1/work-orders"
BED_IN: Final = {
    "code": "bed-in",
    "check": "setting",
    "after_cycles": 500,
    "since": "acceptance",
    "grace_cycles": 250,
    "minutes": 20,
}


class System:
    """One maintenance system with a key of its own; it reads on from its cursor."""

    def __init__(self, ledger: Running, token: str) -> None:
        self.client, self.cursor = ledger.client, ""
        self.headers = {"Authorization": f"Bearer {token}"}
        self.etags: dict[str, str] = {}

    async def get(self, path: str = "", **parameters: Any) -> httpx.Response:
        return await self.client.get(f"{PATH}{path}", params=parameters, headers=self.headers)

    async def listed(self, **parameters: Any) -> list[Json]:
        answer = await self.get(**parameters)
        assert answer.status_code == 200, answer.text
        items: list[Json] = answer.json()["items"]
        return items

    async def changes(self, **parameters: Any) -> list[Json]:
        """What has changed since it last asked."""
        answer = await self.get(after=self.cursor, **parameters)
        assert answer.status_code == 200, answer.text
        self.cursor = answer.json()["next"]
        items: list[Json] = answer.json()["items"]
        return items

    async def read(self, order: str) -> Json:
        answer = await self.get(f"/{order}")
        assert answer.status_code == 200, answer.text
        self.etags[order] = answer.headers["etag"]
        found: Json = answer.json()
        return found

    async def patch(self, order: str, planning: Any, *, etag: str | None = None) -> httpx.Response:
        """Plans from what it last read, or from another reading's ETag."""
        headers = self.headers | {"If-Match": etag or self.etags[order]}
        answer = await self.client.patch(f"{PATH}/{order}", json={"planning": planning}, headers=headers)
        if answer.status_code == 200:
            self.etags[order] = answer.headers["etag"]
        return answer

    async def plan(self, order: str, **planning: Any) -> Json:
        await self.read(order)
        answer = await self.patch(order, planning)
        assert answer.status_code == 200, answer.text
        found: Json = answer.json()
        return found


async def system(ledger: Running, *, plants: list[str] | None = None) -> System:
    _, token = await ledger.key("read", "work_orders:write", plants=plants)
    return System(ledger, token)


@asynccontextmanager
async def acting(url: str, *rechecks: Json, **changes: Any) -> AsyncIterator[Story]:
    """A story that goes on within the last two days, so that what it brings is told at once."""
    async with telling(url, *rechecks, **changes) as story:
        story.now = ago(minutes=600)
        yield story
