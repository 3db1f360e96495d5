"""Counts that observations brought, on their way into the ledger: planned, recorded, and then forgotten here.

Rules of this file
- A rise is planned once, in a transaction that locks its mapping, and its plan is kept before it is first tried: every
  further attempt, after a kill or by another process, records the same under the same identity, which is once.
- The rises of a mapping go one after another: the next is planned by what the counter shows after the one before.
- What is newer than the counter's newest reading moves that reading, as readings in bulk do; what is older is added by
  `counter.missed`, which nothing that was read since has to be judged by again.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Final

import msgspec
from msgspec import Struct

from service.access import Key
from service.count import count
from service.domain.counter import fits
from service.domain.event import SpindleData
from service.domain.event.envelope import Event
from service.domain.event.spindles import CounterMissed, CounterReplaced
from service.domain.observed import COUNT_MAX, NumberTooLarge, Rise
from service.domain.refusal import Refusal
from service.postgres import Database, Statements, Transaction
from service.reading_names import CounterUnknown, snapshot
from service.record import record

SQL: Final = Statements.beside(__file__)


class Step(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One thing to record: counts that were missed, a counter that began anew, or what it shows.

    `at` is when, where it is not the rise's own time.
    """

    at: datetime | None = None
    missed: int | None = None
    old_end: int | None = None
    new_start: int | None = None
    reading: int | None = None


class Plan(Struct, frozen=True, kw_only=True):
    """How a rise is recorded, in its spindle's stream and under its mapping's name."""

    rise: int
    mapping: str
    spindle: str
    occurred: datetime
    counts: int
    steps: tuple[Step, ...]


class Recorded(Struct, frozen=True, kw_only=True):
    """What became of a rise."""

    mapping: int
    spindle: str
    occurred: datetime
    counts: int
    refusal: Refusal | None = None


async def add_rises(tx: Transaction, mapping: int, rises: Sequence[tuple[str, Rise]]) -> None:
    """Keeps what observations brought, in the transaction that keeps these: each with the spindle it is for."""
    if rises:
        await tx.run(
            SQL["add_rises"],
            mapping=mapping,
            spindles=[spindle for spindle, _ in rises],
            occurred=[rise.occurred for _, rise in rises],
            counts=[rise.cycles for _, rise in rises],
            lates=[rise.late for _, rise in rises],
            fresh_starts=[rise.fresh_start for _, rise in rises],
            fresh_at=[rise.fresh_at for _, rise in rises],
        )


async def record_rises(database: Database, mappings: Sequence[int], key: Key) -> list[Recorded]:
    """Records everything that waits for some mappings; also what was left by a call that was killed."""
    async with database.transaction() as tx:
        waiting = [row["mapping"] for row in await tx.rows(SQL["mappings_with_rises"], mappings=list(mappings))]
    made: list[Recorded] = []
    for mapping in waiting:
        while True:
            plan = await _planned(database, mapping)
            if plan is None:
                break
            refusal = await _carry_out(database, plan, key)
            async with database.transaction() as tx:
                await tx.run(SQL["end_rise"], rise=plan.rise)
            made.append(
                Recorded(
                    mapping=mapping, spindle=plan.spindle, occurred=plan.occurred, counts=plan.counts, refusal=refusal
                )
            )
    return made


async def _planned(database: Database, mapping: int) -> Plan | None:
    """The plan of the first rise that waits, made now where it has none."""
    async with database.transaction() as tx:
        row = await tx.row(SQL["first_rise"], mapping=mapping)
        if row is None:
            return None
        if row["plan"] is not None:
            return msgspec.json.decode(row["plan"], type=Plan)
        shown = await tx.row(SQL["shown_now"], spindle=row["spindle"])
        plan = Plan(
            rise=row["rise"],
            mapping=row["id"],
            spindle=row["spindle"],
            occurred=row["occurred"],
            counts=row["counts"],
            steps=() if shown is None else _steps(row, shown),
        )
        await tx.run(SQL["plan_rise"], rise=plan.rise, plan=msgspec.json.encode(plan).decode())
        return plan


def _steps(rise: Any, shown: Any) -> tuple[Step, ...]:
    """What is to be recorded, by what the counter shows now."""
    counts, reading = rise["counts"], shown["reading"]
    late = rise["late"] or rise["occurred"] <= shown["read_at"]
    told_one_by_one = rise["use"] != "absolute"
    if late or (told_one_by_one and not fits(counts, shown["read_at"], rise["occurred"], shown["max_per_second"])):
        return (Step(missed=counts),) if counts else ()
    steps = []
    if rise["fresh_start"] is not None:
        at = max(rise["fresh_at"], shown["read_at"] + timedelta(microseconds=1))
        steps.append(Step(old_end=reading, new_start=rise["fresh_start"], at=at))
        reading = rise["fresh_start"]
    if counts or not steps:
        reading += counts
        modulus = shown["modulus"]
        steps.append(Step(reading=reading if modulus is None else reading % modulus))
    return tuple(steps)


async def _carry_out(database: Database, plan: Plan, key: Key) -> Refusal | None:
    """Records a plan; answers why it could not be. Done again it is the same."""
    if not plan.steps and plan.counts:
        return CounterUnknown(f"there is no spindle {plan.spindle!r}")
    try:
        for number, step in enumerate(plan.steps):
            if step.reading is not None:
                await _count(database, plan, step.reading, key)
            else:
                await record(database, _event(plan, number, step), key)
    except Refusal as refusal:
        return refusal
    return None


async def _count(database: Database, plan: Plan, reading: int, key: Key) -> None:
    if reading > COUNT_MAX:
        raise NumberTooLarge(f"the counter would show {reading}, more than {COUNT_MAX}")
    (answer,) = await count(database, snapshot(_source(plan), plan.occurred, [(plan.spindle, reading)], key))
    if isinstance(answer, Refusal):
        raise answer


def _source(plan: Plan) -> str:
    return f"/mtconnect/{plan.mapping}"


def _event(plan: Plan, number: int, step: Step) -> Event:
    data: SpindleData
    if step.missed is not None:
        reason = "counts that an agent told late, or faster than the counter is read"
        data, kind = CounterMissed(counts=step.missed, reason=reason), "counter.missed"
    else:
        assert step.old_end is not None
        assert step.new_start is not None
        data = CounterReplaced(old_end=step.old_end, new_start=step.new_start, reason="it began anew")
        kind = "counter.replaced"
    return Event(
        id=f"rise:{plan.rise}:{number}",
        source=_source(plan),
        type=kind,
        kind="spindles",
        key=plan.spindle,
        occurred=plan.occurred if step.at is None else step.at,
        data=data,
        data_json=msgspec.json.encode(
            {name: value for name, value in msgspec.structs.asdict(data).items() if value is not None}
        ),
        actor=None,
        expectedsequence=None,
    )
