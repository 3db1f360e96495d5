"""The ledger: append one fact, look a subject up, read its stream."""

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from secrets import token_bytes
from typing import Any, Final

from msgspec import Struct, structs

from service.domain.correction import History, Recorded, standing
from service.domain.counter import SILENT_AFTER
from service.domain.event import KINDS, Fact, decode_data, entries, spindles
from service.domain.event.envelope import Event, people_in, with_people
from service.postgres import Statements, Transaction

SQL: Final = Statements.beside(__file__)
_READING_ID: Final = re.compile(r"reading:[^:]+:(\d{4}-.+Z)\Z")


def reading_identity(key: str, time: datetime) -> str:
    """The id of a reading sent in bulk: its spindle and its time, under the source that sent it."""
    return f"reading:{key}:{time.astimezone(UTC).isoformat().replace('+00:00', 'Z')}"


class Subject(Struct, frozen=True, kw_only=True):
    """A subject's row: its number, its log, the newest sequence and the hash that the next entry follows."""

    subject: int
    log: int
    sequence: int
    head: bytes


class Place(Struct, frozen=True, kw_only=True):
    """Where an entry stands."""

    subject: str
    sequence: int
    log: int
    position: int
    recorded: datetime
    hash: str


class Known(Struct, frozen=True, kw_only=True):
    """An entry that has an identity already, with what makes its content."""

    place: Place
    number: int
    kind: str
    key: str
    type: str
    occurred: datetime
    actor: int | None
    data_json: bytes

    def same_as(self, event: Event, actor: int | None, data_json: bytes) -> bool:
        """Same type, subject, instant, actor and data bytes."""
        mine = (self.kind, self.key, self.type, self.occurred, self.actor, self.data_json)
        return mine == (event.kind, event.key, event.type, event.occurred, actor, data_json)


async def lock(tx: Transaction, kind: str, key: str, *, create: bool = False) -> Subject | None:
    """The subject, locked until the transaction ends; other writers of it wait."""
    row = await tx.row(SQL["lock_subject"], kind=kind, key=key)
    if row is None and create:
        await _add(tx, kind, key)
        row = await tx.row(SQL["lock_subject"], kind=kind, key=key)
    return None if row is None else Subject(**row)


async def lock_number(tx: Transaction, subject: int) -> Subject:
    row = await tx.row(SQL["lock_subject_by_number"], subject=subject)
    return Subject(**row)


async def share(tx: Transaction, names: Collection[tuple[str, str]]) -> list[Any]:
    """The subjects of those (kind, key), locked against new entries of theirs.

    What is not known yet is given its row, so that its first entry, too, waits for the fact that names it, and then
    finds that fact among those it reaches.
    """
    rows = await find_all(tx, names)
    known = {(row["kind"], row["key"]) for row in rows}
    for kind, key in sorted(set(names) - known):
        await _add(tx, kind, key)
    return await tx.rows(SQL["share_subjects"], **_unzipped(names))


async def find_all(tx: Transaction, names: Collection[tuple[str, str]]) -> list[Any]:
    """The subjects of those (kind, key), not locked."""
    return await tx.rows(SQL["find_subjects"], **_unzipped(names))


def _unzipped(names: Collection[tuple[str, str]]) -> dict[str, list[str]]:
    return {"kinds": [kind for kind, _ in sorted(names)], "keys": [key for _, key in sorted(names)]}


async def _add(tx: Transaction, kind: str, key: str) -> None:
    log = await tx.value(SQL["find_log_for"], kind=kind, key=key)
    await tx.run(SQL["add_subject"], kind=kind, key=key, log=log)


async def find(tx: Transaction, kind: str, key: str) -> Subject | None:
    """The subject, not locked."""
    row = await tx.row(SQL["find_subject"], kind=kind, key=key)
    return None if row is None else Subject(**row)


async def source(tx: Transaction, name: str) -> tuple[int, bytes]:
    """The number and digest of a CloudEvents source, given a number when it is first seen.

    One that was there before this transaction is remembered: its row never changes.
    """
    known: tuple[int, bytes] | None = tx.recall(("source", name))
    if known is not None:
        return known
    row = await tx.row(SQL["find_source"], name=name)
    if row is not None:
        tx.remember(("source", name), (row["source"], row["digest"]))
    else:
        await tx.run(SQL["add_source"], name=name)
        row = await tx.row(SQL["find_source"], name=name)
    return row["source"], row["digest"]


