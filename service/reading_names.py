"""Which spindle each reading of a call is of: by its key, or by the place where it was installed then."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, Final

from msgspec import Struct

from service.access import Key
from service.domain.refusal import Refusal
from service.postgres import Statements, Transaction

SQL: Final = Statements.beside(__file__)
_REMEMBERED: Final = "numbers of spindles by their keys"
_REMEMBERED_MAX: Final = 100_000


class CounterUnknown(Refusal):
    """No spindle of that name, or nothing installed in that place then."""

    code = "spindle_unknown"


class PlaceAmbiguous(Refusal):
    code = "place_ambiguous"


class Origin(Struct, frozen=True, kw_only=True):
    """Who read counters, and when: shared by all readings of a snapshot."""

    source: str
    time: datetime
    key: Key


class Reading(Struct, frozen=True, gc=False):
    """One reading as it was sent. `named` is a spindle's key or `machine/position`."""

    named: str
    count: int
    origin: Origin


def snapshot(source: str, time: datetime, readings: Iterable[tuple[str, int]], key: Key) -> list[Reading]:
    """Readings that were taken at one time."""
    origin = Origin(source=source, time=time, key=key)
    return [Reading(named, count, origin) for named, count in readings]


async def resolve(tx: Transaction, sent: Sequence[Reading]) -> list[int | Refusal]:
    """The number of each reading's spindle, or why it has none that its key reaches."""
    numbers = await _by_key(tx, {each.named for each in sent})
    found: list[int | Refusal] = [numbers.get(each.named, 0) for each in sent]
    places = [place for place, each in enumerate(sent) if "/" in each.named]
    if places:
        await _by_place(tx, sent, places, found)
    bound = [place for place, each in enumerate(sent) if each.origin.key.plants is not None]
    plants = await _plants(tx, {number for place in bound if isinstance(number := found[place], int)})
    for place in bound:
        number = found[place]
        if isinstance(number, int) and not sent[place].origin.key.reaches(plants.get(number)):
            found[place] = 0
    if 0 in found:
        found = [unknown(sent[place].named) if number == 0 else number for place, number in enumerate(found)]
    return found


def unknown(named: str) -> CounterUnknown:
    return CounterUnknown(f"there is no spindle {named!r} at that time")


async def _by_key(tx: Transaction, names: set[str]) -> dict[str, int]:
    """Numbers of spindles; a key and its number stay together for ever, so they are remembered."""
    known: dict[str, int] = tx.recall(_REMEMBERED) or {}
    missing = [name for name in names if name not in known and "/" not in name]
    if missing:
        rows = await tx.rows(SQL["resolve_spindles"], keys=missing)
        if len(known) + len(rows) > _REMEMBERED_MAX:
            known = {name: known[name] for name in names if name in known}
        known.update((row["key"], row["subject"]) for row in rows)
        tx.remember(_REMEMBERED, known)
    return known


async def _by_place(tx: Transaction, sent: Sequence[Reading], places: list[int], found: list[int | Refusal]) -> None:
    """What was installed there then, of what the reading's key reaches."""
    asked = [(sent[place].named.partition("/"), sent[place].origin.time) for place in places]
    rows = await tx.rows(
        SQL["resolve_places"],
        machines=[named[0] for named, _ in asked],
        positions=[named[2] for named, _ in asked],
        times=[time for _, time in asked],
    )
    plants = await _plants(tx, {row["subject"] for row in rows})
    candidates: dict[int, list[int]] = {}
    for row in rows:
        place = places[row["number"] - 1]
        if row["subject"] in plants and sent[place].origin.key.reaches(plants[row["subject"]]):
            candidates.setdefault(place, []).append(row["subject"])
    for place, numbers in candidates.items():
        named = sent[place].named
        several = PlaceAmbiguous(f"{named!r} is a place in more than one plant")
        found[place] = numbers[0] if len(numbers) == 1 else several


async def _plants(tx: Transaction, subjects: Iterable[int]) -> dict[int, Any]:
    numbers = sorted(subjects)
    rows = await tx.rows(SQL["plants_of"], subjects=numbers) if numbers else []
    return {row["subject"]: row["plant"] for row in rows}
