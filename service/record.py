"""The write path: one fact from the door to the outbox, in one transaction.

The order of the steps is the design; a test holds a writer open in front of each of them.
0. number the source and the people, before any lock: who brings a new name makes others that bring it wait;
1. lock the subject, and read nothing else in that statement;
2. identity first, before any refusal: the same again is a duplicate, other content is a conflict;
3. what it is judged by: the stored state, and sheet, gauge and lot under share locks;
4. decide, purely;
5. write state, rechecks, measurements, notices: nothing here knows a position, a recorded time or a hash;
6. append to the ledger, and commit.
A unique violation on the identity starts the transaction over, once.
"""

from datetime import timedelta
from typing import Final

from msgspec import structs

from service import catalogue, ledger, outbox, projections, recall, silence, work_orders
from service.access import Key
from service.amend import amend, effects, in_the_data
from service.counter_held import held
from service.domain import announce
from service.domain.announce import Seen
from service.domain.correction import root_of, standing
from service.domain.event import KINDS, EventData, Fact, entries, spindles
from service.domain.event.envelope import FUTURE, Event, TimeInFuture
from service.domain.fold import next_look, view
from service.domain.notice import Notice
from service.domain.recheck import ACTIVE
from service.domain.refusal import Refusal
from service.domain.step import SpindleUnknown
from service.ledger import Known, Place, Subject
from service.postgres import Database, Transaction, UniqueViolation
from service.projections import Stored
from service.receipt import Receipt, findings_of, receipt_of
from service.refold import Folded, Newest, amended_step, fold_in, fold_whole

HISTORY_AFTER: Final = timedelta(hours=48)
"""A fact older than this is history: what it changes is announced once its spindle has been quiet for a while."""
QUIET_FOR: Final = timedelta(seconds=10)

_CREATES: Final = frozenset({"sheet.issued", "gauge.registered", "lot.received", "spindle.commissioned"})


class IdentityTaken(Refusal):
    """The same source and id stand in the ledger with other content."""

    code = "identity_conflict"


class SequenceMovedOn(Refusal):
    code = "sequence_moved_on"


class SubjectUnknown(Refusal):
    code = "subject_unknown"


class PlaceTaken(Refusal):
    code = "place_taken"


class PlantNotYours(Refusal):
    """The key is bound to other plants."""

    code = "plant_not_allowed"


async def record(database: Database, event: Event, key: Key) -> Receipt:
    """Takes one event in. Raises a Refusal, and then nothing of it is kept."""
    for last_try in (False, True):
        try:
            async with database.transaction() as tx:
                return await _take_in(tx, event, key)
        except UniqueViolation as violation:
            if violation.constraint_name == "place_is_taken":
                pointer = "/data/target" if event.type.startswith("entry.") else "/data/position"
                raise PlaceTaken("another spindle is installed in that place", pointer=pointer) from violation
            if last_try:
                raise
    raise AssertionError("unreachable")


async def _take_in(tx: Transaction, event: Event, key: Key) -> Receipt:
    source = await ledger.source(tx, event.source)
    actor, data_json = await ledger.without_names(tx, event)
    subject = await ledger.lock(tx, event.kind, event.key, create=event.type in _CREATES)
    known = await ledger.identity(tx, source[0], event.id)
    if known is not None:
        await _check_reach(tx, known, key)
        if not known.same_as(event, actor, data_json):
            raise _taken(event, known.place)
        return await _duplicate(tx, known)
    if event.occurred > tx.now + FUTURE:
        raise TimeInFuture(f"{event.occurred.isoformat()} is more than five minutes ahead", pointer="/time")
    if subject is None or (subject.sequence == 0 and event.type not in _CREATES):
        raise _unknown(event)
    plain = await ledger.plain_identity(tx, subject, source[0], event)
    if plain is not None:
        if getattr(event.data, "count", None) != plain[1]:
            raise _taken(event, plain[0])
        return Receipt(status="duplicate", entry=plain[0])
    if event.expectedsequence is not None and event.expectedsequence != subject.sequence:
        raise SequenceMovedOn(
            f"the stream of {event.subject} is at {subject.sequence}, not {event.expectedsequence}",
            pointer="/expectedsequence",
        )
    writing = _Writing(tx, event, key, subject, source, actor, data_json)
    if event.kind != "spindles":
        return await writing.reference()
    return await (writing.amended_spindle() if writing.amends else writing.spindle())


