"""`/v1/mtconnect-mappings`: which data item of an MTConnect device counts for which spindle, and how."""

import re
from collections.abc import Sequence
from typing import Annotated, Any, Final

from litestar import Request, Response, Router, delete, get, patch, post
from litestar.di import NamedDependency
from litestar.params import FromPath, JSONBody, QueryParameter
from msgspec import UNSET, Meta, Struct, UnsetType
from msgspec.structs import replace

from service import mappings
from service.access import Key
from service.api.conditional import answer, check_unchanged, etag_of
from service.api.pages import Cursor, Limit, Name, Page, cursor_after, paged, place_of
from service.domain.observed import UseKind
from service.domain.refusal import Refusal
from service.mappings import Counter, Kept, Mapping, MappingTargetUnknown, Place
from service.postgres import Database, Transaction

PATH: Final = "/v1/mtconnect-mappings"
TEXT_CHARACTERS_MAX: Final = 256
DESCRIPTION_CHARACTERS_MAX: Final = 500
STATES_MAX: Final = 100
_MAPPING: Final = r"mtm_[0-9a-f]{32}"
Device = Annotated[
    str | None, QueryParameter(min_length=1, max_length=TEXT_CHARACTERS_MAX, description="uuid of a device")
]


class MappingUnknown(Refusal):
    """There is no such mapping, or it is not this key's to see."""

    code = "mapping_not_found"


class MappingMalformed(Refusal):
    """A mapping that says too little, too much, or what cannot be."""

    code = "mapping_invalid"


Text = Annotated[str, Meta(min_length=1, max_length=TEXT_CHARACTERS_MAX)]
States = Annotated[tuple[Text, ...], Meta(max_length=STATES_MAX)]
Description = Annotated[str, Meta(max_length=DESCRIPTION_CHARACTERS_MAX)]


