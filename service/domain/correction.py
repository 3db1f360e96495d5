"""Corrections: which facts stand, as a pure function of everything that was recorded of one subject.

Rules of this file
- A void takes its target out, and all that was said in the target's place; a void that is voided itself does not.
- Of the corrections of one entry that are not voided, wherever in the chain they point, the last stands: by the time at
  which it was made, then by its sequence. It stands whole: what it does not repeat is not kept.
- A corrected fact keeps the sequence of the entry that it corrects.
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from msgspec import Struct
from msgspec.structs import replace

from service.domain.event import Fact, decode_data, entries, spindles
from service.domain.refusal import Refusal


class TargetUnknown(Refusal):
    """What is to be corrected is not in the ledger."""

    code = "target_unknown"


class TargetOfOtherSubject(Refusal):
    """A correction belongs to the stream of what it corrects."""

    code = "target_of_other_subject"


class TargetIsItself(Refusal):
    code = "target_is_itself"


class TargetNotCorrectable(Refusal):
    """A void says nothing that could be put right: it is voided, or it stands."""

    code = "target_not_correctable"


class NothingLeft(Refusal):
    """Nothing would be left of what the rest is judged by."""

    code = "nothing_left"


class Recorded(Struct, frozen=True, kw_only=True):
    """One entry as it was recorded. `target` is the sequence of the entry that a correction or void speaks of.

    `plain` marks a counter reading that is no fact while it stands as it is; `schema` is the layout of its data, or of
    the data that a correction carries.
    """

    fact: Fact
    schema: int
    target: int | None = None
    plain: bool = False


class History(Struct, frozen=True, kw_only=True):
    """What stands of one subject.

    facts: in the order of (occurred, sequence). newest: the sequence of the newest entry, corrections included, 0
    without one. gone: plain readings that no longer stand. recount_from: from when on the counter that each fact found
    must be looked up again, because what it was recorded with has been corrected, then or for a while. recount_before:
    the newest correction that did so; what was recorded after it found the counter as it stands.
    """

    facts: tuple[Fact, ...] = ()
    newest: int = 0
    gone: frozenset[int] = frozenset()
    recount_from: datetime | None = None
    recount_before: int = 0


class Fate(Struct, frozen=True, kw_only=True):
    """What stands in an entry's place: the correction `by`, or nothing where it was voided."""

    by: int
    voided: bool


def standing(recorded: Sequence[Recorded]) -> History:
    """What stands of what was recorded, in any order."""
    entries_by = {each.fact.sequence: each for each in recorded}
    fates = fates_of(recorded)
    facts: list[Fact] = []
    gone: set[int] = set()
    for sequence, each in entries_by.items():
        if each.target is not None:
            continue
        fate = fates.get(sequence)
        if fate is None:
            if not each.plain:
                facts.append(each.fact)
            continue
        if each.plain:
            gone.add(sequence)
        if not fate.voided:
            facts.append(corrected(each.fact, entries_by[fate.by]))
    doubtful = _doubtful(entries_by)
    return History(
        facts=tuple(sorted(facts, key=lambda fact: (fact.occurred, fact.sequence))),
        newest=max((sequence for sequence, each in entries_by.items() if not each.plain), default=0),
        gone=frozenset(gone),
        recount_from=min((at for at, _ in doubtful), default=None),
        recount_before=max((by for _, by in doubtful), default=0),
    )


def _doubtful(entries_by: dict[int, Recorded]) -> list[tuple[datetime, int]]:
    """Where a counter may have been found wrong by what was once said of it, and the entry that said so.

    Also where that was taken back: what was recorded meanwhile found the counter as it was said to be.
    """
    found: list[tuple[datetime, int]] = []
    for sequence, each in entries_by.items():
        if each.target is None:
            continue
        root = root_of(entries_by, sequence)
        said = each.fact.data
        as_said = corrected(root.fact, each) if isinstance(said, entries.Corrected) else None
        if _counts(root.fact) or (as_said is not None and (_counts(as_said) or _moved(root.fact, as_said))):
            found.append((root.fact.occurred, sequence))
            if as_said is not None:
                found.append((as_said.occurred, sequence))
    return found


def root_of(entries_by: Mapping[int, Recorded], sequence: int) -> Recorded:
    """The entry that a correction, by way of those it speaks of, is about; an entry of another kind is its own."""
    each = entries_by[sequence]
    while each.target is not None and each.target != each.fact.sequence:
        each = entries_by[each.target]
    return each


def fates_of(recorded: Sequence[Recorded]) -> dict[int, Fate]:
    """For each entry that no longer stands as it was recorded, what stands in its place."""
    said_of: dict[int, list[Recorded]] = {}
    for each in sorted(recorded, key=lambda one: one.fact.sequence):
        if each.target is not None:
            said_of.setdefault(each.target, []).append(each)
    voided_by: dict[int, int] = {}
    # A target was recorded before what speaks of it: from the newest back, whether a void stands is known when asked.
    for target in sorted(said_of, reverse=True):
        for each in said_of[target]:
            if isinstance(each.fact.data, entries.Voided) and each.fact.sequence not in voided_by:
                voided_by[target] = each.fact.sequence
    fates: dict[int, Fate] = {}
    for target in said_of:
        if target in voided_by:
            fates[target] = Fate(by=voided_by[target], voided=True)
            continue
        last = max(_corrections(target, said_of, voided_by), key=_made, default=None)
        if last is not None:
            fates[target] = Fate(by=last.fact.sequence, voided=False)
    return fates


def _corrections(target: int, said_of: dict[int, list[Recorded]], voided_by: dict[int, int]) -> list[Recorded]:
    """Every correction of an entry, or of one of its corrections, that has not been voided."""
    found: list[Recorded] = []
    targets = [target]
    while targets:
        for each in said_of.get(targets.pop(), ()):
            if isinstance(each.fact.data, entries.Corrected) and each.fact.sequence not in voided_by:
                found.append(each)
                targets.append(each.fact.sequence)
    return found


def _made(correction: Recorded) -> tuple[datetime, int]:
    return correction.fact.occurred, correction.fact.sequence


def corrected(fact: Fact, by: Recorded) -> Fact:
    """The fact as a correction says it was. Raises as `decode_data` does."""
    said = by.fact.data
    assert isinstance(said, entries.Corrected)
    data = decode_data(fact.type, bytes(said.data), by.schema)
    occurred = fact.occurred if said.time is None else said.time.astimezone(UTC)
    return replace(fact, data=data, occurred=occurred, corrected=by.fact.sequence)


def _counts(fact: Fact) -> bool:
    """Whether the fact says what a counter stood at."""
    return (
        getattr(fact.data, "count", None) is not None
        or isinstance(fact.data, spindles.CounterReplaced)
        or getattr(fact.data, "counter", None) is not None
    )


def _moved(fact: Fact, stands: Fact) -> bool:
    return stands.occurred != fact.occurred
