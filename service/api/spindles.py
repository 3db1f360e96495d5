"""`/v1/spindles/{key}`: a spindle as it is now, its history, its measurements, its clearance."""

from datetime import datetime
from typing import Annotated, Any, Final, Literal, cast

import msgspec
from litestar import Request, Response, Router, get
from litestar.di import NamedDependency
from litestar.params import FromPath, QueryParameter
from msgspec import Struct, structs

from service import ledger, listed_spindles, lists, past, projections
from service.access import Key
from service.api.conditional import answer, is_known
from service.api.looking_back import AsOf, KnownAt, looking_back
from service.api.pages import Cursor, Limit, Name, Page, cursor_after, paged, part_of, place_of
from service.clocks import Clocks
from service.domain.finding import Outcome
from service.domain.fold import View, next_look
from service.domain.health import Reason
from service.domain.refusal import Refusal
from service.domain.shown import SpindleShown, spindle_shown
from service.domain.spindle import SpindleState
from service.domain.wear_chart import Charts
from service.feed import HistoryItem, entries_of
from service.foresee import Forecast, charts, forecast
from service.ledger import Subject
from service.postgres import Database, Transaction
from service.projections import Stored

Measured = Literal["setting", "draw_force", "run_out"]
_ORDERS: Final = (
    "time, or entry: in the order of recording, where what comes in late stands at the end, so that a walk meets every "
    "measurement once"
)


class SpindleNotFound(Refusal):
    code = "spindle_not_found"


class SpindleNow(SpindleShown, frozen=True, kw_only=True):
    """A spindle as it is, with the ids of the work orders that are open on it."""

    work_orders: tuple[str, ...]


class Clearance(Struct, frozen=True, kw_only=True):
    """May this spindle be used, and if not, why. Advice, never a statement that a machine is safe."""

    key: str
    clearance: str
    reasons: tuple[Reason, ...]
    count: int
    counted_at: datetime
    as_of: datetime


class MeasurementShown(Struct, frozen=True, kw_only=True):
    entry: int
    time: datetime
    check: str
    gauge: str | None
    outcome: str
    verdict: msgspec.Raw


async def _found(tx: Transaction, spindle: str, key: Key) -> tuple[Subject, Stored]:
    subject = await ledger.find(tx, "spindles", spindle)
    stored = None if subject is None else await projections.load(tx, subject.subject)
    if subject is None or stored is None or not key.reaches(stored.state.place.plant):
        raise SpindleNotFound(f"there is no spindle {spindle!r}")
    return subject, stored


async def _looked_at(database: Database, spindle: str, key: Key) -> projections.LookedAt:
    found = await projections.look_at(database, spindle)
    if found is None or not key.reaches(found.stored.state.place.plant):
        raise SpindleNotFound(f"there is no spindle {spindle!r}")
    return found


async def _then(tx: Transaction, spindle: str, key: Key, asked: past.Asked) -> past.Past:
    subject, _ = await _found(tx, spindle, key)
    then = await past.look_back(tx, subject.subject, spindle, asked)
    if then is None:
        raise SpindleNotFound(f"spindle {spindle!r} was not yet known then")
    return then


@get("/{spindle:str}")
async def read_spindle(
    request: Request[Any, Any, Any],
    spindle: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    as_of: AsOf = None,
    known_at: KnownAt = None,
) -> Response[SpindleNow | SpindleShown | None]:
    """The spindle as it is now, or as it was.

    The ETag of what is now changes with every entry, and whenever time changes what is shown.
    """
    if as_of is not None or known_at is not None:
        async with database.transaction(snapshot=True) as tx:
            then = await _then(tx, spindle, key, looking_back(tx, as_of, known_at))
        state = then.folded.final.state
        shown = spindle_shown(state, then.seen, then.sequence, then.seen.now.time)
        return cast(Response[SpindleNow | SpindleShown | None], answer(request, shown))
    found = await _looked_at(database, spindle, key)
    stored, at = found.stored, found.stored.settled_by(found.now)
    view = stored.view(at)
    look = next_look(stored.state, view)
    mark = "" if look is None else f"-{int(look.timestamp())}"
    etag = f'"{found.sequence}-{stored.settlements}{mark}"'
    if is_known(request, etag):
        return Response(None, status_code=304, headers={"ETag": etag})
    shown = spindle_shown(stored.state, view, found.sequence, at)
    whole = SpindleNow(**structs.asdict(shown), work_orders=found.work_orders)
    return Response(whole, headers={"ETag": etag, "Cache-Control": "private, no-cache"})


@get("/{spindle:str}/clearance")
async def read_clearance(
    spindle: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    as_of: AsOf = None,
    known_at: KnownAt = None,
) -> Clearance:
    """Whether the spindle may be used now, or might be then, with the reasons."""
    if as_of is not None or known_at is not None:
        async with database.transaction(snapshot=True) as tx:
            then = await _then(tx, spindle, key, looking_back(tx, as_of, known_at))
        return _clearance(spindle, then.folded.final.state, then.seen)
    found = await _looked_at(database, spindle, key)
    stored = found.stored
    return _clearance(spindle, stored.state, stored.view(max(found.now, stored.settled_at)))