async def without_names(tx: Transaction, event: Event) -> tuple[int | None, bytes]:
    """The actor's number, and the data with the people in it replaced by theirs, as it is hashed and kept.

    A label can be erased without touching the ledger. New people are given their numbers in one order, so that two
    writers who bring the same ones do not wait for each other.
    """
    people = people_in(event.data_json)
    labels = sorted(people if event.actor is None else {event.actor, *people})
    numbers = {label: await person(tx, label) for label in labels}
    names = {person: f"#{numbers[person]}" for person in people}
    data_json = with_people(event.data_json, names) if names else event.data_json
    return None if event.actor is None else numbers[event.actor], data_json


async def person(tx: Transaction, label: str) -> int:
    """The number of a person, given one when first seen. Before any lock: others who bring the same person wait."""
    number: int | None = await tx.value(SQL["find_actor"], label=label)
    if number is None:
        await tx.run(SQL["add_actor"], label=label)
        number = await tx.value(SQL["find_actor"], label=label)
    assert number is not None
    return number


async def labels_of(tx: Transaction, actors: Iterable[int]) -> Mapping[int, str]:
    numbers = sorted(set(actors))
    rows = await tx.rows(SQL["actor_labels"], actors=numbers) if numbers else []
    return {row["actor"]: row["label"] for row in rows}


async def identity(tx: Transaction, source_number: int, event_id: str) -> Known | None:
    """The entry that has this identity, if any."""
    row = await tx.row(SQL["find_identity"], source=source_number, id=event_id)
    if row is None:
        return None
    return Known(
        place=_place(f"{row['kind']}/{row['key']}", row),
        number=row["subject"],
        kind=row["kind"],
        key=row["key"],
        type=row["type"],
        occurred=row["occurred"],
        actor=row["actor"],
        data_json=row["data"].encode(),
    )


async def plain_identity(
    tx: Transaction, subject: Subject, source_number: int, event: Event
) -> tuple[Place, int] | None:
    """The plain reading that has the identity of a reading sent in bulk, with its place, if any."""
    if event.id != reading_identity(event.key, event.occurred):
        return None
    row = await tx.row(SQL["find_plain"], subject=subject.subject, at=event.occurred, source=source_number)
    if row is None:
        return None
    return _place(event.subject, row), row["reading"]


def _place(subject: str, row: Any) -> Place:
    return Place(
        subject=subject,
        sequence=row["sequence"],
        log=row["log"],
        position=row["position"],
        recorded=row["recorded"],
        hash=row["hash"].hex(),
    )


class Spoken(Struct, frozen=True, kw_only=True):
    """What a correction or a void speaks of: an entry, or a plain reading with what it would be as a fact."""

    sequence: int
    type: str
    plain: Fact | None = None


async def history(
    tx: Transaction, subject: int, *, known_at: datetime | None = None, upto: int | None = None
) -> History:
    """What stands of a subject, of everything recorded or of what was recorded by `known_at` or up to a sequence."""
    return standing(await recorded(tx, subject, known_at=known_at, upto=upto))


async def recorded(
    tx: Transaction, subject: int, *, known_at: datetime | None = None, upto: int | None = None
) -> list[Recorded]:
    """Every fact of a subject as it was recorded, corrections with what they speak of, and plain readings they name."""
    rows = await tx.rows(SQL["facts"], subject=subject, known_at=known_at, upto=upto)
    found = [Recorded(fact=fact_of(row), schema=row["schema"]) for row in rows]
    named = {
        each.fact.sequence: each.fact.data.target
        for each in found
        if isinstance(each.fact.data, entries.Corrected | entries.Voided)
    }
    if not named:
        return found
    spoken = dict(zip(named, await spoken_of(tx, subject, list(named.values())), strict=True))
    plain = {each.sequence: each.plain for each in spoken.values() if each is not None and each.plain is not None}
    targets = {sequence: sequence if each is None else each.sequence for sequence, each in spoken.items()}
    return [
        *(structs.replace(each, target=targets.get(each.fact.sequence)) for each in found),
        *(Recorded(fact=fact, schema=1, plain=True) for fact in plain.values()),
    ]


