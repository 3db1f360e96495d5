"""One MTConnectStreams document in: which observations are new, what they count, and what the ledger made of it.

Rules of this file
- An observation is known by device, instanceId, data item and sequence. In one transaction it is remembered, and what
  it counts is put on its way; `rises` brings that into the ledger. Sent again it is a duplicate, whatever happened.
- Of each mapping the newest few thousand observations are remembered; what is older than these is ignored and said.
- Whatever is wrong with one observation is answered for that one.
"""

import asyncio
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any, Final

from msgspec import Struct
from msgspec.structs import replace

from service import rises
from service.access import Key
from service.count import CounterAway
from service.domain.event.envelope import FUTURE, TimeInFuture
from service.domain.mtconnect import Header, Observed, read_streams
from service.domain.observed import (
    Point,
    Position,
    Rise,
    RiseImplausible,
    SequenceConflict,
    Tie,
    instant_of,
    point_of,
    tally,
    together,
)
from service.domain.refusal import Refusal
from service.mappings import Kept, kept_of
from service.postgres import Database, Statements, Transaction
from service.reading_names import CounterUnknown
from service.rises import Recorded

SQL: Final = Statements.beside(__file__)
REMEMBERED: Final = 4096
"""Observations that each mapping remembers; a quarter more before the oldest are forgotten."""
LISTED_MAX: Final = 100
"""How many refused observations, and how many unmapped data items, an answer names."""

Named = tuple[str, str]
"""A device's uuid and the id of a data item."""


class Unmapped(Struct, frozen=True, kw_only=True):
    """A data item that no mapping of this key's ties to a spindle."""

    device: str
    item: str
    element: str


class NotTaken(Struct, frozen=True, kw_only=True):
    """An observation, or what it counts, that is refused; `sequence` as the agent wrote it."""

    device: str
    item: str
    sequence: str | None
    refusal: Refusal


class CountedFor(Struct, frozen=True, kw_only=True):
    """What the ledger now has of a mapping: counts added to a spindle."""

    mapping: str
    spindle: str
    counts: int


class Ingested(Struct, kw_only=True):
    """What became of the observations of a document. `next` is the agent's next sequence."""

    instance: str
    next: int | None
    accepted: int = 0
    duplicate: int = 0
    unavailable: int = 0
    before_start: int = 0
    forgotten: int = 0
    paused: int = 0
    unmapped: int = 0
    refused: int = 0
    unmapped_items: dict[Named, Unmapped]
    not_taken: list[NotTaken]
    counted: list[CountedFor]

    def refuse(self, observed: Observed, refusal: Refusal) -> None:
        self._refuse(NotTaken(device=observed.device, item=observed.item, sequence=observed.sequence, refusal=refusal))

    def refuse_rise(self, kept: Kept, refusal: Refusal) -> None:
        mapping = kept.mapping
        self._refuse(NotTaken(device=mapping.device, item=mapping.item, sequence=None, refusal=refusal))

    def _refuse(self, one: NotTaken) -> None:
        self.refused += 1
        if len(self.not_taken) < LISTED_MAX:
            self.not_taken.append(one)


class _Read(Struct, frozen=True, kw_only=True):
    """A document by its data items, with the newest time that it tells of each device."""

    header: Header
    by_item: dict[Named, list[Observed]]
    newest: dict[str, datetime]


def _read(document: bytes) -> _Read:
    """Raises a DocumentRefusal."""
    streams = read_streams(document)
    by_item: dict[Named, list[Observed]] = {}
    newest: dict[str, datetime] = {}
    for observed in streams.observed:
        by_item.setdefault((observed.device, observed.item), []).append(observed)
        at = instant_of(observed.timestamp)
        if at is not None:
            newest[observed.device] = max(at, newest.get(observed.device, at))
    return _Read(header=streams.header, by_item=by_item, newest=newest)


async def ingest(database: Database, document: bytes, key: Key) -> Ingested:
    """Takes one document in. Raises a DocumentRefusal, and then nothing of it is kept."""
    read = await asyncio.to_thread(_read, document)
    header, by_item = read.header, read.by_item
    answer = Ingested(instance=header.instance, next=header.next, unmapped_items={}, not_taken=[], counted=[])
    async with database.transaction() as tx:
        found = {
            (each.mapping.device, each.mapping.item): each
            for each in await _lock(tx, list(by_item))
            if key.reaches(each.mapping.plant)
        }
        for named, observations in sorted(by_item.items()):
            if named not in found:
                _unmapped(answer, named, observations)
            elif not found[named].mapping.enabled:
                answer.paused += len(observations)
            else:
                await _Taking(tx, answer, read, found[named]).take(observations)
    recorded = await rises.record_rises(database, sorted(each.number for each in found.values()), key)
    _tell(answer, found.values(), recorded)
    return answer