def _clearance(spindle: str, state: SpindleState, view: View) -> Clearance:
    return Clearance(
        key=spindle,
        clearance=view.assessment.clearance,
        reasons=view.assessment.reasons,
        count=state.counter.count if view.now.count is None else view.now.count,
        counted_at=view.counted_at,
        as_of=view.now.time,
    )


@get("/{spindle:str}/forecast")
async def read_forecast(
    spindle: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    clocks: NamedDependency[Clocks],
    as_of: AsOf = None,
) -> Forecast:
    """When the spindle's rechecks fall due at its rate of use, what is wearing, and steps; now, or as of the past.

    A time has a median, and intervals that hold it in 80 and in 95 of 100 cases. Where nothing is known of its use, the
    answer says what is missing. `wear` has setting depth and draw force since the rebuild, with the limit that is met
    first and when, or why that cannot be said; `steps` are the losses of draw force that were found. An estimate for
    planning, not a promise, and nothing about whether a spindle is safe.
    """
    async with database.transaction(snapshot=True) as tx:
        subject, _ = await _found(tx, spindle, key)
        when = None if as_of is None else looking_back(tx, as_of, None).as_of
        found = await forecast(tx, subject.subject, spindle, clocks, when)
    if found is None:
        raise SpindleNotFound(f"spindle {spindle!r} was not yet known then")
    return found


@get("/{spindle:str}/charts")
async def read_charts(
    spindle: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    as_of: AsOf = None,
) -> Charts:
    """Setting depths and draw forces as charts of individuals and moving ranges, segment by segment.

    Forces also as cumulative sums and weighted means of how each came out beside what those before it let expect: by
    these steps are found.
    """
    async with database.transaction(snapshot=True) as tx:
        subject, _ = await _found(tx, spindle, key)
        when = None if as_of is None else looking_back(tx, as_of, None).as_of
        found = await charts(tx, subject.subject, spindle, when)
    if found is None:
        raise SpindleNotFound(f"spindle {spindle!r} was not yet known then")
    return found


@get("/{spindle:str}/events")
async def read_history(
    request: Request[Any, Any, Any],
    spindle: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[HistoryItem]]:
    """Everything recorded of the spindle, in the order of recording, counter readings included.

    What was corrected or voided stays as it was recorded, with what stands in its place.
    """
    after = place_of(request.url.path, cursor, int) or 0
    async with database.transaction(snapshot=True) as tx:
        subject, _ = await _found(tx, spindle, key)
        rows = await tx.rows(
            ledger.SQL["history"], subject=subject.subject, log=subject.log, after=after, limit=limit + 1
        )
        items = await entries_of(tx, subject.subject, rows[:limit])
    following = cursor_after(request.url.path, items[-1].sequence) if len(rows) > limit else None
    return paged(request, items, following)


@get("/{spindle:str}/measurements")
async def read_measurements(
    request: Request[Any, Any, Any],
    spindle: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    check: Annotated[list[Measured] | None, QueryParameter(description="any of these")] = None,
    outcome: Annotated[list[Outcome] | None, QueryParameter(description="any of these")] = None,
    gauge: Name = None,
    sort: Annotated[Literal["time", "entry"], QueryParameter(description=_ORDERS)] = "time",
    as_of: AsOf = None,
    known_at: KnownAt = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[MeasurementShown]]:
    """Measurements with the verdict that now holds on each, or that held then."""
    async with database.transaction(snapshot=True) as tx:
        if as_of is not None or known_at is not None:
            then = await _then(tx, spindle, key, looking_back(tx, as_of, known_at))
            rows, _lots = projections.judged_rows(then.folded.steps, then.folded.gauges)
            wanted = [
                row
                for row in sorted(rows, key=lambda row: row["sequence" if sort == "entry" else "occurred"])
                if (not check or row["kind"] in check)
                and (not outcome or row["outcome"] in outcome)
                and (gauge is None or row["gauge"] == gauge)
            ]
            return part_of(request, [_measurement(row) for row in wanted], limit, cursor)
        subject, _ = await _found(tx, spindle, key)
        asked = lists.Asked(
            listing=listed_spindles.MEASUREMENTS,
            filters={"subject": subject.subject, "check": check, "outcome": outcome, "gauge": gauge},
            sort=sort,
            limit=limit,
            cursor=cursor,
        )
        items, following = await lists.page(tx, asked, _measurement)
    return paged(request, items, following)


def _measurement(row: Any) -> MeasurementShown:
    return MeasurementShown(
        entry=row["sequence"],
        time=row["occurred"],
        check=row["kind"],
        gauge=row["gauge"],
        outcome=row["outcome"],
        verdict=msgspec.Raw(row["verdict"].encode()),
    )


routes: Final = Router(
    path="/v1/spindles",
    route_handlers=[read_spindle, read_clearance, read_forecast, read_charts, read_history, read_measurements],
    opt={"scope": "read"},
    tags=["spindles"],
)