def _taken(event: Event, place: Place) -> Refusal:
    text = f"source {event.source!r} has sent id {event.id!r} with other content: entry {place.sequence}"
    return IdentityTaken(f"{text} of {place.subject}", pointer="/id")


async def _check_reach(tx: Transaction, known: Known, key: Key) -> None:
    """A key that is bound to plants is not told by a duplicate, or a conflict, what another plant has recorded."""
    stored = await load_folded(tx, known.number, known.key) if key.plants and known.kind == "spindles" else None
    if stored is not None and not key.reaches(stored.state.place.plant):
        raise PlantNotYours("this identity belongs to an entry of another plant", pointer="/id")


def _unknown(event: Event) -> Refusal:
    if event.kind == "spindles":
        return SpindleUnknown(f"spindle {event.key!r} has not been commissioned", pointer="/subject")
    return SubjectUnknown(f"{event.subject} is not known; it begins with another event", pointer="/subject")


class _Writing:
    """One event on its way through the steps 3 to 6."""

    def __init__(
        self,
        tx: Transaction,
        event: Event,
        key: Key,
        subject: Subject,
        source: tuple[int, bytes],
        actor: int | None,
        data_json: bytes,
    ) -> None:
        self.tx, self.event, self.key, self.subject = tx, event, key, subject
        self.source, self.actor, self.data_json = source, actor, data_json

    @property
    def amends(self) -> bool:
        """Whether it speaks of another entry."""
        return isinstance(self.event.data, entries.Corrected | entries.Voided)

    async def append(self, reading: int | None, schema: int) -> Place:
        return await ledger.append(
            self.tx,
            self.subject,
            self.event,
            source=self.source,
            actor=self.actor,
            key=self.key.key,
            data_json=self.data_json,
            reading=reading,
            schema=schema,
        )

    def fact(self, reading: int | None) -> Fact:
        return Fact(
            sequence=self.subject.sequence + 1,
            occurred=self.event.occurred,
            type=self.event.type,
            data=self.event.data,
            reading=reading,
        )

    async def reference(self) -> Receipt:
        """A sheet, gauge or lot: its own fold must take the fact; the spindles it reaches are settled afterwards."""
        kind, key, number = self.event.kind, self.event.key, self.subject.subject
        before = (await ledger.history(self.tx, number)).facts
        if self.amends:
            amended = await amend(self.tx, self.event, self.subject, self.actor)
            facts, schema = amended.history.facts, amended.schema
        else:
            facts = tuple(sorted([*before, self.fact(None)], key=lambda each: (each.occurred, each.sequence)))
            schema = KINDS[self.event.type].schema
        try:
            after = catalogue.fold_reference(kind, key, facts)
        except Refusal as refusal:
            raise (in_the_data(refusal) if self.amends else refusal) from refusal
        cause = f"{self.event.subject}#{self.subject.sequence + 1}"
        since, until = (None, None) if self.amends else catalogue.reached_by(self.fact(None), after)
        reached = await catalogue.queue_reached(self.tx, kind, key, cause, since=since, until=until)
        earlier = catalogue.fold_reference(kind, key, before)
        if self.amends and await recall.withdraw(self.tx, kind, key):
            earlier = None
        recalled = recall.recall_in(earlier, after)
        if recalled is not None and reached:
            await recall.begin(self.tx, kind, key, cause, recalled, reached)
        findings = findings_of(self.event.data, after)
        return Receipt(status="accepted", entry=await self.append(None, schema), findings=findings)

    async def spindle(self) -> Receipt:
        stored = await load_folded(self.tx, self.subject.subject, self.event.key)
        self._check_plant(stored, self.event.data)
        reading = await held(self.tx, self.subject.subject, stored, self.event)
        fact = self.fact(reading)
        after = await fold_in(self.tx, self.subject.subject, self.event.key, stored, fact)
        written = await self._write(stored, after)
        known_then = await self._reading_known_then(after)
        place = await self.append(after.readings.get(fact.sequence, reading), KINDS[self.event.type].schema)
        return receipt_of("accepted", place, after.of_fact, fact.occurred, known_then, written)

    async def amended_spindle(self) -> Receipt:
        """A correction or a void of an entry of a spindle: its history is folded again as it now stands."""
        stored = await load_folded(self.tx, self.subject.subject, self.event.key)
        assert stored is not None
        amended = await amend(self.tx, self.event, self.subject, self.actor)
        self._check_plant(stored, amended.data)
        number, key = self.subject.subject, self.event.key
        try:
            strict = None if amended.data is None else amended.root
            after = await fold_whole(self.tx, number, key, amended.history, of_fact=amended.root, strict=strict)
        except Refusal as refusal:
            raise in_the_data(refusal) from refusal
        if not self.key.reaches(after.final.state.place.plant):
            raise PlantNotYours(
                "it would put the spindle into a plant that this key is not for", pointer="/data/target"
            )
        findings = await effects(self.tx, self.subject.subject, self.event.key, amended, after)
        written = await self._write(stored, after, again=True)
        known_then = await self._reading_known_then(after)
        place = await self.append(None, amended.schema)
        made = amended_step(after, stored.view(stored.settled_at), written.view)
        made = structs.replace(made, findings=(*made.findings, *findings))
        return receipt_of("accepted", place, made, self.event.occurred, known_then, written)

    async def _write(self, stored: Stored | None, after: Folded, *, again: bool = False) -> Seen:
        recent = self.event.occurred >= self.tx.now - HISTORY_AFTER
        cause = str(self.subject.sequence + 1)
        return await write(self.tx, self.subject.subject, stored, after, tell=recent, cause=cause, again=again)

    async def _reading_known_then(self, after: Folded) -> Newest:
        """The newest plain reading at or before the event's time."""
        at = self.event.occurred
        if after.newest is None or after.newest[1] <= at:
            return after.newest
        return await ledger.newest_plain(self.tx, self.subject.subject, after.gone, until=at)

    def _check_plant(self, stored: Stored | None, data: EventData | None) -> None:
        plants = [] if stored is None else [stored.state.place.plant]
        if isinstance(data, spindles.Commissioned | spindles.Installed):
            plants.append(data.plant)
        for plant in plants:
            if not self.key.reaches(plant):
                raise PlantNotYours(f"this key is not for plant {plant!r}", pointer="/subject")


