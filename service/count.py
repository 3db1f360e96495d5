"""The write path for counter readings in bulk: plain ones set-based, what needs thought through `record`.

Rules of this file
- One transaction takes all the plain readings of a call, in the order of steps that `record` has; everything else
  follows afterwards, a transaction each, so that one surprise holds nothing up.
- What is not newer than the newest reading is first looked for by its identity, in a statement after the lock.
"""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Final, Literal

import msgspec
from msgspec import Struct

from service import ledger
from service.access import Key
from service.domain.counter import SILENT_AFTER, fits
from service.domain.event.envelope import FUTURE, Event, TimeInFuture
from service.domain.event.spindles import CounterRead
from service.domain.refusal import Refusal
from service.postgres import Database, Statements, Transaction
from service.record import record

SQL: Final = Statements.beside(__file__)
UNMOVED_ENTRY_AFTER: Final = timedelta(hours=1)
"""An unmoved count becomes an entry only when the newest one is so old, so that silence is judged from the ledger."""

Status = Literal["accepted", "unchanged", "duplicate", "late", "refused"]


class CounterUnknown(Refusal):
    """No spindle of that name, or nothing installed in that place then."""

    code = "spindle_unknown"


class CounterAway(Refusal):
    """The spindle is in store, in repair or retired: its counter does not run."""

    code = "spindle_not_installed"


class ReadingConflict(Refusal):
    """The same source has said otherwise of this spindle at this time."""

    code = "identity_conflict"


class PlaceAmbiguous(Refusal):
    code = "place_ambiguous"


class Answered(Struct, frozen=True, kw_only=True):
    """What became of one reading, under the name it was sent with."""

    named: str
    status: Status
    refusal: Refusal | None = None


class Spindle(Struct, frozen=True, kw_only=True):
    """Which spindle a name stands for."""

    named: str
    subject: int
    key: str


class _Sorted(Struct, kw_only=True):
    """The readings of a call by what is to be done with them."""

    answers: list[Answered]
    moved: list[tuple[Any, int]]
    late: list[tuple[Any, int]]
    heard: list[int]
    thought: list[tuple[Spindle, int]]


async def count(
    database: Database, *, source: str, time: datetime, readings: Mapping[str, int], key: Key
) -> list[Answered]:
    """Takes the counters of many spindles, read at one time. Answers each under its name, in no order.

    Raises TimeInFuture for the whole; anything wrong with one reading is answered for that one.
    """
    async with database.transaction() as tx:
        if time > tx.now + FUTURE:
            raise TimeInFuture(f"{time.isoformat()} is more than five minutes ahead", pointer="/time")
        spindles, answers = await _resolve(tx, readings, time, key)
        if not spindles:
            return answers
        known_source = await ledger.source(tx, source)
        rows = await tx.rows(SQL["lock_counters"], subjects=sorted({each.subject for each in spindles}))
        counters = {row["subject"]: row for row in rows}
        stored = await _stored(tx, spindles, counters, known_source[0], time)
        found = _Sorted(answers=answers, moved=[], late=[], heard=[], thought=[])
        for spindle in spindles:
            _sort(found, spindle, counters[spindle.subject], readings[spindle.named], time, stored)
        await _write(tx, found, known_source, time, key)
    for spindle, reading in found.thought:
        answers.append(await _think(database, source, time, spindle, reading, key))
    return answers


async def _resolve(
    tx: Transaction, readings: Mapping[str, int], time: datetime, key: Key
) -> tuple[list[Spindle], list[Answered]]:
    """The spindles that the names stand for, each once; and the names that stand for none of this key's."""
    places = [name.partition("/") for name in readings if "/" in name]
    rows = await tx.rows(SQL["resolve_spindles"], keys=[name for name in readings if "/" not in name])
    if places:
        machines, positions = [place[0] for place in places], [place[2] for place in places]
        rows += await tx.rows(SQL["resolve_places"], machines=machines, positions=positions, at=time)
    plants = {
        row["subject"]: row["plant"]
        for row in await tx.rows(SQL["plants_of"], subjects=[row["subject"] for row in rows])
    }
    by_name: dict[str, list[Spindle]] = {}
    for row in rows:
        if row["subject"] in plants and key.reaches(plants[row["subject"]]):
            spindle = Spindle(named=row["named"], subject=row["subject"], key=row["key"])
            by_name.setdefault(row["named"], []).append(spindle)
    spindles: dict[int, Spindle] = {}
    answers: list[Answered] = []
    for name in readings:
        candidates = by_name.get(name, [])
        if not candidates:
            answers.append(_refused(name, CounterUnknown(f"there is no spindle {name!r} at that time")))
        elif len(candidates) > 1:
            answers.append(_refused(name, PlaceAmbiguous(f"{name!r} is a place in more than one plant")))
        elif candidates[0].subject in spindles:
            first = spindles[candidates[0].subject].named
            if readings[first] == readings[name]:
                answers.append(Answered(named=name, status="duplicate"))
            else:
                answers.append(_refused(name, ReadingConflict(f"{first!r} is the same spindle with another count")))
        else:
            spindles[candidates[0].subject] = candidates[0]
    return list(spindles.values()), answers