async def _lock(tx: Transaction, named: Sequence[Named]) -> list[Kept]:
    rows = await tx.rows(
        SQL["lock_mappings"], devices=[device for device, _ in named], items=[item for _, item in named]
    )
    return [kept_of(row) for row in rows]


def _unmapped(answer: Ingested, named: Named, observations: Sequence[Observed]) -> None:
    answer.unmapped += len(observations)
    if len(answer.unmapped_items) < LISTED_MAX:
        device, item = named
        answer.unmapped_items[named] = Unmapped(device=device, item=item, element=observations[0].element)


def _tell(answer: Ingested, found: Any, recorded: Sequence[Recorded]) -> None:
    """What the ledger made of the counts, each spindle once."""
    by_number = {each.number: each for each in found}
    sums: dict[tuple[str, str], int] = {}
    for each in recorded:
        kept = by_number[each.mapping]
        if each.refusal is not None:
            answer.refuse_rise(kept, each.refusal)
        else:
            name = (kept.mapping.id, each.spindle)
            sums[name] = sums.get(name, 0) + each.counts
    answer.counted = [
        CountedFor(mapping=mapping, spindle=spindle, counts=counts) for (mapping, spindle), counts in sums.items()
    ]


class _Taking:
    """The observations of one mapped data item on their way in."""

    def __init__(self, tx: Transaction, answer: Ingested, read: _Read, kept: Kept) -> None:
        self.tx, self.answer, self.header, self.kept = tx, answer, read.header, kept
        self.mapping = kept.mapping
        self.reached = min(read.newest.get(kept.mapping.device, tx.now), tx.now)
        """How far the run of the agent had come when it made the document, by its own observations."""

    async def take(self, observations: Sequence[Observed]) -> None:
        made = await asyncio.to_thread(self._points, observations)
        if not made:
            return
        run, reached = await self._meet_run()
        made = [(observed, replace(point, reached=reached)) for observed, point in made]
        fresh = await self._fresh(run, await self._remembered(made))
        if not fresh:
            return
        self.answer.accepted += len(fresh)
        known = await self._known(fresh)
        await self._remember(run, fresh)
        await self._put(known, fresh)

    def _points(self, observations: Sequence[Observed]) -> list[tuple[Observed, Point]]:
        """The observations that can count, each with what it says; the others are answered for themselves."""
        made: list[tuple[Observed, Point]] = []
        now = self.tx.now
        for observed in observations:
            try:
                point = point_of(observed, self.mapping.use, instance=self.header.instance, reached=self.reached)
                if point is not None and point.occurred > now + FUTURE:
                    raise TimeInFuture(f"{point.occurred.isoformat()} is more than five minutes ahead")
            except Refusal as refusal:
                self.answer.refuse(observed, refusal)
                continue
            if point is None:
                self.answer.unavailable += 1
            elif point.occurred <= self.mapping.since:
                self.answer.before_start += 1
            else:
                made.append((observed, point))
        return made

    async def _meet_run(self) -> tuple[int, datetime]:
        """The run of the agent, and how far it had come in the earliest of its documents."""
        row = await self.tx.row(
            SQL["meet_run"], device=self.mapping.device, instance=self.header.instance, reached=self.reached
        )
        return row["run"], row["reached"]

    async def _remembered(self, made: Sequence[tuple[Observed, Point]]) -> list[tuple[Observed, Point]]:
        """Without those that are older than what is remembered."""
        row = await self.tx.row(SQL["floor_of"], mapping=self.kept.number)
        if row is None:
            return list(made)
        floor = _position(row["reached"], row["floor_instance"], row["floor_sequence"])
        kept = [each for each in made if each[1].position >= floor]
        self.answer.forgotten += len(made) - len(kept)
        return kept

    async def _fresh(self, run: int, made: Sequence[tuple[Observed, Point]]) -> list[Point]:
        """Those that are not known yet; the same sequence with other content is refused."""
        sequences = [point.sequence for _, point in made]
        rows = await self.tx.rows(SQL["points_seen"], mapping=self.kept.number, run=run, sequences=sequences)
        seen = {row["sequence"]: (row["occurred"], row["value"]) for row in rows}
        fresh: list[Point] = []
        for observed, point in made:
            content = (point.occurred, point.value)
            if point.sequence not in seen:
                seen[point.sequence] = content
                fresh.append(point)
            elif seen[point.sequence] == content:
                self.answer.duplicate += 1
            else:
                text = f"sequence {point.sequence} of instance {point.instance} has said otherwise"
                self.answer.refuse(observed, SequenceConflict(text))
        return fresh

    async def _known(self, fresh: Sequence[Point]) -> list[Point]:
        """What the fresh ones lie between: the newest where they all follow it, else everything remembered."""
        number, device = self.kept.number, self.mapping.device
        rows = await self.tx.rows(SQL["newest_points"], mapping=number, device=device)
        newest = max((_point(row) for row in rows), key=lambda point: point.position, default=None)
        if newest is None or newest.position < min(point.position for point in fresh):
            return [] if newest is None else [newest]
        return [_point(row) for row in await self.tx.rows(SQL["all_points"], mapping=number)]

    async def _remember(self, run: int, fresh: Sequence[Point]) -> None:
        number = self.kept.number
        await self.tx.run(
            SQL["add_points"],
            mapping=number,
            run=run,
            sequences=[point.sequence for point in fresh],
            occurred=[point.occurred for point in fresh],
            values=[point.value for point in fresh],
            resets=[point.reset for point in fresh],
            discretes=[point.discrete for point in fresh],
        )
        remembered = await self.tx.value(SQL["remember"], mapping=number, more=len(fresh))
        if remembered > REMEMBERED * 5 // 4:
            await self._forget()

    async def _forget(self) -> None:
        """All but the newest; the oldest of these stays as what later ones follow."""
        number, device = self.kept.number, self.mapping.device
        rows = await self.tx.rows(SQL["all_points"], mapping=number)
        points = sorted((_point(row) for row in rows), key=lambda point: point.position)
        gone, floor = points[:-REMEMBERED], points[-REMEMBERED]
        for instance in {point.instance for point in gone}:
            before = floor.sequence if instance == floor.instance else None
            await self.tx.run(SQL["forget_before"], mapping=number, device=device, instance=instance, before=before)
        await self.tx.run(
            SQL["raise_floor"],
            mapping=number,
            remembered=REMEMBERED,
            reached=floor.reached,
            instance=floor.instance,
            sequence=floor.sequence,
        )
        await self.tx.run(SQL["forget_runs"], device=device, before=floor.reached)

    async def _put(self, known: Sequence[Point], fresh: Sequence[Point]) -> None:
        """What the fresh ones add, on its way to the spindles they were observed of."""
        spindle_at = await self._spindle_at()
        newest = spindle_at(max(point.occurred for point in fresh))
        rows = await self.tx.rows(SQL["counting_of"], spindles=[] if newest is None else [newest])
        tie = Tie(
            use=self.mapping.use,
            values=self.mapping.states,
            anchor=self.kept.anchor,
            since=self.mapping.since,
            max_per_second=rows[0]["max_per_second"] if rows else 1,
            modulus=rows[0]["modulus"] if rows else None,
        )
        tallied = await asyncio.to_thread(tally, tie, known, fresh)
        for rise in tallied.refused:
            text = f"{rise.cycles} cycles by {rise.occurred.isoformat()}, found later, cannot have been in that time"
            self.answer.refuse_rise(self.kept, RiseImplausible(text))
        put: list[tuple[str, Rise]] = []
        for spindle, group in _by_spindle(tallied.rises, spindle_at):
            if spindle is None:
                self.answer.refuse_rise(self.kept, self._nobody(group[0].occurred))
            else:
                put += [(spindle, rise) for rise in together(group)]
        await rises.add_rises(self.tx, self.kept.number, put)

    async def _spindle_at(self) -> Callable[[datetime], str | None]:
        """Who is counted at a time: the spindle where it was installed, or whoever was installed in the place."""
        spindle, place = self.mapping.spindle, self.mapping.place
        if place is None:
            rows = await self.tx.rows(SQL["stays_of_spindle"], spindle=spindle)
        else:
            there = {"plant": place.plant, "machine": place.machine, "position": place.position}
            rows = await self.tx.rows(SQL["stays_in_place"], **there)

        def installed(at: datetime) -> str | None:
            stays = (row["key"] for row in rows if row["installed"] <= at and not _was_over(row["removed"], at))
            return next(stays, None)

        return installed

    def _nobody(self, at: datetime) -> Refusal:
        if self.mapping.spindle is None:
            return CounterUnknown(f"no spindle without a mapping of its own was installed there at {at.isoformat()}")
        return CounterAway(f"spindle {self.mapping.spindle!r} was not installed at {at.isoformat()}")


def _was_over(removed: datetime | None, at: datetime) -> bool:
    return removed is not None and removed <= at


def _by_spindle(
    found: Sequence[Rise], spindle_at: Callable[[datetime], str | None]
) -> list[tuple[str | None, list[Rise]]]:
    """Rises in their order, in runs of one spindle; what came late first."""
    groups: list[tuple[str | None, list[Rise]]] = []
    for rise in sorted(found, key=lambda each: not each.late):
        spindle = spindle_at(rise.occurred)
        if groups and groups[-1][0] == spindle:
            groups[-1][1].append(rise)
        else:
            groups.append((spindle, [rise]))
    return groups


def _point(row: Any) -> Point:
    return Point(
        reached=row["reached"],
        instance=row["instance"],
        sequence=row["sequence"],
        occurred=row["occurred"],
        value=row["value"],
        reset=row["reset"],
        discrete=row["discrete"],
    )


def _position(reached: datetime, instance: str, sequence: int) -> Position:
    return Point(reached=reached, instance=instance, sequence=sequence, occurred=reached, value="").position
