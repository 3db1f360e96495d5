"""`GET /v1/spindles`: the spindles a key may see, filtered and sorted, whole or by their health alone."""

from datetime import datetime
from typing import Annotated, Any, Final, Literal, TypeAlias

from litestar import Request, Response, Router, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter
from msgspec import Struct

from service import lists, projections
from service.access import Key
from service.api.pages import Cursor, Limit, Name, Page, Prefix, paged
from service.domain.shown import SpindleShown, spindle_shown
from service.postgres import Database

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
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[SpindleShown | SpindleHealth]]:
    """Spindles as they are now. A sort goes by what was last settled, which the sweep keeps seconds behind at most."""
    asked = lists.Asked(
        listing=lists.SPINDLES if view == "whole" else lists.HEALTH,
        filters={
            "plant": plant,
            "hall": hall,
            "machine": machine,
            "sheet": sheet,
            "health": health,
            "clearance": clearance,
            "lifecycle": lifecycle,
            "prefix": prefix,
            "plants": key.plants,
        },
        sort=sort,
        limit=limit,
        cursor=cursor,
    )
    async with database.transaction(snapshot=True) as tx:

        def shown(row: Any) -> Listed | None:
            found: Listed = _whole(row, tx.now) if view == "whole" else _health(row, tx.now)
            fits = (not health or found.health in health) and (not clearance or found.clearance in clearance)
            return found if fits else None

        items: list[Listed]
        items, following = await lists.page(tx, asked, shown)
    return paged(request, items, following)


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
