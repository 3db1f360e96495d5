"""The write path for counter readings in bulk: plain ones set-based, what needs thought through `record`.

Rules of this file
- One transaction takes all the plain readings of a call, in the order of steps that `record` has; everything else
  follows afterwards, a transaction each, so that one surprise holds nothing up.
- What is not newer than the newest reading is first looked for by its identity, in a statement after the lock.
- Several readings of one spindle are taken in the order in which they were sent. Those behind one that needs thought
  wait for it, and are then taken like a call of their own.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Final, Literal, TypeAlias

import msgspec
from msgspec import Struct

from service import ledger
from service.domain.event.envelope import FUTURE, Event, TimeInFuture
from service.domain.event.spindles import CounterRead
from service.domain.plain import Standing
from service.domain.refusal import Refusal
from service.postgres import Database, Statements, Transaction
from service.reading_names import Origin, Reading, resolve, unknown
from service.record import record

SQL: Final = Statements.beside(__file__)

Status = Literal["accepted", "unchanged", "duplicate", "late"]
Answered: TypeAlias = Status | Refusal
"""What became of one reading; a refused one with why."""


class CounterAway(Refusal):
    """The spindle is in store, in repair or retired: its counter does not run."""

    code = "spindle_not_installed"


class ReadingConflict(Refusal):
    """The same source has said otherwise of this spindle at this time."""

    code = "identity_conflict"


class Taken(Struct):
    """One transaction's readings, by their places among those sent.

    `thought` go through `record` afterwards, under their spindles' keys; `again` wait for those; `busy` are of spindles
    that others hold, where nobody is waited for.
    """

    thought: list[tuple[int, str]] = []
    again: list[int] = []
    busy: list[int] = []


async def count(database: Database, sent: Sequence[Reading]) -> list[Answered]:
    """Takes counters of many spindles. Answers each, in order; anything wrong with one is answered for that one."""
    answers: list[Answered] = ["accepted"] * len(sent)
    places: Sequence[int] = range(len(sent))
    while places:
        taken = await take_plain(database, sent, places, answers)
        for place, spindle in taken.thought:
            answers[place] = await think(database, sent[place], spindle)
        places = taken.again
    return answers


async def take_plain(
    database: Database, sent: Sequence[Reading], places: Sequence[int], answers: list[Answered], *, wait: bool = True
) -> Taken:
    """One transaction: the plain ones of these readings are recorded, and answered in `answers` with all the others
    that need no thought. Without `wait` spindles that another writer holds are left out.
    """
    async with database.transaction() as tx:
        passing = _Passing(sent, answers)
        await passing.find_spindles(tx, places)
        await passing.lock(tx, wait=wait)
        await passing.find_stored(tx)
        passing.sort()
        await passing.write(tx)
    return passing.taken


class _Passing:
    """Readings on their way through one transaction."""

    def __init__(self, sent: Sequence[Reading], answers: list[Answered]) -> None:
        self.sent, self.answers = sent, answers
        self.taken = Taken()
        self.spindles: list[tuple[int, int]] = []
        self.sources: dict[str, tuple[int, bytes]] = {}
        self.standing: dict[int, Standing] = {}
        self.stored: dict[int, int] = {}
        self.plain: list[tuple[int, int]] = []
        self.heard: set[int] = set()
        self.moved: dict[int, int] = {}

    async def find_spindles(self, tx: Transaction, places: Sequence[int]) -> None:
        """Finds whose each reading is, and numbers their sources, before any lock."""
        origins = {id(origin): origin for origin in (self.sent[place].origin for place in places)}.values()
        ahead = {id(each): each.time for each in origins if each.time > tx.now + FUTURE}
        for place in places if ahead else ():
            if id(self.sent[place].origin) in ahead:
                text = f"{self.sent[place].origin.time.isoformat()} is more than five minutes ahead"
                self.answers[place] = TimeInFuture(text, pointer="/time")
        places = [place for place in places if id(self.sent[place].origin) not in ahead] if ahead else places
        numbers = await resolve(tx, [self.sent[place] for place in places])
        for place, number in zip(places, numbers, strict=True):
            if isinstance(number, Refusal):
                self.answers[place] = number
            else:
                self.spindles.append((place, number))
        for name in sorted({self.sent[place].origin.source for place, _ in self.spindles}):
            self.sources[name] = await ledger.source(tx, name)

    async def lock(self, tx: Transaction, *, wait: bool) -> None:
        """Locks what the readings are of, ascending; what has no counter is no spindle."""
        if not self.spindles:
            return
        subjects = _numbers(sorted({number for _, number in self.spindles}))
        rows = await tx.rows(SQL["lock_counters" if wait else "lock_free_counters"], subjects=subjects)
        self.standing = {row[0]: Standing(*row) for row in rows}
        if len(self.standing) == subjects.count(",") + 1:
            return
        for place, number in self.spindles:
            if number not in self.standing and wait:
                self.answers[place] = unknown(self.sent[place].named)
            elif number not in self.standing:
                self.taken.busy.append(place)
        self.spindles = [each for each in self.spindles if each[1] in self.standing]

    async def find_stored(self, tx: Transaction) -> None:
        """Of the readings that are not newer than the newest: those that are in the ledger already."""
        older = [
            (place, number)
            for place, number in self.spindles
            if self.sent[place].origin.time <= self.standing[number].read_at
        ]
        if not older:
            return
        origins = [self.sent[place].origin for place, _ in older]
        rows = await tx.rows(
            SQL["find_readings"],
            subjects=[number for _, number in older],
            times=[origin.time for origin in origins],
            sources=[self.sources[origin.source][0] for origin in origins],
            ids=[
                ledger.reading_identity(self.standing[number].key, origin.time)
                for (_, number), origin in zip(older, origins, strict=True)
            ],
        )
        self.stored = {older[row["number"] - 1][0]: row["reading"] for row in rows}

    def sort(self) -> None:
        """Decides each reading by its counter's row alone, in the order in which they were sent."""
        several = len(self.standing) < len(self.spindles)
        seen: dict[tuple[int, datetime, str], int] = {}
        waiting: set[int] = set()
        for place, number in self.spindles:
            reading = self.sent[place]
            time = reading.origin.time
            if number in waiting:
                self.taken.again.append(place)
                continue
            known = self.stored.get(place)
            if several and known is None:
                known = seen.get((number, time, reading.origin.source))
            if known is not None:
                self.answers[place] = "duplicate" if known == reading.count else _conflict(known)
                continue
            standing = self.standing[number]
            becomes = standing.becomes(reading.count, time)
            if becomes == "moved" or becomes == "late":
                self.plain.append((place, number))
                if several:
                    seen[number, time, reading.origin.source] = reading.count
                if becomes == "moved":
                    standing.reading, standing.read_at = reading.count, time
                    self.moved[number] = place
                self.answers[place] = "accepted" if becomes == "moved" else "late"
            elif becomes == "unchanged":
                self.heard.add(number)
                self.answers[place] = "unchanged"
            elif becomes == "thought":
                self.taken.thought.append((place, standing.key))
                waiting.add(number)
            else:
                self.answers[place] = CounterAway(
                    f"spindle {standing.key!r} is not installed: its counter does not run"
                )

    async def write(self, tx: Transaction) -> None:
        """The plain readings: counters first, then the ledger in one last statement."""
        if self.heard:
            await tx.run(SQL["hear_counters"], subjects=sorted(self.heard), now=tx.now)
        if self.moved:
            origins, numbered = self._origins(self.moved.values())
            await tx.run(
                SQL["move_counters"],
                subjects=_numbers(self.moved),
                readings=_numbers(self.sent[place].count for place in self.moved.values()),
                origins=numbered,
                times=[each.time for each in origins],
                now=tx.now,
            )
        if not self.plain:
            return
        tx.counted["entries", "reading"] += len(self.plain)
        origins, numbered = self._origins(place for place, _ in self.plain)
        subjects = [number for _, number in self.plain]
        logs = sorted({self.standing[number].log for number in subjects})
        await tx.rows(SQL["lock_logs"], logs=logs)
        once = len(set(subjects)) == len(subjects)
        await tx.value(
            SQL["append_readings" if once else "append_runs_of_readings"],
            subjects=_numbers(subjects),
            readings=_numbers(self.sent[place].count for place, _ in self.plain),
            origins=numbered,
            times=[each.time for each in origins],
            sources=[self.sources[each.source][0] for each in origins],
            keys=[each.key.key for each in origins],
            digests=[self.sources[each.source][1] for each in origins],
        )

    def _origins(self, places: Iterable[int]) -> tuple[list[Origin], str]:
        """The origins of these readings, and the number of each reading's among them; of a single one no number."""
        found: dict[int, tuple[int, Origin]] = {}
        numbered = [
            found.setdefault(id(origin), (len(found) + 1, origin))[0]
            for origin in (self.sent[place].origin for place in places)
        ]
        return [origin for _, origin in found.values()], _numbers(numbered if len(found) > 1 else ())


def _numbers(numbers: Iterable[int]) -> str:
    """Whole numbers as PostgreSQL writes an array."""
    return f"{{{','.join(map(str, numbers))}}}"


def _conflict(known: int) -> ReadingConflict:
    return ReadingConflict(f"the same source said {known} for that time")


async def think(database: Database, reading: Reading, spindle: str) -> Answered:
    """A reading that is not plain is a fact: roll-over, crossing, surprise, or wanted by running in."""
    origin = reading.origin
    event = Event(
        id=ledger.reading_identity(spindle, origin.time),
        source=origin.source,
        type="counter.read",
        kind="spindles",
        key=spindle,
        occurred=origin.time,
        data=CounterRead(count=reading.count),
        data_json=msgspec.json.encode({"count": reading.count}),
        actor=None,
        expectedsequence=None,
    )
    try:
        receipt = await record(database, event, origin.key)
    except Refusal as refusal:
        return refusal
    return "accepted" if receipt.status == "accepted" else "duplicate"
