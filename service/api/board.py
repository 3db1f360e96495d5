"""`GET /v1/spindles`: the spindles a key may see, filtered and sorted, whole or by their health alone."""

from datetime import datetime
from typing import Annotated, Any, Final, Literal, TypeAlias

import msgspec
from litestar import Request, Response, Router, get
from litestar.di import NamedDependency
from litestar.exceptions import ValidationException
from litestar.params import QueryParameter

from service import listed_spindles, lists, past, projections
from service.access import Key
from service.api.answered import Answers
from service.api.conditional import Told
from service.api.door import time_of
from service.api.event_stream import EventStream, last_event_id, wants_events
from service.api.looking_back import AsOf, KnownAt, looking_back
from service.api.narrowing import Lifecycle, SpindlesWanted
from service.api.pages import Cursor, Name, Page, Prefix, cursor_after, page_told, paged, place_of
from service.api.streams import Streams
from service.changes import SpindleHealth, each_once, health_of, read_cursor
from service.domain.health import Clearance, Health
from service.domain.refusal import Refusal
from service.domain.shown import SpindleShown, spindle_shown
from service.postgres import Database, Transaction
from service.pulse import Beat, Depth

Sort = Literal["key", "-key", "health", "-health", "due", "-due"]
WHOLE_MAX: Final = 1_000
HEALTH_MAX: Final = 10_000
_SORTS: Final = (
    "key, health (worst first) or due (soonest first), each the other way round with a minus before it. By key a walk "
    "meets every spindle once, whatever is written meanwhile; by health or due, one whose health or rechecks change "
    "between two pages may be met twice or missed."
)
_BEFORE: Final = (
    "RFC 3339: spindles with a recheck that is due or overdue, or falls due by days before then. What falls due by "
    "cycles alone has no date until it does"
)
_VIEWS: Final = "whole spindles, or key, health, clearance and the codes of the reasons alone"
_LIMIT: Final = f"how many items at most: {WHOLE_MAX} whole spindles, {HEALTH_MAX} by their health alone"

Listed: TypeAlias = SpindleShown | SpindleHealth


@get("/")
async def list_spindles(
    request: Request[Any, Any, Any],
    answers: NamedDependency[Answers],
    streams: NamedDependency[Streams],
    key: NamedDependency[Key],
    plant: Name = None,
    hall: Name = None,
    machine: Name = None,
    position: Name = None,
    sheet: Name = None,
    health: Annotated[list[Health] | None, QueryParameter(description="any of these")] = None,
    clearance: Annotated[list[Clearance] | None, QueryParameter(description="any of these")] = None,
    lifecycle: Annotated[list[Lifecycle] | None, QueryParameter(description="any of these")] = None,
    prefix: Prefix = None,
    due_before: Annotated[str | None, QueryParameter(description=_BEFORE, max_length=64)] = None,
    sort: Annotated[Sort, QueryParameter(description=_SORTS)] = "key",
    view: Annotated[Literal["whole", "health"], QueryParameter(description=_VIEWS)] = "whole",
    as_of: AsOf = None,
    known_at: KnownAt = None,
    limit: Annotated[int, QueryParameter(ge=1, le=HEALTH_MAX, description=_LIMIT)] = 100,
    cursor: Cursor = None,
) -> Response[Page[SpindleShown | SpindleHealth]]:
    """Spindles as they are now. A sort goes by what was last settled, which the sweep keeps seconds behind at most.

    By health alone counts are left out: the answer changes only when a health, a clearance or a reason does. With
    `Accept: text/event-stream` these are told as they change: all of them first or, with `Last-Event-ID`, those that
    have changed since. Looking back, every spindle's history is folded for the answer, in the order of keys.
    """
    wanted = SpindlesWanted(
        plant=plant,
        hall=hall,
        machine=machine,
        position=position,
        sheet=sheet,
        health=health,
        clearance=clearance,
        lifecycle=lifecycle,
        prefix=prefix,
        plants=key.plants,
        due_before=None if due_before is None else time_of(due_before, parameter="due_before"),
    )
    if wants_events(request):
        return await _stream(request, streams, wanted)
    asked = _asked(view, wanted, sort, limit, cursor)
    if as_of is not None or known_at is not None:
        return await _looking_back(request, answers.database, wanted, (as_of, known_at), asked)
    return await answers.answer(request, key, _depth(asked), lambda tx, beat: _now(request, tx, beat, wanted, asked))


