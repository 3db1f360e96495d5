"""A listener to server-sent events, spoken to as a server would: it can stop reading, and it can go away."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any, Final, cast
from urllib.parse import urlencode

from msgspec import Struct

from service.app import HeadAsGet
from tests.running import BOOTSTRAP, Json, Running

PATIENCE_S: Final = 20.0


class Event(Struct, frozen=True):
    """One block of the stream: an event where it has data."""

    id: str | None
    name: str | None
    data: Any


class Hearing:
    """One connection. `headers` is None until the answer has begun, `ended` is set when it is over."""

    def __init__(self) -> None:
        self.status = 0
        self.headers: dict[str, str] = {}
        self.blocks: list[str] = []
        self.reads = asyncio.Event()
        self.reads.set()
        self.gone = asyncio.Event()
        self.ended = asyncio.Event()
        self.closed_in_order = False
        self._rest = ""
        self._more = asyncio.Event()

    async def receive(self) -> Json:
        await self.gone.wait()
        return {"type": "http.disconnect"}

    async def send(self, message: Json) -> None:
        """As a server's: it waits as long as the other end does not read."""
        if message["type"] == "http.response.start":
            self.status = message["status"]
            self.headers = {name.decode().lower(): value.decode() for name, value in message["headers"]}
            return
        await self.reads.wait()
        *blocks, self._rest = (self._rest + message.get("body", b"").decode()).split("\n\n")
        self.blocks += blocks
        self.closed_in_order = not message.get("more_body", False)
        self._more.set()

    @property
    def events(self) -> list[Event]:
        return [event for event in map(_event, self.blocks) if event.data is not None]

    @property
    def data(self) -> list[Json]:
        return [event.data for event in self.events]

    @property
    def last_id(self) -> str | None:
        ids = [event.id for event in map(_event, self.blocks) if event.id is not None]
        return ids[-1] if ids else None

    async def until(self, enough: Callable[[], bool]) -> None:
        async with asyncio.timeout(PATIENCE_S):
            while not enough():
                self._more.clear()
                await self._more.wait()

    async def heard(self, count: int) -> list[Json]:
        """The data of its events once there are so many."""
        await self.until(lambda: len(self.events) >= count)
        return self.data

    async def over(self) -> None:
        async with asyncio.timeout(PATIENCE_S):
            await self.ended.wait()


def _event(block: str) -> Event:
    found: dict[str, str] = {}
    for line in block.split("\n"):
        name, _, value = line.partition(":")
        if name:
            found[name] = value.removeprefix(" ")
    data = json.loads(found["data"]) if "data" in found else None
    return Event(found.get("id"), found.get("event"), data)


@asynccontextmanager
async def hearing(
    ledger: Running, path: str, *, last: str | None = None, token: str = BOOTSTRAP, method: str = "GET", **asked: Any
) -> AsyncIterator[Hearing]:
    """A connection that is cut at the end of the block, where it is not over by then."""
    headers = [(b"authorization", f"Bearer {token}".encode()), (b"accept", b"text/event-stream")]
    if last is not None:
        headers.append((b"last-event-id", last.encode()))
    query = urlencode([(name, each) for name, value in asked.items() for each in _several(value)])
    scope = {
        "type": "http",
        "asgi": {"version": "3.0", "spec_version": "2.3"},
        "http_version": "1.1",
        "method": method,
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "query_string": query.encode(),
        "root_path": "",
        "headers": headers,
        "client": ("127.0.0.1", 50_000),
        "server": ("ledger.test", 80),
    }
    one = Hearing()

    async def run() -> None:
        try:
            await HeadAsGet(ledger.app)(cast(Any, scope), cast(Any, one.receive), cast(Any, one.send))
        finally:
            one.ended.set()
            one._more.set()

    running = asyncio.create_task(run())
    try:
        yield one
    finally:
        one.reads.set()
        one.gone.set()
        async with asyncio.timeout(PATIENCE_S):
            await running


def _several(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]