async def load_folded(tx: Transaction, subject: int, key: str) -> Stored | None:
    """The stored state, folded again from the facts where another version of the fold stored it."""
    try:
        return await projections.load(tx, subject)
    except projections.FoldTooOld:
        await settle_again(tx, subject, key, cause="fold", tell=False, ignore_stored=True)
        return await projections.load(tx, subject)


async def write(
    tx: Transaction,
    subject: int,
    stored: Stored | None,
    after: Folded,
    *,
    tell: bool,
    cause: str,
    again: bool = False,
) -> Seen:
    """Writes what is derived, as it holds now, and puts the notices that the change brings.

    With `again` what became true a second time, because what was said of it was taken back, is told again.
    With `tell` false the change is history: what it opens is told once the spindle has been quiet.
    """
    state = after.final.state
    now = tx.now if stored is None else max(tx.now, stored.settled_at)
    usual = None if stored is None else stored.usual_after(view(state, now, after.newest).counted_at)
    seen = Seen(state=state, view=view(state, now, after.newest, usual))
    notices = _notices(stored, after, seen, tell=tell, cause=cause)
    if again and stored is not None and not stored.untold:
        notices = await outbox.told_again(tx, notices, cause)
    await (outbox.put_untold if stored is not None and stored.untold else outbox.put)(tx, notices)
    look = next_look(state, seen.view)
    if seen.view.quiet is not None and seen.view.quiet <= now:
        look = min(filter(None, (look, now + silence.HEARD_LATELY)))
    if not tell:
        look = min(filter(None, (look, now + QUIET_FOR)))
    await projections.write_counter(tx, subject, state, seen.view, usual)
    if stored is None or after.whole or stored.state.stays != state.stays:
        await projections.write_places(tx, subject, state)
    episodes = after.episodes_seen(seen.view)
    if after.whole:
        await projections.keep_only_rechecks(tx, subject, episodes)
    await projections.write_rechecks(tx, subject, episodes)
    await projections.write_judged(tx, subject, after.steps, after.gauges, after.sets, whole=after.whole)
    await projections.write_torques(tx, subject, after.tools, whole=after.whole)
    await projections.write_state(
        tx,
        subject,
        state,
        seen.view,
        sequence=after.sequence,
        next_look=look,
        told_health=seen.view.assessment.health if tell or stored is None else stored.told_health,
        untold=not tell,
    )
    await work_orders.settle(tx, subject, stored, seen, after.steps, whole=after.whole, tell=tell, cause=cause)
    return seen


