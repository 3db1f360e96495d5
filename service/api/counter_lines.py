"""Readings as lines (NDJSON): taken as they come, some thousand together, in bounded memory; answered at the end.

Where a body ends badly (cut short, unpacked too far, the database gone) what stood before is taken all the same: the
problem says so, and the same lines sent again are duplicates.
"""

import asyncio
from collections.abc import AsyncIterator
from typing import Annotated, Any, Final

import msgspec
from litestar import Request
from litestar.exceptions import InternalServerException
from msgspec import Meta, Struct

from service.access import Key
from service.api.content_encoding import unpacked
from service.api.counter_tally import Tally
from service.api.repeated import OF_READING, refuse_repeated
from service.count import count
from service.domain.event.envelope import Malformed, decode, instant, refuse_nul
from service.domain.event.sheets import Count
from service.domain.refusal import Refusal
from service.postgres import Database
from service.reading_names import Origin, Reading

MEDIA_TYPE: Final = "application/x-ndjson"
LINE_BYTES_MAX: Final = 4096
"""Of one reading: source, time, spindle and count come to some hundred."""
TOGETHER: Final = 2000
WAITS_S_MAX: Final = 1.0
_ORIGINS_MAX: Final = 10_000
NAME_SHOWN: Final = 130


class LineTooLong(Refusal):
    code = "line_too_long"


class OneReading(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One counter, read at a time. `spindle` is a spindle's key or `machine/position`."""

    source: Annotated[str, Meta(min_length=1, max_length=512)]
    time: Annotated[str, Meta(min_length=1, max_length=64)]
    spindle: Annotated[str, Meta(min_length=1, max_length=130)]
    count: Count


class _Spindle(Struct):
    spindle: str


_DECODER: Final = msgspec.json.Decoder(OneReading)
_SPINDLE: Final = msgspec.json.Decoder(_Spindle)


class ReadingLines:
    """Reads single readings; those of one source and time share their origin."""

    def __init__(self, key: Key) -> None:
        self._key = key
        self._origins: dict[tuple[str, str], Origin] = {}

    def read(self, line: bytes) -> Reading:
        """One reading from its JSON. Raises a Refusal that names the place."""
        refuse_nul(line)
        sent: OneReading = decode(_DECODER, line)
        refuse_repeated(line, OF_READING)
        origin = self._origins.get((sent.source, sent.time))
        if origin is None:
            if len(self._origins) >= _ORIGINS_MAX:
                self._origins.clear()
            origin = Origin(source=sent.source, time=instant(sent.time), key=self._key)
            self._origins[sent.source, sent.time] = origin
        return Reading(sent.spindle, sent.count, origin)


def spindle_in(line: bytes) -> str:
    """The spindle that a line names, where as much can be read of it."""
    try:
        return _SPINDLE.decode(line).spindle[:NAME_SHOWN]
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return ""


async def take_counter_lines(request: Request[Any, Any, Any], database: Database, key: Key) -> Tally:
    """Takes each line of the body as a reading. Blank ones are passed over; the others are counted or named."""
    tally, lines, clock = Tally(), ReadingLines(key), asyncio.get_running_loop().time
    held: list[tuple[int, Reading]] = []
    since = clock()
    try:
        async for number, line in _numbered(unpacked(request)):
            try:
                if line is None:
                    raise LineTooLong(f"a reading has at most {LINE_BYTES_MAX} bytes")
                held.append((number, lines.read(line)))
            except Refusal as refusal:
                tally.add("" if line is None else spindle_in(line), refusal, number)
            if len(held) >= TOGETHER or (clock() - since > WAITS_S_MAX and held):
                await _take(database, tally, held)
                held, since = [], clock()
        await _take(database, tally, held)
    except InternalServerException as error:
        await _take(database, tally, held)
        raise Malformed("the caller hung up before the end of its lines", pointer="") from error
    except Refusal:
        await _take(database, tally, held)
        raise
    finally:
        tally.tell(database.metrics)
    return tally


async def _take(database: Database, tally: Tally, held: list[tuple[int, Reading]]) -> None:
    if not held:
        return
    readings = [reading for _, reading in held]
    answers = await count(database, readings)
    tally.add_all([reading.named for reading in readings], answers, [number for number, _ in held])
    held.clear()


async def _numbered(chunks: AsyncIterator[bytes]) -> AsyncIterator[tuple[int, bytes | None]]:
    """The lines that are not blank, with their numbers; None for one that is too long, of which no more is held."""
    rest, number, too_long = b"", 0, False
    async for chunk in chunks:
        *whole, rest = (rest + chunk).split(b"\n")
        for line in whole:
            number += 1
            if too_long or len(line) > LINE_BYTES_MAX:
                yield number, None
            elif line.strip():
                yield number, line
            too_long = False
        if len(rest) > LINE_BYTES_MAX:
            rest, too_long = b"", True
    if too_long or rest.strip():
        yield number + 1, None if too_long or len(rest) > LINE_BYTES_MAX else rest