def _asked(view: str, wanted: SpindlesWanted, sort: str, limit: int, cursor: str | None) -> lists.Asked:
    _check_limit(view, limit)
    return lists.Asked(
        listing=listed_spindles.SPINDLES if view == "whole" else listed_spindles.HEALTH,
        filters=msgspec.structs.asdict(wanted),
        sort=sort,
        limit=limit,
        cursor=cursor,
    )


def _check_limit(view: str, limit: int) -> None:
    if view == "whole" and limit > WHOLE_MAX:
        said = {"key": "limit", "message": f"Expected `int` <= {WHOLE_MAX}, or view=health"}
        raise ValidationException("the limit is too high", extra=[said])


class NotForAStream(Refusal):
    """A stream is of health alone, of the present, and in the order in which things change."""

    code = "not_for_a_stream"


_OF_PAGES: Final = ("due_before", "sort", "as_of", "known_at", "limit", "cursor")


async def _stream(request: Request[Any, Any, Any], streams: Streams, wanted: SpindlesWanted) -> Response[Any]:
    asked = request.query_params
    unfit = ["view"] if asked.get("view") != "health" else [name for name in _OF_PAGES if name in asked]
    if unfit:
        text = f"a stream of spindles needs view=health, and takes no {', '.join(_OF_PAGES)}"
        raise NotForAStream(text, parameter=unfit[0])
    last = last_event_id(request)
    return EventStream(await streams.health.open({} if last is None else read_cursor(last), wanted))


def _depth(asked: lists.Asked) -> Depth:
    """What the list is made from: counts, where they are shown or sorted by; rechecks, where they narrow it."""
    if asked.listing is listed_spindles.SPINDLES or asked.sort in ("due", "-due"):
        return "read"
    return "shown" if asked.filters["due_before"] is None else "written"


async def _now(
    request: Request[Any, Any, Any], tx: Transaction, beat: Beat, wanted: SpindlesWanted, asked: lists.Asked
) -> Told:
    def whole(row: Any) -> Listed | None:
        found = _settled(row, tx.now)
        return found if not row["late"] or wanted.takes_whole(found) else None

    def settled_health(row: Any) -> Listed | None:
        if not row["late"]:
            return health_of(row)
        found = _settled(row, tx.now)
        return _health_shown(found) if wanted.takes_whole(found) else None

    show = whole
    if asked.listing is listed_spindles.HEALTH:
        show = settled_health if beat.any_late else health_of
        asked = msgspec.structs.replace(
            asked, listing=listed_spindles.LATE_HEALTH if beat.any_late else listed_spindles.HEALTH
        )
    items: list[Listed]
    items, following = await lists.page(tx, asked, show)
    return page_told(request, items, following)


async def _looking_back(
    request: Request[Any, Any, Any],
    database: Database,
    wanted: SpindlesWanted,
    times: tuple[str | None, str | None],
    asked: lists.Asked,
) -> Response[Page[Listed]]:
    path = request.url.path
    found: list[SpindleShown] = []
    following = None
    async with database.transaction(snapshot=True) as tx:
        then = looking_back(tx, *times)
        async for _, seen in past.walk_back(tx, then, after=place_of(path, asked.cursor, str) or ""):
            shown = spindle_shown(seen.folded.final.state, seen.seen, seen.sequence, seen.seen.now.time)
            if not wanted.takes_whole(shown):
                continue
            if len(found) == asked.limit:
                following = cursor_after(path, found[-1].key)
                break
            found.append(shown)
    items: list[Listed] = [each if asked.listing is listed_spindles.SPINDLES else _health_shown(each) for each in found]
    return paged(request, items, following)


def _health_shown(found: SpindleShown) -> SpindleHealth:
    codes = each_once(reason.code for reason in found.reasons)
    return SpindleHealth(key=found.key, health=found.health, clearance=found.clearance, reasons=codes)


def _settled(row: Any, now: datetime) -> SpindleShown:
    """A spindle as it is now, settled on the way where its next look has passed; nothing is written."""
    stored = projections.stored_of(row)
    at = stored.settled_by(now)
    return spindle_shown(stored.state, stored.view(at), row["newest"], at)


routes: Final = Router(path="/v1/spindles", route_handlers=[list_spindles], opt={"scope": "read"}, tags=["spindles"])
