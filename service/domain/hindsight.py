"""What a rule would have caught, sooner or later than was done: by the measurements that were made, and in between.

Rules of this file
- What was not measured is not known. Between two measurements with no work in between the value is taken to have moved
  evenly with the count; before the first and after the last of them nothing is said.
- A measurement made while a job was open is made whatever the rule, so it is no finding of one.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Literal

from msgspec import Struct

from service.domain.course import Point
from service.domain.followed import Run


class Seen(Struct, frozen=True, kw_only=True):
    """A measurement: its value and limits in mm or N, and what it shows by the rule and in fact.

    `stretch` numbers the times between work on the spindle; `in_job` where it was made to accept a job.
    """

    check: str
    entry: int
    time: datetime
    count: int
    value: float
    lower: float | None
    upper: float | None
    bad_by_rule: bool
    bad_in_fact: bool
    conformity: float | None
    stretch: int
    in_job: bool


class FoundAt(Struct, frozen=True, kw_only=True):
    """When something is found; `entry` where it was measured."""

    time: datetime
    count: int
    entry: int | None


class Caught(Struct, frozen=True, kw_only=True):
    """Something out of limits, when it was found in fact and when by the rule. Times by the rule are estimates.

    `verdict`: `earlier`, `later`, `same` (within a cycle), `only_by_rule`, `only_in_fact`, `not_found` (not checked
    again by the end), `not_known` (no measurement before it tells when it went out). `outside_since` is the count at
    which it went out, interpolated; `cycles_earlier` is negative where it is found later; `by_rule_between` is from the
    soonest to the latest that the measurements allow.
    """

    spindle: str
    check: str
    verdict: Literal["earlier", "later", "same", "only_by_rule", "only_in_fact", "not_found", "not_known"]
    in_fact: FoundAt | None
    by_rule: FoundAt | None
    by_rule_between: tuple[FoundAt | None, FoundAt | None]
    outside_since: int | None
    cycles_earlier: int | None


class Expected(Struct, frozen=True, kw_only=True):
    """What checks by the rule would have shown, as far as it is known."""

    made: int
    inside: int
    outside: int
    not_known: int


class Calls(Struct, frozen=True, kw_only=True):
    """Measurements that show something out of limits; `not_confirmed` of them were within at the next, with no work in
    between. `false_expected` is the sum of the probabilities that what was measured conformed, null without any.
    """

    made: int
    not_confirmed: int
    false_expected: float | None


def caught(spindle: str, seen: Sequence[Seen], runs: Sequence[Run], since: datetime, until: datetime) -> list[Caught]:
    """What was or would have been found in a period, of one spindle and one kind of check."""
    found = []
    for stretch in sorted({each.stretch for each in seen}):
        mine = [each for each in seen if each.stretch == stretch]
        by_rule = next((each for each in mine if each.bad_by_rule and not each.in_job), None)
        in_fact = next((each for each in mine if each.bad_in_fact and not each.in_job), None)
        first = by_rule or in_fact
        if first is not None and since <= first.time <= until:
            found.append(_caught(spindle, mine, by_rule, in_fact, runs))
    return found


def _caught(
    spindle: str, mine: Sequence[Seen], by_rule: Seen | None, in_fact: Seen | None, runs: Sequence[Run]
) -> Caught:
    told = None if in_fact is None else FoundAt(time=in_fact.time, count=in_fact.count, entry=in_fact.entry)
    if by_rule is None:
        assert in_fact is not None
        return Caught(
            spindle=spindle,
            check=in_fact.check,
            verdict="only_in_fact",
            in_fact=told,
            by_rule=None,
            by_rule_between=(None, None),
            outside_since=None,
            cycles_earlier=None,
        )
    before = [each for each in mine if (each.time, each.entry) < (by_rule.time, by_rule.entry)]
    last = before[-1] if before else None
    out = None if last is None else _went_out(last, by_rule)
    dues = sorted(
        (
            run.due
            for run in runs
            if run.due is not None and run.started.time < by_rule.time and run.due.time > mine[0].time
        ),
        key=lambda due: due.time,
    )
    soonest = _first(dues, mine[0].count if last is None else last.count + 1)
    latest = _first(dues, by_rule.count)
    expected = None if out is None else _first(dues, out)
    earlier = None if told is None or expected is None else told.count - expected.count
    return Caught(
        spindle=spindle,
        check=by_rule.check,
        verdict=_verdict(told, out, expected, earlier),
        in_fact=told,
        by_rule=expected,
        by_rule_between=(soonest, latest),
        outside_since=out,
        cycles_earlier=earlier,
    )


def _verdict(
    told: FoundAt | None, out: int | None, expected: FoundAt | None, earlier: int | None
) -> Literal["earlier", "later", "same", "only_by_rule", "not_found", "not_known"]:
    if out is None:
        return "not_known"
    if expected is None:
        return "not_found"
    if told is None or earlier is None:
        return "only_by_rule"
    return "same" if abs(earlier) <= 1 else ("earlier" if earlier > 0 else "later")


def _went_out(last: Seen, bad: Seen) -> int:
    """The count at which the line between two measurements crosses the limit that the second lies beyond."""
    limit = bad.lower if bad.lower is not None and bad.value < bad.lower else bad.upper
    if limit is None or bad.value == last.value:
        return bad.count
    part = min(max((limit - last.value) / (bad.value - last.value), 0.0), 1.0)
    return last.count + round((bad.count - last.count) * part)


def _first(dues: Iterable[Point], count: int) -> FoundAt | None:
    """The first check that would have been made at or after a count."""
    return next((FoundAt(time=due.time, count=due.count, entry=None) for due in dues if due.count >= count), None)


def expected_of(seen: Sequence[Seen], checks: Sequence[Point]) -> Expected:
    """What checks at these points would have shown, of one spindle and one kind of check."""
    shown = [_shows(seen, point) for point in checks]
    return Expected(
        made=len(shown), inside=shown.count("inside"), outside=shown.count("outside"), not_known=shown.count(None)
    )


def _shows(seen: Sequence[Seen], point: Point) -> Literal["inside", "outside"] | None:
    before = next((each for each in reversed(seen) if each.count <= point.count and each.time <= point.time), None)
    after = next((each for each in seen if each.count >= point.count and each.time >= point.time), None)
    if before is None or after is None or before.stretch != after.stretch:
        return None
    span = after.count - before.count
    part = 0.0 if span == 0 else (point.count - before.count) / span
    value = before.value + (after.value - before.value) * part
    below = after.lower is not None and value < after.lower
    return "outside" if below or (after.upper is not None and value > after.upper) else "inside"


def calls(seen: Sequence[Seen], since: datetime, until: datetime, *, by_rule: bool) -> Calls:
    """The measurements of a period that call for something, by the rule or in fact."""
    made = unconfirmed = 0
    chances: list[float] = []
    for place, each in enumerate(seen):
        if each.in_job or not since <= each.time <= until or not (each.bad_by_rule if by_rule else each.bad_in_fact):
            continue
        made += 1
        following = seen[place + 1] if place + 1 < len(seen) else None
        if following is not None and following.stretch == each.stretch:
            unconfirmed += not (following.bad_by_rule if by_rule else following.bad_in_fact)
        if each.conformity is not None and by_rule:
            chances.append(each.conformity)
    return Calls(made=made, not_confirmed=unconfirmed, false_expected=sum(chances) if chances else None)
