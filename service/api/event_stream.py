"""Server-sent events (HTML Living Standard, 9.2): what a listener is told, written as it comes, with signs of life.

Rules of this file
- Every event has an id to read on from. Where nothing came for a while a comment is sent, with the id of the place the
  reader has come to: it names no event, and is still sent back as `Last-Event-ID`.
- One write may take only so long: who does not read is let go. So is a key that was ended, within a second.
"""

import asyncio
from collections.abc import Iterator
from itertools import count
from typing import Any, Final

from litestar import Request, Response
from litestar.response.base import ASGIResponse
from litestar.types import Receive, Scope, Send

from service.access import FoundKeys
from service.listening import Listener, Told
from service.postgres import CannotConnect

MEDIA_TYPE: Final = "text/event-stream"
_RETRY_MS: Final = (1_000, 5_000)
_SPREAD: Final = count()
_HEADERS: Final = {"Cache-Control": "private, no-cache", "X-Accel-Buffering": "no"}


def wants_events(request: Request[Any, Any, Any]) -> bool:
    """Whether a stream is asked for rather than a page."""
    return any(part.partition(";")[0].strip().lower() == MEDIA_TYPE for part in request.headers.getall("accept", []))


def last_event_id(request: Request[Any, Any, Any]) -> str | None:
    """The id that a reader was told last, None where it begins."""
    return request.headers.get("last-event-id") or None


class EventStream(Response[None]):
    """The answer that goes on until the listener is let go, leaves, or the service ends."""

    def __init__(self, listener: Listener[Any]) -> None:
        super().__init__(None, media_type=MEDIA_TYPE, status_code=200, headers=_HEADERS)
        self._listener = listener

    def to_asgi_response(self, app: Any, request: Request[Any, Any, Any], **_: Any) -> ASGIResponse:
        return _Streaming(self._listener, request.app.state.found_keys, _token(request), headers=_HEADERS)


def _token(request: Request[Any, Any, Any]) -> str:
    return request.headers.get("authorization", "").partition(" ")[2].strip()


class _Streaming(ASGIResponse):
    def __init__(self, listener: Listener[Any], keys: FoundKeys, token: str, **kept: Any) -> None:
        super().__init__(media_type=MEDIA_TYPE, **kept)
        self._listener, self._keys, self._token = listener, keys, token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        lines = [(name.lower().encode(), value.encode()) for name, value in _HEADERS.items()]
        lines.append((b"content-type", f"{MEDIA_TYPE}; charset=utf-8".encode()))
        await send({"type": "http.response.start", "status": 200, "headers": lines})
        if HEAD_ONLY not in (scope.get("extensions") or {}):
            leaving = asyncio.create_task(_left(receive))
            leaving.add_done_callback(lambda _: self._listener.end())
            try:
                await self._write(send)
            except TimeoutError:
                return  # it does not read: nothing more can be written, and the connection is closed
            finally:
                self._listener.end()
                leaving.cancel()
        await send({"type": "http.response.body", "body": b"", "more_body": False})

    async def _write(self, send: Send) -> None:
        pace = self._listener.pace
        begin = f"retry: {_retry()}\n\n".encode()
        try:
            async for told in self._listener.told():
                if await self._keys.find(self._token) is None:
                    break
                body, begin = begin + b"".join(_written(told)), b""
                async with asyncio.timeout(pace.write_s):
                    await send({"type": "http.response.body", "body": body, "more_body": True})
        except CannotConnect as error:
            if isinstance(error, TimeoutError):
                raise


HEAD_ONLY: Final = "spindle-ledger.head"
"""Set among a request's extensions where its answer is wanted without its body."""


def _retry() -> int:
    """Milliseconds after which a reader comes back: another for each, so that not all of them come at once."""
    least, most = _RETRY_MS
    return least + next(_SPREAD) * 617 % (most - least)


def _written(told: Told) -> Iterator[bytes]:
    for place, event in told.items:
        yield b"id: " + place.encode() + b"\n" + event
    if told.place is not None:
        yield b": here\nid: " + told.place.encode() + b"\n\n"


async def _left(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