class MappingWanted(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A data item (`device` is the uuid of its DeviceStream, `item` its dataItemId) and what it counts: a `spindle`,
    or a `place`, where it is whoever is installed there at the time of each observation.

    `use` is `absolute` for a count as the machine shows it, `delta` where each observation adds its value, `transition`
    where a change counts one: into one of `states`, or any where none are named.
    """

    device: Text
    item: Text
    use: UseKind
    states: States = ()
    spindle: Text | None = None
    place: Place | None = None
    description: Description | None = None
    enabled: bool = True


class MappingChange(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is to be otherwise; a member left out stays. Another use, states, spindle or place begin the counting anew:
    with what the spindle's counter shows then.
    """

    use: UseKind | UnsetType = UNSET
    states: States | UnsetType = UNSET
    spindle: Text | UnsetType | None = UNSET
    place: Place | UnsetType | None = UNSET
    description: Description | UnsetType | None = UNSET
    enabled: bool | UnsetType = UNSET


def _check(wanted: MappingWanted | Mapping) -> None:
    """Raises MappingMalformed."""
    if (wanted.spindle is None) == (wanted.place is None):
        raise MappingMalformed("state either a spindle or a place", pointer="/spindle")
    if wanted.states and wanted.use != "transition":
        raise MappingMalformed("states are for the use transition", pointer="/states")
    place = wanted.place
    said = {
        "device": wanted.device,
        "item": wanted.item,
        "spindle": wanted.spindle,
        "description": wanted.description,
        **({} if place is None else {f"place/{name}": getattr(place, name) for name in Place.__struct_fields__}),
        **{f"states/{number}": state for number, state in enumerate(wanted.states)},
    }
    for name, text in said.items():
        if text is not None and ("\0" in text or (name != "description" and not text.strip())):
            raise MappingMalformed("it holds a NUL, or nothing", pointer=f"/{name}")


async def _target(tx: Transaction, wanted: MappingWanted | Mapping, key: Key, *, but: int = 0) -> Counter | None:
    """The counter of the spindle that is counted now, None where the place is empty.

    Raises MappingTargetUnknown, or AlreadyTied where another mapping counts that spindle.
    """
    if wanted.place is not None:
        if not key.reaches(wanted.place.plant):
            raise MappingTargetUnknown("this key is for other plants", pointer="/place/plant")
        found = await mappings.occupant_of(tx, wanted.place)
    else:
        assert wanted.spindle is not None
        found = await mappings.counter_of(tx, wanted.spindle)
        if found is None or not key.reaches(found.plant):
            raise MappingTargetUnknown(f"there is no spindle {wanted.spindle!r}", pointer="/spindle")
    if found is not None:
        pointer = "/spindle" if wanted.place is None else "/place"
        await mappings.check_counted_once(tx, found.key, but=but, pointer=pointer)
    return found


@post("/", status_code=201)
async def add_mapping(
    data: JSONBody[MappingWanted], database: NamedDependency[Database], key: NamedDependency[Key]
) -> Response[Mapping]:
    """Ties a data item to a spindle. What happened after the newest reading of its counter is counted."""
    _check(data)
    async with database.transaction() as tx:
        counter = await _target(tx, data, key)
        wanted = Mapping(
            id="",
            device=data.device,
            item=data.item,
            use=data.use,
            states=data.states,
            spindle=data.spindle,
            place=data.place,
            plant=_plant(data.place, counter),
            description=data.description,
            enabled=data.enabled,
            since=tx.now if counter is None else counter.read_at,
            created=tx.now,
            changed=tx.now,
        )
        added = await mappings.add(tx, wanted, None if counter is None else counter.reading)
    return Response(added, headers={"Location": f"{PATH}/{added.id}", "ETag": etag_of(added)})


def _plant(place: Place | None, counter: Counter | None) -> str:
    if place is not None:
        return place.plant
    assert counter is not None
    return counter.plant


@get("/")
async def list_mappings(
    request: Request[Any, Any, Any],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    device: Device = None,
    spindle: Name = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[Mapping]]:
    """Mappings in the order they were added; those of one device, or of one spindle."""
    after = place_of(request.url.path, cursor, int)
    async with database.transaction() as tx:
        found = await mappings.mappings(
            tx, limit=limit + 1, after=after or 0, device=device, spindle=spindle, plants=_plants(key)
        )
    following = cursor_after(request.url.path, found[limit - 1].number) if len(found) > limit else None
    return paged(request, [each.mapping for each in found[:limit]], following)


def _plants(key: Key) -> Sequence[str] | None:
    return None if key.plants is None else list(key.plants)


@get("/{mapping_id:str}")
async def read_mapping(
    request: Request[Any, Any, Any],
    mapping_id: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> Response[Mapping]:
    """One mapping."""
    async with database.transaction() as tx:
        return answer(request, (await _visible(tx, mapping_id, key)).mapping)


@patch("/{mapping_id:str}")
async def change_mapping(
    request: Request[Any, Any, Any],
    mapping_id: FromPath[str],
    data: JSONBody[MappingChange],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> Response[Mapping]:
    """Changes a mapping, only from what was read (`If-Match`). The body is a merge patch (RFC 7396)."""
    async with database.transaction() as tx:
        kept = await _visible(tx, mapping_id, key, to_change=True)
        check_unchanged(request, kept.mapping, needed=True)
        wanted = _changed(kept.mapping, data)
        _check(wanted)
        counted = ("use", "states", "spindle", "place")
        again = any(getattr(wanted, name) != getattr(kept.mapping, name) for name in counted)
        counter = await _target(tx, wanted, key, but=kept.number) if again else None
        if again:
            wanted = replace(wanted, plant=_plant(wanted.place, counter))
        await mappings.change(tx, kept, wanted, counter, again=again)
        changed = (await _visible(tx, mapping_id, key)).mapping
    return Response(changed, headers={"ETag": etag_of(changed), "Cache-Control": "private, no-cache"})


def _changed(mapping: Mapping, data: MappingChange) -> Mapping:
    """The mapping as it is wanted; another spindle takes the place of a place, and the other way round."""
    said: dict[str, Any] = {
        name: value for name in MappingChange.__struct_fields__ if (value := getattr(data, name)) is not UNSET
    }
    if said.get("spindle") is not None:
        said.setdefault("place", None)
    if said.get("place") is not None:
        said.setdefault("spindle", None)
    return replace(mapping, **said)


@delete("/{mapping_id:str}", status_code=204)
async def delete_mapping(
    request: Request[Any, Any, Any],
    mapping_id: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> None:
    """Ends the counting. What was counted stays in the ledger; what was observed is forgotten."""
    async with database.transaction() as tx:
        kept = await _visible(tx, mapping_id, key, to_change=True)
        check_unchanged(request, kept.mapping)
        await mappings.delete(tx, kept)


async def _visible(tx: Transaction, mapping_id: str, key: Key, *, to_change: bool = False) -> Kept:
    """The mapping, or MappingUnknown where there is none within the key's plants."""
    named = re.fullmatch(_MAPPING, mapping_id)
    found = await mappings.find(tx, mapping_id, to_change=to_change) if named else None
    if found is None or not key.reaches(found.mapping.plant):
        raise MappingUnknown("there is no such mapping")
    return found


routes: Final = Router(
    path=PATH,
    route_handlers=[add_mapping, list_mappings, read_mapping, change_mapping, delete_mapping],
    opt={"scope": "admin"},
    tags=["mtconnect"],
)
