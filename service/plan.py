"""A plan of some weeks: which checks fall due when and where, which gauges, and the kits beside those in stock."""

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final

from msgspec import Struct

from service import catalogue
from service.clocks import Clocks
from service.domain.due_time import Due, exactly
from service.domain.kits import KitsNeeded, kits_needed
from service.postgres import Statements, Transaction

SQL: Final = Statements.beside(__file__)
_YEAR: Final = timedelta(weeks=52)


class CheckPlanned(Struct, frozen=True, kw_only=True):
    """A recheck that is due or expected to fall due; `due` is null where it was put off or nothing is known."""

    spindle: str
    plant: str
    hall: str | None
    machine: str | None
    sheet: str
    recheck: str
    check: str
    episode: str
    state: str
    due_at_count: int | None
    cycles_left: int | None
    due: Due | None


class DayPlanned(Struct, frozen=True, kw_only=True):
    """A day of a hall, by the plant's own clock: checks by kind, and hours of work. `day` null: due now."""

    day: date | None
    plant: str
    hall: str | None
    checks: dict[str, int]
    count: int
    hours: float


class CalibrationPlanned(Struct, frozen=True, kw_only=True):
    """A gauge or torque tool whose calibration ends in the time, or has ended, or that has none (`due` null)."""

    gauge: str
    kind: str | None
    due: date | None
    overdue: bool


class KitsPlanned(Struct, frozen=True, kw_only=True):
    """Kits of a sheet beside those in lots that have not been withdrawn; `short` is what is missing."""

    sheet: str
    spindles: int
    rebuilds_seen: int
    in_stock: int
    kits: KitsNeeded
    short: int


class Plan(Struct, frozen=True, kw_only=True):
    """What falls due until a time. `more` where there are further items than were asked for; days count them all."""

    made: datetime
    until: datetime
    minutes_per_check: int
    items: list[CheckPlanned]
    more: bool
    days: list[DayPlanned]
    calibrations: list[CalibrationPlanned]
    kits: list[KitsPlanned]


class Asked(Struct, frozen=True, kw_only=True):
    """For how many weeks, of one plant or all that a key reaches, at most so many items, and how long a check takes."""

    weeks: int
    plant: str | None
    plants: tuple[str, ...] | None
    limit: int
    minutes_per_check: int


async def plan(tx: Transaction, asked: Asked, clocks: Clocks) -> Plan:
    """The plan from now on, by the forecasts that are kept."""
    until = tx.now + timedelta(weeks=asked.weeks)
    reach = {"plant": asked.plant, "plants": None if asked.plants is None else list(asked.plants)}
    rows = await tx.rows(SQL["falling_due"], until=until, **reach)
    items = [_item(row) for row in rows]
    return Plan(
        made=tx.now,
        until=until,
        minutes_per_check=asked.minutes_per_check,
        items=items[: asked.limit],
        more=len(items) > asked.limit,
        days=_days(items, tx.now, clocks, asked.minutes_per_check),
        calibrations=await _calibrations(tx, until),
        kits=await _kits(tx, reach, asked.weeks),
    )


def _item(row: Any) -> CheckPlanned:
    due = None
    if row["fell_due"] is not None:
        due = exactly(row["fell_due"])
    elif row["median"] is not None:
        due = Due(median=row["median"], p80=(row["p80_from"], row["p80_to"]), p95=(row["p95_from"], row["p95_to"]))
    elif row["due_at"] is not None:
        due = exactly(row["due_at"])
    return CheckPlanned(
        spindle=row["spindle"],
        plant=row["plant"],
        hall=row["hall"],
        machine=row["machine"],
        sheet=row["sheet"],
        recheck=row["code"],
        check=row["check"],
        episode=row["episode"],
        state=row["state"],
        due_at_count=row["due_count"],
        cycles_left=None if row["due_count"] is None else row["due_count"] - row["count"],
        due=due,
    )


def _days(items: Iterable[CheckPlanned], now: datetime, clocks: Clocks, minutes: int) -> list[DayPlanned]:
    found: dict[tuple[date, str, str], dict[str, int]] = {}
    for item in items:
        zones = clocks.of(item.plant)
        past_due = item.due is None or item.due.median <= now
        day = date.min if past_due or item.due is None else item.due.median.astimezone(zones[0] or UTC).date()
        checks = found.setdefault((day, item.plant, item.hall or ""), {})
        checks[item.check] = checks.get(item.check, 0) + 1
    return [
        DayPlanned(
            day=None if day == date.min else day,
            plant=plant,
            hall=hall or None,
            checks=checks,
            count=sum(checks.values()),
            hours=round(sum(checks.values()) * minutes / 60, 2),
        )
        for (day, plant, hall), checks in sorted(found.items())
    ]


async def _calibrations(tx: Transaction, until: datetime) -> list[CalibrationPlanned]:
    keys: Sequence[str] = [row["key"] for row in await tx.rows(SQL["gauges"])]
    known = await catalogue.references(tx, {("gauges", key) for key in keys}, share=False)
    found = []
    for key in keys:
        gauge = known.gauges.get(key)
        if gauge is None or gauge.withdrawn_at(tx.now):
            continue
        last = gauge.calibration_at(tx.now)
        due = None if last is None else last.data.due
        if due is None or datetime.combine(due, time(), UTC) < until:
            kind = None if gauge.registered is None else gauge.registered.data.kind
            overdue = not gauge.in_calibration(tx.now)
            found.append(CalibrationPlanned(gauge=key, kind=kind, due=due, overdue=overdue))
    return sorted(found, key=lambda each: (each.due or date.min, each.gauge))


async def _kits(tx: Transaction, reach: dict[str, Any], weeks: int) -> list[KitsPlanned]:
    since = tx.now - _YEAR
    seen = {row["sheet"]: row for row in await tx.rows(SQL["rebuilds"], since=since, now=tx.now, **reach)}
    found = []
    for row in await tx.rows(SQL["sheets_in_use"], **reach):
        rebuilt = seen[row["sheet"]]
        looked_at = (tx.now - max(since, rebuilt["since"])) / timedelta(weeks=1)
        received, fitted = await catalogue.stock_of(tx, row["sheet"])
        kits = kits_needed(rebuilt["rebuilds"], max(looked_at, 1.0), weeks, waiting=row["failed"])
        found.append(
            KitsPlanned(
                sheet=row["sheet"],
                spindles=row["spindles"],
                rebuilds_seen=rebuilt["rebuilds"],
                in_stock=received - fitted,
                kits=kits,
                short=max(kits.needed - (received - fitted), 0),
            )
        )
    return found