def _refused(named: str, refusal: Refusal) -> Answered:
    return Answered(named=named, status="refused", refusal=refusal)


async def _stored(
    tx: Transaction, spindles: list[Spindle], counters: Mapping[int, Any], source: int, time: datetime
) -> dict[int, int]:
    """Of the readings that are not newer than the newest: those that are in the ledger already."""
    older = [each for each in spindles if time <= counters[each.subject]["read_at"]]
    if not older:
        return {}
    rows = await tx.rows(
        SQL["find_readings"],
        subjects=[each.subject for each in older],
        at=time,
        source=source,
        ids=[ledger.reading_identity(each.key, time) for each in older],
    )
    return {row["subject"]: row["reading"] for row in rows}


def _sort(
    found: _Sorted, spindle: Spindle, counter: Any, reading: int, time: datetime, stored: Mapping[int, int]
) -> None:
    """Decides one reading by its counter's row alone; the order of the questions is LEDGER's."""
    if spindle.subject in stored:
        if stored[spindle.subject] == reading:
            found.answers.append(Answered(named=spindle.named, status="duplicate"))
        else:
            text = f"the same source said {stored[spindle.subject]} for that time"
            found.answers.append(_refused(spindle.named, ReadingConflict(text)))
    elif not counter["takes_readings"]:
        text = f"spindle {spindle.key!r} is not installed: its counter does not run"
        found.answers.append(_refused(spindle.named, CounterAway(text)))
    elif time <= counter["read_at"]:
        if time > counter["plain_after"] and reading <= counter["reading"]:
            found.late.append((counter, reading))
            found.answers.append(Answered(named=spindle.named, status="late"))
        else:
            found.thought.append((spindle, reading))
    elif reading == counter["reading"] and time < counter["read_at"] + UNMOVED_ENTRY_AFTER and counter["pushed"]:
        found.heard.append(spindle.subject)
        found.answers.append(Answered(named=spindle.named, status="unchanged"))
    elif _is_plain(counter, reading, time):
        found.moved.append((counter, reading))
        found.answers.append(Answered(named=spindle.named, status="accepted"))
    else:
        found.thought.append((spindle, reading))


def _is_plain(counter: Any, reading: int, time: datetime) -> bool:
    """Newer than everything, not below, below the next limit, fitting the time, and nobody waits for it."""
    rise = reading - counter["reading"]
    return (
        counter["pushed"]
        and time > counter["plain_after"]
        and rise >= 0
        and (counter["plain_below"] is None or reading < counter["plain_below"])
        and (counter["plain_until"] is None or time < counter["plain_until"])
        and (counter["thought_until"] is None or time >= counter["thought_until"])
        and not (counter["watched"] and rise > 0)
        and time < counter["read_at"] + SILENT_AFTER
        and fits(rise, counter["read_at"], time, counter["max_per_second"])
    )


async def _write(tx: Transaction, found: _Sorted, source: tuple[int, bytes], time: datetime, key: Key) -> None:
    """The plain readings: counters first, then the ledger in one last statement."""
    if found.heard:
        await tx.run(SQL["hear_counters"], subjects=found.heard, now=tx.now)
    if found.moved:
        await tx.run(
            SQL["move_counters"],
            subjects=[row["subject"] for row, _ in found.moved],
            readings=[reading for _, reading in found.moved],
            counts=[
                row["count"] + (reading - row["reading"]) * row["cycles_per_count"] for row, reading in found.moved
            ],
            at=time,
            now=tx.now,
        )
    plain = sorted([*found.moved, *found.late], key=lambda each: each[0]["subject"])
    if plain:
        tx.counted["entries", "reading"] += len(plain)
        logs = [row["log"] for row, _ in plain]
        await tx.rows(SQL["lock_logs"], logs=sorted(set(logs)))
        await tx.value(
            SQL["append_readings"],
            subjects=[row["subject"] for row, _ in plain],
            logs=logs,
            sequences=[row["sequence"] + 1 for row, _ in plain],
            readings=[reading for _, reading in plain],
            heads=[row["head"] for row, _ in plain],
            at=time,
            source=source[0],
            key=key.key,
            digest=source[1],
        )


async def _think(database: Database, source: str, time: datetime, spindle: Spindle, reading: int, key: Key) -> Answered:
    """A reading that is not plain is a fact: roll-over, crossing, surprise, or wanted by running in."""
    event = Event(
        id=ledger.reading_identity(spindle.key, time),
        source=source,
        type="counter.read",
        kind="spindles",
        key=spindle.key,
        occurred=time,
        data=CounterRead(count=reading),
        data_json=msgspec.json.encode({"count": reading}),
        actor=None,
        expectedsequence=None,
    )
    try:
        receipt = await record(database, event, key)
    except Refusal as refusal:
        return _refused(spindle.named, refusal)
    return Answered(named=spindle.named, status="accepted" if receipt.status == "accepted" else "duplicate")
