"""`/v1/work-orders`: what is to be done, as lists, as a feed of changes, one by one; and what is planned of it."""

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any, Final, Literal

from litestar import Request, Response, Router, get, patch
from litestar.di import NamedDependency
from litestar.params import FromPath, QueryParameter
from msgspec import Meta, Struct

from service import cursors, ledger, lists, work_orders
from service.access import Key
from service.api.conditional import answer, check_unchanged, etag_of
from service.api.door import JSON_BODY, time_of
from service.api.negotiation import chosen
from service.api.pages import Cursor, Limit, Name, Page, next_link
from service.api.planning import WorkOrderChange, planned_as, read_change
from service.domain import b2mml
from service.domain.cause import JobOrder
from service.domain.refusal import Refusal
from service.domain.shown import MomentShown
from service.domain.turn import CAUTIONS
from service.domain.work_order import CauseName, EndedShown, Planned, Proof, RequestState
from service.listed_work_orders import WORK_ORDERS
from service.postgres import Database, Transaction
from service.work_orders import Told

JSON: Final = "application/json"
B2MML: Final = "application/b2mml+json"
_VARY: Final = {"Vary": "Accept"}
_SORTS: Final = (
    "spindle, or priority: the most pressing first, then by due_by; due: by due_by; changed: by the newest change. By "
    "spindle a walk meets every order once, whatever is written meanwhile."
)
_OPEN: Final = "only what the ledger has not ended, or only the rest"
_DUE_BEFORE: Final = "RFC 3339: open, and overdue by then"
Rank = Annotated[int, Meta(ge=1, le=4)]
_AFTER: Final = (
    "the `next` of an earlier answer of this feed, or empty for its beginning: orders by their newest change, each as "
    "it now is"
)


class WorkOrderNotFound(Refusal):
    """There is no such order, or it is in a plant that the key does not reach."""

    code = "work_order_not_found"


class NotInAFeed(Refusal):
    """A feed goes by its changes and is not sorted or filtered by what changes."""

    code = "not_with_after"


class WorkOrderShown(Struct, frozen=True, kw_only=True):
    """An order. `planning` is the maintenance system's, everything else the ledger's.

    `state` is a word of ISA-95's request state. `proof` says whether the job is proven: awaited; missing, where it was
    closed outside without an admissible measurement (the recheck stays open); given; given_after_closing; not_needed.
    """

    id: str
    state: RequestState
    proof: Proof
    cause: CauseName
    about: str
    reason: str
    text: str
    health: str
    priority: int
    spindle: str
    plant: str
    hall: str | None
    machine: str | None
    position: str | None
    sheet: str
    check: str | None
    episode: str | None
    opened: MomentShown
    entry: int | None
    due_by: datetime | None
    due_by_count: int | None
    job: JobOrder
    cautions: tuple[str, ...]
    ended: EndedShown | None
    planning: Planned
    planned: datetime | None
    planned_by: int | None
    closed: datetime | None
    told: datetime
    changed: datetime


@get("/")
async def list_work_orders(
    request: Request[Any, Any, Any],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    standing: Annotated[list[RequestState] | None, QueryParameter(name="state", description="any of these")] = None,
    open_only: Annotated[bool | None, QueryParameter(name="open", description=_OPEN)] = None,
    cause: Annotated[list[CauseName] | None, QueryParameter(description="any of these")] = None,
    priority: Annotated[list[Rank] | None, QueryParameter(description="1 (first) to 4; any of these")] = None,
    plant: Name = None,
    hall: Name = None,
    machine: Name = None,
    spindle: Name = None,
    due_before: Annotated[str | None, QueryParameter(description=_DUE_BEFORE, max_length=64)] = None,
    sort: Annotated[Literal["spindle", "priority", "due", "changed"] | None, QueryParameter(description=_SORTS)] = None,
    after: Annotated[str | None, QueryParameter(description=_AFTER, max_length=200)] = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[WorkOrderShown]]:
    """Work orders; with `after` what has changed of them, for a system that keeps up.

    A reader who holds a cursor of the feed never later finds a change behind it. Orders are as they were last settled,
    which is at most a sweep ago. With `Accept: application/b2mml+json` they are WorkRequests and JobResponses, and the
    next page is in the `Link`.
    """
    media = chosen(request, (JSON, B2MML))
    filters = {
        "state": standing,
        "cause": cause,
        "priority": priority,
        "plants": key.plants,
        "plant": plant,
        "hall": hall,
        "machine": machine,
        "spindle": spindle,
        "open": True if open_only else None,
        "ended": True if open_only is False else None,
        "due_before": None if due_before is None else time_of(due_before, parameter="due_before"),
    }
    async with database.transaction(snapshot=True) as tx:
        if after is not None:
            _check_feed(filters, sort, cursor)
            return await _feed(request, tx, media, after, limit, filters)
        told, following = await lists.page(tx, _asked(filters, sort, limit, cursor), work_orders.told_of)
    headers = {} if following is None else next_link(request, "cursor", following)
    page = Page(items=[_shown(each) for each in told], next=following)
    return answer(request, *_as(media, page, told), headers={**headers, **_VARY})


