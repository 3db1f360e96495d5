"""The observations of one data item as cycles of a spindle: what each adds, in whatever order they become known.

Rules of this file
- What is counted is a function of the set of observations: put into the order in which the agents made them, each adds
  what lies between it and the one before. An observation found later between two others adds the difference, which is
  never negative where the counter can have run so.
- The runs of an agent (instanceId) follow each other by how far they had come in the earliest document that is known of
  each, observations of one run by their sequence: times of day are set back, sequences are not (MTConnect Part 1,
  Header; Part 3, Observation).
"""

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Final, Literal, TypeAlias

from msgspec import Struct

from service.domain.counter import fits
from service.domain.mtconnect import Observed
from service.domain.refusal import Refusal

UseKind = Literal["absolute", "delta", "transition"]
COUNT_MAX: Final = 10**15
"""As for every count of the ledger."""
DELTA_MAX: Final = 10**6
"""Cycles that one observation may add. Ours: more is a slip, or an absolute count."""
SEQUENCE_MAX: Final = 2**63 - 1
TOGETHER: Final = timedelta(minutes=1)
"""Rises of one minute go to the ledger as one reading: as often as a counter is read (ours)."""
UNAVAILABLE: Final = "UNAVAILABLE"
NO_COUNTS: Final = frozenset({"TARGET", "REMAINING"})
"""Values of subType that say what is planned, not what has happened."""
_NUMBER: Final = re.compile(r"[+-]?\d{1,40}(\.\d{1,40})?([eE][+-]?\d{1,2})?")
_TIME: Final = re.compile(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(?:\.(\d{1,6})\d*)?(Z|[+-]\d\d:\d\d)?")


class NotANumber(Refusal):
    """A value that is no number, or a data set, table or time series."""

    code = "count_not_a_number"


class NotWhole(Refusal):
    code = "count_not_whole"


class NumberNegative(Refusal):
    code = "count_negative"


class NumberTooLarge(Refusal):
    code = "count_out_of_range"


class NotACount(Refusal):
    """A statistic of a count, or what is planned: no count of what has happened."""

    code = "observation_not_a_count"


class TimestampInvalid(Refusal):
    code = "timestamp_invalid"


class SequenceInvalid(Refusal):
    code = "sequence_invalid"


class SequenceConflict(Refusal):
    """The same agent has said otherwise under this instanceId and sequence."""

    code = "sequence_conflict"


class RiseImplausible(Refusal):
    """An absolute count, found later, that cannot have risen so far in that time."""

    code = "counter_implausible"


Position: TypeAlias = tuple[datetime, int, str, int]


class Point(Struct, frozen=True, kw_only=True, gc=False):
    """An observation that counts: how far its run had come in the earliest document of it, the run, its sequence, time
    and value.

    `reset` where the agent says that the count began anew with it; `discrete` where each observation is an event of
    its own, also with the value of the one before.
    """

    reached: datetime
    instance: str
    sequence: int
    occurred: datetime
    value: str
    reset: bool = False
    discrete: bool = False

    @property
    def position(self) -> Position:
        number = int(self.instance) if self.instance.isascii() and self.instance.isdigit() else -1
        return (self.reached, number, self.instance, self.sequence)


class Tie(Struct, frozen=True, kw_only=True):
    """What a data item is counted for: how, what its spindle's counter showed when that began, and how it counts.

    `values` are the states that count where use is `transition`; without any every change does but to nothing, which
    says that no tool is there. `anchor` is None where
    what came before the oldest observation is not known.
    """

    use: UseKind
    values: tuple[str, ...] = ()
    anchor: int | None = None
    since: datetime
    max_per_second: int = 1
    modulus: int | None = None


class Rise(Struct, frozen=True, kw_only=True):
    """Cycles that came to be known. `late` where something newer was known already.

    `fresh_start` is what a counter shows that was reset, or is another one, before it rose by `cycles`; `fresh_at` the
    last moment at which it can have begun.
    """

    cycles: int
    occurred: datetime
    late: bool = False
    fresh_start: int | None = None
    fresh_at: datetime | None = None


class Tallied(Struct, frozen=True, kw_only=True):
    """What observations added; `refused` counts cycles that were found later and cannot have been."""

    rises: tuple[Rise, ...] = ()
    refused: tuple[Rise, ...] = ()


def instant_of(text: str | None) -> datetime | None:
    """A time of an agent in UTC, which it also is where no offset is written (Part 1: times are in UTC)."""
    match = _TIME.fullmatch((text or "").strip())
    if match is None:
        return None
    seconds, fraction, offset = match.groups()
    try:
        found = datetime.fromisoformat(f"{seconds}.{(fraction or '').ljust(6, '0')}{offset or '+00:00'}")
        return found.astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def sequence_of(text: str | None) -> int:
    """Raises SequenceInvalid."""
    said = (text or "").strip()
    if not (said.isascii() and said.isdigit() and len(said) <= 19 and 0 < int(said) <= SEQUENCE_MAX):
        raise SequenceInvalid(f"{said[:40]!r} is no sequence from 1 to {SEQUENCE_MAX}")
    return int(said)


def point_of(observed: Observed, use: UseKind, *, instance: str, reached: datetime) -> Point | None:
    """An observation as what is counted, None where it is unavailable. Raises a Refusal that says why it is not."""
    if observed.value == UNAVAILABLE:
        return None
    sequence = sequence_of(observed.sequence)
    occurred = instant_of(observed.timestamp)
    if occurred is None:
        raise TimestampInvalid(f"{(observed.timestamp or '')[:40]!r} is no time")
    if use == "transition":
        if observed.composite:
            raise NotACount("a data set, a table or a long text is not a state")
        value = observed.value
    else:
        value = str(_number_of(observed, COUNT_MAX if use == "absolute" else DELTA_MAX))
    return Point(
        reached=reached,
        instance=instance,
        sequence=sequence,
        occurred=occurred,
        value=value,
        reset=observed.reset is not None,
        discrete=observed.element.endswith("Discrete"),
    )


def _number_of(observed: Observed, highest: int) -> int:
    if observed.statistic is not None:
        raise NotACount(f"the {observed.statistic[:40]} of a count is not a count")
    if observed.sub_type in NO_COUNTS:
        raise NotACount(f"subType {observed.sub_type} says what is planned, not what has happened")
    if observed.composite or _NUMBER.fullmatch(observed.value) is None:
        raise NotANumber(f"{observed.value[:40]!r} is no number")
    number = Decimal(observed.value)
    if number < 0:
        raise NumberNegative(f"{observed.value[:40]} is negative")
    if number > highest:
        raise NumberTooLarge(f"{observed.value[:40]} is more than {highest}")
    if number != int(number):
        raise NotWhole(f"{observed.value[:40]} is no whole number")
    return int(number)


def tally(tie: Tie, known: Iterable[Point], fresh: Sequence[Point]) -> Tallied:
    """What `fresh` observations add to those that are `known`; none of them is among these."""
    marked = [(point, False) for point in known] + [(point, True) for point in fresh]
    marked.sort(key=lambda each: each[0].position)
    rises: list[Rise] = []
    refused: list[Rise] = []
    before: Point | None = None
    run: list[Point] = []
    for point, is_fresh in marked:
        if is_fresh:
            run.append(point)
            continue
        if run:
            found = _between(tie, before, run, point)
            (rises if _can_be(tie, before, found, point) else refused).append(found)
            run = []
        before = point
    for point in run:
        rises.append(_rise(tie, before, point))
        before = point
    counted = tuple(each for each in rises if each.cycles or each.fresh_start is not None)
    return Tallied(rises=counted, refused=tuple(each for each in refused if each.cycles))


def _between(tie: Tie, before: Point | None, run: Sequence[Point], after: Point) -> Rise:
    """What a run of observations adds that was found before one that is known."""
    added = -_rise(tie, before, after).cycles
    for point in [*run, after]:
        added += _rise(tie, before, point).cycles
        before = point
    return Rise(cycles=max(added, 0), occurred=run[-1].occurred, late=True)


def _can_be(tie: Tie, before: Point | None, rise: Rise, after: Point) -> bool:
    """An absolute count is judged by how fast its counter can run; events and deltas were told one by one.

    What a run adds may lie anywhere from what was known before it to what was known after it.
    """
    since = tie.since if before is None else before.occurred
    return tie.use != "absolute" or fits(rise.cycles, since, after.occurred, tie.max_per_second)


def _rise(tie: Tie, before: Point | None, point: Point) -> Rise:
    """What one observation adds after the one before it."""
    if tie.use == "delta":
        return Rise(cycles=int(point.value), occurred=point.occurred)
    if tie.use == "absolute":
        return _counted(tie, before, point)
    entered = point.value in tie.values if tie.values else bool(point.value)
    changed = before is not None and before.value != point.value
    return Rise(cycles=int(entered and (changed or point.discrete)), occurred=point.occurred)


def _counted(tie: Tie, before: Point | None, point: Point) -> Rise:
    """An absolute count: how far it rose; over its modulus; or from 0, where it was reset.

    Another counter than the one that the spindle was known by is counted from where it is met.
    """
    value, at = int(point.value), point.occurred
    if before is None and tie.anchor is None:
        return Rise(cycles=0, occurred=at, fresh_start=value, fresh_at=at)
    last, since = (tie.anchor or 0, tie.since) if before is None else (int(before.value), before.occurred)
    if value >= last and not point.reset:
        return Rise(cycles=value - last, occurred=at)
    if tie.modulus is not None and not point.reset:
        over = tie.modulus - last + value
        if over >= 0 and fits(over, since, at, tie.max_per_second):
            return Rise(cycles=over, occurred=at)
    from_zero = (before is not None or point.reset) and fits(value, since, at, tie.max_per_second)
    cycles = value if from_zero else 0
    needed = timedelta(seconds=-(-cycles // tie.max_per_second))
    return Rise(cycles=cycles, occurred=at, fresh_start=value - cycles, fresh_at=max(since, at - needed))


def together(rises: Iterable[Rise]) -> list[Rise]:
    """Rises of one minute as one, in their order; a counter that begins anew begins a new one."""
    joined: list[Rise] = []
    for rise in rises:
        last = joined[-1] if joined else None
        if (
            last is not None
            and rise.fresh_start is None
            and rise.late == last.late
            and _minute(rise.occurred) == _minute(last.occurred)
        ):
            joined[-1] = Rise(
                cycles=last.cycles + rise.cycles,
                occurred=max(last.occurred, rise.occurred),
                late=last.late,
                fresh_start=last.fresh_start,
                fresh_at=last.fresh_at,
            )
        else:
            joined.append(rise)
    return joined


def _minute(at: datetime) -> int:
    return (at - datetime(2000, 1, 1, tzinfo=UTC)) // TOGETHER
