"""What can be listened to over HTTP: everything recorded, and changes of health; each narrowed as its list is."""

from typing import Final

import msgspec

from service import changes, feed
from service.api.narrowing import SpindlesWanted
from service.changes import Change
from service.listening import Heard, Pace, Place, Portion, Room
from service.postgres import Database, Transaction
from service.pulse import Beat, Pulse

_encode: Final = msgspec.json.Encoder().encode
LEFT: Final = "left"
"""The name of the event that says of a spindle that it is no longer among those that were asked for."""


class _OfHealth:
    """Changes of health: a spindle as it is now, or that it is no longer among those asked for."""

    def mark(self, beat: Beat) -> int:
        return beat.changed

    async def end(self, tx: Transaction) -> Place:
        return await changes.end(tx)

    async def read(self, tx: Transaction, after: Place, wanted: SpindlesWanted | None, limit: int) -> Portion:
        found = await changes.read_on(tx, after, limit=limit)
        heard = tuple(Heard(each.log, each.number, each) for each in found.items)
        return Portion(heard=heard, after=found.cursor, at_end=found.at_end)

    def written(self, heard: Heard, wanted: SpindlesWanted) -> bytes | None:
        change: Change = heard.item
        how = "here" if wanted.takes(change) else LEFT
        if how == LEFT and not _is_told_of(wanted, change):
            return None
        if how not in heard.written:
            told = _encode(change.shown) if how == "here" else _encode({"key": change.key})
            name = b"" if how == "here" else f"event: {LEFT}\n".encode()
            heard.written[how] = name + b"data: " + told + b"\n\n"
        return heard.written[how]

    def text(self, place: Place) -> str:
        return changes.cursor_text(place)


def _is_told_of(wanted: SpindlesWanted, change: Change) -> bool:
    """Whether the key sees the spindle, or saw it until it went to another plant."""
    plants = wanted.plants
    return plants is None or change.plant in plants or any(plant in plants for plant in change.was_in)


class _OfEvents:
    """The feed."""

    def mark(self, beat: Beat) -> int:
        return beat.positions

    async def end(self, tx: Transaction) -> Place:
        return await feed.end(tx)

    async def read(self, tx: Transaction, after: Place, wanted: feed.Wanted | None, limit: int) -> Portion:
        found = await feed.read_on(tx, after, wanted or feed.Wanted(), limit=limit)
        heard = tuple(
            Heard(item.log, (item.position, item.recorded), (item, plant))
            for item, plant in zip(found.items, found.plants, strict=True)
        )
        return Portion(heard=heard, after=found.cursor, at_end=found.at_end)

    def written(self, heard: Heard, wanted: feed.Wanted) -> bytes | None:
        if not wanted.takes(*heard.item):
            return None
        if not heard.written:
            heard.written[""] = b"data: " + _encode(heard.item[0]) + b"\n\n"
        return heard.written[""]

    def text(self, place: Place) -> str:
        return feed.cursor_text(place)


class Streams:
    """What one process can be listened to for."""

    def __init__(self, database: Database, pulse: Pulse, pace: Pace) -> None:
        self.health: Room[SpindlesWanted] = Room(database, pulse, _OfHealth(), pace)
        self.events: Room[feed.Wanted] = Room(database, pulse, _OfEvents(), pace)

    async def end(self) -> None:
        """Ends every stream in order, so that nobody has to be waited for."""
        await self.health.end()
        await self.events.end()
