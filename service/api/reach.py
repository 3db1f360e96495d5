"""What a gauge has judged and a lot has reached: `/v1/gauges/{key}/reach` and `/v1/lots/{code}/reach`."""

from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Final

from litestar import Request, Response, Router, get
from litestar.di import NamedDependency
from litestar.params import FromPath, QueryParameter
from msgspec import Struct

from service import catalogue, ledger
from service.access import Key
from service.api.door import time_of
from service.api.gauges import GaugeNotFound
from service.api.lots import LotNotFound
from service.api.pages import Cursor, Limit, Page, paged
from service.cursors import read_cursor, write_cursor
from service.postgres import Database

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_KINDS: Final = [int, int, int]

Since = Annotated[str | None, QueryParameter(description="RFC 3339: used from then on", max_length=64)]
Until = Annotated[str | None, QueryParameter(description="RFC 3339: used before then", max_length=64)]


class Judged(Struct, frozen=True, kw_only=True):
    """One use of a gauge: a measurement with the verdict that now holds, or a torque (`outcome` null)."""

    spindle: str
    plant: str
    machine: str | None
    entry: int
    time: datetime
    check: str
    outcome: str | None
    health: str | None
    clearance: str


class Fitted(Struct, frozen=True, kw_only=True):
    """One kit of a lot in a spindle; `fitted_now` while no later rebuild has replaced it."""

    spindle: str
    plant: str
    machine: str | None
    entry: int
    time: datetime
    fitted_now: bool
    health: str | None
    clearance: str


@get("/gauges/{gauge:str}/reach", tags=["gauges"])
async def read_reach_of_gauge(
    request: Request[Any, Any, Any],
    gauge: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    since: Since = None,
    until: Until = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[Judged]]:
    """What a gauge judged, or a torque tool torqued, between two times: in the order in which it happened."""
    bounds = [
        None if text is None else time_of(text, parameter=name) for name, text in (("since", since), ("until", until))
    ]
    async with database.transaction(snapshot=True) as tx:
        if await ledger.find(tx, "gauges", gauge) is None:
            raise GaugeNotFound(f"there is no gauge {gauge!r}")
        rows = await tx.rows(
            catalogue.SQL["reach_of_gauge"],
            key=gauge,
            since=bounds[0],
            until=bounds[1],
            plants=None if key.plants is None else list(key.plants),
            **_after(_question(request), cursor),
            limit=limit + 1,
        )
    found = [Judged(**{name: row[name] for name in Judged.__struct_fields__}) for row in rows[:limit]]
    return paged(request, found, _following(_question(request), rows, limit))


@get("/lots/{lot:str}/reach", tags=["lots"])
async def read_reach_of_lot(
    request: Request[Any, Any, Any],
    lot: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[Fitted]]:
    """The spindles that kits of a lot went into, in the order in which it happened."""
    async with database.transaction(snapshot=True) as tx:
        if await ledger.find(tx, "lots", lot) is None:
            raise LotNotFound(f"there is no lot {lot!r}")
        rows = await tx.rows(
            catalogue.SQL["reach_of_lot"],
            key=lot,
            plants=None if key.plants is None else list(key.plants),
            **_after(_question(request), cursor),
            limit=limit + 1,
        )
    found = [Fitted(**{name: row[name] for name in Fitted.__struct_fields__}) for row in rows[:limit]]
    return paged(request, found, _following(_question(request), rows, limit))


def _question(request: Request[Any, Any, Any]) -> list[str]:
    """What a cursor is bound to: the address and what narrows it."""
    asked = sorted(request.query_params.multi_items())
    return [request.url.path, *(f"{name}={value}" for name, value in asked if name in ("since", "until"))]


def _after(question: list[str], cursor: str | None) -> dict[str, Any]:
    """The place after which a page begins. Raises CursorMalformed."""
    if cursor is None:
        return {"after": None, "after_subject": 0, "after_sequence": 0}
    microseconds, subject, sequence = read_cursor(question, _KINDS, cursor)
    return {
        "after": _EPOCH + timedelta(microseconds=int(microseconds)),
        "after_subject": int(subject),
        "after_sequence": int(sequence),
    }


def _following(question: list[str], rows: list[Any], limit: int) -> str | None:
    if len(rows) <= limit:
        return None
    last = rows[limit - 1]
    microseconds = (last["time"].astimezone(UTC) - _EPOCH) // timedelta(microseconds=1)
    return write_cursor(question, [microseconds, last["subject"], last["entry"]])


routes: Final = Router(path="/v1", route_handlers=[read_reach_of_gauge, read_reach_of_lot], opt={"scope": "read"})
