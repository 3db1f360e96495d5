"""Which data item of an MTConnect device counts for which spindle: the mappings, as kept."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

from msgspec import Struct

from service.domain.observed import UseKind
from service.domain.refusal import Refusal
from service.postgres import Statements, Transaction, UniqueViolation

SQL: Final = Statements.beside(__file__)


class MappingTargetUnknown(Refusal):
    """No spindle of that key is on record, or it is not this key's to reach."""

    code = "spindle_unknown"


class AlreadyTied(Refusal):
    """The data item, the spindle or the place is tied already: two counts of one spindle would count twice."""

    code = "already_tied"


class Place(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where a spindle is installed; who is there is looked up at the time of each observation."""

    plant: str
    machine: str
    position: str


class Mapping(Struct, frozen=True, kw_only=True):
    """A data item tied to a spindle, or to a place. What happened after `since` is counted.

    `states` are those that count where use is `transition`; without any, every change does.
    """

    id: str
    device: str
    item: str
    use: UseKind
    states: tuple[str, ...]
    spindle: str | None
    place: Place | None
    plant: str
    description: str | None
    enabled: bool
    since: datetime
    created: datetime
    changed: datetime


class Kept(Struct, frozen=True, kw_only=True):
    """A mapping with its number inside and what its spindle's counter showed at `since`."""

    number: int
    mapping: Mapping
    anchor: int | None


class Counter(Struct, frozen=True, kw_only=True):
    """A spindle that is to be counted: its plant and what its counter showed last."""

    key: str
    plant: str
    reading: int
    read_at: datetime


async def counter_of(tx: Transaction, spindle: str) -> Counter | None:
    row = await tx.row(SQL["counter_of"], key=spindle)
    return None if row is None else Counter(**row)


async def occupant_of(tx: Transaction, place: Place) -> Counter | None:
    """The spindle that is installed in a place now."""
    row = await tx.row(SQL["occupant_of"], plant=place.plant, machine=place.machine, position=place.position)
    return None if row is None else Counter(**row)


async def check_counted_once(tx: Transaction, spindle: str, *, but: int = 0, pointer: str) -> None:
    """Raises AlreadyTied where another mapping reaches the spindle now."""
    other = await tx.value(SQL["also_counts"], spindle=spindle, number=but)
    if other is not None:
        raise AlreadyTied(f"spindle {spindle!r} is counted by mapping {other} already", pointer=pointer)


async def add(tx: Transaction, mapping: Mapping, anchor: int | None) -> Mapping:
    """Adds a mapping; its id, `created` and `changed` are given here. Raises AlreadyTied."""
    values = _columns(mapping) | {"device": mapping.device, "item": mapping.item}
    try:
        added: str = await tx.value(SQL["add"], **values, since=mapping.since, anchor=anchor, now=tx.now)
    except UniqueViolation as violation:
        raise _tied(violation) from violation
    found = await find(tx, added)
    assert found is not None
    return found.mapping


def _tied(violation: Any) -> AlreadyTied:
    what, pointer = {
        "mtconnect_item_is_tied": ("this data item of this device", "/item"),
        "mtconnect_spindle_is_counted": ("this spindle", "/spindle"),
    }.get(violation.constraint_name, ("this place", "/place"))
    return AlreadyTied(f"{what} is tied by another mapping already", pointer=pointer)


def _columns(mapping: Mapping) -> dict[str, Any]:
    place = mapping.place
    return {
        "use": mapping.use,
        "states": list(mapping.states),
        "spindle": mapping.spindle,
        "plant": mapping.plant,
        "machine": None if place is None else place.machine,
        "position": None if place is None else place.position,
        "description": mapping.description,
        "enabled": mapping.enabled,
    }


async def find(tx: Transaction, mapping_id: str, *, to_change: bool = False) -> Kept | None:
    row = await tx.row(SQL["find_to_change" if to_change else "find"], id=mapping_id)
    return None if row is None else kept_of(row)


def kept_of(row: Any) -> Kept:
    place = None
    if row["spindle"] is None:
        place = Place(plant=row["plant"], machine=row["machine"], position=row["position"])
    names = ("id", "device", "item", "use", "spindle", "plant", "description", "enabled", "since", "created", "changed")
    mapping = Mapping(**{name: row[name] for name in names}, states=tuple(row["states"]), place=place)
    return Kept(number=row["number"], mapping=mapping, anchor=row["anchor"])


async def mappings(
    tx: Transaction,
    *,
    limit: int,
    after: int = 0,
    device: str | None = None,
    spindle: str | None = None,
    plants: Sequence[str] | None = None,
) -> list[Kept]:
    values = {"limit": limit, "after": after, "device": device, "spindle": spindle, "plants": plants}
    return [kept_of(row) for row in await tx.rows(SQL["list"], **values)]


async def change(tx: Transaction, kept: Kept, wanted: Mapping, counter: Counter | None, *, again: bool) -> None:
    """Writes a mapping as it is wanted; with `again` its counting begins anew. Raises AlreadyTied."""
    try:
        await tx.run(SQL["change"], number=kept.number, now=tx.now, **_columns(wanted))
    except UniqueViolation as violation:
        raise _tied(violation) from violation
    if again:
        since, anchor = (tx.now, None) if counter is None else (counter.read_at, counter.reading)
        await tx.run(SQL["begin_again"], number=kept.number, since=since, anchor=anchor)
        await tx.run(SQL["forget_points"], number=kept.number)


async def delete(tx: Transaction, kept: Kept) -> None:
    await tx.run(SQL["delete"], number=kept.number)
