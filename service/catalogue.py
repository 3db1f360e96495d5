"""Sheets, gauges and lots as known now: folded from the ledger, cached for each database by (subject, sequence)."""

from collections.abc import Collection, Iterable
from datetime import datetime
from typing import Final, TypeAlias

from service import ledger
from service.domain.event import Fact
from service.domain.event.gauges import GaugeCalibrated, GaugeStudied
from service.domain.gauge import Gauge, apply_gauge
from service.domain.lot import Lot, apply_lot
from service.domain.sheet import Sheet, apply_sheet
from service.domain.step import References
from service.postgres import Statements, Transaction

SQL: Final = Statements.beside(__file__)

_SAYS_WHAT_IT_IS: Final = frozenset({"sheet.issued", "gauge.registered", "lot.received"})

Name = tuple[str, str]
"""(kind, key) of a sheet, gauge or lot."""

Reference: TypeAlias = Sheet | Gauge | Lot | None


def names_in(facts: Iterable[Fact]) -> set[Name]:
    """The sheets, gauges and lots that facts of a spindle name."""
    names: set[Name] = set()
    for fact in facts:
        for kind, member in (("sheets", "sheet"), ("gauges", "gauge"), ("gauges", "tool"), ("lots", "lot")):
            key = getattr(fact.data, member, None)
            if key is not None:
                names.add((kind, key))
    return names


async def references(tx: Transaction, names: set[Name], *, share: bool) -> References:
    """What the names stand for, as known now. With `share` their rows are locked against new entries of theirs."""
    found = References(sheets={}, gauges={}, lots={})
    if not names:
        return found
    for row in await (ledger.share(tx, names) if share else ledger.find_all(tx, names)):
        _put(found, row["key"], await _folded(tx, row["kind"], row["key"], row["subject"], row["sequence"]))
    return found


async def references_as_known(
    tx: Transaction, names: set[Name], *, as_of: datetime, known_at: datetime | None
) -> References:
    """What the names stood for by what had happened by `as_of`, of what had been recorded by `known_at` or is known.

    What says what a thing is holds whenever it was entered: a sheet says itself from when it is valid.
    """
    found = References(sheets={}, gauges={}, lots={})
    for row in await ledger.find_all(tx, names) if names else []:
        history = await ledger.history(tx, row["subject"], known_at=known_at)
        facts = [fact for fact in history.facts if fact.occurred <= as_of or fact.type in _SAYS_WHAT_IT_IS]
        _put(found, row["key"], fold_reference(row["kind"], row["key"], facts))
    return found


def _put(found: References, key: str, value: Reference) -> None:
    if isinstance(value, Sheet):
        found.sheets[key] = value
    elif isinstance(value, Gauge):
        found.gauges[key] = value
    elif isinstance(value, Lot):
        found.lots[key] = value


async def _folded(tx: Transaction, kind: str, key: str, subject: int, sequence: int) -> Reference:
    """Its facts up to `sequence`, folded; a newer one may be in before they are read."""
    cached: Reference = tx.recall((subject, sequence))
    if cached is not None:
        return cached
    value = fold_reference(kind, key, (await ledger.history(tx, subject, upto=sequence)).facts)
    if value is not None:
        tx.remember((subject, sequence), value)
    return value


def fold_reference(kind: str, key: str, facts: Iterable[Fact]) -> Reference:
    """The sheet, gauge or lot after its facts, None without any. Raises the Refusal of its own fold."""
    value: Reference = None
    for fact in facts:
        value = apply_reference(kind, key, value, fact)
    return value


def apply_reference(kind: str, key: str, value: Reference, fact: Fact) -> Sheet | Gauge | Lot:
    """The sheet, gauge or lot after one of its facts. Raises the Refusal of its own fold."""
    if kind == "sheets":
        assert value is None or isinstance(value, Sheet)
        return apply_sheet(value, key, fact)
    if kind == "gauges":
        assert value is None or isinstance(value, Gauge)
        return apply_gauge(value, key, fact)
    assert value is None or isinstance(value, Lot)
    return apply_lot(value, key, fact)


async def queue_reached(
    tx: Transaction, kind: str, key: str, cause: str, *, since: datetime | None = None, until: datetime | None = None
) -> int:
    """Notes the spindles that an entry of a sheet, gauge or lot may reach, to be settled afterwards: how many.

    Of a gauge those that it judged from `since` on and before `until`, where these are given.
    """
    statement = SQL[{"sheets": "spindles_of_sheet", "gauges": "spindles_of_gauge", "lots": "spindles_of_lot"}[kind]]
    bounds = {"since": since, "until": until} if kind == "gauges" else {}
    reached = [row["subject"] for row in await tx.rows(statement, key=key, **bounds)]
    if reached:
        await tx.run(SQL["queue_to_settle"], subjects=reached, cause=cause)
    return len(reached)


def reached_by(fact: Fact, gauge: Reference) -> tuple[datetime | None, datetime | None]:
    """From when on, and until when, a gauge's use is judged otherwise by one of its facts: None where it is open.

    A calibration speaks of the time since the one before it (was the gauge still good?) and until the next.
    """
    if isinstance(fact.data, GaugeStudied):
        return fact.occurred, None
    if not isinstance(fact.data, GaugeCalibrated) or not isinstance(gauge, Gauge):
        return None, None
    earlier = [each.occurred for each in gauge.calibrations if each.occurred < fact.occurred]
    following = gauge.next_calibration(fact.occurred)
    return (max(earlier) if earlier else None), (None if following is None else following.occurred)


async def kits_fitted(tx: Transaction, lots: Collection[str]) -> dict[str, int]:
    """How many kits of each lot went into spindles; a lot of which none did is left out."""
    return {row["lot"]: row["fitted"] for row in await tx.rows(SQL["kits_fitted"], lots=sorted(lots))}


async def stock_of(tx: Transaction, sheet: str) -> tuple[int, int]:
    """Kits for a sheet that were received in lots which have not been withdrawn, and those of them that were fitted."""
    codes = {row["key"] for row in await tx.rows(SQL["lots_of_sheet"], sheet=sheet)}
    known = await references(tx, {("lots", code) for code in codes}, share=False)
    lots = {code: lot for code, lot in known.lots.items() if lot.sheet == sheet and lot.withdrawn is None}
    return sum(lot.quantity for lot in lots.values()), sum((await kits_fitted(tx, lots)).values())
