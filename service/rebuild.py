"""Proof that what is derived can be made again: the facts replayed spindle by spindle, differences told and put right.

Rules of this file
- One spindle is locked at a time, in a transaction of its own, and its history is replayed with the stored `settled_at`
  as now: a look that is late is the sweep's business and no difference.
- What was told and heard is kept beside what is derived and cannot be made again: it is not compared.
- Use by the hour is compared where the logs have been read on to a spindle's end; what is fitted to it and foreseen
  follows from it with the next round of foresight, and is not compared.
- A stored `next_look` may be earlier than it needs to be (a reading has come since): the sweep then looks in vain.
- Differences are put right by `record.settle_again`, as a sheet, gauge or lot that reached the spindle would.
"""

from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from typing import Any, Final

import msgspec
from msgspec import Struct

from service import ledger, projections, recall, use, work_orders
from service.domain.correction import History
from service.domain.event import SchemaTooNew
from service.domain.fold import next_look, view
from service.domain.refusal import Refusal
from service.postgres import Database, Statements, Transaction, UniqueViolation
from service.projections import Row
from service.record import settle_again
from service.refold import Folded, fold_whole

SQL: Final = Statements.beside(__file__)
PORTION: Final = 200
_SHOWN_MAX: Final = 120
_TABLES: Final = {
    "spindle": "",
    "counter": "",
    "place": "sequence",
    "recheck": "episode",
    "measurement": "sequence",
    "fitted_lot": "sequence",
    "torque": "sequence",
    "set_mark": "sequence",
    "use_hour": "hour",
    "work_order": "work_order",
}
"""The tables, with what tells the rows of one spindle apart."""
_JSON: Final = frozenset({"folded", "body", "verdict"})


class Difference(Struct, frozen=True, kw_only=True):
    """One column that is not what the facts say; `row` is empty where a spindle has one row."""

    table: str
    row: str
    column: str
    stored: str
    right: str

    def __str__(self) -> str:
        named = " ".join(part for part in (self.table, self.row, self.column) if part)
        return f"{named}: {self.stored}, and by the facts {self.right}"


class Looked(Struct, frozen=True, kw_only=True):
    """One spindle compared. `waits`: something reached it that the sweep has still to settle, so it may well differ.

    `failed` says why its history cannot be folded, or why it could not be put right.
    """

    subject: str
    facts: int = 0
    differences: tuple[Difference, ...] = ()
    waits: bool = False
    put_right: bool = False
    failed: str | None = None

    @property
    def wrong(self) -> bool:
        """Whether something is left that nobody will put right by itself."""
        return self.failed is not None or (bool(self.differences) and not self.waits and not self.put_right)


class SubjectNotThere(Refusal):
    """The subject to go on after is not in the ledger."""

    code = "subject_unknown"


async def rebuild(database: Database, *, write: bool = False, after: str | None = None) -> AsyncIterator[Looked]:
    """Compares every spindle, from the one after `after` (`spindles/KEY`) on; with `write` puts them right.

    Stopping is safe after any spindle; the order is that in which the ledger came to know them. At the end rows that
    belong to no spindle are looked for. Raises SubjectNotThere.
    """
    number = 0 if after is None else await _number(database, after)
    while True:
        async with database.transaction() as tx:
            rows = await tx.rows(SQL["spindles"], after=number, limit=PORTION)
        for row in rows:
            number = row["subject"]
            yield await _look(database, number, row["key"], write=write)
        if not rows:
            break
    async with database.transaction() as tx:
        strays = await tx.rows(SQL["strays"])
        for row in strays:
            if write:
                await tx.run(SQL["clear_stray"], subject=row["subject"])
    for row in strays:
        there = Difference(table=row["derived"], row="", column="", stored=f"{row['rows']} rows", right="none")
        yield Looked(subject=f"number {row['subject']}, no spindle", differences=(there,), put_right=write)


async def _number(database: Database, after: str) -> int:
    kind, _, key = after.partition("/")
    async with database.transaction() as tx:
        found = await ledger.find(tx, kind, key)
    if found is None or kind != "spindles":
        raise SubjectNotThere(f"there is no {after!r} to go on after; name it as it was shown: spindles/KEY")
    return found.subject


async def _look(database: Database, subject: int, key: str, *, write: bool) -> Looked:
    name = f"spindles/{key}"
    try:
        async with database.transaction() as tx:
            await ledger.lock_number(tx, subject)
            history = await ledger.history(tx, subject)
            after = await fold_whole(tx, subject, key, history)
            waits: bool = await tx.value(SQL["waits"], subject=subject)
            found = tuple(await _compare(tx, subject, after, history))
            looked = Looked(subject=name, facts=len(history.facts), differences=found, waits=waits)
            if not write or not (found or waits):
                return looked
            await _put_right(tx, subject, key, after)
            await use.look_again(tx, subject, history)
            left = [*await _compare(tx, subject, after, history)]
        failed = f"still differs: {left[0]}" if left else None
        return msgspec.structs.replace(looked, put_right=not left, failed=failed)
    except SchemaTooNew as newer:
        return Looked(subject=name, failed=f"left as it is: {newer}")
    except UniqueViolation as violation:
        return Looked(subject=name, failed=f"could not be put right: {violation}")
    except Refusal as refusal:
        return Looked(subject=name, failed=f"its history cannot be folded: {refusal.code}: {refusal.detail}")


