"""`GET /v1/spindles`: the spindles a key may see, filtered and sorted, whole or by their health alone."""

from datetime import datetime
from typing import Annotated, Any, Final, Literal, TypeAlias

import msgspec
from litestar import Request, Response, Router, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter
from msgspec import Struct

from service import lists, past, projections
from service.access import Key
from service.api.looking_back import AsOf, KnownAt, looking_back
from service.api.pages import Cursor, Limit, Name, Page, Prefix, cursor_after, paged, place_of
from service.domain.shown import SpindleShown, spindle_shown
from service.postgres import Database, Transaction

Health = Literal["failure", "out_of_specification", "function_check", "maintenance_required", "normal"]
Clearance = Literal["cleared", "restricted", "withheld"]
Lifecycle = Literal["installed", "store", "repair", "retired"]
_SORTS: Final = (
    "key, health (worst first) or due (soonest first). By key a walk meets every spindle once, whatever is written "
    "meanwhile; by health or due, one whose health or rechecks change between two pages may be met twice or missed."
)


class SpindleHealth(Struct, frozen=True, kw_only=True):
    """What a dashboard polls. `health` is null while the spindle is not in a machine."""

    key: str
    plant: str
    hall: str | None
    machine: str | None
    health: str | None
    clearance: str
    count: int
    counted_at: datetime


Listed: TypeAlias = SpindleShown | SpindleHealth


@get("/")
async def list_spindles(
    request: Request[Any, Any, Any],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    plant: Name = None,
    hall: Name = None,
    machine: Name = None,
    sheet: Name = None,
    health: Annotated[list[Health] | None, QueryParameter(description="any of these")] = None,
    clearance: Annotated[list[Clearance] | None, QueryParameter(description="any of these")] = None,
    lifecycle: Annotated[list[Lifecycle] | None, QueryParameter(description="any of these")] = None,
    prefix: Prefix = None,
    sort: Annotated[Literal["key", "health", "due"], QueryParameter(description=_SORTS)] = "key",
    view: Annotated[
        Literal["whole", "health"], QueryParameter(description="whole spindles, or their health alone")
    ] = "whole",
    as_of: AsOf = None,
    known_at: KnownAt = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[SpindleShown | SpindleHealth]]:
    """Spindles as they are now. A sort goes by what was last settled, which the sweep keeps seconds behind at most.

    Looking back, every spindle's history is folded for the answer, in the order of keys.
    """
    wanted = _Wanted(
        plant=plant,
        hall=hall,
        machine=machine,
        sheet=sheet,
        health=health,
        clearance=clearance,
        lifecycle=lifecycle,
        prefix=prefix,
        plants=key.plants,
    )
    asked = lists.Asked(
        listing=lists.SPINDLES if view == "whole" else lists.HEALTH,
        filters=msgspec.structs.asdict(wanted),
        sort=sort,
        limit=limit,
        cursor=cursor,
    )
    async with database.transaction(snapshot=True) as tx:
        if as_of is not None or known_at is not None:
            return await _looking_back(request, tx, wanted, looking_back(tx, as_of, known_at), asked)
        return await _now(request, tx, wanted, asked)


class _Wanted(Struct, frozen=True, kw_only=True):
    """The filters of the list, each None where anything will do."""

    plant: str | None
    hall: str | None
    machine: str | None
    sheet: str | None
    health: list[Health] | None
    clearance: list[Clearance] | None
    lifecycle: list[Lifecycle] | None
    prefix: str | None
    plants: tuple[str, ...] | None

    def takes(self, found: SpindleShown) -> bool:
        return (
            all(
                getattr(self, name) is None or getattr(self, name) == getattr(found, name)
                for name in ("plant", "hall", "machine", "sheet")
            )
            and all(
                not getattr(self, name) or getattr(found, name) in getattr(self, name)
                for name in ("health", "clearance", "lifecycle")
            )
            and (self.prefix is None or found.key.startswith(self.prefix))
            and (self.plants is None or found.plant in self.plants)
        )


async def _now(
    request: Request[Any, Any, Any], tx: Transaction, wanted: _Wanted, asked: lists.Asked
) -> Response[Page[Listed]]:
    def shown(row: Any) -> Listed | None:
        found: Listed = _whole(row, tx.now) if asked.listing is lists.SPINDLES else _health(row, tx.now)
        fits = (not wanted.health or found.health in wanted.health) and (
            not wanted.clearance or found.clearance in wanted.clearance
        )
        return found if fits else None

    items: list[Listed]
    items, following = await lists.page(tx, asked, shown)
    return paged(request, items, following)


async def _looking_back(
    request: Request[Any, Any, Any], tx: Transaction, wanted: _Wanted, then: past.Asked, asked: lists.Asked
) -> Response[Page[Listed]]:
    path = request.url.path
    found: list[SpindleShown] = []
    following = None
    async for _, seen in past.walk_back(tx, then, after=place_of(path, asked.cursor, str) or ""):
        shown = spindle_shown(seen.folded.final.state, seen.seen, seen.sequence, seen.seen.now.time)
        if not wanted.takes(shown):
            continue
        if len(found) == asked.limit:
            following = cursor_after(path, found[-1].key)
            break
        found.append(shown)
    items: list[Listed] = [each if asked.listing is lists.SPINDLES else _health_of(each) for each in found]
    return paged(request, items, following)


def _health_of(found: SpindleShown) -> SpindleHealth:
    return SpindleHealth(**{name: getattr(found, name) for name in SpindleHealth.__struct_fields__})


def _whole(row: Any, now: datetime) -> SpindleShown:
    stored = projections.stored_of(row)
    at = stored.settled_by(now)
    return spindle_shown(stored.state, stored.view(at), row["newest"], at)


def _health(row: Any, now: datetime) -> SpindleHealth:
    health, clearance = row["health"], row["clearance"]
    if row["folded"] is not None:
        stored = projections.stored_of(row)
        assessment = stored.view(stored.settled_by(now)).assessment
        health, clearance = assessment.health, assessment.clearance
    return SpindleHealth(
        key=row["key"],
        plant=row["plant"],
        hall=row["hall"],
        machine=row["machine"],
        health=health,
        clearance=clearance,
        count=row["count"],
        counted_at=row["read_at"],
    )


routes: Final = Router(path="/v1/spindles", route_handlers=[list_spindles], opt={"scope": "read"}, tags=["spindles"])
