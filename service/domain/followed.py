"""A rule as if it had been followed: each check made when it fell due, by what was done to the spindle and its count.

Rules of this file
- What was done stays: rebuilds, adjustments, moves, and the checks made while a job was open, since those were made to
  accept it. Other checks of the past are not made: the rule decides when they would have been.
- A check made satisfies every window that is open for its kind, as it does in the ledger.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Final, Literal

from msgspec import Struct

from service.domain.course import Course, Point
from service.domain.event.sheets import Recheck
from service.domain.refusal import Refusal

CHECKS_MOST: Final = 2000
"""Checks of one spindle beyond which a rule is not rehearsed."""
_SUPERSEDES: Final = {
    "rebuild": frozenset({"acceptance", "rebuild", "adjustment"}),
    "adjustment": frozenset({"acceptance", "adjustment"}),
    "acceptance": frozenset({"acceptance"}),
}

Doing = Literal["sheet_begins", "sheet_ends", "rebuild", "adjustment", "acceptance", "condition", "check"]


class RehearsalTooLarge(Refusal):
    """More than can be rehearsed at once."""

    code = "rehearsal_too_large"


class Done(Struct, frozen=True, kw_only=True):
    """Something done whatever the rule. `code` of a condition; `check` of a check made in an open job."""

    at: Point
    doing: Doing
    code: str | None = None
    check: str | None = None


class Run(Struct, kw_only=True):
    """One run of a recheck. `due` is when it fell due, or would have had nothing come before; None: not by the end.

    `made` where the check was made then. `index` is the rule's place in the list.
    """

    index: int
    code: str
    check: str
    started: Point
    window: datetime | None
    due: Point | None
    made: bool = False
    ended: datetime | None = None


class Start(Struct, frozen=True, kw_only=True):
    """From where checks of a kind count when the sheet begins: a baseline, or the check made last.

    Of the kind `rebuild`, from where what counts since the rebuild does, until there is one.
    """

    check: str
    time: datetime
    count: int | None


def follow(
    rules: Sequence[Recheck], course: Course, done: Iterable[Done], starts: Sequence[Start], until: datetime
) -> list[Run]:
    """Every run of the rules up to a time, in the order in which they began. Raises RehearsalTooLarge."""
    following = _Following(rules, course, starts)
    for each in sorted(done, key=lambda one: one.at.time):
        if each.at.time > until:
            break
        following.advance(each.at.time)
        following.happen(each)
    following.advance(until + timedelta(microseconds=1))
    return following.runs


class _Following:
    def __init__(self, rules: Sequence[Recheck], course: Course, starts: Sequence[Start]) -> None:
        self.rules, self.course = rules, course
        self.checked = {each.check: each for each in starts}
        self.runs: list[Run] = []
        self.active: list[Run] = []
        self.holds = False

    def advance(self, to: datetime) -> None:
        """Makes every check that falls due before a time."""
        while True:
            due = [(run.due, run) for run in self.active if run.due is not None and run.due.time < to]
            if not due:
                return
            at, run = min(due, key=lambda each: (each[0].time, each[1].index))
            run.made = True
            self._check(run.check, at)

    def happen(self, each: Done) -> None:
        if each.doing == "sheet_begins":
            self.holds = True
            self._begin("commissioning", each.at)
            self._begin_last_checks(each.at)
            stated = self.checked.pop("rebuild", None)
            if stated is not None:
                self._begin("rebuild", each.at, counted_from=stated)
        elif each.doing == "sheet_ends":
            self._end(self.active, each.at.time)
            self.holds = False
        elif each.doing == "check" and each.check is not None:
            self._check(each.check, each.at)
        elif each.doing == "condition":
            running = {run.index for run in self.active}
            self._begin("condition", each.at, code=each.code, but=running)
        else:
            gone = _SUPERSEDES[each.doing]
            self._end([run for run in self.active if self.rules[run.index].since in gone], each.at.time)
            self._begin(each.doing, each.at)

    def _begin_last_checks(self, at: Point) -> None:
        for index, rule in enumerate(self.rules):
            if rule.since == "last_check":
                self._start(index, _counted_from(self.checked.get(rule.check), at), at)

    def _begin(
        self,
        since: str,
        at: Point,
        *,
        code: str | None = None,
        but: Iterable[int] = (),
        counted_from: Start | None = None,
    ) -> None:
        for index, rule in enumerate(self.rules):
            if rule.since == since and index not in but and (code is None or code in rule.codes):
                self._start(index, _counted_from(counted_from, at), at)

    def _start(self, index: int, counted_from: Point, at: Point) -> None:
        if not self.holds:
            return
        if len(self.runs) >= CHECKS_MOST:
            text = f"a spindle would have been checked more than {CHECKS_MOST} times: ask for a shorter period"
            raise RehearsalTooLarge(text, pointer=f"/rechecks/{index}")
        rule = self.rules[index]
        due = self._limit(counted_from, rule.after_cycles, rule.after_days, at)
        cycles = None if rule.after_cycles is None else rule.after_cycles - (rule.early_cycles or 0)
        days = None if rule.after_days is None else rule.after_days - (rule.early_days or 0)
        window = self._limit(counted_from, cycles, days, at)
        run = Run(
            index=index,
            code=rule.code,
            check=rule.check,
            started=at,
            window=None if window is None else window.time,
            due=due,
        )
        self.runs.append(run)
        self.active.append(run)

    def _limit(self, start: Point, cycles: int | None, days: int | None, at: Point) -> Point | None:
        """Where the sooner of two limits is reached, not before the run begins."""
        found = []
        if cycles is not None and (point := self.course.reached(start.count + cycles)) is not None:
            found.append(point)
        if days is not None and (time := self.course.days_after(start.time, days)) is not None:
            found.append(self.course.at(time))
        sooner = min(found, key=lambda point: point.time, default=None)
        return sooner if sooner is None or sooner.time >= at.time else at

    def _check(self, check: str, at: Point) -> None:
        """A check of a kind made: open windows are satisfied, repeats and what counts from the last check begin."""
        self.checked[check] = Start(check=check, time=at.time, count=at.count)
        for run in [each for each in self.active if each.check == check]:
            rule = self.rules[run.index]
            is_open = run.window is not None and run.window <= at.time
            if is_open or rule.since == "last_check":
                self._end([run], at.time)
                if rule.repeat or not is_open:
                    self._start(run.index, at, at)

    def _end(self, runs: Iterable[Run], at: datetime) -> None:
        for run in list(runs):
            run.ended = at
            self.active.remove(run)


def _counted_from(start: Start | None, at: Point) -> Point:
    if start is None:
        return at
    return Point(time=start.time, count=at.count if start.count is None else start.count)
