"""A receiver of webhooks on loopback that keeps what it is sent and answers as a test wants."""

import asyncio
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any

from aiohttp import web
from cloudevents.core.base import BaseCloudEvent
from cloudevents.core.bindings.http import HTTPMessage, from_http_event
from msgspec import Struct
from standardwebhooks import Webhook

from service.domain.signature import secret_text

Answer = Callable[[web.Request], Awaitable[web.StreamResponse]]


class Received(Struct, frozen=True):
    """One delivery, as it came over the wire."""

    headers: dict[str, str]
    body: bytes

    def event(self, secret: bytes) -> BaseCloudEvent:
        """The event, once the reference library has verified it; raises where it does not."""
        verified = Webhook(secret_text(secret)).verify(self.body, self.headers)
        event = from_http_event(HTTPMessage(headers=self.headers, body=self.body))
        assert verified["id"] == event.get_id() == self.headers["webhook-id"]
        return event

    def data(self, secret: bytes) -> dict[str, Any]:
        """What the event says, verified."""
        found = self.event(secret).get_data()
        assert isinstance(found, dict)
        return found


class Receiver:
    """Keeps every delivery in `received`, `arrived` says that there is one; `answer` can be replaced at any time."""

    def __init__(self, answer: Answer) -> None:
        self.answer = answer
        self.received: list[Received] = []
        self.arrived = asyncio.Event()
        self.url = ""

    @property
    def ids(self) -> list[str]:
        return [each.headers["webhook-id"] for each in self.received]

    async def _take(self, request: web.Request) -> web.StreamResponse:
        headers = {name.lower(): value for name, value in request.headers.items()}
        self.received.append(Received(headers, await request.read()))
        self.arrived.set()
        return await self.answer(request)


def status(code: int, text: str = "", **headers: str) -> Answer:
    """Answers every request alike; `Retry_After="2"` becomes the header Retry-After."""

    async def answer(_: web.Request) -> web.StreamResponse:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return web.Response(status=code, text=text, headers=named)

    return answer


@asynccontextmanager
async def receiver(answer: Answer | None = None, *, tls: ssl.SSLContext | None = None) -> AsyncIterator[Receiver]:
    """A receiver that listens while the block runs; it says 204 unless told otherwise."""
    one = Receiver(answer or status(204))
    application = web.Application(client_max_size=10**6)
    application.router.add_route("*", "/{path:.*}", one._take)
    runner = web.AppRunner(application, shutdown_timeout=0.1)
    await runner.setup()
    site = web.TCPSite(runner, "127.0.0.1", 0, ssl_context=tls)
    await site.start()
    port = runner.addresses[0][1]
    one.url = f"{'http' if tls is None else 'https'}://127.0.0.1:{port}/hook"
    try:
        yield one
    finally:
        await runner.cleanup()
