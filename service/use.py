"""Use by the hour: read on from the ledger's logs behind the writers, kept small, made again where it was emptied.

Rules of this file
- Nothing here runs while a fact or a reading is recorded. Each log is read on from a position; positions are dense and
  become visible in order, so nothing is passed over. Reading a stretch twice changes nothing.
- Where an entry was corrected or voided, the hours of its spindle are made again from what stands.
"""

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

import msgspec
import numpy as np

from service import ledger
from service.domain.correction import History
from service.domain.due_time import Due
from service.domain.event import Fact
from service.domain.exchange import TYPES, exchanges
from service.domain.use_rate import LOOKED_AT, UseFit
from service.domain.use_series import Exchanged, Readings
from service.domain.week_pattern import WEEK, hours_of, time_of
from service.postgres import Database, Statements, Transaction

SQL: Final = Statements.beside(__file__)
STRETCH: Final = 20_000
_FIT: Final = msgspec.json.Decoder(UseFit)
_encode: Final = msgspec.json.Encoder().encode


async def read_on(database: Database) -> int:
    """Reads every log on to its present end, a stretch a transaction. Answers how many positions were read."""
    read = 0
    while True:
        async with database.transaction() as tx:
            if not await tx.value(SQL["take_turn"]):
                return read
            tails = await tx.rows(SQL["tails"])
            for tail in tails:
                upto = min(tail["newest"], tail["after"] + STRETCH)
                stretch = {"log": tail["log"], "after": tail["after"], "upto": upto, "since": tail["since"]}
                await tx.run(SQL["read_on"], **stretch, fresh=list(TYPES))
                read += upto - tail["after"]
        if not tails:
            return read


async def hours_by_ledger(tx: Transaction, subject: int, history: History) -> list[Any]:
    """The hours of one spindle by what stands: (hour, at, reading) rows, in order."""
    facts = [(fact.occurred, fact.reading) for fact in history.facts if _has_read(fact)]
    return await tx.rows(
        SQL["hours_of_ledger"],
        subject=subject,
        gone=list(history.gone),
        times=[at for at, _ in facts],
        readings=[reading for _, reading in facts],
    )


def _has_read(fact: Fact) -> bool:
    """Whether a fact brought a reading that was believed."""
    return fact.type not in TYPES and fact.reading is not None and getattr(fact.data, "count", None) == fact.reading


async def make_hours_again(tx: Transaction, subject: int, history: History) -> None:
    rows = await hours_by_ledger(tx, subject, history)
    await tx.run(SQL["clear_hours"], subject=subject)
    await tx.run(
        SQL["write_hours"],
        subject=subject,
        hours=[row["hour"] for row in rows],
        times=[row["at"] for row in rows],
        readings=[row["reading"] for row in rows],
    )


async def look_again(tx: Transaction, subject: int, history: History) -> None:
    """Everything kept of a spindle's use made again: its hours now, its fit and forecast by the next round."""
    await make_hours_again(tx, subject, history)
    await tx.run(SQL["look_again"], subject=subject)


async def readings_of(tx: Transaction, subjects: Sequence[int], until: datetime) -> dict[int, Readings]:
    """What was read of some spindles in the weeks before a moment, as far as the logs were read."""
    since = int(hours_of(until)) - LOOKED_AT * WEEK
    rows = await tx.rows(SQL["hours"], subjects=list(subjects), since=since, until=until)
    return {row["subject"]: _unpacked(row["packed"]) for row in rows}


def _unpacked(packed: bytes) -> Readings:
    table = np.frombuffer(packed, dtype=">i8").reshape(-1, 2)
    return Readings(hours=table[:, 0] / 3_600_000, readings=table[:, 1].astype(float))


async def readings_to_the_end(
    tx: Transaction, subject: int, until: datetime, newest: tuple[int, datetime], gone: Collection[int]
) -> Readings:
    """The same of one spindle, with what its log has beyond where it was read to, and its newest counted reading."""
    known = (await readings_of(tx, [subject], until)).get(subject)
    fresh = await tx.rows(SQL["not_read_yet"], subject=subject, until=until, gone=list(gone), fresh=list(TYPES))
    table = {} if known is None else dict(zip(known.hours.tolist(), known.readings.tolist(), strict=True))
    table.update({hours_of(row["occurred"]): float(row["reading"]) for row in fresh})
    if newest[1] <= until:
        table.setdefault(hours_of(newest[1]), float(newest[0]))
    hours = sorted(table)
    return Readings(hours=np.array(hours, dtype=float), readings=np.array([table[each] for each in hours], dtype=float))


async def exchanges_of(tx: Transaction, subjects: Sequence[int], until: datetime) -> dict[int, list[Exchanged]]:
    """Which counters counted for some spindles until a moment, by their facts that stand."""
    rows = await tx.rows(SQL["exchanges"], subjects=list(subjects), types=list(TYPES), until=until)
    facts: dict[int, list[Fact]] = {}
    for row in rows:
        facts.setdefault(row["subject"], []).append(ledger.fact_of(row))
    for row in await tx.rows(SQL["amended"], subjects=list(subjects)):
        history = await ledger.history(tx, row["subject"])
        facts[row["subject"]] = [fact for fact in history.facts if fact.occurred <= until]
    return {subject: exchanges(found) for subject, found in facts.items()}


def fit_of(body: str) -> UseFit:
    return _FIT.decode(body)


async def write_fits(tx: Transaction, fits: Mapping[int, UseFit], zones: str) -> None:
    await tx.run(
        SQL["write_fits"],
        subjects=list(fits),
        throughs=[time_of(each.through) for each in fits.values()],
        zones=[zones] * len(fits),
        bodies=[_encode(each).decode() for each in fits.values()],
    )


async def write_expected(tx: Transaction, expected: Sequence[tuple[str, int, Due]]) -> None:
    """When episodes are expected to fall due: (episode, subject, due)."""
    dues = [due for _, _, due in expected]
    await tx.run(
        SQL["write_expected"],
        episodes=[episode for episode, _, _ in expected],
        subjects=[subject for _, subject, _ in expected],
        medians=[due.median for due in dues],
        p80_froms=[due.p80[0] for due in dues],
        p80_tos=[due.p80[1] for due in dues],
        p95_froms=[due.p95[0] for due in dues],
        p95_tos=[due.p95[1] for due in dues],
    )
