"""A spindle's history as a rehearsal needs it: counts over time, what was done whatever the rule, what was measured."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any, Final

from msgspec import Struct

from service.domain import counter
from service.domain.course import Course, Point, course_of
from service.domain.event import Fact, spindles
from service.domain.finding import Limits
from service.domain.followed import Doing, Done, Start
from service.domain.hindsight import Seen
from service.domain.quantity import UNITS, ShownQuantity
from service.domain.spindle import SpindleState
from service.domain.step import Step
from service.domain.verdict import ForceVerdict, RunOutVerdict, SettingVerdict

CHECK_OF: Final[dict[type[Any], str]] = {
    spindles.SettingMeasured: "setting",
    spindles.DrawForceMeasured: "draw_force",
    spindles.RunOutMeasured: "run_out",
    spindles.VisualChecked: "visual",
    spindles.ClampingSetGreased: "grease",
}
_RENEWS: Final[dict[str, tuple[type[Any], ...]]] = {
    "setting": (spindles.ClampingSetReplaced, spindles.NoseAdjusted, spindles.ComponentReplaced),
    "draw_force": (spindles.ClampingSetReplaced, spindles.ComponentReplaced, spindles.ClampingSetGreased),
}
"""Work after which what was measured before tells nothing of what is measured next."""
_BASELINES: Final = {"setting": "last_setting", "draw_force": "last_draw_force", "rebuild": "rebuilt"}


class Checked(Struct, frozen=True, kw_only=True):
    """A check that was made on its own account, not to accept a job."""

    check: str
    at: Point


class Retold(Struct, frozen=True, kw_only=True):
    """One spindle while it had the sheet. `seen` by kind of check, in the order of time."""

    course: Course
    done: tuple[Done, ...]
    starts: tuple[Start, ...]
    checks: tuple[Checked, ...]
    seen: dict[str, tuple[Seen, ...]]


def retell(
    steps: Sequence[Step],
    facts: Mapping[int, Fact],
    code: str,
    read: Sequence[tuple[datetime, int]],
    newest: Point,
    in_fact: Mapping[int, tuple[str, bool]],
) -> Retold:
    """The history of one spindle by its steps under the rule.

    `read` are readings of its counter, in order; `newest` the newest count; `in_fact` the outcome that each measurement
    had in fact, and whether a draw force was low.
    """
    telling = _Telling(code, in_fact)
    for made in steps:
        fact = None if made.state.newest.sequence is None else facts.get(made.state.newest.sequence)
        telling.take(made, fact)
    final = steps[-1].state
    return Retold(
        course=course_of([*_points(steps, read), newest], _away(final)),
        done=tuple(telling.done),
        starts=_starts(facts.values()),
        checks=tuple(telling.checks),
        seen={check: tuple(found) for check, found in telling.seen.items()},
    )


class _Telling:
    def __init__(self, code: str, in_fact: Mapping[int, tuple[str, bool]]) -> None:
        self.code, self.in_fact = code, in_fact
        self.done: list[Done] = []
        self.checks: list[Checked] = []
        self.seen: dict[str, list[Seen]] = {"setting": [], "draw_force": []}
        self.stretch = dict.fromkeys(self.seen, 0)
        self.before: SpindleState | None = None

    def take(self, made: Step, fact: Fact | None) -> None:
        state, before = made.state, self.before
        self.before = state
        at = Point(time=state.newest.time, count=state.counter.count)
        had, has = (
            each is not None and each.sheet == self.code and each.lifecycle != "retired" for each in (before, state)
        )
        if has and not had:
            self._did(at, "sheet_begins")
        elif had and not has:
            self._did(at, "sheet_ends")
        if fact is None or made.refused is not None or not has:
            return
        self._work(at, fact, made)
        self._check(at, fact, made, in_job=before is not None and before.job is not None)
        if state.accepted is not None and state.accepted == state.newest and state.job is None:
            self._did(at, "acceptance")

    def _has_sheet(self, state: SpindleState | None) -> bool:
        return state is not None and state.sheet == self.code and state.lifecycle != "retired"

    def _work(self, at: Point, fact: Fact, made: Step) -> None:
        for check, kinds in _RENEWS.items():
            if isinstance(fact.data, kinds):
                self.stretch[check] += 1
        match fact.data:
            case spindles.ClampingSetReplaced():
                self._did(at, "rebuild")
            case spindles.NoseAdjusted():
                self._did(at, "adjustment")
            case spindles.ConditionNoted(code=code):
                self._did(at, "condition", code=code)

    def _check(self, at: Point, fact: Fact, made: Step, *, in_job: bool) -> None:
        check = CHECK_OF.get(type(fact.data))
        verdict = made.verdict
        if check is None or (verdict is not None and not verdict.admissible):
            return
        if in_job:
            self._did(at, "check", check=check)
        else:
            self.checks.append(Checked(check=check, at=at))
        if isinstance(verdict, SettingVerdict | ForceVerdict):
            outcome, low = self.in_fact.get(fact.sequence, ("not_admissible", False))
            value, (lower, upper) = _value(verdict), _limits(verdict)
            conformity = verdict.probability_of_conformity
            self.seen[check].append(
                Seen(
                    check=check,
                    entry=fact.sequence,
                    time=at.time,
                    count=at.count,
                    value=value,
                    lower=lower,
                    upper=upper,
                    bad_by_rule=is_bad(verdict),
                    bad_in_fact=outcome == "nonconforming" or low,
                    conformity=None if conformity is None else float(conformity),
                    stretch=self.stretch[check],
                    in_job=in_job,
                )
            )

    def _did(self, at: Point, doing: Doing, *, code: str | None = None, check: str | None = None) -> None:
        self.done.append(Done(at=at, doing=doing, code=code, check=check))


def is_bad(verdict: SettingVerdict | ForceVerdict | RunOutVerdict) -> bool:
    """Whether a measurement calls for something: it does not conform, or the draw force is low."""
    return verdict.outcome == "nonconforming" or bool(getattr(verdict, "low", False))


def _value(verdict: SettingVerdict | ForceVerdict) -> float:
    return _base(verdict.mean if isinstance(verdict, SettingVerdict) else verdict.force) or 0.0


def _limits(verdict: SettingVerdict | ForceVerdict) -> tuple[float | None, float | None]:
    """Between which a measurement calls for nothing: what the rule accepts, the warning of a draw force included."""
    limits: Limits = verdict.limits if verdict.acceptance is None else verdict.acceptance
    lower, upper = _base(limits.lower), _base(limits.upper)
    if isinstance(verdict, ForceVerdict) and verdict.warning is not None:
        lower = max(each for each in (lower, _base(verdict.warning)) if each is not None)
    return lower, upper


def _base(shown: ShownQuantity | None) -> float | None:
    return None if shown is None else float(Decimal(shown.value) * UNITS[shown.unit][1])


def _points(steps: Sequence[Step], read: Sequence[tuple[datetime, int]]) -> list[Point]:
    """Counts at the facts, and at the readings between them by the counter that counted then."""
    points: list[Point] = []
    place = 0
    for number, made in enumerate(steps):
        track = made.state.counter
        points.append(Point(time=made.state.newest.time, count=track.count))
        following = steps[number + 1].state if number + 1 < len(steps) else None
        while place < len(read) and (following is None or read[place][0] < following.newest.time):
            time, reading = read[place]
            place += 1
            count = counter.held(track, reading).count
            fits = following is None or count <= following.counter.count
            if time > made.state.newest.time and fits and counter.can_have_reached(track, reading, time):
                points.append(Point(time=time, count=count))
    return points


def _away(state: SpindleState) -> list[tuple[datetime, datetime | None]]:
    stays = state.stays
    away: list[tuple[datetime, datetime | None]] = []
    for number, stay in enumerate(stays):
        if stay.removed is not None:
            back = stays[number + 1].installed if number + 1 < len(stays) else None
            away.append((stay.removed, back))
    return away


def _starts(facts: Any) -> tuple[Start, ...]:
    """From where checks are said to count when the spindle was commissioned."""
    found = []
    for fact in facts:
        if isinstance(fact.data, spindles.Commissioned) and fact.data.baseline is not None:
            for check, name in _BASELINES.items():
                mark = getattr(fact.data.baseline, name)
                if mark is not None:
                    found.append(Start(check=check, time=mark.time, count=mark.count))
    return tuple(found)
