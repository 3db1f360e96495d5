"""A small MTConnect agent on loopback with a ring of observations, and a door to the service that can be shut."""

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import datetime, timedelta

from aiohttp import web

from tests.running import Running
from tests.story.agent_documents import Said, document, error


class Agent:
    """Answers `current` and `sample` as Part 1 says; `restart` begins another run with nothing in the ring.

    `asked` are the requests it had. The ring keeps `size` observations. `old` answers errors with status 200, as
    agents of 1.x do.
    """

    def __init__(self, begin: datetime, *, size: int = 1000, old: bool = False) -> None:
        self.now = begin
        self.size, self.old = size, old
        self.instance = 1_790_000_000
        self.next = 1
        self.ring: list[Said] = []
        self.asked: list[str] = []
        self.heard = asyncio.Event()
        self.url = ""
        self.broken: bytes | None = None

    def say(self, element: str, item: str, value: object, *, after: float = 2.0) -> None:
        self.now += timedelta(seconds=after)
        said = Said(sequence=self.next, time=self.now, item=item, element=element, value=str(value))
        self.ring = [*self.ring, said][-self.size :]
        self.next += 1

    def restart(self) -> None:
        self.instance += 3600
        self.next = 1
        self.ring = []

    @property
    def first(self) -> int:
        return self.ring[0].sequence if self.ring else self.next

    async def answer(self, request: web.Request) -> web.Response:
        self.asked.append(request.path_qs)
        self.heard.set()
        if self.broken is not None:
            return web.Response(body=self.broken, content_type="text/xml")
        query = {name: int(value) for name, value in request.query.items()}
        begin = query.get("from", query.get("at", self.first))
        if not self.first <= begin <= self.next:
            said = error("OUT_OF_RANGE", f"it must be from {self.first} to {self.next}", instance=self.instance)
            return web.Response(body=said, content_type="text/xml", status=200 if self.old else 404)
        if request.path.endswith("/current"):
            return self._held(query.get("at", self.next))
        end = min(begin + query.get("count", 100), self.next)
        return self._document([each for each in self.ring if begin <= each.sequence < end], end)

    def _held(self, at: int) -> web.Response:
        newest = {each.item: each for each in self.ring if each.sequence <= at}
        return self._document(sorted(newest.values(), key=lambda each: each.sequence), self.next)

    def _document(self, said: Sequence[Said], following: int) -> web.Response:
        body = document(said, instance=self.instance, next=following, first=self.first, made=self.now)
        body = body.replace(f'lastSequence="{following - 1}"'.encode(), f'lastSequence="{self.next - 1}"'.encode())
        return web.Response(body=body, content_type="text/xml")


class Door:
    """The application of a test at an address of its own; `shut` answers as a service does whose database is away."""

    def __init__(self, ledger: Running) -> None:
        self.ledger = ledger
        self.url = ""
        self.shut = False
        self.taken = asyncio.Event()

    async def answer(self, request: web.Request) -> web.Response:
        body = await request.read()
        if self.shut:
            return web.Response(status=503)
        named = {name: request.headers[name] for name in ("Authorization", "Content-Type")}
        found = await self.ledger.client.post(request.path, content=body, headers=named)
        self.taken.set()
        return web.Response(body=found.content, status=found.status_code, content_type="application/json")


@asynccontextmanager
async def listening(*ones: Agent | Door) -> AsyncIterator[None]:
    """Each at an address of its own while the block runs."""
    runners = []
    for one in ones:
        application = web.Application(client_max_size=10**7)
        application.router.add_route("*", "/{path:.*}", one.answer)
        runner = web.AppRunner(application, shutdown_timeout=0.1)
        await runner.setup()
        await web.TCPSite(runner, "127.0.0.1", 0).start()
        one.url = f"http://127.0.0.1:{runner.addresses[0][1]}"
        runners.append(runner)
    try:
        yield
    finally:
        for runner in runners:
            await runner.cleanup()