async def spoken_of(tx: Transaction, subject: int, named: Sequence[entries.Target]) -> list[Spoken | None]:
    """What a subject's stream has under each identity, None where it has nothing."""
    sources = [each.source for each in named]
    found = {
        row["number"]: Spoken(sequence=row["sequence"], type=row["type"])
        for row in await tx.rows(SQL["targets"], subject=subject, sources=sources, ids=[each.id for each in named])
    }
    times = [_reading_time(each.id) for each in named]
    if any(times):
        for row in await tx.rows(SQL["plain_targets"], subject=subject, sources=sources, times=times):
            fact = Fact(
                sequence=row["sequence"],
                occurred=row["occurred"],
                type="counter.read",
                data=spindles.CounterRead(count=row["reading"]),
                reading=row["reading"],
            )
            found.setdefault(row["number"], Spoken(sequence=row["sequence"], type=fact.type, plain=fact))
    return [found.get(number) for number in range(1, len(named) + 1)]


async def subject_of(tx: Transaction, source_name: str, event_id: str) -> int | None:
    """The subject in whose stream an identity stands."""
    found: int | None = await tx.value(SQL["subject_of"], source=source_name, id=event_id)
    return found


def _reading_time(event_id: str) -> datetime | None:
    """The time in the id of a reading sent in bulk."""
    match = _READING_ID.match(event_id)
    try:
        return None if match is None else datetime.fromisoformat(match.group(1))
    except ValueError:
        return None


def fact_of(row: Mapping[str, Any]) -> Fact:
    speaks = KINDS.get(row["type"])
    schema = None if speaks is not None and speaks.subject is None else row["schema"]
    return Fact(
        sequence=row["sequence"],
        occurred=row["occurred"],
        type=row["type"],
        data=decode_data(row["type"], row["data"].encode(), schema),
        reading=row["reading"],
    )


async def held_reading(
    tx: Transaction, subject: int, at: datetime, gone: Collection[int] = ()
) -> tuple[int, datetime] | None:
    """The counter that held at a time, and when it was read."""
    row = await tx.row(SQL["held_reading"], subject=subject, at=at, gone=list(gone))
    return None if row is None else (row["reading"], row["occurred"])


async def newest_plain(
    tx: Transaction,
    subject: int,
    gone: Collection[int] = (),
    *,
    until: datetime | None = None,
    known_at: datetime | None = None,
) -> tuple[int, datetime] | None:
    """The newest plain reading and its time: what a counter shows where it is newer than any fact tells."""
    row = await tx.row(SQL["newest_plain"], subject=subject, gone=list(gone), until=until, known_at=known_at)
    return None if row is None else (row["reading"], row["occurred"])


async def usual_pause(tx: Transaction, subject: int, until: datetime, *, known_at: datetime | None = None) -> timedelta:
    """The usual pause between readings up to the newest one, at `until`; where too little is known the longest."""
    found: timedelta | None = await tx.value(SQL["usual_pause"], subject=subject, until=until, known_at=known_at)
    return SILENT_AFTER if found is None else found


async def newest_plain_entry(
    tx: Transaction, subject: int, gone: Collection[int], *, until: datetime, known_at: datetime | None
) -> int:
    """The sequence of that reading, 0 without one."""
    row = await tx.row(SQL["newest_plain"], subject=subject, gone=list(gone), until=until, known_at=known_at)
    return 0 if row is None else int(row["sequence"])


async def following_reading(
    tx: Transaction, subject: int, at: datetime, gone: Collection[int] = ()
) -> tuple[int, datetime] | None:
    """The first reading after a time, or None where there is none or another counter follows."""
    row = await tx.row(SQL["following_reading"], subject=subject, at=at, gone=list(gone))
    if row is None or row["another_counter"]:
        return None
    return row["reading"], row["occurred"]


async def append(
    tx: Transaction,
    subject: Subject,
    event: Event,
    *,
    source: tuple[int, bytes],
    actor: int | None,
    key: int,
    data_json: bytes,
    reading: int | None,
    schema: int,
) -> Place:
    """The last statement of a transaction that records a fact; `schema` is the layout of its data."""
    row = await tx.row(
        SQL["append_fact"],
        log=subject.log,
        sequence=subject.sequence + 1,
        occurred=event.occurred,
        reading=reading,
        subject=subject.subject,
        actor=actor,
        source=source[0],
        key=key,
        schema=schema,
        type=event.type,
        id=event.id,
        salt=token_bytes(16),
        data=data_json.decode(),
        head=subject.head,
        digest=source[1],
    )
    tx.counted["entries", event.type] += 1
    return Place(
        subject=event.subject,
        sequence=subject.sequence + 1,
        log=subject.log,
        position=row["position"],
        recorded=row["recorded"],
        hash=row["hash"].hex(),
    )
