"""`GET /v1/rechecks`: every episode of every recheck a key may see, with the spindle it is on."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Annotated, Any, Final, Literal

import msgspec
from litestar import Request, Response, Router, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from service import ledger, listed_spindles, lists, past, projections
from service.access import Key
from service.api.door import time_of
from service.api.looking_back import AsOf, KnownAt, looking_back
from service.api.pages import Cursor, Limit, Name, Page, paged, part_of
from service.domain.due_time import Due
from service.domain.event.sheets import Check
from service.domain.recheck import ACTIVE
from service.domain.refusal import Refusal
from service.domain.shown import RecheckShown, recheck_shown
from service.postgres import Database, Transaction

State = Literal["waiting", "open", "due", "overdue", "satisfied", "deferred", "superseded"]
_BODY: Final = msgspec.json.Decoder(RecheckShown)
_BEFORE: Final = (
    "RFC 3339: what is due or overdue, and what falls due by days before then. What falls due by cycles alone has no "
    "date until it does."
)
_SORTS: Final = (
    "spindle, or due: overdue, due, open, deferred, waiting, then the closed ones, each by day and then by the cycles "
    "left. By spindle a walk meets every episode once, whatever is written meanwhile; by due, one that changes between "
    "two pages may be met twice or missed."
)


class SpindleNeeded(Refusal):
    """Every spindle's history would have to be folded for such a question."""

    code = "spindle_needed"


class RecheckListed(RecheckShown, frozen=True, kw_only=True):
    """An episode with its spindle; `cycles_left` to its due count, below zero once it is past.

    `expected` is when it is expected to fall due, by the forecast that is kept; null once it has, and looking back.
    """

    spindle: str
    plant: str
    hall: str | None
    machine: str | None
    sheet: str
    count: int
    cycles_left: int | None
    expected: Due | None


@get("/")
async def list_rechecks(
    request: Request[Any, Any, Any],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    standing: Annotated[list[State] | None, QueryParameter(name="state", description="any of these")] = None,
    code: Name = None,
    check: Annotated[list[Check] | None, QueryParameter(description="any of these")] = None,
    plant: Name = None,
    spindle: Name = None,
    due_before: Annotated[str | None, QueryParameter(description=_BEFORE, max_length=64)] = None,
    sort: Annotated[Literal["spindle", "due"], QueryParameter(description=_SORTS)] = "spindle",
    as_of: AsOf = None,
    known_at: KnownAt = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[RecheckListed]]:
    """Rechecks as they stand now, the closed ones too unless `state` says otherwise; or one spindle's as they stood."""
    before = None if due_before is None else time_of(due_before, parameter="due_before")
    asked = lists.Asked(
        listing=listed_spindles.RECHECKS,
        filters={
            "state": standing,
            "code": code,
            "check": check,
            "plant": plant,
            "spindle": spindle,
            "due_before": before,
            "plants": key.plants,
        },
        sort=sort,
        limit=limit,
        cursor=cursor,
    )
    async with database.transaction(snapshot=True) as tx:

        def fits(found: RecheckListed) -> bool:
            return (not standing or found.state in standing) and (before is None or is_due(found, before))

        if as_of is not None or known_at is not None:
            whole = await _then(tx, asked.filters, key, looking_back(tx, as_of, known_at))
            return part_of(request, [each for each in whole if fits(each)], limit, cursor)

        items, following = await lists.page(tx, asked, lambda row: _if_it(fits, _shown(row, tx.now)))
    return paged(request, items, following)


def _if_it(fits: Callable[[RecheckListed], bool], found: RecheckListed) -> RecheckListed | None:
    return found if fits(found) else None


async def _then(tx: Transaction, filters: Mapping[str, Any], key: Key, asked: past.Asked) -> list[RecheckListed]:
    """The episodes of one spindle as they stood, in the order of their anchors. Raises SpindleNeeded."""
    spindle = filters["spindle"]
    if spindle is None:
        raise SpindleNeeded("looking back goes spindle by spindle: say which", parameter="spindle")
    subject = await ledger.find(tx, "spindles", spindle)
    stored = None if subject is None else await projections.load(tx, subject.subject)
    if subject is None or stored is None or not key.reaches(stored.state.place.plant):
        return []
    then = await past.look_back(tx, subject.subject, spindle, asked)
    if then is None:
        return []
    state, seen = then.folded.final.state, then.seen
    count = state.counter.count if seen.now.count is None else seen.now.count
    row = {
        "key": spindle,
        "plant": state.place.plant,
        "hall": None if state.away else state.place.hall,
        "machine": None if state.away else state.place.machine,
        "sheet": state.sheet,
        "count": count,
    }
    return [
        _listed(recheck_shown(each), row)
        for each in then.folded.episodes_seen(seen)
        if filters["code"] in (None, each.code)
        and (not filters["check"] or each.check in filters["check"])
        and filters["plant"] in (None, state.place.plant)
    ]


def _shown(row: Any, now: datetime) -> RecheckListed:
    found = _BODY.decode(row["body"])
    if row["folded"] is not None:
        stored = projections.stored_of(row)
        episodes = stored.view(stored.settled_by(now)).rechecks
        found = next((recheck_shown(each) for each in episodes if each.episode == row["episode"]), found)
    return _listed(found, row)


def _listed(found: RecheckShown, row: Any) -> RecheckListed:
    left = None
    if found.due_at_count is not None and found.state in ACTIVE:
        left = found.due_at_count - row["count"]
    return RecheckListed(
        **msgspec.structs.asdict(found),
        spindle=row["key"],
        plant=row["plant"],
        hall=row["hall"],
        machine=row["machine"],
        sheet=row["sheet"],
        count=row["count"],
        cycles_left=left,
        expected=_expected(found, row),
    )


def _expected(found: RecheckShown, row: Any) -> Due | None:
    if found.state not in ("waiting", "open") or row.get("median") is None:
        return None
    return Due(median=row["median"], p80=(row["p80_from"], row["p80_to"]), p95=(row["p95_from"], row["p95_to"]))


def is_due(found: RecheckShown, before: datetime) -> bool:
    """Whether it is due or overdue, or falls due by days before then."""
    by_days = found.state in ACTIVE and found.due_at is not None and found.due_at < before
    return by_days or found.state in ("due", "overdue")


routes: Final = Router(path="/v1/rechecks", route_handlers=[list_rechecks], opt={"scope": "read"}, tags=["rechecks"])