def _notices(stored: Stored | None, after: Folded, seen: Seen, *, tell: bool, cause: str) -> list[Notice]:
    before = None if stored is None else Seen(state=stored.state, view=stored.view(stored.settled_at))
    notices = []
    if stored is not None and before is not None and not stored.untold:
        was_active = {each.episode for each in before.view.rechecks if each.state in ACTIVE}
        closed = (
            [each for each in after.episodes() if each.state not in ACTIVE and each.episode in was_active]
            if after.whole
            else after.of_fact.closed
        )
        if after.whole:
            notices += announce.taken_back(before, seen, cause)
        notices += announce.closings(seen, closed)
    if tell:
        notices += announce.changes(None if stored is not None and stored.untold else before, seen)
        health = seen.view.assessment.health
        if stored is not None and stored.told_health != health:
            notices.append(announce.health_changed(seen, stored.told_health, f"{cause}/{health}"))
    return notices


async def settle_again(
    tx: Transaction, subject: int, key: str, *, cause: str, tell: bool = True, ignore_stored: bool = False
) -> Seen:
    """Folds a spindle's history again and writes what now holds: its counter, too, as the ledger has it.

    The subject is locked by the caller.
    """
    stored = None if ignore_stored else await load_folded(tx, subject, key)
    after = await fold_whole(tx, subject, key, await ledger.history(tx, subject))
    return await write(tx, subject, stored, after, tell=tell, cause=cause, again=True)


async def settle_time(tx: Transaction, subject: int, stored: Stored) -> Seen:
    """Brings a spindle up to now without a fact: what time has changed is written and told."""
    now = max(tx.now, stored.settled_at)
    usual, look_again = await silence.usual_pause(tx, subject, stored, now)
    seen = Seen(state=stored.state, view=view(stored.state, now, stored.newest, usual))
    before = None if stored.untold else Seen(state=stored.state, view=stored.view(stored.settled_at))
    look = min(filter(None, (next_look(stored.state, seen.view), look_again)), default=None)
    health = seen.view.assessment.health
    if before is not None and before.view.looks_like(seen.view) and stored.told_health == health:
        await projections.look_later(tx, subject, look, usual)
        return seen
    notices = announce.changes(before, seen)
    if stored.told_health != health:
        limit = "" if stored.next_look is None else stored.next_look.isoformat()
        notices.append(announce.health_changed(seen, stored.told_health, f"{stored.sequence}/{health}/{limit}"))
    await (outbox.put_untold if stored.untold else outbox.put)(tx, notices)
    await projections.write_counter(tx, subject, stored.state, seen.view, usual)
    await projections.write_rechecks(tx, subject, seen.view.rechecks)
    await projections.write_state(
        tx,
        subject,
        stored.state,
        seen.view,
        sequence=stored.sequence,
        next_look=look,
        told_health=health,
        untold=False,
    )
    await work_orders.settle(tx, subject, stored, seen, cause=str(stored.sequence))
    return seen


async def _duplicate(tx: Transaction, known: Known) -> Receipt:
    """The first entry's place, with verdict and state as now known at the event's time."""
    if known.kind != "spindles":
        return Receipt(status="duplicate", entry=known.place)
    stored = await load_folded(tx, known.number, known.key)
    assert stored is not None
    recorded = await ledger.recorded(tx, known.number)
    root = root_of({each.fact.sequence: each for each in recorded}, known.place.sequence).fact.sequence
    after = await fold_whole(tx, known.number, known.key, standing(recorded), of_fact=root)
    seen = Seen(state=stored.state, view=stored.view(max(tx.now, stored.settled_at)))
    made = after.of_fact
    if root != known.place.sequence:
        made = structs.replace(made, state=after.at(known.occurred).state, opened=(), closed=())
    known_then = await ledger.newest_plain(tx, known.number, after.gone, until=known.occurred)
    return receipt_of("duplicate", known.place, made, known.occurred, known_then, seen)