async def _put_right(tx: Transaction, subject: int, key: str, after: Folded) -> None:
    """What is derived of one spindle made again; what was told is kept where its row can be read."""
    tickets = await tx.rows(projections.SQL["take_tickets"], subject=subject)
    earlier = await recall.before(tx, subject, [row["cause"] for row in tickets])
    readable = True
    try:
        await projections.load(tx, subject)
    except projections.FoldTooOld:
        pass
    except msgspec.DecodeError:
        readable = False
    await tx.run(SQL["clear_rechecks"], subject=subject, episodes=[episode.episode for episode in after.episodes()])
    await tx.run(SQL["clear_measurements"], subject=subject)
    await tx.run(SQL["clear_fitted_lots"], subject=subject)
    causes = sorted({row["cause"] for row in tickets}) or [f"rebuild/{after.sequence}"]
    seen = await settle_again(tx, subject, key, cause="+".join(causes), ignore_stored=not readable)
    if earlier is not None:
        await recall.note(tx, subject, earlier, seen)


async def _compare(tx: Transaction, subject: int, after: Folded, history: History) -> Iterator[Difference]:
    stored = {name: await tx.rows(SQL[name], subject=subject) for name in _TABLES}
    now = stored["spindle"][0]["settled_at"] if stored["spindle"] else tx.now
    state = after.final.state
    usual = stored["counter"][0]["usual_pause"] if stored["counter"] else None
    if usual is not None:
        usual = await ledger.usual_pause(tx, subject, view(state, now, after.newest).counted_at)
    seen = view(state, now, after.newest, usual)
    measured, lots = projections.judged_rows(after.steps, after.gauges)
    right: dict[str, list[Row]] = {
        "spindle": [projections.spindle_row(state, seen, sequence=after.sequence)],
        "counter": [projections.counter_row(state, seen, usual)],
        "place": projections.place_rows(state),
        "recheck": projections.recheck_rows(after.episodes_seen(seen)),
        "measurement": measured,
        "fitted_lot": lots,
        "torque": projections.torque_rows(after.tools),
        "set_mark": projections.set_rows(after.steps, after.sets),
        "use_hour": [dict(row) for row in await use.hours_by_ledger(tx, subject, history)],
        "work_order": work_orders.rows_of(work_orders.all_orders(after.steps, state, seen)),
    }
    if await tx.value(use.SQL["has_news"], subject=subject):
        right["use_hour"] = [dict(row) for row in stored["use_hour"]]
    if stored["spindle"]:
        look, needed = stored["spindle"][0]["next_look"], next_look(state, seen)
        late = needed is not None and (look is None or look > needed)
        right["spindle"][0]["next_look"] = needed if late else look
    return (each for name in _TABLES for each in _differences(name, stored[name], right[name]))


def _differences(table: str, stored: Sequence[Mapping[str, Any]], right: Sequence[Row]) -> Iterator[Difference]:
    named = _TABLES[table]
    there = {str(row[named]) if named else "": row for row in stored}
    wanted = {str(row[named]) if named else "": row for row in right}
    for name in sorted(there.keys() | wanted.keys()):
        if name not in there or name not in wanted:
            words = ("no row", "one") if name in wanted else ("a row", "none")
            yield Difference(table=table, row=name, column="", stored=words[0], right=words[1])
            continue
        for column, value in wanted[name].items():
            for place, mine, facts in _unequal(column, there[name][column], value):
                yield Difference(table=table, row=name, column=place, stored=_shown(mine), right=_shown(facts))


def _unequal(column: str, stored: Any, right: Any) -> Iterator[tuple[str, Any, Any]]:
    """A column that differs; of JSON each member that does."""
    if stored == right:
        return
    if column not in _JSON:
        yield column, stored, right
        return
    mine, facts = msgspec.json.decode(stored), msgspec.json.decode(right)
    if not isinstance(mine, dict) or not isinstance(facts, dict):
        yield column, mine, facts
        return
    for member in [*facts, *(mine.keys() - facts.keys())]:
        if mine.get(member) != facts.get(member):
            yield f"{column}.{member}", mine.get(member), facts.get(member)


def _shown(value: Any) -> str:
    text = str(value)
    return text if len(text) <= _SHOWN_MAX else f"{text[:_SHOWN_MAX]}…"
