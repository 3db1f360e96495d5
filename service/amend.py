"""A correction or a void on its way in: what it speaks of, whether it may, and the history as it stands with it."""

from datetime import UTC, datetime
from typing import Any, Final

from msgspec import Struct

from service import ledger
from service.domain.correction import (
    History,
    NothingLeft,
    Recorded,
    TargetIsItself,
    TargetNotCorrectable,
    TargetOfOtherSubject,
    TargetUnknown,
    fates_of,
    root_of,
    standing,
)
from service.domain.event import KINDS, EventData, Fact, decode_data, entries
from service.domain.event.envelope import EARLIEST, FUTURE, Event, TimeInFuture, Unreadable, decode
from service.domain.finding import Finding
from service.domain.refusal import Fault, Refusal
from service.ledger import Spoken, Subject
from service.postgres import Transaction
from service.refold import Folded, fold_whole


class HistoryContradicted(Refusal):
    """A correction that leaves a later entry without sense."""

    code = "history_contradicted"


NO_EFFECT: Final = Finding(code="target_stands_no_more", text="What it speaks of was voided before: nothing changes.")
_MOVES: Final = frozenset({"spindle.removed", "spindle.installed", "spindle.retired", "counter.replaced"})


class Amended(Struct, frozen=True, kw_only=True):
    """The history with the correction in it. `root` is the entry at the end of its chain, `data` what it should have
    had; `schema` is the layout of what the correction carries: that of the root's type. `no_effect` says that the
    target stands no more, so that nothing changes.
    """

    history: History
    root: int
    data: EventData | None
    schema: int
    before: History
    no_effect: bool


async def amend(tx: Transaction, event: Event, subject: Subject, actor: int | None) -> Amended:
    """Raises a Refusal where the target is not there, is another subject's, or cannot be what it would become."""
    said = event.data
    assert isinstance(said, entries.Corrected | entries.Voided)
    spoken = await _spoken(tx, event, subject, said.target)
    recorded = await ledger.recorded(tx, subject.subject)
    by_sequence = {each.fact.sequence: each for each in recorded}
    if spoken.plain is not None:
        by_sequence.setdefault(spoken.sequence, Recorded(fact=spoken.plain, schema=1, plain=True))
    root = root_of(by_sequence, spoken.sequence)
    schema = KINDS[event.type].schema
    data = None
    if isinstance(said, entries.Corrected):
        if spoken.type == "entry.voided":
            raise TargetNotCorrectable(
                "a void is not corrected: void it, and it stands no more", pointer="/data/target"
            )
        schema = KINDS[root.fact.type].schema
        data = _data(root.fact.type, bytes(said.data))
        _check_time(said.time, tx.now)
        await _check_other_person(tx, data, event, subject, actor, root.fact.sequence)
    fact = Fact(sequence=subject.sequence + 1, occurred=event.occurred, type=event.type, data=said)
    mine = Recorded(fact=fact, schema=schema, target=spoken.sequence)
    before = standing(list(by_sequence.values()))
    history = standing([*by_sequence.values(), mine])
    fate = fates_of(list(by_sequence.values())).get(spoken.sequence)
    _check_something_left(event, history)
    return Amended(
        history=history,
        root=root.fact.sequence,
        data=data,
        schema=schema,
        before=before,
        no_effect=fate is not None and fate.voided,
    )


async def effects(tx: Transaction, subject: int, key: str, amended: Amended, after: Folded) -> tuple[Finding, ...]:
    """What is to be known of a correction of a spindle: that it does nothing, or that later facts make no sense.

    Raises HistoryContradicted where that is a move of the spindle or another counter.
    """
    idle = (NO_EFFECT,) if amended.no_effect else ()
    if not after.refused:
        return idle
    before = (await fold_whole(tx, subject, key, amended.before)).refused
    types = {fact.sequence: fact.type for fact in amended.history.facts}
    fresh = {sequence: told for sequence, told in after.refused.items() if sequence not in before}
    for sequence, told in fresh.items():
        if types[sequence] in _MOVES:
            text = f"entry {sequence} ({types[sequence]}) would make no sense any more: {told}; correct it first"
            raise HistoryContradicted(text, pointer="/data/target")
    return (
        *idle,
        *(
            Finding(code="history_contradicted", text=f"Entry {sequence} ({types[sequence]}) counts no more: {told}.")
            for sequence, told in fresh.items()
        ),
    )


def in_the_data(refusal: Refusal) -> Refusal:
    """The refusal of a corrected fact, with its places where they stand in the correction."""
    faults = tuple(
        Fault(
            pointer=f"/data{each.pointer}" if (each.pointer or "").startswith("/data") else "/data/target",
            code=each.code,
            detail=each.detail,
        )
        for each in refusal.faults
    )
    return type(refusal)(refusal.detail, faults=faults)


async def _spoken(tx: Transaction, event: Event, subject: Subject, target: entries.Target) -> Spoken:
    if (target.source, target.id) == (event.source, event.id):
        raise TargetIsItself("an entry cannot correct itself", pointer="/data/target")
    found = (await ledger.spoken_of(tx, subject.subject, [target]))[0]
    if found is not None:
        return found
    where = await ledger.subject_of(tx, target.source, target.id)
    named = f"source {target.source!r}, id {target.id!r}"
    if where is not None:
        raise TargetOfOtherSubject(
            f"{named} is an entry of another subject than {event.subject}", pointer="/data/target"
        )
    raise TargetUnknown(f"nothing is recorded under {named}", pointer="/data/target")


def _data(event_type: str, raw: bytes) -> EventData:
    class _Bound:
        @staticmethod
        def decode(data: bytes) -> EventData:
            return decode_data(event_type, data)

    data: Any = decode(_Bound, raw, "/data/data")  # type: ignore[arg-type]
    found: EventData = data
    return found


def _check_time(time: datetime | None, now: datetime) -> None:
    if time is None:
        return
    if time > now + FUTURE:
        raise TimeInFuture(f"{time.astimezone(UTC).isoformat()} is more than five minutes ahead", pointer="/data/time")
    if time < EARLIEST:
        fault = Fault(pointer="/data/time", code="time_invalid", detail="times before 1970 are not taken")
        raise Unreadable(fault.detail, faults=(fault,))


async def _check_other_person(
    tx: Transaction, data: EventData, event: Event, subject: Subject, actor: int | None, root: int
) -> None:
    """Leave is not given by who takes it, nor by who puts it right."""
    approved_by: str | None = getattr(data, "approved_by", None)
    if approved_by is None:
        return
    actors = {actor, await tx.value(ledger.SQL["actor_of"], subject=subject.subject, sequence=root)}
    labels = await ledger.labels_of(tx, [number for number in actors if number is not None])
    if approved_by == event.actor or approved_by in labels.values():
        fault = Fault(
            pointer="/data/data/approved_by",
            code="approved_by_the_actor",
            detail="approved_by is someone other than the actor, and than who corrects",
        )
        raise Unreadable(fault.detail, faults=(fault,))


def _check_something_left(event: Event, history: History) -> None:
    types = {fact.type for fact in history.facts}
    if event.kind == "spindles" and "spindle.commissioned" not in types:
        raise NothingLeft("a spindle's commissioning is corrected, not voided", pointer="/data/target")
    if event.kind == "sheets" and not types:
        raise NothingLeft("a sheet keeps at least one revision: issue the right one first", pointer="/data/target")
