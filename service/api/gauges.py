"""`/v1/gauges`: gauges with their calibrations, and whether they are fit to judge by now."""

from datetime import date, datetime
from typing import Any, Final

from litestar import Request, Response, Router, get
from litestar.di import NamedDependency
from litestar.params import FromPath
from msgspec import Struct

from service import catalogue, lists
from service.api.conditional import answer
from service.api.pages import Cursor, Limit, Page, Prefix, paged, without_nothing
from service.api.withdrawals import WithdrawalShown, withdrawal_shown
from service.domain.drift import Drift, IntervalAdvice, drift_of, interval_advice
from service.domain.gauge import Gauge
from service.domain.question import significant
from service.domain.refusal import Refusal
from service.domain.study import StudyEvaluated, judge_study
from service.listed_spindles import SUBJECTS
from service.postgres import Database


class GaugeNotFound(Refusal):
    code = "gauge_not_found"


class StatementShown(Struct, frozen=True, kw_only=True):
    """What an entry of the gauge's stream states; quantities as they were written."""

    entry: int
    time: datetime
    data: dict[str, Any]


class StudyListed(Struct, frozen=True, kw_only=True):
    """A repeatability study by its entry; its results are at `studies/{entry}`."""

    entry: int
    time: datetime
    measurements: int


class RepeatabilityShown(Struct, frozen=True, kw_only=True):
    """The standard deviation of one reading that now holds, pooled from studies or as registered, in mm, N or N.m."""

    s: str
    dof: int | None


class GaugeShown(Struct, frozen=True, kw_only=True):
    """A gauge as it is now. `due` is the day of the calibration that was made last: it holds to that day's end, UTC."""

    key: str
    kind: str | None
    registered: StatementShown | None
    calibrations: tuple[StatementShown, ...]
    withdrawn: WithdrawalShown | None
    in_calibration: bool
    due: date | None
    repeatability: RepeatabilityShown | None
    studies: tuple[StudyListed, ...]
    drift: Drift | None
    interval_advice: IntervalAdvice
    sequence: int


@get("/")
async def list_gauges(
    request: Request[Any, Any, Any],
    database: NamedDependency[Database],
    prefix: Prefix = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[GaugeShown]]:
    """Gauges by key."""
    async with database.transaction(snapshot=True) as tx:
        asked = lists.Asked(
            listing=SUBJECTS,
            filters={"kind": "gauges", "prefix": prefix},
            sort="key",
            limit=limit,
            cursor=cursor,
        )
        keys, following = await lists.page(tx, asked, lambda row: str(row["key"]))
        known = await catalogue.references(tx, {("gauges", key) for key in keys}, share=False)
        now = tx.now
    return paged(request, [_shown(known.gauges[key], now) for key in keys if key in known.gauges], following)


@get("/{gauge:str}")
async def read_gauge(
    request: Request[Any, Any, Any], gauge: FromPath[str], database: NamedDependency[Database]
) -> Response[GaugeShown]:
    """A gauge: registration, calibrations, withdrawal, and whether it is in calibration now."""
    async with database.transaction(snapshot=True) as tx:
        known = await catalogue.references(tx, {("gauges", gauge)}, share=False)
        now = tx.now
    if gauge not in known.gauges:
        raise GaugeNotFound(f"there is no gauge {gauge!r}")
    return answer(request, _shown(known.gauges[gauge], now))


@get("/{gauge:str}/studies/{entry:int}")
async def read_study(
    request: Request[Any, Any, Any], gauge: FromPath[str], entry: FromPath[int], database: NamedDependency[Database]
) -> Response[StudyEvaluated]:
    """A repeatability study of a gauge by both methods, in mm, N or N.m; people by their numbers."""
    async with database.transaction(snapshot=True) as tx:
        known = await catalogue.references(tx, {("gauges", gauge)}, share=False)
    made = [each for each in known.gauges[gauge].studies if each.sequence == entry] if gauge in known.gauges else []
    if not made:
        raise GaugeNotFound(f"gauge {gauge!r} has no study under entry {entry}")
    tolerance = made[0].data.tolerance
    return answer(request, judge_study(made[0].cells(), None if tolerance is None else tolerance.base))


def _shown(gauge: Gauge, now: datetime) -> GaugeShown:
    registered, last = gauge.registered, gauge.calibration_at(now)
    found = gauge.repeatability_at(now)
    return GaugeShown(
        key=gauge.key,
        kind=None if registered is None else registered.data.kind,
        registered=None if registered is None else _statement(registered),
        calibrations=tuple(_statement(each) for each in gauge.calibrations),
        withdrawn=withdrawal_shown(gauge.withdrawn),
        in_calibration=gauge.in_calibration(now),
        due=None if last is None else last.data.due,
        repeatability=None if found is None else RepeatabilityShown(s=significant(found.s), dof=found.dof),
        studies=tuple(
            StudyListed(entry=each.sequence, time=each.occurred, measurements=len(each.data.measurements))
            for each in gauge.studies
        ),
        drift=drift_of(gauge),
        interval_advice=interval_advice(gauge),
        sequence=gauge.sequence,
    )


def _statement(stated: Any) -> StatementShown:
    return StatementShown(entry=stated.sequence, time=stated.occurred, data=without_nothing(stated.data))


routes: Final = Router(
    path="/v1/gauges", route_handlers=[list_gauges, read_gauge, read_study], opt={"scope": "read"}, tags=["gauges"]
)
