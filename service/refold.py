"""A spindle's facts folded: the newest onto the stored state, a late one through the whole history again.

Rules of this file
- A plain reading is no fact, because nothing followed from it when it came. A late fact can make it matter: then it
  crosses a limit, runs the set in, or shows that the spindle was used while withheld.
- Such a reading is folded where it stands, as the fact that it would have been had everything come in order. It stays
  a reading in the ledger, and is found again whenever the history is folded again.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

from msgspec import Struct, structs

from service import catalogue, ledger, projections
from service.domain import counter
from service.domain.correction import History, standing
from service.domain.counter import CounterTrack
from service.domain.event import Fact, spindles
from service.domain.fold import View, replay
from service.domain.recheck import ACTIVE, Episode
from service.domain.set_life import MarkKind
from service.domain.spindle import SpindleState
from service.domain.step import References, Step
from service.postgres import Transaction
from service.projections import Stored

Newest = tuple[int, datetime] | None
"""The newest counted reading, with its time."""

_PAST_EVERY: Final = 2**62
"""Past every sequence: a reading at the very time that is asked for is in."""


class Knowledge(Struct, frozen=True, kw_only=True):
    """What is looked at: all that is known, or what was recorded by `known_at`, of what happened by `as_of`.

    `gone` are the plain readings that no longer stand; from `recount_from` on the counter that a fact found is looked
    up again, because what it was recorded with has been corrected. `late` is a fact that is being recorded behind
    others.
    """

    gone: frozenset[int] = frozenset()
    recount_from: datetime | None = None
    recount_before: int = 0
    known_at: datetime | None = None
    as_of: datetime | None = None
    late: int | None = None


class SetFact(Struct, frozen=True, kw_only=True):
    """A fact that begins or ends the watch over a clamping set, with what it says of the set."""

    kind: MarkKind
    reason: str | None = None
    baseline: spindles.BaselineMark | None = None


class Folded(Struct, frozen=True, kw_only=True):
    """A spindle's history with what was new in it: the steps to write, and the step of the fact itself.

    `sequence` is the newest entry folded in; `readings` the counter that facts are now found to have met, where that
    had to be looked up again.
    """

    steps: Sequence[Step]
    of_fact: Step
    final: Step
    gauges: dict[int, str | None]
    whole: bool
    sequence: int
    newest: Newest
    readings: dict[int, int] = {}
    gone: frozenset[int] = frozenset()
    tools: dict[int, tuple[datetime, str]] = {}
    sets: dict[int, SetFact] = {}

    @property
    def refused(self) -> dict[int, str]:
        """Facts that make no sense after what stands before them, by their sequence, with why."""
        return {
            made.state.newest.sequence: made.refused
            for made in self.steps
            if made.refused is not None and made.state.newest.sequence is not None
        }

    def at(self, when: datetime) -> Step:
        """The last step by then, or the first."""
        by_then = [made for made in self.steps if made.state.newest.time <= when]
        return by_then[-1] if by_then else self.steps[0]

    def episodes(self) -> list[Episode]:
        """Every episode of the steps as it last stood."""
        newest: dict[str, Episode] = {}
        for made in self.steps:
            for episode in (*made.opened, *made.closed, *made.state.rechecks):
                newest[episode.episode] = episode
        return list(newest.values())

    def episodes_seen(self, seen: View) -> list[Episode]:
        """The same, those of the state as they are seen at a time."""
        as_seen = {each.episode: each for each in seen.rechecks}
        return [as_seen.get(each.episode, each) for each in self.episodes()]


async def fold_in(tx: Transaction, subject: int, key: str, stored: Stored | None, fact: Fact) -> Folded:
    """Folds a fact in: onto the stored state where it is the newest, else through the whole history again."""
    if stored is not None and fact.occurred < stored.newest_fact:
        history = await ledger.history(tx, subject)
        facts = sorted([*history.facts, fact], key=lambda each: (each.occurred, each.sequence))
        with_it = structs.replace(history, facts=tuple(facts), newest=fact.sequence)
        number = fact.sequence
        return await fold_whole(tx, subject, key, with_it, of_fact=number, strict=number, late=number)
    names = catalogue.names_in([fact])
    if stored is not None:
        names.add(("sheets", stored.state.sheet))
    newest = None if stored is None else stored.newest
    known = await catalogue.references(tx, names, share=True)
    folding = _Folding(tx, subject, key, known, newest, Knowledge())
    steps = await folding.steps([fact], None if stored is None else stored.state, strict=fact.sequence)
    return Folded(
        steps=steps,
        of_fact=steps[0],
        final=steps[-1],
        gauges=_gauges([fact]),
        tools=_tools([fact]),
        sets=_sets([fact]),
        whole=False,
        sequence=fact.sequence,
        newest=newest,
    )


async def fold_whole(
    tx: Transaction,
    subject: int,
    key: str,
    history: History,
    *,
    of_fact: int | None = None,
    strict: int | None = None,
    late: int | None = None,
) -> Folded:
    """The whole history, by what its sheets, gauges and lots say now. The fact `strict` may be refused."""
    known = await catalogue.references(tx, catalogue.names_in(history.facts), share=True)
    knowledge = Knowledge(
        gone=history.gone, recount_from=history.recount_from, recount_before=history.recount_before, late=late
    )
    return await _fold(tx, subject, key, history, known, knowledge, of_fact=of_fact, strict=strict)


async def fold_with(tx: Transaction, subject: int, key: str, history: History, known: References) -> Folded:
    """The whole history, by what these sheets, gauges and lots say, whatever is on record of them."""
    knowledge = Knowledge(gone=history.gone, recount_from=history.recount_from, recount_before=history.recount_before)
    return await _fold(tx, subject, key, history, known, knowledge)


async def fold_as_known(
    tx: Transaction, subject: int, key: str, *, as_of: datetime, known_at: datetime | None
) -> Folded | None:
    """What had happened by `as_of`, of what had been recorded by `known_at` or is known now.

    The sheets, gauges and lots are taken as they stood then, too. None where the spindle had not been commissioned.
    """
    recorded = await ledger.recorded(tx, subject, known_at=known_at)
    history = standing(recorded)
    facts = tuple(fact for fact in history.facts if fact.occurred <= as_of)
    if not facts:
        return None
    happened = [each.fact.sequence for each in recorded if each.fact.occurred <= as_of and not each.plain]
    known = await catalogue.references_as_known(tx, catalogue.names_in(facts), as_of=as_of, known_at=known_at)
    knowledge = Knowledge(
        gone=history.gone,
        recount_from=history.recount_from,
        recount_before=history.recount_before,
        known_at=known_at,
        as_of=as_of,
    )
    until_then = structs.replace(history, facts=facts, newest=max(happened, default=0))
    return await _fold(tx, subject, key, until_then, known, knowledge)


async def _fold(
    tx: Transaction,
    subject: int,
    key: str,
    history: History,
    known: References,
    knowledge: Knowledge,
    *,
    of_fact: int | None = None,
    strict: int | None = None,
) -> Folded:
    newest = await ledger.newest_plain(tx, subject, knowledge.gone, until=knowledge.as_of, known_at=knowledge.known_at)
    folding = _Folding(tx, subject, key, known, newest, knowledge)
    steps = await folding.steps(history.facts, None, strict=strict)
    return Folded(
        steps=steps,
        of_fact=next((made for made in steps if made.state.newest.sequence == of_fact), Step(state=steps[-1].state)),
        final=steps[-1],
        gauges=_gauges(history.facts),
        tools=_tools(history.facts),
        sets=_sets(history.facts),
        whole=True,
        sequence=history.newest,
        newest=newest,
        readings=folding.readings,
        gone=knowledge.gone,
    )


def _gauges(facts: Sequence[Fact]) -> dict[int, str | None]:
    return {fact.sequence: getattr(fact.data, "gauge", None) for fact in facts}


def _tools(facts: Sequence[Fact]) -> dict[int, tuple[datetime, str]]:
    return {
        fact.sequence: (fact.occurred, fact.data.tool)
        for fact in facts
        if isinstance(fact.data, spindles.NoseTorqued) and fact.data.tool is not None
    }


def _sets(facts: Sequence[Fact]) -> dict[int, SetFact]:
    found: dict[int, SetFact] = {}
    for fact in facts:
        match fact.data:
            case spindles.Commissioned(baseline=baseline):
                stated = None if baseline is None else baseline.rebuilt
                found[fact.sequence] = SetFact(kind="commissioned", baseline=stated)
            case spindles.ClampingSetReplaced(reason=reason):
                found[fact.sequence] = SetFact(kind="rebuilt", reason=reason)
            case spindles.SheetAssigned():
                found[fact.sequence] = SetFact(kind="sheet_assigned")
    return found


def amended_step(after: Folded, before: View, now: View) -> Step:
    """What a correction brought: the verdict that now holds on what it corrects, and the rechecks that it moved."""
    was = {each.episode: each.state for each in before.rechecks}
    changed = [each for each in after.episodes_seen(now) if was.get(each.episode) != each.state]
    return structs.replace(
        after.of_fact,
        state=after.final.state,
        opened=tuple(each for each in changed if each.state in ACTIVE),
        closed=tuple(each for each in changed if each.state not in ACTIVE and was.get(each.episode) in ACTIVE),
    )


class _Folding:
    """Facts on their way through the fold, with the plain readings between them that matter."""

    def __init__(
        self, tx: Transaction, subject: int, key: str, known: References, newest: Newest, knowledge: Knowledge
    ) -> None:
        self.tx, self.subject, self.key, self.known, self.newest = tx, subject, key, known, newest
        self.knowledge = knowledge
        self.readings: dict[int, int] = {}

    async def steps(self, facts: Sequence[Fact], state: SpindleState | None, *, strict: int | None) -> list[Step]:
        made: list[Step] = []
        for place, fact in enumerate(facts):
            if made:
                state = made[-1].state
                if self._to_recount(fact):
                    fact = await self._recounted(state, fact, self._following(facts[place + 1 :], fact))
                made += await self._between(state, fact)
                state = made[-1].state
            made += replay(self.key, [fact], self.known, strict=strict, after=state)
        return made + await self._between(made[-1].state, None)

    def _to_recount(self, fact: Fact) -> bool:
        """Whether it was recorded with a counter that has been corrected, or comes late into such a history."""
        since, before = self.knowledge.recount_from, self.knowledge.recount_before
        if since is None:
            return False
        return fact.sequence == self.knowledge.late or (fact.occurred >= since and fact.sequence < before)

    def _following(self, later: Sequence[Fact], fact: Fact) -> Fact | None:
        """The next fact that read the same counter, of those that were known when the corrections were made."""
        for each in later:
            if isinstance(each.data, spindles.CounterReplaced) or getattr(each.data, "counter", None) is not None:
                return None
            known = each.sequence < self.knowledge.recount_before or fact.sequence == self.knowledge.late
            if known and getattr(each.data, "count", None) is not None:
                return each
        return None

    async def _recounted(self, state: SpindleState, fact: Fact, following: Fact | None) -> Fact:
        """The fact with the counter that it met as the history now stands."""
        data = fact.data
        fresh = data.new_start if isinstance(data, spindles.CounterReplaced) else None
        if isinstance(data, spindles.Commissioned | spindles.Installed) and data.counter is not None:
            fresh = data.counter.start
        if fresh is None:
            row = await self.tx.row(ledger.SQL["last_reading_between"], **self._gap(state, fact), until=None)
            track = counter.held(state.counter, None if row is None else row["reading"])
            if row is not None:
                track = structs.replace(track, read_at=row["occurred"])
            read: int | None = getattr(data, "count", None)
            fresh = track.reading
            if fact.sequence == self.knowledge.late:
                fact = structs.replace(fact, reading=None)
            if read is not None and _fits_in(track, read, fact, following):
                fresh = read
        self.readings[fact.sequence] = fresh
        return structs.replace(fact, reading=fresh)

    def _gap(self, state: SpindleState, fact: Fact | None) -> dict[str, Any]:
        """What bounds the plain readings after a state and before the next fact, in terms of the statements."""
        as_of = self.knowledge.as_of
        return {
            "subject": self.subject,
            "after": state.newest.time,
            "after_sequence": state.newest.sequence,
            "before": as_of if fact is None else fact.occurred,
            "before_sequence": (None if as_of is None else _PAST_EVERY) if fact is None else fact.sequence,
            "reading": state.counter.reading,
            "exchanged": state.counter.exchanged or 0,
            "known_at": self.knowledge.known_at,
            "gone": list(self.knowledge.gone),
        }

    async def _between(self, state: SpindleState, fact: Fact | None) -> list[Step]:
        """The readings that matter after a state and before the next fact, or up to the newest reading."""
        made: list[Step] = []
        while _may_matter(state, fact, self.newest):
            row = await self._next(state, fact)
            if row is None:
                break
            data = spindles.CounterRead(count=row["reading"])
            reading = Fact(
                sequence=row["sequence"],
                occurred=row["occurred"],
                type="counter.read",
                data=data,
                reading=row["reading"],
            )
            made += replay(self.key, [reading], self.known, after=state)
            state = made[-1].state
        return made

    async def _next(self, state: SpindleState, fact: Fact | None) -> Any:
        """The first reading that matters; of those that run the set in only the first and the last do."""
        limits = projections.limits_of(state)
        gap = self._gap(state, fact)
        running_in = limits.thought_until
        row = await self.tx.row(
            ledger.SQL["reading_that_matters"],
            **gap,
            below=limits.plain_below,
            until=limits.plain_until,
            watched=limits.watched,
            first_until=running_in if state.run_in.first is None else None,
        )
        if row is None and running_in is not None:
            row = await self.tx.row(ledger.SQL["last_reading_between"], **gap, until=running_in)
        return row


def _fits_in(track: CounterTrack, read: int, fact: Fact, following: Fact | None) -> bool:
    """Whether what a fact read fits what the counter showed before, and what the next fact read.

    What was believed when it was recorded needs no second witness: what follows was judged by it.
    """
    if not isinstance(counter.judge_reading(track, read, fact.occurred), int):
        return False
    later: int | None = None if following is None else getattr(following.data, "count", None)
    if fact.reading == read or following is None or later is None:
        return True
    after = structs.replace(track, reading=read, read_at=fact.occurred)
    return isinstance(counter.judge_reading(after, later, following.occurred), int)


def _may_matter(state: SpindleState, fact: Fact | None, newest: Newest) -> bool:
    """Whether it is worth looking: in a history that came in order it is not, but for running in."""
    if state.away or newest is None or newest[1] <= state.newest.time:
        return False
    limits = projections.limits_of(state)
    exchanged = fact is not None and isinstance(fact.data, spindles.CounterReplaced | spindles.Installed)
    highest, end = newest if fact is None else (fact.reading, fact.occurred)
    risen = highest is None or exchanged or highest > state.counter.reading
    reached = limits.plain_below is not None and (highest is None or exchanged or highest >= limits.plain_below)
    lasted = limits.plain_until is not None and end >= limits.plain_until
    return limits.thought_until is not None or reached or lasted or (limits.watched and risen)
