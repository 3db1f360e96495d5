"""Who listens to a source, such as the feed: one reader for a process, and each hears everything from its place on.

Rules of this file
- A listener that is behind reads from the database, a portion at a time, and holds no connection in between. Once it
  has reached the end it joins, and reads once more what was read out meanwhile, if anything was; whatever is read out
  afterwards it hears. What comes by both ways is told once, by its place.
- What waits for a listener is bounded. One that does not keep up is cut off, with all it waits for: it holds up nobody
  and costs nothing, and goes on from the place it was last told, out of the database.
- The reader looks at the pulse, and reads only where something was committed.
"""

import asyncio
import contextlib
import logging
from collections import deque
from collections.abc import AsyncIterator
from typing import Any, Final, Generic, Protocol, TypeVar

from msgspec import Struct

from service.postgres import CannotConnect, Database, Transaction
from service.pulse import Beat, Pulse

LOG: Final = logging.getLogger(__name__)
PORTION: Final = 500
CATCHING_UP_MAX: Final = 3
"""How many listeners of one source read from the database at the same time."""

_TURNS: Final = 25

Place = dict[int, Any]
"""Where a reader is: for each log the number it has taken last, in a form that is compared by it."""
Wanted = TypeVar("Wanted")
Wanted_contra = TypeVar("Wanted_contra", contravariant=True)


class Pace(Struct, frozen=True, kw_only=True):
    """How a stream keeps time: seconds between signs of life, between looks, and that one write may take; and how many
    items may wait for one listener."""

    heartbeat_s: float = 15.0
    look_s: float = 0.25
    write_s: float = 10.0
    waiting_max: int = 2_000


class Heard:
    """One item with its place. `written` keeps the ways in which it has been written for somebody."""

    __slots__ = ("item", "log", "number", "written")

    def __init__(self, log: int, number: Any, item: Any) -> None:
        self.log, self.number, self.item = log, number, item
        self.written: dict[str, bytes] = {}


class Portion(Struct, frozen=True, kw_only=True):
    """Items in order, and the place behind them. `at_end` where nothing more was there."""

    heard: tuple[Heard, ...]
    after: Place
    at_end: bool


class Source(Protocol[Wanted_contra]):
    """What can be listened to."""

    def mark(self, beat: Beat) -> int:
        """What changes whenever there is something new."""

    async def end(self, tx: Transaction) -> Place:
        """The place behind everything."""

    async def read(self, tx: Transaction, after: Place, wanted: Wanted_contra | None, limit: int) -> Portion:
        """What follows a place; of that, where `wanted` says so, only what is."""

    def written(self, heard: Heard, wanted: Wanted_contra) -> bytes | None:
        """An item as this listener is told it, or None where it is not to be."""

    def text(self, place: Place) -> str:
        """A place as clients carry it."""


class _Spoken:
    """A portion on its way to all who listen, with the ids that they share."""

    __slots__ = ("_ids", "after", "before", "heard")

    def __init__(self, before: Place, portion: Portion) -> None:
        self.before, self.after, self.heard = before, portion.after, portion.heard
        self._ids: list[str] | None = None

    def ids(self, source: Source[Any]) -> list[str]:
        if self._ids is None:
            place = dict(self.before)
            self._ids = []
            for each in self.heard:
                place[each.log] = each.number
                self._ids.append(source.text(place))
        return self._ids


class Told(Struct, frozen=True, array_like=True):
    """What a listener is told: items with their ids, then, where it has one, the place it has come to."""

    items: list[tuple[str, bytes]]
    place: str | None = None


class Room(Generic[Wanted]):
    """One source in one process, with whoever listens."""

    def __init__(self, database: Database, pulse: Pulse, source: Source[Wanted], pace: Pace) -> None:
        self.source, self.pace = source, pace
        self._database, self._pulse = database, pulse
        self._listeners: set[Listener[Wanted]] = set()
        self._reader: asyncio.Task[None] | None = None
        self._place: Place = {}
        self._starting = asyncio.Lock()
        self._behind = asyncio.Semaphore(CATCHING_UP_MAX)
        self._ended = asyncio.Event()

    async def open(self, place: Place, wanted: Wanted) -> "Listener[Wanted]":
        """Somebody who wants to hear what follows a place. Raises what reading from there does.

        Who is just where the reader is, as after a short cut, costs no statement.
        """
        in_step = self._reader is not None and not self._reader.done() and place == self._place
        first = Portion(heard=(), after=place, at_end=True) if in_step else await self.read(place, wanted)
        return Listener(self, wanted, place, first)

    def has_missed(self, place: Place) -> bool:
        """Whether something behind this place was read out before whoever is there joined."""
        return any(log not in place or number > place[log] for log, number in self._place.items())

    async def place_at_end(self) -> Place:
        async with self._database.transaction() as tx:
            return await self.source.end(tx)

    async def read(self, place: Place, wanted: Wanted | None) -> Portion:
        async with self._behind, self._database.transaction(snapshot=True) as tx:
            return await self.source.read(tx, place, wanted, PORTION)

    async def join(self, listener: "Listener[Wanted]") -> None:
        async with self._starting:
            if self._reader is None or self._reader.done():
                self._place = await self.place_at_end()
                self._listeners.add(listener)
                self._reader = asyncio.create_task(self._read_out(), name="reading out")
            self._listeners.add(listener)
        if self._ended.is_set():
            listener.end()

    def leave(self, listener: "Listener[Wanted]") -> None:
        self._listeners.discard(listener)

    async def _read_out(self) -> None:
        """Reads on for everybody, as long as anybody listens."""
        mark: int | None = None
        while self._listeners and not self._ended.is_set():
            pause = self.pace.look_s
            try:
                now = self.source.mark(await self._pulse.beat())
                if now != mark:
                    await self._speak()
                    mark = now
            except CannotConnect as error:
                LOG.warning("the database is away: %s", error)
            except Exception:
                LOG.exception("what was recorded could not be read out; the next look tries again")
                pause = self.pace.heartbeat_s
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(pause):
                    await self._ended.wait()

    async def _speak(self) -> None:
        at_end = False
        while not at_end:
            portion = await self.read(self._place, None)
            spoken = _Spoken(self._place, portion)
            self._place, at_end = portion.after, portion.at_end
            for listener in [*self._listeners] if portion.heard else ():
                listener.hear(spoken)
            if not at_end:
                await self._let_them_take_it()

    async def _let_them_take_it(self) -> None:
        """Of much at once the next portion follows when all have taken this one, or after the time of a look."""
        for _ in range(_TURNS):
            if not any(listener.waits for listener in self._listeners):
                return
            await asyncio.sleep(self.pace.look_s / _TURNS)

    async def end(self) -> None:
        """Ends the reader and every stream in order."""
        self._ended.set()
        for listener in [*self._listeners]:
            listener.end()
        if self._reader is not None:
            await asyncio.wait([self._reader], timeout=5)
            self._reader.cancel()


