"""Answers given before, kept while nothing they were made from has changed: asked again they cost no rows, and a 304
costs no body and not even a route.

Rules of this file
- An answer is kept under its question (address, query, the plants of the key) with the mark of the snapshot it was made
  from. It is given again only after a beat that began after the request has the same mark: whatever was committed
  before somebody asked is in what he is told, whichever process wrote it. Only who says `Cache-Control: max-stale=1`
  is told what held up to a second ago (five at most), for which the database need not be asked.
- Where time has changed a state and nobody has written that yet there is no mark: the answer is made anew.
- The ETag is a digest of the bytes, so it is the same in every process and after every restart.
"""

import asyncio
import re
from collections import OrderedDict
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any, Final

from litestar import Request, Response
from litestar.datastructures import State
from litestar.types import ASGIApp, Receive, Scope, Send
from msgspec import Struct

from service.access import FoundKeys, Key
from service.api.conditional import Told, names, respond
from service.postgres import CannotConnect, Database, Transaction
from service.pulse import Beat, Depth, Pulse, beat_of

BYTES_MAX: Final = 32 * 1024 * 1024
"""How many bytes of bodies one process keeps; the answers that were asked for longest ago make room."""

STALE_S_MAX: Final = 5.0
_MAX_STALE: Final = re.compile(rb"max-stale=(\d{1,9})(?!\d)")

PATHS: Final = frozenset({"/v1/spindles", "/v1/overview"})
_SCOPE: Final = "read"

Question = tuple[str, bytes, tuple[str, ...] | None]
Make = Callable[[Transaction, Beat], Awaitable[Told]]


class _Kept(Struct, frozen=True):
    told: Told
    depth: Depth
    mark: tuple[int, ...]


class Answers:
    """The answers that one process keeps. `bytes` are those of the bodies, at most `bytes_max`."""

    def __init__(self, database: Database, pulse: Pulse, *, bytes_max: int = BYTES_MAX) -> None:
        self.database, self._pulse, self._bytes_max = database, pulse, bytes_max
        self._kept: OrderedDict[Question, _Kept] = OrderedDict()
        self.bytes = 0
        self._making: dict[Question, tuple[asyncio.Lock, int]] = {}

    async def answer(self, request: Request[Any, Any, Any], key: Key, depth: Depth, make: Make) -> Response[Any]:
        """What `make` makes from a snapshot, or what it made before where that still holds."""
        question = _question(request.scope, key)
        async with self._alone(question):
            told = await self.still(question)
            if told is None:
                async with self.database.transaction(snapshot=True) as tx:
                    beat = await beat_of(tx, self.database)
                    told = await make(tx, beat)
                self._keep(question, told, depth, beat.mark(depth))
        return respond(request, told)

    async def still(self, question: Question, stale_s: float = 0.0) -> Told | None:
        """The answer that is kept, if it holds now, or held so many seconds ago. Raises CannotConnect."""
        if question not in self._kept:
            return None
        beat = await self._pulse.beat(stale_s)
        kept = self._kept.get(question)
        if kept is None or kept.mark != beat.mark(kept.depth):
            return None
        self._kept.move_to_end(question)
        return kept.told

    def _keep(self, question: Question, told: Told, depth: Depth, mark: tuple[int, ...] | None) -> None:
        before = self._kept.pop(question, None)
        self.bytes -= 0 if before is None else len(before.told.body)
        if mark is None or len(told.body) > self._bytes_max:
            return
        self._kept[question] = _Kept(told, depth, mark)
        self.bytes += len(told.body)
        while self.bytes > self._bytes_max:
            _, oldest = self._kept.popitem(last=False)
            self.bytes -= len(oldest.told.body)

    @asynccontextmanager
    async def _alone(self, question: Question) -> AsyncIterator[None]:
        """Of those who ask the same at once one makes the answer, and the others find it made."""
        lock, waiting = self._making.get(question, (asyncio.Lock(), 0))
        self._making[question] = (lock, waiting + 1)
        try:
            async with lock:
                yield
        finally:
            lock, waiting = self._making[question]
            if waiting == 1:
                del self._making[question]
            else:
                self._making[question] = (lock, waiting - 1)


def _question(scope: Any, key: Key) -> Question:
    return scope["path"], scope["query_string"], key.plants


def _stale_s(cache_control: bytes) -> float:
    """How stale an answer the caller takes (RFC 9111, 5.2.1.2), STALE_S_MAX at most."""
    named = _MAX_STALE.search(cache_control)
    return 0.0 if named is None else min(float(named.group(1)), STALE_S_MAX)


class FromMemory:
    """Around the application: answers what is kept before anything is routed or decoded, for a key that was found in
    the last second. Whatever else there is to say (a refusal, a new answer) the application says."""

    def __init__(self, app: ASGIApp, state: State) -> None:
        self._app, self._state = app, state

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        wire: Any = scope
        asked = wire["type"] == "http" and wire["method"] == "GET" and wire["path"] in PATHS
        if not asked or not await self._answer(wire, send):
            await self._app(scope, receive, send)

    async def _answer(self, wire: Any, send: Any) -> bool:
        headers = dict(wire["headers"])
        if b"event-stream" in headers.get(b"accept", b""):
            return False
        found: FoundKeys = self._state.found_keys
        scheme, _, token = headers.get(b"authorization", b"").partition(b" ")
        key = found.remembered(token.strip().decode("latin-1")) if scheme.lower() == b"bearer" else None
        if key is None or not key.may(_SCOPE):
            return False
        answers: Answers = self._state.answers
        try:
            told = await answers.still(_question(wire, key), _stale_s(headers.get(b"cache-control", b"")))
        except CannotConnect:
            return False
        if told is None:
            return False
        wire["path_template"] = wire["path"]
        wire.setdefault("state", {})["key"] = key
        known = names(headers.get(b"if-none-match", b"").decode("latin-1"), told.etag)
        lines = [(name.lower().encode(), value.encode()) for name, value in told.headers.items()]
        if not known:
            lines += [(b"content-type", b"application/json"), (b"content-length", str(len(told.body)).encode())]
        await send({"type": "http.response.start", "status": 304 if known else 200, "headers": lines})
        await send({"type": "http.response.body", "body": b"" if known else told.body, "more_body": False})
        return True