def _asked(filters: dict[str, Any], sort: str | None, limit: int, cursor: str | None) -> lists.Asked:
    return lists.Asked(listing=WORK_ORDERS, filters=filters, sort=sort or "spindle", limit=limit, cursor=cursor)


def _check_feed(filters: dict[str, Any], sort: str | None, cursor: str | None) -> None:
    changing = ("state", "open", "ended", "priority", "due_before")
    given = {**{name: filters[name] for name in changing}, "sort": sort, "cursor": cursor}
    for name, value in given.items():
        if value is not None:
            text = f"{name} does not go with after: the feed tells every change, in the order of the changes"
            raise NotInAFeed(text, parameter="open" if name == "ended" else name)


async def _feed(
    request: Request[Any, Any, Any], tx: Transaction, media: str, after: str, limit: int, filters: dict[str, Any]
) -> Response[Any]:
    place = cursors.read_cursor(_OF_FEED, [int], after, parameter="after")[0] if after else 0
    wanted = {name: filters[name] for name in ("plant", "hall", "machine", "spindle", "plants")}
    found = await work_orders.changes(tx, int(place), limit=limit, causes=filters["cause"], **wanted)
    if int(place) > found.newest:
        raise cursors.CursorMalformed("this cursor is beyond the end: it is another ledger's", parameter="after")
    following = cursors.write_cursor(_OF_FEED, [found.upto])
    feed = Page(items=[_shown(each) for each in found.orders], next=following)
    headers = {**next_link(request, "after", following), **_VARY}
    return answer(request, *_as(media, feed, found.orders), headers=headers)


_OF_FEED: Final = ("changes of work orders",)


def _as(media: str, value: Any, told: Sequence[Told]) -> tuple[Any, str]:
    """What is answered, in the media type that was chosen."""
    return (b2mml.documents(_for_b2mml(each) for each in told), media) if media == B2MML else (value, media)


def _for_b2mml(told: Told) -> tuple[Any, ...]:
    return told.order, told.state, told.planning, told.told


def _shown(told: Told) -> WorkOrderShown:
    order = told.order
    of_ledger = {name: getattr(order, name) for name in order.__struct_fields__ if name != "state"}
    of_told = {
        name: getattr(told, name)
        for name in ("state", "proof", "planning", "planned", "planned_by", "closed", "told", "changed")
    }
    return WorkOrderShown(**of_ledger, **of_told, cautions=CAUTIONS)


@get("/{work_order:str}")
async def read_work_order(
    request: Request[Any, Any, Any],
    work_order: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> Response[WorkOrderShown]:
    """One order, with its job, its planning, and what ended it."""
    media = chosen(request, (JSON, B2MML))
    async with database.transaction() as tx:
        told = await _visible(tx, work_order, key)
    if media == B2MML:
        shown: Any = b2mml.document(*_for_b2mml(told))
        return answer(request, shown, media, headers=_VARY)
    return answer(request, _shown(told), headers=_VARY)


@patch("/{work_order:str}", opt={"scope": "work_orders:write", JSON_BODY: WorkOrderChange})
async def plan_work_order(
    request: Request[Any, Any, Any],
    work_order: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> Response[WorkOrderShown]:
    """Says what is planned, how far it is, or that it was closed outside; only from what was read (`If-Match`).

    The body is a merge patch (RFC 7396) with `planning` alone: the rest is the ledger's, and naming it is a conflict.
    Where everything is already as the patch wants it, it is answered as done, whatever `If-Match` names: so a change
    whose answer was lost may be sent again (RFC 9110, 13.1.1). Closing an order proves nothing: it is shown without
    proof, and what asked for it stays open, until an admissible measurement completes it.
    """
    change = read_change(await request.body())
    async with database.transaction() as tx:
        wanted = change.planning.assignee
        person = await ledger.person(tx, wanted) if isinstance(wanted, str) else None
        told = await _visible(tx, work_order, key, to_plan=True)
        planning = planned_as(change.planning, told)
        check_unchanged(
            request,
            _shown(told),
            b2mml.document(*_for_b2mml(told)),
            needed=True,
            done=planning == told.planning,
        )
        if planning != told.planning:
            if person is None and planning.assignee is not None:
                person = await ledger.person(tx, planning.assignee)
            told = await work_orders.plan(tx, told, planning, assignee=person, key=key.key)
    shown = _shown(told)
    return Response(shown, headers={"ETag": etag_of(shown), "Cache-Control": "private, no-cache", **_VARY})


async def _visible(tx: Transaction, work_order: str, key: Key, *, to_plan: bool = False) -> Told:
    """The order, or WorkOrderNotFound where there is none within the key's plants."""
    told = await work_orders.read(tx, work_order, to_plan=to_plan)
    if told is None or not key.reaches(told.order.plant):
        raise WorkOrderNotFound("there is no such work order")
    return told


routes: Final = Router(
    path="/v1/work-orders",
    route_handlers=[list_work_orders, read_work_order, plan_work_order],
    opt={"scope": "read"},
    tags=["work-orders"],
)