class Listener(Generic[Wanted]):
    """One who listens. `cut_off` where it did not keep up."""

    __slots__ = ("_ended", "_first", "_items", "_news", "_place", "_room", "_waiting", "_wanted", "cut_off")

    def __init__(self, room: Room[Wanted], wanted: Wanted, place: Place, first: Portion) -> None:
        self._room, self._wanted, self._place, self._first = room, wanted, place, first
        self._waiting: deque[_Spoken] = deque()
        self._items = 0
        self._news = asyncio.Event()
        self._ended = False
        self.cut_off = False

    @property
    def pace(self) -> Pace:
        return self._room.pace

    def hear(self, spoken: _Spoken) -> None:
        if self._waiting and self._items + len(spoken.heard) > self._room.pace.waiting_max:
            self.cut_off = True
            self.end()
            return
        self._waiting.append(spoken)
        self._items += len(spoken.heard)
        self._news.set()

    @property
    def waits(self) -> bool:
        """Whether there is something that it has not taken yet."""
        return bool(self._waiting)

    def end(self) -> None:
        """Lets it go, with all that waits for it."""
        self._ended = True
        self._waiting.clear()
        self._room.leave(self)
        self._news.set()

    async def told(self) -> AsyncIterator[Told]:
        """What it is told, a portion at a time, and its place alone where nothing came for a while; ends with `end`.

        Raises CannotConnect where the database goes away before it has caught up.
        """
        portion, self._first = self._first, Portion(heard=(), after={}, at_end=False)
        joined = False
        while not self._ended:
            yield self._of_its_own(portion)
            if portion.at_end and joined:
                break
            if portion.at_end:
                await self._room.join(self)
                joined = True
                if not self._room.has_missed(self._place):
                    break
            portion = await self._room.read(self._place, self._wanted)
        del portion
        while not self._ended:
            if not self._waiting:
                self._news.clear()
                try:
                    async with asyncio.timeout(self._room.pace.heartbeat_s):
                        await self._news.wait()
                except TimeoutError:
                    yield Told([], self._room.source.text(self._place))
                continue
            spoken = self._waiting.popleft()
            self._items -= len(spoken.heard)
            items = self._shared(spoken) if self._place == spoken.before else self._new_of(spoken)
            if items:
                yield Told(items)

    def _of_its_own(self, portion: Portion) -> Told:
        """A portion that it has read itself: what was left out between moves its place at the end."""
        source, place, items = self._room.source, dict(self._place), []
        if any(each.log in place and each.number <= place[each.log] for each in portion.heard):
            place = {}  # it was told to begin anew
        for each in portion.heard:
            place[each.log] = each.number
            written = source.written(each, self._wanted)
            if written is not None:
                items.append((source.text(place), written))
        self._place = portion.after
        return Told(items, source.text(portion.after))

    def _shared(self, spoken: _Spoken) -> list[tuple[str, bytes]]:
        self._place = spoken.after
        found = [(number, self._room.source.written(each, self._wanted)) for number, each in enumerate(spoken.heard)]
        wanted = [(number, written) for number, written in found if written is not None]
        if not wanted:
            return []
        ids = spoken.ids(self._room.source)
        return [(ids[number], written) for number, written in wanted]

    def _new_of(self, spoken: _Spoken) -> list[tuple[str, bytes]]:
        """Of a portion that it has read in part itself, the rest."""
        source, place, items = self._room.source, dict(self._place), []
        for each in spoken.heard:
            if each.log in place and each.number <= place[each.log]:
                continue
            place[each.log] = each.number
            written = source.written(each, self._wanted)
            if written is not None:
                items.append((source.text(place), written))
        for log, number in spoken.after.items():
            place[log] = max(place.get(log, number), number)
        self._place = spoken.after if place == spoken.after else place
        return items
