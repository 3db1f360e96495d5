"""Events as lines (NDJSON): read one by one as they come, answered one by one, in bounded memory both ways.

A caller may send everything before it reads the first answer. So answers never wait for their reader while lines are
still to be read: what is not read yet waits in a file without a name.
"""

import asyncio
import logging
from collections.abc import AsyncIterator
from tempfile import SpooledTemporaryFile
from typing import Any, Final

import msgspec
from litestar import Request
from litestar.exceptions import InternalServerException
from litestar.response import Stream
from litestar.response.streaming import ASGIStreamingResponse
from litestar.types import Receive, Send
from msgspec import Struct

from service.access import Key
from service.api.content_encoding import unpacked
from service.api.problems import Problem, problem, problem_of, problem_of_surprise
from service.domain.event.envelope import Malformed, read_event
from service.domain.refusal import Refusal
from service.postgres import CannotConnect, Database
from service.record import record

LOG: Final = logging.getLogger(__name__)
MEDIA_TYPE: Final = "application/x-ndjson"
LINE_BYTES_MAX: Final = 1024 * 1024
HELD_BYTES_MAX: Final = 1024 * 1024
"""Answers that are not read yet are held in memory up to so many bytes."""
_PORTION_BYTES: Final = 64 * 1024

_encode: Final = msgspec.json.Encoder().encode


class LineTooLong(Refusal):
    code = "line_too_long"


class LineRefused(Struct, frozen=True, kw_only=True):
    """A line that was not taken; nothing of it is kept, its id may come again corrected."""

    status: str = "refused"
    problem: Problem


class AnsweredLines(Stream):
    """A stream that leaves the request's body to its reader: the framework's own would drain it to notice a hang-up."""

    def to_asgi_response(self, *_: Any, **__: Any) -> ASGIStreamingResponse:
        answers: Any = self.iterator
        return _Undrained(iterator=answers, media_type=MEDIA_TYPE, status_code=200)


class _Undrained(ASGIStreamingResponse):
    async def send_body(self, send: Send, receive: Receive) -> None:
        await self._stream(send)


async def take_lines(request: Request[Any, Any, Any], database: Database, key: Key) -> AnsweredLines:
    """Takes each line of the body as an event. Every line but a blank one has its answer, with its number, in order.

    Where the database goes away the answers end with the line that met it: what is not answered is to be sent again.
    """
    chunks = unpacked(request)
    # Asked for before the answer begins, so that a caller who waits for "100 Continue" gets it.
    first = await anext(chunks, b"")
    return AnsweredLines(_answers(first, chunks, database, key))


async def _answers(first: bytes, chunks: AsyncIterator[bytes], database: Database, key: Key) -> AsyncIterator[bytes]:
    waiting = _Waiting()
    taking = asyncio.create_task(_take(first, chunks, database, key, waiting), name="event lines")
    try:
        async for portion in waiting.portions():
            yield portion
        await taking
    finally:
        taking.cancel()
        waiting.close()


async def _take(first: bytes, chunks: AsyncIterator[bytes], database: Database, key: Key, waiting: "_Waiting") -> None:
    number = 0
    try:
        async for line in _lines(first, chunks):
            number += 1
            if line is not None and not line.strip():
                continue
            answer, goes_on = await _answer(line, database, key)
            waiting.put(b'{"line":%d,' % number + answer[1:] + b"\n")
            if not goes_on:
                return
    except Refusal as refusal:
        refused = _encode(LineRefused(problem=problem_of(refusal)))
        waiting.put(b'{"line":%d,' % (number + 1) + refused[1:] + b"\n")
    except InternalServerException:
        LOG.info("a caller hung up before the end of its lines")
    finally:
        waiting.end()


async def _lines(first: bytes, chunks: AsyncIterator[bytes]) -> AsyncIterator[bytes | None]:
    """The lines of a body without their ends; None for one that is too long, of which no more than that is held."""
    held, too_long = bytearray(first), False
    while True:
        end = held.find(b"\n")
        if end >= 0:
            yield None if too_long or end > LINE_BYTES_MAX else bytes(held[:end])
            del held[: end + 1]
            too_long = False
            continue
        if len(held) > LINE_BYTES_MAX:
            held.clear()
            too_long = True
        more = await anext(chunks, b"")
        if not more:
            break
        held += more
    if held or too_long:
        yield None if too_long else bytes(held)


async def _answer(line: bytes | None, database: Database, key: Key) -> tuple[bytes, bool]:
    """The answer to one line, and whether the next may be tried."""
    try:
        if line is None:
            raise LineTooLong(f"a line has at most {LINE_BYTES_MAX} bytes")
        if line.lstrip()[:1] == b"[":
            raise Malformed("a line is one event, a JSON object", pointer="")
        return _encode(await record(database, read_event(line), key)), True
    except Refusal as refusal:
        found, goes_on = problem_of(refusal), True
    except CannotConnect as error:
        LOG.warning("the database is away: %s", error)
        found, goes_on = problem("database_away", "send this line and what follows it again", status=503), False
    except Exception as error:
        LOG.exception("a line of events failed")
        found, goes_on = problem_of_surprise(error), True
    return _encode(LineRefused(problem=found)), goes_on


class _Waiting:
    """Answers that have been made and not yet been read, in order."""

    def __init__(self) -> None:
        self._file = SpooledTemporaryFile[bytes](max_size=HELD_BYTES_MAX)
        self._written = self._read = 0
        self._ended = False
        self._news = asyncio.Event()

    def put(self, answer: bytes) -> None:
        self._file.seek(self._written)
        self._file.write(answer)
        self._written += len(answer)
        self._news.set()

    def end(self) -> None:
        self._ended = True
        self._news.set()

    def close(self) -> None:
        self._file.close()

    async def portions(self) -> AsyncIterator[bytes]:
        """What is put, as it comes, until the end."""
        while True:
            if self._read < self._written:
                self._file.seek(self._read)
                portion = self._file.read(_PORTION_BYTES)
                self._read += len(portion)
                if self._read == self._written:
                    self._file.seek(0)
                    self._file.truncate()
                    self._read = self._written = 0
                yield portion
            elif self._ended:
                return
            else:
                self._news.clear()
                await self._news.wait()
